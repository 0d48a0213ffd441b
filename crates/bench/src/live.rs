//! The driver of a bench on a real link: what is heard comes from the port, what is said goes to it,
//! and bench time is the port's.

use crate::stage::Stage;
use payrig_link::{LinkError, PortEvent, WordPort};
use payrig_units::Micros;
use payrig_wire::recording::Entry;
use std::future::Future;
use std::io;
use std::pin::pin;
use std::time::Duration;

/// Why a bench on a link stopped early. Everything up to then has gone to the sink.
#[derive(Debug, thiserror::Error)]
pub enum LiveError {
    /// The link failed.
    #[error(transparent)]
    Link(#[from] LinkError),
    /// The log could not be written.
    #[error("output: {0}")]
    Output(#[from] io::Error),
}

/// Runs a bench over a port until its script has ended, `limit` has passed, or `stop` is ready.
///
/// # Errors
/// When the port fails or the log cannot be written; the log is complete up to then.
pub async fn run_linked<P: WordPort>(
    stage: &mut Stage,
    port: &mut P,
    limit: Micros,
    stop: impl Future<Output = ()>,
    mut sink: impl FnMut(&Stage, Entry) -> io::Result<()>,
) -> Result<(), LiveError> {
    let mut stop = pin!(stop);
    let mut drain = |stage: &mut Stage| -> io::Result<()> {
        let entries: Vec<Entry> = stage.take_log().collect();
        entries.into_iter().try_for_each(|entry| sink(stage, entry))
    };
    loop {
        // First what must be on time, then what may take time.
        while let Some(sent) = stage.take_outbound() {
            if let Err(error) = port.send(sent) {
                return fail(stage, error, &mut drain);
            }
        }
        drain(stage)?;
        if stage.ended() {
            return Ok(());
        }
        let now = port.now();
        if now >= limit {
            stage.finish_now();
            continue;
        }
        let pause = stage.next_time().min(limit).since(now);
        tokio::select! {
            biased;
            event = port.receive() => match event {
                Ok(event) => take(stage, port.now(), event),
                Err(error) => return fail(stage, error, &mut drain),
            },
            () = tokio::time::sleep(Duration::from_micros(pause.as_us())) => {}
            () = &mut stop => {
                stage.link_note("stopped by hand".to_owned());
                stage.finish_now();
                continue;
            }
        }
        stage.advance(port.now());
    }
}

fn take(stage: &mut Stage, now: Micros, event: PortEvent) {
    stage.move_on(now);
    match event {
        PortEvent::Heard(event) => stage.heard_on_link(&event),
        PortEvent::Sent { event, late } => stage.sent_on_link(&event, late),
        other => stage.link_note(other.to_string()),
    }
}

fn fail(
    stage: &mut Stage,
    error: LinkError,
    drain: &mut impl FnMut(&mut Stage) -> io::Result<()>,
) -> Result<(), LiveError> {
    stage.link_note(format!("the link failed: {error}"));
    stage.finish_now();
    drain(stage)?;
    Err(error.into())
}
