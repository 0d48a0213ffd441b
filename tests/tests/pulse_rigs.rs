//! Devices on pulse lines in rigs: sold and paid by them, held off, wrong on purpose, measured.

use payrig_bench::Bench;
use payrig_bench::run::run_simulated;
use payrig_units::{Micros, Money};
use payrig_wire::reading::{ReadOptions, read_file};
use payrig_wire::recording::{Entry, Header, RecordingWriter};
use std::path::Path;

struct Ran {
    entries: Vec<Entry>,
    stage: Bench,
}

fn run(text: &str) -> Ran {
    let rig = payrig_rig::parse(Path::new("test.toml"), text).unwrap_or_else(|e| panic!("{e}"));
    let mut stage = Bench::of(&rig);
    let mut entries = Vec::new();
    run_simulated(&mut stage, Micros::secs(600), |_, entry| {
        entries.push(entry);
        Ok::<(), ()>(())
    })
    .unwrap();
    Ran { entries, stage }
}

impl Ran {
    fn limits(&self) -> Vec<(String, String)> {
        let finding = |e: &Entry| match e {
            Entry::Finding(f) if f.is_limit() => Some((f.rule.to_string(), f.text.clone())),
            _ => None,
        };
        self.entries.iter().filter_map(finding).collect()
    }

    fn rules(&self) -> Vec<String> {
        self.limits().into_iter().map(|(rule, _)| rule).collect()
    }

    fn advice(&self) -> Vec<String> {
        let finding = |e: &Entry| match e {
            Entry::Finding(f) if !f.is_limit() => Some(f.rule.to_string()),
            _ => None,
        };
        self.entries.iter().filter_map(finding).collect()
    }

    fn passed(&self) -> bool {
        matches!(
            self.entries.last(),
            Some(Entry::Verdict { passed: true, .. })
        )
    }

    fn trains(&self) -> Vec<(String, u64, String)> {
        let train = |e: &Entry| match e {
            Entry::Train(t) => Some((t.line.clone(), t.pulses, t.profile.clone())),
            _ => None,
        };
        self.entries.iter().filter_map(train).collect()
    }

    fn edges(&self, line: &str) -> Vec<(u64, bool)> {
        let edge = |e: &Entry| match e {
            Entry::Edge {
                line: name,
                at_us,
                high,
                ..
            } if name == line => Some((at_us.0, *high)),
            _ => None,
        };
        self.entries.iter().filter_map(edge).collect()
    }

    fn balance(&self, place: &str) -> Money {
        let ledger = self.stage.books().ledger();
        let mut all = ledger.balances();
        all.find(|(p, _)| p.to_string() == place)
            .map_or(Money::ZERO, |(_, m)| m)
    }

    fn in_order_of_time(&self) -> bool {
        let at = |e: &Entry| match e {
            Entry::Edge { at_us, .. } | Entry::Step { at_us, .. } => Some(*at_us),
            Entry::Train(t) => Some(t.start_us),
            Entry::Finding(f) if f.origin != payrig_wire::Origin::Ledger => Some(f.at),
            _ => None,
        };
        let times: Vec<Micros> = self.entries.iter().filter_map(at).collect();
        times.is_sorted()
    }
}

const TOP: &str = r#"
[bench]
name = "pulse lines"
[board]
kind = "controller"
[[board.item]]
number = 11
name = "Crisps"
price = "0.75"
"#;

/// The same with something for 1.00, so that a bill buys it without change.
fn old_bill_round(faults: &str, script: &str) -> Ran {
    let text = bill_rig(faults, script);
    run(&text.replace("price = \"0.75\"", "price = \"1.00\""))
}

fn old_bill(faults: &str, script: &str) -> Ran {
    run(&bill_rig(faults, script))
}

fn bill_rig(faults: &str, script: &str) -> String {
    format!(
        "{TOP}
[[device]]
kind = \"pulse-bill-validator\"
name = \"old bill\"
bills = [\"1.00\", \"5.00\"]
[device.faults]
{faults}
{script}"
    )
}

const FEED_FIVE: &str = r#"
[[script]]
do = "wait-ready"
[[script]]
do = "insert-bill"
value = "5.00"
[[script]]
do = "wait"
for = "8 s"
"#;

#[test]
fn a_sale_by_pulses_with_change_from_the_hopper() {
    let ran = run(&format!(
        "{TOP}
[[device]]
kind = \"pulse-coin-acceptor\"
name = \"coins\"
coins = [\"0.25\", \"1.00\"]
[[device.pulse.lines]]
name = \"quarter\"
value = \"0.25\"
[[device.pulse.lines]]
name = \"dollar\"
value = \"1.00\"
[device.hopper]
name = \"hopper\"
coin = \"0.25\"
count = 20

[[script]]
do = \"wait-ready\"
[[script]]
do = \"insert-coin\"
value = \"1.00\"
[[script]]
expect = \"credit\"
value = \"1.00\"
[[script]]
do = \"select\"
item = 11
[[script]]
expect = \"sold\"
count = 1
[[script]]
expect = \"credit\"
value = \"0.00\"
[[script]]
expect = \"balance\"
place = \"hopper hopper\"
value = \"4.75\"
[[script]]
do = \"insert-coin\"
value = \"0.25\"
after = \"2 s\"
[[script]]
expect = \"balance\"
place = \"hopper hopper\"
value = \"5.00\"
[[script]]
do = \"insert-coin\"
unknown = true
after = \"1 s\"
[[script]]
expect = \"seen\"
text = \"not recognised\"
"
    ));
    assert!(ran.passed(), "{:?}", ran.limits());
    assert_eq!(ran.advice(), Vec::<String>::new());
    // The board held the acceptor off while it delivered and paid.
    let inhibit: Vec<bool> = ran.edges("coins inhibit").iter().map(|e| e.1).collect();
    assert_eq!(&inhibit[..4], [true, false, true, false]);
    let motor: Vec<bool> = ran.edges("coins motor").iter().map(|e| e.1).collect();
    assert_eq!(motor, [true, false]);
    assert_eq!(ran.edges("coins exit").len(), 2);
    let trains: Vec<_> = ran.trains().into_iter().map(|t| (t.0, t.1)).collect();
    assert_eq!(
        trains,
        [
            ("coins dollar".to_owned(), 1),
            ("coins quarter".to_owned(), 1)
        ]
    );
}

#[test]
fn a_hopper_by_itself_pays_and_one_that_jams_still_owes() {
    let rig = |jam: &str| {
        format!(
            "{TOP}
[[device]]
kind = \"pulse-bill-validator\"
name = \"bill\"
bills = [\"1.00\"]
[[device]]
kind = \"pulse-hopper\"
name = \"hopper\"
coin = \"0.25\"
count = 8
{jam}
[[script]]
do = \"wait-ready\"
[[script]]
do = \"insert-bill\"
value = \"1.00\"
[[script]]
expect = \"credit\"
value = \"1.00\"
[[script]]
do = \"press-return\"
"
        )
    };
    let paid = "[[script]]\nexpect = \"credit\"\nvalue = \"0.00\"";
    let owed = "[[script]]\nexpect = \"seen\"\ntext = \"2 still owed\"\n[[script]]\nexpect = \"credit\"\nvalue = \"0.50\"";
    let ran = run(&(rig("") + paid));
    assert!(ran.passed(), "{:?}", ran.limits());
    assert_eq!(ran.balance("customer"), Money::ZERO);
    let ran = run(&(rig("jam-after = 2") + owed));
    assert!(ran.passed(), "{:?}", ran.limits());
    assert_eq!(ran.balance("customer"), Money(-50));
    // A coin that falls when the motor stops was ordered by nobody: the books show it.
    let ran = run(&(rig("coins-after-stop = 1") + paid));
    assert_eq!(ran.rules(), ["money"]);
    assert!(ran.limits()[0].1.contains("hopper"), "{:?}", ran.limits());
}

#[test]
fn a_card_reader_pays_a_fixed_price_or_what_was_chosen() {
    let rig = |device: &str, step: &str, credit: &str| {
        format!(
            "{TOP}
[[device]]
kind = \"pulse-card-reader\"
name = \"card\"
balance = \"5.00\"
{device}
[[script]]
do = \"wait-ready\"
[[script]]
do = \"present-card\"
{step}
[[script]]
expect = \"credit\"
value = \"{credit}\"
[[script]]
do = \"remove-card\"
"
        )
    };
    let fixed = "price = \"0.75\"\nvend-pulses = 1\n[device.pulse]\npulses = 1\nper = \"0.75\"";
    let ran = run(&rig(fixed, "", "0.75"));
    assert!(ran.passed(), "{:?}", ran.limits());
    assert_eq!(ran.balance("card card account"), Money(425));
    let chosen = "[device.pulse]\nprofile = \"long\"\npulses = 4\nper = \"1.00\"";
    let ran = run(&rig(chosen, "amount = \"2.00\"", "2.00"));
    assert!(ran.passed(), "{:?}", ran.limits());
    assert_eq!(
        ran.trains(),
        [("card credit".to_owned(), 8, "long".to_owned())]
    );
}

#[test]
fn a_bill_is_not_drawn_in_while_a_sale_is_under_way() {
    let ran = old_bill_round(
        "",
        "[[script]]
do = \"wait-ready\"
[[script]]
do = \"insert-bill\"
value = \"1.00\"
[[script]]
expect = \"credit\"
value = \"1.00\"
[[script]]
do = \"select\"
item = 11
[[script]]
do = \"insert-bill\"
value = \"1.00\"
after = \"100 ms\"
[[script]]
expect = \"seen\"
text = \"inhibited\"
",
    );
    assert!(ran.passed(), "{:?}", ran.limits());
    assert_eq!(ran.balance("old bill stacker"), Money(100));
}

#[test]
fn an_acceptor_is_held_off_while_its_bill_could_not_be_changed() {
    let ran = run(&format!(
        "{TOP}
[[device]]
kind = \"pulse-bill-validator\"
name = \"bill\"
bills = [\"1.00\", \"5.00\"]
[[device]]
kind = \"pulse-hopper\"
name = \"hopper\"
coin = \"0.25\"
count = 16
[[script]]
do = \"wait-ready\"
[[script]]
do = \"insert-bill\"
value = \"1.00\"
[[script]]
expect = \"seen\"
text = \"not drawn in: inhibited\"
"
    ));
    // 5.00 less 0.75 is 4.25, and the hopper has 4.00.
    assert!(ran.passed(), "{:?}", ran.limits());
}

/// Every fault is found, by a finding of its lines or by the books; the verdict is never "passed".
#[test]
fn every_fault_that_costs_money_is_found() {
    let cases: [(&str, &[&str]); 9] = [
        ("wrong-profile = \"long\"", &["pulse-width", "money"]),
        ("width-percent = -50", &["pulse-width", "money"]),
        ("gap-percent = 80", &["pulse-gap"]),
        ("missing-pulses = 1", &["money"]),
        ("extra-pulses = 2", &["money"]),
        ("wrong-pulses = 4", &["money"]),
        ("stuck = \"resting\"", &["money"]),
        ("stuck = \"active\"", &["line-reversed", "money"]),
        ("reversed = true", &["line-reversed", "money"]),
    ];
    for (fault, expected) in cases {
        let ran = old_bill(fault, FEED_FIVE);
        let rules = ran.rules();
        for rule in expected {
            assert!(
                rules.iter().any(|r| r == rule),
                "{fault}: {:?}",
                ran.limits()
            );
        }
        assert!(!ran.passed(), "{fault}");
        assert!(ran.in_order_of_time(), "{fault}");
    }
}

#[test]
fn what_to_change_is_said() {
    let ran = old_bill("wrong-profile = \"long\"", FEED_FIVE);
    let text = &ran.limits()[0].1;
    assert!(text.contains("set the acceptor to short pulse"), "{text}");
    let ran = old_bill("stuck = \"resting\"", FEED_FIVE);
    assert_eq!(ran.advice(), ["line-silent"]);
    // Nobody fed it: nothing to say.
    let ran = old_bill("stuck = \"resting\"", "");
    assert_eq!(ran.advice(), Vec::<String>::new());
}

#[test]
fn bounce_and_jitter_inside_the_tolerance_cost_nothing() {
    let faults = "jitter = \"8 ms\"\nbounce = \"900 us\"\nglitch = \"100 us\"\nseed = 7";
    let ran = old_bill(faults, FEED_FIVE);
    assert!(ran.passed(), "{:?}", ran.limits());
    assert_eq!(ran.trains()[0].1, 5);
}

#[test]
fn money_taken_while_held_off_is_found() {
    let script = r#"
[[script]]
do = "wait-ready"
[[script]]
do = "insert-bill"
value = "1.00"
[[script]]
expect = "credit"
value = "1.00"
[[script]]
do = "select"
item = 11
[[script]]
do = "wait"
for = "10 s"
"#;
    let ran = old_bill_round("stray-after-inhibit = \"900 ms\"", script);
    let rules = ran.rules();
    assert!(
        rules.contains(&"pulse-while-inhibited".to_owned()),
        "{rules:?}"
    );
    assert!(rules.contains(&"money".to_owned()), "{rules:?}");
}

#[test]
fn a_power_cut_in_mid_train_loses_nothing() {
    let script = r#"
[[script]]
do = "wait-ready"
[[script]]
do = "insert-bill"
value = "5.00"
[[script]]
do = "power"
device = "old bill"
on = false
after = "2430 ms"
[[script]]
do = "power"
device = "old bill"
on = true
after = "3 s"
[[script]]
expect = "credit"
value = "5.00"
"#;
    let ran = old_bill("", script);
    assert!(ran.rules().is_empty(), "{:?}", ran.limits());
    let told = ran.entries.iter().any(|e| match e {
        Entry::Finding(f) => f.rule == "pulse-width" && f.text.contains("in the middle of a pulse"),
        _ => false,
    });
    assert!(told, "the pulse that the cut shortened is reported as that");
    assert_eq!(ran.trains().len(), 2);
    let ran = old_bill("forgets-on-power-cut = true", script);
    assert!(ran.rules().contains(&"money".to_owned()));
}

#[test]
fn a_recording_is_judged_as_its_bench_was() {
    for faults in [
        "",
        "wrong-profile = \"long\"",
        "gap-percent = 80",
        "reversed = true",
    ] {
        let ran = old_bill(faults, FEED_FIVE);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run.jsonl");
        let file = std::fs::File::create(&path).unwrap();
        let header = Header::new("test", "pulse lines", Some(1));
        let mut writer = RecordingWriter::start(file, &header).unwrap();
        for entry in &ran.entries {
            writer.entry(entry).unwrap();
        }
        drop(writer);
        let reading = read_file(&path, &ReadOptions::default()).unwrap();
        let again = Ran {
            entries: reading.entries,
            stage: ran.stage,
        };
        let ran = Ran {
            entries: ran.entries,
            stage: Bench::of(
                &payrig_rig::parse(
                    Path::new("t"),
                    &format!("{TOP}[[device]]\nkind=\"changer\"\nname=\"c\"\n"),
                )
                .unwrap(),
            ),
        };
        assert_eq!(again.trains(), ran.trains(), "{faults}");
        let own = |r: &Ran| {
            let mut rules = r.rules();
            rules.sort();
            rules
        };
        assert_eq!(own(&again), own(&ran), "{faults}");
    }
}

#[test]
fn mistakes_in_a_rig_name_line_and_nearest_word() {
    let say = |device: &str| {
        let text =
            format!("{TOP}[[device]]\nkind = \"pulse-bill-validator\"\nname = \"b\"\n{device}");
        payrig_rig::parse(Path::new("test.toml"), &text)
            .unwrap_err()
            .to_string()
    };
    let bills = "bills = [\"1.00\"]\n";
    let cases = [
        ("", "bills"),
        ("bills = [\"1.00\"]\nprofile = \"long\"", "profile"),
        ("bills = [\"1.50\"]", "cannot be expressed in pulses"),
        (
            "bills = [\"1.00\"]\n[device.pulse]\nprofile = \"lnog\"",
            "did you mean \"long\"?",
        ),
        (
            "bills = [\"1.00\"]\n[device.pulse]\nactve = \"low\"",
            "did you mean `active`?",
        ),
        (
            "bills = [\"1.00\"]\n[device.pulse]\non = \"50\"",
            "a time in quotes",
        ),
        (
            "bills = [\"1.00\"]\n[device.pulse]\ntrain-gap = \"20 ms\"",
            "train gap",
        ),
        (
            "bills = [\"1.00\"]\n[device.pulse]\npulses = 2\nwidths = [{ on = \"50 ms\", value = \"1.00\" }]",
            "one way only",
        ),
        (
            "bills = [\"1.00\"]\n[device.faults]\nwidth-percent = -100",
            "-99 to 1000",
        ),
        (
            "bills = [\"1.00\"]\n[device.faults]\njiter = \"1 ms\"",
            "did you mean `jitter`?",
        ),
        (
            "bills = [\"1.00\"]\n[device.faults]\nstuck = \"on\"",
            "active, resting",
        ),
    ];
    for (device, expected) in cases {
        let text = say(device);
        assert!(text.contains(expected), "{device}: {text}");
        assert!(text.contains("test.toml:"), "{text}");
    }
    let text = format!("{TOP}[[device]]\nkind = \"pulse-coin-aceptor\"\nname = \"b\"\n{bills}");
    let text = payrig_rig::parse(Path::new("test.toml"), &text)
        .unwrap_err()
        .to_string();
    assert!(
        text.contains("did you mean \"pulse-coin-acceptor\"?"),
        "{text}"
    );
}

/// Value in the width of the pulse, lines the other way up, times and inhibit of its own.
#[test]
fn a_profile_of_its_own_is_kept_to() {
    let rig = |faults: &str| {
        format!(
            "{TOP}
[[device]]
kind = \"pulse-coin-acceptor\"
name = \"coins\"
coins = [\"0.25\", \"1.00\"]
[device.pulse]
name = \"by width\"
active = \"high\"
widths = [{{ on = \"30 ms\", value = \"0.25\" }}, {{ on = \"80 ms\", value = \"1.00\" }}]
off = \"60 ms\"
tolerance-percent = 10
train-gap = \"250 ms\"
bounce = \"500 us\"
inhibit-line = \"enable\"
inhibits = \"low\"
silence = \"200 ms\"
[device.faults]
{faults}
[[script]]
do = \"wait-ready\"
[[script]]
do = \"insert-coin\"
value = \"1.00\"
[[script]]
expect = \"credit\"
value = \"1.00\"
[[script]]
do = \"insert-coin\"
value = \"0.25\"
[[script]]
expect = \"credit\"
value = \"1.25\"
"
        )
    };
    let ran = run(&rig(""));
    assert!(ran.passed(), "{:?}", ran.limits());
    let enable: Vec<bool> = ran.edges("coins enable").iter().map(|e| e.1).collect();
    assert_eq!(enable, [false, true], "an enable line: high lets it accept");
    let credit = ran.edges("coins credit");
    assert!(credit[0].1 && !credit[1].1, "pulses are high");
    assert_eq!(credit[1].0 - credit[0].0, 80_000);
    // 20 % shorter is another value's width for neither: nothing is credited, and it is said.
    let ran = run(&rig("width-percent = -20"));
    assert!(ran.rules().contains(&"pulse-width".to_owned()));
    assert!(ran.rules().contains(&"money".to_owned()));
}

/// Two bills in a row whose trains follow each other after a single pause: one train on the wire,
/// and still the right money.
#[test]
fn trains_that_run_together_are_counted_in_full() {
    let script = r#"
[[script]]
do = "wait-ready"
[[script]]
do = "insert-coin"
value = "1.00"
[[script]]
do = "insert-coin"
value = "1.00"
[[script]]
expect = "credit"
value = "2.00"
[[script]]
do = "wait"
for = "2 s"
"#;
    let text = format!(
        "{TOP}
[[device]]
kind = \"pulse-coin-acceptor\"
name = \"coins\"
coins = [\"1.00\"]
[device.faults]
trains-together = true
{script}"
    );
    let ran = run(&text);
    assert!(ran.passed(), "{:?}", ran.limits());
    assert_eq!(ran.trains()[0].1, 2);
    let ran = run(&text.replace("trains-together = true", ""));
    assert_eq!(ran.trains().len(), 2);
}

/// The rigs in the user's guide are rigs.
#[test]
fn the_examples_of_the_book_are_read() {
    let mut read = 0;
    for page in ["pulses.md", "pulse-bridges.md", "links.md"] {
        let path = payrig_tests::cli::file(&format!("docs/src/{page}"));
        let text = std::fs::read_to_string(path).unwrap();
        for block in text.split("```toml\n").skip(1) {
            let block = block.split("```").next().unwrap();
            // A link alone is of a rig that has something on it.
            let more = match block.contains("[[device]]") {
                true => "",
                false => "[[device]]\nkind = \"changer\"\nname = \"changer\"\n",
            };
            let rig = payrig_rig::parse(Path::new(page), &format!("{TOP}{block}{more}"));
            rig.unwrap_or_else(|e| panic!("{e}\n{block}"));
            read += 1;
        }
    }
    assert!(read >= 9, "{read}");
}
