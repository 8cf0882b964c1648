//! What the scans of one part show: each found and aligned, all brought together, put onto the datums.

use std::borrow::Cow;
use std::cell::{Cell, RefCell};
use std::collections::BTreeMap;

use super::found::{Found, Unaligned, align, alignment_record, source};
use super::placed::Told;
use super::{InspectError, Job, Picture, datum_record, joined, map};
use crate::align::{AlignError, Alignment, FineSettings, fine};
use crate::datum::{DatumAlignment, DatumError, DatumInput, Displaceable, establish};
use crate::evaluate::{Aligned, Context, blank, evaluate, evaluate_together};
use crate::filter::{Draws, Gaussian, REHEARSALS, SharedNoise};
use crate::geometry::{Point, Twist, Vector};
use crate::nominal::Nominal;
use crate::partition::{Joined, Partition, PartitionSettings, normals_under};
use crate::plan::{Characteristic, DatumSystem, Requirement, simultaneously};
use crate::record::{AlignmentRecord, DatumSystemRecord, DeviationMap, Evaluation, SourceRecord};
use crate::run::{Run, Stopped};
use crate::scan::Scan;
use crate::search::SurfaceTree;
use crate::uncertainty::Inputs;

/// What came of the scans.
pub(super) enum Scanned<'a> {
    /// There are none, or they could not be aligned; why, and what is known of each source.
    Not { reason: String, sources: Vec<SourceRecord> },
    /// They lie on the part.
    On(Box<On<'a>>),
}

/// Scans that lie on the part.
pub(super) struct On<'a> {
    pub(super) nominal: &'a Nominal,
    pub(super) tree: SurfaceTree,
    pub(super) scan: Cow<'a, Scan>,
    pub(super) best: Partition,
    pub(super) systems: Vec<System>,
    pub(super) noise_mm: f64,
    /// What is known of the errors of all scans, with how they lie to each other.
    inputs: Inputs,
    /// How several scans lie to each other.
    pub(super) joined: Option<Joined>,
    cell_mm: f64,
    alignment: AlignmentRecord,
    /// The best fit behind `alignment`.
    pub(super) fit: Alignment,
    pub(super) sources: Vec<SourceRecord>,
    /// Of scans whose place was told: how much of the part's side the least telling one shows, where that is too
    /// little to bear the place out.
    pub(super) on_trust: Option<f64>,
    /// Whether a place that was told was borne out by its own points, and the rest not searched.
    pub(super) unsearched: bool,
    /// How far from where they were told to be parts came to rest, mm.
    pub(super) moved_mm: f64,
    /// Points of scans without normals whose side of a wall distance alone told; `None` where it told all of one of them.
    pub(super) by_distance: Option<usize>,
}

pub(super) type System = Option<Result<DatumAlignment, DatumError>>;

impl<'a> Scanned<'a> {
    /// Aligns the scans and takes up `systems` on them, far enough round the nominal for `wanted`.
    pub(super) fn new(
        run: &Run,
        job: &Job<'a>,
        wanted: &[&Characteristic],
        systems: &[usize],
        inputs: &Inputs,
    ) -> Result<Self, InspectError> {
        let not = |reason: &str, sources| Ok(Self::Not { reason: reason.into(), sources });
        if job.scans.is_empty() {
            return not("no scan was given, and neither points nor a reading of it", Vec::new());
        }
        let Some(nominal) = job.nominal else {
            let sources = job.scans.iter().map(|s| source(s, s.scan.points().len(), None)).collect();
            return not("the plan has no nominal, so nothing can be measured on a scan", sources);
        };
        let tree = SurfaceTree::new(nominal.mesh());
        let mut found = Vec::with_capacity(job.scans.len());
        for (i, one) in job.scans.iter().enumerate() {
            match align(run, job.plan, nominal, &tree, one) {
                Ok(aligned) => found.push(aligned),
                Err(Unaligned::Stopped(stopped)) => return Err(stopped.into()),
                Err(Unaligned::LengthUnit(hint)) => return Err(InspectError::LengthUnit(hint)),
                Err(Unaligned::Because(reason)) => {
                    let which =
                        if job.scans.len() > 1 { format!("source {}: ", i + 1) } else { String::new() };
                    let sources = job.scans.iter().map(|s| source(s, s.scan.points().len(), None)).collect();
                    return not(&format!("{which}{reason}"), sources);
                }
            }
        }
        Ok(Self::On(Box::new(On::new(run, job, nominal, tree, found, (wanted, systems, inputs))?)))
    }

    /// Evaluates a characteristic on the scans.
    pub(super) fn evaluate(
        &self,
        run: &Run,
        job: &Job,
        characteristic: &Characteristic,
    ) -> Result<Evaluation, Stopped> {
        let on = match self {
            Self::On(on) => on,
            Self::Not { reason, .. } => {
                let by_hand = match &characteristic.requirement {
                    Requirement::Reading { quantity, .. } => {
                        Some(format!("no reading of the {quantity} was given"))
                    }
                    Requirement::Gauge { .. } => Some("no gauge was read".to_owned()),
                    _ => None,
                };
                let reason = by_hand.unwrap_or_else(|| reason.clone());
                return Ok(Evaluation { reason, ..blank(job.plan, characteristic) });
            }
        };
        let mut found = evaluate(&on.context(run, job), characteristic, &on.at(characteristic.datum_system))?;
        on.tell_join(&mut found);
        Ok(found)
    }

    /// Evaluates what one movement of the part must serve together, as far as any of it is `asked` for: by the indices of the
    /// characteristics in the plan. What its datums hold is not in it, and is evaluated one by one.
    pub(super) fn together(
        &self,
        run: &Run,
        job: &Job,
        asked: &[&Characteristic],
    ) -> Result<BTreeMap<usize, Evaluation>, Stopped> {
        let mut all = BTreeMap::new();
        let Self::On(on) = self else { return Ok(all) };
        let context = on.context(run, job);
        for set in simultaneously(job.plan) {
            let members: Vec<&Characteristic> =
                set.members.iter().map(|&m| &job.plan.characteristics[m]).collect();
            let Some(first) = members.iter().find(|m| asked.iter().any(|c| c.number == m.number)) else {
                continue;
            };
            let mut found = evaluate_together(&context, &members, set.rule, &on.at(first.datum_system))?;
            found.iter_mut().flatten().for_each(|e| on.tell_join(e));
            all.extend(set.members.into_iter().zip(found.into_iter().flatten()));
        }
        Ok(all)
    }

    /// Deviation and coverage at each vertex of the nominal, on the first datum system or by best fit, and the
    /// finer picture of the same.
    pub(super) fn deviation(
        &self,
        run: &Run,
        job: &Job,
    ) -> Result<(Option<DeviationMap>, Option<Picture>), Stopped> {
        match self {
            Self::On(on) => {
                let datums = on.systems.iter().flatten().find_map(|s| s.as_ref().ok());
                let shown = datums.map_or(&on.best, |d| &d.partition);
                let (deviation, picture) = map::deviation(run, on.nominal, &on.scan, shown)?;
                Ok((Some(deviation), picture))
            }
            // Nothing of it was seen, which is not the same as no scan.
            Self::Not { .. } => Ok((job.nominal.filter(|_| !job.scans.is_empty()).map(map::nothing), None)),
        }
    }

    /// The scans as they went in.
    pub(super) fn sources(&self) -> Vec<SourceRecord> {
        match self {
            Self::Not { sources, .. } => sources.clone(),
            Self::On(on) => on.sources.clone(),
        }
    }

    /// Best fit of all of them.
    pub(super) fn alignment(&self) -> Option<AlignmentRecord> {
        match self {
            Self::Not { .. } => None,
            Self::On(on) => Some(on.alignment.clone()),
        }
    }

    /// The datum systems that were established on them.
    pub(super) fn datum_systems(&self, job: &Job) -> Vec<DatumSystemRecord> {
        let Self::On(on) = self else { return Vec::new() };
        let established = job.plan.datum_systems.iter().zip(&on.systems);
        established
            .filter_map(|(system, found)| match found {
                Some(Ok(found)) => {
                    Some(datum_record(&system.id, "scan", &found.part_from_scan, &found.datums, found.rounds))
                }
                _ => None,
            })
            .collect()
    }
}

impl<'a> On<'a> {
    /// Says of a result how the scans that it comes of were joined.
    fn tell_join(&self, evaluation: &mut Evaluation) {
        if let Some(joined) = &self.joined
            && evaluation.measured_by == "scan"
        {
            let corners = self.nominal.mesh().bounds().corners();
            evaluation.operators.insert("scans_joined".into(), joined::words(joined, &corners));
        }
    }

    fn context<'b>(&'b self, run: &'b Run<'b>, job: &'b Job<'b>) -> Context<'b> {
        let inputs = &self.inputs;
        Context {
            run,
            nominal: self.nominal,
            tree: &self.tree,
            plan: job.plan,
            faces: job.faces,
            scan: &self.scan,
            noise_mm: self.noise_mm.max(inputs.point_noise_mm),
            shown_noise_mm: self.noise_mm,
            inputs,
            joined: self.joined.as_ref(),
            cell_mm: self.cell_mm,
        }
    }

    /// The alignment on a datum system, or the best fit without one.
    fn at(&self, datum_system: Option<usize>) -> Aligned<'_> {
        match datum_system {
            None => Aligned::BestFit(&self.best),
            Some(d) => match &self.systems[d] {
                Some(Ok(datums)) => Aligned::Datums(datums),
                Some(Err(error)) => Aligned::Failed(error.to_string()),
                None => Aligned::Failed("its datum system was not established".into()),
            },
        }
    }

    fn new(
        run: &Run,
        job: &Job<'a>,
        nominal: &'a Nominal,
        tree: SurfaceTree,
        mut found: Vec<Found<'a>>,
        (wanted, wanted_systems, inputs): (&[&Characteristic], &[usize], &Inputs),
    ) -> Result<Self, InspectError> {
        let settings = partition_settings(wanted);
        let mut sources = Vec::with_capacity(found.len());
        for (one, f) in job.scans.iter().zip(&found) {
            let aligned = alignment_record(f.located.as_ref(), &f.fine);
            sources.push(source(one, f.scan.points().len(), Some(aligned)));
        }
        let told: Vec<&Told> = found.iter().filter_map(|f| f.told.as_ref()).collect();
        let on_trust = told.iter().filter(|t| !t.stands.sure).map(|t| t.stands.seen).reduce(f64::min);
        let unsearched = told.iter().any(|t| !t.stands.searched);
        let moved_mm = told.iter().map(|t| t.moved_mm).fold(0.0, f64::max);
        let further_off: usize = told.iter().map(|t| t.further_off).sum();
        let by_distance = found.iter().map(|f| f.by_distance).sum::<Option<usize>>();
        let together = found.len() > 1;
        let first = found.remove(0);
        let (scan, located, aligned) = if together {
            // In the axes of the first.
            let rest: Vec<_> = found
                .iter()
                .map(|f| (f.scan.as_ref(), first.fine.part_from_scan.inverse() * f.fine.part_from_scan))
                .collect();
            let scan = first.scan.with(&rest);
            match fine(run, nominal, &tree, &scan, first.fine.part_from_scan, &FineSettings::default()) {
                Ok(aligned) => (Cow::Owned(scan), None, aligned),
                Err(AlignError::Stopped(stopped)) => return Err(stopped.into()),
                Err(_) => (Cow::Owned(scan), None, first.fine),
            }
        } else {
            (first.scan, first.located, first.fine)
        };
        let mut best = Partition::new(run, nominal, &tree, &scan, aligned.part_from_scan, &settings)?;
        let nesting_mm = job.plan.filter.as_ref().map_or(2.5, |f| f.nesting_index_mm);
        let cell_mm = nesting_mm.max(3.0 * scan.spacing_mm());
        let mut noise_mm = noise(run, nominal, &scan, &best, cell_mm)?;
        let mut inputs = inputs.clone();
        let (mut scan, mut aligned, mut joined) = (scan, aligned, None);
        let join = joined::Input {
            nominal,
            tree: &tree,
            settings: &settings,
            noise_mm: &|scan, partition| {
                Ok(noise(run, nominal, scan, partition, cell_mm)?.max(inputs.point_noise_mm))
            },
            correlated: &inputs.correlated,
        };
        if let Some(one) = joined::as_one(run, &join, &scan, (&aligned, &best))? {
            let seen = one.seen_by(nominal, cell_mm.max(SEEN_MM));
            inputs = inputs.with_join(&seen, one.joined.centre, &one.joined.uncertainties());
            // What lay between them is no noise.
            noise_mm = noise(run, nominal, &one.scan, &one.partition, cell_mm)?;
            (scan, aligned, best, joined) =
                (Cow::Owned(one.scan), one.aligned, one.partition, Some(one.joined));
        }
        let inputs = inputs;
        let input = DatumInput {
            nominal,
            tree: &tree,
            scan: &scan,
            plan: job.plan,
            faces: job.faces,
            settings: &settings,
            noise_mm: noise_mm.max(inputs.point_noise_mm),
            correlated: &inputs.correlated,
            cell_mm,
        };
        let mut systems = Vec::new();
        for (d, system) in job.plan.datum_systems.iter().enumerate() {
            let used = wanted_systems.contains(&d);
            let found = used.then(|| {
                let mut found = establish(run, &input, system, aligned.part_from_scan)?;
                answer(run, &input, system, &inputs, &mut found)?;
                Ok(found)
            });
            systems.push(match found {
                Some(Err(DatumError::Stopped(stopped))) => return Err(stopped.into()),
                other => other,
            });
        }
        let mut alignment = alignment_record(located.as_ref(), &aligned);
        alignment.noise_mm = noise_mm;
        alignment.points_unexplained = (best.unexplained() + further_off) as u64;
        let fit = aligned;
        Ok(Self {
            nominal,
            tree,
            scan,
            best,
            systems,
            noise_mm,
            inputs,
            joined,
            cell_mm,
            alignment,
            fit,
            sources,
            on_trust,
            unsearched,
            moved_mm,
            by_distance,
        })
    }
}

/// Asks the datums what each input that displaces the scan does to them, and what every draw of the noise does that
/// neighbouring points share: the same draws as the features see, so that what both have in common moves nothing.
fn answer(
    run: &Run,
    input: &DatumInput,
    system: &DatumSystem,
    inputs: &Inputs,
    found: &mut DatumAlignment,
) -> Result<(), DatumError> {
    if inputs.effects.is_empty() && inputs.correlated.is_empty() {
        return Ok(());
    }
    let mut datums = Displaceable::new(run, input, system, found)?;
    let mut answers = Vec::with_capacity(inputs.effects.len());
    for effect in &inputs.effects {
        answers.push(datums.answer(run, &|p, n| effect.displacement.at(p, n))?);
    }
    let noise = RefCell::new(SharedNoise::new(&inputs.correlated));
    let draws = if noise.borrow().is_none() { 0 } else { REHEARSALS };
    // Every draw asks for the same places in the same order.
    let known: RefCell<Vec<Draws>> =
        RefCell::new(Vec::with_capacity(if draws > 0 { datums.places() } else { 0 }));
    let mut shared = Vec::with_capacity(draws);
    for draw in 0..draws {
        let next = Cell::new(0);
        let by = |p: &Point, n: &Vector| {
            let k = next.replace(next.get() + 1);
            let mut known = known.borrow_mut();
            if k == known.len() {
                known.push(noise.borrow_mut().at(p, n));
            }
            n * f64::from(known[k][draw])
        };
        shared.push(Twist::of(&datums.answer(run, &by)?, found.centre));
    }
    found.shared = shared;
    found.answers = answers;
    Ok(())
}

/// Reach: well beyond the largest limit, so that a part far out of tolerance is still seen to be so.
fn partition_settings(wanted: &[&Characteristic]) -> PartitionSettings {
    let largest = wanted.iter().map(|c| c.requirement.furthest_mm()).fold(0.0, f64::max);
    let fine = FineSettings::default();
    PartitionSettings { reach_mm: fine.reach_mm.max(4.0 * largest), min_cos: fine.min_cos }
}

/// Cells in which is told which scan saw what are no smaller, mm.
const SEEN_MM: f64 = 2.0;

/// About how many points the noise is estimated from: 0.7 % on its standard deviation.
const NOISE_POINTS: usize = 10_000;

/// The noise of the points, from what they scatter about their neighbours on the whole surface.
fn noise(
    run: &Run,
    nominal: &Nominal,
    scan: &Scan,
    partition: &Partition,
    cell_mm: f64,
) -> Result<f64, Stopped> {
    let placed: Vec<_> = partition.placed(scan).collect();
    let normals = normals_under(nominal, &placed);
    let values: Vec<f64> = placed.iter().map(|p| p.deviation_mm).collect();
    let points = placed.iter().map(|p| p.point).collect();
    let every = placed.len().div_ceil(NOISE_POINTS);
    let found = Gaussian::new(points, &normals, cell_mm).noise_of(run, &values, every)?;
    // Unknown is not zero: a scan too sparse to show its noise gets its spacing as an upper bound, which
    // proves nothing inside any usual tolerance.
    Ok(found.unwrap_or(scan.spacing_mm()))
}
