//! `payrig pulse profiles`.

use super::{header, ms};
use crate::json::pulse::Line;
use crate::lines;
use crate::terminal;
use crate::{Exit, Failure, Format};
use payrig_pulse::{Coding, Profile};
use payrig_units::{Decimals, words};
use std::io::Write;

pub(super) fn profiles(format: Format) -> Result<Exit, Failure> {
    let mut out = terminal::buffered();
    if format == Format::Json {
        header(Decimals(2))?;
        for profile in Profile::all() {
            lines::put(&Line::Profile(profile.into()))?;
        }
        return Ok(Exit::Passed);
    }
    let (head, off) = (
        crate::style::STYLES.head.render(),
        crate::style::STYLES.head.render_reset(),
    );
    writeln!(
        out,
        "{head}{:<8} {:>8} {:>8}  {:<16} {:<16} worth{off}",
        "profile", "pulse", "pause", "pulse allowed", "pause allowed"
    )?;
    for profile in Profile::all() {
        let window = |w: Option<&payrig_pulse::Window>| {
            w.map_or(String::new(), |w| {
                format!("{} to {} ms", ms(w.min), ms(w.max))
            })
        };
        let worth = match &profile.coding {
            Coding::Count { pulses, unit } => format!(
                "{} per {}",
                words::count(u64::from(*pulses), "pulse"),
                unit.show(Decimals(2))
            ),
            _ => String::new(),
        };
        writeln!(
            out,
            "{:<8} {:>5} ms {:>5} ms  {:<16} {:<16} {worth}",
            profile.name,
            ms(profile.on),
            ms(profile.off),
            window(profile.width_windows().first()),
            window(Some(&profile.gap_window())),
        )?;
    }
    let first = Profile::short();
    writeln!(
        out,
        "\nAll of them: the line is {} during a pulse; a pause of {} ms ends a train; level changes\n\
         shorter than {} ms are bounce or noise; a {} level on the line \"{}\" holds the acceptor\n\
         off within {} ms. Common practice, no source: no standard covers credit pulses.\n\
         Everything can be set otherwise in a rig, under [device.pulse].",
        first.active,
        ms(first.train_gap),
        ms(first.bounce),
        first.inhibit.inhibits,
        first.inhibit.line,
        ms(first.inhibit.silence),
    )?;
    out.flush()?;
    Ok(Exit::Passed)
}
