//! Our own board, alone at the end of a pseudo-terminal, and what a person does at it: for examinations
//! of a board over a link with somebody (or a script) who presses, blocks and switches.
//!
//! ```text
//! cargo run -p payrig-tests --example board_at_hand -- RIG
//! ```
//! plays the board of a rig on a pseudo-terminal, whose path is printed; the coding is marked parity. Lines
//! on standard input are what is done at it: `select N`, `jam N`, `free N`, `power on|off`,
//! `price N AMOUNT` and `card-price N AMOUNT` in minor units, `set several-vends|revalue|always-idle|currencies on|off`. Each thing
//! that can be seen is a JSON object on standard output. `tests/python/person_at_a_board.py` is the person.

// An example for people at a terminal: it stops where it stands when something is wrong.
#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

#[cfg(not(target_os = "linux"))]
fn main() {
    eprintln!("board_at_hand needs the pseudo-terminals of Linux");
}

#[cfg(target_os = "linux")]
fn main() {
    at_hand::run();
}

#[cfg(target_os = "linux")]
mod at_hand {
    use payrig_controller::{BoardConfig, CardPrice, Controller};
    use payrig_link::{
        Clock, ExactTimer, PortEvent, PtyOptions, PtyPort, ThreadPort, WordCoding, WordPort,
    };
    use payrig_mdb::cashless::Options;
    use payrig_units::{Micros, Money};
    use payrig_wire::{BusEvent, Source};
    use serde_json::json;
    use std::io::BufRead;
    use std::path::Path;

    struct Board {
        config: BoardConfig,
        /// What it can do with readers of level 3 where nothing is set.
        plain: Options,
        always_idle: bool,
        currencies: bool,
        controller: Controller,
        exact: Option<bool>,
    }

    impl Board {
        /// What a person does at it.
        fn done(&mut self, now: Micros, line: &str) {
            let words: Vec<&str> = line.split_whitespace().collect();
            let number = |at: usize| words.get(at).and_then(|w| w.parse::<u16>().ok());
            let minor = |at: usize| words.get(at).and_then(|w| w.parse().ok()).map(Money);
            let on = words.last() == Some(&"on");
            match (words.first().copied(), number(1)) {
                (Some("select"), Some(item)) => self.controller.select(now, item),
                (Some("jam"), Some(item)) => {
                    self.controller.free(item);
                    self.controller.jam(item);
                }
                (Some("free"), Some(item)) => self.controller.free(item),
                (Some("power"), _) => self.controller.power(now, on),
                (Some(what @ ("price" | "card-price")), Some(item)) => {
                    let Some(price) = minor(2) else {
                        return println!("{}", json!({ "unknown": line }));
                    };
                    match what {
                        "price" => self.controller.set_price(now, item, price),
                        _ => {
                            let price = CardPrice::Fixed(price);
                            self.controller.set_card_price(now, item, price);
                        }
                    }
                }
                (Some("set"), _) => {
                    match words.get(1).copied() {
                        Some("several-vends") => self.config.multi_vend = on,
                        Some("revalue") => self.config.cashless.revalue = on,
                        Some("always-idle") => self.always_idle = on,
                        Some("currencies") => self.currencies = on,
                        _ => return println!("{}", json!({ "unknown": line })),
                    }
                    let level_3 = [
                        (self.always_idle, Options::ALWAYS_IDLE),
                        (self.currencies, Options::MONEY_32 | Options::MULTI_CURRENCY),
                    ];
                    let set = level_3.into_iter().filter(|(on, _)| *on);
                    self.config.cashless.options =
                        set.fold(self.plain, |all, (_, options)| all | options);
                    // Settings are taken when it is switched on.
                    self.controller = board(&self.config, now);
                }
                _ => return println!("{}", json!({ "unknown": line })),
            }
            println!("{}", json!({ "at_us": now.as_us(), "done": line }));
        }

        /// What can be seen at it.
        fn seen(&mut self, now: Micros) {
            let (shown, _) = self.controller.take_shown();
            for text in shown {
                println!("{}", json!({ "at_us": now.as_us(), "shows": text }));
            }
            for item in self.controller.take_delivered() {
                println!("{}", json!({ "at_us": now.as_us(), "fell": item }));
            }
            self.controller.take_movements();
            let exact = self.controller.exact_change();
            if self.exact.replace(exact) != Some(exact) {
                println!("{}", json!({ "at_us": now.as_us(), "exact_change": exact }));
            }
        }
    }

    /// The board of a machine, which waits for what a pseudo-terminal may hold up.
    fn board(config: &BoardConfig, now: Micros) -> Controller {
        let mut controller = Controller::new(config.clone(), now);
        controller.set_link_delay(Micros::ms(25));
        controller
    }

    pub(super) fn run() {
        let arguments: Vec<String> = std::env::args().skip(1).collect();
        let rig = payrig_rig::load(Path::new(&arguments[0])).unwrap();
        let clock = Clock::starting_now();
        let options = PtyOptions {
            ours: Source::Master,
            coding: WordCoding::MarkedParity,
            clock,
        };
        let link = ThreadPort::start(PtyPort::open(options).unwrap()).unwrap();
        println!("{}", json!({ "path": link.name() }));
        let (say, lines) = tokio::sync::mpsc::unbounded_channel();
        std::thread::spawn(move || {
            for line in std::io::stdin().lock().lines() {
                let Ok(line) = line else { break };
                if say.send(line).is_err() {
                    break;
                }
            }
        });
        let config = rig.board.controller(&rig).unwrap();
        let controller = board(&config, clock.now());
        let board = Board {
            plain: config.cashless.options,
            always_idle: false,
            currencies: false,
            config,
            controller,
            exact: None,
        };
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        runtime.block_on(live(board, link, clock, lines));
    }

    async fn live(
        mut board: Board,
        mut link: ThreadPort,
        clock: Clock,
        mut lines: tokio::sync::mpsc::UnboundedReceiver<String>,
    ) {
        let mut timer = ExactTimer::new().unwrap();
        loop {
            while let Some(sent) = board.controller.take_transmission() {
                link.send(sent).unwrap();
            }
            board.seen(clock.now());
            let due = board.controller.next_deadline();
            let until = due.min(clock.now() + Micros::secs(1));
            tokio::select! {
                biased;
                heard = link.receive() => match heard.unwrap() {
                    PortEvent::Heard(BusEvent::Word(word)) => board.controller.heard(&word),
                    PortEvent::Heard(_) | PortEvent::Sent { .. } => {}
                    other => println!("{}", json!({ "link": other.to_string() })),
                },
                line = lines.recv() => match line {
                    Some(line) => board.done(clock.now(), &line),
                    None => return,
                },
                done = timer.until(clock, until) => done.unwrap(),
            }
            let now = clock.now();
            if board.controller.next_deadline() <= now {
                board.controller.wake(now);
            }
        }
    }
}
