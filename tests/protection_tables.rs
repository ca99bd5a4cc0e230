//! The decoder of block protection against every row of the tables that makers print, which stand with
//! their documents in `tests/data/protection.toml`.

#![allow(clippy::unwrap_used, clippy::panic)]

use std::collections::BTreeSet;
use std::ops::Range;
use std::time::Duration;

use norlock::chip::Bare;
use norlock::jedec::Hertz;
use norlock::jedec::status::{Protection, RegisterWrite, Registers, StatusLock, VolatileForm};
use norlock::link::{Frame, Link, Purpose, Segment};
use norlock::mock::{Fault, Faults, Mock};
use norlock::part::{Catalogue, Part};
use serde::Deserialize;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Tables {
    document: Vec<Document>,
    family: Vec<Family>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Document {
    id: String,
    title: String,
    revision: String,
    date: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Family {
    id: String,
    parts: Vec<String>,
    size_bytes: u32,
    document: String,
    place: String,
    #[serde(default)]
    #[allow(dead_code)]
    requires: String,
    bits: Vec<String>,
    at: Vec<String>,
    rows: Vec<Vec<String>>,
    #[serde(default)]
    unlisted: Vec<String>,
    #[serde(default)]
    stricter: Vec<(String, String)>,
    #[serde(default)]
    #[allow(dead_code)]
    misprint: Vec<String>,
    status_writes: Vec<(String, String, Vec<String>)>,
    one_time: Vec<String>,
    lock: Vec<String>,
    lock_rows: Vec<(String, String)>,
    volatile: String,
    #[serde(default)]
    own_locks: Option<OwnLocks>,
    #[serde(default)]
    own_lock_reads: Vec<(String, String, String)>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct OwnLocks {
    when: String,
    closed_at_power_up: bool,
}

/// What is to come out for one combination of the bits.
#[derive(Debug)]
enum Expected {
    Exactly(Protection),
    Unknown,
}

fn tables() -> Tables {
    toml::from_str(include_str!("data/protection.toml")).unwrap()
}

/// The opcode that reads a register of the data, and the bit in it.
fn place(at: &str) -> (u8, u32) {
    let (register, bit) = at.split_once('.').unwrap();
    (read_opcode(register), bit.parse().unwrap())
}

fn read_opcode(register: &str) -> u8 {
    match register {
        "SR1" => 0x05,
        "SR2" => 0x35,
        "CR" | "SR3" => 0x15,
        "FR" => 0x48,
        "SCUR" => 0x2B,
        other => panic!("no register {other}"),
    }
}

fn matches(pattern: &str, bits: &str) -> bool {
    pattern.len() == bits.len()
        && pattern
            .chars()
            .zip(bits.chars())
            .all(|(p, b)| p == 'x' || p == b)
}

fn address(text: &str) -> u32 {
    u32::from_str_radix(text.strip_prefix("0x").unwrap(), 16).unwrap()
}

fn set(registers: &mut Registers, at: &str) {
    let (opcode, bit) = place(at);
    let byte = registers.get(opcode).unwrap_or(0);
    registers.set(opcode, byte | 1 << bit);
}

impl Family {
    /// Every combination of the bits, as the columns print them.
    fn combinations(&self) -> impl Iterator<Item = String> + '_ {
        let width = self.bits.len();
        (0..1u32 << width).map(move |value| format!("{value:0width$b}"))
    }

    fn row(&self, bits: &str) -> Option<Protection> {
        let mut rows = self.rows.iter().filter(|row| matches(&row[0], bits));
        let row = rows.next()?;
        assert!(rows.next().is_none(), "{}: two rows for {bits}", self.id);
        let range = match &row[1..] {
            [word] if word == "none" => return Some(Protection::None),
            [word] if word == "all" => 0..self.size_bytes,
            [first, last] => address(first)..address(last) + 1,
            other => panic!("{}: {other:?}", self.id),
        };
        Some(Protection::Range { range })
    }

    fn expected(&self, bits: &str) -> Expected {
        let unlisted = self.unlisted.iter().any(|p| matches(p, bits));
        let row = self.row(bits);
        assert_eq!(row.is_none(), unlisted, "{}: {bits}", self.id);
        match row {
            Some(row) if !self.stricter.iter().any(|(p, _)| matches(p, bits)) => {
                Expected::Exactly(row)
            }
            _ => Expected::Unknown,
        }
    }

    /// The registers of the part with these bits, all else 0.
    fn registers(&self, part: &Part, bits: &str) -> Registers {
        let all = part.status.registers().iter().map(|read| (read.opcode, 0));
        let mut registers: Registers = all.collect();
        for (at, _) in self
            .at
            .iter()
            .zip(bits.chars())
            .filter(|(_, bit)| *bit == '1')
        {
            assert!(
                registers.get(place(at).0).is_some(),
                "{}: {at} is not read",
                self.id
            );
            set(&mut registers, at);
        }
        registers
    }

    /// The same, with the lock bit and WEL set, and all one-time bits that are not columns.
    fn crowded(&self, part: &Part, bits: &str) -> Registers {
        let mut registers = self.registers(part, bits);
        ["SR1.1", "SR1.7"]
            .into_iter()
            .for_each(|at| set(&mut registers, at));
        let others = self.one_time.iter().filter(|at| !self.at.contains(at));
        others.for_each(|at| set(&mut registers, at));
        registers
    }

    /// What the registers hold after a write, which must be one of the documented ones.
    fn after(&self, found: &Registers, write: &RegisterWrite) -> Registers {
        let enable = if write.volatile { "50" } else { "06" };
        let documented = self.status_writes.iter().find(|(first, opcode, bytes)| {
            let hex = format!("{:02X}", write.opcode);
            (first.as_str(), opcode, bytes.len()) == (enable, &hex, write.data.len())
        });
        let (_, _, names) = documented.unwrap_or_else(|| panic!("{}: {write:?}", self.id));
        let mut after = found.clone();
        for (name, byte) in names.iter().zip(&write.data) {
            after.set(read_opcode(name), *byte);
            for at in self
                .one_time
                .iter()
                .filter(|at| at.starts_with(name.as_str()))
            {
                assert_eq!(
                    byte >> place(at).1 & 1,
                    0,
                    "{}: writes one-time {at}",
                    self.id
                );
            }
        }
        after
    }

    /// The columns as the registers hold them.
    fn bits_of(&self, registers: &Registers) -> String {
        let bit = |at: &String| {
            let (opcode, bit) = place(at);
            char::from(b'0' + (registers.get(opcode).unwrap() >> bit & 1))
        };
        self.at.iter().map(bit).collect()
    }
}

/// Every catalogue part of every family.
fn for_each(mut check: impl FnMut(&Family, &Part)) {
    let catalogue = Catalogue::builtin().unwrap();
    for family in tables().family {
        assert!(!family.parts.is_empty(), "{}", family.id);
        for name in &family.parts {
            let part = catalogue.parts().iter().find(|part| part.name == *name);
            let part = part.unwrap_or_else(|| panic!("{name} is not in the catalogue"));
            assert_eq!(part.size_bytes, family.size_bytes, "{name}");
            check(&family, part);
        }
    }
}

#[test]
fn the_tables_are_whole_and_name_their_document() {
    let tables = tables();
    assert_eq!(tables.family.len(), 20);
    assert!(tables.family.is_sorted_by_key(|family| &family.id));
    assert!(tables.document.is_sorted_by_key(|document| &document.id));
    for document in &tables.document {
        let texts = [&document.title, &document.revision, &document.date];
        assert!(texts.iter().all(|text| !text.is_empty()), "{}", document.id);
        assert!(
            tables.family.iter().any(|f| f.document == document.id),
            "{}",
            document.id
        );
    }
    for family in &tables.family {
        assert!(
            tables.document.iter().any(|d| d.id == family.document),
            "{}",
            family.id
        );
        assert!(!family.place.is_empty(), "{}", family.id);
        assert_eq!(family.bits.len(), family.at.len(), "{}", family.id);
        for row in &family.rows {
            let met = family.combinations().any(|bits| matches(&row[0], &bits));
            assert!(met, "{}: {row:?}", family.id);
        }
    }
}

/// The part's own method and its family's, with its size, both give the row.
#[test]
fn every_combination_protects_what_its_row_says() {
    let (mut exact, mut unknown) = (0, 0);
    for_each(|family, part| {
        for bits in family.combinations() {
            let expected = family.expected(&bits);
            for found in [family.registers(part, &bits), family.crowded(part, &bits)] {
                let got = part.protection(&found);
                assert_eq!(got, part.status.protection(&found, part.size_bytes));
                match &expected {
                    Expected::Exactly(row) => {
                        exact += 1;
                        assert_eq!(got, *row, "{} {bits}", part.name);
                    }
                    Expected::Unknown => {
                        unknown += 1;
                        let is = matches!(got, Protection::Unknown { .. });
                        assert!(is, "{} {bits}: {got:?}", part.name);
                    }
                }
            }
        }
    });
    println!("{exact} exact, {unknown} unknown");
    assert!(exact > 1000 && unknown > 0, "{exact} {unknown}");
}

/// Lifting is a documented write, leaves one-time bits alone, and ends in a row that says none.
#[test]
fn every_combination_is_lifted_by_documented_writes() {
    for_each(|family, part| {
        for bits in family.combinations() {
            for found in [family.registers(part, &bits), family.crowded(part, &bits)] {
                let writes = part.status.unprotect(&found, part.size_bytes).unwrap();
                let lifted = writes
                    .iter()
                    .fold(found, |held, write| family.after(&held, write));
                assert_eq!(
                    part.protection(&lifted),
                    Protection::None,
                    "{} {bits}",
                    part.name
                );
                let left = family.bits_of(&lifted);
                assert_eq!(
                    family.row(&left),
                    Some(Protection::None),
                    "{} {bits}",
                    part.name
                );
            }
        }
    });
}

/// Each row is offered once and set by documented writes; what no row gives is not. One-time bits keep
/// the value that was found.
#[test]
fn every_row_can_be_set_and_nothing_else() {
    let mut set = 0;
    for_each(|family, part| {
        let (size, status) = (part.size_bytes, part.status);
        let unset = "0".repeat(family.bits.len());
        let others = family.at.iter().map(|at| family.one_time.contains(at));
        let fixed: Vec<bool> = others.collect();
        let mut ends = vec![unset.clone()];
        if fixed.contains(&true) {
            let set = |one: &bool| if *one { '1' } else { '0' };
            ends.push(fixed.iter().map(set).collect());
        }
        for start in ends {
            let found = family.crowded(part, &start);
            let reachable = |bits: &String| {
                let mut both = bits.chars().zip(start.chars()).zip(&fixed);
                both.all(|((bit, found), fixed)| !fixed || bit == found)
            };
            let mut rows = Vec::new();
            for bits in family.combinations().filter(reachable) {
                match family.expected(&bits) {
                    Expected::Exactly(row) if !rows.contains(&row) => rows.push(row),
                    _ => {}
                }
            }
            let offered = status.offered(&found, size);
            assert_eq!(offered.len(), rows.len(), "{} {start}", part.name);
            for row in rows {
                assert!(offered.contains(&row), "{}: {row}", part.name);
                let writes = status.protect(&found, size, &row).unwrap();
                let held = writes.iter().fold(found.clone(), |held, write| {
                    let volatile = write.clone().with_volatile(family.volatile == "50h");
                    let after = family.after(&held, write);
                    assert_eq!(after, family.after(&held, &volatile));
                    after
                });
                assert_eq!(
                    family.row(&family.bits_of(&held)),
                    Some(row),
                    "{}",
                    part.name
                );
                let lock = |registers: &Registers| registers.get(0x05).unwrap() & 0x80;
                assert_eq!(lock(&held), lock(&found), "{}", part.name);
                set += 1;
            }
            let odd = Protection::Range {
                range: 0x1000..0x3000,
            };
            assert_eq!(status.protect(&found, size, &odd), None, "{}", part.name);
        }
    });
    println!("{set} rows set");
    assert!(set > 500, "{set}");
}

/// Every row of the lock tables, with WP# at both levels.
#[test]
fn what_locks_the_protect_bits_is_told_as_printed() {
    for_each(|family, part| {
        let width = family.lock.len();
        for value in 0..1u32 << width {
            let bits = format!("{value:0width$b}");
            let mut rows = family.lock_rows.iter().filter(|(p, _)| matches(p, &bits));
            let (_, word) = rows.next().unwrap();
            assert!(rows.next().is_none(), "{}: two rows for {bits}", family.id);
            let mut registers = family.registers(part, &"0".repeat(family.bits.len()));
            let mut pin_high = false;
            for (at, bit) in family.lock.iter().zip(bits.chars()) {
                match (at.as_str(), bit) {
                    ("WP#", bit) => pin_high = bit == '1',
                    (at, '1') => set(&mut registers, at),
                    _ => {}
                }
            }
            let lock = part.status.status_lock(&registers);
            let expected = match (word.as_str(), lock) {
                ("writable", Some(StatusLock::WhileWpLow)) => pin_high,
                ("writable", lock) => lock.is_none(),
                ("locked", lock) => lock == Some(StatusLock::WhileWpLow) && !pin_high,
                ("until power-up", lock) => lock == Some(StatusLock::UntilPowerCycle),
                ("for ever", lock) => lock == Some(StatusLock::ForEver),
                (other, _) => panic!("{}: {other}", family.id),
            };
            assert!(expected, "{} {bits}: {lock:?}, not {word}", part.name);
            let lasting = matches!(word.as_str(), "until power-up" | "for ever");
            let writes = part.status.unprotect(&registers, part.size_bytes);
            assert_eq!(writes.is_none(), lasting, "{} {bits}", part.name);
        }
    });
}

/// The simulated chip takes status writes, or not, as each row of the lock tables says, keeps one-time bits,
/// and brings back what is stored at power-up.
#[test]
fn the_simulated_chip_locks_as_printed() {
    for_each(|family, part| {
        let width = family.lock.len();
        for value in 0..1u32 << width {
            let bits = format!("{value:0width$b}");
            let (_, word) = family
                .lock_rows
                .iter()
                .find(|(p, _)| matches(p, &bits))
                .unwrap();
            let chip = Simulated::new(part);
            let faults = family
                .lock
                .iter()
                .zip(bits.chars())
                .filter_map(|(at, bit)| match (at.as_str(), bit) {
                    ("WP#", '0') => Some(Fault::WriteProtectPin { lock_bit: false }),
                    ("WP#", _) | (_, '0') => None,
                    (at, _) => {
                        let (register, bit) = place(at);
                        Some(Fault::RegisterBits {
                            register,
                            bits: 1 << bit,
                        })
                    }
                });
            let faults = faults.fold(Faults::none(), Faults::with);
            chip.0.set_faults(faults.clone());
            // A chip that comes up protected lets go of BP0 here, the others set it.
            let start = chip.registers(part);
            let first = start.get(0x05).unwrap() & !0x03 ^ 0x04;
            let long = family
                .status_writes
                .iter()
                .all(|(_, _, names)| names.len() > 1);
            let second = start.get(0x35).filter(|_| long);
            let data: Vec<u8> = [Some(first), second].into_iter().flatten().collect();
            let moved =
                || (chip.registers(part).get(0x05).unwrap() ^ start.get(0x05).unwrap()) & 0x04 != 0;
            chip.write(0x06, 0x01, &data);
            assert_eq!(moved(), word == "writable", "{} {bits}", part.name);
            if family.volatile == "50h" && word != "writable" {
                chip.write(0x50, 0x01, &data);
                assert!(!moved(), "{} {bits}: by 50h", part.name);
            }
            if word == "until power-up" || word == "for ever" {
                chip.0.set_faults(Faults::none());
                chip.0.power_up();
                let before = chip.registers(part).get(0x05).unwrap();
                let data: Vec<u8> = [Some(before ^ 0x04), second.map(|byte| byte & !1)]
                    .into_iter()
                    .flatten()
                    .collect();
                chip.write(0x06, 0x01, &data);
                let after = chip.registers(part).get(0x05).unwrap();
                assert_eq!(
                    before != after,
                    word == "until power-up",
                    "{} {bits}",
                    part.name
                );
            }
        }
    });
}

/// W25Q128JV Rev. I, 7.1 and 8.2.2; GD25Q64C Rev 3.0, 7.3: 50h is for the next command, sets no WEL, and
/// what it writes ends with the supply. Elsewhere 50h is no such command.
#[test]
fn the_simulated_chip_has_a_volatile_and_a_stored_copy() {
    for_each(|family, part| {
        let chip = Simulated::new(part);
        let start = chip.registers(part);
        let long = family
            .status_writes
            .iter()
            .all(|(_, _, names)| names.len() > 1);
        let second = start.get(0x35).filter(|_| long);
        let with = |first: u8| -> Vec<u8> { [Some(first), second].into_iter().flatten().collect() };
        let first = |chip: &Simulated| chip.registers(part).get(0x05).unwrap();
        let begin = start.get(0x05).unwrap();
        match family.volatile.as_str() {
            "50h" => {
                chip.write(0x06, 0x01, &with(0x08));
                chip.write(0x50, 0x01, &with(0x04));
                assert_eq!(first(&chip), 0x04, "{}", part.name);
                chip.send(&[0x50]);
                chip.send(&[0x04]);
                chip.send(&[&[0x01][..], &with(0x0C)].concat());
                assert_eq!(first(&chip), 0x04, "{}: 50h holds on", part.name);
                chip.0.power_up();
                assert_eq!(first(&chip), 0x08, "{}", part.name);
            }
            "register" => {
                chip.write(0x06, 0x01, &with(0x00));
                assert_eq!(first(&chip), 0x00, "{}", part.name);
                chip.0.power_up();
                assert_eq!(first(&chip), begin, "{}", part.name);
            }
            _ => {
                chip.write(0x06, 0x01, &with(0x04));
                chip.0.power_up();
                assert_eq!(first(&chip), 0x04, "{}", part.name);
            }
        }
        // One-time bits only rise: what is written as 0 stays.
        for at in &family.one_time {
            let (register, bit) = place(at);
            let bits = 1 << bit;
            chip.0
                .set_faults(Faults::none().with(Fault::RegisterBits { register, bits }));
            chip.write(0x06, 0x01, &with(0x00));
            let held = chip.registers(part).get(register).unwrap();
            assert_eq!(held & bits, bits, "{} {at}", part.name);
        }
    });
}

/// Which locks are asked for, and of which blocks, is as the documents have it; of no other part any is.
#[test]
fn locks_of_single_blocks_are_asked_for_as_documented() {
    let mut named = BTreeSet::new();
    for_each(|family, part| {
        let size = part.size_bytes;
        let mut registers = family.registers(part, &"0".repeat(family.bits.len()));
        let expected: Vec<(u8, usize, Range<u32>)> = family
            .own_lock_reads
            .iter()
            .flat_map(|(opcode, bytes, edges)| {
                let opcode = u8::from_str_radix(opcode, 16).unwrap();
                let (bytes, edges): (usize, u32) = (bytes.parse().unwrap(), edges.parse().unwrap());
                let blocks = (0..size / 65536).flat_map(move |block| {
                    let edge = block == 0 || block == size / 65536 - 1;
                    let step = if edge { edges } else { 65536 };
                    (block * 65536..(block + 1) * 65536)
                        .step_by(step as usize)
                        .map(move |at| at..at + step)
                });
                blocks.map(move |block| (opcode, bytes, block))
            })
            .collect();
        let asked = |registers: &Registers| -> Vec<(u8, usize, Range<u32>)> {
            let locks = part.block_locks(registers).into_iter();
            locks
                .map(|(read, block)| (read.opcode, read.address_bytes, block))
                .collect()
        };
        match family.own_locks.as_ref().map(|locks| locks.when.as_str()) {
            None => assert!(part.lock_reads().is_empty(), "{}", part.name),
            Some("always") => assert_eq!(asked(&registers), expected, "{}", part.name),
            Some(at) => {
                assert!(asked(&registers).is_empty(), "{}", part.name);
                set(&mut registers, at);
                assert_eq!(asked(&registers), expected, "{}", part.name);
            }
        }
        named.insert(part.name.clone());
    });
    for part in Catalogue::builtin().unwrap().parts() {
        let documented = named.contains(&part.name);
        assert!(documented || part.lock_reads().is_empty(), "{}", part.name);
    }
}

/// Locks that are closed and opened past norlock are found, and what they lock the chip leaves alone.
#[test]
fn locks_of_single_blocks_are_read_from_the_chip() {
    let mut found = 0;
    for_each(|family, part| {
        let Some(locks) = &family.own_locks else {
            return;
        };
        let chip = Simulated::new(part);
        if locks.when != "always" {
            let (register, bit) = place(&locks.when);
            let fault = Fault::RegisterBits {
                register,
                bits: 1 << bit,
            };
            chip.0.set_faults(Faults::none().with(fault));
        }
        chip.0.power_up();
        let size = part.size_bytes;
        let whole = Protection::Range { range: 0..size };
        let at_power_up = if locks.closed_at_power_up {
            whole
        } else {
            Protection::None
        };
        assert_eq!(chip.protection(part), at_power_up, "{}", part.name);
        let middle = size / 2;
        let (last, second) = (size - 0x1_0000, size - 0xF000);
        if locks.closed_at_power_up {
            // 98h opens all, 36h closes one, 39h opens one.
            chip.lock(&[0x98]);
            assert_eq!(chip.protection(part), Protection::None, "{}", part.name);
            chip.lock(&[0x36, 0, 0x10, 0]);
            chip.lock(&framed(0x36, middle));
            let two = vec![0x1000..0x2000, middle..middle + 0x1_0000];
            assert_eq!(chip.protection(part), Protection::Blocks { ranges: two });
            chip.lock(&[0x39, 0, 0x10, 0]);
        } else {
            chip.lock(&[&framed(0xE5, middle)[..], &[0x01]].concat());
        }
        let one = Protection::Range {
            range: middle..middle + 0x1_0000,
        };
        assert_eq!(chip.protection(part), one, "{}", part.name);
        assert_eq!(chip.programs(middle), (false, true), "{}", part.name);
        if family.own_lock_reads.len() == 2 {
            // MT25QL128ABA Rev. I: E3h locks for good, 4 address bytes; E5h has pieces of 4 KiB at the ends.
            chip.lock(&[&framed(0xE5, middle)[..], &[0x00]].concat());
            chip.lock(&[&framed(0xE5, last)[..], &[0x01]].concat());
            let edge = Protection::Range {
                range: last..second,
            };
            assert_eq!(chip.protection(part), edge, "{}", part.name);
            chip.lock(&[0xE3, 0, 0, 0, 0]);
            chip.0.power_up();
            let lasting = Protection::Range { range: 0..0x1_0000 };
            assert_eq!(chip.protection(part), lasting, "{}", part.name);
            assert_eq!(chip.programs(0), (false, true), "{}", part.name);
        }
        found += 1;
    });
    assert!(found >= 6, "{found}");
}

fn framed(opcode: u8, address: u32) -> [u8; 4] {
    let [_, high, middle, low] = address.to_be_bytes();
    [opcode, high, middle, low]
}

/// A simulated chip, told and asked past norlock.
struct Simulated(Mock);

impl Simulated {
    fn new(part: &Part) -> Self {
        Self(Mock::new(part.clone()))
    }

    fn send(&self, out: &[u8]) {
        let mut link = self.0.link();
        let mut frame = [Frame::new(vec![Segment::Out(out)])];
        link.transfer(&mut frame, Hertz::mhz(1)).unwrap();
        link.wait(Duration::from_secs(1));
    }

    fn lock(&self, out: &[u8]) {
        self.send(&[0x06]);
        self.send(out);
        self.send(&[0x04]);
    }

    /// What norlock finds, through a chip of its own.
    fn protection(&self, part: &Part) -> Protection {
        let mut bare = Bare::new(Box::new(self.0.link()), Purpose::Read, Hertz::mhz(1));
        let look = bare.meet(Duration::from_secs(1), &|| false).unwrap();
        let mut chip = bare.into_chip(part.clone(), look.id).unwrap();
        let registers = chip.registers().unwrap();
        let locked = chip.locked_blocks(&registers).unwrap();
        part.protection_with(&registers, &locked)
    }

    /// Whether a byte at `at` and one in the block of 64 KiB behind it can be programmed.
    fn programs(&self, at: u32) -> (bool, bool) {
        self.0.monitor().cover(0..u32::MAX);
        let one = |at: u32| {
            self.lock(&[&framed(0x02, at)[..], &[0x00]].concat());
            self.0.truth(at..at + 1) == [0x00]
        };
        (one(at), one(at + 0x1_0000))
    }

    /// Enable, then the write, as the datasheets have it.
    fn write(&self, enable: u8, opcode: u8, data: &[u8]) {
        self.send(&[0x04]);
        self.send(&[enable]);
        self.send(&[&[opcode], data].concat());
        self.send(&[0x04]);
    }

    fn registers(&self, part: &Part) -> Registers {
        let reads = part.status.registers().iter().map(|read| {
            let mut byte = [0];
            let out = [read.opcode];
            let segments = vec![Segment::Out(&out), Segment::In(&mut byte)];
            let mut link = self.0.link();
            link.transfer(&mut [Frame::new(segments)], Hertz::mhz(1))
                .unwrap();
            (read.opcode, byte[0])
        });
        reads.collect()
    }
}

#[test]
fn one_time_bits_and_the_volatile_form_are_those_of_the_document() {
    for_each(|family, part| {
        let (size, status) = (part.size_bytes, part.status);
        let form = match family.volatile.as_str() {
            "50h" => Some(VolatileForm::Enabled),
            "register" => Some(VolatileForm::Always),
            "none" => None,
            other => panic!("{}: {other}", family.id),
        };
        assert_eq!(status.volatile_form(size), form, "{}", part.name);
        let zeros = "0".repeat(family.bits.len());
        for (found, is_set) in [
            (family.registers(part, &zeros), false),
            (family.crowded(part, &zeros), true),
        ] {
            let told = status.one_time(&found, size).unwrap();
            let places = |bit: &norlock::jedec::status::OneTimeBit| (bit.register, bit.bit);
            let places: BTreeSet<(u8, u32)> = told.iter().map(places).collect();
            assert_eq!(places, family.one_time.iter().map(|at| place(at)).collect());
            for bit in told {
                let column = family
                    .at
                    .iter()
                    .any(|at| place(at) == (bit.register, bit.bit));
                assert_eq!(
                    bit.set,
                    Some(is_set && !column),
                    "{} {}",
                    part.name,
                    bit.name
                );
            }
        }
    });
}

/// A range is told for the parts of these tables only: layouts change between sister parts.
#[test]
fn no_range_is_told_without_a_table() {
    let named: BTreeSet<String> = tables().family.into_iter().flat_map(|f| f.parts).collect();
    for part in Catalogue::builtin().unwrap().parts() {
        for second in [0x00, 0x40] {
            for first in 0..=0xFF {
                let reads = part
                    .status
                    .registers()
                    .iter()
                    .map(|read| match read.opcode {
                        0x05 => (0x05, first),
                        0x35 => (0x35, second),
                        other => (other, 0),
                    });
                let got = part.protection(&reads.collect());
                if !named.contains(&part.name) {
                    check_guess(part, first, second, &got);
                }
            }
        }
    }
}

/// Without a table, nothing is protected only if no bit is set that protects on a sister part.
fn check_guess(part: &Part, first: u8, second: u8, got: &Protection) {
    use norlock::jedec::status::StatusFamily as F;
    let shown = format!("{} {first:02X} {second:02X}: {got:?}", part.name);
    let ranged = matches!(got, Protection::Range { .. });
    assert!(!ranged, "{shown}");
    // QE of Macronix and ISSI is bit 6.
    let protect = if matches!(part.status, F::Macronix | F::Issi) {
        0x3C
    } else {
        0x7C
    };
    let cmp = matches!(
        part.status,
        F::Winbond | F::GigaDevice | F::Adesto | F::CypressL
    );
    let set = first & protect != 0 || cmp && second & 0x40 != 0;
    assert!(!set || *got != Protection::None, "{shown}");
}
