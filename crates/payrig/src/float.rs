//! `payrig float`.

mod machine;
#[cfg(test)]
mod on_the_bench;
mod plan;

use crate::json::common::Problem;
use crate::json::float::Line;
use crate::lines;
use crate::outputs::{Files, write_whole};
use crate::style::STYLES;
use crate::terminal;
use crate::{Exit, Failure, Format};
use clap::Args;
use machine::{Float, machine};
use payrig_bench::Plan;
use payrig_bench::machine::About;
use payrig_float::{
    Analysis, BillAnswer, FillAnswer, FillAnswers, Guard, Machine, Need, Questions, Tube, analyse,
};
use payrig_report::{FillPlan, fill_html};
use payrig_rig::FIRST_VEND;
use payrig_tickets::Site;
use payrig_units::{Decimals, Money, Visible, words};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Name of the embedded rig in messages.
const EMBEDDED: &str = "first-vend.toml";

/// Arguments of `payrig float`.
#[derive(Debug, Args)]
pub(crate) struct FloatArguments {
    /// The rig [default: the built-in one of payrig run].
    rig: Option<PathBuf>,
    /// Ask about this bill, as in 5.00; may be given several times [default: the bills that can come
    /// in, or the coins that buy something with change where there are none].
    #[arg(long, value_name = "AMOUNT")]
    bill: Vec<String>,
    /// Find the smallest fill for this many sales in a row; may be given several times.
    #[arg(long, value_name = "N", default_values_t = [1, 10], value_parser = clap::value_parser!(u32).range(1..=100))]
    sales: Vec<u32>,
    /// The most a customer puts in before choosing [default: the largest bill or coin].
    #[arg(long, value_name = "AMOUNT")]
    max_credit: Option<String>,
    /// Also ask that everything put in can be given back in coins (the return lever).
    #[arg(long)]
    refunds: bool,
    /// Write the fill to put in, tube by tube, and what it buys as one HTML file to print.
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// How to write the answers; amounts in JSON are in minor units (cents).
    #[arg(long, value_enum, default_value_t)]
    pub(crate) format: Format,
}

fn questions(
    arguments: &FloatArguments,
    float: &Float,
    decimals: Decimals,
) -> Result<Questions, Failure> {
    let machine = &float.machine;
    let parse = |text: &String| Money::parse(text, decimals).map_err(Failure::wrong);
    let mut bills: Vec<Money> = arguments.bill.iter().map(parse).collect::<Result<_, _>>()?;
    if bills.is_empty() {
        bills = usual_bills(float);
    }
    bills.sort_unstable();
    bills.dedup();
    let mut sales = arguments.sales.clone();
    sales.sort_unstable();
    sales.dedup();
    Ok(Questions {
        bills,
        play: sales.last().copied().unwrap_or(1).max(20),
        sales,
        max_credit: match &arguments.max_credit {
            Some(text) => parse(text)?,
            None => machine.largest_piece(),
        },
    })
}

pub(crate) fn float(arguments: &FloatArguments) -> Result<Exit, Failure> {
    let rig = match &arguments.rig {
        Some(path) => payrig_rig::load(path),
        None => payrig_rig::parse(Path::new(EMBEDDED), FIRST_VEND),
    }
    .map_err(Failure::wrong)?;
    let file = arguments.rig.as_deref().unwrap_or(Path::new(EMBEDDED));
    let wrong = |error: &dyn std::fmt::Display| Failure::wrong(Problem::of_file(file, error));
    let float = machine(&rig, arguments.refunds).map_err(|error| wrong(&error))?;
    let mut questions = questions(arguments, &float, rig.decimals)?;
    if arguments.html.is_some() {
        // The paper has one fill: for as many sales as there is one for.
        let most = questions.sales.last().copied().unwrap_or(1);
        questions
            .sales
            .extend(plan::TRIED.iter().filter(|n| **n < most));
        questions.sales.sort_unstable();
        questions.sales.dedup();
    }
    let analysis = analyse(&float.machine, &questions).map_err(|error| wrong(&error))?;
    if let Some(html) = &arguments.html {
        let mut files = Files::default();
        files.read("the rig", arguments.rig.as_deref());
        files.write("the page", Some(html))?;
        let plan = plan::plan(&float, &analysis, rig.decimals);
        let made = format!("{}, payrig {}", now(), env!("CARGO_PKG_VERSION"));
        let page = fill_html(&rig.name, &made, &about(&rig.machine.about), &plan);
        write_whole(html, |out| out.write_all(page.as_bytes()))?;
        terminal::wrote("html", html)?;
        if !lines::are_wanted() {
            return Ok(ended(&analysis));
        }
    }
    match arguments.format {
        Format::Json => write_json(&rig, &float.machine, &analysis)?,
        Format::Text => Told {
            float: &float,
            machine: &float.machine,
            decimals: rig.decimals,
        }
        .write(&rig.name, &analysis)?,
    }
    Ok(ended(&analysis))
}

fn ended(analysis: &Analysis) -> Exit {
    match analysis.always() {
        true => Exit::Passed,
        false => Exit::FellShort,
    }
}

/// The site's clock.
pub(crate) fn now() -> String {
    Site::of_this_computer().clock_now()
}

/// What is known of a machine, for the head of a paper; notes are not.
pub(crate) fn about(about: &About) -> Vec<(String, String)> {
    let all = [
        ("site", &about.site),
        ("asset", &about.asset),
        ("machine", &about.model),
        ("board", &about.board),
        ("technician", &about.technician),
    ];
    let known = all
        .into_iter()
        .filter_map(|(what, value)| Some((what, value.clone()?)));
    known
        .map(|(what, value)| (what.to_owned(), value))
        .collect()
}

/// The fill of a rig for ten sales in a row and less, for other papers; why not, where there is none.
pub(crate) fn plan_of(rig: &Plan) -> Result<FillPlan, String> {
    let float = machine(rig, false)?;
    if float.machine.tubes.is_empty() {
        return Err("Nothing in this machine pays change: there is nothing to fill.".to_owned());
    }
    let questions = default_questions(&float, plan::TRIED.into_iter().chain([10]).collect());
    let analysis = analyse(&float.machine, &questions).map_err(|error| error.to_string())?;
    Ok(plan::plan(&float, &analysis, rig.decimals))
}

/// The pieces that are asked about where nobody says which.
fn usual_bills(float: &Float) -> Vec<Money> {
    let machine = &float.machine;
    if !float.bills.is_empty() {
        return float.bills.clone();
    }
    let cheapest = machine.prices.iter().filter(|p| **p > Money::ZERO).min();
    let mut values: Vec<Money> = machine.pieces.iter().map(|p| p.value).collect();
    values.retain(|v| cheapest.is_some_and(|price| v > price));
    values.sort_unstable();
    values.dedup();
    values
}

fn default_questions(float: &Float, sales: Vec<u32>) -> Questions {
    Questions {
        bills: usual_bills(float),
        play: sales.last().copied().unwrap_or(1).max(20),
        sales,
        max_credit: float.machine.largest_piece(),
    }
}

/// Writes answers for people.
struct Told<'a> {
    float: &'a Float,
    machine: &'a Machine,
    decimals: Decimals,
}

impl Told<'_> {
    fn money(&self, money: Money) -> String {
        money.show(self.decimals).to_string()
    }

    fn all(&self, amounts: impl IntoIterator<Item = Money>) -> String {
        let texts: Vec<String> = amounts.into_iter().map(|m| self.money(m)).collect();
        match texts.is_empty() {
            true => "none".to_owned(),
            false => texts.join(" "),
        }
    }

    fn write(&self, name: &str, analysis: &Analysis) -> io::Result<()> {
        let mut out = terminal::screen();
        let head = STYLES.head;
        let machine = self.machine;
        let pieces = |guard: Guard| {
            let some = machine.pieces.iter().filter(move |p| p.guard == guard);
            self.all(some.map(|p| p.value))
        };
        writeln!(out, "{head}Float of \"{}\"{head:#}", Visible(name))?;
        let tube = |t: &Tube| {
            let what = if t.is_bill_store() { "recycler " } else { "" };
            format!(
                "{what}{} {} of {}",
                self.money(t.value),
                t.count,
                t.capacity
            )
        };
        let tubes: Vec<String> = machine.tubes.iter().map(tube).collect();
        let worth = self.money(machine.worth(&machine.counts()));
        writeln!(out, "  tubes     {} (worth {worth})", tubes.join(", "))?;
        writeln!(
            out,
            "  taken     {} on sight; {} after a look (bills on the bus)",
            pieces(Guard::OnSight),
            pieces(Guard::Alone)
        )?;
        for (number, _) in machine.lines.iter().enumerate() {
            let held = pieces(Guard::Line(number));
            writeln!(
                out,
                "            {held} held off together (one line for all)"
            )?;
        }
        writeln!(
            out,
            "  prices    {}",
            self.all(machine.prices.iter().copied())
        )?;
        writeln!(out)?;

        let light = if analysis.light {
            STYLES.advice
        } else {
            STYLES.pass
        };
        let state = if analysis.light { "on" } else { "off" };
        writeln!(out, "exact-change light  {light}{state}{light:#}")?;
        let cases = words::count(analysis.looked_at, "case of credit and price");
        match analysis.failures.first() {
            None => {
                let pass = STYLES.pass;
                writeln!(
                    out,
                    "change              {pass}always paid{pass:#}, in all {cases}"
                )?;
            }
            Some(first) => {
                let limit = STYLES.limit;
                let failing = analysis.failures.len();
                let fail = if failing == 1 { "fails" } else { "fail" };
                writeln!(
                    out,
                    "change              {limit}not always paid{limit:#}: {failing} of {cases} {fail}"
                )?;
                self.need(&mut out, "fails first", first)?;
                let lost = |n: &&Need| !n.kept_out;
                match analysis.failures.iter().find(lost) {
                    Some(open) if open != first => self.need(&mut out, "not kept out", open)?,
                    Some(_) => {}
                    None => writeln!(
                        out,
                        "  kept out     by a board that looks before it stacks: the bill comes back, no money is lost"
                    )?,
                }
            }
        }
        for bill in &analysis.bills {
            self.bill(&mut out, bill)?;
        }
        if !analysis.together.is_empty() {
            writeln!(out, "\n{head}All these bills, in any order{head:#}")?;
            self.fills(&mut out, &analysis.together)?;
        }
        out.flush()
    }

    fn need(&self, mut out: impl Write, what: &str, need: &Need) -> io::Result<()> {
        let bought = match need.price {
            Money::ZERO => "all given back".to_owned(),
            price => format!("price {}", self.money(price)),
        };
        let (credit, change) = (self.money(need.credit), self.money(need.change));
        writeln!(
            out,
            "  {what:<12} credit {credit}, {bought}: change of {change} cannot be paid"
        )
    }

    /// Whether a bill is taken now.
    fn taken(&self, answer: &BillAnswer) -> &'static str {
        let pieces = self.machine.pieces.iter();
        let mut its = pieces.filter(|p| p.value == answer.bill);
        let on_lines = its.all(|p| matches!(p.guard, Guard::Line(_)));
        match (answer.known, answer.welcome) {
            (false, true) => "this machine takes none; if it did, it would be taken now",
            (false, false) => {
                "this machine takes none; if it did, some change could not be paid now"
            }
            (true, true) => "taken now",
            (true, false) if on_lines => {
                "not taken now: the change for all that its acceptor takes could not be paid"
            }
            (true, false) => "not taken now: some change could not be paid",
        }
    }

    fn bill(&self, mut out: impl Write, answer: &BillAnswer) -> io::Result<()> {
        let head = STYLES.head;
        let bill = self.money(answer.bill);
        let taken = self.taken(answer);
        let what = match self.float.bills.contains(&answer.bill) || !answer.known {
            true => "Bill",
            false => "Coin",
        };
        writeln!(out, "\n{head}{what} of {bill}{head:#}: {taken}")?;
        let run = &answer.run;
        let sales = words::count(run.sales, "sale");
        match &run.failure {
            Some(failure) => {
                let changes = self.all(failure.changes.iter().copied());
                writeln!(
                    out,
                    "  lasts        {sales} in a row; then fails, for one: changes of {changes}"
                )?;
                if failure.another_way == Some(true) {
                    let advice = STYLES.advice;
                    writeln!(
                        out,
                        "  {advice}another way{advice:#}  paying these with the fewest coins each time fails, and there is a way that does not"
                    )?;
                }
            }
            None if run.gave_up => writeln!(
                out,
                "  lasts        {sales} in a row at least; more are too many cases to try"
            )?,
            None => writeln!(out, "  lasts        {sales} in a row at least")?,
        }
        self.fills(out, &answer.fills)
    }

    fn fills(&self, mut out: impl Write, fills: &[FillAnswers]) -> io::Result<()> {
        for fill in fills {
            let sales = match fill.sales {
                1 => "1 sale".to_owned(),
                n => format!("{n} in a row"),
            };
            let empty = vec![0; self.machine.tubes.len()];
            let from_empty = self.fill(&fill.from_empty, &empty);
            writeln!(out, "  {sales:<12} smallest fill: {from_empty}")?;
            if let FillAnswer::Fill(_) = &fill.from_empty {
                let on_top = self.fill(&fill.on_top, &self.machine.counts());
                writeln!(out, "  {:<12} to be added now: {on_top}", "")?;
            }
        }
        Ok(())
    }

    fn pieces_of(&self, counts: &[u32], base: &[u32]) -> String {
        let added: Vec<u32> = counts
            .iter()
            .zip(base)
            .map(|(n, b)| n.saturating_sub(*b))
            .collect();
        let each = self
            .machine
            .tubes
            .iter()
            .zip(&added)
            .filter(|(_, n)| **n > 0);
        let each: Vec<String> = each
            .map(|(tube, n)| format!("{n} x {}", self.money(tube.value)))
            .collect();
        let tubes = self.machine.tubes.iter().zip(&added);
        let bills: u32 = tubes
            .filter(|(t, _)| t.is_bill_store())
            .map(|(_, n)| n)
            .sum();
        let coins = added.iter().sum::<u32>() - bills;
        let pieces = [(coins, "coin"), (bills, "bill")].into_iter();
        let pieces: Vec<String> = pieces
            .filter(|(n, _)| *n > 0)
            .map(|(n, what)| words::count(n, what))
            .collect();
        match coins + bills {
            0 => "nothing".to_owned(),
            _ => format!(
                "{} ({}, {})",
                each.join(" + "),
                pieces.join(" and "),
                self.money(self.machine.worth(&added))
            ),
        }
    }

    fn fill(&self, answer: &FillAnswer, base: &[u32]) -> String {
        match answer {
            FillAnswer::Fill(counts) => self.pieces_of(counts, base),
            FillAnswer::Enough(counts) => format!(
                "{}\n               (that lasts; too many cases to say whether fewer would)",
                self.pieces_of(counts, base)
            ),
            FillAnswer::Impossible(amount) => {
                format!(
                    "none: even full tubes cannot pay {} in all",
                    self.money(*amount)
                )
            }
            FillAnswer::GaveUp => "not found: too many cases to try them all".to_owned(),
        }
    }
}

fn write_json(rig: &Plan, machine: &Machine, analysis: &Analysis) -> io::Result<()> {
    if let Some(header) = lines::plain_header() {
        let letters = rig.currency.letters().map(str::to_owned);
        lines::header(&header.money(rig.decimals, letters))?;
    }
    Line::all(machine, analysis).try_for_each(|line| lines::put(&line))?;
    lines::flush()
}
