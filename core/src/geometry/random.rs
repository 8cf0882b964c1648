//! Seeded random numbers, the same on every machine.

use super::{Direction, Vector, math};

/// A small generator with good statistics: xoshiro256++ of Blackman and Vigna, "Scrambled linear
/// pseudorandom number generators", ACM TOMS 47(4), 2021; seeded through SplitMix64 as they advise.
#[derive(Clone, Debug)]
pub struct Random {
    state: [u64; 4],
    spare: Option<f64>,
}

impl Random {
    /// A generator that repeats exactly from `seed`.
    pub fn seeded(seed: u64) -> Self {
        let mut z = seed;
        let state = std::array::from_fn(|_| {
            z = z.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut x = z;
            x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            x ^ (x >> 31)
        });
        Self { state, spare: None }
    }

    /// The next 64 bits.
    pub fn next_u64(&mut self) -> u64 {
        let s = &mut self.state;
        let result = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        result
    }

    /// Uniform in 0..1 (1 excluded), 53 bits.
    pub fn unit(&mut self) -> f64 {
        (self.next_u64() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
    }

    /// Uniform in `low..high`.
    pub fn range(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Uniform in `0..n`; `n` must not be 0.
    pub fn below(&mut self, n: usize) -> usize {
        ((u128::from(self.next_u64()) * n as u128) >> 64) as usize
    }

    /// Standard normal deviate (Marsaglia's polar method, SIAM Review 6(3), 1964).
    pub fn normal(&mut self) -> f64 {
        if let Some(v) = self.spare.take() {
            return v;
        }
        loop {
            let u = self.range(-1.0, 1.0);
            let v = self.range(-1.0, 1.0);
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                let f = (-2.0 * math::ln(s) / s).sqrt();
                self.spare = Some(v * f);
                return u * f;
            }
        }
    }

    /// A direction, uniform on the sphere.
    pub fn direction(&mut self) -> Direction {
        loop {
            if let Some(d) = Direction::new(Vector::new(self.normal(), self.normal(), self.normal())) {
                return d;
            }
        }
    }

    /// A rotation vector (axis times angle, rad) of a rotation uniform over all rotations.
    pub fn turn(&mut self) -> Vector {
        // A unit quaternion uniform on the 3-sphere is a uniform rotation. Shoemake, Graphics Gems III, 1992.
        loop {
            let q = [self.normal(), self.normal(), self.normal(), self.normal()];
            let norm = (q[0] * q[0] + q[1] * q[1] + q[2] * q[2] + q[3] * q[3]).sqrt();
            let v = Vector::new(q[1], q[2], q[3]) / norm;
            let w = q[0] / norm;
            let angle = 2.0 * math::atan2(v.norm(), w);
            if let Some(axis) = Direction::new(v) {
                return axis.vector() * angle;
            }
        }
    }
}
