//! Rows of datums: what holds a part, by which association, and what it leaves.

use scantling_core::plan::Association;

use super::datums;
use super::rows::{Row, row};

const DATUMS: &str = "Datums";
const ASSOCIATIONS: &str = "Associations of datums";

pub(super) fn rows() -> Vec<Row> {
    [kinds(), leeway(), associations()].into_iter().flatten().collect()
}

const ISO_5459: &str = "ISO 5459:2011 (from memory)";
const SAME: &str = "the same";

fn kinds() -> Vec<Row> {
    vec![
        row(
            DATUMS,
            [
                "plane",
                ISO_5459,
                "three places of the associated plane along its normal: one shift and two turns, as far as the datums before it leave them",
                SAME,
                "core/tests/datum_features.rs::crowned_planes_lie_where_each_association_says",
            ],
            datums::plane,
        ),
        row(
            DATUMS,
            [
                "hole held square to the first plane",
                ISO_5459,
                "the centre of the circle seen along the first datum plane's normal: two shifts, or the last turn",
                SAME,
                "core/tests/datum_bar.rs::coordinates_of_holes_are_unbiased_and_as_certain_as_the_points_allow",
            ],
            datums::hole_after_plane,
        ),
        row(
            DATUMS,
            [
                "slot",
                ISO_5459,
                "the middle of its flanks across its length: one shift, or one turn",
                SAME,
                "core/tests/datums.rs::a_slot_clocks_as_a_hole_does_and_the_record_says_what_each_datum_locks",
            ],
            datums::slot,
        ),
        row(
            DATUMS,
            [
                "cylinder",
                ISO_5459,
                "two places of its axis, each held across it: two shifts and two turns; of a wall shorter than its diameter one place, so two shifts",
                SAME,
                "core/tests/datum_features.rs::a_bore_locks_four_freedoms_and_the_rest_is_told_as_free",
            ],
            datums::cylinder,
        ),
        row(
            DATUMS,
            [
                "cone",
                ISO_5459,
                "its axis and its place along it, at the nominal angle: all but the turn about the axis",
                SAME,
                "core/src/datum/pattern.rs::each_kind_sees_as_many_motions_as_its_invariance_leaves",
            ],
            datums::cone,
        ),
        row(
            DATUMS,
            [
                "sphere",
                ISO_5459,
                "its centre: three shifts",
                SAME,
                "core/tests/datum_features.rs::a_ball_locks_three_shifts",
            ],
            datums::sphere,
        ),
        row(
            DATUMS,
            [
                "width",
                ISO_5459,
                "three places of the middle plane of its two flanks: one shift and two turns, as far as they are left",
                SAME,
                "core/tests/datum_features.rs::a_groove_locks_by_its_middle",
            ],
            datums::width,
        ),
        row(
            DATUMS,
            [
                "common datum A-B",
                "ISO 5459:2011, common datums (from memory)",
                "the features keep their nominal places to each other, are associated as one pattern, and each of size finds its own",
                "ASME: multiple datum features, simulated at once (from memory); no largest inscribed or smallest circumscribed of several here",
                "core/tests/datum_features.rs::a_pattern_of_bores_is_one_datum",
            ],
            datums::common,
        ),
        row(
            DATUMS,
            [
                "datum targets",
                "ISO 5459:2011, datum targets (from memory)",
                "least squares of what is left along each target's locks, datum by datum in order; as many as freedoms are met exactly",
                SAME,
                "core/src/datum/targets/tests.rs::a_fourth_pad_shares_its_error_and_the_later_datums_are_met",
            ],
            datums::targets,
        ),
        row(
            DATUMS,
            [
                "balls of a holding fixture",
                "common practice, no source",
                "least squares of the distances of the balls' centres from where the certificate has them",
                "neither standard speaks of it",
                "core/tests/datums.rs::balls_of_a_fixture_hold_the_part_where_the_fixture_says",
            ],
            datums::fixture,
        ),
    ]
}

fn associations() -> Vec<Row> {
    vec![
        row(
            ASSOCIATIONS,
            [
                "least squares",
                "Gauss, orthogonal distances; ISO 5459:2024, modifier (G) (from memory)",
                "the motion of the least sum of squared distances, cells of a scanned face counting alike; sizes are free. The only one on taken points, which are not filtered",
                "the default of neither; the plan names it",
                "core/src/associate/together_tests.rs::one_plane_is_the_plane_that_is_fitted_alone",
            ],
            || datums::crowned(Association::LeastSquares, -0.14),
        ),
        row(
            ASSOCIATIONS,
            [
                "minimum zone",
                "ISO 5459:2024, modifier (C) (from memory)",
                "the motion of the least largest distance of a filtered point to either side; the datum lies in the middle of its zone",
                "the default of neither; the plan names it",
                "core/src/associate/together_tests.rs::a_crowned_face_is_touched_on_its_crown",
            ],
            || datums::crowned(Association::MinimumZone, -0.2),
        ),
        row(
            ASSOCIATIONS,
            [
                "least squares outside the material",
                "ASME Y14.5.1-2019, constrained least squares (from memory)",
                "the least sum of squares among all places at which no filtered point lies outside of the feature; of several only planes that face one way",
                "ASME's default of a plane (from memory)",
                "core/src/associate/together_tests.rs::a_crowned_face_is_touched_on_its_crown",
            ],
            || datums::crowned(Association::LeastSquaresOutside, 0.0),
        ),
        row(
            ASSOCIATIONS,
            [
                "minimax outside the material",
                "ISO 5459:2011, annex A (from memory)",
                "the least largest distance among all places at which no filtered point lies outside of the feature: a tangent feature",
                "ISO's default of a plane (from memory)",
                "core/src/associate/together_tests.rs::a_crowned_face_is_touched_on_its_crown",
            ],
            || datums::crowned(Association::MinimaxOutside, 0.0),
        ),
        row(
            ASSOCIATIONS,
            [
                "maximum inscribed",
                "ISO 5459:2011, annex A (from memory)",
                "the largest that no filtered point lies inside of: of one hole, slot, bore, hollow sphere or groove, held in the turns that earlier datums lock",
                "ISO's default of a bore, ASME's related actual mating envelope (from memory)",
                "core/src/associate/together_tests.rs::one_tube_is_the_cylinder_that_is_fitted_alone_and_seen_along_its_axis_the_circle",
            ],
            || datums::lobed(true, Association::MaximumInscribed, 19.9),
        ),
        row(
            ASSOCIATIONS,
            [
                "minimum circumscribed",
                "ISO 5459:2011, annex A (from memory)",
                "the smallest that no filtered point lies outside of: of one pin, ball or tongue, held in the turns that earlier datums lock",
                "ISO's default of a pin, ASME's related actual mating envelope (from memory)",
                "core/src/associate/together_tests.rs::one_tube_is_the_cylinder_that_is_fitted_alone_and_seen_along_its_axis_the_circle",
            ],
            || datums::lobed(false, Association::MinimumCircumscribed, 20.1),
        ),
    ]
}

fn leeway() -> Vec<Row> {
    vec![
        row(
            DATUMS,
            [
                "customised freedoms",
                "ISO 5459:2011, degrees of freedom in brackets; ASME Y14.5-2018, customized datum reference frame (from memory)",
                "a datum brings to zero only those combinations of its places that the named freedoms see; it leaves the others to later datums",
                SAME,
                "core/tests/datum_features.rs::a_datum_locks_only_what_it_may",
            ],
            datums::only_some_freedoms,
        ),
        row(
            DATUMS,
            [
                "loose datum, at maximum or least material",
                "ISO 2692:2021; ISO 5459:2011 (from memory)",
                "established regardless of size; the motions that it alone holds are told as loose, and tolerances use them while its surface keeps its boundary",
                "ASME: MMB and LMB (from memory); the size of the boundary is stated in both",
                "core/tests/datum_features.rs::a_datum_at_maximum_material_is_told_as_loose",
            ],
            datums::loose,
        ),
        row(
            DATUMS,
            [
                "best fit, least squares",
                "common practice, no source; point to tangent plane: Chen and Medioni 1992 (from memory)",
                "over what the datums leave free, the least sum of squared deviations of chosen features, cells of a face counting alike, times a weight",
                "neither standard speaks of it",
                "core/tests/datum_features.rs::a_best_fit_takes_up_what_the_datums_leave",
            ],
            || datums::best_fit(Association::LeastSquares, 0.06),
        ),
        row(
            DATUMS,
            [
                "best fit, minimax",
                "common practice, no source; as above",
                "over what the datums leave free, the least largest filtered deviation of chosen features",
                "neither standard speaks of it",
                "core/tests/datum_features.rs::a_best_fit_takes_up_what_the_datums_leave",
            ],
            || datums::best_fit(Association::MinimumZone, 0.1),
        ),
    ]
}
