//! Which checks of a subject are asked for.

/// Which checks of a subject are asked for: all, or those of some names and patterns.
///
/// ```
/// use payrig_exam::Selection;
///
/// let some = Selection::of(Some("change-right,cut-*"));
/// assert!(some.wants("cut-in-payout") && !some.wants("coin-credited"));
/// assert_eq!(some.unknown(&["change-right"]), ["cut-*"]);
/// ```
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Selection(Option<Vec<String>>);

impl Selection {
    /// All where nothing is given; else names and patterns with commas between: `change-right,cut-*`. `*`
    /// stands for any characters, none included.
    #[must_use]
    pub fn of(only: Option<&str>) -> Self {
        let parts = only.map(|only| only.split(',').map(str::trim).filter(|p| !p.is_empty()));
        Self(parts.map(|parts| parts.map(str::to_owned).collect()))
    }

    /// True for a check that is asked for.
    #[must_use]
    pub fn wants(&self, id: &str) -> bool {
        let all = self.0.as_deref();
        all.is_none_or(|patterns| patterns.iter().any(|pattern| matches(pattern, id)))
    }

    /// The names and patterns that none of these checks has.
    #[must_use]
    pub fn unknown<'a>(&'a self, ids: &[&str]) -> Vec<&'a str> {
        let all = self.0.iter().flatten();
        let known = |pattern: &String| ids.iter().any(|id| matches(pattern, id));
        all.filter(|p| !known(p)).map(String::as_str).collect()
    }
}

fn matches(pattern: &str, id: &str) -> bool {
    let Some((before, after)) = pattern.split_once('*') else {
        return pattern == id;
    };
    let Some(rest) = id.strip_prefix(before) else {
        return false;
    };
    let ends = rest.char_indices().map(|(at, _)| at).chain([rest.len()]);
    ends.filter_map(|at| rest.get(at..))
        .any(|rest| matches(after, rest))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_patterns_pick_checks() {
        let wants = |only: &str, id: &str| Selection::of(Some(only)).wants(id);
        assert!(Selection::of(None).wants("anything"));
        assert!(wants("a, change-right", "change-right"));
        assert!(!wants("change", "change-right"));
        assert!(wants("cut-*", "cut-in-payout") && !wants("cut-*", "power-cut-resets-bus"));
        assert!(wants("*cut*", "power-cut-resets-bus") && wants("*", "x") && wants("a*b*c", "abc"));
        assert!(!wants("a*b*c", "acb") && !wants("", "x"));
        let selection = Selection::of(Some("cut-*,nonsense,x*"));
        assert_eq!(selection.unknown(&["cut-in-payout"]), ["nonsense", "x*"]);
    }
}
