//! The datum system on the measured features (ISO 5459:2011): a plane, then two holes.
//!
//! Datum A, a plane by total least squares, locks one shift and two turns. Datum B, the axis of a hole held
//! square to A, locks two shifts. Datum C, the axis of another hole held square to A, locks the last turn.
//! Features are extracted at the present alignment, the part is moved onto its datums, and both are
//! repeated until the part rests.

pub mod targets;

use crate::associate::{AssociatedHole, AssociatedPlane, FitError, HoleError, hole, plane_of_face};
use crate::geometry::{Direction, Matrix3, Motion, PartFrame, Point, ScanFrame, Vector};
use crate::nominal::{Carrier, Nominal};
use crate::partition::{Partition, PartitionSettings, Rim, Seen};
use crate::plan::{BoundFeature, Datum, DatumFrom, DatumSource, DatumSystem, FaceMap, Plan};
use crate::run::{Run, Stage, Stopped};
use crate::scan::Scan;
use crate::search::SurfaceTree;

/// Why a datum system could not be established.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum DatumError {
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// The datum plane could not be associated.
    #[error("datum {letter} ({feature}): {cause}")]
    Plane {
        /// Letter on the drawing.
        letter: String,
        /// The feature's id.
        feature: String,
        /// Why.
        cause: FitError,
    },
    /// A datum hole could not be associated.
    #[error("datum {letter} ({feature}): {cause}")]
    Hole {
        /// Letter on the drawing.
        letter: String,
        /// The feature's id.
        feature: String,
        /// Why.
        cause: HoleError,
    },
    /// Too little of a datum feature was seen.
    #[error(
        "datum {letter} ({feature}): only {percent:.0} % of it was seen, {need:.0} % are needed for a datum"
    )]
    Unseen {
        /// Letter on the drawing.
        letter: String,
        /// The feature's id.
        feature: String,
        /// Seen part, percent.
        percent: f64,
        /// Needed part, percent.
        need: f64,
    },
    /// Extracting and aligning went on without coming to rest.
    #[error("datum system {id}: after {rounds} rounds the part still moves by {moved_mm} mm")]
    NotSettled {
        /// Id of the datum system.
        id: String,
        /// Rounds taken.
        rounds: u32,
        /// The last movement of a corner, mm.
        moved_mm: f64,
    },
    /// The bound faces are not a plane and two holes.
    #[error("datum system {id}: the faces bound to its datums are not a plane and two holes")]
    WrongFaces {
        /// Id of the datum system.
        id: String,
    },
}

/// A scan aligned on the datums.
#[derive(Clone, Debug)]
pub struct DatumAlignment {
    /// Takes scan coordinates to part coordinates.
    pub part_from_scan: Motion<PartFrame, ScanFrame>,
    /// Every point's place at this alignment.
    pub partition: Partition,
    /// Point about which `covariance` turns: the nominal place of datum B in datum A, mm.
    pub centre: Point,
    /// Covariance of (turn about x, y, z, rad; shift along x, y, z, mm) from the noise of the datum features.
    pub covariance: [[f64; 6]; 6],
    /// Largest distance of datum A's surface from its plane, mm.
    pub plane_residual_mm: f64,
    /// Distance of datum C from its nominal place along the line from B, which nothing locks, mm, signed.
    pub clock_residual_mm: f64,
    /// Rounds until it rested.
    pub rounds: u32,
}

/// The part rests when a round moves none of its corners by more than this, mm.
pub const STILL_MM: f64 = 1e-5;

/// Rounds after which a part that still moves has no datum system.
const MOST_ROUNDS: u32 = 20;

/// Less than this of a datum plane is no datum: seen at one end it would tip (common practice, no source).
const PLANE_COVERAGE: f64 = 0.8;

/// Less than this of the turn of a datum hole is no datum (common practice, no source).
const HOLE_COVERAGE: f64 = 0.5;

/// Everything the datum stage looks at.
pub struct DatumInput<'a> {
    /// The nominal.
    pub nominal: &'a Nominal,
    /// Its tree.
    pub tree: &'a SurfaceTree,
    /// The scan.
    pub scan: &'a Scan,
    /// The plan.
    pub plan: &'a Plan,
    /// Where its features are.
    pub faces: &'a FaceMap,
    /// How points are given to the nominal.
    pub settings: &'a PartitionSettings,
    /// Standard deviation of the points' noise, mm.
    pub noise_mm: f64,
    /// Edge of the cells by which a plane is fair to its area, mm.
    pub cell_mm: f64,
    /// Strip left out along the rims of faces, mm.
    pub margin_mm: f64,
}

/// Nominal places of the three datums.
struct NominalDatums<'a> {
    plane: &'a BoundFeature,
    origin: &'a BoundFeature,
    clock: &'a BoundFeature,
    normal: Direction,
    frame: Frame,
}

/// A right-handed frame: origin, then the directions toward the clocking hole, across, and out of the plane.
struct Frame {
    origin: Point,
    axes: [Vector; 3],
    length: f64,
}

impl Frame {
    fn new(plane_point: Point, normal: Direction, origin: Point, clock: Point) -> Option<Self> {
        let n = normal.vector();
        let onto = |p: Point| p - n * (p - plane_point).dot(&n);
        let (o, c) = (onto(origin), onto(clock));
        let x = Direction::new(c - o)?.vector();
        Some(Self { origin: o, axes: [x, n.cross(&x), n], length: (c - o).norm() })
    }
}

/// The three datums and the indices of their features.
fn three(system: &DatumSystem) -> Option<[(&Datum, usize); 3]> {
    let DatumSource::Datums(datums) = &system.source else { return None };
    let of = |datum: &'_ Datum| match datum.from {
        DatumFrom::Feature { feature, .. } => Some(feature),
        DatumFrom::Targets(_) => None,
    };
    let [a, b, c] = datums.as_slice() else { return None };
    Some([(a, of(a)?), (b, of(b)?), (c, of(c)?)])
}

impl<'a> NominalDatums<'a> {
    fn new(system: &DatumSystem, faces: &'a FaceMap) -> Option<Self> {
        let [plane, origin, clock] = three(system)?;
        let bound = |(_, feature): (&Datum, usize)| faces.features.get(feature);
        let (plane, origin, clock) = (bound(plane)?, bound(origin)?, bound(clock)?);
        let Some(Carrier::Plane { point, normal }) = plane.carrier else { return None };
        let Some(Carrier::Cylinder { point: b, .. }) = origin.carrier else { return None };
        let Some(Carrier::Cylinder { point: c, .. }) = clock.carrier else { return None };
        Some(Self { plane, origin, clock, normal, frame: Frame::new(point, normal, b, c)? })
    }
}

/// Establishes a datum system, beginning at the alignment `start`.
///
/// # Errors
/// A datum feature that was not seen well enough or cannot be associated, or a stop by the caller.
pub fn establish(
    run: &Run,
    input: &DatumInput,
    system: &DatumSystem,
    start: Motion<PartFrame, ScanFrame>,
) -> Result<DatumAlignment, DatumError> {
    let wrong = || DatumError::WrongFaces { id: system.id.clone() };
    let datums = NominalDatums::new(system, input.faces).ok_or_else(wrong)?;
    let rim = Rim::new(input.nominal, &datums.plane.triangles);
    let reach = 0.5 * input.nominal.mesh().bounds().diagonal();
    let mut pose = start;
    let mut moved_mm = f64::INFINITY;
    for round in 1..=MOST_ROUNDS {
        run.tell(Stage::Align, f64::from(round) / f64::from(MOST_ROUNDS));
        let partition = Partition::new(run, input.nominal, input.tree, input.scan, pose, input.settings)?;
        let measured = associate_all(run, input, system, &datums, &rim, &partition)?;
        let frame = Frame::new(
            measured.plane.point,
            measured.plane.normal,
            measured.origin.centre,
            measured.clock.centre,
        )
        .ok_or_else(wrong)?;
        let step = onto(&frame, &datums.frame);
        let turn = step.turn_rad() * reach;
        let shift = (step.point(&datums.frame.origin) - datums.frame.origin).norm();
        moved_mm = turn + shift;
        if moved_mm < STILL_MM {
            // At rest: the pose at which the points were given to the features is the datum alignment.
            return Ok(DatumAlignment {
                part_from_scan: pose,
                partition,
                centre: datums.frame.origin,
                covariance: covariance(&measured, &datums.frame),
                plane_residual_mm: measured.plane.residual_mm,
                clock_residual_mm: frame.length - datums.frame.length,
                rounds: round,
            });
        }
        pose = (step * pose).orthonormalised();
    }
    Err(DatumError::NotSettled { id: system.id.clone(), rounds: MOST_ROUNDS, moved_mm })
}

struct Measured {
    plane: AssociatedPlane,
    origin: AssociatedHole,
    clock: AssociatedHole,
}

fn associate_all(
    run: &Run,
    input: &DatumInput,
    system: &DatumSystem,
    datums: &NominalDatums,
    rim: &Rim,
    partition: &Partition,
) -> Result<Measured, DatumError> {
    let name = |feature: usize| input.plan.features[feature].id.clone();
    let unseen = |letter: &str, feature: usize, seen: f64, need: f64| DatumError::Unseen {
        letter: letter.into(),
        feature: name(feature),
        percent: 100.0 * seen,
        need: 100.0 * need,
    };
    let [(a, a_feature), origin, clock] =
        three(system).ok_or_else(|| DatumError::WrongFaces { id: system.id.clone() })?;
    let face = partition.feature(input.scan, input.nominal, &datums.plane.triangles, rim, input.margin_mm);
    let seen = Seen::of_surface(
        run,
        input.nominal,
        &datums.plane.triangles,
        rim,
        input.margin_mm,
        &face.points,
        input.scan.spacing_mm(),
    )?;
    if !(seen.fraction >= PLANE_COVERAGE) {
        return Err(unseen(&a.letter, a_feature, seen.fraction, PLANE_COVERAGE));
    }
    let plane = plane_of_face(&face.points, datums.normal, input.cell_mm, input.noise_mm, seen.fraction)
        .map_err(|cause| DatumError::Plane { letter: a.letter.clone(), feature: name(a_feature), cause })?;
    let mut holes =
        [(origin, datums.origin), (clock, datums.clock)].into_iter().map(|((datum, feature), bound)| {
            // Square to datum A, as the second and third datum of a system must be.
            let found =
                hole(partition, input.scan, input.nominal, bound, plane.normal, input.noise_mm).map_err(
                    |cause| DatumError::Hole { letter: datum.letter.clone(), feature: name(feature), cause },
                )?;
            if found.seen.fraction >= HOLE_COVERAGE {
                Ok(found)
            } else {
                Err(unseen(&datum.letter, feature, found.seen.fraction, HOLE_COVERAGE))
            }
        });
    let origin = holes.next().expect("two holes")?;
    let clock = holes.next().expect("two holes")?;
    drop(holes);
    Ok(Measured { plane, origin, clock })
}

/// The motion that brings the measured frame onto the nominal one.
fn onto(measured: &Frame, nominal: &Frame) -> Motion<PartFrame, PartFrame> {
    let rotation = Matrix3::from_columns(&nominal.axes) * Matrix3::from_columns(&measured.axes).transpose();
    let translation = nominal.origin.coords - rotation * measured.origin.coords;
    Motion::new(rotation, translation)
        .expect("the product of two right-handed orthonormal frames is a rotation")
}

/// Propagates the covariances of plane and holes to the alignment (JCGM 100:2008, 5.1.2, with the
/// derivatives of the construction): a height error tips the part about lines in A, an error of B shifts it,
/// the error of C across the line from B turns it.
fn covariance(measured: &Measured, nominal: &Frame) -> [[f64; 6]; 6] {
    let [_, y, n] = nominal.axes;
    let (pu, pv) = measured.plane.axes;
    // Columns: height, slope u, slope v of A; B along its two directions; C along its two directions.
    let mut j = [[0.0; 7]; 6];
    let mut column = |k: usize, turn: Vector, shift: Vector| {
        for i in 0..3 {
            j[i][k] = turn[i];
            j[3 + i][k] = shift[i];
        }
    };
    let lever = nominal.origin - measured.plane.point;
    // Slope b along u raises points by b u: the part is turned back about the line across u, so that it sinks by b u.
    column(0, Vector::zeros(), -n);
    column(1, -pu.cross(&n), -n * lever.dot(&pu));
    column(2, -pv.cross(&n), -n * lever.dot(&pv));
    let (bu, bv) = measured.origin.across;
    let (cu, cv) = measured.clock.across;
    for (k, d) in [(3, bu), (4, bv)] {
        column(k, n * (d.dot(&y) / nominal.length), -d);
    }
    for (k, d) in [(5, cu), (6, cv)] {
        column(k, -n * (d.dot(&y) / nominal.length), Vector::zeros());
    }
    let mut input = [[0.0; 7]; 7];
    for i in 0..3 {
        for k in 0..3 {
            input[i][k] = measured.plane.covariance[i][k];
        }
    }
    for (at, h) in [(3, &measured.origin), (5, &measured.clock)] {
        for i in 0..2 {
            for k in 0..2 {
                input[at + i][at + k] = h.covariance[i][k] + h.sampling[i][k];
            }
        }
    }
    let mut out = [[0.0; 6]; 6];
    for r in 0..6 {
        for c in 0..6 {
            for a in 0..7 {
                for b in 0..7 {
                    out[r][c] += j[r][a] * input[a][b] * j[c][b];
                }
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::of_motion;

    fn hole_at(centre: Point, axis: Direction) -> AssociatedHole {
        let (u, v) = axis.frame();
        AssociatedHole {
            centre,
            axis,
            across: (u, v),
            radius_mm: 5.0,
            covariance: [[0.0; 3]; 3],
            sampling: [[0.0; 3]; 3],
            rms_mm: 0.0,
            points: 100,
            left_out: 0,
            seen: Seen { fraction: 1.0, largest_unseen_disc_mm: 0.0 },
            depth_mm: 3.0,
        }
    }

    fn measured(normal: Direction) -> Measured {
        let plane = AssociatedPlane {
            point: Point::new(150.0, 80.0, 0.0),
            normal,
            axes: normal.frame(),
            covariance: [[0.0; 3]; 3],
            residual_mm: 0.0,
            cells: 100,
        };
        // Off the plane by half a wall, as the centres of holes are.
        let holes =
            [Point::new(20.0, 10.0, -1.5), Point::new(300.0, 190.0, -1.5)].map(|c| hole_at(c, normal));
        let [origin, clock] = holes;
        Measured { plane, origin, clock }
    }

    fn frame(m: &Measured) -> Frame {
        Frame::new(m.plane.point, m.plane.normal, m.origin.centre, m.clock.centre).unwrap()
    }

    /// The propagated covariance of each single input against the construction itself, shifted a little.
    #[test]
    fn each_input_moves_the_part_as_its_derivative_says() {
        let exact = measured(Direction::Z);
        let nominal = frame(&exact);
        let eps = 1e-5;
        for k in 0..7 {
            let mut off = exact_copy();
            let mut told = exact_copy();
            let (u, v) = off.plane.axes;
            match k {
                0 => off.plane.point += off.plane.normal.vector() * eps,
                1 => off.plane.normal = Direction::new(Vector::z() - u * eps).unwrap(),
                2 => off.plane.normal = Direction::new(Vector::z() - v * eps).unwrap(),
                3 => off.origin.centre += off.origin.across.0 * eps,
                4 => off.origin.centre += off.origin.across.1 * eps,
                5 => off.clock.centre += off.clock.across.0 * eps,
                _ => off.clock.centre += off.clock.across.1 * eps,
            }
            match k {
                0..3 => told.plane.covariance[k][k] = 1.0,
                3 | 4 => told.origin.covariance[k - 3][k - 3] = 1.0,
                _ => told.clock.covariance[k - 5][k - 5] = 1.0,
            }
            let covariance = covariance(&told, &nominal);
            let step = onto(&frame(&off), &nominal);
            for at in
                [Point::new(0.0, 0.0, 0.0), Point::new(400.0, -50.0, 30.0), Point::new(150.0, 250.0, -20.0)]
            {
                for d in [Direction::X, Direction::Y, Direction::Z] {
                    let moved = (step.point(&at) - at).dot(&d.vector()).abs() / eps;
                    let said = of_motion(&covariance, nominal.origin, at, d);
                    // Tilting the plane also shifts the feet of holes 1.5 mm off it: 1.5 mm over 300 mm levers.
                    let tolerance = if matches!(k, 1 | 2) { 1.6 } else { 1e-3 };
                    assert!(
                        (moved - said).abs() < tolerance,
                        "input {k} at {at:?} along {d:?}: {moved} but {said}"
                    );
                }
            }
        }
    }

    fn exact_copy() -> Measured {
        measured(Direction::Z)
    }

    #[test]
    fn three_two_one_gives_the_published_rational_rotation() {
        // The exact case of a rotation by thirds (recomputed): R = 1/3 [[2,-1,2],[2,2,-1],[-1,2,2]], t = (10,20,30).
        let r = Matrix3::new(2.0, -1.0, 2.0, 2.0, 2.0, -1.0, -1.0, 2.0, 2.0) / 3.0;
        let t = Vector::new(10.0, 20.0, 30.0);
        let moved = |p: Point| Point::from(r * p.coords + t);
        let nominal =
            Frame::new(Point::origin(), Direction::Z, Point::new(0.0, 0.0, 3.0), Point::new(90.0, 0.0, 6.0))
                .unwrap();
        let normal = Direction::new(r * Vector::z()).unwrap();
        let here = Frame::new(
            moved(Point::origin()),
            normal,
            moved(Point::new(0.0, 0.0, 3.0)),
            moved(Point::new(90.0, 0.0, 6.0)),
        )
        .unwrap();
        let back = onto(&here, &nominal);
        assert!((back.rotation() - r.transpose()).abs().max() < 1e-15);
        assert!((back.point(&Point::new(25.0, 50.0, 30.0)) - Point::new(30.0, 15.0, 0.0)).norm() < 1e-13);
    }
}
