//! The lines of `float`.

use payrig_float::{Analysis, BillAnswer, FillAnswer, FillAnswers, Machine, Need};
use payrig_units::Money;
use schemars::JsonSchema;
use serde::Serialize;

/// A line of `payrig float`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(tag = "type", rename_all = "kebab-case")]
#[schemars(deny_unknown_fields)]
pub(crate) enum Line<'a> {
    /// A credit and a price whose change cannot be paid.
    Failure {
        /// The case.
        #[serde(flatten)]
        due: Due,
        /// A board that looks first never has this credit: nobody loses money.
        kept_out: bool,
    },
    /// A bill, or a coin, that customers pay with.
    Bill(Bill<'a>),
    /// Whether change can always be paid.
    Verdict(Verdict),
}

/// Change that is due.
#[derive(Clone, Copy, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Due {
    /// What was put in.
    credit: Money,
    /// What was bought for; zero where everything is given back.
    price: Money,
    /// Credit less price.
    change: Money,
}

impl Due {
    fn of(need: &Need) -> Self {
        Self {
            credit: need.credit,
            price: need.price,
            change: need.change,
        }
    }
}

/// The answers for one bill.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Bill<'a> {
    /// What it is worth.
    bill: Money,
    /// The machine takes such a one at all.
    taken: bool,
    /// The board would take it with nothing else in.
    welcome: bool,
    /// The changes it leads to, each once.
    changes: &'a [Money],
    /// So many sales in a row, all paid with it, always go well.
    lasts: u32,
    /// There were too many cases to try more.
    gave_up: bool,
    /// Changes, in order, of which the last cannot be paid.
    #[serde(skip_serializing_if = "Option::is_none")]
    fails_with: Option<&'a [Money]>,
    /// The same changes could be paid, with other coins than the fewest each time.
    #[serde(skip_serializing_if = "Option::is_none")]
    another_way: Option<bool>,
    /// The smallest fills.
    fills: Vec<Fills>,
}

/// The smallest fills for a number of sales in a row.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Fills {
    /// Sales in a row.
    sales: u32,
    /// From empty tubes.
    from_empty: Fill,
    /// On top of what is in the tubes.
    on_top: Fill,
}

/// A fill, or why there is none.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(tag = "answer", rename_all = "kebab-case")]
#[schemars(deny_unknown_fields)]
pub(crate) enum Fill {
    /// The smallest fill.
    #[serde(rename = "fill")]
    Smallest(Filled),
    /// One that lasts; too many cases to say whether a smaller would.
    Enough(Filled),
    /// Even full tubes cannot pay this.
    Impossible {
        /// In all.
        amount: Money,
    },
    /// Too many cases to find one.
    GaveUp,
}

/// What is in the tubes then.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Filled {
    /// Tube by tube.
    coins: Vec<Coins>,
    /// What all of it is worth.
    worth: Money,
}

/// What is in a tube.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Coins {
    /// The coin type, 0 to 15; 16 and more are bill stores of a recycler.
    coin_type: u8,
    /// What one is worth.
    value: Money,
    /// How many.
    count: u32,
}

impl Fill {
    fn of(machine: &Machine, answer: &FillAnswer) -> Self {
        let filled = |counts: &[u32]| {
            let tubes = machine.tubes.iter().zip(counts);
            Filled {
                coins: tubes
                    .map(|(tube, count)| Coins {
                        coin_type: tube.coin_type,
                        value: tube.value,
                        count: *count,
                    })
                    .collect(),
                worth: machine.worth(counts),
            }
        };
        match answer {
            FillAnswer::Fill(counts) => Self::Smallest(filled(counts)),
            FillAnswer::Enough(counts) => Self::Enough(filled(counts)),
            FillAnswer::Impossible(amount) => Self::Impossible { amount: *amount },
            FillAnswer::GaveUp => Self::GaveUp,
        }
    }
}

fn fills(machine: &Machine, all: &[FillAnswers]) -> Vec<Fills> {
    let each = |fill: &FillAnswers| Fills {
        sales: fill.sales,
        from_empty: Fill::of(machine, &fill.from_empty),
        on_top: Fill::of(machine, &fill.on_top),
    };
    all.iter().map(each).collect()
}

/// Whether change can always be paid.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Verdict {
    /// It can.
    passed: bool,
    /// The exact-change light is on.
    exact_change_light: bool,
    /// How many cases of credit and price were looked at.
    looked_at: usize,
    /// How many of them cannot be paid.
    failing: usize,
    /// The first of these.
    #[serde(skip_serializing_if = "Option::is_none")]
    first: Option<Due>,
    /// The smallest fills for all bills, in whatever order they come.
    together: Vec<Fills>,
}

impl<'a> Line<'a> {
    /// All lines of an analysis.
    pub(crate) fn all(machine: &'a Machine, analysis: &'a Analysis) -> impl Iterator<Item = Self> {
        let failure = |need: &Need| Self::Failure {
            due: Due::of(need),
            kept_out: need.kept_out,
        };
        let bill = |answer: &'a BillAnswer| {
            let failure = answer.run.failure.as_ref();
            Self::Bill(Bill {
                bill: answer.bill,
                taken: answer.known,
                welcome: answer.welcome,
                changes: &answer.changes,
                lasts: answer.run.sales,
                gave_up: answer.run.gave_up,
                fails_with: failure.map(|f| f.changes.as_slice()),
                another_way: failure.and_then(|f| f.another_way),
                fills: fills(machine, &answer.fills),
            })
        };
        let verdict = Self::Verdict(Verdict {
            passed: analysis.always(),
            exact_change_light: analysis.light,
            looked_at: analysis.looked_at,
            failing: analysis.failures.len(),
            first: analysis.failures.first().map(Due::of),
            together: fills(machine, &analysis.together),
        });
        let failures = analysis.failures.iter().map(failure);
        let bills = analysis.bills.iter().map(bill);
        failures.chain(bills).chain([verdict])
    }
}
