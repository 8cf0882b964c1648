use super::*;
use crate::geometry::random::Random;
use crate::run::quiet;

fn clouds() -> Vec<Vec<Point>> {
    let mut random = Random::seeded(6);
    let mut sheet: Vec<Point> = (0..700)
        .map(|_| Point::new(random.range(-9.0, 9.0), random.range(-9.0, 9.0), random.range(-0.1, 0.1)))
        .collect();
    sheet.extend_from_within(3..60);
    sheet.push(Point::new(f64::NAN, 0.0, 0.0));
    sheet.push(Point::new(1e6, f64::INFINITY, 0.0));
    sheet.push(Point::new(1e6, 1e6, -1e6));
    // A lattice is full of equal distances.
    let lattice = (0..600).map(|i| Point::from([i % 10, i / 10 % 10, i / 100].map(f64::from)));
    let same = vec![Point::new(1.0, 2.0, 3.0); 90];
    vec![sheet, lattice.collect(), same, vec![Point::origin()], vec![]]
}

fn slow(points: &[Point], p: &Point, k: usize) -> Vec<(f64, u32)> {
    let mut all: Vec<(f64, u32)> = (0..)
        .zip(points)
        .filter(|(_, q)| q.iter().all(|c| c.is_finite()))
        .map(|(i, q)| (squared(q.x - p.x, q.y - p.y, q.z - p.z), i))
        .collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    all.truncate(k);
    all
}

#[test]
fn neighbours_are_those_of_brute_force() {
    for points in clouds() {
        let tree = PointTree::new(&points);
        for k in [0, 1, 2, 7, 20, 100, 5000] {
            let found = tree.k_nearest(k, &quiet()).unwrap();
            for (i, p) in points.iter().enumerate().step_by(if k > 50 { 17 } else { 1 }) {
                let mut wanted: Vec<u32> = Vec::new();
                if p.iter().all(|c| c.is_finite()) {
                    let all = slow(&points, p, usize::MAX);
                    wanted.extend(all.iter().map(|r| r.1).filter(|&n| n as usize != i).take(k));
                }
                assert_eq!(found.of(i), wanted, "{k} of {i} among {}", points.len());
            }
        }
        let mut random = Random::seeded(7);
        for _ in 0..100 {
            let p = Point::new(random.range(-12.0, 12.0), random.range(-12.0, 12.0), random.range(-2.0, 2.0));
            let wanted: Vec<(u32, f64)> =
                slow(&points, &p, 9).into_iter().map(|(d2, i)| (i, d2.sqrt())).collect();
            assert_eq!(tree.nearest(&p, 9), wanted);
        }
        assert!(tree.nearest(&Point::new(f64::NAN, 0.0, 0.0), 3).is_empty());
    }
}

#[test]
fn threads_change_nothing() {
    let points = &clouds()[0];
    let answer = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| PointTree::new(points).k_nearest(8, &quiet()).unwrap())
    };
    assert_eq!(answer(1), answer(5));
}
