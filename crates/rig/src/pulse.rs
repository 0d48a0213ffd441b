//! Devices on pulse lines in a rig: what they are, the profile they send by, how they are wrong.

use super::error::RigError;
use super::fields::Fields;
use super::setting::Setting;
use payrig_bench::plan::PulsePlan;
use payrig_peripherals::pulse::{
    PulseAcceptor, PulseAcceptorConfig, PulseCardReader, PulseCardReaderConfig, PulseCoinAcceptor,
    PulseCoinAcceptorConfig, PulseFaults, PulseHopper, PulseHopperConfig, Stuck,
};
use payrig_pulse::{Coding, CoinLine, Level, Profile, Unpowered, WidthValue};
use payrig_units::{Micros, Money};

/// Which of the four a rig asks for.
#[derive(Clone, Copy)]
pub(super) enum PulseWord {
    Bill,
    Coin,
    Hopper,
    Card,
}

pub(super) fn read(
    word: PulseWord,
    fields: &Fields<'_>,
    setting: &Setting,
    name: &str,
) -> Result<PulsePlan, RigError> {
    let rig = match word {
        PulseWord::Bill => PulsePlan::Bill(bill(fields, setting, name)?),
        PulseWord::Coin => PulsePlan::Coin(coin(fields, setting, name)?),
        PulseWord::Card => PulsePlan::Card(card(fields, setting, name)?),
        PulseWord::Hopper => PulsePlan::Hopper(hopper(fields, setting, name)?),
    };
    // Whatever contradicts itself is reported with the line of the device.
    let checked = match &rig {
        PulsePlan::Bill(c) => PulseAcceptor::new(c.clone()).map(drop),
        PulsePlan::Coin(c) => PulseCoinAcceptor::new(c.clone()).map(drop),
        PulsePlan::Card(c) => PulseCardReader::new(c.clone()).map(drop),
        PulsePlan::Hopper(c) => PulseHopper::new(c.clone()).map(drop),
    };
    checked.map_err(|error| fields.error(error.to_string()))?;
    Ok(rig)
}

fn amounts(
    fields: &Fields<'_>,
    key: &'static str,
    setting: &Setting,
) -> Result<Vec<Money>, RigError> {
    let values = fields.array(key)?;
    let each = values.map(|value| fields.money_of(key, value, setting.decimals));
    let found: Vec<Money> = each.collect::<Result<_, _>>()?;
    let some = (!found.is_empty()).then_some(found);
    fields.need(key, "what it takes, as in [\"1.00\"]", some)
}

/// A time that is a whole number of milliseconds.
fn ms(fields: &Fields<'_>, key: &'static str, default: u32) -> Result<u32, RigError> {
    let Some(time) = fields.time(key)? else {
        return Ok(default);
    };
    let (whole, rest) = (time.as_us() / 1_000, time.as_us() % 1_000);
    match (u32::try_from(whole), rest) {
        (Ok(whole), 0) => Ok(whole),
        _ => Err(fields.error(format!("`{key}` must be a whole number of milliseconds"))),
    }
}

/// A time in microseconds that fits 32 bits (71 minutes).
fn us(fields: &Fields<'_>, key: &'static str) -> Result<u32, RigError> {
    let time = fields.time(key)?.unwrap_or_default();
    u32::try_from(time.as_us()).map_err(|_| fields.error(format!("`{key}` is too long")))
}

fn count(fields: &Fields<'_>, key: &'static str) -> Result<Option<u32>, RigError> {
    let found = fields.number(key, 0..1_000_000)?;
    Ok(found.and_then(|n| u32::try_from(n).ok()))
}

fn level(fields: &Fields<'_>, key: &'static str) -> Result<Option<Level>, RigError> {
    fields.word(key, &[("low", Level::Low), ("high", Level::High)])
}

fn bill(
    fields: &Fields<'_>,
    setting: &Setting,
    name: &str,
) -> Result<PulseAcceptorConfig, RigError> {
    Ok(PulseAcceptorConfig {
        name: name.to_owned(),
        bills: amounts(fields, "bills", setting)?,
        travel_ms: ms(fields, "travel", 1_500)?,
        stack_ms: ms(fields, "stack", 700)?,
        return_ms: ms(fields, "return", 800)?,
        pulse: profile(fields, setting)?,
        faults: faults(fields)?,
    })
}

fn coin(
    fields: &Fields<'_>,
    setting: &Setting,
    name: &str,
) -> Result<PulseCoinAcceptorConfig, RigError> {
    let below = fields.table("hopper", "[device.hopper]")?;
    let below = match &below {
        None => None,
        Some(table) => {
            let own = table.name("name")?;
            let own = own.unwrap_or_else(|| format!("{name} hopper"));
            let config = hopper(table, setting, &own)?;
            table.finish()?;
            Some(config)
        }
    };
    Ok(PulseCoinAcceptorConfig {
        name: name.to_owned(),
        coins: amounts(fields, "coins", setting)?,
        fall_ms: ms(fields, "fall", 250)?,
        pulse: profile(fields, setting)?,
        hopper: below,
        faults: faults(fields)?,
    })
}

fn hopper(
    fields: &Fields<'_>,
    setting: &Setting,
    name: &str,
) -> Result<PulseHopperConfig, RigError> {
    let coin = fields.money("coin", setting.decimals)?;
    Ok(PulseHopperConfig {
        name: name.to_owned(),
        coin: fields.need(
            "coin",
            "what one of its coins is worth, as in \"0.25\"",
            coin,
        )?,
        fill: count(fields, "count")?.unwrap_or(0),
        capacity: count(fields, "capacity")?.unwrap_or(400),
        motor_line: line(fields, "motor-line", "motor")?,
        motor_on: level(fields, "motor-on")?.unwrap_or(Level::High),
        exit_line: line(fields, "exit-line", "exit")?,
        exit_active: level(fields, "exit-active")?.unwrap_or_default(),
        coin_interval_ms: ms(fields, "coin-interval", 350)?,
        exit_pulse_ms: ms(fields, "exit-pulse", 40)?,
        jam_after: count(fields, "jam-after")?,
        coins_after_stop: count(fields, "coins-after-stop")?.unwrap_or(0),
        runs_by_itself: fields.boolean("runs-by-itself")?,
        runs_without_power: fields.boolean("runs-without-power")?,
        faults: faults(fields)?,
    })
}

fn line(fields: &Fields<'_>, key: &'static str, default: &str) -> Result<String, RigError> {
    Ok(fields.name(key)?.unwrap_or_else(|| default.to_owned()))
}

fn card(
    fields: &Fields<'_>,
    setting: &Setting,
    name: &str,
) -> Result<PulseCardReaderConfig, RigError> {
    Ok(PulseCardReaderConfig {
        name: name.to_owned(),
        balance: fields
            .money("balance", setting.decimals)?
            .unwrap_or_default(),
        price: fields.money("price", setting.decimals)?,
        vend_pulses: count(fields, "vend-pulses")?.unwrap_or(1),
        authorise_ms: ms(fields, "authorise", 1_200)?,
        pulse: profile(fields, setting)?,
        faults: faults(fields)?,
    })
}

/// The `[device.pulse]` table: a ready-made profile, and what differs from it.
pub(super) fn profile(fields: &Fields<'_>, setting: &Setting) -> Result<Profile, RigError> {
    let Some(table) = fields.table("pulse", "[device.pulse]")? else {
        return Ok(Profile::short());
    };
    let profile = read_profile(&table, setting)?;
    table.finish()?;
    Ok(profile)
}

fn read_profile(table: &Fields<'_>, setting: &Setting) -> Result<Profile, RigError> {
    let names = [("short", "short"), ("medium", "medium"), ("long", "long")];
    let base = table.word("profile", &names)?.unwrap_or("short");
    let mut profile = Profile::named(base).unwrap_or_else(Profile::short);
    profile.coding = coding(table, setting, profile.coding)?;
    if let Coding::Widths(widths) = &profile.coding
        && let Some(first) = widths.first()
    {
        profile.on = first.on;
    }
    let (on, off) = (table.time("on")?, table.time("off")?);
    if on.is_some() && matches!(profile.coding, Coding::Widths(_)) {
        return Err(table.error("`on` and `widths` contradict each other: leave `on` out"));
    }
    profile.name = match table.name("name")? {
        Some(name) => name,
        None => profile.name,
    };
    let renamed = profile.name != base;
    profile.on = on.unwrap_or(profile.on);
    profile.off = off.unwrap_or(profile.off);
    if !renamed && (on.is_some() || off.is_some()) {
        profile.name = profile.times();
    }
    profile.active = level(table, "active")?.unwrap_or(profile.active);
    let percent = table.number("tolerance-percent", 0..51)?;
    if let Some(percent) = percent.and_then(|n| u32::try_from(n).ok()) {
        profile.tolerance.percent = percent;
    }
    if let Some(least) = table.time("tolerance-at-least")? {
        profile.tolerance.at_least = least;
    }
    profile.train_gap = match table.time("train-gap")? {
        Some(gap) => gap,
        // A slow profile gets a train gap that fits it unless it names one.
        None if profile.train_gap <= profile.gap_window().max => profile.off * 2,
        None => profile.train_gap,
    };
    profile.bounce = table.time("bounce")?.unwrap_or(profile.bounce);
    if let Some(line) = table.name("inhibit-line")? {
        profile.inhibit.line = line;
    }
    profile.inhibit.inhibits = level(table, "inhibits")?.unwrap_or(profile.inhibit.inhibits);
    profile.inhibit.silence = table.time("silence")?.unwrap_or(profile.inhibit.silence);
    let unpowered = [
        ("inhibited", Unpowered::Inhibited),
        ("enabled", Unpowered::Enabled),
    ];
    profile.inhibit.unpowered = table.word("unpowered", &unpowered)?.unwrap_or_default();
    profile
        .check()
        .map_err(|error| table.error(error.to_string()))?;
    Ok(profile)
}

/// `pulses` and `per`, or `lines`, or `widths`.
fn coding(table: &Fields<'_>, setting: &Setting, default: Coding) -> Result<Coding, RigError> {
    let pulses = table.number("pulses", 1..1_000)?;
    let per = table.money("per", setting.decimals)?;
    let lines = table.tables("lines", "[[device.pulse.lines]]")?;
    let widths = table.tables("widths", "[[device.pulse.widths]]")?;
    let counted = pulses.is_some() || per.is_some();
    if usize::from(counted) + usize::from(!lines.is_empty()) + usize::from(!widths.is_empty()) > 1 {
        return Err(table.error(
            "value is coded in one way only: give `pulses` and `per`, or `lines` (a line per \
             coin), or `widths` (value in the width of the pulse)",
        ));
    }
    let value = |row: &Fields<'_>| -> Result<Money, RigError> {
        let value = row.money("value", setting.decimals)?;
        row.need("value", "what a pulse is worth, as in \"0.25\"", value)
    };
    if !lines.is_empty() {
        let line = |row: &Fields<'_>| -> Result<CoinLine, RigError> {
            let name = row.name("name")?;
            let line = CoinLine {
                name: row.need("name", "the name of the line", name)?,
                value: value(row)?,
            };
            row.finish()?;
            Ok(line)
        };
        return Ok(Coding::Lines(
            lines.iter().map(line).collect::<Result<_, _>>()?,
        ));
    }
    if !widths.is_empty() {
        let width = |row: &Fields<'_>| -> Result<WidthValue, RigError> {
            let on = row.time("on")?;
            let width = WidthValue {
                on: row.need("on", "a time, as in \"50 ms\"", on)?,
                value: value(row)?,
            };
            row.finish()?;
            Ok(width)
        };
        return Ok(Coding::Widths(
            widths.iter().map(width).collect::<Result<_, _>>()?,
        ));
    }
    if !counted {
        return Ok(default);
    }
    Ok(Coding::Count {
        pulses: pulses.and_then(|n| u32::try_from(n).ok()).unwrap_or(1),
        unit: per.unwrap_or(Money(100)),
    })
}

/// The `[device.faults]` table: how the device is wrong on purpose.
fn faults(fields: &Fields<'_>) -> Result<PulseFaults, RigError> {
    let Some(table) = fields.table("faults", "[device.faults]")? else {
        return Ok(PulseFaults::default());
    };
    let stuck = [("active", Stuck::Active), ("resting", Stuck::Resting)];
    let names = [("short", "short"), ("medium", "medium"), ("long", "long")];
    let stray = table.time("stray-after-inhibit")?.map(Micros::as_us);
    let faults = PulseFaults {
        seed: table.number("seed", 0..u64::MAX)?.unwrap_or(0),
        reversed: table.boolean("reversed")?,
        width_percent: table.signed("width-percent", -99..1_001)?.unwrap_or(0),
        gap_percent: table.signed("gap-percent", -99..1_001)?.unwrap_or(0),
        drift_percent: table.signed("drift-percent", -50..101)?.unwrap_or(0),
        jitter_us: us(&table, "jitter")?,
        bounce_us: us(&table, "bounce")?,
        glitch_us: us(&table, "glitch")?,
        missing_pulses: count(&table, "missing-pulses")?.unwrap_or(0),
        extra_pulses: count(&table, "extra-pulses")?.unwrap_or(0),
        every: count(&table, "every")?.unwrap_or(0),
        trains_together: table.boolean("trains-together")?,
        ignores_inhibit: table.boolean("ignores-inhibit")?,
        charges_taken_cards: table.boolean("charges-taken-cards")?,
        stays_inhibited: table.boolean("stays-inhibited")?,
        stray_after_inhibit_ms: stray.and_then(|us| u32::try_from(us / 1_000).ok()),
        stuck: table.word("stuck", &stuck)?,
        wrong_profile: table.word("wrong-profile", &names)?.map(str::to_owned),
        wrong_pulses: count(&table, "wrong-pulses")?,
        forgets_on_power_cut: table.boolean("forgets-on-power-cut")?,
    };
    table.finish()?;
    Ok(faults)
}
