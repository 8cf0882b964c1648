//! What would decide about a value that the rule leaves undecided.
//!
//! The rule says how small the uncertainty would have to be. Noise, of the feature and of its datums, shrinks with the root of
//! the number of points; nothing else does. So either some times as many points decide, or a better instrument or a temperature
//! nearer to 20 degrees, or neither does.

use super::acceptance::needed;
use super::{Known, MOST_FLOOR, Question, by_rule, inside};
use crate::plan::Decision;
use crate::record::Verdict;

/// More than this many times the points are no advice (common practice, no source).
const MOST_TIMES: f64 = 30.0;

/// Halvings of an interval: to the last bits of a double.
const HALVINGS: usize = 60;

/// What would decide.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum WouldDecide {
    /// About so many times as many points.
    MorePoints {
        /// At least 1.
        times: f64,
    },
    /// More points can't, but without what the instrument, the temperature or the statement of either add they would.
    BetterInstrument {
        /// The largest standard uncertainty that would decide, in the unit of the value.
        standard: f64,
    },
    /// The value lies so near to the limit that no measurement of this kind decides.
    Nothing {
        /// The largest standard uncertainty that would decide, in the unit of the value; 0 on the limit itself.
        standard: f64,
    },
}

impl WouldDecide {
    /// In words; `points` is how many there were, where they are counted.
    pub fn words(&self, question: &Question, points: Option<u64>) -> String {
        match *self {
            Self::MorePoints { times } => {
                let of = match points {
                    Some(points) if points > 0 => format!(", {} in all", rounded_up(times * points as f64)),
                    _ => String::new(),
                };
                format!(
                    "about {} times as many points{of}, on it and on its datum features, would decide",
                    told(times)
                )
            }
            Self::BetterInstrument { standard } => format!(
                "points would not decide, a standard uncertainty of {} would: another instrument, or one better verified, at a \
                 temperature nearer to 20 degrees Celsius",
                question.unit.words(standard)
            ),
            Self::Nothing { standard } if standard > 0.0 => format!(
                "the value lies so near to its limit that no measurement of this kind decides: a standard uncertainty of {} \
                 would be needed",
                question.unit.words(standard)
            ),
            Self::Nothing { .. } => "the value lies on its limit, so nothing decides".into(),
        }
    }
}

fn told(times: f64) -> String {
    if times < 10.0 { format!("{:.1}", (times * 10.0).ceil() / 10.0) } else { format!("{:.0}", times.ceil()) }
}

/// To two digits, up.
fn rounded_up(count: f64) -> u64 {
    let mut unit = 1.0;
    while count / unit >= 100.0 {
        unit *= 10.0;
    }
    ((count / unit).ceil() * unit) as u64
}

/// The largest standard uncertainty with which the rule decides about this value; 0 where none does.
fn largest_that_decides(question: &Question, known: &Known) -> f64 {
    let (value, limits) = (known.value(), question.limits);
    let room = [limits.upper_mm.map(|l| (l - value).abs()), limits.lower_mm.map(|l| (value - l).abs())];
    let room = room.into_iter().flatten().fold(f64::INFINITY, f64::min);
    match question.rule {
        Decision::Simple { ratio } => 0.5 * ratio * question.tolerance,
        Decision::Guarded { factor } => 0.5 * room / factor,
        Decision::Proven | Decision::Probability { .. } => {
            let Some(needed) = needed(question.rule).filter(|_| room > 0.0) else { return 0.0 };
            let decides = |standard: f64| {
                let p = known.with_standard(standard).within(limits);
                p >= needed || (!inside(value, limits) && p <= 1.0 - needed)
            };
            let (mut good, mut bad) = (0.0, known.standard());
            for _ in 0..HALVINGS {
                let middle = 0.5 * (good + bad);
                if decides(middle) { good = middle } else { bad = middle }
            }
            good
        }
    }
}

/// What would decide; `None` where the rule decides. `noise` is the part of the standard uncertainty that more points make
/// smaller, `instrument` that of instrument and temperature, in the unit of the value.
pub fn would_decide(question: &Question, known: &Known, noise: f64, instrument: f64) -> Option<WouldDecide> {
    let (value, u) = (known.value(), known.standard());
    if !(value.is_finite() && u.is_finite()) {
        return None;
    }
    let decided = by_rule(question, known).verdict;
    let (mut times, mut standard);
    // What a floor needs to be small enough for the tolerance.
    let most = MOST_FLOOR * question.tolerance;
    let by_floor = question.floor.filter(|floor| *floor > most && most > 0.0).map(|f| f * f / (most * most));
    if decided == Verdict::Conforms {
        times = by_floor?;
        standard = u / times.sqrt();
    } else if decided != Verdict::Undecided {
        return None;
    } else {
        let needed = largest_that_decides(question, known);
        let rest = u * u - noise * noise;
        let left = needed * needed - rest;
        if left > 0.0 {
            times = (noise * noise / left).max(1.0);
            standard = needed;
            // What then conforms must have a floor that is small enough too.
            if let Some(by_floor) = by_floor.filter(|f| inside(value, question.limits) && *f > times) {
                times = by_floor;
                standard = standard.min(u / times.sqrt());
            }
        } else if needed > 0.0 && rest - instrument * instrument < 0.5 * needed * needed {
            return Some(WouldDecide::BetterInstrument { standard: needed });
        } else {
            return Some(WouldDecide::Nothing { standard: needed });
        }
    }
    if times <= MOST_TIMES {
        Some(WouldDecide::MorePoints { times })
    } else {
        Some(WouldDecide::Nothing { standard })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conformity::{Unit, decide_on};
    use crate::record::Limits;

    const ONE: Limits = Limits { lower_mm: None, upper_mm: Some(1.0) };

    fn question(rule: &Decision, floor: Option<f64>) -> Question<'_> {
        Question { rule, limits: &ONE, tolerance: 1.0, floor, unit: Unit::Millimetre }
    }

    fn known(value: f64, standard: f64) -> Known {
        Known::Normal { value, standard }
    }

    #[test]
    fn what_is_within_its_limits_needs_a_small_floor_too() {
        // A floor of 0.5 is to come down to a quarter of the tolerance: four times the points, more than the uncertainty needs.
        let alone = would_decide(&question(&Decision::Proven, None), &known(0.95, 0.05), 0.05, 0.0);
        let asked = question(&Decision::Proven, Some(0.5));
        for (value, expected) in [(0.95, 4.0), (1.05, 2.705_5)] {
            let both = would_decide(&asked, &known(value, 0.05), 0.05, 0.0);
            let Some(WouldDecide::MorePoints { times }) = both else { panic!("{both:?}") };
            assert!((times - expected).abs() < 1e-3, "{value}: {times}, {alone:?}");
        }
    }

    #[test]
    fn as_many_points_as_it_says_do_decide() {
        let asked = question(&Decision::Proven, None);
        for (value, noise, rest) in [(0.95, 0.05, 0.0), (0.93, 0.06, 0.02), (1.06, 0.05, 0.01)] {
            let u = f64::sqrt(noise * noise + rest * rest);
            let Some(WouldDecide::MorePoints { times }) = would_decide(&asked, &known(value, u), noise, 0.0)
            else {
                panic!("{value}");
            };
            let with = |times: f64| {
                let u = (noise * noise / times + rest * rest).sqrt();
                decide_on(&asked, &known(value, u)).verdict
            };
            assert_ne!(with(times * 1.001), Verdict::Undecided, "{value} {times}");
            assert_eq!(with(times * 0.999), Verdict::Undecided, "{value} {times}");
        }
        // One limit, u 0.05: 0.95 needs u 0.0304, 2.71 times the points.
        let Some(WouldDecide::MorePoints { times }) = would_decide(&asked, &known(0.95, 0.05), 0.05, 0.0)
        else {
            panic!()
        };
        assert!((times - 2.705_5).abs() < 1e-3, "{times}");
        let words = WouldDecide::MorePoints { times }.words(&asked, Some(10_000));
        assert_eq!(
            words,
            "about 2.8 times as many points, 28000 in all, on it and on its datum features, would decide"
        );
    }

    #[test]
    fn what_noise_does_not_explain_more_points_do_not_mend() {
        let asked = question(&Decision::Proven, None);
        // All of it is the instrument's.
        let found = would_decide(&asked, &known(0.95, 0.05), 0.005, 0.0497).unwrap();
        let WouldDecide::BetterInstrument { standard } = found else { panic!("{found:?}") };
        assert!((standard - 0.05 / 1.644_853_627).abs() < 1e-6, "{standard}");
        assert!(found.words(&asked, None).contains("a standard uncertainty of 0.0304 mm would:"));
        // None of it is.
        let found = would_decide(&asked, &known(0.95, 0.05), 0.005, 0.0).unwrap();
        assert!(matches!(found, WouldDecide::Nothing { .. }), "{found:?}");
        // So near that a hundred times the points would not do.
        let found = would_decide(&asked, &known(0.999, 0.05), 0.05, 0.0).unwrap();
        assert!(matches!(found, WouldDecide::Nothing { .. }), "{found:?}");
        let on_it = would_decide(&asked, &known(1.0, 0.05), 0.05, 0.0).unwrap();
        assert_eq!(on_it, WouldDecide::Nothing { standard: 0.0 });
        // Decided: nothing would have to.
        assert_eq!(would_decide(&asked, &known(0.5, 0.05), 0.05, 0.0), None);
        for (value, u) in [(0.5, f64::NAN), (0.5, f64::INFINITY), (f64::NAN, 0.05), (f64::INFINITY, 0.05)] {
            assert_eq!(would_decide(&asked, &known(value, u), 0.05, 0.0), None, "{value} {u}");
        }
        // What is neither noise nor the instrument's may take half of the variance that would decide: 0.0215 of 0.0304.
        for (neither, mended) in [(0.0210, true), (0.0220, false)] {
            let found =
                would_decide(&asked, &known(0.95, 0.05), 0.0, f64::sqrt(0.0025 - neither * neither)).unwrap();
            assert_eq!(matches!(found, WouldDecide::BetterInstrument { .. }), mended, "{neither}: {found:?}");
        }
    }

    #[test]
    fn words_are_whole_at_their_ends() {
        let asked = question(&Decision::Proven, None);
        assert_eq!(
            WouldDecide::Nothing { standard: 0.0 }.words(&asked, None),
            "the value lies on its limit, so nothing decides"
        );
        let near = WouldDecide::Nothing { standard: 0.002 }.words(&asked, None);
        assert!(near.contains("a standard uncertainty of 0.0020 mm would be needed"), "{near}");
        // Where no points were counted none are promised.
        for points in [None, Some(0)] {
            let words = WouldDecide::MorePoints { times: 10.0 }.words(&asked, points);
            assert_eq!(words, "about 10 times as many points, on it and on its datum features, would decide");
        }
    }

    #[test]
    fn a_floor_falls_with_the_root_of_the_points() {
        let asked = question(&Decision::Proven, Some(0.5));
        // Twice a quarter of the tolerance: four times the points.
        assert_eq!(
            would_decide(&asked, &known(0.3, 0.01), 0.01, 0.0),
            Some(WouldDecide::MorePoints { times: 4.0 })
        );
        // One of a quarter, or below, or of no tolerance at all, asks for nothing.
        for (floor, tolerance) in [(0.25, 1.0), (0.1, 1.0), (0.1, 0.0)] {
            let asked = Question { tolerance, ..question(&Decision::Proven, Some(floor)) };
            assert_eq!(would_decide(&asked, &known(0.3, 0.01), 0.01, 0.0), None, "{floor} {tolerance}");
        }
        // Six quarters would need 36 times the points, which is no advice: a sixth of the uncertainty is told.
        let asked = question(&Decision::Proven, Some(1.5));
        for (value, standard) in [(0.3, 0.002), (0.985, 0.002)] {
            let found = would_decide(&asked, &known(value, 0.012), 0.012, 0.0);
            let Some(WouldDecide::Nothing { standard: told }) = found else { panic!("{value}: {found:?}") };
            assert!((told - standard).abs() < 1e-12, "{value}: {told}");
        }
    }

    #[test]
    fn other_rules_have_their_own_measure() {
        let simple = Decision::Simple { ratio: 0.1 };
        // U must be at most 0.1: u 0.05 instead of 0.1: four times the points.
        let found = would_decide(&question(&simple, None), &known(0.2, 0.1), 0.1, 0.0).unwrap();
        let WouldDecide::MorePoints { times } = found else { panic!("{found:?}") };
        assert!((times - 4.0).abs() < 1e-9, "{times}");
        // Of a tolerance of 2: U must be at most 0.2.
        let wide = Question { tolerance: 2.0, ..question(&simple, None) };
        let found = would_decide(&wide, &known(0.2, 0.2), 0.2, 0.0).unwrap();
        let WouldDecide::MorePoints { times } = found else { panic!("{found:?}") };
        assert!((times - 4.0).abs() < 1e-9, "{times}");
        // A guard band of 2 U at a lower limit, 0.1 of room: u 0.025.
        let least = Limits { lower_mm: Some(2.0), upper_mm: None };
        let guarded = Decision::Guarded { factor: 2.0 };
        let below = Question { limits: &least, ..question(&guarded, None) };
        let found = would_decide(&below, &known(2.1, 0.1), 0.1, 0.0).unwrap();
        let WouldDecide::MorePoints { times } = found else { panic!("{found:?}") };
        assert!((times - 16.0).abs() < 1e-9, "{times}");
        let guarded = Decision::Guarded { factor: 1.0 };
        // 0.1 of room: U 0.1, u 0.05.
        let found = would_decide(&question(&guarded, None), &known(0.9, 0.1), 0.1, 0.0).unwrap();
        let WouldDecide::MorePoints { times } = found else { panic!("{found:?}") };
        assert!((times - 4.0).abs() < 1e-9, "{times}");
    }
}
