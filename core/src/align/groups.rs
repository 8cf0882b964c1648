//! What is told of points on which nothing holds.

use super::locate_error::LocateError;

/// Points to try, and what came of it before.
pub(super) struct Group {
    pub(super) members: Vec<u32>,
    pub(super) failed: Option<LocateError>,
}

/// Pieces that failed, or what they are together. A whole whose pose or hand is open stands for its pieces; one
/// that is something else only where no piece of it was worth a try.
pub(super) fn told_once(pieces: Vec<Group>, joined: Vec<Group>, points: usize) -> Vec<Group> {
    let mut in_a_piece = vec![false; points];
    for &m in pieces.iter().flat_map(|g| &g.members) {
        in_a_piece[m as usize] = true;
    }
    let open = |g: &Group| {
        matches!(
            g.failed,
            Some(
                LocateError::Undetermined { .. }
                    | LocateError::HandOpen { .. }
                    | LocateError::TooLittleSeen { .. }
            )
        )
    };
    let joined: Vec<Group> = joined
        .into_iter()
        .filter(|g| open(g) || !g.members.iter().any(|&m| in_a_piece[m as usize]))
        .collect();
    let mut in_a_whole = vec![false; points];
    for &m in joined.iter().flat_map(|g| &g.members) {
        in_a_whole[m as usize] = true;
    }
    let apart = pieces.into_iter().filter(|g| !g.members.iter().any(|&m| in_a_whole[m as usize]));
    let mut told: Vec<Group> = apart.collect();
    told.extend(joined);
    told
}

/// Of two reasons the one that says more is told.
pub(super) fn told(error: &LocateError) -> f64 {
    match error {
        LocateError::NoFit { explained, .. } => explained.unwrap_or(0.0),
        LocateError::OtherHand => 1.5,
        _ => 2.0,
    }
}
