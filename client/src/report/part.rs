//! Parts and revisions.

use scantling_proto::v1::{BoundFeature, FeatureKind, ListPartsResponse, Part, Revision, RevisionState};

use super::requirement::requirement;
use super::{Look, facts, number, number::plain, table, time, words};
use crate::names::{id, short_revision};

/// All parts.
pub(crate) fn list(parts: &ListPartsResponse, look: &Look) -> String {
    if parts.parts.is_empty() {
        return "no parts yet; `scantling part register` makes one\n".to_owned();
    }
    let rows = parts
        .parts
        .iter()
        .map(|part| {
            let released = part.released_revision.as_deref().map_or("none", id);
            vec![
                words(id(&part.name)),
                words(released),
                words(&part.title),
                words(time(part.create_time.as_ref())),
            ]
        })
        .collect();
    table(&["part", "released", "title", "created"], rows, look)
}

/// A part with its revisions.
pub(crate) fn part(part: &Part, revisions: &[Revision], look: &Look) -> String {
    let released = part.released_revision.as_deref().map_or("none", id);
    let mut text = facts(
        &[
            ("part", part.name.clone()),
            ("title", part.title.clone()),
            ("created", time(part.create_time.as_ref())),
            ("released", released.to_owned()),
        ],
        look,
    );
    text.push('\n');
    if revisions.is_empty() {
        text.push_str("no revisions yet; `scantling part register` makes one\n");
        return text;
    }
    let rows = revisions
        .iter()
        .map(|revision| {
            let plan = revision.plan.as_ref();
            vec![
                words(id(&revision.name)),
                words(state(revision.state())),
                words(plan.map_or("-", |p| &p.drawing_revision)),
                number(plan.map_or("-".to_owned(), |p| p.plan_version.to_string())),
                number(plan.map_or("-".to_owned(), |p| p.characteristic.len().to_string())),
                words(time(revision.create_time.as_ref())),
            ]
        })
        .collect();
    let head = ["revision", "state", "drawing", "plan version", "characteristics", "created"];
    text.push_str(&table(&head, rows, look));
    text
}

/// A revision with its features and characteristics.
pub(crate) fn revision(revision: &Revision, look: &Look) -> String {
    let plan = revision.plan.clone().unwrap_or_default();
    let neighbours = revision.neighbours.iter().map(|n| {
        let told = format!("{}, sha256 {}", super::printable(&n.neighbour), id(&n.blob));
        ("neighbour", told)
    });
    let mut about = vec![
        ("revision", short_revision(&revision.name)),
        ("state", state(revision.state()).to_owned()),
        ("title", plan.title.clone().unwrap_or_default()),
        ("drawing", plan.drawing_revision.clone()),
        ("plan", format!("version {}, sha256 {}", plan.plan_version, revision.plan_sha256)),
        (
            "nominal",
            match id(&revision.nominal_blob) {
                "" => "none: its features say their own places".to_owned(),
                sha256 => format!("sha256 {sha256}"),
            },
        ),
    ];
    about.extend(neighbours);
    about.extend([
        ("standard", plan.standard.as_ref().map(|s| s.edition.clone()).unwrap_or_default()),
        ("created", time(revision.create_time.as_ref())),
        ("released", revision.release_time.as_ref().map_or(String::new(), |t| time(Some(t)))),
    ]);
    let mut text = facts(&about, look);
    if !revision.bound_features.is_empty() {
        text.push('\n');
        text.push_str(&bound(&revision.bound_features, look));
    }
    if !plan.characteristic.is_empty() {
        let rows = plan
            .characteristic
            .iter()
            .map(|c| {
                vec![
                    words(&c.number),
                    words(requirement(c)),
                    words(c.feature.as_deref().unwrap_or("-")),
                    words(c.datum_system.as_deref().unwrap_or("-")),
                    words(c.class.as_deref().unwrap_or("-")),
                    words(c.group.join(", ")),
                ]
            })
            .collect();
        text.push('\n');
        text.push_str(&table(&["no.", "requirement (mm)", "of", "to", "class", "groups"], rows, look));
    }
    text + &super::plan::remarks(&revision.remarks, look)
}

/// Where the picks of a plan are bound on its nominal.
pub(crate) fn bound(features: &[BoundFeature], look: &Look) -> String {
    let numbered = features.iter().any(|f| !f.faces.is_empty());
    let rows = features
        .iter()
        .map(|f| {
            let mut row = vec![
                words(&f.feature),
                words(kind(f.kind())),
                // One that says its own place has none.
                number(if f.area_mm2 > 0.0 { format!("{:.1}", f.area_mm2) } else { "-".to_owned() }),
                number(f.diameter_mm.map_or("-".to_owned(), plain)),
                number(plain(f.centroid_x_mm)),
                number(plain(f.centroid_y_mm)),
                number(plain(f.centroid_z_mm)),
            ];
            if numbered {
                row.push(words(few(&f.faces)));
            }
            row
        })
        .collect();
    let mut heads = vec!["feature", "kind", "area mm2", "diameter mm", "centroid x mm", "y mm", "z mm"];
    if numbered {
        heads.push("faces");
    }
    table(&heads, rows, look)
}

/// The first few of some faces' numbers, and how many more there are.
fn few(faces: &[String]) -> String {
    const TOLD: usize = 4;
    let mut text = faces.iter().take(TOLD).map(String::as_str).collect::<Vec<_>>().join(" ");
    if faces.len() > TOLD {
        text.push_str(&format!(" and {} more", faces.len() - TOLD));
    }
    text
}

/// A state in words.
pub(crate) fn state(state: RevisionState) -> &'static str {
    match state {
        RevisionState::Draft => "draft",
        RevisionState::Released => "released",
        RevisionState::Superseded => "superseded",
        RevisionState::Unspecified => "unknown",
    }
}

fn kind(kind: FeatureKind) -> &'static str {
    match kind {
        FeatureKind::Plane => "plane",
        FeatureKind::Hole => "hole",
        FeatureKind::Surface => "surface",
        FeatureKind::Slot => "slot",
        FeatureKind::Point => "point",
        FeatureKind::Cylinder => "cylinder",
        FeatureKind::Cone => "cone",
        FeatureKind::Sphere => "sphere",
        FeatureKind::Torus => "torus",
        FeatureKind::Width => "width",
        FeatureKind::Group => "group",
        FeatureKind::Edge => "edge",
        FeatureKind::Countersink => "countersink",
        FeatureKind::Unspecified => "unknown",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests::PLAIN;
    use scantling_proto::v1::Plan;

    #[test]
    fn a_part_shows_its_revisions() {
        let about = Part {
            name: "parts/ws-214".into(),
            title: "Window surround".into(),
            create_time: None,
            released_revision: Some("parts/ws-214/revisions/c4".into()),
        };
        let plan = Plan { drawing_revision: "C".into(), plan_version: 4, ..Plan::default() };
        let released = Revision {
            name: "parts/ws-214/revisions/c4".into(),
            state: RevisionState::Released.into(),
            plan: Some(plan),
            ..Revision::default()
        };
        assert_eq!(
            part(&about, &[released], &PLAIN),
            "\
part      parts/ws-214
title     Window surround
created   -
released  c4

revision  state     drawing  plan version  characteristics  created
c4        released  C                   4                0  -
"
        );
    }

    #[test]
    fn no_parts_say_what_to_do() {
        assert!(list(&ListPartsResponse::default(), &PLAIN).contains("scantling part register"));
    }
}
