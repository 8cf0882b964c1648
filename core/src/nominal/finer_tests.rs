//! Meshes that were made finer after they were made.

use super::*;

#[test]
fn round_walls_whose_facets_were_divided_further_are_cylinders_still() {
    for facets in [24, 48, 96] {
        for single in [false, true] {
            let mut plate = Builder::default();
            plate.drilled_plate(40.0, 6.0, 5.0, facets);
            let (plate, motion) = plate.divided().divided().moved(single);
            let n = plate.nominal(None).unwrap();
            sound(&n);
            assert_eq!((n.faces().len(), planes(&n)), (7, 6), "{facets} facets, single {single}");
            let [(point, _, radius, hollow)] = cylinders(&n)[..] else { panic!("one cylinder") };
            let accuracy = if single { 3e-5 } else { 1e-10 };
            assert!(hollow && (radius - 5.0).abs() < accuracy, "{radius}");
            assert!((point - motion.point(&Point::new(0.0, 0.0, 3.0))).norm() < accuracy, "{point}");
        }
    }
    // Where flat faces run into the bend, they stay planes.
    let mut sheet = Builder::default();
    sheet.bent_sheet(20.0, 5.0, 30.0, 12);
    let n = sheet.divided().divided().nominal(Some(Side::BehindNormal)).unwrap();
    sound(&n);
    assert_eq!((n.faces().len(), planes(&n)), (3, 2));
    let [(_, _, radius, _)] = cylinders(&n)[..] else { panic!("one cylinder") };
    assert!((radius - 5.0).abs() < 1e-10, "{radius}");
    // An ellipse becomes no more of one: nearly round ones have arcs that pass for circles, whole they never do.
    for wide in [5.002, 5.05, 5.5] {
        let of = |times: usize| {
            let at = |i: usize, z: f64| {
                let a = std::f64::consts::TAU * i as f64 / 64.0;
                Point::new(5.0 * math::cos(a), wide * math::sin(a), z)
            };
            let mut tube = Builder::default();
            (0..64).for_each(|i| tube.quad([at(i, 0.0), at(i + 1, 0.0), at(i + 1, 8.0), at(i, 8.0)]));
            let divided = (0..times).fold(tube, |tube, _| tube.divided());
            let n = divided.nominal(Some(Side::BehindNormal)).unwrap();
            (cylinders(&n).len(), n.faces().len())
        };
        let ((as_made, _), (cylinders, faces)) = (of(0), of(2));
        assert!(cylinders <= as_made && !(cylinders > 0 && faces == 1), "{wide}: {cylinders} of {as_made}");
    }
}

#[test]
fn a_row_of_slivers_does_not_cut_a_curved_sheet() {
    // Columns of vertices 3 mm apart, two of them only 0.6 micrometres: each sliver between those has its longest edge in common
    // with another, and lies as steep as the sheet bends over 3 mm.
    let at = |x: f64, y: f64| Point::new(x, y, -4e-4 * (x * x + y * y));
    let mut sheet = Builder::default();
    let (rows, seam, skew) = (8, 9.0, 0.4);
    for i in 0..rows {
        let (y, z) = (3.0 * f64::from(i), 3.0 * f64::from(i + 1));
        for column in 0..3 {
            let (x, next) = (3.0 * f64::from(column), 3.0 * f64::from(column + 1));
            sheet.quad([at(x, y), at(next, y), at(next, z), at(x, z)]);
            let (x, next) = (seam + 6e-4 + x, seam + 6e-4 + next);
            sheet.quad([at(x, y + skew), at(next, y + skew), at(next, z + skew), at(x, z + skew)]);
        }
        let beside = seam + 6e-4;
        sheet.triangle([at(seam, y), at(beside, z + skew), at(seam, z)]);
        sheet.triangle([at(seam, y), at(beside, y + skew), at(beside, z + skew)]);
    }
    let n = sheet.nominal(Some(Side::BehindNormal)).unwrap();
    let normal = |t: u32| n.mesh().normal(t).unwrap().vector().z;
    assert!((0..n.mesh().triangles().len() as u32).any(|t| normal(t) < 0.8), "slivers lie askew");
    sound(&n);
    assert_eq!((n.faces().len(), planes(&n)), (1, 0));
}
