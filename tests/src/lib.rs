//! Helpers of the end-to-end stories.
