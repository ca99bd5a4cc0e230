//! The session in `docs/json.md`, typed again.

use serde_json::Value;

use super::valid;
use crate::desk::{Desk, TAILOR};

/// What stands in `shown` stands in `line` too; the document leaves fields out.
fn shows(line: &Value, shown: &Value) -> bool {
    match (line, shown) {
        (Value::Object(line), Value::Object(shown)) => shown
            .iter()
            .all(|(key, shown)| line.get(key).is_some_and(|line| shows(line, shown))),
        (Value::Array(line), Value::Array(shown)) => {
            line.len() >= shown.len()
                && line
                    .iter()
                    .zip(shown)
                    .all(|(line, shown)| shows(line, shown))
        }
        (line, shown) => line == shown,
    }
}

fn document() -> String {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/json.md");
    std::fs::read_to_string(path).unwrap()
}

#[test]
fn the_session_is_as_told() {
    let text = document();
    let (_, session) = text.split_once("```console\n").unwrap();
    let (session, _) = session.split_once("```").unwrap();
    let desk = Desk::new();
    let mut lines: Vec<Value> = Vec::new();
    let mut commands = 0;
    for line in session.lines() {
        if let Some(typed) = line.strip_prefix("$ norlock ") {
            let typed = typed.replace("$paper", "@paper").replace("$clip", "@bench");
            let typed = match typed.starts_with("tailor") {
                true => format!("{TAILOR} --json"),
                false => typed,
            };
            lines = desk.run(&typed).out.lines().map(valid).collect();
            commands += 1;
        } else if line != "..." {
            let shown: Value =
                serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"));
            let at = lines.iter().position(|line| shows(line, &shown));
            let at = at.unwrap_or_else(|| panic!("not printed, or not here: {line}\n{lines:?}"));
            lines.drain(..=at);
        }
    }
    assert!(commands >= 5, "{commands}");
}

/// Each kind of line has its row in the document.
#[test]
fn each_event_is_told() {
    let schema = super::schema();
    let text = document();
    let events: Vec<&str> = schema["oneOf"]
        .as_array()
        .unwrap()
        .iter()
        .map(|kind| kind["properties"]["event"]["const"].as_str().unwrap())
        .collect();
    assert!(events.len() >= 8, "{events:?}");
    for event in events {
        assert!(text.contains(&format!("\n| `{event}` |")), "{event}");
    }
}
