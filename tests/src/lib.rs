//! Helpers of the end-to-end stories: a plant that calls the service, and the truth about what was made.

pub mod balls;
pub mod bar;
pub mod plant;
pub mod step_text;
pub mod truth;
pub mod validation;
