//! (in progress)
pub mod window_surround;
pub use window_surround::WindowSurround;
