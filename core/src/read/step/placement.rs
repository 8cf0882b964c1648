//! Where something is placed: axis systems and operators of ISO 10303-42 (from memory).

use super::curves::Axes;
use super::graph::{Entity, EntityFault};
use super::part21::Value;
use super::shapes::Shapes;
use crate::geometry::{Direction, Matrix3, Point, Vector};

/// Takes axes to axes: a turn, or a turn with a mirror, and then a shift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Place {
    pub rotation: Matrix3,
    pub shift: Vector,
}

impl Place {
    pub(super) fn none() -> Self {
        Self { rotation: Matrix3::identity(), shift: Vector::zeros() }
    }

    /// What takes one axis system to another.
    pub(super) fn between(from: &Axes, to: &Axes) -> Self {
        let matrix = |a: &Axes| Matrix3::from_columns(&[a.x, a.y, a.z]);
        let rotation = matrix(to) * matrix(from).transpose();
        Self { rotation, shift: to.origin.coords - rotation * from.origin.coords }
    }

    /// Whether both are one but for digits of a file.
    pub(super) fn near(&self, other: &Self) -> bool {
        (self.rotation - other.rotation).amax() <= SAME_PLACE
            && (self.shift - other.shift).amax() <= SAME_PLACE
    }

    /// First the other, then this.
    pub(super) fn after(&self, inner: &Self) -> Self {
        Self { rotation: self.rotation * inner.rotation, shift: self.rotation * inner.shift + self.shift }
    }
}

/// Places that differ by less, in mm and in the cosines of their turns, are one.
const SAME_PLACE: f64 = 1e-6;

/// The axes of the whole.
pub(super) fn still() -> Axes {
    Axes::new(Point::origin(), Direction::Z, Some(Direction::X))
}

/// The axis system that an item places something at; of an operator that which it takes the axes of the whole to,
/// left-handed where it mirrors.
///
/// # Errors
/// An operator that scales, or whose hand is unknown.
pub(super) fn axes(shapes: &Shapes, id: u64) -> Result<Axes, EntityFault> {
    match shapes.graph.part(id, OPERATOR)? {
        Some(own) => operator(shapes, &own),
        None => shapes.axes(id),
    }
}

/// The keyword of an operator.
pub(super) const OPERATOR: &str = "CARTESIAN_TRANSFORMATION_OPERATOR_3D";

/// A scale this near to 1 is none: over a part of 1 m a nanometre, which is what rounding leaves.
const NO_SCALE: f64 = 1e-9;
/// An axis that has less than this along the direction it should give says nothing of its sense.
const NO_SENSE: f64 = 1e-6;

/// The function `base_axis` of ISO 10303-42: the third axis leads, the first is brought at a right angle to it, the
/// second gives the sense of what is left.
fn operator(shapes: &Shapes, own: &Entity) -> Result<Axes, EntityFault> {
    // (names, first axis, second axis, origin, scale, third axis): how many names differs from edition to edition, so the
    // origin tells where the others stand. In a complex instance the third axis has a record of its own.
    let complex = shapes.graph.part(own.id, "CARTESIAN_TRANSFORMATION_OPERATOR")?;
    let of = complex.as_ref().unwrap_or(own);
    let is_point = |i: &usize| {
        let id = of.maybe_instance(*i);
        id.is_some_and(|id| shapes.graph.part(id, "CARTESIAN_POINT").is_ok_and(|p| p.is_some()))
    };
    let at = (0..of.length()).find(is_point).ok_or_else(|| own.senseless("an operator without origin"))?;
    let direction = |e: &Entity, i: Option<usize>| -> Result<Option<Direction>, EntityFault> {
        i.and_then(|i| e.maybe_instance(i)).map(|id| shapes.direction(id)).transpose()
    };
    let first = direction(of, at.checked_sub(2))?;
    let second = direction(of, at.checked_sub(1))?;
    let third = if complex.is_some() { direction(own, Some(0))? } else { direction(of, Some(at + 2))? };
    let scale = match of.value(at + 1) {
        None | Some(Value::Missing | Value::Derived) => 1.0,
        Some(_) => of.real(at + 1)?,
    };
    if !((scale - 1.0).abs() <= NO_SCALE) {
        return Err(EntityFault::Scaled { id: own.id, kind: OPERATOR, scale });
    }
    let z = third.unwrap_or(Direction::Z);
    let along_x = z.vector().x.abs() > 1.0 - NO_SENSE;
    let x = first.unwrap_or(if along_x { Direction::Y } else { Direction::X });
    let mut axes = Axes::new(shapes.point(of.instance(at)?)?, z, Some(x));
    let side = axes.y.dot(&second.unwrap_or(Direction::Y).vector());
    match second {
        _ if side > NO_SENSE => {}
        Some(_) if side < -NO_SENSE => axes.y = -axes.y,
        Some(_) => return Err(own.senseless("the axes of the operator do not span the space")),
        // The standard's default would mirror here, which nobody means who leaves an axis out.
        None => {
            return Err(own.senseless("the operator has no second axis, so whether it mirrors is unknown"));
        }
    }
    Ok(axes)
}
