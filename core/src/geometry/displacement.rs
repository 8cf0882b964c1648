//! Small displacements of places: what an error of the instrument or of the temperature does to a whole scan.
//!
//! Each is drawn once a scan, so all places share it: what it does to a result follows only when the same displacement is
//! applied to the feature and to its datums.

use std::sync::Arc;

use super::{Aabb, Point, SeenBy, Twist, Vector};

/// A displacement of places, by one standard uncertainty of the input that makes it.
#[derive(Clone, Debug, PartialEq)]
pub enum Displacement {
    /// All lengths from a centre longer by a share.
    Scale {
        /// Stays where it is; where it lies does not matter to results on datums.
        centre: Point,
        /// The share: 0.00002 for 0.02 mm/m.
        by: f64,
    },
    /// A bend over the whole of the measured volume: the lowest term of a long-wave error that no alignment takes away.
    Bend {
        /// Middle of the volume.
        centre: Point,
        /// Half of its extents along x, y, z, mm.
        half_mm: [f64; 3],
        /// The axes of the two coordinates that are multiplied; twice the same for a square.
        of: [usize; 2],
        /// The axis along which places are displaced.
        along: usize,
        /// Root mean square over the volume, mm.
        by_mm: f64,
    },
    /// Every surface further out of its material.
    Outward {
        /// By so much, mm.
        by_mm: f64,
    },
    /// Several scans of one part lie otherwise to each other.
    Join {
        /// What each of them saw.
        seen: Arc<SeenBy>,
        /// Point about which they turn, mm.
        centre: Point,
        /// How each of them moves.
        by: Vec<Twist>,
    },
}

impl Displacement {
    /// The displacement of a place, mm; `outward` is the unit normal out of the material there, or zero where there is none.
    pub fn at(&self, place: &Point, outward: &Vector) -> Vector {
        match *self {
            Self::Join { ref seen, centre, ref by } => {
                let shares = seen.shares(place, outward);
                let all = shares.iter().zip(by).filter(|(share, _)| **share > 0.0);
                all.fold(Vector::zeros(), |sum, (share, twist)| sum + twist.at(centre, place) * *share)
            }
            Self::Scale { centre, by } => (place - centre) * by,
            Self::Bend { centre, half_mm, of: [i, j], along, by_mm } => {
                let x = |k: usize| ((place[k] - centre[k]) / half_mm[k]).clamp(-2.0, 2.0);
                // Legendre's polynomials, of mean square 1 over the volume.
                let term =
                    if i == j { 0.5 * 5f64.sqrt() * (3.0 * x(i) * x(i) - 1.0) } else { 3.0 * x(i) * x(j) };
                let mut by = Vector::zeros();
                by[along] = by_mm * term;
                by
            }
            Self::Outward { by_mm } => outward * by_mm,
        }
    }

    /// Bends of a volume that are independent of each other and together displace a coordinate by `standard_mm`, root mean
    /// square over the volume: squares and products of the coordinates along its long axes, along x, y and z each. An axis
    /// shorter than a quarter of the longest has no bend of its own: errors change over the size of an instrument's volume,
    /// not within the thickness of a part.
    pub fn bends(volume: &Aabb, standard_mm: f64) -> Vec<Self> {
        let half: Vector = volume.size() * 0.5;
        let longest = half.max();
        if !(longest > 0.0 && longest.is_finite() && standard_mm.is_finite()) {
            return Vec::new();
        }
        let long: Vec<usize> = (0..3).filter(|&k| half[k] >= 0.25 * longest).collect();
        let mut terms = Vec::new();
        for (n, &i) in long.iter().enumerate() {
            terms.extend(long[n..].iter().map(|&j| [i, j]));
        }
        let by_mm = standard_mm / (terms.len() as f64).sqrt();
        let centre = nalgebra::center(&volume.low, &volume.high);
        let half_mm = std::array::from_fn(|k| half[k].max(0.25 * longest));
        let one = |of: [usize; 2], along| Self::Bend { centre, half_mm, of, along, by_mm };
        terms.into_iter().flat_map(|of| (0..3).map(move |along| one(of, along))).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bends_displace_each_coordinate_by_what_is_stated() {
        for (high, count) in
            [([200.0, 150.0, 100.0], 18), ([1_000.0, 400.0, 20.0], 9), ([900.0, 30.0, 20.0], 3)]
        {
            let volume =
                Aabb { low: Point::new(-3.0, 5.0, 7.0), high: Point::new(high[0], high[1], high[2]) };
            let bends = Displacement::bends(&volume, 0.05);
            assert_eq!(bends.len(), count, "{high:?}");
            let (mut mean, mut square, mut n) = (vec![Vector::zeros(); count], Vector::zeros(), 0.0);
            let at = |k: usize, t: usize| {
                volume.low[k] + (volume.high[k] - volume.low[k]) * (t as f64 + 0.5) / 24.0
            };
            for (i, j, k) in (0..24 * 24 * 24).map(|c| (c / 576, c / 24 % 24, c % 24)) {
                let p = Point::new(at(0, i), at(1, j), at(2, k));
                for (bend, mean) in bends.iter().zip(&mut mean) {
                    let d = bend.at(&p, &Vector::z());
                    *mean += d;
                    square += d.component_mul(&d);
                }
                n += 1.0;
            }
            for k in 0..3 {
                assert!(
                    ((square[k] / n).sqrt() / 0.05 - 1.0).abs() < 0.01,
                    "{high:?} {k}: {}",
                    square[k] / n
                );
            }
            assert!(mean.iter().all(|m| (m / n).norm() < 1e-4));
        }
        assert!(Displacement::bends(&Aabb { low: Point::origin(), high: Point::origin() }, 0.1).is_empty());
    }

    #[test]
    fn a_scale_grows_with_the_distance_and_a_surface_grows_outward() {
        let scale = Displacement::Scale { centre: Point::new(1.0, 0.0, 0.0), by: 1e-4 };
        assert!(
            (scale.at(&Point::new(501.0, 0.0, -100.0), &Vector::z()) - Vector::new(0.05, 0.0, -0.01)).norm()
                < 1e-15
        );
        let out = Displacement::Outward { by_mm: 0.01 };
        assert_eq!(out.at(&Point::origin(), &-Vector::x()), Vector::new(-0.01, 0.0, 0.0));
    }
}
