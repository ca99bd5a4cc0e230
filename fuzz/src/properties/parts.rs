//! Parts files: a part that is taken can be written down, read again and found.

use std::sync::LazyLock;
use std::time::Duration;

use norlock::jedec::{Hertz, LaneProgram, Millivolts};
use norlock::part::{Catalogue, Part, SupplyRange, Timing, identify};
use toml::{Table, Value};

/// Any supply that a parts file may give.
pub const SUPPLY: SupplyRange = SupplyRange {
    min: Millivolts(2700),
    max: Millivolts(3600),
    from_memory: true,
};

/// A table of one part, so that names and IDs can be taken.
pub static TABLE: LazyLock<Catalogue> = LazyLock::new(|| {
    let text = include_str!("../../../tests/parts/valid/shared-id-said.toml");
    Catalogue::default()
        .with_user_file(text, "table.toml")
        .unwrap()
});

/// Reads a parts file.
pub fn check(bytes: &[u8]) -> bool {
    match TABLE.clone().with_user_file(bytes, "own.toml") {
        Ok(catalogue) => {
            for part in catalogue.parts().iter().skip(TABLE.parts().len()) {
                assert_kept(part);
                found(&catalogue, part);
            }
            true
        }
        Err(error) => {
            super::assert_told(bytes, &error);
            false
        }
    }
}

fn found(catalogue: &Catalogue, part: &Part) {
    let named = |parts: &[&Part]| parts.iter().any(|other| other.name == part.name);
    assert!(named(&catalogue.by_jedec_id(&part.jedec_id.0)), "{part:?}");
    for marking in &part.markings {
        assert!(catalogue.by_marking(marking).is_some(), "{marking}");
    }
    assert!(part.sck_limit(0x03) > Hertz(0));
    let known = identify(catalogue, &part.jedec_id.0, None, None);
    assert!(known.part.is_some() && !known.candidates.is_empty());
}

/// What a parts file says of `part` must be taken, and give the same part.
pub fn assert_kept(part: &Part) {
    let text = written(part);
    let read = Catalogue::default().with_user_file(&text, "written.toml");
    let read = read.unwrap_or_else(|error| panic!("{error}\n{text}"));
    assert_eq!(read.parts(), std::slice::from_ref(part), "{text}");
}

/// The parts file of one part.
fn written(part: &Part) -> String {
    let mut table = Table::new();
    let mut put = |key: &str, value: Value| {
        table.insert(key.to_owned(), value);
    };
    put("name", text(&part.name));
    put("markings", list(&part.markings, |marking| text(marking)));
    put("jedec_id", list(&part.jedec_id.0, number));
    put("size_bytes", number(&part.size_bytes));
    put(
        "supply_mv",
        list(&[part.supply.min.0, part.supply.max.0], number),
    );
    put("page_size_bytes", number(&part.page_size_bytes));
    put("program", Value::try_from(part.program).unwrap());
    put(
        "page_program_us",
        times(part.page_program, Duration::as_micros),
    );
    put("erase", list(&part.erase_types, erase));
    if let Some(chip) = &part.chip_erase {
        let time = times(chip.time, Duration::as_millis);
        put(
            "chip_erase",
            keys([("opcode", number(&chip.opcode)), ("time_ms", time)]),
        );
    }
    put(
        "status_write_us",
        times(part.status_write, Duration::as_micros),
    );
    let clocks: Vec<_> = part.sck_max.iter().collect();
    put(
        "sck_max",
        list(&clocks, |(opcode, clock)| {
            keys([
                ("opcode", number(*opcode)),
                ("mhz", number(&(clock.0 / 1_000_000))),
            ])
        }),
    );
    let quad = LaneProgram::ALL.iter().map(|one| one.opcode);
    if let Some(code) = quad
        .into_iter()
        .find(|code| part.lane_programs.contains(code))
    {
        put("quad_program", number(&code));
    }
    put("three_byte", part.addressing.three_byte.into());
    put(
        "four_byte",
        Value::try_from(&part.addressing.four_byte).unwrap(),
    );
    put("status", Value::try_from(part.status).unwrap());
    put("busy", Value::try_from(part.busy).unwrap());
    if part.stacked {
        put("stacked", true.into());
    }
    if let Some(has) = part.has_sfdp {
        put("sfdp", has.into());
    }
    if let Some(read) = &part.unique_id {
        put("unique_id", Value::try_from(read).unwrap());
    }
    put("protected_at_power_up", part.protected_at_power_up.into());
    put("notes", list(&part.notes, |note| text(note)));
    put("source", Value::try_from(&part.source).unwrap());
    put("memory", list(&part.memory, |name| text(name)));
    let parts = Value::Array(vec![Value::Table(table)]);
    let file = [("maker", text(&part.maker)), ("part", parts)];
    Table::from_iter(file.map(|(key, value)| (key.to_owned(), value))).to_string()
}

fn erase(kind: &norlock::part::EraseType) -> Value {
    let mut table = Table::new();
    table.insert("size_bytes".to_owned(), number(&kind.size_bytes));
    table.insert("opcode".to_owned(), number(&kind.opcode));
    if let Some(opcode) = &kind.opcode_4byte {
        table.insert("opcode_4byte".to_owned(), number(opcode));
    }
    table.insert("time_ms".to_owned(), times(kind.time, Duration::as_millis));
    if let Some(place) = &kind.only_in {
        let place = list(&[place.start, place.end], number);
        table.insert("only_in".to_owned(), place);
    }
    Value::Table(table)
}

fn times(time: Timing, unit: fn(&Duration) -> u128) -> Value {
    let whole = |time| i64::try_from(unit(&time)).unwrap();
    list(&[whole(time.typical), whole(time.max)], number)
}

fn keys<const N: usize>(pairs: [(&str, Value); N]) -> Value {
    Value::Table(
        pairs
            .map(|(key, value)| (key.to_owned(), value))
            .into_iter()
            .collect(),
    )
}

fn list<T>(items: &[T], value: impl Fn(&T) -> Value) -> Value {
    Value::Array(items.iter().map(value).collect())
}

fn text(text: &str) -> Value {
    Value::String(text.to_owned())
}

fn number<T: Copy + Into<i64>>(number: &T) -> Value {
    Value::Integer((*number).into())
}
