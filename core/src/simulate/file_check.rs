//! From what a simulation's file says to one that can be run: every fault at once. Long, because it names every
//! key of the schema once.

use super::arrangement::Hand;
use super::deviation::{
    Cure, Dent, Deviation, HoleShift, PlyDrop, ResinRidge, Sag, SpringIn, ThicknessChange, TrimOffset, Warp,
};
use super::fault::{Fault, Faults};
use super::file::{
    DeviationFile, HandFile, PartFile, PoseFile, SIMULATION_SCHEMA_VERSION, SceneFile, SimulationFile,
};
use super::scanner_check::scanner;
use super::scene::{Clamp, Table};
use super::simulation::{Instance, Layout, Pose, SimulatedPart, Simulation};
use crate::geometry::{Direction, Motion, Point, Vector};

/// Lists in a file are no longer than this.
const MOST: usize = 200;
/// Parts of a scene.
const MOST_PARTS: usize = 20;
/// Nothing lies further than this from the origin, mm.
const FURTHEST_MM: f64 = 10_000.0;

impl SimulationFile {
    /// Reads a file in TOML; its form only.
    ///
    /// # Errors
    /// The first fault of syntax or form.
    pub fn from_toml(text: &str) -> Result<Self, Fault> {
        let fault = |e: toml::de::Error| {
            let before =
                e.span().and_then(|span| text.get(..span.start)).map(|t| t.matches('\n').count() + 1);
            Fault {
                place: before.map_or(String::new(), |line| format!("line {line}")),
                problem: format!("this is no simulation: {}", for_people(e.message())),
            }
        };
        toml::from_str(text).map_err(fault)
    }

    /// Reads a file in JSON; its form only.
    ///
    /// # Errors
    /// The first fault of syntax or form.
    pub fn from_json(text: &str) -> Result<Self, Fault> {
        serde_json::from_str(text).map_err(|e| Fault {
            place: String::new(),
            problem: format!("this is no simulation: {}", for_people(&e.to_string())),
        })
    }

    /// Checks what the file says.
    ///
    /// # Errors
    /// Every fault, each with its place and what to write instead.
    pub fn check(&self) -> Result<Simulation, Vec<Fault>> {
        let faults = Faults::default();
        let simulation = check(self, &faults);
        let faults = faults.into_vec();
        match simulation {
            Some(simulation) if faults.is_empty() => Ok(simulation),
            _ => Err(faults),
        }
    }
}

/// The schema's own names say nothing to who writes a file.
fn for_people(message: &str) -> String {
    let mut words = message.split("expected struct ");
    let mut text = words.next().unwrap_or_default().to_owned();
    for rest in words {
        let name = rest.find(|c: char| !c.is_alphanumeric()).unwrap_or(rest.len());
        text += "expected a table `{ ... }`";
        text += &rest[name..];
    }
    text
}

fn check(file: &SimulationFile, faults: &Faults) -> Option<Simulation> {
    if file.schema_version != SIMULATION_SCHEMA_VERSION {
        let problem = format!("is {}; write {SIMULATION_SCHEMA_VERSION}", file.schema_version);
        faults.add("schema_version", problem);
    }
    let seed = file.seed.cast_unsigned();
    let part = part(faults, &file.part);
    let scanner = scanner(faults, &file.scanner, seed);
    let layout = layout(faults, file.scene.as_ref(), &file.part);
    let parts = match &file.scene {
        None => 1,
        Some(SceneFile { arrangement: Some(a), .. }) => [a.good, a.bad, a.opposite_hand]
            .iter()
            .map(|n| usize::try_from(*n).unwrap_or(0).min(MOST_PARTS))
            .sum(),
        Some(scene) => scene.instance.len(),
    };
    at_most(faults, "deviation", file.deviation.len(), MOST);
    let deviations = file.deviation.iter().take(MOST).enumerate();
    let deviations: Vec<_> = deviations.map(|(i, d)| deviation(faults, i, d, parts)).collect();
    let pose = pose(faults, file.pose.as_ref());
    Some(Simulation {
        seed,
        part: part?,
        scanner: scanner?,
        deviations: deviations.into_iter().collect::<Option<_>>()?,
        layout: layout?,
        pose: pose?,
    })
}

/// Adds a fault where a list is too long.
pub(super) fn at_most(faults: &Faults, place: &str, count: usize, most: usize) {
    if count > most {
        faults.add(place, format!("has {count} entries; write at most {most}"));
    }
}

/// A number that must lie in a range; NaN lies in none.
pub(super) fn within(faults: &Faults, place: &str, value: f64, low: f64, high: f64) -> bool {
    let ok = value >= low && value <= high;
    if !ok {
        faults.add(place, format!("is {value}; write a number from {low} to {high}"));
    }
    ok
}

/// Three numbers of a size that occurs.
fn triple(faults: &Faults, place: &str, values: &[f64]) -> Option<Vector> {
    match *values {
        [x, y, z] if values.iter().all(|v| v.abs() <= FURTHEST_MM) => Some(Vector::new(x, y, z)),
        [_, _, _] => {
            faults.add(place, format!("has a number beyond {FURTHEST_MM}; write three smaller ones"));
            None
        }
        _ => {
            faults.add(place, format!("has {} numbers; write three: x, y, z", values.len()));
            None
        }
    }
}

fn place_of(faults: &Faults, place: &str, values: &[f64]) -> Option<Point> {
    triple(faults, place, values).map(Point::from)
}

/// Three numbers that make a direction.
pub(super) fn direction(faults: &Faults, place: &str, values: &[f64]) -> Option<Direction> {
    let found = Direction::new(triple(faults, place, values)?);
    if found.is_none() {
        faults.add(place, "has no length; write x, y, z of a direction");
    }
    found
}

/// So many numbers.
fn numbers<const N: usize>(faults: &Faults, place: &str, values: &[f64]) -> Option<[f64; N]> {
    let found = <[f64; N]>::try_from(values).ok().filter(|v| v.iter().all(|v| v.abs() <= FURTHEST_MM));
    if found.is_none() {
        faults.add(place, format!("must be {N} numbers of at most {FURTHEST_MM}, and has {}", values.len()));
    }
    found
}

fn part(faults: &Faults, file: &PartFile) -> Option<SimulatedPart> {
    match (file.window_surround, file.nominal) {
        (Some(surround), None) => {
            let scale = surround.size_scale.unwrap_or(1.0);
            within(faults, "part.window_surround.size_scale", scale, 0.75, 1.3)
                .then_some(SimulatedPart::WindowSurround(scale))
        }
        (None, Some(_)) => Some(SimulatedPart::Nominal),
        _ => {
            faults.add("part", "must name exactly one of `window_surround = {}` and `nominal = {}`");
            None
        }
    }
}

fn pose(faults: &Faults, file: Option<&PoseFile>) -> Option<Pose> {
    match file.map(|f| (&f.random, &f.given)) {
        None => Some(Pose::Given(Motion::identity())),
        Some((Some(_), None)) => Some(Pose::Random),
        Some((None, Some(given))) => {
            let turn = triple(faults, "pose.given.turn_deg", &given.turn_deg);
            let shift = triple(faults, "pose.given.shift_mm", &given.shift_mm);
            Some(Pose::Given(Motion::from_turn_and_shift(turn?.map(f64::to_radians), shift?)))
        }
        _ => {
            faults.add("pose", "must name exactly one of `random = {}` and `given = { .. }`");
            None
        }
    }
}

fn layout(faults: &Faults, file: Option<&SceneFile>, part: &PartFile) -> Option<Layout> {
    let Some(scene) = file else {
        let alone = Instance { hand: Hand::AsDrawn, at_mm: None, turn_rad: 0.0 };
        return Some(Layout::Listed { table: None, instances: vec![alone], clamps: Vec::new() });
    };
    if let Some(a) = scene.arrangement {
        if scene.table.is_some() || !scene.instance.is_empty() || !scene.clamp.is_empty() {
            faults.add("scene.arrangement", "makes table, instances and clamps itself; leave those out");
        }
        // Sizes of arrangements are those of the default.
        if part.window_surround.is_none_or(|w| w.size_scale.is_some_and(|s| s != 1.0)) {
            faults.add("scene.arrangement", "is made of window surrounds of size 1; write them as the part");
        }
        let counts = [a.good, a.bad, a.opposite_hand].map(|n| usize::try_from(n).unwrap_or(MOST_PARTS + 1));
        let sound = counts.iter().all(|n| *n <= MOST_PARTS);
        if !sound || !(1..=MOST_PARTS).contains(&counts.iter().sum()) {
            faults
                .add("scene.arrangement", format!("must have 1 to {MOST_PARTS} parts, none of them below 0"));
            return None;
        }
        return Some(Layout::Arrangement(counts));
    }
    if scene.instance.is_empty() {
        faults.add("scene.instance", "is missing; write at least one `[[scene.instance]]` or an arrangement");
    }
    at_most(faults, "scene.instance", scene.instance.len(), MOST_PARTS);
    at_most(faults, "scene.clamp", scene.clamp.len(), MOST);
    let table = scene.table.map(|t| {
        let roughness_mm = t.roughness_mm.unwrap_or(0.0);
        within(faults, "scene.table.length_mm", t.length_mm, 100.0, FURTHEST_MM);
        within(faults, "scene.table.width_mm", t.width_mm, 100.0, FURTHEST_MM);
        within(faults, "scene.table.roughness_mm", roughness_mm, 0.0, 10.0);
        Table { size_mm: [t.length_mm, t.width_mm], roughness_mm }
    });
    let instances = scene.instance.iter().take(MOST_PARTS).enumerate().map(|(i, instance)| {
        let place = format!("scene.instance[{i}]");
        let at = match instance.at_mm[..] {
            [x, y] => numbers(faults, &format!("{place}.at_mm"), &[x, y, 0.0]),
            _ => numbers(faults, &format!("{place}.at_mm"), &instance.at_mm),
        };
        let turn_deg = instance.turn_deg.unwrap_or(0.0);
        within(faults, &format!("{place}.turn_deg"), turn_deg, -360.0, 360.0);
        let hand = match instance.hand {
            Some(HandFile::Opposite) => Hand::Opposite,
            Some(HandFile::AsDrawn) | None => Hand::AsDrawn,
        };
        Some(Instance { hand, at_mm: Some(at?), turn_rad: turn_deg.to_radians() })
    });
    let instances: Vec<_> = instances.collect();
    let clamps = scene.clamp.iter().take(MOST).enumerate().map(|(i, clamp)| {
        let place = format!("scene.clamp[{i}]");
        let turn_deg = clamp.turn_deg.unwrap_or(0.0);
        within(faults, &format!("{place}.turn_deg"), turn_deg, -360.0, 360.0);
        let size_mm = numbers(faults, &format!("{place}.size_mm"), &clamp.size_mm);
        for size in size_mm.into_iter().flatten() {
            within(faults, &format!("{place}.size_mm"), size, 0.5, 2000.0);
        }
        let foot = place_of(faults, &format!("{place}.foot_mm"), &clamp.foot_mm);
        Some(Clamp { foot: foot?, size_mm: size_mm?, turn_rad: turn_deg.to_radians() })
    });
    let clamps: Vec<_> = clamps.collect();
    Some(Layout::Listed {
        table,
        instances: instances.into_iter().collect::<Option<_>>()?,
        clamps: clamps.into_iter().collect::<Option<_>>()?,
    })
}

fn deviation(
    faults: &Faults,
    index: usize,
    file: &DeviationFile,
    parts: usize,
) -> Option<(Option<usize>, Deviation)> {
    let place = format!("deviation[{index}]");
    let instance = file.instance.map(|i| usize::try_from(i).ok().filter(|i| *i < parts));
    if instance == Some(None) {
        faults.add(format!("{place}.instance"), format!("names no instance; there are {parts}, from 0"));
    }
    let mut kinds: Vec<(&str, Option<Deviation>)> = Vec::new();
    let at = |kind: &str, key: &str| format!("{place}.{kind}.{key}");
    let point = |kind: &str, key: &str, v: &[f64]| place_of(faults, &at(kind, key), v);
    let toward = |kind: &str, key: &str, v: &[f64]| direction(faults, &at(kind, key), v);
    if let Some(f) = &file.warp {
        let centre = point("warp", "centre_mm", &f.centre_mm);
        let half_mm = numbers(faults, &at("warp", "half_mm"), &f.half_mm);
        let out_mm = numbers(faults, &at("warp", "out_mm"), &f.out_mm);
        let in_plane_mm = match f.in_plane_mm[..] {
            [] => Some([0.0; 2]),
            _ => numbers(faults, &at("warp", "in_plane_mm"), &f.in_plane_mm),
        };
        let made = || {
            let (centre, half_mm, out_mm, in_plane_mm) = (centre?, half_mm?, out_mm?, in_plane_mm?);
            Some(Deviation::Warp(Warp { centre, half_mm, out_mm, in_plane_mm }))
        };
        kinds.push(("warp", made()));
    }
    if let Some(f) = &file.hole_shift {
        let centre = point("hole_shift", "centre_mm", &f.centre_mm);
        let axis = toward("hole_shift", "axis", &f.axis);
        let shift = triple(faults, &at("hole_shift", "shift_mm"), &f.shift_mm);
        let (radius_mm, half_length_mm, reach_mm) = (f.radius_mm, f.half_length_mm, f.reach_mm);
        let made = || {
            let (centre, axis, shift) = (centre?, axis?, shift?);
            let made = HoleShift { centre, axis, radius_mm, half_length_mm, reach_mm, shift };
            Some(Deviation::HoleShift(made))
        };
        kinds.push(("hole_shift", made()));
    }
    if let Some(f) = &file.dent {
        let centre = point("dent", "centre_mm", &f.centre_mm);
        let inward = toward("dent", "inward", &f.inward);
        let (radius_mm, flat, depth_mm, reach_mm) = (f.radius_mm, f.flat, f.depth_mm, f.reach_mm);
        let made = || {
            let (centre, inward) = (centre?, inward?);
            Some(Deviation::Dent(Dent { centre, inward, radius_mm, flat, depth_mm, reach_mm }))
        };
        kinds.push(("dent", made()));
    }
    if let Some(f) = &file.trim_offset {
        let from = point("trim_offset", "from_mm", &f.from_mm);
        let to = point("trim_offset", "to_mm", &f.to_mm);
        let outward = toward("trim_offset", "outward", &f.outward);
        let (offset_mm, run_out_mm, band_mm, reach_mm) = (f.offset_mm, f.run_out_mm, f.band_mm, f.reach_mm);
        let made = || {
            let (from, to, outward) = (from?, to?, outward?);
            let made = TrimOffset { from, to, outward, offset_mm, run_out_mm, band_mm, reach_mm };
            Some(Deviation::TrimOffset(made))
        };
        kinds.push(("trim_offset", made()));
    }
    if let Some(f) = &file.thickness_change {
        let centre = point("thickness_change", "centre_mm", &f.centre_mm);
        let inward = toward("thickness_change", "inward", &f.inward);
        let (radius_mm, flat, thickness_mm, change_mm) = (f.radius_mm, f.flat, f.thickness_mm, f.change_mm);
        let made = || {
            let (centre, inward) = (centre?, inward?);
            let made = ThicknessChange { centre, inward, radius_mm, flat, thickness_mm, change_mm };
            Some(Deviation::ThicknessChange(made))
        };
        kinds.push(("thickness_change", made()));
    }
    if let Some(f) = &file.spring_in {
        let point = point("spring_in", "point_mm", &f.point_mm);
        let axis = toward("spring_in", "axis", &f.axis);
        let towards = toward("spring_in", "towards", &f.towards);
        let blend_mm = f.blend_mm;
        let angle_rad = match (f.angle_deg, &f.cure) {
            (Some(angle), None) => Some(angle.to_radians()),
            (None, Some(cure)) => {
                let closes = Cure {
                    included_angle_rad: cure.included_angle_deg.to_radians(),
                    expansion_in_plane_per_k: cure.expansion_in_plane_per_k,
                    expansion_through_per_k: cure.expansion_through_per_k,
                    temperature_change_k: cure.temperature_change_k,
                    shrinkage_in_plane: cure.shrinkage_in_plane,
                    shrinkage_through: cure.shrinkage_through,
                }
                .spring_in_rad();
                if closes.is_none() {
                    let problem = "cannot be: the angle is 0 to 180 degrees, and no strain reaches a tenth";
                    faults.add(at("spring_in", "cure"), problem);
                }
                closes
            }
            (Some(_), Some(_)) => {
                faults.add(at("spring_in", "cure"), "foretells the angle, which is told; leave one");
                None
            }
            (None, None) => {
                faults.add(at("spring_in", "angle_deg"), "is missing; write the angle, or `cure`");
                None
            }
        };
        let made = || {
            let (point, axis, towards, angle_rad) = (point?, axis?, towards?, angle_rad?);
            Some(Deviation::SpringIn(SpringIn { point, axis, towards, angle_rad, blend_mm }))
        };
        kinds.push(("spring_in", made()));
    }
    if let Some(f) = &file.ply_drop {
        let point = point("ply_drop", "point_mm", &f.point_mm);
        let across = toward("ply_drop", "across", &f.across);
        let inward = toward("ply_drop", "inward", &f.inward);
        let (step_mm, ramp_mm, half_length_mm) = (f.step_mm, f.ramp_mm, f.half_length_mm);
        let (width_mm, thickness_mm) = (f.width_mm, f.thickness_mm);
        let made = || {
            let (point, across, inward) = (point?, across?, inward?);
            Some(Deviation::PlyDrop(PlyDrop {
                point,
                across,
                inward,
                step_mm,
                ramp_mm,
                half_length_mm,
                width_mm,
                thickness_mm,
            }))
        };
        kinds.push(("ply_drop", made()));
    }
    if let Some(f) = &file.resin_ridge {
        at_most(faults, &at("resin_ridge", "line"), f.line.len(), MOST);
        let corners = f.line.iter().take(MOST).enumerate();
        let corners = corners.map(|(i, c)| point("resin_ridge", &format!("line[{i}].at_mm"), &c.at_mm));
        let line: Vec<Option<Point>> = corners.collect();
        let outward = toward("resin_ridge", "outward", &f.outward);
        let (height_mm, half_width_mm, reach_mm) = (f.height_mm, f.half_width_mm, f.reach_mm);
        let made = || {
            let (line, outward) = (line.into_iter().collect::<Option<Vec<_>>>()?, outward?);
            let made = ResinRidge { line, outward, height_mm, half_width_mm, reach_mm };
            Some(Deviation::ResinRidge(made))
        };
        kinds.push(("resin_ridge", made()));
    }
    if let Some(f) = &file.sag {
        let first = point("sag", "first_support_mm", &f.first_support_mm);
        let second = point("sag", "second_support_mm", &f.second_support_mm);
        let down = toward("sag", "down", &f.down);
        let made = || {
            let supports = [first?, second?];
            Some(Deviation::Sag(Sag { supports, down: down?, depth_mm: f.depth_mm }))
        };
        kinds.push(("sag", made()));
    }
    if kinds.len() != 1 {
        let text = "must be exactly one of `warp`, `hole_shift`, `dent`, `trim_offset`, `thickness_change`, \
                    `spring_in`, `ply_drop`, `resin_ridge`, `sag`";
        faults.add(place, text);
        return None;
    }
    let (kind, made) = kinds.pop()?;
    let made = made?;
    if let Some(problem) = made.fault() {
        faults.add(format!("{place}.{kind}"), problem);
    }
    Some((instance.flatten(), made))
}
