//! The command line of flipwitness: words in, one call into the libraries, an exit status out.
//!
//! stdout is data, stderr is log. What the statuses mean is in `exit`.

mod ask;
mod cli;
mod drive;
mod exit;
mod paper;
mod plan;
mod preflight;
mod rehearsed;
mod verdict;

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    let cli = match cli::Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version are answers; everything else is a usage error, whose status is not one of an answer's.
            let asked = !error.use_stderr();
            let _ = error.print();
            return if asked { ExitCode::SUCCESS } else { exit::USAGE.into() };
        }
    };
    // A rehearsal tells its story on stdout.
    log(cli.quiet || matches!(cli.command, cli::Command::Rehearse(_)));
    let done = match cli.command {
        // These two answer with a status as well.
        cli::Command::Preflight(order) => preflight::preflight(order),
        cli::Command::Verdict(order) => self::verdict::verdict(&order),
        cli::Command::Plan(order) => plan::plan(&order).map(nothing_more),
        cli::Command::Watch(order) => drive::watch(order).map(nothing_more),
        cli::Command::Rehearse(order) => drive::rehearse(order).map(nothing_more),
        cli::Command::Replay(order) => drive::replay(order).map(nothing_more),
        cli::Command::Slots(order) => ask::slots(&order).map(nothing_more),
        cli::Command::Shots(order) => ask::shots(&order).map(nothing_more),
        cli::Command::Orphans(order) => ask::orphans(&order).map(nothing_more),
        cli::Command::Gaps(order) => ask::gaps(&order).map(nothing_more),
        cli::Command::Rails(order) => ask::rails(&order).map(nothing_more),
        cli::Command::Clock(order) => ask::clock(&order).map(nothing_more),
        cli::Command::Evidence(order) => paper::evidence(&order).map(nothing_more),
        cli::Command::Runs(order) => ask::runs(&order).map(nothing_more),
    };
    match done {
        Ok(status) => status.into(),
        Err(error) if exit::is_broken_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            use std::io::Write;
            let _ = writeln!(std::io::stderr(), "flipwitness: {}", told(&error));
            exit::status(&error).into()
        }
    }
}

/// The status of a command that has done what it was told.
fn nothing_more((): ()) -> u8 {
    0
}

/// An error with its causes in one line. A cause that its effect has told already is not told again.
fn told(error: &anyhow::Error) -> String {
    let mut text = String::new();
    for cause in error.chain().map(ToString::to_string) {
        if text.is_empty() {
            text = cause;
        } else if !text.ends_with(&cause) {
            text = format!("{text}: {cause}");
        }
    }
    text
}

/// Logs go to stderr; `FLIPWITNESS_LOG` sets what is logged, such as `debug` or `warn,daemon=debug`.
fn log(quiet: bool) {
    use std::io::IsTerminal;
    let level = if quiet { "warn" } else { "info" };
    let filter = tracing_subscriber::EnvFilter::try_from_env("FLIPWITNESS_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new(level));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal())
        .with_target(false)
        .init();
}
