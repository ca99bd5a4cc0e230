//! SFDP: what is decoded agrees with itself and with the bits it comes from.

use std::collections::BTreeMap;

use norlock::jedec::sfdp::{Answer, Field, SPACE_BYTES_MAX, Sfdp, needed_bytes};
use norlock::part::{JedecId, Part, Reach, SfdpFacts, SupplyRange, identify};

use super::parts;

/// Reads an SFDP space.
pub fn check(space: &[u8]) -> bool {
    if let Some(needed) = needed_bytes(space) {
        assert!(
            (16..=SPACE_BYTES_MAX).contains(&needed),
            "{needed} bytes needed"
        );
    }
    let Ok(sfdp) = Sfdp::parse(space) else {
        return false;
    };
    for remark in sfdp.remarks() {
        assert!(is_plain(remark) && remark.ends_with('.'), "{remark:?}");
    }
    assert!(sfdp.erase_doubt().is_none_or(is_plain));
    basic(&sfdp);
    fields(&sfdp, &sfdp.fields());
    serde_json::to_string(&sfdp).unwrap();
    for answer in [Ok(0x00), Ok(0xFF), Err("not asked".to_owned())] {
        let commands = sfdp.sector_map.iter().flat_map(|map| &map.commands);
        let answers: Vec<Answer> = commands.map(|_| answer.clone()).collect();
        let layout = sfdp.erase_layout(&answers);
        if let Some(facts) = SfdpFacts::of(&sfdp, layout.as_ref()) {
            alone(&facts);
            beside_the_table(&facts);
        }
    }
    true
}

fn is_plain(text: &str) -> bool {
    !text.is_empty()
        && text
            .bytes()
            .all(|byte| byte == b' ' || byte.is_ascii_graphic())
}

fn basic(sfdp: &Sfdp) {
    let basic = &sfdp.basic;
    assert!(basic.dwords.len() >= 9);
    for erase in &basic.erase_types {
        let (size, number) = (u64::from(erase.size_bytes), erase.number);
        assert!(size.is_power_of_two() && basic.density_bytes.is_none_or(|all| size <= all));
        assert!(erase.time.is_none_or(|time| time.typical <= time.max));
        let same = |other: &&_| erase == *other;
        assert!((1..=4).contains(&number) && basic.erase_types.iter().filter(same).count() == 1);
    }
    let times = [basic.page_program, basic.chip_erase];
    assert!(times.iter().flatten().all(|time| time.typical <= time.max));
    assert!(
        basic
            .page_size_bytes
            .is_none_or(|page| page > 1 && page.is_power_of_two())
    );
    assert!(sfdp.vcc.is_none_or(|vcc| vcc.min < vcc.max));
    let of_a_type = |erase: &(u8, u8)| basic.erase_types.iter().any(|e| e.number == erase.0);
    let table = sfdp.four_byte.iter();
    assert!(table.flat_map(|table| &table.erase).all(of_a_type));
}

/// Each field's raw value fits its bits, is what the table holds there, and no two share a bit.
fn fields(sfdp: &Sfdp, fields: &[Field]) {
    let mut taken: BTreeMap<(&str, usize), u32> = BTreeMap::new();
    for field in fields {
        assert!(
            [&field.table, &field.name, &field.value]
                .iter()
                .all(|text| is_plain(text))
        );
        let (high, low) = field
            .bits
            .split_once(':')
            .unwrap_or((&field.bits, &field.bits));
        let (high, low): (u32, u32) = (high.parse().unwrap(), low.parse().unwrap());
        assert!(low <= high && high < 32, "{field:?}");
        let mask = u32::MAX >> (31 - high + low);
        assert!(field.raw <= mask, "{field:?}");
        if field.table.starts_with("FF00 ") {
            let dword = sfdp.basic.dword(field.dword).unwrap();
            assert_eq!(field.raw, dword >> low & mask, "{field:?}");
        }
        let bits = taken.entry((&field.table, field.dword)).or_default();
        assert_eq!(*bits & mask << low, 0, "{field:?} shares bits");
        *bits |= mask << low;
    }
}

/// A part known by SFDP alone is one that a parts file could hold.
fn alone(facts: &SfdpFacts) {
    let Some(part) = facts.part(JedecId(vec![0x7E, 0x40, 0x18])) else {
        return;
    };
    // One opcode for two erases of a place is remarked on, and holds the chip; a file may not have it.
    let contradicts = part.erase_types.iter().enumerate().any(|(at, one)| {
        part.erase_types[..at].iter().any(|other| {
            let four = one.opcode_4byte.is_some() && one.opcode_4byte == other.opcode_4byte;
            let apart = match (&one.only_in, &other.only_in) {
                (Some(one), Some(other)) => one.end <= other.start || other.end <= one.start,
                _ => false,
            };
            !apart && (one.opcode == other.opcode || four)
        })
    });
    if contradicts {
        return;
    }
    let supply = if part.supply.is_known() {
        part.supply
    } else {
        parts::SUPPLY
    };
    let mut part = Part {
        supply: SupplyRange {
            from_memory: true,
            ..supply
        },
        // What the chip alone tells stands in no file.
        lane_reads: Vec::new(),
        quad_enable: None,
        lane_programs: Vec::new(),
        ..part
    };
    if part.addressing.four_byte.is_empty() {
        // What three bytes do not reach is refused when the chip is met.
        part.addressing.three_byte &= part.size_bytes <= 1 << 24;
    }
    parts::assert_kept(&part);
}

/// SFDP only ever narrows what the table says of a part, except where the sector map that is in force
/// lists an erase type.
fn beside_the_table(facts: &SfdpFacts) {
    let table = parts::TABLE.parts().first().unwrap();
    let known = identify(&parts::TABLE, &table.jedec_id.0, Some(facts), None);
    let both = known.part.unwrap();
    assert_eq!(table.size_bytes, both.size_bytes);
    for erase in &both.erase_types {
        let same = |size_bytes, opcode| (size_bytes, opcode) == (erase.size_bytes, erase.opcode);
        let listed = table
            .erase_types
            .iter()
            .find(|e| same(e.size_bytes, e.opcode));
        let told = facts
            .erase_types
            .iter()
            .find(|e| same(e.size_bytes, e.opcode));
        let told = told.unwrap();
        assert!(listed.is_some() || matches!(told.reach, Reach::Mapped(_)));
        assert!(listed.is_none_or(|listed| listed.time.max <= erase.time.max));
        assert!(told.time.is_none_or(|time| time.max <= erase.time.max));
    }
}
