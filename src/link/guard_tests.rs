//! Tests of the guard, frame by frame, for parts of several makers.

mod lanes;

use std::sync::{Arc, Mutex};
use std::time::Duration;

use super::{Class, Frame, Guard, Limits, Link, LinkError, Purpose, Scope, Segment};
use crate::jedec::{Hertz, LaneProgram, LaneRead, Lanes, Millivolts};
use crate::link::Trace;
use crate::part::{Catalogue, FourByte, Part, ProgramMethod};

/// Frames as they were sent: each the segments' bytes out, or how many came in.
type Wire = Arc<Mutex<Vec<Vec<Vec<u8>>>>>;

/// Answers each byte in with the number of its place in the frame, status reads with `status`.
struct Recorder {
    wire: Wire,
    status: u8,
}

impl Link for Recorder {
    fn name(&self) -> &str {
        "recorder"
    }
    fn level(&self) -> Option<Millivolts> {
        None
    }
    fn limits(&self) -> Limits {
        Limits {
            batch_out_bytes: 4096,
            batch_in_bytes: 4096,
            segment_align_bytes: 1,
            batch_segments: 511,
            sck_max: Hertz::mhz(10),
            sck_min: Hertz(1000),
            lanes: Lanes { out: 4, into: 4 },
        }
    }
    fn transfer(&mut self, batch: &mut [Frame<'_>], _sck: Hertz) -> Result<(), LinkError> {
        for frame in batch {
            let mut at = 0;
            let mut sent = Vec::new();
            let mut code = None;
            for segment in &mut frame.segments {
                match segment {
                    Segment::Out(bytes) => {
                        code = code.or(bytes.first().copied());
                        sent.push(bytes.to_vec());
                        at += bytes.len();
                    }
                    Segment::In(bytes) | Segment::Exchange(bytes) => {
                        code = code.or(bytes.first().copied());
                        sent.push(bytes.to_vec());
                        for byte in bytes.iter_mut() {
                            *byte = if code == Some(5) {
                                self.status
                            } else {
                                at as u8
                            };
                            at += 1;
                        }
                    }
                }
            }
            self.wire.lock().unwrap().push(sent);
        }
        Ok(())
    }
    fn now(&self) -> Duration {
        Duration::ZERO
    }
    fn wait(&mut self, _time: Duration) {}
}

fn part(name: &str) -> Part {
    let catalogue = Catalogue::builtin().unwrap();
    let found = catalogue.parts().iter().find(|part| part.name == name);
    found.unwrap_or_else(|| panic!("no part {name}")).clone()
}

fn guard(purpose: Purpose, part: Option<&Part>) -> (Guard, Wire) {
    guard_with(purpose, part, 0)
}

fn guard_with(purpose: Purpose, part: Option<&Part>, status: u8) -> (Guard, Wire) {
    let wire = Wire::default();
    let link = Recorder {
        wire: Arc::clone(&wire),
        status,
    };
    let mut guard = Guard::new(Box::new(link), purpose);
    if let Some(part) = part {
        guard.identified(part);
    }
    (guard, wire)
}

/// Judges `out`, then `reads` bytes in.
fn judge(guard: &Guard, out: &[u8], reads: usize) -> Result<Class, String> {
    let mut into = vec![0; reads];
    guard.judge(&Frame::new(vec![Segment::Out(out), Segment::In(&mut into)]))
}

/// The class with the chip armed, so that `Modify` shows; `None` is refused outright.
fn class(part: &Part, out: &[u8], reads: usize) -> Option<Class> {
    let (mut guard, _) = guard(Purpose::Write, Some(part));
    guard.arm(Scope::Array);
    judge(&guard, out, reads).ok()
}

const OBSERVE: Option<Class> = Some(Class::Observe);
const SESSION: Option<Class> = Some(Class::Session);
const PROTECT: Option<Class> = Some(Class::Protect);
const MODIFY: Option<Class> = Some(Class::Modify);

#[test]
fn before_identification_six_opcodes_pass() {
    for purpose in [Purpose::Read, Purpose::Write] {
        let (mut guard, _) = guard(purpose, None);
        guard.arm(Scope::Array);
        for code in 0..=0xFF {
            let shapes: [(Vec<u8>, usize); 8] = [
                (vec![code], 0),
                (vec![code], 1),
                (vec![code, 0], 0),
                (vec![code, 0], 1),
                (vec![code, 0, 0, 0], 4),
                (vec![code, 0, 0, 0, 0], 0),
                (vec![code, 0, 0, 0, 0], 4),
                (vec![code, 0, 0, 0, 0, 0], 4),
            ];
            for (out, reads) in shapes {
                if judge(&guard, &out, reads).is_ok() {
                    let known = [0x9F, 0x05, 0x5A, 0xAB, 0xFF, 0x04];
                    assert!(known.contains(&code), "{out:02X?} {reads}");
                }
            }
        }
        let passes: [(&[u8], usize, Option<Class>); 14] = [
            (&[0x9F], 20, OBSERVE),
            (&[0x9F, 0, 0, 0], 0, OBSERVE),
            (&[0x05], 1, OBSERVE),
            (&[0x05], 0, None),
            (&[0x05, 0], 1, None),
            (&[0x5A, 0, 0, 0, 0], 16, OBSERVE),
            (&[0x5A, 0, 0, 0], 16, None),
            (&[0xAB], 0, SESSION),
            (&[0xAB, 0, 0, 0], 1, SESSION),
            (&[0xAB, 0], 0, None),
            (&[0xFF, 0xFF], 0, SESSION),
            (&[0xFF, 0x06], 0, None),
            (&[0x04], 0, OBSERVE),
            (&[0x04, 0], 0, None),
        ];
        for (out, reads, wanted) in passes {
            assert_eq!(judge(&guard, out, reads).ok(), wanted, "{out:02X?} {reads}");
        }
    }
}

/// Frames of every class for parts of several makers; their sources stand in `chips/`.
#[test]
fn frames_are_judged_by_what_the_part_makes_of_them() {
    let table: [(&str, &[u8], usize, Option<Class>); 47] = [
        ("W25Q128JV", &[0x03, 0, 0, 0], 100, OBSERVE),
        ("W25Q128JV", &[0x0B, 0, 0, 0, 0], 100, OBSERVE),
        ("W25Q128JV", &[0x03, 0, 0, 0], 0, None),
        ("W25Q128JV", &[0x03, 0], 1, None),
        ("W25Q128JV", &[0x13, 0, 0, 0, 0], 1, None),
        ("W25Q128JV", &[0x35], 1, OBSERVE),
        ("W25Q128JV", &[0x15], 1, OBSERVE),
        ("W25Q128JV", &[0x4B, 0, 0, 0, 0], 8, OBSERVE),
        ("W25Q128JV", &[0x4B, 0, 0, 0, 0, 0], 8, None),
        ("W25Q128JV", &[0x48, 0, 0, 0, 0], 8, None),
        ("W25Q128JV", &[0xB7], 0, None),
        ("W25Q128JV", &[0x06], 0, PROTECT),
        ("W25Q128JV", &[0x06, 0], 0, None),
        ("W25Q128JV", &[0x02, 0, 0, 0, 1], 0, MODIFY),
        ("W25Q128JV", &[0x20, 0, 0, 0], 0, MODIFY),
        ("W25Q128JV", &[0x20, 0, 0, 0], 1, None),
        ("W25Q128JV", &[0x52, 0, 0, 0], 0, MODIFY),
        ("W25Q128JV", &[0x12, 0, 0, 0, 0, 1], 0, None),
        ("W25Q128JV", &[0x01, 0], 0, PROTECT),
        ("W25Q128JV", &[0x31, 0], 0, PROTECT),
        ("W25Q128JV", &[0x11, 0], 0, None),
        ("W25Q128JV", &[0x42, 0, 0, 0, 0], 0, None),
        ("W25Q128JV", &[0x44, 0, 0, 0], 0, None),
        ("W25Q128JV", &[0xC7], 0, None),
        ("W25Q128JV", &[0x60], 0, None),
        ("W25Q128JV", &[0x66], 0, None),
        ("W25Q128JV", &[0x99], 0, None),
        ("W25Q256JV", &[0x13, 0, 0, 0, 0], 1, OBSERVE),
        ("W25Q256JV", &[0x0C, 0, 0, 0, 0, 0], 1, OBSERVE),
        ("W25Q256JV", &[0x12, 0, 0, 0, 0, 1], 0, MODIFY),
        ("W25Q256JV", &[0x21, 0, 0, 0, 0], 0, MODIFY),
        ("W25Q256JV", &[0x5C, 0, 0, 0, 0], 0, None),
        ("W25Q256JV", &[0xB7], 0, SESSION),
        ("W25Q256JV", &[0xE9], 0, SESSION),
        ("W25Q256JV", &[0xB7, 0], 0, None),
        ("W25Q256JV", &[0x4B, 0, 0, 0, 0, 0], 8, OBSERVE),
        ("N25Q256A13", &[0x70], 1, OBSERVE),
        ("S25FL512S", &[0x07], 1, OBSERVE),
        ("S25FL512S", &[0x30], 0, PROTECT),
        ("SST25VF016B", &[0xAD, 0, 0, 0, 1, 2], 0, MODIFY),
        ("SST25VF016B", &[0xAD, 1, 2], 0, MODIFY),
        ("SST25VF016B", &[0xAD, 1, 2, 3], 0, None),
        ("SST25VF016B", &[0xAD, 1, 2], 1, None),
        ("SST25VF016B", &[0xAF, 0, 0, 0, 1], 0, None),
        ("SST25VF064C", &[0xAD, 0, 0, 0, 1, 2], 0, None),
        ("W25Q128JV", &[0xAD, 1, 2], 0, None),
        ("SST26VF064B", &[0x98], 0, None),
    ];
    for (name, out, reads, wanted) in table {
        let got = class(&part(name), out, reads);
        assert_eq!(got, wanted, "{name} {out:02X?} {reads}");
    }
}

/// The same byte, another maker: 35h enters QPI on Macronix and Micron, 4Bh reads one-time memory on
/// Micron and Cypress, 50h clears the flags on Micron and enables a volatile status write elsewhere,
/// B9h is power-down or bank access, 15h and 81h write or read configurations (datasheets in `chips/`).
#[test]
fn clashing_opcodes_pass_only_where_they_are_harmless() {
    let table: [(&str, &[u8], usize, Option<Class>); 47] = [
        ("MX25L25635F", &[0x35], 0, None),
        ("MX25L25635F", &[0x35], 1, None),
        ("N25Q256A13", &[0x35], 1, None),
        ("N25Q256A13", &[0x4B, 0, 0, 0, 0], 8, None),
        ("S25FL512S", &[0x4B, 0, 0, 0, 0], 8, None),
        ("MX25L25635F", &[0x4B, 0, 0, 0, 0], 8, None),
        ("XT25F128B", &[0x4B, 0, 0, 0, 0], 8, None),
        ("XT25F128B", &[0x5A, 0, 0, 0x94, 0], 16, OBSERVE),
        ("N25Q256A13", &[0x50], 0, PROTECT),
        ("N25Q256A13", &[0x50, 0], 0, None),
        ("W25Q128JV", &[0x50], 0, PROTECT),
        ("W25Q128JV", &[0x50, 0], 0, None),
        ("W25Q128JV", &[0x50], 1, None),
        ("GD25Q64C", &[0x50], 0, PROTECT),
        // Its registers were not read in a document.
        ("W25Q128FV", &[0x50], 0, None),
        ("MX25L25635F", &[0x50], 0, None),
        ("IS25LP128", &[0x50], 0, None),
        ("S25FL512S", &[0x50], 0, None),
        ("SST25VF016B", &[0x50], 0, None),
        // Locks of single blocks: E8h programs a password on Cypress parts, E2h and E3h are read and write.
        ("W25Q128JV", &[0x3D, 0, 0, 0], 1, OBSERVE),
        ("W25Q128JV", &[0x3D, 0, 0, 0], 0, None),
        ("W25Q128JV", &[0x3D, 0, 0, 0, 0], 1, None),
        ("W25Q128JV", &[0x39, 0, 0, 0], 0, None),
        ("W25Q128FV", &[0x3D, 0, 0, 0], 1, None),
        ("W25Q256JV", &[0x3D, 0, 0, 0], 1, None),
        ("N25Q032A13", &[0xE8, 0, 0, 0], 1, OBSERVE),
        ("N25Q032A13", &[0xE2, 0, 0, 0, 0], 1, None),
        ("N25Q032A13", &[0xE5, 0, 0, 0, 1], 0, None),
        ("MT25QL128ABA", &[0xE2, 0, 0, 0, 0], 1, OBSERVE),
        ("MT25QL128ABA", &[0xE3, 0, 0, 0, 0], 0, None),
        ("M25P16", &[0xE8, 0, 0, 0], 1, None),
        ("S25FL128S, 64 KiB sectors", &[0xE8, 0, 0, 0], 1, None),
        ("S25FL128S, 64 KiB sectors", &[0xE2, 0, 0, 0, 0], 1, None),
        ("W25Q128JV", &[0x30], 0, None),
        ("W25Q128JV", &[0xB9], 0, None),
        ("N25Q256A13", &[0xB9], 0, None),
        ("S25FL512S", &[0xB9], 0, None),
        ("MX25L25635F", &[0x15], 1, OBSERVE),
        ("N25Q256A13", &[0x15], 1, None),
        ("S25FL512S", &[0x15], 1, None),
        ("N25Q256A13", &[0x81, 0], 0, None),
        ("W25Q128JV", &[0x81, 0, 0, 0], 0, None),
        ("N25Q256A13", &[0x31, 0], 0, None),
        ("MX25L25635F", &[0x31, 0], 0, None),
        ("N25Q256A13", &[0xB1, 0, 0], 0, None),
        ("N25Q256A13", &[0xC5, 0], 0, None),
        ("S25FL512S", &[0x17, 0x80], 0, None),
    ];
    for (name, out, reads, wanted) in table {
        let got = class(&part(name), out, reads);
        assert_eq!(got, wanted, "{name} {out:02X?} {reads}");
    }
}

/// A chip whose SFDP names other opcodes for erase, program or mode gets none of them.
#[test]
fn opcodes_from_a_chip_pass_only_if_the_standard_lists_them() {
    let mut lying = part("W25Q256JV");
    for (kind, code) in lying.erase_types.iter_mut().zip([0x42, 0xC7, 0x99]) {
        (kind.opcode, kind.opcode_4byte) = (code, Some(code ^ 1));
    }
    lying.addressing.four_byte = vec![
        crate::part::FourByte::Dedicated {
            opcodes: vec![0x13, 0x42, 0x66, 0x99, 0x9B],
        },
        crate::part::FourByte::Mode {
            enter: 0x66,
            exit: 0x99,
            write_enable: false,
        },
    ];
    lying.unique_id.as_mut().unwrap().opcode = 0x48;
    for code in [0x42, 0x43, 0xC7, 0xC6, 0x99, 0x98, 0x66, 0x9B, 0x48] {
        for out in [vec![code], vec![code, 0, 0, 0], vec![code, 0, 0, 0, 0]] {
            for reads in [0, 8] {
                assert_eq!(class(&lying, &out, reads), None, "{out:02X?} {reads}");
            }
        }
    }
}

/// No frame of any part is of class modify for a reading job, and none passes unarmed.
#[test]
fn modifying_frames_pass_only_while_armed_for_writing() {
    let part = part("W25Q128JV");
    let modifying: [&[u8]; 7] = [
        &[0x06],
        &[0x02, 0, 0, 0, 1],
        &[0x20, 0, 0, 0],
        &[0xD8, 0, 0, 0],
        &[0x01, 0],
        &[0x31, 0],
        &[0x50],
    ];
    for out in modifying {
        let (mut reading, wire) = guard(Purpose::Read, Some(&part));
        reading.arm(Scope::Array);
        let refused = send(&mut reading, &[out]).unwrap_err();
        assert!(refused.contains("reading job"), "{refused}");
        assert_eq!(wire.lock().unwrap().len(), 0);

        let (mut writing, wire) = guard(Purpose::Write, Some(&part));
        assert!(
            send(&mut writing, &[out])
                .unwrap_err()
                .contains("not armed")
        );
        writing.arm(Scope::Array);
        send(&mut writing, &[out]).unwrap();
        writing.disarm();
        assert!(
            send(&mut writing, &[out])
                .unwrap_err()
                .contains("not armed")
        );
        assert_eq!(wire.lock().unwrap().len(), 1);
    }
}

/// What is armed for its protection takes register writes and nothing that erases or programs; no frame of
/// any part is of another class than the opcode's.
#[test]
fn a_chip_armed_for_its_protection_takes_no_erase_and_no_program() {
    for name in [
        "W25Q128JV",
        "W25Q256JV",
        "SST25VF016B",
        "M25PX16",
        "S25FL512S",
    ] {
        let part = part(name);
        let (mut writing, _) = guard(Purpose::Write, Some(&part));
        writing.arm(Scope::Protection);
        let mut passed = Vec::new();
        for code in 0..=0xFF {
            for rest in 0..=6 {
                let mut out = vec![code];
                out.resize(1 + rest, 0);
                if judge(&writing, &out, 0) == Ok(Class::Protect) {
                    passed.push(code);
                }
                assert_ne!(
                    judge(&writing, &out, 0),
                    Ok(Class::Modify),
                    "{name} {out:02X?}"
                );
            }
        }
        passed.dedup();
        let mut allowed = vec![0x01, 0x06, 0x30, 0x31, 0x50];
        allowed.retain(|code| passed.contains(code));
        assert_eq!(passed, allowed, "{name}");
        assert!(passed.starts_with(&[0x01, 0x06]), "{name}");
        let refused = judge(&writing, &[0x02, 0, 0, 0, 1], 0).unwrap_err();
        assert!(refused.contains("for its protection only"), "{refused}");
    }
}

/// Sends frames of bytes out alone; a leading 05h also reads.
fn send(guard: &mut Guard, frames: &[&[u8]]) -> Result<(), String> {
    send_on(guard, frames, &[])
}

/// As [`send`], the first frames on these lanes, the others on one.
fn send_on(guard: &mut Guard, frames: &[&[u8]], lanes: &[Lanes]) -> Result<(), String> {
    let lanes = lanes.iter().chain(std::iter::repeat(&Lanes::ONE));
    let mut status = vec![[0]; frames.len()];
    let mut batch: Vec<Frame<'_>> = frames
        .iter()
        .zip(&mut status)
        .map(|(out, status)| match out {
            [0x05, ..] => Frame::new(vec![Segment::Out(out), Segment::In(status)]),
            _ => Frame::new(vec![Segment::Out(out)]),
        })
        .zip(lanes)
        .map(|(frame, lanes)| frame.on(*lanes))
        .collect();
    guard
        .transfer(&mut batch, Hertz::mhz(1))
        .map_err(|error| error.to_string())
}

#[test]
fn write_enable_passes_unarmed_only_around_a_mode() {
    let micron = part("N25Q256A13");
    let refused: [&[&[u8]]; 9] = [
        &[&[0x06]],
        &[&[0x06], &[0xB7]],
        &[&[0x06], &[0xB7], &[0x04]],
        &[&[0x06], &[0xB7], &[0x05], &[0x04]],
        &[&[0x06], &[0x20, 0, 0, 0], &[0x04], &[0x05]],
        &[&[0x06], &[0x03, 0, 0, 0], &[0x04], &[0x05]],
        &[&[0x06], &[0xB7], &[0x04], &[0x05], &[0x05]],
        &[&[0x06], &[0x06], &[0xB7], &[0x04], &[0x05]],
        &[&[0x06, 0x00], &[0xB7], &[0x04], &[0x05]],
    ];
    for purpose in [Purpose::Read, Purpose::Write] {
        for frames in refused {
            let (mut guard, wire) = guard(purpose, Some(&micron));
            assert!(send(&mut guard, frames).is_err(), "{frames:02X?}");
            assert_eq!(wire.lock().unwrap().len(), 0);
        }
        for code in [0xB7, 0xE9] {
            let (mut guard, wire) = guard(purpose, Some(&micron));
            let frames: [&[u8]; 4] = [&[0x06], &[code], &[0x04], &[0x05]];
            for several in 0..frames.len() {
                let mut lanes = [Lanes::ONE; 4];
                lanes[several] = Lanes { out: 4, into: 4 };
                send_on(&mut guard, &frames, &lanes).unwrap_err();
            }
            assert_eq!(wire.lock().unwrap().len(), 0);
            send(&mut guard, &frames).unwrap();
            assert_eq!(wire.lock().unwrap().len(), 4);
        }
        let (mut guard, _) = guard_with(purpose, Some(&micron), 0x02);
        let still = send(&mut guard, &[&[0x06], &[0xB7], &[0x04], &[0x05]]).unwrap_err();
        assert_eq!(still, "WEL is still set after write disable");
    }
    let (mut guard, _) = guard(Purpose::Read, None);
    assert!(send(&mut guard, &[&[0x06], &[0xB7], &[0x04], &[0x05]]).is_err());
}

/// What completes addresses is set in the one exact batch, of the part's own register, in any job;
/// alone it passes nowhere, armed or not. It is read freely.
#[test]
fn address_registers_are_set_in_the_exact_batch_alone() {
    let own = [("N25Q256A13", 0xC5, 0xC8), ("S25FL512S", 0x17, 0x16)];
    for (name, write, read) in own {
        let part = part(name);
        let other = if write == 0xC5 { 0x17 } else { 0xC5 };
        let refused: [&[&[u8]]; 8] = [
            &[&[write, 1]],
            &[&[write, 1], &[0x04], &[0x05]],
            &[&[0x06], &[write, 1]],
            &[&[0x06], &[write, 1], &[0x04]],
            &[&[0x06], &[write, 1], &[0x05], &[0x04]],
            &[&[0x06], &[write], &[0x04], &[0x05]],
            &[&[0x06], &[write, 1, 2], &[0x04], &[0x05]],
            &[&[0x06], &[other, 1], &[0x04], &[0x05]],
        ];
        for purpose in [Purpose::Read, Purpose::Write] {
            for frames in refused {
                let (mut guard, wire) = guard(purpose, Some(&part));
                assert!(send(&mut guard, frames).is_err(), "{name} {frames:02X?}");
                assert_eq!(wire.lock().unwrap().len(), 0);
            }
            let (mut guard, wire) = guard(purpose, Some(&part));
            send(&mut guard, &[&[0x06], &[write, 1], &[0x04], &[0x05]]).unwrap();
            assert_eq!(wire.lock().unwrap().len(), 4);
        }
        let (mut armed, _) = guard(Purpose::Write, Some(&part));
        armed.arm(Scope::Array);
        assert!(send(&mut armed, &[&[write, 1]]).is_err());
        assert_eq!(class(&part, &[read], 1), OBSERVE);
        assert_eq!(class(&part, &[read, 0], 1), None);
        assert_eq!(class(&part, &[other ^ 0x0D], 1), None);
    }
}

/// The table's ways out of 4-byte mode: E9h, 29h (IS25LP256D), B8h (S25HS01GT). A mode with another
/// one is not entered, since it could not be left.
#[test]
fn a_mode_is_entered_only_where_it_can_be_left() {
    for (name, exit) in [
        ("MX25L25635F", 0xE9),
        ("IS25LP256D", 0x29),
        ("S25HS01GT", 0xB8),
    ] {
        for code in [0xB7, exit] {
            let got = class(&part(name), &[code], 0);
            assert_eq!(got, Some(Class::Session), "{name} {code:02X}");
        }
        assert_eq!(class(&part("W25Q80DV"), &[exit], 0), None);
    }
    let mut odd = part("MX25L25635F");
    odd.addressing.four_byte = vec![crate::part::FourByte::Mode {
        enter: 0xB7,
        exit: 0x99,
        write_enable: false,
    }];
    assert_eq!(class(&odd, &[0xB7], 0), None);
}

/// One bad frame keeps the whole batch off the wire.
#[test]
fn a_batch_passes_whole_or_not_at_all() {
    let (mut guard, wire) = guard(Purpose::Read, Some(&part("W25Q128JV")));
    assert!(send(&mut guard, &[&[0x04], &[0x05], &[0x20, 0, 0, 0]]).is_err());
    assert_eq!(wire.lock().unwrap().len(), 0);
}

/// What a part makes of an opcode, and the reset, pass no longer than they are told to; a refusal says which
/// of both it is for.
#[test]
fn what_is_taken_back_passes_no_more() {
    let (mut guard, _) = guard(Purpose::Read, Some(&part("W25Q128JV")));
    let read: [u8; 4] = [0x03, 0, 0, 0];
    assert_eq!(judge(&guard, &read, 4).ok(), OBSERVE);
    let why = judge(&guard, &[0x03, 0], 4).unwrap_err();
    assert!(
        why.contains("not a command of the identified part"),
        "{why}"
    );
    guard.unidentified();
    let why = judge(&guard, &read, 4).unwrap_err();
    assert!(why.contains("none is identified"), "{why}");
    for (may, wanted) in [(false, None), (true, SESSION), (false, None)] {
        guard.may_reset(may);
        for code in [0x66, 0x99] {
            assert_eq!(judge(&guard, &[code], 0).ok(), wanted, "{code:02X}h");
            assert!(judge(&guard, &[code, 0], 0).is_err());
        }
    }
}

#[test]
fn odd_frames_are_judged_as_a_chip_hears_them() {
    let part = part("W25Q128JV");
    let (mut guard, _) = guard(Purpose::Write, Some(&part));
    guard.arm(Scope::Array);
    let mut into = [0; 2];
    let mut both = [0x06];
    let mut more = [0x20, 0, 0, 0];
    // Bytes out behind bytes in: the chip would take them, in an observing frame or not.
    for head in [0x05, 0x9F] {
        for late in [Segment::Out(&[0x20]), Segment::Exchange(&mut both)] {
            let head = [head];
            let frame = Frame::new(vec![Segment::Out(&head), Segment::In(&mut into), late]);
            assert!(guard.judge(&frame).is_err(), "{head:02X?}");
        }
    }
    // An exchange is bytes out.
    let exchange = Frame::new(vec![Segment::Exchange(&mut more)]);
    assert_eq!(guard.judge(&exchange), Ok(Class::Modify));
    let split = Frame::new(vec![Segment::Out(&[0x20]), Segment::Out(&[0, 0, 0])]);
    assert_eq!(guard.judge(&split), Ok(Class::Modify));
    // Reading first shifts zeros out, and 00h is no opcode of anybody's.
    let late = Frame::new(vec![Segment::In(&mut into), Segment::Out(&[0x05])]);
    assert!(guard.judge(&late).is_err());
    assert!(guard.judge(&Frame::new(vec![])).is_err());
    assert!(guard.judge(&Frame::new(vec![Segment::Out(&[])])).is_err());
    for (bytes, passes) in [(32, true), (33, false)] {
        let mut id = vec![0x9F; bytes];
        let frame = Frame::new(vec![Segment::Exchange(&mut id)]);
        assert_eq!(guard.judge(&frame).is_ok(), passes, "{bytes}");
    }
    // What the head does not keep counts as well.
    let mut ffs = vec![0xFF; 17];
    assert!(judge(&guard, &ffs, 0).is_err());
    ffs.truncate(16);
    assert_eq!(judge(&guard, &ffs, 0), Ok(Class::Session));
}

/// Each byte in gets the byte of its own place in the frame.
#[test]
fn single_transfers_bring_the_same_bytes() {
    let part = part("W25Q128JV");
    for single in [false, true] {
        let (mut guard, wire) = guard(Purpose::Read, Some(&part));
        guard.single_transfers(single);
        let (mut two, mut four, mut head) = ([0xEE; 2], [0xEE; 4], [0x9F, 0, 0]);
        let mut batch = [
            Frame::new(vec![
                Segment::Out(&[0x0B, 1, 2]),
                Segment::Out(&[3, 0]),
                Segment::In(&mut two),
                Segment::In(&mut four),
            ]),
            Frame::new(vec![Segment::Exchange(&mut head)]).after(Duration::from_micros(7)),
            Frame::new(vec![Segment::Out(&[0x04])]),
        ];
        guard.transfer(&mut batch, Hertz::mhz(1)).unwrap();
        assert_eq!((two, four, head), ([5, 6], [7, 8, 9, 10], [0, 1, 2]));
        let wire = wire.lock().unwrap();
        if single {
            let frame = vec![0x0B, 1, 2, 3, 0, 0, 0, 0, 0, 0, 0];
            assert_eq!(*wire, [vec![frame], vec![vec![0x9F, 0, 0]], vec![vec![4]]]);
        }
    }
}

/// What a sector map asks passes byte for byte, with one byte read, and only if it is a register read.
#[test]
fn a_sector_maps_question_passes_exactly() {
    for purpose in [Purpose::Read, Purpose::Write] {
        let (mut guard, _) = guard(purpose, None);
        let question = vec![0x65, 0x80, 0x00, 0x04, 0x00];
        assert!(judge(&guard, &question, 1).is_err(), "before it was given");
        guard.may_ask(0x34, vec![question.clone(), vec![0x65, 0, 0, 0, 2, 0]]);
        assert_eq!(judge(&guard, &question, 1), Ok(Class::Observe));
        // ISSI stores by 65h.
        guard.may_ask(0x9D, vec![question.clone()]);
        assert!(judge(&guard, &question, 1).is_err());
        guard.may_ask(0x34, vec![question.clone(), vec![0x65, 0, 0, 0, 2, 0]]);
        for (out, reads) in [
            (&question[..], 0),
            (&question[..], 2),
            (&question[..4], 1),
            (&[0x65, 0x80, 0x00, 0x05, 0x00], 1),
            (&[0x65, 0x80, 0x00, 0x04, 0x01], 1),
            (&[0x65, 0x80, 0x00, 0x04, 0x00, 0x00], 1),
            (&[0x65], 1),
            (&[0x71, 0x80, 0x00, 0x04, 0x00], 1),
        ] {
            assert!(judge(&guard, out, reads).is_err(), "{out:02X?}, {reads}");
        }
        let mut into = [0];
        let (out, more) = (&question[..3], &question[3..]);
        let parts = vec![
            Segment::Out(out),
            Segment::Out(more),
            Segment::In(&mut into),
        ];
        assert_eq!(guard.judge(&Frame::new(parts)), Ok(Class::Observe));
        let mixed = vec![
            Segment::Out(out),
            Segment::In(&mut into),
            Segment::Out(more),
        ];
        assert!(guard.judge(&Frame::new(mixed)).is_err());
        guard.may_ask(0x34, Vec::new());
        assert!(
            judge(&guard, &question, 1).is_err(),
            "after it was taken back"
        );
    }
}

/// Whatever a map names: 71h writes any register, 35h and 15h set a mode or read, 85h writes (S25FS512S;
/// MX25L12845G, N25Q256A Rev. W).
#[test]
fn no_other_opcode_passes_as_a_question() {
    for part in [None, Some(part("W25Q128JV"))] {
        let (mut guard, _) = guard(Purpose::Read, part.as_ref());
        for code in (0..=0xFF).filter(|code| *code != 0x65) {
            for frame in [vec![code], vec![code, 0, 0, 4], vec![code, 0, 0, 0, 4, 0]] {
                let before = judge(&guard, &frame, 1);
                guard.may_ask(0x34, vec![frame.clone()]);
                assert_eq!(
                    judge(&guard, &frame, 1).is_ok(),
                    before.is_ok(),
                    "{frame:02X?}"
                );
                guard.may_ask(0x34, Vec::new());
            }
        }
    }
}

/// A link whose every answer is unlike that of one which says nothing of itself.
#[derive(Default)]
struct Telling {
    now: Duration,
}

impl Link for Telling {
    fn name(&self) -> &str {
        "telling"
    }
    fn level(&self) -> Option<Millivolts> {
        Some(Millivolts(1800))
    }
    fn under_voltage(&mut self) -> Option<String> {
        Some("in0_lcrit_alarm".into())
    }
    fn limits(&self) -> Limits {
        Limits {
            batch_out_bytes: 1000,
            batch_in_bytes: 2000,
            segment_align_bytes: 4,
            batch_segments: 7,
            sck_max: Hertz::mhz(3),
            sck_min: Hertz(500),
            lanes: Lanes { out: 2, into: 4 },
        }
    }
    fn transfer(&mut self, _batch: &mut [Frame<'_>], _sck: Hertz) -> Result<(), LinkError> {
        Ok(())
    }
    fn now(&self) -> Duration {
        self.now
    }
    fn takes_time(&self) -> bool {
        true
    }
    fn wait(&mut self, time: Duration) {
        self.now += time;
    }
    fn idle(&mut self, into: &mut [u8], _sck: Hertz) -> Result<bool, LinkError> {
        into.fill(0x5A);
        Ok(true)
    }
}

#[test]
fn what_a_link_tells_of_itself_comes_through_all_that_is_around_it() {
    let limits = Telling::default().limits();
    let link: Box<dyn Link> = Box::new(Telling::default());
    let mut guard = Guard::new(Box::new(Trace::new(link, drop)), Purpose::Read);
    assert_eq!(guard.name(), "telling");
    assert_eq!(guard.level(), Some(Millivolts(1800)));
    assert_eq!(guard.under_voltage().as_deref(), Some("in0_lcrit_alarm"));
    assert_eq!(guard.limits(), limits);
    assert!(guard.takes_time());
    guard.wait(Duration::from_secs(2));
    assert_eq!(guard.now(), Duration::from_secs(2));
    let mut line = [0; 4];
    assert!(guard.idle(&mut line, Hertz::mhz(1)).unwrap());
    assert_eq!(line, [0x5A; 4]);
}
