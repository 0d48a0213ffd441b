//! `payrig pulse profiles`.

use super::ms;
use crate::terminal;
use crate::{Exit, Failure, Format};
use payrig_pulse::{Coding, Profile};
use payrig_units::{Decimals, words};
use serde_json::json;
use std::io::Write;

pub(super) fn profiles(format: Format) -> Result<Exit, Failure> {
    let mut out = terminal::buffered();
    if format == Format::Json {
        for profile in Profile::all() {
            let windows = profile.width_windows();
            let line = json!({
                "type": "profile",
                "name": profile.name,
                "active": profile.active,
                "on_us": profile.on,
                "off_us": profile.off,
                "width_us": windows.first().map(|w| [w.min, w.max]),
                "gap_us": [profile.gap_window().min, profile.gap_window().max],
                "train_gap_us": profile.train_gap,
                "bounce_us": profile.bounce,
                "inhibits": profile.inhibit.inhibits,
                "silence_us": profile.inhibit.silence,
            });
            terminal::json_line(&mut out, &line)?;
        }
        out.flush()?;
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
