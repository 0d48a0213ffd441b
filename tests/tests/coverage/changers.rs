//! Conversations with changers (section 5).

use super::heard::Heard;
use payrig_controller::{BoardConfig, ChangerPolicy, Controller, ExpectedKind};
use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};
use payrig_tests::changer::{DOLLAR, NICKEL, QUARTER, alternative};
use payrig_tests::{Bench, Plugged, board};
use payrig_units::Micros;

struct Set {
    bench: Bench<Controller>,
    changer: Plugged<Changer>,
}

fn set(policy: ChangerPolicy) -> Set {
    let config = BoardConfig {
        changer: policy,
        ..board(&[("changer", ExpectedKind::Changer)])
    };
    let mut bench = Bench::new(Controller::new(config, Micros::ZERO));
    let config = ChangerConfig {
        report_coin_removal: true,
        diagnostics: Some(vec![0x01, 0x02]),
        ..ChangerConfig::demo()
    };
    let changer = Changer::new(config, Quirks::default()).unwrap();
    let changer = bench.plug("changer", changer);
    bench.run_until_ready();
    Set { bench, changer }
}

impl Set {
    /// Something happens at the changer, and time passes.
    fn then(&mut self, act: impl FnOnce(&mut Changer, Micros)) {
        let changer = self.changer.clone();
        self.bench.at(&changer, act);
        self.bench.run_for(Micros::secs(12));
    }
}

pub(crate) fn all(heard: &mut Heard) {
    for policy in [ChangerPolicy::default(), alternative()] {
        let mut s = set(policy);
        s.then(|c, now| c.insert_coin(now, DOLLAR));
        s.bench.press_return();
        s.bench.run_for(Micros::secs(12));
        s.then(|c, now| c.insert_slug(now));
        s.then(|c, now| c.press_escrow_lever(now));
        s.then(|c, now| c.release_escrow_lever(now));
        s.then(|c, now| c.insert_two_at_once(now));
        s.then(|c, now| c.insert_coin_on_string(now, QUARTER));
        s.then(|c, now| c.insert_coin_misrouted(now, QUARTER));
        s.then(|c, now| c.try_coin_removal(now));
        s.then(|c, now| c.be_busy(now, Micros::secs(1)));
        s.then(|c, now| c.unplug_acceptor(now, true));
        s.then(|c, now| c.unplug_acceptor(now, false));
        s.then(|c, now| c.jam_coin_path(now, true));
        s.then(|c, now| c.jam_coin_path(now, false));
        s.then(|c, now| c.break_tube_sensor(now, QUARTER, true));
        s.then(|c, now| c.break_tube_sensor(now, QUARTER, false));
        // The service.
        s.then(|c, now| {
            c.manual_dispense(now, NICKEL, 2);
        });
        s.then(|c, now| c.begin_manual_fill(now));
        s.then(|c, now| c.insert_coin(now, NICKEL));
        s.then(|c, now| c.end_manual(now));
        s.then(|c, now| c.begin_manual_payout(now));
        s.then(|c, now| {
            c.manual_payout(now, NICKEL, 1);
        });
        s.then(|c, now| c.end_manual(now));
        let now = s.bench.now();
        s.bench.master_mut().diagnose(now, "changer", &[0x01]);
        s.bench.run_for(Micros::secs(5));
        // It goes away until it is RESET.
        let changer = s.changer.clone();
        s.bench.power(&changer, false);
        s.bench.run_for(Micros::secs(20));
        s.bench.power(&changer, true);
        s.bench.run_for(Micros::secs(20));
        // A tube that jams in a payout, and a program that is lost.
        s.then(|c, now| c.block_tube(now, QUARTER, true));
        s.then(|c, now| c.insert_coin(now, DOLLAR));
        s.bench.press_return();
        s.bench.run_for(Micros::secs(30));
        s.then(|c, now| c.corrupt_program(now));
        heard.listen(&s.bench);
    }
}
