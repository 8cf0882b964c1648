//! Nominal geometry from STEP files.
#![allow(dead_code, missing_docs)]
mod bspline;
mod curves;
mod chart;
mod edges;
mod graph;
mod loops;
mod lexer;
mod nearest;
mod part21;
mod shapes;
mod surfaces;
mod triangulate;
mod text;
mod units;
