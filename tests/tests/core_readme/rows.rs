//! The rows of the table: one for each size, tolerance, datum, association and rule. A new one is one entry here, or in
//! `size_rows`, `tolerance_rows` or `datum_rows`.

use super::{datum_rows, figures, size_rows, tolerance_rows};

pub(super) struct Row {
    /// Heading under which it stands.
    pub(super) part: &'static str,
    pub(super) name: &'static str,
    /// Standard, edition and clause.
    pub(super) rule: &'static str,
    /// How the measured value is defined.
    pub(super) value: &'static str,
    /// Where the two families of standards part.
    pub(super) iso_and_asme: &'static str,
    /// `file::function` of the test that holds it.
    pub(super) test: &'static str,
    /// Computed when the table is.
    pub(super) figure: fn() -> String,
}

/// A row, its cells in the table's order.
pub(super) const fn row(
    part: &'static str,
    [name, rule, value, iso_and_asme, test]: [&'static str; 5],
    figure: fn() -> String,
) -> Row {
    Row { part, name, rule, value, iso_and_asme, test, figure }
}

const SHAPES: &str = "Associations";
const RULES: &str = "Limits and decisions";

pub(super) fn rows() -> Vec<Row> {
    [size_rows::rows(), tolerance_rows::rows(), datum_rows::rows(), shapes_and_limits()]
        .into_iter()
        .flatten()
        .collect()
}

fn shapes_and_limits() -> Vec<Row> {
    vec![
        row(
            SHAPES,
            [
                "plane, least squares",
                "Gauss, orthogonal distances; modifiers G, GG",
                "plane through the centroid, normal of the least spread",
                "one criterion in both",
                "core/tests/published_fits.rs::fits_agree_with_the_published_answers",
            ],
            || figures::fits("plane"),
        ),
        row(
            SHAPES,
            [
                "sphere, least squares",
                "as the plane",
                "centre and radius of the least sum of squared distances",
                "one criterion in both",
                "core/tests/published_fits.rs::fits_agree_with_the_published_answers",
            ],
            || figures::fits("sphere"),
        ),
        row(
            SHAPES,
            [
                "cylinder, least squares",
                "as the plane",
                "axis and radius of the least sum of squared distances",
                "one criterion in both",
                "core/tests/published_fits.rs::fits_agree_with_the_published_answers",
            ],
            || figures::fits("cylinder"),
        ),
        row(
            SHAPES,
            [
                "cone, least squares",
                "as the plane",
                "axis, apex angle and place of the least sum of squared distances",
                "one criterion in both",
                "core/tests/published_fits.rs::fits_agree_with_the_published_answers",
            ],
            || figures::fits("cone"),
        ),
        row(
            SHAPES,
            [
                "plane, minimum zone",
                "ISO 1101:2017, modifier C",
                "the narrowest zone between parallel planes, proven the narrowest of all",
                "one criterion in both",
                "core/tests/published_zones.rs::zones_of_planes_are_as_wide_as_two_independent_computations_say",
            ],
            || figures::zones("plane"),
        ),
        row(
            SHAPES,
            [
                "circle, minimum zone",
                "as above",
                "the narrowest ring; rests on two points outside and two inside",
                "one criterion in both",
                "core/tests/published_zones.rs::zones_of_circles_spheres_and_cylinders_are_no_wider_than_stated_and_rest_on_their_contacts",
            ],
            || figures::zones("circle"),
        ),
        row(
            SHAPES,
            [
                "sphere, minimum zone",
                "as above",
                "the narrowest shell; five contacts",
                "one criterion in both",
                "core/tests/published_zones.rs::zones_of_circles_spheres_and_cylinders_are_no_wider_than_stated_and_rest_on_their_contacts",
            ],
            || figures::zones("sphere"),
        ),
        row(
            SHAPES,
            [
                "cylinder, minimum zone",
                "as above",
                "the narrowest zone between coaxial cylinders; six contacts as a rule",
                "one criterion in both",
                "core/tests/published_zones.rs::zones_of_circles_spheres_and_cylinders_are_no_wider_than_stated_and_rest_on_their_contacts",
            ],
            || figures::zones("cylinder"),
        ),
        row(
            SHAPES,
            [
                "circle, minimum circumscribed",
                "ISO 14405-1:2016, modifier (GN)",
                "the smallest circle that holds all points; refused on an arc of less than half a turn",
                "ASME: mating envelope of a shaft",
                "core/tests/published_zones.rs::inscribed_and_circumscribed_circles_are_as_stated_or_refused_on_arcs",
            ],
            || figures::circles("circumscribed circle"),
        ),
        row(
            SHAPES,
            [
                "circle, maximum inscribed",
                "ISO 14405-1:2016, modifier (GX)",
                "the largest circle that no point lies inside of; refused on an arc",
                "ASME: mating envelope of a hole",
                "core/tests/published_zones.rs::inscribed_and_circumscribed_circles_are_as_stated_or_refused_on_arcs",
            ],
            || figures::circles("inscribed circle"),
        ),
        row(
            SHAPES,
            [
                "what no criterion can answer",
                "common practice, no source",
                "points that do not hold a shape have no shape: the answer says which freedom is open",
                "neither standard speaks of it",
                "core/src/associate/criterion_tests.rs::what_a_criterion_cannot_say_is_refused",
            ],
            figures::open_arc,
        ),
        row(
            RULES,
            [
                "tolerance class",
                "ISO 286-1:2010, its tables to 500 mm",
                "limit deviations by letter and grade: the table's figures, which the formulae do not give",
                "ANSI B4.2 has the same classes (from memory)",
                "core/src/plan/iso286_tests.rs::worked_fits",
            ],
            figures::tolerance_class,
        ),
        row(
            RULES,
            [
                "general tolerance",
                "ISO 2768-1:1989, table 1",
                "equal deviations to both sides by the step of the nominal length",
                "ISO only",
                "core/src/plan/iso2768.rs::table_one_is_as_in_the_standard",
            ],
            figures::general_tolerance,
        ),
        row(
            RULES,
            [
                "probability of conformity",
                "JCGM 106:2012, 7.2 to 7.4",
                "the share of a normal distribution about the value that lies within the limits; published: 0.66",
                "one guide for both",
                "core/src/conformity/mod.rs::probabilities_are_those_of_the_guide",
            ],
            figures::probability,
        ),
        row(
            RULES,
            [
                "proven conformity",
                "ISO 14253-1:2017",
                "conforms, or does not, when that is probable by 95 %; undecided between; published: 1.65 u",
                "ASME B89.7.3.1 lets the parties choose: the plan's rule `simple` or `probability`",
                "core/src/conformity/mod.rs::the_guard_band_of_the_standard_is_one_point_six_five",
            ],
            figures::guard_band,
        ),
    ]
}
