//! Closest points of many points in an order that follows the surface: a group of neighbours goes down the
//! tree once, as one box, and shares the few triangles that it meets.

use super::cursor::Cursor;
use super::descent::STACK;
use super::near::{Near, Span, limit};
use super::node::{self, Child};
use super::{Best, FARTHEST_MM, NO_SLOT, SurfaceTree};
use crate::geometry::{Foot, Point};

/// Most points of a group.
const MOST: usize = 16;
/// Fewer do not repay finding their triangles together.
const LEAST: u32 = 3;
/// A step so many times longer than steps are leads to an outlier or to another place.
const FAR: f64 = 8.0;
/// Where the surface is far off or fine, even few points meet too many triangles; so it will be for a while.
const REST: u32 = 64;

/// Answers for points by their number, fastest for one number after the other. Answers are those of
/// [`SurfaceTree::nearest`], to the bit: a group's triangles are all that any of its points has no further
/// than a guess, and who finds nothing there searches the tree.
pub(in crate::search) struct Groups<'a, P, F> {
    cursor: Cursor<'a>,
    /// The point of a number below `count`.
    point: P,
    count: usize,
    /// Whether a number's point may be met by a triangle.
    facing: F,
    reach_mm: f64,
    near: Near,
    /// Numbers answered last: the first, and each one's foot.
    first: usize,
    len: usize,
    feet: [Option<Foot>; MOST],
    /// Most points of the next group.
    most: usize,
    /// How many points are searched for alone before groups are tried again.
    rest: u32,
    /// Mean of squared steps from point to point.
    step2: f64,
    /// How far feet probably are at most, mm.
    guess: f64,
    open: [Child; STACK],
}

/// Which of the numbers from the first belong together.
struct Members {
    mask: u32,
    len: usize,
    low: Point,
    high: Point,
}

impl<'a, P: Fn(usize) -> Point, F: Fn(usize, [&Point; 3]) -> bool> Groups<'a, P, F> {
    pub(in crate::search) fn new(
        tree: &'a SurfaceTree,
        count: usize,
        point: P,
        facing: F,
        reach_mm: f64,
    ) -> Self {
        Self {
            cursor: tree.cursor(),
            point,
            count,
            facing,
            reach_mm,
            near: Near::new(),
            first: 0,
            len: 0,
            feet: [None; MOST],
            most: MOST,
            rest: 0,
            step2: f64::INFINITY,
            guess: f64::INFINITY,
            open: [Child::node(0); STACK],
        }
    }

    /// The closest point of the surface to the point of a number.
    #[inline(always)]
    pub(in crate::search) fn at(&mut self, number: usize) -> Option<Foot> {
        if number.wrapping_sub(self.first) >= self.len {
            self.answer(number);
        }
        self.feet[(number - self.first) % MOST]
    }

    #[inline(never)]
    fn answer(&mut self, first: usize) {
        self.first = first;
        let tree = self.cursor.tree();
        let searchable = !tree.unbounded && !tree.triangles.is_empty() && self.reach_mm >= 0.0;
        self.rest = self.rest.saturating_sub(1);
        if searchable && self.rest == 0 && self.guess < f64::INFINITY {
            let mut members = self.members(first);
            while members.mask.count_ones() >= LEAST {
                if self.find_near(&members) {
                    self.len = members.len;
                    self.answer_members(&members);
                    return;
                }
                self.most = (members.len / 2).max(1);
                members = self.members(first);
            }
        }
        self.len = 1;
        let p = (self.point)(first);
        let facing = |corners: [&Point; 3]| (self.facing)(first, corners);
        let foot = self.cursor.search(&p, self.reach_mm, facing);
        self.feet[0] = foot;
        if self.most < LEAST as usize {
            (self.most, self.rest) = (LEAST as usize, REST);
        }
        if let Some(foot) = foot {
            let wide = 1.5 * foot.distance;
            self.guess = wide.min(2.0 * self.guess + tree.short);
        }
    }

    /// Points from the first on that lie close together; one alone in between that does not is passed over.
    #[inline(always)]
    fn members(&mut self, first: usize) -> Members {
        let p = (self.point)(first);
        let mut members = Members { mask: 0, len: 1, low: p, high: p };
        if !p.iter().all(|c| c.abs() < FARTHEST_MM) {
            return members;
        }
        members.mask = 1;
        let far2 = FAR * FAR * self.step2;
        let (mut last, mut passed_over) = (p, false);
        let (mut sum, mut steps) = (0.0, 0.0);
        for j in 1..self.most.min(self.count - first) {
            let p = (self.point)(first + j);
            let step2 = (p - last).norm_squared();
            if step2 <= far2 {
                members.mask |= 1 << j;
                members.len = j + 1;
                for k in 0..3 {
                    members.low[k] = if p[k] < members.low[k] { p[k] } else { members.low[k] };
                    members.high[k] = if p[k] > members.high[k] { p[k] } else { members.high[k] };
                }
                (last, passed_over) = (p, false);
                (sum, steps) = (sum + step2, steps + 1.0);
            } else if passed_over {
                break;
            } else {
                passed_over = true;
                if steps == 0.0 && step2 < f64::INFINITY {
                    // Steps may have become longer for good.
                    self.step2 = (4.0 * self.step2).max(1e-3 * step2);
                }
            }
        }
        if steps > 0.0 {
            let mean = sum / steps;
            self.step2 = if self.step2 < f64::INFINITY { 0.75 * self.step2 + 0.25 * mean } else { mean };
        }
        members
    }

    fn radius(&self, members: &Members) -> f64 {
        let wide = 1.25 * self.guess + 0.01 * (members.high - members.low).norm();
        if wide < self.reach_mm { wide } else { self.reach_mm }
    }

    /// Collects every triangle whose box is within the radius of the members'; false when they are too many.
    #[inline(always)]
    fn find_near(&mut self, members: &Members) -> bool {
        let tree = self.cursor.tree();
        let radius = self.radius(members);
        let wide = radius + tree.margin;
        let span = Span { low: members.low.map(|c| c - wide), high: members.high.map(|c| c + wide) };
        let middle = middle(members);
        let probe = tree.probe(&members.low, &members.high);
        let bound = node::limit(radius * radius);
        self.near.clear();
        self.open[0] = Child::node(0);
        let mut depth = 1;
        while depth > 0 {
            depth -= 1;
            let child = self.open[depth % STACK];
            if child.is_leaf() {
                for slot in child.triangles() {
                    if !self.near.add(tree, slot, &span, &middle) {
                        return false;
                    }
                }
                continue;
            }
            let node = &tree.nodes[child.index()];
            let (mut mask, _) = node.near(&probe, bound);
            while mask != 0 {
                self.open[depth % STACK] = node.child(mask.trailing_zeros() as usize);
                depth += 1;
                mask &= mask - 1;
            }
        }
        let size = (members.high - members.low).norm();
        self.near.prepare(size, tree.margin)
    }

    #[inline(always)]
    fn answer_members(&mut self, members: &Members) {
        let tree = self.cursor.tree();
        let radius = self.radius(members);
        let middle = middle(members);
        let none_near = self.near.count() == 0;
        let (mut furthest2, mut missed) = (0.0f64, false);
        for j in 0..members.len {
            let p = (self.point)(self.first + j);
            let facing = |corners: [&Point; 3]| (self.facing)(self.first + j, corners);
            let member = members.mask >> j & 1 != 0;
            if none_near || !p.iter().all(|c| c.abs() < FARTHEST_MM) {
                self.feet[j] = self.cursor.search(&p, self.reach_mm, facing);
                missed |= none_near;
                continue;
            }
            let (least, place) = self.near.ask(std::array::from_fn(|k| (p[k] - middle[k]) as f32));
            let mut best = Best::none(&p, radius);
            if member {
                let mut bound = limit(best.distance2);
                if least <= bound {
                    if tree.test(self.near.slot(place), &p, &mut best, &facing) {
                        bound = limit(best.distance2);
                    }
                    let mut within = self.near.within(bound) & !(1 << place);
                    while within != 0 {
                        let next = within.trailing_zeros() as usize;
                        within &= within - 1;
                        if tree.test(self.near.slot(next), &p, &mut best, &facing) {
                            within &= self.near.within(limit(best.distance2));
                        }
                    }
                }
                if best.slot == NO_SLOT && radius < self.reach_mm {
                    best = self.cursor.from_top(&p, self.near.slot(place), self.reach_mm, &facing);
                    missed = true;
                } else if best.slot != NO_SLOT {
                    furthest2 = furthest2.max(best.distance2);
                }
            } else {
                best = self.cursor.from_top(&p, self.near.slot(place), self.reach_mm, &facing);
            }
            self.feet[j] = best.foot();
        }
        self.guess = if missed {
            2.0 * self.guess + tree.short
        } else {
            (0.8 * self.guess).max(1.25 * furthest2.sqrt())
        };
        let room = self.near.count() <= super::near::MOST / 2;
        self.most = if room { (self.most + 2).min(MOST) } else { self.most };
    }
}

fn middle(members: &Members) -> Point {
    Point::from(members.low.coords * 0.5 + members.high.coords * 0.5)
}
