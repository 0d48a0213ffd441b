//! What is common to the `[[device]]` tables.

use super::error::{RigError, nearest};
use super::fields::Fields;
use payrig_mdb::CurrencyCode;
use payrig_units::Decimals;

/// What all devices of a rig share.
pub(super) struct Setting {
    pub(super) decimals: Decimals,
    pub(super) currency: CurrencyCode,
}

/// Names of quirks, each handed to `set`; false means there is none of that name.
pub(super) fn quirks(
    fields: &Fields<'_>,
    names: &[&'static str],
    mut set: impl FnMut(&str) -> bool,
) -> Result<(), RigError> {
    for value in fields.array("quirks")? {
        let name = value.get_ref().as_str().unwrap_or_default();
        if !set(name) && !set(&name.replace('-', "_")) {
            let mut error = fields.wrong("quirks", value, "the name of a quirk");
            let kebab: Vec<String> = names.iter().map(|n| n.replace('_', "-")).collect();
            let kebab: Vec<&str> = kebab.iter().map(String::as_str).collect();
            error.hint = Some(match nearest(name, &kebab) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("quirks it has: {}", kebab.join(", ")),
            });
            return Err(error);
        }
    }
    Ok(())
}
