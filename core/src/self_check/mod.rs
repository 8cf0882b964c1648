//! The program held against published values, at its user's site.
//!
//! Everything that is compared is within the program: point sets with published fits, values computed for the same
//! points with other code, worked examples, published results of made parts. The sums are those that measure: the
//! same functions, called in the same way. The [`Report`] holds no time and no place; the same version gives the same
//! digest on every machine, so that one digest says that an installation computes as it should.

mod fits;
mod references;
mod report;
mod results;
mod worked;
mod zones;

pub use references::{ComputedZone, Damaged, PublishedFit, PublishedResult, References};
pub use report::{Basis, Check, Group, Quantity, REPORT_VERSION, Report};
pub use results::{published_plan, published_points};

use crate::run::{Run, Stopped};

/// Why there is no report.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SelfCheckError {
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// The references cannot be read.
    #[error(transparent)]
    Damaged(#[from] Damaged),
}

/// Checks the program against the values that it carries.
///
/// # Errors
/// [`SelfCheckError`]; a check that fails is no error but stands in the report.
pub fn self_check(run: &Run) -> Result<Report, SelfCheckError> {
    Ok(check_against(run, &References::built_in()?)?)
}

/// Checks the program against other references of the same form.
///
/// # Errors
/// [`Stopped`].
pub fn check_against(run: &Run, references: &References) -> Result<Report, Stopped> {
    let mut groups = fits::groups(run, &references.fits)?;
    groups.extend(zones::groups(run, references)?);
    groups.extend(worked::groups(run)?);
    groups.push(results::group(run, &references.results)?);
    // A group that lost its checks has passed nothing.
    let passed = groups.iter().all(|g| !g.checks.is_empty() && g.failed() == 0);
    Ok(Report {
        report_version: REPORT_VERSION,
        program_version: env!("CARGO_PKG_VERSION").into(),
        references_sha256: references.sha256.clone(),
        passed,
        groups,
    })
}

#[cfg(test)]
mod tests;
