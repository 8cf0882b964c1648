use super::*;
use crate::geometry::random::Random;
use crate::geometry::{Direction, Vector};
use crate::read::{ReadError, Taken, TextLayout, read_with, take};
use crate::run::quiet;

fn raw(points: Vec<Point>) -> RawScan {
    RawScan { points, ..RawScan::default() }
}

/// A square grid of `n` x `n` points `step` apart, turned so that no side lies along an axis.
fn grid(n: usize, step: f64) -> Vec<Point> {
    let (u, v) = (Vector::new(0.36, 0.48, -0.8) * step, Vector::new(-0.8, 0.6, 0.0) * step);
    (0..n * n).map(|k| Point::from(u * (k % n) as f64 + v * (k / n) as f64)).collect()
}

#[test]
fn repeated_points_are_dropped_and_the_first_stays() {
    let mut points = grid(5, 1.0);
    points.extend(grid(5, 1.0));
    points[3] = Point::new(-0.0, 7.0, 0.0);
    points.push(Point::new(0.0, 7.0, -0.0));
    let scan = Scan::new(raw(points), LengthUnit::Millimetre, &quiet()).unwrap();
    // 25 places with the fourth moved away, whose copy keeps the old place: 26 in all.
    assert_eq!(scan.points().len(), 26);
    assert_eq!(scan.dropped(), 51 - 26);
    assert_eq!(scan.normals(), None);
    assert_eq!(scan.points().at(3).y, 7.0);
}

#[test]
fn spacing_is_that_of_the_grid_in_mm_and_outliers_do_not_change_it() {
    for (unit, factor) in
        [(LengthUnit::Millimetre, 1.0), (LengthUnit::Inch, 25.4), (LengthUnit::Metre, 1000.0)]
    {
        let mut points = grid(60, 0.25);
        points.push(Point::new(900.0, 0.0, 0.0));
        let scan = Scan::new(raw(points), unit, &quiet()).unwrap();
        assert!((scan.spacing_mm() / factor - 0.25).abs() < 1e-9, "{}", scan.spacing_mm());
    }
}

#[test]
fn spacing_is_the_median_of_brute_force() {
    let mut random = Random::seeded(5);
    let points: Vec<Point> = (0..301)
        .map(|_| Point::new(random.range(0.0, 2.0), random.range(0.0, 9.0), random.range(0.0, 4.0)))
        .collect();
    let mut slow: Vec<f64> = points
        .iter()
        .map(|p| points.iter().map(|q| (p - q).norm()).filter(|&d| d > 0.0).fold(f64::INFINITY, f64::min))
        .collect();
    slow.sort_unstable_by(f64::total_cmp);
    let scan = Scan::new(raw(points), LengthUnit::Millimetre, &quiet()).unwrap();
    assert!((scan.spacing_mm() - slow[150]).abs() < 1e-15);
}

#[test]
fn one_place_has_no_spacing() {
    let scan = Scan::new(raw(vec![Point::origin(); 9]), LengthUnit::Millimetre, &quiet()).unwrap();
    assert_eq!((scan.points().len(), scan.dropped(), scan.spacing_mm()), (1, 8, 0.0));
}

#[test]
fn normals_of_a_mesh_are_weighted_by_angle() {
    // A cube's corner whose three sides are cut into 1, 2 and 2 triangles at it: by angle each side
    // weighs the same, so the normal is the space diagonal.
    let points = vec![
        Point::origin(),
        Point::new(1.0, 0.0, 0.0),
        Point::new(0.0, 1.0, 0.0),
        Point::new(0.0, 0.0, 1.0),
        Point::new(0.0, 1.0, 1.0),
        Point::new(3.0, 0.0, 1.0),
        Point::new(9.0, 9.0, 9.0),
    ];
    let triangles = vec![[0, 1, 2], [0, 2, 4], [0, 4, 3], [0, 3, 5], [0, 5, 1]];
    let file = vec![Vector::new(0.0, 0.0, 5.0); 7];
    let mesh = RawScan { points, normals: Some(file), triangles, ..RawScan::default() };
    let scan = Scan::new(mesh, LengthUnit::Millimetre, &quiet()).unwrap();
    let normal = scan.normals().unwrap().at(0).vector();
    assert!((normal - Vector::repeat(1.0).normalize()).norm() < 1e-12, "{normal}");
    // The vertex that no triangle uses has no normal and is left out.
    assert_eq!((scan.points().len(), scan.dropped()), (6, 1));
}

#[test]
fn normals_of_a_file_are_made_unit_and_unusable_ones_leave_out_their_points() {
    let mut cloud = raw(grid(2, 1.0));
    cloud.points.push(cloud.points[1]);
    let up = Vector::new(0.0, 0.0, 4.0);
    cloud.normals = Some(vec![up, Vector::zeros(), Vector::zeros(), -up, up]);
    let scan = Scan::new(cloud.clone(), LengthUnit::Millimetre, &quiet()).unwrap();
    // The second point takes the normal of its repetition; the third has none.
    assert_eq!(scan.points().to_vec(), [cloud.points[0], cloud.points[1], cloud.points[3]]);
    assert_eq!(
        scan.normals().unwrap(),
        Normals::from(&[Direction::Z, Direction::Z, Direction::Z.reversed()][..])
    );
    assert_eq!(scan.dropped(), 2);
    cloud.normals = Some(vec![Vector::zeros(); 5]);
    let scan = Scan::new(cloud, LengthUnit::Millimetre, &quiet()).unwrap();
    assert_eq!((scan.normals(), scan.points().len()), (None, 4));
}

#[test]
fn what_is_no_scan_is_refused() {
    let new = |raw| Scan::new(raw, LengthUnit::Metre, &quiet());
    assert_eq!(new(raw(vec![])), Err(ScanError::NoPoints));
    assert_eq!(
        new(raw(vec![Point::origin(), Point::new(0.0, 1e5, 0.0)])),
        Err(ScanError::TooFar { point: 1 })
    );
    assert_eq!(new(raw(vec![Point::new(f64::NAN, 0.0, 0.0)])), Err(ScanError::TooFar { point: 0 }));
    let mut wrong = raw(vec![Point::origin()]);
    wrong.triangles = vec![[0, 0, 1]];
    assert_eq!(new(wrong), Err(ScanError::Inconsistent { points: 1, normals: 0 }));
}

#[test]
fn a_stop_is_obeyed() {
    let stop = std::sync::atomic::AtomicBool::new(true);
    let run = Run { stop: &stop, ..quiet() };
    let scan = Scan::new(raw(grid(3, 1.0)), LengthUnit::Millimetre, &run);
    assert_eq!(scan, Err(ScanError::Stopped(Stopped)));
}

/// A binary PLY of single numbers.
fn ply(rows: &[[f32; 6]]) -> Vec<u8> {
    let mut bytes =
        format!("ply\nformat binary_little_endian 1.0\nelement vertex {}\n", rows.len()).into_bytes();
    for name in ["x", "y", "z", "nx", "ny", "nz"] {
        bytes.extend(format!("property float {name}\n").bytes());
    }
    bytes.extend(b"end_header\n");
    rows.iter().flatten().for_each(|v| bytes.extend(v.to_le_bytes()));
    bytes
}

#[test]
fn a_scan_of_single_numbers_is_that_of_double_ones() {
    let mut random = Random::seeded(9);
    let mut rows: Vec<[f32; 6]> =
        (0..9000).map(|_| std::array::from_fn(|_| random.range(-7.0, 9.0) as f32)).collect();
    // Repeated, without a use, no number, without a sign.
    rows[70] = rows[7];
    rows[9][3..].copy_from_slice(&[0.0; 3]);
    rows[8][3] = f32::NAN;
    rows[6] = [-0.0, 1.0, -0.0, -0.0, 0.0, -2.0];
    let bytes = ply(&rows);
    for unit in [LengthUnit::Millimetre, LengthUnit::Inch, LengthUnit::Metre] {
        let taken = take(&bytes, &TextLayout::default(), &quiet()).unwrap();
        assert!(matches!(taken, Taken::Single { .. }) && taken.points() == 9000);
        let single = Scan::new(taken, unit, &quiet()).unwrap();
        let raw = read_with(&bytes, &TextLayout::default(), &quiet()).unwrap();
        assert_eq!(single, Scan::new(raw.clone(), unit, &quiet()).unwrap());
        // A point with more digits, and its normal, make all numbers double ones.
        let mut more = raw;
        more.points.push(Point::new(0.1, 0.2, 0.3));
        more.normals.as_mut().unwrap().push(Vector::new(0.1, 0.2, 0.3));
        let double = Scan::new(more, unit, &quiet()).unwrap();
        assert_eq!((single.points().len(), single.dropped()), (8997, 3));
        let bits = |p: Point| p.coords.map(f64::to_bits);
        assert!(single.points().iter().map(bits).eq(double.points().iter().take(8997).map(bits)));
        let normals = (single.normals().unwrap(), double.normals().unwrap());
        assert!(normals.0.iter().eq(normals.1.iter().take(8997)));
        let chosen: Vec<u32> = (0..8997).step_by(5).collect();
        assert_eq!(single.subset(&chosen).points(), double.subset(&chosen).points());
        assert_eq!(single.subset(&chosen).normals(), double.subset(&chosen).normals());
        let chunks: Vec<Point> = single.points().chunks(1000).flat_map(|c| c.iter()).collect();
        assert_eq!(chunks, single.points().to_vec());
    }
    // Anything but points, or a fault, is for the reader of all.
    rows[5][1] = f32::INFINITY;
    assert!(take(&ply(&rows), &TextLayout::default(), &quiet()).is_err());
    let mut longer = bytes;
    longer.push(b'\n');
    assert!(matches!(take(&longer, &TextLayout::default(), &quiet()), Ok(Taken::Raw(_))));
    longer.push(b'x');
    assert!(take(&longer, &TextLayout::default(), &quiet()).is_err());
    let mut text = ply(&[[0.0; 6]; 60]);
    let body = text.len() - 60 * 24;
    text.splice(body.., b"1.0 2.0 0.0 0.0 0.0 1.0\n".repeat(60));
    let told = take(&text, &TextLayout::default(), &quiet()).unwrap_err();
    assert!(matches!(told, ReadError::TextInsteadOfBinary { .. }), "{told}");
}
