//! The JSON Schema of recordings says what is written, no more and no less. Somebody else's validator
//! judges it.

use jsonschema::Validator;
use payrig_mdb::{Address, Dialogue, MasterFrame};
use payrig_pulse::{Profile, ProfileRecord};
use payrig_units::schema::of_written;
use payrig_units::{Micros, Money, Place};
use payrig_wire::recording::{
    BlockRecord, Entry, Header, LineRecord, LineRole, MovementRecord, Ours, TrainRecord,
};
use payrig_wire::{BusRule, Finding, Source};
use schemars::JsonSchema;
use serde_json::{Value, json};

fn validator<T: JsonSchema>() -> Validator {
    jsonschema::draft202012::new(of_written::<T>().as_value()).unwrap()
}

fn block() -> BlockRecord {
    let mut record = BlockRecord {
        source: Source::Master,
        start_us: Micros(100),
        end_us: Micros(2_500),
        bytes: vec![0x0B, 0x0B],
        modes: vec![true, false],
        starts_us: vec![Micros(100), Micros(1_250)],
        ends_us: vec![Micros(1_246), Micros(2_500)],
        uncertainty_us: Micros(3),
        uncertainties_us: vec![Micros(1), Micros(3)],
        meaning: Default::default(),
        bus: Some("bridge".into()),
    };
    let mut decoded = Dialogue::new().master(&MasterFrame::Ack);
    // Who answers is known once somebody was spoken to; here by hand.
    decoded.address = Some(Address::CHANGER);
    record = record.meaning(decoded);
    record
}

/// At least one of every kind, with all that it may have, and one with as little.
fn entries() -> Vec<Entry> {
    let places = [
        Place::Supply,
        Place::Customer,
        Place::Tube("changer".into(), 2),
        Place::CashBox("changer".into()),
        Place::Escrow("bill".into()),
        Place::Stacker("bill".into()),
        Place::Recycler("bill".into(), 1),
        Place::Hopper("hopper".into()),
        Place::CardAccount("card".into()),
        Place::CardReceipts("card".into()),
        Place::BoardReceived("changer".into()),
        Place::BoardPaid("changer".into()),
        Place::BoardCredit,
        Place::BoardSales,
        Place::BoardService,
        Place::BoardDoubt("changer".into()),
        Place::BoardOverpaid,
        Place::BoardStock("changer".into()),
    ];
    let mut bare = block();
    (bare.starts_us, bare.ends_us) = (Vec::new(), Vec::new());
    (bare.uncertainties_us, bare.bus) = (Vec::new(), None);
    bare.meaning = Default::default();
    let mut all = vec![Entry::Block(block()), Entry::Block(bare)];
    all.extend(places.iter().flat_map(|place| {
        let movement = |word| {
            Entry::Movement(MovementRecord {
                at_us: Micros(9),
                from: place.clone(),
                to: Place::Customer,
                amount: Money(25),
                why: "a reason".into(),
                word_at_us: word,
            })
        };
        [movement(None), movement(Some(Micros(8)))]
    }));
    let finding = Finding::limit(BusRule::InterByte, Micros(5), "late");
    all.push(Entry::Finding(finding.clone()));
    all.push(Entry::Finding(
        finding
            .measured(Micros(6_000), Micros(1))
            .of("changer")
            .peer_tolerates(Micros(7_000)),
    ));
    for profile in Profile::all() {
        all.push(Entry::Line(LineRecord {
            at_us: Micros(0),
            device: "coin".into(),
            line: "coin credit".into(),
            role: LineRole::Credit,
            high: true,
            counted_by: Some("bridge".into()),
            outside: true,
            profile: Some(ProfileRecord::from(&profile)),
        }));
    }
    let bus = || Some("bridge".to_owned());
    all.extend([
        Entry::Line(LineRecord {
            at_us: Micros(0),
            device: "hopper".into(),
            line: "hopper exit".into(),
            role: LineRole::Exit,
            high: false,
            counted_by: None,
            outside: false,
            profile: None,
        }),
        Entry::Break {
            source: Source::Master,
            start_us: Micros(1),
            end_us: Micros(2),
            uncertainty_us: Micros(0),
            bus: bus(),
        },
        Entry::Garbled {
            source: Source::Peripheral,
            start_us: Micros(1),
            end_us: Micros(2),
            bus: bus(),
        },
        Entry::Edge {
            line: "coin credit".into(),
            at_us: Micros(1),
            high: true,
            uncertainty_us: Micros(2),
        },
        Entry::Note {
            at_us: Micros(1),
            who: bus(),
            text: "display shows 0.25".into(),
        },
        Entry::Power {
            at_us: Micros(1),
            who: bus(),
            on: true,
        },
        Entry::Silent {
            at_us: Micros(1),
            until_us: Micros(2),
            who: "changer".into(),
            address: Some(8),
            bus: bus(),
        },
        Entry::Slept {
            from_us: Micros(1),
            to_us: Micros(2),
        },
        Entry::Act {
            at_us: Micros(1),
            text: "insert coin type 2".into(),
        },
        Entry::Step {
            at_us: Micros(1),
            number: 1,
            text: "credit is 0.25".into(),
            passed: None,
            why: Some("it is 0.10".into()),
        },
        Entry::Train(TrainRecord {
            line: "coin credit".into(),
            start_us: Micros(1),
            pulses: 2,
            widths_us: vec![Micros(50_000); 2],
            gaps_us: vec![Micros(50_000)],
            profile: "short".into(),
            text: Some("2 pulses".into()),
        }),
        Entry::Verdict {
            at_us: Micros(1),
            passed: true,
            limits: 0,
            advice: 1,
            blocks: 2,
            trains: 3,
            text: "all passed".into(),
        },
    ]);
    all
}

fn headers() -> Vec<Header> {
    let ours = Ours::default()
        .bus(Source::Master)
        .bus_behind("bridge", Source::Peripheral)
        .line("coin credit");
    vec![
        Header::new("payrig 0.1.0", "break room", None),
        Header::new("payrig 0.1.0", "break room", Some(7))
            .ours(ours)
            .live("2026-11-29T03:00:00Z")
            .with_peer_optional(true)
            .of_parts()
            .with_end(),
    ]
}

/// The same object with one field more, with each field of another type, and without each field that must be
/// there.
fn wrong(value: &Value, required: &[&str]) -> Vec<Value> {
    let fields = value.as_object().unwrap();
    let mut all = Vec::new();
    let mut more = fields.clone();
    more.insert("of_no_schema".to_owned(), json!(1));
    all.push(Value::Object(more));
    for (name, is) in fields {
        let mut other = fields.clone();
        let mut null = fields.clone();
        null.insert(name.clone(), Value::Null);
        if name != "passed" {
            all.push(Value::Object(null));
        }
        let of_another_type = match is {
            Value::Object(_) => json!([1.5]),
            _ => json!({"of_no_schema": 1.5}),
        };
        other.insert(name.clone(), of_another_type);
        all.push(Value::Object(other));
        if required.contains(&name.as_str()) {
            let mut less = fields.clone();
            less.remove(name);
            all.push(Value::Object(less));
        }
    }
    all
}

fn accepts_only<T: JsonSchema>(values: &[Value], required: &[&str]) {
    let validator = validator::<T>();
    for value in values {
        let why = validator.iter_errors(value).map(|e| e.to_string());
        let why: Vec<String> = why.collect();
        assert!(why.is_empty(), "{value}: {why:?}");
        for wrong in wrong(value, required) {
            assert!(!validator.is_valid(&wrong), "{wrong} is accepted");
        }
    }
}

#[test]
fn what_is_written_is_what_the_schema_says() {
    let entries: Vec<Value> = entries()
        .iter()
        .map(|e| serde_json::to_value(e).unwrap())
        .collect();
    accepts_only::<Entry>(
        &entries,
        &[
            "type", "at_us", "start_us", "bytes", "modes", "from", "line",
        ],
    );
    let headers: Vec<Value> = headers()
        .iter()
        .map(|h| serde_json::to_value(h).unwrap())
        .collect();
    accepts_only::<Header>(&headers, &["type", "schema", "version", "tool"]);
    // Every type of line is among them.
    let schema = of_written::<Entry>();
    let one_of = schema.get("anyOf").or(schema.get("oneOf"));
    let one_of = one_of.and_then(Value::as_array).unwrap();
    let types = one_of
        .iter()
        .map(|s| s["properties"]["type"]["const"].as_str().unwrap());
    for kind in types {
        assert!(entries.iter().any(|e| e["type"] == kind), "no {kind}");
    }
}

#[test]
fn bytes_are_two_digits_and_modes_one_bit() {
    let validator = validator::<Entry>();
    let good = serde_json::to_value(Entry::Block(block())).unwrap();
    for (field, wrong) in [
        ("bytes", json!(["0b"])),
        ("bytes", json!(["0B1"])),
        ("bytes", json!([11])),
        ("modes", json!([2])),
        ("modes", json!([true])),
        ("start_us", json!(-1)),
        ("source", json!("both")),
    ] {
        let mut bad = good.clone();
        bad[field] = wrong;
        assert!(!validator.is_valid(&bad), "{bad}");
    }
}
