//! A new rig from answers: what is asked, what devices said of themselves, and the text of the rig.

mod facts;
mod questions;
mod text;

pub use facts::Facts;
pub use questions::Question;

use super::error::RigError;
use super::fields::{Fields, in_toml};
use payrig_units::Decimals;
use std::collections::BTreeMap;
use std::path::Path;
use toml::de::DeValue;

/// A rig in the making.
#[derive(Clone, Debug, Default)]
pub struct Draft {
    given: BTreeMap<&'static str, String>,
    facts: Facts,
}

/// An answer, and what it rests on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Answer {
    text: String,
    from: From,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum From {
    /// Somebody gave it.
    Person,
    /// A device said so, or was measured.
    Device,
    /// Nobody did: it is what is usual.
    Nobody,
}

impl Draft {
    /// A draft of what devices said of themselves.
    #[must_use]
    pub fn of(facts: Facts) -> Self {
        Self {
            given: BTreeMap::new(),
            facts,
        }
    }

    /// The first question that is not answered and makes sense after those that are; `asked` says which
    /// were asked already.
    #[must_use]
    pub fn next(&self, asked: &[&str]) -> Option<&'static Question> {
        let open = |q: &&Question| {
            !asked.contains(&q.id) && !self.given.contains_key(q.id) && (q.when)(self)
        };
        questions::QUESTIONS.iter().find(open)
    }

    /// What stands for an answer that is not given: what a device said, or what is usual.
    #[must_use]
    pub fn usual(&self, question: &Question) -> String {
        let known = self.facts.answer(question.id);
        known.unwrap_or_else(|| (question.usual)(self).to_owned())
    }

    /// True when a device said it, or it was measured.
    #[must_use]
    pub fn is_known(&self, question: &Question) -> bool {
        self.facts.answer(question.id).is_some()
    }

    /// Takes an answer. `?` and nothing at all leave the question open.
    ///
    /// # Errors
    /// When it cannot be one: what is wrong, and what was expected.
    pub fn answer(&mut self, question: &'static Question, text: &str) -> Result<(), String> {
        let text = text.trim();
        if text.is_empty() || text == "?" {
            self.given.remove(question.id);
            return Ok(());
        }
        let text = (question.check)(self, text)
            .map_err(|why| format!("{why}; expected {}", question.expected))?;
        self.given.insert(question.id, text);
        Ok(())
    }

    /// Takes the answers of a file: TOML, each key a question's name, each value a text in quotes.
    /// `file` is its name in errors.
    ///
    /// # Errors
    /// When it is no such file, or an answer cannot be one: with its line.
    pub fn read_answers(&mut self, file: &Path, text: &str) -> Result<(), RigError> {
        in_toml(file, text, "an answers file", |fields| self.take(fields))
    }

    fn take(&mut self, fields: &Fields<'_>) -> Result<(), RigError> {
        // In the order of the questions: what an answer may be can depend on those before it.
        for question in questions::QUESTIONS {
            let Some(value) = fields.get(question.id) else {
                continue;
            };
            let expected = format!("{} in quotes", question.expected);
            let DeValue::String(given) = value.get_ref() else {
                return Err(fields.wrong(question.id, value, &expected));
            };
            if !given.trim().is_empty() && given.trim() != "?" && !(question.when)(self) {
                let message = format!("`{}` {}", question.id, question.unless);
                return Err(fields.at(value, message));
            }
            self.answer(question, given)
                .map_err(|why| fields.at(value, format!("`{}`: {why}", question.id)))?;
        }
        fields.finish()
    }

    /// The text of the rig.
    ///
    /// # Errors
    /// When the answers, each good by itself, do not go together.
    pub fn text(&self) -> Result<String, String> {
        let text = text::write(self);
        match super::parse(Path::new("the rig"), &text) {
            Ok(_) => Ok(text),
            Err(error) => Err(format!(
                "these answers do not go together: {}",
                error.message
            )),
        }
    }

    fn get(&self, id: &str) -> Answer {
        if let Some(text) = self.given.get(id) {
            return Answer {
                text: text.clone(),
                from: From::Person,
            };
        }
        if let Some(text) = self.facts.answer(id) {
            return Answer {
                text,
                from: From::Device,
            };
        }
        let question = questions::QUESTIONS.iter().find(|q| q.id == id);
        Answer {
            text: question.map_or_else(String::new, |q| (q.usual)(self).to_owned()),
            from: From::Nobody,
        }
    }

    fn is(&self, id: &str, text: &str) -> bool {
        self.get(id).text == text
    }

    /// ISO 4217 number, and decimals of amounts.
    fn currency(&self) -> (u16, Decimals) {
        let answer = self.get("currency").text;
        let mut words = answer.split_whitespace();
        let number = words.next().and_then(|w| w.parse().ok()).unwrap_or(840);
        let decimals = words.next().and_then(|w| w.parse().ok()).unwrap_or(2);
        (number, Decimals(decimals))
    }
}

#[cfg(test)]
mod tests;
