//! The house order: each folder of `src` uses only folders below it.
//!
//! Judged by the text of the sources, since the compiler allows any use within a crate. Code under
//! `#[cfg(test)]` may use what it likes.
#![allow(
    clippy::unwrap_used,
    reason = "an unreadable source must fail the test"
)]

mod part_names;
mod tokens;

use std::path::{Path, PathBuf};

use tokens::{Token, starts, tokens, with_strings, without_tests};

/// Folders from top to bottom. `mock` stands beside `link` and may use its trait.
const ORDER: [&str; 12] = [
    "cli",
    "job",
    "interlock",
    "worklist",
    "unit",
    "image",
    "chip",
    "mock",
    "link",
    "part",
    "jedec",
    "text",
];
/// Names that say nothing about what belongs there.
const FORBIDDEN_NAMES: [&str; 5] = ["util", "common", "helpers", "core", "types"];
/// The one module that may hold unsafe code.
const UNSAFE_ALLOWED: &str = "link/ioctl.rs";
/// Spaces within a sentence that nobody meant.
const GAP: usize = 8;
const FILE_LINES_MAX: usize = 800;

#[test]
fn the_house_is_in_order() {
    let house = house();
    assert!(house.len() > ORDER.len(), "the walk found too little");
    assert_eq!(violations(&house), Vec::<String>::new());
}

/// Every source below `src`: its place there, and its text.
fn house() -> Vec<(String, String)> {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let read = |path: &PathBuf| {
        let place = path.strip_prefix(&src).unwrap().display().to_string();
        (place, std::fs::read_to_string(path).unwrap())
    };
    sources(&src).iter().map(read).collect()
}

#[test]
fn no_source_is_too_long() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for folder in ["src", "tests", "benches"] {
        for path in sources(&root.join(folder)) {
            let lines = std::fs::read_to_string(&path).unwrap().lines().count();
            assert!(lines <= FILE_LINES_MAX, "{}: {lines} lines", path.display());
        }
    }
}

/// All `.rs` files below a folder, in a fixed order; none where there is no such folder.
fn sources(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut paths: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    let mut found = Vec::new();
    for path in paths {
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
    found
}

/// What is out of order in a house of (place below `src`, text).
fn violations(house: &[(String, String)]) -> Vec<String> {
    let read: Vec<(&str, Vec<Token>)> = house
        .iter()
        .map(|(place, text)| (place.as_str(), tokens(text)))
        .collect();
    let test_modules = test_modules(&read);
    let mut found = Vec::new();
    for (place, all) in &read {
        found.extend(bad_names(place));
        found.extend(unsafe_code(place, all));
        let module = module_path(place);
        if !test_modules.iter().any(|test| module.starts_with(test)) {
            found.extend(forbidden_uses(place, &module, &without_tests(all).0));
        }
    }
    found
}

/// The modules that stand in files of their own and are compiled for tests only.
fn test_modules(read: &[(&str, Vec<Token>)]) -> Vec<Vec<String>> {
    let mut found = Vec::new();
    for (place, all) in read {
        for name in without_tests(all).1 {
            let mut module = module_path(place);
            module.push(name);
            found.push(module);
        }
    }
    found
}

/// `chip/read.rs` is `chip::read`, `chip/mod.rs` is `chip`, `lib.rs` is the crate's root.
fn module_path(place: &str) -> Vec<String> {
    let mut path: Vec<String> = place
        .trim_end_matches(".rs")
        .split('/')
        .map(str::to_owned)
        .collect();
    if matches!(
        path.last().map(String::as_str),
        Some("mod" | "lib" | "main")
    ) {
        path.pop();
    }
    path
}

fn bad_names(place: &str) -> Vec<String> {
    let mut found = Vec::new();
    let path = module_path(place);
    if let Some(top) = path.first() {
        if !ORDER.contains(&top.as_str()) {
            found.push(format!("{place}: {top} is no folder of the house order"));
        }
    }
    for name in path
        .iter()
        .filter(|name| FORBIDDEN_NAMES.contains(&name.as_str()))
    {
        found.push(format!(
            "{place}: {name} says nothing about what belongs there"
        ));
    }
    found
}

fn unsafe_code(place: &str, all: &[Token]) -> Vec<String> {
    if place == UNSAFE_ALLOWED {
        return Vec::new();
    }
    all.iter()
        .filter(|token| token.text == "unsafe")
        .map(|token| format!("{place}:{}: unsafe outside {UNSAFE_ALLOWED}", token.line))
        .collect()
}

/// Uses of folders that are not below the one the file is in.
fn forbidden_uses(place: &str, module: &[String], code: &[Token]) -> Vec<String> {
    // The crate's root holds the folders and belongs to none.
    let Some(own) = module.first().and_then(|top| rank(top)) else {
        return Vec::new();
    };
    let mut found = Vec::new();
    for (name, line) in folders_used(module, code) {
        match rank(&name) {
            Some(used) if used >= own => {}
            Some(_) => found.push(format!("{place}:{line}: {} uses {name}", ORDER[own])),
            None => found.push(format!("{place}:{line}: crate::{name} is no folder")),
        }
    }
    found
}

fn rank(folder: &str) -> Option<usize> {
    ORDER.iter().position(|name| *name == folder)
}

/// First names of all paths that start at the crate's root, with their lines.
fn folders_used(module: &[String], code: &[Token]) -> Vec<(String, usize)> {
    let mut found = Vec::new();
    let mut at = 0;
    while at < code.len() {
        let start = at;
        at += 1;
        let supers = (0..)
            .take_while(|n| starts(code, start + 3 * n, &["super", ":", ":"]))
            .count();
        if supers > 0 {
            at = start + 3 * supers;
        }
        // Inline modules make the real depth larger, so this may see the root too early, never late.
        if supers >= module.len() && supers > 0 {
            names_of_tree(code, at, &mut found);
        } else if starts(code, start, &["crate", ":", ":"]) {
            names_of_tree(code, start + 3, &mut found);
        } else if starts(code, start, &["crate", "as"]) {
            found.push((
                "(the crate under another name)".to_owned(),
                code[start].line,
            ));
        }
    }
    found
}

/// The first name at `at`, or those of each branch of `{a, b::{c, d}}`.
fn names_of_tree(code: &[Token], at: usize, found: &mut Vec<(String, usize)>) {
    let Some(first) = code.get(at) else {
        return;
    };
    if first.text != "{" {
        found.push((first.text.clone(), first.line));
        return;
    }
    let (mut depth, mut expects_name) = (0, false);
    for token in &code[at..] {
        match token.text.as_str() {
            "{" => depth += 1,
            "}" => depth -= 1,
            _ if depth == 1 && expects_name => found.push((token.text.clone(), token.line)),
            _ => {}
        }
        if depth == 0 {
            return;
        }
        expects_name = depth == 1 && matches!(token.text.as_str(), "{" | ",");
    }
}

/// A house of one or more made-up files, and what is said about it.
fn judged(files: &[(&str, &str)]) -> Vec<String> {
    let house: Vec<(String, String)> = files
        .iter()
        .map(|(place, text)| ((*place).to_owned(), (*text).to_owned()))
        .collect();
    violations(&house)
}

/// Strings that a line was broken in without `\` at its end, or joined again without its indent taken
/// out: the gap would stand on the screen.
fn gaps(place: &str, text: &str) -> Vec<String> {
    let all = without_tests(&with_strings(text)).0;
    let strings = all.iter().filter(|token| token.text.starts_with('"'));
    let gapped = strings.filter(|string| {
        let lines = || string.text.trim_matches('"').split('\n');
        let broken = lines().zip(lines().skip(1));
        let within = |line: &str| line.trim().contains(&" ".repeat(GAP));
        let open = |(line, next): (&str, &str)| !line.ends_with('\\') && next.starts_with("    ");
        lines().any(within) || broken.into_iter().any(open)
    });
    gapped
        .map(|string| format!("{place}:{}: a gap in {}", string.line, string.text))
        .collect()
}

#[test]
fn no_sentence_has_a_gap() {
    let house = house();
    let judged = house.iter().filter(|(place, _)| !place.contains("tests"));
    let found: Vec<String> = judged.flat_map(|(place, text)| gaps(place, text)).collect();
    assert_eq!(found, Vec::<String>::new());
    for (text, count) in [
        ("const A: &str = \"one          two\";", 1),
        ("const A: &str = \"one\n    two\";", 1),
        ("const A: &str = \"one \\\n          two\";", 0),
        ("const A: &str = \"          one two\\n\";", 0),
        (
            "#[cfg(test)]\nmod tests { const A: &str = \"one          two\"; }",
            0,
        ),
    ] {
        assert_eq!(gaps("job/mod.rs", text).len(), count, "{text}");
    }
}

#[test]
fn made_up_violations_are_found() {
    for (place, text, expected) in [
        (
            "link/mod.rs",
            "use crate::mock::Cells;",
            "link/mod.rs:1: link uses mock",
        ),
        (
            "part/mod.rs",
            "\nfn f() { crate::chip::read() }",
            "part/mod.rs:2: part uses chip",
        ),
        (
            "chip/read.rs",
            "use crate::{jedec::{self, Hertz},\n unit::Store};",
            "chip/read.rs:2: chip uses unit",
        ),
        (
            "chip/read.rs",
            "use super::super::job::Job;",
            "chip/read.rs:1: chip uses job",
        ),
        (
            "image/mod.rs",
            "use super::{worklist};",
            "image/mod.rs:1: image uses worklist",
        ),
        (
            "unit/mod.rs",
            "use {std::fs, crate::cli};",
            "unit/mod.rs:1: unit uses cli",
        ),
        (
            "job/mod.rs",
            "#[cfg(test)] mod tests { use crate::cli; }\nuse crate::cli;",
            "job/mod.rs:2: job uses cli",
        ),
        (
            "job/mod.rs",
            "use crate::Thing;",
            "job/mod.rs:1: crate::Thing is no folder",
        ),
        (
            "job/mod.rs",
            "use crate as house;",
            "job/mod.rs:1: crate::(the crate under another name) is no folder",
        ),
        (
            "tools/mod.rs",
            "",
            "tools/mod.rs: tools is no folder of the house order",
        ),
        (
            "chip/util.rs",
            "",
            "chip/util.rs: util says nothing about what belongs there",
        ),
        (
            "link/spidev.rs",
            "// unsafe\nunsafe { f() }",
            "link/spidev.rs:2: unsafe outside link/ioctl.rs",
        ),
    ] {
        assert_eq!(judged(&[(place, text)]), [expected], "{place}: {text}");
    }
}

#[test]
fn what_is_allowed_is_left_alone() {
    for (place, text) in [
        ("mock/mod.rs", "use crate::link::Link;"),
        ("cli/mod.rs", "use crate::{job, jedec::Hertz};"),
        (
            "link/mod.rs",
            "//! See [`crate::chip`].\n/* crate::job /* */ crate::cli */",
        ),
        (
            "link/mod.rs",
            "const S: &str = r#\"use crate::job; \" \"#; const C: char = '\"';",
        ),
        (
            "link/mod.rs",
            "fn f<'a>(s: &'a str) -> &'a str { pub(crate) }",
        ),
        (
            "link/mod.rs",
            "#[cfg(test)]\nmod tests { use crate::mock::Cells; }",
        ),
        (
            "link/mod.rs",
            "#[cfg(test)]\nuse crate::mock::{Cells};\nuse crate::part::Part;",
        ),
        ("link/trace.rs", "#![cfg(test)]\nuse crate::mock::Cells;"),
        ("chip/read.rs", "use super::Chip; use self::inner::X;"),
        ("link/ioctl.rs", "unsafe { f() }"),
        ("main.rs", "fn main() { norlock::cli::main() }"),
        ("lib.rs", "pub mod chip; pub mod cli;"),
    ] {
        assert_eq!(
            judged(&[(place, text)]),
            Vec::<String>::new(),
            "{place}: {text}"
        );
    }
}

#[test]
fn a_test_module_in_its_own_file_is_exempt() {
    let inside = ("link/guard/tests.rs", "use crate::mock::Cells;");
    let declared = ("link/guard.rs", "#[cfg(test)]\nmod tests;");
    assert_eq!(judged(&[declared, inside]), Vec::<String>::new());
    let not_declared = ("link/guard.rs", "mod tests;");
    assert_eq!(judged(&[not_declared, inside]).len(), 1);
}
