//! A trimmed edge as it was measured.

use super::frames::Stretch;
use crate::geometry::{Direction, Point};
use crate::nominal::LinePlace;

/// What told an offset.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum By {
    /// Skin and wall, prolonged to where they meet.
    Wall,
    /// The border of the scan's own mesh.
    MeshBorder,
    /// The last points of the skin.
    Surface,
    /// The skin as far as its arris: of a height, which no edge tells.
    Skin,
}

impl By {
    /// As records say it.
    pub fn word(self) -> &'static str {
        match self {
            By::Wall => "wall",
            By::MeshBorder => "mesh_border",
            By::Surface => "surface",
            By::Skin => "skin",
        }
    }
}

/// What was found at a station.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// Signed offset along the outward direction, mm, positive outside the material.
    pub offset_mm: f64,
    /// Its standard uncertainty from noise and spacing of the points, mm.
    pub standard_mm: f64,
    /// Over what length of the edge the error is the same, mm; 0 for none beyond the station.
    pub common_mm: f64,
    /// What told it.
    pub by: By,
    /// Points that it rests on.
    pub points: usize,
    /// How high the skin lies there; `None` where its points do not tell it, and at another edge than the visible arris.
    pub rise: Option<Rise>,
}

/// The height of the skin where its edge was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rise {
    /// Above the station's nominal place along its `up`, mm.
    pub height_mm: f64,
    /// Its standard uncertainty from the noise of the points, mm.
    pub standard_mm: f64,
    /// Points that it rests on.
    pub points: usize,
}

/// A place of the edge and the length that it stands for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Station {
    /// Index in [`MeasuredEdge::stretches`].
    pub(super) stretch: u32,
    /// Along its run, mm.
    pub along_mm: f64,
    /// Along the whole edge, run after run, mm.
    pub at_mm: f64,
    /// The length of edge that it stands for, mm.
    pub length_mm: f64,
    /// The nominal place, mm: on the visible arris, the hidden one or half way.
    pub place: Point,
    /// Along the edge.
    pub along: Direction,
    /// In the skin, square to the edge, out of the material.
    pub outward: Direction,
    /// Out of the skin, square to both.
    pub up: Direction,
    /// What was found there; `None` where nothing was.
    pub found: Option<Found>,
}

impl Station {
    /// Its place with the axes of the skin there; of the visible arris.
    pub fn axes(&self) -> LinePlace {
        let Self { place, along, outward, up, .. } = *self;
        LinePlace { place, along, outward, up }
    }
}

/// A trimmed edge as it was measured.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasuredEdge {
    /// Its stations, in the order of the line.
    pub stations: Vec<Station>,
    /// Distance of the stations, mm.
    pub step_mm: f64,
    /// Length of the nominal edge, mm.
    pub length_mm: f64,
    /// Standard deviation of the noise of the points used, mm.
    pub noise_mm: f64,
    /// Points used.
    pub points: usize,
    /// What was left out along the line beside its corners, mm.
    pub corner_strip_mm: f64,
    /// What was left out along the arris: of the skin, of the wall below it, of the wall above the other side, of the other
    /// side, mm.
    pub strips_mm: [f64; 4],
    /// How far off its nominal place the edge was looked for, mm.
    pub reach_mm: f64,
    /// A place where the surface goes on further than that, mm, and how many stations have one.
    pub beyond: Option<(usize, Point)>,
    /// Stations at which the skin stops further inside than an edge is looked for, and the place of the first: whether the
    /// part does is not known.
    pub short: Option<(usize, Point)>,
    pub(super) stretches: Vec<Stretch>,
    /// Whether it is a whole loop.
    pub(super) closed: bool,
}

impl MeasuredEdge {
    /// Share of the stations' length at which something was found.
    pub fn seen(&self) -> f64 {
        let all: f64 = self.stations.iter().map(|s| s.length_mm).sum();
        let seen: f64 = self.stations.iter().filter(|s| s.found.is_some()).map(|s| s.length_mm).sum();
        if all > 0.0 { seen / all } else { 0.0 }
    }

    /// The same stations with the height of the skin at its edge as their offset: nothing where that was not seen.
    #[must_use]
    pub fn rising(&self) -> Self {
        let mut all = self.clone();
        for station in &mut all.stations {
            station.found = station.found.and_then(|found| {
                let Rise { height_mm, standard_mm, points } = found.rise?;
                let by = By::Skin;
                Some(Found { offset_mm: height_mm, standard_mm, common_mm: 0.0, by, points, ..found })
            });
        }
        all.points = all.stations.iter().filter_map(|s| s.found).map(|f| f.points).sum();
        all
    }

    /// The longest part of the edge at which nothing was found: its length, mm, and the station in its middle.
    pub fn longest_unseen(&self) -> Option<(f64, &Station)> {
        let n = self.stations.len();
        // It runs on over corners: what lies beside one belongs to both sides.
        let run = |k: usize| self.stretches[self.stations[k].stretch as usize].run;
        let follows = |k: usize| if k + 1 < n { run(k) == run(k + 1) } else { self.closed };
        let unseen = |k: usize| self.stations[k].found.is_none();
        let runs_on = |k: usize| unseen(k) && unseen((k + 1) % n) && follows(k);
        // From where a stretch begins; anywhere in a loop of which nothing was seen.
        let begin = (0..n).find(|&k| !runs_on((k + n - 1) % n)).unwrap_or(0);
        let mut best: Option<(f64, &Station)> = None;
        let (mut length, mut members) = (0.0, Vec::new());
        for i in 0..n {
            let k = (begin + i) % n;
            if unseen(k) {
                length += self.stations[k].length_mm;
                members.push(k);
            }
            if !runs_on(k) || i + 1 == n {
                if let Some(middle) =
                    members.get(members.len() / 2).filter(|_| best.is_none_or(|b| length > b.0))
                {
                    best = Some((length, &self.stations[*middle]));
                }
                (length, members) = (0.0, Vec::new());
            }
        }
        best
    }
}
