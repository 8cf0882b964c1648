//! Holes and slots in a skin of 3 mm: bias and scatter of place and size over many scans in closed form, with white noise,
//! against what the points of the straight wall can tell at best, worked out here from those very points; with a chamfer, a
//! burr, breakout, a tilted skin, half a wall and rims alone.
#![allow(clippy::unwrap_used, reason = "a test says where it fails")]

mod thin;

use rayon::prelude::*;
use scantling_core::geometry::{Cholesky, Point, Vector};
use scantling_core::record::{Evaluation, Verdict};
use thin::{Asked, Made, Of, Opening, Seen};

const NOISE_MM: f64 = 0.02;

fn scans() -> u64 {
    std::env::var("THIN_SCANS").ok().and_then(|v| v.parse().ok()).unwrap_or(40)
}

/// Variances of (x, y, radius) at best: least squares on points of a wall about z, noise of one.
fn bound(wall: &[Point], opening: &Opening, made: &Made) -> [f64; 3] {
    let mut m = [[0.0; 3]; 3];
    for p in wall {
        let x = p.x - made.shift[0];
        let d = Vector::new(x - x.clamp(-opening.half, opening.half), p.y - made.shift[1], 0.0).normalize();
        let row = [d.x, d.y, 1.0];
        for i in 0..3 {
            for j in 0..3 {
                m[i][j] += row[i] * row[j];
            }
        }
    }
    let inverse = Cholesky::new(&m).unwrap().inverse();
    [inverse[0][0], inverse[1][1], inverse[2][2]]
}

fn hole(diameter: f64) -> Asked {
    let more = format!(
        "[[feature]]\nid = \"H\"\nkind = \"hole\"\npick = {{ near_mm = [0, 0, -1.5] }}\n\
         [[characteristic]]\nnumber = \"1\"\nfeature = \"H\"\nposition = {{ zone_diameter_mm = 1.0 }}\ndatum_system = \"AA\"\n\
         [[characteristic]]\nnumber = \"2\"\nfeature = \"H\"\ndiameter = {{ nominal_mm = {diameter:?}, upper_deviation_mm = 0.5, \
         lower_deviation_mm = -0.5, size = \"least_squares\" }}\n"
    );
    Asked::new(Opening::hole(diameter).nominal(), &more)
}

fn slot(opening: &Opening) -> Asked {
    let width = 2.0 * opening.radius;
    let more = format!(
        "[[feature]]\nid = \"S\"\nkind = \"slot\"\npick = {{ near_mm = [0, 0, -1.5] }}\n\
         [[characteristic]]\nnumber = \"1\"\nfeature = \"S\"\nposition = {{ zone_width_mm = 1.0 }}\ndatum_system = \"AA\"\n\
         [[characteristic]]\nnumber = \"2\"\nfeature = \"S\"\nwidth = {{ nominal_mm = {width:?}, upper_deviation_mm = 0.5, \
         lower_deviation_mm = -0.5, size = \"least_squares\" }}\n"
    );
    Asked::new(opening.nominal(), &more)
}

fn place(e: &Evaluation) -> [f64; 2] {
    let c = e.components.unwrap_or_else(|| panic!("{}: {}", e.number, e.reason));
    [c.dx_mm, c.dy_mm]
}

fn value(e: &Evaluation) -> f64 {
    e.value_mm.unwrap_or_else(|| panic!("{}: {}", e.number, e.reason))
}

/// Errors of (x, y, size) of many scans: mean, root mean square, that over the bound, and the told uncertainty of the size over
/// its root mean square.
struct Errors {
    mean: [f64; 3],
    ratio: [f64; 3],
    told: f64,
}

fn errors(
    what: &str,
    asked: &Asked,
    opening: &Opening,
    made: &Made,
    spacing: f64,
    sees: &(dyn Fn(&Seen) -> bool + Sync),
) -> Errors {
    let n = scans();
    let all: Vec<([f64; 3], [f64; 3], [f64; 2])> = (1..=n)
        .into_par_iter()
        .filter_map(|seed| {
            let taken = opening.taken(made, spacing, NOISE_MM, seed, &|s| sees(s));
            let found = asked.told(&taken.scan, NOISE_MM);
            // Of three rows of points beside a deep chamfer too few may be left to show the turn: not measured, never wrong.
            if found.iter().any(|e| e.verdict == Verdict::NotMeasured) {
                return None;
            }
            let [x, y] = place(&found[0]);
            let size = value(&found[1]) - 2.0 * (opening.radius + made.wider);
            let [bx, by, br] = bound(&taken.wall, opening, made);
            let of = |v: f64| v * NOISE_MM * NOISE_MM;
            let u = found[1].standard_uncertainty_mm.unwrap();
            let used: f64 = found[0].operators["wall_points"].parse().unwrap();
            Some((
                [x - made.shift[0], y - made.shift[1], size],
                [of(bx), of(by), 4.0 * of(br)],
                [u * u, used / taken.wall.len() as f64],
            ))
        })
        .collect();
    let lost = n - all.len() as u64;
    assert!(lost * 100 <= n, "{what}: {lost} of {n} not measured");
    let count = all.len() as f64;
    let mean: [f64; 3] = std::array::from_fn(|k| all.iter().map(|a| a.0[k]).sum::<f64>() / count);
    let square: [f64; 3] = std::array::from_fn(|k| all.iter().map(|a| a.0[k] * a.0[k]).sum::<f64>() / count);
    let best: [f64; 3] = std::array::from_fn(|k| all.iter().map(|a| a.1[k]).sum::<f64>() / count);
    let ratio: [f64; 3] = std::array::from_fn(|k| (square[k] / best[k]).sqrt());
    let told = (all.iter().map(|a| a.2[0]).sum::<f64>() / count / square[2]).sqrt();
    let used = all.iter().map(|a| a.2[1]).sum::<f64>() / count;
    println!(
        "{what}, {spacing} mm: bias {:+.5} {:+.5} size {:+.5} mm, rms over the bound {:.3} {:.3} {:.3}, told over rms of size {told:.2}, \
         points used of those on the wall {used:.3}",
        mean[0], mean[1], mean[2], ratio[0], ratio[1], ratio[2]
    );
    Errors { mean, ratio, told }
}

/// The bar with three standard errors of an rms of so many scans beside it, three numbers together.
fn within(errors: &Errors, bar: f64, bias_mm: f64) {
    let n = scans() as f64;
    let together = (errors.ratio.iter().map(|r| r * r).sum::<f64>() / 3.0).sqrt();
    assert!(together <= bar * (1.0 + 3.0 / (2.0 * 3.0 * n).sqrt()), "{together} over {bar}");
    for m in errors.mean {
        assert!(m.abs() <= bias_mm + 3.0 * 0.004 / n.sqrt(), "bias {m}");
    }
    // On few points form cannot be told from noise, so that some is told where there is none.
    assert!((0.8..2.5).contains(&errors.told), "told {}", errors.told);
}

const KINDS: [(&str, Made); 6] = {
    let plain = Made {
        shift: [0.13, -0.07],
        wider: 0.05,
        chamfer: 0.0,
        burr: 0.0,
        breakout: 0.0,
        tilt: 0.0,
        lean: 0.0,
    };
    [
        ("plain", plain),
        ("chamfer 0.3", Made { chamfer: 0.3, ..plain }),
        ("chamfer 0.6", Made { chamfer: 0.6, ..plain }),
        ("burr 0.2", Made { burr: 0.2, ..plain }),
        ("breakout 0.5", Made { breakout: 0.5, ..plain }),
        ("breakout 1.0", Made { breakout: 1.0, ..plain }),
    ]
};

#[test]
fn holes_are_told_by_their_straight_wall_whatever_is_at_its_ends() {
    for (diameter, spacing) in [(6.4, 0.4), (8.0, 0.5), (10.0, 0.8)] {
        let asked = hole(diameter);
        for (what, made) in &KINDS {
            let what = format!("hole {diameter} mm, {what}");
            let found = errors(&what, &asked, &Opening::hole(diameter), made, spacing, &|_| true);
            within(&found, 1.15, 0.003);
        }
    }
}

/// Variances of (place across, width) at best, noise of one: least squares of two parallel lines on the points that truly lie on the
/// straight flanks. The round ends are none of the width (ISO 14405-1: two opposite parallel planes; from memory), so they tell
/// nothing of its middle either.
fn bound_of_slot(wall: &[Point], opening: &Opening, made: &Made) -> [f64; 2] {
    let mut m = [[0.0; 3]; 3];
    for p in wall {
        let (x, y) = (p.x - made.shift[0], p.y - made.shift[1]);
        if x.abs() > opening.half {
            continue;
        }
        let row = [1.0, x, y.signum()];
        for i in 0..3 {
            for j in 0..3 {
                m[i][j] += row[i] * row[j];
            }
        }
    }
    let inverse = Cholesky::new(&m).unwrap().inverse();
    [inverse[0][0], 4.0 * inverse[2][2]]
}

#[test]
fn slots_are_told_by_their_straight_flanks_whatever_is_at_their_ends() {
    for (opening, spacing) in
        [(Opening { half: 4.0, radius: 4.0 }, 0.5), (Opening { half: 6.0, radius: 3.2 }, 0.4)]
    {
        let asked = slot(&opening);
        for (what, made) in &KINDS {
            let n = scans();
            let all: Vec<[f64; 5]> = (1..=n)
                .into_par_iter()
                .map(|seed| {
                    let taken = opening.taken(made, spacing, NOISE_MM, seed, &|_| true);
                    let found = asked.told(&taken.scan, NOISE_MM);
                    let y = place(&found[0])[1] - made.shift[1];
                    let size = value(&found[1]) - 2.0 * (opening.radius + made.wider);
                    let best = bound_of_slot(&taken.wall, &opening, made).map(|v| v * NOISE_MM * NOISE_MM);
                    let u = found[1].standard_uncertainty_mm.unwrap();
                    [y, size, best[0], best[1], u * u]
                })
                .collect();
            let mean = |k: usize| all.iter().map(|a| a[k]).sum::<f64>() / n as f64;
            let square = |k: usize| all.iter().map(|a| a[k] * a[k]).sum::<f64>() / n as f64;
            let ratio = [(square(0) / mean(2)).sqrt(), (square(1) / mean(3)).sqrt()];
            let told = (mean(4) / square(1)).sqrt();
            println!(
                "slot {} x {} mm, {spacing} mm, {what}: bias across {:+.5} width {:+.5} mm, rms over the bound {:.3} {:.3}, told over rms of \
                 width {told:.2}",
                2.0 * opening.radius,
                2.0 * (opening.half + opening.radius),
                mean(0),
                mean(1),
                ratio[0],
                ratio[1]
            );
            let known = 1.0 + 3.0 / (2.0 * 2.0 * n as f64).sqrt();
            let together = (0.5 * (ratio[0] * ratio[0] + ratio[1] * ratio[1])).sqrt();
            assert!(together <= 1.15 * known, "{what}: {ratio:?}");
            for k in 0..2 {
                assert!(
                    mean(k).abs() <= 0.002 + 3.0 * (square(k) / n as f64).sqrt(),
                    "{what}: bias {}",
                    mean(k)
                );
            }
            assert!((0.7..2.0).contains(&told), "{what}: told {told}");
        }
    }
}

#[test]
fn half_of_the_flanks_is_helped_by_the_rims_and_rims_alone_tell_the_middle_of_a_slot() {
    let opening = Opening { half: 5.0, radius: 4.0 };
    let asked = slot(&opening);
    let made = Made { shift: [0.1, -0.07], wider: 0.05, chamfer: 0.3, ..Made::default() };
    let n = scans();
    let one = |seed: u64| -> [[f64; 3]; 2] {
        let of_wall = |s: &Seen| matches!(s.of, Of::Wall | Of::Other);
        // One flank of the wall and the upper skin; the skins alone.
        let half = |s: &Seen| s.of != Of::Lower && !(of_wall(s) && s.normal.y > 0.0);
        let none = |s: &Seen| !of_wall(s);
        let each = [(&half as &dyn Fn(&Seen) -> bool, "wall and rim"), (&none, "rim")];
        each.map(|(sees, evidence)| {
            let taken = opening.taken(&made, 0.5, NOISE_MM, seed, sees);
            let found = asked.told(&taken.scan, NOISE_MM);
            let told = found[0].operators.get("evidence").map(String::as_str);
            assert_eq!(told, Some(evidence), "{}", found[0].reason);
            assert_eq!(found[1].verdict, Verdict::NotMeasured, "of one flank there is no width");
            assert!(found[1].value_mm.is_none());
            let y = place(&found[0])[1] + 0.07;
            let u = found[0].standard_uncertainty_mm.unwrap();
            // The value is twice the distance.
            [y, y * y, 0.25 * u * u].map(|x| x / n as f64)
        })
    };
    let all: Vec<[[f64; 3]; 2]> = (1..=n).into_par_iter().map(one).collect();
    let sums: [[f64; 3]; 2] =
        std::array::from_fn(|k| std::array::from_fn(|i| all.iter().map(|a| a[k][i]).sum()));
    println!("one flank and the upper rim: {:?}; rims alone: {:?}", sums[0], sums[1]);
    for [mean, square, told] in sums {
        // Points one to each square of 0.5 mm, whose rows run along the flanks: where a row was cut is the same in all scans, and moves
        // the end of the skin by a small part of a row (a tenth on each of two flanks).
        assert!(mean.abs() < 0.025 + 3.0 * (square / n as f64).sqrt(), "{mean}");
        // The last of points in no order lies within 1 / (density x length) of the end of the skin: 0.25 mm on each millimetre.
        assert!(square.sqrt() < 0.1, "{}", square.sqrt());
        assert!((0.5..3.0).contains(&(told / square).sqrt()), "told {} of {}", told.sqrt(), square.sqrt());
    }
}

#[test]
fn a_tilted_skin_is_looked_at_along_its_own_normal_and_the_record_says_so() {
    let asked = hole(10.0);
    // Three degrees, and only the upper half of one side's wall and the lower half of the other's are seen.
    let made = Made { shift: [0.1, 0.0], tilt: 0.0523, ..Made::default() };
    let sees = |s: &Seen| s.of != Of::Wall || (s.p.y > 0.0) == (s.p.z > -1.5);
    let n = scans();
    let mut mean = [0.0; 3];
    for seed in 1..=n {
        let taken = Opening::hole(10.0).taken(&made, 0.5, NOISE_MM, seed, &sees);
        let found = asked.told(&taken.scan, NOISE_MM);
        let [x, y] = place(&found[0]);
        for (m, v) in mean.iter_mut().zip([x - 0.1, y, value(&found[1]) - 10.0]) {
            *m += v / n as f64;
        }
        let axis = &found[0].operators["axis"];
        assert!(axis.starts_with("normal of the skin"), "{axis}");
        // By chance a tenth of so few rows is missing.
        assert!(found[0].operators["evidence"].starts_with("wall"));
    }
    println!("tilted skin: bias {mean:?}");
    // Along the nominal axis both halves of the wall would stand 0.75 mm x 0.052 = 0.04 mm aside.
    assert!(mean.iter().all(|m| m.abs() < 0.004), "{mean:?}");
}

#[test]
fn half_a_wall_is_helped_by_the_rims_and_rims_alone_tell_the_place() {
    let asked = hole(8.0);
    let made = Made { shift: [0.13, -0.07], wider: 0.05, chamfer: 0.3, ..Made::default() };
    let n = scans();
    let mut sums = [[0.0; 4]; 2];
    for seed in 1..=n {
        let of_wall = |s: &Seen| matches!(s.of, Of::Wall | Of::Other);
        let half = |s: &Seen| s.of != Of::Lower && !(of_wall(s) && s.normal.x < 0.0);
        let none = |s: &Seen| s.of == Of::Upper;
        for (k, sees) in [&half as &dyn Fn(&Seen) -> bool, &none].into_iter().enumerate() {
            let taken = Opening::hole(8.0).taken(&made, 0.5, NOISE_MM, seed, sees);
            let found = asked.told(&taken.scan, NOISE_MM);
            assert_eq!(found[0].operators["evidence"], ["wall and rim", "rim"][k]);
            let [x, y] = place(&found[0]);
            sums[k][0] += (x - 0.13) / n as f64;
            sums[k][1] += (y + 0.07) / n as f64;
            let square = (x - 0.13) * (x - 0.13) + (y + 0.07) * (y + 0.07);
            sums[k][2] += square / n as f64;
            if k == 0 {
                sums[k][3] += (value(&found[1]) - 8.1) / n as f64;
                assert!(found[1].verdict == Verdict::Conforms, "{}", found[1].reason);
            } else {
                assert_eq!(found[1].verdict, Verdict::NotMeasured);
                assert!(found[1].reason.contains("only the rims"), "{}", found[1].reason);
                assert!(found[0].value_mm.is_some(), "{}", found[0].reason);
            }
        }
    }
    println!("half a wall and the upper rim: {:?}; the upper rim alone: {:?}", sums[0], sums[1]);
    for s in sums {
        // The last of points in no order lies within 1 / (density x length) of the end of the skin (a Poisson process, by elementary
        // integration): 0.25 mm on each of 25 mm of the rim, 0.1 mm of its centre in both directions together.
        let slack = 3.0 * (0.5 * s[2] / n as f64).sqrt();
        assert!(s[0].abs() < 0.005 + slack && s[1].abs() < 0.005 + slack && s[2].sqrt() < 0.115, "{s:?}");
    }
    assert!(sums[0][3].abs() < 0.01 && sums[0][2].sqrt() < 0.02, "{:?}", sums[0]);
}

/// Sizes that a lean of the wall changes, of a hole and of a slot.
fn sizes(opening: &Opening, kind: &str) -> Asked {
    let (what, wide) = if opening.half > 0.0 { ("width", "S") } else { ("diameter", "H") };
    let mut more =
        format!("[[feature]]\nid = \"{wide}\"\nkind = \"{kind}\"\npick = {{ near_mm = [0, 0, -1.5] }}\n");
    for (n, size) in ["maximum_inscribed", "two_point", "envelope", "least_squares"].iter().enumerate() {
        more.push_str(&format!(
            "[[characteristic]]\nnumber = \"{n}\"\nfeature = \"{wide}\"\n{what} = {{ nominal_mm = {:?}, upper_deviation_mm = 0.5, \
             lower_deviation_mm = -0.5, size = \"{size}\" }}\n",
            2.0 * opening.radius
        ));
    }
    Asked::new(opening.nominal(), &more)
}

fn lean_line(e: &Evaluation) -> Option<f64> {
    e.budget.iter().find(|c| c.source == "lean").map(|c| c.standard_uncertainty_mm)
}

#[test]
fn a_wall_that_leans_against_its_skin_is_seen_and_is_in_the_sizes_that_it_changes() {
    let n = scans();
    for (opening, kind) in [(Opening::hole(8.0), "hole"), (Opening { half: 5.0, radius: 4.0 }, "slot")] {
        let asked = sizes(&opening, kind);
        for lean in [0.0, 0.03] {
            // Of a slot across its flanks, of a hole any way is the same: along x a slot's ends lean.
            let made = Made { lean, ..Made::default() };
            let all: Vec<Vec<[f64; 3]>> = (1..=n)
                .into_par_iter()
                .map(|seed| {
                    let taken = opening.taken(&made, 0.5, NOISE_MM, seed, &|_| true);
                    let found = asked.told(&taken.scan, NOISE_MM);
                    let one = |e: &Evaluation| {
                        let u =
                            e.standard_uncertainty_mm.unwrap_or_else(|| panic!("{}: {}", e.number, e.reason));
                        // The oblique section of the wall differs from the round one by the square of the lean, 0.004 mm.
                        [value(e) - 2.0 * opening.radius, u, lean_line(e).unwrap_or(0.0)]
                    };
                    if lean > 0.0 && kind == "hole" {
                        let words = &found[0].operators["lean"];
                        let told: f64 = words.split(' ').next().unwrap().parse().unwrap();
                        assert!((told - lean.to_degrees()).abs() < 1.0, "{words}");
                    }
                    found.iter().map(one).collect()
                })
                .collect();
            for (k, size) in
                ["maximum_inscribed", "two_point", "envelope", "least_squares"].iter().enumerate()
            {
                let rms = |i: usize| (all.iter().map(|a| a[k][i] * a[k][i]).sum::<f64>() / n as f64).sqrt();
                let mean = all.iter().map(|a| a[k][0]).sum::<f64>() / n as f64;
                let held = all.iter().filter(|a| a[k][0].abs() <= 2.0 * a[k][1]).count();
                println!(
                    "{kind}, lean {lean}, {size}: mean error {mean:+.5} mm, rms {:.5}, told {:.5} (lean {:.5}), {held} of {n} within \
                     twice the told",
                    rms(0),
                    rms(1),
                    rms(2)
                );
                // Nine in ten, by four standard errors of so many scans.
                let least = 0.9 * n as f64 - 4.0 * (0.09 * n as f64).sqrt();
                assert!(held as f64 >= least, "{kind} {size} {lean}: {held} of {n}");
                assert!(
                    rms(1) < 3.0 * rms(0).max(0.004),
                    "{kind} {size} {lean}: told {} of {}",
                    rms(1),
                    rms(0)
                );
                if *size == "maximum_inscribed" && kind == "hole" {
                    assert!(rms(2) > 0.3 * lean * 2.4, "{}", rms(2));
                }
            }
        }
    }
}

#[test]
fn a_hole_of_which_nothing_was_seen_is_not_measured() {
    let asked = hole(8.0);
    let taken = Opening::hole(8.0)
        .taken(&Made::default(), 0.5, NOISE_MM, 1, &|s| s.of == Of::Upper && s.p.coords.xy().norm() > 9.0);
    for e in asked.told(&taken.scan, NOISE_MM) {
        assert_eq!(e.verdict, Verdict::NotMeasured, "{}", e.reason);
        assert!(e.value_mm.is_none());
    }
}
