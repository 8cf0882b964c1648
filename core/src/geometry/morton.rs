//! Places on the curve that visits neighbours in space soon after each other: Morton, "A computer oriented
//! geodetic data base and a new technique in file sequencing", IBM, 1966. The bits of three cell numbers
//! take turns, those of the first lowest.

/// Of cells below 2^8 along each axis.
#[inline(always)]
pub(crate) fn short_key(cell: [u32; 3]) -> u32 {
    let [x, y, z] = cell.map(|x| {
        let x = (x | x << 8) & 0x0300_f00f;
        let x = (x | x << 4) & 0x030c_30c3;
        (x | x << 2) & 0x0924_9249
    });
    x | y << 1 | z << 2
}

/// Of cells below 2^21 along each axis.
#[inline(always)]
pub(crate) fn key(cell: [u64; 3]) -> u64 {
    let [x, y, z] = cell.map(|x| {
        let x = (x | x << 32) & 0x001f_0000_0000_ffff;
        let x = (x | x << 16) & 0x001f_0000_ff00_00ff;
        let x = (x | x << 8) & 0x100f_00f0_0f00_f00f;
        let x = (x | x << 4) & 0x10c3_0c30_c30c_30c3;
        (x | x << 2) & 0x1249_2492_4924_9249
    });
    x | y << 1 | z << 2
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    #[test]
    fn bits_of_the_three_numbers_take_turns() {
        let slow = |cell: [u64; 3]| {
            let bit = |k: u32| (cell[k as usize % 3] >> (k / 3) & 1) << k;
            (0..63).map(bit).fold(0, |all, bit| all | bit)
        };
        let mut random = Random::seeded(3);
        for _ in 0..1000 {
            let cell = [0; 3].map(|_| random.below(1 << 21) as u64);
            assert_eq!(key(cell), slow(cell));
            let small = cell.map(|x| x >> 13);
            assert_eq!(u64::from(short_key(small.map(|x| x as u32))), slow(small));
        }
    }
}
