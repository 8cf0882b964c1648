//! Eight f32 side by side: with the instructions that every processor of the kind has, or with wider ones where the
//! program finds them as it runs.
//!
//! Both do the same IEEE 754 operations, one rounding each and none of them fused, so that the numbers are the same to
//! the bit; what they are used for only leaves out, so that answers do not hang on them either.

use wide::f32x8;

/// Eight numbers in memory, where every way of working loads them whole.
#[derive(Clone, Copy, Debug)]
#[repr(C, align(32))]
pub(in crate::search) struct Row(pub(in crate::search) [f32; 8]);

impl Row {
    pub(in crate::search) const ZERO: Self = Self([0.0; 8]);
}

/// A way of working on eight numbers at once. The least and the most of two numbers are those of `a < b` and `a > b`,
/// the second where nothing is said.
pub(in crate::search) trait Eight: Copy {
    type Lanes: Copy;
    /// Does `work` with all of it compiled for these instructions, as far as it is inlined.
    fn with<R>(self, work: impl FnOnce() -> R) -> R;
    fn load(self, from: &[f32; 8]) -> Self::Lanes;
    fn store(self, a: Self::Lanes, to: &mut [f32; 8]);
    fn splat(self, a: f32) -> Self::Lanes;
    fn add(self, a: Self::Lanes, b: Self::Lanes) -> Self::Lanes;
    fn sub(self, a: Self::Lanes, b: Self::Lanes) -> Self::Lanes;
    fn mul(self, a: Self::Lanes, b: Self::Lanes) -> Self::Lanes;
    fn div(self, a: Self::Lanes, b: Self::Lanes) -> Self::Lanes;
    fn sqrt(self, a: Self::Lanes) -> Self::Lanes;
    fn least(self, a: Self::Lanes, b: Self::Lanes) -> Self::Lanes;
    fn most(self, a: Self::Lanes, b: Self::Lanes) -> Self::Lanes;
    fn and(self, a: Self::Lanes, b: Self::Lanes) -> Self::Lanes;
    fn or(self, a: Self::Lanes, b: Self::Lanes) -> Self::Lanes;
    /// `then` where `a` is above `b`, else 0.
    fn where_above(self, a: Self::Lanes, b: Self::Lanes, then: Self::Lanes) -> Self::Lanes;
    /// One bit for each that is not above its limit; none for what is no number.
    fn not_above(self, a: Self::Lanes, limit: Self::Lanes) -> u32;
}

/// Four and four, which every x86-64 has, or what else the compiler was told of.
#[derive(Clone, Copy, Debug)]
pub(in crate::search) struct Plain;

impl Eight for Plain {
    type Lanes = f32x8;

    #[inline(always)]
    fn with<R>(self, work: impl FnOnce() -> R) -> R {
        work()
    }
    #[inline(always)]
    fn load(self, from: &[f32; 8]) -> f32x8 {
        f32x8::new(*from)
    }
    #[inline(always)]
    fn store(self, a: f32x8, to: &mut [f32; 8]) {
        *to = a.to_array();
    }
    #[inline(always)]
    fn splat(self, a: f32) -> f32x8 {
        f32x8::splat(a)
    }
    #[inline(always)]
    fn add(self, a: f32x8, b: f32x8) -> f32x8 {
        a + b
    }
    #[inline(always)]
    fn sub(self, a: f32x8, b: f32x8) -> f32x8 {
        a - b
    }
    #[inline(always)]
    fn mul(self, a: f32x8, b: f32x8) -> f32x8 {
        a * b
    }
    #[inline(always)]
    fn div(self, a: f32x8, b: f32x8) -> f32x8 {
        a / b
    }
    #[inline(always)]
    fn sqrt(self, a: f32x8) -> f32x8 {
        a.sqrt()
    }
    #[inline(always)]
    fn least(self, a: f32x8, b: f32x8) -> f32x8 {
        a.fast_min(b)
    }
    #[inline(always)]
    fn most(self, a: f32x8, b: f32x8) -> f32x8 {
        a.fast_max(b)
    }
    #[inline(always)]
    fn and(self, a: f32x8, b: f32x8) -> f32x8 {
        a & b
    }
    #[inline(always)]
    fn or(self, a: f32x8, b: f32x8) -> f32x8 {
        a | b
    }
    #[inline(always)]
    fn where_above(self, a: f32x8, b: f32x8, then: f32x8) -> f32x8 {
        a.simd_gt(b) & then
    }
    #[inline(always)]
    fn not_above(self, a: f32x8, limit: f32x8) -> u32 {
        a.simd_le(limit).to_bitmask()
    }
}

/// What this processor has.
#[derive(Clone, Copy, Debug)]
pub(in crate::search) enum Here {
    Plain(Plain),
    #[cfg(target_arch = "x86_64")]
    Wide(avx::Wide),
}

impl Here {
    pub(in crate::search) fn find() -> Self {
        #[cfg(target_arch = "x86_64")]
        if let Some(wide) = avx::Wide::here() {
            return Self::Wide(wide);
        }
        Self::Plain(Plain)
    }
}

#[cfg(target_arch = "x86_64")]
mod avx {
    use pulp::cast;
    use pulp::x86::V3;

    use super::Eight;

    /// All eight in one register, where the processor has AVX2.
    #[derive(Clone, Copy, Debug)]
    pub(in crate::search) struct Wide(V3);

    impl Wide {
        /// `None` where the processor lacks the instructions.
        pub(in crate::search) fn here() -> Option<Self> {
            V3::try_new().map(Self)
        }
    }

    impl Eight for Wide {
        type Lanes = pulp::f32x8;

        #[inline(always)]
        fn with<R>(self, work: impl FnOnce() -> R) -> R {
            self.0.vectorize(work)
        }
        #[inline(always)]
        fn load(self, from: &[f32; 8]) -> pulp::f32x8 {
            cast(*from)
        }
        #[inline(always)]
        fn store(self, a: pulp::f32x8, to: &mut [f32; 8]) {
            *to = cast(a);
        }
        #[inline(always)]
        fn splat(self, a: f32) -> pulp::f32x8 {
            self.0.splat_f32x8(a)
        }
        #[inline(always)]
        fn add(self, a: pulp::f32x8, b: pulp::f32x8) -> pulp::f32x8 {
            self.0.add_f32x8(a, b)
        }
        #[inline(always)]
        fn sub(self, a: pulp::f32x8, b: pulp::f32x8) -> pulp::f32x8 {
            self.0.sub_f32x8(a, b)
        }
        #[inline(always)]
        fn mul(self, a: pulp::f32x8, b: pulp::f32x8) -> pulp::f32x8 {
            self.0.mul_f32x8(a, b)
        }
        #[inline(always)]
        fn div(self, a: pulp::f32x8, b: pulp::f32x8) -> pulp::f32x8 {
            self.0.div_f32x8(a, b)
        }
        #[inline(always)]
        fn sqrt(self, a: pulp::f32x8) -> pulp::f32x8 {
            self.0.sqrt_f32x8(a)
        }
        #[inline(always)]
        fn least(self, a: pulp::f32x8, b: pulp::f32x8) -> pulp::f32x8 {
            self.0.min_f32x8(a, b)
        }
        #[inline(always)]
        fn most(self, a: pulp::f32x8, b: pulp::f32x8) -> pulp::f32x8 {
            self.0.max_f32x8(a, b)
        }
        #[inline(always)]
        fn and(self, a: pulp::f32x8, b: pulp::f32x8) -> pulp::f32x8 {
            self.0.and_f32x8(a, b)
        }
        #[inline(always)]
        fn or(self, a: pulp::f32x8, b: pulp::f32x8) -> pulp::f32x8 {
            self.0.or_f32x8(a, b)
        }
        #[inline(always)]
        fn where_above(self, a: pulp::f32x8, b: pulp::f32x8, then: pulp::f32x8) -> pulp::f32x8 {
            self.0.and_f32x8(cast(self.0.cmp_gt_f32x8(a, b)), then)
        }
        #[inline(always)]
        fn not_above(self, a: pulp::f32x8, limit: pulp::f32x8) -> u32 {
            self.0.avx._mm256_movemask_ps(cast(self.0.cmp_le_f32x8(a, limit))) as u32
        }
    }
}

#[cfg(all(test, target_arch = "x86_64"))]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    /// Everything that both ways do, bit for bit.
    fn all<E: Eight>(e: E, a: &[f32; 8], b: &[f32; 8]) -> Vec<u32> {
        e.with(|| {
            let (x, y) = (e.load(a), e.load(b));
            let made = [
                e.add(x, y),
                e.sub(x, y),
                e.mul(x, y),
                e.div(x, y),
                e.sqrt(x),
                e.least(x, y),
                e.most(x, y),
                e.and(x, y),
                e.or(x, y),
                e.where_above(x, y, e.splat(3.5)),
            ];
            let mut bits = vec![e.not_above(x, y)];
            for lanes in made {
                let mut row = [0.0; 8];
                e.store(lanes, &mut row);
                // What is no number has no sign that anybody relies on.
                bits.extend(row.map(|v| if v.is_nan() { f32::NAN.to_bits() } else { v.to_bits() }));
            }
            bits
        })
    }

    #[test]
    fn wider_instructions_make_the_same_bits() {
        let Some(wide) = avx::Wide::here() else { return };
        let mut random = Random::seeded(77);
        let odd = [0.0, -0.0, f32::INFINITY, f32::NAN, f32::MIN_POSITIVE / 8.0, f32::MAX, 1.0, -1.0];
        for _ in 0..20_000 {
            let mut row = || -> [f32; 8] {
                std::array::from_fn(|_| match random.below(4) {
                    0 => odd[random.below(odd.len())],
                    _ => (random.range(-1.0, 1.0) * [1e-20, 1.0, 1e3, 1e20][random.below(4)]) as f32,
                })
            };
            let (a, b) = (row(), row());
            assert_eq!(all(Plain, &a, &b), all(wide, &a, &b), "{a:?} {b:?}");
        }
    }
}
