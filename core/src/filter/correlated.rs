//! Noise that neighbouring points share, in seeded draws.
//!
//! Between nodes of a lattice, each with independent deviates, the field is linear along each axis and brought back to the
//! stated deviation. The nodes lie so far apart that a mean over a large face scatters as that of a Gaussian field with the
//! autocorrelation exp(-d^2 / (2 length^2)) does (integral of the correlation over the plane, 2 pi length^2): the shape of
//! the correlation is not known better than its length. A node's deviates come from its place alone, so that neighbouring
//! features share the field.
//!
//! Shifts of passes: a pass looks from one side, so what faces elsewhere was taken by another pass however near it lies. Where
//! passes meet is not known: it may be between faces that differ by a few degrees, or round half a hole. So their shift is the
//! sum of two fields, each asked at the place moved along its normal ([`LOOKS`]): one that only what faces alike shares, and one
//! that is shared widely. Neither the difference of two faces nor the mean over a wall then comes out too small.

use std::collections::BTreeMap;

use super::gaussian::{Draws, REHEARSALS};
use crate::geometry::random::Random;
use crate::geometry::{Matrix3, Motion, PartFrame, Point, Vector};

/// Nodes lie this many correlation lengths apart: by trials, so that means over planes of any direction scatter as they should
/// (a test holds it).
const NODES_APART: f64 = 1.64;

/// For the shift of a pass: how many lengths a place is moved along its normal, and the share of the variance. Faces that differ by
/// 10 degrees share half of it (a correlation of 0.56), by 18 degrees 0.3, by 60 degrees 0.1, the two sides of a skin nothing;
/// the mean over the wall of a hole keeps an eighth, as of eight passes round it. By trials on simulated passes from 14 sides
/// (`tests/src/validation`).
const LOOKS: [(f64, f64); 2] = [(8.0, 0.7), (1.5, 0.3)];

/// Directions from which passes look, where each has its own noise: to the faces and the corners of a cube, 45 to 55 degrees apart,
/// about as many as it takes to see all of a part. They are turned askew as the lattice is.
const VIEWS: [[f64; 3]; 14] = {
    const C: f64 = 0.577_350_269_189_625_8;
    [
        [1.0, 0.0, 0.0],
        [-1.0, 0.0, 0.0],
        [0.0, 1.0, 0.0],
        [0.0, -1.0, 0.0],
        [0.0, 0.0, 1.0],
        [0.0, 0.0, -1.0],
        [C, C, C],
        [C, C, -C],
        [C, -C, C],
        [C, -C, -C],
        [-C, C, C],
        [-C, C, -C],
        [-C, -C, C],
        [-C, -C, -C],
    ]
};

/// A view has a part in what faces it by less than 60 degrees: where passes meet is not known.
const LEAST_FACING: f64 = 0.5;

/// Seed of fields that neighbouring points share: any constant, and the same for all features and datums, which share them too.
const SEED: u64 = 0xC0_44E1_A7ED;

/// Noise that neighbouring points share.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correlated {
    /// Its standard deviation, mm.
    pub standard_mm: f64,
    /// Distance at which the correlation has fallen to exp(-1/2) = 0.61, mm.
    pub length_mm: f64,
    /// Whether it shifts places in any direction, as passes that do not quite fit do; otherwise it lies along the normals.
    pub shifts: bool,
    /// Whether each of several passes has its own, where it does not shift: what faces elsewhere then shares nothing of it.
    pub each_pass: bool,
}

impl Correlated {
    /// Whether it is any noise, of a length that means something.
    fn is_sound(&self) -> bool {
        let sound = |v: f64| v.is_finite() && v > 0.0;
        sound(self.standard_mm) && sound(self.length_mm)
    }
}

/// A drawn field: the same seed and the same draw give the same one.
pub struct CorrelatedField {
    of: Correlated,
    seed: u64,
    draws: usize,
    /// To the axes of the lattice.
    turn: Matrix3,
    /// Deviates of the nodes that were met, by field and place: three axes a draw where it shifts.
    nodes: BTreeMap<(usize, [i64; 3]), Vec<f32>>,
}

/// Turn of the lattice, rad about x, y, z: any that is no round part of a turn.
const ASKEW: [f64; 3] = [0.531, 1.037, 0.719];

impl CorrelatedField {
    /// Some draws of a field; `None` where it is nothing or makes no sense.
    pub fn new(of: &Correlated, draws: usize, seed: u64) -> Option<Self> {
        let seed = seed ^ of.length_mm.to_bits().rotate_left(17);
        of.is_sound().then(|| Self { of: *of, seed, draws, turn: askew(), nodes: BTreeMap::new() })
    }

    /// The displacement of a place in every draw, mm: signed along `way`, a unit vector; `normal` is that of the surface which
    /// tells it, and so which pass took it.
    pub fn along(&mut self, place: &Point, normal: &Vector, way: &Vector, out: &mut [f64]) {
        out.fill(0.0);
        // What a node holds comes from its place alone, so that it can be forgotten and found again.
        if self.nodes.len() > MOST_NODES {
            self.nodes.clear();
        }
        let Self { of, seed, draws, turn, nodes } = self;
        let axes = if of.shifts { 3 } else { 1 };
        weights_turned(of, turn, place, [normal, way], &mut |(field, node), along| {
            let seed = *seed ^ (field as u64).wrapping_mul(0x9E37_79B9);
            let deviates = nodes.entry((field, node)).or_insert_with(|| deviates(node, axes * *draws, seed));
            for (d, sum) in out.iter_mut().enumerate().take(*draws) {
                *sum += match axes {
                    1 => along[0] * f64::from(deviates[d]),
                    _ => (0..3).map(|k| along[k] * f64::from(deviates[3 * d + k])).sum::<f64>(),
                };
            }
        });
    }
}

/// What each independent deviate of a field adds to the displacement of a place along its normal, mm: told with the node (and which
/// of several fields it is of), one weight for each of its deviates. Nothing of what is no noise or makes no sense.
pub(super) fn weights(
    of: &Correlated,
    place: &Point,
    normal: &Vector,
    tell: &mut dyn FnMut((usize, [i64; 3]), [f64; 3]),
) {
    if of.is_sound() {
        weights_turned(of, &askew(), place, [normal, normal], tell);
    }
}

/// The same in axes that are turned already: `normal` is that of the surface which tells the place, and so which pass took it,
/// `way` the direction along which it counts.
fn weights_turned(
    of: &Correlated,
    turn: &Matrix3,
    place: &Point,
    [normal, way]: [&Vector; 2],
    tell: &mut dyn FnMut((usize, [i64; 3]), [f64; 3]),
) {
    if !of.shifts && of.each_pass {
        let facing = turn * normal;
        let share = |view: &[f64; 3]| {
            let more = facing.dot(&Vector::from(*view)) - LEAST_FACING;
            if more > 0.0 { more * more } else { 0.0 }
        };
        let all: f64 = VIEWS.iter().map(share).sum();
        // No direction is further than 55 degrees from a view; a normal that is none is nobody's.
        for (field, view) in VIEWS.iter().enumerate() {
            let share = share(view);
            if share > 0.0 {
                let times = (share / all).sqrt();
                corners(of, turn, place, &mut |node, w| tell((field, node), [times * w, 0.0, 0.0]));
            }
        }
        return;
    }
    if !of.shifts {
        return corners(of, turn, place, &mut |node, w| tell((0, node), [w, 0.0, 0.0]));
    }
    for (field, (looks, share)) in LOOKS.into_iter().enumerate() {
        let moved = place + normal * (looks * of.length_mm);
        let times = share.sqrt();
        corners(of, turn, &moved, &mut |node, w| {
            let w = times * w;
            tell((field, node), [w * way.x, w * way.y, w * way.z]);
        });
    }
}

/// The nodes about a place with their weights, mm: linear along each axis of the lattice, of the stated deviation together.
fn corners(of: &Correlated, turn: &Matrix3, place: &Point, tell: &mut dyn FnMut([i64; 3], f64)) {
    let h = NODES_APART * of.length_mm;
    let at = turn * place.coords / h;
    let base: [i64; 3] = std::array::from_fn(|k| at[k].floor() as i64);
    let part: [f64; 3] = std::array::from_fn(|k| at[k] - base[k] as f64);
    let weight = |corner: usize| -> f64 {
        (0..3).map(|k| if corner >> k & 1 == 1 { part[k] } else { 1.0 - part[k] }).product()
    };
    let square: f64 = (0..8).map(|c| weight(c) * weight(c)).sum();
    let scale = of.standard_mm / square.sqrt();
    for corner in 0..8 {
        let node = std::array::from_fn(|k| base[k] + (corner >> k & 1) as i64);
        tell(node, scale * weight(corner));
    }
}

/// All that neighbouring points share, drawn as often as noise is rehearsed. Draw by draw it is the same for every feature and
/// datum of a scan, so that what they have in common goes with all of them.
pub struct SharedNoise {
    fields: Vec<CorrelatedField>,
}

impl SharedNoise {
    /// Of every kind that is stated.
    pub fn new(all: &[Correlated]) -> Self {
        Self { fields: all.iter().filter_map(|one| CorrelatedField::new(one, REHEARSALS, SEED)).collect() }
    }

    /// Whether nothing is shared.
    pub fn is_none(&self) -> bool {
        self.fields.is_empty()
    }

    /// The displacement of a place in every draw, mm: signed along `normal`, a unit vector.
    pub fn at(&mut self, place: &Point, normal: &Vector) -> Draws {
        self.along(place, normal, normal)
    }

    /// The displacement in every draw of a place that a surface with this `normal` tells, mm: signed along `way`, a unit vector. The
    /// end of a skin lies across it, but the pass that took it is that of the skin.
    pub fn along(&mut self, place: &Point, normal: &Vector, way: &Vector) -> Draws {
        let mut sum = [0.0f32; REHEARSALS];
        let mut values = [0.0; REHEARSALS];
        for field in &mut self.fields {
            field.along(place, normal, way, &mut values);
            sum.iter_mut().zip(&values).for_each(|(s, v)| *s += *v as f32);
        }
        sum
    }
}

/// Nodes kept at a time: some 40 MB, of shifts three times that.
const MOST_NODES: usize = 200_000;

fn askew() -> Matrix3 {
    Motion::<PartFrame, PartFrame>::from_turn_and_shift(Vector::from(ASKEW), Vector::zeros())
        .rotation()
        .to_owned()
}

fn deviates(node: [i64; 3], count: usize, seed: u64) -> Vec<f32> {
    let mixed =
        node.iter().fold(seed, |h, &c| (h ^ c as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15).rotate_left(29));
    let mut random = Random::seeded(mixed);
    (0..count).map(|_| random.normal() as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Direction, math};

    const DRAWS: usize = 400;

    fn draws(field: &mut CorrelatedField, place: Point, normal: Vector) -> Vec<f64> {
        let mut out = vec![0.0; DRAWS];
        field.along(&place, &normal, &normal, &mut out);
        out
    }

    fn covariance(a: &[f64], b: &[f64]) -> f64 {
        a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>() / a.len() as f64
    }

    #[test]
    fn each_place_has_the_stated_deviation_and_neighbours_share_it() {
        let of = Correlated { standard_mm: 0.02, length_mm: 3.0, shifts: false, each_pass: false };
        let mut field = CorrelatedField::new(&of, DRAWS, 4).unwrap();
        let mut random = Random::seeded(8);
        let (mut own, mut near, mut far, n) = (0.0, 0.0, 0.0, 60);
        for _ in 0..n {
            let mut at = || 300.0 * random.unit() - 150.0;
            let p = Point::new(at(), at(), at());
            let here = draws(&mut field, p, Vector::z());
            let step = random.direction().vector();
            own += covariance(&here, &here) / 4e-4;
            near += covariance(&here, &draws(&mut field, p + step, Vector::z())) / 4e-4;
            far += covariance(&here, &draws(&mut field, p + step * 20.0, Vector::z())) / 4e-4;
        }
        let n = f64::from(n);
        assert!((own / n - 1.0).abs() < 0.03, "{}", own / n);
        // exp(-1/18) = 0.946 at a third of the length, nothing at seven lengths.
        assert!((near / n - 0.946).abs() < 0.04, "{}", near / n);
        assert!((far / n).abs() < 0.03, "{}", far / n);
    }

    #[test]
    fn the_end_of_a_skin_moves_as_a_whole_with_the_pass_that_took_the_skin() {
        // Round a hole of 8 mm: its centre goes with the shift of one pass, while its wall was taken by passes from all sides.
        let of = Correlated { standard_mm: 0.03, length_mm: 40.0, shifts: true, each_pass: false };
        let mut field = CorrelatedField::new(&of, DRAWS, 9).unwrap();
        let around = 48;
        let mut told = [0.0; 2];
        for (k, of_skin) in [true, false].into_iter().enumerate() {
            let mut centre = vec![0.0; DRAWS];
            for i in 0..around {
                let turn = std::f64::consts::TAU * f64::from(i) / f64::from(around);
                let e = Vector::new(math::cos(turn), math::sin(turn), 0.0);
                let mut out = vec![0.0; DRAWS];
                let normal = if of_skin { Vector::z() } else { -e };
                field.along(&Point::from(e * 4.0), &normal, &e, &mut out);
                // The first harmonic of the radial distances is the shift of the centre.
                let share = 2.0 * e.x / f64::from(around);
                centre.iter_mut().zip(&out).for_each(|(c, v)| *c += v * share);
            }
            told[k] = covariance(&centre, &centre) / (of.standard_mm * of.standard_mm);
        }
        // 400 draws tell a variance to 7 %.
        assert!((told[0] - 1.0).abs() < 0.25, "{told:?}");
        assert!(told[1] < 0.4, "{told:?}");
    }

    #[test]
    fn a_mean_over_a_face_scatters_as_the_correlation_says() {
        // Of a Gaussian field on a square of edge L much larger than the length: variance s^2 2 pi l^2 / L^2, less the rim's
        // share.
        let of = Correlated { standard_mm: 1.0, length_mm: 2.0, shifts: false, each_pass: false };
        let mut ratios = Vec::new();
        for (k, normal) in
            [Vector::z(), Vector::x(), Vector::new(0.3, -0.5, 0.8), Vector::new(-1.0, 1.0, 0.0)]
                .into_iter()
                .enumerate()
        {
            let (u, v) = Direction::new(normal).unwrap().frame();
            let mut field = CorrelatedField::new(&of, DRAWS, k as u64).unwrap();
            let (edge, steps) = (60.0, 50);
            let mut mean = vec![0.0; DRAWS];
            for (i, j) in (0..steps * steps).map(|c| (c / steps, c % steps)) {
                let (x, y) = (edge * f64::from(i) / f64::from(steps), edge * f64::from(j) / f64::from(steps));
                let values = draws(&mut field, Point::from(u * x + v * y), normal);
                mean.iter_mut().zip(&values).for_each(|(m, v)| *m += v / f64::from(steps * steps));
            }
            ratios.push(covariance(&mean, &mean) / (2.0 * std::f64::consts::PI * 4.0 / (edge * edge)));
        }
        // 400 draws tell a variance to 7 %, four planes to 4 %.
        assert!(ratios.iter().all(|r| (r - 1.0).abs() < 0.3), "{ratios:?}");
        let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
        assert!((mean - 1.0).abs() < 0.15, "{mean}: {ratios:?}");
    }

    #[test]
    fn passes_that_have_their_own_share_nothing_of_it_between_faces_that_look_apart() {
        let of = Correlated { standard_mm: 0.02, length_mm: 3.0, shifts: false, each_pass: true };
        let mut field = CorrelatedField::new(&of, DRAWS, 4).unwrap();
        let mut random = Random::seeded(9);
        let (mut own, mut near, mut turned, mut apart, n) = (0.0, 0.0, 0.0, 0.0, 60);
        for _ in 0..n {
            let mut at = || 300.0 * random.unit() - 150.0;
            let p = Point::new(at(), at(), at());
            let normal = random.direction();
            let (u, _) = normal.frame();
            let here = draws(&mut field, p, normal.vector());
            let lean = |tangent: f64| (normal.vector() + u * tangent).normalize();
            own += covariance(&here, &here) / 4e-4;
            near += covariance(&here, &draws(&mut field, p + u, normal.vector())) / 4e-4;
            turned += covariance(&here, &draws(&mut field, p, lean(0.18))) / 4e-4;
            apart += covariance(&here, &draws(&mut field, p, -normal.vector())) / 4e-4;
        }
        let n = f64::from(n);
        assert!((own / n - 1.0).abs() < 0.03, "{}", own / n);
        assert!((near / n - 0.946).abs() < 0.04, "{}", near / n);
        // By 10 degrees most is the same pass, on the other side of a skin nothing is.
        assert!((0.8..1.0).contains(&(turned / n)), "{}", turned / n);
        assert!((apart / n).abs() < 0.03, "{}", apart / n);
    }

    #[test]
    fn a_shift_is_seen_along_the_normal_and_nothing_makes_no_field() {
        let of = Correlated { standard_mm: 0.05, length_mm: 40.0, shifts: true, each_pass: false };
        let mut field = CorrelatedField::new(&of, DRAWS, 6).unwrap();
        let p = Point::new(3.0, -8.0, 1.0);
        let up = draws(&mut field, p, Vector::z());
        let down = draws(&mut field, p, -Vector::z());
        assert!((covariance(&up, &up).sqrt() / 0.05 - 1.0).abs() < 0.15);
        // What faces the other way, or aside, was taken by another pass.
        assert!(covariance(&up, &down).abs() < 6e-4, "{}", covariance(&up, &down));
        assert!(covariance(&up, &draws(&mut field, p, Vector::x())).abs() < 6e-4);
        // What faces nearly as it does shares most of it, and a place beside it that faces alike hardly less: of 0.05^2.
        let turned = Vector::new(0.1, 0.0, 0.995);
        let near = covariance(&up, &draws(&mut field, p, turned)) / 2.5e-3;
        assert!(near > 0.55 && near < 1.05, "{near}");
        let beside = covariance(&up, &draws(&mut field, p + Vector::x() * 4.0, Vector::z())) / 2.5e-3;
        assert!(beside > 0.8 && beside < 1.2, "{beside}");
        for (standard_mm, length_mm) in [(0.0, 1.0), (0.1, 0.0), (f64::NAN, 1.0), (0.1, f64::INFINITY)] {
            assert!(
                CorrelatedField::new(
                    &Correlated { standard_mm, length_mm, shifts: false, each_pass: false },
                    1,
                    1
                )
                .is_none()
            );
        }
    }
}
