//! The loops of a face laid out in the parameters of its surface: unwrapped by continuity, closed at poles,
//! joined by a seam where they run round.

use super::chart::{Chart, Flat, signed_area};
use super::surfaces::{Pole, Surface};
use crate::geometry::{Direction, Point};
use crate::run::{Run, Stopped};

/// A corner of a polygon in the chart and the vertex it stands for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Corner {
    pub flat: Flat,
    pub vertex: u32,
}

/// What bounds a face in the chart.
#[derive(Clone, Debug, Default)]
pub(super) struct Layout {
    pub polygons: Vec<Vec<Corner>>,
    /// Vertices that lie on no edge: on seams and poles; they follow those of the loops.
    pub added: Vec<Point>,
    /// Distance of each vertex that the loops name from the surface, mm.
    pub gaps_mm: Vec<f64>,
    /// The surface's own normal at each of those; `None` at a pole.
    pub normals: Vec<Option<Direction>>,
}

/// Why loops cannot be laid out.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LayoutFault {
    /// A place of the boundary has no counterpart on the surface.
    #[error("a point of the boundary has no counterpart on the surface")]
    NoPlace,
    /// Loops that run round a closed surface and enclose nothing.
    #[error("{loops} loops run round the surface and enclose nothing together")]
    Open {
        /// How many run round.
        loops: usize,
    },
    /// No line between two loops keeps clear of the others.
    #[error("no seam between the two loops that run round keeps clear of the others")]
    NoSeam,
    /// The caller stopped.
    #[error("stopped by the caller")]
    Stopped,
}

impl From<Stopped> for LayoutFault {
    fn from(_: Stopped) -> Self {
        Self::Stopped
    }
}

/// A loop in scaled parameters; `wrap` is how often it runs round in each.
struct Laid {
    corners: Vec<Corner>,
    wrap: [i64; 2],
}

/// Corners that follow each other without a pole between, and the pole (with its vertex) before them.
type Chain = (Option<(u32, Pole)>, Vec<Corner>);

/// Places this near in one coordinate of the chart are on one line, mm: what iso-parametric edges of files
/// miss it by. Else slivers between nearly straight boundary points would stand off the surface like lids.
const ON_ONE_LINE_MM: f64 = 1e-5;
/// A corner this near to a pole is the pole, mm.
const AT_POLE_MM: f64 = 1e-5;

/// Lays out loops that run with the face to their left, seen from where u cross v points. `vertices` are the
/// places that the loops name; added vertices are numbered after them.
pub(super) fn lay_out<'s>(
    surface: &'s Surface,
    loops: &[Vec<u32>],
    vertices: &[Point],
    chord_mm: f64,
    run: &Run,
) -> Result<(Chart<'s>, Layout), LayoutFault> {
    let poles = surface.poles();
    let (scale, tight) = scale(surface, loops, vertices)?;
    let chart = Chart::Parameters { surface, scale };
    let periods = std::array::from_fn(|i| surface.periods()[i].map(|p| p * scale[i]));
    let mut layout = Layout {
        gaps_mm: vec![0.0; vertices.len()],
        normals: vec![None; vertices.len()],
        ..Layout::default()
    };
    let mut plain: Vec<Vec<Corner>> = Vec::new();
    let mut round: Vec<Laid> = Vec::new();
    for l in loops {
        let laid = unwrap(surface, (scale, periods), &poles, (l, vertices), &mut layout, run)?;
        if laid.wrap == [0, 0] { plain.push(laid.corners) } else { round.push(laid) }
    }
    align_on_lines(&mut plain, &mut round, tight);
    let mut maker = Maker { chart: &chart, periods, first: vertices.len(), chord_mm, layout: &mut layout };
    match round.len() {
        0 => {}
        1 => {
            let polygon = maker.up_to_pole(&round[0], &poles, scale)?;
            plain.insert(0, polygon);
        }
        2 => {
            let polygon = maker.joined(&round, &plain, run)?;
            plain.insert(0, polygon);
        }
        loops => return Err(LayoutFault::Open { loops }),
    }
    if periods != [None, None] {
        bring_inside(&mut plain, periods);
    }
    layout.polygons = plain;
    Ok((chart, layout))
}

/// A direction that bends less than the other is drawn together, so that triangles may be long where the
/// surface is straight; at most by this, so that none becomes a needle.
const TIGHTEST: f64 = 0.02;

/// What each parameter is multiplied by, and how much a mm is drawn together by it: the mean length of a step
/// over the boundary, times the root of how much the surface bends along it, the larger bend being 1. A
/// chord's error grows with the square of its length and with the bend, so that triangles of one shape in the
/// chart have even errors.
fn scale(
    surface: &Surface,
    loops: &[Vec<u32>],
    vertices: &[Point],
) -> Result<([f64; 2], [f64; 2]), LayoutFault> {
    let all: Vec<u32> = loops.iter().flatten().copied().collect();
    let every = (all.len() / 32).max(1);
    let (mut step, mut bend, mut count, mut near) = ([0.0; 2], [0.0_f64; 2], 0.0, None);
    for v in all.iter().step_by(every) {
        let found = surface.parameters_of(&vertices[*v as usize], near).ok_or(LayoutFault::NoPlace)?;
        near = Some(found);
        let jet = surface.jet(found.0, found.1);
        step[0] += jet.u.norm();
        step[1] += jet.v.norm();
        count += 1.0;
        if let Some(normal) = Direction::new(jet.u.cross(&jet.v)) {
            for (i, (d, dd)) in [(jet.u, jet.uu), (jet.v, jet.vv)].into_iter().enumerate() {
                bend[i] += normal.vector().dot(&dd).abs() / d.norm_squared();
            }
        }
    }
    let largest = bend[0].max(bend[1]);
    let tight = bend.map(|b| if largest > 1e-9 { (b / largest).sqrt().clamp(TIGHTEST, 1.0) } else { 1.0 });
    let length = step.map(|s| if s / count > 1e-9 { s / count } else { 1.0 });
    let scale = [length[0] * tight[0], length[1] * tight[1]];
    if scale.iter().all(|s| s.is_finite()) { Ok((scale, tight)) } else { Err(LayoutFault::NoPlace) }
}

/// Follows a loop from corner to corner, always by the shortest way.
fn unwrap(
    surface: &Surface,
    (scale, periods): ([f64; 2], [Option<f64>; 2]),
    poles: &[Pole],
    (l, vertices): (&[u32], &[Point]),
    layout: &mut Layout,
    run: &Run,
) -> Result<Laid, LayoutFault> {
    let pole_at = |v: u32| {
        let p = vertices[v as usize];
        poles.iter().find(|pole| (pole.place - p).norm() < AT_POLE_MM)
    };
    // Begin at a pole where there is one, so that chains between poles are whole.
    let begin = l.iter().position(|v| pole_at(*v).is_some()).unwrap_or(0);
    let order = l[begin..].iter().chain(&l[..begin]);
    let nearest = |flat: Flat, to: Flat| -> Flat {
        std::array::from_fn(|i| match periods[i] {
            Some(p) => flat[i] + ((to[i] - flat[i]) / p).round() * p,
            None => flat[i],
        })
    };
    let mut chains: Vec<Chain> = Vec::new();
    let (mut last, mut near): (Option<Flat>, _) = (None, None);
    for &vertex in order {
        // One search on a large freeform surface may take a millisecond.
        run.check()?;
        if let Some(pole) = pole_at(vertex) {
            chains.push((Some((vertex, *pole)), Vec::new()));
            near = None;
            continue;
        }
        let p = vertices[vertex as usize];
        let (u, v) = surface.parameters_of(&p, near).ok_or(LayoutFault::NoPlace)?;
        near = Some((u, v));
        let jet = surface.jet(u, v);
        layout.gaps_mm[vertex as usize] = (jet.p - p).norm();
        layout.normals[vertex as usize] = Direction::new(jet.u.cross(&jet.v));
        let mut flat = [u * scale[0], v * scale[1]];
        if let Some(last) = last {
            flat = nearest(flat, last);
        }
        last = Some(flat);
        if chains.is_empty() {
            chains.push((None, Vec::new()));
        }
        if let Some((_, chain)) = chains.last_mut() {
            chain.push(Corner { flat, vertex });
        }
    }
    let mut wrap = [0; 2];
    if let [(None, chain)] = &chains[..]
        && let (Some(first), Some(last)) = (chain.first(), chain.last())
    {
        let again = nearest(first.flat, last.flat);
        wrap = std::array::from_fn(|i| {
            periods[i].map_or(0, |p| ((again[i] - first.flat[i]) / p).round() as i64)
        });
        return Ok(Laid { corners: chain.clone(), wrap });
    }
    let corners = through_poles(&chains, scale);
    // Two chains between two poles a whole turn apart look as if they were one line.
    let filled: Vec<usize> = (0..chains.len()).filter(|i| !chains[*i].1.is_empty()).collect();
    if let [_, second] = filled[..]
        && let Some((_, pole)) = chains[second].0
        && let Some(period) = periods[pole.free]
    {
        let area = |c: &[Corner]| signed_area(&c.iter().map(|c| c.flat).collect::<Vec<_>>());
        if area(&corners) < ON_ONE_LINE_MM * TIGHTEST * period {
            for shift in [period, -period] {
                let mut other = chains.clone();
                other[second].1.iter_mut().for_each(|c| c.flat[pole.free] += shift);
                let other = through_poles(&other, scale);
                if area(&other) > ON_ONE_LINE_MM * TIGHTEST * period {
                    return Ok(Laid { corners: other, wrap });
                }
            }
        }
    }
    Ok(Laid { corners, wrap })
}

/// Joins chains: at a pole the way leads along the side that is one place.
fn through_poles(chains: &[Chain], scale: [f64; 2]) -> Vec<Corner> {
    let mut corners: Vec<Corner> = Vec::new();
    let filled: Vec<usize> = (0..chains.len()).filter(|i| !chains[*i].1.is_empty()).collect();
    for (n, &i) in filled.iter().enumerate() {
        let (pole, chain) = &chains[i];
        if let Some((vertex, pole)) = pole {
            let before = &chains[filled[(n + filled.len() - 1) % filled.len()]].1;
            let from = before[before.len() - 1].flat[pole.free];
            corners.extend(side(*pole, *vertex, from, chain[0].flat[pole.free], scale));
        }
        corners.extend(chain);
    }
    corners
}

/// Corners along a side that is one place, so that triangles there are short.
fn side(pole: Pole, vertex: u32, from: f64, to: f64, scale: [f64; 2]) -> Vec<Corner> {
    const STEPS: i32 = 16;
    let other = pole.other * scale[1 - pole.free];
    (0..=STEPS)
        .map(|i| {
            let mut flat = [other; 2];
            flat[pole.free] = from + (to - from) * (f64::from(i) / f64::from(STEPS));
            Corner { flat, vertex }
        })
        .collect()
}

/// Brings coordinates that differ by rounding only onto one value.
fn align_on_lines(plain: &mut [Vec<Corner>], round: &mut [Laid], tight: [f64; 2]) {
    let mut corners: Vec<&mut Corner> =
        plain.iter_mut().flatten().chain(round.iter_mut().flat_map(|l| &mut l.corners)).collect();
    for i in 0..2 {
        corners.sort_by(|a, b| a.flat[i].total_cmp(&b.flat[i]));
        let mut line = f64::NEG_INFINITY;
        for c in &mut corners {
            if c.flat[i] - line < ON_ONE_LINE_MM * tight[i] {
                c.flat[i] = line;
            } else {
                line = c.flat[i];
            }
        }
    }
}

/// Corners from which a seam is tried; all of them where a loop has no more.
const SEAM_TRIES: usize = 1024;

struct Maker<'a, 's> {
    chart: &'a Chart<'s>,
    periods: [Option<f64>; 2],
    first: usize,
    chord_mm: f64,
    layout: &'a mut Layout,
}

impl Maker<'_, '_> {
    fn add(&mut self, p: Point) -> u32 {
        self.layout.added.push(p);
        // Far fewer than 2^32: loops are limited.
        (self.first + self.layout.added.len() - 1) as u32
    }

    fn whole(&self, wrap: [i64; 2]) -> Flat {
        std::array::from_fn(|i| wrap[i] as f64 * self.periods[i].unwrap_or(0.0))
    }

    /// A loop round a cap: up at its beginning to the pole, along the pole and down again.
    fn up_to_pole(&mut self, l: &Laid, poles: &[Pole], scale: [f64; 2]) -> Result<Vec<Corner>, LayoutFault> {
        let open = LayoutFault::Open { loops: 1 };
        let free = usize::from(l.wrap[0] == 0);
        let mean = l.corners.iter().map(|c| c.flat[1 - free]).sum::<f64>() / l.corners.len() as f64;
        // To the left of growing u lies greater v; to the left of growing v lies smaller u.
        let up = (l.wrap[free] > 0) == (free == 0);
        let mut candidates: Vec<&Pole> = poles.iter().filter(|p| p.free == free).collect();
        candidates.sort_by_key(|p| (p.other * scale[1 - free] > mean) != up);
        let pole = candidates.first().ok_or(open)?;
        let whole = self.whole(l.wrap);
        let begin = l.corners[0];
        let end = Corner { flat: [begin.flat[0] + whole[0], begin.flat[1] + whole[1]], ..begin };
        let vertex = self.add(pole.place);
        let mut top = end.flat;
        top[1 - free] = pole.other * scale[1 - free];
        let rise = self.seam(end.flat, top, whole);
        let mut polygon = l.corners.clone();
        polygon.push(end);
        polygon.extend(rise.iter().map(|(far, _)| *far));
        polygon.extend(side(**pole, vertex, end.flat[free], begin.flat[free], scale));
        polygon.extend(rise.iter().rev().map(|(_, near)| *near));
        Ok(polygon)
    }

    /// Corners along a straight line in the chart, without its ends, and the same less a whole turn; near
    /// enough that chords lie within their error.
    fn seam(&mut self, from: Flat, to: Flat, whole: Flat) -> Vec<(Corner, Corner)> {
        let at = |f: f64| [from[0] + (to[0] - from[0]) * f, from[1] + (to[1] - from[1]) * f];
        let mut steps = 1_u32;
        while steps < 1 << 16 {
            let f = |i: u32| at(f64::from(i) / f64::from(steps));
            let error = |i| {
                let (a, b) = (f(i), f(i + 1));
                self.chart.chord_error((a, self.chart.lift(a)), (b, self.chart.lift(b)))
            };
            if (0..steps).map(error).fold(0.0, f64::max) <= self.chord_mm {
                break;
            }
            steps *= 2;
        }
        (1..steps)
            .map(|i| {
                let flat = at(f64::from(i) / f64::from(steps));
                let vertex = self.add(self.chart.lift(flat));
                let near = [flat[0] - whole[0], flat[1] - whole[1]];
                (Corner { flat, vertex }, Corner { flat: near, vertex })
            })
            .collect()
    }

    /// Two loops that run round in opposite senses, joined by a seam.
    fn joined(
        &mut self,
        round: &[Laid],
        plain: &[Vec<Corner>],
        run: &Run,
    ) -> Result<Vec<Corner>, LayoutFault> {
        let [a, b] = round else { return Err(LayoutFault::Open { loops: round.len() }) };
        if a.wrap != b.wrap.map(|w| -w) {
            return Err(LayoutFault::Open { loops: 2 });
        }
        // The first loop grows along the parameter it runs round.
        let along = usize::from(a.wrap[0] == 0);
        let (a, b) = if a.wrap[along] > 0 { (a, b) } else { (b, a) };
        let whole = self.whole(a.wrap);
        let mut other = b.corners.clone();
        if let Some(period) = self.periods[1 - along] {
            // On a torus the face is what lies to the left of the first loop up to the second.
            let mean = |c: &[Corner]| c.iter().map(|c| c.flat[1 - along]).sum::<f64>() / c.len() as f64;
            let up = mean(&other) - mean(&a.corners);
            let wanted = if along == 0 {
                up - (up / period).floor() * period
            } else {
                up - (up / period).ceil() * period
            };
            other.iter_mut().for_each(|c| c.flat[1 - along] += wanted - up);
        }
        let n = a.corners.len();
        // For a corner of the first loop the nearest of the second, a whole turn away or not.
        let nearest = |i: usize| {
            let p = &a.corners[i];
            let mut best = (f64::INFINITY, i, 0, 0.0);
            for (j, q) in other.iter().enumerate() {
                let turns = ((p.flat[along] - q.flat[along]) / whole[along]).round();
                let d = [0, 1].map(|k| q.flat[k] + turns * whole[k] - p.flat[k]);
                let far = d[0] * d[0] + d[1] * d[1];
                if far < best.0 {
                    best = (far, i, j, turns);
                }
            }
            best
        };
        let step = n.div_ceil(SEAM_TRIES);
        let mut pairs: Vec<(f64, usize, usize, f64)> = (0..n).step_by(step).map(nearest).collect();
        pairs.sort_by(|x, y| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1)));
        let mut walls: Vec<(Flat, Flat)> = Vec::new();
        for l in plain.iter().map(Vec::as_slice) {
            walls.extend((0..l.len()).map(|i| (l[i].flat, l[(i + 1) % l.len()].flat)));
        }
        for (l, sense) in [(&a.corners, 1.0), (&other, -1.0)] {
            walls.extend(l.windows(2).map(|w| (w[0].flat, w[1].flat)));
            let (first, last) = (l[0].flat, l[l.len() - 1].flat);
            walls.push((last, [first[0] + sense * whole[0], first[1] + sense * whole[1]]));
        }
        for (_, i, j, turns) in pairs {
            run.check()?;
            let p = a.corners[i].flat;
            let q = [0, 1].map(|k| other[j].flat[k] + turns * whole[k]);
            let clear = walls.iter().all(|(c, d)| {
                (-2..=2).all(|t| {
                    let t = f64::from(t);
                    let shift = |x: &Flat| [x[0] + t * whole[0], x[1] + t * whole[1]];
                    !crosses(p, q, shift(c), shift(d))
                })
            });
            if !clear {
                continue;
            }
            let shifted =
                |c: &Corner, by: f64| Corner { flat: [0, 1].map(|k| c.flat[k] + by * whole[k]), ..*c };
            let mut polygon: Vec<Corner> = a.corners[i..].to_vec();
            polygon.extend(a.corners[..=i].iter().map(|c| shifted(c, 1.0)));
            debug_assert_eq!(polygon.len(), n + 1);
            let far = [0, 1].map(|k| p[k] + whole[k]);
            let to = [0, 1].map(|k| q[k] + whole[k]);
            let seam = self.seam(far, to, whole);
            polygon.extend(seam.iter().map(|(far, _)| *far));
            polygon.extend(other[j..].iter().map(|c| shifted(c, turns + 1.0)));
            polygon.extend(other[..=j].iter().map(|c| shifted(c, turns)));
            polygon.extend(seam.iter().rev().map(|(_, near)| *near));
            return Ok(polygon);
        }
        Err(LayoutFault::NoSeam)
    }
}

/// Whether two segments meet anywhere but in a common end.
fn crosses(a: Flat, b: Flat, c: Flat, d: Flat) -> bool {
    if (a == c || a == d) && (b == c || b == d) {
        return true;
    }
    let side = |p: Flat, q: Flat, r: Flat| (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]);
    let between = |p: Flat, q: Flat, r: Flat| {
        let d = [q[0] - p[0], q[1] - p[1]];
        let along = (r[0] - p[0]) * d[0] + (r[1] - p[1]) * d[1];
        along > 0.0 && along < d[0] * d[0] + d[1] * d[1]
    };
    let (s1, s2, s3, s4) = (side(a, b, c), side(a, b, d), side(c, d, a), side(c, d, b));
    let shared = a == c || a == d || b == c || b == d;
    if !shared && s1 * s2 < 0.0 && s3 * s4 < 0.0 {
        return true;
    }
    (s1 == 0.0 && between(a, b, c))
        || (s2 == 0.0 && between(a, b, d))
        || (s3 == 0.0 && between(c, d, a))
        || (s4 == 0.0 && between(c, d, b))
}

/// Moves the loops of holes by whole turns into the largest loop.
fn bring_inside(plain: &mut [Vec<Corner>], periods: [Option<f64>; 2]) {
    let area = |l: &[Corner]| signed_area(&l.iter().map(|c| c.flat).collect::<Vec<_>>()).abs();
    let mut largest = 0;
    for i in 1..plain.len() {
        if area(&plain[i]) > area(&plain[largest]) {
            largest = i;
        }
    }
    let Some(outer) = plain.get(largest).cloned() else { return };
    let turns =
        |i: usize| periods[i].map_or(vec![0.0], |p| [0.0, 1.0, -1.0, 2.0, -2.0].map(|k| k * p).to_vec());
    for (n, l) in plain.iter_mut().enumerate() {
        if n == largest {
            continue;
        }
        let mut best = (0, [0.0; 2]);
        for du in turns(0) {
            for dv in turns(1) {
                let step = (l.len() / 16).max(1);
                let inside = |c: &&Corner| is_inside([c.flat[0] + du, c.flat[1] + dv], &outer);
                let count = l.iter().step_by(step).filter(inside).count();
                if count > best.0 {
                    best = (count, [du, dv]);
                }
            }
        }
        for c in l {
            c.flat = [c.flat[0] + best.1[0], c.flat[1] + best.1[1]];
        }
    }
}

/// Whether a ray from the place crosses the polygon an odd number of times.
fn is_inside(p: Flat, polygon: &[Corner]) -> bool {
    let mut inside = false;
    for i in 0..polygon.len() {
        let (a, b) = (polygon[i].flat, polygon[(i + 1) % polygon.len()].flat);
        if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < a[0] + (p[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0]) {
            inside = !inside;
        }
    }
    inside
}
