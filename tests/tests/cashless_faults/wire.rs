//! One or more frames lost, unheard or bent at every point of a session.

use super::*;
use payrig_bench::{Fault, FaultKind, FrameKind};
use payrig_controller::Mishap;
use payrig_wire::Source;

const KINDS: [FaultKind; 4] = [
    FaultKind::Lose,
    FaultKind::Deaf,
    FaultKind::Flip { word: 0, bit: 2 },
    FaultKind::Flip { word: 1, bit: 8 },
];

/// A session with one vend, which fails or not, under a fault; answers at POLLs or straight.
fn session(fault: Fault, fails: bool, answers: Answers) -> Scene {
    let mut s = with(Options::NONE, |c| c.answers = answers, |_| {});
    let card = Card::with(Money(500));
    s.bench.at(&s.card, |d, now| d.present_card(now, card));
    s.bench.add_fault(fault);
    assert!(s.bench.run_until(|b| b.master().vending().in_session()));
    if fails {
        s.bench.master_mut().mishap(4, Mishap::Jam);
    }
    s.bench.select(4);
    s.bench.run_for(Micros::secs(3));
    assert!(
        s.bench
            .run_until(|b| b.master().is_ready() && b.master().is_quiet()),
        "{fault:?}"
    );
    s.bench.run_for(Micros::secs(1));
    s
}

/// Section 2.2 and Appendix 3, section 3: what is not acknowledged is repeated, nothing is done
/// twice. So up to three faults in a row cost nobody anything, wherever they strike.
#[test]
fn up_to_three_faults_in_a_row_cost_nobody_anything() {
    for kind in KINDS {
        for from in [Source::Master, Source::Peripheral] {
            for (fails, answers) in [
                (false, Answers::AtPoll),
                (true, Answers::AtPoll),
                (false, Answers::Straight),
                (true, Answers::Straight),
            ] {
                for skip in 0..12 {
                    let fault = Fault {
                        kind,
                        from,
                        frame: FrameKind::Any,
                        address: Some(Address::CASHLESS_1),
                        skip,
                        count: 1 + skip % 3,
                    };
                    let s = session(fault, fails, answers);
                    let paid = if fails { 0 } else { 100 };
                    let what = format!("{fault:?}, fails: {fails}, {answers:?}");
                    assert_eq!(s.balance("card receipts"), paid, "{what}");
                    assert_eq!(s.sold(), usize::from(!fails), "{what}");
                    assert_eq!(s.bench.discrepancies(), Vec::<String>::new(), "{what}");
                    assert_eq!(s.state(), CashlessState::Enabled, "{what}");
                }
            }
        }
    }
}

/// VEND FAILURE that cannot be delivered, because the reader hears nothing until it gives up: it was
/// reset meanwhile and keeps the money (7.4.7, note), which is found.
#[test]
fn a_failure_that_is_never_heard_is_found_in_the_books() {
    let mut s = scene(Options::NONE);
    s.card(500);
    s.bench.master_mut().mishap(4, Mishap::Jam);
    s.bench.select(4);
    assert!(
        s.bench
            .run_until(|b| b.names().contains(&"< VEND APPROVED".to_owned()))
    );
    s.bench.run_for(Micros::ms(100));
    s.bench.add_fault(Fault {
        kind: FaultKind::Deaf,
        from: Source::Master,
        frame: FrameKind::Block,
        address: Some(Address::CASHLESS_1),
        skip: 0,
        count: 200,
    });
    // The whole non-response time, then one RESET every ten seconds until one is heard.
    let mut waited = 0;
    while !(s.bench.master().is_ready() && s.bench.noted("does not answer any more")) {
        s.bench.run_for(Micros::secs(10));
        waited += 1;
        assert!(waited < 300, "it comes back");
    }
    assert_eq!((s.balance("card receipts"), s.sold()), (100, 0));
    assert!(s.bench.noted("reset before VEND FAILURE was heard"));
    let found = s.bench.discrepancies();
    assert!(found[0].contains("the customer lost it"), "{found:?}");
}
