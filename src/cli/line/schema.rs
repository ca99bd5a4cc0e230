//! The schema that is published, made from the types that are serialised.
//!
//! The program carries it as a text: making it takes a tenth of the program's size and is done only here.
//! `NORLOCK_WRITE_SCHEMA=1 cargo test --locked --lib schema` writes it anew.

use schemars::generate::SchemaSettings;
use schemars::transform::{Transform, transform_subschemas};
use serde_json::Value;

use super::{FORM, Line};

/// A command may have reports of several forms, and a small one can be read as either.
pub fn alternatives(schema: &mut schemars::Schema) {
    if let Some(forms) = schema.remove("oneOf") {
        schema.insert("anyOf".into(), forms);
    }
}

/// Takes out what is said to readers of the code only, and what forbids later fields.
#[derive(Debug, Clone)]
struct Plain;

impl Transform for Plain {
    fn transform(&mut self, schema: &mut schemars::Schema) {
        transform_subschemas(self, schema);
        if let Some(Value::String(text)) = schema.get_mut("description") {
            *text = text.replace("[`", "`").replace("`]", "`");
        }
        if schema.get("additionalProperties") == Some(&Value::Bool(false)) {
            schema.remove("additionalProperties");
        }
    }
}

#[test]
fn what_is_published_is_the_schema_of_what_is_printed() {
    let settings = SchemaSettings::draft2020_12().for_serialize();
    let settings = settings.with_transform(Plain);
    let mut schema = settings.into_generator().into_root_schema_for::<Line>();
    schema.insert("$id".into(), format!("urn:norlock:json:{FORM}").into());
    schema.insert("title".into(), "One line of norlock --json".into());
    let made = format!("{:#}\n", schema.as_value());
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/json-schema.json");
    if std::env::var_os("NORLOCK_WRITE_SCHEMA").is_some() {
        std::fs::write(file, made).unwrap();
    } else {
        // As it lies there: what was carried when this test was built is older where it was just written.
        assert!(
            made == std::fs::read_to_string(file).unwrap(),
            "docs/json-schema.json is not of these types: NORLOCK_WRITE_SCHEMA=1 writes it anew"
        );
    }
}
