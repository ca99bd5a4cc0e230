//! Whether a form of lines only adds to an earlier one.

use serde_json::{Map, Value};

/// What of `old` is missing in `new`, both JSON Schemas of lines: a property or word that went, one that is no
/// longer always there, another type.
pub fn gone(old: &Value, new: &Value) -> Vec<String> {
    let mut gone = Vec::new();
    let roots = Roots { old, new };
    roots.compare(old, new, "", &mut gone);
    gone
}

struct Roots<'a> {
    old: &'a Value,
    new: &'a Value,
}

impl Roots<'_> {
    fn compare(&self, old: &Value, new: &Value, place: &str, gone: &mut Vec<String>) {
        let (old, new) = (resolved(old, self.old), resolved(new, self.new));
        for (key, was) in &old {
            let is = new.get(key);
            let at = format!("{place}/{key}");
            match key.as_str() {
                "properties" => self.each_property(was, is, place, gone),
                "oneOf" | "anyOf" => self.each_form(was, is, &at, gone),
                "prefixItems" => {
                    for (index, was) in list(was).iter().enumerate() {
                        let is = is.and_then(|is| is.get(index)).unwrap_or(&Value::Null);
                        self.compare(was, is, &format!("{at}/{index}"), gone);
                    }
                }
                "items" | "additionalProperties" if was.is_object() => {
                    self.compare(was, is.unwrap_or(&Value::Null), &at, gone);
                }
                // Every word that was required or possible still is.
                "required" | "enum" => {
                    let is = is.map(list).unwrap_or_default();
                    let missing = list(was).into_iter().filter(|one| !is.contains(one));
                    gone.extend(missing.map(|one| format!("{at}: {one}")));
                }
                // A type may become narrower only.
                "type" => {
                    let was = list(was);
                    let is = is.map(list).unwrap_or_default();
                    if is.is_empty() || !is.iter().all(|one| was.contains(one)) {
                        gone.push(format!("{at}: {was:?}, now {is:?}"));
                    }
                }
                "const" if is != Some(was) => gone.push(format!("{at}: {was}")),
                _ => {}
            }
        }
    }

    fn each_property(&self, was: &Value, is: Option<&Value>, place: &str, gone: &mut Vec<String>) {
        for (name, was) in was.as_object().unwrap() {
            let at = format!("{place}/{name}");
            match is.and_then(|is| is.get(name)) {
                Some(is) => self.compare(was, is, &at, gone),
                None => gone.push(at),
            }
        }
    }

    /// Each form that a value could have is still one.
    fn each_form(&self, was: &Value, is: Option<&Value>, place: &str, gone: &mut Vec<String>) {
        for (index, was) in list(was).iter().enumerate() {
            let mut nearest: Option<Vec<String>> = None;
            for is in is.map(list).unwrap_or_default() {
                let mut own = Vec::new();
                self.compare(was, &is, &format!("{place}/{index}"), &mut own);
                if nearest.as_ref().is_none_or(|near| own.len() < near.len()) {
                    nearest = Some(own);
                }
            }
            gone.extend(nearest.unwrap_or_else(|| vec![format!("{place}/{index}")]));
        }
    }
}

fn list(value: &Value) -> Vec<Value> {
    match value {
        Value::Array(values) => values.clone(),
        one => vec![one.clone()],
    }
}

/// The schema with what it refers to beside its own keys: names of types are no promise.
fn resolved(schema: &Value, root: &Value) -> Map<String, Value> {
    let mut own = schema.as_object().cloned().unwrap_or_default();
    let Some(Value::String(to)) = own.remove("$ref") else {
        return own;
    };
    let named = root.pointer(to.trim_start_matches('#')).unwrap();
    for (key, value) in resolved(named, root) {
        match (own.get_mut(&key), value) {
            (Some(Value::Object(mine)), Value::Object(more)) => mine.extend(more),
            (Some(Value::Array(mine)), Value::Array(more)) => mine.extend(more),
            (Some(_), _) => {}
            (None, value) => drop(own.insert(key, value)),
        }
    }
    own
}

/// What of `old` is missing in `new`, both lines: only what names and types of values tell.
pub fn lost(old: &Value, new: &Value, place: &str, lost_there: &mut Vec<String>) {
    match (old, new) {
        (Value::Object(old), Value::Object(new)) => {
            for (key, old) in old {
                let at = format!("{place}/{key}");
                match new.get(key) {
                    Some(new) => lost(old, new, &at, lost_there),
                    None => lost_there.push(at),
                }
            }
        }
        (Value::Array(old), Value::Array(new)) => {
            for (index, (old, new)) in old.iter().zip(new).enumerate() {
                lost(old, new, &format!("{place}/{index}"), lost_there);
            }
        }
        (Value::Null, _) | (_, Value::Null) => {}
        (old, new) if std::mem::discriminant(old) == std::mem::discriminant(new) => {}
        (old, new) => lost_there.push(format!("{place}: {old}, now {new}")),
    }
}

/// Takes each requirement, property and word out of the schema, one at a time: each is missed.
#[test]
fn whatever_goes_is_missed() {
    let schema = super::schema();
    assert_eq!(gone(&schema, &schema), Vec::<String>::new());
    let mut places = Vec::new();
    removable(&schema, "", &mut places);
    assert!(places.len() > 500, "{}", places.len());
    // Each takes a moment, so some of all kinds.
    for place in places.iter().step_by(127) {
        let mut less = schema.clone();
        let (within, last) = place.rsplit_once('/').unwrap();
        match less.pointer_mut(within).unwrap() {
            Value::Object(keys) => drop(keys.remove(&unescaped(last))),
            Value::Array(values) => drop(values.remove(last.parse().unwrap())),
            other => panic!("{place}: {other}"),
        }
        assert!(!gone(&schema, &less).is_empty(), "{place} went unnoticed");
        assert_eq!(gone(&less, &schema), Vec::<String>::new(), "{place}");
    }
}

fn unescaped(key: &str) -> String {
    key.replace("~1", "/").replace("~0", "~")
}

/// Properties, required names, words and forms, by JSON Pointer.
fn removable(schema: &Value, place: &str, places: &mut Vec<String>) {
    match schema {
        Value::Object(keys) => {
            for (key, value) in keys {
                let at = format!("{place}/{}", key.replace('~', "~0").replace('/', "~1"));
                let within = place.rsplit('/').next();
                if within == Some("properties") {
                    places.push(at.clone());
                }
                removable(value, &at, places);
            }
        }
        Value::Array(values) => {
            let kind = place.rsplit('/').next();
            for (index, value) in values.iter().enumerate() {
                let at = format!("{place}/{index}");
                if matches!(kind, Some("required" | "enum" | "oneOf")) {
                    places.push(at.clone());
                }
                removable(value, &at, places);
            }
        }
        _ => {}
    }
}
