//! Every part of the table: read, erased, programmed and left, on a chip that forbids what its
//! datasheet does not have.

use std::collections::BTreeSet;

use super::*;

#[test]
fn every_part_of_the_table_can_be_worked_on() {
    let catalogue = Catalogue::builtin().unwrap();
    let mut parts: Vec<&Part> = catalogue.parts().iter().collect();
    // The smallest of those that are worked on alike.
    parts.sort_by_key(|part| part.size_bytes);
    let mut done = BTreeSet::new();
    for part in parts {
        if !done.insert(likeness(part)) {
            continue;
        }
        let desk = Desk::with(part.clone());
        let chip = desk
            .try_chip(Purpose::Write)
            .unwrap_or_else(|error| panic!("{}: {error}", part.name));
        let mut armed = chip.arm(Allowed).unwrap();
        if part.protected_at_power_up {
            continue;
        }
        work_on(&desk, &mut armed);
        armed.disarmed().unwrap().leave().unwrap();
        assert_eq!(desk.ask(&[0x05]) & 3, 0, "{}", part.name);
    }
}

/// All that decides which frames are sent.
fn likeness(part: &Part) -> String {
    let erases: Vec<_> = part
        .erase_types
        .iter()
        .map(|kind| (kind.size_bytes, kind.opcode, kind.opcode_4byte))
        .collect();
    format!(
        "{:?}",
        (
            part.size_bytes > 1 << 24,
            part.status,
            part.busy,
            part.program,
            &part.addressing,
            erases
        )
    )
}

/// The last block of every erase type that works there, and a program in it.
fn work_on(desk: &Desk, armed: &mut Armed) {
    let part = armed.part().clone();
    let last = part.size_bytes - 1;
    for kind in &part.erase_types {
        let end = kind.only_in.as_ref().map_or(part.size_bytes, |r| r.end);
        let start = end - kind.size_bytes;
        desk.mock.set_truth(start, &[0x00; 3]).unwrap();
        armed.erase(kind, Address(start)).unwrap();
        assert_eq!(
            desk.mock.truth(start..start + 3),
            [0xFF; 3],
            "{}",
            part.name
        );
    }
    desk.mock.set_truth(last, &[0xFF]).unwrap();
    armed.program(Address(last), &[0x3C]).unwrap();
    let mut seen = [0];
    armed.read(Address(last), &mut seen).unwrap();
    assert_eq!(seen, [0x3C], "{}", part.name);
    assert_eq!(desk.mock.truth(last..last + 1), [0x3C], "{}", part.name);
}
