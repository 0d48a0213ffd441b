//! Currency codes against an outside source: the ISO 4217 list of the crate `iso_currency`. What
//! the standard prints is Appendix 1, tables A.1 and A.2 of version 4.3: a list made before 2002.

#![allow(clippy::unwrap_used)]

use iso_currency::Currency;
use payrig_mdb::CurrencyCode;
use std::collections::BTreeSet;

/// Tables A.1 and A.2: codes that ISO 4217 still lists with the same letters and number.
#[rustfmt::skip]
const CURRENT: [(u16, &str); 150] = [
    (8, "ALL"),
    (12, "DZD"),
    (32, "ARS"),
    (36, "AUD"),
    (44, "BSD"),
    (48, "BHD"),
    (50, "BDT"),
    (51, "AMD"),
    (52, "BBD"),
    (60, "BMD"),
    (64, "BTN"),
    (68, "BOB"),
    (72, "BWP"),
    (84, "BZD"),
    (90, "SBD"),
    (96, "BND"),
    (104, "MMK"),
    (108, "BIF"),
    (116, "KHR"),
    (124, "CAD"),
    (132, "CVE"),
    (136, "KYD"),
    (144, "LKR"),
    (152, "CLP"),
    (156, "CNY"),
    (170, "COP"),
    (174, "KMF"),
    (188, "CRC"),
    (191, "HRK"),
    (192, "CUP"),
    (203, "CZK"),
    (208, "DKK"),
    (214, "DOP"),
    (222, "SVC"),
    (230, "ETB"),
    (232, "ERN"),
    (238, "FKP"),
    (242, "FJD"),
    (262, "DJF"),
    (270, "GMD"),
    (292, "GIP"),
    (320, "GTQ"),
    (324, "GNF"),
    (328, "GYD"),
    (332, "HTG"),
    (340, "HNL"),
    (344, "HKD"),
    (348, "HUF"),
    (352, "ISK"),
    (356, "INR"),
    (360, "IDR"),
    (364, "IRR"),
    (368, "IQD"),
    (376, "ILS"),
    (388, "JMD"),
    (392, "JPY"),
    (398, "KZT"),
    (400, "JOD"),
    (404, "KES"),
    (408, "KPW"),
    (410, "KRW"),
    (414, "KWD"),
    (417, "KGS"),
    (418, "LAK"),
    (422, "LBP"),
    (426, "LSL"),
    (430, "LRD"),
    (434, "LYD"),
    (446, "MOP"),
    (454, "MWK"),
    (458, "MYR"),
    (462, "MVR"),
    (480, "MUR"),
    (484, "MXN"),
    (496, "MNT"),
    (498, "MDL"),
    (504, "MAD"),
    (512, "OMR"),
    (516, "NAD"),
    (524, "NPR"),
    (533, "AWG"),
    (548, "VUV"),
    (554, "NZD"),
    (558, "NIO"),
    (566, "NGN"),
    (578, "NOK"),
    (586, "PKR"),
    (590, "PAB"),
    (598, "PGK"),
    (600, "PYG"),
    (604, "PEN"),
    (608, "PHP"),
    (634, "QAR"),
    (643, "RUB"),
    (646, "RWF"),
    (654, "SHP"),
    (682, "SAR"),
    (690, "SCR"),
    (694, "SLL"),
    (702, "SGD"),
    (704, "VND"),
    (706, "SOS"),
    (710, "ZAR"),
    (748, "SZL"),
    (752, "SEK"),
    (756, "CHF"),
    (760, "SYP"),
    (764, "THB"),
    (776, "TOP"),
    (780, "TTD"),
    (784, "AED"),
    (788, "TND"),
    (800, "UGX"),
    (807, "MKD"),
    (818, "EGP"),
    (826, "GBP"),
    (834, "TZS"),
    (840, "USD"),
    (858, "UYU"),
    (860, "UZS"),
    (882, "WST"),
    (886, "YER"),
    (901, "TWD"),
    (950, "XAF"),
    (951, "XCD"),
    (952, "XOF"),
    (953, "XPF"),
    (955, "XBA"),
    (956, "XBB"),
    (957, "XBC"),
    (958, "XBD"),
    (959, "XAU"),
    (960, "XDR"),
    (961, "XAG"),
    (962, "XPT"),
    (963, "XTS"),
    (964, "XPD"),
    (975, "BGN"),
    (976, "CDF"),
    (977, "BAM"),
    (978, "EUR"),
    (979, "MXV"),
    (980, "UAH"),
    (981, "GEL"),
    (984, "BOV"),
    (985, "PLN"),
    (986, "BRL"),
    (990, "CLF"),
    (997, "USN"),
    (999, "XXX"),
];

/// Tables A.1 and A.2: codes withdrawn from ISO 4217 since the list was made. Not in here: ESD
/// 840, which the line for Ecuador prints for USD 840.
#[rustfmt::skip]
const WITHDRAWN: [(u16, &str); 48] = [
    (4, "AFA"),
    (20, "ADP"),
    (24, "AON"),
    (31, "AZM"),
    (40, "ATS"),
    (56, "BEF"),
    (100, "BGL"),
    (112, "BYB"),
    (196, "CYP"),
    (233, "EEK"),
    (246, "FIM"),
    (250, "FRF"),
    (276, "DEM"),
    (288, "GHC"),
    (300, "GRD"),
    (372, "IEP"),
    (380, "ITL"),
    (428, "LVL"),
    (440, "LTL"),
    (442, "LUF"),
    (450, "MGF"),
    (470, "MTL"),
    (478, "MRO"),
    (508, "MZM"),
    (528, "NLG"),
    (532, "ANG"),
    (620, "PTE"),
    (624, "GWP"),
    (626, "TPE"),
    (642, "ROL"),
    (678, "STD"),
    (703, "SKK"),
    (705, "SIT"),
    (716, "ZWD"),
    (724, "ESP"),
    (736, "SDD"),
    (740, "SRG"),
    (762, "TJR"),
    (792, "TRL"),
    (795, "TMM"),
    (810, "RUR"),
    (862, "VEB"),
    (891, "YUM"),
    (894, "ZMK"),
    (974, "BYR"),
    (982, "AOR"),
    (991, "ZAL"),
    (998, "USS"),
];

#[test]
fn every_current_code_of_appendix_1_is_that_of_iso_4217() {
    for (number, letters) in CURRENT {
        let code = CurrencyCode::from_iso4217(number).unwrap();
        assert_eq!(code.iso4217(), Some(number), "{letters}");
        let outside = Currency::from_code(letters).unwrap();
        assert_eq!(outside.numeric(), number, "{letters}");
        assert_eq!(code.letters(), Some(letters), "{number}");
        // Two packed BCD digits a byte, a 1 in front: 1 978 is 19H 78H for the euro (A1.2).
        assert_eq!(
            format!("{:02X}{:02X}", code.0[0], code.0[1]),
            format!("1{number:03}")
        );
    }
}

#[test]
fn withdrawn_codes_of_appendix_1_are_read_as_numbers() {
    for (number, letters) in WITHDRAWN {
        assert_eq!(
            Currency::from_code(letters),
            None,
            "{letters} is current again"
        );
        let code = CurrencyCode::from_iso4217(number).unwrap();
        assert_eq!(code.iso4217(), Some(number));
        assert_ne!(code.letters(), Some(letters));
    }
    let numbers: BTreeSet<u16> = CURRENT.iter().chain(&WITHDRAWN).map(|(n, _)| *n).collect();
    assert_eq!(numbers.len(), CURRENT.len() + WITHDRAWN.len());
}

/// Appendix 1, A1.2: telephone codes and FFFFH (unknown) are no ISO 4217 codes.
#[test]
fn other_forms_have_no_letters() {
    for code in [
        [0x00, 0x01],
        [0xFF, 0xFF],
        [0x1A, 0x40],
        [0x28, 0x40],
        [0x10, 0x00],
    ] {
        assert_eq!(CurrencyCode(code).letters(), None, "{code:02X?}");
    }
}
