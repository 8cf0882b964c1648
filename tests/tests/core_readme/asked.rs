//! A rule that is asked, and its answer beside what it is by hand.

use scantling_core::run::quiet;
use scantling_core::tolerance::{Found, Rule, Surface};

/// All that the rule comes to.
pub(super) fn found(rule: &impl Rule, surfaces: &[Surface]) -> Found {
    rule.measure(&quiet(), surfaces).expect("the rule answers")
}

/// Its first number on one surface: mm, of an angle rad.
pub(super) fn value(rule: &impl Rule, surface: &Surface) -> f64 {
    found(rule, std::slice::from_ref(surface)).numbers[0].value
}

/// A number and what it is by hand, which it must be.
pub(super) fn told(hand: f64, found: f64, within: f64) -> String {
    assert!((found - hand).abs() <= within, "by hand {hand}, found {found}");
    let shown = if found.abs() < 5e-5 { 0.0 } else { found };
    let hand = (hand * 1e6).round() / 1e6;
    format!("{shown:.4} (by hand {hand})")
}
