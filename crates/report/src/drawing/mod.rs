//! Pictures as SVG: histograms and waveforms for the page of a report, the map of a board's window.

pub(crate) mod board_map;
pub(crate) mod chart;
