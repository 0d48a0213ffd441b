//! What is reported of trains on pulse lines: which profile they fit, what to change, and what a power
//! cut did to them.

use super::outages::Outages;
use payrig_pulse::{
    Coding, Credit, Profile, Pulse, PulseRule, Question, Train, Verdict, distance, identify, judge,
};
use payrig_units::{Decimals, Micros, words};

/// A power cut that explains what is wrong with a train.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Excuse {
    /// When the power went.
    pub(super) at: Micros,
    /// Where in the train, and what follows.
    pub(super) says: &'static str,
}

impl Outages {
    /// The power cut of the sender that explains a breach of a rule by a train.
    pub(super) fn excuse(
        &self,
        rule: PulseRule,
        sender: &str,
        train: &Train,
        profile: &Profile,
    ) -> Option<Excuse> {
        let (at, says) = match rule {
            PulseRule::PulseWidth => (
                self.cut(sender, train, profile)?,
                "in the middle of a pulse: that says nothing of its setting",
            ),
            PulseRule::PulseGap => (
                self.cut_pause(sender, train, profile)?,
                "in this pause: that says nothing of its setting",
            ),
            PulseRule::PulseRemainder => (
                self.cut_within(Some(sender), train.start(), train.end() + profile.train_gap)?,
                "in the middle of a train: the rest should come when it is back",
            ),
            _ => return None,
        };
        Some(Excuse { at, says })
    }

    /// The same as [`cut`](Self::cut) for pauses.
    fn cut_pause(&self, sender: &str, train: &Train, profile: &Profile) -> Option<Micros> {
        let pauses = train.pulses.iter().zip(train.pulses.iter().skip(1));
        let verdicts = judge(train, profile).gaps;
        let mut wrong = pauses
            .zip(verdicts)
            .filter(|(_, verdict)| *verdict == Verdict::Fail)
            .map(|((one, next), _)| self.cut_within(Some(sender), one.start, next.start));
        let first = wrong.next()??;
        wrong.all(|cut| cut.is_some()).then_some(first)
    }

    /// When the power of the sender went, if all pulses of a train that are of the wrong width are
    /// so because of that.
    fn cut(&self, sender: &str, train: &Train, profile: &Profile) -> Option<Micros> {
        let widths = judge(train, profile).widths;
        let wrong = train.pulses.iter().zip(widths);
        let mut wrong = wrong.filter(|(_, verdict)| *verdict == Verdict::Fail);
        let cut = |pulse: &Pulse| {
            let settled = pulse.end() + profile.bounce;
            self.cut_within(Some(sender), pulse.start, settled)
        };
        let (first, _) = wrong.next()?;
        let first = cut(first)?;
        wrong
            .all(|(pulse, _)| cut(pulse).is_some())
            .then_some(first)
    }

    /// What of a train came while nobody could count it: whoever does had no power.
    pub(super) fn unheard(
        &self,
        counted_by: Option<&str>,
        train: &Train,
        profile: &Profile,
        decimals: Decimals,
    ) -> Option<String> {
        let dark = |p: &&Pulse| self.is_dark(counted_by, p.start);
        let lost: Vec<Micros> = train.pulses.iter().filter(dark).map(|p| p.width).collect();
        let (lost, worth) = match lost.as_slice() {
            [] => return None,
            some => (some.len(), profile.worth(&train.line, some, 0)),
        };
        let who = counted_by.unwrap_or("the board");
        let part = match worth.left_over {
            0 => String::new(),
            n => format!(" and {n} of the pulses of a unit"),
        };
        Some(format!(
            "{lost} of {} came while {who} had no power and cannot be counted there: {}{part}. \
             They tell of money that was on its way before the acceptor was held off; where it was \
             not held off, the inhibit line is not wired to fail safe",
            words::count(train.count(), "pulse"),
            worth.amount.show(decimals)
        ))
    }
}

/// The rig's own profile, and the ready-made ones on lines of that kind.
fn candidates(own: &Profile) -> Vec<Profile> {
    let mut all = vec![own.clone()];
    if matches!(own.coding, Coding::Count { .. }) {
        for mut other in Profile::all() {
            if (other.on, other.off) != (own.on, own.off) {
                other.active = own.active;
                other.coding = own.coding.clone();
                all.push(other);
            }
        }
    }
    all
}

/// The profile a train fits: the rig's own, or else the nearest ready-made one.
pub(super) fn fit(train: &Train, own: &Profile) -> Option<Profile> {
    let mut all = candidates(own).into_iter();
    let fits = |p: &Profile| judge(train, p).verdict() != Verdict::Fail;
    let own = all.next().filter(fits);
    own.or_else(|| all.filter(fits).min_by_key(|p| distance(train, p)))
}

/// What to change, for a train that is not of the profile.
pub(super) fn setting(train: &Train, own: &Profile, decimals: Decimals) -> Option<String> {
    let profiles = candidates(own);
    let question = Question {
        train,
        fed: None,
        profiles: &profiles,
        board: Some(own),
        decimals,
    };
    let says = identify(&question).says;
    says.last().cloned()
}

pub(super) fn describe(
    credit: &Credit,
    train: &Train,
    own: &Profile,
    fit: Option<&Profile>,
    decimals: Decimals,
) -> String {
    let plural = if train.count() == 1 { "" } else { "s" };
    let fit = match fit {
        Some(fit) if fit == own => format!("as profile {} says ({})", own.name, own.times()),
        Some(fit) => format!(
            "as profile {} says ({}), not {}",
            fit.name,
            fit.times(),
            own.name
        ),
        None => format!("not as profile {} says ({})", own.name, own.times()),
    };
    let amount = credit.amount.show(decimals);
    format!("{} pulse{plural}, {fit}: worth {amount}", train.count())
}
