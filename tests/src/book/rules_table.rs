//! The table of rules of the user's guide, made from the rules themselves.

use payrig_wire::Severity;
use payrig_wire::rules::RULES;

/// `docs/src/rules-table.md`.
#[must_use]
pub fn rules_table() -> String {
    let mut table = String::from(
        "<!-- Made by: cargo run -p payrig-tests --example rules_table > docs/src/rules-table.md -->\n\n\
         | Rule | Kind | It is met when | Limit | Section | When it is not |\n\
         |---|---|---|---|---|---|\n",
    );
    for rule in RULES {
        let kind = match rule.severity {
            Severity::Limit => "limit",
            Severity::Advice => "advice",
        };
        let limit = rule
            .limit
            .map(|limit| limit.to_string())
            .unwrap_or_default();
        table.push_str(&format!(
            "| `{}` | {kind} | {} | {limit} | {} | {} |\n",
            rule.name, rule.meaning, rule.section, rule.action
        ));
    }
    table
}
