//! The plane through the deviations of a ring of a skin, seen along the axis of what stands in it or is sunk into it.

use crate::geometry::{Cholesky, Direction, Point};

/// The least-squares plane through the deviations of a ring: the nominal's own shape is taken out of them already.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RingPlane {
    /// How far the skin lies out of its nominal place where that meets the axis, prolonged, mm along the nominal's normal.
    pub height_mm: f64,
    /// Its slopes along the axis's two directions across, mm per mm.
    pub slopes: [f64; 2],
    /// Covariance of (height, slopes) for independent noise of 1 mm.
    pub unit_covariance: [[f64; 3]; 3],
    /// Sum of the squares that it leaves over, mm2.
    pub square_mm2: f64,
}

impl RingPlane {
    /// Of places with their deviations, mm, seen from a place `at` on the axis. `None` where they lie on one line.
    pub fn through(
        at: Point,
        axis: Direction,
        points: impl Iterator<Item = (Point, f64)> + Clone,
    ) -> Option<Self> {
        let (u, v) = axis.frame();
        // In sizes of the ring, so that all sums are of a size.
        let size = points.clone().map(|(p, _)| (p - at).norm()).fold(0.0, f64::max);
        if !(size > 0.0) {
            return None;
        }
        let row = |p: &Point| {
            let off = p - at;
            [1.0, off.dot(&u) / size, off.dot(&v) / size]
        };
        let mut m = [[0.0; 3]; 3];
        let mut right = [0.0; 3];
        for (p, deviation) in points.clone() {
            let r = row(&p);
            for i in 0..3 {
                for j in 0..3 {
                    m[i][j] += r[i] * r[j];
                }
                right[i] += r[i] * deviation;
            }
        }
        let solver = Cholesky::new(&m)?;
        let found = solver.solve(&right);
        let rest = |(p, deviation): (Point, f64)| {
            let r = row(&p);
            deviation - r[0] * found[0] - r[1] * found[1] - r[2] * found[2]
        };
        let scale = [1.0, 1.0 / size, 1.0 / size];
        let unit = solver.inverse();
        Some(Self {
            height_mm: found[0],
            slopes: [found[1] / size, found[2] / size],
            unit_covariance: std::array::from_fn(|i| {
                std::array::from_fn(|j| unit[i][j] * scale[i] * scale[j])
            }),
            square_mm2: points.map(|p| rest(p) * rest(p)).sum(),
        })
    }
}
