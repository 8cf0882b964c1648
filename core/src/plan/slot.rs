//! Finds the slot that a pick means.

use super::bind::{Found, Pick};
use crate::nominal::Nominal;

pub(super) fn bind(_pick: &Pick, _nominal: &Nominal) -> Result<Found, String> {
    Err("slots are not picked on a nominal yet; write the slot's own numbers, `slot = { at_mm, axis, along }`".to_owned())
}
