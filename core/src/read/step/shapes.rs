//! Entities become points, curves and surfaces: ISO 10303-42 (from memory). Lengths become mm, angles rad.

use super::bspline::{BSplineCurve, BSplineSurface, MAX_DEGREE};
use super::curves::{Axes, Curve};
use super::graph::{Entity, EntityFault, Graph, real};
use super::part21::Value;
use super::plain::plain;
use super::spline::Spline;
use super::surfaces::Surface;
use super::turned::Turned;
use super::units::Units;
use crate::geometry::{Direction, Point};

/// Curves on curves on curves: a chain longer than this is a circle.
const DEEPEST: usize = 8;
/// Coordinates beyond this, mm, are no part.
pub(super) const LARGEST_MM: f64 = 1e9;

/// Reads shapes in the units of one representation.
#[derive(Clone, Copy)]
pub(super) struct Shapes<'a> {
    pub graph: Graph<'a>,
    pub units: Units,
}

impl<'a> Shapes<'a> {
    pub(super) fn point(&self, id: u64) -> Result<Point, EntityFault> {
        let entity = self.graph.must(id, "CARTESIAN_POINT")?;
        let c = entity.reals(1)?;
        let c: Vec<f64> = c.iter().map(|x| x * self.units.length_mm).collect();
        match c[..] {
            [x, y, z] if c.iter().all(|x| x.abs() < LARGEST_MM) => Ok(Point::new(x, y, z)),
            [_, _, _] => Err(entity.senseless("a coordinate is beyond 1000 km")),
            _ => Err(entity.senseless("a point has three coordinates")),
        }
    }

    pub(super) fn direction(&self, id: u64) -> Result<Direction, EntityFault> {
        let entity = self.graph.must(id, "DIRECTION")?;
        match entity.reals(1)?[..] {
            [x, y, z] => Direction::new([x, y, z].into()),
            _ => None,
        }
        .ok_or(entity.senseless("a direction has three numbers, not all zero"))
    }

    /// An AXIS2_PLACEMENT_3D; an AXIS1_PLACEMENT, which has no x, will do.
    pub(super) fn axes(&self, id: u64) -> Result<Axes, EntityFault> {
        let place = match self.graph.part(id, "AXIS1_PLACEMENT")? {
            Some(place) => place,
            None => self.graph.must(id, "AXIS2_PLACEMENT_3D")?,
        };
        let direction = |index| place.maybe_instance(index).map(|id| self.direction(id)).transpose();
        let z = direction(2)?.unwrap_or(Direction::Z);
        let x =
            if place.name == "AXIS1_PLACEMENT" { None } else { Some(direction(3)?.unwrap_or(Direction::X)) };
        Ok(Axes::new(self.point(place.instance(1)?)?, z, x))
    }

    fn length(&self, entity: &Entity, index: usize) -> Result<f64, EntityFault> {
        let length = entity.positive(index)? * self.units.length_mm;
        if length < LARGEST_MM { Ok(length) } else { Err(entity.senseless("a length is beyond 1000 km")) }
    }

    pub(super) fn curve(&self, id: u64) -> Result<Curve, EntityFault> {
        self.curve_at(id, 0)
    }

    fn curve_at(&self, id: u64, depth: usize) -> Result<Curve, EntityFault> {
        if depth > DEEPEST {
            return Err(EntityFault::Senseless { id, problem: "a curve is defined by itself" });
        }
        let entity = self.graph.first(id)?;
        Ok(match entity.name {
            "LINE" => {
                let vector = self.graph.must(entity.instance(2)?, "VECTOR")?;
                let along = self.direction(vector.instance(1)?)?;
                Curve::Line { origin: self.point(entity.instance(1)?)?, along }
            }
            "CIRCLE" => {
                Curve::Circle { axes: self.axes(entity.instance(1)?)?, radius: self.length(&entity, 2)? }
            }
            "ELLIPSE" | "HYPERBOLA" => {
                let axes = self.axes(entity.instance(1)?)?;
                let half = [self.length(&entity, 2)?, self.length(&entity, 3)?];
                if entity.name == "ELLIPSE" {
                    Curve::Ellipse { axes, half }
                } else {
                    Curve::Hyperbola { axes, half }
                }
            }
            "PARABOLA" => {
                Curve::Parabola { axes: self.axes(entity.instance(1)?)?, focal: self.length(&entity, 2)? }
            }
            "POLYLINE" => {
                self.graph.charge(id, entity.list(1)?.len())?;
                let corners: Vec<Point> =
                    entity.instances(1)?.into_iter().map(|id| self.point(id)).collect::<Result<_, _>>()?;
                if corners.len() < 2 {
                    return Err(entity.senseless("a polyline has two points or more"));
                }
                Curve::Polyline { corners }
            }
            // The curve in space; those on the surfaces say the same.
            "SURFACE_CURVE" | "SEAM_CURVE" | "INTERSECTION_CURVE" => {
                self.curve_at(entity.instance(1)?, depth + 1)?
            }
            // The edge's own vertices trim it; both senses are seen by the order of them.
            "TRIMMED_CURVE" if entity.flag(4)? => self.curve_at(entity.instance(1)?, depth + 1)?,
            _ => self.spline_curve(id)?,
        })
    }

    fn spline_curve(&self, id: u64) -> Result<Curve, EntityFault> {
        // Simple: all in one record behind the name. Complex: one record for each supertype.
        let complex = self.graph.part(id, "B_SPLINE_CURVE")?;
        let with_knots = self.graph.part(id, "B_SPLINE_CURVE_WITH_KNOTS")?;
        let entity = self.graph.first(id)?;
        let (base, at) = match complex {
            Some(base) => (base, 0),
            None if is_one(entity.name, "CURVE") => (entity, 1),
            None => return Err(self.graph.not_served(id)),
        };
        let degree = degree(&base, at)?;
        self.graph.charge(id, base.list(at + 1)?.len())?;
        let points: Vec<Point> =
            base.instances(at + 1)?.into_iter().map(|id| self.point(id)).collect::<Result<_, _>>()?;
        let knots = match with_knots {
            Some(knots) => {
                let at = if complex.is_some() { 0 } else { 6 };
                expanded(&knots, at, at + 1, points.len() + degree + 1)?
            }
            None => self.implied(id, degree, points.len(), "CURVE")?,
        };
        let weights = match self.graph.part(id, "RATIONAL_B_SPLINE_CURVE")? {
            Some(rational) => Some(rational.reals(0)?),
            None => None,
        };
        BSplineCurve::new(degree, knots, points, weights)
            .map(Curve::spline)
            .ok_or(base.senseless("degree, knots, points and weights of the B-spline do not agree"))
    }

    /// Knots of the subtypes that do not list them.
    fn implied(&self, id: u64, degree: usize, points: usize, of: &str) -> Result<Vec<f64>, EntityFault> {
        let records = &self.graph.instance(id)?.records;
        let is = |word: &str| records.iter().any(|r| r.name.strip_suffix(of) == Some(word));
        let inner = points.saturating_sub(degree);
        if is("QUASI_UNIFORM_") {
            let clamp = |i: usize| (i.max(degree) - degree).min(inner) as f64;
            Ok((0..=points + degree).map(clamp).collect())
        } else if is("UNIFORM_") {
            Ok((0..=points + degree).map(|i| i as f64 - degree as f64).collect())
        } else if is("BEZIER_") && points > degree && (points - 1).is_multiple_of(degree) {
            let piece = |i: usize| (i.saturating_sub(1) / degree).min((points - 1) / degree) as f64;
            Ok((0..=points + degree).map(piece).collect())
        } else {
            Err(self.graph.not_served(id))
        }
    }

    /// A surface, the plainest that has its places, and whether its normal points against that of the file's.
    pub(super) fn surface(&self, id: u64) -> Result<(Surface, bool), EntityFault> {
        let (surface, turned) = self.surface_at(id, 0)?;
        Ok(match plain(&surface) {
            Some((plain, against)) => (plain, turned != against),
            None => (surface, turned),
        })
    }

    fn surface_at(&self, id: u64, depth: usize) -> Result<(Surface, bool), EntityFault> {
        if depth > DEEPEST {
            return Err(EntityFault::Senseless { id, problem: "a surface is defined by itself" });
        }
        let entity = self.graph.first(id)?;
        let axes = |index| self.axes(entity.instance(index)?);
        let surface = match entity.name {
            "PLANE" => Surface::Plane { axes: axes(1)? },
            "CYLINDRICAL_SURFACE" => Surface::Cylinder { axes: axes(1)?, radius: self.length(&entity, 2)? },
            "CONICAL_SURFACE" => {
                let radius = entity.real(2)? * self.units.length_mm;
                let half_angle = entity.real(3)? * self.units.angle_rad;
                // Not a plane and not a cylinder, to rounding.
                let sound = (1e-9..std::f64::consts::FRAC_PI_2 - 1e-9).contains(&half_angle.abs());
                if !sound || !(0.0..LARGEST_MM).contains(&radius) {
                    return Err(entity.senseless("the radius or half angle of the cone"));
                }
                Surface::Cone { axes: axes(1)?, radius, half_angle }
            }
            "SPHERICAL_SURFACE" => Surface::Sphere { axes: axes(1)?, radius: self.length(&entity, 2)? },
            // Of a torus that meets itself the inner side is another surface.
            "DEGENERATE_TOROIDAL_SURFACE" if !entity.flag(4)? => return Err(self.graph.not_served(id)),
            "TOROIDAL_SURFACE" | "DEGENERATE_TOROIDAL_SURFACE" => Surface::Torus {
                axes: axes(1)?,
                major: self.length(&entity, 2)?,
                minor: self.length(&entity, 3)?,
            },
            "SURFACE_OF_LINEAR_EXTRUSION" => {
                let vector = self.graph.must(entity.instance(2)?, "VECTOR")?;
                let along = self.direction(vector.instance(1)?)?.vector();
                Surface::Extrusion { curve: self.curve(entity.instance(1)?)?, along }
            }
            "SURFACE_OF_REVOLUTION" => {
                let (curve, on) = self.profile(entity.instance(1)?)?;
                Surface::Revolution(Box::new(Turned::new(curve, axes(2)?, on)))
            }
            // The face's own edges trim it. Where one of its parameters runs backwards, its normal is turned.
            "RECTANGULAR_TRIMMED_SURFACE" => {
                let against = entity.flag(6)? != entity.flag(7)?;
                let (surface, turned) = self.surface_at(entity.instance(1)?, depth + 1)?;
                return Ok((surface, turned != against));
            }
            "CURVE_BOUNDED_SURFACE" => return self.surface_at(entity.instance(1)?, depth + 1),
            _ => self.spline_surface(id)?,
        };
        Ok((surface, false))
    }

    /// The curve that is turned about an axis; where it is trimmed, a parameter between its ends with it.
    fn profile(&self, id: u64) -> Result<(Curve, Option<f64>), EntityFault> {
        let curve = self.curve(id)?;
        let Some(trimmed) = self.graph.part(id, "TRIMMED_CURVE")? else { return Ok((curve, None)) };
        let unit = match &curve {
            Curve::Circle { .. } | Curve::Ellipse { .. } => self.units.angle_rad,
            Curve::Line { .. } => {
                // A line of the file is measured by its vector, here in mm.
                let line = self.graph.first(trimmed.instance(1)?)?;
                let vector = line.maybe_instance(2).map(|id| self.graph.must(id, "VECTOR")).transpose()?;
                self.units.length_mm * vector.map_or(Ok(1.0), |v| v.real(2))?
            }
            _ => 1.0,
        };
        let end = |at: usize| {
            let trims = trimmed.list(at).unwrap_or_default();
            let parameter =
                trims.iter().find(|t| matches!(t, Value::Typed(..))).and_then(real).map(|t| t * unit);
            parameter.or_else(|| {
                let place =
                    trims.iter().find_map(|t| if let Value::Instance(id) = t { Some(*id) } else { None });
                Some(curve.parameter_of(&self.point(place?).ok()?))
            })
        };
        let on = end(2).zip(end(3)).map(|(a, b)| match curve.period() {
            Some(period) if b <= a => 0.5 * (a + b + period),
            _ => 0.5 * (a + b),
        });
        Ok((curve, on))
    }

    fn spline_surface(&self, id: u64) -> Result<Surface, EntityFault> {
        let complex = self.graph.part(id, "B_SPLINE_SURFACE")?;
        let with_knots = self.graph.part(id, "B_SPLINE_SURFACE_WITH_KNOTS")?;
        let entity = self.graph.first(id)?;
        let (base, at) = match complex {
            Some(base) => (base, 0),
            None if is_one(entity.name, "SURFACE") => (entity, 1),
            None => return Err(self.graph.not_served(id)),
        };
        let degrees = [degree(&base, at)?, degree(&base, at + 1)?];
        let rows = base.rows(at + 2)?;
        let counts = [rows.len(), rows[0].len()];
        self.graph.charge(id, counts[0].saturating_mul(counts[1]))?;
        let mut points = Vec::new();
        for value in rows.iter().flat_map(|r| r.iter()) {
            let Value::Instance(id) = value else {
                return Err(base.senseless("a control point is no reference"));
            };
            points.push(self.point(*id)?);
        }
        let knots = match with_knots {
            Some(knots) => {
                let at = if complex.is_some() { 0 } else { 8 };
                let most = |i: usize| counts[i] + degrees[i] + 1;
                [expanded(&knots, at, at + 2, most(0))?, expanded(&knots, at + 1, at + 3, most(1))?]
            }
            None => [
                self.implied(id, degrees[0], counts[0], "SURFACE")?,
                self.implied(id, degrees[1], counts[1], "SURFACE")?,
            ],
        };
        let weights = match self.graph.part(id, "RATIONAL_B_SPLINE_SURFACE")? {
            Some(rational) => {
                let rows = rational.rows(0)?;
                let all: Option<Vec<f64>> = rows.iter().flat_map(|r| r.iter()).map(real).collect();
                Some(all.ok_or(rational.senseless("a weight is no number"))?)
            }
            None => None,
        };
        BSplineSurface::new(degrees, knots, counts, points, weights)
            .map(|s| Surface::Spline(Box::new(Spline::new(s))))
            .ok_or(base.senseless("degrees, knots, points and weights of the B-spline do not agree"))
    }
}

fn is_one(name: &str, of: &str) -> bool {
    ["B_SPLINE_", "QUASI_UNIFORM_", "UNIFORM_", "BEZIER_"].iter().any(|k| {
        name.strip_prefix(k).is_some_and(|rest| {
            rest == of || (*k == "B_SPLINE_" && rest.strip_suffix("_WITH_KNOTS") == Some(of))
        })
    })
}

fn degree(entity: &Entity, index: usize) -> Result<usize, EntityFault> {
    match usize::try_from(entity.whole(index)?) {
        Ok(degree @ 1..=MAX_DEGREE) => Ok(degree),
        _ => Err(entity.senseless("the degree of a B-spline is 1 to 25")),
    }
}

/// Each knot as often as its multiplicity says, `most` in all.
fn expanded(entity: &Entity, counts: usize, knots: usize, most: usize) -> Result<Vec<f64>, EntityFault> {
    let (counts, knots) = (entity.wholes(counts)?, entity.reals(knots)?);
    if counts.len() != knots.len() {
        return Err(entity.senseless("knots and multiplicities differ in number"));
    }
    let mut all = Vec::new();
    for (count, knot) in counts.into_iter().zip(knots) {
        let count = usize::try_from(count).unwrap_or(usize::MAX);
        if count > most || all.len() + count > most {
            return Err(entity
                .senseless("the multiplicities of the knots are negative or more than its points ask for"));
        }
        all.extend(std::iter::repeat_n(knot, count));
    }
    Ok(all)
}

#[cfg(test)]
#[path = "shapes_tests.rs"]
mod tests;
