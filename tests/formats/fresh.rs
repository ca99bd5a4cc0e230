//! The same files, made anew of other content by the tools that are installed.

use std::fs;
use std::path::Path;
use std::process::Command;

use norlock::image::formats::Format;

use crate::made::{ALL, folder, image, only, read};

/// The code that `make` ends with where a tool is missing.
const MISSING: i32 = 77;

/// Text and random bytes, as a file of a system has them.
fn content(seed: u64) -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut content = Vec::new();
    while content.len() < 90_000 {
        let line = format!("gauge-{:02} {} mm\n", random.u8(1..30), random.u16(..));
        content.extend(line.repeat(random.usize(1..9)).bytes());
        content.extend((0..random.usize(..80)).map(|_| random.u8(..)));
    }
    content
}

fn make(folder_of_fresh: &Path, seed: u64) -> bool {
    let file = folder_of_fresh.join("content");
    fs::write(&file, content(seed)).unwrap();
    let made = Command::new(folder().join("make"))
        .args([folder_of_fresh, &file])
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&made.stderr);
    if made.status.code() == Some(MISSING) {
        let required = std::env::var_os("NORLOCK_REQUIRE_FORMAT_TOOLS").is_some();
        assert!(!required, "{said}");
        eprintln!("skipped: {}", said.trim());
        return false;
    }
    assert!(made.status.success(), "{said}");
    true
}

#[test]
fn what_the_installed_tools_make_is_told_as_what_it_is() {
    let seed = fastrand::u64(..);
    eprintln!("seed {seed}");
    let fresh = tempfile::tempdir().unwrap();
    if !make(fresh.path(), seed) {
        return;
    }
    for made in &ALL {
        let optional = matches!(made.format, Format::Jffs2 | Format::Ubi);
        if optional && !fresh.path().join(made.name).exists() {
            eprintln!("skipped: {}", made.name);
            continue;
        }
        let content = read(fresh.path(), made.name);
        let found = only(&image(&content));
        let told = (found.format, found.sentence());
        assert_eq!(
            told,
            (made.format, made.sentence.to_owned()),
            "{}",
            made.name
        );
        assert!(
            found.size_bytes.unwrap() <= content.len() as u64,
            "{}",
            made.name
        );
    }
}
