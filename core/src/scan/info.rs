//! What a file holds and what is wrong with it, told without measuring anything. Long, because each
//! fault is a rule and a sentence.

use rayon::slice::ParallelSliceMut;
use serde::Serialize;

use super::kept::LEAST_NORMAL;
use super::{FURTHEST_MM, repeats, spacing};
use crate::geometry::Point;
use crate::read::{Format, LengthUnit, Packing, RawScan, ReadError, TextLayout, packing, read_with};
use crate::run::{CHECK_EVERY, Run, Stopped};

/// Where a scan's normals come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum NormalsFrom {
    /// The triangles; they count for more than normals of the file.
    Triangles,
    /// The file has one for each point.
    File,
    /// There are none.
    None,
}

/// How a text file of points was read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TextInfo {
    /// `space`, `tab`, `comma` or `semicolon`.
    pub delimiter: &'static str,
    /// Whether decimals follow a comma.
    pub decimal_comma: bool,
    /// What each column holds: `x`, `y`, `z`, `nx`, `ny`, `nz`, `intensity`, `-` for not read.
    pub columns: Vec<&'static str>,
    /// Lines before the first row of points.
    pub skipped_lines: u64,
    /// The number of points that the file announces on a line of its own.
    pub announced_points: Option<u64>,
}

/// What a file holds. Lengths without a unit in their name are in the file's own unit. Written as JSON
/// under these names by `scantling scan info --output json`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ScanInfo {
    /// Which format it is, unpacked.
    pub format: Format,
    /// What it is packed in.
    pub packing: Option<Packing>,
    /// Length of the file as it is, bytes.
    pub bytes: u64,
    /// Points, repeated ones too; of an STL file the corners, equal ones merged.
    pub points: u64,
    /// Triangles; a polygon of `k` corners makes `k - 2`.
    pub triangles: u64,
    /// Points that the file marks as not measured; they are not among `points`.
    pub invalid_points: u64,
    /// Scans in the file, each brought into the file's axes; 0 for formats that know none.
    pub scans: u64,
    /// The unit that was stated.
    pub unit_stated: Option<LengthUnit>,
    /// The unit that the format fixes or the heading names.
    pub unit_in_file: Option<LengthUnit>,
    /// The unit that the size alone suggests. For people only: nothing is measured by it.
    pub unit_suggested: Option<LengthUnit>,
    /// Why that one, or why none.
    pub unit_reason: String,
    /// Smallest coordinates.
    pub box_low: [f64; 3],
    /// Largest coordinates.
    pub box_high: [f64; 3],
    /// Edge lengths of the box.
    pub box_size: [f64; 3],
    /// Median distance from a point to its nearest other one; `None` for one place.
    pub spacing: Option<f64>,
    /// `box_size` in mm, where the unit is known.
    pub box_size_mm: Option<[f64; 3]>,
    /// `spacing` in mm, where the unit is known.
    pub spacing_mm: Option<f64>,
    /// Where normals come from.
    pub normals: NormalsFrom,
    /// Points without a usable normal where others have one; they are left out when measuring.
    pub points_without_normal: u64,
    /// Smallest and largest intensity, as in the file.
    pub intensity: Option<[f64; 2]>,
    /// Points at the place of an earlier one.
    pub repeated_points: u64,
    /// Triangles whose corners lie on one line or in one place.
    pub triangles_without_area: u64,
    /// Edges with a triangle on one side only, equal places taken as one; 0 for a closed surface.
    pub boundary_edges: u64,
    /// Edges with three triangles or more.
    pub crowded_edges: u64,
    /// How text was read.
    pub text: Option<TextInfo>,
    /// What was left aside.
    pub notes: Vec<String>,
    /// What is wrong or will be in the way, each with what to do.
    pub problems: Vec<String>,
}

/// Reads a file and tells what it holds. `unit` is what the sender would state, if known. Errors are those
/// of reading.
pub fn info(
    bytes: &[u8],
    layout: &TextLayout,
    unit: Option<LengthUnit>,
    run: &Run,
) -> Result<ScanInfo, ReadError> {
    let raw = read_with(bytes, layout, run)?;
    let format = raw.source.format.unwrap_or(Format::Text);
    let RawScan { mut points, normals, triangles, source } = raw;
    // So that equal places have equal bits, as in `Scan::new`.
    points.iter_mut().for_each(|p| *p = Point::from(p.coords.add_scalar(0.0)));
    let bounds = spacing::bounds((&points).into());
    let dealt = spacing::dealt((&points).into(), &bounds);
    let repeated = repeats::repeated((&points).into(), &dealt, run)?;
    let first = repeats::first_of_each(points.len(), &repeated);
    let surface = Surface::of(&points, &triangles, &first, run)?;
    let given = points.len();
    if !repeated.is_empty() {
        let mut first = (0u32..).zip(&first);
        points.retain(|_| first.next().is_some_and(|(i, f)| i == *f));
    }
    drop(first);
    let spacing = spacing::spacing_mm((&points).into(), &dealt, run)?;
    let (normals, points_without_normal) = if surface.areas > 0 {
        (NormalsFrom::Triangles, surface.unused_points)
    } else if let Some(normals) = normals.filter(|n| n.iter().any(|n| n.norm() > LEAST_NORMAL)) {
        (NormalsFrom::File, normals.iter().filter(|n| !(n.norm() > LEAST_NORMAL)).count() as u64)
    } else {
        (NormalsFrom::None, 0)
    };
    let mm = source.unit.or(unit).map(LengthUnit::mm);
    let size: [f64; 3] = bounds.size().into();
    let spacing = Some(spacing).filter(|s| s.is_finite() && *s > 0.0);
    let (unit_suggested, unit_reason) = suggested(source.unit, format, size);
    let mut told = ScanInfo {
        format,
        packing: packing(bytes),
        bytes: bytes.len() as u64,
        points: given as u64,
        triangles: triangles.len() as u64,
        invalid_points: source.invalid_points,
        scans: source.scans,
        unit_stated: unit,
        unit_in_file: source.unit,
        unit_suggested,
        unit_reason,
        box_low: bounds.low.coords.into(),
        box_high: bounds.high.coords.into(),
        box_size: size,
        spacing,
        box_size_mm: mm.map(|mm| size.map(|s| s * mm)),
        spacing_mm: mm.and_then(|mm| Some(spacing? * mm)),
        normals,
        points_without_normal,
        intensity: source.intensity,
        repeated_points: repeated.len() as u64,
        triangles_without_area: triangles.len() as u64 - surface.areas,
        boundary_edges: surface.boundary_edges,
        crowded_edges: surface.crowded_edges,
        text: source.text.map(|t| TextInfo {
            delimiter: t.delimiter_word(),
            decimal_comma: t.decimal_comma,
            columns: t.columns.iter().map(|c| c.word()).collect(),
            skipped_lines: t.skipped_lines,
            announced_points: t.announced_points,
        }),
        notes: source.notes,
        problems: Vec::new(),
    };
    if let (Some(stated), None, Some(suggested)) = (unit, told.unit_in_file, unit_suggested)
        && stated != suggested
    {
        told.notes.push(format!("{stated} are stated; the {}", told.unit_reason));
    }
    told.problems = problems(&told);
    Ok(told)
}

/// What the triangles are like.
struct Surface {
    /// Triangles with an area.
    areas: u64,
    boundary_edges: u64,
    crowded_edges: u64,
    /// Points that no triangle with an area uses.
    unused_points: u64,
}

/// A triangle whose height is below this share of its longest edge has no area: what double precision
/// leaves of corners on one line, and a hundred times more.
const FLAT: f64 = 1e-12;

impl Surface {
    fn of(points: &[Point], triangles: &[[u32; 3]], first: &[u32], run: &Run) -> Result<Self, Stopped> {
        let mut found = Self { areas: 0, boundary_edges: 0, crowded_edges: 0, unused_points: 0 };
        if triangles.is_empty() {
            return Ok(found);
        }
        let mut used = vec![false; points.len()];
        let mut edges: Vec<(u32, u32)> = Vec::with_capacity(3 * triangles.len());
        for (i, triangle) in triangles.iter().enumerate() {
            if i % CHECK_EVERY == 0 {
                run.check()?;
            }
            let t = triangle.map(|c| first[c as usize]);
            let [a, b, c] = t.map(|v| points[v as usize]);
            let (u, v, w) = (b - a, c - a, c - b);
            let longest = u.norm_squared().max(v.norm_squared()).max(w.norm_squared());
            if u.cross(&v).norm() > FLAT * longest {
                found.areas += 1;
                t.iter().for_each(|&v| used[v as usize] = true);
                edges.extend([(t[0], t[1]), (t[1], t[2]), (t[2], t[0])].map(|(a, b)| (a.min(b), a.max(b))));
            }
        }
        found.unused_points = first.iter().filter(|&&f| !used[f as usize]).count() as u64;
        drop(used);
        edges.par_sort_unstable();
        for same in edges.chunk_by(|a, b| a == b) {
            found.boundary_edges += u64::from(same.len() == 1);
            found.crowded_edges += u64::from(same.len() > 2);
        }
        Ok(found)
    }
}

/// A unit by plain rules on the longest side. They fit parts of 0.1 to 30 m; own choice, no source.
fn suggested(in_file: Option<LengthUnit>, format: Format, size: [f64; 3]) -> (Option<LengthUnit>, String) {
    if let Some(unit) = in_file {
        let by = if format.unit().is_some() { "the standard of the format" } else { "the heading" };
        return (Some(unit), format!("{unit} by {by}"));
    }
    let longest = size.into_iter().fold(0.0, f64::max);
    let unit = match longest {
        l if l > 30_000.0 && l <= 3e7 => Some(LengthUnit::Micrometre),
        l if (100.0..=30_000.0).contains(&l) => Some(LengthUnit::Millimetre),
        l if (0.02..=2.0).contains(&l) => Some(LengthUnit::Metre),
        _ => None,
    };
    let reason = match unit {
        Some(unit) => format!("size suggests {unit}: the longest side is {}", length(longest)),
        None => {
            format!("size suggests nothing: a longest side of {} may be in several units", length(longest))
        }
    };
    (unit, reason)
}

/// A length for people: with decimals, or by powers of ten where these would be many digits.
fn length(value: f64) -> String {
    if value == 0.0 || (1e-3..1e9).contains(&value.abs()) {
        format!("{value:.6}")
    } else {
        format!("{value:.3e}")
    }
}

/// Nothing that is measured here is longer, mm: a hundred metres. Own choice, no source.
const LONGEST_MM: f64 = 1e5;
/// Nor shorter along its longest side, mm. Own choice, no source.
const SHORTEST_MM: f64 = 1.0;

fn problems(told: &ScanInfo) -> Vec<String> {
    let mut all = Vec::new();
    let longest = told.box_size_mm.map(|size| size.into_iter().fold(0.0, f64::max));
    if let (Some(longest), Some(unit)) = (longest, told.unit_in_file.or(told.unit_stated))
        && !(SHORTEST_MM..=LONGEST_MM).contains(&longest)
    {
        let suggestion = match told.unit_suggested {
            Some(suggested) if suggested != unit => format!("; the {}", told.unit_reason),
            _ => String::new(),
        };
        all.push(format!("in {unit} the longest side is {} mm{suggestion}: check the unit", length(longest)));
    }
    match (told.unit_stated, told.unit_in_file, told.unit_suggested) {
        (Some(stated), Some(file), _) if stated != file => {
            all.push(format!(
                "{stated} are stated, but the file's lengths are {file} by its format: state {file}"
            ));
        }
        (Some(stated), None, Some(suggested)) if stated != suggested => {
            let factor = stated.mm() / suggested.mm();
            // Inches and centimetres are near the others' sizes.
            if !(0.02..=50.0).contains(&factor) && all.is_empty() {
                all.push(format!("{stated} are stated, but the {}: check the unit", told.unit_reason));
            }
        }
        _ => {}
    }
    if told.normals == NormalsFrom::None {
        all.push(
            "neither normals nor triangles: which side of a thin part was seen cannot be told; export normals or a mesh"
                .into(),
        );
    }
    let share = |n: u64, of: u64| 100.0 * n as f64 / of.max(1) as f64;
    if told.points_without_normal > 0 {
        all.push(format!(
            "{} points ({:.1} %) have no usable normal and are left out when measuring: export normals for all, or none",
            told.points_without_normal,
            share(told.points_without_normal, told.points)
        ));
    }
    // An unmerged mesh repeats each vertex in every triangle, which harms nothing.
    if told.repeated_points > 0 && told.triangles == 0 {
        all.push(format!(
            "{} points ({:.1} %) repeat earlier ones and are left out when measuring: if they are many, check the export",
            told.repeated_points,
            share(told.repeated_points, told.points)
        ));
    }
    if told.invalid_points > told.points {
        all.push(format!(
            "{} points are marked as not measured, more than the {} that are: check how it was scanned",
            told.invalid_points, told.points
        ));
    }
    if told.spacing.is_none() && told.repeated_points + 1 < told.points {
        all.push("how far apart the points are cannot be told: coordinates are too large or too small to compute with; check the export".into());
    } else if told.spacing.is_none() {
        all.push("the points are all in one place: check what was exported".into());
    }
    if told.triangles_without_area > 0 && told.triangles_without_area == told.triangles {
        all.push("no triangle has an area: export the mesh again".into());
    }
    if told.crowded_edges > 0 {
        all.push(format!(
            "{} edges have three triangles or more: as a nominal, repair the mesh there",
            told.crowded_edges
        ));
    }
    if told.boundary_edges > 0 {
        all.push(format!(
            "the surface is open ({} edges with one triangle): fine for a scan; as a nominal, state the side of the material in the plan",
            told.boundary_edges
        ));
    }
    let far = told.box_low.iter().chain(&told.box_high).fold(0.0_f64, |far, c| far.max(c.abs()));
    match told.unit_in_file.or(told.unit_stated) {
        Some(unit) if !(far * unit.mm() <= FURTHEST_MM) => all.push(format!(
            "coordinates reach {} {unit} from the origin, more than {FURTHEST_MM} mm: check the length unit, and move the scan to its origin", length(far)
        )),
        _ => {}
    }
    all
}
