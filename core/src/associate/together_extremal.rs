//! Patterns by their extreme points.
//!
//! Where one growth moves the whole pattern out of its material alike (one feature; planes that face one way) the
//! searches of single shapes serve it: [`super::extremal`], [`super::outside`]. Several features of size, and planes
//! that face different ways, are moved by linear programmes with one unknown for each motion and each size (source as
//! for the single shapes); there the optimum found is the one next to least squares.

use super::extremal::{Aim, Outline, Row, Sides, best_of_starts, leaves_half_open, lowest_of, walk};
use super::levenberg::Model;
use super::outside::least_squares_outside;
use super::together::{Ideal, On, Pattern, PatternPoint, TogetherError, row, sized};
use super::{FitError, Freedom, Shape};
use crate::geometry::{Motion, PartFrame, Point, Twist, Vector, math};
use crate::run::Run;

/// What is made least.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Aside {
    /// The largest distance to either side.
    Zone,
    /// The largest distance, all points being inside the material: no point lies outside of the feature.
    ZoneOutside,
    /// The growth of the one feature of size outside of which no point lies.
    Tight,
    /// The sum of squares, no point lying outside of the feature; here all points count alike.
    LeastSquaresOutside,
}

type Part = Motion<PartFrame, PartFrame>;

/// Normals that differ by less make one way: rounding of a mesh.
const ONE_WAY: f64 = 1.0 - 1e-12;

/// By the searches of single shapes, where one growth moves all; `None` where none does. `near`: from the start alone.
///
/// # Errors
/// As those searches.
pub(super) fn by_one_growth(
    run: &Run,
    pattern: &Pattern,
    points: &[PatternPoint],
    aside: Aside,
    (start, growths): (Part, &[f64]),
    near: bool,
) -> Result<Option<(Part, Vec<f64>)>, TogetherError> {
    let Some(outward) = outward(pattern, points) else { return Ok(None) };
    let scale = pattern.reach_mm;
    let scaled = Scaled {
        ideals: pattern.ideals.iter().map(|i| at_size_one(i, pattern.centre, scale)).collect(),
        motions: across(pattern, outward),
    };
    let items: Vec<Item> = points
        .iter()
        .filter_map(|p| match p.on {
            On::Ideal(ideal) => Some(Item { at: Point::from((p.point - pattern.centre) / scale), ideal }),
            On::Facet(..) => None,
        })
        .collect();
    let motion = size_one(&start, pattern.centre, scale);
    if aside == Aside::Tight {
        held_all_round(&scaled.ideals[0], &items, &motion)?;
    }
    let growth = growths.first().copied().unwrap_or(0.0) / scale;
    let start = (motion, growth);
    let (motion, growth) = match scaled.motions.len() {
        0 => still(&scaled, &items, aside, start),
        1 => moved::<2, 1>(run, &scaled, &items, (aside, near), start)?,
        2 => moved::<3, 2>(run, &scaled, &items, (aside, near), start)?,
        3 => moved::<4, 3>(run, &scaled, &items, (aside, near), start)?,
        4 => moved::<5, 4>(run, &scaled, &items, (aside, near), start)?,
        _ => moved::<6, 5>(run, &scaled, &items, (aside, near), start)?,
    };
    let motion = full_size(&motion, pattern.centre, scale);
    let growth = growth * scale;
    Ok(Some(match outward {
        // A size of its own.
        None => (motion, vec![growth]),
        // What stands out by the growth is met after a shift back.
        Some(shift) => (
            Motion::from_turn_and_shift(Vector::zeros(), shift * growth) * motion,
            vec![0.0; pattern.ideals.len()],
        ),
    }))
}

/// Whether one growth moves all features out of their material alike, and the shift of the points that makes up for
/// one of 1 mm; `Some(None)` where it is a size of its own.
#[allow(
    clippy::option_option,
    reason = "no growth, a growth without a shift, and one with it are three things"
)]
fn outward(pattern: &Pattern, points: &[PatternPoint]) -> Option<Option<Vector>> {
    if points.iter().any(|p| matches!(p.on, On::Facet(..))) || pattern.motions.len() > 6 {
        return None;
    }
    let shift = match pattern.ideals.as_slice() {
        [one] if one.is_sized() => return (pattern.motions.len() <= 5).then_some(None),
        [Ideal::Cone { axis, half_angle_rad, hollow, .. }] => {
            let along = axis.vector() / math::sin(*half_angle_rad);
            if *hollow { -along } else { along }
        }
        [Ideal::Plane { normal, .. }, rest @ ..]
            if rest
                .iter()
                .all(|i| matches!(i, Ideal::Plane { normal: other, .. } if other.dot(*normal) > ONE_WAY)) =>
        {
            -normal.vector()
        }
        _ => return None,
    };
    // It must be among the motions.
    let (one, all) = (six(&Twist { turn: Vector::zeros(), shift }, 1.0), across(pattern, Some(shift)));
    let there = all.len() < pattern.motions.len() && one.iter().all(|v| v.is_finite());
    (there && all.len() <= 5).then_some(Some(shift))
}

fn six(twist: &Twist, reach: f64) -> [f64; 6] {
    let turn = twist.turn * reach;
    [twist.shift.x, twist.shift.y, twist.shift.z, turn.x, turn.y, turn.z]
}

/// The pattern's motions at size one, without that of the growth: orthonormal.
fn across(pattern: &Pattern, shift: Option<Vector>) -> Vec<Twist> {
    let mut basis: Vec<[f64; 6]> = Vec::new();
    let without = |mut one: [f64; 6], basis: &[[f64; 6]]| {
        for _ in 0..2 {
            for b in basis {
                let along: f64 = one.iter().zip(b).map(|(x, y)| x * y).sum();
                for k in 0..6 {
                    one[k] -= along * b[k];
                }
            }
        }
        let size = one.iter().map(|v| v * v).sum::<f64>().sqrt();
        (size > 1e-6).then(|| one.map(|v| v / size))
    };
    let growth = shift.and_then(|s| without(six(&Twist { turn: Vector::zeros(), shift: s }, 1.0), &[]));
    basis.extend(growth);
    let first = basis.len();
    for twist in &pattern.motions {
        let new = without(six(twist, pattern.reach_mm), &basis);
        basis.extend(new);
    }
    basis[first..]
        .iter()
        .map(|b| Twist { shift: Vector::new(b[0], b[1], b[2]), turn: Vector::new(b[3], b[4], b[5]) })
        .collect()
}

fn at_size_one(ideal: &Ideal, centre: Point, scale: f64) -> Ideal {
    let place = |p: Point| Point::from((p - centre) / scale);
    match *ideal {
        Ideal::Plane { at, normal } => Ideal::Plane { at: place(at), normal },
        Ideal::Cylinder { at, axis, radius_mm, hollow } => {
            Ideal::Cylinder { at: place(at), axis, radius_mm: radius_mm / scale, hollow }
        }
        Ideal::Sphere { at, radius_mm, hollow } => {
            Ideal::Sphere { at: place(at), radius_mm: radius_mm / scale, hollow }
        }
        Ideal::Cone { at, axis, radius_mm, half_angle_rad, hollow } => {
            Ideal::Cone { at: place(at), axis, radius_mm: radius_mm / scale, half_angle_rad, hollow }
        }
        Ideal::Slab { at, across, half_mm, hollow } => {
            Ideal::Slab { at: place(at), across, half_mm: half_mm / scale, hollow }
        }
    }
}

/// A motion as points about a centre at size one see it.
fn size_one(motion: &Part, centre: Point, scale: f64) -> Part {
    let shift = (motion.point(&centre) - centre) / scale;
    Motion::new(*motion.rotation(), shift).unwrap_or_else(Motion::identity)
}

fn full_size(motion: &Part, centre: Point, scale: f64) -> Part {
    let shift = centre.coords + motion.translation() * scale - motion.rotation() * centre.coords;
    Motion::new(*motion.rotation(), shift).unwrap_or_else(Motion::identity)
}

/// A pattern about the origin at size one.
struct Scaled {
    ideals: Vec<Ideal>,
    motions: Vec<Twist>,
}

#[derive(Clone, Copy)]
struct Item {
    at: Point,
    ideal: usize,
}

/// The points moved onto a pattern whose features have grown alike.
#[derive(Clone)]
struct Rigid<'a, const N: usize> {
    scaled: &'a Scaled,
    motion: Part,
    growth: f64,
}

/// The local parameters are: the amounts of the motions, and the growth.
impl<const N: usize> Model<N> for Rigid<'_, N> {
    type Item = Item;

    fn rows(&self) -> impl Fn(&Item) -> (f64, [f64; N]) + Sync {
        move |q| {
            let at = self.motion.point(&q.at);
            let (d, n) = self.scaled.ideals[q.ideal].distance(&at);
            let mut by = [0.0; N];
            for (b, twist) in by.iter_mut().zip(&self.scaled.motions) {
                *b = n.dot(&twist.at(Point::origin(), &at));
            }
            by[N - 1] = -1.0;
            (d - self.growth, by)
        }
    }

    fn moved(&self, step: &[f64; N]) -> Option<Self> {
        let by = Twist::motion(&self.scaled.motions, &step[..N - 1], Point::origin());
        let motion = (by * self.motion).orthonormalised();
        let growth = self.growth + step[N - 1];
        let finite = growth.is_finite() && motion.translation().iter().all(|v| v.is_finite());
        // Nothing of a part lies beyond a hundred times its own size from where it should.
        (finite && motion.translation().amax() < 100.0).then_some(Self { motion, growth, ..self.clone() })
    }
}

impl<const N: usize> Outline<N> for Rigid<'_, N> {
    const GROWTH: [f64; N] = {
        let mut growth = [0.0; N];
        growth[N - 1] = 1.0;
        growth
    };

    fn size(&self) -> f64 {
        1.0
    }
}

/// `N` is one more than `M`, the number of motions.
fn moved<const N: usize, const M: usize>(
    run: &Run,
    scaled: &Scaled,
    items: &[Item],
    (aside, near): (Aside, bool),
    (motion, growth): (Part, f64),
) -> Result<(Part, f64), TogetherError> {
    let shape = scaled.ideals[0].shape();
    let start = Rigid::<N> { scaled, motion, growth };
    let found = match aside {
        Aside::Zone | Aside::ZoneOutside | Aside::Tight => {
            let aim = if aside == Aside::Tight { Aim::Circumscribed } else { Aim::Zone };
            let found = if near {
                walk::<Rigid<N>, N, M>(run, &start, items, aim)
            } else {
                best_of_starts::<Rigid<N>, N, M>(run, &start, items, aim, (&[], |_, _| false))
                    .map(|found| found.0)
            };
            let found = found.map_err(FitError::from)?;
            if !found.settled {
                return Err(FitError::NotSettled { shape, steps: found.steps }.into());
            }
            found.model
        }
        Aside::LeastSquaresOutside => {
            let found = least_squares_outside(run, &start, items, -1.0).map_err(FitError::from)?;
            match found {
                Some(found) if found.settled => found.model,
                found => {
                    let steps = found.map_or(0, |f| f.steps);
                    return Err(FitError::NotSettled { shape, steps }.into());
                }
            }
        }
    };
    if aside != Aside::ZoneOutside {
        return Ok((found.motion, found.growth));
    }
    // The narrowest zone, of which the border outside the material is the feature.
    let row = found.rows();
    let rise = items.iter().map(|q| row(q).0).fold(f64::NEG_INFINITY, f64::max);
    Ok((found.motion, found.growth + rise))
}

/// Where nothing but the growth is open.
fn still(scaled: &Scaled, items: &[Item], aside: Aside, (motion, _): (Part, f64)) -> (Part, f64) {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for q in items {
        let d = scaled.ideals[q.ideal].distance(&motion.point(&q.at)).0;
        (low, high) = (low.min(d), high.max(d));
    }
    (motion, if aside == Aside::Zone { 0.5 * (low + high) } else { high })
}

/// Nothing stops a feature of size that leaves half of all directions open.
fn held_all_round(ideal: &Ideal, items: &[Item], motion: &Part) -> Result<(), FitError> {
    let open = Err(FitError::Undetermined { shape: ideal.shape(), freedom: Freedom::HalfOpen });
    let rays = items.iter().map(|q| ideal.distance(&motion.point(&q.at)).1);
    let half = match *ideal {
        Ideal::Cylinder { axis, .. } => {
            let (a, b) = axis.frame();
            leaves_half_open(rays.map(|n| [n.dot(&a), n.dot(&b)]))
        }
        Ideal::Slab { across, .. } => leaves_half_open(rays.map(|n| [n.dot(&across.vector())])),
        _ => leaves_half_open(rays.map(|n| [n.x, n.y, n.z])),
    };
    if half == Some(false) { Ok(()) } else { open }
}

/// Most unknowns of a programme of several features: six motions and eight sizes.
const UNKNOWNS: usize = 14;

/// Most features of size of a pattern by extreme points.
pub const MOST_SIZES: usize = UNKNOWNS - 6;

/// How much more a point outside of a feature counts where none may be: what it stands out by in the end is a ten
/// thousandth of the largest distance, nanometres.
const OUTSIDE: f64 = 1e4;

/// Linear programmes until nothing is gained.
const STEPS: usize = 200;

/// Several features of size, or planes that face different ways.
///
/// # Errors
/// [`TogetherError::Blocked`], [`TogetherError::NoMeaning`], [`FitError::NotSettled`], a stop.
pub(super) fn jointly(
    run: &Run,
    pattern: &Pattern,
    points: &[PatternPoint],
    aside: Aside,
    (start, growths): (Part, &[f64]),
) -> Result<(Part, Vec<f64>), TogetherError> {
    if !matches!(aside, Aside::Zone | Aside::ZoneOutside) {
        return Err(TogetherError::NoMeaning(
            "several features at once are not associated by least squares outside the material in this version; \
             associate them by minimax outside the material, minimum zone or least squares",
        ));
    }
    let sizes: Vec<usize> = (0..pattern.ideals.len()).filter(|&i| pattern.ideals[i].is_sized()).collect();
    if sizes.len() > MOST_SIZES {
        return Err(TogetherError::NoMeaning(
            "more than eight features of size at once are associated by least squares only",
        ));
    }
    let shape = pattern.ideals.first().map_or(Shape::Plane, Ideal::shape);
    let scale = pattern.reach_mm;
    // Where every feature has a size of its own, the narrowest zones are found first and then grown to their outer
    // borders: the same motion, since each size moves both borders of its zone alike.
    let all_sized = sizes.len() == pattern.ideals.len();
    let above = if aside == Aside::ZoneOutside && !all_sized { OUTSIDE } else { 1.0 };
    let shares = shares(points);
    let value = |motion: &Part, growths: &[f64]| {
        points.iter().zip(&shares).fold(0.0f64, |worst, (p, share)| {
            let d = share * (row(pattern, p, motion).0 - sized(pattern, p).map_or(0.0, |i| growths[i]));
            worst.max(above * d).max(-d)
        })
    };
    let mut state = (start, growths.to_vec());
    if above > 1.0 {
        touch(pattern, points, &mut state);
    }
    let mut now = value(&state.0, &state.1);
    let rounding = 4.0 * f64::EPSILON * scale.max(pattern.centre.coords.amax());
    let zone = value_of_zone(pattern, points, &state);
    let mut reach = 4.0 * zone.max(rounding);
    // A millionth of the zone is no gain.
    let heavy = points.iter().zip(&shares).fold(0.0f64, |worst, (p, share)| {
        let d = row(pattern, p, &state.0).0 - sized(pattern, p).map_or(0.0, |i| state.1[i]);
        worst.max(share * d.abs())
    });
    let least_gain = (2.0 * rounding * above).max(1e-6 * heavy);
    let mut settled = false;
    for _ in 0..STEPS {
        run.check().map_err(FitError::from)?;
        if reach < rounding {
            settled = true;
            break;
        }
        let rows = rows(pattern, (points, &shares), &state, &sizes, above);
        let near = near(&rows, reach);
        let sides = Sides { above: true, below: false };
        let Some(corner) =
            lowest_of::<UNKNOWNS, { UNKNOWNS + 1 }>(&near, sides, reach, 0.25 * rounding * above)
        else {
            reach *= 0.25;
            continue;
        };
        if !(now - corner.value > least_gain) {
            settled = true;
            break;
        }
        let m = pattern.motions.len();
        let by = Twist::motion(&pattern.motions, &corner.step[..m], pattern.centre);
        let mut next = ((by * state.0).orthonormalised(), state.1.clone());
        for (k, &i) in sizes.iter().enumerate() {
            next.1[i] += corner.step[m + k];
        }
        let reached = value(&next.0, &next.1);
        if reached < now {
            let length = corner.step.iter().fold(0.0f64, |l, s| l.max(s.abs()));
            if now - reached > 0.75 * (now - corner.value) && length > 0.99 * reach {
                reach *= 2.0;
            } else if now - reached < 0.25 * (now - corner.value) {
                reach *= 0.5;
            }
            (state, now) = (next, reached);
        } else {
            reach *= 0.25;
        }
    }
    if !settled {
        return Err(FitError::NotSettled { shape, steps: STEPS }.into());
    }
    if aside == Aside::ZoneOutside {
        touch(pattern, points, &mut state);
        let zone = value_of_zone(pattern, points, &state);
        let out = points
            .iter()
            .map(|p| row(pattern, p, &state.0).0 - sized(pattern, p).map_or(0.0, |i| state.1[i]))
            .fold(f64::NEG_INFINITY, f64::max);
        if out > 1e-3 * zone + rounding {
            return Err(TogetherError::Blocked { by_mm: out });
        }
    }
    Ok(state)
}

/// Every feature of size grown until no point lies outside of it.
fn touch(pattern: &Pattern, points: &[PatternPoint], state: &mut (Part, Vec<f64>)) {
    let mut most = vec![f64::NEG_INFINITY; pattern.ideals.len()];
    for p in points {
        if let Some(i) = sized(pattern, p) {
            most[i] = most[i].max(row(pattern, p, &state.0).0);
        }
    }
    for (growth, most) in state.1.iter_mut().zip(most) {
        if most.is_finite() {
            *growth = most;
        }
    }
}

fn value_of_zone(pattern: &Pattern, points: &[PatternPoint], state: &(Part, Vec<f64>)) -> f64 {
    points.iter().fold(0.0f64, |worst, p| {
        worst.max((row(pattern, p, &state.0).0 - sized(pattern, p).map_or(0.0, |i| state.1[i])).abs())
    })
}

/// How much the distance of a point counts, against those that count most: of facets by their weights, so that the largest
/// weighted distance becomes least; points of ideal features count alike.
fn shares(points: &[PatternPoint]) -> Vec<f64> {
    let weight = |p: &PatternPoint| matches!(p.on, On::Facet(..)).then_some(p.weight);
    let most = points.iter().filter_map(weight).fold(0.0, f64::max);
    points.iter().map(|p| weight(p).map_or(1.0, |w| w / most)).collect()
}

/// Both sides of every point.
fn rows(
    pattern: &Pattern,
    (points, shares): (&[PatternPoint], &[f64]),
    state: &(Part, Vec<f64>),
    sizes: &[usize],
    above: f64,
) -> Vec<Row<UNKNOWNS>> {
    let m = pattern.motions.len();
    let mut all = Vec::with_capacity(2 * points.len());
    for (index, p) in points.iter().enumerate() {
        let (d, by) = row(pattern, p, &state.0);
        let own = sized(pattern, p);
        let share = shares[index];
        let d = share * (d - own.map_or(0.0, |i| state.1[i]));
        let mut slope = [0.0; UNKNOWNS];
        slope[..m].copy_from_slice(&by[..m]);
        for (k, &i) in sizes.iter().enumerate() {
            if own == Some(i) {
                slope[m + k] = -1.0;
            }
        }
        let slope = slope.map(|s| share * s);
        all.push(Row { index, value: above * d, slope: slope.map(|s| above * s) });
        all.push(Row { index, value: -d, slope: slope.map(|s| -s) });
    }
    all
}

/// Rows that can be the highest after a step within the reach.
fn near(rows: &[Row<UNKNOWNS>], reach: f64) -> Vec<Row<UNKNOWNS>> {
    let turn = |row: &Row<UNKNOWNS>| reach * row.slope.iter().map(|s| s.abs()).sum::<f64>();
    // Whatever the step is, some row stays as high as this.
    let least = rows.iter().map(|r| r.value - turn(r)).fold(f64::NEG_INFINITY, f64::max);
    rows.iter().filter(|r| r.value + turn(r) >= least).copied().collect()
}
