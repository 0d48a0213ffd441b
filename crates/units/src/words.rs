//! Numbers of things in plain words.
//!
//! ```
//! use payrig_units::words::{count, times};
//!
//! assert_eq!(count(3, "piece of advice"), "3 pieces of advice");
//! assert_eq!(times(1), "once");
//! ```

use crate::prelude::*;

/// So many of a thing: "1 coin", "3 coins", "0 entries", "2 pieces of advice". `one` is the word for
/// a single one; its plural is the regular one.
#[must_use]
pub fn count(n: impl TryInto<u64>, one: &str) -> String {
    match n.try_into().unwrap_or(u64::MAX) {
        1 => format!("1 {one}"),
        n => format!("{n} {}", plural(one)),
    }
}

/// How often: "never", "once", "twice", "3 times".
#[must_use]
pub fn times(n: impl TryInto<u64>) -> String {
    match n.try_into().unwrap_or(u64::MAX) {
        0 => "never".to_owned(),
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        n => format!("{n} times"),
    }
}

fn plural(one: &str) -> String {
    // What is counted stands before "of": pieces of advice.
    if let Some((head, rest)) = one.split_once(" of ") {
        return format!("{} of {rest}", plural(head));
    }
    let consonant_before_y = one
        .strip_suffix('y')
        .filter(|stem| !stem.ends_with(['a', 'e', 'i', 'o', 'u']));
    match consonant_before_y {
        Some(stem) => format!("{stem}ies"),
        None if one.ends_with('s') || one.ends_with('x') || one.ends_with("ch") => {
            format!("{one}es")
        }
        None => format!("{one}s"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_is_singular_and_nothing_else_is() {
        assert_eq!(count(0_u32, "coin"), "0 coins");
        assert_eq!(count(1_usize, "coin"), "1 coin");
        assert_eq!(count(2_u64, "entry"), "2 entries");
        assert_eq!(count(3_u8, "press"), "3 presses");
        assert_eq!(count(4_i64, "cash box"), "4 cash boxes");
        assert_eq!(count(5_u16, "piece of advice"), "5 pieces of advice");
        assert_eq!(count(6_u16, "day"), "6 days");
        assert_eq!(count(7_u16, "POLL"), "7 POLLs");
    }

    #[test]
    fn how_often_is_said_as_people_say_it() {
        let said: Vec<String> = (0_u32..4).map(times).collect();
        assert_eq!(said, ["never", "once", "twice", "3 times"]);
    }
}
