//! Tolerance classes of ISO 286-1:2010, such as H8: limit deviations of sizes up to 500 mm.
//!
//! The figures of the standard's tables, which its formulae do not give (they are rounded by hand, and a test shows
//! by how much the formula is off). Grades IT5 to IT11 and the deviations d to h, n, p as ten public tables agree on
//! them; IT12 to IT14 as ten times IT7 to IT9, from memory; the deviations c, k, m, r, s and the rules of the holes K, M,
//! N, P, R, S from memory, held by the tests against the standard's formulae and the worked fits. What stands in no
//! table here is refused by name.

/// Upper ends of the steps of nominal size, mm; 3 itself is of the first step, 30 of that from 18 to 30.
const STEPS: usize = 13;
const UP_TO_MM: [f64; STEPS] =
    [3.0, 6.0, 10.0, 18.0, 30.0, 50.0, 80.0, 120.0, 180.0, 250.0, 315.0, 400.0, 500.0];

/// The steps of c, r and s, mm, which are finer from 30 on.
const FINE_STEPS: usize = 23;
const FINE_UP_TO_MM: [f64; FINE_STEPS] = [
    3.0, 6.0, 10.0, 18.0, 30.0, 40.0, 50.0, 65.0, 80.0, 100.0, 120.0, 140.0, 160.0, 180.0, 200.0, 225.0,
    250.0, 280.0, 315.0, 355.0, 400.0, 450.0, 500.0,
];

/// The first grade of [`GRADES_UM`].
const FIRST_GRADE: usize = 5;
/// The last one.
const LAST_GRADE: usize = FIRST_GRADE + GRADES_UM.len() - 1;

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

/// Distance of a shaft's zone above the nominal size (lower deviation), um. That of k is for IT5 to IT7 of shafts and
/// to IT8 of holes.
const ABOVE_UM: [(char, [u16; STEPS]); 4] = [
    ('k', [0, 1, 1, 1, 2, 2, 2, 3, 3, 4, 4, 4, 5]),
    ('m', [2, 4, 6, 7, 8, 9, 11, 13, 15, 17, 20, 21, 23]),
    ('n', [4, 8, 10, 12, 15, 17, 20, 23, 27, 31, 34, 37, 40]),
    ('p', [6, 12, 15, 18, 22, 26, 32, 37, 43, 50, 56, 62, 68]),
];

/// As [`BELOW_UM`], in finer steps.
const BELOW_FINE_UM: [(char, [u16; FINE_STEPS]); 1] = [(
    'c',
    [
        60, 70, 80, 95, 110, 120, 130, 140, 150, 170, 180, 200, 210, 230, 240, 260, 280, 300, 330, 360, 400,
        440, 480,
    ],
)];

/// As [`ABOVE_UM`], in finer steps.
const ABOVE_FINE_UM: [(char, [u16; FINE_STEPS]); 2] = [
    ('r', [10, 15, 19, 23, 28, 34, 34, 41, 43, 51, 54, 63, 65, 68, 77, 80, 84, 94, 98, 108, 114, 126, 132]),
    (
        's',
        [
            14, 19, 23, 28, 35, 43, 43, 53, 59, 71, 79, 92, 100, 108, 122, 130, 140, 158, 170, 190, 208, 232,
            252,
        ],
    ),
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
        "deviation \"{0}\" is not known here (C to H but CD, EF and FG, JS, K, M, N, P, R, S of holes and the same small \
         letters of shafts are); write the limit deviations of ISO 286-2 as numbers"
    )]
    Letter(String),
    /// A grade that stands in no table here, or not for this letter.
    #[error(
        "grade {grade} of \"{letter}\" is not known here (IT{least} to IT{most} are); write the limit deviations as numbers"
    )]
    Grade {
        /// The letter.
        letter: String,
        /// The grade asked for.
        grade: String,
        /// The first grade that is known.
        least: usize,
        /// The last one.
        most: usize,
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
    let unknown_grade = |least, most| ClassError::Grade {
        letter: letter.to_owned(),
        grade: digits.chars().take(20).collect(),
        least,
        most,
    };
    let grade_um = |grade: usize| {
        grade.checked_sub(FIRST_GRADE).and_then(|row| GRADES_UM.get(row)).map(|row| i32::from(row[step]))
    };
    let fine = FINE_UP_TO_MM.iter().position(|most| nominal_mm <= *most).ok_or(ClassError::Size)?;
    let below = row_of(&BELOW_UM, &small, step).or_else(|| row_of(&BELOW_FINE_UM, &small, fine));
    let above = row_of(&ABOVE_UM, &small, step).or_else(|| row_of(&ABOVE_FINE_UM, &small, fine));
    if !one_case || (small != "js" && below.is_none() && above.is_none()) {
        return Err(unknown_letter());
    }
    let grade: usize = digits.parse().map_err(|_| unknown_grade(FIRST_GRADE, LAST_GRADE))?;
    let width = grade_um(grade).ok_or_else(|| unknown_grade(FIRST_GRADE, LAST_GRADE))?;
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
        // Coarse zones of k begin at the nominal size.
        (false, None, Some(_)) if small == "k" && grade > 7 => (width, 0),
        (false, None, Some(above)) => (above + width, above),
        (true, None, above) => {
            let above = above.unwrap_or(0);
            let shifted = match small.as_str() {
                "k" | "m" | "n" => 8,
                _ => 7,
            };
            let upper = match (small.as_str(), grade) {
                // The standard gives no coarser K.
                ("k", 9..) => return Err(unknown_grade(FIRST_GRADE + 1, 8)),
                ("n", 9..) if step > 0 => 0,
                // The one figure that the rule does not give (ISO 286-1:2010, note of its table, from memory).
                ("m", 6) if UP_TO_MM[step] == 315.0 => -9,
                // Fine holes are shifted by the difference of two grades, so that they fit as the shaft of the finer
                // grade does (ISO 286-1:2010, 4.3.2.5.3, from memory).
                (_, grade) if step > 0 && grade <= shifted => {
                    let finer = grade_um(grade - 1);
                    let finer = finer.ok_or_else(|| unknown_grade(FIRST_GRADE + 1, LAST_GRADE))?;
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

/// The figure of a letter in a table.
fn row_of<const N: usize>(table: &[(char, [u16; N])], letter: &str, step: usize) -> Option<i32> {
    let row = table.iter().find(|(l, _)| letter.len() == 1 && letter.starts_with(*l));
    row.map(|(_, um)| i32::from(um[step]))
}

#[cfg(test)]
#[path = "iso286_tests.rs"]
mod tests;
