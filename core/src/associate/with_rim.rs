//! A round hole from its wall and its rims: circles about one centre, each with its own radius.
//!
//! A chamfer, a rounded arris or a burr that goes all round changes the radius of a rim and not its centre, so the rims help to
//! tell where the hole lies and nothing of how wide it is; where no wall was seen their radius is told as what it is.

use crate::geometry::{Cholesky, Direction, Point, Vector};
use crate::nominal::Nominal;
use crate::partition::{Partition, turn_seen};
use crate::plan::BoundFeature;
use crate::scan::Scan;

use super::hole::{AssociatedHole, FORM_LENGTH_MM, HoleError, MIN_POINTS, SeenWall, ToldBy, seen_wall};
use super::rim::RimPlace;

/// Circles about one centre.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Concentric {
    /// At the height of the first point, mm.
    pub(super) centre: Point,
    /// Of the wall, or of the first rim that there is, mm.
    pub(super) radius_mm: f64,
    /// Covariance of (centre along the first direction across, along the second, that radius), mm2, as the weights have it.
    pub(super) covariance: [[f64; 3]; 3],
    /// Mean square of the residuals over their standard deviations, by freedoms left.
    pub(super) ratio: f64,
    /// Root mean square residual, mm.
    pub(super) rms_mm: f64,
    /// Residual of each place of the rims, mm.
    pub(super) of_rims: [Vec<f64>; 2],
}

/// Fewer places of a rim tell no circle.
const LEAST_PLACES: usize = 8;

/// Places this many robust standard deviations off their circle are broken out, or burrs.
const OFF_RIM: f64 = 4.0;

/// A weight for each point is that of its own variance: of at least this standard deviation, mm.
const LEAST_MM: f64 = 1e-6;

/// Towards the axis through `centre`, of length 1; zero on it.
pub(super) fn inward(p: &Point, centre: &Point, axis: Direction) -> Vector {
    let off = p - centre;
    let away = off - axis.vector() * off.dot(&axis.vector());
    (-away).try_normalize(0.0).unwrap_or_else(Vector::zeros)
}

/// Weighted least squares of the radial distances, as seen along `axis`, by Gauss-Newton from the mean; `None` where the
/// points leave a centre or radius open.
pub(super) fn concentric(
    wall: &[Point],
    rims: &[Vec<RimPlace>; 2],
    axis: Direction,
    noise_mm: f64,
) -> Option<Concentric> {
    let (u, v) = axis.frame();
    // A place, its weight, and which of the three circles it is on.
    let weight = |s: f64| 1.0 / (s.max(LEAST_MM) * s.max(LEAST_MM));
    let of_wall = wall.iter().map(|p| (*p, weight(noise_mm), 0usize));
    let of_rims = rims.iter().enumerate();
    let of_rims =
        of_rims.flat_map(|(k, rim)| rim.iter().map(move |r| (r.point, weight(r.standard_mm), k + 1)));
    let all: Vec<(Point, f64, usize)> = of_wall.chain(of_rims).collect();
    let first = all.first()?.0;
    let flat: Vec<([f64; 2], f64, usize)> = all
        .iter()
        .map(|(p, w, k)| {
            let d = p - first;
            ([d.dot(&u), d.dot(&v)], *w, *k)
        })
        .collect();
    let there: [bool; 3] = std::array::from_fn(|k| flat.iter().any(|f| f.2 == k));
    // An algebraic circle of the circle with the most places to begin with (Kasa).
    let most = (0..3).max_by_key(|&k| (flat.iter().filter(|f| f.2 == k).count(), 3 - k))?;
    let mut centre = start(flat.iter().filter(|f| f.2 == most).map(|f| f.0))?;
    let away = |c: [f64; 2], q: [f64; 2]| {
        let (x, y) = (q[0] - c[0], q[1] - c[1]);
        ((x * x + y * y).sqrt(), x, y)
    };
    let mut radii: [f64; 3] = std::array::from_fn(|k| {
        let (n, sum) =
            flat.iter().filter(|f| f.2 == k).fold((0.0, 0.0), |(n, s), f| (n + 1.0, s + away(centre, f.0).0));
        if n > 0.0 { sum / n } else { 0.0 }
    });
    let mut inverse = None;
    for _ in 0..50 {
        let mut m = [[0.0; 5]; 5];
        let mut right = [0.0; 5];
        for (q, w, k) in &flat {
            let (d, x, y) = away(centre, *q);
            if !(d > 0.0) {
                return None;
            }
            let mut row = [-x / d, -y / d, 0.0, 0.0, 0.0];
            row[2 + k] = -1.0;
            let rest = d - radii[*k];
            for i in 0..5 {
                for j in 0..5 {
                    m[i][j] += w * row[i] * row[j];
                }
                right[i] -= w * row[i] * rest;
            }
        }
        for (k, is) in there.iter().enumerate() {
            if !is {
                m[2 + k][2 + k] = 1.0;
            }
        }
        let solver = Cholesky::new(&m)?;
        let step = solver.solve(&right);
        centre = [centre[0] + step[0], centre[1] + step[1]];
        for (k, r) in radii.iter_mut().enumerate() {
            *r += step[2 + k];
        }
        inverse = Some(solver.inverse());
        let size = radii.iter().fold(0.0f64, |a, r| a.max(*r));
        if step.iter().all(|s| s.abs() <= 1e-12 * size) {
            break;
        }
    }
    let inverse = inverse?;
    let told = there.iter().position(|t| *t)?;
    let rest: Vec<f64> = flat.iter().map(|(q, _, k)| away(centre, *q).0 - radii[*k]).collect();
    let count = flat.len() as f64;
    let free = count - 2.0 - there.iter().filter(|t| **t).count() as f64;
    let square: f64 = flat.iter().zip(&rest).map(|((_, w, _), r)| w * r * r).sum();
    let at = [0, 1, 2 + told];
    let mut of_rims = [Vec::new(), Vec::new()];
    for ((_, _, k), r) in flat.iter().zip(&rest) {
        if *k > 0 {
            of_rims[k - 1].push(*r);
        }
    }
    let good = centre.iter().chain(&radii).all(|x| x.is_finite()) && free > 0.0;
    good.then(|| Concentric {
        centre: first + u * centre[0] + v * centre[1],
        radius_mm: radii[told],
        covariance: std::array::from_fn(|i| std::array::from_fn(|j| inverse[at[i]][at[j]])),
        ratio: square / free,
        rms_mm: (rest.iter().map(|r| r * r).sum::<f64>() / count).sqrt(),
        of_rims,
    })
}

fn start(points: impl Iterator<Item = [f64; 2]>) -> Option<[f64; 2]> {
    let mut m = [[0.0; 3]; 3];
    let mut right = [0.0; 3];
    for [x, y] in points {
        let row = [2.0 * x, 2.0 * y, 1.0];
        for i in 0..3 {
            for j in 0..3 {
                m[i][j] += row[i] * row[j];
            }
            right[i] += row[i] * (x * x + y * y);
        }
    }
    let [x, y, _] = Cholesky::new(&m)?.solve(&right);
    Some([x, y])
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    let (x, y) = (a[0] - b[0], a[1] - b[1]);
    (x * x + y * y).sqrt()
}

fn median(sizes: &[f64]) -> f64 {
    let mut sizes = sizes.to_vec();
    let half = sizes.len() / 2;
    *sizes.select_nth_unstable_by(half, f64::total_cmp).1
}

/// The places that stand no further off than those in the middle of all, by their robust deviation and their own.
fn kept(rim: &[RimPlace], rests: &[f64], median: f64) -> Vec<RimPlace> {
    let scatter = 1.482_602_218_505_602 * median;
    let near = |(place, rest): &(&RimPlace, &f64)| **rest <= OFF_RIM * scatter.max(place.standard_mm);
    rim.iter().zip(rests).filter(near).map(|(place, _)| *place).collect()
}

/// Without places that stand far off the circle of their rim: breakout and burrs at a part of it.
fn without_broken(mut rims: [Vec<RimPlace>; 2], axis: Direction) -> [Vec<RimPlace>; 2] {
    for rim in &mut rims {
        if rim.len() < LEAST_PLACES {
            rim.clear();
            continue;
        }
        // Circles through three places a third of the rim apart: the one that most places agree with is not drawn by what broke
        // out at one part of it (least median, Rousseeuw 1984, from memory).
        let (u, v) = axis.frame();
        let flat: Vec<[f64; 2]> =
            rim.iter().map(|r| [r.point.coords.dot(&u), r.point.coords.dot(&v)]).collect();
        let n = flat.len();
        let rests = |centre: [f64; 2], radius: f64| -> Vec<f64> {
            flat.iter().map(|q| (distance(centre, *q) - radius).abs()).collect()
        };
        let mut best: Option<(f64, Vec<f64>)> = None;
        for i in 0..n {
            let three = [flat[i], flat[(i + n / 3) % n], flat[(i + 2 * n / 3) % n]];
            let Some(centre) = start(three.into_iter()) else { continue };
            let rests = rests(centre, distance(centre, three[0]));
            let median = median(&rests);
            if median.is_finite() && best.as_ref().is_none_or(|b| median < b.0) {
                best = Some((median, rests));
            }
        }
        let Some((scatter, rests)) = best else { continue };
        *rim = kept(rim, &rests, scatter);
        for _ in 0..5 {
            if rim.len() < LEAST_PLACES {
                rim.clear();
                break;
            }
            let alone = [std::mem::take(rim), Vec::new()];
            let fit = concentric(&[], &alone, axis, LEAST_MM);
            let [all, _] = alone;
            let Some(fit) = fit else {
                *rim = all;
                break;
            };
            let rests: Vec<f64> = fit.of_rims[0].iter().map(|r| r.abs()).collect();
            *rim = kept(&all, &rests, median(&rests));
            if rim.len() == all.len() {
                break;
            }
        }
    }
    rims
}

/// Associates a hole with its wall, as far as that was seen, and with its rims.
///
/// # Errors
/// Too few points of both, or points that leave the centre open.
#[allow(clippy::too_many_arguments, reason = "what `hole` takes, and the rims")]
pub fn hole_with_rims(
    partition: &Partition,
    scan: &Scan,
    nominal: &Nominal,
    bound: &BoundFeature,
    axis: Direction,
    noise_mm: f64,
    rims: [Vec<RimPlace>; 2],
) -> Result<AssociatedHole, HoleError> {
    let SeenWall { mut points, left_out, not_straight, spacing_mm, middle, nominal_radius_mm, depth_mm } =
        seen_wall(partition, scan, nominal, bound, axis, noise_mm)?;
    if points.len() < MIN_POINTS {
        points.clear();
    }
    let rims = without_broken(rims, axis);
    let few = HoleError::TooFewPoints { need: MIN_POINTS, got: points.len() };
    let by = match (points.is_empty(), rims.iter().all(Vec::is_empty)) {
        (false, false) => ToldBy::WallAndRim,
        (true, false) => ToldBy::Rim,
        _ => return Err(few),
    };
    let fit = concentric(&points, &rims, axis, noise_mm).ok_or(few)?;
    let mut places: Vec<Point> = points.clone();
    let wide = rims.iter().flatten().map(|r| r.length_mm).fold(spacing_mm, f64::max);
    places.extend(rims.iter().flatten().map(|r| r.point));
    let seen = turn_seen(&places, fit.centre, axis, fit.radius_mm, wide);
    let count = places.len() as f64;
    let patches = (2.0 * std::f64::consts::PI * nominal_radius_mm * seen.fraction / FORM_LENGTH_MM).max(1.0);
    let form = (fit.ratio - 1.0).max(0.0) * (count / patches).max(1.0);
    let (u, v) = axis.frame();
    Ok(AssociatedHole {
        centre: fit.centre + axis.vector() * (middle - fit.centre).dot(&axis.vector()),
        axis,
        across: (u, v),
        radius_mm: fit.radius_mm,
        covariance: fit.covariance,
        sampling: fit.covariance.map(|row| row.map(|c| c * form)),
        form_mm2: (fit.ratio - 1.0).max(0.0) * noise_mm * noise_mm,
        rms_mm: fit.rms_mm,
        points: places.len(),
        left_out,
        not_straight,
        by,
        seen,
        depth_mm,
        wall: points,
        rims,
        noise_mm,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{math, random::Random};

    fn ring(
        centre: [f64; 2],
        radius: f64,
        from: f64,
        to: f64,
        n: usize,
        noise: f64,
        random: &mut Random,
    ) -> Vec<Point> {
        (0..n)
            .map(|i| {
                let a = from + (to - from) * (i as f64 + 0.5) / n as f64;
                let r = radius + noise * random.normal();
                Point::new(centre[0] + r * math::cos(a), centre[1] + r * math::sin(a), i as f64 * 0.01)
            })
            .collect()
    }

    fn rim(points: Vec<Point>, standard_mm: f64) -> Vec<RimPlace> {
        let place = |point| RimPlace {
            point,
            facing: Direction::Z,
            outward: Direction::X,
            offset_mm: 0.0,
            standard_mm,
            length_mm: 1.0,
        };
        points.into_iter().map(place).collect()
    }

    #[test]
    fn half_a_wall_and_a_whole_rim_of_another_radius_tell_centre_and_radius() {
        let mut random = Random::seeded(3);
        let wall = ring([0.3, -0.2], 4.0, 0.0, std::f64::consts::PI, 60, 0.0, &mut random);
        let rim = rim(ring([0.3, -0.2], 4.3, 0.0, std::f64::consts::TAU, 40, 0.0, &mut random), 0.05);
        let fit = concentric(&wall, &[rim, Vec::new()], Direction::Z, 0.02).unwrap();
        assert!((fit.centre.x - 0.3).abs() < 1e-9 && (fit.centre.y + 0.2).abs() < 1e-9);
        assert!((fit.radius_mm - 4.0).abs() < 1e-9);
    }

    #[test]
    fn its_covariance_is_what_many_draws_show() {
        let (mut square, mut told) = ([0.0; 3], [0.0; 3]);
        for seed in 0..400 {
            let mut random = Random::seeded(seed);
            let wall = ring([0.0, 0.0], 4.0, 0.0, 2.0, 40, 0.02, &mut random);
            let rim = rim(ring([0.0, 0.0], 4.2, 0.0, std::f64::consts::TAU, 30, 0.06, &mut random), 0.06);
            let fit = concentric(&wall, &[Vec::new(), rim], Direction::Z, 0.02).unwrap();
            let (u, v) = Direction::Z.frame();
            let off = fit.centre - Point::origin();
            for (k, x) in [off.dot(&u), off.dot(&v), fit.radius_mm - 4.0].into_iter().enumerate() {
                square[k] += x * x;
                told[k] += fit.covariance[k][k];
            }
        }
        for k in 0..3 {
            // 400 draws tell a variance to 7 %.
            assert!((square[k] / told[k] - 1.0).abs() < 0.25, "{k}: {square:?} {told:?}");
        }
    }

    #[test]
    fn what_broke_out_of_a_rim_is_left_out() {
        let mut random = Random::seeded(5);
        let mut points = ring([0.1, 0.2], 4.0, 0.0, std::f64::consts::TAU, 48, 0.02, &mut random);
        for p in points.iter_mut().take(9) {
            *p += (*p - Point::new(0.1, 0.2, p.z)) * 0.12;
        }
        let [kept, _] = without_broken([rim(points, 0.02), Vec::new()], Direction::Z);
        assert_eq!(kept.len(), 39);
        let [none, _] = without_broken([Vec::new(), Vec::new()], Direction::Z);
        assert!(none.is_empty() && concentric(&[], &[none, Vec::new()], Direction::Z, 0.02).is_none());
    }
}
