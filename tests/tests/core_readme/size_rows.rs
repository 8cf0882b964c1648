//! Rows of sizes, distances, angles and forms.

use scantling_core::plan::SizeOperator;

use super::rows::{Row, row};
use super::{figures, sizes, skins, walls};

const SIZES: &str = "Sizes, distances, angles";
const FORMS: &str = "Form";

pub(super) fn rows() -> Vec<Row> {
    [of_size(), of_form()].into_iter().flatten().collect()
}

fn of_size() -> Vec<Row> {
    vec![
        row(
            SIZES,
            [
                "diameter, least squares (GG)",
                "ISO 14405-1:2016, modifier (GG) (from memory)",
                "twice the radius of the least-squares cylinder or sphere; of a wall shorter than its diameter that of the circle seen along the \
                 nominal axis",
                "ISO's default is the two-point size, ASME's the actual mating envelope; neither is meant by (GG)",
                "core/tests/published_fits.rs::fits_agree_with_the_published_answers",
            ],
            || format!("cylinder {}; circle {}", figures::fits("cylinder"), figures::fits("circle")),
        ),
        row(
            SIZES,
            [
                "diameter, minimum zone (GC)",
                "ISO 14405-1:2016, modifier (GC) (from memory)",
                "the diameter midway in the narrowest zone that holds all points, between coaxial cylinders or concentric spheres",
                "ISO only",
                "core/src/tolerance/size_tests.rs::lobes_that_no_two_points_see_show_in_the_contacts",
            ],
            || sizes::size_of_lobed(SizeOperator::MinimumZone, 20.1),
        ),
        row(
            SIZES,
            [
                "diameter, maximum inscribed (GX)",
                "ISO 14405-1:2016, modifier (GX) (from memory)",
                "the largest cylinder or sphere that no point lies inside of",
                "ASME: of a hole the unrelated actual mating envelope (from memory)",
                "core/src/tolerance/size_tests.rs::lobes_that_no_two_points_see_show_in_the_contacts",
            ],
            || sizes::size_of_lobed(SizeOperator::MaximumInscribed, 20.0),
        ),
        row(
            SIZES,
            [
                "diameter, minimum circumscribed (GN)",
                "ISO 14405-1:2016, modifier (GN) (from memory)",
                "the smallest cylinder or sphere that no point lies outside of",
                "ASME: of a shaft the unrelated actual mating envelope (from memory)",
                "core/src/tolerance/size_tests.rs::lobes_that_no_two_points_see_show_in_the_contacts",
            ],
            || sizes::size_of_lobed(SizeOperator::MinimumCircumscribed, 20.2),
        ),
        row(
            SIZES,
            [
                "two-point size (LP)",
                "ISO 14405-1:2016, modifier (LP) (from memory)",
                "distance of a point from the place opposite, interpolated between its neighbours, through the centre of the section's \
                 least-squares circle, or of the least-squares sphere; the smallest is held against the lower limit and the largest against the upper",
                "ISO's default where nothing is written; ASME's actual local size (from memory)",
                "core/src/tolerance/two_point_tests.rs::an_ellipse_has_its_axes_as_smallest_and_largest_local_diameter",
            ],
            sizes::two_point_sizes,
        ),
        row(
            SIZES,
            [
                "envelope requirement (E)",
                "ISO 14405-1:2016, modifier (E) (from memory)",
                "two numbers: the mating size (GX of what is hollow, GN of what is solid) against the limit of most material, the furthest two-point \
                 size against the other",
                "ISO: only where (E) is written; ASME Y14.5: the default of a regular feature of size (from memory). Here only where the plan asks for it",
                "core/src/tolerance/size_tests.rs::a_bent_bore_keeps_its_two_point_sizes_and_lets_only_a_thinner_pin_through",
            ],
            sizes::envelope,
        ),
        row(
            SIZES,
            [
                "width of two planes, or of a slot",
                "ISO 14405-1:2016, the same modifiers (from memory)",
                "distance of two parallel planes, each associated with its own flank, by the operator; two-point sizes square to the \
                 least-squares direction of both; a slot's round ends are left out",
                "as for diameters",
                "core/src/tolerance/size_tests.rs::a_groove_and_a_tongue_mirror_each_other",
            ],
            sizes::width_of_planes,
        ),
        row(
            SIZES,
            [
                "radius",
                "ISO 14405-2:2018 (from memory); Gauss, orthogonal distances",
                "radius of the least-squares cylinder, sphere, or tube of a torus; of part of a turn as far as the points tell it",
                "ASME Y14.5 speaks of a zone between two arcs for R and CR (from memory), which this is not",
                "core/src/tolerance/radius.rs::a_quarter_of_a_cylinder_or_a_torus_and_a_cap_tell_their_radius",
            ],
            sizes::radius,
        ),
        row(
            SIZES,
            [
                "distance",
                "ISO 14405-2:2018 (from memory), which calls such dimensions ambiguous",
                "of two least-squares features: along the second plane's normal, or the first's where only that is a plane; of parallel axes square to the second at the \
                 first's nominal middle; of crossed ones along their common perpendicular; of centres straight; positive as on the nominal",
                "neither defines it for real surfaces; what was done is told with the value",
                "core/src/tolerance/distance_tests.rs::planes_are_told_from_the_centroid_of_the_first_along_the_normal_of_the_second",
            ],
            sizes::distance,
        ),
        row(
            SIZES,
            [
                "angle",
                "ISO 14405-3:2016 (from memory); common practice",
                "angle between two least-squares planes, axes or middle planes, that of the two which on the nominal is nearer to the drawing's; or the \
                 apex angle of the least-squares cone",
                "one definition for both",
                "core/src/tolerance/angle_tests.rs::of_the_two_angles_of_two_planes_the_drawings_one_is_told",
            ],
            sizes::angle,
        ),
        row(
            SIZES,
            [
                "thickness along the normal",
                "common practice, no source; local fits: Gauss-Markov",
                "at places of a face: from side to side along the nominal normal, by the least-squares plane of the deviations within a patch on either \
                 side; what faces the place is the first face of the nominal across the material. The smallest is held against the lower limit and the \
                 largest against the upper, zone by zone",
                "neither standard on tolerances defines it",
                "core/tests/thickness.rs::a_wedge_has_two_thicknesses_by_two_definitions",
            ],
            walls::along_normal,
        ),
        row(
            SIZES,
            [
                "thickness, inscribed ball",
                "common practice, no source; shrinking ball: Ma, Bae and Choi 2012 (from memory)",
                "diameter of the ball that touches the tangent plane at the place and that of the other side where the largest ball within the nominal \
                 wall touches it",
                "neither standard on tolerances defines it",
                "core/tests/thickness.rs::an_eccentric_tube_has_its_wall_by_both_definitions_and_none_across_the_duct",
            ],
            walls::inscribed_ball,
        ),
        row(
            SIZES,
            [
                "nominal thickness of a laminate",
                "ASTM D3171, procedure II, and ISO 14127, solved for the thickness (from memory)",
                "sum over its layers of plies x areal weight / (1000 x fibre density x fibre fraction), or of their stated thicknesses",
                "neither standard on tolerances defines it",
                "core/src/plan/thickness_tests.rs::a_ply_is_as_thick_as_its_fibres_need",
            ],
            walls::laminate,
        ),
        row(
            SIZES,
            [
                "diameter of a countersink",
                "terms by ISO 15065:2005 (from memory); where it is told: common practice, no source",
                "twice the radius of the least-squares cone where its axis meets the least-squares plane of the skin in a ring about it; of a cone too \
                 short to tell its included angle with the stated one, or that of the nominal, about the nominal axis",
                "the same",
                "core/tests/on_skin.rs::a_countersink_is_told_at_the_skin_as_well_as_its_points_can",
            ],
            skins::sink_diameter,
        ),
        row(
            SIZES,
            [
                "depth of a countersink",
                "common practice, no source",
                "along the axis from there to where the cone is as wide as the least-squares circle of the hole",
                "the same",
                "core/tests/on_skin.rs::a_countersink_is_told_at_the_skin_as_well_as_its_points_can",
            ],
            skins::sink_depth,
        ),
        row(
            SIZES,
            [
                "protrusion of a face over its skin",
                "common practice, no source",
                "at the middle of the face, along its normal, the least-squares plane of the face over that of the skin in a ring about it; the skin \
                 prolonged with the nominal's own bend",
                "neither standard on tolerances defines it",
                "core/tests/on_skin.rs::the_step_of_an_insert_is_told_on_a_flat_and_on_a_bent_skin",
            ],
            skins::protrusion,
        ),
    ]
}

fn of_form() -> Vec<Row> {
    vec![
        row(
            FORMS,
            [
                "straightness of lines",
                "ISO 1101:2017, 17.2 (from memory)",
                "of each line of a cylinder or cone, in the half plane of the axis, the distance of the two parallel lines that hold it: the \
                 least (C), or about the least-squares line (G); the largest of all lines",
                "the same",
                "core/src/tolerance/straightness_tests.rs::the_lines_of_a_barrel_bend_and_its_axis_does_not",
            ],
            sizes::straight_lines,
        ),
        row(
            FORMS,
            [
                "straightness of an axis",
                "ISO 1101:2017, 17.2; ISO 17450-3:2016, extracted median line (from memory)",
                "diameter of the cylinder that holds the centres of the sections' least-squares circles: the least (C), or about their \
                 least-squares line (G)",
                "ASME: the derived median line (from memory)",
                "core/src/tolerance/straightness_tests.rs::a_bent_axis_is_as_straight_as_it_sags",
            ],
            sizes::straight_axis,
        ),
        row(
            FORMS,
            [
                "flatness",
                "ISO 1101:2017, 17.3",
                "width of the zone between two parallel planes: the narrowest that holds the filtered surface (C), or about the least-squares plane (G); \
                 the sure part of the noise's bias taken off",
                "the same; ASME Y14.5.1 knows the narrowest only (from memory)",
                "core/src/associate/law_tests.rs::zones_are_the_narrowest_of_all_by_enumeration",
            ],
            figures::flatness,
        ),
        row(
            FORMS,
            [
                "roundness",
                "ISO 1101:2017, 17.4; ISO 12181-1:2011 (from memory)",
                "of each section the distance of two concentric circles that hold it, least (C) or about the least-squares circle (G); of a cone square \
                 to its surface, of a sphere in nine great circles; the largest of all sections",
                "the same; ASME tells a cone's square to its axis (from memory)",
                "core/src/tolerance/roundness_tests.rs::lobes_of_any_number_show_with_twice_their_height",
            ],
            sizes::roundness,
        ),
        row(
            FORMS,
            [
                "cylindricity",
                "ISO 1101:2017, 17.5 (from memory)",
                "difference of the radii of two coaxial cylinders that hold the surface: the least (C), or about the least-squares axis (G)",
                "the same; ASME Y14.5.1 knows the narrowest only (from memory)",
                "core/src/tolerance/form_tests.rs::a_barrel_and_a_lobed_bore_are_as_cylindrical_as_they_bulge",
            ],
            sizes::cylindricity,
        ),
    ]
}
