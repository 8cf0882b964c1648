//! Where the search begins: every rotation, evenly, and a few ways to lay the scan's box on the part's.

use super::refine::Pose;
use super::sample::{Cloud, SurfacePoint};
use super::search::Crowd;
use crate::geometry::{Matrix3, Motion, PartFrame, Point, TriangleMesh, Vector, math, symmetric_eigen3};

/// `count` rotations spread evenly over all of them. Alexa, "Super-Fibonacci Spirals: Fast, Low-Discrepancy
/// Sampling of SO(3)", CVPR 2022, algorithm 1 with its constants.
pub(super) fn even_rotations(count: usize) -> Vec<Matrix3> {
    const PSI: f64 = 1.533_751_168_755_204_3;
    (0..count)
        .map(|i| {
            let s = i as f64 + 0.5;
            let t = s / count as f64;
            let d = std::f64::consts::TAU * s;
            let (r, big) = (t.sqrt(), (1.0 - t).sqrt());
            let (alpha, beta) = (d / std::f64::consts::SQRT_2, d / PSI);
            let v = Vector::new(r * math::sin(alpha), r * math::cos(alpha), big * math::sin(beta));
            of_quaternion(v, big * math::cos(beta))
        })
        .collect()
}

fn of_quaternion(v: Vector, w: f64) -> Matrix3 {
    let length = v.norm();
    let angle = 2.0 * math::atan2(length, w);
    let turn = if length > 0.0 { v * (angle / length) } else { Vector::zeros() };
    *Motion::<PartFrame, PartFrame>::from_turn_and_shift(turn, Vector::zeros()).rotation()
}

/// Principal axes of some points (columns, by growing spread, right-handed) and their centroid.
pub(super) fn principal_axes(points: &[Point]) -> (Matrix3, Point) {
    let n = points.len().max(1) as f64;
    let centroid = Point::from(points.iter().fold(Vector::zeros(), |s, p| s + p.coords) / n);
    let spread = points.iter().fold(Matrix3::zeros(), |s, p| {
        let d = p - centroid;
        s + d * d.transpose()
    });
    let (_, [a, b, _]) = symmetric_eigen3(&spread);
    (Matrix3::from_columns(&[a, b, a.cross(&b)]), centroid)
}

/// Principal axes and centroid of a surface, from its triangles' own second moments: what a turn takes onto
/// itself, it turns about one of these axes through this point, unless two spreads are equal.
pub(super) fn surface_axes(mesh: &TriangleMesh) -> (Matrix3, Point) {
    let origin = mesh.bounds().centre();
    let (mut whole, mut first, mut second) = (0.0, Vector::zeros(), Matrix3::zeros());
    for t in 0..mesh.triangles().len() as u32 {
        let area = mesh.area(t);
        let corners = mesh.corners(t).map(|c| c - origin);
        let sum = corners[0] + corners[1] + corners[2];
        whole += area;
        first += sum * (area / 3.0);
        let squares = corners.iter().fold(sum * sum.transpose(), |s, c| s + c * c.transpose());
        second += squares * (area / 12.0);
    }
    let middle = if whole > 0.0 { first / whole } else { first };
    let (_, [a, b, _]) = symmetric_eigen3(&(second - middle * middle.transpose() * whole));
    (Matrix3::from_columns(&[a, b, a.cross(&b)]), origin + middle)
}

/// The 24 rotations that take the axes to axes.
pub(super) fn axis_turns() -> Vec<Matrix3> {
    let mut turns = Vec::new();
    for order in [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]] {
        for signs in 0..8 {
            let mut m = Matrix3::zeros();
            for (column, &row) in order.iter().enumerate() {
                m[(row, column)] = if signs >> column & 1 == 0 { 1.0 } else { -1.0 };
            }
            if m.determinant() > 0.0 {
                turns.push(m);
            }
        }
    }
    turns
}

/// Rotations to try: principal axes on principal axes in all 24 ways, the flatter ways spun about the
/// part's thinnest axis every 15 degrees (the other two are vague when part of the scan is missing), and
/// the even cover.
pub(super) fn rotations(scan: &Cloud, nominal: &[SurfacePoint], even: usize) -> Vec<Matrix3> {
    let (scan_axes, _) = principal_axes(&scan.points);
    let places: Vec<Point> = nominal.iter().map(|s| s.point).collect();
    let (part_axes, _) = principal_axes(&places);
    let mut all = Vec::new();
    for turn in axis_turns() {
        all.push(part_axes * turn * scan_axes.transpose());
    }
    for flip in [false, true] {
        let over = if flip {
            Matrix3::new(-1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, -1.0)
        } else {
            Matrix3::identity()
        };
        for step in 1..24 {
            let angle = f64::from(step) * std::f64::consts::TAU / 24.0;
            let spin = *Motion::<PartFrame, PartFrame>::from_turn_and_shift(
                Vector::new(angle, 0.0, 0.0),
                Vector::zeros(),
            )
            .rotation();
            all.push(part_axes * spin * over * scan_axes.transpose());
        }
    }
    all.extend(even_rotations(even));
    all
}

/// Along one axis a part is tried at no more than this many places and one: a crowd larger than that is
/// taken apart by its gaps.
const MOST_STEPS: f64 = 6.0;

/// A range along one axis that leaves out a few stray points at each end.
fn range(values: &mut [f64]) -> (f64, f64) {
    values.sort_unstable_by(f64::total_cmp);
    let skip = values.len() / 50;
    (values[skip], values[values.len() - 1 - skip])
}

/// Poses with the given rotation: centroid on centroid, and the turned scan's box in the part's box, along
/// each axis at the low end, the middle and the high end. An axis where the scan spans nearly the whole
/// part, or more, gets only the middle; in a crowd, where it spans more, the part goes to both ends and to
/// places between, a quarter of its width apart.
pub(super) fn placed(rotation: &Matrix3, scan: &Cloud, nominal: &[SurfacePoint], crowd: Crowd) -> Vec<Pose> {
    let mut shifts: [Vec<f64>; 3] = Default::default();
    let mut sums = Vector::zeros();
    let turned: Vec<Vector> = scan.points.iter().map(|p| rotation * p.coords).collect();
    for axis in 0..3 {
        let (low, high) = range(&mut turned.iter().map(|t| t[axis]).collect::<Vec<_>>());
        let (part_low, part_high) = range(&mut nominal.iter().map(|s| s.point[axis]).collect::<Vec<_>>());
        let (spans, whole) = (high - low, part_high - part_low);
        shifts[axis].push(0.5 * (part_low + part_high) - 0.5 * (low + high));
        if spans < 0.92 * whole {
            shifts[axis].push(part_low - low);
            shifts[axis].push(part_high - high);
        }
        if crowd != Crowd::One && spans > 1.05 * whole {
            let (first, last) = (part_high - high, part_low - low);
            let steps = (4.0 * (spans - whole) / whole).ceil().clamp(1.0, MOST_STEPS);
            // The middle is not among them unless the steps fall on it, and need not be.
            shifts[axis].clear();
            shifts[axis].extend((0..=steps as u32).map(|n| first + (last - first) * f64::from(n) / steps));
        }
        let mean = turned.iter().map(|t| t[axis]).sum::<f64>() / turned.len() as f64;
        let part_mean = nominal.iter().map(|s| s.point[axis]).sum::<f64>() / nominal.len() as f64;
        sums[axis] = part_mean - mean;
    }
    let mut poses = Vec::new();
    let mut push = |shift: Vector| poses.extend(Motion::new(*rotation, shift));
    push(sums);
    for &x in &shifts[0] {
        for &y in &shifts[1] {
            for &z in &shifts[2] {
                push(Vector::new(x, y, z));
            }
        }
    }
    poses
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_even_cover_leaves_no_rotation_further_than_thirty_degrees() {
        let cover = even_rotations(1000);
        let mut random = crate::geometry::random::Random::seeded(11);
        for _ in 0..500 {
            let target = Motion::<PartFrame, PartFrame>::from_turn_and_shift(random.turn(), Vector::zeros());
            let nearest = cover
                .iter()
                .map(|r| math::acos(((target.rotation().transpose() * r).trace() - 1.0) / 2.0))
                .fold(f64::INFINITY, f64::min);
            assert!(nearest < 30f64.to_radians(), "{}", nearest.to_degrees());
        }
    }

    #[test]
    fn the_axes_of_a_box_are_its_own_however_it_is_cut_into_triangles() {
        let mesh = super::super::bracket::slab([30.0, 20.0, 4.0], &[], 2.0);
        let (axes, centroid) = surface_axes(&mesh);
        assert!((centroid - Point::new(15.0, 10.0, 2.0)).norm() < 1e-9, "{centroid}");
        // By growing spread: thickness, width, length.
        for (column, axis) in [(0, 2), (1, 1), (2, 0)] {
            assert!(axes[(axis, column)].abs() > 1.0 - 1e-9, "{axes}");
        }
    }

    #[test]
    fn there_are_24_axis_turns_and_all_are_different() {
        let turns = axis_turns();
        assert_eq!(turns.len(), 24);
        for (i, a) in turns.iter().enumerate() {
            assert!(turns[..i].iter().all(|b| a != b));
        }
    }
}
