//! How late answers are over a pseudo-terminal, beside a bare pair that only echoes.
//!
//! Four devices (changer, bill validator, two cashless devices) behind one pseudo-terminal, served
//! by the whole bench as `payrig run --link pty` does it, books, rules and recording included; a peer polls each of them every 25 ms. In the same run, at the
//! same pace, a bare pair of terminals sends one byte there and back. With `busy` another thread
//! keeps a processor occupied.
//!
//! ```text
//! cargo run --release -p payrig-tests --example answer_latency -- 60 busy
//! ```
//! runs for 60 seconds (at most 3900).

// An example for people at a terminal: it stops where it stands when something is wrong.
#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

#[cfg(not(target_os = "linux"))]
fn main() {
    eprintln!("answer_latency needs the pseudo-terminals of Linux");
}

#[cfg(target_os = "linux")]
fn main() {
    measure::run();
}

#[cfg(target_os = "linux")]
mod measure {
    use payrig_bench::{Bench, BusAt};
    use payrig_link::drive::{Ports, run_live};
    use payrig_link::{
        Clock, Figures, Lateness, Lengths, LinkError, PortEvent, PtyOptions, PtyPort, ThreadPort,
        WordCoding, WordPort,
    };
    use payrig_mdb::{Block, Word};
    use payrig_peripherals::PortTiming;
    use payrig_units::Micros;
    use payrig_wire::recording::{Header, RecordingWriter};
    use payrig_wire::{BusEvent, Source, Transmission, WORD_TIME};
    use std::fs::File;
    use std::io::{BufWriter, Read, Write};
    use std::path::Path;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};
    use std::thread;
    use std::time::{Duration, Instant};

    const POLLS: [u8; 4] = [0x0B, 0x33, 0x12, 0x62];
    /// Each of four devices every 25 ms.
    const PACE: Duration = Duration::from_micros(6_250);
    /// t-response (MDB/ICP 4.3, section 3.2).
    const LIMIT: Micros = Micros::ms(5);

    pub(super) fn run() {
        let mut seconds = 20;
        let mut busy = false;
        for argument in std::env::args().skip(1) {
            match argument.parse::<u64>() {
                Ok(number) => seconds = number.min(3_900),
                Err(_) => busy = argument == "busy",
            }
        }
        let stop = Arc::new(AtomicBool::new(false));
        if busy {
            let stop = Arc::clone(&stop);
            thread::spawn(move || {
                while !stop.load(Ordering::Relaxed) {
                    std::hint::spin_loop();
                }
            });
        }
        let clock = Clock::starting_now();
        let options = PtyOptions {
            ours: Source::Peripheral,
            coding: WordCoding::MarkedParity,
            clock,
        };
        let link = ThreadPort::start(PtyPort::open(options).unwrap()).unwrap();
        let path = link.name().to_owned();
        let until = Instant::now() + Duration::from_secs(seconds);
        let peer = thread::spawn(move || poll(&path, until));
        let bare = thread::spawn(move || echo(until));
        let serving = {
            let stop = Arc::clone(&stop);
            thread::spawn(move || {
                let runtime = tokio::runtime::Builder::new_current_thread()
                    .enable_all()
                    .build()
                    .unwrap();
                runtime.block_on(serve(link, clock, &stop))
            })
        };
        let (answers, silences) = peer.join().unwrap();
        let bare = bare.join().unwrap();
        stop.store(true, Ordering::Relaxed);
        let late = serving.join().unwrap();

        let asked = PortTiming::default().answer;
        println!("{seconds} s, four devices polled every 25 ms, other processor busy: {busy}");
        println!("                               p50       p99      p99.9     p99.99    longest");
        row("bare pair, there and back", bare.figures());
        row("answer, last word to first", answers.figures());
        let mut ours = Lengths::default();
        let mut machine = Lengths::default();
        for late in &late {
            ours.add(late.ours);
            machine.add(late.machine);
        }
        row("  of it late, our code", ours.figures());
        row("  of it late, the machine", machine.figures());
        println!("(answers are asked for after {asked}; the limit is {LIMIT})");
        let room = LIMIT - asked;
        println!(
            "over {LIMIT}: {} of {} answers, {} of {} bare echoes; answers our own code alone \
             made late: {}; silences: {silences}",
            answers.over(LIMIT),
            answers.figures().map_or(0, |f| f.count),
            bare.over(LIMIT),
            bare.figures().map_or(0, |f| f.count),
            ours.over(room),
        );
        histogram(&answers, &bare);
    }

    fn row(name: &str, figures: Option<Figures>) {
        match figures {
            Some(f) => println!(
                "{name:26} {:>10} {:>10} {:>10} {:>10} {:>10}",
                f.p50, f.p99, f.p99_9, f.p99_99, f.most
            ),
            None => println!("{name:26} nothing measured"),
        }
    }

    fn histogram(answers: &Lengths, bare: &Lengths) {
        println!("\n     up to    answers  bare echoes");
        let mut before = (
            answers.figures().map_or(0, |f| f.count),
            bare.figures().map_or(0, |f| f.count),
        );
        for us in [
            100, 200, 500, 1_000, 1_100, 1_200, 1_500, 2_000, 3_000, 4_000, 5_000, 10_000,
        ] {
            let over = (answers.over(Micros(us)), bare.over(Micros(us)));
            println!(
                "{:>10} {:>10} {:>12}",
                Micros(us),
                before.0 - over.0,
                before.1 - over.1
            );
            before = over;
        }
        println!("    longer {:>10} {:>12}", before.0, before.1);
    }

    /// The port, with the lateness of every first word noted.
    struct Noted {
        port: ThreadPort,
        first: bool,
        late: Vec<Lateness>,
    }

    impl WordPort for Noted {
        fn now(&self) -> Micros {
            self.port.now()
        }
        fn may_still_come(&self, by: Micros) -> bool {
            self.port.may_still_come(by)
        }
        fn send(&mut self, transmission: Transmission) -> Result<(), LinkError> {
            self.port.send(transmission)
        }
        async fn receive(&mut self) -> Result<PortEvent, LinkError> {
            let event = self.port.receive().await;
            match event {
                Ok(PortEvent::Heard(BusEvent::Word(_))) => self.first = true,
                Ok(PortEvent::Sent { late, .. }) if self.first => {
                    self.first = false;
                    self.late.push(late);
                }
                _ => {}
            }
            event
        }
    }

    const RIG: &str = r#"
[bench]
name = "four devices"
[link]
port = "pty"
[board]
kind = "outside"
[[device]]
kind = "changer"
name = "changer"
[[device]]
kind = "bill-validator"
name = "bill"
[[device]]
kind = "cashless"
name = "reader"
[[device]]
kind = "cashless"
name = "second reader"
unit = 2
"#;

    /// Plays the four devices, as `payrig run` does: the whole bench, books, rules and a recording
    /// that is flushed line by line. Gives the lateness of every first word.
    async fn serve(port: ThreadPort, clock: Clock, stop: &AtomicBool) -> Vec<Lateness> {
        let rig = payrig_rig::parse(Path::new("four.toml"), RIG).unwrap();
        let mut stage = Bench::live(&rig, &[]);
        let noted = Noted {
            port,
            first: true,
            late: Vec::new(),
        };
        let mut ports = Ports {
            clock,
            buses: vec![(BusAt::Board, noted)],
            lines: Vec::new(),
        };
        let header = Header::new("answer_latency", &rig.name, None);
        let file = tempfile::tempfile().unwrap();
        let mut recording = RecordingWriter::start(BufWriter::new(file), &header).unwrap();
        let stopped = async {
            while !stop.load(Ordering::Relaxed) {
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
            "measured".to_owned()
        };
        let sink = |_: &Bench, entry| recording.entry(&entry);
        let limit = Micros::secs(4_000);
        run_live(&mut stage, &mut ports, limit, stopped, sink)
            .await
            .unwrap();
        ports.buses.remove(0).1.late
    }

    /// Plays the board. Gives the time from the end of the last word of each command to the start
    /// of the answer's first, as they are on the line, and the number of silences.
    fn poll(path: &str, until: Instant) -> (Lengths, usize) {
        let mut bus = File::options().read(true).write(true).open(path).unwrap();
        // The devices are silent for half a second at first.
        thread::sleep(Duration::from_secs(1));
        let (mut answers, mut silences) = (Lengths::default(), 0);
        let mut next = Instant::now();
        for address in POLLS.iter().cycle() {
            if Instant::now() >= until {
                break;
            }
            pace(&mut next);
            let block = Block::new(&[*address]).unwrap();
            let words = block.master_words().count() as u64;
            let begun = Instant::now();
            bus.write_all(&codes(block.master_words())).unwrap();
            let mut bytes = [0; 256];
            let mut heard = Vec::new();
            let mut took = None;
            // An answer ends with its marked word.
            while !ends(&heard) && readable(&bus) {
                let count = bus.read(&mut bytes).unwrap();
                took.get_or_insert(begun.elapsed());
                heard.extend_from_slice(&bytes[..count]);
            }
            // A bench that was held up for longer than any board waits does not answer at all.
            let Some(took) = took.filter(|_| ends(&heard)) else {
                silences += 1;
                continue;
            };
            let took = Micros(took.as_micros() as u64);
            answers.add(took - WORD_TIME * (words + 1));
            if heard.len() > 3 {
                bus.write_all(&[0x00]).unwrap();
                thread::sleep(Duration::from_millis(2));
            }
        }
        (answers, silences)
    }

    /// Whether something comes within a second.
    fn readable(bus: &File) -> bool {
        use rustix::event::{PollFd, PollFlags, Timespec, poll};
        let second = Timespec {
            tv_sec: 1,
            tv_nsec: 0,
        };
        let mut ports = [PollFd::new(bus, PollFlags::IN)];
        poll(&mut ports, Some(&second)).unwrap() > 0
    }

    fn codes(words: impl Iterator<Item = Word>) -> Vec<u8> {
        words
            .flat_map(|w| match (w.mode, w.byte) {
                (true, byte) => vec![0xFF, 0x00, byte],
                (false, 0xFF) => vec![0xFF, 0xFF],
                (false, byte) => vec![byte],
            })
            .collect()
    }

    fn ends(heard: &[u8]) -> bool {
        matches!(heard, [.., 0xFF, 0x00, _])
    }

    /// One byte there and back over a bare pair, at the same pace.
    fn echo(until: Instant) -> Lengths {
        let pair = PtyPort::open(PtyOptions {
            ours: Source::Master,
            coding: WordCoding::Plain,
            clock: Clock::starting_now(),
        })
        .unwrap();
        let mut far = File::options()
            .read(true)
            .write(true)
            .open(pair.path())
            .unwrap();
        thread::spawn(move || {
            let mut byte = [0];
            while far.read(&mut byte).is_ok_and(|count| count == 1) {
                if far.write_all(&byte).is_err() {
                    return;
                }
            }
        });
        let mut near = pair.into_blocking_file().unwrap();
        let mut lengths = Lengths::default();
        let mut next = Instant::now();
        while Instant::now() < until {
            pace(&mut next);
            let begun = Instant::now();
            near.write_all(&[0x55]).unwrap();
            near.read_exact(&mut [0]).unwrap();
            lengths.add(Micros(begun.elapsed().as_micros() as u64));
        }
        lengths
    }

    fn pace(next: &mut Instant) {
        *next = (*next + PACE).max(Instant::now());
        thread::sleep(next.saturating_duration_since(Instant::now()));
    }
}
