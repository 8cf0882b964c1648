//! Five parts found from any pose, 30 % unseen, 10 % clutter, 0.05 mm of noise, without normals.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use scantling_tests::bar::{Answer, parts, symmetric_parts, try_poses};

#[test]
fn each_part_is_found_from_three_poses() {
    for part in parts() {
        let tally = try_poses(&part, 3, 0..3, |_| {});
        println!("{}", tally.line(part.name));
        assert_eq!(tally.right(), 3, "{}: {:?}", part.name, tally.posed);
    }
}

#[test]
fn symmetric_parts_are_undetermined_with_the_true_pose_among_their_poses() {
    for part in symmetric_parts() {
        for posed in try_poses(&part, 2, 0..2, |_| {}).posed {
            let open = matches!(posed.answer, Answer::Undetermined(off) if off <= 0.5);
            assert!(open, "{}: {posed:?}", part.name);
        }
    }
}

/// The bar: 600 poses of each part (`tests/run long`).
#[cfg(feature = "long")]
#[test]
fn poses() {
    let mut open = 0;
    let mut wrong = Vec::new();
    for part in parts() {
        let tally = try_poses(&part, 6, 0..600, |p| {
            if !matches!(p.answer, Answer::Right(_)) {
                println!("  {} {}: {:?}", part.name, p.number, p.answer);
            }
        });
        println!("{}", tally.line(part.name));
        open += tally.open();
        wrong.extend(tally.posed.into_iter().filter(|p| matches!(p.answer, Answer::Wrong(_))));
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(open <= 30, "{open} of 3,000 are open");
}
