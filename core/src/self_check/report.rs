//! What a self-check found.

use serde::Serialize;

use crate::canonical;

/// Form of this report; it grows by one when a field changes its meaning.
pub const REPORT_VERSION: u32 = 1;

/// All checks of one run. It holds no time and no place, so the same program gives the same report everywhere.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Report {
    /// [`REPORT_VERSION`].
    pub report_version: u32,
    /// Version of the program.
    pub program_version: String,
    /// SHA-256 of the published sets that the program carries.
    pub references_sha256: String,
    /// Whether every check passed.
    pub passed: bool,
    /// The checks, group by group.
    pub groups: Vec<Group>,
}

impl Report {
    /// Canonical JSON.
    pub fn json(&self) -> String {
        canonical::json(self)
    }

    /// SHA-256 of the canonical JSON.
    pub fn sha256(&self) -> String {
        canonical::sha256_hex(self.json().as_bytes())
    }
}

/// Checks of one kind.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Group {
    /// Name for programs, such as `least_squares`.
    pub id: String,
    /// What is checked, in words.
    pub title: String,
    /// Where the values come from that ours are held against.
    pub source: String,
    /// How those came to be.
    pub basis: Basis,
    /// The checks.
    pub checks: Vec<Check>,
}

impl Group {
    pub(super) fn of(id: &str, title: &str, basis: Basis, source: &str, checks: Vec<Check>) -> Self {
        Self { id: id.into(), title: title.into(), source: source.into(), basis, checks }
    }

    /// How many passed not.
    pub fn failed(&self) -> usize {
        self.checks.iter().filter(|c| !c.passed).count()
    }

    /// The quantity that comes nearest to its limit, or is furthest beyond it; one without a deviation before all.
    pub fn worst(&self) -> Option<(&Check, &Quantity)> {
        let all = self.checks.iter().flat_map(|c| c.quantities.iter().map(move |q| (c, q)));
        let share = |q: &Quantity| q.deviation.map_or(f64::INFINITY, |d| d / q.limit);
        all.fold(None, |worst: Option<(&Check, &Quantity)>, one| match worst {
            Some(known) if share(known.1) >= share(one.1) => Some(known),
            _ => Some(one),
        })
    }
}

/// How reference values came to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// Published by others.
    Published,
    /// Computed for this program by other code than its own, not published.
    Computed,
}

/// One set or example.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Check {
    /// Such as `cyl7`.
    pub name: String,
    /// Shape or rule.
    pub of: String,
    /// What was compared.
    pub quantities: Vec<Quantity>,
    /// Our word and the stated one, where a verdict or a refusal is what is compared.
    pub words: Option<[String; 2]>,
    /// What is to be known about this check; empty as a rule.
    pub note: String,
    /// Why there is no result of ours; empty as a rule.
    pub problem: String,
    /// Whether all agree within their limits.
    pub passed: bool,
}

impl Check {
    pub(super) fn of(name: &str, of: &str, quantities: Vec<Quantity>) -> Self {
        Self {
            name: name.into(),
            of: of.into(),
            quantities,
            words: None,
            note: String::new(),
            problem: String::new(),
            passed: false,
        }
        .judged()
    }

    pub(super) fn missing(name: &str, of: &str, problem: &impl ToString) -> Self {
        Self { problem: problem.to_string(), ..Self::of(name, of, Vec::new()) }.judged()
    }

    pub(super) fn worded(self, ours: &str, stated: &str) -> Self {
        Self { words: Some([ours.into(), stated.into()]), ..self }.judged()
    }

    pub(super) fn noted(self, note: &str) -> Self {
        Self { note: note.into(), ..self }
    }

    /// A check that compared nothing has not passed.
    fn judged(mut self) -> Self {
        let words = self.words.as_ref();
        self.passed = self.problem.is_empty()
            && (words.is_some() || !self.quantities.is_empty())
            && words.is_none_or(|[ours, stated]| ours == stated)
            && self.quantities.iter().all(Quantity::within);
        self
    }
}

/// One thing that was compared.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Quantity {
    /// What: position, direction, size, or the name of the value.
    pub name: String,
    /// mm, rad, or 1.
    pub unit: String,
    /// Our result.
    pub ours: Vec<f64>,
    /// What is published or was computed.
    pub stated: Vec<f64>,
    /// How far they are from each other, in a way that the free choice of a point on an axis does not change; absent
    /// when it is no number.
    pub deviation: Option<f64>,
    /// Largest deviation that passes.
    pub limit: f64,
}

impl Quantity {
    pub(super) fn of(
        (name, unit): (&str, &str),
        (ours, stated): (&[f64], &[f64]),
        deviation: f64,
        limit: f64,
    ) -> Self {
        Self {
            name: name.into(),
            unit: unit.into(),
            ours: ours.to_vec(),
            stated: stated.to_vec(),
            deviation: Some(deviation).filter(|d| d.is_finite()),
            limit,
        }
    }

    /// Two numbers, by their difference.
    pub(super) fn number(named: (&str, &str), ours: f64, stated: f64, limit: f64) -> Self {
        Self::of(named, (&[ours], &[stated]), (ours - stated).abs(), limit)
    }

    fn within(&self) -> bool {
        self.deviation.is_some_and(|d| d <= self.limit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_missing_never_passes() {
        let one =
            |deviation| Check::of("a", "b", vec![Quantity::of(("c", "mm"), (&[], &[]), deviation, 1.0)]);
        assert!(one(1.0).passed && one(0.0).passed);
        for bad in [1.01, f64::NAN, f64::INFINITY] {
            assert!(!one(bad).passed, "{bad}");
        }
        assert!(!Check::of("a", "b", Vec::new()).passed);
        assert!(!Check::missing("a", "b", &"why").passed);
        assert!(!Check::missing("a", "b", &"why").worded("x", "x").passed);
        assert!(Check::of("a", "b", Vec::new()).worded("x", "x").passed);
        assert!(!one(0.5).worded("x", "y").passed);
    }

    #[test]
    fn the_worst_is_the_nearest_to_its_limit_and_what_is_no_number_before_all() {
        let quantity = |d: f64, limit| Quantity::of(("c", "mm"), (&[], &[]), d, limit);
        let check = |name, q| Check::of(name, "b", vec![q]);
        let mut checks = vec![check("small", quantity(1e-9, 1e-6)), check("near", quantity(1e-10, 2e-10))];
        let named = |checks: &[Check]| {
            let group = Group::of("g", "t", Basis::Published, "s", checks.to_vec());
            group.worst().map(|w| w.0.name.clone())
        };
        assert_eq!(named(&checks).as_deref(), Some("near"));
        checks.push(check("none", quantity(f64::NAN, 1.0)));
        assert_eq!(named(&checks).as_deref(), Some("none"));
        assert_eq!(named(&[]), None);
    }
}
