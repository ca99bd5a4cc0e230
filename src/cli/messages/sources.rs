//! Stops that a job makes where it stands: the sentences of each function that makes one.
//!
//! Most of them need a chip in some rare state. So they are read where they are written; what a sentence names
//! stands in braces, as in the source.

use std::fmt::Write;
use std::path::{Path, PathBuf};

/// What makes a stop.
const MAKES: &str = "Stop::new(";

pub fn told() -> String {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut told = String::new();
    for folder in ["job", "cli"] {
        for path in sources(&src.join(folder)) {
            let place = path.strip_prefix(&src).unwrap().display().to_string();
            if place.contains("tests") || place.starts_with("cli/messages") {
                continue;
            }
            let text = std::fs::read_to_string(&path).unwrap();
            let text = text.split("#[cfg(test)]\nmod tests {").next().unwrap();
            for function in functions(text).filter(|function| function.contains(MAKES)) {
                let sentences = sentences(function);
                if sentences.is_empty() {
                    continue;
                }
                writeln!(told, "{place}, {}", name(function)).unwrap();
                for sentence in sentences {
                    writeln!(told, "  {sentence}").unwrap();
                }
            }
        }
    }
    told
}

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let entries = std::fs::read_dir(folder).unwrap();
    let mut paths: Vec<_> = entries.map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    for path in paths {
        match path.is_dir() {
            true => found.extend(sources(&path)),
            false if path.extension().is_some_and(|kind| kind == "rs") => found.push(path),
            false => {}
        }
    }
    found
}

/// The functions of a source, each from its `fn` to the next.
fn functions(text: &str) -> impl Iterator<Item = &str> {
    let starts: Vec<usize> = text
        .match_indices("fn ")
        .map(|(at, _)| at)
        .filter(|at| {
            let line = text.get(..*at).unwrap().rsplit('\n').next().unwrap();
            line.trim_start().is_empty() || line.trim_start().starts_with("pub")
        })
        .collect();
    let ends: Vec<usize> = starts.iter().skip(1).copied().chain([text.len()]).collect();
    let places = starts.into_iter().zip(ends);
    places.map(|(start, end)| text.get(start..end).unwrap())
}

fn name(function: &str) -> &str {
    let rest = function.trim_start_matches("fn ");
    rest.split(['(', '<']).next().unwrap()
}

/// The texts of a function that have three words or more, without those of comments.
fn sentences(function: &str) -> Vec<String> {
    let lines = function
        .lines()
        .filter(|line| !line.trim_start().starts_with("//"));
    let code: String = lines.map(|line| format!("{line}\n")).collect();
    let mut found = Vec::new();
    let mut letters = code.chars().peekable();
    while let Some(letter) = letters.next() {
        if letter != '"' {
            continue;
        }
        let mut text = String::new();
        while let Some(letter) = letters.next() {
            match letter {
                '"' => break,
                '\\' if letters.peek() == Some(&'\n') => {
                    while letters.next_if(|next| next.is_whitespace()).is_some() {}
                }
                '\\' => text.extend(letters.next()),
                letter => text.push(letter),
            }
        }
        if text.split_whitespace().count() >= 3 {
            found.push(text);
        }
    }
    found
}

#[test]
fn sentences_are_found() {
    let lines = [
        "fn a() {",
        "// \"not this one here\"",
        "let x = \"one \\",
        "  line, two \\\"words\\\"\";",
        "f(\"two words\");",
        "}",
        "pub fn b() { \"of the second one\" }",
    ];
    let text = lines.join("\n");
    let found: Vec<_> = functions(&text)
        .map(|one| (name(one), sentences(one)))
        .collect();
    let first = vec!["one line, two \"words\"".to_owned()];
    let second = vec!["of the second one".to_owned()];
    assert_eq!(found, [("a", first), ("b", second)]);
}
