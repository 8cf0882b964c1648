//! Freedoms of a rigid part in words.
//!
//! A free motion is a twist (shift and turn); what a lock takes is a wrench (the force and the moment it can bear).
//! Both are screws, and each is the other with force and turn exchanged: Ball, A Treatise on the Theory of Screws,
//! 1900, chapters I to III, from memory. So one procedure puts both into words.

use super::{Six, dot, length};
use crate::geometry::{Point, Vector};

/// One freedom of the part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Freedom {
    /// `tx`, `ty`, `tz` for a shift along an axis of the part, `rx`, `ry`, `rz` for a turn about it, wherever it
    /// lies; `None` for a mixed or slanting one.
    pub code: Option<&'static str>,
    /// In words, as after "the part can still": `shift along y`, `turn about z through (35.0, 120.0, 0.0) mm`.
    pub words: String,
}

const AXES: [&str; 3] = ["x", "y", "z"];
const SHIFTS: [&str; 3] = ["tx", "ty", "tz"];
const TURNS: [&str; 3] = ["rx", "ry", "rz"];

/// Numbers of unit size below this are rounding; nothing is decided by it but words.
const NOTHING: f64 = 1e-6;

/// The motions of a free subspace, pure shifts first, then turns about lines.
pub(super) fn left_free(free: &[Six], centre: Point, spread: f64) -> Vec<Freedom> {
    let split: Vec<(Vector, Vector)> = free.iter().map(|z| (turn(z) / spread, shift(z))).collect();
    screws(&split, 1.0 / spread)
        .into_iter()
        .map(|screw| match screw {
            Screw::Free(along) => {
                let axis = axis(&along);
                Freedom {
                    code: axis.map(|i| SHIFTS[i]),
                    words: format!("shift along {}", named(axis, &along)),
                }
            }
            Screw::Line { along, foot, pitch } => {
                let axis = axis(&along);
                let place = place(centre + foot);
                let turn = format!("turn about {} through {place}", named(axis, &along));
                if pitch.abs() <= NOTHING * spread {
                    Freedom { code: axis.map(|i| TURNS[i]), words: turn }
                } else {
                    Freedom {
                        code: None,
                        words: format!("{turn} while shifting along it by {pitch:.3} mm per rad"),
                    }
                }
            }
        })
        .collect()
}

/// What the motions `held` lock beyond those locked `before`: the part's own axes where they say it, otherwise
/// the lines along which they bear.
pub(super) fn locked(before: &[Six], held: &[Six], centre: Point, spread: f64) -> Vec<Freedom> {
    let together: Vec<Six> = before.iter().chain(held).copied().collect();
    let share = |space: &[Six], k: usize| space.iter().map(|z| z[k] * z[k]).sum::<f64>();
    let mut said = Vec::new();
    let mut taken: Vec<Six> = Vec::new();
    for k in 0..6 {
        if taken.len() == held.len()
            || share(&together, k) < 1.0 - NOTHING
            || share(before, k) >= 1.0 - NOTHING
        {
            continue;
        }
        // Its part within `held`, and only if that is something new.
        let inside: Six = std::array::from_fn(|j| held.iter().map(|z| z[k] * z[j]).sum());
        if let Some(new) = beyond(&inside, &taken) {
            taken.push(new);
            let (i, about) = (k % 3, k >= 3);
            let words = format!("{} {}", if about { "turn about" } else { "shift along" }, AXES[i]);
            said.push(Freedom { code: Some(if about { TURNS[i] } else { SHIFTS[i] }), words });
        }
    }
    let mut rest: Vec<Six> = Vec::new();
    for z in held {
        let so_far: Vec<Six> = taken.iter().chain(&rest).copied().collect();
        if taken.len() + rest.len() < held.len() {
            rest.extend(beyond(z, &so_far));
        }
    }
    let split: Vec<(Vector, Vector)> = rest.iter().map(|z| (shift(z), turn(z) * spread)).collect();
    said.extend(screws(&split, 1.0).into_iter().map(|screw| match screw {
        Screw::Free(along) => {
            let axis = axis(&along);
            Freedom { code: axis.map(|i| TURNS[i]), words: format!("turn about {}", named(axis, &along)) }
        }
        Screw::Line { along, foot, pitch } => {
            let words = format!("shift along {} at {}", named(axis(&along), &along), place(centre + foot));
            let mixed = pitch.abs() > NOTHING * spread;
            let words = if mixed { format!("{words} with a turn about it") } else { words };
            Freedom { code: None, words }
        }
    }));
    said
}

/// A unit vector along what `v` has beyond `space`, unless that is rounding.
fn beyond(v: &Six, space: &[Six]) -> Option<Six> {
    let mut rest = *v;
    for _ in 0..2 {
        for z in space {
            let along = dot(&rest, z);
            for k in 0..6 {
                rest[k] -= along * z[k];
            }
        }
    }
    let size = length(&rest);
    (size > 1e-3 * length(v) && size > NOTHING).then(|| rest.map(|x| x / size))
}

enum Screw {
    /// Without a line: a pure shift, or a pure moment.
    Free(Vector),
    /// About or along a line whose foot from the centre is given; pitch in mm.
    Line { along: Vector, foot: Vector, pitch: f64 },
}

/// Splits a space of pairs (line vector, free vector) into pure free vectors and lines, along the part's axes where
/// the space allows it. `unit` is the size of a line vector that counts.
fn screws(pairs: &[(Vector, Vector)], unit: f64) -> Vec<Screw> {
    let mut rest: Vec<(Vector, Vector)> = pairs.to_vec();
    // Gauss-Jordan on the line vectors, the largest pivot first: what is left without one is free.
    let mut lines: Vec<(usize, (Vector, Vector))> = Vec::new();
    loop {
        let mut best = (0usize, 0usize, NOTHING * unit);
        for (r, pair) in rest.iter().enumerate() {
            for k in 0..3 {
                if pair.0[k].abs() > best.2 && lines.iter().all(|l| l.0 != k) {
                    best = (r, k, pair.0[k].abs());
                }
            }
        }
        if best.2 <= NOTHING * unit {
            break;
        }
        let (a, b) = rest.swap_remove(best.0);
        let pivot = a[best.1];
        let row = (a / pivot, b / pivot);
        let clear = |pair: &mut (Vector, Vector)| {
            let factor = pair.0[best.1];
            pair.0 -= row.0 * factor;
            pair.1 -= row.1 * factor;
        };
        rest.iter_mut().for_each(clear);
        lines.iter_mut().for_each(|l| clear(&mut l.1));
        lines.push((best.1, row));
    }
    // The free vectors, reduced in the same way.
    let mut free: Vec<(usize, Vector)> = Vec::new();
    let mut open: Vec<Vector> = rest.into_iter().map(|p| p.1).collect();
    loop {
        let mut best = (0usize, 0usize, 0.0);
        for (r, v) in open.iter().enumerate() {
            for k in 0..3 {
                if v[k].abs() > best.2 && free.iter().all(|f| f.0 != k) {
                    best = (r, k, v[k].abs());
                }
            }
        }
        if best.2 <= NOTHING * open.iter().map(Vector::norm).fold(0.0, f64::max) {
            break;
        }
        let v = open.swap_remove(best.0);
        let row = v / v[best.1];
        open.iter_mut().for_each(|o| *o -= row * o[best.1]);
        free.iter_mut().for_each(|f| {
            let factor = f.1[best.1];
            f.1 -= row * factor;
        });
        free.push((best.1, row));
    }
    free.sort_by_key(|f| f.0);
    lines.sort_by_key(|l| l.0);
    let mut found: Vec<Screw> = free.iter().map(|f| Screw::Free(f.1.normalize())).collect();
    for (_, (line, moment)) in lines {
        // A free vector may be added to a line's: the one without any of it is said.
        let moment = across(moment, &free);
        let size = line.norm();
        let along = line / size;
        let foot = line.cross(&moment) / (size * size);
        found.push(Screw::Line { along, foot, pitch: along.dot(&moment) / size });
    }
    found
}

/// `v` without its part in the space of `free`.
fn across(v: Vector, free: &[(usize, Vector)]) -> Vector {
    let mut basis: Vec<Vector> = Vec::new();
    for (_, f) in free {
        let rest = basis.iter().fold(*f, |r, b| r - b * b.dot(&r));
        if rest.norm() > NOTHING {
            basis.push(rest.normalize());
        }
    }
    basis.iter().fold(v, |r, b| r - b * b.dot(&r))
}

fn shift(z: &Six) -> Vector {
    Vector::new(z[0], z[1], z[2])
}

fn turn(z: &Six) -> Vector {
    Vector::new(z[3], z[4], z[5])
}

/// The axis of the part that a unit vector lies along, either way.
fn axis(v: &Vector) -> Option<usize> {
    (0..3).find(|&i| v[i].abs() > 1.0 - NOTHING * NOTHING * 10.0)
}

fn named(axis: Option<usize>, v: &Vector) -> String {
    match axis {
        Some(i) => AXES[i].to_string(),
        None => format!("({:.3}, {:.3}, {:.3})", v.x, v.y, v.z),
    }
}

fn place(p: Point) -> String {
    format!("({:.1}, {:.1}, {:.1}) mm", p.x, p.y, p.z)
}
