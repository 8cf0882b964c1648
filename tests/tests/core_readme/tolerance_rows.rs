//! Rows of tolerances of orientation, location, profile and run-out.

use super::rows::{Row, row};
use super::{edges, figures, tolerances};

const ORIENTATIONS: &str = "Orientation";
const LOCATIONS: &str = "Location";
const PROFILES: &str = "Profile and run-out";

pub(super) fn rows() -> Vec<Row> {
    [orientations(), locations(), at_a_condition(), profiles()].into_iter().flatten().collect()
}

fn orientations() -> Vec<Row> {
    vec![
        row(
            ORIENTATIONS,
            [
                "parallelism, perpendicularity, angularity of a plane",
                "ISO 1101:2017, 17.10 to 17.12; ASME Y14.5-2018, 9 (from memory)",
                "width of the narrowest zone of the nominal's direction that holds all points, or the middles of two flanks; the zone may shift, and turn \
                 where the datums leave it free",
                "the same; one rule, whose direction is the nominal's. Of two flanks ASME means the centre plane of their mating envelope",
                "core/src/tolerance/orientation_tests.rs::a_tilted_plane_has_its_rise_wherever_it_lies",
            ],
            tolerances::orientation_of_plane,
        ),
        row(
            ORIENTATIONS,
            [
                "parallelism, perpendicularity, angularity of an axis",
                "as of a plane",
                "size of the narrowest zone, a cylinder or a slab across a given direction, that holds both ends of the straight axis over the depth of the wall",
                "ISO: the least-squares axis stands for the extracted median line; ASME: the axis of the unrelated actual mating envelope (from memory)",
                "core/src/tolerance/orientation_tests.rs::a_tilted_axis_has_its_lean_over_the_measured_depth",
            ],
            tolerances::orientation_of_axis,
        ),
        row(
            ORIENTATIONS,
            [
                "tangent plane (T)",
                "ISO 1101:2017, modifier T; ASME Y14.5.1-2019 (from memory)",
                "the same of the tangent plane over the same extent: the least-squares plane among all outside the material",
                "one association for both, that of ASME Y14.5.1-2019",
                "core/src/tolerance/orientation_tests.rs::the_tangent_plane_leaves_pits_and_bumps_between_its_contacts_out",
            ],
            tolerances::tangent_plane,
        ),
        row(
            ORIENTATIONS,
            [
                "orientation at maximum or least material",
                "ISO 2692:2021; ASME Y14.5-2018 (from memory)",
                "the tolerance at the condition with which the surface would just keep a boundary that may shift, 0 where there is room",
                "ASME: size of the zone of the envelope's axis; the limit grows by the bonus of its size",
                "core/src/tolerance/orientation_tests.rs::an_orientation_at_maximum_material_uses_what_the_size_leaves",
            ],
            tolerances::orientation_at_maximum_material,
        ),
    ]
}

fn locations() -> Vec<Row> {
    vec![
        row(
            LOCATIONS,
            [
                "position of an axis over its depth",
                "ISO 1101:2017, 17.13; ASME Y14.5-2018, 10 (from memory); published: 0.282843",
                "twice the larger distance of the two ends of the straight axis, over the depth of the wall, from the true axis",
                "ISO: the least-squares axis stands for the extracted median line; ASME: the axis of the unrelated actual mating envelope (from memory)",
                "core/src/tolerance/position_tests.rs::the_value_is_twice_the_distance_from_the_true_place",
            ],
            tolerances::position_of_axis,
        ),
        row(
            LOCATIONS,
            [
                "position of a hole in a thin wall, regardless of size",
                "ISO 1101:2017, 17.13 (from memory)",
                "of a wall shorter than its diameter, and of centres taken by points: twice the distance of the axis from its true place, square to the \
                 nominal axis",
                "the same for a zone that is a cylinder; ASME: of points the circle or axis of the mating envelope, where they are enough to show it \
                 (7 places of a circle, 15 of a cylinder: BS 7172:1989, from memory), else least squares with a caution",
                "core/tests/sheet_metal.rs::every_published_deviation_and_position_is_found_again_and_judged_before_rounding",
            ],
            || figures::results("position"),
        ),
        row(
            LOCATIONS,
            [
                "position in a slab zone",
                "as of an axis",
                "twice the larger distance of the axis' ends, a centre or a slot's middle from the middle of a zone across a given direction",
                "the same",
                "core/src/tolerance/position_tests.rs::the_value_is_twice_the_distance_from_the_true_place",
            ],
            tolerances::position_in_slab,
        ),
        row(
            LOCATIONS,
            [
                "position of a plane",
                "ISO 1101:2017, 17.13 (from memory)",
                "twice the largest distance of a point, filtered where the plan names a filter, from the true plane, to either side",
                "ASME: a profile of the surface says it (from memory)",
                "core/src/tolerance/position_tests.rs::planes_balls_grooves_and_slots_have_positions",
            ],
            tolerances::position_of_plane,
        ),
        row(
            LOCATIONS,
            [
                "position of a sphere",
                "ISO 1101:2017, 17.13 (from memory)",
                "twice the distance of the centre from its true place",
                "ISO: centre of the least-squares sphere; ASME: of the mating envelope, or least squares where the points leave that open",
                "core/src/tolerance/position_tests.rs::planes_balls_grooves_and_slots_have_positions",
            ],
            tolerances::position_of_sphere,
        ),
        row(
            LOCATIONS,
            [
                "position of a width",
                "ISO 1101:2017, 17.13; ISO 17450-3:2016, extracted median surface (from memory)",
                "twice the largest distance of a middle of both flanks, cell by cell, from the true middle plane; of a slot as well, whose centre counts in a \
                 round zone and along its length; by ISO of a slot shallower than half its width the straight plane midway between its flanks",
                "ISO; ASME: the next row. The centre of a slot in a round zone or along its length is that of the least-squares slot in both",
                "core/src/tolerance/position_tests.rs::planes_balls_grooves_and_slots_have_positions",
            ],
            tolerances::position_of_width,
        ),
        row(
            LOCATIONS,
            [
                "position of a width by its mating envelope",
                "ASME Y14.5-2018, 10; ASME Y14.5.1-2019 (from memory)",
                "twice the largest distance from the true middle plane of the centre plane between the two parallel planes that are furthest apart within a \
                 groove or slot, or nearest about a tongue, as far as the flanks reach; no datum holds these planes",
                "ASME; a tapered groove is where both part most: a block lies against its straight flank, the extracted middle of ISO leans",
                "core/src/tolerance/centre_plane_tests.rs::in_a_tapered_groove_the_block_lies_straight_and_the_extracted_middle_leans",
            ],
            tolerances::position_of_width_by_envelope,
        ),
        row(
            LOCATIONS,
            [
                "projected zone",
                "ISO 1101:2017, modifier (P); ISO 10578:1992 (from memory)",
                "twice the larger distance of both ends of the axis prolonged out of the material, from the wall's end on the side to which the first datum plane faces",
                "the same; at maximum material ISO takes the prolonged envelope against its boundary, ASME value and bonus",
                "core/src/tolerance/position_tests.rs::a_projected_zone_is_held_outside_the_part",
            ],
            tolerances::projected,
        ),
        row(
            LOCATIONS,
            [
                "group",
                "ISO 5458:2018 (from memory)",
                "the largest position of all members, which are moved together within what the datums leave so that it is least",
                "the same; several characteristics are tied by SIM (ISO) or by their datums (ASME): simultaneous requirements",
                "core/src/tolerance/position_tests.rs::a_pattern_is_moved_as_one_and_the_lower_segment_is_never_larger",
            ],
            tolerances::group,
        ),
        row(
            LOCATIONS,
            [
                "composite position, lower segment",
                "ASME Y14.5-2018, 10 (from memory)",
                "the position with all shifts free beside what the datums leave: the datums orient the pattern and do not locate it; never more than the upper segment's",
                "ISO writes an orientation-only modifier at the datums (from memory), which is the same",
                "core/src/tolerance/position_tests.rs::a_pattern_is_moved_as_one_and_the_lower_segment_is_never_larger",
            ],
            tolerances::lower_segment,
        ),
        row(
            LOCATIONS,
            [
                "coaxiality, concentricity",
                "ISO 1101:2017, 17.14 (from memory)",
                "twice the largest distance of the ends of the feature's axis over its depth, or of its centre, from the datum axis",
                "ASME Y14.5-2018 has neither any more and asks for a position (from memory); the axis is that of the standard, as for a position",
                "core/src/tolerance/coaxiality.rs::the_end_that_is_further_from_the_datum_axis_counts",
            ],
            tolerances::coaxiality,
        ),
        row(
            LOCATIONS,
            [
                "symmetry",
                "ISO 1101:2017, 17.15 (from memory)",
                "of a slot or width: twice the largest distance of a middle of both flanks, cell by cell, from the nominal's middle plane in the datum system",
                "ASME Y14.5-2018 has it no more and asks for a position (from memory)",
                "core/src/tolerance/symmetry.rs::the_middle_of_two_flanks_is_halfway_between_them",
            ],
            tolerances::symmetry,
        ),
    ]
}

fn at_a_condition() -> Vec<Row> {
    vec![
        row(
            LOCATIONS,
            [
                "position at maximum material, by the surface",
                "ISO 2692:2021 (from memory)",
                "the tolerance at the condition with which no point of the surface would pass its boundary at the true place; 0 where there is room. In a slab zone of an axis the envelope itself, prolonged, is held against the boundary",
                "ISO; in ASME the surface method takes precedence over the axis (from memory): grooves, tongues and slots have it by either standard",
                "core/src/tolerance/position_tests.rs::hole_and_pin_of_one_virtual_condition_just_keep_it",
            ],
            tolerances::maximum_material_by_surface,
        ),
        row(
            LOCATIONS,
            [
                "position at maximum material, by the axis and a bonus",
                "ASME Y14.5-2018 (from memory); published: bonus 0.2, allowed 0.5",
                "twice the distance of the axis of the mating envelope; the limit grows by the departure of that envelope's size from maximum material, no more than the size's tolerance",
                "ASME: holes, shafts and balls. The number by ISO is that of the row before",
                "core/src/tolerance/position_tests.rs::at_maximum_material_a_larger_hole_may_lie_further_off",
            ],
            tolerances::maximum_material_by_axis,
        ),
        row(
            LOCATIONS,
            [
                "position at least material",
                "ISO 2692:2021; ASME Y14.5-2018 (from memory)",
                "as at maximum material, with a boundary within the material: the smallest about a hole, the largest within a shaft",
                "ISO by the surface, ASME by the axis of the envelope within the material and a bonus",
                "core/src/tolerance/position_tests.rs::at_maximum_material_a_larger_hole_may_lie_further_off",
            ],
            tolerances::least_material,
        ),
        row(
            LOCATIONS,
            [
                "zero tolerance at maximum material",
                "ISO 2692:2021; ASME Y14.5-2018 (from memory); published: 0.015",
                "what the size leaves is all the tolerance there is",
                "ISO: the value is 0 as long as the surface keeps its boundary; ASME: the limit is the bonus",
                "core/src/tolerance/position_tests.rs::a_zero_tolerance_at_maximum_material_is_what_the_size_leaves",
            ],
            tolerances::zero_tolerance,
        ),
        row(
            LOCATIONS,
            [
                "position with a loose datum",
                "ISO 2692:2021; ISO 5459:2011; ASME Y14.5-2018 (from memory)",
                "the least that moving the part gives while the datum's points keep its boundary; no member gets the play as a bonus of its own",
                "the same",
                "core/src/tolerance/position_tests.rs::play_of_a_datum_moves_the_pattern_and_widens_no_hole",
            ],
            tolerances::loose_datum,
        ),
        row(
            LOCATIONS,
            [
                "simultaneous requirements",
                "ISO 5458:2018, SIM; ASME Y14.5-2018, 7.19 (from memory)",
                "positions and profiles, each told where one movement within what the datums leave has the part: the one that makes the largest excess over any limit least, then the next largest, and so on",
                "ISO: independent unless they have a name in common (`simultaneous`); ASME: tied where datums, their order and conditions are the same, unless `separate`; lower segments by a name only",
                "core/src/tolerance/together_tests.rs::two_holes_that_are_each_within_by_their_own_movement_are_not_by_one",
            ],
            tolerances::simultaneous,
        ),
    ]
}

fn profiles() -> Vec<Row> {
    vec![
        row(
            PROFILES,
            [
                "profile of a surface, check point",
                "ISO 1660:2017; ISO 1101:2017, 17.9 (from memory)",
                "deviation along the normal, held against a limit on either side; the larger excess decides",
                "ISO: UZ shifts the zone; ASME: U says how much lies outside. Both are two limits here",
                "core/tests/sheet_metal.rs::every_published_deviation_and_position_is_found_again_and_judged_before_rounding",
            ],
            || figures::results("deviation"),
        ),
        row(
            PROFILES,
            [
                "profile of a surface, held or over what the datums leave",
                "ISO 1660:2017; ISO 1101:2017, 17.8 and 17.9 (from memory)",
                "smallest and largest filtered deviation along the normal, of one surface or of several together, after the movement within what the datums leave \
                 (all six freedoms without datums) that makes the largest excess over either limit least",
                "the same; ASME Y14.5.1-2019 tells it as one number, the width plus twice the larger excess",
                "core/src/tolerance/profile_tests.rs::without_datums_a_plane_is_as_good_as_it_is_flat",
            ],
            tolerances::profile_over_leeway,
        ),
        row(
            PROFILES,
            [
                "profile, offset zone (OZ)",
                "ISO 1101:2017, modifier OZ (from memory)",
                "largest less smallest deviation: one constant is taken off all",
                "ISO only",
                "core/src/tolerance/profile_tests.rs::the_extremes_give_the_published_values_of_profile",
            ],
            tolerances::offset_zone,
        ),
        row(
            PROFILES,
            [
                "profile, unequal zone (UZ, U)",
                "ISO 1101:2017, UZ; ASME Y14.5-2018, U (from memory); published: 0 and -0.6; 0.84",
                "deviations held against two limits: the middle of the zone shifted by UZ out of the material, or U of the width outside it",
                "ISO states the shift of the middle, ASME the share outside",
                "core/src/tolerance/profile_tests.rs::the_extremes_give_the_published_values_of_profile",
            ],
            tolerances::unequal_zone,
        ),
        row(
            PROFILES,
            [
                "profile of a line",
                "ISO 1101:2017, 17.6 and 17.7; ISO 1660:2017 (from memory)",
                "smallest and largest deviation of the points in a strip about the plane that cuts, between two ends if given; over what the datums leave as for a surface",
                "one section a characteristic here, where both mean every one (from memory)",
                "core/src/tolerance/line_profile.rs::only_what_lies_in_the_section_counts",
            ],
            tolerances::line_profile,
        ),
        row(
            PROFILES,
            [
                "profile of a trimmed edge, by its wall",
                "ISO 1660:2017 (from memory); filter along the edge ISO 16610-21:2011; common practice",
                "smallest and largest offset along the outward direction in the skin, of stations all along the edge: least-squares lines of skin, wall and other                  side in each section, prolonged to the arris over what scanners round; visible arris, hidden arris, or half way between both",
                "neither says which edge of a wall is meant: the plan does",
                "core/tests/edges.rs::the_visible_arris_is_told_as_well_as_its_points_can_tell_it",
            ],
            edges::trimmed_edge,
        ),
        row(
            PROFILES,
            [
                "profile of a trimmed edge, by its skin alone",
                "as above; JCGM 101:2008, 6.4.2",
                "where the wall was not seen: the middle between the last place of the scanner's rows that holds a point and the first that holds none; of points in no                  order the last and their mean gap",
                "neither speaks of it",
                "core/tests/edges.rs::the_end_of_a_skin_in_rows_is_told_as_well_as_the_rows_can_tell_it",
            ],
            edges::edge_by_surface,
        ),
        row(
            PROFILES,
            [
                "gap to a neighbour",
                "the trade's word; common practice, no source",
                "smallest and largest of all stations of a line, each held against both limits: from the part's edge, measured and filtered along its line, to the neighbour's nominal \
                 edge where the plane square to the line meets it, along the outward direction of the part's nominal edge in its skin; negative where they overlap; in the datum system that \
                 holds the part whole",
                "neither defines it",
                "core/tests/joints.rs::gap_and_step_are_those_that_were_made",
            ],
            edges::gap,
        ),
        row(
            PROFILES,
            [
                "step to a neighbour (flush offset)",
                "the trade's word; common practice, no source",
                "smallest and largest of all stations, as of a gap: how much higher the part's skin lies at its edge, by the least-squares line of the skin beside it, than the neighbour's \
                 nominal edge, along the normal of the part's nominal skin; positive where the part stands proud",
                "neither defines it",
                "core/tests/joints.rs::a_height_is_told_as_well_as_its_points_can_tell_it",
            ],
            edges::step,
        ),
        row(
            PROFILES,
            [
                "circular run-out",
                "ISO 1101:2017, 17.16 (from memory)",
                "largest less smallest distance from the datum axis (radial; of a cone or ball square to its surface), or place along it (axial), within a ring; the largest of all rings that leave no more \
                 than a quarter of a turn open",
                "the same",
                "core/src/tolerance/runout.rs::a_tilted_disc_runs_out_the_more_the_further_out",
            ],
            tolerances::circular_runout,
        ),
        row(
            PROFILES,
            [
                "total run-out",
                "ISO 1101:2017, 17.17 (from memory)",
                "the same over the whole surface at once",
                "the same",
                "core/src/tolerance/runout.rs::a_shaft_off_its_axis_runs_out_by_twice_that",
            ],
            tolerances::total_runout,
        ),
    ]
}
