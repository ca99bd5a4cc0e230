//! The built program, asked how it is used.

#![allow(clippy::unwrap_used)]

use std::process::{Command, Output};

use norlock::cli::args::Command as Asked;
use norlock::job::Exit;

fn norlock(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_norlock"))
        .args(arguments)
        .env_clear()
        .output()
        .unwrap()
}

fn code(output: &Output) -> i32 {
    output.status.code().unwrap()
}

#[test]
fn every_help_is_an_answer_of_at_most_100_columns() {
    let of_a_command = Asked::NAMES.map(|name| vec![name, "--help"]);
    for arguments in of_a_command.into_iter().chain([vec!["--help"], vec!["-h"]]) {
        let output = norlock(&arguments);
        assert_eq!(code(&output), 0, "{arguments:?}");
        assert!(output.stderr.is_empty(), "{arguments:?}");
        let text = String::from_utf8(output.stdout).unwrap();
        assert!(text.contains("Usage: norlock"), "{text}");
        for line in text.lines() {
            assert!(line.len() <= 100, "{arguments:?}: {line}");
            assert!(
                line.is_ascii() && !line.contains('!'),
                "{arguments:?}: {line}"
            );
        }
    }
}

#[test]
fn help_tells_every_command_and_exit_code() {
    let text = String::from_utf8(norlock(&["--help"]).stdout).unwrap();
    for name in Asked::NAMES {
        assert!(text.contains(&format!("\n  {name} ")), "{name}");
    }
    assert!(text.contains(&Exit::table()), "{text}");
}

#[test]
fn every_option_is_explained() {
    for name in Asked::NAMES {
        let text = String::from_utf8(norlock(&[name, "-h"]).stdout).unwrap();
        for line in text
            .lines()
            .filter(|line| line.trim_start().starts_with("--"))
        {
            let explained = line.trim_start().split_once("  ").map(|(_, text)| text);
            assert!(
                explained.is_some_and(|text| text.trim().len() > 5),
                "{name}: {line}"
            );
        }
    }
}

#[test]
fn help_typed_as_a_command_is_understood() {
    assert_eq!(norlock(&["help"]).stdout, norlock(&["--help"]).stdout);
    let asked = norlock(&["help", "backup"]);
    assert_eq!(code(&asked), 0);
    assert_eq!(asked.stdout, norlock(&["backup", "--help"]).stdout);
    let asked = norlock(&["--json", "help", "backup"]);
    assert_eq!(
        asked.stdout,
        norlock(&["backup", "--help", "--json"]).stdout
    );
}

#[test]
fn the_version_is_an_answer() {
    let output = norlock(&["--version"]);
    assert_eq!(code(&output), 0);
    let version = format!("norlock {}\n", env!("CARGO_PKG_VERSION"));
    assert_eq!(String::from_utf8(output.stdout).unwrap(), version);
}

#[test]
fn a_line_that_is_not_understood_ends_with_2_on_stderr() {
    for (arguments, said) in [
        (&[][..], "Usage: norlock"),
        (&["id", "--unheard-of"][..], "--unheard-of"),
        (&["levitate"][..], "levitate"),
        (
            &["id", "--accept", "weak-reads"][..],
            "1 --accept and 0 --because",
        ),
        (
            &["write", "t.bin", "--unit", "gauge-07"][..],
            "--spidev PATH or --mock FILE",
        ),
        (
            &["id", "--accept", "twin-read", "--because", "hurry"][..],
            "possible values: known-part, chip-size",
        ),
        (
            &["id", "--size", "3MiB"][..],
            "not a chip's size such as 16MiB",
        ),
    ] {
        let output = norlock(arguments);
        let text = String::from_utf8(output.stderr.clone()).unwrap();
        assert_eq!(code(&output), 2, "{arguments:?}: {text}");
        assert!(output.stdout.is_empty(), "{arguments:?}");
        assert!(text.contains(said), "{arguments:?}: {text}");
    }
}
