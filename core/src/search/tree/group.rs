//! Closest points of many points: a group of neighbours goes down the tree once, as one box, and shares the
//! few triangles that it meets.

use super::descent::{STACK, Stack, empty_stack};
use super::eight::{Eight, Here};
use super::members::{Members, Steps};
use super::near::{MOST_MEMBERS, Near, Span, limit};
use super::node::{self, Child, MOST_IN_LEAF, WIDTH};
use super::window::Window;
use super::{Best, NO_SLOT, SurfaceTree, in_range};
use crate::geometry::{Foot, Point};

/// Points that are put in order together.
const WINDOW: usize = 1024;
/// Most points of a group.
const MOST: usize = 24;
const _: () = assert!(MOST <= MOST_MEMBERS);
/// Fewer do not repay finding their triangles together.
const LEAST: u32 = 2;
/// Few points that still meet too many triangles: groups are of no use for a while, when it happens so often.
const FEW: usize = 4;
/// Triangles whose boxes a group may meet before they are looked at closely.
const SLOTS: usize = 256;
/// Where the surface is far off or fine, even few points meet too many triangles; so it will be for a while.
const REST: u32 = 64;

/// Answers for points by their number, for one number after the other. Answers are those of
/// [`SurfaceTree::nearest`], to the bit: a group's triangles are all that any of its points has no further
/// than a guess, and who finds nothing there searches the tree.
pub(in crate::search) struct Groups<'a, P, F> {
    tree: &'a SurfaceTree,
    here: Here,
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
    steps: Steps,
    /// Most points of the next group.
    most: usize,
    /// Groups in a row that met too many triangles.
    failures: u32,
    /// How many points are searched for alone before groups are tried again.
    rest: u32,
    /// How far feet probably are at most, mm.
    guess: f64,
    /// The last point searched for alone was much further.
    stood_off: bool,
    open: [Child; STACK],
    /// Of the members: the place of the triangle that is nearest by its bound, and the best so far.
    lowest: [u8; MOST_MEMBERS],
    best: [Best; MOST_MEMBERS],
    /// Triangles of the leaves that a group meets.
    slots: [u32; SLOTS],
    stack: Stack,
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
            here: Here::find(),
            point,
            count,
            facing,
            reach_mm,
            window: Window::default(),
            near: Near::new(),
            first: 0,
            feet: Vec::new(),
            slot: 0,
            steps: Steps::unknown(),
            most: MOST,
            rest: 0,
            failures: 0,
            guess: f64::INFINITY,
            stood_off: false,
            open: [Child::node(0); STACK],
            lowest: [0; MOST_MEMBERS],
            best: [Best::none(&Point::origin(), 0.0); MOST_MEMBERS],
            slots: [0; SLOTS],
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
        match self.here {
            Here::Plain(e) => self.answer_by(e, first),
            #[cfg(target_arch = "x86_64")]
            Here::Wide(e) => e.with(
                #[inline(always)]
                || self.answer_by(e, first),
            ),
        }
    }

    #[inline(always)]
    fn answer_by<E: Eight>(&mut self, e: E, first: usize) {
        self.first = first;
        self.window.fill((first..self.count.min(first + WINDOW)).map(&self.point));
        self.feet.clear();
        self.feet.resize(self.window.points.len(), None);
        let tree = self.tree;
        if tree.triangles.is_empty() || !(self.reach_mm >= 0.0) {
            return;
        }
        let mut at = 0;
        while at < self.feet.len() {
            at += if tree.unbounded { self.alone(e, at) } else { self.together(e, at) };
        }
    }

    /// Answers a group; returns how many points it has.
    #[inline(always)]
    fn together<E: Eight>(&mut self, e: E, at: usize) -> usize {
        self.rest = self.rest.saturating_sub(1);
        if self.rest > 0 || self.guess == f64::INFINITY {
            return self.alone(e, at);
        }
        let mut members = self.steps.members(&self.window, at, self.most);
        while members.mask.count_ones() >= LEAST {
            let plane = self.tree.corners(&self.tree.triangles[self.slot]);
            self.steps.leave_out_strays(&self.window, at, plane, self.guess, &mut members);
            if self.find_near(e, &members) {
                self.answer_members(e, at, &members);
                self.failures = 0;
                return members.len;
            }
            self.most = (members.len / 2).max(LEAST as usize);
            if members.len <= FEW {
                self.failures += 1;
                if self.failures == FEW as u32 {
                    (self.failures, self.rest) = (0, REST);
                }
                break;
            }
            members = self.steps.members(&self.window, at, self.most);
        }
        self.alone(e, at)
    }

    fn alone<E: Eight>(&mut self, e: E, at: usize) -> usize {
        let (p, place) = (self.window.points[at], self.window.place(at));
        let facing = |corners: [&Point; 3]| (self.facing)(self.first + place, corners);
        if self.tree.unbounded || !in_range(&p) {
            self.feet[place] = self.tree.search_all(&p, self.reach_mm, &facing).foot();
            return 1;
        }
        let best = self.tree.best_from_top(e, &p, self.slot, self.reach_mm, &mut self.stack, &facing);
        if best.slot != NO_SLOT {
            self.slot = best.slot;
            // Not taken in by one point that stands off, nor by one that happens to lie on the surface.
            let wide = 1.5 * best.distance2.sqrt();
            let stands_off = wide > 2.0 * self.guess;
            if self.guess == f64::INFINITY {
                self.guess = wide;
            } else if !stands_off || self.stood_off {
                self.guess = wide.clamp(0.8 * self.guess, 2.0 * self.guess + self.tree.short);
            }
            self.stood_off = stands_off;
        }
        self.feet[place] = best.foot();
        1
    }

    fn radius(&self, members: &Members) -> f64 {
        let wide = 1.25 * self.guess + 0.01 * (members.high - members.low).norm();
        if wide < self.reach_mm { wide } else { self.reach_mm }
    }

    /// Collects every triangle whose box is within the radius of the members'; false when they are too many.
    #[inline(always)]
    fn find_near<E: Eight>(&mut self, e: E, members: &Members) -> bool {
        let tree = self.tree;
        let radius = self.radius(members);
        let wide = radius + tree.margin;
        let span = Span { low: members.low.map(|c| c - wide), high: members.high.map(|c| c + wide) };
        let middle = members.middle();
        let probe = tree.probe(&members.low, &members.high);
        let bound = node::limit(radius * radius);
        self.open[0] = Child::node(0);
        let (mut depth, mut found) = (1, 0);
        while depth > 0 {
            depth -= 1;
            let node = &tree.nodes[self.open[depth % STACK].index()];
            let (mut mask, _) = node.near_by(e, &probe, bound);
            // Both kinds of children are written to both lists and count in one.
            while mask != 0 {
                let child = node.child(mask.trailing_zeros() as usize);
                let (first, count) = child.run();
                for (k, slot) in (0..).zip(&mut self.slots[found..found + MOST_IN_LEAF]) {
                    *slot = first + k;
                }
                found += count;
                self.open[depth % STACK] = child;
                depth += usize::from(count == 0);
                mask &= mask - 1;
            }
            if found > SLOTS - (WIDTH + 1) * MOST_IN_LEAF {
                return false;
            }
        }
        self.near.clear();
        // All at once, so that nothing waits for memory.
        for &slot in &self.slots[..found] {
            if !self.near.add(tree, slot as usize, &span, &middle) {
                return false;
            }
        }
        let size = (members.high - members.low).norm();
        self.near.prepare(e, size, tree.margin)
    }

    #[inline(always)]
    fn answer_members<E: Eight>(&mut self, e: E, at: usize, members: &Members) {
        let tree = self.tree;
        let radius = self.radius(members);
        let middle = members.middle();
        if self.near.count() == 0 {
            let guess = self.guess;
            for j in 0..members.len {
                self.alone(e, at + j);
            }
            self.guess = 2.0 * guess + tree.short;
            return;
        }
        let points = &self.window.points[at..at + members.len];
        let (faces, first, window) = (&self.facing, self.first, &self.window);
        let facing = |j: usize| move |corners: [&Point; 3]| faces(first + window.place(at + j), corners);
        // One thing after the other for all of them: a processor then works on several at once.
        for (j, p) in points.iter().enumerate() {
            let lowest = self.near.ask(e, j, std::array::from_fn(|k| (p[k] - middle[k]) as f32));
            self.lowest[j] = lowest as u8;
        }
        for (j, p) in points.iter().enumerate() {
            let best = &mut self.best[j];
            *best = Best::none(p, radius);
            tree.test(self.near.slot(self.lowest[j].into()), p, best, &facing(j));
        }
        let (mut furthest2, mut missed) = (0.0f64, 0);
        for (j, p) in points.iter().enumerate() {
            let (mut best, lowest) = (self.best[j], usize::from(self.lowest[j]));
            if members.mask >> j & 1 == 0 {
                self.feet[self.window.place(at + j)] = if in_range(p) {
                    tree.best_from_top(
                        e,
                        p,
                        self.near.slot(lowest),
                        self.reach_mm,
                        &mut self.stack,
                        &facing(j),
                    )
                } else {
                    tree.search_all(p, self.reach_mm, &facing(j))
                }
                .foot();
                continue;
            }
            let mut within = self.near.within(e, j, limit(best.distance2)) & !(1 << lowest);
            while within != 0 {
                let next = within.trailing_zeros() as usize;
                within &= within - 1;
                if tree.test(self.near.slot(next), p, &mut best, &facing(j)) {
                    within &= self.near.within(e, j, limit(best.distance2));
                }
            }
            if best.slot != NO_SLOT {
                furthest2 = furthest2.max(best.distance2);
                self.slot = best.slot;
            } else if radius < self.reach_mm {
                missed += 1;
                let slot = self.near.slot(lowest);
                best = tree.best_from_top(e, p, slot, self.reach_mm, &mut self.stack, &facing(j));
            }
            self.feet[self.window.place(at + j)] = best.foot();
        }
        // One that stands off tells nothing of the others.
        self.guess = if missed * 8 > members.mask.count_ones() {
            2.0 * self.guess + tree.short
        } else {
            (0.8 * self.guess).max(1.25 * furthest2.sqrt())
        };
        self.stood_off = false;
        let room = self.near.count() <= super::near::MOST / 2;
        self.most = if room { (self.most + 2).min(MOST) } else { self.most };
    }
}
