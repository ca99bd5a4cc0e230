//! Arguments, terminal output, JSON lines; no logic.
//!
//! Answers go to stdout; progress, questions and complaints go to stderr. Text that came from
//! outside (file names, markings, TOML) is cleaned of control characters where it is printed.

pub mod args;
pub mod bench;
pub mod clean;
pub mod exit;
pub mod figures;
pub mod look;
pub mod progress;
pub mod questions;
pub mod screen;
pub mod stop;
pub mod waterline;
pub mod wrap;

use args::Cli;
use exit::ExitCode;

/// Runs the program.
pub fn main() -> std::process::ExitCode {
    match Cli::from_arguments(std::env::args_os()) {
        Ok(_) => usage_only(),
        Err(error) => refused(&error),
    }
    .into()
}

/// Prints clap's answer: help and version are answers, all else is a usage fault.
fn refused(error: &clap::Error) -> ExitCode {
    // A closed pipe on the other side is no fault of the command line.
    let _ = error.print();
    if error.use_stderr() {
        ExitCode::Usage
    } else {
        ExitCode::True
    }
}

/// Says how the program is used.
fn usage_only() -> ExitCode {
    let mut command = <Cli as clap::CommandFactory>::command();
    look::complain(&command.render_usage().to_string());
    ExitCode::Usage
}
