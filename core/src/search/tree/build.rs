//! From triangles to nodes of eight, by splits where the surface area heuristic finds them cheapest.
//!
//! Binned splits: Wald, "On fast construction of SAH-based bounding volume hierarchies", IEEE Symposium on
//! Interactive Ray Tracing, 2007. Eight children at once by splitting the largest again: Dammertz, Hanika
//! and Keller, "Shallow bounding volume hierarchies", Computer Graphics Forum 27(4), 2008. Every decision
//! depends on the triangles alone, so the tree is the same on any number of threads.

use rayon::join;

use super::extent::{Extent, Item};
use super::node::{Child, MOST_IN_LEAF, Node, WIDTH};

/// Triangles of one leaf at most; fewer where a node has places left. A node of its own for so few would
/// be mostly empty.
const LEAF: usize = 4;
const _: () = assert!(LEAF <= MOST_IN_LEAF);
/// About how many of a range tell where it is split, where there are twice as many at least. Measured.
const SHARE: usize = 512;
/// So few are split in the middle, which is a few percent worse to search and far quicker to find.
const FEW: usize = 32;
/// Of so many the axis and the bins are those of their middles, of more those of the box.
const SOME: usize = FEW;
/// Ranges larger than this are split in three rounds of two, in parallel.
const PARALLEL: usize = 8192;
/// After so many levels splits are by count, so that a search's stack has a bound.
const DEEPEST_BY_AREA: usize = 16;

/// A run of items in the tree's order, with its extent.
struct Range<'a> {
    first: usize,
    items: &'a mut [Item],
    extent: Extent,
}

/// Nodes that are made together, and where they will stand in a list: what they refer to stands as far behind that.
type Block = (usize, Vec<Node>);

/// Brings the items into the tree's order and returns the nodes, the root first. Empty for no items.
pub(super) fn build(items: &mut [Item]) -> Vec<Node> {
    if items.is_empty() {
        return Vec::new();
    }
    let extent = Extent::of(items);
    let all = Range { first: 0, items, extent };
    let blocks = in_blocks(all, 0);
    let mut nodes = Vec::with_capacity(blocks.iter().map(|(_, block)| block.len()).sum());
    for (start, block) in blocks {
        nodes.extend(block.into_iter().map(|mut node| {
            node.shift(start as u32);
            node
        }));
    }
    nodes
}

/// The blocks of a range in the order of the list, the first with the range's own node.
fn in_blocks(range: Range<'_>, depth: usize) -> Vec<Block> {
    if range.items.len() <= PARALLEL {
        let mut nodes = Vec::with_capacity(range.items.len() / 8);
        subtree(range, depth, &mut nodes);
        return vec![(0, nodes)];
    }
    let parts = in_rounds(range, depth < DEEPEST_BY_AREA, 3);
    let mut me = Node::empty();
    for (place, part) in parts.iter().enumerate() {
        me.set(place, &part.extent.bounds(), Child::leaf(part.first, part.items.len().min(LEAF)));
    }
    let inner = parts.into_iter().enumerate().filter(|(_, part)| part.items.len() > LEAF).collect();
    let mut blocks = vec![(0, Vec::new())];
    let mut count = 1;
    for (place, below) in in_parallel(inner, depth + 1) {
        let start = count;
        me.set_child(place, Child::node(start));
        for (offset, block) in below {
            count += block.len();
            blocks.push((start + offset, block));
        }
    }
    blocks[0].1.push(me);
    blocks
}

/// The blocks of each part, with the place of the part.
fn in_parallel(mut parts: Vec<(usize, Range<'_>)>, depth: usize) -> Vec<(usize, Vec<Block>)> {
    if parts.len() > 1 {
        let second = parts.split_off(parts.len() / 2);
        let (mut a, b) = join(|| in_parallel(parts, depth), || in_parallel(second, depth));
        a.extend(b);
        return a;
    }
    parts.into_iter().map(|(place, part)| (place, in_blocks(part, depth))).collect()
}

/// Appends the nodes of a range; the range's own node comes first.
fn subtree(range: Range<'_>, depth: usize, nodes: &mut Vec<Node>) {
    let me = nodes.len();
    nodes.push(Node::empty());
    let parts = largest_first(range, depth < DEEPEST_BY_AREA);
    for (place, part) in parts.iter().enumerate() {
        nodes[me].set(place, &part.extent.bounds(), Child::leaf(part.first, part.items.len().min(LEAF)));
    }
    for (place, part) in parts.into_iter().enumerate().filter(|(_, part)| part.items.len() > LEAF) {
        let start = nodes.len();
        nodes[me].set_child(place, Child::node(start));
        subtree(part, depth + 1, nodes);
    }
}

/// Two, four, eight parts.
fn in_rounds(range: Range<'_>, by_area: bool, rounds: usize) -> Vec<Range<'_>> {
    if rounds == 0 || range.items.len() <= LEAF {
        return vec![range];
    }
    let (a, b) = split(range, by_area);
    let (mut a, b) = if a.items.len() + b.items.len() > PARALLEL {
        join(|| in_rounds(a, by_area, rounds - 1), || in_rounds(b, by_area, rounds - 1))
    } else {
        (in_rounds(a, by_area, rounds - 1), in_rounds(b, by_area, rounds - 1))
    };
    a.extend(b);
    a
}

/// Splits what is most often entered (by count below the depth where that matters), till there are eight.
fn largest_first(range: Range<'_>, by_area: bool) -> Vec<Range<'_>> {
    let mut parts = Vec::with_capacity(WIDTH);
    parts.push(range);
    while parts.len() < WIDTH {
        let size = |r: &Range<'_>| if by_area { r.extent.area() } else { r.items.len() as f32 };
        let mut chosen: Option<usize> = None;
        for (i, part) in parts.iter().enumerate() {
            // What would need a node of its own comes before what is split only to fill the places.
            let rank = |r: &Range<'_>| (r.items.len() > LEAF, size(r));
            if part.items.len() > 1 && chosen.is_none_or(|c| rank(part) > rank(&parts[c])) {
                chosen = Some(i);
            }
        }
        let Some(chosen) = chosen else { break };
        let (a, b) = split(parts.swap_remove(chosen), by_area);
        parts.extend([a, b]);
    }
    parts
}

/// Splits in two non-empty parts.
fn split(range: Range<'_>, by_area: bool) -> (Range<'_>, Range<'_>) {
    let Range { first, items, extent } = range;
    // Of few the boxes are as large as what lies between them.
    let (low, high) = if items.len() <= SOME { middles(items) } else { (extent.low, extent.high) };
    let size: [f32; 3] = std::array::from_fn(|k| high[k] - low[k]);
    let axis = if size[0] >= size[1] && size[0] >= size[2] {
        0
    } else if size[1] >= size[2] {
        1
    } else {
        2
    };
    if by_area {
        // Finding the cheapest border costs as much as there are bins, whatever the number of triangles.
        let halves = match items.len() {
            0..=FEW => either_side(items, axis, 0.5 * low[axis] + 0.5 * high[axis]),
            _ => halves::<16>(items, axis, low[axis], high[axis]),
        };
        if let Some((half, low_part, high_part)) = halves {
            let (a, b) = items.split_at_mut(half);
            return (
                Range { first, items: a, extent: low_part },
                Range { first: first + half, items: b, extent: high_part },
            );
        }
    }
    let half = items.len() / 2;
    items.select_nth_unstable_by(half, |a, b| {
        a.middle(axis).total_cmp(&b.middle(axis)).then(a.which().cmp(&b.which()))
    });
    let (a, b) = items.split_at_mut(half);
    let (low_part, high_part) = (Extent::of(a), Extent::of(b));
    (Range { first, items: a, extent: low_part }, Range { first: first + half, items: b, extent: high_part })
}

/// Brings one side of the cheapest border between bins to the front: how many those are, and both extents.
fn halves<const BINS: usize>(
    items: &mut [Item],
    axis: usize,
    low: f32,
    high: f32,
) -> Option<(usize, Extent, Extent)> {
    // A share of very many tells the border as well.
    let step = (items.len() / SHARE).max(1);
    let size = high - low;
    let scale = BINS as f32 / size;
    if !(size > 0.0 && scale.is_finite() && scale > 0.0) {
        return None;
    }
    let along = |item: &Item| (item.middle(axis) - low) * scale;
    let bin = |item: &Item| (along(item) as i32 as usize).min(BINS - 1);
    let mut bins = [Extent::EMPTY; BINS];
    for item in items.iter().step_by(step) {
        bins[bin(item)].add(item);
    }
    let (border, low_part, high_part) = cheapest(&bins)?;
    let half = partition(items, |item| along(item) < border as f32);
    if step == 1 {
        return Some((half, low_part, high_part));
    }
    let (a, b) = items.split_at(half);
    Some((half, Extent::of(a), Extent::of(b)))
}

/// Brings those whose middles lie below a place to the front: how many those are, and both extents.
fn either_side(items: &mut [Item], axis: usize, place: f32) -> Option<(usize, Extent, Extent)> {
    let half = partition(items, |item| item.middle(axis) < place);
    if half == 0 || half == items.len() {
        return None;
    }
    let (a, b) = items.split_at(half);
    Some((half, Extent::of(a), Extent::of(b)))
}

/// The least and the largest middles along each axis.
fn middles(items: &[Item]) -> ([f32; 4], [f32; 4]) {
    let (mut low, mut high) = ([f32::INFINITY; 4], [f32::NEG_INFINITY; 4]);
    for item in items {
        for k in 0..4 {
            let middle = item.middle(k);
            low[k] = if middle < low[k] { middle } else { low[k] };
            high[k] = if middle > high[k] { middle } else { high[k] };
        }
    }
    (low, high)
}

/// The border between bins at which the sum of area times count is least; `None` when all lie in one bin.
fn cheapest<const BINS: usize>(bins: &[Extent; BINS]) -> Option<(usize, Extent, Extent)> {
    let mut above = [Extent::EMPTY; BINS];
    let mut sum = Extent::EMPTY;
    for i in (1..BINS).rev() {
        sum.join(&bins[i]);
        above[i] = sum;
    }
    let mut below = Extent::EMPTY;
    let mut best: Option<(f32, usize, Extent)> = None;
    for border in 1..BINS {
        below.join(&bins[border - 1]);
        if below.count == 0 || above[border].count == 0 {
            continue;
        }
        let cost = below.area() * below.count as f32 + above[border].area() * above[border].count as f32;
        if best.as_ref().is_none_or(|(least, _, _)| cost < *least) {
            best = Some((cost, border, below));
        }
    }
    best.map(|(_, border, low_part)| (border, low_part, above[border]))
}

/// Brings those for which `first` holds to the front; returns how many they are. All are moved, so that
/// nothing depends on guessing which: as Lomuto's scheme (Bentley, Programming Pearls, 1986, column 10).
fn partition(items: &mut [Item], first: impl Fn(&Item) -> bool) -> usize {
    let mut count = 0;
    for i in 0..items.len() {
        // Not by `swap`, which goes through memory.
        let (item, other) = (items[i], items[count]);
        (items[i], items[count]) = (other, item);
        count += usize::from(first(&item));
    }
    count
}
