//! A plane feature from scan points, fair to its area.

use crate::geometry::{Cholesky, Direction, Point, Vector};
use crate::partition::MeasuredPoint;
use crate::search::PointGrid;

use super::{FitError, Freedom, Shape, plane};

/// A plane associated with a measured face.
#[derive(Clone, Debug, PartialEq)]
pub struct AssociatedPlane {
    /// A point of the plane: the centroid of the cells, mm.
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

/// Total least squares through the means of square cells of edge `cell_mm`, so that every part of the
/// face counts by its area however densely it was scanned: a feature is associated with, not its points. That it
/// is least squares is the plan's choice; the default of ISO 5459:2011 is another. `facing` is the nominal
/// normal, `seen` the fraction of the face that was seen: what was not seen may have the form that the rest
/// shows, all of one sign.
///
/// # Errors
/// Fewer than three cells, or cells on one line.
pub fn plane_of_face(
    points: &[MeasuredPoint],
    facing: Direction,
    cell_mm: f64,
    noise_mm: f64,
    seen: f64,
) -> Result<AssociatedPlane, FitError> {
    let (u, v) = facing.frame();
    let flat: Vec<Point> =
        points.iter().map(|p| Point::new(p.point.coords.dot(&u), p.point.coords.dot(&v), 0.0)).collect();
    let grid = PointGrid::new(&flat, cell_mm);
    let mut means = Vec::new();
    let mut counts = Vec::new();
    for cell in grid.cells() {
        let sum = cell.iter().fold(Vector::zeros(), |s, &i| s + points[i as usize].point.coords);
        means.push(Point::from(sum / cell.len() as f64));
        counts.push(cell.len() as f64);
    }
    let fit = plane(&means)?.facing(facing);
    let normal = fit.normal;
    let axes = normal.frame();
    // Heights are fitted by a + b x + c y with equal weight a cell; a cell's mean has the variance of its
    // points over their number. Covariance of a weighted fit: M^-1 (sum x x' s^2/n) M^-1.
    let mut m = [[0.0; 3]; 3];
    let mut noise = [[0.0; 3]; 3];
    let mut residual: f64 = 0.0;
    for (mean, n) in means.iter().zip(&counts) {
        let d = mean - fit.centroid;
        let x = [1.0, d.dot(&axes.0), d.dot(&axes.1)];
        residual = residual.max(d.dot(&normal.vector()).abs());
        for i in 0..3 {
            for j in 0..3 {
                m[i][j] += x[i] * x[j];
                noise[i][j] += x[i] * x[j] * noise_mm * noise_mm / n;
            }
        }
    }
    let collinear = FitError::Undetermined { shape: Shape::Plane, freedom: Freedom::Collinear };
    let inverse = Cholesky::new(&m).ok_or(collinear)?.inverse();
    let cells = means.len() as f64;
    // The mean of n points has the noise's variance over n; what the means scatter beyond that is form.
    let of_noise = noise_mm * noise_mm * counts.iter().map(|n| 1.0 / n).sum::<f64>() / cells;
    let form = (fit.rms_mm * fit.rms_mm - of_noise).max(0.0);
    let unseen = form * cells * (1.0 - seen).clamp(0.0, 1.0);
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
    Ok(AssociatedPlane {
        point: fit.centroid,
        normal,
        axes,
        covariance,
        residual_mm: residual,
        cells: means.len(),
    })
}
