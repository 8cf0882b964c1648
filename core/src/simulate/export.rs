//! What the exporter does to points once they are taken.

use super::capture::gather;
use super::cells::Cells;
use crate::geometry::{Direction, Point};
use crate::run::{Run, Stopped};

/// Normals that agree by this cosine are on the same side: 60 degrees, far from the 180 between skins.
const SAME_SIDE: f64 = 0.5;

/// Moves each point along its normal to the weighted mean of its neighbours within `length_mm` on the same
/// side, itself among them, with weights (1 - d^2 / length^2)^2. On a plane with white noise this leaves
/// the share spacing / length * sqrt(9 / (5 pi)) of its standard deviation where neighbours are many:
/// the square root of the integral of the squared weights, over that of the weights. Neighbours on a
/// sphere fall away by d^2 / (2 R): tight bends are flattened. Normals become the mean of theirs.
pub(super) fn smoothed(
    run: &Run,
    points: &[Point],
    normals: &[Direction],
    length_mm: f64,
) -> Result<(Vec<Point>, Vec<Direction>), Stopped> {
    let cells = Cells::of_points(points, length_mm);
    let index: Vec<u32> = (0..points.len() as u32).collect();
    let work = |_: usize, chunk: &[u32]| {
        let of = |&i: &u32| {
            let (p, n) = (points[i as usize], normals[i as usize]);
            let (mut weights, mut off, mut mean) = (0.0, 0.0, n.vector() * 0.0);
            for j in cells.around(&p) {
                let (q, m) = (points[j as usize], normals[j as usize]);
                let rest = 1.0 - (q - p).norm_squared() / (length_mm * length_mm);
                if rest > 0.0 && n.dot(m) > SAME_SIDE {
                    let weight = rest * rest;
                    weights += weight;
                    off += weight * (q - p).dot(&n.vector());
                    mean += m.vector() * weight;
                }
            }
            // The point is its own neighbour with weight 1, so there is something to divide by.
            (p + n.vector() * (off / weights), Direction::new(mean).unwrap_or(n))
        };
        chunk.iter().map(of).collect()
    };
    Ok(gather(run, &index, work)?.into_iter().unzip())
}
