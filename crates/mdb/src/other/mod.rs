//! Devices of sections 8 to 11, to command level.
