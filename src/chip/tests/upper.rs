//! Addresses that a register completes. What a chip does with one: W25Q256JV Rev. I, section 7.2 (C5h
//! wants WREN, C8h reads it, a read stays in its 16 MiB); S25FL512S 001-98284, bank address register
//! (17h, 16h, bit 7 EXTADD).

use std::ops::ControlFlow;
use std::sync::OnceLock;

use super::*;
use crate::chip::AddressingFound;
use crate::mock::Failure;
use crate::part::FourByte;

const SEGMENT: u32 = 1 << 24;
const WAYS: [(FourByte, &str); 3] = [
    (
        FourByte::ExtendedRegister,
        "3 address bytes and extended register",
    ),
    (
        FourByte::BankRegister { extadd: false },
        "3 address bytes and bank register",
    ),
    (
        FourByte::BankRegister { extadd: true },
        "4 address bytes by bank register",
    ),
];

/// A chip of four segments that has only this way, its first and last pages of each segment patterned.
fn desk(way: &FourByte) -> Desk {
    desk_of("W25Q512JV", 4, way)
}

fn desk_of(name: &str, segments: u32, way: &FourByte) -> Desk {
    static CATALOGUE: OnceLock<Catalogue> = OnceLock::new();
    let catalogue = CATALOGUE.get_or_init(|| Catalogue::builtin().unwrap());
    let mut parts = catalogue.parts().iter();
    let mut part = parts.find(|part| part.name == name).unwrap().clone();
    part.addressing.four_byte = vec![way.clone()];
    let desk = Desk::with(part);
    for segment in 0..segments {
        let start = segment * SEGMENT;
        let marked: Vec<u8> = pattern(segment + 1, 200);
        desk.mock.set_truth(start, &marked).unwrap();
        desk.mock.set_truth(start + SEGMENT - 200, &marked).unwrap();
    }
    desk
}

/// The first bytes of each segment, which is where these tests erase and program.
fn marks(desk: &Desk) -> Vec<Vec<u8>> {
    let starts = (0..4).map(|segment| segment * SEGMENT);
    starts.map(|at| desk.mock.truth(at..at + 4096)).collect()
}

/// What the register holds, past all that is under test.
fn holds(desk: &Desk, way: &FourByte) -> u8 {
    desk.ask(&[way.register().unwrap().1])
}

/// What was written to the register.
fn written(desk: &Desk, way: &FourByte) -> Vec<u8> {
    let (write, _) = way.register().unwrap();
    let mut sent = desk.sent();
    sent.retain(|sent| sent.out[0] == write);
    sent.iter().map(|sent| sent.out[1]).collect()
}

#[test]
fn every_way_reaches_every_segment() {
    for (way, words) in WAYS {
        let desk = desk(&way);
        let mut chip = desk.chip();
        assert_eq!(chip.addressing(), words);
        for segment in [3, 0, 2, 1_u32] {
            let mut seen = [0; 200];
            let at = Address(segment * SEGMENT);
            chip.read(ReadCommand::FastRead, SCK, at, &mut seen)
                .unwrap();
            assert_eq!(seen[..], pattern(segment + 1, 200), "{way:?} {segment}");
        }
        // Across the end of a segment, where the chip itself would begin the segment anew.
        let mut seen = [0; 400];
        let at = Address(2 * SEGMENT - 200);
        desk.clear();
        chip.read(ReadCommand::Read, SCK, at, &mut seen).unwrap();
        assert_eq!(seen[..200], pattern(2, 200));
        assert_eq!(seen[200..], pattern(3, 200));
        let reads = desk.opcodes().into_iter().filter(|code| *code == 0x03);
        let extadd = way == FourByte::BankRegister { extadd: true };
        assert_eq!(reads.count(), if extadd { 1 } else { 2 }, "{way:?}");
        chip.leave().unwrap();
        assert_eq!(holds(&desk, &way), 0);
    }
}

/// A pass in either order sets the register once for each segment, also with boundaries shifted.
#[test]
fn a_pass_goes_through_the_segments_once() {
    for (way, _) in WAYS {
        let extadd = way == FourByte::BankRegister { extadd: true };
        for order in [Order::Up, Order::Down] {
            let desk = desk(&way);
            let mut chip = desk.chip();
            desk.clear();
            let pass = Pass {
                command: ReadCommand::Read,
                sck: SCK,
                frame_bytes: 4000,
                first_bytes: 61,
                order,
                poison: 0x5A,
            };
            // Short enough for a test, and across each boundary.
            for boundary in 1..4_u32 {
                let start = boundary * SEGMENT - 10_000;
                let mut seen = vec![0; 20_000];
                chip.read_pass(&pass, start..start + 20_000, &mut |address, bytes| {
                    let at = (address.0 - start) as usize;
                    seen[at..at + bytes.len()].copy_from_slice(bytes);
                    ControlFlow::Continue(())
                })
                .unwrap();
                assert!(seen == desk.mock.truth(start..start + 20_000), "{way:?}");
            }
            let expected: &[u8] = match (extadd, order) {
                (true, _) => &[],
                // The first segment is selected from the start.
                (false, Order::Up) => &[1, 2, 3],
                (false, Order::Down) => &[1, 0, 2, 1, 3, 2],
            };
            assert_eq!(written(&desk, &way), expected, "{way:?} {order:?}");
        }
    }
}

/// Whatever is sent to a segment lands there and nowhere else.
#[test]
fn erases_and_programs_land_in_their_segment() {
    for (way, _) in WAYS {
        let desk = desk(&way);
        let mut armed = desk.armed();
        let kind = armed.part().erase_types[0].clone();
        let at = 2 * SEGMENT;
        armed.erase(&kind, Address(at)).unwrap();
        armed.program(Address(at + 256), &[0x42; 256]).unwrap();
        armed.program(Address(SEGMENT + 4096), &[0x43; 4]).unwrap();
        let mut seen = [0; 4];
        armed.read(Address(at + 256), &mut seen).unwrap();
        assert_eq!(seen, [0x42; 4]);
        drop(armed);
        assert_eq!(desk.mock.truth(at..at + 200), [0xFF; 200]);
        assert_eq!(desk.mock.truth(at + 256..at + 512), [0x42; 256]);
        let marked = SEGMENT + 4096;
        assert_eq!(desk.mock.truth(marked..marked + 4), [0x43; 4]);
        for other in [0, 1, 3] {
            let start = other * SEGMENT;
            assert_eq!(
                desk.mock.truth(start..start + 200),
                pattern(other + 1, 200),
                "{way:?}"
            );
        }
        assert_eq!(holds(&desk, &way), 0);
    }
}

/// Each setting is 06h, C5h or 17h, 04h, 05h in one batch, and the register is read right behind it.
#[test]
fn the_register_is_set_in_the_exact_batch_and_read_back() {
    for (way, _) in WAYS {
        let (write, read) = way.register().unwrap();
        let desk = desk(&way);
        let mut chip = desk.chip();
        let mut seen = [0];
        chip.read(ReadCommand::Read, SCK, Address(3 * SEGMENT), &mut seen)
            .unwrap();
        drop(chip);
        let sent = desk.sent();
        let places = sent.iter().enumerate().filter(|(_, s)| s.out[0] == write);
        let mut count = 0;
        for (at, one) in places {
            let codes: Vec<u8> = sent[at - 1..at + 4].iter().map(|s| s.out[0]).collect();
            assert_eq!(codes, [0x06, write, 0x04, 0x05, read], "{way:?}");
            let batch = &sent[at - 1..at + 3];
            assert!(batch.iter().all(|frame| frame.at == one.at));
            count += 1;
        }
        assert!(count >= 2);
        assert_eq!(desk.ask(&[0x05]) & 2, 0);
    }
}

#[test]
fn what_was_found_is_put_back() {
    for (way, _) in WAYS {
        for found in [0, 1, 3] {
            let desk = desk(&way).fault(Fault::AddressRegister { value: found });
            let mut chip = desk.chip();
            assert_eq!(chip.addressing_found(), AddressingFound::Register(found));
            let mut seen = [0; 200];
            let at = Address(2 * SEGMENT);
            chip.read(ReadCommand::Read, SCK, at, &mut seen).unwrap();
            assert_eq!(seen[..], pattern(3, 200));
            assert_ne!(holds(&desk, &way), found);
            chip.leave().unwrap();
            assert_eq!(holds(&desk, &way), found, "{way:?}");
        }
    }
}

/// A run that goes on after a kill leaves the chip as the killed one had found it.
#[test]
fn a_later_run_puts_back_what_the_first_one_found() {
    for (way, _) in WAYS {
        let desk = desk(&way);
        // Nobody was there to put it back.
        std::mem::forget(desk.chip());
        let (write, _) = way.register().unwrap();
        desk.tell(&[0x06]);
        desk.tell(&[write, 2]);
        desk.tell(&[0x04]);
        let mut chip = desk.chip();
        assert_eq!(chip.addressing_found(), AddressingFound::Register(2));
        chip.leave_as(AddressingFound::Register(1));
        assert_eq!(chip.addressing_found(), AddressingFound::Register(1));
        drop(chip);
        assert_eq!(holds(&desk, &way), 1, "{way:?}");
    }
}

/// Whichever batch fails, on the way in, while reading or on the way out.
#[test]
fn an_error_anywhere_leaves_the_register_as_found() {
    for (way, _) in WAYS {
        for at_batch in 1..26 {
            let desk = desk_of("W25Q256JV", 2, &way);
            desk.mock.set_faults(
                Faults::seeded(1)
                    .with(Fault::AddressRegister { value: 1 })
                    .with(Fault::Link {
                        at_batch,
                        error: Failure::Errno(5),
                        lasting: false,
                    }),
            );
            if let Ok(mut chip) = desk.try_chip(Purpose::Read) {
                for segment in [0, 1, 0] {
                    let at = Address(segment * SEGMENT);
                    let _ = chip.read(ReadCommand::Read, SCK, at, &mut [0; 16]);
                }
                drop(chip);
            }
            // The batch that fails may be the one that puts it back; then `leave` says so.
            let at_the_end = desk.mock.counters().batches < at_batch + 3;
            desk.mock.set_faults(Faults::none());
            assert!(
                holds(&desk, &way) == 1 || at_the_end,
                "{way:?} batch {at_batch}"
            );
        }
    }
}

/// Where the register says what an address means, none reaches beyond the array.
#[test]
fn a_chip_is_not_asked_where_its_array_ends_through_a_segment() {
    for (way, _) in WAYS {
        let desk = desk(&way);
        let mut chip = desk.chip();
        desk.clear();
        let told = chip.read_round(4 * SEGMENT - 2, &mut [0; 4]).unwrap();
        let extadd = way == FourByte::BankRegister { extadd: true };
        assert_eq!((told, desk.sent().len()), (extadd, usize::from(extadd)));
    }
}

#[test]
fn the_register_is_read_twice_at_half_the_proven_clock() {
    for (way, _) in WAYS {
        let desk = desk(&way);
        let chip = desk.chip();
        let (_, read) = way.register().unwrap();
        let sent = desk.sent();
        let reads = sent.iter().filter(|sent| sent.out[0] == read);
        let clocks: Vec<u32> = reads.map(|sent| sent.sck.0).collect();
        assert_eq!(clocks[..2], [SCK.0 / 2; 2], "{way:?}");
        drop(chip);
    }
}

#[test]
fn a_register_that_holds_what_was_found_is_not_written_again() {
    for (way, _) in WAYS {
        let desk = desk(&way).fault(Fault::AddressRegister { value: 0 });
        let chip = desk.chip();
        desk.clear();
        chip.leave().unwrap();
        let extadd = way == FourByte::BankRegister { extadd: true };
        assert_eq!(written(&desk, &way).is_empty(), !extadd, "{way:?}");
    }
}

fn is_lost(error: &ChipError) -> bool {
    matches!(error, ChipError::AddressRegister { .. })
}

/// Register writes that the chip does not hear: noticed before anything is read as another segment's,
/// and before anything is changed.
#[test]
fn a_lost_register_write_is_noticed_before_anything_happens() {
    for (way, _) in WAYS {
        let desk = desk(&way);
        let extadd = way == FourByte::BankRegister { extadd: true };
        let silent = Fault::SilentRegister {
            from_batch: 0,
            batches: None,
        };
        if extadd {
            let desk = desk.fault(silent);
            assert!(is_lost(&desk.try_chip(Purpose::Write).err().unwrap()));
            continue;
        }
        let before = marks(&desk);
        let mut armed = desk.armed();
        desk.mock.set_faults(Faults::seeded(1).with(silent));
        let kind = armed.part().erase_types[0].clone();
        let high = Address(SEGMENT);
        assert!(is_lost(&armed.erase(&kind, high).unwrap_err()));
        assert!(is_lost(&armed.read(high, &mut [0; 4]).unwrap_err()));
        let again = armed.program(high, &[0; 4]).unwrap_err();
        assert!(matches!(again, ChipError::Latched), "{again:?}");
        drop(armed);
        assert!(marks(&desk) == before, "{way:?}");
    }
}

/// The supply dips between two blocks: the register is at 0 again, and an erase would land lower.
#[test]
fn a_dip_of_the_supply_is_noticed_before_the_next_erase_or_program() {
    for (way, _) in WAYS {
        for erases in [true, false] {
            let desk = desk(&way);
            let mut armed = desk.armed();
            let kind = armed.part().erase_types[0].clone();
            let high = Address(SEGMENT);
            armed.read(high, &mut [0; 4]).unwrap();
            let before = marks(&desk);
            let at_batch = desk.mock.counters().batches + 1;
            desk.mock
                .set_faults(Faults::seeded(1).with(Fault::Dip { at_batch }));
            let error = if erases {
                armed.erase(&kind, high).unwrap_err()
            } else {
                armed.program(high, &[0; 4]).unwrap_err()
            };
            assert!(is_lost(&error), "{way:?}: {error:?}");
            drop(armed);
            assert!(marks(&desk) == before, "{way:?}");
        }
    }
}

/// A dip within a pass: the rest of that segment would be another's.
#[test]
fn a_dip_within_a_pass_is_noticed_at_the_segments_end() {
    for (way, _) in WAYS {
        let desk = desk(&way);
        let mut chip = desk.chip();
        let pass = Pass {
            command: ReadCommand::Read,
            sck: SCK,
            frame_bytes: 4000,
            first_bytes: 4000,
            order: Order::Up,
            poison: 0x5A,
        };
        let at_batch = desk.mock.counters().batches + 6;
        desk.mock
            .set_faults(Faults::seeded(1).with(Fault::Dip { at_batch }));
        let range = SEGMENT..SEGMENT + 40_000;
        let error = chip
            .read_pass(&pass, range, &mut |_, _| ControlFlow::Continue(()))
            .unwrap_err();
        assert!(is_lost(&error), "{way:?}: {error:?}");
    }
}

/// No register answers, or the part is another: FFh is no segment of this part.
#[test]
fn a_value_that_no_segment_has_is_an_error() {
    for (way, _) in WAYS {
        for value in [0xFF, 0x04, 0x40] {
            let desk = desk(&way).fault(Fault::AddressRegister { value });
            let error = desk.try_chip(Purpose::Read).err().unwrap();
            let extadd = way == FourByte::BankRegister { extadd: true };
            let has = value & if extadd { 0x83 } else { 0x03 };
            assert!(
                matches!(error, ChipError::AddressRegister { wanted, seen, .. } if (wanted, seen) == (has, value)),
                "{way:?} {value:02X}: {error:?}"
            );
            assert!(written(&desk, &way).is_empty());
        }
    }
}

/// In 4-byte mode the register counts for nothing (W25Q256JV Rev. I, section 7.2).
#[test]
fn a_chip_in_a_mode_that_nobody_can_leave_is_not_read() {
    let desk = desk(&FourByte::ExtendedRegister).fault(Fault::FourByteMode { at_power_up: true });
    let error = desk.try_chip(Purpose::Read).err().unwrap();
    assert!(matches!(error, ChipError::AddressMode { wanted_bytes: 3 }));
}

/// Opcodes and modes do not have to be set anew for each segment, so they are preferred.
#[test]
fn registers_are_the_last_resort() {
    let mut part = part("W25Q512JV");
    let register = FourByte::ExtendedRegister;
    part.addressing.four_byte.retain(|way| *way != register);
    part.addressing.four_byte.insert(0, register);
    for wanted in ["4 address bytes by opcode", "4 address bytes by mode"] {
        assert_eq!(Desk::with(part.clone()).chip().addressing(), wanted);
        let dedicated = |way: &FourByte| matches!(way, FourByte::Dedicated { .. });
        part.addressing.four_byte.retain(|way| !dedicated(way));
    }
}
