//! Tolerance classes of ISO 286-1:2010, such as H8: limit deviations of sizes up to 500 mm.
//!
//! The figures of the standard's tables, which its formulae do not give (they are rounded by hand, and a test shows
//! by how much the formula is off). Grades IT5 to IT11 and the deviations d to h, n, p as ten public tables agree on
//! them; IT12 to IT14 as ten times IT7 to IT9, from memory; the rules of the holes N and P from memory. What stands in
//! no table here is refused by name.

/// Upper ends of the steps of nominal size, mm; 3 itself is of the first step, 30 of that from 18 to 30.
const STEPS: usize = 13;
const UP_TO_MM: [f64; STEPS] =
    [3.0, 6.0, 10.0, 18.0, 30.0, 50.0, 80.0, 120.0, 180.0, 250.0, 315.0, 400.0, 500.0];

/// The first grade of [`GRADES_UM`].
const FIRST_GRADE: usize = 5;

/// Standard tolerances IT5 to IT14, um.
const GRADES_UM: [[u16; STEPS]; 10] = [
    [4, 5, 6, 8, 9, 11, 13, 15, 18, 20, 23, 25, 27],
    [6, 8, 9, 11, 13, 16, 19, 22, 25, 29, 32, 36, 40],
    [10, 12, 15, 18, 21, 25, 30, 35, 40, 46, 52, 57, 63],
    [14, 18, 22, 27, 33, 39, 46, 54, 63, 72, 81, 89, 97],
    [25, 30, 36, 43, 52, 62, 74, 87, 100, 115, 130, 140, 155],
    [40, 48, 58, 70, 84, 100, 120, 140, 160, 185, 210, 230, 250],
    [60, 75, 90, 110, 130, 160, 190, 220, 250, 290, 320, 360, 400],
    [100, 120, 150, 180, 210, 250, 300, 350, 400, 460, 520, 570, 630],
    [140, 180, 220, 270, 330, 390, 460, 540, 630, 720, 810, 890, 970],
    [250, 300, 360, 430, 520, 620, 740, 870, 1000, 1150, 1300, 1400, 1550],
];

/// Distance of a shaft's zone below the nominal size (upper deviation, negated), um.
const BELOW_UM: [(char, [u16; STEPS]); 5] = [
    ('d', [20, 30, 40, 50, 65, 80, 100, 120, 145, 170, 190, 210, 230]),
    ('e', [14, 20, 25, 32, 40, 50, 60, 72, 85, 100, 110, 125, 135]),
    ('f', [6, 10, 13, 16, 20, 25, 30, 36, 43, 50, 56, 62, 68]),
    ('g', [2, 4, 5, 6, 7, 9, 10, 12, 14, 15, 17, 18, 20]),
    ('h', [0; STEPS]),
];

/// Distance of a shaft's zone above the nominal size (lower deviation), um.
const ABOVE_UM: [(char, [u16; STEPS]); 2] = [
    ('n', [4, 8, 10, 12, 15, 17, 20, 23, 27, 31, 34, 37, 40]),
    ('p', [6, 12, 15, 18, 22, 26, 32, 37, 43, 50, 56, 62, 68]),
];

/// Limit deviations, mm, signed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LimitDeviations {
    /// The upper one.
    pub upper_mm: f64,
    /// The lower one.
    pub lower_mm: f64,
}

/// Why a tolerance class has no limits here.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ClassError {
    /// Not a letter and a grade.
    #[error("\"{0}\" is no tolerance class; write a letter and a grade, such as \"H8\"")]
    Form(String),
    /// A letter that stands in no table here.
    #[error(
        "deviation \"{0}\" is not known here (D, E, F, G, H, JS, N, P of holes and d, e, f, g, h, js, n, p of shafts \
         are); write the limit deviations of ISO 286-2 as numbers"
    )]
    Letter(String),
    /// A grade that stands in no table here, or not for this letter.
    #[error(
        "grade {grade} of \"{letter}\" is not known here (IT{least} to IT14 are); write the limit deviations as numbers"
    )]
    Grade {
        /// The letter.
        letter: String,
        /// The grade asked for.
        grade: String,
        /// The first grade that is known.
        least: usize,
    },
    /// A grade that the standard does not give for the smallest sizes.
    #[error("ISO 286-1 has no \"{0}\" up to 1 mm; write the limit deviations as numbers")]
    Small(String),
    /// A size beyond the tables.
    #[error("the tables of ISO 286 used here end at 500 mm; write the limit deviations as numbers")]
    Size,
}

/// Limit deviations of a tolerance class: holes by capital letters, shafts by small ones.
///
/// # Errors
/// [`ClassError`].
pub fn limit_deviations(nominal_mm: f64, class: &str) -> Result<LimitDeviations, ClassError> {
    let digits = class.trim_start_matches(|c: char| c.is_ascii_alphabetic());
    let letter = &class[..class.len() - digits.len()];
    if letter.is_empty()
        || digits.is_empty()
        || !digits.bytes().all(|b| b.is_ascii_digit())
        || digits.starts_with('0')
    {
        return Err(ClassError::Form(class.chars().take(20).collect()));
    }
    if !(nominal_mm > 0.0 && nominal_mm <= 500.0) {
        return Err(ClassError::Size);
    }
    let step = UP_TO_MM.iter().position(|most| nominal_mm <= *most).ok_or(ClassError::Size)?;
    let hole = letter.starts_with(|c: char| c.is_ascii_uppercase());
    let small = letter.to_ascii_lowercase();
    let one_case = letter == small || letter == small.to_ascii_uppercase();
    let unknown_letter = || ClassError::Letter(letter.chars().take(20).collect());
    let unknown_grade = |least| ClassError::Grade {
        letter: letter.to_owned(),
        grade: digits.chars().take(20).collect(),
        least,
    };
    let grade_um = |grade: usize| {
        grade.checked_sub(FIRST_GRADE).and_then(|row| GRADES_UM.get(row)).map(|row| i32::from(row[step]))
    };
    let of = |table: &[(char, [u16; STEPS])]| {
        let row = table.iter().find(|(l, _)| small.len() == 1 && small.starts_with(*l));
        row.map(|(_, um)| i32::from(um[step]))
    };
    let (below, above) = (of(&BELOW_UM), of(&ABOVE_UM));
    if !one_case || (small != "js" && below.is_none() && above.is_none()) {
        return Err(unknown_letter());
    }
    let grade: usize = digits.parse().map_err(|_| unknown_grade(FIRST_GRADE))?;
    let width = grade_um(grade).ok_or_else(|| unknown_grade(FIRST_GRADE))?;
    // ISO 286-1:2010, notes of its tables, from memory.
    if nominal_mm <= 1.0 && (grade >= 14 || (letter == "N" && grade >= 9)) {
        return Err(ClassError::Small(class.to_owned()));
    }
    if small == "js" {
        let half = f64::from(width) / 2000.0;
        return Ok(LimitDeviations { upper_mm: half, lower_mm: -half });
    }
    let (upper, lower) = match (hole, below, above) {
        (false, Some(below), _) => (-below, -below - width),
        (true, Some(below), _) => (below + width, below),
        (false, None, Some(above)) => (above + width, above),
        (true, None, above) => {
            // Fine holes are shifted by the difference of two grades, so that they fit as the shaft of the finer
            // grade does (ISO 286-1:2010, 4.3.2.5.3, from memory).
            let above = above.unwrap_or(0);
            let upper = match (small.as_str(), grade) {
                ("n", 9..) if step > 0 => 0,
                ("n", ..=8) | ("p", ..=7) if step > 0 => {
                    let finer = grade_um(grade - 1).ok_or_else(|| unknown_grade(FIRST_GRADE + 1))?;
                    width - finer - above
                }
                _ => -above,
            };
            (upper, upper - width)
        }
        (false, None, None) => return Err(unknown_letter()),
    };
    Ok(LimitDeviations { upper_mm: f64::from(upper) / 1000.0, lower_mm: f64::from(lower) / 1000.0 })
}

#[cfg(test)]
mod tests {
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
        // From memory: 40 P7, 40 N7, 40 N9, 3 N9, 40 P9.
        assert_eq!(um(40.0, "P7"), [-17.0, -42.0]);
        assert_eq!(um(40.0, "N7"), [-8.0, -33.0]);
        assert_eq!(um(40.0, "N9"), [0.0, -62.0]);
        assert_eq!(um(3.0, "N9"), [-4.0, -29.0]);
        assert_eq!(um(40.0, "P9"), [-26.0, -88.0]);
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
        assert!(told(10.0, "s6").starts_with("deviation \"s\" is not known here"));
        assert!(told(10.0, "Js6").starts_with("deviation \"Js\""));
        assert!(told(10.0, "HH6").starts_with("deviation \"HH\""));
        assert!(told(10.0, "H4").starts_with("grade 4 of \"H\" is not known here (IT5 to IT14"));
        assert!(told(10.0, "H15").contains("IT5 to IT14"));
        assert!(told(10.0, "P5").contains("IT6 to IT14"));
        assert!(told(10.0, "H99999999999999999999999").contains("grade 99999999999999999999"));
        assert!(told(0.5, "H14").contains("up to 1 mm") && told(1.0, "N9").contains("up to 1 mm"));
        assert!(limit_deviations(1.0, "N8").is_ok() && limit_deviations(1.1, "H14").is_ok());
        assert_eq!(told(501.0, "H8"), told(f64::NAN, "H8"));
        assert_eq!(told(-1.0, "H8"), told(0.0, "H8"));
        for class in ["", "8", "H", "H8x", "8H", "H08", "H 8", "H-8", "\u{c4}8", "H8\u{c4}"] {
            assert!(told(10.0, class).contains("is no tolerance class"), "{class}");
        }
    }
}
