//! Helpers of the end-to-end stories.

pub mod truth;
