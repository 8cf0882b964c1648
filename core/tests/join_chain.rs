//! Three scans of which the last shares nothing with the first: how they lie to each other, and how surely, by way of the second.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

mod bench;

use bench::{Bench, Cell};
use rayon::prelude::*;
use scantling_core::filter::Correlated;
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector};
use scantling_core::partition::{JoinInput, Joined, Partition, PartitionSettings};
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;

const NOISE_MM: f64 = 0.03;

/// What each scan sees, along x.
const SEES_MM: [[f64; 2]; 3] = [[-1.0, 66.0], [54.0, 106.0], [94.0, 161.0]];

fn bench() -> Bench {
    Bench { rows: vec![vec![Cell::Hole(8.0), Cell::Hole(8.0), Cell::Hole(8.0), Cell::Hole(8.0)]] }
}

fn bowed(p: &Point) -> Point {
    let x = p.x - 80.0;
    p + Vector::new(0.0, 4e-5 * x * x, 5e-5 * x * x)
}

/// A small motion of the part about the middle of the block.
fn small(random: &mut Random) -> Motion<PartFrame, PartFrame> {
    let mut any = |by: f64| Vector::new(random.normal(), random.normal(), random.normal()) * by;
    let (turn, shift) = (any(2e-4), any(0.05));
    Motion::turn_about(Point::new(80.0, 20.0, -12.0), turn, shift)
}

#[test]
fn a_chain_of_scans_is_as_uncertain_at_its_end_as_it_says() {
    let (bench, run) = (bench(), quiet());
    let nominal = bench.nominal();
    let tree = SurfaceTree::new(nominal.mesh());
    let settings = PartitionSettings { reach_mm: 5.0, min_cos: 0.5 };
    let here = Motion::<PartFrame, ScanFrame>::identity();
    let there = here.inverse();
    let seeds = 80u64;
    let corner = Point::new(160.0, 40.0, 0.0);
    let ways = [Direction::X, Direction::Y, Direction::Z];
    let joined = |scan: &Scan, correlated: &[Correlated]| {
        let partition = Partition::new(&run, &nominal, &tree, scan, here, &settings).unwrap();
        let input = JoinInput {
            nominal: &nominal,
            scan,
            partition: &partition,
            noise_mm: NOISE_MM,
            correlated,
            reach_mm: 5.0,
        };
        Joined::new(&run, &input, &[]).unwrap()
    };
    let one = |seed: u64| -> [[f64; 2]; 3] {
        let mut random = Random::seeded(seed);
        let mut off = vec![Motion::identity()];
        off.extend((1..3).map(|_| small(&mut random)));
        let pieces: Vec<Scan> = (0..3)
            .map(|k| {
                let mut raw = RawScan { normals: Some(Vec::new()), ..RawScan::default() };
                for (_, p, n) in bench.sampled(1.6, &mut random) {
                    let q = bowed(&p) + n * (NOISE_MM * random.normal());
                    if (SEES_MM[k][0]..SEES_MM[k][1]).contains(&p.x) {
                        raw.points.push(there.point(&off[k].point(&q)));
                        raw.normals.as_mut().unwrap().push(there.vector(&off[k].vector(&n)));
                    }
                }
                Scan::new(raw, LengthUnit::Millimetre, &run).unwrap()
            })
            .collect();
        let still = Motion::identity();
        let scan = pieces[0].with(&[(&pieces[1], still), (&pieces[2], still)]);
        let found = joined(&scan, &[]).unwrap();
        assert!(found.shared > 100 && found.ratio < 1.5, "{} {}", found.shared, found.ratio);
        let left = (found.onto_the_first(2) * off[2]).point(&corner) - corner;
        if seed == 1 {
            // Alone there is nothing to join, and noise that each scan shares within itself makes it less sure.
            assert!(joined(&pieces[0], &[]).is_none());
            let shared = Correlated { standard_mm: 0.02, length_mm: 8.0, shifts: false, each_pass: false };
            let less = joined(&scan, &[shared]).unwrap();
            let of = |j: &Joined| j.standard_mm(2, &corner, Direction::Z);
            assert!(of(&less) > 1.5 * of(&found), "{} {}", of(&less), of(&found));
            // Each column is one independent motion of all scans but the first.
            let columns = found.uncertainties();
            assert_eq!(columns.len(), 12);
            let square: f64 = columns
                .iter()
                .map(|c| {
                    assert_eq!(c[0].at(found.centre, &corner), Vector::zeros());
                    let z = c[2].at(found.centre, &corner).z;
                    z * z
                })
                .sum();
            assert!((square.sqrt() / of(&found) - 1.0).abs() < 1e-6);
        }
        ways.map(|w| [left.dot(&w.vector()), found.standard_mm(2, &corner, w)])
    };
    let all: Vec<[[f64; 2]; 3]> = (1..=seeds).into_par_iter().map(one).collect();
    for (k, way) in ["x", "y", "z"].into_iter().enumerate() {
        let rms = |i: usize| (all.iter().map(|a| a[k][i] * a[k][i]).sum::<f64>() / seeds as f64).sqrt();
        println!(
            "end of the chain along {way}: off {:.5} mm rms, told {:.5}, ratio {:.3}",
            rms(0),
            rms(1),
            rms(0) / rms(1)
        );
        assert!((0.8..=1.25).contains(&(rms(0) / rms(1))), "{way}: {} of {}", rms(0), rms(1));
    }
}
