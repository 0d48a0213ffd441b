//! `payrig pulse which`.

use super::input::{InputArguments, amount};
use super::{header, ms, number, time};
use crate::json::pulse::{self as json, Line, Setting, Settings};
use crate::lines;
use crate::style::STYLES;
use crate::terminal;
use crate::{Exit, Failure, Format};
use clap::Args;
use payrig_pulse::{
    Coding, Diagnosis, Judgement, Level, Profile, PulseFinding, PulseRule, Question, Survey, Train,
    Verdict, identify, judge, survey,
};
use payrig_units::{Decimals, Money, Visible, visible, words};
use payrig_wire::analysis::pulse_finding;
use payrig_wire::recording::TrainRecord;
use std::io::{self, Write};

/// Arguments of `payrig pulse which`.
#[derive(Debug, Args)]
pub(crate) struct WhichArguments {
    #[command(flatten)]
    input: InputArguments,
    #[command(flatten)]
    ask: AskArguments,
    /// How to write the answers; times in JSON are in microseconds, amounts in minor units.
    #[arg(long, value_enum, default_value_t)]
    pub(super) format: Format,
}

/// What is asked about trains.
#[derive(Debug, Args)]
pub(crate) struct AskArguments {
    /// The bill or coin that was fed, as in 5.00: once for all trains, or once for each.
    #[arg(long, value_name = "AMOUNT")]
    pub(crate) fed: Vec<String>,
    /// The setting of the board: short, medium, long, or pulse and pause in ms, as in 60/40.
    #[arg(long, value_name = "PROFILE", value_parser = profile)]
    board: Option<Profile>,
    /// The board counts so many pulses ...
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=1000))]
    pulses: u32,
    /// ... per this amount.
    #[arg(long, value_name = "AMOUNT", default_value = "1.00")]
    per: String,
}

impl AskArguments {
    /// The board's profile, if it was named, and those a train may be of.
    pub(crate) fn profiles(
        &self,
        active: Level,
        decimals: Decimals,
    ) -> Result<(Option<Profile>, Vec<Profile>), Failure> {
        let per = amount(&self.per, decimals)?;
        let set = |profile: Profile| {
            let mut profile = profile.with_count(self.pulses, per);
            profile.active = active;
            profile
        };
        let board = self.board.clone().map(set);
        let mut profiles: Vec<Profile> = Profile::all().into_iter().map(set).collect();
        if let Some(board) = &board
            && !profiles.iter().any(|p| p.times() == board.times())
        {
            profiles.push(board.clone());
        }
        Ok((board, profiles))
    }

    /// The amounts that were fed.
    pub(crate) fn amounts(&self, decimals: Decimals) -> Result<Vec<Money>, Failure> {
        self.fed.iter().map(|text| amount(text, decimals)).collect()
    }
}

/// A profile by name, or by its times.
fn profile(text: &str) -> Result<Profile, String> {
    if let Some(profile) = Profile::named(text) {
        return Ok(profile);
    }
    let Some((on, off)) = text.split_once('/') else {
        let names: Vec<String> = Profile::all().into_iter().map(|p| p.name).collect();
        let known: Vec<&str> = names.iter().map(String::as_str).collect();
        let near = payrig_rig::nearest(text, &known);
        let hint = near
            .map(|n| format!("; did you mean {n}?"))
            .unwrap_or_default();
        return Err(format!(
            "expected {} or times in ms, as in 60/40{hint}",
            names.join(", ")
        ));
    };
    let mut profile = Profile::short();
    profile.on = time(on)?;
    profile.off = time(off)?;
    if profile.train_gap <= profile.gap_window().max {
        profile.train_gap = profile.off * 2;
    }
    profile.name = profile.times();
    profile.check().map_err(|error| error.to_string())?;
    Ok(profile)
}

/// Findings about a line as a whole; those about its trains are in the answers.
fn about_the_line(finding: &PulseFinding) -> bool {
    matches!(
        finding.rule,
        PulseRule::LineReversed
            | PulseRule::LineSilent
            | PulseRule::LineStuck
            | PulseRule::LineUnknown
            | PulseRule::PulseBounce
            | PulseRule::PulseGlitch
            | PulseRule::PulseCut
    )
}

pub(super) fn which(arguments: &WhichArguments) -> Result<Exit, Failure> {
    let decimals = arguments.input.decimals();
    let level = arguments.input.active.level();
    let (board, profiles) = arguments.ask.profiles(level, decimals)?;
    let lines = arguments.input.lines()?;
    let surveys: Vec<(String, Survey)> = lines
        .iter()
        .map(|line| (line.name.clone(), survey(&line.record(), &profiles)))
        .collect();
    let trains: usize = surveys.iter().map(|(_, s)| s.trains.len()).sum();
    let fed = fed(arguments.ask.amounts(decimals)?, trains)?;

    header(decimals)?;
    let mut answers = Answers::new(arguments.format);
    let mut fed = fed.into_iter();
    let mut train_number = 0;
    for (name, survey) in &surveys {
        for finding in survey.findings.iter().filter(|f| about_the_line(f)) {
            answers.line(name, finding)?;
        }
        for surveyed in &survey.trains {
            train_number += 1;
            let question = Question {
                train: &surveyed.train,
                fed: fed.next().flatten(),
                profiles: &profiles,
                board: board.as_ref(),
                decimals,
            };
            answers.train(train_number, &question, &identify(&question))?;
        }
    }
    answers.end(train_number, board.as_ref())
}

/// The profile that each pulse is held against: the board's, or else the nearest.
fn judging<'a>(question: &Question<'a>, answer: &Diagnosis) -> Option<&'a Profile> {
    let near = answer.nearest.as_deref();
    let nearest = question
        .profiles
        .iter()
        .find(|p| Some(p.name.as_str()) == near);
    question.board.or(nearest)
}

/// The verdicts on pulses and pauses, counted, and what the train is worth.
fn verdicts(profile: &Profile, judged: &Judgement, train: &Train, decimals: Decimals) -> String {
    let counted = |verdicts: &[Verdict], noun: &str| {
        let of = |verdict: Verdict| number(verdicts.iter().filter(|v| **v == verdict).count());
        let parts: Vec<String> = [Verdict::Pass, Verdict::Fail, Verdict::CannotTell]
            .into_iter()
            .filter(|v| of(*v) > 0)
            .map(|v| format!("{} {v}", of(v)))
            .collect();
        format!("{noun}: {}", parts.join(", "))
    };
    let mut text = format!("Against {} ({}), ", profile.name, profile.times());
    text.push_str(&counted(&judged.widths, "pulses"));
    if !judged.gaps.is_empty() {
        text.push_str(&format!("; {}", counted(&judged.gaps, "pauses")));
    }
    let worth = profile.worth(&train.line, &train.widths(), 0);
    text.push_str(&format!(
        ". Its count is worth {}",
        worth.amount.show(decimals)
    ));
    if worth.left_over > 0 {
        text.push_str(&format!(
            ", and {} over",
            words::count(worth.left_over, "pulse")
        ));
    }
    text + "."
}

/// Sentences under a heading.
fn indented(text: &str) -> String {
    let options = textwrap::Options::new(100)
        .initial_indent("  ")
        .subsequent_indent("  ");
    textwrap::fill(&visible(text), options)
}

fn trains_are(n: u64) -> String {
    let are = if n == 1 { "is" } else { "are" };
    format!("{} {are}", words::count(n, "train"))
}

/// What was fed for each train.
fn fed(all: Vec<Money>, trains: usize) -> Result<Vec<Option<Money>>, Failure> {
    match all.as_slice() {
        [] => Ok(vec![None; trains]),
        [one] => Ok(vec![Some(*one); trains]),
        several if several.len() == trains => Ok(several.iter().copied().map(Some).collect()),
        several => Err(Failure::wrong(format!(
            "--fed is given {} but there are {}: give it once for all, or once for each",
            words::times(several.len()),
            words::count(trains, "train")
        ))),
    }
}

/// Answers as they are written.
pub(crate) struct Answers {
    json: bool,
    out: Out,
    /// The advice given last, so that ten like trains do not say it ten times.
    last: Option<Vec<String>>,
    agree: u64,
    disagree: u64,
    unfit: u64,
    broken: u64,
}

type Out = io::BufWriter<terminal::Screen<anstream::AutoStream<io::Stdout>>>;

impl Answers {
    pub(crate) fn new(format: Format) -> Self {
        Self {
            json: format == Format::Json,
            out: terminal::buffered(),
            last: None,
            agree: 0,
            disagree: 0,
            unfit: 0,
            broken: 0,
        }
    }

    /// Shows what was written so far.
    pub(crate) fn flush(&mut self) -> Result<(), Failure> {
        self.out.flush()?;
        Ok(lines::flush()?)
    }

    pub(crate) fn line(&mut self, name: &str, finding: &PulseFinding) -> Result<(), Failure> {
        let silent = finding.rule == PulseRule::LineSilent;
        self.broken += u64::from(finding.is_limit() || silent);
        if self.json {
            let mut finding = pulse_finding(finding);
            finding.who = Some(name.into());
            lines::put(&Line::Finding(finding))?;
            return Ok(());
        }
        let style = match finding.is_limit() || silent {
            true => STYLES.limit,
            false => STYLES.advice,
        };
        let (on, off) = (style.render(), style.render_reset());
        let rule = finding.rule;
        writeln!(
            self.out,
            "{on}Line \"{}\", {rule}{off}: {}\n",
            Visible(name),
            Visible(&finding.text)
        )?;
        Ok(())
    }

    pub(crate) fn train(
        &mut self,
        train_number: u64,
        question: &Question<'_>,
        answer: &Diagnosis,
    ) -> Result<(), Failure> {
        match answer.board_agrees {
            Some(true) => self.agree += 1,
            Some(false) => self.disagree += 1,
            None => {}
        }
        self.unfit += u64::from(answer.fits.is_empty());
        let train = question.train;
        let by = judging(question, answer);
        let judged = by.map(|profile| judge(train, profile));
        if self.json {
            let profile = answer.fits.first().map_or("none", |f| f.profile.as_str());
            lines::put(&Line::Train(TrainRecord::of(train, profile)))?;
            let mut setting = Setting::of(train_number, train, answer);
            setting.fed = question.fed;
            if let Some(judged) = &judged {
                setting.judged_by = Some(&judged.profile);
                setting.width_verdicts = Some(&judged.widths);
                setting.gap_verdicts = Some(&judged.gaps);
            }
            lines::put(&Line::Setting(setting))?;
            return Ok(());
        }
        let (head, off) = (STYLES.head.render(), STYLES.head.render_reset());
        let at = train.start().as_us();
        let fed = match question.fed {
            Some(fed) => format!(", {} fed", fed.show(question.decimals)),
            None => String::new(),
        };
        writeln!(
            self.out,
            "{head}Train {train_number} on {} at {}.{:03} s{fed}{off}",
            Visible(&train.line),
            at / 1_000_000,
            at % 1_000_000 / 1_000,
        )?;
        let (measured, advice) = match answer.says.split_first() {
            Some((measured, advice)) => (measured.as_str(), advice.to_vec()),
            None => ("", Vec::new()),
        };
        writeln!(self.out, "{}", indented(measured))?;
        if let (Some(profile), Some(judged)) = (by, &judged) {
            let text = verdicts(profile, judged, train, question.decimals);
            writeln!(self.out, "{}", indented(&text))?;
        }
        if self.last.as_ref() == Some(&advice) {
            writeln!(self.out, "  As the train before.\n")?;
            return Ok(());
        }
        for sentence in &advice {
            writeln!(self.out, "{}", indented(sentence))?;
        }
        writeln!(self.out)?;
        self.last = Some(advice);
        Ok(())
    }

    pub(crate) fn end(mut self, trains: u64, board: Option<&Profile>) -> Result<Exit, Failure> {
        let passed = trains > 0 && self.disagree == 0 && self.unfit == 0 && self.broken == 0;
        let mut text = match (trains, board) {
            (0, _) => "No pulses: there is nothing to derive a setting from.".to_owned(),
            (n, Some(board)) => {
                let setting = match &board.coding {
                    Coding::Count { pulses: 1, .. } => board.name.clone(),
                    Coding::Count { pulses, .. } => {
                        format!(
                            "{}, {}",
                            board.name,
                            words::count(u64::from(*pulses), "pulse")
                        )
                    }
                    _ => board.name.clone(),
                };
                let open = n - self.agree - self.disagree;
                let mut text = format!(
                    "{} of {} what a board set to {setting} ({}/{} ms) expects",
                    self.agree,
                    trains_are(n),
                    ms(board.on),
                    ms(board.off)
                );
                if self.disagree > 0 {
                    text.push_str(&format!("; {} not", self.disagree));
                }
                if open > 0 {
                    text.push_str(&format!("; {open} cannot be decided"));
                }
                text + "."
            }
            (n, None) => format!(
                "{} of {} of a known profile. Say with --board what the board is set to.",
                n - self.unfit,
                trains_are(n),
            ),
        };
        if self.broken > 0 {
            text.push_str(" The line itself has a fault: see above.");
        }
        if self.json {
            lines::put(&Line::Verdict(json::Verdict {
                passed,
                text,
                settings: Some(Settings {
                    trains,
                    agree: self.agree,
                    disagree: self.disagree,
                    fit_none: self.unfit,
                }),
                total: None,
            }))?;
        } else {
            let style = if passed { STYLES.pass } else { STYLES.limit };
            writeln!(self.out, "{}{text}{}", style.render(), style.render_reset())?;
        }
        self.out.flush()?;
        Ok(if passed {
            Exit::Passed
        } else {
            Exit::FellShort
        })
    }
}
