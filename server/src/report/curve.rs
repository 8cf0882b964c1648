//! The offsets along a trimmed edge, or the gap or step beside it, as a small curve: place along the edge to the right, out of
//! the material, wider or prouder upwards.

use super::numbers;
use super::rows::{known_limits, of_words, signed};
use scantling_core::record::{EdgeStation, Evaluation};
use std::fmt::Write;

/// Size of the drawing, in its own units.
const WIDTH: f64 = 920.0;
const HEIGHT: f64 = 190.0;
/// The frame of the curve within it.
const LEFT: f64 = 74.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 16.0;
const BOTTOM: f64 = 34.0;

/// How far the drawing goes beyond the furthest limit or offset.
const BEYOND: f64 = 1.15;
/// The same where zero is not its middle, as a share of what it shows.
const ASIDE: f64 = 0.15;
/// Half the height of a drawing without limits and offsets, mm.
const EMPTY_MM: f64 = 0.1;
/// Stations further apart than this many steps have something between them that was not told.
const GAP: f64 = 1.6;

/// A number at an axis.
pub(super) struct Tick {
    pub(super) at: f64,
    pub(super) label: String,
    /// Whether it is a limit.
    pub(super) limit: bool,
}

/// A part of the edge that was not seen.
pub(super) struct Unseen {
    pub(super) x: f64,
    pub(super) width: f64,
}

/// The worst place to one side.
pub(super) struct Mark {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) label: String,
    pub(super) label_y: f64,
}

/// One edge.
pub(super) struct Curve {
    pub(super) number: String,
    pub(super) feature: String,
    pub(super) width: f64,
    pub(super) height: f64,
    pub(super) left: f64,
    pub(super) right: f64,
    pub(super) top: f64,
    pub(super) bottom: f64,
    /// Corners of the bands of expanded uncertainty, a run of seen stations each.
    pub(super) bands: Vec<String>,
    /// Corners of the curve, a run of seen stations each.
    pub(super) lines: Vec<String>,
    pub(super) unseen: Vec<Unseen>,
    pub(super) marks: Vec<Mark>,
    /// Heights of zero and the limits.
    pub(super) levels: Vec<Tick>,
    /// Places along the edge.
    pub(super) places: Vec<Tick>,
    /// What told the offsets.
    pub(super) by: String,
}

impl Curve {
    /// The curve of an edge; `None` for everything else.
    pub(super) fn new(e: &Evaluation) -> Option<Self> {
        let edge = e.edge.as_ref()?;
        let length = edge.length_mm;
        if !(length.is_finite() && length > 0.0) {
            return None;
        }
        let offsets = || edge.stations.iter().filter_map(|s| s.offset_mm).filter(|o| o.is_finite());
        let limits = known_limits(&e.limits);
        let (low, high) = shown(e, &limits, offsets());
        let (right, bottom) = (WIDTH - RIGHT, HEIGHT - BOTTOM);
        let x = |along: f64| LEFT + (right - LEFT) * (along / length).clamp(0.0, 1.0);
        let y = |offset: f64| (bottom - (bottom - TOP) * (offset - low) / (high - low)).clamp(TOP, bottom);
        let sign = signed(e);
        let (mut bands, mut lines) = (Vec::new(), Vec::new());
        for run in runs(&edge.stations, edge.step_mm) {
            let mut line = String::new();
            let (mut above, mut below) = (String::new(), Vec::new());
            for s in run {
                let Some(offset) = s.offset_mm else { continue };
                let u = s.standard_uncertainty_mm.filter(|u| u.is_finite()).unwrap_or(0.0);
                let px = x(s.along_mm);
                // Writing to a string does not fail.
                let _ = write!(line, "{px:.1},{:.1} ", y(offset));
                let _ = write!(above, "{px:.1},{:.1} ", y(offset + 2.0 * u));
                below.push(format!("{px:.1},{:.1}", y(offset - 2.0 * u)));
            }
            below.reverse();
            bands.push(above + &below.join(" "));
            lines.push(line.trim_end().to_owned());
        }
        let half = 0.5 * edge.step_mm;
        let missing = edge.stations.iter().filter(|s| s.offset_mm.is_none());
        let mut unseen: Vec<Unseen> = Vec::new();
        for s in missing {
            let (from, to) = (x(s.along_mm - half), x(s.along_mm + half));
            match unseen.last_mut() {
                Some(last) if from >= last.x && from <= last.x + last.width + 0.3 => last.width = to - last.x,
                _ => unseen.push(Unseen { x: from, width: to - from }),
            }
        }
        let level = |mm: f64, limit| Tick {
            at: y(mm),
            label: match sign {
                _ if mm == 0.0 => "0".into(),
                true => numbers::signed_limit(mm),
                false => numbers::limit(mm),
            },
            limit,
        };
        let mut levels: Vec<Tick> = limits.iter().map(|&l| level(l, true)).collect();
        if !limits.contains(&0.0) && (low..=high).contains(&0.0) {
            levels.push(level(0.0, false));
        }
        Some(Self {
            number: e.number.clone(),
            feature: of_words(e),
            width: WIDTH,
            height: HEIGHT,
            left: LEFT,
            right,
            top: TOP,
            bottom,
            bands,
            lines,
            unseen,
            marks: marks(&edge.stations, (&limits, sign), &x, &y),
            levels,
            places: places(length)
                .into_iter()
                .map(|mm| Tick { at: x(mm), label: numbers::fixed(mm, 0), limit: false })
                .collect(),
            by: e.operators.get("stations").cloned().unwrap_or_default(),
        })
    }
}

/// From where to where a drawing shows values, mm: of an offset as far to both sides, of a gap or step about its limits.
fn shown(e: &Evaluation, limits: &[f64], offsets: impl Iterator<Item = f64>) -> (f64, f64) {
    let all: Vec<f64> = limits.iter().copied().chain(offsets).collect();
    if matches!(e.requirement.as_str(), "gap" | "step") {
        let (low, high) =
            all.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
        let room = if high > low { ASIDE * (high - low) } else { EMPTY_MM };
        return if low <= high { (low - room, high + room) } else { (-EMPTY_MM, EMPTY_MM) };
    }
    let furthest = all.iter().fold(0.0, |f: f64, v| f.max(v.abs()));
    let end = if furthest > 0.0 { BEYOND * furthest } else { EMPTY_MM };
    (-end, end)
}

/// Stations that were seen one after the other.
fn runs(stations: &[EdgeStation], step_mm: f64) -> Vec<&[EdgeStation]> {
    let follows = |a: &EdgeStation, b: &EdgeStation| {
        let d = b.along_mm - a.along_mm;
        a.offset_mm.is_some() && b.offset_mm.is_some() && d >= 0.0 && d <= GAP * step_mm
    };
    stations.chunk_by(follows).filter(|run| run.iter().any(|s| s.offset_mm.is_some())).collect()
}

/// The lowest and the highest station.
fn marks(
    stations: &[EdgeStation],
    (limits, sign): (&[f64], bool),
    x: &impl Fn(f64) -> f64,
    y: &impl Fn(f64) -> f64,
) -> Vec<Mark> {
    let seen = || stations.iter().filter_map(|s| Some((s.along_mm, s.offset_mm.filter(|o| o.is_finite())?)));
    let low = seen().min_by(|a, b| a.1.total_cmp(&b.1));
    let high = seen().max_by(|a, b| a.1.total_cmp(&b.1));
    let mark = |(along, offset): (f64, f64), down: f64| Mark {
        x: x(along),
        y: y(offset),
        label: if sign {
            numbers::signed_beside_limits(offset, limits)
        } else {
            numbers::beside_limits(offset, limits)
        },
        label_y: y(offset) + down,
    };
    [low.map(|l| mark(l, 19.0)), high.map(|h| mark(h, -9.0))].into_iter().flatten().collect()
}

/// Round places along the edge, at most about eight, mm.
fn places(length_mm: f64) -> Vec<f64> {
    let mut step = 1.0;
    while length_mm / step > 8.0 {
        step *= if [1.0, 10.0, 100.0, 1e3, 1e4, 1e5].contains(&step) {
            2.0
        } else if [2.0, 20.0, 200.0, 2e3, 2e4, 2e5].contains(&step) {
            2.5
        } else {
            2.0
        };
    }
    let count = (length_mm / step).floor().min(16.0) as u32;
    (0..=count).map(|k| f64::from(k) * step).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_along_are_round_and_few() {
        assert_eq!(places(31.4), [0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0]);
        assert_eq!(places(2300.0), [0.0, 500.0, 1000.0, 1500.0, 2000.0]);
        assert_eq!(places(0.4), [0.0]);
        for length in [1.0, 9.0, 77.0, 1e3, 12345.0, 9e6] {
            let all = places(length);
            assert!((1..=17).contains(&all.len()) && all.iter().all(|p| *p <= length), "{length}: {all:?}");
        }
    }

    #[test]
    fn a_joint_is_drawn_about_its_limits_and_an_offset_about_zero() {
        let mut e =
            super::super::tests::evaluation("1", "line_profile", scantling_core::record::Verdict::Conforms);
        assert_eq!(shown(&e, &[-0.3, 0.2], [0.4].into_iter()), (-BEYOND * 0.4, BEYOND * 0.4));
        e.requirement = "gap".into();
        let (low, high) = shown(&e, &[3.5, 4.5], [4.0, 4.7].into_iter());
        assert!((low - (3.5 - 0.18)).abs() < 1e-12 && (high - (4.7 + 0.18)).abs() < 1e-12);
        assert_eq!(shown(&e, &[], std::iter::empty()), (-EMPTY_MM, EMPTY_MM));
        let (low, high) = shown(&e, &[4.0, 4.0], std::iter::empty());
        assert!(low < 4.0 && high > 4.0);
    }

    #[test]
    fn a_gap_parts_the_curve() {
        let station = |along_mm, offset_mm| EdgeStation {
            along_mm,
            at_mm: [0.0; 3],
            offset_mm,
            standard_uncertainty_mm: offset_mm.map(|_| 0.01),
            by: String::new(),
        };
        let all = [
            station(0.5, Some(0.1)),
            station(1.5, Some(0.2)),
            station(2.5, None),
            station(3.5, Some(-0.1)),
            // A corner of the line lies between.
            station(7.0, Some(0.0)),
        ];
        let found: Vec<usize> = runs(&all, 1.0).into_iter().map(<[_]>::len).collect();
        assert_eq!(found, [2, 1, 1]);
    }
}
