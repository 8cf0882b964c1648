//! Words and factors; whole scans are tried beside [`super::super::locate()`] and [`super::super::locate_all`].

use super::*;

#[test]
fn a_wrong_unit_is_told_in_words_and_no_ratio_is_left_without_them() {
    let said = hint_words(Some(25.625_8), unit_ratios(25.625_8).next());
    assert!(said.ends_with("this looks like mm, not inch"), "{said}");
    let said = hint_words(Some(0.04), unit_ratios(0.04).next());
    assert!(said.ends_with("this looks like inch, not mm"), "{said}");
    for ratio in [25.4, 10.0, 0.1, 1000.0, 0.001, 39.37, 0.0254, 2.54, 0.3937, 100.0, 0.01] {
        let said = hint_words(Some(ratio), unit_ratios(ratio).next());
        assert!(said.contains("this looks like"), "{ratio}: {said}");
    }
}

#[test]
fn a_part_that_two_units_may_fit_is_tried_in_both() {
    let both: Vec<f64> = unit_ratios(0.0270).collect();
    assert_eq!(both, [25.4, 39.370_078_740_157_48]);
    assert_eq!(unit_ratios(0.9).count(), 0);
    assert_eq!(unit_ratios(f64::NAN).count(), 0);
}
