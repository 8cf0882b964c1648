//! The colour scale: how far it reaches, which limits it shows as lines, and its drawing.

use super::numbers;
use super::palette;
use scantling_core::record::{DeviationMap, Record};

/// The scale reaches this far beyond the widest limit, so that what is out differs from what is just in.
const BEYOND: f64 = 1.5;
/// End of the scale when there is neither a limit nor a deviation, mm.
const EMPTY_END_MM: f64 = 0.1;
/// More limits than this would make the bar unreadable.
const MOST_LINES: usize = 6;

/// A scale of deviations, symmetrical about zero, mm.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Scale {
    end_mm: f64,
    lines: Vec<f64>,
}

/// One step of the drawn bar.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Step {
    /// Left edge in percent of the bar.
    pub(super) left: f64,
    /// CSS colour.
    pub(super) colour: String,
}

/// A labelled place of the drawn bar.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Tick {
    /// Place in percent of the bar.
    pub(super) left: f64,
    /// The number.
    pub(super) label: String,
    /// Whether it is a limit.
    pub(super) limit: bool,
}

impl Scale {
    /// For a pair of limits, mm; those that are no number are left out.
    #[cfg(test)]
    pub(super) fn new(lower_mm: f64, upper_mm: f64) -> Self {
        Self::of_lines([lower_mm, upper_mm].into_iter().filter(|l| l.is_finite()).collect(), None)
    }

    /// From the limits of the record's surface profiles; without one, from the largest deviation.
    pub(super) fn of_record(record: &Record, map: &DeviationMap) -> Self {
        let profiles = record.evaluations.iter().filter(|e| e.requirement == "surface_profile");
        let mut lines: Vec<f64> = profiles
            .flat_map(|e| [e.limits.lower_mm, e.limits.upper_mm])
            .flatten()
            .filter(|l| l.is_finite())
            .collect();
        lines.sort_by(f64::total_cmp);
        lines.dedup();
        let largest = map.deviation_mm.iter().flatten().map(|d| f64::from(d.abs())).filter(|d| d.is_finite());
        Self::of_lines(lines, largest.max_by(f64::total_cmp))
    }

    fn of_lines(lines: Vec<f64>, largest: Option<f64>) -> Self {
        let widest = lines.iter().fold(0.0, |widest: f64, l| widest.max(l.abs()));
        let end_mm = match largest {
            _ if widest > 0.0 => BEYOND * widest,
            Some(largest) if largest > 0.0 => largest,
            _ => EMPTY_END_MM,
        };
        Self { end_mm, lines }
    }

    /// A deviation as a share of the scale's end, signed.
    pub(super) fn share(&self, deviation_mm: f64) -> f64 {
        deviation_mm / self.end_mm
    }

    /// The limits shown as lines, mm, ascending.
    pub(super) fn lines(&self) -> &[f64] {
        if self.lines.len() > MOST_LINES { &[] } else { &self.lines }
    }

    /// The bar in even steps.
    pub(super) fn steps(&self) -> Vec<Step> {
        const COUNT: u32 = 60;
        let at = |i: u32| (f64::from(i) + 0.5) / f64::from(COUNT) * 2.0 - 1.0;
        (0..COUNT)
            .filter_map(|i| palette::colour(at(i)).map(|c| (i, c)))
            .map(|(i, c)| Step { left: f64::from(i) * 100.0 / f64::from(COUNT), colour: palette::css(c) })
            .collect()
    }

    /// Width of a step of [`Scale::steps`], percent; a little more, so that no paper shows between.
    pub(super) fn step_width(&self) -> f64 {
        100.0 / 60.0 + 0.2
    }

    /// Ends, zero and limits.
    pub(super) fn ticks(&self) -> Vec<Tick> {
        let place = |mm: f64| 50.0 + 50.0 * mm / self.end_mm;
        let plain = |mm: f64| {
            let label = numbers::signed_beside_limits(mm, &self.lines);
            Tick { left: place(mm), label, limit: false }
        };
        let mut ticks = vec![plain(-self.end_mm), plain(self.end_mm)];
        if !self.lines().contains(&0.0) {
            ticks.push(Tick { left: 50.0, label: "0".into(), limit: false });
        }
        ticks.extend(self.lines().iter().map(|&l| Tick {
            left: place(l),
            label: numbers::signed_limit(l),
            limit: true,
        }));
        ticks.sort_by(|a, b| a.left.total_cmp(&b.left));
        ticks
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_lie_inside_the_scale_and_zero_in_its_middle() {
        let scale = Scale::new(-0.2, 0.4);
        assert!((scale.share(0.4) - 1.0 / 1.5).abs() < 1e-12);
        assert_eq!(scale.share(0.0), 0.0);
        let ticks = scale.ticks();
        let labels: Vec<&str> = ticks.iter().map(|t| t.label.as_str()).collect();
        assert_eq!(labels, ["\u{2212}0.60", "\u{2212}0.2", "0", "+0.4", "+0.60"]);
        assert_eq!(ticks.iter().filter(|t| t.limit).count(), 2);
    }

    #[test]
    fn without_limits_the_scale_holds_what_there_is() {
        let scale = Scale::of_lines(Vec::new(), Some(0.73));
        assert_eq!(scale.share(0.73), 1.0);
        let empty = Scale::of_lines(Vec::new(), None);
        assert!(empty.share(0.05) > 0.0 && empty.share(0.05).is_finite());
        assert!(Scale::new(0.0, 0.0).share(1.0).is_finite());
    }
}
