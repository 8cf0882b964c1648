//! A short run of points, put in an order in which neighbours in space follow each other.

use crate::geometry::{Point, Vector, morton};

/// Cells along each axis: 2^6, in two digits of nine bits over three axes.
const BITS: u32 = 6;
const DIGIT: u32 = 9;
/// Points that tell where the run lies.
const SAMPLE: usize = 128;

/// Points with their places in the run they came in, along Morton's curve.
#[derive(Clone, Debug, Default)]
pub(super) struct Window {
    given: Vec<Point>,
    keys: Vec<u64>,
    other: Vec<u64>,
    /// In the order of the curve.
    pub(super) points: Vec<Point>,
    /// With [`STRAY`].
    places: Vec<u32>,
}

/// Marks in a place a point that stands off from where it came between two others.
const STRAY: u32 = 1 << 31;
/// As many steps.
const OFF: f64 = 6.0;

impl Window {
    /// Where the point stood in the run.
    #[inline(always)]
    pub(super) fn place(&self, at: usize) -> usize {
        (self.places[at] & !STRAY) as usize
    }

    #[inline(always)]
    pub(super) fn stray(&self, at: usize) -> bool {
        self.places[at] & STRAY != 0
    }

    pub(super) fn fill(&mut self, points: impl Iterator<Item = Point>) {
        self.given.clear();
        self.given.extend(points);
        self.sort();
        self.points.clear();
        self.places.clear();
        for &key in &self.keys {
            let place = key as u32;
            self.places.push(place);
            self.points.push(self.given[(place & !STRAY) as usize]);
        }
    }

    fn sort(&mut self) {
        let (low, scale) = cells(&self.given);
        let cell = |p: &Point, k: usize| {
            // A number that is no cell becomes 0, and all fit.
            (((p[k] - low[k]) * scale) as i32).clamp(0, (1 << BITS) - 1) as u32
        };
        let key = |(place, p): (u32, &Point)| {
            u64::from(morton::short_key(std::array::from_fn(|k| cell(p, k)))) << 32 | u64::from(place)
        };
        self.keys.clear();
        self.keys.extend((0..).zip(&self.given).map(key));
        self.mark_strays();
        // Each pass keeps the order of equal digits.
        self.other.resize(self.keys.len(), 0);
        for digit in 0..2 {
            let of = |key: u64| (key >> (32 + DIGIT * digit)) as usize & ((1 << DIGIT) - 1);
            let mut start = [0u32; 1 << DIGIT];
            for &key in &self.keys {
                start[of(key)] += 1;
            }
            let mut sum = 0;
            for s in &mut start {
                (*s, sum) = (sum, sum + *s);
            }
            for &key in &self.keys {
                let s = &mut start[of(key)];
                self.other[*s as usize] = key;
                *s += 1;
            }
            std::mem::swap(&mut self.keys, &mut self.other);
        }
    }
}

impl Window {
    /// A point far from the one before and the one after, which are near each other, is put with the one
    /// before.
    fn mark_strays(&mut self) {
        let points = &self.given;
        let step2 = |i: usize| (points[i] - points[i - 1]).norm_squared();
        let mut some: Vec<f64> =
            (1..points.len()).step_by((points.len() / SAMPLE).max(1)).map(step2).collect();
        if some.len() < 3 {
            return;
        }
        let half = some.len() / 2;
        let far2 = OFF * OFF * *some.select_nth_unstable_by(half, f64::total_cmp).1;
        let mut before = true;
        for i in 1..points.len() {
            let after = step2(i) > far2;
            if before && after && i > 1 && (points[i] - points[i - 2]).norm_squared() <= far2 {
                let of_last = self.keys[i - 2] >> 32 << 32;
                self.keys[i - 1] = of_last | u64::from((i as u32 - 1) | STRAY);
            }
            before = after;
        }
    }
}

/// Where cells begin, and how many there are to the millimetre: around the mean of what lies within four mean
/// deviations of it, found again and again, so that one point far out does not make all others fall into one
/// cell.
fn cells(points: &[Point]) -> (Vector, f64) {
    let (mut mean, mut half) = (Vector::zeros(), super::FARTHEST_MM);
    let some = || points.iter().step_by((points.len() / SAMPLE).max(1));
    for _ in 0..3 {
        let inside = |p: &&Point| (p.coords - mean).iter().all(|c| c.abs() <= half);
        let (count, sum) =
            some().filter(inside).fold((0.0, Vector::zeros()), |(n, s), p| (n + 1.0, s + p.coords));
        if count == 0.0 {
            break;
        }
        let centre = sum / count;
        let off = some().filter(inside).fold(Vector::zeros(), |s, p| s + (p.coords - centre).abs());
        (mean, half) = (centre, 4.0 * (off / count).max());
    }
    // An even spread reaches two mean deviations either side; what is beyond the cells falls into the last.
    half *= 2.5 / 4.0;
    let scale = if half > 0.0 { f64::from(1u32 << (BITS - 1)) / half } else { 0.0 };
    (mean.add_scalar(-half), scale)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    #[test]
    fn every_point_comes_once_and_neighbours_soon_in_spite_of_strays() {
        let mut random = Random::seeded(2);
        let mut given: Vec<Point> =
            (0..1000).map(|_| Point::new(random.range(0.0, 32.0), random.range(0.0, 32.0), 7.0)).collect();
        given[10] = Point::new(f64::NAN, 0.0, 0.0);
        given[20] = Point::new(900.0, f64::INFINITY, 0.0);
        given[30] = Point::new(900.0, 800.0, 1e5);
        let mut window = Window::default();
        window.fill(given.iter().copied());
        let mut sorted: Vec<usize> = (0..1000).map(|at| window.place(at)).collect();
        sorted.sort_unstable();
        assert!(sorted.iter().enumerate().all(|(i, &place)| i == place));
        let near = window.points.windows(2).filter(|w| (w[0] - w[1]).norm() < 3.0).count();
        assert!(near > 850, "points lie 1 mm apart, and {near} steps of 1000 are short");
        window.fill(std::iter::repeat_n(Point::origin(), 5));
        assert_eq!(window.places, [0, 1, 2, 3, 4]);
    }
}
