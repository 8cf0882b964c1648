//! Which points of a window make a group: neighbours, without strays.

use super::in_range;
use super::window::Window;
use crate::geometry::Point;

/// A step so many times longer than steps are ends a group of enough points ...
const TURN: f64 = 3.5;
const ENOUGH: usize = 6;
/// ... and one so much longer any group: it leads to a stray or to another place.
const FAR: f64 = 5.0;
/// A member that stands off the plane of the surface met last by so many steps and guesses is a stray.
const STRAY: f64 = 2.0;

/// Which of the points from the first belong together.
pub(super) struct Members {
    pub(super) mask: u32,
    /// From the first to the last of them, those between that do not belong included.
    pub(super) len: usize,
    pub(super) low: Point,
    pub(super) high: Point,
}

impl Members {
    #[inline(always)]
    fn add(&mut self, p: &Point) {
        for k in 0..3 {
            self.low[k] = if p[k] < self.low[k] { p[k] } else { self.low[k] };
            self.high[k] = if p[k] > self.high[k] { p[k] } else { self.high[k] };
        }
    }

    pub(super) fn middle(&self) -> Point {
        Point::from(self.low.coords * 0.5 + self.high.coords * 0.5)
    }
}

/// How long steps from point to point are.
pub(super) struct Steps {
    /// Mean of their squares.
    mean2: f64,
}

impl Steps {
    pub(super) fn unknown() -> Self {
        Self { mean2: f64::INFINITY }
    }

    /// At most so many points from one on that lie close together; one alone in between that does not is
    /// passed over.
    #[inline(always)]
    pub(super) fn members(&mut self, window: &Window, at: usize, most: usize) -> Members {
        let points = &window.points[at..];
        let points = &points[..points.len().min(most)];
        let (turn2, far2) = (TURN * TURN * self.mean2, FAR * FAR * self.mean2);
        let apart = |i: usize, j: usize| (points[j] - points[i]).norm_squared();
        // One that the next ones do not follow stands alone: a stray, or the last of another place.
        let stray = |j: usize| window.stray(at + j);
        let mut first = (0..points.len()).find(|&j| !stray(j)).unwrap_or(0);
        let next = |j: usize| (j + 1..points.len()).find(|&j| !stray(j));
        if let Some(second) = next(first)
            && !(apart(first, second) <= far2)
            && next(second).is_some_and(|third| apart(second, third) <= turn2)
        {
            first = second;
        }
        let p = points[first];
        let mut members = Members { mask: 0, len: first + 1, low: p, high: p };
        if !in_range(&p) {
            return members;
        }
        members.mask = 1 << first;
        let mut last = first;
        let (mut sum, mut steps, mut longer) = (0.0, 0.0, 0.0f64);
        for j in first + 1..points.len() {
            if stray(j) {
                continue;
            }
            let step2 = apart(last, j);
            if step2 <= turn2 || (j < ENOUGH && step2 <= far2) {
                members.mask |= 1 << j;
                members.len = j + 1;
                members.add(&points[j]);
                last = j;
                (sum, steps) = (sum + step2, steps + 1.0);
            } else if next(j).is_none_or(|next| !(apart(last, next) <= turn2)) {
                if steps == 0.0 && step2 < f64::INFINITY {
                    // Steps may have become longer for good.
                    longer = step2;
                }
                break;
            }
        }
        if longer > 0.0 {
            self.mean2 = (4.0 * self.mean2).max(1e-3 * longer);
        }
        if steps > 0.0 {
            let mean = sum / steps;
            self.mean2 = if self.mean2 < f64::INFINITY { 0.75 * self.mean2 + 0.25 * mean } else { mean };
        }
        members
    }

    /// Leaves out the few members that stand off the plane of a triangle met last, if the surface goes on here.
    /// `guess` is how far feet probably are.
    #[inline(always)]
    pub(super) fn leave_out_strays(
        &self,
        window: &Window,
        at: usize,
        [a, b, c]: [&Point; 3],
        guess: f64,
        members: &mut Members,
    ) {
        let n = (b - a).cross(&(c - a));
        let length2 = n.norm_squared();
        if !(length2 > 0.0) {
            return;
        }
        let far2 = (STRAY * STRAY) * (guess * guess + self.mean2) * length2;
        let points = &window.points[at..at + members.len];
        let mut strays = 0;
        for (j, p) in points.iter().enumerate() {
            let off = n.dot(&(p - a));
            strays |= u32::from(off * off > far2) << j;
        }
        strays &= members.mask;
        if strays == 0 || strays.count_ones() * 4 > members.mask.count_ones() {
            return;
        }
        members.mask &= !strays;
        members.low = Point::origin().map(|_| f64::INFINITY);
        members.high = -members.low;
        for (j, p) in points.iter().enumerate() {
            if members.mask >> j & 1 != 0 {
                members.add(p);
            }
        }
    }
}
