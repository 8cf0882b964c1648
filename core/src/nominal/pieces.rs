//! Things that hang together, and things dealt out by number.

/// Pieces of things that are joined one pair at a time: a forest in which each thing points to a lower one of its
/// piece, and the lowest to itself. Paths are halved as they are walked: Tarjan and van Leeuwen, "Worst-case
/// Analysis of Set Union Algorithms", Journal of the ACM 31(2), 1984, section 1.
pub(super) struct Pieces {
    towards: Vec<u32>,
}

impl Pieces {
    /// As many pieces as things.
    pub(super) fn apart(count: usize) -> Self {
        Self { towards: (0..count as u32).collect() }
    }

    fn lowest(&mut self, mut thing: u32) -> u32 {
        loop {
            let next = self.towards[thing as usize];
            if next == thing {
                return thing;
            }
            let after = self.towards[next as usize];
            self.towards[thing as usize] = after;
            thing = after;
        }
    }

    pub(super) fn join(&mut self, a: u32, b: u32) {
        let (a, b) = (self.lowest(a), self.lowest(b));
        self.towards[a.max(b) as usize] = a.min(b);
    }

    /// The piece of each thing, and how many there are; numbered in the order of their lowest things, so that it
    /// does not matter in which order they were joined.
    pub(super) fn numbered(self) -> (Vec<u32>, usize) {
        let mut number = self.towards;
        let mut count = 0;
        for thing in 0..number.len() {
            // What it points to is lower, and has its number already.
            let next = number[thing] as usize;
            number[thing] = if next == thing { count } else { number[next] };
            count += u32::from(next == thing);
        }
        (number, count as usize)
    }
}

/// Things by the number that each has, ascending within a number.
pub(super) struct Dealt {
    starts: Vec<u32>,
    things: Vec<u32>,
}

impl Dealt {
    /// Sorts by counting. Numbers are below `count`; things numbered `count` or higher are left out.
    pub(super) fn by(number: &[u32], count: usize) -> Self {
        let mut starts = vec![0u32; count + 1];
        for &n in number.iter().filter(|&&n| (n as usize) < count) {
            starts[n as usize + 1] += 1;
        }
        for n in 0..count {
            starts[n + 1] += starts[n];
        }
        let mut things = vec![0; starts[count] as usize];
        for (thing, &n) in (0u32..).zip(number) {
            if let Some(place) = starts[..count].get_mut(n as usize) {
                things[*place as usize] = thing;
                *place += 1;
            }
        }
        // Each start has moved to the next one.
        starts.rotate_right(1);
        starts[0] = 0;
        Self { starts, things }
    }

    /// How many numbers there are.
    pub(super) fn count(&self) -> usize {
        self.starts.len() - 1
    }

    /// The things of a run of numbers.
    pub(super) fn of(&self, numbers: std::ops::Range<usize>) -> &[u32] {
        &self.things[self.starts[numbers.start] as usize..self.starts[numbers.end] as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    #[test]
    fn pieces_are_those_of_a_flood_whatever_the_order_of_joining() {
        let mut random = Random::seeded(8);
        for joins in [0, 10, 150, 400, 2000] {
            let mut pairs: Vec<(u32, u32)> =
                (0..joins).map(|_| (random.below(500) as u32, random.below(500) as u32)).collect();
            let mut flood = vec![u32::MAX; 500];
            let mut count = 0;
            for seed in 0..500 {
                if flood[seed] == u32::MAX {
                    flood[seed] = count;
                    let mut stack = vec![seed as u32];
                    while let Some(at) = stack.pop() {
                        for &(a, b) in &pairs {
                            let other = if a == at {
                                b
                            } else if b == at {
                                a
                            } else {
                                continue;
                            };
                            if flood[other as usize] == u32::MAX {
                                flood[other as usize] = count;
                                stack.push(other);
                            }
                        }
                    }
                    count += 1;
                }
            }
            for _ in 0..3 {
                let mut pieces = Pieces::apart(500);
                pairs.iter().for_each(|&(a, b)| pieces.join(a, b));
                assert_eq!(pieces.numbered(), (flood.clone(), count as usize));
                pairs.reverse();
                pairs.rotate_left(joins / 3);
            }
        }
    }

    #[test]
    fn things_are_dealt_in_their_order() {
        let dealt = Dealt::by(&[2, 0, 7, 2, 4, 0], 5);
        let each: Vec<&[u32]> = (0..dealt.count()).map(|n| dealt.of(n..n + 1)).collect();
        assert_eq!(each, [&[1, 5][..], &[], &[0, 3], &[], &[4]]);
        assert_eq!(dealt.of(1..5), [0, 3, 4]);
        assert_eq!(Dealt::by(&[], 0).count(), 0);
    }
}
