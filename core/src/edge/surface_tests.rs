//! Ends of skins in closed form.

use super::*;

#[test]
fn the_end_lies_evenly_between_the_last_taken_and_the_first_empty_place() {
    // Rows that end at -0.3, -0.1 and -0.4 with a step of 0.5: the next places are 0.2, 0.4 and 0.1.
    let (mean, standard) =
        between(&[-0.3, -0.1, -0.4], &[0.2, 0.4, 0.1, 0.7, 0.9, 0.6], 0.01, [-2.0, 1.0]).unwrap();
    assert!((mean - 0.0).abs() < 0.01, "{mean}");
    assert!((standard - 0.2 / 12f64.sqrt()).abs() < 0.01, "{standard}");
    // One row along the edge: a whole step.
    let (mean, standard) = between(&[-0.2; 8], &[[0.3; 8], [0.8; 8]].concat(), 0.01, [-2.0, 1.5]).unwrap();
    assert!((mean - 0.05).abs() < 1e-6 && (standard - 0.5 / 12f64.sqrt()).abs() < 1e-6);
}

#[test]
fn one_place_that_drop_out_left_empty_moves_the_end_little() {
    let taken = [-0.3, -0.1, -0.4, -0.25, -0.35, -0.15];
    let beyond = [0.2, 0.4, 0.1, 0.25, 0.15, 0.35];
    let whole = between(&taken, &beyond, 0.05, [-2.0, 1.0]).unwrap();
    let gap = between(&taken, &[&beyond[..], &[-0.45]].concat(), 0.05, [-2.0, 1.0]).unwrap();
    assert!((whole.0 - gap.0).abs() < 1e-3, "{whole:?} {gap:?}");
}

#[test]
fn nothing_taken_and_nothing_empty_tells_nothing() {
    let (mean, standard) = between(&[], &[], 0.05, [-1.0, 1.0]).unwrap();
    assert!(mean.abs() < 1e-12 && (standard - 2.0 / 12f64.sqrt()).abs() < 1e-12);
    assert_eq!(between(&[0.0], &[0.5], 0.05, [1.0, 1.0]), None);
}

#[test]
fn rows_along_the_edge_err_together_and_rows_across_do_not() {
    let rows = |steps| Pattern { steps, filled: 1.0, spacing_mm: 0.5 };
    assert_eq!(common_mm(&rows([[0.5, 0.0], [0.0, 0.5]])), LONGEST_MM);
    // Leaning by 1 in 100 they come nearer by one row in 50 mm.
    let lean = common_mm(&rows([[0.5, 0.005], [-0.005, 0.5]]));
    assert!((lean - 50.0).abs() < 0.1, "{lean}");
    assert!(common_mm(&rows([[0.4, 0.3], [-0.3, 0.4]])) < 3.0);
}

#[test]
fn points_in_no_order_are_told_by_their_gaps() {
    let of = |out_mm: f64| Of { place: [0.0, out_mm], along_mm: 0.0, out_mm, level_mm: 0.0, border: false };
    // Even gaps of 0.2: half a gap on average, a twelfth of its square.
    let points: Vec<Of> = (0..20).map(|k| of(-0.2 * f64::from(k))).collect();
    let end = anyhow(&points.iter().collect::<Vec<_>>()).unwrap();
    assert!((end.out_mm - 0.1).abs() < 1e-9 && (end.standard_mm - 0.2 / 12f64.sqrt()).abs() < 1e-9);
    assert_eq!(anyhow(&points[..4].iter().collect::<Vec<_>>()), None);
    let same: Vec<Of> = (0..8).map(|_| of(0.0)).collect();
    assert_eq!(anyhow(&same.iter().collect::<Vec<_>>()), None);
}
