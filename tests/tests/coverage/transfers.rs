//! Files between the board and its peripherals (section 2.6).

use super::heard::Heard;
use payrig_controller::{Controller, ExpectedKind};
use payrig_mdb::Address;
use payrig_mdb::cashless::{Level, Options, Unit};
use payrig_mdb::ftl::{Control, FileId, Station};
use payrig_peripherals::bill::{self, BillConfig, BillValidator};
use payrig_peripherals::cashless::{CashlessConfig, CashlessDevice};
use payrig_peripherals::changer::{self, Changer, ChangerConfig};
use payrig_tests::{Bench, Plugged, board};
use payrig_units::Micros;

const VMC: Address = Address::VMC;
const OWN: FileId = FileId(0xF3);
const LAST: Control = Control(2);
const ALL: [Address; 4] = [
    Address::CHANGER,
    Address::BILL_VALIDATOR,
    Address::CASHLESS_1,
    Address::CASHLESS_2,
];

struct Net {
    bench: Bench<Controller>,
    changer: Plugged<Changer>,
    bill: Plugged<BillValidator>,
    cards: [Plugged<CashlessDevice>; 2],
}

fn net() -> Net {
    let config = board(&[
        ("changer", ExpectedKind::Changer),
        ("bill", ExpectedKind::BillValidator),
        ("card 1", ExpectedKind::Cashless(Unit::One)),
        ("card 2", ExpectedKind::Cashless(Unit::Two)),
    ]);
    let mut bench = Bench::new(Controller::new(config, Micros::ZERO));
    let changer = Changer::new(ChangerConfig::demo(), changer::Quirks::default()).unwrap();
    let bill = BillConfig {
        level: 2,
        ftl: true,
        ..BillConfig::default()
    };
    let bill = BillValidator::new(bill, bill::Quirks::default()).unwrap();
    let changer = bench.plug("changer", changer);
    let bill = bench.plug("bill", bill);
    let cards = [(Unit::One, "card 1"), (Unit::Two, "card 2")].map(|(unit, name)| {
        let config = CashlessConfig {
            name: name.to_owned(),
            unit,
            level: Level::THREE,
            options: Options::FTL,
            ..CashlessConfig::default()
        };
        bench.plug(name, CashlessDevice::new(config))
    });
    let ready = bench.run_until(|b| ALL.iter().all(|a| b.master_mut().files().takes_part(*a)));
    assert!(ready, "all four take part");
    Net {
        bench,
        changer,
        bill,
        cards,
    }
}

impl Net {
    fn station<T>(&mut self, at: Address, act: impl FnOnce(&mut Station) -> T) -> T {
        let [one, two] = &self.cards;
        match at {
            Address::CHANGER => act(self.changer.borrow_mut().device_mut().files_mut()),
            Address::BILL_VALIDATOR => act(self.bill.borrow_mut().device_mut().files_mut()),
            Address::CASHLESS_1 => act(one.borrow_mut().device_mut().files_mut()),
            _ => act(two.borrow_mut().device_mut().files_mut()),
        }
    }

    fn rest(&mut self) {
        self.bench.run_for(Micros::secs(4));
    }
}

pub(crate) fn all(heard: &mut Heard) {
    for at in ALL {
        let mut net = net();
        let offer = |net: &mut Net, size: usize| {
            let now = net.bench.now();
            let data = vec![7; size];
            let mut board = net.bench.master_mut();
            board.files().offer(now, at, OWN, LAST, &data).unwrap();
        };
        // To it and from it, at either side's wish.
        offer(&mut net, 40);
        net.rest();
        net.station(at, |s| s.offer(VMC, OWN, LAST, &[7; 40]))
            .unwrap();
        net.rest();
        net.station(at, |s| s.ask(VMC, FileId::MANUFACTURER, 10))
            .unwrap();
        net.rest();
        let now = net.bench.now();
        let done = net
            .bench
            .master_mut()
            .files()
            .ask(now, at, FileId::MANUFACTURER, 10);
        done.unwrap();
        net.rest();
        // Denied on both sides.
        net.station(at, |s| s.deny_with(Some(0)));
        offer(&mut net, 40);
        net.rest();
        net.bench.master_mut().files().deny_with(Some(0));
        net.station(at, |s| s.offer(VMC, OWN, LAST, &[7; 40]))
            .unwrap();
        net.rest();
        heard.listen(&net.bench);
    }
}
