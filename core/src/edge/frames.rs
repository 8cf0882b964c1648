//! Where a place lies beside a trimmed edge.

use crate::geometry::{Direction, Point, TriangleMesh, Vector};
use crate::nominal::{TrimmedEdge, WallHere};
use crate::search::SurfaceTree;

/// Pieces that turn by more than this meet in a corner of the line, rad.
const CORNER_RAD: f64 = std::f64::consts::PI / 6.0;

/// One piece of the line.
struct Piece {
    run: u32,
    from: Point,
    to: Point,
    /// Where it begins along its run, mm.
    start_mm: f64,
    along: Direction,
    normals: [Direction; 2],
    wall: Option<WallHere>,
}

/// The nominal edge's own axes at a place of it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Here {
    /// Which run.
    pub(super) run: u32,
    /// Place along it, mm.
    pub(super) along_mm: f64,
    /// The place itself.
    pub(super) place: Point,
    /// Along the line, the skin to its left.
    pub(super) along: Vector,
    /// Normal of the skin, out of the material.
    pub(super) up: Vector,
    /// In the skin, square to the line, out of the material.
    pub(super) out: Vector,
    pub(super) wall: Option<WallHere>,
}

/// A stretch of a run between two of its corners, without the strips beside them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Stretch {
    pub(super) run: u32,
    pub(super) from_mm: f64,
    pub(super) to_mm: f64,
    /// The whole of a closed run without corners.
    pub(super) closed: bool,
}

/// All pieces of a trimmed edge, ready to be asked.
pub(super) struct Frames {
    pieces: Vec<Piece>,
    /// First piece and length of each run, mm, and whether it closes.
    runs: Vec<(usize, f64, bool)>,
    tree: Option<SurfaceTree>,
}

impl Frames {
    pub(super) fn new(line: &TrimmedEdge) -> Self {
        let (mut pieces, mut runs) = (Vec::new(), Vec::new());
        for (r, run) in line.runs.iter().enumerate() {
            let mut own: Vec<Piece> = (0..run.pieces())
                .filter_map(|k| {
                    let [from, to] = run.piece(k);
                    let along = Direction::new(to - from)?;
                    let normals = [run.normals[k], run.normals[(k + 1) % run.normals.len()]];
                    let wall = run.walls[k];
                    Some(Piece { run: r as u32, from, to, start_mm: 0.0, along, normals, wall })
                })
                .collect();
            if run.closed {
                // It begins at a corner where it has one, so that no side is laid in two.
                let before = |k: usize| (k + own.len() - 1) % own.len();
                let corner =
                    (0..own.len()).find(|&k| own[before(k)].along.angle_to(own[k].along) > CORNER_RAD);
                own.rotate_left(corner.unwrap_or(0));
            }
            let mut start_mm = 0.0;
            for piece in &mut own {
                piece.start_mm = start_mm;
                start_mm += (piece.to - piece.from).norm();
            }
            runs.push((pieces.len(), start_mm, run.closed));
            pieces.extend(own);
        }
        let corners: Vec<Point> = pieces.iter().flat_map(|p| [p.from, p.to]).collect();
        let segments = (0..pieces.len() as u32).map(|k| [2 * k, 2 * k + 1, 2 * k + 1]).collect();
        let tree = TriangleMesh::new(corners, segments).ok().map(|mesh| SurfaceTree::new(&mesh));
        Self { pieces, runs, tree }
    }

    /// Length of a run, mm.
    pub(super) fn length_mm(&self, run: u32) -> f64 {
        self.runs[run as usize].1
    }

    /// The axes at a share of a piece.
    fn at(&self, piece: &Piece, share: f64) -> Here {
        let up = piece.normals[0].vector() * (1.0 - share) + piece.normals[1].vector() * share;
        let up = Direction::new(up).unwrap_or(piece.normals[0]).vector();
        let along = piece.along.vector();
        let out = Direction::new(along.cross(&up)).map_or_else(|| along.cross(&up), Direction::vector);
        Here {
            run: piece.run,
            along_mm: piece.start_mm + share * (piece.to - piece.from).norm(),
            place: piece.from + (piece.to - piece.from) * share,
            along,
            up,
            out,
            wall: piece.wall,
        }
    }

    /// The axes at a place of the line that is told by its distance along a run.
    pub(super) fn along(&self, run: u32, along_mm: f64) -> Option<Here> {
        let (first, _, _) = *self.runs.get(run as usize)?;
        let end = self.runs.get(run as usize + 1).map_or(self.pieces.len(), |r| r.0);
        let own = &self.pieces[first..end];
        let k = own.partition_point(|p| p.start_mm <= along_mm).checked_sub(1)?;
        let piece = own.get(k)?;
        let share = (along_mm - piece.start_mm) / (piece.to - piece.from).norm();
        Some(self.at(piece, share.clamp(0.0, 1.0)))
    }

    /// The axes at the nearest place of the line; `None` beyond `reach_mm` or beyond an end of the line.
    pub(super) fn nearest(&self, p: &Point, reach_mm: f64) -> Option<Here> {
        let foot = self.tree.as_ref()?.nearest(p, reach_mm)?;
        let piece = &self.pieces[foot.triangle as usize];
        let length = (piece.to - piece.from).norm();
        let share = ((foot.point - piece.from).norm() / length).clamp(0.0, 1.0);
        let here = self.at(piece, share);
        let (_, run_mm, closed) = self.runs[piece.run as usize];
        let at_end = !closed && (here.along_mm <= 1e-9 || here.along_mm >= run_mm - 1e-9);
        let beyond = (p - here.place).dot(&here.along).abs() > 1e-6 * reach_mm.max(1.0);
        (!(at_end && beyond)).then_some(here)
    }

    /// The stretches between corners, of which a strip is left out at either side.
    pub(super) fn stretches(&self, strip_mm: f64) -> Vec<Stretch> {
        let mut all = Vec::new();
        for (r, &(first, length, closed)) in self.runs.iter().enumerate() {
            let end = self.runs.get(r + 1).map_or(self.pieces.len(), |n| n.0);
            let own = &self.pieces[first..end];
            let turns = |k: usize| {
                let before = if k > 0 { Some(k - 1) } else { closed.then(|| own.len().saturating_sub(1)) };
                before.is_some_and(|b| own[b].along.angle_to(own[k].along) > CORNER_RAD)
            };
            let corners: Vec<f64> = (0..own.len()).filter(|&k| turns(k)).map(|k| own[k].start_mm).collect();
            let run = r as u32;
            let mut add = |from: f64, to: f64| {
                if to - from > 0.0 {
                    all.push(Stretch { run, from_mm: from, to_mm: to, closed: false });
                }
            };
            match (closed, corners.as_slice()) {
                (true, []) => all.push(Stretch { run, from_mm: 0.0, to_mm: length, closed: true }),
                (true, corners) => {
                    // The first of them is where the run begins and ends.
                    let ends = corners.iter().skip(1).copied().chain([length]);
                    for (from, to) in corners.iter().zip(ends) {
                        add(from + strip_mm, to - strip_mm);
                    }
                }
                (false, corners) => {
                    let mut from = 0.0;
                    for &c in corners {
                        add(from, c - strip_mm);
                        from = c + strip_mm;
                    }
                    add(from, length);
                }
            }
        }
        all
    }
}
