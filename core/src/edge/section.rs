//! The points at one station as lines of skin, wall and other side, and the offset that they tell.

use rayon::prelude::*;

use super::frames::{Frames, Here, Stretch};
use super::measured::{By, Found, Rise, Station};
use super::near::{Near, Sides, WALL_MM};
use super::stations::EdgeInput;
use super::strips::rounded_mm;
use super::surface::{Ends, Of, Window};
use super::wall::{Line, Place, Section};
use crate::run::{Run, Stopped};

/// Fewer points of a wall do not tell its line from strays.
const LEAST_WALL: usize = 3;

/// Fewer points of a skin do not tell its height.
const LEAST_SKIN: usize = 3;

/// A wall whose points scatter by this many times the noise of all is none.
const SCATTER: f64 = 5.0;

/// Without normals, points this near to an arris may be of the next face, mm.
const MIXED_MM: f64 = 0.3;

/// What came of looking at a station.
pub(super) enum Looked {
    Found(Found),
    /// The surface goes on beyond what is looked at.
    Beyond,
    /// The skin stops further inside than an edge is looked for.
    Short,
    Unseen,
}

/// Pooled standard deviation of the points about their lines, mm; stations that scatter far more than most are left out.
pub(super) fn scatter(lines: impl Iterator<Item = Line>) -> Option<f64> {
    // Two parameters each.
    let all: Vec<(f64, f64)> =
        lines.filter(|l| l.points > 2).map(|l| (l.squares, l.points as f64 - 2.0)).collect();
    let mut means: Vec<f64> = all.iter().map(|(s, n)| s / n).collect();
    means.sort_by(f64::total_cmp);
    let median = *means.get(means.len() / 2)?;
    let usual = all.iter().filter(|(s, n)| s / n <= SCATTER * SCATTER * median);
    let (squares, freedoms) = usual.fold((0.0, 0.0), |(a, b), (s, n)| (a + s, b + n));
    (freedoms > 0.0).then(|| (squares / freedoms).sqrt())
}

/// The section at a station.
pub(super) struct Cut {
    pub(super) here: Here,
    pub(super) section: Section,
    /// Where the edge lies by a first look, mm out.
    pub(super) about_mm: f64,
}

/// What all stations are looked at by.
pub(super) struct Look<'a> {
    pub(super) input: &'a EdgeInput<'a>,
    pub(super) frames: &'a Frames,
    pub(super) sides: &'a Sides<'a>,
    /// By run and place along it.
    pub(super) points: &'a [Near],
    pub(super) place: Place,
    /// Of the skin, of the wall above and below, of the other side.
    pub(super) strips_mm: [f64; 4],
    pub(super) band_mm: f64,
    pub(super) reach_mm: f64,
    pub(super) spacing_mm: f64,
    pub(super) stretches: &'a [Stretch],
}

impl Look<'_> {
    /// The points of a run between two places along it; of a closed one round its beginning too.
    fn between(&self, run: u32, from_mm: f64, to_mm: f64, closed: bool) -> impl Iterator<Item = &Near> {
        let part = |from: f64, to: f64| {
            let first = self.points.partition_point(|p| (p.run, p.along_mm) < (run, from));
            let last = self.points.partition_point(|p| (p.run, p.along_mm) < (run, to));
            self.points[first..last.max(first)].iter()
        };
        let whole = self.frames.length_mm(run);
        let nothing = || part(0.0, 0.0);
        if closed && to_mm - from_mm >= whole {
            return part(0.0, f64::INFINITY).chain(nothing()).chain(nothing());
        }
        let before = if closed && from_mm < 0.0 { part(from_mm + whole, f64::INFINITY) } else { nothing() };
        let after = if closed && to_mm > whole { part(0.0, to_mm - whole) } else { nothing() };
        before.chain(part(from_mm, to_mm)).chain(after)
    }

    fn own<'s>(&'s self, station: &Station) -> impl Iterator<Item = &'s Near> + 's {
        let stretch = &self.stretches[station.stretch as usize];
        let half = 0.5 * station.length_mm;
        self.between(stretch.run, station.along_mm - half, station.along_mm + half, false)
    }

    pub(super) fn sections(
        &self,
        run: &Run,
        stations: &[Station],
        noise: [f64; 3],
    ) -> Result<Vec<Cut>, Stopped> {
        stations
            .par_iter()
            .map(|station| {
                run.check()?;
                Ok(self.cut(station, noise))
            })
            .collect()
    }

    /// The lines of skin, wall and other side at a station: the skin first about its nominal end, then about its own.
    fn cut(&self, station: &Station, noise: [f64; 3]) -> Cut {
        let stretch = &self.stretches[station.stretch as usize];
        let here = self.frames.along(stretch.run, station.along_mm).unwrap_or(Here {
            run: stretch.run,
            along_mm: station.along_mm,
            place: station.place,
            along: crate::geometry::Vector::zeros(),
            up: crate::geometry::Vector::zeros(),
            out: station.outward.vector(),
            wall: None,
        });
        let mut about = 0.0;
        let mut section = Section { wall: Line::default(), skin: Line::unseen(), other: Line::unseen() };
        for round in 0..2 {
            section = self.section(station, &here, about, noise);
            if round > 0 {
                break;
            }
            about = match section.offset(&here, Place::Visible) {
                Some((offset, _)) if section.wall.points >= LEAST_WALL => offset,
                // Without a wall the strip is counted from the last point.
                _ => self.last(station, section.skin.value[0]),
            }
            .clamp(-self.reach_mm, self.reach_mm);
        }
        Cut { here, section, about_mm: about }
    }

    /// How far out the skin's last point at a station lies, mm; 0 without one.
    fn last(&self, station: &Station, level_mm: f64) -> f64 {
        let on_skin = |p: &&Near| p.skin.is_some_and(|(h, _)| (h - level_mm).abs() <= 0.5);
        let last = self.own(station).filter(on_skin).map(|p| p.out_mm).fold(f64::NEG_INFINITY, f64::max);
        if last.is_finite() { last } else { 0.0 }
    }

    fn section(&self, station: &Station, here: &Here, about_mm: f64, noise: [f64; 3]) -> Section {
        let in_band = |p: &Near| {
            let out = p.out_mm - about_mm;
            out <= -self.strips_mm[0] && out >= -self.band_mm
        };
        let mut skin: Vec<[f64; 2]> = self
            .own(station)
            .filter(|p| in_band(p))
            .filter_map(|p| p.skin.filter(|s| s.1).map(|s| [p.out_mm, s.0]))
            .collect();
        keep_about_median(&mut skin, 1.0);
        let skin = Line::side(&mut skin, noise[1]);
        let shift = here.wall.map_or(0.0, |w| w.depth_mm * w.down.vector().dot(&here.out));
        let mut other: Vec<[f64; 2]> = self
            .own(station)
            .filter(|p| {
                let out = p.out_mm - shift - about_mm;
                out <= -self.strips_mm[3] && out >= -self.band_mm
            })
            .filter_map(|p| p.other.filter(|o| o.1).map(|o| [p.out_mm - shift, o.0]))
            .collect();
        keep_about_median(&mut other, 1.0);
        let other = Line::side(&mut other, noise[2]);
        let (from, to) = self.zone(here);
        let level = skin.value[0];
        let mut wall: Vec<[f64; 2]> = self
            .own(station)
            .filter_map(|p| p.wall)
            .filter(|(_, down)| down + level >= from && *down <= to && down + level <= to.max(from))
            .map(|(value, down)| [down, value])
            .collect();
        keep_about_median(&mut wall, 1.0);
        let wall = Line::of(&mut wall, noise[0], None);
        Section { wall, skin, other }
    }

    /// The strips that the whole edge shows to be rounded.
    pub(super) fn shown(&self, stations: &[Station], cuts: &[Cut], noise: [f64; 3]) -> [f64; 4] {
        let mut points: [Vec<(f64, f64)>; 4] = Default::default();
        for (station, cut) in stations.iter().zip(cuts) {
            let Section { wall, skin, other } = &cut.section;
            let off = |line: &Line, at: f64, value: f64| value - line.value[0] - line.value[1] * at;
            let level = skin.value[0];
            let depth = cut.here.wall.map_or(WALL_MM, |w| w.depth_mm);
            let shift = cut.here.wall.map_or(0.0, |w| w.depth_mm * w.down.vector().dot(&cut.here.out));
            for p in self.own(station) {
                if let (Some((h, true)), true) = (p.skin, skin.points > 2) {
                    points[0].push((cut.about_mm - p.out_mm, off(skin, p.out_mm, h)));
                }
                if let (Some((value, down)), true) = (p.wall, wall.points >= LEAST_WALL) {
                    let o = off(wall, down, value);
                    points[1].push((down + level, o));
                    points[2].push((depth - down, o));
                }
                if let (Some((g, true)), true) = (p.other, other.points > 2) {
                    let out = p.out_mm - shift;
                    points[3].push((cut.about_mm - out, off(other, out, g)));
                }
            }
        }
        let of = [noise[1], noise[0], noise[0], noise[2]];
        let least = if self.input.scan.took_normals() { 0.0 } else { MIXED_MM };
        std::array::from_fn(|k| {
            // Strays count no more than what a rounding may be.
            let most = self.strips_mm[k];
            let usual = |p: &(f64, f64)| p.1.abs() <= most.max(6.0 * of[k]);
            let points: Vec<(f64, f64)> = points[k].iter().copied().filter(usual).collect();
            rounded_mm(&points, of[k], most).max(least.max(5.0 * of[k] * f64::from(least > 0.0)).min(most))
        })
    }

    /// From where to where down the wall its points count, mm.
    fn zone(&self, here: &Here) -> (f64, f64) {
        let depth = here.wall.map_or(WALL_MM, |w| w.depth_mm);
        let [above, below] = [self.strips_mm[1], self.strips_mm[2]].map(|s| s.min(0.25 * depth));
        let (from, to) = (above, depth - below);
        match self.place {
            Place::Visible => (from, to.min(WALL_MM)),
            Place::Hidden => (from.max(depth - WALL_MM), to),
            Place::Middle => (from.max(0.5 * (depth - WALL_MM)), to.min(0.5 * (depth + WALL_MM))),
        }
    }

    /// The offset at a station, or why there is none.
    pub(super) fn found(&self, station: &Station, cut: &Cut, noise: [f64; 3]) -> Looked {
        let Cut { here, section, .. } = cut;
        let wall = &section.wall;
        let freedoms = wall.points as f64 - 2.0;
        let limit = SCATTER * noise[0];
        if wall.points >= LEAST_WALL && wall.squares <= freedoms * limit * limit {
            let Some((offset_mm, standard_mm)) = section.offset(here, self.place) else {
                return Looked::Unseen;
            };
            let beside = match self.place {
                Place::Visible => section.skin.points,
                Place::Hidden => section.other.points,
                Place::Middle => section.skin.points + section.other.points,
            };
            return Looked::Found(Found {
                offset_mm,
                standard_mm,
                common_mm: 0.0,
                by: By::Wall,
                points: wall.points + beside,
                rise: self.rise(station, section, offset_mm),
            });
        }
        match self.end(station, cut, noise) {
            None | Some(Ends::Unseen) => Looked::Unseen,
            Some(Ends::Beyond) => Looked::Beyond,
            Some(Ends::Short) => Looked::Short,
            Some(Ends::At(end)) => Looked::Found(Found {
                offset_mm: end.out_mm,
                standard_mm: end.standard_mm,
                common_mm: end.common_mm,
                by: if end.by_border { By::MeshBorder } else { By::Surface },
                points: end.points,
                rise: self.rise(station, section, end.out_mm),
            }),
        }
    }

    /// The height of the skin where its edge lies `out_mm` out of its nominal place: its line prolonged to there, above the
    /// nominal skin, which falls off its tangent on a curved part.
    fn rise(&self, station: &Station, section: &Section, out_mm: f64) -> Option<Rise> {
        let skin = &section.skin;
        if self.place != Place::Visible || skin.points < LEAST_SKIN {
            return None;
        }
        let [[level, both], [_, lean]] = skin.covariance;
        let variance = level + 2.0 * out_mm * both + out_mm * out_mm * lean;
        let there = station.place + station.outward.vector() * out_mm;
        // Beyond its end the skin goes on level.
        let fall_mm = if out_mm < 0.0 { self.sides.skin_above(&there, &station.up.vector()) } else { 0.0 };
        let height_mm = skin.value[0] + skin.value[1] * out_mm + fall_mm;
        let standard_mm = variance.max(0.0).sqrt();
        let sound = height_mm.is_finite() && standard_mm.is_finite();
        sound.then_some(Rise { height_mm, standard_mm, points: skin.points })
    }

    /// The end of the skin, or of the other side, by its own points.
    fn end(&self, station: &Station, cut: &Cut, noise: [f64; 3]) -> Option<Ends> {
        let Cut { here, section, about_mm } = cut;
        let depth = here.wall.map(|w| w.depth_mm);
        let (line, noise_mm, shift) = match self.place {
            Place::Visible => (&section.skin, noise[1], 0.0),
            Place::Hidden => {
                let shift = here.wall.map_or(0.0, |w| w.depth_mm * w.down.vector().dot(&here.out));
                (&section.other, noise[2], shift)
            }
            Place::Middle => return None,
        };
        let below = (6.0 * noise_mm).max(depth.map_or(0.5, |d| (d / 3.0).min(0.5)));
        let above = (6.0 * noise_mm).max(0.1);
        let stretch = &self.stretches[station.stretch as usize];
        let half = 4f64.max(7.0 * self.spacing_mm).max(0.5 * station.length_mm + 3.0 * self.spacing_mm);
        let from = station.along_mm - 2.0 * half;
        let to = station.along_mm + 2.0 * half;
        let mut about: Vec<Of> = Vec::new();
        for p in self.between(stretch.run, from, to, stretch.closed) {
            let side = if self.place == Place::Hidden { p.other } else { p.skin };
            let Some((value, _)) = side else { continue };
            let off = p.point - here.place;
            let place = [off.dot(&here.along), off.dot(&here.out) - shift];
            if place[0].abs() > half || place[1] < about_mm - self.band_mm {
                continue;
            }
            let out_mm = p.out_mm - shift;
            // On a curved edge the skin falls off the station's own line; each place is held against the line at its own.
            let level_mm = value - line.value[0] - line.value[1] * out_mm;
            if level_mm >= -below && level_mm <= above {
                about.push(Of { place, along_mm: p.along_mm, out_mm, level_mm, border: p.border });
            }
        }
        let half_length = 0.5 * station.length_mm;
        let window = Window {
            here,
            frames: self.frames,
            from_mm: station.along_mm - half_length,
            to_mm: station.along_mm + half_length,
            inside_mm: self.inside_mm(),
            outside_mm: self.reach_mm,
            noise_mm,
            spacing_mm: self.spacing_mm,
            meshed: self.input.scan.border().is_some(),
        };
        Some(window.end(&about))
    }

    /// Where the scan of a skin stops further inside than this it is not known whether the skin does: twice the largest
    /// limit, at least a millimetre and two spacings.
    fn inside_mm(&self) -> f64 {
        (2.0 * self.input.furthest_mm).max(1.0).max(2.0 * self.spacing_mm)
    }
}

/// Leaves out what lies further than a distance from the median of the values.
fn keep_about_median(points: &mut Vec<[f64; 2]>, within_mm: f64) {
    if points.len() < 3 {
        return;
    }
    let mut values: Vec<f64> = points.iter().map(|p| p[1]).collect();
    values.sort_by(f64::total_cmp);
    let median = values[values.len() / 2];
    points.retain(|p| (p[1] - median).abs() <= within_mm);
}
