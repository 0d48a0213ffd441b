//! Arbitrary modes, commands and reports for property tests, in the canonical form of a mode.

use super::*;
use crate::CurrencyCode;
use crate::prelude::*;
use proptest::array::{uniform2, uniform3, uniform6, uniform8, uniform10, uniform12};
use proptest::collection::vec;
use proptest::option;
use proptest::prelude::*;

pub(super) fn modes() -> impl Strategy<Value = Mode> {
    (1u8..=3, 0u32..0x800, 0u8..=32).prop_map(|(level, options, display)| Mode {
        level: Level(level),
        options: Options(options),
        display,
    })
}

fn amount(mode: Mode) -> impl Strategy<Value = u32> {
    prop_oneof![3 => 0..=mode.money_max(), 1 => Just(mode.money_max())]
}

fn known(mode: Mode) -> impl Strategy<Value = Option<u32>> {
    option::of(0..mode.money_max())
}

fn currency() -> impl Strategy<Value = Option<CurrencyCode>> {
    option::of(any::<[u8; 2]>().prop_filter("FFFFH is none", |c| *c != [0xFF; 2]))
        .prop_map(|code| code.map(CurrencyCode))
}

/// `Some` exactly when the mode has the field.
fn when<S>(has: bool, strategy: S) -> BoxedStrategy<Option<S::Value>>
where
    S: Strategy + 'static,
    S::Value: Clone + core::fmt::Debug + 'static,
{
    if has {
        strategy.prop_map(Some).boxed()
    } else {
        Just(None).boxed()
    }
}

fn currency_if(has: bool) -> BoxedStrategy<Option<CurrencyCode>> {
    when(has, currency()).prop_map(Option::flatten).boxed()
}

fn identification() -> impl Strategy<Value = Identification> {
    (
        uniform3(any::<u8>()),
        uniform12(any::<u8>()),
        uniform12(any::<u8>()),
        uniform2(any::<u8>()),
    )
        .prop_map(|(maker, serial, model, version)| Identification {
            maker,
            serial,
            model,
            version,
        })
}

fn dispensed() -> impl Strategy<Value = Dispensed> {
    (any::<u16>(), uniform6(any::<u8>()), uniform6(any::<u8>())).prop_map(
        |(item, selected_name, dispensed_name)| Dispensed {
            item,
            selected_name,
            dispensed_name,
        },
    )
}

fn basket_result(mode: Mode) -> impl Strategy<Value = BasketResult> {
    (amount(mode), any::<u8>(), amount(mode)).prop_map(|(amount, count, options_amount)| {
        BasketResult {
            amount,
            count,
            options_amount,
        }
    })
}

pub(super) fn kinds(mode: Mode) -> BoxedStrategy<Kind> {
    let basket = mode.has(Options::BASKET);
    let enhanced = mode.has(Options::ENHANCED_ITEMS);
    let vend_request = (
        amount(mode),
        any::<u16>(),
        when(
            basket,
            (any::<[u8; 4]>(), any::<u8>(), amount(mode)).prop_map(
                |(skipped, count, options_price)| BasketRequest {
                    skipped,
                    count,
                    options_price,
                },
            ),
        ),
    )
        .prop_map(|(price, item, basket)| {
            Kind::VendRequest(VendRequest {
                price,
                item,
                basket,
            })
        });
    let vend_success = (
        any::<u16>(),
        when(enhanced, dispensed()),
        when(basket, basket_result(mode)),
    )
        .prop_map(|(item, dispensed, basket)| {
            Kind::VendSuccess(VendSuccess {
                item,
                dispensed,
                basket,
            })
        });
    let vend_failure = when(
        basket,
        (any::<u16>(), basket_result(mode), any::<u8>()).prop_map(|(item, result, reason)| {
            FailureDetail {
                item,
                result,
                reason: Reason(reason),
            }
        }),
    )
    .prop_map(|detail| Kind::VendFailure(VendFailure { detail }));
    let cash_sale = (
        amount(mode),
        any::<u16>(),
        currency_if(mode.expanded()),
        when(
            enhanced,
            (dispensed(), any::<u8>())
                .prop_map(|(dispensed, flags)| CashSaleDetail { dispensed, flags }),
        ),
    )
        .prop_map(|(price, item, currency, detail)| {
            Kind::CashSale(CashSale {
                price,
                item,
                currency,
                detail,
            })
        });
    let setup = (any::<u8>(), any::<u8>(), any::<u8>(), any::<u8>()).prop_map(
        |(level, columns, rows, display)| {
            Kind::SetupConfig(VmcConfig {
                level: Level(level),
                columns,
                rows,
                display,
            })
        },
    );
    let prices = (known(mode), amount(mode), currency_if(mode.expanded()))
        .prop_map(|(max, min, currency)| Kind::SetupPrices(PriceRange { max, min, currency }));
    prop_oneof![
        prop_oneof![
            Just(Kind::Reset),
            Just(Kind::Poll),
            Just(Kind::VendCancel),
            Just(Kind::SessionComplete),
            Just(Kind::ReaderDisable),
            Just(Kind::ReaderEnable),
            Just(Kind::ReaderCancel),
            Just(Kind::RevalueLimitRequest),
        ],
        setup,
        prices,
        vend_request,
        vend_success,
        vend_failure,
        cash_sale,
        (amount(mode), any::<u16>())
            .prop_map(|(value, item)| Kind::NegativeVendRequest { value, item }),
        (any::<u16>(), any::<u8>()).prop_map(|(item, reason)| Kind::SelectionDenied {
            item,
            reason: Reason(reason)
        }),
        (any::<u8>(), any::<u16>(), amount(mode))
            .prop_map(|(usage, item, value)| Kind::CouponReply(CouponReply { usage, item, value })),
        uniform8(any::<u8>()).prop_map(Kind::DataEntryResponse),
        amount(mode).prop_map(Kind::RevalueRequest),
        identification().prop_map(Kind::RequestId),
        any::<u8>().prop_map(Kind::ReadUserFile),
        (any::<u8>(), vec(any::<u8>(), 0..=31))
            .prop_map(|(number, data)| Kind::WriteUserFile { number, data }),
        uniform10(any::<u8>()).prop_map(|b| Kind::WriteTimeDate(TimeDate::from_bytes(b))),
        any::<u32>().prop_map(|b| Kind::EnableOptions(Options(b))),
        prop_oneof![
            (Just(0xFA), vec(any::<u8>(), 5)),
            (Just(0xFB), vec(any::<u8>(), 3)),
            (Just(0xFC), vec(any::<u8>(), 3..=33)),
            (Just(0xFD), vec(any::<u8>(), 2)),
            (Just(0xFE), vec(any::<u8>(), 5)),
        ]
        .prop_map(|(sub, mut data)| {
            data.insert(0, sub);
            Kind::Ftl(data)
        }),
        vec(any::<u8>(), 0..=33).prop_map(Kind::Diagnostics),
    ]
    .boxed()
}

fn media() -> impl Strategy<Value = PaymentMedia> {
    (option::of(0..u32::MAX), any::<u8>(), any::<[u8; 2]>())
        .prop_map(|(id, kind, data)| PaymentMedia { id, kind, data })
}

fn user(mode: Mode) -> BoxedStrategy<Option<UserSettings>> {
    when(
        mode.expanded(),
        (any::<[u8; 2]>(), currency(), any::<u8>()).prop_map(
            |(language, currency, card_options)| UserSettings {
                language,
                currency,
                card_options,
            },
        ),
    )
}

/// Reports whose length does not depend on the end of the block.
pub(super) fn fixed_reports(mode: Mode) -> BoxedStrategy<Report> {
    let config = (
        any::<u8>(),
        any::<[u8; 2]>(),
        any::<u8>(),
        any::<u8>(),
        any::<u8>(),
        any::<u8>(),
    )
        .prop_map(|(level, currency, scale, decimals, response_time, misc)| {
            Report::ReaderConfig(ReaderConfig {
                level: Level(level),
                currency: CurrencyCode(currency),
                scale,
                decimals,
                response_time,
                misc,
            })
        });
    let state = when(mode.level >= Level::TWO, any::<u8>())
        .prop_map(|code| code.filter(|code| *code != 0).map(State::from_code));
    prop_oneof![
        prop_oneof![
            Just(Report::JustReset),
            Just(Report::SessionCancelRequest),
            Just(Report::VendDenied),
            Just(Report::EndSession),
            Just(Report::Cancelled),
            Just(Report::RevalueApproved),
            Just(Report::RevalueDenied),
            Just(Report::TimeDateRequest),
            Just(Report::DataEntryCancel),
        ],
        config,
        (
            known(mode),
            when(mode.level >= Level::TWO, media()),
            user(mode)
        )
            .prop_map(|(funds, media, user)| Report::BeginSession(BeginSession {
                funds,
                media,
                user
            })),
        (known(mode), when(mode.has(Options::BASKET), amount(mode))).prop_map(
            |(amount, options_amount)| Report::VendApproved {
                amount,
                options_amount
            }
        ),
        (
            identification(),
            when(mode.level >= Level::THREE, any::<u32>())
        )
            .prop_map(|(id, options)| Report::PeripheralId(PeripheralId {
                id,
                options: options.map(Options)
            })),
        any::<u8>().prop_map(|code| Report::Malfunction(Malfunction(code))),
        state.prop_map(Report::OutOfSequence),
        amount(mode).prop_map(Report::RevalueLimit),
        (any::<u8>(), vec(any::<u8>(), 0..=32))
            .prop_map(|(number, data)| Report::UserFile { number, data }),
        any::<u8>().prop_map(Report::DataEntryRequest),
        (known(mode), media(), user(mode), any::<u16>(), any::<u32>()).prop_map(
            |(funds, media, user, item, item_options)| {
                Report::SelectionRequest(SelectionRequest {
                    funds,
                    media,
                    user,
                    item,
                    item_options,
                })
            }
        ),
        (any::<u16>(), any::<u8>(), known(mode), any::<u32>()).prop_map(
            |(item, options, value, id)| Report::CouponReport(CouponReport {
                item,
                options,
                value,
                id
            })
        ),
        prop_oneof![
            (Just(0x1B), vec(any::<u8>(), 5)),
            (Just(0x1C), vec(any::<u8>(), 3)),
            (Just(0x1E), vec(any::<u8>(), 2)),
            (Just(0x1F), vec(any::<u8>(), 5)),
        ]
        .prop_map(|(code, mut data)| {
            data.insert(0, code);
            Report::Ftl(data)
        }),
    ]
    .boxed()
}

/// Reports that take all the rest of a block.
pub(super) fn last_reports(mode: Mode) -> BoxedStrategy<Report> {
    let size = usize::from(mode.display);
    prop_oneof![
        (
            any::<u8>(),
            vec(any::<u8>(), if size > 0 { size..=size } else { 0..=32 })
        )
            .prop_map(|(time, text)| Report::DisplayRequest { time, text }),
        vec(any::<u8>(), 0..=33).prop_map(|mut data| {
            data.insert(0, 0x1D);
            Report::Ftl(data)
        }),
        vec(any::<u8>(), 0..=34).prop_map(Report::Diagnostics),
        (
            prop_oneof![Just(0x0C), 0x16..=0x1Au8, 0x20..=0xFEu8],
            vec(any::<u8>(), 0..=33)
        )
            .prop_map(|(code, mut data)| {
                data.insert(0, code);
                Report::Unknown(data)
            }),
    ]
    .boxed()
}
