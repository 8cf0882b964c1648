//! Nominal geometry from STEP files.
#![allow(dead_code, missing_docs)]
mod bspline;
mod curves;
mod graph;
mod lexer;
mod nearest;
mod part21;
mod surfaces;
mod text;
mod units;
