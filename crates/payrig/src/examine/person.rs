//! The person at the terminal: questions go to standard error, answers come from standard input.

use crate::terminal::{forget_keys, say, under_way};
use payrig_exam::person::{Person, Progress, Question, Reply};
use payrig_units::{Decimals, Micros, Money};
use std::io::{self, BufRead, IsTerminal};
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

/// A person at the terminal, or a script on standard input.
#[derive(Debug)]
pub(crate) struct AtTerminal {
    lines: Receiver<String>,
    asked: Option<Question>,
    gone: bool,
    /// Keys come from a terminal: what is typed before a question is not meant for it.
    from_keys: bool,
    /// Questions so far.
    questions: usize,
    /// The check that is under way.
    step: Option<Step>,
    /// The same while it is shown: not beside a question.
    under_way: Arc<Mutex<Option<Step>>>,
}

/// A check that is under way, for the line that says how far it is.
#[derive(Clone, Debug)]
struct Step {
    progress: Progress,
    began: Instant,
}

impl Step {
    /// `check 12 of 147, polls-often-enough: 8 of about 24 s`.
    fn words(&self) -> String {
        self.words_after(self.began.elapsed().as_secs())
    }

    /// The same, so many seconds after it began.
    fn words_after(&self, so_far: u64) -> String {
        let Progress {
            number, of, check, ..
        } = &self.progress;
        let all = seconds(check.whole_time());
        let far = match so_far <= all {
            true => format!("{so_far} of about {all} s"),
            false => format!("{so_far} s, about {all} s were expected"),
        };
        format!("check {number} of {of}, {}: {far}", check.id)
    }
}

const fn seconds(time: Micros) -> u64 {
    time.as_us().div_ceil(1_000_000)
}

/// "about 12 min", "about 40 s".
pub(super) fn about(time: Micros) -> String {
    match seconds(time) {
        secs @ ..90 => format!("about {secs} s"),
        secs => format!("about {} min", secs.div_ceil(60)),
    }
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
        let under_way = Arc::<Mutex<Option<Step>>>::default();
        let shown = Arc::downgrade(&under_way);
        thread::Builder::new()
            .name("progress".to_owned())
            .spawn(move || {
                while let Some(step) = shown.upgrade() {
                    let step = step.lock().unwrap_or_else(PoisonError::into_inner).clone();
                    if let Some(step) = step {
                        crate::terminal::under_way(&step.words());
                    }
                    thread::sleep(Duration::from_secs(1));
                }
            })?;
        Ok(Self {
            lines,
            asked: None,
            gone: false,
            from_keys: io::stdin().is_terminal(),
            questions: 0,
            step: None,
            under_way,
        })
    }

    /// What was typed before it was asked for.
    fn forget_typed(&self) {
        if !self.from_keys {
            return;
        }
        forget_keys();
        if self.lines.try_iter().count() > 0 {
            say!("What was typed before the question is not taken for its answer.");
        }
    }

    fn show(&self, step: Option<Step>) {
        *self
            .under_way
            .lock()
            .unwrap_or_else(PoisonError::into_inner) = step;
    }

    /// Which question it is, of how many, and how long it all takes.
    fn place(&self) -> String {
        let number = self.questions;
        match self.step.as_ref().map(|step| &step.progress) {
            None => format!("Question {number}"),
            Some(progress) => {
                let of = progress.questions.max(number);
                format!(
                    "Question {number} of about {of}, {} left",
                    about(progress.left)
                )
            }
        }
    }
}

impl Person for AtTerminal {
    fn ask(&mut self, question: &Question) {
        self.show(None);
        if !self.gone {
            self.forget_typed();
            self.questions += 1;
            say!("{}\n{}", self.place(), words(question));
        }
        self.asked = Some(question.clone());
    }

    fn begins(&mut self, progress: &Progress) {
        let step = Step {
            progress: progress.clone(),
            began: Instant::now(),
        };
        under_way(&step.words());
        self.step = Some(step.clone());
        self.show(Some(step));
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
        // It goes on.
        self.show(self.step.clone());
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
    fn a_question_says_which_it_is_of_how_many_and_how_long_it_takes() {
        let check = payrig_exam::person::Expected {
            id: "cut-in-payout",
            title: "a title",
            questions: 3,
            time: Micros::secs(24),
        };
        let progress = Progress {
            number: 12,
            of: 147,
            check,
            asked: 5,
            questions: 63,
            left: Micros::secs(1_500),
        };
        let step = Step {
            progress: progress.clone(),
            began: Instant::now(),
        };
        assert_eq!(
            step.words(),
            "check 12 of 147, cut-in-payout: 0 of about 48 s"
        );
        // A long step that nobody is asked about says how far it is.
        for (secs, words) in [
            (8, "8 of about 48 s"),
            (48, "48 of about 48 s"),
            (49, "49 s, about 48 s were expected"),
        ] {
            let line = format!("check 12 of 147, cut-in-payout: {words}");
            assert_eq!(step.words_after(secs), line);
        }
        let person = |questions| AtTerminal {
            lines: channel().1,
            asked: None,
            gone: false,
            from_keys: true,
            questions,
            step: Some(step.clone()),
            under_way: Arc::default(),
        };
        assert_eq!(
            person(6).place(),
            "Question 6 of about 63, about 25 min left"
        );
        assert_eq!(
            person(70).place(),
            "Question 70 of about 70, about 25 min left"
        );
    }

    /// Keys typed ahead are thrown away before a question; lines of a script are its answers.
    #[test]
    fn what_is_typed_before_a_question_is_no_answer_to_it() {
        let check = payrig_exam::person::Expected {
            id: "cut-in-payout",
            title: "a title",
            questions: 1,
            time: Micros::secs(24),
        };
        let step = Step {
            progress: Progress {
                number: 1,
                of: 1,
                check,
                asked: 0,
                questions: 1,
                left: Micros::secs(24),
            },
            began: Instant::now(),
        };
        for from_keys in [true, false] {
            let (keys, lines) = channel();
            let mut person = AtTerminal {
                lines,
                asked: None,
                gone: false,
                from_keys,
                questions: 0,
                step: Some(step.clone()),
                under_way: Arc::default(),
            };
            keys.send("q".to_owned()).unwrap();
            person.ask(&Question::Do {
                text: "put in a coin".to_owned(),
                what: ToDo::Prepare,
            });
            let ahead = person.answer(Micros::ZERO);
            assert_eq!(ahead, (!from_keys).then_some(Reply::Stop));
            if from_keys {
                keys.send(String::new()).unwrap();
                assert_eq!(person.answer(Micros::ZERO), Some(Reply::Done));
                // The check goes on from where it was.
                let shown = person.under_way.lock().unwrap().clone();
                assert_eq!(shown.map(|s| s.began), Some(step.began));
            }
        }
    }

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
