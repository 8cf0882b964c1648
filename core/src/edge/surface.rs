//! The end of a skin by its own points alone.
//!
//! Where the scanner took points in rows, every place one step beyond a point is either taken or not. The end lies beyond
//! the places that were taken and before those that were not, so with an even prior it is anywhere between the last of the
//! ones and the first of the others: the mean of that interval is told, its standard deviation is a twelfth of its width
//! squared under the root (JCGM 101:2008, 6.4.2). With one row along the edge the interval is a whole step; with n rows that
//! end at the edge anywhere within a step s it is what Pitman's estimator makes of n last points (midrange: variance
//! s^2 / (2 (n + 1) (n + 2)); Pitman, Biometrika 30, 1939, from memory). A place that drop-out left empty lies before the
//! end with the share of empty places further in as its probability, so that one gap moves the end little.
//!
//! Points in no order tell it by their gaps: cut anywhere further in, they show how far from a cut the last point lies.

use std::collections::BTreeSet;

use super::frames::{Frames, Here};
use super::pattern::{Pattern, Shown, pattern};
use crate::geometry::{Point, math};
use crate::search::PointGrid;

/// A point of a skin, in its plane about the station.
#[derive(Clone, Copy, Debug)]
pub(super) struct Of {
    /// Along the edge and out of the material from the station's nominal place, mm.
    pub(super) place: [f64; 2],
    /// Along the line, mm.
    pub(super) along_mm: f64,
    /// Out of the nominal edge, mm.
    pub(super) out_mm: f64,
    /// Above the skin as it was fitted, mm.
    pub(super) level_mm: f64,
    /// Whether the scan's own mesh ends there.
    pub(super) border: bool,
}

/// Where a skin ends at a station.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct End {
    /// Out of the nominal edge, mm.
    pub(super) out_mm: f64,
    pub(super) standard_mm: f64,
    /// Over what length of the edge the error is the same, mm; 0 for none beyond the station.
    pub(super) common_mm: f64,
    /// Whether the border of the scan's own mesh told it.
    pub(super) by_border: bool,
    /// Points that it rests on.
    pub(super) points: usize,
}

/// What came of looking for the end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Ends {
    At(End),
    /// The skin goes on as far as it is looked at.
    Beyond,
    /// The skin was seen and stops further inside than the edge is looked for.
    Short,
    /// Nothing was seen.
    Unseen,
}

/// A station and the part of the edge that it stands for.
pub(super) struct Window<'a> {
    pub(super) here: &'a Here,
    pub(super) frames: &'a Frames,
    pub(super) from_mm: f64,
    pub(super) to_mm: f64,
    /// How far inside its nominal place the end may lie, and how far outside it is looked for, mm.
    pub(super) inside_mm: f64,
    pub(super) outside_mm: f64,
    /// Noise of the points, mm.
    pub(super) noise_mm: f64,
    /// Spacing of the scan, mm.
    pub(super) spacing_mm: f64,
    /// Whether the scan has a mesh of its own.
    pub(super) meshed: bool,
}

/// Probability of a point where there is no surface.
const STRAY: f64 = 1e-4;

/// Share of empty places inside, at least and at most.
const EMPTY: [f64; 2] = [0.01, 0.5];

/// Fewer points of a station in no order do not tell their gaps.
const LEAST_ANYHOW: usize = 6;

/// A place is taken when a point lies within this share of the spacing.
const TAKEN: f64 = 0.3;

/// The end lies no further beyond the last point than this many spacings: four rows would have to be missing.
const BEYOND: f64 = 4.0;

/// Rows count as running along the edge up to this length, mm.
const LONGEST_MM: f64 = 1e5;

impl Window<'_> {
    fn holds(&self, along_mm: f64) -> bool {
        along_mm >= self.from_mm && along_mm < self.to_mm
    }

    /// Where the skin ends, by its points about the station.
    pub(super) fn end(&self, points: &[Of]) -> Ends {
        let own: Vec<&Of> = points.iter().filter(|p| self.holds(p.along_mm)).collect();
        if own.is_empty() {
            return Ends::Unseen;
        }
        let top = own.iter().map(|p| p.out_mm).fold(f64::NEG_INFINITY, f64::max);
        if top > self.outside_mm - 2.0 * self.spacing_mm {
            return Ends::Beyond;
        }
        let places: Vec<[f64; 2]> = points.iter().map(|p| p.place).collect();
        let [mut least, mut most] = [[f64::INFINITY; 2], [f64::NEG_INFINITY; 2]];
        for p in &places {
            for k in 0..2 {
                least[k] = least[k].min(p[k]);
                most[k] = most[k].max(p[k]);
            }
        }
        let margin = 1.8 * self.spacing_mm;
        let inner = |i: usize| {
            let p = &points[i];
            p.place[0] > least[0] + margin
                && p.place[0] < most[0] - margin
                && p.place[1] > least[1] + margin
                && p.out_mm < top - margin
        };
        let found = match pattern(&places, inner) {
            Shown::Rows(rows) => self.by_rows(points, &places, &rows, top),
            Shown::Anyhow(_) | Shown::TooFew if self.meshed => {
                by_border(&own, self.spacing_mm).or_else(|| anyhow(&own))
            }
            Shown::Anyhow(_) => anyhow(&own),
            Shown::TooFew => None,
        };
        let Some(mut end) = found else { return Ends::Unseen };
        self.correct(&own, top, &mut end);
        if !(end.standard_mm.is_finite() && end.out_mm.is_finite()) {
            return Ends::Unseen;
        }
        if end.out_mm < -self.inside_mm {
            return Ends::Short;
        }
        Ends::At(end)
    }

    /// What a rounding of the edge and noise within the skin do. Where the last points fall below the skin they lie on a
    /// rounding; followed to its middle, where it has turned by half a right angle, it falls as far as it then falls short of the
    /// arris, r (1 - cos 45) = r (1 - sin 45): so much is added, with half of it as its uncertainty, since how far a
    /// scanner follows a rounding is not known.
    fn correct(&self, own: &[&Of], top: f64, end: &mut End) {
        let last = own.iter().filter(|p| p.out_mm > top - 0.5 * self.spacing_mm);
        let (mut n, mut sum) = (0.0, 0.0);
        for p in last {
            n += 1.0;
            sum += p.level_mm;
        }
        let mut variance = end.standard_mm * end.standard_mm;
        if n > 0.0 {
            let fall = -sum / n;
            if fall > 3.0 * self.noise_mm / n.sqrt() {
                end.out_mm += fall;
                variance += 0.25 * fall * fall;
            }
            // Noise along the skin moves its last points too; it is taken to be as large as that across.
            variance += self.noise_mm * self.noise_mm / n;
        }
        end.standard_mm = variance.sqrt();
    }

    fn by_rows(&self, points: &[Of], places: &[[f64; 2]], rows: &Pattern, top: f64) -> Option<End> {
        let spacing = rows.spacing_mm;
        let flat: Vec<Point> = places.iter().map(|p| Point::new(p[0], p[1], 0.0)).collect();
        let grid = PointGrid::new(&flat, spacing);
        let near_end = |p: &Of| p.out_mm > top - 3.0 * spacing;
        let taken: Vec<f64> =
            points.iter().filter(|p| self.holds(p.along_mm) && near_end(p)).map(|p| p.out_mm).collect();
        // From the last points outwards, step by step, as far as could be thought of.
        let last = |p: &Of| !self.meshed || p.border;
        let mut open: Vec<[f64; 2]> =
            points.iter().zip(places).filter(|(p, _)| near_end(p) && last(p)).map(|(_, at)| *at).collect();
        let mut empty = Empty::new(TAKEN * spacing);
        let here = self.here;
        let far = self.inside_mm + self.outside_mm + 20.0 * spacing;
        while let Some(at) = open.pop() {
            for step in rows.steps {
                for sign in [1.0, -1.0] {
                    let q = [at[0] + sign * step[0], at[1] + sign * step[1]];
                    let flat = Point::new(q[0], q[1], 0.0);
                    if empty.has(q) || grid.nearest(&flat, TAKEN * spacing, None).is_some() {
                        continue;
                    }
                    let there = here.place + here.along * q[0] + here.out * q[1];
                    let Some(on) = self.frames.nearest(&there, far) else { continue };
                    let out = (there - on.place).dot(&on.out);
                    let beside = (on.along_mm - here.along_mm).abs() - 0.5 * (self.to_mm - self.from_mm);
                    if on.run != here.run
                        || beside > 2.0 * spacing
                        || out <= top - 3.0 * spacing
                        || out > top + BEYOND * spacing
                    {
                        continue;
                    }
                    empty.add(q, self.holds(on.along_mm).then_some(out));
                    open.push(q);
                }
            }
        }
        let share = (1.0 - rows.filled).clamp(EMPTY[0], EMPTY[1]);
        let high = self.outside_mm.min(top + BEYOND * spacing);
        let (out_mm, standard_mm) = between(&taken, &empty.outs, share, [-self.inside_mm - spacing, high])?;
        let common_mm = common_mm(rows);
        let common_mm = if common_mm > self.to_mm - self.from_mm { common_mm } else { 0.0 };
        Some(End { out_mm, standard_mm, common_mm, by_border: self.meshed, points: taken.len() })
    }
}

/// Places at which a point would have been taken if there were a surface, each once.
struct Empty {
    cell_mm: f64,
    cells: BTreeSet<[i64; 2]>,
    /// How far out those of the station lie, mm.
    outs: Vec<f64>,
}

impl Empty {
    fn new(apart_mm: f64) -> Self {
        Self { cell_mm: apart_mm, cells: BTreeSet::new(), outs: Vec::new() }
    }

    fn cell(&self, q: [f64; 2]) -> [i64; 2] {
        q.map(|c| (c / self.cell_mm).round() as i64)
    }

    /// Whether there is one about as near as a cell.
    fn has(&self, q: [f64; 2]) -> bool {
        let [x, y] = self.cell(q);
        (x - 1..=x + 1).any(|x| (y - 1..=y + 1).any(|y| self.cells.contains(&[x, y])))
    }

    fn add(&mut self, q: [f64; 2], out_mm: Option<f64>) {
        self.cells.insert(self.cell(q));
        self.outs.extend(out_mm);
    }
}

/// Mean and standard deviation of where the end lies between places that are taken and places that are empty, with an even
/// prior between two bounds; a place before the end is empty with the probability `share`.
fn between(taken: &[f64], empty: &[f64], share: f64, [low, high]: [f64; 2]) -> Option<(f64, f64)> {
    let mut events: Vec<(f64, f64)> = Vec::with_capacity(taken.len() + empty.len());
    // What the logarithm of the likelihood gains when the end moves beyond a place.
    let of_taken = math::ln((1.0 - share) / STRAY);
    let of_empty = math::ln(share);
    events.extend(taken.iter().map(|t| (*t, of_taken)));
    events.extend(empty.iter().map(|t| (*t, of_empty)));
    events.retain(|e| e.0 > low && e.0 < high);
    events.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let mut pieces = Vec::with_capacity(events.len() + 1);
    let (mut from, mut level, mut best) = (low, 0.0, f64::NEG_INFINITY);
    for (at, gain) in events.iter().copied().chain([(high, 0.0)]) {
        if at > from {
            pieces.push((from, at, level));
            best = f64::max(best, level);
        }
        (from, level) = (at, level + gain);
    }
    let (mut mass, mut moment, mut square) = (0.0, 0.0, 0.0);
    for (a, b, level) in pieces {
        let weight = math::exp(level - best) * (b - a);
        let middle = 0.5 * (a + b);
        mass += weight;
        moment += weight * middle;
        square += weight * (middle * middle + (b - a) * (b - a) / 12.0);
    }
    if !(mass > 0.0) {
        return None;
    }
    let mean = moment / mass;
    Some((mean, (square / mass - mean * mean).max(0.0).sqrt()))
}

/// Along what length of the edge the rows that run most along it come nearer to it by one row, mm.
fn common_mm(rows: &Pattern) -> f64 {
    let [a, b] = rows.steps;
    let all = [a, b, [a[0] + b[0], a[1] + b[1]], [a[0] - b[0], a[1] - b[1]]];
    let length = |v: &[f64; 2]| (v[0] * v[0] + v[1] * v[1]).sqrt();
    let lean = |v: &[f64; 2]| v[1].abs() / length(v);
    let flattest = all.iter().min_by(|v, w| lean(v).total_cmp(&lean(w))).unwrap_or(&all[0]);
    let pitch = (a[0] * b[1] - a[1] * b[0]).abs() / length(flattest);
    let run = pitch * flattest[0].abs() / flattest[1].abs().max(1e-12);
    if run.is_finite() { run.min(LONGEST_MM) } else { LONGEST_MM }
}

/// By the gaps between points in no order: cut at a random place, the last point before the cut lies g / 2 from it within
/// a gap g, and a gap is met with a probability that grows with g; so the mean distance is the sum of g^2 over twice that of g,
/// the mean square the sum of g^3 over three times it (the waiting time of renewal theory: Feller, An Introduction to
/// Probability Theory II, 1971, XI.4, from memory).
fn anyhow(own: &[&Of]) -> Option<End> {
    let mut outs: Vec<f64> = own.iter().map(|p| p.out_mm).collect();
    if outs.len() < LEAST_ANYHOW {
        return None;
    }
    outs.sort_by(|a, b| b.total_cmp(a));
    let (mut one, mut two, mut three) = (0.0, 0.0, 0.0);
    for pair in outs.windows(2) {
        let gap = pair[0] - pair[1];
        one += gap;
        two += gap * gap;
        three += gap * gap * gap;
    }
    if !(one > 0.0) {
        return None;
    }
    let (mean, square) = (two / (2.0 * one), three / (3.0 * one));
    let standard_mm = (square - mean * mean).max(0.0).sqrt();
    Some(End { out_mm: outs[0] + mean, standard_mm, common_mm: 0.0, by_border: false, points: outs.len() })
}

/// By the vertices at which the scan's own mesh ends. They are the last points of rows, so they lie anywhere within one
/// step before the end: where they spread over less than a spacing, Pitman's interval of a known step; over more, the unbiased
/// estimate of the end of an even distribution of unknown width, largest + range / (n - 1) (Johnson, Kotz and Balakrishnan,
/// Continuous Univariate Distributions 2, 1995, 26.5, from memory).
fn by_border(own: &[&Of], spacing_mm: f64) -> Option<End> {
    let outs: Vec<f64> = own.iter().filter(|p| p.border).map(|p| p.out_mm).collect();
    if outs.is_empty() {
        return None;
    }
    let low = outs.iter().copied().fold(f64::INFINITY, f64::min);
    let high = outs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let n = outs.len() as f64;
    let (out_mm, standard_mm) = if high - low <= spacing_mm {
        (0.5 * (high + low + spacing_mm), (spacing_mm - (high - low)) / 12f64.sqrt())
    } else if outs.len() >= 3 {
        let share = (high - low) / (n - 1.0);
        (high + share, share * (n / (n + 1.0)).max(0.5))
    } else {
        return None;
    };
    Some(End { out_mm, standard_mm, common_mm: 0.0, by_border: true, points: outs.len() })
}

#[cfg(test)]
#[path = "surface_tests.rs"]
mod tests;
