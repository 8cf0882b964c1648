//! From what was made back to what a simulation's file says of it: truth in the words of the schema.

use super::arrangement::Hand;
use super::deviation::Deviation;
use super::file::{
    CornerFile, DentFile, DeviationFile, HandFile, HoleShiftFile, PlyDropFile, ResinRidgeFile, SagFile,
    SpringInFile, ThicknessChangeFile, TrimOffsetFile, WarpFile,
};
use crate::geometry::{Direction, Point};

impl From<Hand> for HandFile {
    fn from(hand: Hand) -> Self {
        match hand {
            Hand::AsDrawn => HandFile::AsDrawn,
            Hand::Opposite => HandFile::Opposite,
        }
    }
}

fn at(p: &Point) -> Vec<f64> {
    vec![p.x, p.y, p.z]
}

fn along(d: Direction) -> Vec<f64> {
    let v = d.vector();
    vec![v.x, v.y, v.z]
}

impl From<&Deviation> for DeviationFile {
    /// As the file says it, of no instance of its own; a check of it gives the same deviation back.
    fn from(deviation: &Deviation) -> Self {
        let mut file = DeviationFile::default();
        match deviation {
            Deviation::Warp(d) => {
                file.warp = Some(WarpFile {
                    centre_mm: at(&d.centre),
                    half_mm: d.half_mm.to_vec(),
                    out_mm: d.out_mm.to_vec(),
                    in_plane_mm: d.in_plane_mm.to_vec(),
                });
            }
            Deviation::HoleShift(d) => {
                file.hole_shift = Some(HoleShiftFile {
                    centre_mm: at(&d.centre),
                    axis: along(d.axis),
                    radius_mm: d.radius_mm,
                    half_length_mm: d.half_length_mm,
                    reach_mm: d.reach_mm,
                    shift_mm: vec![d.shift.x, d.shift.y, d.shift.z],
                });
            }
            Deviation::Dent(d) => {
                file.dent = Some(DentFile {
                    centre_mm: at(&d.centre),
                    inward: along(d.inward),
                    radius_mm: d.radius_mm,
                    flat: d.flat,
                    depth_mm: d.depth_mm,
                    reach_mm: d.reach_mm,
                });
            }
            Deviation::TrimOffset(d) => {
                file.trim_offset = Some(TrimOffsetFile {
                    from_mm: at(&d.from),
                    to_mm: at(&d.to),
                    outward: along(d.outward),
                    offset_mm: d.offset_mm,
                    run_out_mm: d.run_out_mm,
                    band_mm: d.band_mm,
                    reach_mm: d.reach_mm,
                });
            }
            Deviation::ThicknessChange(d) => {
                file.thickness_change = Some(ThicknessChangeFile {
                    centre_mm: at(&d.centre),
                    inward: along(d.inward),
                    radius_mm: d.radius_mm,
                    flat: d.flat,
                    thickness_mm: d.thickness_mm,
                    change_mm: d.change_mm,
                });
            }
            Deviation::SpringIn(d) => {
                file.spring_in = Some(SpringInFile {
                    point_mm: at(&d.point),
                    axis: along(d.axis),
                    towards: along(d.towards),
                    angle_deg: Some(d.angle_rad.to_degrees()),
                    cure: None,
                    blend_mm: d.blend_mm,
                });
            }
            Deviation::PlyDrop(d) => {
                file.ply_drop = Some(PlyDropFile {
                    point_mm: at(&d.point),
                    across: along(d.across),
                    inward: along(d.inward),
                    step_mm: d.step_mm,
                    ramp_mm: d.ramp_mm,
                    half_length_mm: d.half_length_mm,
                    width_mm: d.width_mm,
                    thickness_mm: d.thickness_mm,
                });
            }
            Deviation::ResinRidge(d) => {
                file.resin_ridge = Some(ResinRidgeFile {
                    line: d.line.iter().map(|p| CornerFile { at_mm: at(p) }).collect(),
                    outward: along(d.outward),
                    height_mm: d.height_mm,
                    half_width_mm: d.half_width_mm,
                    reach_mm: d.reach_mm,
                });
            }
            Deviation::Sag(d) => {
                file.sag = Some(SagFile {
                    first_support_mm: at(&d.supports[0]),
                    second_support_mm: at(&d.supports[1]),
                    down: along(d.down),
                    depth_mm: d.depth_mm,
                });
            }
        }
        file
    }
}
