//! Closest points of many points: a group of neighbours goes down the tree once, as one box, and shares the
//! few triangles that it meets.

use super::descent::{STACK, Stack, empty_stack};
use super::near::{Near, Span, limit};
use super::node::{self, Child};
use super::window::Window;
use super::{Best, FARTHEST_MM, NO_SLOT, SurfaceTree};
use crate::geometry::{Foot, Point};

/// Points that are put in order together.
const WINDOW: usize = 1024;
/// Most points of a group.
const MOST: usize = 16;
/// Fewer do not repay finding their triangles together.
const LEAST: u32 = 3;
/// A step so many times longer than steps are leads to an outlier or to another place.
const FAR: f64 = 8.0;
/// Where the surface is far off or fine, even few points meet too many triangles; so it will be for a while.
const REST: u32 = 64;

/// Answers for points by their number, for one number after the other. Answers are those of
/// [`SurfaceTree::nearest`], to the bit: a group's triangles are all that any of its points has no further
/// than a guess, and who finds nothing there searches the tree.
pub(in crate::search) struct Groups<'a, P, F> {
    tree: &'a SurfaceTree,
    /// The point of a number below `count`.
    point: P,
    count: usize,
    /// Whether a number's point may be met by a triangle.
    facing: F,
    reach_mm: f64,
    window: Window,
    near: Near,
    /// The first number of the window, and the feet of its numbers.
    first: usize,
    feet: Vec<Option<Foot>>,
    /// A triangle met lately.
    slot: usize,
    /// Most points of the next group.
    most: usize,
    /// How many points are searched for alone before groups are tried again.
    rest: u32,
    /// Mean of squared steps from point to point.
    step2: f64,
    /// How far feet probably are at most, mm.
    guess: f64,
    open: [Child; STACK],
    stack: Stack,
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
            tree,
            point,
            count,
            facing,
            reach_mm,
            window: Window::default(),
            near: Near::new(),
            first: 0,
            feet: Vec::new(),
            slot: 0,
            most: MOST,
            rest: 0,
            step2: f64::INFINITY,
            guess: f64::INFINITY,
            open: [Child::node(0); STACK],
            stack: empty_stack(),
        }
    }

    /// The closest point of the surface to the point of a number.
    #[inline(always)]
    pub(in crate::search) fn at(&mut self, number: usize) -> Option<Foot> {
        if number.wrapping_sub(self.first) >= self.feet.len() {
            self.answer(number);
        }
        self.feet[number - self.first]
    }

    #[inline(never)]
    fn answer(&mut self, first: usize) {
        self.first = first;
        self.window.fill((first..self.count.min(first + WINDOW)).map(&self.point));
        self.feet.clear();
        self.feet.resize(self.window.places.len(), None);
        let tree = self.tree;
        if tree.triangles.is_empty() || !(self.reach_mm >= 0.0) {
            return;
        }
        let mut at = 0;
        while at < self.feet.len() {
            at += if tree.unbounded { self.alone(at) } else { self.together(at) };
        }
    }

    /// Answers a group; returns how many points it has.
    #[inline(always)]
    fn together(&mut self, at: usize) -> usize {
        self.rest = self.rest.saturating_sub(1);
        if self.rest > 0 || self.guess == f64::INFINITY {
            return self.alone(at);
        }
        let mut members = self.members(at);
        while members.mask.count_ones() >= LEAST {
            if self.find_near(&members) {
                self.answer_members(at, &members);
                return members.len;
            }
            self.most = (members.len / 2).max(1);
            members = self.members(at);
        }
        if self.most < LEAST as usize {
            (self.most, self.rest) = (LEAST as usize, REST);
        }
        self.alone(at)
    }

    fn alone(&mut self, at: usize) -> usize {
        let (p, place) = (self.window.points[at], self.window.places[at] as usize);
        let facing = |corners: [&Point; 3]| (self.facing)(self.first + place, corners);
        if self.tree.unbounded || !in_range(&p) {
            self.feet[place] = self.tree.search_all(&p, self.reach_mm, &facing).foot();
            return 1;
        }
        let best = self.tree.best_from_top(&p, self.slot, self.reach_mm, &mut self.stack, &facing);
        if best.slot != NO_SLOT {
            self.slot = best.slot;
            let wide = 1.5 * best.distance2.sqrt();
            self.guess = wide.min(2.0 * self.guess + self.tree.short);
        }
        self.feet[place] = best.foot();
        1
    }

    /// Points from the first on that lie close together; one alone in between that does not is passed over.
    #[inline(always)]
    fn members(&mut self, at: usize) -> Members {
        let points = &self.window.points[at..];
        let p = points[0];
        let mut members = Members { mask: 0, len: 1, low: p, high: p };
        if !in_range(&p) {
            return members;
        }
        members.mask = 1;
        let far2 = FAR * FAR * self.step2;
        let (mut last, mut passed_over) = (p, false);
        let (mut sum, mut steps) = (0.0, 0.0);
        for (j, &p) in points.iter().enumerate().take(self.most).skip(1) {
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
        let tree = self.tree;
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
    fn answer_members(&mut self, at: usize, members: &Members) {
        let tree = self.tree;
        let radius = self.radius(members);
        let middle = middle(members);
        let (mut furthest2, mut missed) = (0.0f64, false);
        for j in 0..members.len {
            if members.mask >> j & 1 == 0 || self.near.count() == 0 {
                missed |= self.near.count() == 0;
                self.slot = if self.near.count() == 0 { self.slot } else { self.near.slot(0) };
                let guess = self.guess;
                self.alone(at + j);
                self.guess = guess;
                continue;
            }
            let (p, place) = (self.window.points[at + j], self.window.places[at + j] as usize);
            let facing = |corners: [&Point; 3]| (self.facing)(self.first + place, corners);
            let (least, lowest) = self.near.ask(std::array::from_fn(|k| (p[k] - middle[k]) as f32));
            let mut best = Best::none(&p, radius);
            let mut bound = limit(best.distance2);
            if least <= bound {
                if tree.test(self.near.slot(lowest), &p, &mut best, &facing) {
                    bound = limit(best.distance2);
                }
                let mut within = self.near.within(bound) & !(1 << lowest);
                while within != 0 {
                    let next = within.trailing_zeros() as usize;
                    within &= within - 1;
                    if tree.test(self.near.slot(next), &p, &mut best, &facing) {
                        within &= self.near.within(limit(best.distance2));
                    }
                }
            }
            if best.slot != NO_SLOT {
                furthest2 = furthest2.max(best.distance2);
            } else if radius < self.reach_mm {
                missed = true;
                let slot = self.near.slot(lowest);
                best = tree.best_from_top(&p, slot, self.reach_mm, &mut self.stack, &facing);
            }
            self.feet[place] = best.foot();
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

fn in_range(p: &Point) -> bool {
    p.iter().all(|c| c.abs() < FARTHEST_MM)
}

fn middle(members: &Members) -> Point {
    Point::from(members.low.coords * 0.5 + members.high.coords * 0.5)
}
