//! Neighbours and the joints with them: what a plan says is checked, and the neighbour's edges are found on its nominal.

use super::bind::{FaceMap, bind_one};
use super::check::{Names, filled, in_range};
use super::domain::{EdgeAt, Feature, FeatureKind, Neighbour, Place, Plan};
use super::faces;
use super::fault::{Fault, Faults};
use super::file::{self, PlanFile, SideOfMaterial};
use super::place::pick;
use super::required::Requirement;
use super::tolerance::deviations;
use super::tree::short;
use crate::geometry::Point;
use crate::nominal::{FURTHEST_JOINT_MM, Joint, NeighbourEdges, Nominal, Side, Spread, TrimmedEdge};

/// A neighbour as it lies on its nominal.
#[derive(Clone, Debug, PartialEq)]
pub struct BoundNeighbour {
    /// Id in the plan.
    pub id: String,
    /// SHA-256 of its nominal's file, 64 hexadecimal digits; empty without one.
    pub sha256: String,
    /// All edges at which its skin ends.
    pub edges: TrimmedEdge,
    /// Area of its skin, mm2.
    pub area_mm2: f64,
    /// Centroid of that area, mm.
    pub centroid: Point,
    /// How that area is spread about it.
    pub spread: Option<Spread>,
}

/// The nominal of a neighbour, in the part's axes.
#[derive(Clone, Copy, Debug)]
pub struct NeighbourNominal<'a> {
    /// Id of the neighbour in the plan.
    pub id: &'a str,
    /// Its nominal.
    pub nominal: &'a Nominal,
    /// SHA-256 of its file, 64 hexadecimal digits; empty without one.
    pub sha256: &'a str,
}

/// A neighbour, or `None` and its faults.
pub(super) fn neighbour(faults: &Faults, file: &PlanFile, index: usize) -> Option<Neighbour> {
    let n = &file.neighbour[index];
    let place = format!("neighbour[{index}]");
    let at = |key: &str| format!("{place}.{key}");
    filled(faults, &at("file"), &n.file);
    if let Some(part) = &n.part {
        filled(faults, &at("part"), part);
    }
    if file.nominal.is_none() && faults.sound("nominal") {
        faults.add(&place, "stands beside a nominal, but the plan has none; write `[nominal]`");
    }
    if let Some(f) = file.feature.iter().position(|f| f.id == n.id && !n.id.is_empty()) {
        faults.add(at("id"), format!("is the id of feature[{f}] too; write another"));
    }
    let by_face = n.face.is_some() || !n.fingerprint.is_empty();
    let skin = match (&n.pick, by_face) {
        (Some(_), true) => {
            faults.add(at("face"), "is a second place beside `pick`; leave one");
            None
        }
        (Some(p), false) => pick(faults, &at("pick"), FeatureKind::Surface, true, p),
        (None, true) => faces::place(faults, &place, n.face.as_deref(), &n.fingerprint),
        (None, false) => {
            if ["pick", "face", "fingerprint"].iter().all(|k| faults.sound(&at(k))) {
                let help = "write `pick = { near_mm = [x, y, z] }` on its skin beside the part, or `face`";
                faults.add(&place, format!("says not which of its surfaces is the skin; {help}"));
            }
            None
        }
    };
    let side = n.side_of_material.map(|side| match side {
        SideOfMaterial::BehindNormal => Side::BehindNormal,
        SideOfMaterial::InFrontOfNormal => Side::InFrontOfNormal,
    });
    Some(Neighbour { id: n.id.clone(), file: n.file.clone(), part: n.part.clone(), side, skin: skin? })
}

/// A gap or a step, or `None` and its faults.
pub(super) fn joint(
    faults: &Faults,
    names: &Names<'_>,
    place: &str,
    j: &file::Joint,
    step: bool,
) -> Option<Requirement> {
    let to = names.neighbour(faults, &format!("{place}.to"), &j.to);
    in_range(faults, &format!("{place}.nominal_mm"), j.nominal_mm, |_| true, "in mm, signed");
    deviations(faults, place, "mm", j.upper_deviation_mm, j.lower_deviation_mm);
    let (to, nominal_mm) = (to?, j.nominal_mm);
    let (upper_deviation_mm, lower_deviation_mm) = (j.upper_deviation_mm, j.lower_deviation_mm);
    Some(if step {
        Requirement::Step { to, nominal_mm, upper_deviation_mm, lower_deviation_mm }
    } else {
        Requirement::Gap { to, nominal_mm, upper_deviation_mm, lower_deviation_mm }
    })
}

/// A gap and a step are taken where skin and wall meet.
pub(super) fn at_the_skin(
    faults: &Faults,
    file: &PlanFile,
    place: &str,
    index: usize,
    requirement: &Requirement,
) {
    if !matches!(requirement, Requirement::Gap { .. } | Requirement::Step { .. }) {
        return;
    }
    let id = file.characteristic[index].feature.as_deref();
    let line = file.feature.iter().find(|f| Some(f.id.as_str()) == id).and_then(|f| f.edge.as_ref());
    if line.is_some_and(|l| l.at != EdgeAt::VisibleArris) {
        faults.add(
            format!("{place}.feature"),
            format!(
                "\"{}\" is not the arris of the skin, at which a {} is taken; name an edge `at = \"visible_arris\"`",
                short(id.unwrap_or_default()),
                requirement.word()
            ),
        );
    }
}

impl FaceMap {
    /// With the edges of the plan's neighbours, each from its nominal.
    ///
    /// # Errors
    /// A fault for every neighbour whose nominal is missing or whose skin is not found or ends nowhere, and for every gap and
    /// step whose line has none of the neighbour's edges beside it.
    pub fn with_neighbours(mut self, plan: &Plan, nominals: &[NeighbourNominal]) -> Result<Self, Vec<Fault>> {
        let (mut faults, mut found) = (Vec::new(), Vec::new());
        for (i, neighbour) in plan.neighbours.iter().enumerate() {
            let nominal = nominals.iter().find(|n| n.id == neighbour.id);
            let bound = match nominal {
                None => Err(("file", format!("the nominal {} was not sent", short(&neighbour.file)))),
                Some(one) => bound(neighbour, one, &mut self.remarks),
            };
            match bound {
                Ok(one) => found.push(one),
                Err((key, problem)) => faults.push(Fault {
                    place: format!("neighbour[{i}].{key}"),
                    problem: format!("neighbour {}: {problem}", short(&neighbour.id)),
                }),
            }
        }
        if !faults.is_empty() {
            return Err(faults);
        }
        self.neighbours = found;
        for (i, c) in plan.characteristics.iter().enumerate() {
            let (Requirement::Gap { to, .. } | Requirement::Step { to, .. }) = c.requirement else {
                continue;
            };
            let line = c.feature.and_then(|f| self.features.get(f)?.edge.as_ref());
            let (Some(line), Some(neighbour)) = (line, self.neighbours.get(to)) else { continue };
            let joints = NeighbourEdges::new(&neighbour.edges).beside(&line.line);
            let seen: Vec<Joint> = joints.iter().flatten().copied().collect();
            let (word, id) = (c.requirement.word(), short(&neighbour.id));
            if seen.is_empty() {
                faults.push(Fault {
                    place: format!("characteristic[{i}].{word}.to"),
                    problem: format!(
                        "characteristic {}: no edge of {id} lies within {FURTHEST_JOINT_MM} mm beside the line and faces it; \
                         name another neighbour or line, or the skin of {id} that stands beside it",
                        short(&c.number)
                    ),
                });
                continue;
            }
            let remarks = told(&c.requirement, &seen, seen.len() < joints.len(), &id);
            self.remarks
                .extend(remarks.into_iter().map(|r| format!("characteristic {}: {r}", short(&c.number))));
        }
        if faults.is_empty() { Ok(self) } else { Err(faults) }
    }
}

/// What is odd about a joint of the nominals.
fn told(requirement: &Requirement, joints: &[Joint], partly: bool, id: &str) -> Vec<String> {
    let word = requirement.word();
    let step = matches!(requirement, Requirement::Step { .. });
    let values = || joints.iter().map(|j| if step { j.step_mm } else { j.gap_mm });
    let (low, high) = values().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let mut remarks = Vec::new();
    if partly {
        remarks.push(format!(
            "{id} stands beside a part of the line only; where it does not, no {word} can be measured: let the line run beside \
             it only"
        ));
    }
    if let (Some(lower), Some(upper)) = requirement.limits_mm()
        && !(low >= lower && high <= upper)
    {
        remarks.push(format!(
            "between the nominals the {word} is {low:.3} to {high:.3} mm, which the limits {lower} to {upper} mm do not hold"
        ));
    }
    remarks
}

/// The edges of a neighbour's skin. A fault comes with the key that it belongs to.
fn bound(
    neighbour: &Neighbour,
    from: &NeighbourNominal,
    remarks: &mut Vec<String>,
) -> Result<BoundNeighbour, (&'static str, String)> {
    let nominal = from.nominal;
    let key = if matches!(neighbour.skin, Place::Faces { .. }) { "face" } else { "pick" };
    let feature =
        Feature { id: neighbour.id.clone(), kind: FeatureKind::Surface, place: neighbour.skin.clone() };
    let skin = bind_one(&feature, Some(nominal), remarks).map_err(|problem| (key, problem))?;
    let borders = nominal.borders(&skin.triangles);
    let lines: Vec<_> = borders.iter().flat_map(|b| nominal.trimmed(b)).collect();
    let edges = nominal.trimmed_edge(&skin.triangles, &lines).filter(|e| e.length_mm() > 0.0);
    let Some(edges) = edges else {
        let problem = "its skin ends nowhere: its surface runs on without an edge of more than 30 degrees. Pick another \
                       surface, or grow it as far as the edge";
        return Err((key, problem.to_owned()));
    };
    Ok(BoundNeighbour {
        id: neighbour.id.clone(),
        sha256: from.sha256.to_owned(),
        edges,
        area_mm2: skin.area_mm2,
        centroid: skin.centroid,
        spread: Spread::of(nominal.mesh(), &skin.triangles, &skin.centroid),
    })
}
