//! Every part of the table: read, erased, programmed and left, on a chip that forbids what its
//! datasheet does not have.

use super::*;

/// Parts that are listed and cannot be worked on: only a register reaches above 16 MiB.
const OUT_OF_REACH: [&str; 0] = [];

#[test]
fn every_part_of_the_table_can_be_worked_on() {
    for part in Catalogue::builtin().unwrap().parts() {
        let desk = Desk::with(part.clone());
        let chip = match desk.try_chip(Purpose::Write) {
            Ok(chip) => chip,
            Err(ChipError::NoWayAbove16Mib { .. }) => {
                assert!(OUT_OF_REACH.contains(&part.name.as_str()), "{}", part.name);
                continue;
            }
            Err(error) => panic!("{}: {error}", part.name),
        };
        assert!(!OUT_OF_REACH.contains(&part.name.as_str()));
        let mut armed = chip.arm(Allowed).unwrap();
        if part.protected_at_power_up {
            continue;
        }
        work_on(&desk, &mut armed);
        armed.disarmed().unwrap().leave().unwrap();
        assert_eq!(desk.ask(&[0x05]) & 3, 0, "{}", part.name);
    }
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
