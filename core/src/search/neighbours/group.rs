//! Neighbours of the points of a leaf, found together.
//!
//! Candidates of all are gathered once, around the box of the leaf, as far as the neighbours of the leaf
//! before reached and a little more. Each point then looks for a distance within which exactly `k` of them
//! lie. Distances are worked out in 32 bits, eight at once; where their rounding could change who is among
//! the nearest, and where the reach was too short, it is decided in 64 bits. So neither the guess nor the
//! rounding shows in what is found.

use wide::f32x8;

use super::{Found, PointTree, squared, squared_to};
use crate::geometry::{Aabb, Point, Vector};

/// Rounding of sums of three squares is far below this part of them.
const SLACK: f64 = 1.0 + 1e-9;
/// The reach over that of the leaf before: the density of points seldom changes by more from one to the next.
const FURTHER: f64 = 1.25;
/// Candidates for each neighbour wanted beyond which the guess was bad (and some for few neighbours).
const TOO_MANY: usize = 24;
/// A point of a leaf further from the middle one than this many times the middle distance is asked for alone:
/// a stray would make the candidates of all its companions many.
const STRAY: f64 = 3.0;
/// Distances tried before it is decided in 64 bits.
const TRIES: usize = 12;
/// Half the distance from 1 to the next 32-bit number.
const HALF_BIT: f64 = 1.0 / (1u64 << 24) as f64;
/// Coordinates up to this have squares that are numbers in 32 bits.
const LARGEST: f64 = 1e15;

/// The nearest points of one point, itself among them, in the order of the tree.
pub(in crate::search) struct Near<'a> {
    pub(in crate::search) number: u32,
    pub(in crate::search) point: Point,
    chosen: &'a [u32],
    ranked: &'a mut Vec<(f64, u32)>,
    tree: &'a PointTree,
}

impl Near<'_> {
    /// From the point to each of the nearest ones.
    #[inline]
    pub(in crate::search) fn offsets(&self) -> impl Iterator<Item = Vector> {
        self.chosen.iter().map(|&place| self.tree.points[place as usize].0 - self.point)
    }

    /// Squared distance and number of each, nearest first, equally near ones by their number.
    pub(super) fn ranked(&mut self) -> &[(f64, u32)] {
        self.ranked.clear();
        self.ranked.extend(self.chosen.iter().map(|&place| {
            let (q, number) = self.tree.points[place as usize];
            (squared(q.x - self.point.x, q.y - self.point.y, q.z - self.point.z), number)
        }));
        self.ranked.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        self.ranked
    }
}

/// Asks for one leaf after the other.
pub(super) struct Groups<'a> {
    tree: &'a PointTree,
    k: usize,
    /// How far the neighbours of the last leaf reached, mm.
    reach: Option<f64>,
    candidates: Candidates,
    /// The 32-bit distance that chose the last point's neighbours.
    level: f32,
    chosen: Vec<u32>,
    ranked: Vec<(f64, u32)>,
    exact: Vec<Found>,
    open: Vec<usize>,
}

/// Points around some box.
#[derive(Default)]
struct Candidates {
    /// From the middle of the box; what is needed to fill eight is infinitely far.
    offset: [Vec<f32>; 3],
    place: Vec<u32>,
    count: usize,
    middle: Point,
    /// All points within this of the box are there.
    reach: f64,
    /// Squared distances up to that of the reach are this right.
    error: f64,
    /// Squared distances from one point.
    squared: Vec<f32x8>,
}

/// What a reach was good for.
enum Answer {
    Chosen,
    TooShort,
}

impl<'a> Groups<'a> {
    pub(super) fn new(tree: &'a PointTree, k: usize) -> Self {
        Self {
            tree,
            k,
            reach: None,
            candidates: Candidates::default(),
            level: 0.0,
            chosen: Vec::with_capacity(k),
            ranked: Vec::new(),
            exact: Vec::new(),
            open: Vec::new(),
        }
    }

    /// Hands the neighbours of each point of a leaf to `take`, in an order that depends on the points only.
    pub(super) fn ask(&mut self, leaf: usize, mut take: impl FnMut(&mut Near)) {
        let tree = self.tree;
        let members = tree.leaf(leaf);
        if members.is_empty() {
            return;
        }
        let mut around = tree.boxes[(1 << tree.depth) - 1 + leaf];
        let mut alone = [false; super::LEAF];
        // The diagonal of a leaf that lies evenly on a surface is ten times its neighbours' reach by the root of
        // how many they are.
        let wide = |reach: f64| around.diagonal() > 14.0 * reach / (self.k as f64).sqrt();
        if self.reach.is_none_or(wide)
            && let Some(rest) = strays(members, &mut alone)
        {
            around = rest;
        }
        let guessed = self.reach.is_some_and(|reach| {
            self.candidates.gather(tree, &around, FURTHER * reach, TOO_MANY * (self.k + 8), &mut self.open)
        });
        let mut sure = !guessed;
        if sure {
            self.surely(&around);
        }
        let mut furthest = 0f64;
        for ((point, number), alone) in members.iter().zip(alone) {
            if alone {
                self.alone(point);
            } else {
                let mut answer = self.choose(point);
                if matches!(answer, Answer::TooShort) && !sure {
                    self.surely(&around);
                    sure = true;
                    answer = self.choose(point);
                }
                match answer {
                    Answer::Chosen => furthest = furthest.max(f64::from(self.level)),
                    Answer::TooShort => self.alone(point),
                }
            }
            take(&mut Near {
                number: *number,
                point: *point,
                chosen: &self.chosen,
                ranked: &mut self.ranked,
                tree,
            });
        }
        if furthest > 0.0 {
            self.reach = Some(furthest.sqrt());
        }
    }

    /// Gathers as far as is surely enough: the middle's k-th nearest point bounds that of every place of the
    /// box by the triangle inequality.
    fn surely(&mut self, around: &Aabb) {
        let middle = around.centre();
        self.tree.best(&middle, self.k, &mut self.exact, &mut self.open);
        let reach = self.exact.last().map_or(0.0, |f| f.0).sqrt() + 0.5 * around.diagonal();
        self.candidates.gather(self.tree, around, reach * (1.0 + 1e-4), usize::MAX, &mut self.open);
    }

    /// The neighbours of a point that has nothing to share.
    fn alone(&mut self, point: &Point) {
        self.tree.best(point, self.k, &mut self.exact, &mut self.open);
        self.chosen.clear();
        self.chosen.extend(self.exact.iter().map(|f| f.2));
        self.chosen.sort_unstable();
    }

    /// Chooses a point's neighbours among the candidates.
    fn choose(&mut self, point: &Point) -> Answer {
        let Candidates { reach, error, .. } = self.candidates;
        self.candidates.measure(point);
        let most = (reach * reach - 2.0 * error) as f32;
        // Twice the error on both sides: nobody is chosen, or left out, by rounding.
        let gap = (2.0 * error) as f32;
        let k = self.k as u32;
        let (mut low, mut fewer) = (0f32, 0);
        let (mut high, mut more) = (most, u32::MAX);
        let mut level = if self.level > 0.0 && self.level <= most { self.level } else { most };
        for _ in 0..TRIES {
            let count = self.candidates.within(level);
            if count == k {
                if self.candidates.within(level + gap) > k {
                    (high, more) = (level, count);
                    break;
                }
                self.level = level;
                self.candidates.list(level, self.k, &mut self.chosen);
                return Answer::Chosen;
            }
            if count < k {
                if !(level < most) {
                    return Answer::TooShort;
                }
                (low, fewer) = (level, count);
            } else {
                (high, more) = (level, count);
            }
            // On a surface as many lie within a squared distance as it is large.
            let wanted = (k - fewer) as f32 + 0.5;
            level = if more == u32::MAX {
                (level * (k as f32 + 0.5) / (count.max(1) as f32)).min(level * 4.0).min(most)
            } else {
                low + (high - low) * (wanted / ((more - fewer) as f32 + 1.0))
            };
            if !(level > low && level <= high) {
                break;
            }
        }
        if more == u32::MAX && self.candidates.within(most) < k {
            return Answer::TooShort;
        }
        self.decide(point, high + gap);
        Answer::Chosen
    }

    /// Chooses in 64 bits among the candidates up to a 32-bit distance that leaves nobody out.
    fn decide(&mut self, point: &Point, level: f32) {
        self.candidates.list(level, usize::MAX, &mut self.chosen);
        self.exact.clear();
        self.exact.extend(self.chosen.iter().map(|&place| {
            let (q, number) = self.tree.points[place as usize];
            (squared(q.x - point.x, q.y - point.y, q.z - point.z), number, place)
        }));
        let order = |a: &Found, b: &Found| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1));
        if self.exact.len() > self.k {
            self.exact.select_nth_unstable_by(self.k - 1, order);
            self.exact.truncate(self.k);
        }
        self.level = self.exact.iter().map(|f| f.0).fold(0.0, f64::max) as f32;
        self.chosen.clear();
        self.chosen.extend(self.exact.iter().map(|f| f.2));
        self.chosen.sort_unstable();
    }
}

impl Candidates {
    /// Takes in all points within `reach` of a box; false, and of no use, when there are more than `most`.
    fn gather(
        &mut self,
        tree: &PointTree,
        around: &Aabb,
        reach: f64,
        most: usize,
        open: &mut Vec<usize>,
    ) -> bool {
        self.count = 0;
        self.reach = reach;
        self.middle = around.centre();
        // Coordinates from the middle are rounded once, their differences once more, and squares and sums:
        // a distance is wrong by at most four half bits of the largest coordinate along each axis.
        let largest = 0.5 * around.diagonal() + reach;
        self.error = if largest < LARGEST {
            16.0 * HALF_BIT * largest * reach
                + 64.0 * HALF_BIT * HALF_BIT * largest * largest
                + 8.0 * HALF_BIT * reach * reach
                + 4.0 * f64::from(f32::MIN_POSITIVE)
        } else {
            f64::INFINITY
        };
        let within = reach * reach * SLACK;
        let first_leaf = (1usize << tree.depth) - 1;
        open.clear();
        open.push(0);
        while let Some(node) = open.pop() {
            if squared_between(around, &tree.boxes[node]) > within {
                continue;
            }
            if node < first_leaf {
                open.extend([2 * node + 2, 2 * node + 1]);
                continue;
            }
            let range = tree.range(node - first_leaf);
            let room = self.count + range.len() + 8;
            if self.place.len() < room {
                self.offset.iter_mut().for_each(|o| o.resize(2 * room, 0.0));
                self.place.resize(2 * room, 0);
            }
            let [x, y, z] = &mut self.offset;
            for (place, (p, _)) in (range.start as u32..).zip(&tree.points[range]) {
                x[self.count] = (p.x - self.middle.x) as f32;
                y[self.count] = (p.y - self.middle.y) as f32;
                z[self.count] = (p.z - self.middle.z) as f32;
                self.place[self.count] = place;
                self.count += usize::from(squared_to(p, around) <= within);
            }
            if self.count > most {
                return false;
            }
        }
        for i in self.count..self.count.next_multiple_of(8) {
            self.offset.iter_mut().for_each(|o| o[i] = f32::INFINITY);
        }
        true
    }

    /// Works out all squared distances from a point.
    fn measure(&mut self, point: &Point) {
        let from = (point - self.middle).map(|c| f32x8::splat(c as f32));
        let blocks = self.count.div_ceil(8);
        let [x, y, z] = self.offset.each_ref().map(|o| &o.as_chunks::<8>().0[..blocks]);
        self.squared.clear();
        self.squared.extend(x.iter().zip(y).zip(z).map(|((x, y), z)| {
            let (x, y, z) = (f32x8::new(*x) - from.x, f32x8::new(*y) - from.y, f32x8::new(*z) - from.z);
            x * x + y * y + z * z
        }));
    }

    /// How many lie no further than a squared distance.
    #[inline]
    fn within(&self, level: f32) -> u32 {
        let (level, one) = (f32x8::splat(level), f32x8::ONE);
        // Whole numbers far below 2^24, so the sum is exact.
        let mut count = f32x8::ZERO;
        for d in &self.squared {
            count += d.simd_le(level) & one;
        }
        count.reduce_add() as u32
    }

    /// Where in the tree those lie, ascending; at most `most`.
    fn list(&self, level: f32, most: usize, chosen: &mut Vec<u32>) {
        chosen.clear();
        let level = f32x8::splat(level);
        for (begin, blocks) in (0..).step_by(64).zip(self.squared.chunks(8)) {
            let mut bits = 0u64;
            for (i, d) in blocks.iter().enumerate() {
                bits |= u64::from(d.simd_le(level).to_bitmask()) << (8 * i);
            }
            while bits != 0 && chosen.len() < most {
                chosen.push(self.place[begin + bits.trailing_zeros() as usize]);
                bits &= bits - 1;
            }
        }
    }
}

/// Squared distance between two boxes, 0 where they meet.
#[inline]
fn squared_between(a: &Aabb, b: &Aabb) -> f64 {
    let along = |k: usize| (b.low[k] - a.high[k]).max(a.low[k] - b.high[k]).max(0.0);
    squared(along(0), along(1), along(2))
}

/// Marks the points that lie far from the middle of the others, and answers with the box of the rest; `None`
/// when there is none of them.
fn strays(members: &[(Point, u32)], alone: &mut [bool; super::LEAF]) -> Option<Aabb> {
    let count = members.len();
    if count < 4 {
        return None;
    }
    let mut sorted = [0f64; super::LEAF];
    let mut middle = |of: &dyn Fn(&Point) -> f64| {
        let sorted = &mut sorted[..count];
        sorted.iter_mut().zip(members).for_each(|(s, (p, _))| *s = of(p));
        *sorted.select_nth_unstable_by(count / 2, f64::total_cmp).1
    };
    let centre = Point::new(middle(&|p| p.x), middle(&|p| p.y), middle(&|p| p.z));
    let away = |p: &Point| (p - centre).amax();
    let limit = STRAY * middle(&away);
    let mut rest = Aabb::empty();
    let mut any = false;
    for ((p, _), alone) in members.iter().zip(alone) {
        *alone = away(p) > limit;
        any |= *alone;
        if !*alone {
            rest.add(p);
        }
    }
    any.then_some(rest)
}
