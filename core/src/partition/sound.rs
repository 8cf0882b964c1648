//! How far the wall of a hole or slot runs straight towards its two ends.
//!
//! A chamfer, a rounded arris, a burr that was pushed into the hole, or material that broke out where the tool left, are no
//! part of the wall, though their points lie nearest to it. They are told by where the wall turns away from its own middle,
//! never by their deviation from the nominal: a wall that lies, leans or is wide otherwise than it should stays whole.
//! What tells where something changes is named at [`sound`]; how it is put together is our own way.

use crate::geometry::Cholesky;

/// A point of a wall as it is looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OnWall {
    /// Where along the turn of the wall, mm.
    pub along_mm: f64,
    /// Where along its axis, mm.
    pub deep_mm: f64,
    /// Signed distance from the nominal wall, mm.
    pub off_mm: f64,
    /// The two parts across the axis of the nominal's unit normal there.
    pub across: [f64; 2],
}

/// The wall that is looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wall {
    /// Length of its turn, mm.
    pub turn_mm: f64,
    /// Where along the axis the points begin and end, mm.
    pub deep_mm: [f64; 2],
    /// What of that at either end scanners may have rounded, mm: there nothing that turns away is tolerated.
    pub strip_mm: f64,
    /// Spacing of its points, mm.
    pub spacing_mm: f64,
    /// Least standard deviation of their noise, mm.
    pub noise_mm: f64,
}

/// What scanners round at both ends of a wall, mm: a tenth of its depth, at least 0.3 mm, at most a quarter (common practice, no
/// source).
pub fn strip_mm(depth_mm: f64) -> f64 {
    (0.1 * depth_mm).max(0.3).min(0.25 * depth_mm)
}

/// A wall keeps its form to within this, mm; what turns away by less does not matter (common practice, no source).
const STRAIGHT_MM: f64 = 0.03;

/// What turns away lies anywhere within this of the wall, mm: a point is likelier there than on the wall from some 2.5 standard
/// deviations of noise on.
const WITHIN_MM: f64 = 1.0;

/// No point tells more than this for itself (natural logarithm of likelihoods), so that a stray in the middle condemns nothing
/// beyond it.
const MOST: f64 = 3.0;

/// By so much (natural logarithm) it must be likelier that a part of the wall turns away than that it does not.
const LIKELIER: f64 = 2.0;

/// What turns away at 45 degrees began to do so as much deeper as it is off: by at least so many standard deviations, before which it
/// does not stand out, and by no more than so much, mm, since what breaks off steeply is off by more at once.
const STANDS_OUT: f64 = 2.5;
const FURTHEST_MM: f64 = 0.3;

/// A point this many standard deviations off the wall by itself is none of it; beside a part that turns away one this many.
const ALONE: f64 = 3.5;
const BESIDE: f64 = 2.0;

/// Half the square of the standard errors by which a mean must be off: in the strip of a sector, in that of the whole turn, and
/// anywhere of the whole turn (two and a half, two and a quarter, three and a half; one of many places is off by chance).
const OFF_SECTOR: f64 = 3.1;
const OFF_STRIP: f64 = 2.5;
const OFF_RING: f64 = 6.0;

/// Sectors in which strips are looked at.
const SECTORS: usize = 8;

/// The middle part of the depth, by which the rest is held: a quarter stays at each end for what is no wall.
const MIDDLE: f64 = 0.5;

/// The core of the depth that is never left out.
const CORE: f64 = 0.2;

/// Fewer points in the middle of a part of the turn tell nothing of its ends.
const LEAST: usize = 4;

/// Fewer points in the middle of all tell nothing.
const LEAST_OF_ALL: usize = 12;

/// Sums of a mean.
#[derive(Clone, Copy, Default)]
struct Mean {
    n: f64,
    sum: f64,
}

impl Mean {
    fn add(&mut self, x: f64) {
        self.n += 1.0;
        self.sum += x;
    }

    fn value(self) -> f64 {
        self.sum / self.n.max(1.0)
    }
}

/// Where the points of a wall lie on it.
struct Laid {
    parts: usize,
    /// Of each point its part of the turn, on which side of the middle it lies, and how far from it, mm.
    part: Vec<usize>,
    side: Vec<usize>,
    away: Vec<f64>,
    /// Up to here it is the middle, up to there the core, and from there on the strip, mm from the middle.
    middle_mm: f64,
    core_mm: f64,
    strip_from_mm: f64,
}

impl Laid {
    fn new(points: &[OnWall], wall: &Wall) -> Self {
        let [low, high] = wall.deep_mm;
        let (depth, middle) = (high - low, 0.5 * (low + high));
        let parts = (wall.turn_mm / (4.0 * wall.spacing_mm).max(2.0)).floor().clamp(4.0, 360.0) as usize;
        let part = |p: &OnWall| {
            let share = (p.along_mm / wall.turn_mm).rem_euclid(1.0);
            ((share * parts as f64) as usize).min(parts - 1)
        };
        let inner = (depth - 2.0 * wall.strip_mm).max(0.0);
        Self {
            parts,
            part: points.iter().map(part).collect(),
            side: points.iter().map(|p| usize::from(p.deep_mm > middle)).collect(),
            away: points.iter().map(|p| (p.deep_mm - middle).abs()).collect(),
            middle_mm: 0.5 * MIDDLE * inner,
            core_mm: 0.5 * CORE * inner,
            strip_from_mm: 0.5 * inner,
        }
    }

    /// Those of some points that lie beyond `from_mm` on one side, from the outermost on.
    fn outermost_first(&self, among: impl Iterator<Item = usize>, side: usize, from_mm: f64) -> Vec<usize> {
        let mut found: Vec<usize> =
            among.filter(|&i| self.side[i] == side && self.away[i] > from_mm).collect();
        found.sort_by(|&a, &b| self.away[b].total_cmp(&self.away[a]).then(a.cmp(&b)));
        found
    }
}

/// Which points lie where the wall runs straight; all of them where there are too few to tell.
///
/// Part by part of the turn the depth from which on it is likelier that the wall has turned away: the largest sum from the end
/// inwards of the logarithms of likelihoods (cumulative sums: Page, "Continuous inspection schemes", Biometrika 41, 1954). Then,
/// of what is left, all round together and in the strips sector by sector, the same of a shifted mean (Hinkley, "Inference
/// about the change-point in a sequence of random variables", Biometrika 57, 1970). Both from memory.
pub fn sound(points: &[OnWall], wall: &Wall) -> Vec<bool> {
    let [low, high] = wall.deep_mm;
    let depth = high - low;
    let all = vec![true; points.len()];
    let good = depth > 0.0 && wall.turn_mm > 0.0 && wall.spacing_mm >= 0.0 && wall.strip_mm >= 0.0;
    if !(good && points.len() >= 24) {
        return all;
    }
    let laid = Laid::new(points, wall);
    // What may turn away draws nothing at first.
    let mut keep: Vec<bool> = laid.away.iter().map(|away| *away <= laid.middle_mm).collect();
    if keep.iter().filter(|k| **k).count() < LEAST_OF_ALL {
        return all;
    }
    for _ in 0..6 {
        let Some(rest) = leftover(points, &keep, [0.5 * (low + high), depth]) else { return all };
        let Some((rest, noise)) = without_form(&laid, &keep, &rest, wall.noise_mm) else { return all };
        let mut next = by_parts(&laid, &rest, noise);
        by_means(&laid, &rest, noise, &mut next);
        let same = next == keep;
        keep = next;
        if same {
            break;
        }
    }
    keep
}

/// What is left over without what the middle of each part of the turn is off by, and the noise, mm; `None` where too few points
/// lie in the middle. How a wall is formed along its turn is no end of it. Of each part that much counts as the parts differ by
/// more than by their noise (James and Stein's way of shrinking means, 1961, from memory).
fn without_form(laid: &Laid, keep: &[bool], rest: &[f64], least_mm: f64) -> Option<(Vec<f64>, f64)> {
    let central: Vec<usize> =
        (0..rest.len()).filter(|&i| keep[i] && laid.away[i] <= laid.middle_mm).collect();
    let mut own = vec![Mean::default(); laid.parts];
    central.iter().for_each(|&i| own[laid.part[i]].add(rest[i]));
    let mut sizes: Vec<f64> = central.iter().map(|&i| (rest[i] - own[laid.part[i]].value()).abs()).collect();
    if sizes.len() < 2 * LEAST {
        return None;
    }
    let half = sizes.len() / 2;
    let scatter = 1.482_602_218_505_602 * *sizes.select_nth_unstable_by(half, f64::total_cmp).1;
    let noise = scatter.max(least_mm).max(1e-9);
    let told = || own.iter().filter(|m| m.n > 0.0);
    let beyond: f64 = told().map(|m| m.value() * m.value() - noise * noise / m.n).sum();
    let form = (beyond / told().count().max(1) as f64).max(0.0);
    let of = |m: &Mean| if m.n > 0.0 { m.value() * form / (form + noise * noise / m.n) } else { 0.0 };
    let form: Vec<f64> = own.iter().map(of).collect();
    Some((rest.iter().enumerate().map(|(i, r)| r - form[laid.part[i]]).collect(), noise))
}

/// Which points are left when each part of the turn is cut where it turns away.
fn by_parts(laid: &Laid, rest: &[f64], noise: f64) -> Vec<bool> {
    let tolerated = STRAIGHT_MM / STANDS_OUT;
    let tell = (noise * noise + tolerated * tolerated).sqrt();
    let even = crate::geometry::math::ln((WITHIN_MM / (tell * (2.0 * std::f64::consts::PI).sqrt())).max(1.0));
    let score = |i: usize| (0.5 * rest[i] * rest[i] / (tell * tell) - even).min(MOST);
    let mut of_part = vec![Vec::new(); laid.parts];
    let mut middle = vec![0usize; laid.parts];
    for i in 0..rest.len() {
        of_part[laid.part[i]].push(i);
        middle[laid.part[i]] += usize::from(laid.away[i] <= laid.middle_mm);
    }
    let cut = |k: usize, side: usize| -> f64 {
        if middle[k] < LEAST {
            return f64::INFINITY;
        }
        let (mut sum, mut best, mut from) = (0.0, LIKELIER, f64::INFINITY);
        let guard = STANDS_OUT * tell;
        for i in laid.outermost_first(of_part[k].iter().copied(), side, laid.core_mm) {
            sum += score(i);
            if sum > best {
                best = sum;
                from = laid.away[i] - rest[i].abs().clamp(guard, guard.max(FURTHEST_MM));
            }
        }
        from.max(laid.core_mm)
    };
    let cuts: Vec<[f64; 2]> = (0..laid.parts).map(|k| [cut(k, 0), cut(k, 1)]).collect();
    let kept = |i: usize| {
        let (k, side, away) = (laid.part[i], laid.side[i], laid.away[i]);
        if away <= laid.core_mm {
            return true;
        }
        let near = [(k + laid.parts - 1) % laid.parts, (k + 1) % laid.parts];
        let beside = near.into_iter().any(|n| away >= cuts[n][side]);
        away < cuts[k][side] && rest[i].abs() <= tell * if beside { BESIDE } else { ALONE }
    };
    (0..rest.len()).map(kept).collect()
}

/// Takes out of `keep` what is off by its mean: of the strips sector by sector and all round, and beyond what is tolerated of
/// the whole depth all round.
fn by_means(laid: &Laid, rest: &[f64], noise: f64, keep: &mut [bool]) {
    let cut = |list: &[usize], least: f64, least_mm: f64| -> f64 {
        let (mut sum, mut best, mut from) = (Mean::default(), least, f64::INFINITY);
        for &i in list {
            sum.add(rest[i]);
            let off = 0.5 * sum.sum * sum.sum / (sum.n * noise * noise);
            if off > best && sum.value().abs() > least_mm {
                (best, from) = (off, laid.away[i]);
            }
        }
        from
    };
    for side in [0, 1] {
        for sector in 0..SECTORS {
            let of_sector = |i: &usize| keep[*i] && laid.part[*i] * SECTORS / laid.parts == sector;
            let list = laid.outermost_first((0..rest.len()).filter(of_sector), side, laid.strip_from_mm);
            let from = cut(&list, OFF_SECTOR, 0.0);
            list.iter().filter(|&&i| laid.away[i] >= from).for_each(|&i| keep[i] = false);
        }
        for (begin, least, least_mm) in
            [(laid.strip_from_mm, OFF_STRIP, 0.0), (laid.core_mm, OFF_RING, STRAIGHT_MM)]
        {
            let list = laid.outermost_first((0..rest.len()).filter(|&i| keep[i]), side, begin);
            let from = cut(&list, least, least_mm);
            list.iter().filter(|&&i| laid.away[i] >= from).for_each(|&i| keep[i] = false);
        }
    }
}

/// What is left of the distances without size, place, lean and taper of the wall, by least squares on the kept points.
fn leftover(points: &[OnWall], keep: &[bool], [middle, depth]: [f64; 2]) -> Option<Vec<f64>> {
    let row = |p: &OnWall| {
        let t = (p.deep_mm - middle) / depth;
        let [x, y] = p.across;
        [1.0, x, y, t, t * x, t * y]
    };
    let mut m = [[0.0; 6]; 6];
    let mut right = [0.0; 6];
    for (p, _) in points.iter().zip(keep).filter(|(_, k)| **k) {
        let r = row(p);
        for i in 0..6 {
            for j in 0..6 {
                m[i][j] += r[i] * r[j];
            }
            right[i] += r[i] * p.off_mm;
        }
    }
    // What part of the turn was seen may leave some of them open: a little is asked of all to be small.
    let whole = m[0][0];
    for (i, line) in m.iter_mut().enumerate() {
        line[i] += 1e-6 * whole;
    }
    let found = Cholesky::new(&m)?.solve(&right);
    Some(
        points
            .iter()
            .map(|p| p.off_mm - row(p).iter().zip(&found).map(|(a, b)| a * b).sum::<f64>())
            .collect(),
    )
}

#[cfg(test)]
#[path = "sound_tests.rs"]
mod tests;
