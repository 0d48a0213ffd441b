//! What a person does and sees at the device.

use super::*;
use crate::seen::Run;

impl Bench {
    /// Has something done at the device, which is POLLed meanwhile when a person has to do it. The
    /// end of the check when it cannot be.
    ///
    /// # Errors
    /// A skipped check: the device is of another kind, or nobody is there.
    pub fn act(&mut self, action: Action) -> Result<(), Seen> {
        self.do_act(action, true)
    }

    /// As [`act`](Self::act), and nothing is said on the bus meanwhile: reports wait in the device.
    ///
    /// # Errors
    /// As [`act`](Self::act).
    pub fn act_unasked(&mut self, action: Action) -> Result<(), Seen> {
        self.do_act(action, false)
    }

    /// Has money put in twice at a real device, the second as soon as the first is taken.
    ///
    /// # Errors
    /// As [`act`](Self::act).
    pub fn act_in_a_row(&mut self, first: Action, second: Action) -> Result<(), Seen> {
        let both = [&first, &second].map(|action| self.instruction(action));
        let text = format!(
            "have two ready: {}; as soon as that is taken, {}",
            both[0], both[1]
        );
        if let Subject::Outside(at_hand) = &mut self.subject {
            at_hand.person.worth(at_hand.reports.worth(&first));
            at_hand.reports.put(&first);
            at_hand.reports.put(&second);
        }
        let question = Question::Do {
            text: text.clone(),
            what: ToDo::InARow(first.clone(), second.clone()),
        };
        let early = match self.ask_person(&question, false) {
            Reply::Done | Reply::Saw(_) | Reply::Counted(_) => {
                let at_us = self.now();
                self.record(Entry::Act { at_us, text });
                return Ok(());
            }
            Reply::CannotDo | Reply::Default => Seen::skipped(Skip::NeedsPerson(self.undone(text))),
            Reply::Stop => self.stopped(),
        };
        self.taken_back(&first);
        self.taken_back(&second);
        Err(early)
    }

    /// What could not be done, and why, where that was said.
    fn undone(&self, text: String) -> String {
        match &self.subject {
            Subject::Outside(at_hand) => person::undone(text, &*at_hand.person),
            Subject::Emulated(_) => text,
        }
    }

    pub(super) fn do_act(&mut self, action: Action, polling: bool) -> Result<(), Seen> {
        let text = self.instruction(&action);
        self.questions += 1;
        if let Subject::Emulated(_) = self.subject {
            if let Err(why) = self.run.bench.act(&action) {
                let text = match why {
                    Refusal::CannotDo(_) => format!("a {} cannot do that", self.kind),
                    other => other.to_string(),
                };
                return Err(Seen::skipped(text));
            }
            let at_us = self.now();
            self.record(Entry::Act { at_us, text });
            return Ok(());
        }
        if let Subject::Outside(at_hand) = &mut self.subject {
            at_hand.person.worth(at_hand.reports.worth(&action));
            // What is reported while the hand is still at the slot is of this coin.
            at_hand.reports.put(&action);
        }
        let question = Question::Do {
            text: text.clone(),
            what: ToDo::Act(action.clone()),
        };
        match self.ask_person(&question, polling) {
            Reply::CannotDo | Reply::Default => {
                self.taken_back(&action);
                Err(Seen::skipped(Skip::NeedsPerson(self.undone(text))))
            }
            Reply::Stop => {
                self.taken_back(&action);
                Err(self.stopped())
            }
            Reply::Done | Reply::Saw(_) | Reply::Counted(_) => {
                let off = matches!(action, Action::Power { on: false, .. });
                if off && self.answers_on() {
                    return self.not_off(action, polling);
                }
                self.power_asked = 0;
                let at_us = self.now();
                self.record(Entry::Act { at_us, text });
                if let Subject::Outside(at_hand) = &mut self.subject {
                    at_hand.to_undo.retain(|undo| *undo != action);
                    at_hand.to_undo.extend(undone_by(&action));
                }
                Ok(())
            }
        }
    }

    /// The device answers though its power is off, as a person says: it is not.
    fn answers_on(&mut self) -> bool {
        if self.unit.is_some() {
            // On pulse lines nothing shows it.
            return false;
        }
        // Its supply may carry it for a while.
        (0..4).all(|_| {
            self.wait(Micros::ms(500));
            self.poll_meanwhile()
        })
    }

    /// Asks again for a switch that was not thrown.
    fn not_off(&mut self, action: Action, polling: bool) -> Result<(), Seen> {
        self.power_asked += 1;
        if self.power_asked >= 3 {
            self.power_asked = 0;
            let text = "the device was never off: it went on answering";
            return Err(Seen::cannot_tell(text));
        }
        if let Subject::Outside(at_hand) = &mut self.subject {
            at_hand
                .person
                .inform("The device goes on answering: its power is still on.");
        }
        self.do_act(action, polling)
    }

    /// Runs a check of a card reader that a person first sets up to take so long to decide, and sets back
    /// after it.
    pub(in crate::device) fn with_a_slow_reader(
        &mut self,
        time: Micros,
        run: fn(&mut Self) -> Run,
    ) -> Run {
        self.set_up_reader(Some(time))?;
        let seen = run(self);
        if !self.run.is_over() {
            // Whether it is done shows in the checks that follow.
            self.set_up_reader(None).or_else(|why| match why.skip {
                Some(Skip::Stopped) => Err(why),
                _ => Ok(()),
            })?;
        }
        seen
    }

    fn set_up_reader(&mut self, slow: Option<Micros>) -> Result<(), Seen> {
        let text = match slow {
            Some(time) => format!(
                "set the card reader, or its host, so that it takes {time} or longer to approve a vend"
            ),
            None => "set the card reader, or its host, back to how it was".to_owned(),
        };
        let question = Question::Do {
            text: text.clone(),
            what: ToDo::SlowReader(slow),
        };
        match self.ask_person(&question, false) {
            Reply::Done | Reply::Saw(_) | Reply::Counted(_) => Ok(()),
            Reply::CannotDo => {
                let text = self.undone(text);
                let text = format!("the card reader cannot be set up for it: {text}");
                Err(Seen::skipped(Skip::NotFitted(text.into())))
            }
            Reply::Default => Err(Seen::skipped(Skip::NeedsPerson(text))),
            Reply::Stop => Err(self.stopped()),
        }
    }

    fn device(&self) -> String {
        let name = self.unit.as_ref().map_or(SUBJECT, |unit| unit.name());
        name.to_owned()
    }

    fn coin_of(&self, coin: Tender) -> Action {
        let device = self.device();
        Action::InsertCoin { device, coin }
    }

    fn bill_of(&self, bill: Tender) -> Action {
        let device = self.device();
        Action::InsertBill { device, bill }
    }

    /// A coin of this type goes in.
    #[must_use]
    pub fn coin(&self, coin_type: CoinType) -> Action {
        self.coin_of(Tender::Type(coin_type.get()))
    }

    /// Something that is no coin goes in.
    #[must_use]
    pub fn slug(&self) -> Action {
        self.coin_of(Tender::Unknown)
    }

    /// A bill of this type goes in.
    #[must_use]
    pub fn bill(&self, bill_type: u8) -> Action {
        self.bill_of(Tender::Type(bill_type))
    }

    /// A piece of paper goes in.
    #[must_use]
    pub fn paper(&self) -> Action {
        self.bill_of(Tender::Unknown)
    }

    /// A bill or coin of this value goes into an acceptor on pulse lines, or a card is shown for so much.
    #[must_use]
    pub fn money(&self, value: Money) -> Action {
        match self.kind {
            Kind::PulseBill => self.bill_of(Tender::Worth(value)),
            Kind::PulseCard => Action::PresentCard {
                device: self.device(),
                balance: None,
                amount: Some(value),
            },
            _ => self.coin_of(Tender::Worth(value)),
        }
    }

    /// A card with this balance is presented, in minor units.
    #[must_use]
    pub fn card(&self, balance: i64) -> Action {
        Action::PresentCard {
            device: self.device(),
            balance: Some(Money(balance)),
            amount: None,
        }
    }

    /// The card is taken away before it is answered.
    #[must_use]
    pub fn card_away(&self) -> Action {
        let device = self.device();
        Action::RemoveCard { device }
    }

    /// Something is done at the changer.
    #[must_use]
    pub fn at_changer(&self, what: ChangerAction) -> Action {
        let device = self.device();
        Action::AtChanger { device, what }
    }

    /// Something is done at the bill validator.
    #[must_use]
    pub fn at_validator(&self, what: BillAction) -> Action {
        let device = self.device();
        Action::AtBillValidator { device, what }
    }

    /// The device's power is cut, or given back.
    #[must_use]
    pub fn device_power(&self, on: bool) -> Action {
        let device = Some(self.device());
        Action::Power { device, on }
    }

    /// Has everything undone that this check changed, and a bill in escrow given back.
    pub(super) fn undo(&mut self) {
        let in_escrow = |b: &Self| match &b.subject {
            Subject::Outside(at_hand) => at_hand.reports.in_escrow(),
            Subject::Emulated(_) => false,
        };
        if in_escrow(self) && !self.run.is_over() {
            let back = bill::Command::Escrow(EscrowStatus::RETURN);
            self.ask(back.emit().bytes());
            let by = self.now() + Micros::secs(10);
            while in_escrow(self) && self.now() < by && !self.run.is_over() {
                self.poll_meanwhile();
                self.wait(POLL_EVERY);
            }
        }
        while let Subject::Outside(at_hand) = &mut self.subject {
            let Some(act) = at_hand.to_undo.pop() else {
                break;
            };
            if self.run.is_over() || self.do_act(act, true).is_err() {
                break;
            }
        }
    }

    /// It was not put in after all.
    pub(super) fn taken_back(&mut self, action: &Action) {
        if let Subject::Outside(at_hand) = &mut self.subject {
            let worth = at_hand.reports.worth(action);
            at_hand.reports.take_back(worth);
        }
    }

    pub(super) fn stopped(&mut self) -> Seen {
        self.run.give_up();
        let seen = Seen::skipped(Skip::Stopped);
        self.over = Some(seen.clone());
        seen
    }

    pub(super) fn instruction(&self, action: &Action) -> String {
        let worth = match &self.subject {
            Subject::Outside(at_hand) => at_hand.reports.worth(action),
            Subject::Emulated(_) => Money::ZERO,
        };
        instruction(action, self.kind, worth, self.decimals)
    }

    /// Puts a question and goes on with the wire until it is answered.
    pub(super) fn ask_person(&mut self, question: &Question, polling: bool) -> Reply {
        let Subject::Outside(at_hand) = &mut self.subject else {
            return Reply::Default;
        };
        let nobody = Box::new(person::Unattended::default());
        let mut person = std::mem::replace(&mut at_hand.person, nobody);
        let reply = person::put(&mut *person, question, |waits| {
            match waits {
                true if polling => {
                    self.poll_meanwhile();
                    self.wait(POLL_EVERY);
                }
                true => self.wait(Micros::ms(20)),
                false => {}
            }
            (!self.run.is_over()).then_some(self.now())
        });
        self.record(person::note(self.now(), question, reply));
        if let Subject::Outside(at_hand) = &mut self.subject {
            at_hand.person = person;
        }
        reply
    }

    /// POLLs the device meanwhile; what it reports is kept for the check.
    /// True where it answered.
    pub(super) fn poll_meanwhile(&mut self) -> bool {
        let poll = self.poll_byte();
        let words = Block::truncated(&[poll]).master_words().collect();
        let answer = self.talk(&[poll], words, Micros(60), Close::Ack);
        let answered = answer != Answer::Silence;
        let (Answer::Data(data), Subject::Outside(at_hand)) = (answer, &mut self.subject) else {
            return answered;
        };
        // A state that lasts is reported at every POLL; once is enough.
        let lasting = match (self.kind, data.as_slice()) {
            (Kind::Changer, [0x02 | 0x06 | 0x0A]) => true,
            (Kind::BillValidator | Kind::BillRecycler, [code]) => *code < 0x10,
            _ => false,
        };
        if !lasting || at_hand.queued.back() != Some(&data) {
            at_hand.queued.push_back(data);
        }
        answered
    }

    pub(super) const fn poll_byte(&self) -> u8 {
        match self.kind {
            Kind::BillValidator | Kind::BillRecycler => 0x33,
            Kind::Cashless => self.reader.address().with(2),
            _ => 0x0B,
        }
    }

    /// Something that is not on the wire: it is observed on the bench of an emulated device, a person is
    /// asked, or `default` is taken.
    pub fn look(&mut self, text: &str, what: Observation, default: bool) -> bool {
        if !self.is_outside() {
            self.note_seen(SeenBy::Emulation);
            return self
                .run
                .bench
                .observe(&what)
                .is_ok_and(|seen| seen.is_true());
        }
        let text = text.to_owned();
        let question = Question::Look {
            text,
            what,
            default,
        };
        match self.ask_person(&question, true) {
            Reply::Saw(seen) => {
                self.note_seen(SeenBy::Person);
                seen
            }
            reply => {
                self.nobody(reply);
                default
            }
        }
    }

    /// An amount that is not on the wire, likewise.
    pub fn count(
        &mut self,
        text: &str,
        tally: Tally,
        default: Money,
        emulated: impl FnOnce(&Self) -> Money,
    ) -> Money {
        if !self.is_outside() {
            self.note_seen(SeenBy::Emulation);
            return emulated(self);
        }
        let question = Question::Count {
            text: text.to_owned(),
            tally,
            default,
            decimals: self.decimals,
        };
        match self.ask_person(&question, true) {
            Reply::Counted(amount) => {
                self.note_seen(SeenBy::Person);
                amount
            }
            reply => {
                self.nobody(reply);
                default
            }
        }
    }

    pub(super) fn nobody(&mut self, reply: Reply) {
        self.note_seen(SeenBy::Nobody);
        if reply == Reply::Stop {
            self.stopped();
        }
    }

    /// Has the person count what came out.
    pub(super) fn ask_out(&mut self) -> Money {
        let expected = match &self.subject {
            Subject::Outside(at_hand) => at_hand.reports.to_come_out(),
            Subject::Emulated(_) => Money::ZERO,
        };
        let text = match self.kind {
            Kind::BillValidator | Kind::BillRecycler => {
                "How much came back out of the bill slot since you were last asked?"
            }
            _ => "How much came out of the return cup since you were last asked?",
        };
        let counted = self.count(text, Tally::CameOut, expected, |_| Money::ZERO);
        let movements = match &mut self.subject {
            Subject::Outside(at_hand) => at_hand.reports.came_out(counted),
            Subject::Emulated(_) => Vec::new(),
        };
        self.book(movements);
        counted
    }

    /// Has the person at a device outside count what came out of it, whether it said so or not.
    pub fn count_unreported(&mut self) {
        if self.is_outside() && !self.run.is_over() {
            self.ask_out();
        }
    }

    /// Asks for what should have come out, or be taken from a card, and was not seen yet.
    pub(super) fn settle_out(&mut self) {
        let Subject::Outside(at_hand) = &self.subject else {
            return;
        };
        let (out, card) = (at_hand.reports.to_come_out(), at_hand.reports.card_unseen());
        if out != Money::ZERO && !self.run.is_over() {
            self.ask_out();
        }
        if card && !self.run.is_over() {
            self.ask_card();
        }
    }

    pub(super) fn ask_card(&mut self) {
        let claimed = match &self.subject {
            Subject::Outside(at_hand) => at_hand.reports.claimed(),
            Subject::Emulated(_) => Money::ZERO,
        };
        let text = "How much has been taken from the card since this check began?";
        let seen = self.count(text, Tally::FromCard, claimed, |_| Money::ZERO);
        let movements = match &mut self.subject {
            Subject::Outside(at_hand) => at_hand.reports.taken_from_card(seen),
            Subject::Emulated(_) => Vec::new(),
        };
        self.book(movements);
    }
}
