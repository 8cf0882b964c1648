//! Trimmed edges: what a plan says of one is checked, and the line is found on the nominal.

use super::bind::{BoundFeature, REACH_MM, judge, two_nearest};
use super::check::{Names, in_range};
use super::domain::{EdgeAt, EdgeBorder, EdgePlace, Feature, FeatureKind, Situation};
use super::fault::Faults;
use super::file::{self, EdgeLoop, PlanFile};
use super::place::triple;
use super::thickness::FACES;
use crate::geometry::Point;
use crate::nominal::{BorderEdge, Nominal, TrimmedEdge};

/// Borders whose boxes differ by less than this share could both be the outer one, as of a tube.
const AS_LARGE: f64 = 0.01;

/// A trimmed edge as it lies on the nominal.
#[derive(Clone, Debug, PartialEq)]
pub struct BoundEdge {
    /// Its line, with the wall below.
    pub line: TrimmedEdge,
    /// Which of the edges there.
    pub at: EdgeAt,
    /// Distance of the stations at which it is measured, mm; `None` where filter and scan say it.
    pub station_mm: Option<f64>,
}

/// What the file says of an edge, or `None` and its faults.
pub(super) fn check(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    place: &str,
    line: &file::EdgeLine,
) -> Option<EdgePlace> {
    let at = |key: &str| format!("{place}.{key}");
    let of = names.feature(faults, &at("of"), &line.of);
    if let Some(f) = of {
        let kind = file.feature[f].kind;
        if !FACES.contains(&kind) && faults.sound(&format!("feature[{f}].kind")) {
            let words = FACES.map(FeatureKind::word).join(" or ");
            faults.add(at("of"), format!("is a {}; name the {words} that ends there", kind.word()));
        }
    }
    if let Some(step) = line.station_mm {
        in_range(faults, &at("station_mm"), step, |s| s > 0.0, "above 0, in mm");
    }
    let near = match line.near_mm.as_slice() {
        [] => None,
        given => triple(faults, &at("near_mm"), given).map(Point::from),
    };
    if !line.near_mm.is_empty() && line.r#loop != Some(EdgeLoop::Inner) && faults.sound(&at("loop")) {
        faults.add(at("near_mm"), "is for an inner border, of which there may be several; leave it out");
    }
    let border = match (line.r#loop, line.along.as_slice()) {
        (Some(_), [_, ..]) => {
            faults.add(at("along"), "is a second line beside `loop`; leave one");
            None
        }
        (None, []) => {
            if faults.sound(&at("loop")) && faults.sound(&at("along")) {
                let help =
                    "write `loop = \"outer\"`, `loop = \"inner\"`, or `along` with the places it runs by";
                faults.add(place, format!("says no line; {help}"));
            }
            None
        }
        (None, [_]) => {
            faults.add(at("along"), "has one place; write two or more, from the first to the last");
            None
        }
        (Some(EdgeLoop::Outer), []) => Some(EdgeBorder::Outer),
        (Some(EdgeLoop::Inner), []) => Some(EdgeBorder::Inner { near }),
        (None, places) => {
            let all: Vec<Option<Point>> = places
                .iter()
                .enumerate()
                .map(|(k, p)| triple(faults, &format!("{place}.along[{k}].at_mm"), &p.at_mm).map(Point::from))
                .collect();
            all.into_iter().collect::<Option<Vec<_>>>().map(EdgeBorder::Along)
        }
    };
    Some(EdgePlace { of: of?, border: border?, at: line.at, station_mm: line.station_mm })
}

/// Finds the line on the nominal. A fault comes with the key that it belongs to.
pub(super) fn bind(
    feature: &Feature,
    place: &EdgePlace,
    skin: &BoundFeature,
    nominal: &Nominal,
) -> Result<BoundFeature, (&'static str, String)> {
    let borders = nominal.borders(&skin.triangles);
    let shape = Borders { nominal, borders: &borders };
    if borders.is_empty() {
        return Err((".of", format!("{} has no border: it goes all round", skin.id)));
    }
    let lines = match &place.border {
        EdgeBorder::Outer => nominal.trimmed(&borders[shape.outer(&skin.id)?]),
        EdgeBorder::Inner { near } => nominal.trimmed(&borders[shape.inner(&skin.id, *near)?]),
        EdgeBorder::Along(places) => vec![(shape.along(places)?, false)],
    };
    let key = match place.border {
        EdgeBorder::Along(_) => ".along",
        _ => ".loop",
    };
    let mut edge = nominal.trimmed_edge(&skin.triangles, &lines);
    if let (Some(edge), EdgeBorder::Along(places)) = (&mut edge, &place.border)
        && let ([run], [first, .., last]) = (edge.runs.as_mut_slice(), places.as_slice())
    {
        *run = run.between(*first, *last);
    }
    let edge = edge.filter(|e| e.length_mm() > 0.0);
    let Some(line) = edge else {
        let problem = format!(
            "{} does not end there: its surface runs on without an edge of more than 30 degrees. Name another border, \
             or grow the surface as far as the edge",
            skin.id
        );
        return Err((key, problem));
    };
    let walled = line.runs.iter().all(|r| r.walls.iter().all(Option::is_some));
    if place.at != EdgeAt::VisibleArris && !walled {
        let problem =
            "the nominal has no wall all along it, so this has no place; write \"visible_arris\"".to_owned();
        return Err((".at", problem));
    }
    let mut triangles: Vec<u32> = lines.iter().flat_map(|(l, _)| l.iter().map(|e| e.triangle)).collect();
    triangles.sort_unstable();
    triangles.dedup();
    let centroid = line.centroid();
    Ok(BoundFeature {
        id: feature.id.clone(),
        kind: feature.kind,
        area_mm2: triangles.iter().map(|&t| nominal.mesh().area(t)).sum(),
        triangles,
        carrier: None,
        situation: Situation::Edge,
        centroid,
        of: Vec::new(),
        edge: Some(BoundEdge { line, at: place.at, station_mm: place.station_mm }),
    })
}

struct Borders<'a> {
    nominal: &'a Nominal,
    borders: &'a [Vec<BorderEdge>],
}

impl Borders<'_> {
    fn vertex(&self, v: u32) -> Point {
        self.nominal.mesh().vertices()[v as usize]
    }

    /// The diagonal of the box round a border, mm.
    fn size(&self, border: &[BorderEdge]) -> f64 {
        let places: Vec<Point> = border.iter().map(|e| self.vertex(e.from)).collect();
        crate::geometry::Aabb::of(&places).diagonal()
    }

    fn outer(&self, skin: &str) -> Result<usize, (&'static str, String)> {
        let sizes: Vec<f64> = self.borders.iter().map(|b| self.size(b)).collect();
        let largest = (0..sizes.len()).rev().max_by(|&a, &b| sizes[a].total_cmp(&sizes[b])).unwrap_or(0);
        let rival = (0..sizes.len()).find(|&k| k != largest && sizes[k] >= (1.0 - AS_LARGE) * sizes[largest]);
        match rival {
            Some(_) => Err((
                ".loop",
                format!(
                    "{skin} has two borders of one size, so neither is the outer one; write `along` instead"
                ),
            )),
            None => Ok(largest),
        }
    }

    /// The inner border that is meant: the only one at which the skin ends, or the one near a place.
    fn inner(&self, skin: &str, near: Option<Point>) -> Result<usize, (&'static str, String)> {
        let outer = self.outer(skin)?;
        let ends = |k: &usize| !self.nominal.trimmed(&self.borders[*k]).is_empty();
        let inner: Vec<usize> = (0..self.borders.len()).filter(|k| *k != outer).filter(ends).collect();
        let Some(near) = near else {
            return match inner.as_slice() {
                [one] => Ok(*one),
                [] => Err((
                    ".loop",
                    format!("{skin} has no inner border with an edge; write `loop = \"outer\"`"),
                )),
                several => Err((
                    ".near_mm",
                    format!(
                        "is missing: {skin} has {} inner borders; write a place near the one",
                        several.len()
                    ),
                )),
            };
        };
        let distances = inner.iter().map(|&k| (k, self.distance(&self.borders[k], near).0));
        let (best, second) = two_nearest(distances);
        let Some((border, distance)) = best else {
            return Err((
                ".loop",
                format!("{skin} has no inner border with an edge; write `loop = \"outer\"`"),
            ));
        };
        judge(FeatureKind::Edge, distance, second, REACH_MM, "").map_err(|problem| (".near_mm", problem))?;
        Ok(border)
    }

    /// Distance of a place from a border, mm, and the index of its nearest piece.
    fn distance(&self, border: &[BorderEdge], p: Point) -> (f64, usize) {
        let mut best = (f64::INFINITY, 0);
        for (k, e) in border.iter().enumerate() {
            let (a, b) = (self.vertex(e.from), self.vertex(e.to));
            let d = b - a;
            let share = if d.norm_squared() > 0.0 { (p - a).dot(&d) / d.norm_squared() } else { 0.0 };
            let away = (a + d * share.clamp(0.0, 1.0) - p).norm();
            if away < best.0 {
                best = (away, k);
            }
        }
        best
    }

    /// The part of one border that runs by some places in their order, whichever way round; between two places alone the
    /// shorter way.
    fn along(&self, places: &[Point]) -> Result<Vec<BorderEdge>, (&'static str, String)> {
        let furthest =
            |border: &[BorderEdge]| places.iter().map(|p| self.distance(border, *p).0).fold(0.0, f64::max);
        let (best, _) = two_nearest(self.borders.iter().enumerate().map(|(k, b)| (k, furthest(b))));
        let Some((which, _)) = best.filter(|(_, d)| *d <= REACH_MM) else {
            let problem =
                format!("no border of the surface runs within {REACH_MM:.1} mm of all of its places");
            return Err((".along", problem));
        };
        let border = &self.borders[which];
        let at: Vec<usize> = places.iter().map(|p| self.distance(border, *p).1).collect();
        let n = border.len();
        let forward = |from: usize, to: usize| (to + n - from) % n;
        let rounds = |at: &[usize]| at.windows(2).map(|w| forward(w[0], w[1])).sum::<usize>();
        let back: Vec<usize> = at.iter().rev().copied().collect();
        let length = |at: &[usize]| -> f64 {
            let steps = rounds(at);
            (0..=steps)
                .map(|k| &border[(at[0] + k) % n])
                .map(|e| (self.vertex(e.to) - self.vertex(e.from)).norm())
                .sum()
        };
        let fits = |at: &[usize]| rounds(at) < n;
        let way = match (fits(&at), fits(&back)) {
            (true, true) if length(&back) < length(&at) => back,
            (true, _) => at,
            (false, true) => back,
            (false, false) => {
                let problem = "the border does not run by its places in this order; write them as they follow one another";
                return Err((".along", problem.to_owned()));
            }
        };
        let steps = rounds(&way);
        let line: Vec<BorderEdge> = (0..=steps).map(|k| border[(way[0] + k) % n]).collect();
        let runs = self.nominal.trimmed(&line);
        // A part of a border closes only if it is the whole.
        if runs.iter().map(|(l, _)| l.len()).sum::<usize>() != line.len() {
            let problem = "the surface does not end all along it: somewhere it runs on without an edge of more than 30 degrees";
            return Err((".along", problem.to_owned()));
        }
        Ok(line)
    }
}
