//! Properties every changer message must have, whatever the bytes.

use super::*;
use crate::prelude::*;
use crate::{Address, Length, ftl};
use proptest::prelude::*;

/// One command of every kind that is answered with data.
fn asked() -> Vec<Command> {
    vec![
        Command::Setup,
        Command::TubeStatus,
        Command::Poll,
        Command::Identification,
        Command::PayoutStatus,
        Command::PayoutValuePoll,
        Command::SendDiagnosticStatus,
        Command::SendControlledManualFillReport,
        Command::SendControlledManualPayoutReport,
        Command::Ftl(ftl::Message::OkToSend {
            dest: Address::CHANGER,
            src: Address::VMC,
        }),
        Command::Diagnostics(Vec::new()),
    ]
}

fn any_report() -> impl Strategy<Value = Report> {
    prop_oneof![
        (any::<u8>(), 0usize..8, any::<u8>()).prop_map(|(c, n, in_tube)| {
            Report::CoinsDispensedManually {
                coin_type: CoinType::of(c),
                coins: ManualCount::saturating(n),
                in_tube,
            }
        }),
        (any::<u8>(), 0usize..4, any::<u8>()).prop_map(|(c, r, in_tube)| {
            let routing = [
                Routing::CashBox,
                Routing::Tubes,
                Routing::NotUsed,
                Routing::Reject,
            ][r];
            Report::CoinsDeposited {
                coin_type: CoinType::of(c),
                routing,
                in_tube,
            }
        }),
        (0usize..13).prop_map(|n| Report::Status(Status::ALL[n])),
        (0usize..32).prop_map(|n| Report::Slug(SlugCount::saturating(n))),
        (0x0Eu8..=0x1A).prop_map(Report::Unknown),
    ]
}

proptest! {
    #[test]
    fn any_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..=40)) {
        let _ = Command::parse(&bytes);
        let _ = length(&bytes);
        for to in asked() {
            if let Ok(r) = Response::parse(&to, &bytes) {
                let _ = (r.to_string(), r.name());
            }
        }
    }

    #[test]
    fn commands_that_parse_are_emitted_again_and_have_their_length(
        head in proptest::collection::vec(prop_oneof![0x08u8..=0x0F, 0u8..=8, 0xFAu8..=0xFF, any::<u8>()], 2),
        tail in proptest::collection::vec(prop_oneof![Just(8u8), Just(0u8), any::<u8>()], 0..=35),
        cut in 1usize..=8,
    ) {
        let mut long = head;
        long.extend(&tail);
        for bytes in [&long[..], &long[..cut.min(long.len())]] {
            if let Ok(command) = Command::parse(bytes) {
                if bytes.len() <= 35 {
                    let block = command.emit();
                    prop_assert_eq!(block.bytes(), bytes);
                }
                if let Length::Known(n) = length(bytes) {
                    prop_assert_eq!(n, bytes.len() + 1);
                }
                prop_assert!(command.to_string().contains(command.name()));
            }
        }
    }

    #[test]
    fn answers_that_parse_are_emitted_again(bytes in proptest::collection::vec(any::<u8>(), 1..=35)) {
        for to in asked() {
            for len in 1..=bytes.len() {
                if let Ok(answer) = Response::parse(&to, &bytes[..len]) {
                    let block = answer.emit();
                    prop_assert_eq!(block.bytes(), &bytes[..len]);
                    prop_assert_eq!(Response::parse(&to, block.bytes()), Ok(answer));
                }
            }
        }
    }

    #[test]
    fn reports_round_trip(reports in proptest::collection::vec(any_report(), 1..=8)) {
        let answer = Response::Poll(reports);
        let block = answer.emit();
        prop_assert_eq!(Response::parse(&Command::Poll, block.bytes()), Ok(answer));
    }
}
