//! The most that a rig may hold.

/// So many devices a rig has at the most.
pub const MOST_DEVICES: usize = 1_000;

/// So many steps a script has at the most, with what its repeats make of them.
pub const MOST_STEPS: usize = 1_000_000;

/// So many characters the name of a device, a line, an item or the bench has at the most.
pub const LONGEST_NAME: usize = 64;

/// So many characters a text about a machine or a device has at the most.
pub const LONGEST_TEXT: usize = 200;

/// So many characters the notes about a machine have at the most.
pub const LONGEST_NOTES: usize = 2_000;
