//! Global alignment: where one part lies in a scan, without a guess.
//!
//! Many starts descend on a coarse table of the surface, the best on the exact surface, and the winner
//! must then hold against every other place the scan could lie: by points that fit under one pose and
//! clearly not under the other. Where the points do not tell, the answer is `Undetermined` with the
//! poses, never a guess. The scheme (cover of rotations, descent, duel by points) is ours; the parts cite
//! their sources.

use super::distance_field::DistanceField;
use super::evidence::{Evidence, Reach, Sits, distances, maps_onto_itself, sits};
use super::refine::{Descent, Exact, Middle, Pose, Surface, apart_mm, descend, equations};
use super::sample::{Cloud, SurfacePoint, area, surface};
use super::starts::{placed, principal_axes, rotations};
use crate::geometry::{
    Aabb, Direction, Matrix3, Motion, PartFrame, Point, ScanFrame, TriangleMesh, Vector, symmetric_eigen3,
};
use crate::nominal::Nominal;
use crate::run::{Run, Stage, Stopped};
use crate::scan::Scan;
use crate::search::SurfaceTree;
use rayon::prelude::*;

/// How a scan is located and what it takes to be sure.
#[derive(Clone, Debug, PartialEq)]
pub struct LocateSettings {
    /// The largest deviation of form a part may show and still be taken for this part, mm.
    pub deviation_mm: f64,
    /// Rotations of the even cover that are tried.
    pub rotations: usize,
    /// Of points thinned to equal areas, the fraction that must lie on the part; the rest is clutter.
    pub least_explained: f64,
    /// Points needed against every other pose.
    pub least_evidence: u64,
    /// How many times more points must speak for the answer than against it.
    pub evidence_ratio: f64,
}

impl Default for LocateSettings {
    fn default() -> Self {
        Self {
            // Dents of moulded parts reach about this; less than half the thickness of a 3 mm skin, whose
            // two sides must stay apart.
            deviation_mm: 1.0,
            // 1,000 leave no rotation further than 30 degrees, where the descent still arrives.
            rotations: 1000,
            // A tenth of clutter, and a tenth of the part out of form.
            least_explained: 0.8,
            // The clear inside of one 10 mm hole at 1 mm spacing.
            least_evidence: 40,
            // Clutter and defects speak for a wrong pose by chance only here and there.
            evidence_ratio: 5.0,
        }
    }
}

/// Where the scan lies.
#[derive(Clone, Debug, PartialEq)]
pub struct Located {
    /// Takes the scan onto the nominal, near enough for fine alignment to settle.
    pub part_from_scan: Motion<PartFrame, ScanFrame>,
    /// Root mean square distance of the explained points, mm.
    pub rms_mm: f64,
    /// Fraction of points, thinned to equal areas, that lie on the part within the deviation allowed.
    pub explained: f64,
    /// Points that fit here and clearly not under the strongest other pose.
    pub evidence_for: u64,
    /// Points that fit under that pose and clearly not here.
    pub evidence_against: u64,
    /// How many starts were tried.
    pub tried: usize,
}

/// Why there is no single pose.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LocateError {
    /// The caller stopped the run.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// Too little to say anything.
    #[error("locating needs at least {need} scan points at different places, got {got}")]
    TooFewPoints {
        /// How many are needed.
        need: usize,
        /// How many there are.
        got: usize,
    },
    /// The scan does not look like this part.
    #[error(
        "the scan does not lie on this part anywhere: at best {:.0} % of it, where {:.0} % are needed{}",
        100.0 * explained, 100.0 * need, hint_words(.size_ratio, .unit_ratio)
    )]
    NoFit {
        /// Fraction of the scan that lies on the part under the best pose found.
        explained: f64,
        /// The fraction needed.
        need: f64,
        /// The scan's size over the nominal's.
        size_ratio: f64,
        /// Where that ratio looks like a wrong unit: what the scan's coordinates should be multiplied by.
        unit_ratio: Option<f64>,
    },
    /// Several poses explain the same points.
    #[error(
        "the scan lies on the part in {} ways that its points do not tell apart ({}{evidence_for} points for \
         the first, {evidence_against} against); {}",
        poses.len(),
        if *symmetric { "the nominal is symmetric; " } else { "" },
        if *symmetric { "mark the part's orientation, or give a start pose" }
        else { "scan more of what makes the part asymmetric (holes, edges), or give a start pose" }
    )]
    Undetermined {
        /// The poses, best first.
        poses: Vec<Motion<PartFrame, ScanFrame>>,
        /// Whether the nominal maps onto itself between the first pose and one of the others.
        symmetric: bool,
        /// Points that fit under the first and clearly not under its strongest rival.
        evidence_for: u64,
        /// The reverse.
        evidence_against: u64,
        /// Fraction of the scan that the first pose explains.
        explained: f64,
    },
}

fn hint_words(size_ratio: &f64, unit_ratio: &Option<f64>) -> String {
    match unit_ratio {
        Some(k) => format!(
            "; its size is {size_ratio:.4} times the nominal's, so check the length unit (a factor of {k} fits)"
        ),
        None => String::new(),
    }
}

/// Fewer points than this cannot hold six freedoms and leave evidence.
const LEAST_POINTS: usize = 60;
/// Of a larger scan only every so-many-th point is looked at: a million still show a 3 mm hole of a
/// metre-sized part.
const MOST_POINTS: usize = 1_000_000;
/// Points for: trying starts; descending; the last refinement; comparing poses.
const COARSE_POINTS: usize = 250;
const FINE_POINTS: usize = 1500;
const LAST_POINTS: usize = 8000;
const DENSE_POINTS: usize = 30_000;
/// Poses kept after the starts, after the coarse descent, after the fine descent.
const KEPT_STARTS: usize = 1500;
const KEPT_COARSE: usize = 160;
const KEPT_FINE: usize = 16;
/// Rivals that the winner is compared with.
const RIVALS: usize = 8;

/// Finds the one pose of `scan` on `nominal`, or says why there is none. `tree` is the tree of the whole
/// nominal mesh. The scan holds one part, from one or several sides, with some clutter at most.
pub fn locate(
    run: &Run,
    nominal: &Nominal,
    tree: &SurfaceTree,
    scan: &Scan,
    settings: &LocateSettings,
) -> Result<Located, LocateError> {
    locate_points(run, nominal.mesh(), tree, scan.points(), scan.normals(), settings)
}

/// [`locate`] on bare points.
pub(super) fn locate_points(
    run: &Run,
    mesh: &TriangleMesh,
    tree: &SurfaceTree,
    points: &[Point],
    normals: Option<&[Direction]>,
    settings: &LocateSettings,
) -> Result<Located, LocateError> {
    run.check()?;
    let all = Cloud::strided(points, normals, MOST_POINTS);
    let dense = all.thinned(DENSE_POINTS);
    let fine = dense.thinned(FINE_POINTS);
    if fine.points.len() < LEAST_POINTS {
        return Err(LocateError::TooFewPoints { need: LEAST_POINTS, got: fine.points.len() });
    }
    let search = Search::new(run, mesh, tree, &dense, settings)?;
    let mut ranked = search.ranked(run, &fine)?;
    search.challenge(run, &fine, &mut ranked)?;
    search.decide(run, &all, &dense, ranked)
}

/// A pose with its loss (0 to 1, on the exact surface once refined).
type Ranked = (Pose, f64);

struct Search<'a> {
    settings: &'a LocateSettings,
    exact: Exact<'a>,
    coarse: DistanceField,
    fine: DistanceField,
    bounds: Aabb,
    middle: Middle,
    /// A fair sample of the nominal, about 2,000 points.
    nominal: Vec<SurfacePoint>,
    area_mm2: f64,
    size_ratio: f64,
    tried: std::sync::atomic::AtomicUsize,
}

impl<'a> Search<'a> {
    fn new(
        run: &Run,
        mesh: &'a TriangleMesh,
        tree: &'a SurfaceTree,
        dense: &Cloud,
        settings: &'a LocateSettings,
    ) -> Result<Self, LocateError> {
        let bounds = mesh.bounds();
        let area_mm2 = area(mesh);
        let nominal = surface(mesh, (area_mm2 / 2000.0).max(f64::MIN_POSITIVE));
        let places: Vec<Point> = nominal.iter().map(|s| s.point).collect();
        let size = size_mm(&dense.points);
        if size == 0.0 {
            return Err(LocateError::TooFewPoints { need: LEAST_POINTS, got: 1 });
        }
        let size_ratio = size / size_mm(&places);
        let no_fit = LocateError::NoFit {
            explained: 0.0,
            need: settings.least_explained,
            size_ratio,
            unit_ratio: unit_ratio(size_ratio),
        };
        // Beyond these no view of one part with a little clutter leads; NaN (no extent) is refused too.
        if !(size_ratio > 0.15 && size_ratio < 3.0) {
            return Err(no_fit);
        }
        run.check()?;
        let diagonal = bounds.diagonal();
        let with_normals = dense.normals.is_some();
        let (coarse, fine) = rayon::join(
            || DistanceField::new(mesh, 0.12 * diagonal, 60_000, with_normals),
            || DistanceField::new(mesh, 0.02 * diagonal, 200_000, with_normals),
        );
        run.check()?;
        Ok(Self {
            settings,
            exact: Exact { mesh, tree },
            coarse,
            fine,
            bounds,
            middle: Middle::of(&bounds),
            nominal,
            area_mm2,
            size_ratio,
            tried: std::sync::atomic::AtomicUsize::new(0),
        })
    }

    /// Poses nearer to each other than this are one answer: fine alignment would settle between them.
    fn same_mm(&self) -> f64 {
        (0.01 * self.bounds.diagonal()).max(2.0 * self.settings.deviation_mm)
    }

    /// Descends every start in parallel; the results stay in the order of the starts.
    fn descend_all(
        &self,
        run: &Run,
        surface: &impl Surface,
        cloud: &Cloud,
        starts: &[Ranked],
        descent: &Descent,
    ) -> Result<Vec<Ranked>, Stopped> {
        starts
            .par_iter()
            .map(|(pose, _)| {
                run.check()?;
                Ok(descend(surface, cloud, pose, &self.middle, descent))
            })
            .collect()
    }

    /// The best `keep` poses, no two of them within `same_mm`, best first; ties go to the earlier start.
    fn best_distinct(&self, mut poses: Vec<Ranked>, keep: usize, same_mm: f64) -> Vec<Ranked> {
        poses.sort_by(|a, b| a.1.total_cmp(&b.1));
        let mut kept: Vec<Ranked> = Vec::new();
        for candidate in poses {
            if kept.len() == keep {
                break;
            }
            if kept.iter().all(|k| apart_mm(&k.0, &candidate.0, &self.bounds) > same_mm) {
                kept.push(candidate);
            }
        }
        kept
    }

    /// From all starts to a few poses on the exact surface, best first.
    fn ranked(&self, run: &Run, fine: &Cloud) -> Result<Vec<Ranked>, LocateError> {
        let diagonal = self.bounds.diagonal();
        let coarse_cloud = fine.thinned(COARSE_POINTS);
        let nominal_few: Vec<SurfacePoint> = self.nominal.iter().step_by(8).copied().collect();
        let reach = 0.10 * diagonal;
        let turns = rotations(fine, &self.nominal, self.settings.rotations);
        let per_turn: Result<Vec<Vec<Ranked>>, Stopped> = turns
            .par_iter()
            .map(|turn| {
                run.check()?;
                let mut poses: Vec<Ranked> = placed(turn, &coarse_cloud, &nominal_few)
                    .into_iter()
                    .map(|p| {
                        let loss = equations(&self.coarse, &coarse_cloud, &p, &self.middle, reach).loss;
                        (p, loss)
                    })
                    .collect();
                self.tried.fetch_add(poses.len(), std::sync::atomic::Ordering::Relaxed);
                poses.sort_by(|a, b| a.1.total_cmp(&b.1));
                poses.truncate(3);
                Ok(poses)
            })
            .collect();
        let mut starts: Vec<Ranked> = per_turn?.into_iter().flatten().collect();
        starts.sort_by(|a, b| a.1.total_cmp(&b.1));
        starts.truncate(KEPT_STARTS);
        run.tell(Stage::Locate, 0.2);

        let down = Descent {
            from_mm: 0.15 * diagonal,
            to_mm: 0.04 * diagonal,
            steps: 8,
            still_mm: 0.005 * diagonal,
        };
        let poses = self.descend_all(run, &self.coarse, &coarse_cloud, &starts, &down)?;
        let poses = self.best_distinct(poses, KEPT_COARSE, 0.02 * diagonal);
        run.tell(Stage::Locate, 0.5);
        let poses = self.settled(run, fine, &poses)?;
        run.tell(Stage::Locate, 0.8);
        Ok(poses)
    }

    /// Descends on the fine table, then on the exact surface; the best few distinct poses.
    fn settled(&self, run: &Run, fine: &Cloud, starts: &[Ranked]) -> Result<Vec<Ranked>, Stopped> {
        let diagonal = self.bounds.diagonal();
        let near = (2.0 * self.fine.cell_mm()).max(4.0 * self.settings.deviation_mm);
        let on_table = Descent {
            from_mm: (0.05 * diagonal).max(near),
            to_mm: near,
            steps: 8,
            still_mm: 0.1 * self.settings.deviation_mm,
        };
        let poses = self.descend_all(run, &self.fine, fine, starts, &on_table)?;
        let poses = self.best_distinct(poses, KEPT_FINE, self.same_mm());
        let poses = self.descend_all(run, &self.exact, fine, &poses, &self.on_surface(near))?;
        Ok(self.best_distinct(poses, KEPT_FINE, self.same_mm()))
    }

    fn on_surface(&self, from_mm: f64) -> Descent {
        let deviation = self.settings.deviation_mm;
        Descent { from_mm, to_mm: 2.0 * deviation, steps: 10, still_mm: 0.01 * deviation }
    }

    /// Tries to beat the winner, or to find poses as good, where the search may not have looked: the
    /// part's own near-symmetries, slides along what the scan hardly holds, the other side of a skin.
    fn challenge(&self, run: &Run, fine: &Cloud, ranked: &mut Vec<Ranked>) -> Result<(), LocateError> {
        for _ in 0..3 {
            let Some(&(winner, loss)) = ranked.first() else { return Ok(()) };
            let starts: Vec<Ranked> =
                self.challengers(fine, &winner).into_iter().map(|m| (m * winner, 1.0)).collect();
            self.tried.fetch_add(starts.len(), std::sync::atomic::Ordering::Relaxed);
            let found = self.settled(run, fine, &starts)?;
            let mut all = std::mem::take(ranked);
            all.extend(found);
            *ranked = self.best_distinct(all, KEPT_FINE, self.same_mm());
            let new = &ranked[0];
            if new.1 >= loss || apart_mm(&new.0, &winner, &self.bounds) <= self.same_mm() {
                break;
            }
        }
        run.tell(Stage::Locate, 0.9);
        Ok(())
    }

    fn challengers(&self, fine: &Cloud, winner: &Pose) -> Vec<Motion<PartFrame, PartFrame>> {
        let mut motions = Vec::new();
        let places: Vec<Point> = self.nominal.iter().map(|s| s.point).collect();
        let (principal, centroid) = principal_axes(&places);
        for (axes, centre) in [(Matrix3::identity(), self.bounds.centre()), (principal, centroid)] {
            for axis in 0..3 {
                for degrees in [60.0f64, 90.0, 120.0, 180.0, 240.0, 270.0, 300.0] {
                    let turn = axes.column(axis) * degrees.to_radians();
                    motions.push(Motion::turn_about(centre, turn, Vector::zeros()));
                }
            }
        }
        // Along the two weakest freedoms of the winner's equations, by a few times what counts as the
        // same pose.
        let reach = 2.0 * self.settings.deviation_mm;
        let e = equations(&self.exact, fine, winner, &self.middle, reach);
        for direction in weakest(&e.matrix) {
            for amount in [3.0, 12.0] {
                for sign in [-1.0, 1.0] {
                    let step = direction.map(|d| d * sign * amount * self.same_mm());
                    let turn = Vector::new(step[0], step[1], step[2]) / self.middle.radius_mm;
                    let shift = Vector::new(step[3], step[4], step[5]);
                    motions.push(Motion::turn_about(self.middle.centre, turn, shift));
                }
            }
        }
        if fine.normals.is_none() {
            motions.extend(self.through_the_skin());
        }
        motions
    }

    /// Shifts by the part's thickness along the direction most of its surface faces.
    fn through_the_skin(&self) -> Vec<Motion<PartFrame, PartFrame>> {
        let mut gaps: Vec<f64> = self
            .nominal
            .iter()
            .filter_map(|s| {
                let back = Direction::new(-s.normal)?;
                Some(self.exact.tree.nearest_facing(&s.point, back, 0.9, self.bounds.diagonal())?.distance)
            })
            .filter(|d| *d > 0.0)
            .collect();
        if gaps.is_empty() {
            return Vec::new();
        }
        gaps.sort_unstable_by(f64::total_cmp);
        let thickness = gaps[gaps.len() / 2];
        let facing = self.nominal.iter().fold(Matrix3::zeros(), |s, p| s + p.normal * p.normal.transpose());
        let (_, [_, _, most]) = symmetric_eigen3(&facing);
        [-thickness, thickness].map(|t| Motion::from_turn_and_shift(Vector::zeros(), most * t)).to_vec()
    }

    /// Refines the first poses once more, and lets the points decide.
    fn decide(
        &self,
        run: &Run,
        all: &Cloud,
        dense: &Cloud,
        ranked: Vec<Ranked>,
    ) -> Result<Located, LocateError> {
        let deviation = self.settings.deviation_mm;
        let last = dense.thinned(LAST_POINTS);
        let first: Vec<Ranked> = ranked.into_iter().take(1 + RIVALS).collect();
        let poses = self.descend_all(run, &self.exact, &last, &first, &self.on_surface(3.0 * deviation))?;
        let poses = self.best_distinct(poses, 1 + RIVALS, self.same_mm());
        let Some(&(winner, _)) = poses.first() else { return Err(self.no_fit(0.0)) };

        let within: Vec<f64> =
            distances(run, &self.exact, dense, &winner, 1.5 * deviation)?.into_iter().flatten().collect();
        let explained = within.len() as f64 / dense.points.len() as f64;
        if !(explained >= self.settings.least_explained) {
            return Err(self.no_fit(explained));
        }
        let rms_mm = (within.iter().map(|d| d * d).sum::<f64>() / within.len() as f64).sqrt();
        // Four robust standard deviations of what is left hold noise and warp; never so little that the
        // pose's own error counts, never so much that a deviation passes for a fit.
        let mut sorted = within;
        sorted.sort_unstable_by(f64::total_cmp);
        let fits_mm = (4.0 * 1.4826 * sorted[sorted.len() / 2]).clamp(0.3 * deviation, 0.8 * deviation);
        let reach = Reach { fits_mm, off_mm: fits_mm + deviation };

        let sits_dense = |pose: &Pose| sits(run, &self.exact, dense, pose, &reach);
        let winner_dense = sits_dense(&winner)?;
        let mut winner_all: Option<Vec<Sits>> = None;
        let mut strongest: Option<(Evidence, Pose)> = None;
        let mut undecided: Vec<Pose> = Vec::new();
        for (rival, _) in &poses[1..] {
            let mut e = Evidence::between(&winner_dense, &sits_dense(rival)?);
            // A small difference is asked again of every point: one hole is a few of 30,000.
            if !e.decides(4 * self.settings.least_evidence, 2.0 * self.settings.evidence_ratio) {
                if winner_all.is_none() {
                    winner_all = Some(sits(run, &self.exact, all, &winner, &reach)?);
                }
                let mine = winner_all.as_deref().unwrap_or_default();
                e = Evidence::between(mine, &sits(run, &self.exact, all, rival, &reach)?);
            }
            let doubt = !e.decides(self.settings.least_evidence, self.settings.evidence_ratio);
            let relative = *rival * winner.inverse();
            // With points to tell them apart this part of the scan is not symmetric; the nominal may
            // still be, when the scan's defects do the telling.
            if doubt || self.symmetric(run, &relative, reach.off_mm)? {
                undecided.push(*rival);
            }
            if strongest.is_none_or(|(s, _)| margin(e) < margin(s)) {
                strongest = Some((e, *rival));
            }
        }
        // Without any rival all points speak for the winner.
        let fitting = winner_dense.iter().filter(|s| **s == Sits::Fits).count() as u64;
        let evidence = strongest.map_or(Evidence { pro: fitting, contra: 0 }, |s| s.0);
        run.tell(Stage::Locate, 1.0);
        if undecided.is_empty() {
            return Ok(Located {
                part_from_scan: winner,
                rms_mm,
                explained,
                evidence_for: evidence.pro,
                evidence_against: evidence.contra,
                tried: self.tried.load(std::sync::atomic::Ordering::Relaxed),
            });
        }
        let mut symmetric = false;
        for rival in &undecided {
            symmetric |= self.symmetric(run, &(*rival * winner.inverse()), reach.off_mm)?;
        }
        let poses = std::iter::once(winner).chain(undecided).collect();
        Err(LocateError::Undetermined {
            poses,
            symmetric,
            evidence_for: evidence.pro,
            evidence_against: evidence.contra,
            explained,
        })
    }

    fn symmetric(
        &self,
        run: &Run,
        relative: &Motion<PartFrame, PartFrame>,
        tolerance_mm: f64,
    ) -> Result<bool, Stopped> {
        let fair = self.area_mm2 / 20_000.0;
        maps_onto_itself(run, &self.exact, self.exact.mesh, relative, tolerance_mm, fair)
    }

    fn no_fit(&self, explained: f64) -> LocateError {
        LocateError::NoFit {
            explained,
            need: self.settings.least_explained,
            size_ratio: self.size_ratio,
            unit_ratio: unit_ratio(self.size_ratio),
        }
    }
}

/// By how much the points speak for the first pose; the smallest is its strongest rival.
fn margin(e: Evidence) -> f64 {
    e.pro as f64 - e.contra as f64
}

/// The size of some points that a few strays do not change: the distance from the middle that nine of
/// ten stay within, mm.
fn size_mm(points: &[Point]) -> f64 {
    let middle: Vector = Vector::from_fn(|axis, _| {
        let mut values: Vec<f64> = points.iter().map(|p| p[axis]).collect();
        values.sort_unstable_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
    });
    let mut radii: Vec<f64> = points.iter().map(|p| (p.coords - middle).norm()).collect();
    radii.sort_unstable_by(f64::total_cmp);
    radii.get(radii.len() * 9 / 10).copied().unwrap_or(f64::NAN)
}

/// The factor between two length units that brings the sizes together, if one does and none is needed
/// otherwise. A view of part of the part is smaller than it, so a third less is still the same size.
fn unit_ratio(size_ratio: f64) -> Option<f64> {
    let same = |r: f64| r > 0.65 && r < 1.3;
    if same(size_ratio) {
        return None;
    }
    // mm, inch, cm, m, micrometre taken for one another.
    [25.4, 1.0 / 25.4, 10.0, 0.1, 1000.0, 0.001, 39.370_078_740_157_48, 0.0254, 2.54, 1.0 / 2.54, 100.0, 0.01]
        .into_iter()
        .find(|k| same(size_ratio * k))
}

/// The two weakest directions of a symmetric 6 x 6 matrix, unit length, weakest first, by inverse
/// iteration (Golub and Van Loan, Matrix Computations, 4th ed., 8.2.2), shifted so that an exact null
/// direction is found too.
fn weakest(matrix: &[[f64; 6]; 6]) -> Vec<[f64; 6]> {
    let mut shifted = *matrix;
    let trace: f64 = (0..6).map(|a| matrix[a][a]).sum();
    for (a, row) in shifted.iter_mut().enumerate() {
        row[a] += 1e-9 * trace;
    }
    let Some(inverse) = crate::geometry::Cholesky::new(&shifted) else { return Vec::new() };
    let mut found: Vec<[f64; 6]> = Vec::new();
    for _ in 0..2 {
        // A start with something of every direction.
        let mut v = [0.31, 0.43, 0.37, 0.41, 0.47, 0.43];
        for _ in 0..60 {
            for f in &found {
                let along: f64 = (0..6).map(|a| v[a] * f[a]).sum();
                for a in 0..6 {
                    v[a] -= along * f[a];
                }
            }
            v = inverse.solve(&v);
            let length = v.iter().map(|x| x * x).sum::<f64>().sqrt();
            if !(length.is_finite() && length > 0.0) {
                return found;
            }
            v = v.map(|x| x / length);
        }
        found.push(v);
    }
    found
}

#[cfg(test)]
#[path = "locate_tests.rs"]
mod tests;
