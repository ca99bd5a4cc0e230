use super::*;
use crate::interlock::{Acceptable, Power};
use std::path::Path;

fn parsed(line: &str) -> Result<Cli, clap::Error> {
    Cli::from_arguments(std::iter::once("norlock").chain(line.split(' ')))
}

#[test]
fn clap_finds_no_fault_in_the_definitions() {
    Cli::command().debug_assert();
}

#[test]
fn commands_are_the_promised_ones() {
    let command = Cli::command();
    let names: Vec<&str> = command
        .get_subcommands()
        .map(clap::Command::get_name)
        .collect();
    assert_eq!(names, Command::NAMES);
}

#[test]
fn a_write_is_parsed() {
    let cli = parsed(
        "write target.bin --unit gauge-07 --spidev /dev/spidev0.0 --sck 20MHz --level 3.3V \
         --power board-held-in-reset --marking 25Q128JVSQ --offline-hash stick/as-found.sha256 \
         --accept weak-reads --because one-clock --quiet",
    )
    .unwrap();
    assert!(cli.quiet && !cli.json);
    assert_eq!(cli.command.name(), "write");
    let Command::Write(args) = &cli.command else {
        panic!("not a write")
    };
    assert_eq!(args.target, Path::new("target.bin"));
    assert_eq!(args.bus.sck, Some(crate::jedec::Hertz::mhz(20)));
    assert_eq!(args.bus.power, Some(Power::BoardHeldInReset));
    let accepted = args.bus.accept.paired().unwrap();
    assert_eq!(accepted.reason(Acceptable::WeakReads), Some("one-clock"));
    assert!(!args.lift_protection);
}

#[test]
fn defaults_are_the_documented_ones() {
    let Command::Restore(restore) = parsed("restore --unit g --mock chip").unwrap().command else {
        panic!("not a restore")
    };
    assert_eq!((restore.to, restore.replacement), (1, false));
    let Command::Verify(verify) = parsed("verify a.bin").unwrap().command else {
        panic!("not a verify")
    };
    assert_eq!(verify.passes, 2);
    let Command::Demo(demo) = parsed("demo").unwrap().command else {
        panic!("not a demo")
    };
    assert_eq!(demo.folder, Path::new("./norlock-demo"));
}

#[test]
fn faulty_lines_are_usage_errors() {
    for line in [
        "",
        "id --spidev a --mock b",
        "id --level 3.3",
        "id --power battery",
        "id --power clip,external",
        "id --size 3MiB",
        "backup",
        "check",
        "sfdp --from a --mock b",
        "write t.bin --unit g",
        "restore --unit g",
        "restore --unit g --mock m --to 0",
        "verify a.bin --passes 0",
        "tailor --unit g --fill boot=255",
        "tailor --unit g --piece boot+16=b.bin",
        "write t.bin --unit g --mock m --accept twin-read --because x",
        "id --accept weak-reads",
        "id --because x",
    ] {
        let error = parsed(line).unwrap_err();
        assert!(error.use_stderr(), "{line}");
        assert_eq!(error.exit_code(), 2, "{line}");
    }
}

#[test]
fn power_is_typed_as_it_is_shown() {
    use clap::ValueEnum as _;
    for power in Power::value_variants() {
        assert_eq!(
            <Power as clap::ValueEnum>::from_str(power.name(), false).as_ref(),
            Ok(power)
        );
    }
}

#[test]
fn an_empty_marking_is_a_usage_error() {
    for line in [
        ["id", "--marking", ""],
        ["write", "--marking", " "],
        ["parts", "", "--json"],
    ] {
        let rest = ["t.bin", "--unit", "g", "--mock", "m"];
        let rest = rest.iter().filter(|_| line[0] == "write");
        let words = ["norlock"].iter().chain(&line).chain(rest);
        let error = Cli::from_arguments(words).unwrap_err();
        assert_eq!(error.exit_code(), 2);
        assert!(
            error.to_string().contains("an empty marking says nothing"),
            "{error}"
        );
    }
}
