//! Worked examples of papers, standards and guides.

use super::report::{Basis, Check, Group, Quantity};
use crate::associate::{Criterion, FitError, circle, circle_by};
use crate::conformity::{decide, probability_of_conformity};
use crate::geometry::{Direction, Point};
use crate::plan::Decision;
use crate::plan::iso286::{LimitDeviations, limit_deviations};
use crate::record::{Limits, Verdict};
use crate::run::{Run, Stopped};

pub(super) fn groups(run: &Run) -> Result<Vec<Group>, Stopped> {
    Ok(vec![circles(run)?, classes(), decisions()])
}

fn flat(points: &[(f64, f64)]) -> Vec<Point> {
    points.iter().map(|&(x, y)| Point::new(x, y, 0.0)).collect()
}

/// First example of Gander, Golub and Strebel.
const SIX: [(f64, f64); 6] = [(1., 7.), (2., 6.), (5., 8.), (7., 7.), (9., 5.), (3., 7.)];

/// A published routine answered these with a radius of 1.63862, which does not hold them.
const TEN: [(f64, f64); 10] = [
    (0.00604914, -1.54375),
    (0.201781, 0.7955),
    (0.703343, -0.400924),
    (-0.485319, -0.704386),
    (-0.710707, 0.905265),
    (0.463783, 0.470773),
    (-1.06043, 1.8205),
    (0.104751, 0.235759),
    (-1.89801, 1.03611),
    (-0.330475, 0.931081),
];

fn circles(run: &Run) -> Result<Group, Stopped> {
    let mm = |name| (name, "mm");
    let six = match circle(&flat(&SIX), Direction::Z) {
        Ok(fit) => {
            // Half of the last digit that is printed.
            let printed = 5e-5;
            Check::of(
                "six points",
                "geometric circle fit",
                vec![
                    Quantity::number(mm("centre x"), fit.centre.x, 4.7398, printed),
                    Quantity::number(mm("centre y"), fit.centre.y, 2.9835, printed),
                    Quantity::number(mm("radius"), fit.radius_mm, 4.7142, printed),
                ],
            )
        }
        Err(e) => Check::missing("six points", "geometric circle fit", &e),
    };
    // Two of the points are as far apart as any and the circle about their middle holds the others: a closed form.
    let (a, b) = (TEN[0], TEN[6]);
    let across = ((a.0 - b.0) * (a.0 - b.0) + (a.1 - b.1) * (a.1 - b.1)).sqrt();
    let ten = match circle_by(run, Criterion::MinimumCircumscribed, &flat(&TEN), Direction::Z) {
        Ok(found) => Check::of(
            "ten points",
            "circumscribed circle",
            vec![
                Quantity::number(mm("centre x"), found.shape.centre.x, f64::midpoint(a.0, b.0), 1e-9),
                Quantity::number(mm("centre y"), found.shape.centre.y, f64::midpoint(a.1, b.1), 1e-9),
                Quantity::number(mm("diameter"), 2.0 * found.shape.radius_mm, across, 1e-9),
                Quantity::of(mm("points beyond it"), (&[found.high.0], &[0.0]), found.high.0.max(0.0), 1e-12),
            ],
        )
        .noted("a published routine answers with a radius of 1.63862, which does not hold the points"),
        Err(FitError::Stopped(stopped)) => return Err(stopped),
        Err(e) => Check::missing("ten points", "circumscribed circle", &e),
    };
    Ok(Group::of(
        "circles",
        "worked circles",
        Basis::Published,
        "Gander, Golub and Strebel, BIT 34, 1994, first example, four decimals; a public note of 2004 on the smallest \
         enclosing circle (mathgroup, mg50307), where two points are its diameter",
        vec![six, ten],
    ))
}

/// Nominal size, class, upper and lower deviation, um.
const CLASSES: [(f64, &str, f64, f64); 15] = [
    (40.0, "H7", 25.0, 0.0),
    (40.0, "g6", -9.0, -25.0),
    (40.0, "G7", 34.0, 9.0),
    (40.0, "h6", 0.0, -16.0),
    (40.0, "H11", 160.0, 0.0),
    (40.0, "p6", 42.0, 26.0),
    // With 40 H7 it interferes by 18 to 59, with 40 H11 the next clears by 120 to 440.
    (40.0, "s6", 59.0, 43.0),
    (40.0, "c11", -120.0, -280.0),
    (8.0, "H7", 15.0, 0.0),
    (8.0, "H8", 22.0, 0.0),
    (8.0, "H9", 36.0, 0.0),
    (132.5, "H6", 25.0, 0.0),
    // One public page prints 9 for the smaller.
    (24.0, "G7", 28.0, 7.0),
    (30.0, "H7", 21.0, 0.0),
    (30.001, "H7", 25.0, 0.0),
];

fn classes() -> Group {
    let um = |d: LimitDeviations| [d.upper_mm, d.lower_mm].map(|d| d * 1000.0);
    let check = |&(size, class, upper, lower): &(f64, &str, f64, f64)| {
        let name = format!("{size} {class}");
        match limit_deviations(size, class).map(um) {
            Ok([u, l]) => Check::of(
                &name,
                "tolerance class",
                vec![
                    Quantity::number(("upper deviation", "um"), u, upper, 1e-9),
                    Quantity::number(("lower deviation", "um"), l, lower, 1e-9),
                ],
            ),
            Err(e) => Check::missing(&name, "tolerance class", &e),
        }
    };
    Group::of(
        "tolerance_classes",
        "tolerance classes of ISO 286-1",
        Basis::Published,
        "ISO 286-1:2010, tables as public copies agree on them, and worked fits",
        CLASSES.iter().map(check).collect(),
    )
}

fn decisions() -> Group {
    let both = Limits { lower_mm: Some(12.5), upper_mm: Some(16.3) };
    let probability = probability_of_conformity(13.6, 1.8, &both);
    let mut checks = vec![Check::of(
        "probability of conformity",
        "JCGM 106:2012, 7.4",
        // Half of the last digit that is printed.
        vec![Quantity::number(("probability", "1"), probability, 0.66, 5e-3)],
    )];
    let one = Limits { lower_mm: None, upper_mm: Some(1.0) };
    for (bands, stated) in [
        (-1.65, Verdict::Conforms),
        (-1.64, Verdict::Undecided),
        (1.64, Verdict::Undecided),
        (1.65, Verdict::DoesNotConform),
    ] {
        let name = format!("limit {bands:+} u");
        let found = decide(&Decision::Proven, 1.0 + 0.1 * bands, 0.1, &one, 1.0, None).verdict;
        let check = Check::of(&name, "ISO 14253-1:2017, guard band of 1.65 u", Vec::new());
        checks.push(check.worded(word(found), word(stated)));
    }
    Group::of(
        "decision_rules",
        "decision rules",
        Basis::Published,
        "JCGM 106:2012, 7.4 (y 13.6, u 1.8, limits 12.5 and 16.3: 0.66); ISO 14253-1:2017, conformance probability of \
         95 % or 1.65 u at one limit",
        checks,
    )
}

pub(super) fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Conforms => "conforms",
        Verdict::DoesNotConform => "does not conform",
        Verdict::Undecided => "undecided",
        Verdict::NotMeasured => "not measured",
    }
}
