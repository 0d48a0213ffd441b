//! Credit lines that are fakes: looped, woken by hand, unplugged.

use super::*;
use std::sync::{Arc, Mutex};

/// CTS follows RTS, as with a wire between them.
#[derive(Clone, Default)]
struct Looped(Arc<Mutex<(bool, Vec<bool>)>>);

impl ModemLines for Looped {
    fn name(&self) -> &str {
        "looped"
    }
    fn set(&mut self, _: OutLine, asserted: bool) -> io::Result<()> {
        let mut state = self.0.lock().unwrap();
        state.0 = asserted;
        state.1.push(asserted);
        Ok(())
    }
    fn get(&mut self, line: InLine) -> io::Result<bool> {
        match line {
            InLine::Cts => Ok(self.0.lock().unwrap().0),
            _ => Err(io::ErrorKind::Unsupported.into()),
        }
    }
}

fn port(asserted_is_high: bool, watch: Vec<InLine>) -> (ModemPort<Looped>, Looped) {
    let lines = Looped::default();
    let options = ModemOptions {
        clock: Clock::starting_now(),
        asserted_is_high,
        watch,
        look_every: LOOK_EVERY,
    };
    (ModemPort::new(lines.clone(), options), lines)
}

/// A pulse on an active-low credit line, by hand-given times.
#[test]
fn a_pulse_goes_out_asserted_and_comes_back_as_edges() {
    let (mut port, lines) = port(false, vec![InLine::Cts]);
    port.work(Micros(10_000)).unwrap();
    for (at, high) in [(Micros(20_000), false), (Micros(70_000), true)] {
        port.drive(OutLine::Rts, Edge { at, high });
    }
    for now in [20_000, 20_300, 69_000, 70_000, 70_200] {
        port.work(Micros(now)).unwrap();
    }
    assert_eq!(lines.0.lock().unwrap().1, [true, false]);
    let seen: Vec<(Micros, bool, Micros)> = port
        .events
        .iter()
        .filter_map(|e| match e {
            ModemEvent::Seen {
                edge, uncertainty, ..
            } => Some((edge.at, edge.high, *uncertainty)),
            _ => None,
        })
        .collect();
    assert_eq!(
        seen,
        [
            (Micros(15_000), false, Micros(5_000)),
            (Micros(69_500), true, Micros(500))
        ]
    );
}

/// Lines that vanish when they are told to.
#[derive(Clone, Default)]
struct Pluggable(Arc<Mutex<Plug>>);

#[derive(Default)]
struct Plug {
    gone: bool,
    cts: bool,
    set: Vec<(OutLine, bool)>,
}

impl ModemLines for Pluggable {
    fn name(&self) -> &str {
        "pluggable"
    }
    fn set(&mut self, line: OutLine, asserted: bool) -> io::Result<()> {
        let mut plug = self.0.lock().unwrap();
        if plug.gone {
            return Err(crate::system::vanished());
        }
        plug.set.push((line, asserted));
        Ok(())
    }
    fn get(&mut self, _: InLine) -> io::Result<bool> {
        let plug = self.0.lock().unwrap();
        match plug.gone {
            true => Err(crate::system::vanished()),
            false => Ok(plug.cts),
        }
    }
}

fn pluggable() -> (ModemPort<Pluggable>, Pluggable) {
    let lines = Pluggable::default();
    let options = ModemOptions {
        clock: Clock::starting_now(),
        asserted_is_high: false,
        watch: vec![InLine::Cts],
        look_every: LOOK_EVERY,
    };
    (ModemPort::new(lines.clone(), options), lines)
}

#[test]
fn an_adapter_that_comes_back_is_driven_as_it_should_be() {
    let (port, lines) = pluggable();
    let again = lines.clone();
    let mut port = port.reopened(Micros::secs(60), move || {
        // Somebody plugs it in when it is looked for.
        let mut plug = again.0.lock().unwrap();
        (plug.gone, plug.cts) = (false, true);
        plug.set.clear();
        Ok(Some(again.clone()))
    });
    port.drive(
        OutLine::Rts,
        Edge {
            at: Micros::ZERO,
            high: false,
        },
    );
    let mut attached = Vec::new();
    let mut seen = 0;
    while seen == 0 {
        match port.wait(Micros::secs(60), None).unwrap() {
            Some(ModemEvent::Driven { .. }) => lines.0.lock().unwrap().gone = true,
            Some(ModemEvent::Attached { attached: a, .. }) => attached.push(a),
            Some(ModemEvent::Seen { edge, .. }) => {
                seen += 1;
                assert!(!edge.high, "the level it has now");
            }
            _ => {}
        }
    }
    assert_eq!(attached, [false, true]);
    assert_eq!(lines.0.lock().unwrap().set, [(OutLine::Rts, true)]);
}

#[test]
fn an_adapter_that_does_not_come_back_or_is_not_waited_for_is_an_error() {
    let gone = |patience: Option<Micros>| {
        let (mut port, lines) = pluggable();
        lines.0.lock().unwrap().gone = true;
        if let Some(most) = patience {
            port = port.reopened(most, || Ok(None));
        }
        loop {
            if let Err(error) = port.wait(Micros::secs(60), None) {
                return error;
            }
        }
    };
    assert!(gone(None).is_vanished());
    let error = gone(Some(Micros::ZERO));
    assert!(matches!(error, LinkError::NotBack { .. }), "{error}");
}

/// A port whose kernel wakes are given by hand.
fn with_kernel() -> (ModemPort<Looped>, Looped) {
    let (mut port, lines) = port(false, vec![InLine::Cts]);
    port.kernel = Kernel::Asked(Waiter::by_hand(), Waker::new().unwrap());
    port.work(Micros(10_000)).unwrap();
    (port, lines)
}

fn wake(port: &ModemPort<Looped>, at: u64, waited: u64) {
    let waiter = port.kernel.waiter().unwrap();
    waiter.wake(Micros(at), Micros(waited));
}

#[test]
fn the_kernels_word_on_when_is_better_than_a_look() {
    let (mut port, lines) = with_kernel();
    lines.0.lock().unwrap().0 = true;
    wake(&port, 10_200, 20);
    port.work(Micros(10_210)).unwrap();
    let events: Vec<ModemEvent> = port.events.drain(..).collect();
    assert_eq!(events[0], ModemEvent::Watching(Watching::Kernel));
    let ModemEvent::Seen {
        edge, uncertainty, ..
    } = &events[1]
    else {
        panic!("{events:?}")
    };
    // Half of the wait for a processor, and what any wake-up takes.
    assert_eq!((edge.at, *uncertainty), (Micros(10_140), Micros(60)));
    // Contacts bounce: looked at often for a moment, then seldom.
    assert_eq!(port.next_look(), Micros(10_460));
    port.work(Micros(14_000)).unwrap();
    assert_eq!(port.next_look(), Micros(24_000));
    assert_eq!(port.seen().unwrap().count, 1);
}

#[test]
fn a_wake_up_that_came_late_says_no_more_than_a_look() {
    let (mut port, lines) = with_kernel();
    lines.0.lock().unwrap().0 = true;
    wake(&port, 10_200, 9_000);
    port.work(Micros(10_250)).unwrap();
    let seen = port.events.iter().find_map(|e| match e {
        ModemEvent::Seen { uncertainty, .. } => Some(*uncertainty),
        _ => None,
    });
    assert_eq!(seen, Some(Micros(125)));
}

#[test]
fn a_port_that_takes_the_call_and_does_not_wake_is_found_out() {
    let (mut port, lines) = with_kernel();
    lines.0.lock().unwrap().0 = true;
    for now in [10_250, 10_500, 40_000, 60_000, 61_000] {
        port.work(Micros(now)).unwrap();
    }
    assert!(matches!(port.kernel, Kernel::Not));
    let said = port.events.iter().any(|e| match e {
        ModemEvent::Watching(how) => how.to_string().contains("does not wake"),
        _ => false,
    });
    assert!(said, "{:?}", port.events);
    assert_eq!(port.next_look(), Micros(61_250));
}

#[test]
fn an_edge_the_kernel_lost_is_seen_by_looking() {
    let (mut port, lines) = with_kernel();
    lines.0.lock().unwrap().0 = true;
    wake(&port, 10_200, 0);
    port.work(Micros(10_200)).unwrap();
    lines.0.lock().unwrap().0 = false;
    port.work(Micros(10_450)).unwrap();
    port.work(Micros(30_000)).unwrap();
    lines.0.lock().unwrap().0 = true;
    wake(&port, 30_100, 0);
    port.work(Micros(30_110)).unwrap();
    let seen = port.events.iter();
    let seen = seen
        .filter(|e| matches!(e, ModemEvent::Seen { .. }))
        .count();
    assert_eq!(seen, 3);
    assert!(matches!(port.kernel, Kernel::Wakes(..)), "still trusted");
}

#[test]
fn levels_are_told_before_anything_happens() {
    for high in [true, false] {
        let (mut port, lines) = port(high, vec![InLine::Cts]);
        lines.0.lock().unwrap().0 = true;
        assert_eq!(port.levels().unwrap(), [(InLine::Cts, high)]);
        assert!(port.events.is_empty());
    }
}

#[test]
fn edges_are_driven_in_the_order_of_their_times() {
    let (mut port, lines) = port(true, vec![]);
    for (at, high) in [(Micros(200), false), (Micros(100), true)] {
        port.drive(OutLine::Dtr, Edge { at, high });
    }
    let mut driven = Vec::new();
    while driven.len() < 2 {
        if let Some(ModemEvent::Driven { edge, .. }) = port.wait(Micros::secs(10), None).unwrap() {
            driven.push(edge.high);
        }
    }
    assert_eq!(driven, [true, false]);
    assert_eq!(lines.0.lock().unwrap().1, [true, false]);
}

#[test]
fn a_line_that_is_not_there_is_an_error_and_jitter_is_measured() {
    let (mut dsr, _) = port(false, vec![InLine::Dsr]);
    let error = dsr.wait(Micros::secs(1), None).unwrap_err().to_string();
    assert!(error.contains("modem lines"), "{error}");
    let (mut cts, _) = port(false, vec![InLine::Cts]);
    assert_eq!(cts.measure(21).unwrap().unwrap().count, 20);
}
