//! What the curvature of a shape adds to its linear programmes.

use super::elimination::solve_what_is_told;
use super::exchange::{Corner, Row};
use super::search::{Aim, Linear, Outline};
use crate::geometry::symmetric_eigen;

/// Unknowns, borders and contacts of a Newton step together.
const ALL: usize = 16;

/// Whether a local optimum is a strict one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Held {
    Yes,
    No,
}

/// A contact: row, weight, whether above.
type Contact = (usize, f64, bool);

fn contacts<const M: usize>(corner: &Corner<M>) -> Vec<Contact> {
    let above = corner.above.iter().map(|&(i, w)| (i, w, true));
    above.chain(corner.below.iter().map(|&(i, w)| (i, w, false))).collect()
}

/// Second derivatives of the weighted residuals of the contacts by the scaled unknowns: by differences, which are
/// good to seven digits; Newton's steps need no more.
fn bending<T: Outline<N>, const N: usize, const M: usize>(
    model: &T,
    items: &[T::Item],
    aim: Aim,
    linear: &Linear<M>,
    rows: &[Row<M>],
    contacts: &[Contact],
) -> Option<[[f64; M]; M]> {
    let h = 1e-4 * model.size().min(1.0);
    let at = |moves: &[(usize, f64)]| {
        let mut step = [0.0; M];
        for &(k, by) in moves {
            step[k] += by;
        }
        let there = model.moved(&aim.whole::<T, N, M>(&step))?;
        let signed = |c: &Contact| if c.2 { c.1 } else { -c.1 };
        Some(contacts.iter().map(|c| signed(c) * there.row(&items[rows[c.0].index]).0).sum::<f64>())
    };
    let here = at(&[])?;
    let mut out = [[0.0; M]; M];
    for k in 0..M {
        let second = at(&[(k, h)])? - 2.0 * here + at(&[(k, -h)])?;
        out[k][k] = second / (h * h * linear.scale[k] * linear.scale[k]);
        for l in 0..k {
            let mixed = at(&[(k, h), (l, h)])? - at(&[(k, h), (l, -h)])? - at(&[(k, -h), (l, h)])?
                + at(&[(k, -h), (l, -h)])?;
            out[k][l] = mixed / (4.0 * h * h * linear.scale[k] * linear.scale[l]);
            out[l][k] = out[k][l];
        }
    }
    out.as_flattened().iter().all(|v| v.is_finite()).then_some(out)
}

/// The Newton step that lets the contacts of `corner` touch their borders and their weighted gradients cancel, in
/// scaled unknowns. Contacts that it would pull are let go.
pub(super) fn curved_step<T: Outline<N>, const N: usize, const M: usize>(
    model: &T,
    items: &[T::Item],
    aim: Aim,
    linear: &Linear<M>,
    rows: &[Row<M>],
    corner: &Corner<M>,
) -> Option<[f64; M]> {
    let mut held = contacts(corner);
    let sides = aim.sides();
    let borders = usize::from(sides.above) + usize::from(sides.below);
    let mut step = [0.0; M];
    for _ in 0..3 {
        for above in [true, false] {
            let total: f64 = held.iter().filter(|c| c.2 == above).map(|c| c.1).sum();
            for c in held.iter_mut().filter(|c| c.2 == above) {
                c.1 /= total;
            }
        }
        let bend = bending(model, items, aim, linear, rows, &held)?;
        let n = M + borders + held.len();
        if n > ALL {
            return None;
        }
        let mut m = [[0.0; ALL]; ALL];
        let mut b = [0.0; ALL];
        for k in 0..M {
            m[k][..M].copy_from_slice(&bend[k]);
        }
        for (at, &(row, _, above)) in held.iter().enumerate() {
            let at = M + borders + at;
            // Their own border: the upper one first where there are two.
            let border = if above || !sides.above { M } else { M + 1 };
            let sign = if above { 1.0 } else { -1.0 };
            for k in 0..M {
                m[k][at] = sign * rows[row].slope[k];
                m[at][k] = -rows[row].slope[k];
            }
            m[at][border] = 1.0;
            b[at] = rows[row].value;
            m[border][at] = 1.0;
        }
        b[M..M + borders].fill(1.0);
        let x = solve_what_is_told(n, m, b)?;
        step.copy_from_slice(&x[..M]);
        for (at, c) in held.iter_mut().enumerate() {
            c.1 = x[M + borders + at];
        }
        held.retain(|c| c.1 > 1e-9);
        let one = |above: bool| held.iter().any(|c| c.2 == above);
        if (sides.above && !one(true)) || (sides.below && !one(false)) {
            return None;
        }
    }
    Some(step)
}

/// Whether the contacts leave no freedom, or only such as their curvature holds.
pub(super) fn held<T: Outline<N>, const N: usize, const M: usize>(
    model: &T,
    items: &[T::Item],
    aim: Aim,
    linear: &Linear<M>,
    rows: &[Row<M>],
    corner: &Corner<M>,
) -> Held {
    let contacts = contacts(corner);
    // Within a border only differences of gradients count: from their weighted mean.
    let mut gram = [[0.0; M]; M];
    for above in [true, false] {
        let side: Vec<&Contact> = contacts.iter().filter(|c| c.2 == above).collect();
        let total: f64 = side.iter().map(|c| c.1).sum();
        let mean: [f64; M] =
            std::array::from_fn(|k| side.iter().map(|c| c.1 * rows[c.0].slope[k]).sum::<f64>() / total);
        for c in side {
            for k in 0..M {
                for l in 0..M {
                    gram[k][l] += (rows[c.0].slope[k] - mean[k]) * (rows[c.0].slope[l] - mean[l]);
                }
            }
        }
    }
    let (values, vectors) = symmetric_eigen(&gram);
    let largest = values[M - 1];
    let open: Vec<&[f64; M]> =
        values.iter().zip(&vectors).filter(|(v, _)| !(**v > 1e-12 * largest)).map(|(_, v)| v).collect();
    if open.is_empty() {
        return Held::Yes;
    }
    let Some(bend) = bending(model, items, aim, linear, rows, &contacts) else { return Held::No };
    let mut inside = [[0.0; M]; M];
    for k in 0..M {
        inside[k][k] = f64::MAX;
    }
    for (i, u) in open.iter().enumerate() {
        for (j, v) in open.iter().enumerate() {
            inside[i][j] = (0..M).map(|k| (0..M).map(|l| u[k] * bend[k][l] * v[l]).sum::<f64>()).sum::<f64>();
        }
    }
    if symmetric_eigen(&inside).0[0] > 0.0 { Held::Yes } else { Held::No }
}
