//! The parts and scans of the bar for finding a part from any pose.

mod bracket;
mod channel;
mod cut_sheet;
mod duct;
mod panel;
mod poses;
mod scans;

pub use poses::{Answer, Posed, Tally, try_poses};
pub use scans::Capture;

use scantling_core::geometry::{Direction, TriangleMesh, Vector, math};
use scantling_core::simulate::{Scanner, WindowSurround};

/// A part of the bar and how it is scanned.
pub struct BarPart {
    /// One or two words.
    pub name: &'static str,
    /// Closed, normals out of the material, mm.
    pub mesh: TriangleMesh,
    /// From the part towards the scanner.
    pub views: Vec<Direction>,
    /// Distance between neighbouring points, mm: some 100,000 to 200,000 points after the cut.
    pub spacing_mm: f64,
}

/// The five parts of the bar; no motion takes any of them onto itself.
pub fn parts() -> Vec<BarPart> {
    vec![
        BarPart {
            name: "window surround",
            mesh: WindowSurround::default().mesh(),
            views: front(),
            spacing_mm: 1.1,
        },
        BarPart { name: "flat bracket", mesh: bracket::asymmetric(), views: front(), spacing_mm: 0.5 },
        BarPart { name: "channel", mesh: channel::asymmetric(), views: all_round(), spacing_mm: 0.8 },
        BarPart { name: "duct", mesh: duct::asymmetric(), views: all_round(), spacing_mm: 0.9 },
        BarPart { name: "curved panel", mesh: panel::panel(), views: front(), spacing_mm: 2.1 },
    ]
}

/// Two parts that half a turn takes onto themselves.
pub fn symmetric_parts() -> Vec<BarPart> {
    vec![
        BarPart { name: "symmetric bracket", mesh: bracket::symmetric(), views: front(), spacing_mm: 0.5 },
        BarPart {
            name: "symmetric channel",
            mesh: channel::symmetric(),
            views: all_round(),
            spacing_mm: 0.8,
        },
    ]
}

/// One side only, and the walls of holes.
fn front() -> Vec<Direction> {
    Scanner::front(1.0, 0.0, 0).views
}

/// From 14 sides, off the parts' axes.
fn all_round() -> Vec<Direction> {
    let golden = std::f64::consts::PI * (3.0 - 5f64.sqrt());
    (0..14)
        .filter_map(|i| {
            let z = 1.0 - (f64::from(i) + 0.5) / 7.0;
            let (r, turn) = ((1.0 - z * z).sqrt(), golden * f64::from(i));
            Direction::new(Vector::new(r * math::cos(turn), r * math::sin(turn), z))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    #[test]
    fn the_parts_are_closed_and_face_outwards() {
        for part in parts().into_iter().chain(symmetric_parts()) {
            let mut edges: BTreeMap<[u32; 2], i32> = BTreeMap::new();
            let mut volume = 0.0;
            for (t, &[a, b, c]) in part.mesh.triangles().iter().enumerate() {
                for [a, b] in [[a, b], [b, c], [c, a]] {
                    *edges.entry([a.min(b), a.max(b)]).or_default() += if a < b { 1 } else { -1 };
                }
                let [a, b, c] = part.mesh.corners(t as u32).map(|p| p.coords);
                volume += a.dot(&b.cross(&c)) / 6.0;
            }
            assert!(edges.values().all(|&n| n == 0), "{}", part.name);
            assert!(volume > 0.0, "{}: {volume}", part.name);
        }
    }
}
