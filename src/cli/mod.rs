//! Arguments, terminal output, JSON lines; no logic.
//!
//! Answers go to stdout; progress, questions and complaints go to stderr. Text that came from
//! outside (file names, markings, TOML) is cleaned of control characters where it is printed.

pub mod args;
mod attend;
mod bench;
mod clean;
mod demo;
mod figures;
mod look;
mod progress;
mod questions;
mod run;
mod screen;
mod setup;
mod show;
mod stop;
mod waterline;
mod wrap;

use args::Cli;
use look::Look;

use crate::job::Exit;

/// Runs the program.
pub fn main() -> std::process::ExitCode {
    match Cli::from_arguments(std::env::args_os()) {
        Ok(cli) => {
            let look = Look::found(cli.json, cli.quiet);
            run::run(cli.command, look)
        }
        Err(error) => refused(&error),
    }
    .into()
}

/// Prints clap's answer: help and version are answers, all else is a usage fault.
fn refused(error: &clap::Error) -> Exit {
    // A closed pipe on the other side is no fault of the command line.
    let _ = error.print();
    if error.use_stderr() {
        Exit::Usage
    } else {
        Exit::True
    }
}
