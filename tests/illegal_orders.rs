//! Illegal orders do not compile, each for its own reason: the compiler's error code is pinned.
//!
//! `compile_fail` in documentation takes any error on stable Rust, a misspelt name too. So each file
//! in `tests/illegal` is compiled here against this very build of the library; its first line says
//! which error it must give, and one must compile.
#![allow(
    clippy::unwrap_used,
    reason = "a program that cannot be judged must fail the test"
)]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::SystemTime;

#[test]
fn illegal_orders_give_their_error_and_the_legal_one_compiles() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/illegal");
    let mut programs: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    programs.sort();
    let output = tempfile::tempdir().unwrap();
    let (mut legal, mut wrong) = (0, Vec::new());
    for program in &programs {
        let expected = expectation(program);
        legal += usize::from(expected.is_none());
        let found = errors(program, output.path());
        if found != expected.clone().into_iter().collect() {
            wrong.push(format!(
                "{}: {found:?}, not {expected:?}",
                program.display()
            ));
        }
    }
    assert!(legal == 1 && programs.len() > 10, "programs are missing");
    assert_eq!(wrong, Vec::<String>::new());
}

/// The error code in the first line, or `None` where it says that the program compiles.
fn expectation(program: &Path) -> Option<String> {
    let text = std::fs::read_to_string(program).unwrap();
    let first = text
        .lines()
        .next()
        .and_then(|line| line.strip_prefix("// "))
        .unwrap();
    (first != "compiles").then(|| first.to_owned())
}

/// Codes of all errors that compiling `program` gives; `no code` for one without.
fn errors(program: &Path, output: &Path) -> BTreeSet<String> {
    let deps = deps();
    let compiled = Command::new(rustc())
        .args([
            "--edition",
            "2024",
            "--crate-type",
            "lib",
            "--emit=metadata",
        ])
        .args(["--error-format=json", "--crate-name", "order", "--out-dir"])
        .arg(output)
        .arg("-L")
        .arg(format!("dependency={}", deps.display()))
        .arg("--extern")
        .arg(format!("norlock={}", library(&deps).display()))
        .arg(program)
        .output()
        .unwrap();
    let mut codes = BTreeSet::new();
    for line in String::from_utf8(compiled.stderr).unwrap().lines() {
        let message: serde_json::Value = serde_json::from_str(line).unwrap();
        let text = message["message"].as_str().unwrap();
        // The last line only counts the others.
        if message["level"] == "error" && !text.starts_with("aborting due to") {
            codes.insert(message["code"]["code"].as_str().unwrap_or(text).to_owned());
        }
    }
    assert_eq!(
        compiled.status.success(),
        codes.is_empty(),
        "{}",
        program.display()
    );
    codes
}

/// The compiler that belongs to the cargo which built this test.
fn rustc() -> PathBuf {
    let beside = Path::new(env!("CARGO")).with_file_name("rustc");
    match std::env::var_os("RUSTC") {
        Some(rustc) => rustc.into(),
        None if beside.exists() => beside,
        None => "rustc".into(),
    }
}

/// Where this test and what it was linked with lie: `target/PROFILE/deps`.
fn deps() -> PathBuf {
    let test = std::env::current_exe().unwrap();
    test.parent().unwrap().to_owned()
}

/// The newest build of the library: cargo has just made sure of it for this test.
fn library(deps: &Path) -> PathBuf {
    let entries = std::fs::read_dir(deps)
        .unwrap()
        .map(|entry| entry.unwrap().path());
    let built = entries.filter(|path| {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        name.starts_with("libnorlock-") && name.ends_with(".rlib")
    });
    let age =
        |path: &PathBuf| -> SystemTime { std::fs::metadata(path).unwrap().modified().unwrap() };
    built.max_by_key(age).unwrap()
}
