//! What passes between board, peripherals and bus: who hears what, who is woken, what they want sent.

use super::Stage;
use payrig_controller::Controller;
use payrig_units::Micros;
use payrig_wire::{BusEvent, Source, Transmission};

impl Stage {
    /// Takes what is complete off the bus and gives it to those who hear it.
    pub(super) fn deliver(&mut self) -> bool {
        let mut any = false;
        while let Some(heard) = self.bus.pop(self.now) {
            any = true;
            self.tap(&heard.event);
            if heard.reaches_peer {
                self.hear(&heard.event);
            }
            self.collect();
        }
        any
    }

    /// The watcher on the wire sees an event.
    pub(super) fn tap(&mut self, event: &BusEvent) {
        if let BusEvent::Word(word) = event {
            self.last_word = Some(word.start);
        }
        let entries = self.analyst.event(event);
        self.pending.extend(entries);
    }

    /// The machines on the other side of an event hear it.
    pub(super) fn hear(&mut self, event: &BusEvent) {
        match *event {
            BusEvent::Word(word) => match (word.source, &mut self.board) {
                (Source::Master, _) => self.peers.heard(&word),
                (Source::Peripheral, Some(board)) => board.heard(&word),
                (Source::Peripheral, None) => {}
            },
            BusEvent::Break {
                start,
                end,
                source: Source::Master,
                ..
            } => {
                self.peers.heard_break(start, end);
            }
            BusEvent::Break { .. } | BusEvent::Garbled { .. } => {}
        }
    }

    pub(super) fn transmit(&mut self, source: Source, sent: Transmission) {
        match &mut self.link {
            Some(link) => link.outbox.push_back(sent),
            None => {
                self.bus.transmit(source, sent);
            }
        }
    }

    pub(super) fn wake(&mut self) -> bool {
        let mut any = self.peers.wake(self.now);
        if let Some(board) = &mut self.board
            && board.next_deadline() <= self.now
        {
            board.wake(self.now);
            any = true;
        }
        if self.analyst.next_deadline() <= self.now {
            let entries = self.analyst.idle(self.now);
            any |= !entries.is_empty();
            self.pending.extend(entries);
        }
        if self.pulses.next_deadline() <= self.now {
            self.pulses.idle(self.now);
            any = true;
        }
        any
    }

    /// Gathers what the machines want sent, what moved, and what is to be seen.
    pub(super) fn collect(&mut self) {
        while let Some(sent) = self.peers.take_transmission() {
            self.transmit(Source::Peripheral, sent);
        }
        for (name, line, edge) in self.peers.take_edges() {
            if self.send_edge(&name, &line, edge) {
                continue;
            }
            self.log_edge(&name, &line, edge, Micros::ZERO);
            if let Some(board) = &mut self.board {
                board.pulse_edge(&name, &line, edge);
            }
        }
        let (movements, notes) = self.peers.take_news();
        self.book(movements);
        for (who, text) in notes {
            self.note(Some(who), text);
        }
        self.collect_board();
        self.measured();
    }

    pub(super) fn collect_board(&mut self) {
        while let Some(sent) = self.board.as_mut().and_then(Controller::take_transmission) {
            self.transmit(Source::Master, sent);
        }
        let Some(board) = &mut self.board else { return };
        let edges = board.take_pulse_edges();
        let movements = board.take_movements();
        let delivered = board.take_delivered();
        let (shown, notices) = board.take_shown();
        self.player.delivered(delivered.len());
        for (name, line, edge) in edges {
            if self.send_edge(&name, &line, edge) {
                continue;
            }
            self.log_edge(&name, &line, edge, Micros::ZERO);
            self.peers.input_edge(&name, &line, edge);
        }
        self.book(movements);
        for text in shown {
            self.note(Some("display".to_owned()), text);
        }
        for text in notices {
            self.note(Some("board".to_owned()), text);
        }
    }
}
