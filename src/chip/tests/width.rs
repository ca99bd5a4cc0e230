//! Addressing: chosen, entered, and left as found.

use super::*;
use crate::chip::AddressingFound;
use crate::jedec::status::StatusFamily;
use crate::mock::Failure;
use crate::part::FourByte;

const HIGH: u32 = 0x0100_1000;

/// W25Q256JV (Rev. I, 8.1.4) with only the ways given.
fn w25q256(ways: Vec<FourByte>) -> Part {
    let mut part = part("W25Q256JV");
    part.addressing.four_byte = ways;
    part
}

fn mode(write_enable: bool) -> FourByte {
    FourByte::Mode {
        enter: 0xB7,
        exit: 0xE9,
        write_enable,
    }
}

fn with_pattern(part: Part) -> Desk {
    let desk = Desk::with(part);
    desk.mock.set_truth(0x1000, &[0x11, 0x12]).unwrap();
    desk.mock.set_truth(HIGH, &[0x21, 0x22]).unwrap();
    desk
}

fn read_high(chip: &mut Chip) -> [u8; 2] {
    let mut seen = [0; 2];
    chip.read(ReadCommand::Read, SCK, Address(HIGH), &mut seen)
        .unwrap();
    seen
}

/// The switching opcodes in a trace, with the write enable around them.
fn switches(desk: &Desk) -> Vec<u8> {
    let mut opcodes = desk.opcodes();
    opcodes.retain(|code| [0x06, 0xB7, 0xE9].contains(code));
    opcodes
}

/// SR3 bit 0 is ADS (W25Q256JV Rev. I, 7.1).
fn ads(desk: &Desk) -> bool {
    desk.ask(&[0x15]) & 1 == 1
}

#[test]
fn dedicated_opcodes_need_no_mode() {
    let desk = with_pattern(part("W25Q256JV"));
    let mut chip = desk.chip();
    assert_eq!(chip.addressing(), "4 address bytes by opcode");
    assert_eq!(read_high(&mut chip), [0x21, 0x22]);
    chip.leave().unwrap();
    assert!(switches(&desk).is_empty());
}

#[test]
fn a_mode_is_entered_and_left() {
    let desk = with_pattern(w25q256(vec![mode(false)]));
    let mut chip = desk.chip();
    assert!(ads(&desk) && chip.addressing_found() == AddressingFound::ThreeByte);
    assert_eq!(read_high(&mut chip), [0x21, 0x22]);
    chip.leave().unwrap();
    assert!(!ads(&desk));
    assert_eq!(switches(&desk), [0xB7, 0xE9]);
}

/// B7h and E9h of N25Q256A want WREN (from memory); WEL is clear afterwards.
#[test]
fn a_mode_that_wants_write_enable_gets_it_and_wel_is_cleared() {
    let mut n25q = part("N25Q256A13");
    n25q.addressing
        .four_byte
        .retain(|way| matches!(way, FourByte::Mode { .. }));
    let desk = with_pattern(n25q);
    let mut chip = desk.chip();
    assert_eq!(desk.ask(&[0x70]) & 1, 1);
    assert_eq!(desk.ask(&[0x05]) & 2, 0);
    assert_eq!(read_high(&mut chip), [0x21, 0x22]);
    drop(chip);
    assert_eq!(desk.ask(&[0x70]) & 1, 0);
    assert_eq!(desk.ask(&[0x05]) & 2, 0);
    assert_eq!(switches(&desk), [0x06, 0xB7, 0x06, 0xE9]);
}

#[test]
fn a_chip_found_in_the_mode_is_left_in_it() {
    let desk =
        with_pattern(w25q256(vec![mode(false)])).fault(Fault::FourByteMode { at_power_up: true });
    let mut chip = desk.chip();
    assert_eq!(chip.addressing_found(), AddressingFound::FourByte);
    assert_eq!(read_high(&mut chip), [0x21, 0x22]);
    chip.leave().unwrap();
    assert!(ads(&desk));
    assert!(switches(&desk).is_empty());
}

/// A part up to 16 MiB that has the mode and is in it would take the first data byte for address.
#[test]
fn a_small_part_found_in_the_mode_goes_back_to_it() {
    let mut small = part("W25Q128JV");
    small.addressing.four_byte = vec![mode(false)];
    let desk = Desk::with(small).fault(Fault::FourByteMode { at_power_up: true });
    desk.mock.set_truth(0, &pattern(0, 64)).unwrap();
    let mut chip = desk.chip();
    assert!(chip.addressing_found() == AddressingFound::FourByte && !ads(&desk));
    let mut seen = [0; 60];
    chip.read(ReadCommand::Read, SCK, Address(4), &mut seen)
        .unwrap();
    assert_eq!(seen[..], pattern(4, 60));
    drop(chip);
    assert!(ads(&desk));
    assert_eq!(switches(&desk), [0xE9, 0xB7]);
}

/// Whichever batch fails while the chip is opened: the mode is as found once the chip is dropped.
#[test]
fn an_error_on_the_way_in_leaves_the_mode_as_found() {
    for found in [false, true] {
        for at_batch in 1..20 {
            let desk = with_pattern(w25q256(vec![mode(false)]));
            let mut faults = Faults::seeded(1).with(Fault::Link {
                at_batch,
                error: Failure::Errno(5),
                lasting: false,
            });
            if found {
                faults = faults.with(Fault::FourByteMode { at_power_up: true });
            }
            desk.mock.set_faults(faults);
            let opened = desk.try_chip(Purpose::Read);
            desk.mock.set_faults(Faults::none());
            drop(opened);
            assert_eq!(ads(&desk), found, "batch {at_batch}");
        }
    }
}

/// A chip that does not take B7h alone, such as one that wants WREN, is not read one byte off.
#[test]
fn a_mode_that_is_not_taken_is_noticed() {
    let mut part = w25q256(vec![mode(false)]);
    let desk = with_pattern(w25q256(vec![mode(true)]));
    part.name = "mistaken".to_owned();
    let mut bare = desk.bare(Purpose::Read);
    let look = bare.meet(PATIENCE, &|| false).unwrap();
    let error = bare.into_chip(part, look.id).err().unwrap();
    assert!(
        matches!(error, ChipError::AddressMode { wanted_bytes: 4 }),
        "{error:?}"
    );
}

/// W25Q256JV Rev. I, 8.1.4: one dummy byte more before the unique ID in 4-byte mode.
#[test]
fn the_unique_id_is_the_same_in_every_mode() {
    let wanted = vec![1, 2, 3, 4, 5, 6, 7, 8];
    for (part, found) in [
        (part("W25Q128JV"), false),
        (part("W25Q256JV"), false),
        (part("W25Q256JV"), true),
        (w25q256(vec![mode(false)]), false),
        (w25q256(vec![mode(false)]), true),
    ] {
        let mut desk = Desk::with(part);
        if found {
            desk = desk.fault(Fault::FourByteMode { at_power_up: false });
        }
        desk.mock.set_unique_id(wanted.clone());
        assert_eq!(desk.chip().unique_id().unwrap(), Some(wanted.clone()));
    }
}

/// JESD216F, BFPT DWORD 1 bits 18:17 = 10b: four address bytes only.
#[test]
fn a_part_that_always_takes_four_bytes_gets_four() {
    let mut always = w25q256(Vec::new());
    always.addressing.three_byte = false;
    let desk = with_pattern(always);
    let mut chip = desk.chip();
    assert_eq!(read_high(&mut chip), [0x21, 0x22]);
    assert_eq!(chip.addressing(), "4 address bytes");
    drop(chip);
    assert!(switches(&desk).is_empty());
}

/// No 5Ch on W25Q256JV (Rev. I, 8.1.4): its 32 KiB erase is not offered where opcodes carry the
/// address, and all three are where the mode does.
#[test]
fn erase_types_without_a_4byte_opcode_are_not_offered() {
    let sizes = |part: Part| -> Vec<u32> {
        let kinds = Desk::with(part).chip().part().erase_types.clone();
        kinds.iter().map(|kind| kind.size_bytes).collect()
    };
    assert_eq!(sizes(part("W25Q256JV")), [4096, 65536]);
    assert_eq!(sizes(w25q256(vec![mode(false)])), [4096, 32768, 65536]);
}

/// A table that says nothing of erasing does not keep the chip from being read.
#[test]
fn dedicated_reads_do_without_erases() {
    let mut reading = w25q256(vec![FourByte::Dedicated {
        opcodes: vec![0x13, 0x0C],
    }]);
    reading.erase_types.clear();
    let desk = with_pattern(reading);
    assert_eq!(read_high(&mut desk.chip()), [0x21, 0x22]);
}

/// Families whose mode shows nowhere are switched in and out without a look.
#[test]
fn an_unseen_mode_is_entered_and_left() {
    let mut part = w25q256(vec![mode(false)]);
    part.status = StatusFamily::Eon;
    let desk = with_pattern(part);
    assert_eq!(read_high(&mut desk.chip()), [0x21, 0x22]);
    assert_eq!(switches(&desk), [0xB7, 0xE9]);
}

/// All of a job has to go by them: two reads, programming, and an erase where the part has any.
#[test]
fn opcodes_that_do_not_do_the_whole_job_are_not_chosen() {
    let whole = [0x13, 0x0C, 0x12];
    for missing in whole {
        let opcodes = whole.into_iter().filter(|code| *code != missing).collect();
        let desk = Desk::with(w25q256(vec![FourByte::Dedicated { opcodes }, mode(false)]));
        assert_eq!(desk.chip().addressing(), "4 address bytes by mode");
    }
    let mut no_erase = w25q256(vec![
        FourByte::Dedicated {
            opcodes: whole.to_vec(),
        },
        mode(false),
    ]);
    let dedicated = Desk::with(no_erase.clone());
    assert_eq!(dedicated.chip().addressing(), "4 address bytes by opcode");
    for kind in &mut no_erase.erase_types {
        kind.opcode_4byte = None;
    }
    let desk = Desk::with(no_erase);
    assert_eq!(desk.chip().addressing(), "4 address bytes by mode");
}

/// A run that goes on after a kill leaves the mode as the killed one had found it, not as it was met now.
#[test]
fn a_later_run_leaves_the_mode_as_the_first_one_found_it() {
    let small = || {
        let mut small = part("W25Q128JV");
        small.addressing.four_byte = vec![mode(false)];
        small
    };
    for part in [small(), w25q256(vec![mode(false)])] {
        for met in [false, true] {
            for first in [AddressingFound::ThreeByte, AddressingFound::FourByte] {
                let mut desk = Desk::with(part.clone());
                if met {
                    desk = desk.fault(Fault::FourByteMode { at_power_up: true });
                }
                let mut chip = desk.chip();
                chip.leave_as(first);
                assert_eq!(chip.addressing_found(), first);
                chip.leave().unwrap();
                let four = first == AddressingFound::FourByte;
                assert_eq!(ads(&desk), four, "{}, met {met}, {first:?}", part.name);
            }
        }
    }
}

#[test]
fn a_mode_that_could_not_be_left_is_told() {
    let desk = with_pattern(w25q256(vec![mode(false)]));
    let chip = desk.chip();
    desk.mock.set_faults(Faults::seeded(1).with(Fault::Link {
        at_batch: desk.mock.counters().batches + 1,
        error: Failure::Errno(5),
        lasting: true,
    }));
    assert!(matches!(chip.leave(), Err(ChipError::Link(_))));
}
