//! A trimmed edge of the nominal: the line in which a skin ends, with the wall below it.
//!
//! A piece of a skin's border is part of a trimmed edge where the surface is open or turns away from the skin by more
//! than 30 degrees. From the middle of each piece the wall is followed square to it, triangle by triangle, until it
//! turns again: there begins the other side.

use super::loops::BorderEdge;
use super::{Carrier, Nominal};
use crate::geometry::{Direction, Foot, Point, Vector};
use crate::read::step::SurfaceFoot;

/// Facets that turn by more than this meet in an edge, rad: those of bends and round walls turn by less. Common
/// practice, no source.
const SHARP_RAD: f64 = std::f64::consts::PI / 6.0;

/// A wall whose surface has turned by this in all, rad, has run into another one.
const TURNED_RAD: f64 = std::f64::consts::PI / 4.0;

/// Chords of a curved edge are cut so often that they leave it by no more than this, mm.
const CHORD_MM: f64 = 5e-4;

/// Most pieces that one chord is cut into.
const MOST_CUTS: usize = 64;

/// A place of an edge lies on both surfaces when a turn moves it by no more than this, mm; where they meet at 30 degrees a turn
/// brings it nearer by a quarter at least.
const STILL_MM: f64 = 1e-7;
const MOST_TURNS: usize = 40;

/// The wall below a piece of a trimmed edge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WallHere {
    /// Its normal next to the skin, out of the material.
    pub normal: Direction,
    /// In the wall, square to the edge, away from the skin.
    pub down: Direction,
    /// How far the other side lies below the skin along `down`, mm.
    pub depth_mm: f64,
    /// Normal of the other side, out of the material; `None` where the wall ends in an open border.
    pub other: Option<Direction>,
}

/// A line of a trimmed edge without gaps, in the direction of the skin's triangles: the skin lies to its left, seen from
/// outside the material.
#[derive(Clone, Debug, PartialEq)]
pub struct TrimmedRun {
    /// Its places, mm; of a closed one the last is followed by the first.
    pub places: Vec<Point>,
    /// The skin's normal at each place, out of the material.
    pub normals: Vec<Direction>,
    /// The wall below the piece from each place to the next; `None` where the surface is open.
    pub walls: Vec<Option<WallHere>>,
    /// Whether it runs back into itself.
    pub closed: bool,
}

/// A trimmed edge of the nominal.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TrimmedEdge {
    /// Its lines.
    pub runs: Vec<TrimmedRun>,
    /// Triangles of the skin, ascending.
    pub skin: Vec<u32>,
    /// Triangles of the walls, ascending; none on an open sheet.
    pub wall: Vec<u32>,
    /// Triangles of the other side, ascending.
    pub other: Vec<u32>,
}

impl TrimmedRun {
    /// How many pieces it has.
    pub fn pieces(&self) -> usize {
        if self.closed { self.places.len() } else { self.places.len().saturating_sub(1) }
    }

    /// Both ends of a piece.
    pub fn piece(&self, k: usize) -> [Point; 2] {
        [self.places[k], self.places[(k + 1) % self.places.len()]]
    }

    /// The part of an open one between the places nearest to two others.
    #[must_use]
    pub fn between(&self, a: Point, b: Point) -> Self {
        let (mut first, mut last) = (self.nearest(a), self.nearest(b));
        if last < first {
            (first, last) = (last, first);
        }
        let at = |(k, share): (usize, f64)| {
            let [p, q] = self.piece(k);
            let normal = self.normals[k].vector() * (1.0 - share)
                + self.normals[(k + 1) % self.normals.len()].vector() * share;
            (p + (q - p) * share, Direction::new(normal).unwrap_or(self.normals[k]), self.walls[k])
        };
        let mut run = Self { places: vec![], normals: vec![], walls: vec![], closed: false };
        let mut add = |(place, normal, wall)| {
            run.places.push(place);
            run.normals.push(normal);
            run.walls.push(wall);
        };
        add(at(first));
        for k in first.0 + 1..=last.0 {
            // A place that is the first one already makes a piece without length.
            if k > first.0 + 1 || first.1 < 1.0 {
                add((self.places[k], self.normals[k], self.walls[k]));
            }
        }
        if last.1 > 0.0 {
            add(at(last));
        }
        run
    }

    /// The piece nearest to a place, and the share of it that lies before the nearest point.
    fn nearest(&self, p: Point) -> (usize, f64) {
        let mut best = (f64::INFINITY, (0, 0.0));
        for k in 0..self.pieces() {
            let [a, b] = self.piece(k);
            let d = b - a;
            let share = if d.norm_squared() > 0.0 { (p - a).dot(&d) / d.norm_squared() } else { 0.0 };
            let share = share.clamp(0.0, 1.0);
            let away = (a + d * share - p).norm();
            if away < best.0 {
                best = (away, (k, share));
            }
        }
        best.1
    }

    /// Its length, mm.
    pub fn length_mm(&self) -> f64 {
        (0..self.pieces()).map(|k| self.piece(k)).map(|[a, b]| (b - a).norm()).sum()
    }
}

impl TrimmedEdge {
    /// Its length, mm.
    pub fn length_mm(&self) -> f64 {
        self.runs.iter().map(TrimmedRun::length_mm).sum()
    }

    /// Whether the skin ends in the open everywhere.
    pub fn is_open(&self) -> bool {
        self.wall.is_empty()
    }

    /// The middle of its line, mm.
    pub fn centroid(&self) -> Point {
        let (mut moment, mut length) = (Vector::zeros(), 0.0);
        for run in &self.runs {
            for [a, b] in (0..run.pieces()).map(|k| run.piece(k)) {
                let step = (b - a).norm();
                moment += (a.coords + b.coords) * (0.5 * step);
                length += step;
            }
        }
        if length > 0.0 { Point::from(moment / length) } else { Point::origin() }
    }
}

/// What lies below one edge of a border.
struct Below {
    wall: WallHere,
    triangles: Vec<u32>,
    other: Option<u32>,
}

impl Nominal {
    /// The pieces of a skin's border at which the skin ends: one list a line, with whether it closes. Where the surface
    /// runs on without turning away from the skin there is none.
    pub fn trimmed(&self, border: &[BorderEdge]) -> Vec<(Vec<BorderEdge>, bool)> {
        let ends: Vec<bool> = border.iter().map(|e| self.skin_ends(e)).collect();
        if ends.iter().all(|e| *e) {
            return if border.is_empty() { Vec::new() } else { vec![(border.to_vec(), true)] };
        }
        // From the first edge after one at which it runs on.
        let first = ends.iter().position(|e| !e).unwrap_or(0);
        let mut lines: Vec<(Vec<BorderEdge>, bool)> = Vec::new();
        let mut open = false;
        for k in (0..border.len()).map(|k| (first + k) % border.len()) {
            if !ends[k] {
                open = false;
                continue;
            }
            if !open {
                lines.push((Vec::new(), false));
                open = true;
            }
            if let Some((line, _)) = lines.last_mut() {
                line.push(border[k]);
            }
        }
        lines
    }

    /// Whether the surface is open there or turns away from the skin.
    fn skin_ends(&self, edge: &BorderEdge) -> bool {
        let Some(beyond) = edge.beyond else { return true };
        let (Some(skin), Some(wall)) = (self.mesh.normal(edge.triangle), self.mesh.normal(beyond)) else {
            return false;
        };
        if skin.angle_to(wall) <= SHARP_RAD {
            return false;
        }
        // Away from the skin: the corner of the wall that is not on the edge lies below it.
        let from = self.mesh.vertices()[edge.from as usize];
        let apex = self.mesh.triangles()[beyond as usize].iter().find(|v| **v != edge.from && **v != edge.to);
        apex.is_some_and(|v| (self.mesh.vertices()[*v as usize] - from).dot(&skin.vector()) < 0.0)
    }

    /// The trimmed edge along some lines of a skin's border. `None` where a line has no piece with a length.
    pub fn trimmed_edge(&self, skin: &[u32], lines: &[(Vec<BorderEdge>, bool)]) -> Option<TrimmedEdge> {
        let mut member = vec![false; self.across.len()];
        for &t in skin {
            if let Some(m) = member.get_mut(t as usize) {
                *m = true;
            }
        }
        let mut edge = TrimmedEdge { skin: skin.to_vec(), ..TrimmedEdge::default() };
        let (mut walls, mut seeds) = (Vec::new(), Vec::new());
        for (line, closed) in lines {
            let below: Vec<Option<Below>> = line.iter().map(|e| self.below(e, &member)).collect();
            for b in below.iter().flatten() {
                walls.extend(&b.triangles);
                seeds.extend(b.other);
            }
            edge.runs.push(self.run(line, &below, *closed)?);
        }
        walls.sort_unstable();
        walls.dedup();
        for &t in &walls {
            member[t as usize] = true;
        }
        edge.wall = walls;
        edge.other = self.grown(&seeds, &mut member);
        Some(edge)
    }

    /// Everything that hangs together with some triangles without a sharp edge between; `taken` is left out.
    fn grown(&self, seeds: &[u32], taken: &mut [bool]) -> Vec<u32> {
        let mut found = Vec::new();
        for &seed in seeds {
            if !std::mem::replace(&mut taken[seed as usize], true) {
                found.push(seed);
            }
        }
        let mut next = 0;
        while let Some(&t) = found.get(next) {
            next += 1;
            for o in self.across[t as usize].iter().flatten().copied() {
                let smooth = match (self.mesh.normal(t), self.mesh.normal(o)) {
                    (Some(a), Some(b)) => a.angle_to(b) <= SHARP_RAD,
                    _ => false,
                };
                if smooth && !std::mem::replace(&mut taken[o as usize], true) {
                    found.push(o);
                }
            }
        }
        found.sort_unstable();
        found
    }

    /// Follows the wall from the middle of a border's edge, square to it.
    fn below(&self, edge: &BorderEdge, skin: &[bool]) -> Option<Below> {
        let [from, to] = [edge.from, edge.to].map(|v| self.mesh.vertices()[v as usize]);
        let along = Direction::new(to - from)?;
        let middle = nalgebra::center(&from, &to);
        let first = edge.beyond?;
        let normal = self.mesh.normal(first)?;
        let across = Direction::new(normal.vector().cross(&along.vector()))?;
        let apex =
            self.mesh.triangles()[first as usize].iter().find(|v| **v != edge.from && **v != edge.to)?;
        let down = (self.mesh.vertices()[*apex as usize] - middle).dot(&across.vector());
        let down = if down < 0.0 { across.reversed() } else { across };
        // Zero counts as beyond, so that every triangle that is met is left through one other edge.
        let beyond = |v: u32| (self.mesh.vertices()[v as usize] - middle).dot(&along.vector()) >= 0.0;
        let mut triangles = vec![first];
        let (mut here, mut entered) = (first, [edge.from, edge.to]);
        let mut last = normal;
        loop {
            let corners = self.mesh.triangles()[here as usize];
            let leaves = (0..3).find(|&k| {
                let (a, b) = (corners[k], corners[(k + 1) % 3]);
                let same = entered.contains(&a) && entered.contains(&b);
                !same && beyond(a) != beyond(b)
            })?;
            let (a, b) = (corners[leaves], corners[(leaves + 1) % 3]);
            let [p, q] = [a, b].map(|v| self.mesh.vertices()[v as usize]);
            let [x, y] = [p, q].map(|p| (p - middle).dot(&along.vector()));
            let place = p + (q - p) * (if x == y { 0.5 } else { x / (x - y) });
            let end = |other: Option<u32>, triangles: Vec<u32>| {
                let depth_mm = (place - middle).dot(&down.vector());
                let facing = other.and_then(|t| self.mesh.normal(t));
                let wall = WallHere { normal, down, depth_mm, other: facing };
                (depth_mm > 0.0).then_some(Below {
                    wall,
                    triangles,
                    other: other.filter(|_| facing.is_some()),
                })
            };
            let Some(next) = self.across[here as usize][leaves] else { return end(None, triangles) };
            let turn = self.mesh.normal(next).map(|n| (n.angle_to(last), n.angle_to(normal), n));
            let stays = turn.is_none_or(|(step, all, _)| step <= SHARP_RAD && all <= TURNED_RAD);
            if !stays || skin[next as usize] || triangles.len() > self.across.len() {
                return end((!skin[next as usize]).then_some(next), triangles);
            }
            if let Some((_, _, n)) = turn {
                last = n;
            }
            triangles.push(next);
            (here, entered) = (next, [a, b]);
        }
    }

    /// One line with the normals of the skin along it; chords are cut and brought onto the surfaces of skin and wall.
    fn run(&self, line: &[BorderEdge], below: &[Option<Below>], closed: bool) -> Option<TrimmedRun> {
        let place = |v: u32| self.mesh.vertices()[v as usize];
        let skin = |e: &BorderEdge| self.mesh.normal(e.triangle).map_or(Vector::zeros(), Direction::vector);
        let mut run = TrimmedRun { places: Vec::new(), normals: Vec::new(), walls: Vec::new(), closed };
        for (k, edge) in line.iter().enumerate() {
            let [from, to] = [place(edge.from), place(edge.to)];
            if !((to - from).norm() > 0.0) {
                continue;
            }
            let before = if k > 0 { Some(k - 1) } else { closed.then(|| line.len() - 1) };
            let after = if k + 1 < line.len() { Some(k + 1) } else { closed.then_some(0) };
            let own = Direction::new(skin(edge))?;
            let ends = [before, after].map(|beside| {
                let other = beside.map_or(Vector::zeros(), |b| skin(&line[b]));
                Direction::new(own.vector() + other).unwrap_or(own)
            });
            let below = below[k].as_ref();
            let cuts = self.cuts(edge, below, from, to);
            // The normal that the skin has there, as the file tells it, else between those of both ends.
            let normal = |p: &Point, share: f64| {
                let between = ends[0].vector() * (1.0 - share) + ends[1].vector() * share;
                self.told(edge.triangle, p)
                    .map_or_else(|| Direction::new(between).unwrap_or(own), |skin| skin.normal)
            };
            let at = |share: f64| from + (to - from) * share;
            let ends: Vec<Point> = (0..=cuts)
                .map(|cut| match cut {
                    0 => from,
                    _ if cut == cuts => to,
                    _ => self.seated(edge, below, at(cut as f64 / cuts as f64)),
                })
                .collect();
            for (cut, piece) in ends.windows(2).enumerate() {
                run.normals.push(normal(&piece[0], cut as f64 / cuts as f64));
                run.places.push(piece[0]);
                let half = nalgebra::center(&piece[0], &piece[1]);
                let along = piece[1] - piece[0];
                let wall = |b: &Below| self.wall_here(b, &self.seated(edge, below, half), along);
                run.walls.push(below.map(wall));
            }
            if k + 1 == line.len() && !closed {
                run.normals.push(normal(&to, 1.0));
                run.places.push(to);
                run.walls.push(run.walls.last().copied().flatten());
            }
        }
        (run.pieces() > 0).then_some(run)
    }

    /// The place on the exact surface of a triangle's face that lies by a place on the triangle.
    fn told(&self, triangle: u32, p: &Point) -> Option<SurfaceFoot> {
        self.exact_foot(p, &Foot { point: *p, triangle, distance: 0.0 })
    }

    /// The wall below a place with its normal there, where the file tells it.
    fn wall_here(&self, below: &Below, p: &Point, along: Vector) -> WallHere {
        let mut wall = below.wall;
        let Some(there) = self.told(below.triangles[0], p) else { return wall };
        if let Some(across) = Direction::new(there.normal.vector().cross(&along)) {
            let down = across.vector().dot(&wall.down.vector()) >= 0.0;
            wall.down = if down { across } else { across.reversed() };
            wall.normal = there.normal;
        }
        wall
    }

    fn round_wall(&self, below: Option<&Below>) -> Option<(Point, Direction, f64)> {
        let face = self.face_of_triangle[*below?.triangles.first()? as usize];
        match self.faces[face as usize].carrier {
            Some(Carrier::Cylinder { point, axis, radius_mm, .. }) => Some((point, axis, radius_mm)),
            _ => None,
        }
    }

    /// A chord of length l leaves a circle of radius r by l^2 / 8 r, a line that turns by an angle along it by l / 8 of that.
    fn cuts(&self, edge: &BorderEdge, below: Option<&Below>, from: Point, to: Point) -> usize {
        let d = to - from;
        let mut off_mm = 0.0_f64;
        if let Some((_, axis, radius)) = self.round_wall(below) {
            let chord = d - axis.vector() * d.dot(&axis.vector());
            off_mm = chord.norm_squared() / (8.0 * radius);
        }
        for triangle in [Some(edge.triangle), below.map(|b| b.triangles[0])].into_iter().flatten() {
            if let (Some(a), Some(b)) = (self.told(triangle, &from), self.told(triangle, &to)) {
                off_mm = off_mm.max(d.norm() * a.normal.angle_to(b.normal) / 8.0);
            }
        }
        let cuts = (off_mm / CHORD_MM).sqrt().ceil();
        if cuts.is_finite() { (cuts as usize).clamp(1, MOST_CUTS) } else { 1 }
    }

    /// The place of the line where a place on its chord belongs: on the surfaces of skin and wall by turns, as far as they
    /// are known.
    fn seated(&self, edge: &BorderEdge, below: Option<&Below>, chord: Point) -> Point {
        let wall = below.map(|b| b.triangles[0]);
        let mut p = chord;
        for _ in 0..MOST_TURNS {
            let mut next = match wall.and_then(|t| self.told(t, &p)) {
                Some(there) => there.point,
                None => self.on_round_wall(below, p),
            };
            if let Some(there) = self.told(edge.triangle, &next) {
                next = there.point;
            }
            let moved = (next - p).norm();
            p = next;
            if !(moved > STILL_MM) {
                break;
            }
        }
        p
    }

    fn on_round_wall(&self, below: Option<&Below>, p: Point) -> Point {
        let Some((at, axis, radius)) = self.round_wall(below) else { return p };
        let d = p - at;
        let out = d - axis.vector() * d.dot(&axis.vector());
        match Direction::new(out) {
            Some(away) => p + away.vector() * (radius - out.norm()),
            None => p,
        }
    }
}
