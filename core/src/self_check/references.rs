//! The published sets within the program, unpacked and read.
//!
//! `core/data/README.md` names their sources and licences.

use std::collections::BTreeMap;
use std::io::Read;

use flate2::bufread::GzDecoder;
use serde::Deserialize;

use crate::associate::Shape;
use crate::canonical::sha256_hex;
use crate::geometry::{Point, Vector};

const PACKED: &[u8] = include_bytes!("../../data/published_sets.gz");

/// The packed sets cannot be read: the program is damaged.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the published sets within the program are damaged at {place}; install the program anew")]
pub struct Damaged {
    /// A file, or what holds all of them.
    pub place: String,
}

/// A point set and its published least-squares fit.
#[derive(Clone, Debug, PartialEq)]
pub struct PublishedFit {
    /// Such as `cyl7`.
    pub name: String,
    /// What is fitted.
    pub shape: Shape,
    /// Number of the set.
    pub number: u64,
    /// Points, mm.
    pub points: Vec<Point>,
    /// A point of the plane or axis, or the centre, mm.
    pub place: Point,
    /// Normal or axis; of a cone towards its open end. Spheres have none.
    pub direction: Option<Vector>,
    /// Diameter, mm; of a cone the distance from `place` square to its surface.
    pub size_mm: Option<f64>,
    /// Full apex angle of a cone, rad.
    pub apex_rad: Option<f64>,
}

impl PublishedFit {
    /// Points and answer elsewhere.
    pub(super) fn moved(&self, by: Vector) -> Self {
        let points = self.points.iter().map(|p| p + by).collect();
        Self { points, place: self.place + by, ..self.clone() }
    }
}

/// What other code computed for the points of a published set; none of it is published.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct ComputedZone {
    /// Number of the set.
    pub set: u64,
    /// Width of the narrowest zone, mm, by sequential linear programming.
    #[serde(default)]
    pub mz: Option<f64>,
    /// Of planes: by all pairs of face and vertex, edge and edge of the convex hull.
    #[serde(default)]
    pub mz_hull: Option<f64>,
    /// Largest angle between neighbouring points as seen from a circle's centre, degrees.
    #[serde(default)]
    pub max_gap_deg: Option<f64>,
    /// Diameter of the circumscribed circle, mm.
    #[serde(default)]
    pub mcc_diameter: Option<f64>,
    /// Diameter of the inscribed circle, mm.
    #[serde(default)]
    pub mic_diameter: Option<f64>,
}

/// A published result of a sheet-metal part: the columns of its file by their names.
pub type PublishedResult = BTreeMap<String, String>;

/// Everything that the self-check holds its own sums against, worked examples apart.
#[derive(Clone, Debug, PartialEq)]
pub struct References {
    /// SHA-256 of the sets as they were unpacked.
    pub sha256: String,
    /// Fits, shape by shape.
    pub fits: Vec<PublishedFit>,
    /// Zones by the shape of their sets.
    pub zones: Vec<(Shape, ComputedZone)>,
    /// Results of parts, in the file's order.
    pub results: Vec<PublishedResult>,
}

const SHAPES: [(Shape, &str); 5] = [
    (Shape::Plane, "Plane"),
    (Shape::Circle, "Circle2d"),
    (Shape::Sphere, "Sphere"),
    (Shape::Cylinder, "Cylinder"),
    (Shape::Cone, "Cone"),
];

impl References {
    /// Those within the program.
    ///
    /// # Errors
    /// [`Damaged`].
    pub fn built_in() -> Result<Self, Damaged> {
        let mut text = String::new();
        GzDecoder::new(PACKED)
            .read_to_string(&mut text)
            .map_err(|_| Damaged { place: "published_sets.gz".into() })?;
        Self::read(&text)
    }

    fn read(text: &str) -> Result<Self, Damaged> {
        let files = files(text)?;
        let mut fits = Vec::new();
        for (name, lines) in &files {
            let Some(path) = name.strip_prefix("nist_ats/").and_then(|n| n.strip_suffix(".ds")) else {
                continue;
            };
            let damaged = || Damaged { place: name.clone() };
            let answer = format!("nist_ats/{path}.fit");
            let answer = files.iter().find(|f| f.0 == answer).ok_or_else(damaged)?;
            fits.push(fit(path, lines, &answer.1).ok_or_else(damaged)?);
        }
        let of = |name: &str| {
            let file = files.iter().find(|f| f.0 == name);
            file.map(|f| f.1.as_slice()).ok_or_else(|| Damaged { place: name.into() })
        };
        let zones_file = "nist_ats_zone_values.json";
        let zones = zones(&of(zones_file)?.join("\n")).ok_or_else(|| Damaged { place: zones_file.into() })?;
        let results = results(of("sheet_metal/points_4parts.csv")?);
        Ok(Self { sha256: sha256_hex(text.as_bytes()), fits, zones, results })
    }
}

/// The files that are joined in a text, by name, in its order.
fn files(text: &str) -> Result<Vec<(String, Vec<&str>)>, Damaged> {
    let mut lines = text.lines();
    let mut files = Vec::new();
    while let Some(head) = lines.next() {
        let damaged = || Damaged { place: head.into() };
        let mut words = head.strip_prefix("@ ").ok_or_else(damaged)?.split(' ');
        let (Some(name), Some(Ok(count)), None) =
            (words.next(), words.next().map(str::parse::<usize>), words.next())
        else {
            return Err(damaged());
        };
        let file: Vec<&str> = lines.by_ref().take(count).collect();
        if file.len() < count {
            return Err(damaged());
        }
        files.push((name.to_owned(), file));
    }
    Ok(files)
}

fn numbers(lines: &[&str]) -> Option<Vec<f64>> {
    lines.iter().flat_map(|l| l.split_whitespace()).map(|w| w.parse().ok()).collect()
}

fn fit(path: &str, set: &[&str], answer: &[&str]) -> Option<PublishedFit> {
    let (folder, name) = path.split_once('/')?;
    let shape = SHAPES.iter().find(|s| s.1 == folder)?.0;
    let (set, answer) = (numbers(set)?, numbers(answer)?);
    let (count, coordinates) = set.split_first()?;
    let points: Vec<Point> = coordinates.chunks_exact(3).map(|c| Point::new(c[0], c[1], c[2])).collect();
    let [x, y, z, rest @ ..] = answer.as_slice() else { return None };
    let (direction, size_mm, apex_deg) = match (shape, rest) {
        (Shape::Plane, &[a, b, c]) => (Some(Vector::new(a, b, c)), None, None),
        (Shape::Sphere, &[d]) => (None, Some(d), None),
        (Shape::Circle | Shape::Cylinder, &[a, b, c, d]) => (Some(Vector::new(a, b, c)), Some(d), None),
        (Shape::Cone, &[a, b, c, s, apex]) => (Some(Vector::new(a, b, c)), Some(s), Some(apex)),
        _ => return None,
    };
    let digits = name.rsplit(|c: char| !c.is_ascii_digit()).next()?;
    (points.len() as f64 == *count).then_some(PublishedFit {
        name: name.into(),
        shape,
        number: digits.parse().ok()?,
        points,
        place: Point::new(*x, *y, *z),
        direction,
        size_mm,
        apex_rad: apex_deg.map(f64::to_radians),
    })
}

fn zones(text: &str) -> Option<Vec<(Shape, ComputedZone)>> {
    #[derive(Deserialize)]
    struct Zones {
        mz: BTreeMap<String, Vec<ComputedZone>>,
    }
    let mut zones: Zones = serde_json::from_str(text).ok()?;
    let mut all = Vec::new();
    for (shape, folder) in SHAPES {
        all.extend(zones.mz.remove(folder).unwrap_or_default().into_iter().map(|z| (shape, z)));
    }
    zones.mz.is_empty().then_some(all)
}

fn results(lines: &[&str]) -> Vec<PublishedResult> {
    let Some((head, rows)) = lines.split_first() else { return Vec::new() };
    let head: Vec<&str> = head.split(',').collect();
    let row = |line: &&str| head.iter().zip(line.split(',')).map(|(k, v)| ((*k).into(), v.into())).collect();
    rows.iter().map(row).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_within_the_program_is_whole() {
        let found = References::built_in().expect("the sets");
        assert_eq!((found.fits.len(), found.zones.len(), found.results.len()), (75, 60, 84));
        assert_eq!(found.fits.iter().filter(|f| f.apex_rad.is_some()).count(), 15);
        assert!(found.zones.iter().all(|(_, z)| z.mz.is_some() || z.mz_hull.is_some()));
    }

    #[test]
    fn damage_is_told_by_its_place() {
        let place = |text: &str| References::read(text).expect_err(text).place;
        assert_eq!(place("x\n"), "x");
        assert_eq!(place("@ a 2\n1\n"), "@ a 2");
        assert_eq!(place("@ nist_ats/Plane/pla1.ds 1\n1\n"), "nist_ats/Plane/pla1.ds");
        let two = "@ nist_ats/Plane/pla1.ds 2\n2\n1 2 3\n@ nist_ats/Plane/pla1.fit 1\n0 0 0 0 0 1\n";
        assert_eq!(place(two), "nist_ats/Plane/pla1.ds");
        assert_eq!(place(""), "nist_ats_zone_values.json");
    }
}
