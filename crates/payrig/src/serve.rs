//! `payrig serve`, and `payrig run --control stdio`.

use crate::ending::Ending;
use crate::terminal::{self, say};
use crate::{Exit, Failure};
use clap::Args;
use payrig_serve::api::{Bench, Open, Record};
use payrig_serve::http::{Guard, serve as serve_http, token};
use payrig_serve::{Host, Limits, PaceName, Problem, stdio};
use serde_json::{Value, json};
use std::io::{self, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::net::TcpListener;

/// Arguments of `payrig serve`.
#[derive(Debug, Args)]
pub(crate) struct ServeArguments {
    /// Rigs to open benches from at once; others are opened over HTTP. `first-vend` is built in.
    rigs: Vec<String>,
    /// The address and port to listen on; port 0 is any that is free. Another than loopback lets
    /// everybody in who can reach it and has the token.
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:0")]
    listen: SocketAddr,
    /// Write the ready line to this file, too, whole at once.
    #[arg(long, value_name = "FILE")]
    ready_file: Option<PathBuf>,
    /// Start the programs that benches name as their `peer`: whoever has the token can then run any command.
    #[arg(long)]
    allow_peers: bool,
    /// Benches at once.
    #[arg(long, value_name = "N", default_value_t = Limits::default().benches)]
    benches: usize,
    /// Requests a second.
    #[arg(long, value_name = "N", default_value_t = 5_000, value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    rate: u32,
    /// Event streams at once.
    #[arg(long, value_name = "N", default_value_t = 500)]
    streams: usize,
    /// How time passes on the benches of RIGS: real, simulated or paused.
    #[arg(long, value_enum, default_value_t = PaceArgument::Simulated)]
    pace: PaceArgument,
    /// Keep the recordings of the benches of RIGS, as long as those are open.
    #[arg(long)]
    record: bool,
}

/// How bench time passes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum PaceArgument {
    /// With the wall clock.
    Real,
    /// As fast as it goes while something is waited for; otherwise it stands.
    Simulated,
    /// It stands; `run` moves it.
    Paused,
}

impl From<PaceArgument> for PaceName {
    fn from(pace: PaceArgument) -> Self {
        match pace {
            PaceArgument::Real => Self::Real,
            PaceArgument::Simulated => Self::Simulated,
            PaceArgument::Paused => Self::Paused,
        }
    }
}

/// A problem as the terminal has it.
fn wrong(problem: &Problem) -> Failure {
    Failure::wrong(problem.to_string())
}

/// The line that says that it is ready: all that a client needs.
fn ready(benches: &[Bench]) -> Value {
    let bench =
        |bench: &Bench| json!({"bench": bench.bench, "name": bench.name, "links": bench.links});
    json!({
        "type": "ready",
        "version": env!("CARGO_PKG_VERSION"),
        "benches": benches.iter().map(bench).collect::<Vec<_>>(),
    })
}

pub(crate) fn serve(arguments: &ServeArguments) -> Result<Exit, Failure> {
    let ending = Ending::listen("the server")?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()?;
    runtime.block_on(served(arguments, ending))
}

async fn served(arguments: &ServeArguments, ending: Ending) -> Result<Exit, Failure> {
    let address = arguments.listen;
    let listener = TcpListener::bind(address).await.map_err(|error| {
        Failure::wrong(format!(
            "{address}: cannot be listened on: {error}; give another with --listen, or port 0 for any that is free"
        ))
    })?;
    let address = listener.local_addr()?;
    if !address.ip().is_loopback() {
        say!(
            "WARNING: {address} can be reached from other machines, and nothing is encrypted: whoever has the \
             token, or sees it pass, has the benches and the ports of this machine."
        );
    }
    let token = token().map_err(|problem| wrong(&problem))?;
    let host = Arc::new(Host::new(Limits {
        benches: arguments.benches,
        peers: arguments.allow_peers,
        ..Limits::default()
    }));
    let mut benches = Vec::new();
    for rig in &arguments.rigs {
        let open = Open {
            rig: Some(rig.clone()),
            pace: Some(arguments.pace.into()),
            record: Record::Spool(arguments.record),
            ..Open::default()
        };
        let opened = Arc::clone(&host).open(open).await;
        benches.push(opened.map_err(|problem| wrong(&problem))?);
    }
    let mut line = ready(&benches);
    if let Some(line) = line.as_object_mut() {
        line.insert("url".to_owned(), json!(format!("http://{address}")));
        line.insert("address".to_owned(), json!(address.ip().to_string()));
        line.insert("port".to_owned(), json!(address.port()));
        line.insert("token".to_owned(), json!(token));
        line.insert("pid".to_owned(), json!(std::process::id()));
    }
    if let Some(path) = &arguments.ready_file {
        write_ready(path, &line)?;
    }
    let mut out = terminal::screen();
    terminal::json_line(&mut out, &line)?;
    out.flush()?;
    let guard = Guard {
        token,
        names: Guard::names_of(address),
        rate: arguments.rate,
        streams: arguments.streams,
    };
    let stop = async move {
        ending.asked().await;
    };
    serve_http(listener, host, guard, stop).await?;
    Ok(Exit::Passed)
}

/// Writes the ready file: beside its place first, then there, so that nobody reads half of it. It has the
/// token, so it is readable by its owner only.
fn write_ready(path: &Path, line: &Value) -> Result<(), Failure> {
    let mut name = path.as_os_str().to_owned();
    name.push(format!(".{}", std::process::id()));
    let beside = PathBuf::from(name);
    let write = || {
        let mut options = std::fs::OpenOptions::new();
        options.write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let mut file = options.open(&beside)?;
        terminal::json_line(&mut file, line)?;
        file.sync_all()?;
        std::fs::rename(&beside, path)
    };
    write().map_err(|error| {
        Failure::wrong(format!(
            "{}: the ready file cannot be written: {error}; name another with --ready-file",
            path.display()
        ))
    })
}

/// Serves one bench over standard input and output, and ends it with its input.
pub(crate) fn over_stdio(open: Open) -> Result<Exit, Failure> {
    let ending = Ending::listen("the bench")?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()?;
    let passed = runtime.block_on(async {
        let host = Arc::new(Host::new(Limits::default()));
        let opened = Arc::clone(&host).open(open).await;
        let bench = opened.map_err(|problem| wrong(&problem))?;
        let mut out = terminal::screen();
        terminal::json_line(&mut out, &ready(std::slice::from_ref(&bench)))?;
        out.flush()?;
        let input = tokio::io::BufReader::new(tokio::io::stdin());
        tokio::select! {
            served = stdio::serve(Arc::clone(&host), input, tokio::io::stdout()) => match served {
                // Whoever reads has seen enough.
                Err(error) if error.kind() == io::ErrorKind::BrokenPipe => {}
                served => served?,
            },
            _ = ending.asked() => {}
        }
        host.end().await;
        Ok::<_, Failure>(host.passed().await)
    })?;
    // A thread that still reads standard input is not waited for.
    runtime.shutdown_background();
    Ok(match passed {
        true => Exit::Passed,
        false => Exit::FellShort,
    })
}
