//! E57, ASTM E2807-11 (from memory, and after the files that others write): a header, a description in
//! XML, and for each scan a section of packed points. Lengths are metres, angles radians.
//!
//! An own reader rather than a library: the output's bits must not depend on the processor, memory must
//! not exceed the limits for any file, and a fault must name its byte. Long, because a scan's parts refer to one another.

use nalgebra::{Quaternion, UnitQuaternion};

use super::e57_packets::{Kind, Stream};
use super::e57_pages::Pages;
use super::e57_xml::{Element, walk};
use super::ply_ascii::{check, usable};
use super::{Place, RawScan, ReadError, allowed};
use crate::geometry::{Point, Vector, math};
use crate::run::Run;

pub(super) fn is_e57(start: &[u8]) -> bool {
    start.starts_with(b"ASTM-E57")
}

/// What a field of a point's record is to us.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Role {
    X,
    Y,
    Z,
    CartesianInvalid,
    Range,
    Azimuth,
    Elevation,
    SphericalInvalid,
    Nx,
    Ny,
    Nz,
    Intensity,
    Other,
}

impl Role {
    fn named(name: &str) -> Self {
        match name {
            "cartesianX" => Role::X,
            "cartesianY" => Role::Y,
            "cartesianZ" => Role::Z,
            "cartesianInvalidState" => Role::CartesianInvalid,
            "sphericalRange" => Role::Range,
            "sphericalAzimuth" => Role::Azimuth,
            "sphericalElevation" => Role::Elevation,
            "sphericalInvalidState" => Role::SphericalInvalid,
            // The extension for surface normals, by its local names.
            "normalX" => Role::Nx,
            "normalY" => Role::Ny,
            "normalZ" => Role::Nz,
            "intensity" => Role::Intensity,
            _ => Role::Other,
        }
    }
}

/// One scan's description.
#[derive(Debug, Default)]
struct Part {
    records: u64,
    /// Where its section begins, physical.
    offset: u64,
    fields: Vec<(Role, Kind)>,
    /// Rotation w, x, y, z and translation.
    rotation: [f64; 4],
    translation: [f64; 3],
    posed: bool,
    pointed: bool,
}

impl Part {
    fn new() -> Self {
        Self { rotation: [1.0, 0.0, 0.0, 0.0], ..Self::default() }
    }

    fn place_of(&self, role: Role) -> Option<usize> {
        self.fields.iter().position(|(r, _)| *r == role)
    }

    fn three(&self, roles: [Role; 3]) -> Option<[usize; 3]> {
        let [a, b, c] = roles.map(|r| self.place_of(r));
        Some([a?, b?, c?])
    }

    fn normals(&self) -> Option<[usize; 3]> {
        self.three([Role::Nx, Role::Ny, Role::Nz])
    }
}

/// Descriptions of real files have a few kilobytes a scan.
const LONGEST_XML: u64 = 32 << 20;
/// More fields than any record has.
const MOST_FIELDS: usize = 256;

fn bad<T>(at: Place, problem: impl Into<String>) -> Result<T, ReadError> {
    Err(ReadError::BadE57 { at, problem: problem.into() })
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    bytes.get(at..at + 8).and_then(|b| b.try_into().ok()).map_or(0, u64::from_le_bytes)
}

/// All scans' descriptions, with their counts held against the file's length.
fn parts(bytes: &[u8]) -> Result<Vec<Part>, ReadError> {
    let length = bytes.len() as u64;
    if length < 48 {
        return Err(ReadError::Truncated { at: Place::Byte(length), what: "the header of 48 bytes" });
    }
    let page = u64_at(bytes, 40);
    if page != 1024 {
        return bad(
            Place::Byte(40),
            format!("pages of {page} bytes; the standard has 1,024: export it again"),
        );
    }
    let said = u64_at(bytes, 16);
    if said > length {
        return Err(ReadError::Promised { at: Place::Byte(16), needed: said, left: length });
    }
    let pages = Pages::new(bytes)?;
    let (at, xml_length) = (pages.logical(u64_at(bytes, 24))?, u64_at(bytes, 32));
    if xml_length > LONGEST_XML || xml_length > pages.length() - at {
        return bad(
            Place::Byte(32),
            format!(
                "a description of {xml_length} bytes, more than follow or are allowed ({LONGEST_XML}): the file is cut short or damaged"
            ),
        );
    }
    pages.check(0, 48)?;
    pages.check(at, xml_length)?;
    let mut xml = vec![0; xml_length as usize];
    pages.copy(at, &mut xml, "the description")?;
    let Ok(xml) = std::str::from_utf8(&xml) else {
        return bad(Pages::place(at), "the description is no UTF-8 text: the file is damaged");
    };
    let (mut all, mut part) = (Vec::new(), Part::new());
    walk(xml, |path, text| take(path, text, &mut part, &mut all))
        .or_else(|(offset, problem)| bad(Pages::place(at + offset as u64), problem))?;
    for part in &all {
        held_against(part, length)?;
    }
    Ok(all)
}

/// Takes in one element of the description.
fn take(path: &[Element], text: &str, part: &mut Part, all: &mut Vec<Part>) -> Result<(), String> {
    let names: Vec<&str> = path.iter().map(|e| e.name).collect();
    let ["e57Root", "data3D", "vectorChild", inside @ ..] = names.as_slice() else { return Ok(()) };
    let number = || -> Result<f64, String> {
        let text = if text.is_empty() { "0" } else { text };
        match text.parse() {
            Ok(value) if f64::is_finite(value) => Ok(value),
            _ => Err(format!("`{}` of a pose is no number", text.chars().take(24).collect::<String>())),
        }
    };
    let axis = |letters: &[&str], name: &str| letters.iter().position(|l| l == &name);
    match inside {
        [] => {
            if part.pointed {
                all.push(std::mem::take(part));
            }
            *part = Part::new();
        }
        ["pose", "rotation", letter] => {
            if let Some(k) = axis(&["w", "x", "y", "z"], letter) {
                (part.rotation[k], part.posed) = (number()?, true);
            }
        }
        ["pose", "translation", letter] => {
            if let Some(k) = axis(&["x", "y", "z"], letter) {
                (part.translation[k], part.posed) = (number()?, true);
            }
        }
        ["points", "prototype", name] => {
            if part.fields.len() >= MOST_FIELDS {
                return Err(format!("more than {MOST_FIELDS} fields a point"));
            }
            let Some(element) = path.last() else { return Ok(()) };
            part.fields.push((Role::named(name), Kind::described(element)?));
        }
        ["points"] => {
            let whole = |name: &str| {
                let value = path.last().and_then(|e| e.attribute(name));
                value.and_then(|v| v.parse().ok()).ok_or(format!("the points have no usable `{name}`"))
            };
            part.offset = whole("fileOffset")?;
            part.records = whole("recordCount")?;
            part.pointed = true;
        }
        _ => {}
    }
    Ok(())
}

/// Whether the bytes of a file can hold the points that a scan announces.
fn held_against(part: &Part, length: u64) -> Result<(), ReadError> {
    if part.records == 0 {
        return Ok(());
    }
    let bits = |fields: [usize; 3]| fields.map(|i| u64::from(part.fields[i].1.bits()));
    let cartesian = part.three([Role::X, Role::Y, Role::Z]);
    let spherical = part.three([Role::Range, Role::Azimuth, Role::Elevation]);
    let Some(bits) = cartesian.or(spherical).map(bits) else {
        return bad(
            Place::Byte(part.offset),
            "a scan's points have neither x, y, z nor range, azimuth, elevation: export coordinates",
        );
    };
    let total: u64 = bits.iter().sum();
    if total == 0 && part.records > 1 {
        return bad(
            Place::Byte(part.offset),
            "a scan's points are all the same by its description: export it again",
        );
    }
    let needed = u128::from(part.records) * u128::from(total) / 8;
    if needed > u128::from(length) {
        let needed = u64::try_from(needed).unwrap_or(u64::MAX);
        return Err(ReadError::Promised { at: Place::Byte(part.offset), needed, left: length });
    }
    Ok(())
}

/// How many points the description announces, and whether there are normals.
pub(super) fn announced(bytes: &[u8]) -> Result<(u64, bool), ReadError> {
    let parts = parts(bytes)?;
    let points = parts.iter().fold(0u64, |sum, p| sum.saturating_add(p.records));
    if points == 0 {
        Err(ReadError::NoPoints)
    } else {
        Ok((points, parts.iter().any(|p| p.normals().is_some())))
    }
}

pub(super) fn read(bytes: &[u8], run: &Run) -> Result<RawScan, ReadError> {
    let parts = parts(bytes)?;
    let points = parts.iter().fold(0u64, |sum, p| sum.saturating_add(p.records));
    allowed("points", points, run.limits.points)?;
    let pages = Pages::new(bytes)?;
    pages.check_all(run)?;
    let mut raw = RawScan::default();
    raw.points.reserve(points as usize);
    let mut normals =
        parts.iter().any(|p| p.normals().is_some()).then(|| Vec::with_capacity(points as usize));
    for part in parts.iter().filter(|p| p.records > 0) {
        raw.source.scans += 1;
        read_part(&pages, part, &mut raw, normals.as_mut(), run)?;
    }
    raw.normals = normals;
    Ok(raw)
}

fn read_part(
    pages: &Pages,
    part: &Part,
    raw: &mut RawScan,
    mut normals: Option<&mut Vec<Vector>>,
    run: &Run,
) -> Result<(), ReadError> {
    let cartesian = part.three([Role::X, Role::Y, Role::Z]);
    let spherical = part.three([Role::Range, Role::Azimuth, Role::Elevation]);
    // `held_against` has made sure of one of them.
    let Some(place) = cartesian.or(spherical) else { return Ok(()) };
    let invalid = if cartesian.is_some() { Role::CartesianInvalid } else { Role::SphericalInvalid };
    let kinds: Vec<Kind> = part.fields.iter().map(|(_, kind)| *kind).collect();
    let stream = |field: usize| Stream::new(pages, part.offset, &kinds, field);
    let three = |fields: [usize; 3]| -> Result<[Stream; 3], ReadError> {
        let [a, b, c] = fields;
        Ok([stream(a)?, stream(b)?, stream(c)?])
    };
    let mut place = three(place)?;
    let mut normal = part.normals().map(three).transpose()?;
    let mut state = part.place_of(invalid).map(stream).transpose()?;
    let mut intensity = part.place_of(Role::Intensity).map(stream).transpose()?;
    let pose = pose(part)?;
    for record in 0..part.records {
        check(record, run)?;
        let at = place[0].place();
        let mut p = [0.0; 3];
        for (c, stream) in p.iter_mut().zip(&mut place) {
            *c = stream.next(run)?;
        }
        let n = match &mut normal {
            Some([a, b, c]) => usable([a.next(run)?, b.next(run)?, c.next(run)?]),
            None => Vector::zeros(),
        };
        let light = intensity.as_mut().map(|s| s.next(run)).transpose()?;
        match state.as_mut().map(|s| s.next(run)).transpose()? {
            None => {}
            Some(0.0) => {}
            // Only a direction is known, or nothing.
            Some(1.0 | 2.0) => {
                raw.source.invalid_points += 1;
                continue;
            }
            Some(other) => {
                return bad(
                    at,
                    format!("a point's invalid state is {other}; it is 0, 1 or 2: export it again"),
                );
            }
        }
        if cartesian.is_none() {
            p = from_spherical(p);
        }
        let mut point = Point::from(p);
        let mut direction = n;
        if let Some((rotation, translation)) = &pose {
            point = Point::from(rotation * point.coords + translation);
            direction = rotation * direction;
        }
        if !point.iter().all(|c| c.is_finite()) {
            return Err(ReadError::NotFinite { vertex: raw.points.len() as u64, at });
        }
        raw.points.push(point);
        if let Some(normals) = &mut normals {
            normals.push(direction);
        }
        if let Some(light) = light {
            raw.source.add_intensity(light);
        }
    }
    Ok(())
}

/// Range, azimuth and elevation as x, y, z: the azimuth turns from x to y, the elevation from their plane
/// to z. ASTM E2807-11, section 8 (from memory).
fn from_spherical([range, azimuth, elevation]: [f64; 3]) -> [f64; 3] {
    let flat = range * math::cos(elevation);
    [flat * math::cos(azimuth), flat * math::sin(azimuth), range * math::sin(elevation)]
}

/// How far from 1 the length of a rotation's quaternion may be.
const UNIT_WITHIN: f64 = 1e-3;

/// The turn and shift of a scan; `None` for one that is in the file's axes already, whose coordinates then
/// keep their bits.
fn pose(part: &Part) -> Result<Option<(UnitQuaternion<f64>, Vector)>, ReadError> {
    if !part.posed {
        return Ok(None);
    }
    let [w, x, y, z] = part.rotation;
    let quaternion = Quaternion::new(w, x, y, z);
    let length = quaternion.norm();
    if !((length - 1.0).abs() <= UNIT_WITHIN) {
        return bad(
            Place::Byte(part.offset),
            format!(
                "the pose of a scan turns by a quaternion of length {length}; it must be 1: export it again"
            ),
        );
    }
    Ok(Some((UnitQuaternion::from_quaternion(quaternion), Vector::from(part.translation))))
}
