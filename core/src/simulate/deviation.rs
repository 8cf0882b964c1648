//! What makes a made part differ from its nominal: fields of displacement over space, which add up.

mod ridge;
mod sag;
mod spring_in;
mod thickness;
mod trim;

pub use ridge::ResinRidge;
pub use sag::Sag;
pub use spring_in::{Cure, SpringIn};
pub use thickness::{PlyDrop, ThicknessChange};
pub use trim::TrimOffset;

use crate::geometry::{Direction, Point, Vector};

/// One way in which a made part differs from its nominal.
#[derive(Clone, Debug, PartialEq)]
pub enum Deviation {
    /// A smooth distortion of the whole part.
    Warp(Warp),
    /// A hole off its place.
    HoleShift(HoleShift),
    /// A dent.
    Dent(Dent),
    /// A trimmed edge off its place.
    TrimOffset(TrimOffset),
    /// A region too thick or too thin.
    ThicknessChange(ThicknessChange),
    /// A flange or wall whose angle closed.
    SpringIn(SpringIn),
    /// Plies that end.
    PlyDrop(PlyDrop),
    /// A raised line of resin.
    ResinRidge(ResinRidge),
    /// Bending under the part's own weight.
    Sag(Sag),
}

impl Deviation {
    /// How far the nominal point `p` is displaced, mm.
    pub fn displacement(&self, p: &Point) -> Vector {
        match self {
            Deviation::Warp(warp) => warp.displacement(p),
            Deviation::HoleShift(shift) => shift.displacement(p),
            Deviation::Dent(dent) => dent.displacement(p),
            Deviation::TrimOffset(trim) => trim.displacement(p),
            Deviation::ThicknessChange(change) => change.displacement(p),
            Deviation::SpringIn(spring) => spring.displacement(p),
            Deviation::PlyDrop(drop) => drop.displacement(p),
            Deviation::ResinRidge(ridge) => ridge.displacement(p),
            Deviation::Sag(sag) => sag.displacement(p),
        }
    }

    /// What makes no sense about it and what it must be; `None` when it can be made.
    pub fn fault(&self) -> Option<&'static str> {
        match self {
            Deviation::Warp(warp) => warp.fault(),
            Deviation::HoleShift(shift) => shift.fault(),
            Deviation::Dent(dent) => dent.fault(),
            Deviation::TrimOffset(trim) => trim.fault(),
            Deviation::ThicknessChange(change) => change.fault(),
            Deviation::SpringIn(spring) => spring.fault(),
            Deviation::PlyDrop(drop) => drop.fault(),
            Deviation::ResinRidge(ridge) => ridge.fault(),
            Deviation::Sag(sag) => sag.fault(),
        }
    }
}

/// A smooth distortion by polynomials of second and third order in the plane of x and y. Made parts take its
/// mean over the surface out, so that it moves nothing as a whole.
#[derive(Clone, Debug, PartialEq)]
pub struct Warp {
    /// Where the polynomials have their middle, mm.
    pub centre: Point,
    /// Half the size along x and y, mm: the polynomials are 1 at the corners.
    pub half_mm: [f64; 2],
    /// Along z, mm: twist, bow along x, bow along y, and one of third order along x.
    pub out_mm: [f64; 4],
    /// Along x (bowed over y) and along y (bowed over x), mm.
    pub in_plane_mm: [f64; 2],
}

impl Warp {
    fn fault(&self) -> Option<&'static str> {
        let finite = |values: &[f64]| values.iter().all(|v| v.is_finite());
        let sound = self.half_mm.iter().all(|v| v.is_finite() && *v > 0.0)
            && finite(self.centre.coords.as_slice())
            && finite(&self.out_mm)
            && finite(&self.in_plane_mm);
        (!sound).then_some("the half sizes must be above 0 mm and all else finite")
    }

    fn displacement(&self, p: &Point) -> Vector {
        let x = (p.x - self.centre.x) / self.half_mm[0];
        let y = (p.y - self.centre.y) / self.half_mm[1];
        // Legendre polynomials: little of a shift or a tilt in them.
        let bow = |t: f64| 0.5 * (3.0 * t * t - 1.0);
        let [twist, along_x, along_y, third] = self.out_mm;
        Vector::new(
            self.in_plane_mm[0] * bow(y),
            self.in_plane_mm[1] * bow(x),
            twist * x * y + along_x * bow(x) + along_y * bow(y) + third * 0.5 * x * (5.0 * x * x - 3.0),
        )
    }
}

/// Moves a hole's wall as a whole within the face it goes through, and the face's points next to it ever
/// less with their distance; the face stays on itself.
#[derive(Clone, Debug, PartialEq)]
pub struct HoleShift {
    /// Middle of the wall, mm.
    pub centre: Point,
    /// Along the hole.
    pub axis: Direction,
    /// Radius, mm.
    pub radius_mm: f64,
    /// Half the length of the wall, mm, and a little more.
    pub half_length_mm: f64,
    /// How far from the wall points still move, mm: no further than the face is flat.
    pub reach_mm: f64,
    /// The shift, mm; its part along the axis is left out.
    pub shift: Vector,
}

impl HoleShift {
    fn fault(&self) -> Option<&'static str> {
        let above = |v: f64| v.is_finite() && v > 0.0;
        let finite = self.centre.iter().chain(self.shift.iter()).all(|v| v.is_finite());
        let sound = finite && above(self.radius_mm) && above(self.half_length_mm) && above(self.reach_mm);
        (!sound).then_some("radius, half length and reach must be above 0 mm, centre and shift finite")
    }

    fn displacement(&self, p: &Point) -> Vector {
        let (away, along) = split(p, &self.centre, self.axis);
        if along.abs() > self.half_length_mm {
            return Vector::zeros();
        }
        // The first part of the reach moves with the wall, so that the rim keeps its shape.
        let still = self.radius_mm + 0.15 * self.reach_mm;
        let weight = falling((away - still) / (0.85 * self.reach_mm));
        let axis = self.axis.vector();
        (self.shift - axis * self.shift.dot(&axis)) * weight
    }
}

/// A dent with a flat bottom and smooth flanks; both skins of a sheet move.
#[derive(Clone, Debug, PartialEq)]
pub struct Dent {
    /// On the surface, mm.
    pub centre: Point,
    /// Into the material, normal to the surface at the centre: everything moves along it.
    pub inward: Direction,
    /// Where the dent ends, mm from its axis.
    pub radius_mm: f64,
    /// Where the flat bottom ends, as a fraction of the radius, 0 to 1.
    pub flat: f64,
    /// Depth of the bottom, mm.
    pub depth_mm: f64,
    /// How far from the centre along the dent's axis points still move, mm: more than the surface falls
    /// away within the dent and the thickness, less than to other walls.
    pub reach_mm: f64,
}

impl Dent {
    fn fault(&self) -> Option<&'static str> {
        let above = |v: f64| v.is_finite() && v > 0.0;
        let sizes = above(self.radius_mm) && above(self.reach_mm) && self.depth_mm.is_finite();
        let sound = sizes && self.centre.iter().all(|c| c.is_finite()) && self.flat >= 0.0 && self.flat < 1.0;
        (!sound).then_some(
            "radius and reach must be above 0 mm, centre and depth finite, the flat share 0 to below 1",
        )
    }

    /// Radius of the flat bottom, mm.
    pub fn flat_radius_mm(&self) -> f64 {
        self.flat * self.radius_mm
    }

    fn displacement(&self, p: &Point) -> Vector {
        let (away, along) = split(p, &self.centre, self.inward);
        if along.abs() > self.reach_mm {
            return Vector::zeros();
        }
        let flank = self.radius_mm - self.flat_radius_mm();
        self.inward.vector() * (self.depth_mm * falling((away - self.flat_radius_mm()) / flank))
    }
}

/// Distance of `p` from the axis through `centre`, and its place along it; mm.
fn split(p: &Point, centre: &Point, axis: Direction) -> (f64, f64) {
    let d = p - centre;
    let along = d.dot(&axis.vector());
    ((d - axis.vector() * along).norm(), along)
}

/// 1 up to 0, 0 from 1 on, between them the polynomial of fifth order with level slope and no bend at
/// either end.
fn falling(t: f64) -> f64 {
    if t <= 0.0 {
        1.0
    } else if t < 1.0 {
        1.0 - t * t * t * (10.0 - t * (15.0 - 6.0 * t))
    } else {
        0.0
    }
}
