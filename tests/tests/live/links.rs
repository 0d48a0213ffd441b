//! Two benches with the wall clock and real threads: a validator on a pseudo-terminal, a bridge as
//! its VMC, modem lines between the two, and a board that counts. The lines are a cable in memory;
//! everything else is what `payrig run` uses. Only money is asserted, no times: the machine may
//! stall, and says so.

use payrig_bench::{Bench, BusAt, LineLevel};
use payrig_link::drive::{LiveError, Ports, run_live};
use payrig_link::{
    BlockingPort, Clock, InLine, LOOK_EVERY, LinkError, ModemLines, ModemOptions, ModemPort,
    ModemThread, OutLine, PortEvent, PtyOptions, PtyPort, ThreadPort, Waker, WordCoding,
};
use payrig_tests::cli::{binary, pump};
use payrig_units::{Micros, Money};
use payrig_wire::recording::Entry;
use payrig_wire::{Source, Transmission};
use std::io::{self, BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

/// One of these at a time: each is several threads and processes that have to be on time.
static MACHINE: Mutex<()> = Mutex::new(());

pub(super) fn alone() -> MutexGuard<'static, ()> {
    MACHINE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// One end of a null-modem cable: RTS and CTS cross over.
struct Cable {
    rts: Arc<AtomicBool>,
    cts: Arc<AtomicBool>,
}

fn cable() -> (Cable, Cable) {
    let (one, other) = (Arc::<AtomicBool>::default(), Arc::<AtomicBool>::default());
    let far = Cable {
        rts: other.clone(),
        cts: one.clone(),
    };
    (
        Cable {
            rts: one,
            cts: other,
        },
        far,
    )
}

impl ModemLines for Cable {
    fn name(&self) -> &str {
        "cable"
    }
    fn set(&mut self, line: OutLine, asserted: bool) -> io::Result<()> {
        assert_eq!(line, OutLine::Rts);
        self.rts.store(asserted, Ordering::SeqCst);
        Ok(())
    }
    fn get(&mut self, line: InLine) -> io::Result<bool> {
        assert_eq!(line, InLine::Cts);
        Ok(self.cts.load(Ordering::SeqCst))
    }
}

fn pty(ours: Source, clock: Clock) -> ThreadPort {
    let coding = WordCoding::MarkedParity;
    let options = PtyOptions {
        ours,
        coding,
        clock,
    };
    ThreadPort::start(PtyPort::open(options).unwrap()).unwrap()
}

fn lines(port: &str, cable: Cable, clock: Clock) -> (ModemThread, Vec<LineLevel>) {
    let options = ModemOptions {
        clock,
        asserted_is_high: false,
        watch: vec![InLine::Cts],
        look_every: LOOK_EVERY,
    };
    let mut lines = ModemPort::new(cable, options);
    let levels = lines.levels().unwrap().into_iter();
    let level = |(line, high)| LineLevel {
        port: port.to_owned(),
        line,
        high,
    };
    let levels = levels.map(level).collect();
    (ModemThread::start(lines).unwrap(), levels)
}

/// Runs a bench to its end on a thread of its own; gives what it took and what it found.
fn run(text: String, mut ports: Ports<ThreadPort>, levels: Vec<LineLevel>) -> (Bench, Vec<String>) {
    let rig = payrig_rig::parse(Path::new("test.toml"), &text).unwrap_or_else(|e| panic!("{e}"));
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    let mut money = Vec::new();
    let mut stage = Bench::live(&rig, &levels);
    let sink = |_: &Bench, entry: Entry| {
        if let Entry::Finding(f) = entry
            && (f.rule == "money" || f.rule == "script")
        {
            money.push(format!("{}: {}", f.rule, f.text));
        }
        Ok(())
    };
    let stop = std::future::pending();
    let ran = runtime.block_on(run_live(
        &mut stage,
        &mut ports,
        Micros::secs(90),
        stop,
        sink,
    ));
    ran.unwrap();
    (stage, money)
}

fn balance(stage: &Bench, place: &str) -> Money {
    let mut all = stage.books().ledger().balances();
    all.find(|(p, _)| p.to_string() == place)
        .map_or(Money::ZERO, |(_, m)| m)
}

/// Wide enough that a stall of a tenth of a second does no harm.
const PULSES: &str = "[device.pulse]\non = \"250 ms\"\noff = \"250 ms\"\ntolerance-percent = 45\n\
                      train-gap = \"1 s\"\n";

#[test]
fn a_validator_on_a_pseudo_terminal_pays_a_board_behind_modem_lines() {
    let _alone = alone();
    let clock = Clock::starting_now();
    let far = pty(Source::Peripheral, clock);
    let near = pty(Source::Master, clock);
    pump(far.name(), near.name());
    pump(near.name(), far.name());
    let (one, other) = cable();
    let validator = "[bench]\nname = \"validator\"\n[board]\nkind = \"outside\"\n[[device]]\n\
                     kind = \"bill-validator\"\nname = \"new\"\nlevel = 1\nbills = [\"1.00\", \"2.00\"]\n\
                     [device.link]\nport = \"pty\"\n[[script]]\ndo = \"wait-ready\"\nwithin = \"60 s\"\n\
                     [[script]]\ndo = \"insert-bill\"\nvalue = \"2.00\"\nafter = \"2 s\"\n\
                     [[script]]\nexpect = \"balance\"\nplace = \"new stacker\"\nvalue = \"2.00\"\nwithin = \"30 s\"\n\
                     [[script]]\ndo = \"wait\"\nfor = \"5 s\"\n";
    let bridge = format!(
        "[bench]\nname = \"bridge\"\n[board]\nkind = \"outside\"\n[[device]]\n\
         kind = \"bill-validator\"\nname = \"new\"\nlevel = 1\nbills = [\"1.00\", \"2.00\"]\n\
         [device.link]\nport = \"pty\"\noutside = \"device\"\n\
         [[device]]\nkind = \"bridge\"\nname = \"bridge\"\nfrom = \"new\"\n{PULSES}\
         [device.link]\nport = \"A\"\n[[script]]\ndo = \"wait\"\nfor = \"14 s\"\n"
    );
    let board = format!(
        "[bench]\nname = \"board\"\n[board]\nkind = \"controller\"\n[[board.item]]\nnumber = 11\n\
         price = \"1.00\"\n[[device]]\nkind = \"pulse-bill-validator\"\nname = \"old\"\n\
         bills = [\"1.00\", \"2.00\"]\n{PULSES}[device.link]\nport = \"B\"\noutside = \"device\"\n\
         [[script]]\nexpect = \"credit\"\nvalue = \"2.00\"\nwithin = \"60 s\"\n"
    );
    let validator = std::thread::spawn(move || {
        let at = BusAt::Beside("new".to_owned());
        let ports = Ports {
            clock,
            buses: vec![(at, far)],
            lines: vec![],
        };
        run(validator.to_owned(), ports, vec![])
    });
    let bridge = std::thread::spawn(move || {
        let (lines, levels) = lines("A", one, clock);
        let ports = Ports {
            clock,
            buses: vec![(BusAt::Beside("bridge".to_owned()), near)],
            lines: vec![("A".to_owned(), lines)],
        };
        run(bridge, ports, levels)
    });
    let (lines, levels) = lines("B", other, clock);
    let held_off = lines_probe(&levels);
    assert!(held_off, "the credit line rests before anything happens");
    let ports = Ports {
        clock,
        buses: vec![],
        lines: vec![("B".to_owned(), lines)],
    };
    let (board, found) = run(board, ports, levels);
    assert!(found.is_empty(), "board: {found:?}");
    assert_eq!(
        balance(&board, "old stacker"),
        Money(200),
        "by the pulses counted"
    );
    let (validator, found) = validator.join().unwrap();
    assert!(found.is_empty(), "validator: {found:?}");
    assert_eq!(balance(&validator, "new stacker"), Money(200));
    let (bridge, found) = bridge.join().unwrap();
    assert!(found.is_empty(), "bridge: {found:?}");
    assert_eq!(balance(&bridge, "new stacker"), Money(200), "by its report");
}

/// Released modem lines are high credit lines.
fn lines_probe(levels: &[LineLevel]) -> bool {
    levels.iter().all(|l| l.high)
}

/// A port that says that its adapter was unplugged, when it is first waited for.
struct Unplugged(Clock);

impl BlockingPort for Unplugged {
    fn name(&self) -> &str {
        "unplugged"
    }
    fn clock(&self) -> Clock {
        self.0
    }
    fn send(&mut self, _: Transmission, _: Micros) {}
    fn wait(&mut self, until: Micros, _: Option<&Waker>) -> Result<Option<PortEvent>, LinkError> {
        if until < self.0.now() {
            return Ok(None);
        }
        let port = "unplugged".to_owned();
        Err(LinkError::Vanished { port })
    }
}

/// One port of two vanishes during a run: the log is complete up to then, ends with a verdict, and
/// the real acceptor on the other port is held off.
#[test]
fn a_port_that_vanishes_ends_the_run_with_a_whole_log_and_everything_held_off() {
    let text = "[bench]\nname = \"x\"\n[link]\nport = \"/dev/gone\"\n[board]\nkind = \"outside\"\n\
                [[device]]\nkind = \"pulse-bill-validator\"\nname = \"old\"\nbills = [\"1.00\"]\n\
                [device.link]\nport = \"B\"\noutside = \"device\"\n\
                [[device]]\nkind = \"bridge\"\nname = \"bridge\"\nfrom = \"old\"\n";
    let _alone = alone();
    let rig = payrig_rig::parse(Path::new("test.toml"), text).unwrap_or_else(|e| panic!("{e}"));
    let clock = Clock::starting_now();
    let (one, far) = cable();
    // Released is high, and high holds off; the far end sees what is driven.
    far.cts.store(true, Ordering::SeqCst);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    let mut log = Vec::new();
    let (lines, levels) = lines("B", one, clock);
    let mut stage = Bench::live(&rig, &levels);
    let result = runtime.block_on(async {
        let mut ports = Ports {
            clock,
            buses: vec![(BusAt::Board, ThreadPort::start(Unplugged(clock)).unwrap())],
            lines: vec![("B".to_owned(), lines)],
        };
        let sink = |_: &Bench, entry: Entry| {
            log.push(entry);
            Ok(())
        };
        let stop = std::future::pending();
        run_live(&mut stage, &mut ports, Micros::secs(60), stop, sink).await
    });
    let error = result.unwrap_err();
    assert!(
        matches!(&error, LiveError::Link(e) if e.is_vanished()),
        "{error}"
    );
    assert!(matches!(log.last(), Some(Entry::Verdict { .. })), "{log:?}");
    let said = log.iter().any(|e| match e {
        Entry::Note { text, .. } => text.contains("the link failed"),
        _ => false,
    });
    assert!(said, "{log:?}");
    assert!(!far.cts.load(Ordering::SeqCst), "released: held off");
}

/// A bench as a process, and the path of its bus.
fn bench(
    folder: &Path,
    name: &str,
    rig: &str,
    more: &[&str],
) -> (Child, String, JoinHandle<String>) {
    std::fs::write(folder.join(name), rig).unwrap();
    let mut bench = Command::new(binary())
        .args(["run", name, "--no-record", "--limit", "40"])
        .args(more)
        .current_dir(folder)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(bench.stdout.take().unwrap()).lines();
    let path = lines
        .find_map(|l| l.unwrap().strip_prefix("bus: ").map(str::to_owned))
        .unwrap();
    let rest = std::thread::spawn(move || {
        let all: Vec<String> = lines.map_while(Result::ok).collect();
        all.join("\n")
    });
    (bench, path, rest)
}

/// What the two benches of a sale over two pseudo-terminals printed: devices, board.
fn sale(folder: &Path) -> [String; 2] {
    let changer = "[[device]]\nkind = \"changer\"\nname = \"changer\"\n";
    let devices = format!(
        "[bench]\nname = \"devices\"\n[board]\nkind = \"outside\"\n{changer}\
         [[script]]\ndo = \"wait-ready\"\nwithin = \"20 s\"\n\
         [[script]]\ndo = \"insert-coin\"\nvalue = \"1.00\"\n\
         [[script]]\ndo = \"insert-coin\"\nvalue = \"1.00\"\nafter = \"1 s\"\n\
         [[script]]\nexpect = \"balance\"\nplace = \"customer\"\nminus = \"1.50\"\nwithin = \"20 s\"\n"
    );
    let board = format!(
        "[bench]\nname = \"board\"\n[link]\nport = \"pty\"\noutside = \"devices\"\n\
         [board]\nkind = \"controller\"\n[[board.item]]\nnumber = 11\nprice = \"1.50\"\n{changer}\
         [[script]]\nexpect = \"credit\"\nvalue = \"2.00\"\nwithin = \"25 s\"\n\
         [[script]]\ndo = \"select\"\nitem = 11\n\
         [[script]]\nexpect = \"sold\"\ncount = 1\nwithin = \"15 s\"\n\
         [[script]]\nexpect = \"credit\"\nvalue = \"0.00\"\nwithin = \"15 s\"\n"
    );
    let (mut one, far, devices) = bench(folder, "devices.toml", &devices, &["--link", "pty"]);
    let (mut other, near, board) = bench(folder, "board.toml", &board, &[]);
    pump(&far, &near);
    pump(&near, &far);
    one.wait().unwrap();
    other.wait().unwrap();
    [devices.join().unwrap(), board.join().unwrap()]
}

/// How often a bench says that the machine held it up: longer than a board waits for an answer
/// (MDB/ICP 4.3, section 3.2) it matters.
fn held_up(log: &str) -> usize {
    let late = |line: &&str| {
        let by = line.split("this tool spoke ").nth(1);
        let ms = by.and_then(|l| l.split(" ms").next()?.parse::<f64>().ok());
        ms.is_some_and(|ms| ms > 5.0)
    };
    log.lines().filter(late).count() + log.matches("this tool did not look for").count()
}

/// Both roles of `payrig run` against each other: our devices on one pseudo-terminal, our board on
/// another, and bytes carried between the two. Either books the money of the other's side. On a
/// machine that is too busy the two cannot be on time, and say so; that no money goes astray holds
/// there as well. (`two_benches` of payrig-rig sells over a link in lock step on any machine.)
#[test]
fn our_board_sells_with_our_devices_over_two_pseudo_terminals() {
    let _alone = alone();
    for attempt in 1..=3 {
        let folder = tempfile::tempdir().unwrap();
        let [devices, board] = sale(folder.path());
        for log in [&devices, &board] {
            assert!(!log.contains("FINDING                  money"), "{log}");
        }
        let sold = devices.contains("ok: customer holds -1.50")
            && board.contains("ok: 1 item delivered")
            // By its own report two coins came in and half a dollar went out.
            && board.contains("as it reported: changer is outside");
        if sold {
            return;
        }
        let times = held_up(&devices) + held_up(&board);
        assert!(times > 0, "nobody was held up:\n{devices}\n{board}");
        println!("attempt {attempt}: the machine held the benches up {times} times");
    }
    println!(
        "SKIPPED our_board_sells_with_our_devices_over_two_pseudo_terminals: this machine is too busy \
         for a live sale; run it alone"
    );
}
