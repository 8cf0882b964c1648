//! The colour scale: how far it reaches, which limits it shows as lines, and its drawing.

use super::numbers;
use super::palette;
use scantling_core::record::Record;

/// The scale reaches this far beyond the widest limit, so that what is out differs from what is just in.
const BEYOND: f64 = 1.5;
/// End of the scale when there is neither a limit nor a deviation, mm.
const EMPTY_END_MM: f64 = 0.1;
/// A scale on which all that was measured lies within this share of its end would show nothing.
const LOST_SHARE: f64 = 0.25;
/// More limits than this would make the bar unreadable.
const MOST_LINES: usize = 6;

/// A scale of deviations, symmetrical about zero, mm.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Scale {
    end_mm: f64,
    lines: Vec<f64>,
    /// Limits further out than the end.
    beyond: Vec<f64>,
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

    /// From the limits of the record's surface profiles; where they are much wider than anything that was
    /// measured, or where there are none, from the largest deviation.
    pub(super) fn of_record(record: &Record, deviation_mm: &[Option<f32>]) -> Self {
        let profiles = record.evaluations.iter().filter(|e| e.requirement == "surface_profile");
        let mut lines: Vec<f64> = profiles
            .flat_map(|e| [e.limits.lower_mm, e.limits.upper_mm])
            .flatten()
            .filter(|l| l.is_finite())
            .collect();
        lines.sort_by(f64::total_cmp);
        lines.dedup();
        let mut sizes: Vec<f64> =
            deviation_mm.iter().flatten().map(|d| f64::from(d.abs())).filter(|d| d.is_finite()).collect();
        sizes.sort_by(f64::total_cmp);
        // One place in a thousand may be an edge or a spike, and is then shown in the colour of the end.
        let largest = sizes.get((sizes.len() * 999 / 1000).min(sizes.len().saturating_sub(1))).copied();
        Self::of_lines(lines, largest)
    }

    fn of_lines(lines: Vec<f64>, largest: Option<f64>) -> Self {
        let widest = lines.iter().fold(0.0, |widest: f64, l| widest.max(l.abs()));
        let by_limits = BEYOND * widest;
        let end_mm = match largest {
            Some(largest) if largest > 0.0 && (by_limits == 0.0 || largest < LOST_SHARE * by_limits) => {
                round_up(largest)
            }
            _ if widest > 0.0 => by_limits,
            _ => EMPTY_END_MM,
        };
        let (lines, beyond) = lines.into_iter().partition(|l| l.abs() <= end_mm);
        Self { end_mm, lines, beyond }
    }

    /// Limits that the scale does not reach, as the drawing would write them.
    pub(super) fn beyond(&self) -> Vec<String> {
        self.beyond.iter().map(|&l| numbers::signed_limit(l)).collect()
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

/// The next of 1, 2, 3, 5, 10 times a power of ten, mm; an end that people can read.
fn round_up(mm: f64) -> f64 {
    let text = format!("{mm:e}");
    let exponent: i32 = text.split_once('e').and_then(|(_, e)| e.parse().ok()).unwrap_or(0);
    let power = |n: u32| format!("{n}e{exponent}").parse::<f64>().unwrap_or(mm);
    [1, 2, 3, 5, 10].map(power).into_iter().find(|&p| p >= mm).unwrap_or(mm)
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
        assert_eq!(scale.share(1.0), 1.0);
        let empty = Scale::of_lines(Vec::new(), None);
        assert!(empty.share(0.05) > 0.0 && empty.share(0.05).is_finite());
        assert!(Scale::new(0.0, 0.0).share(1.0).is_finite());
        for (mm, end) in [(0.3, 0.3), (0.31, 0.5), (0.0051, 0.01), (7.0, 10.0), (20.0, 20.0)] {
            assert_eq!(round_up(mm), end);
        }
    }

    #[test]
    fn deviations_far_within_wide_limits_still_show() {
        let scale = Scale::of_lines(vec![-2.0, 2.0], Some(0.27));
        assert_eq!(scale.share(0.3), 1.0);
        assert!(scale.lines().is_empty());
        assert_eq!(scale.beyond(), ["\u{2212}2", "+2"]);
        let scale = Scale::of_lines(vec![-0.4, 0.4], Some(0.27));
        assert!((scale.share(0.6) - 1.0).abs() < 1e-12);
        assert_eq!((scale.lines().len(), scale.beyond().len()), (2, 0));
    }
}
