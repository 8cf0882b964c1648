//! The published sets and their answers (source and licence: `tests/data/nist_ats/README.md`).

#![allow(clippy::unwrap_used, reason = "a test that cannot read its data must fail")]
#![allow(dead_code, reason = "each test binary uses its part")]

use scantling_core::geometry::{Direction, Point, Vector};
use std::path::PathBuf;

pub(crate) struct Set {
    pub(crate) name: String,
    pub(crate) number: u32,
    pub(crate) points: Vec<Point>,
    pub(crate) fit: Vec<f64>,
}

pub(crate) fn data() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data")
}

pub(crate) fn numbers(text: &str) -> Vec<f64> {
    text.split_whitespace().map(|word| word.parse().unwrap()).collect()
}

pub(crate) fn sets(folder: &str, stem: &str) -> Vec<Set> {
    let path = data().join("nist_ats").join(folder);
    let found: Vec<Set> = (1..30)
        .step_by(2)
        .map(|number| {
            let name = format!("{stem}{number}");
            let read = |end: &str| std::fs::read_to_string(path.join(format!("{name}.{end}"))).unwrap();
            let values = numbers(&read("ds"));
            let points: Vec<Point> = values[1..].chunks(3).map(|c| Point::new(c[0], c[1], c[2])).collect();
            assert_eq!(points.len() as f64, values[0], "{name}: the first line counts the points");
            let fit = numbers(&read("fit"));
            Set { name, number, points, fit }
        })
        .collect();
    assert_eq!(found.len(), 15);
    found
}

impl Set {
    /// The same set and answer, elsewhere.
    pub(crate) fn moved(&self, by: Vector) -> Set {
        let mut fit = self.fit.clone();
        for i in 0..3 {
            fit[i] += by[i];
        }
        let points = self.points.iter().map(|p| p + by).collect();
        Set { name: self.name.clone(), number: self.number, points, fit }
    }

    pub(crate) fn place(&self) -> Point {
        Point::new(self.fit[0], self.fit[1], self.fit[2])
    }

    pub(crate) fn direction(&self) -> Direction {
        Direction::new(Vector::new(self.fit[3], self.fit[4], self.fit[5])).unwrap()
    }
}

/// Angle between two undirected axes, rad.
pub(crate) fn angle(a: Direction, b: Direction) -> f64 {
    a.vector().cross(&b.vector()).norm()
}

#[derive(Default)]
pub(crate) struct Worst(f64, String);

impl Worst {
    pub(crate) fn see(&mut self, name: &str, errors: &[f64]) {
        for &e in errors {
            assert!(e.is_finite(), "{name}: an error is no number");
            if e > self.0 {
                *self = Worst(e, name.to_string());
            }
        }
    }

    pub(crate) fn below(&self, what: &str, limit: f64) {
        println!("{what}: worst {:.2e} mm or rad ({})", self.0, self.1);
        assert!(self.0 < limit, "{what}: {:e} in {}", self.0, self.1);
    }
}
