//! One search after the other, where each begins with what the last one learnt.

use super::descent::{Stack, descend, empty_stack};
use super::eight::{Eight, Here};
use super::node::{Node, WIDTH, limit};
use super::{Best, FARTHEST_MM, NO_SLOT, SurfaceTree, normal};
use crate::geometry::{Direction, Foot, Point};

/// A search for points that come in some order, such as a scan's. It begins with the few subtrees around
/// the last places and with a guess how far the surface is, and searches everything only when the guess
/// was too small. Answers are the same as without, to the bit, in whatever order points come: an answer no
/// further than the guess is the best of everything no further than the guess.
#[derive(Clone, Debug)]
pub struct Cursor<'a> {
    tree: &'a SurfaceTree,
    here: Here,
    /// Subtrees that hold everything within `radius` of `centre`.
    around: Node,
    centre: Point,
    radius: f64,
    /// How many points in a row the subtrees did not serve, and the way to the first of them.
    misses: u32,
    jump: f64,
    last: Point,
    /// How far the next foot probably is at most, mm.
    guess: f64,
    stack: Stack,
}

/// Steps between points that subtrees once found should serve.
const STEPS: f64 = 16.0;

impl<'a> Cursor<'a> {
    pub(super) fn new(tree: &'a SurfaceTree) -> Self {
        Self {
            tree,
            here: Here::find(),
            around: Node::empty(),
            centre: Point::origin(),
            radius: -1.0,
            misses: 0,
            jump: 0.0,
            last: Point::origin(),
            guess: f64::INFINITY,
            stack: empty_stack(),
        }
    }

    /// As [`SurfaceTree::nearest`].
    pub fn nearest(&mut self, p: &Point, reach_mm: f64) -> Option<Foot> {
        self.search(p, reach_mm, |_| true)
    }

    /// As [`SurfaceTree::nearest_facing`].
    pub fn nearest_facing(
        &mut self,
        p: &Point,
        facing: Direction,
        min_cos: f64,
        reach_mm: f64,
    ) -> Option<Foot> {
        let n = facing.vector();
        self.search(p, reach_mm, |corners| normal(corners).dot(&n) >= min_cos)
    }

    #[inline(always)]
    pub(super) fn search(
        &mut self,
        p: &Point,
        reach_mm: f64,
        facing: impl Fn([&Point; 3]) -> bool,
    ) -> Option<Foot> {
        match self.here {
            Here::Plain(e) => self.search_by(e, p, reach_mm, facing),
            #[cfg(target_arch = "x86_64")]
            Here::Wide(e) => e.with(
                #[inline(always)]
                || self.search_by(e, p, reach_mm, facing),
            ),
        }
    }

    #[inline(always)]
    fn search_by<E: Eight>(
        &mut self,
        e: E,
        p: &Point,
        reach_mm: f64,
        facing: impl Fn([&Point; 3]) -> bool,
    ) -> Option<Foot> {
        let tree = self.tree;
        if tree.triangles.is_empty() || !p.iter().all(|c| c.is_finite()) || !(reach_mm >= 0.0) {
            return None;
        }
        let begin = |reach_mm: f64| Best::none(p, reach_mm);
        let first = if self.guess < reach_mm { self.guess } else { reach_mm };
        let mut best = begin(first);
        if tree.unbounded || !p.iter().all(|c| c.abs() < FARTHEST_MM) {
            best = tree.search_all(p, reach_mm, &facing);
        } else {
            let around = self.look_around(p, first);
            self.last = *p;
            let start = if around { &self.around } else { &tree.nodes[0] };
            descend::<false, E>(e, tree, start, p, &mut best, &mut self.stack, &facing);
            if best.slot == NO_SLOT && first < reach_mm {
                best = begin(reach_mm);
                descend::<false, E>(e, tree, &tree.nodes[0], p, &mut best, &mut self.stack, &facing);
            }
        }
        if best.slot == NO_SLOT {
            return None;
        }
        let distance = best.distance2.sqrt();
        // Half as much again as the last distance, slow to forget and not taken in by one point that stands out.
        let most = 4.0 * self.guess + tree.short;
        let wide = 1.5 * distance;
        let wide =
            if wide > 0.95 * self.guess || self.guess == f64::INFINITY { wide } else { 0.95 * self.guess };
        self.guess = if wide < most { wide } else { most };
        Some(Foot { point: best.foot, triangle: best.index, distance })
    }

    /// Whether the subtrees around hold everything no further than `reach` from `p`, after finding them
    /// anew when two points in a row were not served: one alone may be an outlier.
    #[inline(always)]
    fn look_around(&mut self, p: &Point, reach: f64) -> bool {
        let apart = (p - self.centre).norm();
        // The margin covers these roundings; the limit of boxes has its own.
        if (apart + reach) * (1.0 + 1e-9) <= self.radius {
            self.misses = 0;
            return true;
        }
        self.find_around(p, reach)
    }

    #[cold]
    #[inline(never)]
    fn find_around(&mut self, p: &Point, reach: f64) -> bool {
        let step = (p - self.last).norm();
        self.misses += 1;
        if self.misses < 2 {
            self.jump = step;
            return false;
        }
        self.misses = 0;
        // One of two steps may be the way to the scan's next line.
        let radius = 2.0 * reach + STEPS * step.min(self.jump);
        if !(radius < FARTHEST_MM) {
            return false;
        }
        self.centre = *p;
        self.radius = radius;
        let nodes = &self.tree.nodes;
        let probe = self.tree.probe(p, p);
        let bound = limit(radius * radius);
        let mut all = Node::empty();
        let mut count = 0;
        // Which places cannot be opened any more.
        let mut closed = [false; WIDTH];
        let (mut mask, _) = nodes[0].near(&probe, bound);
        while mask != 0 {
            all.copy(count, &nodes[0], mask.trailing_zeros() as usize);
            closed[count] = all.child(count).is_leaf();
            count += 1;
            mask &= mask - 1;
        }
        loop {
            let mut largest: Option<usize> = None;
            for i in (0..count).filter(|&i| !closed[i]) {
                if largest.is_none_or(|l| all.girth(i) > all.girth(l)) {
                    largest = Some(i);
                }
            }
            let Some(place) = largest else { break };
            let below = &nodes[all.child(place).index()];
            let (mut mask, _) = below.near(&probe, bound);
            let more = mask.count_ones() as usize;
            if count - 1 + more > WIDTH {
                closed[place] = true;
                continue;
            }
            // The last one fills the gap, then come the new ones.
            count -= 1;
            let last = all.clone();
            all.copy(place, &last, count);
            closed[place] = closed[count];
            all.clear(count);
            while mask != 0 {
                all.copy(count, below, mask.trailing_zeros() as usize);
                closed[count] = all.child(count).is_leaf();
                count += 1;
                mask &= mask - 1;
            }
        }
        self.around = all;
        true
    }
}
