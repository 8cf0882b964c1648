//! The narrowest strip between two parallel lines in a plane: minimum zone straightness of a profile.

use super::{
    Contact, Criterion, Extremal, FitError, Line, Proof, Reach, Residuals, Shape, centred, line, signed, unit,
};
use crate::geometry::{Direction, Point};

/// The line in the middle of the narrowest strip that holds at least two points, mm, seen along `normal`; residuals
/// are positive towards `normal` x direction.
///
/// The least width of a point set stands on an edge of its convex hull (Houle and Toussaint, IEEE PAMI 10(5), 1988;
/// hull by Andrew, Inf. Proc. Letters 9, 1979; the walk round it with two pointers: Shamos, 1978, from memory), so
/// the answer is the least of all: three contacts, two of them on one side.
///
/// # Errors
/// Those of the least-squares [`super::line()`] of the points as they are seen.
pub fn minimum_zone_line_in_plane(points: &[Point], normal: Direction) -> Result<Extremal<Line>, FitError> {
    let cloud = centred(Shape::Line, 2, points)?;
    let (a, b) = normal.frame();
    let flat: Vec<[f64; 2]> = cloud.offsets.iter().map(|o| [o.dot(&a), o.dot(&b)]).collect();
    // Whether they tell a direction at all.
    line(&flat.iter().map(|q| Point::new(q[0], q[1], 0.0)).collect::<Vec<Point>>())?;
    let hull = hull(&flat);
    let (edge, far, width) = narrowest(&flat, &hull);
    let [p, q] = [hull[edge], hull[(edge + 1) % hull.len()]].map(|i| flat[i]);
    let direction = unit(signed(unit(a * (q[0] - p[0]) + b * (q[1] - p[1])).vector()));
    let across = normal.vector().cross(&direction.vector());
    let heights = Residuals::of(&cloud.offsets, |o| o.dot(&across));
    let middle = 0.5 * (heights.high.0 + heights.low.0);
    let seen = Residuals::of(&cloud.offsets, |o| o.dot(&across) - middle);

    // The point across lies between the two of the edge, seen across: its weights are the shares.
    let along = |i: usize| cloud.offsets[i].dot(&direction.vector());
    let ends = [hull[edge], hull[(edge + 1) % hull.len()]];
    let length = along(ends[1]) - along(ends[0]);
    let share = if length == 0.0 { 0.5 } else { ((along(far) - along(ends[0])) / length).clamp(0.0, 1.0) };
    let mut contacts: Vec<Contact> = [(ends[0], 1.0 - share), (ends[1], share), (far, 1.0)]
        .into_iter()
        .filter(|(_, weight)| *weight > 1e-9)
        .map(|(index, weight)| Contact {
            index: index as u64,
            residual_mm: cloud.offsets[index].dot(&across) - middle,
            weight,
        })
        .collect();
    contacts.sort_by_key(|c| c.index);
    contacts.dedup_by_key(|c| c.index);
    debug_assert!((width - (seen.high.0 - seen.low.0)).abs() <= 1e-9 * (1.0 + cloud.reach_mm));
    Ok(Extremal {
        shape: Line { point: cloud.centre + across * middle, direction },
        criterion: Criterion::MinimumZone,
        points: points.len(),
        rms_mm: seen.rms(points.len()),
        low: seen.low,
        high: seen.high,
        contacts,
        proof: Proof { gain: 0.0, held: true, starts: 1, arrived: 1, reach: Reach::Everywhere },
    })
}

/// Twice the area of a triangle, positive where it turns left.
fn turn(p: &[f64; 2], q: &[f64; 2], r: &[f64; 2]) -> f64 {
    (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])
}

/// Indices of the corners of the convex hull, turning left; none of a single place.
pub(crate) fn hull(flat: &[[f64; 2]]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..flat.len()).collect();
    order.sort_by(|&i, &j| {
        flat[i][0].total_cmp(&flat[j][0]).then(flat[i][1].total_cmp(&flat[j][1])).then(i.cmp(&j))
    });
    order.dedup_by(|i, j| flat[*i] == flat[*j]);
    let mut out: Vec<usize> = Vec::new();
    for lower in [true, false] {
        let start = out.len();
        let walk: Box<dyn Iterator<Item = &usize>> =
            if lower { Box::new(order.iter()) } else { Box::new(order.iter().rev()) };
        for &i in walk {
            while out.len() >= start + 2
                && turn(&flat[out[out.len() - 2]], &flat[out[out.len() - 1]], &flat[i]) <= 0.0
            {
                out.pop();
            }
            out.push(i);
        }
        // The last of one half is the first of the other.
        out.pop();
    }
    out
}

/// The edge (its first corner's place in the hull) with the least distance to the point farthest from it, that point,
/// and the distance.
fn narrowest(flat: &[[f64; 2]], hull: &[usize]) -> (usize, usize, f64) {
    let n = hull.len();
    let reach = hull.iter().flat_map(|&i| flat[i]).fold(0.0, |most: f64, c| most.max(c.abs()));
    let mut best = (0, hull[0], f64::INFINITY);
    let mut far: Option<usize> = None;
    for edge in 0..n {
        let [p, q] = [hull[edge], hull[(edge + 1) % n]].map(|i| &flat[i]);
        let height = |k: usize| turn(p, q, &flat[hull[k % n]]);
        let length = ((q[0] - p[0]) * (q[0] - p[0]) + (q[1] - p[1]) * (q[1] - p[1])).sqrt();
        // Corners on a straight run lie on one line but for rounding: the walk must not stop among them.
        let slack = 64.0 * f64::EPSILON * length * reach;
        let mut at = match far {
            Some(far) => far,
            None => (0..n).fold(0, |most, k| if height(k) > height(most) { k } else { most }),
        };
        let mut most = at;
        for _ in 0..n {
            if height(at + 1) <= height(most) - slack {
                break;
            }
            at = (at + 1) % n;
            if height(at) > height(most) {
                most = at;
            }
        }
        far = Some(most);
        let width = if length == 0.0 { 0.0 } else { (height(most) / length).max(0.0) };
        if width < best.2 {
            best = (edge, hull[most], width);
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Vector, random::Random};

    /// Every pair of points as an edge.
    fn by_enumeration(points: &[Point]) -> f64 {
        let mut least = f64::INFINITY;
        for (i, p) in points.iter().enumerate() {
            for q in &points[i + 1..] {
                let across = Vector::z().cross(&(q - p)).normalize();
                let heights = points.iter().map(|r| r.coords.dot(&across));
                let (low, high) =
                    heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
                least = least.min(high - low);
            }
        }
        least
    }

    /// Profiles that are straight but for a bend, turned: their hulls have corners on one line but for rounding.
    #[test]
    fn strips_of_straight_profiles_with_a_bend_are_the_narrowest() {
        for seed in 0..300 {
            let random = &mut Random::seeded(1000 + seed);
            let n = 5 + random.below(30);
            let (from, slope) = (random.range(0.0, f64::from(n as u32)), random.range(-0.3, 0.3));
            let (cos, sin) = {
                let angle = random.range(0.0, 6.3);
                (crate::geometry::math::cos(angle), crate::geometry::math::sin(angle))
            };
            let points: Vec<Point> = (0..n as u32)
                .map(|i| {
                    let x = f64::from(i);
                    let y = slope * (x - from).max(0.0);
                    Point::new(cos * x - sin * y, sin * x + cos * y, 0.0)
                })
                .collect();
            let Ok(strip) = minimum_zone_line_in_plane(&points, Direction::Z) else { continue };
            let (found, least) = (strip.width_mm(), by_enumeration(&points));
            assert!((found - least).abs() < 1e-11, "seed {seed}: {found} {least}");
        }
    }

    #[test]
    fn strips_are_the_narrowest_by_enumeration_and_rest_on_three_points() {
        for seed in 0..300 {
            let random = &mut Random::seeded(seed);
            let n = 3 + random.below(40);
            let bend = random.range(-0.01, 0.01);
            let points: Vec<Point> = (0..n)
                .map(|_| {
                    let x = random.range(-50.0, 50.0);
                    Point::new(x, bend * x * x + 0.1 * random.normal(), random.range(-5.0, 5.0))
                })
                .collect();
            let Ok(strip) = minimum_zone_line_in_plane(&points, Direction::Z) else { continue };
            assert!((strip.width_mm() - by_enumeration(&points)).abs() < 1e-11, "seed {seed}");
            assert_eq!(strip.contacts.len(), 3, "seed {seed}");
            assert!((strip.high.0 + strip.low.0).abs() < 1e-12, "seed {seed}");
            for contact in &strip.contacts {
                assert!((contact.residual_mm.abs() - strip.high.0).abs() < 1e-11, "seed {seed}: {strip:?}");
            }
            assert!((strip.contacts.iter().map(|c| c.weight).sum::<f64>() - 2.0).abs() < 1e-9, "seed {seed}");
        }
    }

    #[test]
    fn points_of_a_line_have_a_strip_of_no_width_and_a_cloud_has_no_line() {
        for far in [0.0, 1e6] {
            let row: Vec<Point> =
                (0..9).map(|i| Point::new(far + f64::from(i), far + 2.0 * f64::from(i), far)).collect();
            let strip = minimum_zone_line_in_plane(&row, Direction::Z).unwrap();
            assert!(strip.width_mm() < 1e-9, "{strip:?}");
        }
        let two =
            minimum_zone_line_in_plane(&[Point::origin(), Point::new(3.0, 4.0, 0.0)], Direction::Z).unwrap();
        assert!(two.width_mm() < 1e-15 && (two.shape.direction.vector().y - 0.8).abs() < 1e-15);
        let square = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]].map(|[x, y]| Point::new(x, y, 0.0));
        assert!(matches!(
            minimum_zone_line_in_plane(&square, Direction::Z),
            Err(FitError::Undetermined { .. })
        ));
        assert!(minimum_zone_line_in_plane(&[Point::origin(); 4], Direction::Z).is_err());
    }
}
