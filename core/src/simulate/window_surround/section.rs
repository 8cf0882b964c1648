//! The section through the shaped ring: six arcs, tangent to each other, from the flange to the opening.

use crate::geometry::math;

/// The arcs, in order from the flange inwards.
pub(super) const FILLET: usize = 0;
pub(super) const WALL: usize = 1;
pub(super) const SHOULDER: usize = 2;
pub(super) const CROWN: usize = 3;
pub(super) const LIP: usize = 4;
pub(super) const REVEAL: usize = 5;
/// How many arcs there are.
pub(super) const ARCS: usize = 6;

/// Slopes at which the arcs begin and end, degrees from the flange.
const SLOPES_DEG: [f64; ARCS + 1] = [0.0, 70.0, 58.0, 10.0, -8.0, -72.0, -80.0];
/// Radii of the visible side, mm; the wall's, the crown's and the reveal's follow from the size.
const FILLET_RADIUS_MM: f64 = 5.0;
const SHOULDER_RADIUS_MM: f64 = 8.0;
const LIP_RADIUS_MM: f64 = 7.0;
/// The reveal goes down by this fraction of the visible height.
const REVEAL_DEPTH: f64 = 0.4;
/// Tight arcs are cut into facets of at most this turn: 8 mm of radius then lose 0.009 mm at a chord, and
/// each facet turns by clearly more than one of the gentle arcs, which keeps regions apart.
const TIGHT_TURN_DEG: f64 = 5.4;

/// A point of the section.
#[derive(Clone, Copy, Debug)]
pub(super) struct SectionPoint {
    /// Inwards from the flange's end, and up; mm.
    pub(super) x: f64,
    pub(super) z: f64,
    /// Slope, rad.
    pub(super) slope: f64,
    /// Change of x and z with the width of the ring.
    pub(super) x_by_width: f64,
    pub(super) z_by_width: f64,
}

/// A section for any width of the ring.
#[derive(Clone, Debug)]
pub(super) struct Section {
    slopes: [f64; ARCS + 1],
    wall_radius: f64,
    reveal_radius: f64,
    largest_width: f64,
}

impl Section {
    /// The visible side's highest point lies at `height_mm` where the ring has its `largest_width` (mm).
    pub(super) fn new(height_mm: f64, largest_width: f64) -> Self {
        let slopes = SLOPES_DEG.map(f64::to_radians);
        let (sin, cos) = (slopes.map(math::sin), slopes.map(math::cos));
        let reveal_radius = REVEAL_DEPTH * height_mm / (cos[5] - cos[6]);
        // Both the wall's and the crown's share of the height are linear in the wall's radius.
        let crown_by_width = 1.0 / (sin[3] - sin[4]);
        let rest = largest_width
            - FILLET_RADIUS_MM * sin[1]
            - SHOULDER_RADIUS_MM * (sin[2] - sin[3])
            - LIP_RADIUS_MM * (sin[4] - sin[5])
            - reveal_radius * (sin[5] - sin[6]);
        let fixed = FILLET_RADIUS_MM * (1.0 - cos[1])
            + SHOULDER_RADIUS_MM * (cos[3] - cos[2])
            + rest * crown_by_width * (1.0 - cos[3]);
        let by_wall = (cos[2] - cos[1]) - (sin[1] - sin[2]) * crown_by_width * (1.0 - cos[3]);
        let wall_radius = (height_mm - fixed) / by_wall;
        Self { slopes, wall_radius, reveal_radius, largest_width }
    }

    /// Radii of the arcs on the visible side where the ring is `width` wide, mm.
    pub(super) fn radii(&self, width: f64) -> [f64; ARCS] {
        let mut radii =
            [FILLET_RADIUS_MM, self.wall_radius, SHOULDER_RADIUS_MM, 0.0, LIP_RADIUS_MM, self.reveal_radius];
        let others: f64 = (0..ARCS).map(|arc| radii[arc] * self.reach(arc)).sum();
        radii[CROWN] = (width - others) / self.reach(CROWN);
        radii
    }

    /// Slopes at the arcs' ends, rad.
    #[cfg(test)]
    pub(super) fn slopes(&self) -> [f64; ARCS + 1] {
        self.slopes
    }

    /// How far an arc of radius 1 goes inwards.
    fn reach(&self, arc: usize) -> f64 {
        (math::sin(self.slopes[arc + 1]) - math::sin(self.slopes[arc])).abs()
    }

    /// The point at `fraction` (0 to 1) of an arc where the ring is `width` wide.
    pub(super) fn point(&self, arc: usize, fraction: f64, width: f64) -> SectionPoint {
        let radii = self.radii(width);
        let crown_by_width = 1.0 / self.reach(CROWN);
        let mut p = SectionPoint { x: 0.0, z: 0.0, slope: 0.0, x_by_width: 0.0, z_by_width: 0.0 };
        for (i, radius) in radii.into_iter().enumerate().take(arc + 1) {
            let (from, end) = (self.slopes[i], self.slopes[i + 1]);
            let to = if i == arc { from + (end - from) * fraction } else { end };
            // A hollow arc turns up, the others turn down.
            let turn = if end > from { 1.0 } else { -1.0 };
            let dx = turn * (math::sin(to) - math::sin(from));
            let dz = turn * (math::cos(from) - math::cos(to));
            p.x += radius * dx;
            p.z += radius * dz;
            if i == CROWN {
                p.x_by_width += crown_by_width * dx;
                p.z_by_width += crown_by_width * dz;
            }
            p.slope = to;
        }
        p
    }

    /// Arc and fraction of each row of vertices from the flange to the opening, so that a chord of a
    /// gentle arc leaves it by at most `chord_mm`.
    pub(super) fn rows(&self, chord_mm: f64) -> Vec<(usize, f64)> {
        let radii = self.radii(self.largest_width);
        let mut rows = vec![(FILLET, 0.0)];
        for (arc, radius) in radii.into_iter().enumerate() {
            let turn = (self.slopes[arc + 1] - self.slopes[arc]).abs();
            let step = match arc {
                FILLET | SHOULDER | LIP => TIGHT_TURN_DEG.to_radians(),
                _ => (8.0 * chord_mm / radius).sqrt(),
            };
            let steps = (turn / step).ceil() as usize;
            rows.extend((1..=steps).map(|i| (arc, i as f64 / steps as f64)));
        }
        rows
    }
}
