//! Triangles turned so that their normals point out of the material.
//!
//! Within a shell (triangles connected across edges that two of them share) the winding is made to
//! agree. A closed shell is then turned by the volume it encloses; one that lies inside an odd number
//! of others of its body bounds a cavity and is turned inwards. An open shell keeps the winding that the larger
//! part of its area has in the file, and the plan says on which side of it the material is. One that a file calls a
//! solid is turned by its volume too, as long as what is missing could not change its sign.

use std::collections::BTreeMap;

use super::edges::{Edges, HalfEdge};
use super::pieces::Pieces;
use super::{NominalError, Side};
use crate::geometry::{Aabb, Point, Vector, math};
use crate::run::{CHECK_EVERY, Run};

/// One shell.
struct Shell {
    /// Ascending.
    triangles: Vec<u32>,
    closed: bool,
    bounds: Aabb,
}

/// Which body each triangle belongs to. A mesh is one body, and no solid as far as its file tells.
#[derive(Clone, Copy, Default)]
pub(super) struct Bodies<'a> {
    /// Of each triangle; nothing where all belong to one. Bodies share no vertices.
    pub of_triangle: &'a [u32],
    /// Of each body whether the file calls it a solid.
    pub solid: &'a [bool],
}

impl Bodies<'_> {
    fn of(&self, triangle: u32) -> u32 {
        self.of_triangle.get(triangle as usize).copied().unwrap_or(0)
    }

    fn solid(&self, body: u32) -> bool {
        self.solid.get(body as usize).copied().unwrap_or(false)
    }
}

/// What came of it.
#[derive(Default)]
pub(super) struct Outwards {
    /// Whether all shells are closed.
    pub closed: bool,
    /// Open solids that faced inwards in the file and were turned, ascending.
    pub turned: Vec<u32>,
    /// Solids that are too open to tell, and stay as they are in the file, ascending.
    pub unsure: Vec<u32>,
}

/// Of the area of a shell no more than this may be missing where its volume is to tell its outside.
const MISSING_SHARE: f64 = 0.2;

/// Turns the triangles in place.
pub(super) fn outwards(
    vertices: &[Point],
    triangles: &mut [[u32; 3]],
    edges: &mut Edges,
    bodies: Bodies,
    side: Option<Side>,
    run: &Run,
) -> Result<Outwards, NominalError> {
    let (shell_of, turned) = agree(vertices, triangles, edges, run)?;
    let mut shells = shells(vertices, triangles, &shell_of);
    find_closed(triangles, edges, &shell_of, &turned, &mut shells);
    let mut out = Outwards { closed: shells.iter().all(|s| s.closed), ..Outwards::default() };
    let is_sheet = |s: &Shell| !s.closed && !bodies.solid(bodies.of(s.triangles[0]));
    if shells.iter().any(is_sheet) && side.is_none() {
        let first = edges.open.first().or_else(|| edges.crowded.first().map(|c| &c[0]));
        let near = first.map_or(vertices[0], |h| middle(vertices, triangles, *h));
        return Err(NominalError::SideNeeded { open_edges: edges.open.len(), near });
    }
    let mut open: Vec<Vec<HalfEdge>> = vec![Vec::new(); if out.closed { 0 } else { shells.len() }];
    for half in edges.open.iter().filter(|_| !out.closed) {
        open[shell_of[half.triangle()] as usize].push(*half);
    }
    let mut flip = turned;
    let area_of =
        |s: &Shell| -> f64 { s.triangles.iter().map(|&t| area(vertices, triangles[t as usize])).sum() };
    let areas: Vec<f64> = shells.iter().map(area_of).collect();
    let mut of_body: BTreeMap<u32, f64> = BTreeMap::new();
    for (shell, area) in shells.iter().zip(&areas) {
        *of_body.entry(bodies.of(shell.triangles[0])).or_default() += area;
    }
    // A piece that hangs by itself, such as the wall of a pocket, has no volume of its own to tell by.
    let is_most = |number: usize| areas[number] > 0.5 * of_body[&bodies.of(shells[number].triangles[0])];
    // Area that lost its winding in the file outweighs area that kept it: take the other one.
    let against = |shell: &Shell, flip: &[bool]| {
        let signed = |t: &u32| {
            let area = area(vertices, triangles[*t as usize]);
            if flip[*t as usize] { -area } else { area }
        };
        shell.triangles.iter().map(signed).sum::<f64>() < 0.0
    };
    // Whether an open piece of a solid is to be turned, where its volume tells: what is missing is closed by a cone to the middle
    // of the box; to any other place in the box it adds no more than a third of its area times half the diagonal.
    let by_volume = |number: usize, flip: &[bool]| -> Result<Option<bool>, NominalError> {
        let shell = &shells[number];
        let missing = missing_area(vertices, triangles, &open[number], flip);
        let volume = volume(vertices, triangles, shell, flip);
        let sure = missing <= MISSING_SHARE * areas[number]
            && volume.abs() > missing * shell.bounds.diagonal() / 6.0;
        if !sure {
            return Ok(None);
        }
        let inside_of = depth(vertices, triangles, flip, &shells, (number, bodies), run)?;
        Ok(Some((volume < 0.0) != (inside_of % 2 == 1)))
    };
    // Of each solid whose main piece is open: whether that is inside out in the file, as its volume tells.
    let mut inside_out: BTreeMap<u32, bool> = BTreeMap::new();
    for (number, shell) in shells.iter().enumerate().filter(|(n, s)| !s.closed && is_most(*n)) {
        let body = bodies.of(shell.triangles[0]);
        if bodies.solid(body)
            && let Some(told) = by_volume(number, &flip)?
        {
            inside_out.insert(body, told != against(shell, &flip));
        }
    }
    for (number, shell) in shells.iter().enumerate() {
        run.check()?;
        let body = bodies.of(shell.triangles[0]);
        let reverse = if shell.closed {
            let inside_of = depth(vertices, triangles, &flip, &shells, (number, bodies), run)?;
            let volume = volume(vertices, triangles, shell, &flip);
            let size = shell.bounds.diagonal();
            // Less than rounding of the coordinates makes of a flat shell.
            if volume.is_nan() || volume.abs() <= 1e-12 * size * size * size {
                return Err(NominalError::NoVolume {
                    near: vertices[triangles[shell.triangles[0] as usize][0] as usize],
                });
            }
            (volume < 0.0) != (inside_of % 2 == 1)
        } else {
            let against = against(shell, &flip);
            // All pieces of a solid as its main one, whatever the caller says of sheets.
            match (inside_out.get(&body), side) {
                (Some(turned), _) => {
                    if *turned {
                        out.turned.push(body);
                    }
                    against != *turned
                }
                (None, Some(side)) => against != (side == Side::InFrontOfNormal),
                (None, None) => {
                    if is_most(number) {
                        out.unsure.push(body);
                    }
                    against
                }
            }
        };
        if reverse {
            for &t in &shell.triangles {
                flip[t as usize] = !flip[t as usize];
            }
        }
    }
    for ((triangle, across), flip) in triangles.iter_mut().zip(&mut edges.across).zip(flip) {
        if flip {
            // Edges 0-1, 1-2, 2-0 of (a, c, b) are the old 2-0, 1-2, 0-1.
            triangle.swap(1, 2);
            across.swap(0, 2);
        }
    }
    for bodies in [&mut out.turned, &mut out.unsure] {
        bodies.sort_unstable();
        bodies.dedup();
    }
    Ok(out)
}

/// The areas that the open edges of a shell run round, mm2: of each chain of them that of the vector by which it would
/// be closed, so that holes on opposite sides do not make up for each other.
fn missing_area(vertices: &[Point], triangles: &[[u32; 3]], open: &[HalfEdge], flip: &[bool]) -> f64 {
    let mut number: BTreeMap<u32, u32> = BTreeMap::new();
    for v in open.iter().flat_map(|h| h.ends(triangles)) {
        let next = number.len() as u32;
        number.entry(v).or_insert(next);
    }
    let mut chains = Pieces::apart(number.len());
    for [a, b] in open.iter().map(|h| h.ends(triangles)) {
        chains.join(number[&a], number[&b]);
    }
    let (chain, count) = chains.numbered();
    let mut begin: Vec<Option<Point>> = vec![None; count];
    let mut sums = vec![Vector::zeros(); count];
    for half in open {
        let [a, b] = half.ends(triangles);
        let chain = chain[number[&a] as usize] as usize;
        let from = *begin[chain].get_or_insert(vertices[a as usize]);
        let around = (vertices[a as usize] - from).cross(&(vertices[b as usize] - from)) * 0.5;
        sums[chain] += if flip[half.triangle()] { -around } else { around };
    }
    sums.iter().map(Vector::norm).sum()
}

/// The shell of each triangle, in the order of their lowest triangles, and whether it must be turned.
fn agree(
    vertices: &[Point],
    triangles: &[[u32; 3]],
    edges: &Edges,
    run: &Run,
) -> Result<(Vec<u32>, Vec<bool>), NominalError> {
    const NONE: u32 = u32::MAX;
    let mut turned = vec![false; triangles.len()];
    if edges.agree {
        let mut shells = Pieces::apart(triangles.len());
        for (t, across) in (0u32..).zip(&edges.across) {
            if (t as usize).is_multiple_of(CHECK_EVERY) {
                run.check()?;
            }
            across.iter().flatten().filter(|&&other| other < t).for_each(|&other| shells.join(t, other));
        }
        return Ok((shells.numbered().0, turned));
    }
    let mut shell_of = vec![NONE; triangles.len()];
    let mut shells = 0;
    let mut stack = Vec::new();
    let mut visited = 0;
    for seed in 0..triangles.len() {
        if shell_of[seed] != NONE {
            continue;
        }
        shell_of[seed] = shells;
        stack.push(seed);
        while let Some(t) = stack.pop() {
            visited += 1;
            if visited % CHECK_EVERY == 0 {
                run.check()?;
            }
            for k in 0..3 {
                let Some(other) = edges.across[t][k] else { continue };
                let other = other as usize;
                let (a, b) = (triangles[t][k], triangles[t][(k + 1) % 3]);
                let o = triangles[other];
                // Neighbours that agree run along their common edge in opposite directions.
                let same_way = (0..3).any(|i| o[i] == a && o[(i + 1) % 3] == b);
                let turn = turned[t] != same_way;
                if shell_of[other] == NONE {
                    shell_of[other] = shells;
                    turned[other] = turn;
                    stack.push(other);
                } else if turned[other] != turn {
                    let near = nalgebra::center(&vertices[a as usize], &vertices[b as usize]);
                    return Err(NominalError::OneSided { near });
                }
            }
        }
        shells += 1;
    }
    Ok((shell_of, turned))
}

fn shells(vertices: &[Point], triangles: &[[u32; 3]], shell_of: &[u32]) -> Vec<Shell> {
    let count = shell_of.iter().max().map_or(0, |&m| m as usize + 1);
    if count == 1 {
        // Every vertex is one of a triangle.
        let triangles = (0..triangles.len() as u32).collect();
        return vec![Shell { triangles, closed: true, bounds: Aabb::of(vertices) }];
    }
    let mut shells: Vec<Shell> =
        (0..count).map(|_| Shell { triangles: vec![], closed: true, bounds: Aabb::empty() }).collect();
    for (t, &s) in shell_of.iter().enumerate() {
        let shell = &mut shells[s as usize];
        shell.triangles.push(t as u32);
        for &c in &triangles[t] {
            shell.bounds.add(&vertices[c as usize]);
        }
    }
    shells
}

/// A shell is closed when each of its edges is run along as often one way as the other.
fn find_closed(
    triangles: &[[u32; 3]],
    edges: &Edges,
    shell_of: &[u32],
    turned: &[bool],
    shells: &mut [Shell],
) {
    for half in &edges.open {
        shells[shell_of[half.triangle()] as usize].closed = false;
    }
    for crowd in &edges.crowded {
        for half in crowd {
            let shell = shell_of[half.triangle()];
            let balance: i64 = crowd
                .iter()
                .filter(|h| shell_of[h.triangle()] == shell)
                .map(|h| {
                    let [a, b] = h.ends(triangles);
                    if (a < b) != turned[h.triangle()] { 1 } else { -1 }
                })
                .sum();
            if balance != 0 {
                shells[shell as usize].closed = false;
            }
        }
    }
}

/// Enclosed volume by the divergence theorem, mm3; from the middle of the box, so that a far origin does
/// not cost digits.
fn volume(vertices: &[Point], triangles: &[[u32; 3]], shell: &Shell, flip: &[bool]) -> f64 {
    let from = shell.bounds.centre();
    let mut total = 0.0;
    for &t in &shell.triangles {
        let [a, b, c] = triangles[t as usize].map(|v| vertices[v as usize] - from);
        let part = a.dot(&b.cross(&c)) / 6.0;
        total += if flip[t as usize] { -part } else { part };
    }
    total
}

/// How many other shells of its body hold this one: closed ones, and open ones of a solid, which hold what is well within.
/// What lies in a cavity of another body, or in its material as an insert does, is no cavity.
fn depth(
    vertices: &[Point],
    triangles: &[[u32; 3]],
    flip: &[bool],
    shells: &[Shell],
    (number, bodies): (usize, Bodies),
    run: &Run,
) -> Result<usize, NominalError> {
    let body = bodies.of(shells[number].triangles[0]);
    let this = &shells[number].bounds;
    let p = vertices[triangles[shells[number].triangles[0] as usize][0] as usize];
    let mut count = 0;
    for (other_number, other) in shells.iter().enumerate() {
        let around = |a: usize| other.bounds.low[a] < this.low[a] && this.high[a] < other.bounds.high[a];
        let holds_any = other.closed || bodies.solid(body);
        let of_body = other_number != number && bodies.of(other.triangles[0]) == body;
        if of_body && holds_any && (0..3).all(around) {
            count += usize::from(holds(vertices, triangles, flip, other, &p, run)?);
        }
    }
    Ok(count)
}

/// Whether a closed shell holds a point: the solid angles of its triangles sum to a full sphere, or to
/// nothing outside. Van Oosterom and Strackee, "The Solid Angle of a Plane Triangle", IEEE Trans.
/// Biomed. Eng. 30(2), 1983, eq. (8), from memory.
fn holds(
    vertices: &[Point],
    triangles: &[[u32; 3]],
    flip: &[bool],
    shell: &Shell,
    p: &Point,
    run: &Run,
) -> Result<bool, NominalError> {
    let mut sum = 0.0;
    for (i, &t) in shell.triangles.iter().enumerate() {
        if i % CHECK_EVERY == 0 {
            run.check()?;
        }
        let [a, b, c] = triangles[t as usize].map(|v| vertices[v as usize] - p);
        let (la, lb, lc) = (a.norm(), b.norm(), c.norm());
        let angle = 2.0
            * math::atan2(
                a.dot(&b.cross(&c)),
                la * lb * lc + a.dot(&b) * lc + b.dot(&c) * la + c.dot(&a) * lb,
            );
        sum += if flip[t as usize] { -angle } else { angle };
    }
    Ok(sum.abs() > 2.0 * std::f64::consts::PI)
}

fn area(vertices: &[Point], t: [u32; 3]) -> f64 {
    let [a, b, c] = t.map(|v| vertices[v as usize]);
    0.5 * (b - a).cross(&(c - a)).norm()
}

fn middle(vertices: &[Point], triangles: &[[u32; 3]], half: HalfEdge) -> Point {
    let [a, b] = half.ends(triangles);
    nalgebra::center(&vertices[a as usize], &vertices[b as usize])
}
