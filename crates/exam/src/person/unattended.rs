//! Nobody at the bench.

use super::{Person, Question, Reply};
use payrig_units::Micros;

/// Nobody: what needs hands cannot be done, what needs eyes is answered by its default.
#[derive(Clone, Copy, Debug, Default)]
pub struct Unattended {
    asked: Option<Reply>,
}

impl Person for Unattended {
    fn ask(&mut self, question: &Question) {
        self.asked = Some(question.unanswered());
    }

    fn answer(&mut self, _: Micros) -> Option<Reply> {
        self.asked.take()
    }
}
