//! Scans of calibrated balls by computation, independent of the program that measures them.

use scantling_proto::v1::{Ball, BallArtefact};

/// Diameter of every ball, mm.
const DIAMETER_MM: f64 = 30.0;

/// Centres on a frame of a metre, without symmetry, mm.
const AT_MM: [[f64; 3]; 7] = [
    [0.0, 0.0, 0.0],
    [940.0, 35.0, 60.0],
    [1010.0, 580.0, -40.0],
    [-35.0, 660.0, 45.0],
    [500.0, 310.0, 230.0],
    [240.0, 40.0, 170.0],
    [720.0, 470.0, 110.0],
];

/// The artefact as a laboratory calibrated it.
pub fn artefact() -> BallArtefact {
    let balls = AT_MM.iter().enumerate().map(|(n, at)| Ball {
        id: format!("K{}", n + 1),
        at_mm: at.to_vec(),
        diameter_mm: DIAMETER_MM,
    });
    BallArtefact {
        title: "ball frame 7".into(),
        balls: balls.collect(),
        length_standard_uncertainty_mm: Some(0.0005),
        diameter_standard_uncertainty_mm: Some(0.0002),
    }
}

/// How the artefact is scanned.
#[derive(Clone, Copy, Debug)]
pub struct Scanning {
    /// Standard deviation of a point off its ball, mm.
    pub noise_mm: f64,
    /// How much too long every length is measured, mm for each m.
    pub scale_mm_per_m: f64,
    /// Points of each ball.
    pub points: usize,
    /// Begins the random numbers.
    pub seed: u64,
}

impl Scanning {
    /// A PLY file of the upper two thirds of every ball, the artefact turned and shifted.
    pub fn ply(&self) -> Vec<u8> {
        let mut random = Random(self.seed);
        let mut text = String::new();
        let mut count = 0;
        for at in AT_MM {
            let mut taken = 0;
            while taken < self.points {
                let n = random.direction();
                if n[2] < -0.33 {
                    continue;
                }
                let r = 0.5 * DIAMETER_MM + self.noise_mm * random.normal();
                let p = turned([0, 1, 2].map(|k| at[k] + r * n[k]));
                let p = p.map(|c| c * (1.0 + 1e-3 * self.scale_mm_per_m));
                text.push_str(&format!("{} {} {}\n", p[0], p[1], p[2]));
                (taken, count) = (taken + 1, count + 1);
            }
        }
        let head = format!(
            "ply\nformat ascii 1.0\nelement vertex {count}\nproperty double x\nproperty double y\nproperty double z\nend_header\n"
        );
        (head + &text).into_bytes()
    }
}

/// A turn whose matrix has whole numbers over nine (of the quaternion 2, 0, 1, 2), and a shift.
fn turned([x, y, z]: [f64; 3]) -> [f64; 3] {
    let rows = [[-1.0, -8.0, 4.0], [8.0, 1.0, 4.0], [-4.0, 4.0, 7.0]];
    let shift = [-210.0, 95.0, 730.0];
    [0, 1, 2].map(|k| (rows[k][0] * x + rows[k][1] * y + rows[k][2] * z) / 9.0 + shift[k])
}

/// Xorshift with a multiplier (G. Marsaglia, J. Stat. Software 8(14), 2003; S. Vigna's xorshift64*).
struct Random(u64);

impl Random {
    fn unit(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Twelve uniform numbers less six: standard deviation 1, and near enough to normal.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }

    /// Evenly over the sphere: points of a cube that lie in its ball.
    fn direction(&mut self) -> [f64; 3] {
        loop {
            let v = [0; 3].map(|_| 2.0 * self.unit() - 1.0);
            let square = v.iter().map(|c| c * c).sum::<f64>();
            if (0.01..=1.0).contains(&square) {
                return v.map(|c| c / square.sqrt());
            }
        }
    }
}
