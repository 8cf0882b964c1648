//! Which verification of an instrument counts for what was taken with it.

use scantling_core::uncertainty::{Conditions, InstrumentErrors, SurfaceClass, Validity};
use scantling_core::verification::{Registered, in_force};

use crate::convert::{conditions, name, time};
use crate::store::{Acquisition, Store, StoreError, Verification};

/// A registered instrument on the day of an acquisition.
#[derive(Clone, Debug)]
pub(crate) struct InForce {
    /// Its resource name.
    pub(crate) name: String,
    /// What people call it.
    pub(crate) title: String,
    /// Its errors by the verification in force; nothing where there is none.
    pub(crate) errors: InstrumentErrors,
    /// Whether that vouches for the acquisition.
    pub(crate) validity: Validity,
}

/// What core is told of an acquisition, with its instrument's verification as the register has it now.
///
/// # Errors
/// When the store cannot be read.
pub(crate) async fn conditions(store: &Store, acquisition: &Acquisition) -> Result<Conditions, StoreError> {
    let registered = of_acquisition(store, acquisition).await?;
    Ok(conditions::of_acquisition(acquisition, registered.as_ref()))
}

async fn of_acquisition(store: &Store, acquisition: &Acquisition) -> Result<Option<InForce>, StoreError> {
    let content = &acquisition.content;
    let Some(id) = &content.registered_instrument else { return Ok(None) };
    let unreadable =
        || StoreError::Unreadable { what: format!("acquisitions/{} without a day", acquisition.id) };
    let taken_on = content.acquire_time_us.and_then(time::day).ok_or_else(unreadable)?;
    let title = store.instrument(id).await?.content.title;
    let mut all = Vec::new();
    let mut after = 0;
    loop {
        let page = store.list_verifications(id, after, 1000).await?;
        // What a simulator made vouches for nothing real.
        let counts = page.items.into_iter().filter(|v| content.simulated || !v.content.simulated);
        all.extend(counts.map(registered));
        match page.next {
            Some(next) => after = next,
            None => break,
        }
    }
    let stated = content.conditions.surface_class.map(conditions::core_surface);
    // A sprayed surface is dull where nobody says otherwise.
    let sprayed = (content.conditions.matt_spray == Some(true)).then_some(SurfaceClass::Dull);
    let name = name::of_instrument(id);
    let called = if title.trim().is_empty() { name.clone() } else { format!("{title} ({name})") };
    let (validity, errors) = in_force(&called, &all, taken_on, stated.or(sprayed));
    Ok(Some(InForce { name, title: called, errors, validity }))
}

fn registered(verification: Verification) -> Registered {
    let withdrawn = verification.withdrawal.is_some();
    let new = verification.content;
    Registered {
        name: name::of_verification(&new.instrument, &new.id),
        verified_on: new.verified_on,
        valid_until: new.valid_until,
        surfaces: new.content.surfaces.into_iter().map(conditions::core_surface).collect(),
        errors: new.content.errors,
        problems: new.content.problems,
        withdrawn,
    }
}
