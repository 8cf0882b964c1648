//! The way down the tree, nearest boxes first.

use super::eight::Eight;
use super::node::{Child, Entry, Node, limit};
use super::way::{Way, far};
use super::{Best, NO_SLOT, SurfaceTree};
use crate::geometry::Point;

/// Seven entries stay behind on each of at most 16 levels split by area and 16 by count.
pub(super) const STACK: usize = 256;

pub(super) type Stack = [Entry; STACK];

pub(super) fn empty_stack() -> Stack {
    [Entry::NONE; STACK]
}

impl SurfaceTree {
    /// The best within reach of a point on its own, beginning with a triangle that is probably near. Point
    /// and tree must be in range.
    #[inline(never)]
    pub(super) fn best_from_top<E: Eight>(
        &self,
        e: E,
        p: &Point,
        slot: usize,
        reach_mm: f64,
        stack: &mut Stack,
        facing: &impl Fn([&Point; 3]) -> bool,
    ) -> Best {
        let mut best = Best::none(p, reach_mm);
        self.test(slot, p, &mut best, facing);
        let [a, b, _] = self.corners(&self.triangles[slot]);
        let root = &self.nodes[0];
        let is_far = best.slot != NO_SLOT && far(best.distance2, (b - a).norm_squared());
        e.with(
            #[inline(always)]
            || {
                if is_far {
                    descend::<true, E>(e, self, root, p, &mut best, stack, facing);
                } else {
                    descend::<false, E>(e, self, root, p, &mut best, stack, facing);
                }
            },
        );
        best
    }

    /// The same by asking every triangle.
    #[cold]
    pub(super) fn search_all(&self, p: &Point, reach_mm: f64, facing: &impl Fn([&Point; 3]) -> bool) -> Best {
        let mut best = Best::none(p, reach_mm);
        if p.iter().all(|c| c.is_finite()) {
            for slot in 0..self.triangles.len() {
                self.test(slot, p, &mut best, facing);
            }
        }
        best
    }
}

/// Visits what is no further than the best so far, nearest first, below one node. From far off many
/// triangles meet the ball around the point, and most are ruled out before they are tested.
#[inline(always)]
pub(super) fn descend<const FAR: bool, E: Eight>(
    e: E,
    tree: &SurfaceTree,
    start: &Node,
    p: &Point,
    best: &mut Best,
    stack: &mut Stack,
    facing: &impl Fn([&Point; 3]) -> bool,
) {
    let probe = tree.probe(p, p);
    let mut node = start;
    let mut bound = limit(best.distance2);
    let mut way = Way::to(best, p, tree.margin);
    let mut depth = 0usize;
    loop {
        let (mut mask, distances2) = node.near_by(e, &probe, bound);
        // Mostly one box is near enough, and then nothing waits for its distance.
        if mask.is_power_of_two() {
            let child = node.child(mask.trailing_zeros() as usize);
            if !child.is_leaf() {
                node = &tree.nodes[child.index()];
                continue;
            }
        }
        // The nearest comes last, so that it is visited next; the order of the others matters little,
        // and keeping them sorted costs more than it saves.
        if mask != 0 {
            let mut nearest = node.entry(mask.trailing_zeros() as usize, &distances2);
            mask &= mask - 1;
            while mask != 0 {
                let entry = node.entry(mask.trailing_zeros() as usize, &distances2);
                mask &= mask - 1;
                stack[depth % STACK] = entry.max(nearest);
                nearest = entry.min(nearest);
                depth += 1;
            }
            stack[depth % STACK] = nearest;
            depth += 1;
        }
        loop {
            if depth == 0 {
                return;
            }
            depth -= 1;
            let entry = stack[depth % STACK];
            if entry.distance2() > bound {
                continue;
            }
            let child: Child = entry.child();
            if child.is_leaf() {
                for slot in child.triangles() {
                    if FAR && way.rules_out(p, tree.corners(&tree.triangles[slot])) {
                        continue;
                    }
                    if tree.test(slot, p, best, facing) {
                        bound = limit(best.distance2);
                        if FAR {
                            way = Way::to(best, p, tree.margin);
                        }
                    }
                }
            } else {
                node = &tree.nodes[child.index()];
                break;
            }
        }
    }
}
