//! Where the numbers of faces stand in a picture: each on its face where that has room, else at the nearest free place, with a
//! line to it. Never one on another.
//!
//! One after the other, each at the first of its places that is free: the greedy way of Christensen, Marks and Shieber, "An
//! empirical study of algorithms for point-feature label placement", ACM Transactions on Graphics 14(3), 1995. The places and
//! what makes one free are our own.

/// A letter is taken to be so wide, as a part of its height; the page sets each text to that width, whatever its font.
pub(super) const LETTER_WIDTH: f64 = 0.6;

/// Round a text, pixels.
const PAD: i32 = 2;
/// What a line ends at is kept free by so much, pixels.
const CLEAR: i32 = 4;
/// Grid of the places that are tried, pixels: about half a box, so that rows of numbers close up.
const STEP: [i32; 2] = [6, 5];
/// A number further from its face than this, pixels, is not found by the eye.
const REACH: i32 = 330;
/// Lines may be longer by this, pixels, so that they do not cross.
const MUCH: i32 = 90;
/// More numbers than this in one picture hide the part; it bounds the time too.
pub(super) const MOST: usize = 300;

/// A rectangle of pixels, both ends in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Rect {
    pub(super) left: i32,
    pub(super) top: i32,
    pub(super) right: i32,
    pub(super) bottom: i32,
}

impl Rect {
    fn about([x, y]: [i32; 2], [wide, tall]: [i32; 2]) -> Self {
        Self { left: x - wide, top: y - tall, right: x + wide, bottom: y + tall }
    }

    pub(super) fn overlaps(&self, other: &Rect) -> bool {
        self.left <= other.right
            && other.left <= self.right
            && self.top <= other.bottom
            && other.top <= self.bottom
    }

    fn grown(&self, by: i32) -> Self {
        Self { left: self.left - by, top: self.top - by, right: self.right + by, bottom: self.bottom + by }
    }

    fn holds(&self, [x, y]: [i32; 2]) -> bool {
        (self.left..=self.right).contains(&x) && (self.top..=self.bottom).contains(&y)
    }

    /// Squared distance of a place, 0 within.
    fn squared(&self, [x, y]: [i32; 2]) -> i32 {
        let dx = (self.left - x).max(x - self.right).max(0);
        let dy = (self.top - y).max(y - self.bottom).max(0);
        dx * dx + dy * dy
    }

    /// Whether a line passes through it.
    fn cuts(&self, line: [[i32; 2]; 2]) -> bool {
        if !self.overlaps(&box_of(line)) {
            return false;
        }
        let corners = [
            [self.left, self.top],
            [self.right, self.top],
            [self.right, self.bottom],
            [self.left, self.bottom],
        ];
        line.iter().any(|&end| self.holds(end))
            || (0..4).any(|i| cross(line, [corners[i], corners[(i + 1) % 4]]))
    }
}

/// A number that wants a place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Ask {
    pub(super) face: usize,
    pub(super) text: String,
    /// The pixel of its face that is furthest from the face's border.
    pub(super) at: [i32; 2],
}

/// A number in its place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Label {
    pub(super) ask: Ask,
    pub(super) rect: Rect,
    /// Whether it stands beside its face, with a line to it.
    pub(super) beside: bool,
}

impl Label {
    pub(super) fn centre(&self) -> [i32; 2] {
        [(self.rect.left + self.rect.right) / 2, (self.rect.top + self.rect.bottom) / 2]
    }

    fn line(&self) -> Option<[[i32; 2]; 2]> {
        self.beside.then(|| [self.ask.at, self.centre()])
    }
}

/// What a picture shows in each pixel, and where that changes.
pub(super) struct Sheet<'a> {
    width: i32,
    height: i32,
    face: &'a [Option<usize>],
    /// Pixels that differ from their right or lower neighbour.
    changes: Counts,
}

/// How many marked pixels lie above and left of each: those of a rectangle by four of them. F. Crow, "Summed-area tables for
/// texture mapping", SIGGRAPH 1984.
struct Counts {
    width: usize,
    sums: Vec<u32>,
}

impl Counts {
    fn of(width: usize, height: usize, marked: impl Fn(usize, usize) -> bool) -> Self {
        let mut sums = vec![0u32; (width + 1) * (height + 1)];
        for y in 0..height {
            let mut row = 0;
            for x in 0..width {
                row += u32::from(marked(x, y));
                sums[(y + 1) * (width + 1) + x + 1] = sums[y * (width + 1) + x + 1] + row;
            }
        }
        Self { width, sums }
    }

    /// Whether none is marked in a rectangle; beyond the picture there are none.
    fn none_in(&self, rect: &Rect) -> bool {
        let height = self.sums.len() / (self.width + 1) - 1;
        let within = |v: i32, most: usize| (v.max(0) as usize).min(most);
        let (l, r) = (within(rect.left, self.width), within(rect.right + 1, self.width));
        let (t, b) = (within(rect.top, height), within(rect.bottom + 1, height));
        let at = |x: usize, y: usize| self.sums[y * (self.width + 1) + x];
        at(r, b) + at(l, t) == at(l, b) + at(r, t)
    }
}

impl<'a> Sheet<'a> {
    /// `face` row by row.
    pub(super) fn new(face: &'a [Option<usize>], width: usize) -> Self {
        let height = face.len() / width.max(1);
        let changes = Counts::of(width, height, |x, y| {
            let i = y * width + x;
            let right = x + 1 < width && face[i] != face[i + 1];
            right || y + 1 < height && face[i] != face[i + width]
        });
        Self { width: width as i32, height: height as i32, face, changes }
    }

    fn holds(&self, rect: &Rect) -> bool {
        rect.left >= 0 && rect.top >= 0 && rect.right < self.width && rect.bottom < self.height
    }

    fn face_at(&self, [x, y]: [i32; 2]) -> Option<usize> {
        self.face[(y * self.width + x) as usize]
    }

    /// Gives numbers of `letters` pixels their places beside those that have theirs; what finds none comes back.
    pub(super) fn place(&self, letters: usize, asks: Vec<Ask>, placed: &mut Vec<Label>) -> Vec<Ask> {
        let ends: Vec<[i32; 2]> = placed.iter().map(|l| l.ask.at).chain(asks.iter().map(|a| a.at)).collect();
        let mut dotted = vec![false; self.face.len()];
        for [x, y] in &ends {
            dotted[(y * self.width + x) as usize] = true;
        }
        let width = self.width as usize;
        let dots = Counts::of(width, self.height as usize, |x, y| dotted[y * width + x]);
        let mut beside = Vec::new();
        let mut without = Vec::new();
        for ask in asks {
            let rect = Rect::about(ask.at, half(&ask.text, letters));
            let free = placed.len() < MOST
                && self.holds(&rect)
                && self.changes.none_in(&rect)
                && self.face_at(ask.at) == Some(ask.face)
                && placed.iter().all(|l| !l.rect.overlaps(&rect) && l.line().is_none_or(|n| !rect.cuts(n)));
            if free {
                placed.push(Label { ask, rect, beside: false });
            } else {
                beside.push(ask);
            }
        }
        for ask in beside {
            let rect =
                if placed.len() < MOST { self.nearest(&ask, letters, placed, &ends, &dots) } else { None };
            match rect {
                Some(rect) => placed.push(Label { ask, rect, beside: true }),
                None => without.push(ask),
            }
        }
        without
    }

    /// The nearest free place that lies on one thing and whose line crosses nothing; a nearer one whose line crosses others, or
    /// that hides some border, only where the best lies much further.
    fn nearest(
        &self,
        ask: &Ask,
        letters: usize,
        placed: &[Label],
        ends: &[[i32; 2]],
        dots: &Counts,
    ) -> Option<Rect> {
        let half = half(&ask.text, letters);
        let rows = (-REACH..=REACH).step_by(STEP[1] as usize);
        let grid = rows.flat_map(|y| (-REACH..=REACH).step_by(STEP[0] as usize).map(move |x| [x, y]));
        let mut places: Vec<(i32, Rect)> = grid
            .map(|[x, y]| Rect::about([ask.at[0] + x, ask.at[1] + y], half))
            .map(|rect| (rect.squared(ask.at), rect))
            .filter(|(away, rect)| *away > CLEAR * CLEAR && self.holds(rect))
            .collect();
        // Equal distances stay in their order.
        places.sort_by_key(|(away, _)| *away);
        let mut second: Option<(bool, i32, Rect)> = None;
        for (away, rect) in places {
            // A line more than twice as long, and longer by much, is worse than one that crosses another.
            if second.is_some_and(|(_, held, _)| away > 4 * held + MUCH * MUCH) {
                break;
            }
            let line = [ask.at, [(rect.left + rect.right) / 2, (rect.top + rect.bottom) / 2]];
            // No other number in it or in the way, no line through it, nothing hidden that a line ends at.
            let taken = !dots.none_in(&rect.grown(CLEAR))
                || placed.iter().any(|l| {
                    l.rect.overlaps(&rect) || l.rect.cuts(line) || l.line().is_some_and(|n| rect.cuts(n))
                });
            if taken {
                continue;
            }
            let uniform = self.changes.none_in(&rect);
            let crosses = placed.iter().filter_map(Label::line).any(|other| cross(other, line))
                || ends.iter().any(|&e| e != ask.at && Rect::about(e, [CLEAR, CLEAR]).cuts(line));
            if uniform && !crosses {
                return Some(rect);
            }
            if second.is_none_or(|(held, ..)| uniform && !held) {
                second = Some((uniform, away, rect));
            }
        }
        second.map(|(.., rect)| rect)
    }
}

/// Half the sides of a number's rectangle, pixels.
fn half(text: &str, letters: usize) -> [i32; 2] {
    let wide = text.chars().count() as f64 * LETTER_WIDTH * letters as f64;
    [(0.5 * wide).ceil() as i32 + PAD, letters.div_ceil(2) as i32 + PAD / 2]
}

/// The rectangle that a line spans.
fn box_of([[ax, ay], [bx, by]]: [[i32; 2]; 2]) -> Rect {
    Rect { left: ax.min(bx), top: ay.min(by), right: ax.max(bx), bottom: ay.max(by) }
}

/// Whether two lines have a place in common, other than by lying in one.
fn cross([a, b]: [[i32; 2]; 2], [c, d]: [[i32; 2]; 2]) -> bool {
    if !box_of([a, b]).overlaps(&box_of([c, d])) {
        return false;
    }
    let side = |p: [i32; 2], q: [i32; 2], r: [i32; 2]| {
        let [px, py, qx, qy, rx, ry] = [p[0], p[1], q[0], q[1], r[0], r[1]].map(i64::from);
        ((qx - px) * (ry - py) - (qy - py) * (rx - px)).signum()
    };
    side(a, b, c) * side(a, b, d) <= 0
        && side(c, d, a) * side(c, d, b) <= 0
        && (side(a, b, c), side(a, b, d)) != (0, 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A face 0 of 300 x 200 pixels with small faces 1, 2, ... of 4 x 4 pixels in it, in a margin of 100.
    fn plate(small: &[[i32; 2]]) -> Vec<Option<usize>> {
        let mut face = vec![None; 500 * 400];
        let mut fill = |[x, y]: [i32; 2], [w, h]: [i32; 2], f: usize| {
            for row in y..y + h {
                face[(row * 500 + x) as usize..(row * 500 + x + w) as usize].fill(Some(f));
            }
        };
        fill([100, 100], [300, 200], 0);
        for (i, &[x, y]) in small.iter().enumerate() {
            fill([x - 2, y - 2], [4, 4], i + 1);
        }
        face
    }

    fn asks(small: &[[i32; 2]]) -> Vec<Ask> {
        let large = Ask { face: 0, text: "#1".into(), at: [255, 180] };
        let of = |(i, &at): (usize, &[i32; 2])| Ask { face: i + 1, text: format!("#{}", 1000 + i), at };
        std::iter::once(large).chain(small.iter().enumerate().map(of)).collect()
    }

    fn apart(labels: &[Label]) {
        for (i, a) in labels.iter().enumerate() {
            for b in &labels[..i] {
                assert!(!a.rect.overlaps(&b.rect), "{a:?} {b:?}");
                assert!(a.line().is_none_or(|l| !b.rect.cuts(l)), "{a:?} {b:?}");
                assert!(b.line().is_none_or(|l| !a.rect.cuts(l)), "{a:?} {b:?}");
            }
        }
    }

    #[test]
    fn a_large_face_has_its_number_on_it_and_small_ones_beside_them() {
        let small: Vec<[i32; 2]> = (0..40).map(|i| [120 + 30 * (i % 10), 120 + 40 * (i / 10)]).collect();
        let face = plate(&small);
        let sheet = Sheet::new(&face, 500);
        let mut placed = Vec::new();
        assert_eq!(sheet.place(12, asks(&small), &mut placed), []);
        assert_eq!(placed.len(), 41);
        apart(&placed);
        assert!(!placed[0].beside && placed[0].centre() == [255, 180]);
        for label in &placed[1..] {
            assert!(label.beside && sheet.holds(&label.rect), "{label:?}");
            // It hides no small face.
            assert!(small.iter().all(|&at| !label.rect.holds(at)), "{label:?}");
        }
        // As near as it can be: one alone stands a pad and a step off at most.
        let mut alone = Vec::new();
        sheet.place(12, asks(&small[..1]).split_off(1), &mut alone);
        assert!(alone[0].rect.squared(small[0]) <= 12 * 12, "{alone:?}");
    }

    #[test]
    fn more_numbers_than_there_is_room_for_come_back_and_none_stands_on_another() {
        let small: Vec<[i32; 2]> = (0..1200).map(|i| [105 + 7 * (i % 40), 105 + 6 * (i / 40)]).collect();
        let face = plate(&small);
        let sheet = Sheet::new(&face, 500);
        let mut placed = Vec::new();
        let back = sheet.place(20, asks(&small), &mut placed);
        assert!(placed.len() > 20 && placed.len() + back.len() == 1201, "{}", placed.len());
        apart(&placed);
        // Beside those that stand, later ones have no more rights.
        let before = placed.clone();
        let again = sheet.place(20, back, &mut placed);
        assert!(placed.starts_with(&before) && placed.len() + again.len() == 1201);
        apart(&placed);
    }

    #[test]
    fn lines_cross_or_do_not() {
        assert!(cross([[0, 0], [10, 10]], [[0, 10], [10, 0]]));
        assert!(cross([[0, 0], [10, 0]], [[5, 0], [5, 9]]));
        assert!(!cross([[0, 0], [10, 0]], [[0, 1], [10, 1]]));
        assert!(!cross([[0, 0], [4, 4]], [[5, 5], [9, 0]]));
        let rect = Rect { left: 10, top: 10, right: 20, bottom: 15 };
        assert!(rect.cuts([[0, 12], [30, 12]]) && rect.cuts([[12, 12], [13, 13]]));
        assert!(!rect.cuts([[0, 0], [30, 5]]));
        assert_eq!((rect.squared([15, 12]), rect.squared([7, 19])), (0, 25));
    }
}
