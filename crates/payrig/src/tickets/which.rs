//! Which ticket is meant: by its number, by its label, or by the serial number of its unit.

use super::clean;
use super::list::grade_words;
use crate::Failure;
use clap::Args;
use payrig_tickets::{Row, Store};
use payrig_units::words;
use std::str::FromStr;

/// How the code of a label begins.
const LABEL: &str = "payrig ticket ";

/// A ticket as it is named: `12`, or what a scanner reads from its label.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct TicketName {
    id: i64,
    label: Option<String>,
}

impl FromStr for TicketName {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let text = text.trim();
        let (number, label) = match text.strip_prefix(LABEL) {
            Some(rest) => (
                rest.split(';').next().unwrap_or_default(),
                rest.contains(';').then(|| text.to_owned()),
            ),
            None => (text, None),
        };
        let id = number.trim().parse();
        let id = id.map_err(|_| "give the number of a ticket, or what its label says")?;
        Ok(Self { id, label })
    }
}

/// What the code of a ticket's label says. It never changes with what is said of the ticket later.
pub(super) fn label_text(row: &Row) -> String {
    let serial = match row.serial.as_str() {
        "" => "no serial number".to_owned(),
        serial => format!("serial {}", clean(serial)),
    };
    let grade = match row.is_emulated {
        true => format!("emulated, {}", grade_words(row)),
        false => row.grade.clone(),
    };
    let day = row
        .examined_on()
        .map_or_else(String::new, |d| d.to_string());
    format!(
        "{LABEL}{}; {}; {serial}; {grade}; {day}",
        row.id,
        clean(&row.kind)
    )
}

impl TicketName {
    /// The row of the ticket.
    ///
    /// # Errors
    /// When there is none, or its label is of another file's ticket.
    pub(super) fn find(&self, store: &Store) -> Result<i64, Failure> {
        let Some(label) = &self.label else {
            return Ok(self.id);
        };
        let row = store.get(self.id)?.row;
        let here = label_text(&row);
        match here == *label {
            true => Ok(self.id),
            false => Err(Failure::wrong(format!(
                "the label is of another file of tickets: it says \"{}\", here it would be \"{here}\"; --db \
                 names the file",
                clean(label)
            ))),
        }
    }
}

/// The newest ticket of a serial number that is not void.
///
/// # Errors
/// When there is none, or it may be that of several units.
pub(super) fn newest_of(store: &Store, serial: &str) -> Result<i64, Failure> {
    let mut rows = store.list(Some(serial))?;
    rows.retain(|row| row.void().is_none());
    let Some(newest) = rows.pop() else {
        return Err(Failure::wrong(format!(
            "there is no ticket of serial number \"{serial}\"; `payrig tickets list` shows those there are"
        )));
    };
    let mut units = vec![newest];
    for row in rows.into_iter().rev() {
        if !units.iter().any(|unit| unit.is_of_the_same_unit(&row)) {
            units.push(row);
        }
    }
    match units.as_slice() {
        [one] => Ok(one.id),
        several => {
            let named = |row: &Row| {
                let emulated = if row.is_emulated { "emulated " } else { "" };
                let maker = match row.maker.as_str() {
                    "" => String::new(),
                    maker => format!(" of {}", clean(maker)),
                };
                format!("{emulated}{}{maker} (ticket {})", clean(&row.kind), row.id)
            };
            let all: Vec<String> = several.iter().map(named).collect();
            Err(Failure::wrong(format!(
                "serial number \"{serial}\" is that of {}: {}; name the ticket instead",
                words::count(several.len(), "unit"),
                all.join(", ")
            )))
        }
    }
}

/// One ticket, by either.
#[derive(Clone, Debug, Args)]
pub(super) struct Which {
    /// The number of the ticket, or what its label says; or a serial number with --serial.
    #[arg(required_unless_present = "serial")]
    ticket: Option<TicketName>,
    /// The last ticket of this serial number; zeros before it may be left away.
    #[arg(long, conflicts_with = "ticket", value_name = "NUMBER")]
    serial: Option<String>,
}

impl Which {
    /// The number of the ticket.
    ///
    /// # Errors
    /// When none is meant, or several may be.
    pub(super) fn find(&self, store: &Store) -> Result<i64, Failure> {
        match (&self.ticket, &self.serial) {
            (Some(name), _) => name.find(store),
            (None, serial) => newest_of(store, serial.as_deref().unwrap_or_default()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ticket_is_named_by_its_number_or_its_label() {
        let read = |text: &str| text.parse::<TicketName>();
        let number = |id| Ok(TicketName { id, label: None });
        assert_eq!(read(" 12"), number(12));
        assert_eq!(read("payrig ticket 12"), number(12));
        let label = "payrig ticket 12; changer; serial 4711; fit; 2026-03-14";
        let read_label = read(label).unwrap();
        assert_eq!(
            (read_label.id, read_label.label.as_deref()),
            (12, Some(label))
        );
        for wrong in [
            "",
            "x",
            "payrig ticket",
            "payrig ticket x; changer",
            "12; changer",
        ] {
            assert!(read(wrong).is_err(), "{wrong}");
        }
    }
}
