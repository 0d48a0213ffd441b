//! The person at the terminal: questions go to standard error, answers come from standard input.

use crate::terminal::say;
use payrig_exam::person::{Person, Question, Reply};
use payrig_units::{Decimals, Micros, Money};
use std::io::{self, BufRead, IsTerminal};
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::thread;

/// A person at the terminal, or a script on standard input.
#[derive(Debug)]
pub(crate) struct AtTerminal {
    lines: Receiver<String>,
    asked: Option<Question>,
    gone: bool,
}

impl AtTerminal {
    /// Starts to listen.
    ///
    /// # Errors
    /// When the thread that reads cannot be started.
    pub(crate) fn at_the_terminal() -> io::Result<Self> {
        if !io::stdin().is_terminal() {
            say!(
                "Standard input is no terminal: answers are read from it, a line each; after its end \
                 nobody is there, as with --unattended."
            );
        }
        let (say, lines) = channel();
        thread::Builder::new()
            .name("answers".to_owned())
            .spawn(move || {
                for line in io::stdin().lock().lines() {
                    let Ok(line) = line else { break };
                    if say.send(line).is_err() {
                        break;
                    }
                }
            })?;
        Ok(Self {
            lines,
            asked: None,
            gone: false,
        })
    }
}

impl Person for AtTerminal {
    fn ask(&mut self, question: &Question) {
        if !self.gone {
            say!("{}", words(question));
        }
        self.asked = Some(question.clone());
    }

    fn inform(&mut self, text: &str) {
        say!("{text}");
    }

    fn answer(&mut self, _: Micros) -> Option<Reply> {
        let question = self.asked.as_ref()?;
        let reply = match self.lines.try_recv() {
            Err(TryRecvError::Empty) => return None,
            Err(TryRecvError::Disconnected) => {
                if !std::mem::replace(&mut self.gone, true) {
                    say!("Nobody answers any more: defaults are taken.");
                }
                question.unanswered()
            }
            Ok(line) => match reply(question, &line) {
                Ok(reply) => reply,
                Err(what) => {
                    say!("  {what}");
                    return None;
                }
            },
        };
        self.asked = None;
        Some(reply)
    }
}

/// A question with what may be answered.
fn words(question: &Question) -> String {
    match question {
        Question::Do { text, .. } => format!(
            "-> Please: {text}.\n   Enter when it is done; s if it cannot be done here, q to end"
        ),
        Question::Look { text, .. } => {
            format!("-> {text}\n   y or n; ? if nobody can see it, q to end")
        }
        // What is expected is not shown: it would be taken for the answer.
        Question::Count { text, decimals, .. } => format!(
            "-> {text}\n   The amount, such as {}; ? if nobody looked, q to end",
            Money(25).show(*decimals)
        ),
    }
}

fn reply(question: &Question, line: &str) -> Result<Reply, String> {
    let line = line.trim();
    match (question, line.to_lowercase().as_str()) {
        (_, "q") => Ok(Reply::Stop),
        (Question::Do { .. }, "" | "y") => Ok(Reply::Done),
        (Question::Do { .. }, "s" | "n") => Ok(Reply::CannotDo),
        (Question::Do { .. }, _) => Err("please Enter, s or q".to_owned()),
        (_, "?") => Ok(Reply::Default),
        (Question::Look { .. }, "y" | "yes") => Ok(Reply::Saw(true)),
        (Question::Look { .. }, "n" | "no") => Ok(Reply::Saw(false)),
        (Question::Look { .. }, _) => Err("please y, n, ? or q".to_owned()),
        (Question::Count { decimals, .. }, amount) => counted(amount, *decimals),
    }
}

fn counted(text: &str, decimals: Decimals) -> Result<Reply, String> {
    match Money::parse(text, decimals) {
        Ok(amount) if amount >= Money::ZERO => Ok(Reply::Counted(amount)),
        Ok(_) => Err("give an amount that is not below zero".to_owned()),
        Err(error) => Err(format!("{error}; give an amount such as 0.25, ? or q")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_bench::Observation;
    use payrig_exam::person::{Tally, ToDo};

    #[test]
    fn answers_are_read_as_they_are_asked_for() {
        let task = Question::Do {
            text: "put in a coin".to_owned(),
            what: ToDo::Prepare,
        };
        assert_eq!(reply(&task, ""), Ok(Reply::Done));
        assert_eq!(reply(&task, " S "), Ok(Reply::CannotDo));
        assert_eq!(reply(&task, "q"), Ok(Reply::Stop));
        assert!(reply(&task, "0.25").is_err());
        let look = Question::Look {
            text: "Is it on?".to_owned(),
            what: Observation::ExactChange,
            default: true,
        };
        assert_eq!(reply(&look, "no"), Ok(Reply::Saw(false)));
        assert_eq!(reply(&look, "?"), Ok(Reply::Default));
        // Enter alone is no answer: nobody may have looked.
        assert!(reply(&look, "").is_err());
        let count = Question::Count {
            text: "How much?".to_owned(),
            tally: Tally::CameOut,
            default: Money(40),
            decimals: Decimals(2),
        };
        assert!(
            reply(&count, "").is_err(),
            "an expected amount is not suggested"
        );
        assert!(!words(&count).contains("0.40"), "{}", words(&count));
        assert_eq!(reply(&count, "1.10"), Ok(Reply::Counted(Money(110))));
        assert!(reply(&count, "-1").is_err());
        assert!(reply(&count, "a lot").is_err());
    }
}
