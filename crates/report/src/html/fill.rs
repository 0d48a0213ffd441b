//! The float on paper: what to put in, tube by tube, and what it buys.

use super::{CSS, document, part};
use crate::words::plain;
use maud::{Markup, html};
use payrig_units::{Decimals, Money};
use serde::Serialize;

const FILL: &str = include_str!("fill.css");

/// A tube, or a store of a recycler, as it is to be filled. Counts are coins or bills.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct FillTube {
    /// What one is worth.
    pub value: Money,
    /// "tube", "hopper" or "bill store".
    pub what: String,
    /// How many it holds.
    pub holds: u32,
    /// How many are in it, as the rig says.
    pub there: u32,
    /// How many to add; `None` where no fill is known.
    pub add: Option<u32>,
    /// How many to put into an empty one; `None` where no fill is known.
    pub from_empty: Option<u32>,
}

/// What a fill does for one bill or coin that customers pay with.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct FillBuys {
    /// "bill of 5.00".
    pub what: String,
    /// It is taken now, and after the fill.
    pub taken: [bool; 2],
    /// So many sales in a row go well now, and after the fill: "20 or more".
    pub sales: [String; 2],
}

/// A fill to put in, and what it buys.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct FillPlan {
    /// What it is for: "10 sales in a row, each paid with a bill of 1.00 or 5.00, in any order".
    pub purpose: String,
    /// The tubes.
    pub tubes: Vec<FillTube>,
    /// What is to be added is worth this; nothing where no fill is known.
    pub worth: Option<Money>,
    /// Decimals of all amounts.
    pub decimals: Decimals,
    /// What it buys.
    pub buys: Vec<FillBuys>,
    /// The exact-change light is on now, and after the fill; `None` for a machine that never shows it.
    pub light: Option<[bool; 2]>,
    /// What else is to be known.
    pub notes: Vec<String>,
}

/// The tables of a plan.
pub(super) fn tables(plan: &FillPlan) -> Markup {
    let count = |n: Option<u32>| n.map_or_else(|| "\u{2013}".to_owned(), |n| n.to_string());
    let yes = |taken: bool| if taken { "yes" } else { "no" };
    html! {
        @if !plan.purpose.is_empty() { p.purpose { "For " (plain(&plan.purpose)) "." } }
        div.fill {
            @if !plan.tubes.is_empty() {
                table.tubes {
                    thead {
                        tr {
                            th { "put in" } th.n { "add" } th.n { "in it now" } th.n { "holds" } th.n { "from empty" }
                            th.n { "done" }
                        }
                    }
                    tbody {
                        @for tube in &plan.tubes {
                            tr {
                                td { b { (tube.value.show(plan.decimals)) } " " (plain(&tube.what)) }
                                td.n.add { (count(tube.add)) }
                                td.n { (tube.there) }
                                td.n { (tube.holds) }
                                td.n { (count(tube.from_empty)) }
                                td.n { span.box {} }
                            }
                        }
                        @if let Some(worth) = plan.worth {
                            tr.sum { td { "worth of what is added" } td.n.add { (worth.show(plan.decimals)) } td colspan="4" {} }
                        }
                    }
                }
            }
            @if !plan.buys.is_empty() {
                table.buys {
                    thead {
                        tr {
                            th { "paid with" } th { "taken now" } th { "sales in a row" }
                            th { "taken then" } th { "sales in a row" }
                        }
                    }
                    tbody {
                        @for buy in &plan.buys {
                            @let [now, then] = &buy.sales;
                            @let [taken_now, taken_then] = buy.taken;
                            tr {
                                td { (plain(&buy.what)) }
                                td { (yes(taken_now)) } td { (plain(now)) }
                                td { (yes(taken_then)) } td { (plain(then)) }
                            }
                        }
                    }
                }
            }
        }
        @if let Some([now, then]) = plan.light {
            p.light {
                "The exact-change light is " b { (if now { "on" } else { "off" }) } " now and "
                b { (if then { "on" } else { "off" }) } " after this fill."
            }
        }
        @for note in &plan.notes { p.soft { (plain(note)) } }
    }
}

/// A fill as one HTML document; `name` is that of the bench, `rows` what is known of the machine.
#[must_use]
pub fn fill_html(name: &str, made: &str, rows: &[(String, String)], plan: &FillPlan) -> String {
    let body = html! {
        header {
            div.who {
                p.kind { "fill" }
                h1 { (plain(name)) }
                dl.identity {
                    @for (what, value) in rows {
                        div { dt { (plain(what)) } dd { (plain(value)) } }
                    }
                }
                p.soft { (plain(made)) }
            }
        }
        (part("fill", "Put in", "coins and bills per tube", &tables(plan)))
        footer.short {
            div.sign { (super::stub::lines()) }
        }
    };
    document(&format!("{name}: fill"), &[CSS, FILL], &body)
}

/// The style of the tables.
pub(super) const STYLE: &str = FILL;
