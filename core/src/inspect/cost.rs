//! What an inspection will take, foretold from headers alone.

use crate::plan::{Plan, simultaneously};
use crate::read::Header;

/// Foretells the peak memory of one inspection, bytes, from the headers alone: what admission holds against
/// the memory there is. Counted from the arrays that live at the same time: the file, points and normals as
/// read and as scan, their places at the best fit and on each datum system, and the filter's
/// neighbourhoods with their rehearsed noise; for the nominal its mesh, faces and trees. The triangles of neighbours' nominals
/// count as the nominal's own: add them to its header.
pub fn cost(scan: &Header, nominal: &Header, plan: &Plan) -> u64 {
    let systems = plan.datum_systems.len() as u64;
    // A point in a file, as read and as scan: 24 bytes each for place and normal, half of that in single numbers.
    let read = 3 * 48;
    // Its triangle and deviation, at the best fit, on each system and in the round under way.
    let placed = 12 * (systems + 2) + 2 * 56;
    // A filter's copy of place, normal, deviation, cell and order, results, and 48 draws of noise.
    let filter = 24 + 24 + 8 + 56 + 32 + 192;
    // A triangle: corners in file and mesh, neighbours and face, search tree twice (the distance field of
    // locating is a fixed size).
    let triangle = 50 + 60 + 40 + 2 * 130;
    let fixed = 96 << 20;
    let points = scan.points.max(scan.triangles.saturating_mul(3) / 2);
    // Requirements that one movement serves are rehearsed together: 50,000 points of each with their draws, and what was kept.
    let together = simultaneously(plan).iter().map(|s| s.members.len() as u64).max().unwrap_or(0);
    points
        .saturating_mul(read + placed + filter)
        .saturating_add(points.min(50_000).saturating_mul(together).saturating_mul(2 * 192 + 176))
        .saturating_add(nominal.triangles.saturating_mul(triangle))
        .saturating_add(fixed)
}
