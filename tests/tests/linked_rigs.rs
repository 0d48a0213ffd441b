//! Rigs with links of their own: two benches whose ports are connected, in bench time, without a
//! clock. What one sends, the other hears, like with a cable between two computers.

use payrig_bench::plan::{DeviceLink, DevicePlan};
use payrig_bench::{Bench, BusAt, LineLevel, Outbound, Plan};
use payrig_units::{Micros, Money};
use payrig_wire::port::{InLine, Lateness, OutLine};
use payrig_wire::reading::{ReadOptions, read_file};
use payrig_wire::recording::{Entry, Header, RecordingWriter};
use payrig_wire::{BusEvent, Edge, Source, TimedWord, Transmission, WORD_TIME};
use std::collections::BTreeMap;
use std::path::Path;

fn rig(text: &str) -> Plan {
    payrig_rig::parse(Path::new("test.toml"), text).unwrap_or_else(|e| panic!("{e}"))
}

/// A stage, its log, and what is under way to it.
struct Side {
    stage: Bench,
    log: Vec<Entry>,
    /// What comes to it, by time.
    coming: BTreeMap<(Micros, usize), Coming>,
    count: usize,
    /// When its last word is over, by bus.
    busy: BTreeMap<BusAt, Micros>,
    /// Buses on which it is the master.
    masters: Vec<BusAt>,
}

#[derive(Clone)]
enum Coming {
    Heard(BusAt, BusEvent),
    Sent(BusAt, BusEvent),
    Seen(String, InLine, Edge),
    Driven(String, OutLine, Edge),
}

impl Side {
    fn new(rig: &Plan) -> Self {
        let mut masters = Vec::new();
        if rig
            .link
            .as_ref()
            .is_some_and(|l| l.outside == Source::Peripheral)
        {
            masters.push(BusAt::Board);
        }
        let on_bus = |d: &&DevicePlan| matches!(d.link, Some(DeviceLink::Bus(_)));
        let bridges = rig.devices.iter().filter(|d| d.is_outside()).filter(on_bus);
        masters.extend(bridges.filter_map(|d| Some(BusAt::Beside(d.behind.clone()?))));
        Self {
            masters,
            stage: Bench::of(rig),
            log: Vec::new(),
            coming: BTreeMap::new(),
            count: 0,
            busy: BTreeMap::new(),
        }
    }

    fn queue(&mut self, at: Micros, what: Coming) {
        self.count += 1;
        self.coming.insert((at, self.count), what);
    }

    fn next(&self) -> Micros {
        let coming = self.coming.keys().next().map_or(Micros::NEVER, |k| k.0);
        self.stage.next_deadline().min(coming)
    }

    fn advance(&mut self, now: Micros) {
        while let Some(entry) = self.coming.first_entry() {
            if entry.key().0 > now {
                break;
            }
            self.stage.move_on(entry.key().0);
            match entry.remove() {
                Coming::Heard(bus, event) => self.stage.heard_on_link(&bus, &event),
                Coming::Sent(bus, event) => {
                    self.stage.sent_on_link(&bus, &event, Lateness::default());
                }
                Coming::Seen(port, line, edge) => {
                    self.stage.line_seen(&port, line, edge, Micros(125));
                }
                Coming::Driven(port, line, edge) => {
                    self.stage.line_driven(&port, line, edge, Micros::ZERO);
                }
            }
        }
        self.stage.advance(now);
        self.log.extend(self.stage.take_entries());
    }

    fn limits(&self) -> Vec<String> {
        let limit = |e: &Entry| match e {
            Entry::Finding(f) if f.is_limit() => Some(format!("{}: {}", f.rule, f.text)),
            _ => None,
        };
        self.log.iter().filter_map(limit).collect()
    }

    fn balance(&self, place: &str) -> Money {
        let ledger = self.stage.books().ledger();
        let mut all = ledger.balances();
        all.find(|(p, _)| p.to_string() == place)
            .map_or(Money::ZERO, |(_, m)| m)
    }

    fn notes(&self) -> Vec<&str> {
        let mut notes = Vec::new();
        for entry in &self.log {
            if let Entry::Note { text, .. } = entry {
                notes.push(text.as_str());
            }
        }
        notes
    }

    fn moved(&self) -> Vec<String> {
        let movement = |e: &Entry| match e {
            Entry::Movement(m) => Some(format!(
                "{} > {}: {} ({})",
                m.from,
                m.to,
                m.amount.as_minor(),
                m.why
            )),
            _ => None,
        };
        self.log.iter().filter_map(movement).collect()
    }
}

/// The other side's line that a line drives, as with a null-modem cable.
fn crossed(line: OutLine) -> InLine {
    match line {
        OutLine::Rts => InLine::Cts,
        OutLine::Dtr => InLine::Dsr,
        OutLine::TxBreak => InLine::Ri,
    }
}

/// Two benches; buses of the first are connected to buses of the second by these names, and modem
/// lines of the port "A" to those of "B".
struct Pair {
    a: Side,
    b: Side,
    buses: Vec<(BusAt, BusAt)>,
}

impl Pair {
    fn new(a: &str, b: &str, buses: &[(BusAt, BusAt)]) -> Self {
        Self {
            a: Side::new(&rig(a)),
            b: Side::new(&rig(b)),
            buses: buses.to_vec(),
        }
    }

    /// Runs until both have ended, or for `most`.
    fn run(&mut self, most: Micros) {
        loop {
            self.carry();
            let next = self.a.next().min(self.b.next());
            if next > most {
                self.a.stage.finish_now();
                self.b.stage.finish_now();
                self.a.advance(most);
                self.b.advance(most);
                return;
            }
            self.a.advance(next);
            self.b.advance(next);
            if self.a.stage.ended() && self.b.stage.ended() {
                return;
            }
        }
    }

    fn carry(&mut self) {
        while let Some(out) = self.a.stage.take_outbound() {
            let map = |bus: &BusAt| {
                self.buses
                    .iter()
                    .find(|(a, _)| a == bus)
                    .map(|(_, b)| b.clone())
            };
            deliver(&mut self.a, &mut self.b, out, map, "B");
        }
        while let Some(out) = self.b.stage.take_outbound() {
            let map = |bus: &BusAt| {
                self.buses
                    .iter()
                    .find(|(_, b)| b == bus)
                    .map(|(a, _)| a.clone())
            };
            deliver(&mut self.b, &mut self.a, out, map, "A");
        }
    }
}

fn deliver(
    from: &mut Side,
    to: &mut Side,
    out: Outbound,
    map: impl Fn(&BusAt) -> Option<BusAt>,
    port: &str,
) {
    match out {
        Outbound::Act(action) => panic!("nobody at a port is asked to {action:?}"),
        Outbound::Edge {
            port: own,
            line,
            edge,
        } => {
            from.queue(edge.at, Coming::Driven(own, line, edge));
            to.queue(edge.at, Coming::Seen(port.to_owned(), crossed(line), edge));
        }
        Outbound::Words { bus, sent } => {
            let far = map(&bus).unwrap_or_else(|| panic!("{bus} is connected to nothing"));
            let source = match from.masters.contains(&bus) {
                true => Source::Master,
                false => Source::Peripheral,
            };
            let busy = from.busy.entry(bus.clone()).or_default();
            match sent {
                Transmission::Words { at, words, gap } => {
                    let mut start = at.max(*busy);
                    for word in words {
                        let end = start + WORD_TIME;
                        let event = BusEvent::Word(TimedWord {
                            start,
                            end,
                            source,
                            word,
                            uncertainty: Micros::ZERO,
                        });
                        *busy = end;
                        start = end + gap;
                        from.count += 1;
                        from.coming
                            .insert((end, from.count), Coming::Sent(bus.clone(), event));
                        to.queue(end, Coming::Heard(far.clone(), event));
                    }
                }
                Transmission::Break { at, length } => {
                    let (start, end) = (at.max(*busy), at.max(*busy) + length);
                    *busy = end;
                    let event = BusEvent::Break {
                        start,
                        end,
                        source,
                        uncertainty: Micros::ZERO,
                    };
                    from.queue(end, Coming::Sent(bus, event));
                    to.queue(end, Coming::Heard(far, event));
                }
            }
        }
    }
}

const BENCH: &str = "[bench]\nname = \"test\"\n";

/// An emulated acceptor on modem lines of the port "A", for a board that is outside.
const ACCEPTOR_OUT: &str = r#"
[[device]]
kind = "pulse-bill-validator"
name = "old"
bills = ["1.00", "5.00"]
[device.link]
port = "A"
"#;

/// The same acceptor seen from the other end: real.
const ACCEPTOR_IN: &str = r#"
[[device]]
kind = "pulse-bill-validator"
name = "old"
bills = ["1.00", "5.00"]
[device.link]
port = "B"
outside = "device"
"#;

const BRIDGE: &str = "[[device]]\nkind = \"bridge\"\nname = \"bridge\"\nfrom = \"old\"\n";

const BOARD: &str =
    "[board]\nkind = \"controller\"\n[[board.item]]\nnumber = 11\nprice = \"1.00\"\n";
const NO_BOARD: &str = "[board]\nkind = \"outside\"\n";

/// Two bills, when the other side has had time to be ready.
fn feed(device: &str) -> String {
    format!(
        "[[script]]\ndo = \"insert-bill\"\ndevice = \"{device}\"\nvalue = \"5.00\"\nafter = \"5 s\"\n\
         [[script]]\ndo = \"insert-bill\"\ndevice = \"{device}\"\nvalue = \"1.00\"\nafter = \"6 s\"\n\
         [[script]]\ndo = \"wait\"\nfor = \"8 s\"\n"
    )
}

fn credit(amount: &str) -> String {
    format!("[[script]]\nexpect = \"credit\"\nvalue = \"{amount}\"\nwithin = \"20 s\"\n")
}

#[test]
fn a_real_acceptor_behind_a_bridge_on_the_boards_virtual_bus() {
    let a = format!("{BENCH}{NO_BOARD}{ACCEPTOR_OUT}{}", feed("old"));
    let b = format!("{BENCH}{BOARD}{ACCEPTOR_IN}{BRIDGE}{}", credit("6.00"));
    let mut pair = Pair::new(&a, &b, &[]);
    pair.run(Micros::secs(60));
    assert!(pair.a.limits().is_empty(), "{:?}", pair.a.limits());
    assert!(pair.b.limits().is_empty(), "{:?}", pair.b.limits());
    assert_eq!(pair.a.balance("old stacker"), Money(600));
    // What came in on pulses is booked, with how well it is known.
    assert_eq!(pair.b.balance("old stacker"), Money(600));
    let moved = pair.b.moved();
    let counted = "customer > old stacker: 500 (5 pulses counted, edges known to 0.125 ms";
    assert!(moved.iter().any(|m| m.starts_with(counted)), "{moved:?}");
    let notes = pair.a.notes();
    assert!(
        notes
            .iter()
            .any(|n| n.contains("old took 6.00, and the pulses of old said as much")),
        "{notes:?}"
    );
}

#[test]
fn a_real_acceptor_straight_on_the_boards_credit_input() {
    let a = format!("{BENCH}{NO_BOARD}{ACCEPTOR_OUT}{}", feed("old"));
    let b = format!("{BENCH}{BOARD}{ACCEPTOR_IN}{}", credit("6.00"));
    let mut pair = Pair::new(&a, &b, &[]);
    pair.run(Micros::secs(60));
    assert!(pair.a.limits().is_empty() && pair.b.limits().is_empty());
    assert_eq!(pair.b.balance("old stacker"), Money(600));
}

/// The other way round: real modem lines in, a real bus out; the board is at the far end of the
/// bus, and it is the first bench's own.
#[test]
fn a_real_acceptor_behind_a_bridge_on_a_real_bus() {
    let a = format!(
        "{BENCH}[link]\nport = \"pty\"\noutside = \"devices\"\n{BOARD}{ACCEPTOR_OUT}
[[device]]
kind = \"bill-validator\"
name = \"the bridge over there\"
bills = [\"1.00\", \"5.00\"]
level = 1
{}{}",
        feed("old"),
        credit("6.00")
    );
    let b = format!("{BENCH}[link]\nport = \"pty\"\n{NO_BOARD}{ACCEPTOR_IN}{BRIDGE}");
    let mut pair = Pair::new(&a, &b, &[(BusAt::Board, BusAt::Board)]);
    pair.run(Micros::secs(60));
    assert!(pair.a.limits().is_empty(), "{:?}", pair.a.limits());
    assert!(pair.b.limits().is_empty(), "{:?}", pair.b.limits());
    assert_eq!(pair.b.balance("old stacker"), Money(600));
    // Our board's claims about a device that is outside are booked as it reported them.
    assert_eq!(pair.a.balance("the bridge over there stacker"), Money(600));
}

/// A bridge on a port of its own, while the board's own bus is virtual.
#[test]
fn a_real_acceptor_behind_a_bridge_on_a_port_of_its_own() {
    let a = format!(
        "{BENCH}[link]\nport = \"pty\"\noutside = \"devices\"\n{BOARD}{ACCEPTOR_OUT}
[[device]]
kind = \"bill-validator\"
name = \"far\"
bills = [\"1.00\", \"5.00\"]
level = 1
{}{}",
        feed("old"),
        credit("6.00")
    );
    let b = format!("{BENCH}{NO_BOARD}{ACCEPTOR_IN}{BRIDGE}[device.link]\nport = \"pty\"\n");
    let beside = BusAt::Beside("bridge".to_owned());
    let mut pair = Pair::new(&a, &b, &[(BusAt::Board, beside)]);
    pair.run(Micros::secs(60));
    assert!(pair.a.limits().is_empty(), "{:?}", pair.a.limits());
    assert!(pair.b.limits().is_empty(), "{:?}", pair.b.limits());
}

const VALIDATOR: &str = r#"
[[device]]
kind = "bill-validator"
name = "new"
bills = ["1.00", "5.00"]
level = 1
"#;

/// A real validator, with the bridge as its VMC, drives our board's credit input.
#[test]
fn a_real_validator_behind_a_bridge_to_a_virtual_credit_line() {
    let a = format!(
        "{BENCH}{NO_BOARD}{VALIDATOR}[device.link]\nport = \"pty\"\n[[script]]\ndo = \"wait-ready\"\n{}",
        feed("new")
    );
    let b = format!(
        "{BENCH}{BOARD}{VALIDATOR}[device.link]\nport = \"pty\"\noutside = \"device\"
[[device]]
kind = \"bridge\"
name = \"bridge\"
from = \"new\"
{}",
        credit("6.00")
    );
    let (one, other) = (BusAt::Beside("new".into()), BusAt::Beside("bridge".into()));
    let mut pair = Pair::new(&a, &b, &[(one, other)]);
    pair.run(Micros::secs(60));
    assert!(pair.a.limits().is_empty(), "{:?}", pair.a.limits());
    assert!(pair.b.limits().is_empty(), "{:?}", pair.b.limits());
    assert_eq!(pair.a.balance("new stacker"), Money(600));
    assert_eq!(
        pair.b.balance("new stacker"),
        Money(600),
        "by its own report"
    );
}

/// Emulated validator, bridge, modem lines; at their other end a real acceptor for the other bench.
#[test]
fn a_validator_behind_a_bridge_on_modem_lines() {
    let a = format!(
        "{BENCH}{NO_BOARD}{VALIDATOR}
[[device]]
kind = \"bridge\"
name = \"bridge\"
from = \"new\"
[device.link]
port = \"A\"
lines = {{ credit = \"tx-break\", inhibit = \"cts\" }}
[[script]]
do = \"wait-ready\"
{}",
        feed("new")
    );
    let b = format!(
        "{BENCH}{BOARD}{ACCEPTOR_IN}lines = {{ credit = \"ri\", inhibit = \"rts\" }}\n{}",
        credit("6.00")
    );
    let mut pair = Pair::new(&a, &b, &[]);
    pair.run(Micros::secs(60));
    assert!(pair.a.limits().is_empty(), "{:?}", pair.a.limits());
    assert!(pair.b.limits().is_empty(), "{:?}", pair.b.limits());
    assert_eq!(pair.b.balance("old stacker"), Money(600));
    let notes = pair.a.notes();
    let said = "new took 6.00, and the pulses of bridge said as much";
    assert!(notes.iter().any(|n| n.contains(said)), "{notes:?}");
}

/// A pulse that is lost before it is sent: the sender's own bench says what was not reported, and the
/// other books what came.
#[test]
fn a_missing_pulse_on_real_lines_is_found_where_the_money_is() {
    let faulty = format!("{ACCEPTOR_OUT}[device.faults]\nmissing-pulses = 1\nevery = 2\n");
    let a = format!("{BENCH}{NO_BOARD}{faulty}{}", feed("old"));
    let b =
        format!("{BENCH}{BOARD}{ACCEPTOR_IN}{BRIDGE}[[script]]\ndo = \"wait\"\nfor = \"25 s\"\n");
    let mut pair = Pair::new(&a, &b, &[]);
    pair.run(Micros::secs(60));
    let limits = pair.a.limits();
    let found = limits
        .iter()
        .any(|l| l.contains("was taken and not reported"));
    assert!(found, "{limits:?}");
    assert!(pair.b.limits().is_empty(), "{:?}", pair.b.limits());
    let (taken, told) = (pair.a.balance("old stacker"), pair.b.balance("old stacker"));
    assert!(told < taken && told > Money::ZERO, "{told:?} of {taken:?}");
}

/// While the other side is not ready, and when it has ended, the acceptor is held off.
#[test]
fn a_real_acceptor_is_held_off_before_and_after() {
    let early = "[[script]]\ndo = \"insert-bill\"\ndevice = \"old\"\nvalue = \"5.00\"\nafter = \"100 ms\"\n\
                 [[script]]\ndo = \"wait\"\nfor = \"3 s\"\n";
    let late = "[[script]]\ndo = \"insert-bill\"\ndevice = \"old\"\nvalue = \"5.00\"\nafter = \"20 s\"\n\
                [[script]]\ndo = \"wait\"\nfor = \"3 s\"\n";
    for script in [early, late] {
        let a = format!("{BENCH}{NO_BOARD}{ACCEPTOR_OUT}{script}");
        // Five seconds after it is ready the second bench is over.
        let b = format!(
            "{BENCH}{BOARD}{ACCEPTOR_IN}{BRIDGE}[[script]]\ndo = \"wait-ready\"\n\
             [[script]]\ndo = \"wait\"\nfor = \"5 s\"\n"
        );
        let mut pair = Pair::new(&a, &b, &[]);
        pair.run(Micros::secs(60));
        assert_eq!(pair.a.balance("old stacker"), Money::ZERO, "{script}");
    }
}

/// One bridge behind another, in one rig: pulses to the bus to pulses, and the bus to pulses to the
/// bus. Every cent arrives, and the account is that of the device at the far end.
#[test]
fn bridges_in_a_chain_carry_every_cent() {
    let pulses = "
[[device]]
kind = \"pulse-bill-validator\"
name = \"first\"
bills = [\"1.00\", \"5.00\"]
[[device]]
kind = \"bridge\"
name = \"one\"
from = \"first\"
[[device]]
kind = \"bridge\"
name = \"two\"
from = \"one\"
[device.pulse]
profile = \"long\"
";
    let bus = VALIDATOR.replace("\"new\"", "\"first\"")
        + "
[[device]]
kind = \"bridge\"
name = \"one\"
from = \"first\"
[[device]]
kind = \"bridge\"
name = \"two\"
from = \"one\"
";
    for devices in [pulses, &bus] {
        let text = format!(
            "{BENCH}{BOARD}{devices}[[script]]\ndo = \"wait-ready\"\n{}{}",
            feed("first"),
            credit("6.00")
        );
        let mut side = Side::new(&rig(&text));
        while !side.stage.ended() {
            let next = side.next();
            side.advance(next);
        }
        assert!(side.limits().is_empty(), "{:?}\n{devices}", side.limits());
        assert_eq!(side.balance("first stacker"), Money(600));
        assert_eq!(side.balance("board: received from two"), Money(-600));
    }
}

/// The recording of a bench with a real acceptor, read again: the same trains, findings and money.
#[test]
fn the_recording_of_a_real_acceptor_reads_the_same() {
    let faulty = format!("{ACCEPTOR_OUT}[device.faults]\nwrong-profile = \"long\"\n");
    for acceptor in [ACCEPTOR_OUT, &faulty] {
        let a = format!("{BENCH}{NO_BOARD}{acceptor}{}", feed("old"));
        let wait = "[[script]]\ndo = \"wait\"\nfor = \"25 s\"\n";
        let b = format!("{BENCH}{BOARD}{ACCEPTOR_IN}{BRIDGE}{wait}");
        let mut pair = Pair::new(&a, &b, &[]);
        pair.run(Micros::secs(60));
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("b.recording.jsonl");
        let header = Header::new("test", "test", None);
        let file = std::fs::File::create(&path).unwrap();
        let mut writer = RecordingWriter::start(file, &header).unwrap();
        for entry in &pair.b.log {
            writer.entry(entry).unwrap();
        }
        let read = read_file(&path, &ReadOptions::default()).unwrap();
        let worth = |log: &[Entry]| -> Vec<String> {
            let one = |e: &Entry| match e {
                Entry::Train(t) => Some(format!("{:?}", t.text)),
                Entry::Movement(m) => Some(format!("{} {}", m.to, m.amount.as_minor())),
                Entry::Finding(f) => Some(format!("{} {}", f.rule, f.text)),
                _ => None,
            };
            let mut all: Vec<String> = log.iter().filter_map(one).collect();
            all.sort();
            all
        };
        assert_eq!(worth(&read.entries), worth(&pair.b.log));
        assert!(worth(&read.entries).len() > 3);
    }
}

/// An emulated hopper on modem lines pays while the board outside holds its motor line, a pulse per
/// coin, and its bench says what left it.
#[test]
fn an_emulated_hopper_pays_at_the_word_of_a_real_board() {
    let text = format!(
        "{BENCH}{NO_BOARD}[[device]]\nkind = \"pulse-hopper\"\nname = \"hopper\"\ncoin = \"0.25\"\n\
         count = 20\n[device.link]\nport = \"A\"\nlines = {{ motor = \"dcd\", exit = \"dtr\" }}\n"
    );
    let mut side = Side::new(&rig(&text));
    let motor = |at, high| Coming::Seen("A".to_owned(), InLine::Dcd, Edge { at, high });
    side.queue(Micros::secs(1), motor(Micros::secs(1), true));
    side.queue(Micros::secs(3), motor(Micros::secs(3), false));
    let mut pulses = 0;
    while side.next() <= Micros::secs(6) {
        let next = side.next();
        side.advance(next);
        while let Some(out) = side.stage.take_outbound() {
            let Outbound::Edge { port, line, edge } = out else {
                panic!("{out:?}")
            };
            assert_eq!((port.as_str(), line), ("A", OutLine::Dtr));
            pulses += i64::from(!edge.high);
        }
    }
    side.stage.finish_now();
    side.advance(Micros::secs(6));
    assert!(pulses > 3, "{pulses}");
    assert_eq!(side.balance("hopper hopper"), Money(500 - 25 * pulses));
    assert!(side.limits().is_empty(), "{:?}", side.limits());
    let notes = side.notes().join("; ");
    assert!(notes.contains("only that board can say"), "{notes}");
}

/// A link that knows its edges to 2 ms cannot tell a pulse of 59 ms from one of 62 ms, where 60 ms is
/// the limit: that is advice. One that knows them exactly can.
#[test]
fn the_uncertainty_of_a_link_is_part_of_every_verdict() {
    for (width, uncertainty, limits, advice) in [
        (62_u64, 2_000, 0, 1),
        (59, 2_000, 0, 1),
        (62, 0, 1, 0),
        (59, 0, 0, 0),
        (70, 2_000, 1, 0),
    ] {
        // Whoever counts, a board or a bridge, knows no better: the books agree.
        let bridge = if width % 2 == 0 { BRIDGE } else { "" };
        let text = format!("{BENCH}{BOARD}{ACCEPTOR_IN}{bridge}");
        let mut side = Side::new(&rig(&text));
        side.advance(Micros::secs(1));
        for (ms, high) in [(2_000, false), (2_000 + width, true)] {
            let at = Micros::ms(ms);
            side.advance(at);
            side.stage
                .line_seen("B", InLine::Cts, Edge { at, high }, Micros(uncertainty));
        }
        while side.next() < Micros::secs(8) {
            let next = side.next();
            side.advance(next);
        }
        side.stage.finish_now();
        side.advance(Micros::secs(8));
        assert!(
            side.limits().iter().all(|l| !l.starts_with("money")),
            "{:?}",
            side.limits()
        );
        let count = |limit: bool| {
            let of = |e: &&Entry| match e {
                Entry::Finding(f) => f.rule == "pulse-width" && f.is_limit() == limit,
                _ => false,
            };
            side.log.iter().filter(of).count()
        };
        assert_eq!(
            (count(true), count(false)),
            (limits, advice),
            "{width} ms, {uncertainty} us"
        );
        // What is too close to tell is counted; what is proved wrong is not.
        let taken = Money(if limits == 0 { 100 } else { 0 });
        assert_eq!(
            side.balance("old stacker"),
            taken,
            "{width} ms, {uncertainty} us"
        );
    }
}

/// A real line that never moves is named, with what to check; also when the recording is read.
#[test]
fn a_real_line_that_never_moves_is_named_with_what_to_check() {
    let wait = "[[script]]\ndo = \"wait\"\nfor = \"5 s\"\n";
    let text = format!("{BENCH}{BOARD}{ACCEPTOR_IN}{BRIDGE}{wait}");
    let mut side = Side::new(&rig(&text));
    while !side.stage.ended() {
        let next = side.next();
        side.advance(next);
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("still.recording.jsonl");
    let header = Header::new("test", "test", None);
    let mut writer =
        RecordingWriter::start(std::fs::File::create(&path).unwrap(), &header).unwrap();
    for entry in &side.log {
        writer.entry(entry).unwrap();
    }
    let read = read_file(&path, &ReadOptions::default()).unwrap();
    for log in [&side.log, &read.entries] {
        let found = log.iter().find_map(|e| match e {
            Entry::Finding(f) if f.rule == "line-silent" => Some(f.text.clone()),
            _ => None,
        });
        let found = found.unwrap_or_else(|| panic!("{log:?}"));
        for word in ["common ground", "pull-up", "polarity", "inhibit"] {
            assert!(found.contains(word), "{found}");
        }
    }
}

/// Runs a bench whose CTS has this level as it begins, where that is known, and moves at these times.
/// Gives what `nothing-read` says and the notes; the reading of its recording says the same.
fn with_cts(
    text: &str,
    level: Option<bool>,
    edges: &[(u64, bool)],
    optional: bool,
) -> (Vec<String>, String) {
    let rig = rig(text);
    let levels = level.map(|high| {
        ["A", "B"].map(|port| LineLevel {
            port: port.to_owned(),
            line: InLine::Cts,
            high,
        })
    });
    let levels = levels.iter().flatten().cloned().collect::<Vec<_>>();
    let mut side = Side::new(&rig);
    side.stage = Bench::live(&rig, &levels);
    if optional {
        side.stage.peer_optional();
    }
    for &(ms, high) in edges {
        let at = Micros::ms(ms);
        for port in ["A", "B"] {
            let seen = Coming::Seen(port.to_owned(), InLine::Cts, Edge { at, high });
            side.queue(at, seen);
        }
    }
    while side.next() <= Micros::secs(30) {
        let next = side.next();
        side.advance(next);
        while side.stage.take_outbound().is_some() {}
    }
    side.stage.finish_now();
    side.advance(Micros::secs(30));
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("it.recording.jsonl");
    let header = Header::new("test", "test", None).with_peer_optional(optional);
    let header = header.live("2026-11-29T03:00:00Z").ours(rig.ours());
    let file = std::fs::File::create(&path).unwrap();
    let mut writer = RecordingWriter::start(file, &header).unwrap();
    for entry in &side.log {
        writer.entry(entry).unwrap();
    }
    let read = read_file(&path, &ReadOptions::default()).unwrap();
    let silent = |log: &[Entry]| -> Vec<_> {
        let one = |e: &Entry| match e {
            Entry::Finding(f) if f.rule == "nothing-read" => Some(f.clone()),
            _ => None,
        };
        log.iter().filter_map(one).collect()
    };
    let found = silent(&side.log);
    assert_eq!(silent(&read.entries), found);
    let passed = matches!(side.log.last(), Some(Entry::Verdict { passed: true, .. }));
    assert_eq!(read.passed, passed, "{text}");
    assert!(found.is_empty() || !passed, "{found:?}");
    let found = found.into_iter().map(|f| f.text).collect();
    (found, side.notes().join("; "))
}

/// A pulse link on which nobody outside did anything does not pass, whatever payrig did on it; where
/// nobody need be there it passes, and is said all the same.
#[test]
fn nobody_at_the_other_end_of_pulse_lines_does_not_pass() {
    let bridge_out = format!(
        "{VALIDATOR}[[device]]\nkind = \"bridge\"\nname = \"bridge\"\nfrom = \"new\"\n\
         [device.link]\nport = \"A\"\n"
    );
    let hopper_out = "[[device]]\nkind = \"pulse-hopper\"\nname = \"hopper\"\ncoin = \"0.25\"\ncount = 20\n\
                      [device.link]\nport = \"A\"\n";
    let real = "old sent no pulse: credit (CTS of B) never moved";
    let no_board = |device: &str, line: &str| {
        format!(
            "no board was seen at the other end of the lines of {device}: {line} (CTS of A) never moved"
        )
    };
    let cases = [
        // A real acceptor that never sends: by itself, and behind a bridge.
        (format!("{BOARD}{ACCEPTOR_IN}"), real.to_owned()),
        (format!("{BOARD}{ACCEPTOR_IN}{BRIDGE}"), real.to_owned()),
        // Our acceptor takes money and sends pulses: that is no board yet.
        (
            format!("{NO_BOARD}{ACCEPTOR_OUT}{}", feed("old")),
            no_board("old", "inhibit"),
        ),
        (
            format!("{NO_BOARD}{bridge_out}"),
            no_board("bridge", "inhibit"),
        ),
        (
            format!("{NO_BOARD}{hopper_out}"),
            no_board("hopper", "motor"),
        ),
    ];
    for (rig, says) in cases {
        let rig = format!("{BENCH}{rig}");
        for level in [None, Some(true)] {
            let (found, _) = with_cts(&rig, level, &[], false);
            assert!(
                matches!(found.as_slice(), [one] if one.starts_with(&says) && one.contains("nobody need be there")),
                "{rig}: {found:?}"
            );
        }
        let (found, notes) = with_cts(&rig, Some(true), &[], true);
        assert!(found.is_empty(), "{rig}: {found:?}");
        assert!(notes.contains(&says), "{rig}: {notes}");
        // Edges that say the same level again are none.
        let (found, _) = with_cts(&rig, Some(true), &[(2_000, true)], false);
        assert_eq!(found.len(), 1, "{rig}: {found:?}");
        // One pulse of the acceptor, or of the board, is somebody.
        let (found, _) = with_cts(&rig, Some(true), &[(2_000, false), (2_050, true)], false);
        assert!(found.is_empty(), "{rig}: {found:?}");
    }
}

/// A board that holds a line where an open input would not be is there, though it never moves it; an
/// acceptor that does no more has sent nothing. Where no line of a board is watched, none is missed.
#[test]
fn a_board_that_holds_a_line_is_there() {
    let ours = |keys: &str| format!("{BENCH}{NO_BOARD}{ACCEPTOR_OUT}{keys}\n");
    let real = format!("{BENCH}{BOARD}{ACCEPTOR_IN}");
    for (rig, level, silent) in [
        (ours(""), false, false),
        (ours(""), true, true),
        (ours("asserted = \"high\""), false, true),
        (ours("asserted = \"high\""), true, false),
        (real, false, true),
    ] {
        let (found, _) = with_cts(&rig, Some(level), &[], false);
        assert_eq!(!found.is_empty(), silent, "{rig} {level}: {found:?}");
    }
    let script = feed("old");
    let unseen = ours(&format!("lines = {{ credit = \"rts\" }}\n{script}"));
    let (found, notes) = with_cts(&unseen, None, &[], false);
    assert!(found.is_empty(), "{found:?}");
    assert!(
        notes.contains("whether one is there is not seen"),
        "{notes}"
    );
}

/// Somebody who connects a real acceptor is told what may go wrong when payrig is gone.
#[test]
fn an_inhibit_that_is_not_there_or_not_safe_is_said() {
    let notes = |keys: &str| {
        let text = format!("{BENCH}{BOARD}{ACCEPTOR_IN}{keys}\n");
        let mut side = Side::new(&rig(&text));
        side.advance(Micros::ms(500));
        side.notes().join("; ")
    };
    assert!(!notes("").contains("nobody counts"));
    let none = notes("lines = { credit = \"cts\" }");
    assert!(none.contains("its inhibit is on no modem line"), "{none}");
    let unsafe_level = notes("asserted = \"high\"");
    assert!(
        unsafe_level.contains("RTS of B is released"),
        "{unsafe_level}"
    );
}

/// A validator, a bridge to pulses and a bridge to the bus; the two bridges are on one supply, which
/// is cut whenever it will. (A validator that is cut while it puts a bill away forgets it: that is
/// the validator's, and the books name it.)
#[test]
fn bridges_on_one_supply_lose_no_cent_whenever_it_is_cut() {
    for at in (0..9_000_000_u64).step_by(97_000) {
        let mut script = String::from(
            "[[script]]\ndo = \"wait-ready\"\n[[script]]\ndo = \"insert-bill\"\ndevice = \"new\"\n\
             value = \"5.00\"\nafter = \"1 s\"\n",
        );
        for (on, after) in [("false", format!("{at} us")), ("true", "900 ms".to_owned())] {
            for (i, device) in ["one", "two"].into_iter().enumerate() {
                let after = if i == 0 { after.as_str() } else { "0 s" };
                script += &format!(
                    "[[script]]\ndo = \"power\"\ndevice = \"{device}\"\non = {on}\nafter = \"{after}\"\n"
                );
            }
        }
        let text = format!(
            "{BENCH}{BOARD}{VALIDATOR}[[device]]\nkind = \"bridge\"\nname = \"one\"\nfrom = \"new\"\n\
             [[device]]\nkind = \"bridge\"\nname = \"two\"\nfrom = \"one\"\n{script}\
             [[script]]\ndo = \"wait\"\nfor = \"40 s\"\n"
        );
        let mut side = Side::new(&rig(&text));
        while !side.stage.ended() {
            let next = side.next();
            side.advance(next);
        }
        let money: Vec<String> = side
            .limits()
            .into_iter()
            .filter(|l| l.starts_with("money"))
            .collect();
        assert!(money.is_empty(), "cut {at} us after the bill: {money:?}");
    }
}

/// What a rig can say wrong about links: each error names its line and what to write.
#[test]
fn mistakes_about_links_name_the_line_and_what_to_write() {
    let say = |text: String| {
        let error = payrig_rig::parse(Path::new("test.toml"), &text).unwrap_err();
        assert!(error.line > 1, "{error}");
        error.to_string()
    };
    let acceptor =
        "[[device]]\nkind = \"pulse-bill-validator\"\nname = \"old\"\nbills = [\"1.00\"]\n";
    let link = |keys: &str| format!("{BENCH}{NO_BOARD}{acceptor}[device.link]\n{keys}\n");
    for (text, expected) in [
        (link(""), "needs `port`"),
        (link("port = \"pty\""), "has no modem lines"),
        (
            link("port = \"A\"\nlines = { credit = \"cts\" }"),
            "expected one of rts, dtr, tx-break (this line goes out",
        ),
        (
            link("port = \"A\"\noutside = \"device\"\nlines = { credit = \"rts\" }"),
            "expected one of cts, dsr, dcd, ri (this line comes in",
        ),
        (
            link("port = \"A\"\nlines = { credt = \"rts\" }"),
            "lines it has: credit, inhibit",
        ),
        (
            link("port = \"A\"\nlines = { inhibit = \"cts\" }"),
            "nothing could come of it",
        ),
        (link("port = \"A\"\nasserted = \"hi\""), "one of low, high"),
        (
            link("port = \"A\"\noutside = \"device\"\n[device.faults]\nreversed = true"),
            "leave [device.faults] out",
        ),
        (
            link("port = \"A\"")
                + &acceptor.replace("old", "other")
                + "[device.link]\nport = \"A\"",
            "RTS of port A is used by old already",
        ),
        (
            link("port = \"A\"") + BRIDGE,
            "has two other ends: the bridge \"bridge\"",
        ),
        (
            format!(
                "{BENCH}{NO_BOARD}{VALIDATOR}[device.link]\nport = \"pty\"\noutside = \"device\"\n"
            ),
            "no bridge is its VMC",
        ),
        (
            format!("{BENCH}[link]\nport = \"pty\"\noutside = \"devices\"\n{NO_BOARD}{VALIDATOR}"),
            "one side must be ours",
        ),
        (
            format!("{BENCH}[link]\nport = \"pty\"\n{BOARD}{VALIDATOR}"),
            "write kind = \"outside\" in [board]",
        ),
        (
            format!("{BENCH}[link]\nport = \"A\"\ncoding = \"plain\"\n{NO_BOARD}{VALIDATOR}"),
            "is for a pseudo-terminal",
        ),
        (
            format!("{BENCH}[link]\nport = \"pty\"\nreconect = \"3 s\"\n{NO_BOARD}{VALIDATOR}"),
            "did you mean `reconnect`?",
        ),
        (
            format!("{BENCH}[link]\nport = \"A\"\n{NO_BOARD}{ACCEPTOR_OUT}"),
            "port A is used by the board's bus already",
        ),
        (
            format!(
                "{BENCH}{NO_BOARD}[[device]]\nkind = \"pulse-hopper\"\nname = \"h\"\ncoin = \"0.25\"\n\
                 [device.link]\nport = \"A\"\noutside = \"device\"\n"
            ),
            "a hopper cannot be outside",
        ),
        (
            link("port = \"A\"\noutside = \"device\"")
                + "[[script]]\ndo = \"insert-bill\"\ndevice = \"old\"\nvalue = \"1.00\"",
            "test.toml:12: `insert-bill` cannot work: old is real: only a person at it can do that",
        ),
    ] {
        let said = say(text.clone());
        assert!(said.contains(expected), "{text}\n{said}");
    }
}
