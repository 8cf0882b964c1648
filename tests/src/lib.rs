//! Helpers of the end-to-end stories: a running service and a plant that calls it.

pub mod plant;
