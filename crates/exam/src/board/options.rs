//! What a board outside has to be set up for: in all checks, and in some beyond that.

use super::BoardSetup;
use payrig_controller::{BoardConfig, Item};
use payrig_mdb::cashless::Options;
use payrig_pulse::Coding;
use payrig_units::{Micros, Money};

/// What the person is asked to prepare before a board outside is examined; `lines` says whether its
/// pulse lines are connected.
#[must_use]
pub fn preparation(setup: &BoardSetup, lines: bool) -> String {
    let show = |amount: Money| amount.show(setup.board.decimals).to_string();
    let each = |item: &Item| {
        let (price, card) = (show(item.price), show(item.card_price()));
        let card = match price == card {
            true => String::new(),
            false => format!(" (on a card {card})"),
        };
        format!("selection {} to {price}{card}", setup.keys.key(item.number))
    };
    let prices = match setup.items.len() {
        // More than somebody reads out of a sentence: they stand in the rig.
        n @ 9.. => format!("of the rig, in cash and on cards ({n} selections)"),
        _ => setup.items.iter().map(each).collect::<Vec<_>>().join(", "),
    };
    let fitted = setup.fitted;
    let devices = [
        (fitted.changer, "a changer"),
        (fitted.bill, "a bill validator"),
        (fitted.cashless, "a card reader"),
    ];
    let devices: Vec<&str> = devices
        .iter()
        .filter(|(is, _)| *is)
        .map(|(_, d)| *d)
        .collect();
    let devices = match devices.as_slice() {
        [rest @ .., last] if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
        [one] => (*one).to_owned(),
        _ => "nothing on its bus".to_owned(),
    };
    let pulses = match lines {
        true => format!("; {}", pulse_preparation(setup)),
        false => String::new(),
    };
    format!(
        "set the board up for {devices}, with these prices: {prices}; \
         all coins and bills accepted, {} per payment, and no delivery of more than {}{pulses}",
        match setup.habits.several_vends {
            true => "several vends",
            false => "one vend",
        },
        whole(setup.habits.delivery)
    )
}

/// A time as people say it: whole seconds without their millionths.
fn whole(time: Micros) -> String {
    match (time.as_us() / 1_000_000, time.as_us() % 1_000_000) {
        (secs, 0) if secs > 0 => format!("{secs} s"),
        _ => time.to_string(),
    }
}

/// What the board has to know of the old acceptor.
fn pulse_preparation(setup: &BoardSetup) -> String {
    let profile = &setup.pulse.pulse;
    let level = |high: bool| if high { "high" } else { "low" };
    let show = |amount: Money| amount.show(setup.board.decimals);
    let worth = match &profile.coding {
        Coding::Count { pulses, unit } => format!("{pulses} for {}", show(*unit)),
        // The bench's own acceptor counts.
        _ => format!("as profile \"{}\" says", profile.name),
    };
    let what = match setup.pulse_coins {
        Some(_) => "a coin acceptor",
        None => "an old bill validator",
    };
    format!(
        "{what} on pulse lines beside them: pulses of {}, {} while a pulse lasts, \
         {worth}; it is held off while the inhibit line is {}. Now connect these lines, the board's \
         power off",
        profile.on,
        level(profile.active.is_high()),
        level(profile.inhibit.inhibits.is_high()),
    )
}

/// Settings of a board that a check may need otherwise than ordinary.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct BoardOptions {
    /// Several vends in a session, where a reader allows it (Appendix 3, section 4).
    pub several_vends: bool,
    /// Cash is put on cards (sections 7.4.18, 7.4.19).
    pub cash_onto_cards: bool,
    /// Always-idle readers are enabled as such (section 7.4.24, option bit b5).
    pub always_idle: bool,
    /// Readers of several currencies are enabled as such (section 7.4.24, option bits b1 and b2).
    pub currencies: bool,
}

impl BoardOptions {
    /// What the board of `setup` needs beyond the one of `ordinary`; `None` when that is not only
    /// one of these.
    #[must_use]
    pub(super) fn between(ordinary: &BoardSetup, setup: &BoardSetup) -> Option<Self> {
        let (was, is) = (&ordinary.board, &setup.board);
        let has = |options: Options| is.cashless.options.contains(options);
        let had = |options: Options| was.cashless.options.contains(options);
        let wanted = Self {
            several_vends: is.multi_vend && !was.multi_vend,
            cash_onto_cards: is.cashless.revalue && !was.cashless.revalue,
            always_idle: has(Options::ALWAYS_IDLE) && !had(Options::ALWAYS_IDLE),
            currencies: has(Options::MULTI_CURRENCY) && !had(Options::MULTI_CURRENCY),
        };
        let mut board = was.clone();
        wanted.apply(&mut board);
        (board == *is).then_some(wanted)
    }

    /// It is about optional features of level 3 (section 7.4.24).
    #[must_use]
    pub(super) const fn is_of_level_3(self) -> bool {
        self.always_idle || self.currencies
    }

    /// Sets our own board up so.
    pub fn apply(self, board: &mut BoardConfig) {
        board.multi_vend |= self.several_vends;
        board.cashless.revalue |= self.cash_onto_cards;
        let mut enable = |wanted: bool, options: Options| {
            if wanted {
                board.cashless.options = board.cashless.options | options;
            }
        };
        enable(self.always_idle, Options::ALWAYS_IDLE);
        enable(self.currencies, Options::MONEY_32 | Options::MULTI_CURRENCY);
    }

    /// What is to be changed at a board that is set up like this, in plain words.
    #[must_use]
    pub(super) fn change(self, to: Self) -> String {
        let of = |was: bool, is: bool, on: &'static str, off: &'static str| match (was, is) {
            (false, true) => Some(on),
            (true, false) => Some(off),
            _ => None,
        };
        let changes = [
            of(
                self.several_vends,
                to.several_vends,
                "allow several vends in one card session",
                "allow one vend per payment again",
            ),
            of(
                self.cash_onto_cards,
                to.cash_onto_cards,
                "let it put cash on cards (revalue)",
                "let it put no cash on cards any more",
            ),
            of(
                self.always_idle,
                to.always_idle,
                "let it use always-idle card readers as such",
                "let it use no always-idle card readers any more",
            ),
            of(
                self.currencies,
                to.currencies,
                "let it use card readers of several currencies (32 bit money)",
                "let it use no card readers of several currencies any more",
            ),
        ];
        let changes: Vec<&str> = changes.into_iter().flatten().collect();
        format!(
            "change the settings of the board: {}; all else as before",
            changes.join("; ")
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_is_asked_for_as_people_say_it() {
        assert_eq!(whole(Micros::secs(15)), "15 s");
        assert_eq!(whole(Micros::ms(2_500)), "2.500000 s");
        assert_eq!(whole(Micros::ms(40)), "40.000 ms");
        let asked = preparation(&BoardSetup::good().unwrap(), true);
        assert!(
            asked.contains("no delivery of more than 15 s; an old bill validator"),
            "{asked}"
        );
    }

    #[test]
    fn each_difference_is_found_and_said_both_ways() {
        let ordinary = BoardSetup::good().unwrap();
        let all = [
            BoardOptions {
                several_vends: true,
                ..BoardOptions::default()
            },
            BoardOptions {
                cash_onto_cards: true,
                ..BoardOptions::default()
            },
            BoardOptions {
                always_idle: true,
                ..BoardOptions::default()
            },
            BoardOptions {
                currencies: true,
                ..BoardOptions::default()
            },
        ];
        for wanted in all {
            let mut setup = ordinary.clone();
            wanted.apply(&mut setup.board);
            assert_eq!(BoardOptions::between(&ordinary, &setup), Some(wanted));
            let plain = BoardOptions::default();
            let (on, off) = (plain.change(wanted), wanted.change(plain));
            assert_ne!(on, off);
            assert_eq!(on.matches(';').count(), 1, "{on}");
        }
        let mut setup = ordinary.clone();
        setup.board.poll_every = Micros::ms(400);
        assert_eq!(BoardOptions::between(&ordinary, &setup), None);
    }
}
