//! Which way the surfaces of a scan face that carries no normals.
//!
//! ```text
//! directions   across the nearest neighbours of each point, without a side
//! sheets       points that hang together and turn together: one side of a skin each
//! sides        of both sides on which a sheet may lie the one with which what lies around it fits the nominal
//! the rest     walls and points beside an arris: as their place says, moved as the sheet beside them is off
//! ```
//!
//! Distance alone does not tell the sides of a skin apart where the part is bent by more than its thickness. What does
//! is the other side, and the walls, which lie behind a sheet and never before it. So a sheet is brought onto the nominal face
//! that looks its way, what lies within a few thicknesses goes with it, and how far that then is off the nominal is held against
//! the same for the face that looks the other way. Directions and their spreading along a surface after Hoppe et al., "Surface
//! reconstruction from unorganized points", SIGGRAPH 1992; the choice of side is our own.

use rayon::prelude::*;

use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector};
use crate::nominal::Nominal;
use crate::run::{CHECK_EVERY, Run, Stopped};
use crate::scan::Scan;
use crate::search::{PointTree, SurfaceTree, normals};

/// Points whose spread tells a direction: two rings of a square lattice.
const SPREAD: usize = 12;
/// Neighbours to which a sheet goes on: one ring of a square lattice.
const RING: usize = 8;
/// How many of them must agree for a point to lie inside a sheet.
const AGREE: usize = 6;
/// Cosine of the angle by which neighbours of one sheet may turn, 20 degrees: bends of small radius still hang together, an
/// arris does not.
const TURN: f64 = 0.94;
/// How far a neighbour may lie out of a sheet, as a share of its distance, or of the spacing.
const RISE: f64 = 0.35;
const ROUGH: f64 = 0.5;
/// How often a sheet is grown by the points beside it.
const RINGS: usize = 3;
/// A sheet of fewer points says nothing.
const LEAST_SHEET: usize = 30;
/// Places of a sheet at which its sides are tried, and points around each.
const ANCHORS: usize = 400;
const AROUND: usize = 96;
const TRIED: usize = 24;
/// Most steps of half a thickness that are tried to either side.
const ASIDE: i32 = 8;
/// What lies within this many thicknesses is looked at: further off, a bent part fits neither side.
const NEAR: f64 = 1.6;
/// Fewer points that tell the sides apart decide nothing.
const LEAST_TOLD: f64 = 12.0;
/// By how much the sides must differ on average, as a share of half the thickness.
const CLEAR: f64 = 0.3;

/// Which way the points of a scan look.
pub struct Outward {
    /// Out of the material, unit length, one a point, in the scan's axes.
    pub normals: Vec<Vector>,
    /// How many points within reach of the nominal have theirs by distance only; the others by what lies around their sheet.
    pub by_distance: usize,
}

/// Normals out of the material for a scan without any that lies on its nominal; `None` where the sides of too many of its
/// sheets were not told, so that distance is all there is. `reach_mm` is how far the part may be off, mm.
///
/// # Errors
/// Only a stop by the caller.
pub fn outward(
    run: &Run,
    nominal: &Nominal,
    tree: &SurfaceTree,
    scan: &Scan,
    part_from_scan: &Motion<PartFrame, ScanFrame>,
    reach_mm: f64,
) -> Result<Option<Outward>, Stopped> {
    let points: Vec<Point> = scan.points().par_iter().map(|p| part_from_scan.point(&p)).collect();
    let Some(sheets) = Sheets::new(run, &points, scan.spacing_mm())? else { return Ok(None) };
    let ground = Ground { tree, points: &points, sheets: &sheets, reach_mm, spacing_mm: scan.spacing_mm() };
    let mut sides: Vec<f64> = Vec::with_capacity(sheets.members.len());
    let (mut told, mut open) = (0, 0);
    let around = Thinned::new(run, &ground)?;
    for sheet in 0..sheets.members.len() {
        let side = ground.side(run, sheet, &around)?;
        match side {
            Some(0.0) => open += sheets.members[sheet].len(),
            Some(_) => told += sheets.members[sheet].len(),
            // A table, a clamp.
            None => {}
        }
        sides.push(side.unwrap_or(0.0));
    }
    if told == 0 || open as f64 > MOST_OPEN * (told + open) as f64 {
        return Ok(None);
    }
    // Where the sides are known, and how far off the nominal the part is there.
    let known: Vec<u32> = (0u32..)
        .zip(&sheets.of)
        .filter(|(_, s)| **s != NO_SHEET && sides[**s as usize] != 0.0)
        .map(|(i, _)| i)
        .collect();
    let beside = PointTree::new(&known.iter().map(|i| points[*i as usize]).collect::<Vec<_>>());
    let scan_from_part = part_from_scan.inverse();
    let outward = |i: usize| {
        let sheet = sheets.of[i];
        let side = if sheet == NO_SHEET { 0.0 } else { sides[sheet as usize] };
        (side != 0.0).then(|| sheets.along[i] * side)
    };
    let one = |i: usize| {
        if let Some(told) = outward(i) {
            return (told, true);
        }
        let p = &points[i];
        // As far off as the nearest point of a sheet that is known.
        let off = beside.nearest(p, 1).first().and_then(|n| {
            let j = known[n.0 as usize] as usize;
            let foot = tree.nearest_facing(&points[j], Direction::new(outward(j)?)?, TURN, reach_mm)?;
            Some(foot.point - points[j])
        });
        let moved = p + off.unwrap_or_else(Vector::zeros);
        let foot = tree.nearest(&moved, reach_mm).or_else(|| tree.nearest(p, reach_mm));
        let facet = foot.and_then(|f| nominal.mesh().normal(f.triangle));
        // What is near nothing of the part has no side, and none is guessed.
        (facet.map_or(sheets.along[i], Direction::vector), facet.is_none())
    };
    let blocks: Result<Vec<Vec<(Vector, bool)>>, Stopped> = (0..points.len().div_ceil(CHECK_EVERY))
        .into_par_iter()
        .map(|b| {
            run.check()?;
            let own = b * CHECK_EVERY..((b + 1) * CHECK_EVERY).min(points.len());
            let turned = |i: usize| {
                let (n, told) = one(i);
                (scan_from_part.rotation() * n, told)
            };
            Ok(own.map(turned).collect())
        })
        .collect();
    let all = blocks?.concat();
    let by_distance = all.iter().filter(|n| !n.1).count();
    Ok(Some(Outward { normals: all.into_iter().map(|n| n.0).collect(), by_distance }))
}

/// Where the sides of more of the points of sheets than this are not told, those of the others are not relied on either: then
/// the scan is one without normals, whose two sides may be alike.
const MOST_OPEN: f64 = 0.1;

/// Stands for no sheet.
const NO_SHEET: u32 = u32::MAX;

/// Points that hang together and turn together.
struct Sheets {
    /// Direction across each point's neighbours; those of a sheet look to one side, which may be either.
    along: Vec<Vector>,
    /// Which sheet a point is of.
    of: Vec<u32>,
    /// Points of each sheet, ascending.
    members: Vec<Vec<u32>>,
}

impl Sheets {
    /// `None` where there is none.
    fn new(run: &Run, points: &[Point], spacing_mm: f64) -> Result<Option<Self>, Stopped> {
        let found = normals(points, SPREAD, None, run)?;
        // A point that has no direction is in no sheet; any will do for it.
        let lone: Vec<bool> = found.iter().map(Option::is_none).collect();
        let mut along: Vec<Vector> =
            found.into_iter().map(|n| n.map_or(Vector::z(), Direction::vector)).collect();
        let near = PointTree::new(points).k_nearest(RING, run)?;
        let goes_on = |i: usize, j: usize| {
            let d = points[j] - points[i];
            let rise = (RISE * d.norm()).max(ROUGH * spacing_mm);
            !lone[i]
                && !lone[j]
                && along[i].dot(&along[j]).abs() >= TURN
                && d.dot(&along[i]).abs() <= rise
                && d.dot(&along[j]).abs() <= rise
        };
        let inside: Vec<bool> = (0..points.len())
            .into_par_iter()
            .map(|i| near.of(i).iter().filter(|j| goes_on(i, **j as usize)).count() >= AGREE)
            .collect();
        let mut linked = Linked::new(points.len());
        for i in 0..points.len() {
            if i % CHECK_EVERY == 0 {
                run.check()?;
            }
            for &j in near.of(i) {
                let j = j as usize;
                if inside[i] && inside[j] && goes_on(i, j) {
                    linked.join(i, j, along[i].dot(&along[j]) < 0.0);
                }
            }
        }
        let mut sizes = vec![0u32; points.len()];
        let roots: Vec<(usize, bool)> = (0..points.len()).map(|i| linked.root(i)).collect();
        for (root, _) in &roots {
            sizes[*root] += 1;
        }
        let (mut of, mut number, mut members) =
            (vec![NO_SHEET; points.len()], vec![NO_SHEET; points.len()], Vec::new());
        for (i, &(root, against)) in roots.iter().enumerate() {
            if (sizes[root] as usize) < LEAST_SHEET {
                continue;
            }
            if number[root] == NO_SHEET {
                number[root] = members.len() as u32;
                members.push(Vec::new());
            }
            of[i] = number[root];
            members[number[root] as usize].push(i as u32);
            if against {
                along[i] = -along[i];
            }
        }
        let mut all = Self { along, of, members };
        if all.members.is_empty() {
            return Ok(None);
        }
        // Points that scatter, or lie at the end of their sheet, are of the sheet in which the nearest of their neighbours lies,
        // ring by ring.
        for _ in 0..RINGS {
            run.check()?;
            let taken: Vec<Option<(u32, Vector)>> = (0..points.len())
                .into_par_iter()
                .map(|i| {
                    (all.of[i] == NO_SHEET).then(|| all.beside(points, near.of(i), i, spacing_mm)).flatten()
                })
                .collect();
            for (i, taken) in taken.into_iter().enumerate() {
                if let Some((sheet, along)) = taken {
                    (all.of[i], all.along[i]) = (sheet, along);
                }
            }
        }
        Ok(Some(all))
    }

    /// The sheet that a point lies in beside the nearest of its neighbours that are of one, and that one's direction.
    fn beside(&self, points: &[Point], near: &[u32], i: usize, spacing_mm: f64) -> Option<(u32, Vector)> {
        near.iter().map(|j| *j as usize).find_map(|j| {
            let d = points[j] - points[i];
            let within = d.dot(&self.along[j]).abs() <= (RISE * d.norm()).max(ROUGH * spacing_mm);
            (self.of[j] != NO_SHEET && within).then(|| (self.of[j], self.along[j]))
        })
    }
}

/// Sets that are joined, each member with whether it looks against the set's first: union by number, with path halving. Tarjan,
/// "Efficiency of a good but not linear set union algorithm", Journal of the ACM 22(2), 1975.
struct Linked {
    above: Vec<(u32, bool)>,
}

impl Linked {
    fn new(count: usize) -> Self {
        Self { above: (0..count as u32).map(|i| (i, false)).collect() }
    }

    fn root(&mut self, i: usize) -> (usize, bool) {
        let (mut here, mut against) = (i, false);
        loop {
            let (above, turns) = self.above[here];
            if above as usize == here {
                return (here, against);
            }
            let (next, more) = self.above[above as usize];
            self.above[here] = (next, turns != more);
            against ^= turns != more;
            here = next as usize;
        }
    }

    /// `against` where both look opposite ways. What contradicts an earlier join is left as it was.
    fn join(&mut self, i: usize, j: usize, against: bool) {
        let ((a, i_against), (b, j_against)) = (self.root(i), self.root(j));
        if a != b {
            let (low, high) = (a.min(b), a.max(b));
            self.above[high] = (low as u32, against ^ i_against ^ j_against);
        }
    }
}

/// Fewer points, so that a few of them span a thickness.
struct Thinned {
    tree: PointTree,
    numbers: Vec<u32>,
    spacing_mm: f64,
}

impl Thinned {
    fn new(run: &Run, ground: &Ground) -> Result<Self, Stopped> {
        run.check()?;
        // The median thickness where there are two sides within reach.
        let asked = (0..ground.points.len()).step_by((ground.points.len() / 2_000).max(1));
        let mut thick: Vec<f64> = asked
            .filter(|&i| ground.sheets.of[i] != NO_SHEET)
            .filter_map(|i| ground.feet(i))
            .filter_map(|feet| feet.thickness_mm())
            .collect();
        thick.sort_by(f64::total_cmp);
        let wanted_mm = thick.get(thick.len() / 2).map_or(0.0, |t| t / 5.0);
        let every = wanted_mm / ground.spacing_mm;
        let every = every * every;
        let every = if every.is_finite() { every.clamp(1.0, 1e4) as usize } else { 1 };
        let numbers: Vec<u32> = (0..ground.points.len() as u32).step_by(every).collect();
        let points: Vec<Point> = numbers.iter().map(|i| ground.points[*i as usize]).collect();
        Ok(Self {
            tree: PointTree::new(&points),
            numbers,
            spacing_mm: ground.spacing_mm * (every as f64).sqrt(),
        })
    }
}

/// How a place would be moved onto the faces that look its direction's way and the other, as far as there are.
struct Feet([Option<Vector>; 2]);

impl Feet {
    fn thickness_mm(&self) -> Option<f64> {
        match self.0 {
            [Some(a), Some(b)] => Some((a - b).norm()).filter(|t| *t > 0.0),
            _ => None,
        }
    }
}

struct Ground<'a> {
    tree: &'a SurfaceTree,
    points: &'a [Point],
    sheets: &'a Sheets,
    reach_mm: f64,
    spacing_mm: f64,
}

impl Ground<'_> {
    fn feet(&self, i: usize) -> Option<Feet> {
        let n = Direction::new(self.sheets.along[i])?;
        let p = &self.points[i];
        let to = |n: Direction| self.tree.nearest_facing(p, n, TURN, self.reach_mm).map(|f| f.point - p);
        Some(Feet([to(n), to(n.reversed())]))
    }

    /// 1 where a sheet looks as its directions do, -1 where it looks the other way, 0 where nothing tells; `None` of one that lies
    /// beside the part.
    fn side(&self, run: &Run, sheet: usize, around: &Thinned) -> Result<Option<f64>, Stopped> {
        run.check()?;
        let members = &self.sheets.members[sheet];
        let anchors: Vec<u32> = members.iter().copied().step_by(members.len().div_ceil(ANCHORS)).collect();
        let votes: Result<Vec<Option<(f64, f64)>>, Stopped> = anchors
            .par_iter()
            .map(|&i| {
                run.check()?;
                let near = self.feet(i as usize).filter(|feet| feet.0.iter().any(Option::is_some));
                Ok(near.map(|feet| self.vote(i as usize, &feet, around)))
            })
            .collect();
        let votes = votes?;
        let near: Vec<&(f64, f64)> = votes.iter().flatten().collect();
        if 2 * near.len() < votes.len() {
            return Ok(None);
        }
        let (sum, count) = near.iter().fold((0.0, 0.0), |(s, c), v| (s + v.0, c + v.1));
        let mean = sum / count;
        Ok(Some(if count >= LEAST_TOLD && mean.abs() >= CLEAR { mean.signum() } else { 0.0 }))
    }

    /// What the points around a place say for its direction and against the other, each between 1 and -1, and how many.
    fn vote(&self, i: usize, feet: &Feet, around: &Thinned) -> (f64, f64) {
        let [Some(own), Some(other)] = feet.0 else {
            // There is one side only.
            return match feet.0 {
                [Some(_), None] => (1.0, 1.0),
                [None, Some(_)] => (-1.0, 1.0),
                _ => (0.0, 0.0),
            };
        };
        let Some(thickness) = feet.thickness_mm() else { return (0.0, 0.0) };
        let (most, reach) = (0.5 * thickness, NEAR * thickness + 2.0 * around.spacing_mm);
        let p = &self.points[i];
        let n = self.sheets.along[i];
        // A bent part goes aside on a slope too, so what lies beside may be found as far aside as it is off.
        let far = |q: &Point, off: Vector| {
            let aside = q - p;
            let aside =
                Direction::new(aside - n * n.dot(&aside)).map_or_else(Vector::zeros, Direction::vector);
            let steps = ((off.norm() / most) as i32).min(ASIDE);
            let at = |k: i32| {
                let place = q + off + aside * (f64::from(k) * most);
                self.tree.nearest(&place, most).map_or(most, |f| f.distance)
            };
            (-steps..=steps).map(at).fold(most, f64::min)
        };
        let others: Vec<usize> = around
            .tree
            .nearest(p, AROUND)
            .into_iter()
            .filter(|(_, d)| *d <= reach)
            .map(|(k, _)| around.numbers[k as usize] as usize)
            .filter(|&j| self.sheets.of[j] != self.sheets.of[i])
            .collect();
        let (mut sum, mut count) = (0.0, 0.0);
        for &j in others.iter().step_by(others.len().div_ceil(TRIED).max(1)) {
            let q = &self.points[j];
            let (with, against) = (far(q, own), far(q, other));
            // One that fits both or neither says nothing.
            if (with - against).abs() > 0.25 * most {
                sum += (against - with) / most;
                count += 1.0;
            }
        }
        (sum, count)
    }
}
