//! What was made against what was measured: the hole that is off, and the mean depth of the dent.
//!
//! The hole's place is the service's own figure. The dent's depth is this command's: from the scan's points, laid
//! onto the part as the service aligned it; the service tells no depth of dents, only the profile's extremes.
//!
//! The truth is told in the made part's own datum system, as the drawing asks. Here that system is taken in
//! the flange's plane only: from hole B, turned so that C lies in its direction. Heights and tilts of the
//! flange move nothing in its plane to first order, and drop out of a depth that is told from the dent's
//! surroundings.

use scantling_core::geometry::{Direction, Matrix3, Motion, PartFrame, Point, ScanFrame, Vector, math};
use scantling_core::search::SurfaceTree;
use scantling_core::simulate::Dent;
use scantling_proto::v1::Inspection;

use super::rehearsal::Files;

/// How near the measured place of the hole must be, mm; some 3 standard deviations of what the scan's noise allows.
const HOLE_WITHIN_MM: f64 = 0.01;
/// How near the measured mean depth of the dent must be, mm.
const DENT_WITHIN_MM: f64 = 0.02;

/// Both, made and measured.
pub(super) struct Truth {
    pub(super) hole_made_mm: Vector,
    pub(super) hole_measured_mm: Vector,
    pub(super) dent_made_mm: f64,
    pub(super) dent_measured_mm: f64,
}

impl Truth {
    pub(super) fn hole_error_mm(&self) -> f64 {
        (self.hole_measured_mm - self.hole_made_mm).norm()
    }

    pub(super) fn dent_error_mm(&self) -> f64 {
        (self.dent_measured_mm - self.dent_made_mm).abs()
    }

    /// What lies further from the truth than it may.
    pub(super) fn beyond(&self) -> Vec<String> {
        let errors = [
            ("the hole's place", self.hole_error_mm(), HOLE_WITHIN_MM),
            ("the dent's depth", self.dent_error_mm(), DENT_WITHIN_MM),
        ];
        let far = errors.iter().filter(|(_, error, within)| !(error <= within));
        far.map(|(what, error, within)| {
            format!("{what} is {error:.4} mm from the truth, more than {within} mm")
        })
        .collect()
    }

    pub(super) fn text(&self) -> String {
        let of = |v: Vector| format!("dx {:.3}, dy {:.3}", v.x, v.y);
        format!(
            "Made and measured, in the made part's own datums\n  hole   made {}; measured {}; apart by {:.3} mm\n  \
             dent   mean depth of its bottom made {:.3}, measured {:.3}; apart by {:.3} mm\n  \
             (the hole by the service; the dent by this command, from the scan as the service aligned it)\n",
            of(self.hole_made_mm),
            of(self.hole_measured_mm),
            self.hole_error_mm(),
            self.dent_made_mm,
            self.dent_measured_mm,
            self.dent_error_mm()
        )
    }
}

/// `None` when the service did not measure what is needed.
pub(super) fn compare(files: &Files, bad: &Inspection) -> Option<Truth> {
    let demo = &files.demo;
    let hole = demo.surround.holes().iter().find(|h| h.id == demo.bad_hole)?;
    let datum_from_nominal = made_datums(files)?;
    let made = |p: &Point| datum_from_nominal.point(&demo.bad.made.point(p));
    let measured = bad
        .evaluations
        .iter()
        .find(|e| e.requirement == "position" && e.feature == demo.bad_hole)?
        .components
        .as_ref()?;
    let off = made(&hole.centre) - hole.centre;
    let dent = &demo.bad.dent.as_ref()?.dent;
    let (dent_made_mm, dent_measured_mm) = depths(files, dent, &part_from_scan(bad)?, made)?;
    Some(Truth {
        hole_made_mm: Vector::new(off.x, off.y, 0.0),
        hole_measured_mm: Vector::new(measured.dx_mm, measured.dy_mm, 0.0),
        dent_made_mm,
        dent_measured_mm,
    })
}

/// The made part's datum system, from the nominal axes in which the simulator tells what it made.
fn made_datums(files: &Files) -> Option<Motion<PartFrame, PartFrame>> {
    let (surround, made) = (&files.demo.surround, &files.demo.bad.made);
    let [b, c, ..] = surround.holes() else { return None };
    let (b_made, c_made) = (made.point(&b.centre), made.point(&c.centre));
    let angle = |v: Vector| math::atan2(v.y, v.x);
    let turn = angle(c.centre - b.centre) - angle(c_made - b_made);
    let back = Motion::turn_about(b_made, Vector::new(0.0, 0.0, turn), b.centre - b_made);
    Some(back)
}

/// The service's alignment on the datums, from the result whose digest it keeps.
fn part_from_scan(bad: &Inspection) -> Option<Motion<PartFrame, ScanFrame>> {
    let record: scantling_core::record::Record = serde_json::from_str(&bad.result_json).ok()?;
    let datums = record.datum_systems.first()?;
    let rows = datums.rotation;
    let rotation = Matrix3::from_fn(|i, k| rows[i][k]);
    Motion::new(rotation, Vector::from(datums.translation_mm))
}

/// Mean depth of the dent's bottom below its surroundings, made and measured at the same places.
fn depths(
    files: &Files,
    dent: &Dent,
    part_from_scan: &Motion<PartFrame, ScanFrame>,
    made: impl Fn(&Point) -> Point,
) -> Option<(f64, f64)> {
    let nominal = &files.demo.nominal;
    let tree = SurfaceTree::new(nominal);
    let scan = scantling_core::read::read(&files.bad_ply, &scantling_core::run::quiet()).ok()?;
    // Inside the flat bottom, and on a ring outside the dent.
    let (mut bottom, mut ring) = (Mean::default(), Mean::default());
    for p in &scan.points {
        let p = part_from_scan.point(p);
        let from = p - dent.centre;
        let along = from.dot(&dent.inward.vector());
        let away = (from - dent.inward.vector() * along).norm();
        if along.abs() > dent.reach_mm || away > 1.4 * dent.radius_mm {
            continue;
        }
        let Some(foot) = tree.nearest(&p, 3.0) else { continue };
        let Some(normal) = nominal.normal(foot.triangle) else { continue };
        // The visible side only.
        if facing(normal, dent.inward) > -0.5 {
            continue;
        }
        let measured = (p - foot.point).dot(&normal.vector());
        let truth = (made(&foot.point) - foot.point).dot(&normal.vector());
        if away < 0.95 * dent.flat_radius_mm() {
            bottom.add(truth, measured);
        } else if away > 1.1 * dent.radius_mm {
            ring.add(truth, measured);
        }
    }
    let (bottom, ring) = (bottom.mean()?, ring.mean()?);
    Some((ring.0 - bottom.0, ring.1 - bottom.1))
}

fn facing(normal: Direction, inward: Direction) -> f64 {
    normal.vector().dot(&inward.vector())
}

/// Means of made and measured deviations at the same places.
#[derive(Default)]
struct Mean {
    made: f64,
    measured: f64,
    count: u32,
}

impl Mean {
    fn add(&mut self, made: f64, measured: f64) {
        self.made += made;
        self.measured += measured;
        self.count += 1;
    }

    fn mean(&self) -> Option<(f64, f64)> {
        let n = f64::from(self.count);
        // Fewer say nothing.
        (self.count >= 20).then(|| (self.made / n, self.measured / n))
    }
}
