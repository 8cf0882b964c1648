//! The skin around a hole, a countersink, an insert or a stud: a ring of it, and where it would lie under the axis.
//!
//! The nominal's own shape is taken out as in a patch (`patch.rs`): a paraboloid through places of the nominal ring tells where
//! the skin would be at the axis, a plane through the deviations of the scan's points how far off that it lies and how it is
//! tilted. Least squares; the paraboloid of a sphere of 300 mm in a ring of 10 mm errs by 0.00005 mm (elementary, no source).

use crate::geometry::{Cholesky, Direction, Point, Vector, closest_point_on_triangle};
use crate::nominal::Nominal;
use crate::scan::Scan;

use super::coverage::{Seen, spread, turn_seen};
use super::ring_plane::RingPlane;
use super::{MeasuredPoint, Partition};

/// A ring about an axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ring {
    /// A place on the axis, near the skin, mm.
    pub at: Point,
    /// The axis, out of the material.
    pub axis: Direction,
    /// Inner radius, mm.
    pub inner_mm: f64,
    /// Outer radius, mm.
    pub outer_mm: f64,
}

impl Ring {
    fn across(&self, p: &Point) -> f64 {
        let off = p - self.at;
        (off - self.axis.vector() * off.dot(&self.axis.vector())).norm()
    }

    /// Whether a place lies in it, as seen along the axis.
    pub fn holds(&self, p: &Point) -> bool {
        (self.inner_mm..=self.outer_mm).contains(&self.across(p))
    }
}

/// The nominal skin in a ring.
#[derive(Clone, Debug, PartialEq)]
pub struct NominalSkin {
    /// The ring; its place is where the skin, prolonged, meets the axis.
    pub ring: Ring,
    /// Its normal there, out of the material.
    pub normal: Direction,
    /// Triangles that reach into the ring, ascending.
    pub triangles: Vec<u32>,
}

/// The skin in a ring as a scan shows it.
#[derive(Clone, Debug, PartialEq)]
pub struct LocalSkin {
    /// Its normal where it meets the axis, prolonged, out of the material.
    pub normal: Direction,
    /// How far it lies out of the nominal skin there, mm along the nominal's normal.
    pub height_mm: f64,
    /// Covariance from noise of (its height over the nominal skin there, mm; its slopes along the axis's two directions across).
    pub covariance: [[f64; 3]; 3],
    /// The same from form.
    pub sampling: [[f64; 3]; 3],
    /// Points used.
    pub points: usize,
    /// How much of the turn was seen.
    pub seen: Seen,
}

/// Why a skin is not known.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SkinError {
    /// The nominal has no skin there.
    #[error("the nominal has no skin between {inner_mm:.2} and {outer_mm:.2} mm about it")]
    None {
        /// Inner radius of the ring, mm.
        inner_mm: f64,
        /// Outer radius of the ring, mm.
        outer_mm: f64,
    },
    /// Too few points.
    #[error(
        "only {got} points lie on the skin between {inner_mm:.2} and {outer_mm:.2} mm about it; at least {need} are needed"
    )]
    TooFew {
        /// Points there.
        got: usize,
        /// Points needed.
        need: usize,
        /// Inner radius of the ring, mm.
        inner_mm: f64,
        /// Outer radius of the ring, mm.
        outer_mm: f64,
    },
    /// Its points do not hold a plane.
    #[error("the points of the skin about it lie on one line")]
    Line,
}

/// Skin and wall meet where the normal turns away by more than this from the axis: 30 degrees, the cosine.
const ALONG_AXIS: f64 = 0.866;
/// Neighbours that turn by more than this are another face: 30 degrees, the cosine.
const SMOOTH: f64 = 0.866;
/// Fewer points tell no skin.
const LEAST_POINTS: usize = 12;
/// Form repeats within about this length (as for a hole), mm.
const FORM_LENGTH_MM: f64 = 2.5;
/// Places of the nominal through which the paraboloid is put, about so many.
const PLACES: f64 = 600.0;

/// The triangles beside a wall, given in any order, whose normals run along `axis`, and those that run against it.
pub fn beside(nominal: &Nominal, wall: &[u32], axis: Direction) -> [Vec<u32>; 2] {
    let mut wall = wall.to_vec();
    wall.sort_unstable();
    let mut sides = [Vec::new(), Vec::new()];
    for &t in &wall {
        for &other in nominal.across()[t as usize].iter().flatten() {
            let Some(n) = nominal.mesh().normal(other).filter(|_| wall.binary_search(&other).is_err()) else {
                continue;
            };
            let cosine = n.dot(axis);
            if cosine.abs() >= ALONG_AXIS {
                sides[usize::from(cosine < 0.0)].push(other);
            }
        }
    }
    for side in &mut sides {
        side.sort_unstable();
        side.dedup();
    }
    sides
}

impl NominalSkin {
    /// The skin that begins with some triangles, as far as it runs smoothly within the ring.
    ///
    /// # Errors
    /// [`SkinError::None`] where it does not reach into the ring.
    pub fn grown(nominal: &Nominal, from: &[u32], ring: Ring) -> Result<Self, SkinError> {
        let mesh = nominal.mesh();
        let mut reached = vec![false; mesh.triangles().len()];
        let mut open: Vec<u32> = from.to_vec();
        for &t in from {
            reached[t as usize] = true;
        }
        let mut next = 0;
        while let Some(&t) = open.get(next) {
            next += 1;
            for other in nominal.across()[t as usize].iter().flatten().copied() {
                let smooth = match (mesh.normal(t), mesh.normal(other)) {
                    (Some(a), Some(b)) => a.dot(b) >= SMOOTH,
                    _ => false,
                };
                if smooth && !reached[other as usize] && touches(nominal, other, &ring) {
                    reached[other as usize] = true;
                    open.push(other);
                }
            }
        }
        Self::of(nominal, open, ring)
    }

    /// Those of some triangles that reach into the ring and face along its axis.
    ///
    /// # Errors
    /// [`SkinError::None`] where none does.
    pub fn of(nominal: &Nominal, triangles: Vec<u32>, ring: Ring) -> Result<Self, SkinError> {
        let mesh = nominal.mesh();
        let none = SkinError::None { inner_mm: ring.inner_mm, outer_mm: ring.outer_mm };
        let faces = |t: &u32| mesh.normal(*t).is_some_and(|n| n.dot(ring.axis) >= 0.5);
        let mut triangles: Vec<u32> =
            triangles.into_iter().filter(faces).filter(|&t| touches(nominal, t, &ring)).collect();
        triangles.sort_unstable();
        triangles.dedup();
        let (at, normal) = prolonged(nominal, &triangles, &ring).ok_or(none)?;
        Ok(Self { ring: Ring { at, ..ring }, normal, triangles })
    }

    /// The skin as it was scanned.
    ///
    /// # Errors
    /// Too few points, or points on one line.
    pub fn measured(
        &self,
        nominal: &Nominal,
        partition: &Partition,
        scan: &Scan,
        noise_mm: f64,
    ) -> Result<LocalSkin, SkinError> {
        let Ring { inner_mm, outer_mm, .. } = self.ring;
        let mut member = vec![false; nominal.mesh().triangles().len()];
        for &t in &self.triangles {
            member[t as usize] = true;
        }
        let points: Vec<MeasuredPoint> =
            partition.among(scan, &member).filter(|p| self.ring.holds(&p.point)).collect();
        let few = SkinError::TooFew { got: points.len(), need: LEAST_POINTS, inner_mm, outer_mm };
        if points.len() < LEAST_POINTS {
            return Err(few);
        }
        let spacing = scan.spacing_among(points.iter().map(|p| p.index));
        let axis = self.ring.axis;
        let (u, v) = axis.frame();
        let n = points.len() as f64;
        let plane = RingPlane::through(self.ring.at, axis, points.iter().map(|p| (p.point, p.deviation_mm)))
            .ok_or(SkinError::Line)?;
        let unit = plane.unit_covariance;
        let noise = noise_mm * noise_mm;
        let form = (plane.square_mm2 / (n - 3.0) - noise).max(0.0);
        let places: Vec<Point> = points.iter().map(|p| p.point).collect();
        let seen = turn_seen(&places, self.ring.at, axis, 0.5 * (inner_mm + outer_mm), spacing);
        let area = std::f64::consts::PI * (outer_mm * outer_mm - inner_mm * inner_mm) * seen.fraction;
        let patches = (area / (FORM_LENGTH_MM * FORM_LENGTH_MM)).max(1.0);
        let tilted = self.normal.vector() - u * plane.slopes[0] - v * plane.slopes[1];
        Ok(LocalSkin {
            normal: Direction::new(tilted).unwrap_or(self.normal),
            height_mm: plane.height_mm,
            covariance: unit.map(|row| row.map(|c| c * noise)),
            sampling: unit.map(|row| row.map(|c| c * form * (n / patches).max(1.0))),
            points: points.len(),
            seen,
        })
    }
}

impl LocalSkin {
    /// A direction of the nominal as it is turned with the skin.
    pub fn turned(&self, nominal: &NominalSkin, direction: Direction) -> Direction {
        // To first order: the skin's turn is far below a tenth of a radian.
        let turn = nominal.normal.vector().cross(&self.normal.vector());
        Direction::new(direction.vector() + turn.cross(&direction.vector())).unwrap_or(direction)
    }
}

/// Whether a triangle comes as near to the axis, where it passes the skin, as the ring's outer radius.
fn touches(nominal: &Nominal, t: u32, ring: &Ring) -> bool {
    let [a, b, c] = nominal.mesh().corners(t);
    // Looked at along the axis.
    let flat = |p: Point| {
        let off = p - ring.at;
        ring.at + (off - ring.axis.vector() * off.dot(&ring.axis.vector()))
    };
    let near = closest_point_on_triangle(&ring.at, &flat(a), &flat(b), &flat(c));
    (near - ring.at).norm() <= ring.outer_mm
}

/// Where the skin, prolonged by a paraboloid, meets the axis, and its normal there.
fn prolonged(nominal: &Nominal, triangles: &[u32], ring: &Ring) -> Option<(Point, Direction)> {
    let (u, v) = ring.axis.frame();
    let size = ring.outer_mm;
    let area = std::f64::consts::PI * (size * size - ring.inner_mm * ring.inner_mm);
    if !(area > 0.0 && area.is_finite()) {
        return None;
    }
    let within: Vec<Vector> =
        spread(nominal, triangles, (area / PLACES).sqrt().max(largest_pitch(nominal, triangles)))
            .into_iter()
            .filter(|p| ring.holds(&p.at))
            .map(|p| p.at - ring.at)
            .collect();
    if within.len() < 12 {
        return None;
    }
    let mut m = [[0.0; 6]; 6];
    let mut right = [0.0; 6];
    for off in &within {
        let (x, y) = (off.dot(&u) / size, off.dot(&v) / size);
        let row = [1.0, x, y, x * x, x * y, y * y];
        for i in 0..6 {
            for j in 0..6 {
                m[i][j] += row[i] * row[j];
            }
            right[i] += row[i] * off.dot(&ring.axis.vector());
        }
    }
    let found = Cholesky::new(&m)?.solve(&right);
    let normal = Direction::new(ring.axis.vector() - u * (found[1] / size) - v * (found[2] / size))?;
    Some((ring.at + ring.axis.vector() * found[0], normal))
}

/// The places of large triangles are not more than a hundred thousand in all.
fn largest_pitch(nominal: &Nominal, triangles: &[u32]) -> f64 {
    (triangles.iter().map(|&t| nominal.mesh().area(t)).sum::<f64>() / 100_000.0).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::nominal::Side;
    use crate::read::RawScan;
    use crate::run::quiet;
    use crate::scan::LengthUnit;

    /// A sheet over a square of 30 mm, steps of a quarter millimetre, without what lies nearer than 4 mm to its middle.
    fn sheet(height: impl Fn(f64, f64) -> f64) -> Nominal {
        const N: u32 = 120;
        let place = |i: u32| -15.0 + 0.25 * f64::from(i);
        let mut points = Vec::new();
        for j in 0..=N {
            for i in 0..=N {
                let (x, y) = (place(i), place(j));
                points.push(Point::new(x, y, height(x, y)));
            }
        }
        let mut triangles = Vec::new();
        for j in 0..N {
            for i in 0..N {
                let (x, y) = (place(i) + 0.125, place(j) + 0.125);
                if x * x + y * y > 16.0 {
                    let a = j * (N + 1) + i;
                    triangles.extend([[a, a + 1, a + N + 2], [a, a + N + 2, a + N + 1]]);
                }
            }
        }
        let raw = RawScan { points, triangles, ..RawScan::default() };
        Nominal::from_mesh(raw, LengthUnit::Millimetre, Some(Side::BehindNormal), &quiet()).unwrap()
    }

    fn ring(outer_mm: f64) -> Ring {
        Ring { at: Point::new(0.0, 0.0, 0.7), axis: Direction::Z, inner_mm: 5.0, outer_mm }
    }

    #[test]
    fn a_bent_and_tilted_skin_is_prolonged_to_the_axis() {
        // A sphere of 300 mm on a plane that rises by 0.03: 2.0 at the axis.
        let nominal = sheet(|x, y| 2.0 + 0.03 * x + (300.0f64 * 300.0 - x * x - y * y).sqrt() - 300.0);
        let all: Vec<u32> = (0..nominal.mesh().triangles().len() as u32).collect();
        let skin = NominalSkin::of(&nominal, all.clone(), ring(10.0)).unwrap();
        assert!((skin.ring.at - Point::new(0.0, 0.0, 2.0)).norm() < 2e-4, "{:?}", skin.ring.at);
        let normal = Direction::new(Vector::new(-0.03, 0.0, 1.0)).unwrap();
        assert!(skin.normal.angle_to(normal) < 1e-4, "{:?}", skin.normal);
        // Grown from one triangle at the opening it is the same skin.
        let near = |t: &u32| {
            let [a, _, _] = nominal.mesh().corners(*t);
            a.coords.xy().norm() < 4.5
        };
        let seed: Vec<u32> = all.into_iter().filter(near).take(1).collect();
        assert_eq!(NominalSkin::grown(&nominal, &seed, ring(10.0)).unwrap(), skin);
    }

    #[test]
    fn where_there_is_no_skin_there_is_none() {
        let nominal = sheet(|_, _| 0.0);
        let all: Vec<u32> = (0..nominal.mesh().triangles().len() as u32).collect();
        assert!(NominalSkin::of(&nominal, Vec::new(), ring(10.0)).is_err());
        let below = Ring { axis: Direction::Z.reversed(), ..ring(10.0) };
        assert!(NominalSkin::of(&nominal, all.clone(), below).is_err(), "it faces the other way");
        let within = Ring { inner_mm: 1.0, ..ring(3.0) };
        assert!(NominalSkin::of(&nominal, all, within).is_err(), "the opening holds none");
    }
}
