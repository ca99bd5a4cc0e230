//! What is refused, with which exit code, and that nothing is left half written.

use std::fs;
use std::process::Command;

use crate::desk::{Desk, Ended, TAILOR};

/// Runs a line that must be refused, and looks that no file has changed.
#[track_caller]
pub fn refused(desk: &Desk, line: &str, code: i32, says: &str) {
    let (files, cells) = (desk.files(), desk.cells());
    let ended = desk.ends(line, code);
    ended.says(says);
    assert!(
        ended.out.is_empty() || code == 1,
        "{line}: a refusal stands on stderr\n{ended}"
    );
    if code != 2 {
        ended.says("Next ");
    }
    let after = desk.files();
    let changed: Vec<_> = after
        .iter()
        .filter(|(path, hash)| files.get(*path) != Some(*hash))
        // That an interlock held is kept in the unit file.
        .filter(|(path, _)| code != 3 || path.file_name() != Some("unit.toml".as_ref()))
        .collect();
    assert!(changed.is_empty(), "{line}: {changed:?}");
    assert_eq!(files.len(), after.len(), "{line}");
    assert!(desk.cells() == cells, "{line}");
}

pub const WRITE: &str = "write target.bin --unit gauge-07 @bench @paper";

#[test]
fn nodes_that_are_none() {
    let desk = Desk::new();
    let node =
        |path: &str| format!("id --spidev {path} --level 3.3V --power clip --marking W25Q80DVSIG");
    refused(
        &desk,
        &node("/dev/spidev99.9"),
        4,
        "Cannot open /dev/spidev99.9.",
    );
    refused(&desk, &node("boot.bin"), 4, "this is not a spidev node");
    // A device that is no spidev node: held, as it may be anything; accepted, it does not open.
    let null = node("/dev/null");
    refused(&desk, &null, 3, "Held by not-the-host");
    let accepted = format!("{null} --accept not-the-host --because known");
    refused(&desk, &accepted, 4, "/dev/null");
}

#[test]
fn images_that_do_not_fit_or_are_not_there() {
    let desk = Desk::ready();
    desk.ends("worklist nothing.bin --unit gauge-07", 5)
        .says("Next Name a file that is there.");
    fs::create_dir(desk.path("folder.bin")).unwrap();
    for (image, code, says) in [
        ("boot.bin", 3, "Held by image-fits"),
        ("nothing.bin", 5, "Cannot open 'gauge-07/nothing.bin'."),
        ("./nothing.bin", 5, "Cannot open './nothing.bin'."),
        (
            "folder.bin",
            5,
            "Cannot open 'folder.bin'. seen not a regular file",
        ),
    ] {
        refused(
            &desk,
            &format!("write {image} --unit gauge-07 @bench @paper"),
            code,
            says,
        );
        refused(
            &desk,
            &format!("verify {image} --unit gauge-07 @bench"),
            code,
            says,
        );
        if code == 5 {
            refused(
                &desk,
                &format!("worklist {image} --unit gauge-07"),
                code,
                says,
            );
        }
    }
    refused(&desk, "write --unit gauge-07 @bench @paper", 2, "<TARGET>");
}

#[test]
fn hashes_that_prove_nothing() {
    let desk = Desk::ready();
    let write =
        |hash: &str| format!("write target.bin --unit gauge-07 @bench --offline-hash {hash}");
    desk.put("short.txt", "5c1f09e2 7ab4d830\n");
    let wrong = "0".repeat(64);
    refused(&desk, &write("short.txt"), 3, "Held by offline-hash");
    refused(&desk, &write("nothing.txt"), 3, "Held by offline-hash");
    refused(
        &desk,
        &write("gauge-07/as-found.sha256"),
        3,
        "Held by offline-hash",
    );
    refused(&desk, &write(&wrong), 3, "Held by offline-hash");
    refused(&desk, &write(&wrong[1..]), 3, "63 digits");
    let hash_file = desk.get("gauge-07/as-found.sha256");
    desk.put("gauge-07/as-found.sha256", &hash_file[..20]);
    refused(&desk, WRITE, 3, "Held by backup-intact");
    let check = desk.ends("check --unit gauge-07", 1);
    check.says("as-found.sha256");
}

#[test]
fn keys_that_nobody_knows_are_named_with_line_and_column() {
    let desk = Desk::ready();
    let unit = String::from_utf8(desk.get("gauge-07/unit.toml")).unwrap();
    let odd = unit.replacen("format = 1\n", "format = 1\nodd = 1\n", 1);
    let place = odd.lines().position(|line| line == "odd = 1").unwrap() + 1;
    desk.put("gauge-07/unit.toml", odd);
    for line in [
        WRITE,
        "check --unit gauge-07",
        "backup --unit gauge-07 @bench",
        "worklist target.bin --unit gauge-07",
    ] {
        refused(
            &desk,
            line,
            5,
            &format!("gauge-07/unit.toml, line {place}, column 1"),
        );
    }
    desk.put("gauge-07/unit.toml", unit);

    let map = String::from_utf8(desk.get("regions.toml")).unwrap();
    let odd = map.replacen("holds =", "odd = 1\nholds =", 1);
    desk.put("odd.toml", &odd);
    let tailor = TAILOR.replace("regions.toml", "odd.toml");
    refused(
        &desk,
        &format!("{tailor} --replace"),
        5,
        "odd.toml, line 7, column 1: unknown key 'odd'",
    );
    desk.put("gauge-07/regions.toml", &odd);
    refused(&desk, WRITE, 5, "gauge-07/regions.toml, line 7, column 1");
    refused(
        &desk,
        "verify target.bin --unit gauge-07 @bench",
        5,
        "gauge-07/regions.toml, line 7, column 1",
    );

    desk.put("parts.toml", "[[part]]\nodd = 1\n");
    for line in [
        "parts --parts parts.toml",
        "id @bench --parts parts.toml",
        "worklist target.bin --unit gauge-07 --parts parts.toml",
    ] {
        refused(&desk, line, 5, "line 2, column 1: unknown key 'odd'");
    }
    let bench = String::from_utf8(desk.get("chip.toml")).unwrap();
    desk.put("chip.toml", format!("odd = 1\n{bench}"));
    refused(
        &desk,
        "id @bench",
        5,
        "chip.toml, line 1, column 1: unknown key 'odd'",
    );
}

#[test]
fn files_cut_short_or_not_there() {
    let desk = Desk::ready();
    let cut = |name: &str| {
        let bytes = desk.get(name);
        desk.put(name, &bytes[..bytes.len() / 2]);
        bytes
    };
    let unit = cut("gauge-07/unit.toml");
    refused(&desk, WRITE, 5, "gauge-07/unit.toml");
    desk.put("gauge-07/unit.toml", [0xFF, 0xFE, 0]);
    refused(&desk, WRITE, 5, "gauge-07/unit.toml, line 1, column 1");
    desk.put("gauge-07/unit.toml", unit);

    let map = cut("gauge-07/regions.toml");
    refused(&desk, WRITE, 5, "gauge-07/regions.toml, line");
    desk.put("gauge-07/regions.toml", map);
}

#[test]
fn other_files_cut_short_or_not_there() {
    let desk = Desk::ready();
    desk.put("parts.toml", "[[part");
    refused(&desk, "parts --parts parts.toml", 5, "parts.toml, line 1");
    refused(
        &desk,
        "parts --parts nothing.toml",
        5,
        "Cannot read 'nothing.toml'.",
    );

    refused(
        &desk,
        &format!("{TAILOR} --replace").replace("boot=boot.bin", "boot=nothing.bin"),
        5,
        "nothing.bin",
    );
    refused(
        &desk,
        &TAILOR.replace("regions.toml", "nothing.toml"),
        5,
        "nothing.toml",
    );
    refused(&desk, TAILOR, 5, "The unit has a target already.");

    desk.put("short.sfdp", &b"SFDP\x06\x01\x00\xff"[..]);
    refused(&desk, "sfdp --from short.sfdp", 5, "Next norlock id");
    refused(
        &desk,
        "sfdp --from nothing.sfdp",
        5,
        "Cannot read 'nothing.sfdp'. seen No such file or directory (os error 2) Next Name a file that is there.",
    );
    refused(
        &desk,
        "sfdp @bench --raw boot.bin --trace t.txt",
        5,
        "'boot.bin' exists already.",
    );

    let bench = desk.get("chip.toml");
    desk.put("chip.toml", &bench[..bench.len() / 2]);
    refused(&desk, "id @bench", 5, "chip.toml");
    desk.put("chip.toml", "part = \"W25Q80DX\"\ncells = \"chip.cells\"\n");
    refused(
        &desk,
        "id @bench",
        5,
        "chip.toml, line 1, column 8: the part 'W25Q80DX' is not in the table;",
    );
    refused(
        &desk,
        "id --mock nothing.toml --power clip --marking W25Q80DVSIG",
        5,
        "Cannot read 'nothing.toml'.",
    );
}

#[test]
fn names_with_control_characters_are_shown_and_not_obeyed() {
    let desk = Desk::new();
    for (arguments, code) in [
        (vec!["check", "--unit", "a\u{1b}[2Jb"], 5),
        (vec!["parts", "\u{1b}[31mW25"], 1),
        (vec!["levi\u{1b}[2Jtate"], 2),
    ] {
        let output = Command::new(env!("CARGO_BIN_EXE_norlock"))
            .args(&arguments)
            .current_dir(desk.path(""))
            .output();
        let ended = Ended::of(output.unwrap());
        assert_eq!(ended.code, code, "{ended}");
        assert!(
            !format!("{}{}", ended.out, ended.err).contains('\u{1b}'),
            "{ended}"
        );
    }
}

#[test]
fn a_trace_is_written_to_no_other_file() {
    let desk = Desk::ready();
    for file in ["gauge-07/unit.toml", "gauge-07/as-found.bin", "boot.bin"] {
        let line = format!("id @bench --trace {file}");
        refused(&desk, &line, 5, "is there already and is no trace.");
    }
    for _ in 0..2 {
        desk.ends("id @bench --trace bus.txt", 0);
    }
}

#[test]
fn a_target_that_was_spoilt_is_not_written() {
    let desk = Desk::ready();
    let mut target = desk.get("gauge-07/target.bin");
    target[7] ^= 1;
    std::fs::remove_file(desk.path("gauge-07/target.bin")).unwrap();
    desk.put("gauge-07/target.bin", target);
    refused(
        &desk,
        WRITE,
        3,
        "Held by image-fits: target.bin is not as it was made.",
    );
}

#[test]
fn a_target_that_is_never_written_gets_no_worklist() {
    let desk = Desk::ready();
    let mut image = desk.get("gauge-07/as-found.bin");
    image[0x0F_0000] ^= 1;
    desk.put("other.bin", image);
    let line = "worklist other.bin --unit gauge-07";
    refused(&desk, line, 3, "Held by unit-data-kept");
}
