//! Directions and points from which the searches for axes start.

use super::levenberg::{Ended, Model, approach};
use crate::geometry::{Direction, Matrix3, Vector, math, random::Random, symmetric_eigen3};
use crate::run::{Run, Stopped};

/// Directions tried on the half sphere: about 7 degrees apart.
const DIRECTIONS: usize = 400;
/// Points that judge where the starts lead to; the end is always fitted to all points.
const JUDGES: usize = 600;
/// Points that the starts are looked for and followed with.
const SCOUTS: usize = 150;
/// Ends of one valley differ by less, in sizes of the point set and rad: they were followed to a thousandth of this.
pub(super) const ONE_VALLEY: f64 = 1e-4;

/// Principal axes of centred points, thinnest first.
pub(super) fn principal_axes(points: &[Vector]) -> [Vector; 3] {
    let scatter = points.iter().fold(Matrix3::zeros(), |s, p| s + p * p.transpose());
    symmetric_eigen3(&scatter).1
}

/// Root mean square extent along a direction.
pub(super) fn spread(points: &[Vector], along: &Vector) -> f64 {
    let total: f64 = points.iter().map(|p| p.dot(along) * p.dot(along)).sum();
    (total / points.len() as f64).sqrt()
}

/// At most [`JUDGES`] of the points, drawn with a fixed seed: a fixed stride could keep one row of a grid.
pub(super) fn sample(points: &[Vector]) -> Vec<Vector> {
    drawn(points, JUDGES)
}

/// As [`sample`], at most [`SCOUTS`], and where their middle lies: starts in closed form want points about it.
pub(super) fn sample_few(points: &[Vector]) -> (Vec<Vector>, Vector) {
    let few = drawn(points, SCOUTS);
    let middle = if few.len() == points.len() {
        // All of them are about their middle already.
        Vector::zeros()
    } else {
        few.iter().fold(Vector::zeros(), |s, p| s + p) / few.len() as f64
    };
    (few, middle)
}

/// Starts in closed form from points about their middle, brought back to where that lies.
pub(super) fn about_the_middle<M>(
    (scouts, middle): (&[Vector], Vector),
    starts: impl FnOnce(&[Vector]) -> Vec<M>,
    shifted: impl Fn(&M, Vector) -> M,
) -> Vec<M> {
    let about: Vec<Vector> = scouts.iter().map(|q| q - middle).collect();
    starts(&about).iter().map(|start| shifted(start, middle)).collect()
}

fn drawn(points: &[Vector], most: usize) -> Vec<Vector> {
    if points.len() <= most {
        return points.to_vec();
    }
    let mut random = Random::seeded(1);
    (0..most).map(|_| points[random.below(points.len())]).collect()
}

/// The valleys that starts lead to: each is followed on few points, those that end alike are one, and what is left is followed on
/// all judges, best first. `alike` compares two ends.
pub(super) fn valleys<M: Model<N, Item = Vector>, const N: usize>(
    run: &Run,
    starts: Vec<M>,
    [scouts, judges]: [&[Vector]; 2],
    max_steps: usize,
    alike: impl Fn(&M, &M) -> bool,
) -> Result<Vec<Ended<M, N>>, Stopped> {
    let mut ends: Vec<Ended<M, N>> = Vec::new();
    for start in starts {
        let end = approach(run, start, scouts, max_steps)?;
        if !ends.iter().any(|other| alike(&other.model, &end.model)) {
            ends.push(end);
        }
    }
    if scouts.len() < judges.len() {
        ends = ends
            .into_iter()
            .map(|end| approach(run, end.model, judges, max_steps))
            .collect::<Result<Vec<_>, Stopped>>()?;
    }
    ends.sort_by(|a, b| a.sums.square.total_cmp(&b.sums.square));
    Ok(ends)
}

/// A spiral with the golden angle covers the half sphere evenly. Common practice, no source.
pub(super) fn half_sphere(principal: &[Vector; 3]) -> Vec<Direction> {
    const GOLDEN_ANGLE: f64 = 2.399_963_229_728_653;
    let spiral = (0..DIRECTIONS).map(|i| {
        let z = (i as f64 + 0.5) / DIRECTIONS as f64;
        let ring = (1.0 - z * z).sqrt();
        let angle = GOLDEN_ANGLE * i as f64;
        Vector::new(ring * math::cos(angle), ring * math::sin(angle), z)
    });
    principal.iter().copied().chain(spiral).filter_map(Direction::new).collect()
}

/// Directions about the long axis of a needle, tilted by up to twice `slender` (width over length): a few
/// points leave the axis that free, and the cover of the half sphere is too coarse to see it.
pub(super) fn about_the_long_axis(principal: &[Vector; 3], slender: f64) -> Vec<Direction> {
    const RINGS: u32 = 10;
    const WAYS: u32 = 16;
    let [a, b, long] = *principal;
    let mut out: Vec<Direction> = Direction::new(long).into_iter().collect();
    for ring in 1..=RINGS {
        let tilt = 2.0 * slender * f64::from(ring) / f64::from(RINGS);
        for way in 0..WAYS {
            let angle = std::f64::consts::TAU * f64::from(way) / f64::from(WAYS);
            let side = a * math::cos(angle) + b * math::sin(angle);
            out.extend(Direction::new(long + side * tilt));
        }
    }
    out
}

/// The best of what was found, no two of them with axes closer than `apart`, rad.
pub(super) fn distinct<T>(
    mut found: Vec<(f64, T)>,
    apart: f64,
    keep: usize,
    axis: impl Fn(&T) -> Vector,
) -> Vec<T> {
    found.sort_by(|x, y| x.0.total_cmp(&y.0));
    let mut chosen: Vec<T> = Vec::new();
    for (_, one) in found {
        if chosen.len() == keep {
            break;
        }
        if chosen.iter().all(|c| axis(c).cross(&axis(&one)).norm() > apart) {
            chosen.push(one);
        }
    }
    chosen
}
