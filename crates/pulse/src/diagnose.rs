//! Which setting is it? A train, and the bill that was fed if known: what it fits and what to
//! change, in plain words.

mod compare;

use crate::judge::{Judgement, judge, nearest_profile};
use crate::profile::Profile;
use crate::{Stats, Train, Verdict};
use compare::compare;
use payrig_units::{Decimals, Micros, Money, words};
use std::fmt;

/// What is asked about a train.
#[derive(Clone, Copy, Debug)]
pub struct Question<'a> {
    /// The train.
    pub train: &'a Train,
    /// The bill or coin that was fed, if known.
    pub fed: Option<Money>,
    /// The profiles it may be of.
    pub profiles: &'a [Profile],
    /// The profile the board counts by, if known.
    pub board: Option<&'a Profile>,
    /// How money is written.
    pub decimals: Decimals,
}

/// A profile that fits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fit {
    /// Name of the profile.
    pub profile: String,
    /// [`Verdict::Pass`], or [`Verdict::CannotTell`] when the link is too coarse to be sure.
    pub verdict: Verdict,
    /// What the train is worth by it; `None` when it is no whole number of units.
    pub credit: Option<Money>,
}

/// The answer to a [`Question`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Diagnosis {
    /// The profiles that fit, in the order asked.
    pub fits: Vec<Fit>,
    /// The nearest profile, whether it fits or not.
    pub nearest: Option<String>,
    /// True when the board credits what was fed, or (nothing fed) when the board's profile fits.
    /// `None` when no board was named or nothing can be said of it.
    pub board_agrees: Option<bool>,
    /// The answer in plain words, a sentence or two per entry.
    pub says: Vec<String>,
}

impl fmt::Display for Diagnosis {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, line) in self.says.iter().enumerate() {
            write!(f, "{}{line}", if i == 0 { "" } else { "\n" })?;
        }
        Ok(())
    }
}

fn credit(train: &Train, profile: &Profile) -> Option<Money> {
    let worth = profile.worth(&train.line, &train.widths(), 0);
    (worth.left_over == 0).then_some(worth.amount)
}

fn ms(time: Micros) -> String {
    format!("{}.{}", time.0 / 1_000, time.0 % 1_000 / 100)
}

fn measured(train: &Train) -> String {
    let line = |stats: Option<Stats>, what: &str| {
        stats.map_or(String::new(), |s| match s.count {
            1 => format!(", {what} {} ms", ms(s.mean)),
            _ => format!(
                ", {what} {} ms ({} to {}, sd {})",
                ms(s.mean),
                ms(s.min),
                ms(s.max),
                ms(s.sd)
            ),
        })
    };
    let count = u64::try_from(train.count()).unwrap_or(u64::MAX);
    format!(
        "Measured: {}{}{}.",
        words::count(count, "pulse"),
        line(train.width_stats(), "on"),
        line(train.gap_stats(), "off")
    )
}

/// Says which profile a train fits and what to change.
#[must_use]
pub fn identify(question: &Question<'_>) -> Diagnosis {
    let Question {
        train, profiles, ..
    } = *question;
    let fits: Vec<(&Profile, Verdict)> = profiles
        .iter()
        .map(|p| (p, judge(train, p).verdict()))
        .filter(|(_, v)| *v != Verdict::Fail)
        .collect();
    let nearest = nearest_profile(train, profiles);
    let mut says = vec![measured(train)];
    says.push(match (fits.as_slice(), nearest) {
        ([], None) => "There is no profile to compare it with.".to_owned(),
        ([], Some(near)) => no_fit(&judge(train, near), near),
        ([(one, verdict)], _) => {
            let sure = if *verdict == Verdict::Pass {
                "is"
            } else {
                "may be (too near a limit to be sure)"
            };
            format!("This {sure} profile {} ({}).", one.name, one.times())
        }
        (several, _) => several_fit(question, several),
    });
    let board_agrees = question
        .board
        .and_then(|board| compare(question, board, &fits, &mut says));
    Diagnosis {
        fits: fits
            .into_iter()
            .map(|(p, verdict)| Fit {
                profile: p.name.clone(),
                verdict,
                credit: credit(train, p),
            })
            .collect(),
        nearest: nearest.map(|p| p.name.clone()),
        board_agrees,
        says,
    }
}

fn no_fit(judged: &Judgement, near: &Profile) -> String {
    let mut text = format!(
        "No profile fits; the nearest is {} ({}).",
        near.name,
        near.times()
    );
    for finding in judged.findings.iter().filter(|f| f.is_limit()) {
        text.push_str(&format!(" Against it: {}.", finding.text));
    }
    text
}

fn several_fit(question: &Question<'_>, fits: &[(&Profile, Verdict)]) -> String {
    let names: Vec<_> = fits
        .iter()
        .map(|(p, _)| format!("{} ({})", p.name, p.times()))
        .collect();
    let mut text = format!("{} profiles fit: {}.", fits.len(), names.join(", "));
    if let Some(fed) = question.fed {
        let right: Vec<_> = fits
            .iter()
            .filter(|(p, _)| credit(question.train, p) == Some(fed))
            .map(|(p, _)| p.name.as_str())
            .collect();
        let fed = fed.show(question.decimals);
        match right.as_slice() {
            [] => text.push_str(&format!(" None of them makes {fed} of it.")),
            [one] => text.push_str(&format!(" Only {one} makes {fed} of it.")),
            more => text.push_str(&format!(
                " {} make {fed} of it: one bill cannot tell them apart.",
                more.join(" and ")
            )),
        }
    } else if question.train.count() == 1 {
        text.push_str(
            " A single pulse has no pause to measure: feed something that gives several pulses.",
        );
    } else {
        text.push_str(" Feed a known bill: what it is worth may tell them apart.");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::clean_pulses;
    use crate::{Level, LineSetup, TrainReader};

    fn train(count: u32, on: u64, off: u64) -> Train {
        let mut reader = TrainReader::new(LineSetup::of(&Profile::short(), "credit"));
        let ms = Micros::ms;
        for edge in clean_pulses(Level::Low, ms(10), count, ms(on), ms(off)) {
            reader.edge(edge.at, edge.high);
        }
        reader.finish(Micros::secs(60)).pop().unwrap()
    }

    fn ask(train: &Train, fed: Option<i64>, board: Option<&Profile>) -> Diagnosis {
        identify(&Question {
            train,
            fed: fed.map(Money),
            profiles: &Profile::all(),
            board,
            decimals: Decimals(2),
        })
    }

    #[test]
    fn the_commonest_fault_is_said_plainly() {
        let found = ask(&train(5, 150, 150), Some(500), Some(&Profile::short()));
        assert_eq!(found.fits.len(), 1);
        assert_eq!(found.board_agrees, Some(false));
        assert!(found.to_string().contains(
            "The acceptor sends long pulses (150/150 ms), the board counts short ones (50/50 ms): \
             set the acceptor to short pulse, or the board to long."
        ), "{found}");
    }

    #[test]
    fn pulses_per_unit_follow_from_the_bill() {
        let found = ask(&train(20, 50, 50), Some(500), Some(&Profile::short()));
        assert!(
            found.to_string().contains(
                "The acceptor sends 4 pulses per 1.00, the board counts 1: set the acceptor to 1 \
             pulse, or the board to 4."
            ),
            "{found}"
        );
        let found = ask(&train(4, 50, 50), Some(500), Some(&Profile::short()));
        assert!(
            found
                .to_string()
                .contains("1 pulse missing. No setting does that"),
            "{found}"
        );
        let found = ask(&train(2, 50, 50), Some(100), Some(&Profile::short()));
        assert!(
            found
                .to_string()
                .contains("feed a larger bill to tell which"),
            "{found}"
        );
    }

    #[test]
    fn agreement_is_said_too() {
        let found = ask(&train(5, 50, 50), Some(500), Some(&Profile::short()));
        assert_eq!(found.board_agrees, Some(true));
        assert!(found.to_string().contains("nothing to change"));
    }

    #[test]
    fn two_fitting_profiles_are_both_named() {
        let both = ask(&train(1, 120, 120), None, None);
        assert_eq!(both.fits.len(), 2);
        assert!(
            both.to_string()
                .contains("2 profiles fit: medium (100/100 ms), long"),
            "{both}"
        );
        assert!(
            both.to_string()
                .contains("feed something that gives several pulses")
        );
        let train = train(4, 50, 50);
        let mut four = Profile::short().with_count(4, Money(100));
        four.name = "short-4".into();
        let found = identify(&Question {
            train: &train,
            fed: Some(Money(100)),
            profiles: &[Profile::short(), four],
            board: None,
            decimals: Decimals(2),
        });
        assert!(
            found.to_string().contains("Only short-4 makes 1.00 of it."),
            "{found}"
        );
    }

    #[test]
    fn no_fit_names_the_nearest_and_why() {
        let found = ask(&train(3, 38, 50), None, Some(&Profile::short()));
        assert!(found.fits.is_empty());
        assert_eq!(found.nearest.as_deref(), Some("short"));
        assert!(
            found
                .to_string()
                .contains("Against it: 3 of 3 pulses too short"),
            "{found}"
        );
    }
}
