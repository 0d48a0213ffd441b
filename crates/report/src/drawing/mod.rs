//! Pictures as SVG: histograms and waveforms for the page of a report, the map of a board's window, the
//! code of a label.

pub(crate) mod board_map;
pub(crate) mod chart;
pub(crate) mod qr;
