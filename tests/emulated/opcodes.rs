//! Which opcodes went over the wire.

use std::collections::BTreeMap;

use norlock::jedec::opcode;

use crate::gauge::Gauge;

/// How often each opcode began a frame.
pub type Opcodes = BTreeMap<u8, u64>;

/// All that a reading job may send: ID, status registers, SFDP, the reads, unique ID, wake-up, and the
/// 4-byte mode and address registers with their write enable and disable.
const READING: [u8; 24] = [
    0x9F, 0x05, 0x35, 0x15, 0x07, 0x2B, 0x48, 0x70, 0x5A, 0x03, 0x0B, 0x13, 0x0C, 0x4B, 0xAB, 0xFF,
    0x04, 0x06, 0xB7, 0xE9, 0xC5, 0xC8, 0x17, 0x16,
];

/// What went over the wire since the last look can only have read; and 35h, which enters a quad mode
/// on Macronix parts and means nothing on Micron's, went to neither.
pub fn only_reads(gauge: &Gauge) {
    let (name, sent) = (&gauge.model.name, gauge.opcodes());
    for code in sent.keys() {
        assert!(READING.contains(code), "{name}: {code:02X}h");
    }
    // Write enable only goes before what changes how addresses are taken.
    let mode = [opcode::ENTER_4BYTE, opcode::EXIT_4BYTE].map(|code| times(&sent, code));
    let register = times(&sent, 0xC5) + times(&sent, 0x17);
    assert!(
        times(&sent, 0x06) <= mode[0] + mode[1] + register,
        "{name}: 06h"
    );
    let found = gauge.catalogue.by_marking(&gauge.model.marking);
    let mut parts = found.iter().flat_map(|found| &found.candidates);
    if parts.any(|part| [0xC2, 0x20].contains(&part.jedec_id.0[0])) {
        assert_eq!(times(&sent, 0x35), 0, "{name}: 35h");
    }
}

pub fn times(sent: &Opcodes, code: u8) -> u64 {
    sent.get(&code).copied().unwrap_or(0)
}

/// Which erases were sent and how often.
pub fn erases(sent: &Opcodes) -> String {
    let erases = [0x20, 0x21, 0x52, 0x5C, 0xD8, 0xDC, 0xD7];
    let used = erases.into_iter().filter(|code| times(sent, *code) > 0);
    let words: Vec<String> = used
        .map(|code| format!("{} x {code:02X}h", times(sent, code)))
        .collect();
    words.join(" + ")
}
