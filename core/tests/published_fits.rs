//! Fits against published reference answers (source and licence: `tests/data/nist_ats/README.md`).

#![allow(clippy::unwrap_used, reason = "a test that cannot read its data must fail")]

mod published_sets;

use published_sets::{Worst, angle, sets};
use scantling_core::associate::{Shape, associate, circle, cone, cylinder, plane, sphere};
use scantling_core::geometry::{Direction, Point, Vector};
use scantling_core::run::quiet;

/// What the sets allow when fitted where they are, mm and rad. 1e-11 is reachable; the coordinates carry
/// five decimals and the answers twenty digits.
const HERE: f64 = 1e-9;
/// Four and a half metres away the coordinates themselves are rounded to 9e-13 mm.
const AWAY: f64 = 1e-8;

fn check(what: &str, by: Vector, limit: f64) {
    let mut planes = Worst::default();
    for set in sets("Plane", "pla") {
        let set = set.moved(by);
        let fit = plane(&set.points).unwrap();
        let errors = [angle(fit.normal, set.direction()), fit.distance(&set.place()).abs()];
        planes.see(&set.name, &errors);
        assert_eq!(fit.points, set.points.len());
    }
    planes.below(&format!("planes {what}"), limit);

    let mut circles = Worst::default();
    for set in sets("Circle2d", "cir2d") {
        let set = set.moved(by);
        let fit = circle(&set.points, set.direction()).unwrap();
        let off = (fit.centre - set.place()).cross(&set.direction().vector()).norm();
        circles.see(&set.name, &[off, (fit.diameter_mm() - set.fit[6]).abs()]);
    }
    circles.below(&format!("circles {what}"), limit);

    let mut cylinders = Worst::default();
    for set in sets("Cylinder", "cyl") {
        let set = set.moved(by);
        let fit = cylinder(&set.points).unwrap_or_else(|e| panic!("{}: {e}", set.name));
        let errors = [
            angle(fit.axis, set.direction()),
            fit.distance_from_axis(&set.place()),
            (fit.diameter_mm() - set.fit[6]).abs(),
        ];
        cylinders.see(&set.name, &errors);
    }
    cylinders.below(&format!("cylinders {what}"), limit);

    // Sphere 9 is met exactly by its four points.
    let mut spheres = Worst::default();
    for set in sets("Sphere", "sph") {
        let set = set.moved(by);
        let fit = sphere(&set.points).unwrap_or_else(|e| panic!("{}: {e}", set.name));
        let off = (fit.centre - set.place()).norm();
        spheres.see(&set.name, &[off, (fit.diameter_mm() - set.fit[3]).abs()]);
    }
    spheres.below(&format!("spheres {what}"), limit);

    // Cone 3 has nine points and opens by 169 degrees, Cones 15 and 19 by 2.4 and 3.3, Cone 7 six points.
    let mut cones = Worst::default();
    for set in sets("Cone", "con") {
        let set = set.moved(by);
        let fit = cone(&set.points).unwrap_or_else(|e| panic!("{}: {e}", set.name));
        // Through the six points of Cone 7 goes a needle, too.
        assert_eq!(fit.rivals.len(), usize::from(set.number == 7), "{}", set.name);
        assert!(fit.axis.dot(set.direction()) > 0.0, "{}: the axis points to the open end", set.name);
        let errors = [
            angle(fit.axis, set.direction()),
            fit.distance_from_axis(&set.place()),
            // The reference's distance from its point square to the surface.
            (-fit.distance(&set.place()) - set.fit[6]).abs(),
            (fit.apex_angle_rad() - set.fit[7].to_radians()).abs(),
        ];
        cones.see(&set.name, &errors);
    }
    cones.below(&format!("cones {what}"), limit);
}

#[test]
fn fits_agree_with_the_published_answers() {
    check("as given", Vector::zeros(), HERE);
}

#[test]
fn fits_agree_four_and_a_half_metres_away() {
    check("4,500 mm away", Vector::new(4500.0, 0.0, 0.0), AWAY);
    check("4,500 mm away askew", Vector::new(-2600.0, 2600.0, 2600.0), AWAY);
}

#[test]
fn fits_agree_twelve_metres_away() {
    check("12 m away", Vector::new(-7000.0, 7000.0, 7000.0), AWAY);
}

fn flat(points: &[(f64, f64)]) -> Vec<Point> {
    points.iter().map(|&(x, y)| Point::new(x, y, 0.0)).collect()
}

/// Gander, Golub and Strebel, "Least-squares fitting of circles and ellipses", BIT 34, 1994, first example,
/// prints centre (4.7398, 2.9835) and radius 4.7142; the further digits are the root of the gradient found
/// with 40 digits.
#[test]
fn six_points_of_gander_golub_and_strebel() {
    let fit =
        circle(&flat(&[(1., 7.), (2., 6.), (5., 8.), (7., 7.), (9., 5.), (3., 7.)]), Direction::Z).unwrap();
    assert!((fit.centre.x - 4.739_782_410_906_074).abs() < 1e-12, "{fit:?}");
    assert!((fit.centre.y - 2.983_532_699_292_475).abs() < 1e-12, "{fit:?}");
    assert!((fit.radius_mm - 4.714_226_037_792_11).abs() < 1e-12, "{fit:?}");
    assert!((fit.rms_mm * fit.rms_mm * 6.0 - 1.227_599_078_2).abs() < 1e-9, "{fit:?}");
}

/// Six points of the SciPy cookbook's page on the least-squares circle; the digits were recomputed.
#[test]
fn six_points_of_a_cookbook() {
    let points = flat(&[(9., 34.), (35., 10.), (-13., 6.), (10., -14.), (23., 27.), (0., -10.)]);
    let fit = circle(&points, Direction::Z).unwrap();
    assert!((fit.centre.x - 10.500_09).abs() < 1e-5, "{fit:?}");
    assert!((fit.centre.y - 9.659_95).abs() < 1e-5, "{fit:?}");
    assert!((fit.radius_mm - 23.333_53).abs() < 1e-5, "{fit:?}");
    assert!((fit.rms_mm * fit.rms_mm * 6.0 - 7.711_852_239).abs() < 1e-8, "{fit:?}");
}

/// The one call gives the same as the fits themselves, on every published set.
#[test]
fn one_call_for_all_shapes_agrees_with_the_published_answers() {
    for (shape, folder, stem, size) in [
        (Shape::Plane, "Plane", "pla", None),
        (Shape::Circle, "Circle2d", "cir2d", Some(6)),
        (Shape::Sphere, "Sphere", "sph", Some(3)),
        (Shape::Cylinder, "Cylinder", "cyl", Some(6)),
        (Shape::Cone, "Cone", "con", None),
    ] {
        for set in sets(folder, stem) {
            let found =
                associate(&quiet(), shape, &set.points).unwrap_or_else(|e| panic!("{}: {e}", set.name));
            if let Some(at) = size {
                let diameter = 2.0 * found.radius_mm.unwrap();
                assert!((diameter - set.fit[at]).abs() < HERE, "{}: {diameter}", set.name);
            }
            if let Some(d) = found.direction {
                let d = Direction::new(Vector::from(d)).unwrap();
                assert!(angle(d, set.direction()) < HERE, "{}", set.name);
            }
            if let Some(half) = found.half_angle_rad {
                assert!((2.0 * half - set.fit[7].to_radians()).abs() < HERE, "{}", set.name);
            }
            assert_eq!(found.points, set.points.len() as u64);
            assert_eq!(found.covariance.is_some(), found.noise_mm.is_some());
        }
    }
}
