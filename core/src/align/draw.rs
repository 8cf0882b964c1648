//! An unbiased share of a large scan, drawn once.

use super::sample::Cloud;
use crate::geometry::random::Random;
use crate::scan::{Normals, Points};

/// One index of each of at most `most` equal stretches of `0..count`, at a seeded place in it: a fixed step
/// would fall in with the rows of a scanner.
pub(super) fn drawn(count: usize, most: usize) -> Vec<u32> {
    if count <= most {
        return (0..count as u32).collect();
    }
    let mut random = Random::seeded(0xd7a3);
    let from = |stretch: usize| (stretch as u128 * count as u128 / most as u128) as usize;
    (0..most).map(|s| (from(s) + random.below(from(s + 1) - from(s))) as u32).collect()
}

/// At most `most` of the points, those that are finite.
pub(super) fn share(points: Points, normals: Option<Normals>, most: usize) -> Cloud {
    let mut chosen = drawn(points.len(), most);
    chosen.retain(|&i| points.at(i as usize).iter().all(|c| c.is_finite()));
    Cloud::pick(points, normals, &chosen)
}

/// The same share of a cloud: where that is fair to areas, so is this, and things that fill few cubes stay few.
pub(super) fn share_of(cloud: &Cloud, most: usize) -> Cloud {
    cloud.some(&drawn(cloud.points.len(), most))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_stretch_gives_one_and_all_places_of_it_are_drawn() {
        let chosen = drawn(100_003, 1000);
        assert_eq!(chosen.len(), 1000);
        assert!(chosen.windows(2).all(|w| w[0] < w[1]));
        // Rows of 100 points: every column gets its share.
        let mut columns = [0u32; 10];
        chosen.iter().for_each(|i| columns[(i % 100 / 10) as usize] += 1);
        assert!(columns.iter().all(|&n| (60..=140).contains(&n)), "{columns:?}");
        assert_eq!(drawn(3, 5), [0, 1, 2]);
        assert!(drawn(0, 5).is_empty());
    }
}
