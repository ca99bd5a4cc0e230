//! Arguments, terminal output, JSON lines; no logic.
//!
//! Answers go to stdout; progress, questions and complaints go to stderr. Text that came from
//! outside (file names, markings, TOML) is cleaned of control characters where it is printed.

mod abreast;
pub mod args;
mod attend;
mod bench;
mod commands;
mod demo;
mod eof;
mod figures;
mod inspect;
mod line;
mod look;
#[cfg(test)]
mod messages;
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
mod table;
mod typed;
mod usage;
mod watch;
mod waterline;
mod wrap;

use args::Cli;
use look::Look;

/// Runs the program.
pub fn main() -> std::process::ExitCode {
    let words = usage::meant(std::env::args_os().collect());
    match Cli::from_arguments(&words) {
        Ok(cli) => {
            let look = Look::found(cli.json, cli.quiet, cli.plain);
            match cli.stop_on_eof.then(eof::stops) {
                Some(Err(stop)) => run::not_begun(&cli.command, stop, look),
                Some(Ok(())) | None => run::run(cli.command, look),
            }
        }
        Err(error) => usage::refused(&error, &words),
    }
    .into()
}
