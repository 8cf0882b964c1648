//! Skin, wall and other side as lines of one section; the arrises where they meet.
//!
//! Each line is the least-squares line of the deviations from the nominal, so that a curved skin or a round wall is
//! followed: for the skin and the other side over the distance from the edge, for the wall over the way down it. How much
//! a line leans from its nominal is held by the points; where they do not tell it (one row of a wall), a lean of 0.1 either
//! way is taken for usual: a Gaussian prior in the normal equations (JCGM 100:2008 knows none; Gelman et al., Bayesian Data
//! Analysis, 3rd edition, 2013, 14.8, from memory). On walls of three rows and more it changes less than a thousandth.

use super::frames::Here;

/// Usual lean of a trimmed wall or a skin from its nominal, mm for each mm: 6 degrees. Common practice, no source.
const LEAN: f64 = 0.1;

/// How far a side that was not seen may lie off its nominal, mm, one standard deviation; common practice, no source.
const UNSEEN_MM: f64 = 0.3;

/// Points that stand further off a line than this many standard deviations are left out, the worst first.
const STRAY: f64 = 6.0;

/// Most points of a section that may be strays: a tenth.
const MOST_STRAYS: usize = 10;

/// Below this, differences are the rounding of coordinates, not noise, mm.
pub(super) const LEAST_NOISE_MM: f64 = 1e-6;

/// A line of a section, from points (place along it, deviation), mm.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Line {
    /// Deviation at 0, mm, and lean.
    pub(super) value: [f64; 2],
    /// Covariance of both.
    pub(super) covariance: [[f64; 2]; 2],
    /// Points that it rests on.
    pub(super) points: usize,
    /// Sum of squared distances of the points from it, mm2.
    pub(super) squares: f64,
}

impl Line {
    /// The line of some points, without strays. `level_mm` is the prior of its deviation at 0; `None` for none.
    pub(super) fn of(points: &mut Vec<[f64; 2]>, noise_mm: f64, level_mm: Option<f64>) -> Self {
        let noise = noise_mm.max(LEAST_NOISE_MM);
        let mut strays = points.len() / MOST_STRAYS;
        loop {
            let line = Self::fitted(points, noise, level_mm);
            let off = |p: &[f64; 2]| (p[1] - line.value[0] - line.value[1] * p[0]).abs();
            let worst = (0..points.len()).max_by(|&a, &b| off(&points[a]).total_cmp(&off(&points[b])));
            match worst {
                Some(k) if strays > 0 && points.len() > 3 && off(&points[k]) > STRAY * noise => {
                    points.remove(k);
                    strays -= 1;
                }
                _ => return line,
            }
        }
    }

    fn fitted(points: &[[f64; 2]], noise: f64, level_mm: Option<f64>) -> Self {
        let weight = 1.0 / (noise * noise);
        let (mut n, mut x, mut xx, mut y, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for [at, value] in points {
            n += 1.0;
            x += at;
            xx += at * at;
            y += value;
            xy += at * value;
        }
        let a = weight * n + level_mm.map_or(0.0, |l| 1.0 / (l * l));
        let (b, d) = (weight * x, weight * xx + 1.0 / (LEAN * LEAN));
        let det = a * d - b * b;
        if !(det > 0.0) {
            return Self { points: points.len(), ..Self::default() };
        }
        let covariance = [[d / det, -b / det], [-b / det, a / det]];
        let value = [0, 1].map(|k| weight * (covariance[k][0] * y + covariance[k][1] * xy));
        let off = |p: &[f64; 2]| p[1] - value[0] - value[1] * p[0];
        let squares = points.iter().map(|p| off(p) * off(p)).sum();
        Self { value, covariance, points: points.len(), squares }
    }

    /// A side of which nothing was seen.
    pub(super) fn unseen() -> Self {
        let covariance = [[UNSEEN_MM * UNSEEN_MM, 0.0], [0.0, LEAN * LEAN]];
        Self { value: [0.0; 2], covariance, points: 0, squares: 0.0 }
    }

    /// The line of the points of a side, or that of an unseen one.
    pub(super) fn side(points: &mut Vec<[f64; 2]>, noise_mm: f64) -> Self {
        if points.is_empty() { Self::unseen() } else { Self::of(points, noise_mm, Some(UNSEEN_MM)) }
    }
}

/// Which place of the section is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Place {
    Visible,
    Hidden,
    Middle,
}

/// The three lines of a section.
#[derive(Clone, Copy, Debug)]
pub(super) struct Section {
    pub(super) wall: Line,
    pub(super) skin: Line,
    pub(super) other: Line,
}

/// The nominal section: components of the wall's way down, its normal and the other side's normal.
struct Nominal {
    down: [f64; 2],
    wall: [f64; 2],
    other: Option<[f64; 2]>,
    depth_mm: f64,
}

impl Nominal {
    fn of(here: &Here) -> Self {
        let flat = |v: crate::geometry::Vector| [v.dot(&here.out), v.dot(&here.up)];
        match here.wall {
            Some(w) => Self {
                down: flat(w.down.vector()),
                wall: flat(w.normal.vector()),
                other: w.other.map(|o| flat(o.vector())),
                depth_mm: w.depth_mm,
            },
            // An open sheet's wall is taken to stand square to it.
            None => Self { down: [0.0, -1.0], wall: [1.0, 0.0], other: None, depth_mm: 0.0 },
        }
    }

    /// How far out the arris with the skin lies: the wall's line `a + c z` along its normal over the way down z meets the
    /// skin's line `h + k t` over the way out t.
    fn visible(&self, [a, c]: [f64; 2], [h, k]: [f64; 2]) -> f64 {
        let ([dt, du], [wt, wu]) = (self.down, self.wall);
        let down = (h + a * (k * wt - wu)) / (du + c * wu - k * (dt + c * wt));
        down * dt + (a + c * down) * wt
    }

    /// The same at the other side, from its nominal place.
    fn hidden(&self, [a, c]: [f64; 2], [g, k]: [f64; 2]) -> Option<f64> {
        let ([dt, du], [wt, wu], [ot, ou]) = (self.down, self.wall, self.other?);
        let (down_off, wall_off) = (dt * ot + du * ou, wt * ot + wu * ou);
        let depth = self.depth_mm;
        let down = (depth * down_off + g - a * wall_off + k * (a * wt - depth * dt))
            / (down_off + c * wall_off - k * (dt + c * wt));
        Some(down * dt + (a + c * down) * wt - depth * dt)
    }
}

impl Section {
    /// How far the edge lies out of its nominal place, mm, with its standard uncertainty from the noise of the points
    /// (JCGM 100:2008, 5.1.2, with derivatives by differences); `None` where the lines do not meet.
    pub(super) fn offset(&self, here: &Here, place: Place) -> Option<(f64, f64)> {
        let nominal = Nominal::of(here);
        let at = |p: &[f64; 6]| -> Option<f64> {
            let (wall, skin, other) = ([p[0], p[1]], [p[2], p[3]], [p[4], p[5]]);
            let found = match place {
                Place::Visible => nominal.visible(wall, skin),
                Place::Hidden => nominal.hidden(wall, other)?,
                Place::Middle => 0.5 * (nominal.visible(wall, skin) + nominal.hidden(wall, other)?),
            };
            found.is_finite().then_some(found)
        };
        let values: [f64; 6] = [
            self.wall.value[0],
            self.wall.value[1],
            self.skin.value[0],
            self.skin.value[1],
            self.other.value[0],
            self.other.value[1],
        ];
        const STEP: f64 = 1e-5;
        let mut slope = [0.0; 6];
        for (k, s) in slope.iter_mut().enumerate() {
            let moved = |by: f64| {
                let mut p = values;
                p[k] += by;
                at(&p)
            };
            *s = (moved(STEP)? - moved(-STEP)?) / (2.0 * STEP);
        }
        let mut variance = 0.0;
        for (line, k) in [(&self.wall, 0), (&self.skin, 2), (&self.other, 4)] {
            let c = &line.covariance;
            let (s, t) = (slope[k], slope[k + 1]);
            variance += s * s * c[0][0] + 2.0 * s * t * c[0][1] + t * t * c[1][1];
        }
        let offset = at(&values)?;
        let standard = variance.max(0.0).sqrt();
        standard.is_finite().then_some((offset, standard))
    }
}
