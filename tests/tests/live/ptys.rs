//! A changer behind a pseudo-terminal, from outside: bytes as docs/src/links.md gives them, and a
//! program in another language that was written from that page alone.

use payrig_link::{Clock, PortEvent, PtyOptions, PtyPort, ThreadPort, WordCoding, WordPort};
use payrig_mdb::changer::CoinType;
use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};
use payrig_peripherals::{BusPeripheral, Port, PortTiming};
use payrig_tests::cli::file;
use payrig_units::{Ledger, Micros, Money, Place};
use payrig_wire::{BusEvent, Source};
use std::fs::File;
use std::io::{Read, Write};
use std::process::{Command, Stdio};
use std::time::Duration;
use tokio::sync::oneshot;

fn open(coding: WordCoding) -> ThreadPort {
    let options = PtyOptions {
        ours: Source::Peripheral,
        coding,
        clock: Clock::starting_now(),
    };
    ThreadPort::start(PtyPort::open(options).unwrap()).unwrap()
}

/// Plays a changer until told to stop; puts `coins` in once the board polls after COIN TYPE.
async fn play_changer(
    mut link: ThreadPort,
    coins: &[CoinType],
    stop: oneshot::Receiver<()>,
) -> Ledger {
    let mut ledger = Ledger::default();
    let changer = Changer::new(ChangerConfig::demo(), Quirks::default()).unwrap();
    let mut port = Port::new(changer, PortTiming::default());
    let mut coins = coins.iter();
    let mut enabled = false;
    tokio::pin!(stop);
    loop {
        for movement in port.take_movements() {
            ledger.book(link.now(), None, movement).unwrap();
        }
        while let Some(transmission) = port.take_transmission() {
            link.send(transmission).unwrap();
        }
        let now = link.now();
        let due = port.next_deadline().since(now).min(Micros::secs(1));
        let event = tokio::select! {
            event = link.receive() => event.unwrap(),
            () = tokio::time::sleep(Duration::from_micros(due.as_us())) => {
                port.wake(link.now());
                continue;
            }
            _ = &mut stop => return ledger,
        };
        match event {
            PortEvent::Heard(BusEvent::Word(word)) => {
                if word.word.mode {
                    enabled |= word.word.byte == 0x0C;
                    if enabled
                        && word.word.byte == 0x0B
                        && let Some(coin) = coins.next()
                    {
                        port.device_mut().insert_coin(link.now(), *coin);
                    }
                }
                port.heard(&word);
            }
            PortEvent::Heard(BusEvent::Break { start, end, .. }) => port.heard_break(start, end),
            _ => {}
        }
    }
}

/// Opens the path and talks to it: writes, then reads as many bytes as are expected.
fn talk(path: &str, exchanges: &[(&[u8], &[u8])]) {
    let mut bus = File::options().read(true).write(true).open(path).unwrap();
    std::thread::sleep(Duration::from_millis(100)); // The changer is silent for 50 ms at first.
    for (say, expected) in exchanges {
        bus.write_all(say).unwrap();
        let mut heard = vec![0; expected.len()];
        bus.read_exact(&mut heard).unwrap();
        assert_eq!(&heard, expected, "after {say:02X?}");
    }
}

async fn with_changer(
    coding: WordCoding,
    coins: &'static [CoinType],
    program: impl FnOnce(String) + Send + 'static,
) -> Ledger {
    let link = open(coding);
    let path = link.name().to_owned();
    let (done, stop) = oneshot::channel();
    let program = tokio::task::spawn_blocking(move || {
        program(path);
        let _ = done.send(());
    });
    let ledger = play_changer(link, coins, stop).await;
    program.await.unwrap();
    ledger
}

/// MDB/ICP 4.3, sections 2.2 and 5.3: a changer that was just switched on reports 0BH once, with
/// its CHK; a master's ACK settles it; then POLL is answered with ACK.
#[tokio::test]
async fn marked_parity_byte_for_byte() {
    with_changer(WordCoding::MarkedParity, &[], |path| {
        const POLL: &[u8] = &[0xFF, 0x00, 0x0B, 0x0B];
        talk(
            &path,
            &[
                (POLL, &[0x0B, 0xFF, 0x00, 0x0B]),
                (&[0x00, 0xFF, 0x00, 0x0B, 0x0B], &[0xFF, 0x00, 0x00]),
            ],
        );
    })
    .await;
}

#[tokio::test]
async fn plain_line_for_line() {
    with_changer(WordCoding::Plain, &[], |path| {
        let bus = File::options().read(true).write(true).open(path).unwrap();
        std::thread::sleep(Duration::from_millis(100));
        let mut lines = std::io::BufRead::lines(std::io::BufReader::new(&bus));
        let mut word = || {
            let line = lines.next().unwrap().unwrap();
            let fields: Vec<&str> = line.split(' ').collect();
            assert!(fields[0] == "W" && fields.len() == 3, "{line}");
            (fields[1].parse::<u64>().unwrap(), fields[2].to_owned())
        };
        (&bus).write_all(b"# hello\nW - 0B* 0B\n").unwrap();
        let (first, byte) = word();
        assert_eq!(byte, "0B");
        let (second, byte) = word();
        assert_eq!(byte, "0B*");
        assert!(second >= first + 1_146, "words take their time");
        let at = second + 500_000;
        (&bus)
            .write_all(format!("W - 00\nW {at} 0B* 0B\n").as_bytes())
            .unwrap();
        let (third, byte) = word();
        assert_eq!(byte, "00*");
        assert!(third >= at + 3 * 1_146, "not before its time");
    })
    .await;
}

fn python_board(coding: WordCoding) -> impl FnOnce(String) + Send + 'static {
    move |path| {
        let python = std::env::var("PAYRIG_PYTHON").unwrap_or_else(|_| "python3".into());
        let script = file("tests/python/board_on_pty.py");
        let output = Command::new(python)
            .arg(script)
            .args([&path, "--coding", &coding.to_string(), "--price", "150"])
            .stderr(Stdio::inherit())
            .output()
            .unwrap();
        let said = String::from_utf8(output.stdout).unwrap();
        assert!(output.status.success(), "{said}");
        let last: serde_json::Value = serde_json::from_str(said.lines().last().unwrap()).unwrap();
        assert_eq!(last["board"], "done");
        assert_eq!(last["change"], 50, "{said}");
        assert_eq!(last["credit"], 0, "{said}");
    }
}

/// Two dollars in, an item for 1.50 sold, 0.50 out: by a board in another language.
async fn python_sells(coding: WordCoding) {
    const DOLLAR: CoinType = CoinType::of(3);
    let ledger = with_changer(coding, &[DOLLAR, DOLLAR], python_board(coding)).await;
    assert_eq!(ledger.balance(&Place::Customer), Money(-200 + 50));
}

#[tokio::test]
#[ignore = "needs python3 with tests/python/requirements.txt (PAYRIG_PYTHON names the interpreter)"]
async fn python_sells_over_marked_parity() {
    python_sells(WordCoding::MarkedParity).await;
}

#[tokio::test]
#[ignore = "needs python3 with tests/python/requirements.txt (PAYRIG_PYTHON names the interpreter)"]
async fn python_sells_over_plain() {
    python_sells(WordCoding::Plain).await;
}
