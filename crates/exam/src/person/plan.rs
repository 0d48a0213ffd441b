//! What an examination will ask of a person, and how long it will take: as it did with the emulated subject.

use payrig_units::Micros;

/// How long a person takes to do what is asked for, on average (common practice, no source).
const AN_ANSWER: Micros = Micros::secs(8);

/// What a check is expected to take.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Expected {
    /// Its name.
    pub id: &'static str,
    /// What it does, in one line.
    pub title: &'static str,
    /// Questions.
    pub questions: usize,
    /// On the bench, without the person.
    pub time: Micros,
}

impl Expected {
    /// With the person.
    #[must_use]
    pub fn whole_time(&self) -> Micros {
        self.time + AN_ANSWER * self.questions as u64
    }
}

/// What all checks of an examination are expected to take, in their order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Plan(pub Vec<Expected>);

/// How far an examination is when a check begins.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Progress {
    /// The check, counted from 1.
    pub number: usize,
    /// Of so many.
    pub of: usize,
    /// The check, and what it is expected to take.
    pub check: Expected,
    /// Questions before it, as expected.
    pub asked: usize,
    /// Questions of all checks, as expected.
    pub questions: usize,
    /// For this check and all that follow, with the person.
    pub left: Micros,
}

impl Plan {
    /// How far it is when this check begins; nothing of one that was not expected.
    #[must_use]
    pub fn at(&self, id: &str) -> Option<Progress> {
        let place = self.0.iter().position(|expected| expected.id == id)?;
        let (before, rest) = self.0.split_at_checked(place)?;
        let questions = |all: &[Expected]| all.iter().map(|e| e.questions).sum::<usize>();
        Some(Progress {
            number: place + 1,
            of: self.0.len(),
            check: rest.first()?.clone(),
            asked: questions(before),
            questions: questions(&self.0),
            left: rest
                .iter()
                .map(Expected::whole_time)
                .fold(Micros::ZERO, |sum, time| sum + time),
        })
    }

    /// All of it, with the person.
    #[must_use]
    pub fn whole_time(&self) -> Micros {
        let times = self.0.iter().map(Expected::whole_time);
        times.fold(Micros::ZERO, |sum, time| sum + time)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_says_how_far_it_is_and_what_is_left() {
        let expected = |id, questions, secs| Expected {
            id,
            title: id,
            questions,
            time: Micros::secs(secs),
        };
        let plan = Plan(vec![
            expected("a", 2, 10),
            expected("b", 0, 5),
            expected("c", 1, 1),
        ]);
        let at = plan.at("b").unwrap();
        assert_eq!((at.number, at.of, at.asked, at.questions), (2, 3, 2, 3));
        assert_eq!(at.left, Micros::secs(5 + 1 + 8));
        assert_eq!(plan.whole_time(), Micros::secs(26 + 5 + 9));
        assert_eq!(plan.at("d"), None);
    }
}
