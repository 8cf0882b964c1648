//! How the sources were taken: lengths are brought to the reference temperature, instruments make the vector of inputs, an
//! expired verification forbids a pass, and the record tells all of it.

use super::taken::Taken;
use super::{InspectError, Job, PointSource, ScanPart, ScanSource};
use crate::geometry::{Aabb, Motion, PartFrame, Point, ScanFrame, Vector};
use crate::plan::{Characteristic, Material};
use crate::points::PointSet;
use crate::record::{ConditionsRecord, Evaluation, Record, Verdict};
use crate::scan::Scan;
use crate::uncertainty::{Conditions, Expansion, Inputs, MeshHistory, Restraint};

/// Refuses a part in free state beside the same part held in a fixture (ISO 10579): they never make one result.
pub(super) fn one_restraint(job: &Job) -> Result<(), InspectError> {
    let count = job.scans.len() + job.points.len();
    let of = |wanted: Restraint| (0..count).find(|&s| job.condition(s).restraint == Some(wanted));
    match (of(Restraint::FreeState), of(Restraint::Fixture)) {
        (Some(free), Some(held)) => Err(InspectError::Restraints(free + 1, held + 1)),
        _ => Ok(()),
    }
}

/// The sources with their lengths at the reference temperature.
pub(super) struct AtReference {
    scans: Vec<Option<Scan>>,
    points: Vec<Option<PointSet>>,
    /// Per source, scans first; `None` where temperature or material is not stated.
    expansions: Vec<Option<Expansion>>,
    /// About where each source's points lie, in its axes, mm.
    middles: Vec<Point>,
}

impl AtReference {
    /// Scales what was taken at another temperature than 20 degrees Celsius.
    pub(super) fn new(job: &Job) -> Self {
        let count = job.scans.len();
        let expansion = |source: usize| {
            let conditions = job.condition(source);
            let material: &Material = job.plan.material.as_ref()?;
            Some(Expansion::new(conditions.temperature_c?, conditions.temperature_standard_k, material))
        };
        let expansions: Vec<Option<Expansion>> = (0..count + job.points.len()).map(expansion).collect();
        let factor = |source: usize| expansions[source].map(|e| e.factor).filter(|f| *f != 1.0);
        let scans = job.scans.iter().enumerate().map(|(i, s)| factor(i).map(|f| s.scan.scaled(f))).collect();
        let points = job.points.iter().enumerate();
        let points = points.map(|(i, p)| factor(count + i).map(|f| scaled(p.set, f))).collect();
        let middle = |b: &Aabb| nalgebra::center(&b.low, &b.high);
        let of_scans = job.scans.iter().enumerate().map(|(i, s)| match factor(i) {
            Some(_) => middle(&bounds(s.scan)),
            None => Point::origin(),
        });
        let of_points = job.points.iter().map(|p| middle(&Aabb::of(p.set.points.iter().map(|q| &q.point))));
        Self { middles: of_scans.chain(of_points).collect(), scans, points, expansions }
    }

    /// The sources of a job as they are at the reference temperature.
    pub(super) fn sources<'b>(&'b self, job: &Job<'b>) -> (Vec<ScanSource<'b>>, Vec<PointSource<'b>>) {
        let scans = job.scans.iter().zip(&self.scans).enumerate().map(|(i, (one, scaled))| {
            let part = match (&one.part, self.factor(i)) {
                (ScanPart::Region(b), Some(f)) => ScanPart::Region(Aabb {
                    low: Point::from(b.low.coords * f),
                    high: Point::from(b.high.coords * f),
                }),
                (ScanPart::Placement(m), Some(f)) => {
                    ScanPart::Placement(Motion::new(*m.rotation(), m.translation() * f).unwrap_or(*m))
                }
                (part, _) => part.clone(),
            };
            ScanSource { scan: scaled.as_ref().unwrap_or(one.scan), sha256: one.sha256.clone(), part }
        });
        let points = job.points.iter().zip(&self.points).map(|(one, scaled)| PointSource {
            set: scaled.as_ref().unwrap_or(one.set),
            sha256: one.sha256.clone(),
        });
        (scans.collect(), points.collect())
    }

    fn factor(&self, source: usize) -> Option<f64> {
        self.expansions.get(source).copied().flatten().map(|e| e.factor).filter(|f| *f != 1.0)
    }

    /// What is known of the errors of all scans together.
    pub(super) fn of_scans(&self, job: &Job) -> Inputs {
        let Some(nominal) = job.nominal.filter(|_| !job.scans.is_empty()) else { return Inputs::default() };
        let conditions: Vec<Conditions> = (0..job.scans.len()).map(|s| job.condition(s)).collect();
        let all: Vec<&Conditions> = conditions.iter().collect();
        Inputs::new(&all, &self.expansions[..job.scans.len()], &nominal.mesh().bounds())
    }

    /// The same of one file of points.
    pub(super) fn of_points(&self, job: &Job, index: usize) -> Inputs {
        let source = job.scans.len() + index;
        let volume = match job.nominal {
            Some(nominal) => nominal.mesh().bounds(),
            None => Aabb::of(job.points[index].set.points.iter().map(|p| &p.point)),
        };
        let expansion = self.expansions.get(source).copied().flatten();
        Inputs::new(&[&job.condition(source)], &[expansion], &volume).of_points()
    }

    /// A motion as it is told: from the axes of the source as it was taken, whose lengths are those at its temperature.
    pub(super) fn told(
        &self,
        source: usize,
        motion: &Motion<PartFrame, ScanFrame>,
    ) -> Motion<PartFrame, ScanFrame> {
        let Some(factor) = self.factor(source) else { return *motion };
        let shift = motion.rotation() * self.middles[source].coords * (factor - 1.0);
        Motion::new(*motion.rotation(), motion.translation() + shift).unwrap_or(*motion)
    }

    /// Takes a pass away that an instrument without a valid verification gave; whether it did.
    pub(super) fn forbid(
        &self,
        job: &Job,
        taken: &Taken,
        characteristic: &Characteristic,
        evaluation: &mut Evaluation,
    ) -> bool {
        if evaluation.verdict != Verdict::Conforms {
            return false;
        }
        let problem = match evaluation.measured_by.as_str() {
            "scan" => (0..job.scans.len()).find_map(|s| problem_and_remedy(job, s)),
            "points" => {
                let source = characteristic.feature.and_then(|f| taken.source_of(f));
                source.and_then(|s| problem_and_remedy(job, job.scans.len() + s))
            }
            _ => None,
        };
        if let Some(problem) = problem {
            evaluation.verdict = Verdict::Undecided;
            evaluation.reason = format!("{}, but {problem}", evaluation.reason);
            return true;
        }
        false
    }

    /// Writes into the record under which conditions each source was taken, and its motions in the axes of the sources.
    pub(super) fn tell(&self, job: &Job, record: &mut Record) {
        for (s, source) in record.sources.iter_mut().enumerate() {
            let factor = self.expansions.get(s).copied().flatten();
            source.conditions = told(&job.condition(s), factor);
            if let Some(a) = &mut source.alignment {
                self.shift(s, &a.rotation, &mut a.translation_mm);
            }
        }
        if let Some(a) = &mut record.alignment {
            self.shift(0, &a.rotation, &mut a.translation_mm);
        }
        for d in record.datum_systems.iter_mut().filter(|d| d.taken_from == "scan") {
            self.shift(0, &d.rotation, &mut d.translation_mm);
        }
        record.cautions.extend(self.cautions(job));
    }

    fn shift(&self, source: usize, rotation: &[[f64; 3]; 3], translation_mm: &mut [f64; 3]) {
        let Some(factor) = self.factor(source) else { return };
        let c: Vector = self.middles[source].coords * (factor - 1.0);
        for (row, t) in rotation.iter().zip(translation_mm) {
            *t += row[0] * c.x + row[1] * c.y + row[2] * c.z;
        }
    }

    /// What a reader must know of instruments and conditions.
    fn cautions(&self, job: &Job) -> Vec<String> {
        let mut cautions = Vec::new();
        let count = job.scans.len() + job.points.len();
        let all: Vec<(usize, Conditions)> = (0..count).map(|s| (s, job.condition(s))).collect();
        let which = |of: &dyn Fn(usize, &Conditions) -> bool| -> Option<String> {
            let named: Vec<String> =
                all.iter().filter(|(s, c)| of(*s, c)).map(|(s, _)| (s + 1).to_string()).collect();
            let words = |n: &[String]| match n {
                _ if count == 1 => String::new(),
                [one] => format!(" of source {one}"),
                many => format!(" of sources {}", many.join(", ")),
            };
            (!named.is_empty()).then(|| words(&named))
        };
        if let Some(of) =
            which(&|s, c| self.expansions[s].is_none() && c.temperature_c.is_some_and(|t| t != 20.0))
        {
            cautions.push(format!(
                "The temperature{of} is stated, but the plan's `material` has no expansion: lengths are those at the part's temperature, not at 20 degrees Celsius (ISO 1)."
            ));
        }
        if let Some(of) = which(&|s, _| self.expansions[s].is_some_and(|e| e.relative_standard.is_none())) {
            cautions.push(format!(
                "Lengths{of} are brought to 20 degrees Celsius, but the uncertainty of the temperature or of the expansion is not stated, and so not part of the uncertainty."
            ));
        }
        for (s, c) in &all {
            if let Some(problem) = c.validity.as_ref().and_then(|v| v.problem()) {
                let of = if count == 1 { String::new() } else { format!("Source {}: ", s + 1) };
                cautions.push(format!("{of}{problem}; nothing measured on it conforms."));
            }
        }
        if let Some(of) = which(&|_, c| c.mesh_history == Some(MeshHistory::Smoothed)) {
            cautions.push(format!(
                "The points{of} were smoothed before they came here: they show less noise than the instrument has, rounder edges than the \
                 part, and small holes too small: that is in the uncertainty of least-squares sizes of round holes where the noise of a \
                 point is stated, and in no other."
            ));
        }
        if let Some(of) = which(&|_, c| c.mesh_history == Some(MeshHistory::HolesFilled)) {
            cautions.push(format!(
                "Openings{of} were closed before the scan came here, with points that were never there: they count as seen."
            ));
        }
        if let Some(of) = which(&|_, c| c.matt_spray == Some(true)) {
            cautions.push(format!(
                "The part{of} was sprayed matt: the coat lies on every surface that was seen, and its thickness is not part of the uncertainty."
            ));
        }
        let stated = |c: &Conditions| c.restraint.is_some();
        if let Some(of) = which(&|_, c| !stated(c)).filter(|_| all.iter().any(|(_, c)| stated(c))) {
            cautions.push(format!(
                "How the part was held is not stated{of}, and is of the rest: free-state and restrained results are not the same (ISO 10579)."
            ));
        }
        cautions
    }
}

fn problem_and_remedy(job: &Job, source: usize) -> Option<String> {
    let validity = job.condition(source).validity?;
    Some(format!("{}: {}", validity.problem()?, validity.remedy()))
}

fn bounds(scan: &Scan) -> Aabb {
    let mut all = Aabb {
        low: Point::from(Vector::repeat(f64::INFINITY)),
        high: Point::from(Vector::repeat(f64::NEG_INFINITY)),
    };
    for p in scan.points().iter() {
        all.low = all.low.inf(&p);
        all.high = all.high.sup(&p);
    }
    all
}

fn scaled(set: &PointSet, factor: f64) -> PointSet {
    let mut set = set.clone();
    for p in &mut set.points {
        p.point = Point::from(p.point.coords * factor);
        p.diameter_mm = p.diameter_mm.map(|d| d * factor);
    }
    set
}

fn told(c: &Conditions, expansion: Option<Expansion>) -> ConditionsRecord {
    let word = |text: &str| (!text.trim().is_empty()).then(|| text.to_owned());
    let restraint = c.restraint.map(|r| match r {
        Restraint::FreeState => "free_state",
        Restraint::Fixture => "fixture",
    });
    let mut stated = std::collections::BTreeMap::new();
    for (name, value) in c.errors.fields() {
        if let Some(value) = value {
            stated.insert(name.to_owned(), value);
        }
    }
    let verified = c.validity.as_ref().and_then(|v| v.verified());
    ConditionsRecord {
        instrument: word(&c.instrument),
        instrument_errors: stated,
        registered_instrument: word(&c.registered_instrument),
        verification: verified.map(|v| v.verification.clone()),
        verified_on: verified.map(|v| v.verified_on.to_string()),
        verification_valid_until: verified.map(|v| v.valid_until.to_string()),
        taken_on: c.validity.as_ref().map(|v| v.taken_on().to_string()),
        restraint: restraint.map(str::to_owned),
        supports: word(&c.supports),
        gravity: c.gravity.map_or_else(Vec::new, |g| g.to_vec()),
        matt_spray: c.matt_spray,
        surface_class: c.surface_class.map(|s| s.word().to_owned()),
        mesh_history: c.mesh_history.map(|m| m.word().to_owned()),
        passes: c.passes,
        temperature_c: c.temperature_c,
        temperature_standard_uncertainty_k: c.temperature_standard_k,
        length_factor: expansion.map(|e| e.factor),
        length_factor_relative_standard_uncertainty: expansion.and_then(|e| e.relative_standard),
    }
}
