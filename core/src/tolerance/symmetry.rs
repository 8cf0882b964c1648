//! Symmetry of ISO 1101:2017, 17.15, which ASME Y14.5-2018 has not (from memory), and the extracted middle of a groove or tongue.

use super::axis::{self, Of, Round, straight_axis};
use super::flanks::{STRAIGHT_MIDDLE, has_straight_middle, straight_middle};
use super::location::{found_of_zone, leeway_words};
use super::material::flank;
use super::movement::{Gauge, Own, Residual, settle};
use super::{Found, Leeway, Rule, RuleError, Surface};
use crate::geometry::{Direction, Matrix3, Point, Vector, symmetric_eigen3};
use crate::plan::{Situation, StandardSystem};
use crate::run::{CHECK_EVERY, Run};
use std::collections::BTreeMap;

/// Cells with both flanks that are needed.
const LEAST_CELLS: usize = 3;

/// Symmetry of a groove, tongue, slot, hole, shaft or ball about a plane: twice the largest distance of its middle from it.
#[derive(Clone, Debug)]
pub struct Symmetry {
    /// The nominal feature.
    pub situation: Situation,
    /// Direction of the axis where a wall shorter than its diameter does not tell it.
    pub axis: Option<Direction>,
    /// A place on the datum plane, mm.
    pub at: Point,
    /// The datum plane's normal.
    pub across: Direction,
    /// Size of the cells in which the two flanks are brought together, mm.
    pub cell_mm: f64,
    /// What the datums leave.
    pub leeway: Leeway,
}

impl Rule for Symmetry {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        let surface = axis::surface(surfaces, 0, 3)?;
        let straight = has_straight_middle(&self.situation, self.axis, StandardSystem::Iso);
        let (places, middle, how) = match (self.situation, self.axis.filter(|_| straight)) {
            (_, Some(axis)) => {
                let found = straight_middle(&self.situation, axis, surface)?;
                (found.ends.to_vec(), found.middle, STRAIGHT_MIDDLE.into())
            }
            (Situation::Sphere { hollow, .. }, None) => {
                let (centre, _, how) = axis::centre(run, &surface.points, hollow, Of::LeastSquares)?;
                (vec![centre], centre, how)
            }
            _ => match Round::of(&self.situation) {
                Some(round) => {
                    let found = straight_axis(run, surface, &round, self.axis, Of::LeastSquares)?;
                    (found.ends.to_vec(), found.middle(), found.how)
                }
                None => {
                    let places = middles(run, surface, &self.situation, self.cell_mm)?;
                    let middle = mean(&places);
                    (places, middle, format!("middles of both flanks in cells of {} mm", self.cell_mm))
                }
            },
        };
        let gauge = Gauge::Plane { at: self.at, normal: self.across.vector() };
        let residuals = between_planes(&places, gauge);
        let settled = settle(run, &self.leeway, surfaces, &residuals, Own::NONE)?;
        let mut found = found_of_zone(&settled, &residuals);
        let middle = settled.motion.point(&middle);
        found.off = Some(self.across.vector() * self.across.vector().dot(&(middle - self.at)));
        found.operators = vec![("association", how), ("leeway", leeway_words(&self.leeway))];
        Ok(found)
    }
}

/// Twice the distance of places to either side of a plane.
pub(super) fn between_planes(places: &[Point], gauge: Gauge) -> Vec<Residual> {
    let both = |&place: &Point| [2.0, -2.0].map(|factor| Residual { place, gauge, factor, less: 0.0 });
    places.iter().flat_map(both).collect()
}

pub(super) fn mean(places: &[Point]) -> Point {
    let total = places.iter().fold(Vector::zeros(), |s, p| s + (p - places[0]));
    places[0] + total / places.len() as f64
}

/// The extracted middle of two flanks: in each cell along them the middle between the mean of the one's points and the
/// mean of the other's (median surface of ISO 17450-3, here cell by cell; common practice, no source). Cells are laid out
/// along the flanks' own longest direction, so that they go along with the part.
///
/// # Errors
/// [`RuleError::Missing`] where fewer than three cells have seen both flanks, and for what has no flanks.
pub(super) fn middles(
    run: &Run,
    surface: &Surface,
    situation: &Situation,
    cell_mm: f64,
) -> Result<Vec<Point>, RuleError> {
    let (across, hollow) = match *situation {
        Situation::Width { across, hollow, .. } => (across.vector(), hollow),
        Situation::Slot { axis, along, .. } => (axis.vector().cross(&along.vector()), true),
        _ => {
            return Err(RuleError::Missing(
                "the feature has no two flanks with a middle between them".into(),
            ));
        }
    };
    if !(cell_mm.is_finite() && cell_mm > 1e-3) {
        return Err(RuleError::Missing(format!("cells of {cell_mm} mm; choose them above 0.001 mm")));
    }
    // The round ends of a slot begin where its flanks end, though they turn away slowly at first: in a cell there the one side's
    // points do not lie opposite to the other's.
    let straight = |p: &Point| match *situation {
        Situation::Slot { at, along, length_mm: Some(length), width_mm: Some(width), .. }
            if length > width =>
        {
            (p - at).dot(&along.vector()).abs() <= 0.5 * (length - width)
        }
        _ => true,
    };
    let mut sided: Vec<(Point, usize)> = Vec::new();
    for i in 0..surface.points.len() {
        if i % CHECK_EVERY == 0 {
            run.check()?;
        }
        if !straight(&surface.points[i]) {
            continue;
        }
        if let Some(side) = flank(surface, i, &across, hollow) {
            sided.push((surface.points[i], usize::from(side > 0.0)));
        }
    }
    let too_few = |cells: usize| {
        RuleError::Missing(format!(
            "both flanks were seen in {cells} cells of {cell_mm} mm and three are needed; measure more of both, or take \
             larger cells"
        ))
    };
    if sided.is_empty() {
        return Err(too_few(0));
    }
    let places: Vec<Point> = sided.iter().map(|s| s.0).collect();
    let middle = mean(&places);
    let scatter = places.iter().fold(Matrix3::zeros(), |m, p| {
        let d = p - middle;
        let flat = d - across * across.dot(&d);
        m + flat * flat.transpose()
    });
    let longest = symmetric_eigen3(&scatter).1[2];
    let a = longest - across * across.dot(&longest);
    let a = if a.norm() > 0.5 { a.normalize() } else { return Err(too_few(0)) };
    let b = across.cross(&a);
    let mut cells: BTreeMap<(i64, i64), [(Vector, f64); 2]> = BTreeMap::new();
    for (p, side) in &sided {
        let d = p - middle;
        let at = ((a.dot(&d) / cell_mm).round() as i64, (b.dot(&d) / cell_mm).round() as i64);
        let sum = &mut cells.entry(at).or_insert([(Vector::zeros(), 0.0); 2])[*side];
        *sum = (sum.0 + d, sum.1 + 1.0);
    }
    let both = |c: &[(Vector, f64); 2]| {
        (c[0].1 > 0.0 && c[1].1 > 0.0).then(|| middle + (c[0].0 / c[0].1 + c[1].0 / c[1].1) * 0.5)
    };
    let found: Vec<Point> = cells.values().filter_map(both).collect();
    if found.len() < LEAST_CELLS { Err(too_few(found.len())) } else { Ok(found) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Motion, PartFrame};
    use crate::run::quiet;
    use crate::tolerance::location_samples::flanks;

    fn width(hollow: bool) -> Situation {
        Situation::Width { at: Point::origin(), across: Direction::Y, width_mm: 10.0, hollow }
    }

    fn rule(hollow: bool) -> Symmetry {
        Symmetry {
            situation: width(hollow),
            axis: None,
            at: Point::origin(),
            across: Direction::Y,
            cell_mm: 10.0,
            leeway: Leeway::none(),
        }
    }

    #[test]
    fn the_middle_of_two_flanks_is_halfway_between_them() {
        for groove in [true, false] {
            // One flank off by 0.3, the other by 0.1: the middle by 0.2, whatever the width is.
            let surface = flanks([|_, _| 5.3, |_, _| -4.9], groove);
            let found = rule(groove).measure(&quiet(), &[surface]).unwrap();
            assert!((found.numbers[0].value - 0.4).abs() < 1e-12, "{found:?}");
            assert!((found.off.unwrap() - Vector::y() * 0.2).norm() < 1e-12);
        }
        // A tilt counts with its ends: 0.002 x over 100 mm, cell by cell up to the mean of the last cell.
        let surface = flanks([|x, _| 5.0 + 0.002 * x, |x, _| -5.0 + 0.002 * x], true);
        let found = rule(true).measure(&quiet(), &[surface]).unwrap();
        assert!((found.numbers[0].value - 0.4).abs() < 0.02, "{found:?}");
    }

    #[test]
    fn it_goes_along_with_the_part() {
        fn wave(x: f64, z: f64) -> f64 {
            0.05 * crate::geometry::math::sin(0.1 * x + 0.3 * z)
        }
        let surface = flanks([|x, z| 5.1 + wave(x, z), |x, z| -5.0 - 0.5 * wave(x, z)], true);
        // Cells end between the points, so that rounding moves none to another.
        let still = Symmetry { cell_mm: 9.3, ..rule(true) }
            .measure(&quiet(), std::slice::from_ref(&surface))
            .unwrap()
            .numbers[0]
            .value;
        let motion: Motion<PartFrame, PartFrame> =
            Motion::from_turn_and_shift(Vector::new(0.7, -1.1, 0.4), Vector::new(500.0, 900.0, -200.0));
        let mut there = surface.moved(&motion);
        there.normals = surface.normals.iter().map(|n| motion.direction(*n)).collect();
        let mut moved = Symmetry { cell_mm: 9.3, ..rule(true) };
        (moved.at, moved.across) = (motion.point(&Point::origin()), motion.direction(Direction::Y));
        moved.situation =
            Situation::Width { at: moved.at, across: moved.across, width_mm: 10.0, hollow: true };
        let value = moved.measure(&quiet(), &[there]).unwrap().numbers[0].value;
        assert!((value - still).abs() < 1e-10, "{value} {still}");
    }

    #[test]
    fn one_flank_alone_has_no_middle() {
        let mut surface = flanks([|_, _| 5.0, |_, _| -5.0], true);
        let keep = surface.points.len() / 2;
        surface.points.truncate(keep);
        surface.normals.truncate(keep);
        surface.deviations_mm.truncate(keep);
        for surfaces in [vec![surface], vec![Surface::default()], vec![]] {
            let refused = rule(true).measure(&quiet(), &surfaces);
            assert!(matches!(refused, Err(RuleError::Missing(_))), "{refused:?}");
        }
        let surface = flanks([|_, _| 5.0, |_, _| -5.0], true);
        let mut small = rule(true);
        small.cell_mm = f64::NAN;
        assert!(small.measure(&quiet(), &[surface]).is_err());
    }
}
