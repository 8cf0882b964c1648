//! What the long validation showed, as `core/README.md` tells it: figures that its command wrote, not computed here.

use scantling_tests::validation::{Figures, table_of_kinds};

/// The section.
pub(super) fn section() -> String {
    let text = include_str!("../../data/validation.json");
    let figures: Figures = serde_json::from_str(text).expect("the figures of the validation");
    format!(
        "\n## How far what is said holds\n\n\
         Scans of a window surround, a flat bracket and a curved panel whose true values are 0, 0.5, 0.9 and 1.1 of their limits, simulated \
         (`tests/src/validation`; pictures in `tests/data/validation`). The truth is the same operator on a dense scan of the made part without any \
         error. U is twice the standard uncertainty, s the observed standard deviation of the error among scans of one part at one share of its limit; \
         bars: U / 2s at most 1.3, truth inside 92 to 98 %.\n\n{}",
        table_of_kinds(&figures)
    )
}
