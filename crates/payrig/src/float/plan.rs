//! A fill to put in, for paper.

use super::machine::Float;
use payrig_float::{Analysis, FillAnswer, Tube, changes_of, exact_change_light, is_welcome, run};
use payrig_report::{FillBuys, FillPlan, FillTube};
use payrig_units::{Decimals, Money, words};

/// Sales in a row that are played for the paper, at most.
const PLAYED: u32 = 25;

/// Coins per tube of an answer that is one.
fn counts(answer: &FillAnswer) -> Option<&Vec<u32>> {
    match answer {
        FillAnswer::Fill(counts) | FillAnswer::Enough(counts) => Some(counts),
        FillAnswer::Impossible(_) | FillAnswer::GaveUp => None,
    }
}

/// What a tube of a machine is, on paper.
fn called(float: &Float, tube: &Tube) -> &'static str {
    match (tube.is_bill_store(), float.hopper) {
        (true, _) => "bill store",
        (false, true) => "hopper",
        (false, false) => "tube",
    }
}

fn list(amounts: &[String]) -> String {
    match amounts.split_last() {
        None => String::new(),
        Some((last, [])) => last.clone(),
        Some((last, others)) => format!("{} or {last}", others.join(", ")),
    }
}

/// Numbers of sales that are tried where the largest that was asked for has no fill.
pub(super) const TRIED: [u32; 4] = [1, 2, 3, 5];

/// The fill for the largest number of sales in a row that was asked for and has one; the bills together
/// where there are several.
pub(crate) fn plan(float: &Float, analysis: &Analysis, decimals: Decimals) -> FillPlan {
    let machine = &float.machine;
    let money = |m: Money| m.show(decimals).to_string();
    let now = machine.counts();
    let fills = match (analysis.together.is_empty(), analysis.bills.first()) {
        (true, Some(one)) => &one.fills,
        _ => &analysis.together,
    };
    let known = fills.iter().rev().find(|f| counts(&f.on_top).is_some());
    let then = known.and_then(|f| counts(&f.on_top)).unwrap_or(&now);
    let from_empty = known.and_then(|f| counts(&f.from_empty));
    let called_piece = |value: Money| match float.bills.contains(&value) {
        true => format!("bill of {}", money(value)),
        false => format!("coin of {}", money(value)),
    };
    let mut notes = Vec::new();
    let purpose = match known {
        Some(fill) => {
            let all: Vec<String> = analysis.bills.iter().map(|b| money(b.bill)).collect();
            let order = if all.len() > 1 { ", in any order" } else { "" };
            let bills = analysis.bills.iter().any(|b| float.bills.contains(&b.bill));
            let piece = if bills { "bill" } else { "coin" };
            if matches!(fill.on_top, FillAnswer::Enough(_)) {
                notes.push(
                    "No tube can do with a coin less; whether fewer coins in all would do were too many \
                     cases to try."
                        .to_owned(),
                );
            }
            let row = match fill.sales {
                1 => "one sale, of anything and".to_owned(),
                n => format!("{} in a row, each of anything and", words::count(n, "sale")),
            };
            format!("{row} paid with a {piece} of {}{order}", list(&all))
        }
        None => {
            notes.push(match fills.first().map(|f| &f.on_top) {
                Some(FillAnswer::Impossible(amount)) => format!(
                    "No fill does it: even full tubes cannot pay {} in all. Other coins, other prices or \
                     fewer bills would.",
                    money(*amount)
                ),
                Some(_) => "Too many cases to find a fill; ask for fewer sales in a row.".to_owned(),
                None => "Nothing that is put in leaves change to be paid.".to_owned(),
            });
            String::new()
        }
    };
    if machine.bills.is_empty() {
        notes.push(
            "This machine never shows the exact-change light, which goes by the bills of a validator on the \
             bus. Acceptors on pulse lines are held off where their change could not be paid."
                .to_owned(),
        );
    }
    let cheapest = machine.prices.iter().min().copied().unwrap_or_default();
    if analysis.bills.iter().any(|b| b.bill < cheapest) {
        notes.push(format!(
            "What is worth less than {}, the lowest price, buys nothing by itself: its sales are those of a \
             customer who wants it back.",
            money(cheapest)
        ));
    }
    let at = |all: &[u32], tube: usize| all.get(tube).copied().unwrap_or_default();
    let tubes = machine.tubes.iter().enumerate().map(|(i, tube)| FillTube {
        value: tube.value,
        what: called(float, tube).to_owned(),
        holds: tube.capacity,
        there: tube.count,
        add: known.map(|_| at(then, i).saturating_sub(tube.count)),
        from_empty: from_empty.map(|all| at(all, i)),
    });
    let added: Vec<u32> = then
        .iter()
        .zip(&now)
        .map(|(a, b)| a.saturating_sub(*b))
        .collect();
    let sales = |counts: &[u32], bill: Money| {
        let run = run(machine, counts, &changes_of(machine, bill), PLAYED);
        match run.failure {
            Some(_) => run.sales.to_string(),
            None => format!("{} or more", run.sales),
        }
    };
    let buys = analysis.bills.iter().map(|bill| FillBuys {
        what: called_piece(bill.bill),
        taken: [&now, then].map(|counts| is_welcome(machine, counts, bill.bill)),
        sales: [&now, then].map(|counts| sales(counts, bill.bill)),
    });
    FillPlan {
        purpose,
        tubes: tubes.collect(),
        worth: known.map(|_| machine.worth(&added)),
        decimals,
        buys: buys.collect(),
        light: (!machine.bills.is_empty())
            .then(|| [&now, then].map(|counts| exact_change_light(machine, counts))),
        notes,
    }
}
