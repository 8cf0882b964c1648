//! The smallest circle that holds points of a plane.

/// Rounds before giving up; some ten are needed.
const ROUNDS: usize = 1_000;

/// Centre and radius of the smallest circle that holds all points; `None` of none, or where rounding keeps it from an end.
///
/// The point furthest outside joins the two or three that hold the circle so far, and the smallest circle of these four at most
/// follows by trying all pairs and triples: the radius grows with every round (Gaertner, "Fast and robust smallest enclosing
/// balls", ESA 1999, LNCS 1643, 325-338; from memory).
pub(super) fn smallest_circle(points: &[[f64; 2]]) -> Option<([f64; 2], f64)> {
    let first = *points.first()?;
    let mut held = vec![first];
    let (mut centre, mut square) = (first, 0.0);
    for _ in 0..ROUNDS {
        let mut far = (f64::NEG_INFINITY, first);
        for p in points {
            let d = distance2(&centre, p);
            if d > far.0 {
                far = (d, *p);
            }
        }
        if !far.0.is_finite() {
            return None;
        }
        if far.0 <= square * (1.0 + 1e-14) {
            return Some((centre, square.sqrt()));
        }
        held.push(far.1);
        let (next, kept) = of_few(&held)?;
        let reached = distance2(&next, &kept[0]);
        if !(reached > square) {
            // Nothing but rounding is outside.
            return Some((centre, far.0.sqrt()));
        }
        (centre, square, held) = (next, reached, kept);
    }
    None
}

fn distance2(a: &[f64; 2], b: &[f64; 2]) -> f64 {
    let (x, y) = (a[0] - b[0], a[1] - b[1]);
    x * x + y * y
}

/// The smallest circle of two to four points, and those that hold it.
fn of_few(points: &[[f64; 2]]) -> Option<([f64; 2], Vec<[f64; 2]>)> {
    let mut best: Option<(f64, [f64; 2], Vec<[f64; 2]>)> = None;
    let mut see = |centre: [f64; 2], on: Vec<[f64; 2]>| {
        let square = on.iter().map(|p| distance2(&centre, p)).fold(0.0, f64::max);
        let holds = points.iter().all(|p| distance2(&centre, p) <= square * (1.0 + 1e-12));
        if holds && best.as_ref().is_none_or(|b| square < b.0) {
            best = Some((square, centre, on));
        }
    };
    let n = points.len();
    for i in 0..n {
        for j in i + 1..n {
            let (p, q) = (points[i], points[j]);
            see([0.5 * (p[0] + q[0]), 0.5 * (p[1] + q[1])], vec![p, q]);
            for r in points.iter().skip(j + 1) {
                if let Some(centre) = through(&p, &q, r) {
                    see(centre, vec![p, q, *r]);
                }
            }
        }
    }
    best.map(|(_, centre, on)| (centre, on))
}

/// The centre of the circle through three points; `None` where they lie on a line.
fn through(p: &[f64; 2], q: &[f64; 2], r: &[f64; 2]) -> Option<[f64; 2]> {
    let (a, b) = ([q[0] - p[0], q[1] - p[1]], [r[0] - p[0], r[1] - p[1]]);
    let twice = 2.0 * (a[0] * b[1] - a[1] * b[0]);
    let (aa, bb) = (a[0] * a[0] + a[1] * a[1], b[0] * b[0] + b[1] * b[1]);
    if !(twice.abs() > 1e-14 * (aa + bb)) {
        return None;
    }
    Some([p[0] + (b[1] * aa - a[1] * bb) / twice, p[1] + (a[0] * bb - b[0] * aa) / twice])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    /// The slow way: all circles through two or three points that hold the rest.
    #[test]
    fn it_is_the_smallest_of_all_circles_through_two_or_three_points() {
        for seed in 0..200 {
            let random = &mut Random::seeded(seed);
            let n = 2 + random.below(20);
            let grid = seed % 3 == 0;
            let mut one = || {
                let x = random.range(-3.0, 3.0);
                if grid { x.round() } else { x }
            };
            let points: Vec<[f64; 2]> = (0..n).map(|_| [one(), one()]).collect();
            let (centre, radius) = smallest_circle(&points).unwrap();
            let holds = |c: &[f64; 2], r: f64| points.iter().all(|p| distance2(c, p).sqrt() <= r + 1e-9);
            assert!(holds(&centre, radius), "seed {seed}");
            let mut slow = f64::INFINITY;
            for (i, p) in points.iter().enumerate() {
                for (j, q) in points.iter().enumerate().skip(i) {
                    let middle = [0.5 * (p[0] + q[0]), 0.5 * (p[1] + q[1])];
                    let mut see = |c: [f64; 2]| {
                        let r = distance2(&c, p).sqrt();
                        if holds(&c, r) {
                            slow = slow.min(r);
                        }
                    };
                    see(middle);
                    points.iter().skip(j).filter_map(|r| through(p, q, r)).for_each(&mut see);
                }
            }
            assert!((radius - slow).abs() < 1e-9, "seed {seed}: {radius} {slow}");
        }
        assert!(smallest_circle(&[]).is_none() && smallest_circle(&[[f64::NAN, 0.0]]).is_none());
        assert_eq!(smallest_circle(&[[2.0, 3.0]; 4]), Some(([2.0, 3.0], 0.0)));
    }
}
