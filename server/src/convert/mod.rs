//! The only place where messages meet the store's and core's own words.

pub(crate) mod acquisition;
pub(crate) mod enums;
pub(crate) mod fields;
pub(crate) mod inspection;
pub(crate) mod name;
pub(crate) mod page;
pub(crate) mod part;
pub(crate) mod record;
pub(crate) mod status;
pub(crate) mod time;
