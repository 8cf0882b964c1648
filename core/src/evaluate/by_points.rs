//! A characteristic by points that an arm, a measuring machine or a hand took of its feature.
//!
//! Points are few and chosen, so nothing is filtered and no extreme is corrected: the instrument's own
//! uncertainty is what counts, and whether so few stand for a whole surface the plan must say.

use crate::associate::{FitError, circle, minimum_zone_plane, plane};
use crate::conformity::decide;
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector};
use crate::nominal::Nominal;
use crate::plan::{Association, BoundFeature, Characteristic, Decision, Requirement, Situation};
use crate::points::{Role, TakenPoint};
use crate::record::{Components, Evaluation, Extreme, Interval, Limits, Verdict};
use crate::search::SurfaceTree;
use crate::uncertainty::{Budget, Source, of_motion};

use super::by_reading::UNKNOWN;
use super::{Outcome, place, settle};

/// How points lie on the part.
#[derive(Clone, Debug, PartialEq)]
pub struct PointPose {
    /// Takes the points to part coordinates.
    pub part_from_points: Motion<PartFrame, ScanFrame>,
    /// Covariance of (turn about x, y, z through `centre`, rad; shift along x, y, z, mm); zero where the
    /// instrument's own alignment is taken on trust, `None` where it is not known.
    pub covariance: Option<[[f64; 6]; 6]>,
    /// Point about which it turns, mm.
    pub centre: Point,
}

/// The points of one feature, and what is needed to judge them.
pub struct PointEvidence<'a> {
    /// The points, in the axes of their file.
    pub points: Vec<&'a TakenPoint>,
    /// How they lie on the part; `Err` says why that is not known.
    pub pose: Result<PointPose, String>,
    /// The nominal, where the plan has one.
    pub nominal: Option<&'a Nominal>,
}

/// One point in part coordinates.
struct Placed {
    point: Point,
    role: Role,
    diameter_mm: Option<f64>,
    standard_mm: Option<f64>,
}

/// Decides by points that were checked against the plan.
pub(super) fn evaluate(
    rule: &Decision,
    characteristic: &Characteristic,
    bound: &BoundFeature,
    evidence: &PointEvidence,
    evaluation: &mut Evaluation,
) {
    let wants_place =
        !matches!(characteristic.requirement, Requirement::Diameter { .. } | Requirement::Flatness { .. });
    let pose = match &evidence.pose {
        Ok(pose) => Some(pose),
        Err(reason) if wants_place => {
            evaluation.reason.clone_from(reason);
            return;
        }
        Err(_) => None,
    };
    let points: Vec<Placed> = evidence
        .points
        .iter()
        .map(|p| Placed {
            point: pose.map_or(p.point, |pose| pose.part_from_points.point(&p.point)),
            role: p.role,
            diameter_mm: p.diameter_mm,
            standard_mm: p.standard_mm,
        })
        .collect();
    let subject = Subject { rule, characteristic, bound, pose, points, nominal: evidence.nominal };
    let found = match characteristic.requirement {
        Requirement::SurfaceProfile { limit_outside_mm, limit_inside_mm } => match bound.situation {
            Situation::Point { at, direction, .. } => subject.check_point(at, direction, evaluation),
            _ => subject.surface(limit_outside_mm, limit_inside_mm, evaluation),
        },
        Requirement::Diameter { nominal_mm, upper_deviation_mm, lower_deviation_mm } => {
            evaluation.operators.insert("nominal_mm".into(), format!("{nominal_mm}"));
            subject.diameter(upper_deviation_mm - lower_deviation_mm, evaluation)
        }
        Requirement::Position { zone_diameter_mm } => subject.position(zone_diameter_mm, evaluation),
        Requirement::Flatness { zone_width_mm, association } => {
            subject.flatness(zone_width_mm, association, evaluation)
        }
        Requirement::Reading { .. } | Requirement::Gauge { .. } => {
            Err("points do not serve it; it needs a reading".into())
        }
    };
    evaluation.measured_by = "points".into();
    if let Err(reason) = found {
        evaluation.verdict = Verdict::NotMeasured;
        evaluation.reason = reason;
    }
}

struct Subject<'a> {
    rule: &'a Decision,
    characteristic: &'a Characteristic,
    bound: &'a BoundFeature,
    pose: Option<&'a PointPose>,
    points: Vec<Placed>,
    nominal: Option<&'a Nominal>,
}

impl Subject<'_> {
    /// Standard uncertainty of one coordinate: the largest of the points; `None` when one is not known.
    fn standard_mm(&self) -> Option<f64> {
        self.points.iter().try_fold(0.0f64, |worst, p| Some(worst.max(p.standard_mm?)))
    }

    /// Standard uncertainty of the alignment along a direction at a place, mm.
    fn alignment_mm(&self, at: Point, along: Direction) -> Option<f64> {
        match self.pose {
            Some(pose) => Some(of_motion(&pose.covariance?, pose.centre, at, along)),
            None => Some(0.0),
        }
    }

    /// Writes a value with its uncertainty, or what may be said without one.
    fn settle(
        &self,
        value_mm: f64,
        [instrument_mm, alignment_mm]: [Option<f64>; 2],
        tolerance_mm: f64,
        never_negative: bool,
        missing: Option<String>,
        evaluation: &mut Evaluation,
    ) {
        let (Some(instrument), Some(alignment)) = (instrument_mm, alignment_mm) else {
            evaluation.value_mm = Some(value_mm);
            let (verdict, reason) = match missing {
                Some(missing) => (Verdict::NotMeasured, missing),
                None => (Verdict::Undecided, UNKNOWN.into()),
            };
            (evaluation.verdict, evaluation.reason) = (verdict, reason);
            return;
        };
        let budget = Budget::new().with(Source::Instrument, instrument).with(Source::Alignment, alignment);
        let u = budget.combined_mm();
        let decided = decide(self.rule, value_mm, u, &evaluation.limits, tolerance_mm, None);
        let least = if never_negative { 0.0 } else { f64::NEG_INFINITY };
        let interval = Interval { low_mm: (value_mm - 1.96 * u).max(least), high_mm: value_mm + 1.96 * u };
        settle(evaluation, Outcome { value_mm, budget, interval, decided, missing, part_proves: true });
    }

    /// The deviation of a check point along its direction.
    fn check_point(
        &self,
        at: Point,
        direction: Direction,
        evaluation: &mut Evaluation,
    ) -> Result<(), String> {
        let [p] = self.points.as_slice() else {
            return Err(format!("{} points were taken of a check point, which takes one", self.points.len()));
        };
        let off = p.point - at;
        let along = off.dot(&direction.vector());
        evaluation.components = Some(Components { dx_mm: off.x, dy_mm: off.y, dz_mm: off.z, dn_mm: along });
        let extreme = Extreme { value_mm: along, at_mm: place(&p.point) };
        (evaluation.minimum, evaluation.maximum) = (Some(extreme), Some(extreme));
        evaluation.operators.insert("value".into(), "deviation along the point's direction".into());
        let tolerance = tolerance_mm(&evaluation.limits);
        let spread = [p.standard_mm, self.alignment_mm(p.point, direction)];
        self.settle(along, spread, tolerance, false, None, evaluation);
        Ok(())
    }

    /// The signed extremes of points on a plane or surface.
    fn surface(
        &self,
        limit_outside_mm: f64,
        limit_inside_mm: f64,
        evaluation: &mut Evaluation,
    ) -> Result<(), String> {
        let mut all = Vec::with_capacity(self.points.len());
        // Of the feature alone, so that the other side of a skin is never taken for it.
        let tree = self.nominal.map(|n| SurfaceTree::of(n.mesh(), &self.bound.triangles));
        for p in &self.points {
            all.push((p, self.deviation(&p.point, tree.as_ref())?));
        }
        let by = |a: &&(&Placed, (f64, Direction)), b: &&(&Placed, (f64, Direction))| a.1.0.total_cmp(&b.1.0);
        let (Some(low), Some(high)) = (all.iter().min_by(by), all.iter().max_by(by)) else {
            return Err("no point was taken of it".into());
        };
        let extreme = |e: &(&Placed, (f64, Direction))| Extreme { value_mm: e.1.0, at_mm: place(&e.0.point) };
        (evaluation.minimum, evaluation.maximum) = (Some(extreme(low)), Some(extreme(high)));
        evaluation
            .operators
            .insert("value".into(), "signed extremes of the points taken, along the nominal normal".into());
        self.count(evaluation);
        // The one that settles the verdict is told; of two that settle it the one with less room.
        let room = |e: &(&Placed, (f64, Direction))| (e.1.0 + limit_inside_mm).min(limit_outside_mm - e.1.0);
        let told = if room(low) < room(high) { low } else { high };
        let alignment = all
            .iter()
            .try_fold(0.0f64, |worst, (p, (_, n))| Some(worst.max(self.alignment_mm(p.point, *n)?)));
        let spread = [self.standard_mm(), alignment];
        let missing = self.too_few();
        self.settle(told.1.0, spread, limit_outside_mm + limit_inside_mm, false, missing, evaluation);
        Ok(())
    }

    /// Signed distance of a place from the feature, and the direction it is told along.
    fn deviation(&self, p: &Point, tree: Option<&SurfaceTree>) -> Result<(f64, Direction), String> {
        if let Situation::Plane { at, normal } = self.bound.situation {
            return Ok(((p - at).dot(&normal.vector()), normal));
        }
        let (Some(nominal), Some(tree)) = (self.nominal, tree) else {
            return Err("a surface needs a nominal".into());
        };
        let mesh = nominal.mesh();
        let found =
            tree.nearest(p, REACH_MM).and_then(|f| Some((f.point, f.distance, mesh.normal(f.triangle)?)));
        let Some((foot, distance, normal)) = found else {
            return Err(format!(
                "the point at x {:.3}, y {:.3}, z {:.3} does not lie on it within {REACH_MM} mm: check its name",
                p.x, p.y, p.z
            ));
        };
        let along = (p - foot).dot(&normal.vector());
        Ok((if along < 0.0 { -distance } else { distance }, normal))
    }

    fn diameter(&self, tolerance_mm: f64, evaluation: &mut Evaluation) -> Result<(), String> {
        let round = self.round(evaluation)?;
        let Some(diameter) = round.diameter_mm else {
            return Err("the centre was taken without a diameter".into());
        };
        self.settle(
            diameter.0,
            [diameter.1, Some(0.0)],
            tolerance_mm,
            true,
            self.too_few_on_a_wall(&round),
            evaluation,
        );
        Ok(())
    }

    /// Twice the distance of the axis from its nominal place, square to the nominal axis (ISO 1101:2017).
    fn position(&self, zone_mm: f64, evaluation: &mut Evaluation) -> Result<(), String> {
        let Situation::Hole { at, axis, .. } = self.bound.situation else {
            return Err(format!("the position of a {} is not evaluated by points", self.bound.kind.word()));
        };
        let round = self.round(evaluation)?;
        let off = round.centre - at;
        let across: Vector = off - axis.vector() * off.dot(&axis.vector());
        let distance = across.norm();
        evaluation.components =
            Some(Components { dx_mm: across.x, dy_mm: across.y, dz_mm: across.z, dn_mm: distance });
        let (u, v) = axis.frame();
        let ways = [Direction::new(across), Direction::new(u), Direction::new(v)];
        let alignment = ways
            .into_iter()
            .flatten()
            .try_fold(0.0f64, |worst, d| Some(worst.max(self.alignment_mm(round.centre, d)?)));
        let spread = [round.centre_standard_mm.map(|s| 2.0 * s), alignment.map(|a| 2.0 * a)];
        let missing = self.too_few_on_a_wall(&round);
        self.settle(2.0 * distance, spread, zone_mm, true, missing, evaluation);
        Ok(())
    }

    /// Centre and diameter: as the instrument worked them out, or of a least-squares circle of the wall.
    fn round(&self, evaluation: &mut Evaluation) -> Result<Round, String> {
        if let Some(p) = self.points.iter().find(|p| p.role == Role::Centre) {
            evaluation
                .operators
                .insert("association".into(), "by the instrument: centre as it was told".into());
            return Ok(Round {
                centre: p.point,
                centre_standard_mm: p.standard_mm,
                diameter_mm: p.diameter_mm.map(|d| (d, p.standard_mm)),
                wall: None,
            });
        }
        let Situation::Hole { axis, .. } = self.bound.situation else {
            return Err(format!("a {} has no diameter", self.bound.kind.word()));
        };
        if self.pose.is_none() {
            return Err(
                "how the hole's axis lies in the instrument's axes is not known: take up a datum system, \
                        or let the instrument tell the diameter"
                    .into(),
            );
        }
        let wall: Vec<Point> = self.points.iter().map(|p| p.point).collect();
        let fit = circle(&wall, axis).map_err(|e: FitError| e.to_string())?;
        evaluation.operators.insert("association".into(), "least-squares circle of the points taken".into());
        let standard = self.standard_mm();
        let along = |i: usize| standard.map(|s| s * fit.unit_covariance[i][i].max(0.0).sqrt());
        let centre_standard_mm = along(0).zip(along(1)).map(|(a, b)| a.max(b));
        Ok(Round {
            centre: fit.centre,
            centre_standard_mm,
            diameter_mm: Some((2.0 * fit.radius_mm, along(2).map(|s| 2.0 * s))),
            wall: Some(wall.len()),
        })
    }

    fn flatness(
        &self,
        zone_mm: f64,
        reference: Association,
        evaluation: &mut Evaluation,
    ) -> Result<(), String> {
        let points: Vec<Point> = self.points.iter().map(|p| p.point).collect();
        if points.len() < 4 {
            return Err(format!("{} points were taken; a flatness needs at least four", points.len()));
        }
        let value = match reference {
            Association::MinimumZone => minimum_zone_plane(&points).map_err(|e| e.to_string())?.width_mm,
            Association::LeastSquares => {
                let fit = plane(&points).map_err(|e| e.to_string())?;
                fit.high.0 - fit.low.0
            }
        };
        self.count(evaluation);
        // Two contacts on either side, each with the instrument's uncertainty.
        let spread = self.standard_mm().map(|s| s * 2f64.sqrt());
        self.settle(value, [spread, Some(0.0)], zone_mm, true, self.too_few(), evaluation);
        Ok(())
    }

    fn count(&self, evaluation: &mut Evaluation) {
        evaluation.operators.insert("points_taken".into(), self.points.len().to_string());
    }

    /// Whether so few points stand for a whole plane or surface.
    fn too_few(&self) -> Option<String> {
        match self.characteristic.needs.points {
            Some(needed) if self.points.len() >= needed => None,
            Some(needed) => Some(format!("{} points were taken, {needed} are needed", self.points.len())),
            None => Some(format!(
                "how many points stand for this {} is not said: write `needs = {{ points = ... }}` in the plan",
                self.bound.kind.word()
            )),
        }
    }

    /// Three points always lie on a circle: a wall takes four, or as many as the plan says.
    fn too_few_on_a_wall(&self, round: &Round) -> Option<String> {
        let needed = self.characteristic.needs.points.unwrap_or(4);
        let taken = round.wall?;
        (taken < needed).then(|| format!("{taken} points were taken of the wall, {needed} are needed"))
    }
}

/// Points further from the nominal than this carry a wrong name, mm.
const REACH_MM: f64 = 20.0;

struct Round {
    centre: Point,
    centre_standard_mm: Option<f64>,
    /// With its standard uncertainty.
    diameter_mm: Option<(f64, Option<f64>)>,
    /// Points on the wall; `None` for a centre as it was told.
    wall: Option<usize>,
}

fn tolerance_mm(limits: &Limits) -> f64 {
    limits.upper_mm.unwrap_or(0.0) - limits.lower_mm.unwrap_or(0.0)
}
