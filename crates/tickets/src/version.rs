//! Which version of the tables this payrig knows.

/// The version of the tables, kept in the file's `user_version`.
pub const SCHEMA_VERSION: i64 = 1;
