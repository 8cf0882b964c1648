use super::*;
use crate::geometry::Point;
use crate::run::quiet;

const FULL: &str = r#"
schema_version = 1
seed = 5
part = { window_surround = { size_scale = 0.75 } }
pose = { random = {} }

[scanner]
spacing_mm = 6.0
noise_mm = 0.02
normal_error_deg = 1.0
noise_growth = 0.5
edge_radius_mm = 0.3
smoothing_mm = 9.0
filled_openings_mm = 9.5
scale_error_ppm = 40.0
correlated_noise = { deviation_mm = 0.01, length_mm = 5.0 }
drop_out = { surface = "dark", patch_mm = 3.0 }
seams = { least_mm = 0.02, largest_mm = 0.05, turn_deg = 0.001 }
targets = { count = 3, diameter_mm = 12.0, thickness_mm = 0.1 }
view = [{ from = [0.0, 0.0, 1.0] }, { from = [0.5, 0.2, 0.8] }]

[scene]
table = { length_mm = 1500.0, width_mm = 700.0, roughness_mm = 0.01 }
[[scene.instance]]
at_mm = [-320.0, 0.0]
turn_deg = 20.0
[[scene.instance]]
at_mm = [330.0, 10.0, 5.0]
hand = "opposite"
[[scene.clamp]]
foot_mm = [0.0, 300.0, 0.0]
size_mm = [20.0, 15.0, 30.0]
turn_deg = 10.0

[[deviation]]
warp = { centre_mm = [260.0, 190.0, 0.0], half_mm = [260.0, 190.0], out_mm = [0.05, 0.0, 0.02, 0.0] }
[[deviation]]
instance = 0
[deviation.hole_shift]
centre_mm = [33.0, 33.0, -1.5]
axis = [0.0, 0.0, 1.0]
radius_mm = 5.0
half_length_mm = 2.5
reach_mm = 4.0
shift_mm = [0.2, 0.1, 0.0]
[[deviation]]
instance = 0
dent = { centre_mm = [200.0, 5.0, 0.0], inward = [0.0, 0.0, -1.0], radius_mm = 5.0, flat = 0.5, depth_mm = 0.2, reach_mm = 4.0 }
[[deviation]]
instance = 0
[deviation.trim_offset]
from_mm = [150.0, 0.0, 0.0]
to_mm = [250.0, 0.0, 0.0]
outward = [0.0, -1.0, 0.0]
offset_mm = 0.5
run_out_mm = 10.0
band_mm = 8.0
reach_mm = 4.0
[[deviation]]
thickness_change = { centre_mm = [0.0, 100.0, 0.0], inward = [0.0, 0.0, -1.0], radius_mm = 9.0, flat = 0.2, thickness_mm = 3.0, change_mm = 0.2 }
[[deviation]]
spring_in = { point_mm = [0.0, 20.0, 0.0], axis = [1.0, 0.0, 0.0], towards = [0.0, -1.0, 0.0], angle_deg = 0.3, blend_mm = 3.0 }
[[deviation]]
[deviation.ply_drop]
point_mm = [10.0, 200.0, 0.0]
across = [0.0, 1.0, 0.0]
inward = [0.0, 0.0, -1.0]
step_mm = 0.2
ramp_mm = 3.0
half_length_mm = 8.0
width_mm = 15.0
thickness_mm = 3.0
[[deviation]]
[deviation.resin_ridge]
line = [{ at_mm = [100.0, 8.0, 0.0] }, { at_mm = [140.0, 9.0, 0.0] }]
outward = [0.0, 0.0, 1.0]
height_mm = 0.2
half_width_mm = 2.0
reach_mm = 1.0
[[deviation]]
sag = { first_support_mm = [50.0, 0.0, 0.0], second_support_mm = [470.0, 0.0, 0.0], down = [0.0, 0.0, -1.0], depth_mm = 0.3 }
"#;

#[test]
fn a_file_with_everything_in_it_is_read_checked_and_run() {
    let file = SimulationFile::from_toml(FULL).unwrap();
    let json = serde_json::to_string(&file).unwrap();
    assert_eq!(SimulationFile::from_json(&json).unwrap(), file);
    let simulation = file.check().unwrap();
    let made = simulate(&quiet(), &simulation, None).unwrap();
    assert_eq!(made.parts.iter().map(|p| p.hand).collect::<Vec<_>>(), [Hand::AsDrawn, Hand::Opposite]);
    assert_eq!(made.parts[0].made.deviations().len(), 9);
    assert_eq!(made.parts[1].made.deviations().len(), 6);
    assert!(made.points_of(Origin::Part(0)) > 1000 && made.points_of(Origin::Part(1)) > 1000);
    assert!(made.points_of(Origin::Table) > 3000 && made.points_of(Origin::Clamp(0)) > 5);
    // Truth: brought back by its pose, a part's points lie in its own box, to noise and deviations.
    let box_of = |i: usize| {
        let back = made.parts[i].scan_from_part.inverse();
        let own = made.scan.points.iter().zip(&made.scan.origin);
        let own = own.filter(|(_, o)| **o == Origin::Part(i as u32)).map(|(p, _)| back.point(p));
        let own: Vec<Point> = own.collect();
        crate::geometry::Aabb::of(&own)
    };
    let (first, second) = (box_of(0), box_of(1));
    assert!(first.low.x > -1.0 && first.high.x < 526.0 && first.high.z > 40.0, "{first:?}");
    assert!(second.high.x < 1.0 && second.low.x > -526.0, "{second:?}");
    assert_eq!(simulate(&quiet(), &simulation, None).unwrap().ply(), made.ply());
    let other = SimulationFile { seed: 6, ..file }.check().unwrap();
    assert_ne!(simulate(&quiet(), &other, None).unwrap().ply(), made.ply());
}

#[test]
fn an_angle_that_closed_is_told_or_foretold() {
    let cure = "cure = { included_angle_deg = 90.0, expansion_in_plane_per_k = 2e-6, expansion_through_per_k = 45e-6, \
                temperature_change_k = -160.0, shrinkage_through = -0.005 }";
    let of = |text: &str| SimulationFile::from_toml(&FULL.replace("angle_deg = 0.3", text)).unwrap();
    let foretold = of(cure);
    let json = serde_json::to_string(&foretold).unwrap();
    assert_eq!(SimulationFile::from_json(&json).unwrap(), foretold);
    let made = simulate(&quiet(), &foretold.check().unwrap(), None).unwrap();
    let angle = made.parts[1].made.deviations().iter().find_map(|d| match d {
        Deviation::SpringIn(spring) => Some(spring.angle_rad.to_degrees()),
        _ => None,
    });
    assert!((angle.unwrap() - 1.07595).abs() < 5e-6, "{angle:?}");
    for (text, place) in
        [(cure.replace("= 90.0", "= 190.0"), "cure"), (format!("angle_deg = 0.3, {cure}"), "cure")]
    {
        let faults = of(&text).check().unwrap_err();
        assert!(faults.len() == 1 && faults[0].place.ends_with(place), "{faults:?}");
    }
    let none = FULL.replace("angle_deg = 0.3, ", "");
    let faults = SimulationFile::from_toml(&none).unwrap().check().unwrap_err();
    assert!(faults.len() == 1 && faults[0].place.ends_with("angle_deg"), "{faults:?}");
}

#[test]
fn every_fault_is_told_at_once_with_its_place() {
    let text = FULL
        .replace("schema_version = 1", "schema_version = 9")
        .replace("size_scale = 0.75", "size_scale = nan")
        .replace("pose = { random = {} }", "pose = {}")
        .replace("spacing_mm = 6.0", "spacing_mm = -6.0")
        .replace("length_mm = 5.0 }", "length_mm = inf }")
        .replace("largest_mm = 0.05", "largest_mm = 0.01")
        .replace("{ from = [0.5, 0.2, 0.8] }", "{ from = [0.0, 0.0, 0.0] }")
        .replace("width_mm = 700.0", "width_mm = 0.0")
        .replace("at_mm = [-320.0, 0.0]", "at_mm = [-320.0]")
        .replace("size_mm = [20.0, 15.0, 30.0]", "size_mm = [20.0, 15.0, 0.0]")
        .replace("centre_mm = [33.0, 33.0, -1.5]", "centre_mm = [33.0]")
        .replace("band_mm = 8.0", "band_mm = 0.8")
        .replace("instance = 0\ndent", "instance = 2\ndent")
        .replace("angle_deg = 0.3", "angle_deg = nan")
        .replace(
            "[deviation.ply_drop]",
            "sag = { down = [0.0, 0.0, 1.0], depth_mm = 0.3 }\n[deviation.ply_drop]",
        );
    let faults = SimulationFile::from_toml(&text).unwrap().check().unwrap_err();
    let places: Vec<&str> = faults.iter().map(|f| f.place.as_str()).collect();
    for place in [
        "schema_version",
        "part.window_surround.size_scale",
        "pose",
        "scanner.spacing_mm",
        "scanner.correlated_noise.length_mm",
        "scanner.seams.largest_mm",
        "scanner.view[1].from",
        "scene.table.width_mm",
        "scene.instance[0].at_mm",
        "scene.clamp[0].size_mm",
        "deviation[1].hole_shift.centre_mm",
        "deviation[2].instance",
        "deviation[3].trim_offset",
        "deviation[5].spring_in",
        "deviation[6]",
    ] {
        assert!(places.contains(&place), "{place} in {places:?}");
    }
    assert!(SimulationFile::from_toml("seed = 1\nnoise = 2").unwrap_err().problem.contains("no simulation"));
    assert!(SimulationFile::from_toml(&FULL.replace("seed = 5", "sede = 5")).is_err());
}

#[test]
fn the_least_file_is_one_part_in_its_own_axes() {
    let text = "schema_version = 1\nseed = 1\npart = { window_surround = {} }\n\
                scanner = { spacing_mm = 9.0, noise_mm = 0.0 }\n";
    let simulation = SimulationFile::from_toml(text).unwrap().check().unwrap();
    let made = simulate(&quiet(), &simulation, None).unwrap();
    assert_eq!(made.points_of(Origin::Part(0)), made.scan.points.len());
    let bounds = crate::geometry::Aabb::of(&made.scan.points);
    assert!(bounds.low.x > -1e-9 && bounds.high.x < 700.0 + 1e-9 && bounds.high.z > 55.0, "{bounds:?}");
    // The nominal must be handed over where it is asked for.
    let text = text.replace("window_surround", "nominal");
    let simulation = SimulationFile::from_toml(&text).unwrap().check().unwrap();
    assert_eq!(simulate(&quiet(), &simulation, None).unwrap_err(), SimulateError::NoNominal);
}

#[test]
fn an_arrangement_comes_from_its_file_too() {
    let text = "schema_version = 1\nseed = 3\npart = { window_surround = {} }\npose = { random = {} }\n\
                scanner = { spacing_mm = 12.0, noise_mm = 0.02 }\n\
                scene = { arrangement = { good = 0, bad = 1, opposite_hand = 1 } }\n";
    let file = SimulationFile::from_toml(text).unwrap();
    let made = simulate(&quiet(), &file.check().unwrap(), None).unwrap();
    assert_eq!(made.parts.iter().filter(|p| p.touched_numbers.len() == 2).count(), 1);
    assert_eq!(made.parts.iter().filter(|p| p.hand == Hand::Opposite).count(), 1);
    for wrong in ["good = -1", "good = 30"] {
        let faults =
            SimulationFile::from_toml(&text.replace("good = 0", wrong)).unwrap().check().unwrap_err();
        assert_eq!(faults[0].place, "scene.arrangement");
    }
}

#[test]
fn what_was_made_is_told_in_the_words_of_the_file() {
    let file = SimulationFile::from_toml(FULL).unwrap();
    let simulation = file.check().unwrap();
    for ((_, deviation), written) in simulation.deviations.iter().zip(&file.deviation) {
        let told = file::DeviationFile::from(deviation);
        let again = SimulationFile { deviation: vec![told.clone()], ..file.clone() }.check().unwrap();
        // Angles and directions to rounding; the kind to the word.
        let (a, b) = (format!("{:?}", again.deviations[0].1), format!("{deviation:?}"));
        assert_eq!(a.split('(').next(), b.split('(').next());
        let keys = |f: &file::DeviationFile| {
            let value = serde_json::to_value(f).unwrap();
            value.as_object().unwrap().keys().filter(|k| *k != "instance").cloned().collect::<Vec<_>>()
        };
        assert_eq!(keys(&told), keys(written));
    }
    assert_eq!(simulation.deviations.len(), 9);
}

#[test]
fn faults_of_form_say_where_and_what_in_words_of_people() {
    let fault = |text: &str| SimulationFile::from_toml(text).unwrap_err().to_string();
    let wrong = FULL.replace("pose = { random = {} }", "pose = 3");
    assert!(
        fault(&wrong).starts_with("line 5: ") && fault(&wrong).contains("expected a table"),
        "{}",
        fault(&wrong)
    );
    assert!(!fault(&FULL.replace("part = {", "part = { bracket = 1, ")).contains("struct"));
}

#[test]
fn what_is_foretold_is_no_less_than_what_is_made() {
    for text in [FULL.to_owned(), FULL.replace("spacing_mm = 6.0", "spacing_mm = 9.0")] {
        let simulation = SimulationFile::from_toml(&text).unwrap().check().unwrap();
        let told = foretell(&simulation, None).unwrap();
        let made = simulate(&quiet(), &simulation, None).unwrap();
        let points = made.scan.points.len() as f64;
        assert!(told.points > 0.9 * points && told.points < 6.0 * points, "{told:?} {points}");
        assert!(told.file_bytes as usize * 10 > 9 * made.ply().len());
    }
    let large = FULL.replace("spacing_mm = 6.0", "spacing_mm = 0.05").replace("smoothing_mm = 9.0\n", "");
    let told = foretell(&SimulationFile::from_toml(&large).unwrap().check().unwrap(), None).unwrap();
    assert!(told.memory_bytes > 100 << 30, "{told:?}");
}
