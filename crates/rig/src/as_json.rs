//! Actions as JSON, with the names and fields that a script has for them, and observations: what a peer in
//! lock-step is asked to do and to look at, which stands for hands and eyes.

use payrig_bench::Observation;
use payrig_bench::action::{
    Action, BillAction, CashlessAction, ChangerAction, Coin, MachineAction, Tender,
};
use payrig_controller::{CardPrice, Mishap};
use payrig_mdb::cashless::Reason;
use payrig_peripherals::bill::{DispenserFault, Fault};
use payrig_units::{Decimals, Micros, Money};
use serde_json::{Map, Value, json};

/// The fields of an action.
struct Said {
    fields: Map<String, Value>,
    decimals: Decimals,
}

impl Said {
    fn new(name: &str, decimals: Decimals) -> Self {
        let mut said = Self {
            fields: Map::new(),
            decimals,
        };
        said.put("do", name);
        said
    }

    fn put(&mut self, key: &str, value: impl Into<Value>) {
        self.fields.insert(key.to_owned(), value.into());
    }

    fn money(&mut self, key: &str, amount: Money) {
        let amount = amount.show(self.decimals).to_string();
        self.put(key, amount);
    }

    fn some_money(&mut self, key: &str, amount: Option<Money>) {
        if let Some(amount) = amount {
            self.money(key, amount);
        }
    }

    fn time(&mut self, key: &str, time: Micros) {
        self.put(key, format!("{} us", time.as_us()));
    }

    fn tender(&mut self, tender: Tender) {
        match tender {
            Tender::Worth(value) => self.money("value", value),
            Tender::Type(number) => self.put("type", number),
            Tender::Unknown => self.put("unknown", true),
        }
    }

    fn coin(&mut self, coin: Coin) {
        match coin {
            Coin::Worth(value) => self.money("value", value),
            Coin::Type(coin_type) => self.put("type", coin_type.get()),
        }
    }
}

/// An action as a line `A` says it: an object with the names and fields of a step of a rig's script. Amounts
/// are texts ("0.25"), times too ("3000000 us"). A coin or bill that is asked for by its type has a field
/// `type` instead of `value`. `None` for what is done to the wire and by nobody.
#[must_use]
pub fn action_as_json(action: &Action, decimals: Decimals) -> Option<Value> {
    let name = action_name(action)?;
    let mut said = Said::new(name, decimals);
    if let Some(device) = action.device() {
        said.put("device", device);
    }
    match action {
        Action::InsertCoin { coin: tender, .. } | Action::InsertBill { bill: tender, .. } => {
            said.tender(*tender);
        }
        Action::AtBillValidator { what, .. } => at_validator(&mut said, *what),
        Action::AtChanger { what, .. } => at_changer(&mut said, *what),
        Action::AtCashless { what, .. } => at_reader(&mut said, what),
        Action::AtMachine(what) => at_machine(&mut said, what),
        Action::PresentCard {
            balance, amount, ..
        } => {
            said.some_money("balance", *balance);
            said.some_money("amount", *amount);
        }
        Action::Select { item } | Action::JamItem { item } | Action::FreeItem { item } => {
            said.put("item", *item);
        }
        Action::Service { on } => said.put("on", *on),
        Action::Power { device, on } => {
            if device.is_none() {
                said.put("board", true);
            }
            said.put("on", *on);
        }
        Action::Silent { time, .. } => said.time("for", *time),
        Action::RemoveCard { .. }
        | Action::PressReturn
        | Action::BusReset
        | Action::Fault(_)
        | Action::EndFaults { .. } => {}
    }
    Some(Value::Object(said.fields))
}

/// What a script calls it.
fn action_name(action: &Action) -> Option<&'static str> {
    Some(match action {
        Action::InsertCoin { .. } => "insert-coin",
        Action::InsertBill { .. } => "insert-bill",
        Action::PresentCard { .. } => "present-card",
        Action::RemoveCard { .. } => "remove-card",
        Action::Select { .. } => "select",
        Action::PressReturn => "press-return",
        Action::JamItem { .. } => "jam-item",
        Action::FreeItem { .. } => "free-item",
        Action::Power { .. } => "power",
        Action::Silent { .. } => "silent",
        Action::BusReset => "bus-reset",
        Action::Service { .. } => "service",
        Action::Fault(_) | Action::EndFaults { .. } => return None,
        Action::AtBillValidator { what, .. } => match what {
            BillAction::Break(Fault::Jam) | BillAction::BreakDispenser(DispenserFault::Jam) => {
                "jam"
            }
            BillAction::Repair(Fault::Jam) | BillAction::RepairDispenser(DispenserFault::Jam) => {
                "clear-jam"
            }
            BillAction::Break(Fault::CashBoxOut) | BillAction::RemoveCashBox => "remove-cash-box",
            BillAction::Repair(Fault::CashBoxOut) | BillAction::ReplaceCashBox { .. } => {
                "replace-cash-box"
            }
            BillAction::Break(_) | BillAction::BreakDispenser(_) => "break",
            BillAction::Repair(_) | BillAction::RepairDispenser(_) => "repair",
            BillAction::FillStacker => "fill-stacker",
            BillAction::PressEscrowLever => "press-escrow-lever",
            BillAction::TakeBill => "take-bill",
            BillAction::PullBill => "pull-bill",
            BillAction::FishInStacker { .. } => "fish-in-stacker",
        },
        Action::AtChanger { what, .. } => match what {
            ChangerAction::InsertToken => "insert-token",
            ChangerAction::InsertTwoCoins => "insert-two-coins",
            ChangerAction::PressLever => "press-lever",
            ChangerAction::HoldLever(true) => "hold-lever",
            ChangerAction::HoldLever(false) => "release-lever",
            ChangerAction::ManualDispense(..) => "manual-dispense",
            ChangerAction::BeginManualFill => "begin-manual-fill",
            ChangerAction::BeginManualPayout => "begin-manual-payout",
            ChangerAction::ManualPayout(..) => "manual-payout",
            ChangerAction::EndManual => "end-manual",
            ChangerAction::LoadTube(..) => "load-tube",
            ChangerAction::TakeFromTube(..) => "take-from-tube",
            ChangerAction::BlockTube(_, true) => "block-tube",
            ChangerAction::BlockTube(_, false) => "clear-tube",
            ChangerAction::BreakTubeSensor(_, true) => "break-tube-sensor",
            ChangerAction::BreakTubeSensor(_, false) => "mend-tube-sensor",
            ChangerAction::UnplugAcceptor(true) => "unplug-acceptor",
            ChangerAction::UnplugAcceptor(false) => "plug-acceptor",
            ChangerAction::ResetItself => "reset-changer",
        },
        Action::AtCashless { what, .. } => match what {
            CashlessAction::PressCancel => "press-cancel",
            CashlessAction::ScanCoupon(_) => "scan-coupon",
            CashlessAction::RemoteSelect { .. } => "remote-select",
            CashlessAction::PresentMember { .. } => "present-member-card",
            CashlessAction::AskKeys { .. } => "ask-keys",
            CashlessAction::ShowText { .. } => "show-text",
            CashlessAction::AskTime => "ask-time",
            CashlessAction::Malfunction(_) => "malfunction",
            CashlessAction::MalfunctionOver => "malfunction-over",
        },
        Action::AtMachine(what) => match what {
            MachineAction::SelectSeveral(_) => "select-several",
            MachineAction::PressKeys(_) => "press-keys",
            MachineAction::GiveBack { .. } => "give-back",
            MachineAction::TestVend(_) => "test-vend",
            MachineAction::Mishap(_, Mishap::Jam) => "jam-item",
            MachineAction::Mishap(_, Mishap::Fails(_)) => "fail-item",
            MachineAction::Mishap(_, Mishap::Part(_)) => "stop-item",
            MachineAction::Mishap(_, Mishap::Breakdown | Mishap::LastOne) => "break-down",
            MachineAction::WelcomeCards(true) => "enable-cards",
            MachineAction::WelcomeCards(false) => "disable-cards",
            MachineAction::CloseItem(_, Some(_)) => "close-item",
            MachineAction::CloseItem(_, None) => "open-item",
            MachineAction::SelectWith(..) => "select-with-options",
            MachineAction::SetPrice(..) => "set-price",
            MachineAction::SetCardPrice(..) => "set-card-price",
            MachineAction::Diagnose { .. } => "diagnose",
        },
    })
}

fn at_validator(said: &mut Said, what: BillAction) {
    let part = |fault| match fault {
        Fault::DefectiveMotor => Some("motor"),
        Fault::SensorProblem => Some("sensor"),
        Fault::RomChecksum => Some("program"),
        Fault::Jam | Fault::CashBoxOut => None,
    };
    let of_recycler = |fault| match fault {
        DispenserFault::Motor => Some("recycler-motor"),
        DispenserFault::DefectiveSensor => Some("recycler-sensor"),
        DispenserFault::RomChecksum => Some("recycler-program"),
        DispenserFault::Jam => None,
    };
    match what {
        BillAction::Break(fault) | BillAction::Repair(fault) => {
            if let Some(part) = part(fault) {
                said.put("part", part);
            }
        }
        BillAction::BreakDispenser(fault) | BillAction::RepairDispenser(fault) => {
            match of_recycler(fault) {
                Some(part) => said.put("part", part),
                None => said.put("recycler", true),
            }
        }
        BillAction::ReplaceCashBox { emptied } => said.put("emptied", emptied),
        BillAction::FishInStacker { success } => said.put("success", success),
        BillAction::RemoveCashBox
        | BillAction::FillStacker
        | BillAction::PressEscrowLever
        | BillAction::TakeBill
        | BillAction::PullBill => {}
    }
}

fn at_changer(said: &mut Said, what: ChangerAction) {
    match what {
        ChangerAction::ManualDispense(coin, count)
        | ChangerAction::ManualPayout(coin, count)
        | ChangerAction::LoadTube(coin, count)
        | ChangerAction::TakeFromTube(coin, count) => {
            said.coin(coin);
            said.put("count", count);
        }
        ChangerAction::BlockTube(coin, _) | ChangerAction::BreakTubeSensor(coin, _) => {
            said.coin(coin);
        }
        ChangerAction::InsertToken
        | ChangerAction::InsertTwoCoins
        | ChangerAction::PressLever
        | ChangerAction::HoldLever(_)
        | ChangerAction::BeginManualFill
        | ChangerAction::BeginManualPayout
        | ChangerAction::EndManual
        | ChangerAction::UnplugAcceptor(_)
        | ChangerAction::ResetItself => {}
    }
}

fn at_reader(said: &mut Said, what: &CashlessAction) {
    match what {
        CashlessAction::ScanCoupon(coupon) => {
            if let Some(item) = coupon.item {
                said.put("item", item);
            }
            said.put("alone", coupon.options & 1 != 0);
            said.put("at-once", coupon.options & 2 != 0);
            said.some_money("value", coupon.value);
            said.put("id", coupon.id);
        }
        CashlessAction::RemoteSelect {
            item,
            balance,
            options,
        } => {
            said.put("item", *item);
            said.some_money("balance", *balance);
            said.put("options", *options);
        }
        CashlessAction::PresentMember { balance, media } => {
            said.some_money("balance", *balance);
            let terms = match media.kind {
                1 => "price-list",
                2 => "discount-group",
                3 => "discount",
                _ => "surcharge",
            };
            let [group, number] = media.data;
            said.put("terms", terms);
            said.put("group", group);
            said.put("number", number);
        }
        CashlessAction::AskKeys { count } => said.put("count", *count),
        CashlessAction::ShowText { text, time } => {
            said.put("text", text.as_str());
            said.time("for", *time);
        }
        CashlessAction::Malfunction(code) => said.put("code", code.0),
        CashlessAction::PressCancel | CashlessAction::AskTime | CashlessAction::MalfunctionOver => {
        }
    }
}

fn at_machine(said: &mut Said, what: &MachineAction) {
    match what {
        MachineAction::SelectSeveral(items) => said.put("items", items.as_slice()),
        MachineAction::PressKeys(keys) => said.put("keys", keys.as_str()),
        MachineAction::GiveBack { item, value } => {
            said.put("item", *item);
            said.money("value", *value);
        }
        MachineAction::TestVend(item) => said.put("item", *item),
        MachineAction::Mishap(item, mishap) => {
            said.put("item", *item);
            match mishap {
                Mishap::Fails(reason) => said.put("why", why(*reason)),
                Mishap::Part(value) => said.money("value", *value),
                Mishap::LastOne => said.put("delivers", true),
                Mishap::Jam | Mishap::Breakdown => {}
            }
        }
        MachineAction::CloseItem(item, reason) => {
            said.put("item", *item);
            if let Some(reason) = reason {
                said.put("why", why(*reason));
            }
        }
        MachineAction::SelectWith(item, value) | MachineAction::SetPrice(item, value) => {
            said.put("item", *item);
            said.money("value", *value);
        }
        MachineAction::SetCardPrice(item, price) => {
            said.put("item", *item);
            let decimals = said.decimals;
            let price = match price {
                CardPrice::Same => "same".to_owned(),
                CardPrice::Fixed(price) => price.show(decimals).to_string(),
                CardPrice::More(more) if *more < Money::ZERO => more.show(decimals).to_string(),
                CardPrice::More(more) => format!("+{}", more.show(decimals)),
            };
            said.put("value", price);
        }
        MachineAction::Diagnose { device, data } => {
            said.put("device", device.as_str());
            let bytes: Vec<String> = data.iter().map(|b| format!("{b:02X}")).collect();
            said.put("bytes", bytes.join(" "));
        }
        MachineAction::WelcomeCards(_) => {}
    }
}

/// Reasons of 7.4.8 and 7.4.12, in the words of a script.
fn why(reason: Reason) -> &'static str {
    match reason.0 {
        0x02 => "sold-out",
        0x03 => "defective",
        0x04 => "used-up",
        0x05 => "blocked",
        0x06 => "inhibited",
        0x07 => "past-date",
        0x08 => "temperature",
        0x09 => "busy",
        _ => "unknown",
    }
}

/// An observation as a line `?` says it: an object with `see`, and what it is about.
#[must_use]
pub fn observation_as_json(what: &Observation) -> Value {
    match what {
        Observation::Credit => json!({ "see": "credit" }),
        Observation::Display => json!({ "see": "display" }),
        Observation::ExactChange => json!({ "see": "exact-change" }),
        Observation::BoardReady => json!({ "see": "ready" }),
        Observation::Ready(device) => json!({ "see": "ready", "device": device }),
        Observation::Balance(place) => json!({ "see": "balance", "place": place.to_string() }),
        Observation::WentTo(place) => json!({ "see": "went-to", "place": place.to_string() }),
        Observation::Delivered => json!({ "see": "sold" }),
        Observation::Fell(item) => json!({ "see": "fell", "item": item }),
        Observation::Seen(text) => json!({ "see": "seen", "text": text }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_bench::action::StepKind;
    use payrig_mdb::changer::CoinType;
    use std::path::Path;

    const RIG: &str = r#"
[bench]
name = "What can be asked for"
[board]
kind = "controller"
[[board.item]]
number = 11
price = "0.65"
[[device]]
kind = "changer"
name = "changer"
[[device]]
kind = "bill-validator"
name = "bill"
bills = ["1.00", "5.00"]
[[device]]
kind = "cashless"
name = "reader"
level = 3
[[script]]
"#;

    /// What is asked for as JSON is the step of a script with the same names and fields: read again, it is the
    /// same action.
    #[test]
    fn every_step_of_a_script_is_said_as_it_is_read() {
        let steps = [
            "do = \"insert-coin\"\nvalue = \"0.25\"",
            "do = \"insert-coin\"\nunknown = true",
            "do = \"insert-bill\"\nvalue = \"5.00\"",
            "do = \"present-card\"\nbalance = \"10.00\"",
            "do = \"remove-card\"",
            "do = \"select\"\nitem = 11",
            "do = \"press-return\"",
            "do = \"jam-item\"\nitem = 11",
            "do = \"free-item\"\nitem = 11",
            "do = \"power\"\nboard = true\non = false",
            "do = \"power\"\ndevice = \"bill\"\non = true",
            "do = \"silent\"\ndevice = \"bill\"\nfor = \"2 s\"",
            "do = \"bus-reset\"",
            "do = \"service\"\non = true",
            "do = \"jam\"",
            "do = \"clear-jam\"",
            "do = \"break\"\npart = \"sensor\"",
            "do = \"repair\"\npart = \"motor\"",
            "do = \"remove-cash-box\"",
            "do = \"replace-cash-box\"\nemptied = false",
            "do = \"fill-stacker\"",
            "do = \"take-bill\"",
            "do = \"pull-bill\"",
            "do = \"fish-in-stacker\"\nsuccess = false",
            "do = \"insert-two-coins\"",
            "do = \"press-lever\"",
            "do = \"hold-lever\"",
            "do = \"release-lever\"",
            "do = \"manual-dispense\"\nvalue = \"0.10\"\ncount = 3",
            "do = \"load-tube\"\nvalue = \"0.10\"\ncount = 3",
            "do = \"take-from-tube\"\nvalue = \"0.10\"",
            "do = \"block-tube\"\nvalue = \"0.10\"",
            "do = \"clear-tube\"\nvalue = \"0.10\"",
            "do = \"break-tube-sensor\"\nvalue = \"0.10\"",
            "do = \"mend-tube-sensor\"\nvalue = \"0.10\"",
            "do = \"unplug-acceptor\"",
            "do = \"plug-acceptor\"",
            "do = \"reset-changer\"",
            "do = \"press-cancel\"",
            "do = \"scan-coupon\"\nitem = 11\nalone = true\nvalue = \"0.50\"\nid = 4",
            "do = \"remote-select\"\nitem = 11\nbalance = \"3.00\"",
            "do = \"present-member-card\"\nterms = \"discount\"\nnumber = 10",
            "do = \"ask-keys\"\ncount = 4",
            "do = \"show-text\"\ntext = \"Hello\"\nfor = \"3 s\"",
            "do = \"ask-time\"",
            "do = \"malfunction\"\ncode = 0x50",
            "do = \"malfunction-over\"",
            "do = \"select-several\"\nitems = [11]",
            "do = \"press-keys\"\nkeys = \"1234\"",
            "do = \"give-back\"\nitem = 11\nvalue = \"0.25\"",
            "do = \"test-vend\"\nitem = 11",
            "do = \"stop-item\"\nitem = 11\nvalue = \"0.30\"",
            "do = \"break-down\"\nitem = 11\ndelivers = true",
            "do = \"break-down\"\nitem = 11",
            "do = \"fail-item\"\nitem = 11\nwhy = \"defective\"",
            "do = \"close-item\"\nitem = 11\nwhy = \"sold-out\"",
            "do = \"open-item\"\nitem = 11",
            "do = \"enable-cards\"",
            "do = \"disable-cards\"",
            "do = \"set-price\"\nitem = 11\nvalue = \"0.75\"",
            "do = \"set-card-price\"\nitem = 11\nvalue = \"-0.05\"",
            "do = \"set-card-price\"\nitem = 11\nvalue = \"same\"",
            "do = \"select-with-options\"\nitem = 11\nvalue = \"0.10\"",
            "do = \"diagnose\"\ndevice = \"reader\"\nbytes = \"01 A0\"",
        ];
        for step in steps {
            let read = |step: &str| {
                let text = format!("{RIG}{step}\n");
                let plan = crate::parse(Path::new("x.toml"), &text);
                let plan = plan.unwrap_or_else(|e| panic!("{step}: {e}"));
                match plan.script.into_iter().next().map(|step| step.what) {
                    Some(StepKind::Do(action)) => action,
                    other => panic!("{step}: {other:?}"),
                }
            };
            let action = read(step);
            let Some(Value::Object(fields)) = action_as_json(&action, Decimals(2)) else {
                panic!("{step}: nothing is said");
            };
            // TOML takes the simple values of JSON as they are.
            let lines = fields.iter().map(|(key, value)| format!("{key} = {value}"));
            let again: Vec<String> = lines.collect();
            assert_eq!(read(&again.join("\n")), action, "{again:?}");
        }
        let of_type = Action::InsertCoin {
            device: "changer".to_owned(),
            coin: Tender::Type(CoinType::of(2).get()),
        };
        let said = action_as_json(&of_type, Decimals(2));
        let wanted = json!({ "do": "insert-coin", "device": "changer", "type": 2 });
        assert_eq!(said, Some(wanted));
    }
}
