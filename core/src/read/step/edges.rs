//! Edges become corners, once for all faces that share them.

use super::curves::Curve;
use super::graph::EntityFault;
use super::shapes::Shapes;
use crate::geometry::{Point, Vector, math};

/// Largest turn of one step along an edge, rad: 32 steps a turn, so that the areas of small rounds, where a
/// chord of 0.01 mm would allow a hexagon, are within 0.2 %.
const LARGEST_TURN: f64 = std::f64::consts::PI / 16.0;
/// Halvings of one smooth piece at most.
const DEEPEST: usize = 17;
/// Corners of one edge at most.
pub(super) const MOST: usize = 200_000;

/// An edge as the file tells it.
#[derive(Clone, Debug)]
pub(super) struct Edge {
    /// Ids of its two vertices.
    pub ends: [u64; 2],
    pub places: [Point; 2],
    pub curve: Curve,
    /// Whether the curve runs from the first vertex to the second.
    pub same_sense: bool,
}

/// Places along an edge between its vertices.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Sampled {
    /// From the first vertex to the second, without both.
    pub between: Vec<Point>,
    /// Largest distance of a vertex from the curve, mm.
    pub gap_mm: f64,
}

/// Why an edge has no places.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Unsampled {
    /// Its curve cannot be followed from vertex to vertex.
    Lost,
    /// It takes more places than allowed.
    TooFine,
}

impl Edge {
    pub(super) fn read(shapes: &Shapes, id: u64) -> Result<Self, EntityFault> {
        let edge = shapes.graph.must(id, "EDGE_CURVE")?;
        let ends = [edge.instance(1)?, edge.instance(2)?];
        let place = |id| {
            let vertex = shapes.graph.must(id, "VERTEX_POINT")?;
            shapes.point(vertex.instance(1)?)
        };
        Ok(Self {
            ends,
            places: [place(ends[0])?, place(ends[1])?],
            curve: shapes.curve(edge.instance(3)?)?,
            same_sense: edge.flag(4)?,
        })
    }

    /// The parameters of both vertices, in the direction of the curve.
    fn range(&self) -> Option<(f64, f64)> {
        let [mut first, mut last] = self.places;
        if !self.same_sense {
            std::mem::swap(&mut first, &mut last);
        }
        let a = self.curve.parameter_of(&first);
        let mut b = self.curve.parameter_of(&last);
        if let Some(period) = self.curve.period() {
            if self.ends[0] == self.ends[1] {
                b = a + period;
            } else if b <= a + 1e-9 * period {
                // Vertices on one place to rounding are an edge without length, no whole turn.
                if (first - last).norm() < 1e-7 {
                    b = a;
                } else {
                    b += period;
                }
            }
        } else if self.ends[0] == self.ends[1] {
            return self.curve.domain();
        }
        (a.is_finite() && b.is_finite()).then_some((a, b))
    }

    /// Places no further apart than that their chords lie within `chord_mm` of the curve, `most` of them at most.
    pub(super) fn sample(&self, chord_mm: f64, most: usize) -> Result<Sampled, Unsampled> {
        let (a, b) = self.range().ok_or(Unsampled::Lost)?;
        let at = |t: f64| self.curve.at(t).0;
        let ends = if self.same_sense { [0, 1] } else { [1, 0] };
        let gap_mm = (at(a) - self.places[ends[0]]).norm().max((at(b) - self.places[ends[1]]).norm());
        let mut between = Vec::new();
        match &self.curve {
            Curve::Line { .. } => {}
            Curve::Circle { radius, .. } => {
                // The height of a chord over the angle w is r (1 - cos(w / 2)).
                let largest = 2.0 * math::acos(1.0 - (chord_mm / radius).min(1.0));
                let step = largest.min(LARGEST_TURN);
                let steps = ((b - a) / step - 1e-9).ceil().max(1.0);
                if !(steps <= most as f64) {
                    return Err(Unsampled::TooFine);
                }
                between.extend((1..steps as usize).map(|i| at(a + (b - a) * (i as f64 / steps))));
            }
            curve => {
                let mut marks = vec![a];
                // A closed spline may begin anywhere: its breaks come again after a period.
                let period = curve.period().unwrap_or(0.0);
                for turn in 0..2 {
                    let shift = period * f64::from(turn);
                    let inside = |t: &f64| *t > a.min(b) && *t < a.max(b);
                    marks.extend(curve.breaks().iter().map(|t| t + shift).filter(inside));
                    if period == 0.0 {
                        break;
                    }
                }
                marks.push(b);
                marks.sort_by(f64::total_cmp);
                marks.dedup_by(|x, y| (*x - *y).abs() <= 1e-12 * (b - a).abs());
                if b < a {
                    marks.reverse();
                }
                // Two pieces at least of whatever is not straight: a wave may cross its chord in the middle.
                let pieces = if matches!(curve, Curve::Polyline { .. }) { 1 } else { 2 };
                for w in marks.windows(2) {
                    for k in 0..pieces {
                        let f = |k: usize| w[0] + (w[1] - w[0]) * (k as f64 / pieces as f64);
                        halve(curve, (f(k), f(k + 1)), chord_mm, (DEEPEST, most), &mut between);
                        between.push(at(f(k + 1)));
                        if between.len() > most {
                            return Err(Unsampled::TooFine);
                        }
                    }
                }
                between.pop();
            }
        }
        if !self.same_sense {
            between.reverse();
        }
        let sound = gap_mm.is_finite() && between.iter().all(|p| p.iter().all(|c| c.is_finite()));
        if sound { Ok(Sampled { between, gap_mm }) } else { Err(Unsampled::Lost) }
    }
}

/// Adds the places between `a` and `b`, both left out.
fn halve(
    curve: &Curve,
    (a, b): (f64, f64),
    chord_mm: f64,
    (deep, most): (usize, usize),
    out: &mut Vec<Point>,
) {
    if deep == 0 || out.len() > most {
        return;
    }
    let ((pa, da, _), (pb, db, _)) = (curve.at(a), curve.at(b));
    let chord = pb - pa;
    let off = |p: Point| {
        let d = p - pa;
        let length = chord.norm_squared();
        let along = if length > 0.0 { (d.dot(&chord) / length).clamp(0.0, 1.0) } else { 0.0 };
        (d - chord * along).norm()
    };
    let height = [0.25, 0.5, 0.75].map(|f| off(curve.at(a + (b - a) * f).0)).into_iter().fold(0.0, f64::max);
    // What turns less than can be seen may turn sharply.
    let turns = height > 0.02 * chord_mm && turn_between(&da, &db) > LARGEST_TURN;
    if height > chord_mm || turns {
        let middle = 0.5 * (a + b);
        halve(curve, (a, middle), chord_mm, (deep - 1, most), out);
        out.push(curve.at(middle).0);
        halve(curve, (middle, b), chord_mm, (deep - 1, most), out);
    }
}

fn turn_between(a: &Vector, b: &Vector) -> f64 {
    math::atan2(a.cross(b).norm(), a.dot(b))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Direction;
    use crate::read::step::bspline::BSplineCurve;
    use crate::read::step::curves::Axes;

    fn circle(from: f64, to: f64, same_sense: bool, closed: bool) -> Edge {
        let curve = Curve::Circle { axes: Axes::new(Point::origin(), Direction::Z, None), radius: 50.0 };
        let places = [curve.at(from).0, curve.at(to).0];
        Edge { ends: [1, if closed { 1 } else { 2 }], places, curve, same_sense }
    }

    #[test]
    fn an_arc_runs_the_way_its_sense_says() {
        // From 0.5 to 1.5 the short way, or back the long way round.
        let short = circle(0.5, 1.5, true, false).sample(0.01, MOST).unwrap();
        let long = circle(0.5, 1.5, false, false).sample(0.01, MOST).unwrap();
        let whole = circle(0.5, 0.5, true, true).sample(0.01, MOST).unwrap();
        // acos(1 - 0.01 / 50) * 2 = 0.0400 rad a step.
        assert_eq!((short.between.len(), long.between.len(), whole.between.len()), (24, 132, 157));
        assert!(short.between.iter().all(|p| p.x > 0.0 && p.y > 0.0));
        assert!((long.between[0] - circle(0.5, 1.5, true, false).curve.at(0.46).0).norm() < 0.1);
        assert!(whole.gap_mm < 1e-12);
        let many = circle(0.5, 0.5, true, true).sample(1e-9, 10_000);
        assert_eq!(many, Err(Unsampled::TooFine));
    }

    #[test]
    fn chords_stay_within_their_error_and_not_far_below() {
        let points =
            (0..7).map(|i| Point::new(f64::from(i) * 5.0, f64::from(i * i % 7), f64::from(i % 3))).collect();
        let knots = vec![0.0, 0.0, 0.0, 0.0, 1.0, 2.0, 3.0, 4.0, 4.0, 4.0, 4.0];
        let curve = Curve::spline(BSplineCurve::new(3, knots, points, None).unwrap());
        let places = [curve.at(0.5).0, curve.at(3.7).0];
        let edge = Edge { ends: [1, 2], places, curve: curve.clone(), same_sense: true };
        for chord in [0.1, 0.01, 0.001] {
            let mut all = vec![places[0]];
            all.extend(edge.sample(chord, MOST).unwrap().between);
            all.push(places[1]);
            let mut worst: f64 = 0.0;
            for w in all.windows(2) {
                for k in 1..20 {
                    let p = w[0] + (w[1] - w[0]) * (f64::from(k) / 20.0);
                    worst = worst.max((curve.at(curve.parameter_of(&p)).0 - p).norm());
                }
            }
            assert!(worst < 1.05 * chord && worst > 0.1 * chord, "{chord}: {worst}");
        }
        // The other sense is the same places turned round.
        let back = Edge { ends: [2, 1], places: [places[1], places[0]], curve, same_sense: false };
        let (mut there, back) =
            (edge.sample(0.01, MOST).unwrap().between, back.sample(0.01, MOST).unwrap().between);
        there.reverse();
        assert_eq!(there, back);
    }
}
