//! How the log looks in a terminal, and how it is written without one.

use anstyle::{AnsiColor, Style};

/// Styles, all plain where colour is off: the stream takes them out ([`anstream`]).
pub(crate) struct Styles {
    /// The board speaks.
    pub(crate) board: Style,
    /// A peripheral speaks.
    pub(crate) peripheral: Style,
    /// A breach of a limit.
    pub(crate) limit: Style,
    /// Advice.
    pub(crate) advice: Style,
    /// Money.
    pub(crate) money: Style,
    /// Passed.
    pub(crate) pass: Style,
    /// Beside the point.
    pub(crate) dim: Style,
    /// Headings.
    pub(crate) head: Style,
}

const fn fg(color: AnsiColor) -> Style {
    Style::new().fg_color(Some(anstyle::Color::Ansi(color)))
}

/// The one set of styles.
pub(crate) const STYLES: Styles = Styles {
    board: fg(AnsiColor::Cyan),
    peripheral: fg(AnsiColor::Blue),
    limit: fg(AnsiColor::Red).bold(),
    advice: fg(AnsiColor::Yellow),
    money: fg(AnsiColor::Green),
    pass: fg(AnsiColor::Green).bold(),
    dim: Style::new().dimmed(),
    head: Style::new().bold(),
};
