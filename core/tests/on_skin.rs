//! What is sunk into a skin or stands in it: countersinks, bonded inserts, studs. Truths in closed form, white noise, bounds worked
//! out here from the very points that are used.
#![allow(clippy::unwrap_used, reason = "a test says where it fails")]

mod thin;
mod turned;

use rayon::prelude::*;
use scantling_core::geometry::{Cholesky, Point, Vector};
use scantling_core::plan;
use scantling_core::record::{Evaluation, Verdict};
use thin::{Asked, HEAD};
use turned::Turned;

fn scans() -> u64 {
    std::env::var("THIN_SCANS").ok().and_then(|v| v.parse().ok()).unwrap_or(40)
}

/// What is looked at of a part; the rest only takes time.
fn near(p: &Point) -> bool {
    p.z > -2.99 && p.coords.xy().norm() < 13.0
}

fn value(e: &Evaluation) -> f64 {
    e.value_mm.unwrap_or_else(|| panic!("{}: {}", e.number, e.reason))
}

const SINK: &str = "[[feature]]\nid = \"H\"\nkind = \"hole\"\npick = { near_mm = [0, 0, -2.2] }\n\
    [[feature]]\nid = \"K\"\nkind = \"countersink\"\ncountersink = { of = \"H\" }\n\
    [[datum_system]]\nid = \"H\"\ndatum = [ { letter = \"B\", feature = \"H\", association = \"least_squares\" } ]\n\
    [[characteristic]]\nnumber = \"1\"\nfeature = \"K\"\ndiameter = { nominal_mm = 9.0, upper_deviation_mm = 0.5, lower_deviation_mm = -0.5, \
    size = \"least_squares\" }\n\
    [[characteristic]]\nnumber = \"2\"\nfeature = \"K\"\ndepth = { nominal_mm = 1.5, upper_deviation_mm = 0.3, lower_deviation_mm = -0.3 }\n\
    [[characteristic]]\nnumber = \"3\"\nfeature = \"K\"\nangle = { nominal_deg = 90.0, upper_deviation_deg = 2.0, lower_deviation_deg = -2.0 }\n\
    [[characteristic]]\nnumber = \"4\"\nfeature = \"K\"\ncoaxiality = { zone_diameter_mm = 0.6 }\ndatum_system = \"H\"\n";

/// Sunk by 0.1 mm, moved by 0.12 along x, in a skin that lies 0.05 mm high and rises by 0.004 along y: 9.3 mm wide and 1.65 deep.
fn sunk(name: &str, p: &Point, _: &Vector) -> Point {
    match name {
        "CONE" => p + Vector::new(0.12, 0.0, -0.1),
        "SKIN" => p + Vector::z() * (SKIN_MM + 0.004 * p.y),
        _ => *p,
    }
}

/// How high the skin lies where the axis of the made cone meets it, mm: there its diameter is told, and not at the nominal skin.
const SKIN_MM: f64 = 0.05;

/// Variance of the diameter at best, for noise of one: least squares on these points of cone (about its made axis) and ring. `free`
/// with the cone's angle and axis free.
fn bound(cone: &[Point], ring: &[Point], free: bool) -> f64 {
    let mut m = [[0.0; 6]; 6];
    for p in cone {
        let off = Vector::new(p.x - 0.12, p.y, 0.0);
        let r = off.norm();
        let e = off / r;
        // Square to the surface: at 45 degrees the distance along the radius times its cosine.
        let c = std::f64::consts::FRAC_1_SQRT_2;
        let z = p.z - SKIN_MM;
        let lean = z + r;
        let row = [e.x, e.y, 1.0, z, lean * e.x, lean * e.y].map(|x| c * x);
        for i in 0..6 {
            for j in 0..6 {
                m[i][j] += row[i] * row[j];
            }
        }
    }
    if !free {
        for i in 3..6 {
            for j in 0..6 {
                m[i][j] = 0.0;
                m[j][i] = 0.0;
            }
            m[i][i] = 1.0;
        }
    }
    let of_cone = Cholesky::new(&m).unwrap().inverse()[2][2];
    let mut m = [[0.0; 3]; 3];
    for p in ring {
        let row = [1.0, p.x, p.y];
        for i in 0..3 {
            for j in 0..3 {
                m[i][j] += row[i] * row[j];
            }
        }
    }
    4.0 * (of_cone + Cholesky::new(&m).unwrap().inverse()[0][0])
}

#[test]
fn a_countersink_is_told_at_the_skin_as_well_as_its_points_can() {
    let part = Turned::countersunk();
    // Each takes long: the coaxiality is asked once, below, depth and angle of every fourth scan.
    let until =
        |number: u32| SINK.split(&format!("[[characteristic]]\nnumber = \"{number}\"")).next().unwrap();
    let (asked, diameter) = (Asked::new(part.nominal(), until(4)), Asked::new(part.nominal(), until(2)));
    // Fine rows tell the angle themselves, coarse ones do not.
    for (spacing, noise, free) in [(0.3, 0.02, true), (0.5, 0.05, false)] {
        let n = (scans() / 2).max(8);
        let all: Vec<([Option<f64>; 3], f64, f64)> = (1..=n)
            .into_par_iter()
            .map(|seed| {
                let (scan, clean) = part.taken(spacing, noise, seed, &sunk, &|_, p| near(p));
                let every = seed % 4 == 1;
                let found = if every { &asked } else { &diameter }.told(&scan, noise);
                let words = &found[0].operators["included_angle"];
                assert_eq!(words.starts_with("as the cone"), free, "{words}");
                // 0.3 mm of the cone are left out at either end of its nominal; the ring begins a millimetre beside it.
                let of = |name: &str| clean.iter().filter(|c| c.0 == name).map(|c| c.1).collect::<Vec<_>>();
                let cone: Vec<Point> =
                    of("CONE").into_iter().filter(|p| (-1.2..=-0.3).contains(&p.z)).collect();
                let ring = of("SKIN");
                let ring: Vec<Point> =
                    ring.into_iter().filter(|p| (5.5..=10.5).contains(&p.coords.xy().norm())).collect();
                let best = bound(&cone, &ring, free) * noise * noise;
                // What holding the angle may cost is no scatter: it is held at what was made.
                let of_angle = |b: &&scantling_core::record::Contribution| b.source == "included_angle";
                let held = found[0].budget.iter().find(of_angle).map(|b| b.standard_uncertainty_mm);
                assert_eq!(held.is_none(), free, "{:?}", found[0].budget);
                let whole = found[0].standard_uncertainty_mm.unwrap();
                let u = (whole * whole - held.map_or(0.0, |h| h * h)).sqrt();
                let depth = every.then(|| value(&found[1]) - 1.65);
                let angle = every.then(|| found[2].angle.as_ref().unwrap().value_deg.unwrap() - 90.0);
                ([Some(value(&found[0]) - 9.3), depth, angle], best, u * u)
            })
            .collect();
        let count = n as f64;
        let of = |k: usize| all.iter().filter_map(move |a| a.0[k]);
        let counts: [f64; 3] = std::array::from_fn(|k| of(k).count() as f64);
        let mean: [f64; 3] = std::array::from_fn(|k| of(k).sum::<f64>() / counts[k]);
        let square: [f64; 3] = std::array::from_fn(|k| of(k).map(|x| x * x).sum::<f64>() / counts[k]);
        let best = all.iter().map(|a| a.1).sum::<f64>() / count;
        let told = (all.iter().map(|a| a.2).sum::<f64>() / count / square[0]).sqrt();
        println!(
            "countersink at {spacing} mm, noise {noise}: bias of diameter {:+.5}, depth {:+.5} mm, angle {:+.4} degrees; rms {:.5} {:.5} mm \
             {:.3} degrees, of diameter over the bound {:.3}, told over rms {told:.2}",
            mean[0],
            mean[1],
            mean[2],
            square[0].sqrt(),
            square[1].sqrt(),
            square[2].sqrt(),
            (square[0] / best).sqrt()
        );
        for (k, least) in [0.003, 0.003, 0.1].into_iter().enumerate() {
            assert!(mean[k].abs() <= least + 3.0 * (square[k] / counts[k]).sqrt(), "{mean:?} {square:?}");
        }
        assert!(
            (square[0] / best).sqrt() <= 1.15 * (1.0 + 3.0 / (2.0 * count).sqrt()),
            "{}",
            square[0] / best
        );
        // So many scans tell their root mean square to one part of the root of twice their number.
        let known = 1.0 + 3.0 / (2.0 * count).sqrt();
        assert!(told * known >= 0.75 && told <= 1.6 * known, "{told}");
    }
}

#[test]
fn what_is_missing_of_a_countersink_is_said_and_its_axis_can_be_asked() {
    let part = Turned::countersunk();
    let asked = Asked::new(part.nominal(), SINK);
    let (scan, _) = part.taken(0.3, 0.02, 1, &sunk, &|_, p| near(p));
    let found = asked.told(&scan, 0.02);
    assert_eq!(found[0].verdict, Verdict::Conforms, "{}", found[0].reason);
    assert_eq!(found[1].verdict, Verdict::Conforms, "{}", found[1].reason);
    assert!(found[0].budget.iter().any(|b| b.source == "noise"), "{:?}", found[0].budget);
    println!("coaxiality {:?} mm, made 0.24: {}", found[3].value_mm, found[3].reason);
    // Half of the cone, no cone, no skin, no wall of the hole.
    let without = |what: &str, half: bool| {
        let (scan, _) =
            part.taken(0.3, 0.02, 1, &sunk, &|name, p| near(p) && (name != what || (half && p.x > 0.0)));
        asked.told(&scan, 0.02)
    };
    for (what, half, of) in [("CONE", true, 0), ("CONE", false, 0), ("SKIN", false, 0), ("HOLE", false, 1)] {
        let found = &without(what, half)[of];
        assert_eq!(found.verdict, Verdict::NotMeasured, "{what}: {:?} {}", found.value_mm, found.reason);
        assert!(found.value_mm.is_none() && !found.reason.is_empty(), "{what}");
    }
    assert!(without("HOLE", false)[0].value_mm.is_some(), "the diameter does not need the hole");
}

#[test]
fn a_plan_says_what_is_wrong_with_a_countersink() {
    let faults = |more: &str| match plan::check_toml(&format!("{HEAD}{more}")) {
        Ok(_) => String::new(),
        Err(faults) => faults.iter().map(|f| format!("{}: {}\n", f.place, f.problem)).collect(),
    };
    assert_eq!(faults(SINK), "");
    let text = faults(&SINK.replace("of = \"H\" }", "of = \"A\", included_angle_deg = 200.0 }"));
    assert!(text.contains("is a plane; name the hole that it belongs to"), "{text}");
    assert!(text.contains("included_angle_deg"), "{text}");
    let text = faults(&SINK.replace("size = \"least_squares\"", "size = \"two_point\""));
    assert!(text.contains("is none of a countersink, whose diameter"), "{text}");
    let text = faults(&SINK.replace("feature = \"K\"\ndepth", "feature = \"H\"\ndepth"));
    assert!(text.contains("required of a countersink"), "{text}");
    // A hole without one.
    let (_, plan) = plan::check_toml(&format!("{HEAD}{}", SINK.replace("-2.2", "-1.5"))).unwrap();
    let plain = thin::Opening::hole(6.0).nominal();
    let told = plan::bind(&plan, Some(&plain)).unwrap_err();
    assert!(told.iter().any(|f| f.problem.contains("has no cone about the axis of H")), "{told:?}");
    // One that is placed by numbers, without a nominal.
    let text = format!("{HEAD}{SINK}")
        .replace("pick = { near_mm = [0, 0, -2.2] }", "hole = { at_mm = [0, 0, 0], axis = [0, 0, 1] }");
    let (_, plan) = plan::check_toml(&text).unwrap();
    for nominal in [Some(&plain), None] {
        let told = plan::bind(&plan, nominal).unwrap_err();
        assert!(told.iter().any(|f| f.problem.contains("H is not picked on the nominal")), "{told:?}");
    }
}

const INSERT: &str = "[[feature]]\nid = \"F\"\nkind = \"plane\"\npick = { near_mm = [4.5, 0, 0.2], facing = [0, 0, 1] }\n\
    [[feature]]\nid = \"S\"\nkind = \"surface\"\npick = { near_mm = [8, 0, 0], facing = [0, 0, 1], grow_to_angle_deg = 12 }\n\
    [[characteristic]]\nnumber = \"1\"\nfeature = \"F\"\nprotrusion = { above = \"S\", nominal_mm = 0.2, upper_deviation_mm = 0.3, \
    lower_deviation_mm = -0.3 }\n";

#[test]
fn the_step_of_an_insert_is_told_on_a_flat_and_on_a_bent_skin() {
    for bend in [f64::INFINITY, 300.0] {
        let part = Turned::insert(bend);
        // A bent skin has no plane but the face.
        let head =
            if bend.is_finite() { HEAD.replace("[20, 20, 0]", "[4.5, 0, 0.2]") } else { HEAD.to_owned() };
        let asked = Asked::of(part.nominal(), &format!("{head}{INSERT}"));
        // The face sits 0.1 mm too low and leans, the skin bulges by 0.04 mm and is tilted; seen from one side more than from
        // the other.
        let made = |name: &str, p: &Point, _: &Vector| match name {
            "FACE" => p + Vector::z() * (-0.1 + 0.01 * p.x),
            "SKIN" => p + Vector::z() * (0.04 + 0.006 * p.x),
            _ => *p,
        };
        let sees =
            |name: &str, p: &Point| near(p) && (name != "SKIN" || p.x > -5.0 || p.y > 0.0 || p.y < -3.0);
        let n = scans();
        let errors: Vec<(f64, f64, f64)> = (1..=n)
            .into_par_iter()
            .map(|seed| {
                let (scan, clean) = part.taken(0.5, 0.02, seed, &made, &sees);
                let found = asked.told(&scan, 0.02);
                let e = &found[0];
                // At the middle by least squares of face (a millimetre inside its rims) and ring (a millimetre off, 5 wide).
                let within = |name: &str, low: f64, high: f64| {
                    let mut m = [[0.0; 3]; 3];
                    let all = clean.iter().filter(|c| c.0 == name);
                    for (_, p) in all.filter(|(_, p)| (low..=high).contains(&p.coords.xy().norm())) {
                        let row = [1.0, p.x, p.y];
                        for i in 0..3 {
                            for j in 0..3 {
                                m[i][j] += row[i] * row[j];
                            }
                        }
                    }
                    Cholesky::new(&m).unwrap().inverse()[0][0]
                };
                let best = (within("FACE", 4.0, 5.0) + within("SKIN", 7.0, 12.0)) * 0.0004;
                let u = e.standard_uncertainty_mm.unwrap_or_else(|| panic!("{}", e.reason));
                (value(e) - 0.06, best, u * u)
            })
            .collect();
        let count = n as f64;
        let mean = errors.iter().map(|e| e.0).sum::<f64>() / count;
        let square = errors.iter().map(|e| e.0 * e.0).sum::<f64>() / count;
        let best = errors.iter().map(|e| e.1).sum::<f64>() / count;
        let told = (errors.iter().map(|e| e.2).sum::<f64>() / count / square).sqrt();
        println!(
            "insert, bend {bend} mm: bias {mean:+.5} mm, rms {:.5}, over the bound {:.3}, told over rms {told:.2}",
            square.sqrt(),
            (square / best).sqrt()
        );
        assert!(mean.abs() <= 0.002 + 3.0 * (square / count).sqrt(), "{mean}");
        assert!((square / best).sqrt() <= 1.15 * (1.0 + 3.0 / (2.0 * count).sqrt()), "{}", square / best);
        assert!((0.75..1.6).contains(&told), "{told}");
    }
}

#[test]
fn a_stud_is_as_long_as_its_top_stands_over_the_skin() {
    let part = Turned::stud();
    let more = "[[feature]]\nid = \"T\"\nkind = \"plane\"\npick = { near_mm = [0, 0, 20], facing = [0, 0, 1] }\n\
        [[feature]]\nid = \"P\"\nkind = \"cylinder\"\npick = { near_mm = [4, 0, 10] }\n\
        [[characteristic]]\nnumber = \"1\"\nfeature = \"T\"\nprotrusion = { above = \"A\", nominal_mm = 20.0, upper_deviation_mm = 0.3, \
        lower_deviation_mm = -0.3, inner_radius_mm = 5.0, outer_radius_mm = 12.0 }\n\
        [[characteristic]]\nnumber = \"2\"\nfeature = \"P\"\nperpendicularity = { zone_diameter_mm = 0.5 }\ndatum_system = \"AA\"\n";
    let asked = Asked::new(part.nominal(), more);
    // 0.15 mm too short, and leaning by 0.01: 0.2 mm over its length.
    let made = |name: &str, p: &Point, _: &Vector| match name {
        "TOP" => p + Vector::new(0.2, 0.0, -0.15 - 0.01 * p.x),
        "STUD" => p + Vector::x() * (0.01 * p.z),
        _ => *p,
    };
    let (scan, _) = part.taken(0.4, 0.02, 5, &made, &|_, p| near(p));
    let found = asked.told(&scan, 0.02);
    let length = value(&found[0]);
    assert!((length - 19.85).abs() < 0.015, "{length}");
    let lean: f64 = found[0].operators["face_to_skin_deg"].parse().unwrap();
    assert!((lean - 0.573).abs() < 0.1, "{lean}");
    // How it leans is a perpendicularity, as of any pin.
    let e = &found[1];
    assert!(e.value_mm.is_some_and(|v| (v - 0.2).abs() < 0.05), "{:?} {}", e.value_mm, e.reason);
    // A ring of which too little was seen.
    let (scan, _) = part.taken(0.4, 0.02, 5, &made, &|name, p| near(p) && (name != "SKIN" || p.x > 2.0));
    let found = &asked.told(&scan, 0.02)[0];
    assert_eq!(found.verdict, Verdict::NotMeasured);
    assert!(found.reason.contains('%'), "{}", found.reason);
    let (scan, _) = part.taken(0.4, 0.02, 5, &made, &|name, p| near(p) && name != "SKIN");
    let found = &asked.told(&scan, 0.02)[0];
    assert!(found.reason.contains("points lie on the skin between 5.00 and 12.00 mm"), "{}", found.reason);
}

/// Variance of where a leaning axis lies along x at a height, at best, for noise of one: least squares on these points of a round
/// wall about z, its place, lean and radius unknown.
fn bound_of_axis(wall: &[Point], height: f64) -> f64 {
    let mut m = [[0.0; 5]; 5];
    for p in wall {
        let e = Vector::new(p.x - 0.01 * p.z, p.y, 0.0).normalize();
        let z = (p.z - height) / 10.0;
        let row = [e.x, e.y, 1.0, e.x * z, e.y * z];
        for i in 0..5 {
            for j in 0..5 {
                m[i][j] += row[i] * row[j];
            }
        }
    }
    Cholesky::new(&m).unwrap().inverse()[0][0]
}

#[test]
fn a_leaning_stud_has_its_place_at_a_stated_height() {
    let part = Turned::stud();
    let at = |number: u32, words: &str| {
        format!(
            "[[characteristic]]\nnumber = \"{number}\"\nfeature = \"P\"\nposition = {{ zone_diameter_mm = 1.0{words} }}\n\
             datum_system = \"AA\"\n"
        )
    };
    let more = format!(
        "[[feature]]\nid = \"P\"\nkind = \"cylinder\"\npick = {{ near_mm = [4, 0, 10] }}\n{}{}{}{}",
        at(1, ", at_height = { height_mm = 24.0, above = \"A\" }"),
        at(2, ", at_height = { height_mm = 24.0 }"),
        at(3, ", at_height = { height_mm = 2.0, above = \"A\" }"),
        at(4, "")
    );
    let asked = Asked::new(part.nominal(), &more);
    // Leaning by 0.01, in a skin that lies half a millimetre high: 24 mm over it is 24.5 over the datums, and over the stud's end.
    let made = |name: &str, p: &Point, _: &Vector| match name {
        "STUD" => p + Vector::x() * (0.01 * p.z),
        "SKIN" => p + Vector::z() * 0.5,
        _ => *p,
    };
    let places = [(0.245, 24.5), (0.24, 24.0), (0.025, 2.5)];
    let n = scans();
    let all: Vec<[[f64; 3]; 3]> = (1..=n)
        .into_par_iter()
        .map(|seed| {
            let (scan, clean) = part.taken(0.8, 0.02, seed, &made, &|_, p| near(p));
            let found = asked.told(&scan, 0.02);
            // A tenth of the depth is left out at both ends of the wall.
            let wall = |p: &&Point| (2.0..18.0).contains(&p.z);
            let stud: Vec<Point> =
                clean.iter().filter(|c| c.0 == "STUD").map(|c| &c.1).filter(wall).copied().collect();
            // Over all of its depth the end that is further off counts.
            assert!((value(&found[3]) - 0.4).abs() < 0.06, "{:?}", found[3].value_mm);
            std::array::from_fn(|k| {
                let e = &found[k];
                let u = 0.5 * e.standard_uncertainty_mm.unwrap_or_else(|| panic!("{}", e.reason));
                [0.5 * value(e) - places[k].0, u * u, bound_of_axis(&stud, places[k].1) * 0.0004]
            })
        })
        .collect();
    for (k, (off, height)) in places.into_iter().enumerate() {
        let mean = |of: &dyn Fn(&[f64; 3]) -> f64| all.iter().map(|a| of(&a[k])).sum::<f64>() / n as f64;
        let (bias, square) = (mean(&|a| a[0]), mean(&|a| a[0] * a[0]));
        let (told, best) = ((mean(&|a| a[1]) / square).sqrt(), (square / mean(&|a| a[2])).sqrt());
        println!(
            "stud at {height} mm: off {off} mm, bias {bias:+.5}, rms {:.5}, over the bound {best:.3}, told over rms {told:.2}",
            square.sqrt()
        );
        assert!(bias.abs() <= 0.001 + 3.0 * (square / n as f64).sqrt(), "{height}: {bias}");
        assert!(best <= 1.15 * (1.0 + 3.0 / (2.0 * n as f64).sqrt()), "{height}: {best}");
        assert!((0.75..1.6).contains(&told), "{height}: {told}");
    }
    // A ring of which half was seen tells no height.
    let (scan, _) = part.taken(0.8, 0.02, 1, &made, &|name, p| near(p) && (name != "SKIN" || p.x > 2.0));
    let found = &asked.told(&scan, 0.02)[0];
    assert_eq!(found.verdict, Verdict::NotMeasured);
    assert!(found.reason.contains("% of the turn of A"), "{}", found.reason);
}

#[test]
fn a_height_over_pads_that_lie_in_several_planes_is_refused() {
    let part = Turned::stud();
    let pad = |id: &str, at: [f64; 3]| {
        format!(
            "{{ id = \"{id}\", at_mm = {at:?}, direction = [0, 0, 1], patch_radius_mm = 3.0, locks = [\"z\"] }}"
        )
    };
    let system = |id: &str, fourth: [f64; 3]| {
        let places = [[24.0, 0.0, 0.0], [-12.0, 20.0, 0.0], [-12.0, -20.0, 0.0], fourth];
        let pads: Vec<String> =
            places.iter().enumerate().map(|(k, at)| pad(&format!("{id}{k}"), *at)).collect();
        format!(
            "[[datum_system]]\nid = \"{id}\"\ndatum = [ {{ letter = \"{id}\", targets = [ {} ] }} ]\n",
            pads.join(", ")
        )
    };
    let at = |number: u32, system: &str, more: &str| {
        format!(
            "[[characteristic]]\nnumber = \"{number}\"\nfeature = \"P\"\nposition = {{ zone_diameter_mm = 1.0, at_height = {{ height_mm = \
             12.0{more} }} }}\ndatum_system = \"{system}\"\n"
        )
    };
    // The fourth pad lies on the skin too, or on the end of the stud.
    let more = format!(
        "[[feature]]\nid = \"P\"\nkind = \"cylinder\"\npick = {{ near_mm = [4, 0, 10] }}\n{}{}{}{}{}",
        system("F", [-24.0, 0.0, 0.0]),
        system("S", [0.0, 0.0, 20.0]),
        at(1, "F", ""),
        at(2, "S", ""),
        at(3, "S", ", above = \"A\"")
    );
    let asked = Asked::new(part.nominal(), &more);
    let (scan, _) = part.taken(0.8, 0.02, 1, &|_, p, _| *p, &|_, p| near(p));
    let found = asked.told(&scan, 0.02);
    assert!(value(&found[0]) < 0.1, "{:?}", found[0].value_mm);
    assert_eq!((found[1].verdict, found[1].value_mm), (Verdict::NotMeasured, None));
    assert!(found[1].reason.contains("nor pads that lie in one plane"), "{}", found[1].reason);
    // What it is to be told over can be named.
    assert!(value(&found[2]) < 0.1, "{:?}", found[2].value_mm);
}

#[test]
fn a_plan_says_what_is_wrong_with_a_stated_height() {
    let faults = |position: &str| {
        let text = format!(
            "{HEAD}[[feature]]\nid = \"P\"\nkind = \"cylinder\"\npick = {{ near_mm = [4, 0, 10] }}\n[[characteristic]]\nnumber = \"1\"\n\
             feature = \"P\"\nposition = {{ zone_diameter_mm = 0.4, {position} }}\ndatum_system = \"AA\"\n"
        );
        match plan::check_toml(&text) {
            Ok(_) => String::new(),
            Err(faults) => faults.iter().map(|f| format!("{}: {}\n", f.place, f.problem)).collect(),
        }
    };
    assert_eq!(faults("at_height = { height_mm = -1.5 }"), "");
    assert!(faults("at_height = { height_mm = nan }").contains("at_height.height_mm"));
    let text = faults("at_height = { height_mm = 2.0, above = \"P\" }");
    assert!(text.contains("at_height.above") && text.contains("is the feature itself"), "{text}");
    let text = faults("at_height = { height_mm = 2.0 }, projected_length_mm = 9.0");
    assert!(text.contains("leave one of them out"), "{text}");
}

#[test]
fn a_plan_says_what_is_wrong_with_a_protrusion() {
    let faults = |more: &str| match plan::check_toml(&format!("{HEAD}{more}")) {
        Ok(_) => String::new(),
        Err(faults) => faults.iter().map(|f| format!("{}: {}\n", f.place, f.problem)).collect(),
    };
    assert_eq!(faults(INSERT), "");
    let text = faults(&INSERT.replace("above = \"S\"", "above = \"F\""));
    assert!(text.contains("is the feature itself"), "{text}");
    let text = faults(&INSERT.replace("-0.3 }", "-0.3, inner_radius_mm = 9.0, outer_radius_mm = 8.0 }"));
    assert!(text.contains("not above the inner radius 9"), "{text}");
    let text = faults(&INSERT.replace("upper_deviation_mm = 0.3", "upper_deviation_mm = -0.4"));
    assert!(text.contains("upper_deviation_mm"), "{text}");
    let text = faults(&INSERT.replace("above = \"S\"", "above = \"NONE\""));
    assert!(text.contains("protrusion.above"), "{text}");
}
