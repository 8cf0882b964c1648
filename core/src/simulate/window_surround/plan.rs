//! The demo part's inspection plan.

use super::{Region, WindowSurround};
use std::fmt::Write;

/// Facets of the gently curved regions turn by less than this against each other, those of the tight bends
/// between them by more.
pub(super) const GROW_DEG: f64 = 2.2;

impl WindowSurround {
    /// An inspection plan for this part: flatness of datum A, profiles of three regions of the visible
    /// side, diameters of all holes and positions of those that are no datum, against A|B|C.
    pub fn plan_toml(&self) -> String {
        let mut text = HEAD.to_owned();
        let [length, _, _] = self.size_mm();
        // Between the first hole and the ring, clear of both.
        let flange = [0.3 * length, 0.5 * self.ring.low[1], 0.0];
        feature(&mut text, "FLANGE", "plane", flange, Some([0.0, 0.0, 1.0]), None);
        for hole in self.holes() {
            feature(&mut text, hole.id, "hole", hole.centre.coords.into(), None, None);
        }
        for (id, region) in [("WALL", Region::Wall), ("CROWN", Region::Crown), ("REVEAL", Region::Reveal)] {
            let (p, normal) = self.place(region, 0.5, 0.5);
            let facing = Some(normal.vector().into());
            feature(&mut text, id, "surface", p.coords.into(), facing, Some(GROW_DEG));
        }
        text.push_str(DATUMS);
        let mut number = 0;
        let mut characteristic = |title: &str, feature: &str, rest: &str| {
            number += 1;
            text.push_str("\n[[characteristic]]\n");
            let _ =
                write!(text, "number = \"{number}\"\ntitle = \"{title}\"\nfeature = \"{feature}\"\n{rest}");
        };
        characteristic("Flatness of the flange", "FLANGE", FLATNESS);
        characteristic("Profile of the outer wall", "WALL", PROFILE);
        characteristic("Profile of the crown", "CROWN", PROFILE_KEY);
        characteristic("Profile of the reveal", "REVEAL", PROFILE);
        for hole in self.holes() {
            let rest = format!(
                "diameter = {{ nominal_mm = {:?}, upper_deviation_mm = 0.1, lower_deviation_mm = -0.1, \
                 size = \"least_squares\" }}\n{SIZE}",
                hole.diameter_mm
            );
            characteristic(&format!("Diameter of {}", hole.id), hole.id, &rest);
        }
        for hole in &self.holes()[2..] {
            characteristic(&format!("Position of {}", hole.id), hole.id, POSITION);
        }
        text
    }
}

fn feature(
    text: &mut String,
    id: &str,
    kind: &str,
    near: [f64; 3],
    facing: Option<[f64; 3]>,
    grow_deg: Option<f64>,
) {
    // Micrometres and millionths are enough to find a face again, and read well.
    let list = |v: [f64; 3]| v.map(|x| format!("{:?}", (x * 1e6).round() / 1e6 + 0.0)).join(", ");
    let mut pick = format!("near_mm = [{}]", list(near));
    if let Some(facing) = facing {
        let _ = write!(pick, ", facing = [{}]", list(facing));
    }
    if let Some(angle) = grow_deg {
        let _ = write!(pick, ", grow_to_angle_deg = {angle:?}");
    }
    let _ = write!(text, "\n[[feature]]\nid = \"{id}\"\nkind = \"{kind}\"\npick = {{ {pick} }}\n");
}

const HEAD: &str = r#"schema_version = 1
part = "ws-214"
title = "Window surround, rail carriage"
drawing_revision = "C"
plan_version = 1
length_unit = "mm"
object = "part"
standard = { system = "iso", edition = "ISO 1101:2017" }
decision = { proven = {} }
filter = { gaussian = { nesting_index_mm = 2.5 } }

[nominal]
file = "ws-214.stl"
"#;

const DATUMS: &str = r#"
[[datum_system]]
id = "ABC"
datum = [
  { letter = "A", feature = "FLANGE", association = "least_squares" },
  { letter = "B", feature = "H1", association = "least_squares" },
  { letter = "C", feature = "H2", association = "least_squares" },
]
"#;

// A longer filter than the skins': flatness is about the whole flange, not about its dents.
const FLATNESS: &str = r#"flatness = { zone_width_mm = 0.5, association = "minimum_zone" }
filter = { gaussian = { nesting_index_mm = 8.0 } }
when = "every"
group = ["datum", "form"]
needs = { coverage = 0.9, largest_unseen_disc_mm = 25.0 }
"#;

const PROFILE: &str = r#"surface_profile = { limit_outside_mm = 0.4, limit_inside_mm = 0.4 }
datum_system = "ABC"
when = "every"
group = ["skin"]
needs = { coverage = 0.9, largest_unseen_disc_mm = 25.0 }
"#;

const PROFILE_KEY: &str = r#"surface_profile = { limit_outside_mm = 0.4, limit_inside_mm = 0.4 }
datum_system = "ABC"
class = "key"
when = "every"
group = ["skin"]
needs = { coverage = 0.9, largest_unseen_disc_mm = 25.0 }
"#;

const SIZE: &str = r#"when = "every"
group = ["holes", "size"]
needs = { coverage = 0.6 }
"#;

const POSITION: &str = r#"position = { zone_diameter_mm = 0.4 }
datum_system = "ABC"
when = "every"
group = ["holes", "position"]
needs = { coverage = 0.6 }
"#;
