//! Fits a plane and a circle to the points of a plate with a hole.

use scantling_core::associate::{FitError, circle, minimum_zone_plane, plane};
use scantling_core::geometry::{Direction, Point, math, random::Random};

fn main() -> Result<(), FitError> {
    let mut random = Random::seeded(1);
    let face: Vec<Point> = (0..500)
        .map(|_| Point::new(random.range(0.0, 80.0), random.range(0.0, 50.0), 0.01 * random.normal()))
        .collect();
    let edge: Vec<Point> = (0..90)
        .map(|i| {
            let angle = 0.07 * f64::from(i);
            let radius = 6.0 + 0.01 * random.normal();
            Point::new(40.0 + radius * math::cos(angle), 25.0 + radius * math::sin(angle), 0.0)
        })
        .collect();

    let flat = plane(&face)?.facing(Direction::Z);
    let zone = minimum_zone_plane(&face)?;
    let hole = circle(&edge, flat.normal)?;
    let spread = hole.rms_mm * 2.0 * hole.unit_covariance[2][2].sqrt();
    println!("plane:  rms {:.4} mm over {} points", flat.rms_mm, flat.points);
    println!("zone:   {:.4} mm between points {:?} and {:?}", zone.width_mm, zone.above, zone.below);
    println!("circle: diameter {:.4} mm, standard uncertainty {spread:.4} mm", hole.diameter_mm());
    println!("        centre ({:.4}, {:.4}) mm", hole.centre.x, hole.centre.y);
    Ok(())
}
