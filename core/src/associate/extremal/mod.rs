//! Shapes by their extreme points: minimum zone, maximum inscribed, minimum circumscribed.
//!
//! A shape is moved by small linear programmes on its linearised distances within a trust region; the contacts
//! that a programme names are then met exactly by a Newton step with the curvature of the shape. Sequential
//! linear programming for these problems: Carr and Ferreira, "Verification of form tolerances", Precision
//! Engineering 17(2), 1995, 131-143 and 144-156; the two steps together: Fletcher and Sainz de la Maza, Math.
//! Programming 43, 1989, 235-256.

mod curved;
mod elimination;
mod exchange;
mod search;
mod starts;

pub(super) use elimination::solve_what_is_told;
pub(super) use exchange::{Row, Sides, lowest_of};
pub(super) use search::{Aim, Found, Outline, walk};
pub(super) use starts::{best_of_starts, leaves_half_open};
