//! Parts and revisions.

use scantling_core::plan::{Fault, MOST_NEIGHBOURS, NEIGHBOUR, Plan, check_json};
use scantling_core::scan::LengthUnit;
use scantling_proto::v1;

use super::fields::Fields;
use super::status::Problem;
use super::{enums, name, time};
use crate::blobs::Digest;
use crate::remarks;
use crate::store::{Bound, NeighbourFile, Part, Revision};

pub(crate) fn of_part(part: Part) -> v1::Part {
    v1::Part {
        name: name::of_part(&part.id),
        released_revision: part.released_revision.map(|r| name::of_revision(&part.id, &r)),
        title: part.title,
        create_time: Some(time::timestamp(part.create_time_us)),
    }
}

fn of_bound(bound: &Bound) -> v1::BoundFeature {
    let kind = format!("FEATURE_KIND_{}", bound.kind.to_ascii_uppercase());
    v1::BoundFeature {
        feature: bound.feature.clone(),
        kind: v1::FeatureKind::from_str_name(&kind).unwrap_or_default().into(),
        area_mm2: bound.area_mm2,
        centroid_x_mm: bound.centroid_mm[0],
        centroid_y_mm: bound.centroid_mm[1],
        centroid_z_mm: bound.centroid_mm[2],
        diameter_mm: bound.diameter_mm,
        faces: bound.faces.clone(),
    }
}

/// Where the features lie; the skins of neighbours are none of the part's.
pub(crate) fn of_features(bound: &[Bound]) -> Vec<v1::BoundFeature> {
    bound.iter().filter(|b| b.kind != NEIGHBOUR).map(of_bound).collect()
}

/// The neighbours that a plan names.
pub(crate) fn of_named(plan: &Plan) -> Vec<v1::PlanNeighbour> {
    let one = |n: &scantling_core::plan::Neighbour| v1::PlanNeighbour {
        neighbour: n.id.clone(),
        file: n.file.clone(),
    };
    plan.neighbours.iter().map(one).collect()
}

/// The nominals of neighbours that were sent; one that is wrong is told and left out.
pub(crate) fn neighbours(
    fields: &mut Fields,
    place: &str,
    sent: &[v1::NeighbourNominal],
) -> Vec<(String, Digest, Option<LengthUnit>)> {
    if sent.len() > MOST_NEIGHBOURS {
        fields.wrong(place, format!("has {} entries, {MOST_NEIGHBOURS} at most", sent.len()));
    }
    let mut all = Vec::with_capacity(sent.len().min(MOST_NEIGHBOURS));
    for (i, one) in sent.iter().take(MOST_NEIGHBOURS).enumerate() {
        let id = fields.said(&format!("{place}[{i}].neighbour"), one.neighbour.clone());
        let blob = fields.blob(&format!("{place}[{i}].blob"), &one.blob);
        let unit = fields.nominal_unit(&format!("{place}[{i}].length_unit"), one.length_unit);
        all.extend(blob.map(|blob| (id, blob, unit)));
    }
    all
}

fn of_neighbour(kept: &NeighbourFile) -> v1::NeighbourNominal {
    v1::NeighbourNominal {
        neighbour: kept.id.clone(),
        blob: name::of_blob(&kept.sha256),
        length_unit: kept.unit.map_or(v1::LengthUnit::Unspecified, enums::of_length_unit).into(),
    }
}

/// The plan of a revision to be, in one of its two forms.
pub(crate) fn plan_of(fields: &mut Fields, sent: &v1::Revision) -> Option<v1::PlanInput> {
    use v1::plan_input::Plan;
    let text = &sent.plan_source;
    let plan = match (&sent.plan, text.is_empty()) {
        (Some(plan), false) => {
            fields.wrong("revision.plan_source", "is a second plan beside `plan`; send one of them");
            Plan::Message(plan.clone())
        }
        (Some(plan), true) => Plan::Message(plan.clone()),
        (None, true) => return None,
        // TOML never begins with a brace, and JSON of a plan always does.
        (None, false) if text.trim_start().starts_with('{') => Plan::Json(text.clone()),
        (None, false) => Plan::Toml(text.clone()),
    };
    Some(v1::PlanInput { plan: Some(plan) })
}

pub(crate) fn of_revision(revision: Revision) -> Result<v1::Revision, Problem> {
    let content = revision.content;
    // One that cannot be checked any more is told below.
    let mut remarks = check_json(&content.plan_json)
        .map(|(_, plan)| remarks::of(&plan, &content.bound, Some(&content.part)))
        .unwrap_or_default();
    remarks.extend(content.remarks);
    Ok(v1::Revision {
        name: name::of_revision(&content.part, &content.id),
        state: enums::of_revision_state(revision.state).into(),
        plan: Some(super::plan::kept(&content.plan_json)?),
        plan_sha256: content.plan_sha256,
        plan_source: content.plan_source,
        nominal_blob: content.nominal.as_ref().map(|n| name::of_blob(&n.0)).unwrap_or_default(),
        nominal_length_unit: content
            .nominal
            .and_then(|n| n.1)
            .map_or(v1::LengthUnit::Unspecified, enums::of_length_unit)
            .into(),
        bound_features: of_features(&content.bound),
        neighbours: content.neighbours.iter().map(of_neighbour).collect(),
        create_time: Some(time::timestamp(revision.create_time_us)),
        remarks,
        release_time: revision.release_time_us.map(time::timestamp),
    })
}

pub(crate) fn of_faults(faults: Vec<Fault>) -> Vec<v1::PlanFault> {
    faults.into_iter().map(|f| v1::PlanFault { place: f.place, problem: f.problem }).collect()
}
