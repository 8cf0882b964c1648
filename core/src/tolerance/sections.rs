//! Sections of a round wall square to its axis.

use super::RuleError;
use super::subject::Axis;
use crate::associate::{CircleFit, circle};
use crate::geometry::{Direction, Point, math};
use crate::run::{CHECK_EVERY, Run};
use std::f64::consts::{FRAC_PI_2, TAU};

/// Points near one height along an axis, brought to that height.
pub(super) struct Section {
    /// Its number along the axis, from 1.
    pub(super) number: u64,
    /// Its height along the axis, mm.
    pub(super) height_mm: f64,
    /// Indices of its points, ascending.
    pub(super) members: Vec<usize>,
    /// The same points as seen along the axis, mm: x, y across it from the axis, z nothing.
    pub(super) flat: Vec<Point>,
}

/// Fewest points of a section, and the widest gap between neighbours, rad, that leave a circle one that was seen all
/// round: form of up to four lobes still shows. Our own choice.
const LEAST_POINTS: usize = 8;
const WIDEST_GAP_RAD: f64 = FRAC_PI_2;

/// Cuts a wall into sections of about `section_mm`, from the lowest point to the highest, the first and the last
/// centred on them. Points move within their section along the axis (and a cone's along its line) to its height:
/// extraction in sections as ISO 12181-1:2011 and ISO 12180-1:2011 describe it (from memory), with a finite thickness
/// because a scan has no point twice at the same height.
pub(super) fn cut(
    run: &Run,
    points: &[Point],
    axis: &Axis,
    section_mm: f64,
) -> Result<Vec<Section>, RuleError> {
    thick_enough(section_mm)?;
    let seen: Vec<[f64; 3]> = points.iter().map(|p| axis.seen(p)).collect();
    let (low, high) =
        seen.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), s| (l.min(s[2]), h.max(s[2])));
    let steps = ((high - low) / section_mm).round();
    let thick = if steps >= 1.0 { (high - low) / steps } else { f64::INFINITY };
    let mut order: Vec<(u64, usize)> = seen
        .iter()
        .enumerate()
        .map(|(i, s)| (if steps >= 1.0 { ((s[2] - low) / thick).round() as u64 } else { 0 }, i))
        .collect();
    order.sort_unstable();
    let mut out: Vec<Section> = Vec::new();
    for (n, &(number, index)) in order.iter().enumerate() {
        if n % CHECK_EVERY == 0 {
            run.check()?;
        }
        let height_mm = if steps >= 1.0 { low + number as f64 * thick } else { 0.5 * (low + high) };
        if out.last().is_none_or(|s| s.number != number + 1) {
            out.push(Section { number: number + 1, height_mm, members: Vec::new(), flat: Vec::new() });
        }
        let [x, y, z] = seen[index];
        let radius = (x * x + y * y).sqrt();
        let scale = if radius > 0.0 { (radius - (z - height_mm) * axis.taper) / radius } else { 1.0 };
        if let Some(section) = out.last_mut() {
            section.members.push(index);
            section.flat.push(Point::new(x * scale, y * scale, 0.0));
        }
    }
    Ok(out)
}

/// Whether a thickness is one.
pub(super) fn thick_enough(section_mm: f64) -> Result<(), RuleError> {
    if section_mm.is_finite() && section_mm > 0.0 {
        return Ok(());
    }
    Err(RuleError::Missing(format!(
        "sections of {section_mm} mm cannot be cut; give a thickness above 0, one to two point spacings"
    )))
}

/// The least-squares circle of a section whose points lie all round it.
pub(super) fn round(section: &Section) -> Option<CircleFit> {
    if section.flat.len() < LEAST_POINTS {
        return None;
    }
    let fit = circle(&section.flat, Direction::Z).ok()?;
    let turn = |p: &Point| math::atan2(p.y - fit.centre.y, p.x - fit.centre.x);
    let mut turns: Vec<f64> = section.flat.iter().map(turn).collect();
    turns.sort_unstable_by(f64::total_cmp);
    let over = TAU + turns[0] - turns[turns.len() - 1];
    let widest = turns.windows(2).fold(over, |most, pair| most.max(pair[1] - pair[0]));
    (widest <= WIDEST_GAP_RAD).then_some(fit)
}

/// What the record says of sections: how many count, of how many that hold points.
///
/// # Errors
/// Where fewer than half of them count.
pub(super) fn enough(
    counted: usize,
    cut: usize,
    section_mm: f64,
    want: &str,
) -> Result<(&'static str, String), RuleError> {
    if counted == 0 || 2 * counted < cut {
        return Err(RuleError::Missing(format!(
            "{counted} of {cut} sections of {section_mm} mm hold {want}; measure more of the surface, or closer, or \
             give thicker sections"
        )));
    }
    Ok(("sections", format!("{counted} of {cut}, {section_mm} mm thick")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::quiet;

    fn ring(height: f64, n: u32) -> Vec<Point> {
        let at = |i: u32| TAU * f64::from(i) / f64::from(n);
        (0..n).map(|i| Point::new(5.0 * math::cos(at(i)), 5.0 * math::sin(at(i)), height)).collect()
    }

    fn along_z() -> Axis {
        Axis::new(Point::origin(), Direction::Z, Direction::Z, 5.0)
    }

    #[test]
    fn rows_of_points_as_far_apart_as_sections_are_thick_have_a_section_each() {
        let points: Vec<Point> = (0..11).flat_map(|i| ring(f64::from(i), 12)).collect();
        let sections = cut(&quiet(), &points, &along_z(), 1.0).unwrap();
        assert_eq!(sections.len(), 11);
        for (i, s) in sections.iter().enumerate() {
            assert_eq!((s.members.len(), s.number), (12, i as u64 + 1));
            assert!((s.height_mm - i as f64).abs() < 1e-12);
        }
    }

    #[test]
    fn one_row_or_a_wall_thinner_than_a_section_is_one_section() {
        let sections = cut(&quiet(), &ring(3.0, 9), &along_z(), 1.0).unwrap();
        assert_eq!((sections.len(), sections[0].height_mm), (1, 3.0));
        let both = [ring(0.0, 9), ring(0.4, 9)].concat();
        let sections = cut(&quiet(), &both, &along_z(), 1.0).unwrap();
        assert_eq!((sections.len(), sections[0].members.len()), (1, 18));
        assert!((sections[0].height_mm - 0.2).abs() < 1e-15);
    }

    #[test]
    fn points_of_a_cone_move_along_its_lines_to_the_height_of_their_section() {
        let axis = Axis { taper: 0.5, ..along_z() };
        let points: Vec<Point> = ring(0.3, 9)
            .iter()
            .map(|p| Point::new(p.x * 5.15 / 5.0, p.y * 5.15 / 5.0, 0.3))
            .chain(ring(0.0, 9))
            .chain(ring(-0.3, 9).iter().map(|p| Point::new(p.x * 4.85 / 5.0, p.y * 4.85 / 5.0, -0.3)))
            .collect();
        let sections = cut(&quiet(), &points, &axis, 10.0).unwrap();
        assert_eq!(sections.len(), 1);
        assert!(sections[0].flat.iter().all(|p| (p.coords.norm() - 5.0).abs() < 1e-12));
    }

    #[test]
    fn a_quarter_may_be_missing_and_no_more() {
        let part = |kept: usize| {
            let points: Vec<Point> = ring(0.0, 72).into_iter().take(kept).collect();
            round(&cut(&quiet(), &points, &along_z(), 1.0).unwrap()[0])
        };
        assert!((part(72).unwrap().radius_mm - 5.0).abs() < 1e-12);
        assert!(part(56).is_some());
        assert!(part(54).is_none());
        assert!(round(&cut(&quiet(), &ring(0.0, 7), &along_z(), 1.0).unwrap()[0]).is_none());
    }

    #[test]
    fn thicknesses_that_are_none_are_refused() {
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(cut(&quiet(), &ring(0.0, 9), &along_z(), bad).is_err(), "{bad}");
        }
    }
}
