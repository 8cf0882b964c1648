use super::*;
use crate::geometry::math;
use crate::geometry::random::Random;
use std::f64::consts::TAU;

/// A wall of 8 mm diameter between 0.3 and 2.7 mm of depth, at 0.5 mm, that is off by `form`.
fn wall(seed: u64, form: impl Fn(f64, f64) -> f64) -> (Vec<OnWall>, Wall) {
    let mut random = Random::seeded(seed);
    let turn_mm = TAU * 4.0;
    let points = (0..240)
        .map(|_| {
            let (turn, deep) = (TAU * random.unit(), 0.3 + 2.4 * random.unit());
            OnWall {
                along_mm: 4.0 * turn,
                deep_mm: deep,
                off_mm: form(turn, deep) + 0.02 * random.normal(),
                across: [-math::cos(turn), -math::sin(turn)],
            }
        })
        .collect();
    (points, Wall { turn_mm, deep_mm: [0.3, 2.7], strip_mm: 0.0, spacing_mm: 0.5, noise_mm: 0.02 })
}

#[test]
fn a_wall_that_lies_leans_and_is_wide_otherwise_stays_whole() {
    let mut lost = 0;
    for seed in 0..200 {
        let (points, wall) = wall(seed, |turn, deep| {
            0.2 + 0.3 * math::cos(turn) + (deep - 1.5) * (0.05 * math::sin(turn) + 0.02)
        });
        lost += sound(&points, &wall).iter().filter(|k| !**k).count();
    }
    // By chance a cell of noise is off now and then.
    assert!(lost < 240 * 200 / 200, "{lost} of {}", 240 * 200);
}

#[test]
fn what_turns_away_at_an_end_is_left_out_where_it_does() {
    // A quarter of the turn broke out at 45 degrees from a depth of 2 mm on; a chamfer of 0.8 mm goes all round the other end.
    let form = |turn: f64, deep: f64| {
        let broken = if turn < 1.57 { (deep - 2.0f64).max(0.0) } else { 0.0 };
        -broken - (0.8 - deep).max(0.0)
    };
    let (mut stray, mut left, mut all) = (0, 0, 0);
    for seed in 0..100 {
        let (points, wall) = wall(seed, form);
        for (p, keep) in points.iter().zip(sound(&points, &wall)) {
            let turn = p.along_mm / 4.0;
            let off = form(turn, p.deep_mm);
            stray += usize::from(keep && off < -0.05);
            if off == 0.0 {
                all += 1;
                left += usize::from(!keep);
            }
        }
    }
    println!("{stray} strays kept, {left} of {all} good points left out");
    assert!(stray * 100 < all, "{stray} of {all}");
    assert!(left * 5 < all, "{left} of {all}");
}

#[test]
fn too_few_points_stay_as_they_are() {
    let (points, wall) = wall(1, |_, deep| if deep > 2.0 { 1.0 } else { 0.0 });
    assert!(sound(&points[..20], &wall).iter().all(|k| *k));
    assert!(sound(&[], &wall).is_empty());
    let flat = Wall { deep_mm: [1.0, 1.0], ..wall };
    assert!(sound(&points, &flat).iter().all(|k| *k));
}
