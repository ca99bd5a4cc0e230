//! The lines of `--json` against the schema that `norlock schema` prints, by a validator that was not written here.

mod adds;
mod commands;
mod eof;
mod transcript;

use std::process::{Child, Command};
use std::sync::OnceLock;

use jsonschema::Validator;
use serde_json::Value;

/// What the program publishes.
pub fn schema() -> Value {
    let output = Command::new(env!("CARGO_BIN_EXE_norlock"))
        .arg("schema")
        .output();
    serde_json::from_slice(&output.unwrap().stdout).unwrap()
}

/// The line as data; it must be valid.
#[track_caller]
pub fn valid(line: &str) -> Value {
    static VALIDATOR: OnceLock<Validator> = OnceLock::new();
    let validator = VALIDATOR.get_or_init(|| jsonschema::draft202012::new(&schema()).unwrap());
    let value = serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"));
    if let Some(why) = why_not(validator, &value) {
        panic!("{why}\n{line}");
    }
    value
}

fn why_not(validator: &Validator, value: &Value) -> Option<String> {
    let errors: Vec<_> = validator
        .iter_errors(value)
        .map(|error| format!("{}: {error}", error.instance_path()))
        .collect();
    (!errors.is_empty()).then(|| errors.join("\n"))
}

/// Lines of a running program as they come, each valid.
pub fn lines(running: &mut Child) -> impl Iterator<Item = String> + use<> {
    use std::io::{BufRead, BufReader};
    let lines = BufReader::new(running.stdout.take().unwrap()).lines();
    lines.map_while(Result::ok).inspect(|line| {
        valid(line);
    })
}

/// The standard's own metaschema, which the validator carries.
#[test]
fn the_schema_is_one() {
    let schema = schema();
    assert_eq!(
        schema["$schema"],
        "https://json-schema.org/draft/2020-12/schema"
    );
    jsonschema::draft202012::meta::validate(&schema).unwrap();
}

/// What is not as published does not pass.
#[test]
fn the_schema_can_fail() {
    let validator = jsonschema::draft202012::new(&schema()).unwrap();
    for (line, good) in [
        (r#"{"event":"stopping"}"#, true),
        (r#"{"event":"stopping","later":1}"#, true),
        (r#"{"event":"stopped"}"#, false),
        (r#"{"event":"seat","seat":"seated","settled":true}"#, true),
        (r#"{"event":"seat","seat":"seated"}"#, false),
        (r#"{"event":"seat","seat":"gone","settled":true}"#, false),
        (
            r#"{"event":"ended","form":1,"command":"id","exit":0}"#,
            false,
        ),
        (
            r#"{"event":"ended","form":1,"command":"id","exit":0,"report":{}}"#,
            false,
        ),
        (
            r#"{"event":"ended","form":1,"command":"demo","exit":0,
                "report":{"taken_s":1.0,"modelled_s":1.0,"floor_s":1.0}}"#,
            true,
        ),
        (
            r#"{"event":"ended","form":1,"command":"id","exit":0,
                "report":{"taken_s":1.0,"modelled_s":1.0,"floor_s":1.0}}"#,
            false,
        ),
        (
            r#"{"event":"ended","form":1,"command":"demo","exit":7,
                "report":{"taken_s":1.0,"modelled_s":1.0,"floor_s":1.0}}"#,
            false,
        ),
    ] {
        let why = why_not(&validator, &serde_json::from_str(line).unwrap());
        assert_eq!(why.is_none(), good, "{line}: {why:?}");
    }
}
