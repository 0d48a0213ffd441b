//! Which versions of the tables this payrig knows.

/// The version of the tables that are written, kept in the file's `user_version`. Files of version 1 are
/// read as they are, and brought up to it by the first that is written to them.
pub const SCHEMA_VERSION: i64 = 2;

/// The first version: no remarks, and times in UTC only.
pub(super) const FIRST: i64 = 1;
