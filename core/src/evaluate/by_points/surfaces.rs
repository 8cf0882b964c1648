//! Points of features as surfaces for rules, and the rules' numbers with what the points' errors do to them.

use crate::associate::{circle, cone, cylinder, plane, slot, sphere, torus};
use crate::conformity::{Known, Question, decide_on};
use crate::evaluate::rehearsal::{SEED, deviations, mean_square};
use crate::evaluate::{Outcome, by_rule, ideal, place, settle};
use crate::filter::REHEARSALS;
use crate::geometry::random::Random;
use crate::geometry::{Direction, Point, Vector};
use crate::plan::{BoundFeature, Situation};
use crate::points::Role;
use crate::record::{Components, Evaluation, Extreme, InstanceResult, Interval, Limits};
use crate::run::quiet;
use crate::search::SurfaceTree;
use crate::tolerance::{Against, Found, Surface};

use super::round::beyond;
use super::rule::{Wanted, has_centre};
use super::simultaneous::Joint;
use super::{Placed, REACH_MM, Spread, Subject, places_up_to};

/// More points than this are a scan, which is filtered and judged as one.
const MOST: usize = 20_000;

/// Rehearsals that may fail: more than a quarter, and the spread is not known.
const MOST_FAILED: usize = REHEARSALS / 4;

/// What was seen for a rule.
pub(super) struct Seen {
    pub(super) surfaces: Vec<Surface>,
    /// By how much the points scatter beyond their uncertainty, times that.
    pub(super) over: f64,
    /// The same of features that are placed by their envelope, which scatter does not move as it moves a fit: what it leaves open
    /// of a diameter about them, mm.
    pub(super) form_mm: f64,
    /// What there is too little of.
    pub(super) missing: Option<String>,
}

impl Subject<'_> {
    /// Applies the rule, rehearses it and decides; where one movement must serve others with it, at that movement.
    pub(super) fn by_rule(&self, evaluation: &mut Evaluation) -> Result<(), String> {
        let wanted = self.wanted()?;
        let Seen { mut surfaces, mut over, mut form_mm, missing: own_missing } = self.seen(&wanted)?;
        let mut missing = own_missing.clone();
        let alone = wanted.rule.measure(&quiet(), &surfaces).map_err(|e| e.to_string())?;
        // What another lacks leaves the common movement open: then only what it shows by itself counts.
        let joint = match self.joint() {
            Ok(Some(Joint { missing: Some(why), .. })) | Err(why) => {
                missing = missing.or(Some(why));
                None
            }
            Ok(joint) => joint,
        };
        if let Some(joint) = &joint {
            surfaces.clone_from(&joint.surfaces);
            over = over.max(joint.over);
            form_mm = form_mm.max(joint.form_mm);
            evaluation.operators.insert("simultaneous".into(), joint.words.clone());
            let numbers = alone.numbers.iter().map(|n| format!("{:.5}", n.value));
            evaluation.operators.insert("alone_mm".into(), numbers.collect::<Vec<_>>().join(" to "));
        }
        let measure = |surfaces: &[Surface]| match &joint {
            Some(joint) => joint.measure(surfaces),
            None => wanted.rule.measure(&quiet(), surfaces),
        };
        let found = match &joint {
            Some(joint) => measure(&surfaces)
                .map_err(|e| format!("no one movement is found for {} together: {e}", joint.words))?,
            None => alone,
        };
        let values: Vec<f64> = by_rule::effective(&found);
        if values.is_empty() || values.iter().any(|v| !v.is_finite()) {
            return Err("the rule gave no number".into());
        }
        let numbers = |surfaces: &[Surface]| {
            let found = measure(surfaces).ok().map(|f| by_rule::effective(&f));
            found.filter(|v| v.len() == values.len() && v.iter().all(|x| x.is_finite()))
        };
        let instrument = match self.standard_mm() {
            Some(standard) => Some(spreads(&surfaces, standard, &values, &numbers).ok_or(
                "its uncertainty could not be found: with their errors added its points no longer determine it",
            )?),
            None => None,
        };
        let alignment = self.alignment_of(&wanted, &surfaces, &values, &numbers);
        self.tell(&found, &wanted, evaluation);
        // The number with the least room is told.
        let limits_of = |against: Against| Limits {
            lower_mm: wanted.limits[0].filter(|_| against != Against::Upper),
            upper_mm: wanted.limits[1].filter(|_| against != Against::Lower),
        };
        let room = |k: usize| {
            let limits = limits_of(found.numbers[k].against);
            let both = [limits.upper_mm.map(|l| l - values[k]), limits.lower_mm.map(|l| values[k] - l)];
            both.into_iter().flatten().fold(f64::INFINITY, f64::min)
        };
        let told =
            (0..values.len()).min_by(|&a, &b| room(a).total_cmp(&room(b)).then(a.cmp(&b))).unwrap_or(0);
        let value = values[told];
        let (Some(instrument), Some(alignment)) = (instrument, alignment) else {
            self.unknown(value, missing, evaluation);
            return Ok(());
        };
        let spread = Spread {
            instrument_mm: Some(instrument[told]),
            sampling_mm: (over * over * instrument[told] * instrument[told] + form_mm * form_mm).sqrt(),
            alignment_mm: Some(alignment[told]),
        };
        let budget = spread.budget(instrument[told], alignment[told]).with_all(&self.displaced.lines);
        let u = budget.combined_mm();
        let limits = limits_of(found.numbers[told].against);
        let unit = if evaluation.angle.is_some() {
            crate::conformity::Unit::Radian
        } else {
            crate::conformity::Unit::Millimetre
        };
        let question =
            Question { rule: self.rule, limits: &limits, tolerance: wanted.tolerance, floor: None, unit };
        let decided = decide_on(&question, &Known::Normal { value, standard: u });
        let low = value - 1.96 * u;
        let low_mm = if wanted.zone { low.max(0.0) } else { low };
        let interval = Interval { low_mm, high_mm: value + 1.96 * u };
        // What by itself, or with some of those that it is tied to, does not conform does not so with all of them.
        let part_proves = !(wanted.fitted || wanted.enveloped) || own_missing.is_none();
        settle(evaluation, Outcome { value_mm: value, budget, interval, decided, missing, part_proves });
        Ok(())
    }

    /// The surfaces that a rule looks at.
    pub(super) fn seen(&self, wanted: &Wanted) -> Result<Seen, String> {
        let surfaces = Vec::with_capacity(wanted.features.len());
        let mut seen = Seen { surfaces, over: 0.0, form_mm: 0.0, missing: None };
        for &f in &wanted.features {
            let bound = self.faces.features.get(f).ok_or("a feature is not bound to the nominal")?;
            let taken = self.taken(bound, wanted.centres);
            if taken.is_empty() {
                return Err(format!("no point of {} was taken", bound.id));
            }
            if taken.len() > MOST {
                return Err(format!(
                    "{} points of {} are a scan, which is filtered and judged as one: send them as a scan",
                    taken.len(),
                    bound.id
                ));
            }
            let surface = self.surface_of(bound, &taken)?;
            if let (true, Some(standard)) = (wanted.fitted, self.standard_mm()) {
                let beyond = beyond(standard, left_over(&bound.situation, &surface.points));
                if wanted.enveloped {
                    // Where the form between few places lies is as open as the centre of a fit to them: of n places all about, each
                    // coordinate by the root of 2/n of their scatter (elementary, no source); a diameter by twice that.
                    let n = surface.points.len() as f64;
                    seen.form_mm = seen.form_mm.max(2.0 * beyond * (2.0 / n).sqrt());
                } else {
                    seen.over = seen.over.max(beyond / standard);
                }
            }
            seen.missing = seen.missing.or_else(|| self.too_few_of(bound, &surface, wanted));
            seen.surfaces.push(surface);
        }
        Ok(seen)
    }

    /// The points of one feature: its wall's, or, where that stands for it, its centre.
    pub(super) fn taken(&self, bound: &BoundFeature, centres: bool) -> Vec<&Placed> {
        let of = |role: Role| self.all.iter().filter(move |p| p.role == role);
        let named = |p: &&Placed| p.name == bound.id;
        let centre: Vec<&Placed> = of(Role::Centre).filter(named).collect();
        if centres && !centre.is_empty() {
            return centre;
        }
        let mut own: Vec<&Placed> = of(Role::Surface).filter(named).collect();
        // Both planes of a width make it.
        for &f in &bound.of {
            if let Some(member) = self.faces.features.get(f) {
                own.extend(of(Role::Surface).filter(|p| p.name == member.id));
            }
        }
        own
    }

    /// Points with the nominal under them.
    fn surface_of(&self, bound: &BoundFeature, taken: &[&Placed]) -> Result<Surface, String> {
        let mut surface = Surface::default();
        let free_form = matches!(bound.situation, Situation::Surface);
        let tree = self.nominal.filter(|_| !bound.triangles.is_empty());
        let tree = tree.map(|n| SurfaceTree::of(n.mesh(), &bound.triangles));
        for p in taken {
            let (deviation, normal) = if p.role == Role::Centre {
                (0.0, Direction::Z)
            } else if free_form || matches!(bound.situation, Situation::Plane { .. }) {
                self.deviation_from(bound, &p.point, tree.as_ref())?
            } else {
                let facet = facet(&bound.situation, &p.point);
                match ideal::under(&bound.situation, &p.point, facet) {
                    Some(on) if on.deviation_mm.abs() <= REACH_MM => (on.deviation_mm, on.normal),
                    Some(on) => {
                        return Err(format!(
                            "the point at x {:.3}, y {:.3}, z {:.3} lies {:.3} mm off {}, at most {REACH_MM} mm can be: check its \
                             name",
                            p.point.x, p.point.y, p.point.z, on.deviation_mm, bound.id
                        ));
                    }
                    // Of a hole without a stated diameter nothing lies under a point but its own wall.
                    None => (0.0, facet),
                }
            };
            surface.points.push(p.point);
            surface.normals.push(normal);
            surface.deviations_mm.push(deviation);
        }
        Ok(surface)
    }

    /// Whether the points of a feature are too few to stand for it.
    fn too_few_of(&self, bound: &BoundFeature, surface: &Surface, wanted: &Wanted) -> Option<String> {
        if wanted.centres && surface.points.len() == 1 && has_centre(&bound.situation) {
            return None;
        }
        let least = if wanted.fitted { Some(least_places(&bound.situation)) } else { None };
        let Some(needed) = self.characteristic.needs.points.or(least) else { return self.too_few() };
        let taken = places_up_to(&surface.points, needed);
        (taken < needed).then(|| format!("{taken} places were taken of {}, {needed} are needed", bound.id))
    }

    /// What the uncertainty of the alignment does: steps along the axes of its covariance, both ways (JCGM 100:2008, 5.1.3, note
    /// 2); `None` where it is not known.
    fn alignment_of(
        &self,
        wanted: &Wanted,
        surfaces: &[Surface],
        values: &[f64],
        numbers: &impl Fn(&[Surface]) -> Option<Vec<f64>>,
    ) -> Option<Vec<f64>> {
        let Some(pose) = self.pose.filter(|_| wanted.aligned) else { return Some(vec![0.0; values.len()]) };
        let mut squares = vec![0.0; values.len()];
        for ways in deviations(&pose.covariance?, pose.centre) {
            let there = ways.map(|m| {
                let moved: Vec<Surface> = surfaces.iter().map(|s| s.moved(&m)).collect();
                numbers(&moved)
            });
            for (k, square) in squares.iter_mut().enumerate() {
                *square += mean_square(&there, k, values[k]);
            }
        }
        Some(squares.into_iter().map(f64::sqrt).collect())
    }

    /// Notes what the rule says beside its numbers.
    fn tell(&self, found: &Found, wanted: &Wanted, evaluation: &mut Evaluation) {
        for (name, words) in &found.operators {
            evaluation.operators.insert((*name).to_owned(), words.clone());
        }
        if let Some(caution) = &wanted.caution {
            evaluation.operators.insert("caution".into(), caution.clone());
        }
        if let Some(off) = found.off {
            evaluation.components =
                Some(Components { dx_mm: off.x, dy_mm: off.y, dz_mm: off.z, dn_mm: off.norm() });
        }
        self.count(evaluation);
        if let [low, high] = found.numbers.as_slice() {
            let extreme =
                |n: &crate::tolerance::Number| Some(Extreme { value_mm: n.value, at_mm: place(&n.at?) });
            (evaluation.minimum, evaluation.maximum) = (extreme(low), extreme(high));
        }
        let name = |given: &str| {
            let feature = given.parse::<usize>().ok().and_then(|k| wanted.features.get(k));
            feature
                .and_then(|&f| self.faces.features.get(f))
                .map_or_else(|| given.to_owned(), |b| b.id.clone())
        };
        evaluation.instances = found
            .instances
            .iter()
            .map(|i| InstanceResult {
                name: name(&i.name),
                value_mm: i.value_mm,
                at_mm: i.at.map_or_else(Vec::new, |p| place(&p).to_vec()),
            })
            .collect();
    }
}

/// Standard deviations of numbers over draws of independent errors of every coordinate (JCGM 101:2008, 5.9); `None` where too
/// many draws give none.
fn spreads(
    surfaces: &[Surface],
    standard_mm: f64,
    values: &[f64],
    numbers: &impl Fn(&[Surface]) -> Option<Vec<f64>>,
) -> Option<Vec<f64>> {
    let mut all: Vec<Vec<f64>> = Vec::with_capacity(REHEARSALS);
    for draw in 0..REHEARSALS {
        let mut random = Random::seeded(SEED ^ (draw as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
        let mut with_error = |_: &Point, _: &Vector| {
            Vector::new(random.normal(), random.normal(), random.normal()) * standard_mm
        };
        let mut drawn = Vec::with_capacity(surfaces.len());
        for surface in surfaces {
            let mut one = surface.clone();
            for i in 0..one.points.len() {
                let normal = one.normals[i].vector();
                let by = with_error(&one.points[i], &normal);
                one.points[i] += by;
                one.deviations_mm[i] += normal.dot(&by);
            }
            drawn.push(one);
        }
        all.extend(numbers(&drawn));
    }
    if all.len() + MOST_FAILED < REHEARSALS {
        return None;
    }
    let n = all.len() as f64;
    let spread = |k: usize| {
        let mean = all.iter().map(|v| v[k]).sum::<f64>() / n;
        (all.iter().map(|v| (v[k] - mean) * (v[k] - mean)).sum::<f64>() / (n - 1.0)).sqrt()
    };
    Some((0..values.len()).map(spread).collect())
}

/// What the least-squares shape leaves over, as the standard deviation of a point, mm; `None` where it has no more points than
/// it needs.
fn left_over(situation: &Situation, points: &[Point]) -> Option<f64> {
    match *situation {
        Situation::Plane { .. } => plane(points).ok()?.noise_mm(),
        Situation::Hole { axis, .. } | Situation::Cylinder { axis, .. } => {
            cylinder(points).ok().and_then(|f| f.noise_mm()).or_else(|| circle(points, axis).ok()?.noise_mm())
        }
        Situation::Slot { axis, .. } => slot(points, axis).ok()?.noise_mm(),
        Situation::Sphere { .. } => sphere(points).ok()?.noise_mm(),
        Situation::Cone { .. } => cone(points).ok()?.noise_mm(),
        Situation::Torus { .. } => torus(points).ok()?.noise_mm(),
        _ => None,
    }
}

/// One place more than the shape needs, so that it could be told to be none.
fn least_places(situation: &Situation) -> usize {
    match situation {
        Situation::Cone { .. } => 7,
        Situation::Torus { .. } => 8,
        Situation::Slot { .. } => 6,
        Situation::Sphere { .. } | Situation::Width { .. } => 5,
        _ => 4,
    }
}

/// Which way the wall of a feature faces at a point of it: of two flanks the nearer one's normal.
fn facet(situation: &Situation, p: &Point) -> Direction {
    match *situation {
        Situation::Width { at, across, hollow, .. } => {
            let above = (p - at).dot(&across.vector()) >= 0.0;
            if above == hollow { across.reversed() } else { across }
        }
        Situation::Slot { at, axis, along, length_mm, width_mm } => {
            let d = p - at;
            let reach = d.dot(&along.vector());
            let straight = match (length_mm, width_mm) {
                (Some(l), Some(w)) => 0.5 * (l - w).max(0.0),
                _ => f64::INFINITY,
            };
            let side = axis.vector().cross(&along.vector());
            let inward = if reach.abs() <= straight {
                side * -d.dot(&side).signum()
            } else {
                let end = along.vector() * (straight * reach.signum());
                let out = d - end;
                -(out - axis.vector() * out.dot(&axis.vector()))
            };
            Direction::new(inward).unwrap_or(along)
        }
        _ => Direction::Z,
    }
}
