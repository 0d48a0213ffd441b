//! The tool in the place of the board: a node that hears what a check hears.

use payrig_bench::{Input, LineEdge, Node, Output, node_identity};
use payrig_units::{Micros, Movement};
use payrig_wire::{Edge, TimedWord};

/// The master of an examination's bus, and whoever is on the lines of a pulse device. It says nothing
/// by itself: checks do, in its place.
#[derive(Clone, Debug, Default)]
pub(super) struct Examiner {
    /// Words of the device that no check has taken yet.
    pub(super) heard: Vec<TimedWord>,
    /// Edges of its lines, likewise, and how far the time of each may be off.
    pub(super) edges: Vec<(String, Edge, Micros)>,
    /// What it drives.
    pub(super) drives: Vec<LineEdge>,
    /// Money that moved by what was reported and by what a person says.
    pub(super) moved: Vec<Movement>,
}

impl Node for Examiner {
    node_identity!();

    fn next_deadline(&self) -> Micros {
        Micros::NEVER
    }

    fn wake(&mut self, _: Micros) {}

    fn hear(&mut self, input: &Input<'_>) {
        match *input {
            Input::Word(word) => self.heard.push(*word),
            Input::Edge {
                line,
                edge,
                uncertainty,
                ..
            } => self.edges.push((line.to_owned(), edge, uncertainty)),
            Input::Level { .. } | Input::Break { .. } | Input::LinkDelay(_) => {}
        }
    }

    fn drain(&mut self, _: Micros, out: &mut Output) {
        out.edges.append(&mut self.drives);
        out.moved.append(&mut self.moved);
    }

    fn power(&mut self, _: Micros, _: bool) {}
}
