//! Devices to be maltreated, with everything they can do.

use payrig_mdb::cashless::{Level, Options, Unit};
use payrig_peripherals::bill::{self, BillConfig, BillValidator, RecyclerStore};
use payrig_peripherals::cashless::{Answers, CashlessConfig, CashlessDevice};
use payrig_peripherals::changer::{self, Changer, ChangerConfig};
use payrig_units::Money;

/// Level 3 with every feature.
pub(crate) fn changer() -> Changer {
    Changer::new(ChangerConfig::demo(), changer::Quirks::default()).unwrap()
}

/// Level 2 with a recycler and files.
pub(crate) fn validator() -> BillValidator {
    let store = |bill_type, count| RecyclerStore {
        bill_type,
        count,
        capacity: 4,
    };
    let config = BillConfig {
        name: "bill".to_owned(),
        level: 2,
        ftl: true,
        recycler: vec![store(0, 3), store(1, 2)],
        ..BillConfig::default()
    };
    BillValidator::new(config, bill::Quirks::default()).unwrap()
}

/// A reader of a level; at level 3 with every option of version 4.3.
pub(crate) fn reader(unit: Unit, level: u8, answers: Answers) -> CashlessDevice {
    let name = match unit {
        Unit::One => "card 1",
        Unit::Two => "card 2",
    };
    CashlessDevice::new(CashlessConfig {
        name: name.to_owned(),
        unit,
        level: Level(level),
        answers,
        options: match level {
            3 => Options::DEFINED,
            _ => Options::NONE,
        },
        max_balance: Some(Money(50_00)),
        ..CashlessConfig::default()
    })
}
