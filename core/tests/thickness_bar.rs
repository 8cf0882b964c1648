//! Intervals of the thinnest and the thickest place of a wall: how often they hold the truth, which is the same operator on
//! the noise-free made wall.
//!
//! `THICKNESS_SCANS=1000 cargo test --profile checked -p scantling-core --test thickness_bar -- --nocapture` for the bar of 92 to
//! 98 %; 60 scans of each wall otherwise, with what so few leave open.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

mod wall;

use rayon::prelude::*;
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, Point, Vector, math};
use scantling_core::record::Evaluation;
use wall::{Points, Soup, plan_of, told};

const NOISE_MM: f64 = 0.02;
const SIZE: [f64; 2] = [50.0, 36.0];

/// What was made: the thickness over x and y, mm.
type Made = fn(f64, f64) -> f64;

const WALLS: [(&str, Made); 3] = [
    ("even", |_, _| 3.0),
    ("tapered by 0.2", |x, _| 3.0 + 0.2 * x / 50.0),
    ("with a thin spot 9 wide", |x, y| 3.0 - 0.25 * math::exp(-((x - 8.0) * (x - 8.0) + y * y) / 20.0)),
];

fn upper(made: Made) -> impl Fn(f64, f64) -> Point + Sync {
    move |u, v| {
        let (x, y) = (SIZE[0] * (u - 0.5), SIZE[1] * (v - 0.5));
        Point::new(x, y, made(x, y))
    }
}

fn lower(u: f64, v: f64) -> Point {
    Point::new(SIZE[0] * (v - 0.5), SIZE[1] * (u - 0.5), 0.0)
}

#[test]
fn intervals_hold_the_thinnest_and_the_thickest_place_as_often_as_said() {
    let scans: u64 = std::env::var("THICKNESS_SCANS").ok().and_then(|v| v.parse().ok()).unwrap_or(60);
    let mut soup = Soup::default();
    soup.wall(&upper(|_, _| 3.0), &|u, v| lower(v, u), [25, 18]);
    let nominal = soup.nominal();
    let top = [("TOP", Point::new(0.0, 0.0, 3.0), Vector::z())];
    // One limit at a time, so that the value told is that extreme.
    let plan = |limit: &str| plan_of(&top, &format!("patch_radius_mm = 1.5, nominal_mm = 3.0, {limit}"), "");
    let asked = [plan("lower_deviation_mm = -0.5"), plan("upper_deviation_mm = 0.5")];
    let mut wrong = Vec::new();
    for (name, made) in WALLS {
        let scan = |count: usize, noise: f64, seed: u64| {
            let mut random = Random::seeded(seed);
            let mut points = Points::default();
            points.add(&upper(made), count, noise, &mut random, &|_| true);
            points.add(&lower, count, noise, &mut random, &|_| true);
            points.scan()
        };
        let clean = scan(300_000, 0.0, 1);
        let truth =
            asked.each_ref().map(|text| told(&nominal, text, &clean, Motion::identity()).value_mm.unwrap());
        let one = |seed: u64| -> [Evaluation; 2] {
            let noisy = scan(12_000, NOISE_MM, 1000 + seed);
            asked.each_ref().map(|text| told(&nominal, text, &noisy, Motion::identity()))
        };
        let all: Vec<[Evaluation; 2]> = (0..scans).into_par_iter().map(one).collect();
        for (k, which) in ["thinnest", "thickest"].iter().enumerate() {
            let of = |e: &[Evaluation; 2]| {
                let e = &e[k];
                (e.value_mm.unwrap() - truth[k], e.interval.unwrap(), e.standard_uncertainty_mm.unwrap())
            };
            let found: Vec<_> = all.iter().map(of).collect();
            let n = found.len() as f64;
            let held =
                found.iter().filter(|(_, i, _)| i.low_mm <= truth[k] && truth[k] <= i.high_mm).count() as f64;
            let mean = found.iter().map(|f| f.0).sum::<f64>() / n;
            let rms = (found.iter().map(|f| f.0 * f.0).sum::<f64>() / n).sqrt();
            let spread = (found.iter().map(|f| (f.0 - mean) * (f.0 - mean)).sum::<f64>() / (n - 1.0)).sqrt();
            let mut widths: Vec<f64> = found.iter().map(|f| f.1.high_mm - f.1.low_mm).collect();
            widths.sort_by(f64::total_cmp);
            let half = 0.5 * widths[widths.len() / 2];
            let share = held / n;
            println!(
                "{name}, {which}: {:.1} % of {n} intervals hold {:.4} mm; error {mean:+.4} mean, {rms:.4} rms, spread {spread:.4}; half \
                 width {half:.4} mm",
                100.0 * share,
                truth[k]
            );
            // The bar, and three standard errors for few scans.
            let slack = 3.0 * (0.05 * 0.95 / n).sqrt();
            if !(0.92 - slack..=0.98 + slack).contains(&share) {
                wrong.push(format!("{name}, {which}: {share:.3}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
