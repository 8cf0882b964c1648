//! A plane feature from scan points, fair to its area.

use std::collections::BTreeMap;

use crate::geometry::{Cholesky, Direction, Point, Vector};
use crate::partition::MeasuredPoint;

use super::{FitError, Freedom, Shape, plane};

/// A plane associated with a measured face.
#[derive(Clone, Debug, PartialEq)]
pub struct AssociatedPlane {
    /// A point of the plane: the middle of the area that was seen, mm.
    pub point: Point,
    /// Unit normal, on the side of the nominal's.
    pub normal: Direction,
    /// Directions in the plane in which `covariance` is told.
    pub axes: (Vector, Vector),
    /// Covariance of (height at `point`, mm; slope along the first axis; slope along the second), from
    /// noise of the given standard deviation and from the form of what was not seen.
    pub covariance: [[f64; 3]; 3],
    /// Largest distance of a cell's mean from the plane, mm.
    pub residual_mm: f64,
    /// Cells used.
    pub cells: usize,
}

/// Total least squares through the means of square cells of edge `cell_mm`, each weighed by the area of the nominal that it
/// stands for, so that every part of the face counts by its area however densely it was scanned: a feature is associated with,
/// not its points. `places` are spread evenly over the nominal face: the strip along its rim, which scanners round, belongs
/// to the nearest cell, so that the plane of a bowed face does not depend on how wide a strip was left out. That it
/// is least squares is the plan's choice; the default of ISO 5459:2011 is another. `facing` is the nominal
/// normal, `seen` the fraction of the face that was seen: what was not seen may have the form that the rest
/// shows, all of one sign.
///
/// # Errors
/// Fewer than three cells, or cells on one line.
pub fn plane_of_face(
    points: &[MeasuredPoint],
    places: &[Point],
    facing: Direction,
    cell_mm: f64,
    noise_mm: f64,
    seen: f64,
) -> Result<AssociatedPlane, FitError> {
    let cells = cells(points, places, facing, cell_mm);
    let means: Vec<Point> = cells.iter().map(|c| c.mean).collect();
    let mut fit = plane(&means)?.facing(facing);
    let collinear = || FitError::Undetermined { shape: Shape::Plane, freedom: Freedom::Collinear };
    let count = cells.len() as f64;
    let mean_area = cells.iter().map(|c| c.area).sum::<f64>() / count;
    // The weighted plane from the unweighted one, to which it is so near that the second step changes nothing.
    let mut point = fit.centroid;
    let mut inverse = [[0.0; 3]; 3];
    for _ in 0..2 {
        let axes = fit.normal.frame();
        let (mut m, mut right, mut middle) = ([[0.0; 3]; 3], [0.0; 3], Vector::zeros());
        for cell in &cells {
            let w = cell.area / mean_area;
            let d = cell.mean - point;
            let x = [1.0, d.dot(&axes.0), d.dot(&axes.1)];
            let height = d.dot(&fit.normal.vector());
            middle += d * (w / count);
            for i in 0..3 {
                right[i] += w * x[i] * height;
                (0..3).for_each(|j| m[i][j] += w * x[i] * x[j]);
            }
        }
        let factor = Cholesky::new(&m).ok_or_else(collinear)?;
        let [height, a, b] = factor.solve(&right);
        inverse = factor.inverse();
        let n = fit.normal.vector();
        let along = [middle.dot(&axes.0), middle.dot(&axes.1)];
        // At the middle of the area.
        let up = height + a * along[0] + b * along[1];
        point += axes.0 * along[0] + axes.1 * along[1] + n * up;
        fit.normal = Direction::new(n - axes.0 * a - axes.1 * b).ok_or_else(collinear)?;
    }
    let normal = fit.normal;
    let axes = normal.frame();
    // Covariance of a weighted fit: M^-1 (sum w^2 x x' s^2/n) M^-1; a cell's mean has the variance of its points over their
    // number.
    let mut noise = [[0.0; 3]; 3];
    let (mut residual, mut square, mut of_noise) = (0.0f64, 0.0, 0.0);
    for cell in &cells {
        let d = cell.mean - point;
        let w = cell.area / mean_area;
        let x = [1.0, d.dot(&axes.0), d.dot(&axes.1)];
        let off = d.dot(&normal.vector());
        let variance = noise_mm * noise_mm / cell.points;
        residual = residual.max(off.abs());
        square += w * off * off / count;
        of_noise += w * variance / count;
        for i in 0..3 {
            (0..3).for_each(|j| noise[i][j] += w * w * x[i] * x[j] * variance);
        }
    }
    // What the means scatter beyond their noise is form.
    let unseen = (square - of_noise).max(0.0) * count * (1.0 - seen).clamp(0.0, 1.0);
    let mut covariance = [[0.0; 3]; 3];
    for (i, row) in covariance.iter_mut().enumerate() {
        for (j, entry) in row.iter_mut().enumerate() {
            *entry += inverse[i][j] * unseen;
            for k in 0..3 {
                for l in 0..3 {
                    *entry += inverse[i][k] * noise[k][l] * inverse[l][j];
                }
            }
        }
    }
    Ok(AssociatedPlane { point, normal, axes, covariance, residual_mm: residual, cells: cells.len() })
}

/// A part of a face.
struct Cell {
    /// Mean of its points, mm.
    mean: Point,
    /// Number of its points.
    points: f64,
    /// Places of the nominal that it stands for.
    area: f64,
}

/// The cells of a face, by a grid that begins at the nominal's own corner. Places of cells without points belong to the nearest
/// cell beside them; further away nothing was seen.
fn cells(points: &[MeasuredPoint], places: &[Point], facing: Direction, cell_mm: f64) -> Vec<Cell> {
    let (u, v) = facing.frame();
    let flat = |p: &Point| [p.coords.dot(&u), p.coords.dot(&v)];
    let low = places.iter().map(flat).fold([f64::INFINITY; 2], |l, f| [l[0].min(f[0]), l[1].min(f[1])]);
    let low = if low[0].is_finite() && low[1].is_finite() { low } else { [0.0; 2] };
    let key = |p: &Point| -> [i64; 2] {
        let f = flat(p);
        std::array::from_fn(|k| ((f[k] - low[k]) / cell_mm).floor() as i64)
    };
    let mut sums: BTreeMap<[i64; 2], (f64, Vector, f64)> = BTreeMap::new();
    for p in points {
        let sum = sums.entry(key(&p.point)).or_insert((0.0, Vector::zeros(), 0.0));
        sum.0 += 1.0;
        sum.1 += p.point.coords;
    }
    for place in places {
        let own = key(place);
        let nearest = if sums.contains_key(&own) {
            Some(own)
        } else {
            let beside = (-1..=1).flat_map(|i| (-1..=1).map(move |j| [own[0] + i, own[1] + j]));
            let far = |k: &[i64; 2]| -> Option<f64> {
                let (n, sum, _) = sums.get(k)?;
                let (a, b) = (flat(place), flat(&Point::from(sum / *n)));
                Some((a[0] - b[0]) * (a[0] - b[0]) + (a[1] - b[1]) * (a[1] - b[1]))
            };
            let known = beside.filter_map(|k| Some((far(&k)?, k)));
            known.min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1))).map(|n| n.1)
        };
        if let Some(sum) = nearest.and_then(|k| sums.get_mut(&k)) {
            sum.2 += 1.0;
        }
    }
    // Points that stand beyond the face belong to none of its area.
    sums.into_values()
        .filter(|(_, _, area)| *area > 0.0)
        .map(|(n, sum, area)| Cell { mean: Point::from(sum / n), points: n, area })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    /// A frame of 200 x 80 mm, 16 mm wide, bowed along x by 0.2 mm, without the strip along its rims; and places on its nominal.
    fn bowed(spacing: f64, strip: f64, noise_mm: f64, seed: u64) -> (Vec<MeasuredPoint>, Vec<Point>) {
        let mut random = Random::seeded(seed);
        let inside = |x: f64, y: f64, by: f64| {
            let outer = x >= by && x <= 200.0 - by && y >= by && y <= 80.0 - by;
            let opening = x > 16.0 - by && x < 184.0 + by && y > 16.0 - by && y < 64.0 + by;
            outer && !opening
        };
        let bow = |x: f64| 0.1 * (3.0 * (x / 100.0 - 1.0) * (x / 100.0 - 1.0) - 1.0);
        let mut points = Vec::new();
        let steps = |length: f64| (length / spacing) as i32;
        for (i, j) in (0..steps(200.0)).flat_map(|i| (0..steps(80.0)).map(move |j| (i, j))) {
            let mut at = |k: i32| spacing * (f64::from(k) + random.unit());
            let (x, y) = (at(i), at(j));
            let z = bow(x) + noise_mm * random.normal();
            if inside(x, y, strip) {
                points.push(MeasuredPoint {
                    index: 0,
                    point: Point::new(x, y, z),
                    triangle: 0,
                    deviation_mm: z,
                });
            }
        }
        let places = (0..200 * 80).map(|k| (f64::from(k % 200) + 0.5, f64::from(k / 200) + 0.5));
        let places =
            places.filter(|(x, y)| inside(*x, *y, 0.0)).map(|(x, y)| Point::new(x, y, 0.0)).collect();
        (points, places)
    }

    /// The least-squares plane of the whole face: the mean of the bow over its area, by a sum over its places.
    #[test]
    fn the_plane_of_a_bowed_frame_does_not_hang_on_the_strip_that_is_left_out() {
        let mut heights = Vec::new();
        for (spacing, strip) in [(0.5, 0.0), (0.9, 1.35), (1.2, 1.8), (1.7, 2.55)] {
            let (points, places) = bowed(spacing, strip, 0.0, 3);
            let found = plane_of_face(&points, &places, Direction::Z, 8.0, 0.0, 1.0).unwrap();
            let n = found.normal.vector();
            let middle = Point::new(100.0, 40.0, 0.0);
            heights.push((found.point - middle).dot(&n) / n.z);
        }
        let (_, places) = bowed(20.0, 0.0, 0.0, 3);
        let bow = |p: &Point| 0.1 * (3.0 * (p.x / 100.0 - 1.0) * (p.x / 100.0 - 1.0) - 1.0);
        let truth = places.iter().map(bow).sum::<f64>() / places.len() as f64;
        println!("{heights:?} of {truth}");
        // A millimetre and a half of strip at the ends, where the bow rises by 0.006 a millimetre, on a fifth of the face.
        assert!(heights.iter().all(|h| (h - truth).abs() < 0.0015), "{heights:?} of {truth}");
    }

    #[test]
    fn its_covariance_is_what_noise_does() {
        let (mut square, mut told, runs) = ([0.0; 3], [0.0; 3], 200);
        let exact = {
            let (points, places) = bowed(1.2, 1.8, 0.0, 5);
            plane_of_face(&points, &places, Direction::Z, 8.0, 0.0, 1.0).unwrap()
        };
        for seed in 0..runs {
            let (points, places) = bowed(1.2, 1.8, 0.0, 5);
            let mut random = Random::seeded(1000 + seed);
            let noisy = |p: &MeasuredPoint| {
                let z = p.point.z + 0.05 * random.normal();
                MeasuredPoint { point: Point::new(p.point.x, p.point.y, z), ..*p }
            };
            let points: Vec<MeasuredPoint> = points.iter().map(noisy).collect();
            let found = plane_of_face(&points, &places, Direction::Z, 8.0, 0.05, 1.0).unwrap();
            let turned = found.normal.vector() - exact.normal.vector();
            let off = [
                (found.point - exact.point).dot(&exact.normal.vector()),
                -turned.dot(&exact.axes.0),
                -turned.dot(&exact.axes.1),
            ];
            for k in 0..3 {
                square[k] += off[k] * off[k] / runs as f64;
                told[k] += found.covariance[k][k] / runs as f64;
            }
        }
        for k in 0..3 {
            // 200 runs tell a standard deviation to 5 %.
            assert!(((square[k] / told[k]).sqrt() - 1.0).abs() < 0.15, "{k}: {square:?} {told:?}");
        }
    }

    #[test]
    fn too_few_cells_are_refused() {
        let (points, places) = bowed(1.2, 1.8, 0.0, 5);
        assert!(plane_of_face(&[], &places, Direction::Z, 8.0, 0.0, 1.0).is_err());
        assert!(plane_of_face(&points, &[], Direction::Z, 8.0, 0.0, 1.0).is_err());
        let row: Vec<MeasuredPoint> = points.iter().filter(|p| p.point.y < 4.0).copied().collect();
        assert!(plane_of_face(&row, &places, Direction::Z, 8.0, 0.0, 1.0).is_err());
    }
}
