//! Other things before the part, and strays: clamps, stops, cables, and points that stand alone. They are not the part standing off
//! itself.

use super::Rim;
use crate::align::clusters;
use crate::geometry::{Point, closest_point_on_triangle};
use crate::nominal::Nominal;
use crate::run::{CHECK_EVERY, Run, Stopped};

/// Feet nearer to a sharp edge or an open border than this are beside the part rather than over it, mm: as a clamp's block
/// stands beside a trimmed edge.
const BESIDE_MM: f64 = 2.0;

/// Points closer together than this many spacings hang together.
const LINK: f64 = 3.0;

/// Fewer points than this that hang together are strays: what a scanner sees of a thing is an area. By how they lie to each
/// other alone, never by how far they lie off. Our own choice; half of what a feature may have off it unheeded.
const LEAST_OF_A_THING: usize = 5;

/// What of the points that belong to nothing is not the part standing off. Sorted indices.
#[derive(Debug, Default)]
pub(super) struct Apart {
    /// On things that stand beside the part.
    pub(super) others: Vec<u32>,
    /// Alone.
    pub(super) strays: Vec<u32>,
}

/// Of the points that belong to nothing (`lost`: index and place on the part, mm), those that hang together with so few others that
/// they are strays, and those that hang together with a thing of which more than half lies beside the part: not over any face
/// of it, or beyond reach. A bump, a pit or a ply that stands off lies over the part; a clamp comes from beside it. `far` names the
/// triangle under a point, where there is one within the far reach. The rule is ours.
pub(super) fn apart(
    run: &Run,
    nominal: &Nominal,
    lost: &[(u32, Point)],
    far: &[(u32, u32)],
    spacing_mm: f64,
) -> Result<Apart, Stopped> {
    let points: Vec<Point> = lost.iter().map(|l| l.1).collect();
    let rim = Rim::sharp(nominal);
    let mut over = Vec::with_capacity(lost.len());
    for (k, (index, p)) in lost.iter().enumerate() {
        if k % CHECK_EVERY == 0 {
            run.check()?;
        }
        let Ok(at) = far.binary_search_by_key(index, |f| f.0) else {
            over.push(false);
            continue;
        };
        let triangle = far[at].1;
        let [a, b, c] = nominal.mesh().corners(triangle);
        over.push(!rim.nearer_than(&closest_point_on_triangle(p, &a, &b, &c), BESIDE_MM));
    }
    let mut found = Apart::default();
    for cluster in clusters(run, &points, LINK * spacing_mm.max(1e-3))? {
        let all = cluster.members.iter().map(|&m| lost[m as usize].0);
        let inside = cluster.members.iter().filter(|&&m| over[m as usize]).count();
        if cluster.members.len() < LEAST_OF_A_THING {
            found.strays.extend(all);
        } else if 2 * inside < cluster.members.len() {
            found.others.extend(all);
        }
    }
    found.others.sort_unstable();
    found.strays.sort_unstable();
    Ok(found)
}
