use super::*;

fn um(nominal_mm: f64, class: &str) -> [f64; 2] {
    let l = limit_deviations(nominal_mm, class).unwrap();
    [l.upper_mm, l.lower_mm].map(|v| 1000.0 * v)
}

/// Worked fits of 40 mm as public pages print them; sizes of 8 and 132.5 mm by the table.
#[test]
fn worked_fits() {
    assert_eq!(um(40.0, "H7"), [25.0, 0.0]);
    assert_eq!(um(40.0, "g6"), [-9.0, -25.0]);
    assert_eq!(um(40.0, "G7"), [34.0, 9.0]);
    assert_eq!(um(40.0, "h6"), [0.0, -16.0]);
    // Least and largest clearance of 40 H7/g6 and of 40 G7/h6: 9 to 50; 40 H7/p6 interferes.
    for (hole, shaft) in [("H7", "g6"), ("G7", "h6")] {
        let (hole, shaft) = (um(40.0, hole), um(40.0, shaft));
        assert_eq!([hole[1] - shaft[0], hole[0] - shaft[1]], [9.0, 50.0]);
    }
    assert!(um(40.0, "H7")[0] < um(40.0, "p6")[1]);
    assert_eq!(["H7", "H8", "H9"].map(|c| um(8.0, c)[0]), [15.0, 22.0, 36.0]);
    assert_eq!(um(132.5, "H6"), [25.0, 0.0]);
    // The table's own step for 18 to 30: one public page prints 9.
    assert_eq!(um(24.0, "G7"), [28.0, 7.0]);
    assert_eq!(um(10.0, "JS9"), [18.0, -18.0]);
    assert_eq!(um(10.0, "js7"), [7.5, -7.5]);
    // 40 H7/k6 may have either, 40 H7/s6 interferes by 18 to 59, 40 H11/c11 clears by 120 to 440.
    let (hole, k, s, c) = (um(40.0, "H7"), um(40.0, "k6"), um(40.0, "s6"), um(40.0, "c11"));
    assert!(k[1] < hole[0] && k[0] > hole[1]);
    assert_eq!([s[1] - hole[0], s[0] - hole[1]], [18.0, 59.0]);
    assert_eq!([0.0 - c[0], um(40.0, "H11")[0] - c[1]], [120.0, 440.0]);
    // From memory: 40 P7, 40 N7, 40 N9, 3 N9, 40 P9.
    assert_eq!(um(40.0, "P7"), [-17.0, -42.0]);
    assert_eq!(um(40.0, "N7"), [-8.0, -33.0]);
    assert_eq!(um(40.0, "N9"), [0.0, -62.0]);
    assert_eq!(um(3.0, "N9"), [-4.0, -29.0]);
    assert_eq!(um(40.0, "P9"), [-26.0, -88.0]);
}

/// From memory of ISO 286-2:2010.
#[test]
fn transition_and_interference() {
    for (size, class, upper, lower) in [
        (40.0, "k6", 18.0, 2.0),
        (40.0, "k8", 39.0, 0.0),
        (40.0, "m6", 25.0, 9.0),
        (60.0, "r6", 60.0, 41.0),
        (70.0, "r6", 62.0, 43.0),
        (60.0, "s6", 72.0, 53.0),
        (100.0, "s6", 93.0, 71.0),
        (45.0, "c11", -130.0, -290.0),
        (40.0, "C11", 280.0, 120.0),
        (40.0, "K6", 3.0, -13.0),
        (40.0, "K7", 7.0, -18.0),
        (40.0, "K8", 12.0, -27.0),
        (2.0, "K7", 0.0, -10.0),
        (40.0, "M6", -4.0, -20.0),
        (40.0, "M7", 0.0, -25.0),
        (40.0, "M8", 5.0, -34.0),
        (40.0, "M9", -9.0, -71.0),
        // The one exception: the rule gives -11.
        (300.0, "M6", -9.0, -41.0),
        (300.0, "M7", 0.0, -52.0),
        (40.0, "R7", -25.0, -50.0),
        (40.0, "R8", -34.0, -73.0),
        (40.0, "S7", -34.0, -59.0),
        (2.0, "S7", -14.0, -24.0),
    ] {
        assert_eq!(um(size, class), [upper, lower], "{size} {class}");
    }
}

/// ISO 286-1:2010, formulae for the deviations of shafts, from memory: k 0.6 D^(1/3), m IT7 less IT6, s IT8 and up to
/// 4 um to 50 mm and IT7 and 0.4 D above, r the geometric mean of p and s, c 95 and 0.8 D above 40 mm; the tables are
/// rounded by hand.
#[test]
fn deviations_are_near_their_formulae() {
    let um_of = |mm: f64, letter: char, step: usize, fine: usize| {
        let letter = letter.to_string();
        let found = row_of(&ABOVE_UM, &letter, step).or_else(|| row_of(&ABOVE_FINE_UM, &letter, fine));
        found
            .or_else(|| row_of(&BELOW_FINE_UM, &letter, fine))
            .map(f64::from)
            .unwrap_or_else(|| panic!("{mm}"))
    };
    for fine in 1..FINE_STEPS {
        let to = FINE_UP_TO_MM[fine];
        let d = (FINE_UP_TO_MM[fine - 1] * to).sqrt();
        let step = UP_TO_MM.iter().position(|most| to <= *most).unwrap();
        let of = |letter| um_of(to, letter, step, fine);
        let grade = |it: usize| f64::from(GRADES_UM[it - FIRST_GRADE][step]);
        let whole = (UP_TO_MM[step - 1] * UP_TO_MM[step]).sqrt();
        assert_eq!(of('k'), (0.6 * libm::cbrt(whole)).round(), "{to}");
        assert_eq!(of('m'), grade(7) - grade(6), "{to}");
        if to <= 50.0 {
            assert!((0.0..=4.0).contains(&(of('s') - grade(8))), "{to}");
        } else {
            assert!((of('s') - grade(7) - 0.4 * d).abs() < 1.0, "{to}");
        }
        assert!((of('r') - (of('p') * of('s')).sqrt()).abs() < 1.2, "{to}");
        if to > 40.0 {
            assert!((of('c') - 95.0 - 0.8 * d).abs() < 11.0, "{to}");
        }
    }
}

#[test]
fn a_step_holds_its_upper_end() {
    assert_eq!([30.0, 30.000_001].map(|d| um(d, "H7")[0]), [21.0, 25.0]);
    assert_eq!([0.5, 3.0, 3.001, 500.0].map(|d| um(d, "H8")[0]), [14.0, 14.0, 18.0, 97.0]);
}

/// ISO 286-1:2010 gives i = 0.45 D^(1/3) + 0.001 D with D the geometric mean of the step, and IT5 to IT11 as
/// 7, 10, 16, 25, 40, 64, 100 of it; the printed tables are rounded by hand, and these are the differences.
#[test]
fn the_formula_is_near_the_table_and_is_not_the_table() {
    let times = [7.0, 10.0, 16.0, 25.0, 40.0, 64.0, 100.0];
    let mut most = [0.0_f64; 7];
    for step in 0..STEPS {
        let from = if step == 0 { 1.0 } else { UP_TO_MM[step - 1] };
        let d = (from * UP_TO_MM[step]).sqrt();
        let i = 0.45 * crate::geometry::math::exp(crate::geometry::math::ln(d) / 3.0) + 0.001 * d;
        for (row, k) in times.iter().enumerate() {
            most[row] = most[row].max((k * i - f64::from(GRADES_UM[row][step])).abs());
        }
    }
    for (row, expected) in [(0, 0.4), (2, 1.3), (4, 3.3), (6, 11.0)] {
        assert!((most[row] - expected).abs() < 0.06 * expected + 0.05, "{row}: {most:?}");
    }
}

#[test]
fn what_stands_in_no_table_is_refused_by_name() {
    let told = |mm: f64, class: &str| limit_deviations(mm, class).unwrap_err().to_string();
    assert!(told(10.0, "t6").starts_with("deviation \"t\" is not known here"));
    assert!(told(10.0, "Js6").starts_with("deviation \"Js\""));
    assert!(told(10.0, "HH6").starts_with("deviation \"HH\""));
    assert!(told(10.0, "H4").starts_with("grade 4 of \"H\" is not known here (IT5 to IT14"));
    assert!(told(10.0, "H15").contains("IT5 to IT14"));
    assert!(told(10.0, "P5").contains("IT6 to IT14") && told(10.0, "S5").contains("IT6 to IT14"));
    assert!(told(10.0, "K9").contains("IT6 to IT8") && told(10.0, "K5").contains("IT6"));
    assert!(
        told(10.0, "cd6").starts_with("deviation \"cd\"")
            && told(10.0, "EF6").starts_with("deviation \"EF\"")
    );
    assert!(told(10.0, "H99999999999999999999999").contains("grade 99999999999999999999"));
    assert!(told(0.5, "H14").contains("up to 1 mm") && told(1.0, "N9").contains("up to 1 mm"));
    assert!(limit_deviations(1.0, "N8").is_ok() && limit_deviations(1.1, "H14").is_ok());
    assert_eq!(told(501.0, "H8"), told(f64::NAN, "H8"));
    assert_eq!(told(-1.0, "H8"), told(0.0, "H8"));
    for class in ["", "8", "H", "H8x", "8H", "H08", "H 8", "H-8", "\u{c4}8", "H8\u{c4}"] {
        assert!(told(10.0, class).contains("is no tolerance class"), "{class}");
    }
}
