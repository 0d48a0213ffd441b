//! How the log looks in a terminal, and how it is written without one.

use anstyle::{AnsiColor, Style};

/// Styles, all plain where colour is off: the stream takes them out ([`anstream`]).
pub struct Styles {
    /// The board speaks.
    pub board: Style,
    /// A peripheral speaks.
    pub peripheral: Style,
    /// A breach of a limit.
    pub limit: Style,
    /// Advice.
    pub advice: Style,
    /// Money.
    pub money: Style,
    /// Passed.
    pub pass: Style,
    /// Beside the point.
    pub dim: Style,
    /// Headings.
    pub head: Style,
}

const fn fg(color: AnsiColor) -> Style {
    Style::new().fg_color(Some(anstyle::Color::Ansi(color)))
}

/// The one set of styles.
pub const STYLES: Styles = Styles {
    board: fg(AnsiColor::Cyan),
    peripheral: fg(AnsiColor::Blue),
    limit: fg(AnsiColor::Red).bold(),
    advice: fg(AnsiColor::Yellow),
    money: fg(AnsiColor::Green),
    pass: fg(AnsiColor::Green).bold(),
    dim: Style::new().dimmed(),
    head: Style::new().bold(),
};
