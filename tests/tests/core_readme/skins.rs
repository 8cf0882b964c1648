//! Figures of what is held against the skin about it, on points in closed form.

use scantling_core::geometry::{Direction, Point, Vector, math};
use scantling_core::tolerance::{Countersink, Protrusion, SinkSize, SkinPlane, Surface};

use super::asked::{found, told};

/// Where the skin lies on the nominal.
fn skin() -> SkinPlane {
    SkinPlane { at: Point::origin(), axis: Direction::Z, normal: Direction::Z }
}

/// A ring of skin between two radii that lies `off` its nominal, z = 0, or a disc.
fn ring(from: f64, to: f64, off: impl Fn(&Point) -> f64) -> Surface {
    let mut ring = Surface::default();
    for i in 0..40 {
        for k in 0..6 {
            let turn = std::f64::consts::TAU * f64::from(i) / 40.0;
            let radius = from + (to - from) * f64::from(k) / 5.0;
            let p = Point::new(radius * math::cos(turn), radius * math::sin(turn), 0.0);
            ring.points.push(p + Vector::z() * off(&p));
            ring.normals.push(Direction::Z);
            ring.deviations_mm.push(off(&p));
        }
    }
    ring
}

/// A cone of 90 degrees, 9 wide at z = 0, in a skin that lies 0.1 high, over a hole of 6.
fn sink(size: SinkSize) -> f64 {
    let round = |radius: &dyn Fn(f64) -> f64, from: f64, to: f64| {
        let ring = ring(1.0, 2.0, |_| 0.0);
        let points = (0..40).flat_map(|i| {
            let turn = std::f64::consts::TAU * f64::from(i) / 40.0;
            (0..6).map(move |k| (turn, from + (to - from) * f64::from(k) / 5.0))
        });
        let points =
            points.map(|(turn, z)| Point::new(radius(z) * math::cos(turn), radius(z) * math::sin(turn), z));
        Surface { points: points.collect(), ..ring }
    };
    let surfaces = [round(&|z| 4.5 + z, -1.2, -0.3), ring(5.5, 10.5, |_| 0.1), round(&|_| 3.0, -2.7, -1.8)];
    let rule =
        Countersink { at: Point::origin(), axis: Direction::Z, skin: skin(), half_angle_rad: None, size };
    found(&rule, &surfaces).numbers[0].value
}

pub(super) fn sink_diameter() -> String {
    format!("90 degrees, 9 wide, in a skin 0.1 high: {}", told(9.2, sink(SinkSize::Diameter), 1e-6))
}

pub(super) fn sink_depth() -> String {
    format!("the same over a hole of 6: {}", told(1.6, sink(SinkSize::Depth), 1e-6))
}

pub(super) fn protrusion() -> String {
    let rule = Protrusion { at: Point::new(0.0, 0.0, 0.2), normal: Direction::Z, skin: skin() };
    let face = ring(1.0, 5.0, |p| -0.1 + 0.01 * p.x);
    let about = ring(7.0, 12.0, |p| 0.04 + 0.006 * p.x);
    let value = found(&rule, &[face, about]).numbers[0].value;
    format!("a face 0.2 high, 0.1 too low, in a tilted skin 0.04 high: {}", told(0.06, value, 1e-9))
}
