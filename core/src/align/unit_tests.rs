//! Words and factors; whole scans are tried beside [`super::super::locate()`] and [`super::super::locate_all`].

use super::*;

#[test]
fn a_wrong_unit_is_told_in_words_and_no_ratio_is_left_without_them() {
    let said = |size_ratio: f64| unit_ratios(size_ratio).next().map(unit_words);
    assert_eq!(said(25.625_8), Some("this looks like mm, not inch"));
    assert_eq!(said(0.04), Some("this looks like inch, not mm"));
    for ratio in [25.4, 10.0, 0.1, 1000.0, 0.001, 39.37, 0.0254, 2.54, 0.3937, 100.0, 0.01] {
        assert!(said(ratio).is_some_and(|s| s.starts_with("this looks like")), "{ratio}: {:?}", said(ratio));
    }
}

#[test]
fn a_part_that_two_units_may_fit_is_tried_in_both() {
    let both: Vec<f64> = unit_ratios(0.0270).collect();
    assert_eq!(both, [25.4, 39.370_078_740_157_48]);
    assert_eq!(unit_ratios(0.9).count(), 0);
    assert_eq!(unit_ratios(f64::NAN).count(), 0);
}
