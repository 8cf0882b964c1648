//! The joint between a line of one part and the trimmed edge of its neighbour, both nominal and in one system of axes.
//!
//! At a place of the line the neighbour's edge is taken where the plane square to the line there meets it. Gap and step are
//! the trade's words (common practice, no source); what they mean here is said at [`Joint`].

use super::TrimmedEdge;
use crate::geometry::{Direction, Point, Vector};

/// Edges further apart than this make no joint, mm: joints of panels are some millimetres wide. Common practice, no source.
pub const FURTHEST_JOINT_MM: f64 = 50.0;

/// The neighbour's edge faces the line, and its skin the way the line's skin does, within 60 degrees.
const FACES: f64 = 0.5;

/// Pieces that are looked at together.
const BLOCK: usize = 32;

/// A place of a line, with the axes of its skin there: all three square to each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LinePlace {
    /// The place, mm.
    pub place: Point,
    /// Along the line.
    pub along: Direction,
    /// In the skin, square to the line, out of the material.
    pub outward: Direction,
    /// Out of the skin.
    pub up: Direction,
}

/// The neighbour's edge beside a place of a line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Joint {
    /// From the line to the neighbour's edge along the line's outward direction, mm; negative where they overlap.
    pub gap_mm: f64,
    /// How much higher the line lies than the neighbour's edge, along the line's own skin normal, mm; positive where the line
    /// stands proud of the neighbour, further out of its skin.
    pub step_mm: f64,
    /// The neighbour's edge, mm.
    pub at: Point,
}

/// A straight piece of the neighbour's edge.
struct Piece {
    from: Point,
    to: Point,
    /// In the neighbour's skin, square to its edge, out of its material.
    outward: Vector,
    /// Out of the neighbour's skin.
    up: Vector,
}

/// The edges of a neighbour's skin, ready to be asked.
pub struct NeighbourEdges {
    pieces: Vec<Piece>,
    /// A ball round each block of pieces: its middle and radius, mm.
    blocks: Vec<(Point, f64)>,
}

impl LinePlace {
    /// From the direction along a line and the normal of its skin, which need not be quite square; `None` where they are
    /// parallel.
    pub fn new(place: Point, along: Direction, normal: Direction) -> Option<Self> {
        let outward = Direction::new(along.vector().cross(&normal.vector()))?;
        let up = Direction::new(outward.vector().cross(&along.vector()))?;
        Some(Self { place, along, outward, up })
    }
}

impl NeighbourEdges {
    /// The edges of a skin.
    pub fn new(edges: &TrimmedEdge) -> Self {
        let mut pieces = Vec::new();
        for run in &edges.runs {
            for k in 0..run.pieces() {
                let [from, to] = run.piece(k);
                let middle = run.normals[k].vector() + run.normals[(k + 1) % run.normals.len()].vector();
                let normal = Direction::new(middle).unwrap_or(run.normals[k]);
                let axes = Direction::new(to - from).and_then(|along| LinePlace::new(from, along, normal));
                let Some(axes) = axes else { continue };
                pieces.push(Piece { from, to, outward: axes.outward.vector(), up: axes.up.vector() });
            }
        }
        let ball = |of: &[Piece]| {
            let places: Vec<Point> = of.iter().flat_map(|p| [p.from, p.to]).collect();
            let bounds = crate::geometry::Aabb::of(&places);
            (bounds.centre(), 0.5 * bounds.diagonal())
        };
        let blocks = pieces.chunks(BLOCK).map(ball).collect();
        Self { pieces, blocks }
    }

    /// The neighbour's edge beside a place: of those that the plane square to the line meets, that face it and whose skin
    /// faces the same way, the nearest; the first of equals. `None` where none lies within [`FURTHEST_JOINT_MM`].
    pub fn joint(&self, here: &LinePlace) -> Option<Joint> {
        let (along, outward, up) = (here.along.vector(), here.outward.vector(), here.up.vector());
        let mut best: Option<(f64, Joint)> = None;
        for (block, (middle, radius)) in self.blocks.iter().enumerate() {
            let off = middle - here.place;
            let room = radius + 1e-6;
            if off.dot(&along).abs() > room || off.norm() > FURTHEST_JOINT_MM + room {
                continue;
            }
            let pieces = &self.pieces[block * BLOCK..((block + 1) * BLOCK).min(self.pieces.len())];
            for piece in pieces {
                if piece.outward.dot(&outward) > -FACES || piece.up.dot(&up) < FACES {
                    continue;
                }
                let [a, b] = [piece.from, piece.to].map(|p| (p - here.place).dot(&along));
                // Zero counts as behind, so that a corner between two pieces is met once.
                if (a <= 0.0) == (b <= 0.0) {
                    continue;
                }
                let at = piece.from + (piece.to - piece.from) * (a / (a - b));
                let way = at - here.place;
                let (gap_mm, below_mm) = (way.dot(&outward), way.dot(&up));
                let far = (gap_mm * gap_mm + below_mm * below_mm).sqrt();
                if far <= FURTHEST_JOINT_MM && best.is_none_or(|(least, _)| far < least) {
                    best = Some((far, Joint { gap_mm, step_mm: -below_mm, at }));
                }
            }
        }
        best.map(|(_, joint)| joint)
    }

    /// The joints beside a line, near both ends and in the middle of each of its straight pieces, in their order.
    pub fn beside(&self, line: &TrimmedEdge) -> Vec<Option<Joint>> {
        let mut all = Vec::new();
        for run in &line.runs {
            for k in 0..run.pieces() {
                let [from, to] = run.piece(k);
                let Some(along) = Direction::new(to - from) else { continue };
                for share in [0.01, 0.5, 0.99] {
                    let place = from + (to - from) * share;
                    all.push(LinePlace::new(place, along, run.normals[k]).and_then(|l| self.joint(&l)));
                }
            }
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Motion, PartFrame, math};
    use crate::nominal::TrimmedRun;

    /// A skin's edge along x at y = `gap`, `step` lower than the line, its material beyond.
    fn neighbour(gap: f64, step: f64) -> TrimmedEdge {
        // The skin lies to the left of its edge: with z out of it, left of +x is +y.
        let places = vec![Point::new(-40.0, gap, -step), Point::new(40.0, gap, -step)];
        let run = TrimmedRun { places, normals: vec![Direction::Z; 2], walls: vec![None; 2], closed: false };
        TrimmedEdge { runs: vec![run], ..TrimmedEdge::default() }
    }

    /// The line along -x at y = 0, its material at smaller y.
    fn here(x: f64) -> LinePlace {
        LinePlace::new(Point::new(x, 0.0, 0.0), Direction::X.reversed(), Direction::Z).unwrap()
    }

    #[test]
    fn a_gap_and_a_step_are_those_that_were_made_and_an_overlap_is_negative() {
        for (gap, step) in [(4.0, 0.0), (4.0, 0.7), (0.5, -1.2), (0.0, 0.0), (-2.0, 0.3)] {
            let found = NeighbourEdges::new(&neighbour(gap, step)).joint(&here(3.0)).unwrap();
            assert!((found.gap_mm - gap).abs() < 1e-12 && (found.step_mm - step).abs() < 1e-12, "{found:?}");
            assert!((found.at.x - 3.0).abs() < 1e-12);
        }
    }

    #[test]
    fn what_is_too_far_ends_before_or_faces_away_makes_no_joint() {
        let near = NeighbourEdges::new(&neighbour(4.0, 0.0));
        assert!(near.joint(&here(41.0)).is_none());
        assert!(NeighbourEdges::new(&neighbour(50.1, 0.0)).joint(&here(0.0)).is_none());
        assert!(NeighbourEdges::new(&neighbour(40.0, 31.0)).joint(&here(0.0)).is_none());
        let mut away = neighbour(4.0, 0.0);
        away.runs[0].places.reverse();
        assert!(NeighbourEdges::new(&away).joint(&here(0.0)).is_none(), "its other edge faces away");
        let mut turned = neighbour(4.0, 0.0);
        turned.runs[0].normals = vec![Direction::Y; 2];
        assert!(NeighbourEdges::new(&turned).joint(&here(0.0)).is_none());
        assert!(NeighbourEdges::new(&TrimmedEdge::default()).joint(&here(0.0)).is_none());
    }

    /// A skin with many pieces: of the edges that face the line the nearest counts, whatever block it lies in.
    #[test]
    fn the_nearest_of_many_edges_is_taken_and_motion_changes_nothing() {
        let mut all = TrimmedEdge::default();
        for k in (0..200).rev() {
            let x = -50.0 + 0.5 * f64::from(k);
            let wave = |x: f64| 5.0 + math::sin(0.2 * x);
            let places = vec![Point::new(x, wave(x), 0.25), Point::new(x + 0.5, wave(x + 0.5), 0.25)];
            let normals = vec![Direction::Z; 2];
            all.runs.push(TrimmedRun { places, normals, walls: vec![None; 2], closed: false });
        }
        all.runs.extend(neighbour(20.0, 0.0).runs);
        let turn: Motion<PartFrame, PartFrame> = Motion::turn_about(
            Point::new(7.0, 1.0, -4.0),
            Vector::new(0.3, -0.8, 1.1),
            Vector::new(90.0, -7.0, 1e3),
        );
        let mut moved = all.clone();
        for run in &mut moved.runs {
            run.places = run.places.iter().map(|p| turn.point(p)).collect();
            run.normals = run.normals.iter().map(|n| turn.direction(*n)).collect();
        }
        let (still, moved) = (NeighbourEdges::new(&all), NeighbourEdges::new(&moved));
        for k in 0..60 {
            let line = here(-29.77 + f64::from(k));
            let found = still.joint(&line).unwrap();
            assert!((found.gap_mm - 5.0 - math::sin(0.2 * line.place.x)).abs() < 2e-3, "{found:?}");
            assert!((found.step_mm + 0.25).abs() < 1e-12);
            let there =
                LinePlace::new(turn.point(&line.place), turn.direction(line.along), turn.direction(line.up));
            let again = moved.joint(&there.unwrap()).unwrap();
            assert!(
                (again.gap_mm - found.gap_mm).abs() < 1e-9 && (again.step_mm - found.step_mm).abs() < 1e-9
            );
        }
    }
}
