//! Planes and cylinders through the vertices of a mesh, which lie on them to rounding.

use crate::geometry::{
    Cholesky, Direction, Matrix3, Point, Vector, math, symmetric_eigen3, symmetric_eigen3_each,
};

/// Sums over points from which their plane follows at any time.
#[derive(Clone, Debug)]
pub(super) struct PlaneSums {
    origin: Point,
    count: f64,
    sum: Vector,
    /// Of each coordinate with itself; of x with y, x with z, y with z.
    products: [Vector; 2],
}

impl PlaneSums {
    /// Sums from `origin`, which should be near the points so that no digits are lost.
    pub(super) fn about(origin: Point) -> Self {
        Self { origin, count: 0.0, sum: Vector::zeros(), products: [Vector::zeros(); 2] }
    }

    pub(super) fn add(&mut self, p: &Point) {
        let d = p - self.origin;
        self.count += 1.0;
        self.sum += d;
        self.products[0] += d.component_mul(&d);
        self.products[1] += Vector::new(d.x * d.y, d.x * d.z, d.y * d.z);
    }

    /// Centroid and normal by total least squares: the normal is the direction of least scatter. `None`
    /// when the points lie on a line or in a point, to rounding.
    pub(super) fn plane(&self) -> Option<(Point, Direction)> {
        let (mean, scatter) = self.scatter()?;
        self.across(mean, symmetric_eigen3(&scatter))
    }

    /// [`Self::plane`] of several at once, to the same bits; in less time than one by one.
    pub(super) fn planes<const L: usize>(all: &[&Self; L]) -> [Option<(Point, Direction)>; L] {
        let scatters = all.map(Self::scatter);
        let axes = symmetric_eigen3_each(&scatters.map(|s| s.map_or(Matrix3::zeros(), |(_, m)| m)));
        std::array::from_fn(|l| all[l].across(scatters[l]?.0, axes[l]))
    }

    /// The mean from the origin and the scatter about it.
    fn scatter(&self) -> Option<(Vector, Matrix3)> {
        if self.count < 3.0 {
            return None;
        }
        let mean = self.sum / self.count;
        let [square, other] = self.products.map(|p| p / self.count);
        let square = square - mean.component_mul(&mean);
        let other = other - Vector::new(mean.x * mean.y, mean.x * mean.z, mean.y * mean.z);
        let scatter =
            Matrix3::new(square.x, other.x, other.y, other.x, square.y, other.z, other.y, other.z, square.z);
        Some((mean, scatter))
    }

    fn across(&self, mean: Vector, (values, vectors): ([f64; 3], [Vector; 3])) -> Option<(Point, Direction)> {
        let spread = values[1] > 1e-12 * values[2];
        if spread { Some((self.origin + mean, Direction::new(vectors[0])?)) } else { None }
    }
}

/// A cylinder and how well it fits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct CylinderFit {
    /// On the axis, beside the centroid of the points.
    pub point: Point,
    pub axis: Direction,
    pub radius_mm: f64,
    /// Largest distance of a point from the surface.
    pub worst_mm: f64,
}

impl CylinderFit {
    /// From the axis to a place, at a right angle.
    pub(super) fn radial(&self, p: &Point) -> Vector {
        let d = p - self.point;
        d - self.axis.vector() * d.dot(&self.axis.vector())
    }

    /// Signed distance from the surface, positive away from the axis.
    pub(super) fn distance_mm(&self, p: &Point) -> f64 {
        self.radial(p).norm() - self.radius_mm
    }

    /// Rise of an arc of some turn over its chord, half a turn at most, mm.
    pub(super) fn sagitta_mm(&self, turn_rad: f64) -> f64 {
        self.radius_mm * (1.0 - math::cos((0.5 * turn_rad).min(std::f64::consts::FRAC_PI_2)))
    }

    /// The angle about the axis that the points span: all round less the largest gap, rad.
    pub(super) fn turn_rad(&self, points: &[Point]) -> f64 {
        let (u, v) = self.axis.frame();
        let mut angles: Vec<f64> = points
            .iter()
            .map(|p| {
                let r = self.radial(p);
                math::atan2(r.dot(&v), r.dot(&u))
            })
            .collect();
        angles.sort_unstable_by(f64::total_cmp);
        let all = 2.0 * std::f64::consts::PI;
        let (Some(first), Some(last)) = (angles.first(), angles.last()) else { return 0.0 };
        let wrap = first + all - last;
        let gap = angles.windows(2).map(|w| w[1] - w[0]).fold(wrap, f64::max);
        all - gap
    }
}

/// Normals further out of one plane than this ratio of scatters belong to no cylinder: a cone of more
/// than about 8 degrees, a ball, a saddle. Wide, since facets of a coarse mesh tilt; the vertices decide.
const MOST_OUT_OF_PLANE: f64 = 0.02;

/// About the axis of a cylinder whose facets have the scatter of normals `sum(area * n * n')`: the direction in
/// which they scatter least. `None` when they do not lie in one plane, or all in one direction.
pub(super) fn axis(normals: &Matrix3) -> Option<Direction> {
    let (scatter, vectors) = symmetric_eigen3(normals);
    let spread = scatter[1] > 1e-7 * scatter[2] && scatter[0] <= MOST_OUT_OF_PLANE * scatter[1];
    if spread { Direction::new(vectors[0]) } else { None }
}

/// The cylinder through vertices, about along `axis`.
///
/// The circle across the axis starts by linear least squares (Kasa, IEEE Trans. Instrum. Meas. 25(1), 1976); then
/// Gauss-Newton on the distances of the vertices, five parameters (Forbes, NPL report DITC 140/89, 1989, idea
/// of section 6; from memory). `None` when the points do not determine a cylinder.
pub(super) fn cylinder(points: &[Point], axis: Direction) -> Option<CylinderFit> {
    if points.len() < 6 {
        return None;
    }
    let mut sum = Vector::zeros();
    for p in points {
        sum += p - points[0];
    }
    let centroid = points[0] + sum / points.len() as f64;
    let mut fit = circle_across(points, centroid, axis)?;
    let mut before = f64::INFINITY;
    for _ in 0..12 {
        let Some(step) = improve(points, &mut fit) else { break };
        // Steps that are small and shrink no more are rounding.
        let rounding = before <= 1e-6 * fit.radius_mm && step > 0.5 * before;
        if step <= 1e-13 * fit.radius_mm || rounding {
            break;
        }
        before = step;
    }
    // Beside the centroid, and along the positive side of its largest component, so that equal meshes
    // have equal carriers.
    let axis = fit.axis.vector();
    let along = axis * (centroid - fit.point).dot(&axis);
    fit.point += along;
    if axis[axis.iamax()] < 0.0 {
        fit.axis = fit.axis.reversed();
    }
    fit.worst_mm = points.iter().map(|p| fit.distance_mm(p).abs()).fold(0.0, f64::max);
    (fit.worst_mm.is_finite() && fit.radius_mm.is_finite() && fit.radius_mm > 0.0).then_some(fit)
}

fn circle_across(points: &[Point], centroid: Point, axis: Direction) -> Option<CylinderFit> {
    let (u, v) = axis.frame();
    let size = points.iter().map(|p| (p - centroid).norm()).fold(0.0, f64::max);
    if size.is_nan() || size <= 0.0 {
        return None;
    }
    // x^2 + y^2 = 2 a x + 2 b y + c, in units of the size.
    let mut m = [[0.0; 3]; 3];
    let mut right = [0.0; 3];
    for p in points {
        let d = (p - centroid) / size;
        let (x, y) = (d.dot(&u), d.dot(&v));
        let row = [2.0 * x, 2.0 * y, 1.0];
        // The factorisation looks at this half only.
        for i in 0..3 {
            for j in 0..=i {
                m[i][j] += row[i] * row[j];
            }
            right[i] += row[i] * (x * x + y * y);
        }
    }
    let [a, b, c] = Cholesky::new(&m)?.solve(&right);
    let radius = (c + a * a + b * b).sqrt() * size;
    let point = centroid + (u * a + v * b) * size;
    (radius.is_finite() && radius > 0.0).then_some(CylinderFit {
        point,
        axis,
        radius_mm: radius,
        worst_mm: 0.0,
    })
}

/// One Gauss-Newton step; answers its size in mm, or `None` when the points do not determine it.
fn improve(points: &[Point], fit: &mut CylinderFit) -> Option<f64> {
    let axis = fit.axis.vector();
    let (u, v) = fit.axis.frame();
    let reach = points.iter().map(|p| (p - fit.point).dot(&axis).abs()).fold(0.0, f64::max);
    if reach.is_nan() || reach <= 0.0 {
        return None;
    }
    // Parameters: shift along u and v, tilt towards u and v times the reach, radius; all in mm.
    let mut m = [[0.0; 5]; 5];
    let mut right = [0.0; 5];
    for p in points {
        let radial = fit.radial(p);
        let length = radial.norm();
        if length.is_nan() || length <= 0.0 {
            return None;
        }
        let (eu, ev) = (radial.dot(&u) / length, radial.dot(&v) / length);
        let h = (p - fit.point).dot(&axis) / reach;
        let row = [-eu, -ev, -eu * h, -ev * h, -1.0];
        for i in 0..5 {
            for j in 0..=i {
                m[i][j] += row[i] * row[j];
            }
            right[i] -= row[i] * (length - fit.radius_mm);
        }
    }
    let s = Cholesky::new(&m)?.solve(&right);
    fit.axis = Direction::new(axis + u * (s[2] / reach) + v * (s[3] / reach))?;
    fit.point += u * s[0] + v * s[1];
    fit.radius_mm += s[4];
    Some(s.iter().map(|x| x.abs()).fold(0.0, f64::max))
}
