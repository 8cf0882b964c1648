//! Reference targets on the parts' surfaces.

use super::capture::Surface;
use super::imperfection::ReferenceTargets;
use super::scene::Taken;
use crate::geometry::random::Random;

/// Middles of two targets are at least this many diameters apart.
const APART: f64 = 2.0;

/// Puts targets onto random ones of the places `carried`, and raises all places under them by their
/// thickness. Fewer than asked for when there is no room.
pub(super) fn stick(targets: &ReferenceTargets, seed: u64, carried: &[u32], surface: &mut Surface) {
    if carried.is_empty() {
        return;
    }
    let mut random = Random::seeded(seed ^ 0x57AC_6E75);
    let mut middles: Vec<usize> = Vec::new();
    for _ in 0..50 * targets.count {
        if middles.len() == targets.count {
            break;
        }
        let new = carried[random.below(carried.len())] as usize;
        let place = |i: usize| surface.places[i].0;
        let free = |old: &usize| (place(*old) - place(new)).norm() >= APART * targets.diameter_mm;
        if surface.taken[new] == Taken::Surface && middles.iter().all(free) {
            middles.push(new);
        }
    }
    let radius_mm = 0.5 * targets.diameter_mm;
    let stuck: Vec<_> = middles.iter().map(|m| (surface.places[*m], surface.body[*m])).collect();
    for ((middle, normal), body) in stuck {
        for &i in carried {
            let i = i as usize;
            let (p, n) = &mut surface.places[i];
            let d = *p - middle;
            let up = d.dot(&normal.vector());
            let across = (d - normal.vector() * up).norm();
            // The surface under it may be curved; another skin has another normal.
            let under = across <= radius_mm && up.abs() <= radius_mm && n.dot(normal) > 0.5;
            if under && surface.body[i] == body && surface.taken[i] == Taken::Surface {
                *p += n.vector() * targets.thickness_mm;
                surface.taken[i] = Taken::Target;
            }
        }
    }
}
