//! The whole job through each way above 16 MiB alone, on models that have it.
//!
//! Opcodes and modes are what other models use. Bit 7 of a bank register does nothing in this emulator.

use crate::models::with_marking;
use crate::whole_job::must_convert;
use crate::wire::{receive, send, send_enabled};
use crate::{Emulator, is_skipped, random_bytes};

/// Model, marking, how norlock says that it is addressed.
const WAYS: [(&str, &str, &str); 2] = [
    (
        "n25q256a",
        "EMULATEDREGISTERN25Q256A",
        "3 address bytes and extended register",
    ),
    (
        "s25fl256s1",
        "EMULATEDBANKS25FL256S1",
        "3 address bytes and bank register",
    ),
];

#[test]
fn convert_run_and_go_back_by_each_way_alone() {
    if is_skipped() {
        return;
    }
    // The second only where more than the usual models are asked for: it takes as long again.
    let all = std::env::var_os("NORLOCK_EMULATED").is_some();
    for (name, marking, words) in WAYS.into_iter().take(if all { 2 } else { 1 }) {
        let row = must_convert(with_marking(name, marking));
        println!("{row}");
        assert!(row.contains(words), "{row}");
    }
}

/// What the jobs above rely on. The models want WREN for 17h too, which real parts do not (from memory).
#[test]
fn address_registers_select_a_segment() {
    if is_skipped() {
        return;
    }
    for (name, write, read) in [("n25q256a", 0xC5, 0xC8), ("s25fl256s1", 0x17, 0x16)] {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("chip.bin");
        let content = random_bytes(32 << 20, 5);
        std::fs::write(&file, &content).unwrap();
        let emulator = Emulator::start(name, &file).unwrap();
        let mut link = emulator.link();
        assert_eq!(receive(&mut link, &[read], 1), [0], "{name}");
        send(&mut link, &[write, 1]);
        assert_eq!(receive(&mut link, &[read], 1), [0], "{name}");
        send_enabled(&mut link, &[write, 1]);
        assert_eq!(receive(&mut link, &[read], 1), [1], "{name}");
        let seen = receive(&mut link, &[0x03, 0x12, 0x34, 0x56], 8);
        assert_eq!(seen, content[0x0112_3456..0x0112_345E], "{name}");
    }
}
