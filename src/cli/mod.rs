//! Arguments, terminal output, JSON lines; no logic.
//!
//! Answers go to stdout; progress, questions and complaints go to stderr. Text that came from
//! outside (file names, markings, TOML) is cleaned of control characters where it is printed.

mod abreast;
pub mod args;
mod attend;
mod bench;
mod demo;
mod figures;
mod inspect;
mod look;
mod node;
mod pieces;
mod progress;
mod questions;
mod run;
mod screen;
mod setup;
mod shelf;
mod show;
mod stop;
mod typed;
mod watch;
mod waterline;
mod wrap;

use args::Cli;
use look::{Look, complain, say};

use crate::job::{Exit, clean};

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
    // What was typed is quoted in it, and is shown, not obeyed.
    let text = error.render().to_string();
    let lines: Vec<_> = text.trim_end().lines().map(clean).collect();
    if error.use_stderr() {
        complain(&lines.join("\n"));
        Exit::Usage
    } else {
        say(&lines.join("\n"));
        Exit::True
    }
}
