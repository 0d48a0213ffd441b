//! All questions at once, for a rig.

use crate::{
    FillAnswer, Machine, MachineError, Need, Reach, Run, changes_of, exact_change_light,
    is_welcome, needs, run, smallest_fill,
};
use payrig_units::Money;

/// What is asked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Questions {
    /// Bills to ask about.
    pub bills: Vec<Money>,
    /// Numbers of sales in a row to find the smallest fill for.
    pub sales: Vec<u32>,
    /// The most a customer puts in before choosing; at least the largest piece is looked at.
    pub max_credit: Money,
    /// How many sales in a row are played with the coins there are, at most.
    pub play: u32,
}

/// The smallest fills for a bill and a number of sales.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FillAnswers {
    /// Sales in a row.
    pub sales: u32,
    /// Starting from empty tubes.
    pub from_empty: FillAnswer,
    /// On top of what is in the tubes.
    pub on_top: FillAnswer,
}

/// The answers for one bill.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BillAnswer {
    /// The bill.
    pub bill: Money,
    /// The changes it leads to, each once.
    pub changes: Vec<Money>,
    /// The machine takes such a bill at all; of another it is asked what would be if it did.
    pub known: bool,
    /// The board would take it with nothing else in.
    pub welcome: bool,
    /// How many sales in a row the fill lasts, all paid with this bill.
    pub run: Run,
    /// The smallest fills.
    pub fills: Vec<FillAnswers>,
}

/// All answers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Analysis {
    /// How many different credits and prices were looked at.
    pub looked_at: usize,
    /// Those whose change cannot be paid, in order of credit, then price.
    pub failures: Vec<Need>,
    /// The exact-change light.
    pub light: bool,
    /// Bill by bill.
    pub bills: Vec<BillAnswer>,
    /// The smallest fills for all these bills, in whatever order they come.
    pub together: Vec<FillAnswers>,
}

impl Analysis {
    /// Can change always be paid?
    #[must_use]
    pub fn always(&self) -> bool {
        self.failures.is_empty()
    }
}

fn fills(machine: &Machine, changes: &[Money], sales: &[u32]) -> Vec<FillAnswers> {
    let empty = vec![0; machine.tubes.len()];
    let answer = |sales: &u32| FillAnswers {
        sales: *sales,
        from_empty: smallest_fill(machine, &empty, changes, *sales),
        on_top: smallest_fill(machine, &machine.counts(), changes, *sales),
    };
    sales.iter().map(answer).collect()
}

/// Answers all questions about a machine.
///
/// # Errors
/// When the machine makes no sense or its amounts are too large: see [`MachineError`].
pub fn analyse(machine: &Machine, questions: &Questions) -> Result<Analysis, MachineError> {
    let asked = questions.bills.iter().copied().max().unwrap_or_default();
    // What cannot come in makes no credit.
    let max_credit = questions.max_credit.max(machine.largest_piece());
    machine.check(max_credit.max(asked))?;
    if let Some(bill) = questions.bills.iter().find(|b| **b <= Money::ZERO) {
        return Err(MachineError::Worthless(*bill));
    }
    let counts = machine.counts();
    let all = needs(machine, max_credit);
    let most = all.iter().map(|n| n.change).max().unwrap_or_default();
    let reach = Reach::of(&machine.stock(), machine.unit(), most);
    let failures = all.iter().filter(|n| !reach.pays(n.change));
    let bill = |bill: &Money| {
        let changes = changes_of(machine, *bill);
        BillAnswer {
            bill: *bill,
            known: machine.pieces.iter().any(|p| p.value == *bill),
            welcome: is_welcome(machine, &counts, *bill),
            run: run(machine, &counts, &changes, questions.play),
            fills: fills(machine, &changes, &questions.sales),
            changes,
        }
    };
    let mut together: Vec<Money> = questions
        .bills
        .iter()
        .flat_map(|bill| changes_of(machine, *bill))
        .collect();
    together.sort_unstable();
    together.dedup();
    Ok(Analysis {
        looked_at: all.len(),
        failures: failures.copied().collect(),
        light: exact_change_light(machine, &counts),
        bills: questions.bills.iter().map(bill).collect(),
        together: if questions.bills.len() > 1 {
            fills(machine, &together, &questions.sales)
        } else {
            Vec::new()
        },
    })
}
