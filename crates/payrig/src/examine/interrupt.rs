//! Ctrl-C during an examination: the first ends it in order, the second at once.

use payrig_exam::Stop;
use std::io;
use std::sync::mpsc::{Sender, channel};
use std::thread;

/// What a process ends with that Ctrl-C has ended at once (128 and the number of the signal, as
/// shells tell it).
const AT_ONCE: i32 = 130;

/// From now on Ctrl-C asks for `stop`: when this returns, it is listened for.
///
/// # Errors
/// When the thread that listens cannot be started.
pub(super) fn listen(stop: Stop) -> io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_io()
        .build()?;
    let (listens, listening) = channel();
    thread::Builder::new()
        .name("interrupts".to_owned())
        .spawn(move || runtime.block_on(wait(&stop, &listens)))?;
    // An end of the thread is an answer, too.
    let _ = listening.recv();
    Ok(())
}

async fn wait(stop: &Stop, listens: &Sender<()>) {
    let first = tokio::signal::ctrl_c();
    // It is listened for once it was polled.
    let say = async {
        let _ = listens.send(());
    };
    // Without a handler Ctrl-C ends the process, as it does without us.
    if tokio::join!(first, say).0.is_err() {
        return;
    }
    stop.ask();
    let again = async {
        if tokio::signal::ctrl_c().await.is_ok() {
            std::process::exit(AT_ONCE);
        }
    };
    // It is said once the second is listened for.
    let say = async {
        anstream::eprintln!(
            "Ctrl-C: the examination ends here, and what was found is written. Once more, and it ends \
             at once."
        );
    };
    tokio::join!(again, say);
}
