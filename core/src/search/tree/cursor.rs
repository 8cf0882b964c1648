//! One search after the other, where each begins with what the last one learnt.

use super::node::{Child, Entry, Node, Probe, WIDTH, limit};
use super::{Best, FARTHEST_MM, NO_SLOT, SurfaceTree, normal};
use crate::geometry::{Direction, Foot, Point};

/// Seven entries stay behind on each of at most 16 levels split by area and 16 by count.
const STACK: usize = 256;

/// A search for points that come in some order, such as a scan's: the last answer's triangle gives the
/// first bound, and the few subtrees around the last places are where the search begins. Answers are the
/// same as without, to the bit, in whatever order points come: both only leave out what is strictly further.
#[derive(Clone, Debug)]
pub struct Cursor<'a> {
    tree: &'a SurfaceTree,
    /// The last answer's triangle, in the tree's order.
    hint: usize,
    /// Subtrees that hold everything within `radius` of `centre`.
    around: Node,
    centre: Point,
    radius: f64,
    /// The last point that the subtrees did not serve, and how many such there were in a row.
    missed: Point,
    misses: u32,
    stack: [Entry; STACK],
}

/// Steps between points that subtrees once found should serve.
const STEPS: f64 = 8.0;

impl<'a> Cursor<'a> {
    pub(super) fn new(tree: &'a SurfaceTree) -> Self {
        Self {
            tree,
            hint: NO_SLOT,
            around: Node::empty(),
            centre: Point::origin(),
            radius: -1.0,
            missed: Point::origin(),
            misses: 0,
            stack: [Entry::NONE; STACK],
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
    fn search(&mut self, p: &Point, reach_mm: f64, facing: impl Fn([&Point; 3]) -> bool) -> Option<Foot> {
        let tree = self.tree;
        if tree.triangles.is_empty() || !p.iter().all(|c| c.is_finite()) || !(reach_mm >= 0.0) {
            return None;
        }
        let mut best = Best { distance2: reach_mm * reach_mm, index: u32::MAX, slot: NO_SLOT, foot: *p };
        if tree.unbounded || !p.iter().all(|c| c.abs() < FARTHEST_MM) {
            for slot in 0..tree.triangles.len() {
                tree.test(slot, p, &mut best, &facing);
            }
        } else {
            if self.hint != NO_SLOT {
                tree.test(self.hint, p, &mut best, &facing);
            }
            let served = self.look_around(p, best.distance2.sqrt());
            self.descend(p, &mut best, served, &facing);
            // The foot of a point that stands out is no place to go on from.
            if best.slot != NO_SLOT && (served || self.hint == NO_SLOT) {
                self.hint = best.slot;
            }
        }
        (best.slot != NO_SLOT).then(|| Foot {
            point: best.foot,
            triangle: best.index,
            distance: best.distance2.sqrt(),
        })
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
        let step = (p - self.missed).norm();
        self.missed = *p;
        self.misses += 1;
        if self.misses < 2 {
            return false;
        }
        self.misses = 0;
        let radius = 2.0 * reach + STEPS * step;
        if !(radius < FARTHEST_MM) {
            return false;
        }
        self.centre = *p;
        self.radius = radius;
        let nodes = &self.tree.nodes;
        let probe = self.probe(p);
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

    #[inline(always)]
    fn probe(&self, p: &Point) -> Probe {
        Probe::new(std::array::from_fn(|k| p[k] - self.tree.origin[k]))
    }

    /// Visits what is no further than the best so far, nearest first.
    #[inline(always)]
    fn descend(
        &mut self,
        p: &Point,
        best: &mut Best,
        from_around: bool,
        facing: &impl Fn([&Point; 3]) -> bool,
    ) {
        let tree = self.tree;
        let hint = self.hint;
        let probe = self.probe(p);
        let stack = &mut self.stack;
        let mut node = if from_around { &self.around } else { &tree.nodes[0] };
        let mut bound = limit(best.distance2);
        let mut depth = 0usize;
        loop {
            let (mut mask, distances2) = node.near(&probe, bound);
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
                        if slot != hint && tree.test(slot, p, best, facing) {
                            bound = limit(best.distance2);
                        }
                    }
                } else {
                    node = &tree.nodes[child.index()];
                    break;
                }
            }
        }
    }
}
