//! Command sequences of the datasheets.

use std::time::Duration;

use super::*;

/// W25Q128JV Rev. I, 8.2, Read JEDEC ID: maker, type, density; the answer repeats on this simulated chip.
#[test]
fn read_jedec_id() {
    let mut desk = Desk::with(w25q128jv());
    let id = [0xEF, 0x40, 0x18, 0xEF, 0x40];
    assert_eq!(desk.read(&[0x9F], 5), id);
    let mut both = [0x9F, 0, 0, 0];
    let frame = Frame::new(vec![Segment::Exchange(&mut both)]);
    desk.link.transfer(&mut [frame], Hertz::mhz(1)).unwrap();
    assert_eq!(both, [0xFF, 0xEF, 0x40, 0x18]);
}

/// W25Q128JV Rev. I, 8.2, Read Status Register: status bytes are shifted out over and over, also while busy.
#[test]
fn status_repeats_and_follows_the_chip() {
    let mut desk = Desk::with(w25q128jv());
    desk.read(&[0x06], 0);
    assert_eq!(desk.read(&[0x05], 3), [0x02; 3]);
    desk.read(&Desk::frame(0x02, 0, &[0x00]), 0);
    // 400 us typical at 10 MHz are 500 bytes; the register is seen to change within one frame.
    let statuses = desk.read(&[0x05], 600);
    let busy = statuses.iter().take_while(|s| **s == 0x03).count();
    assert!((430..=500).contains(&busy), "{busy}");
    assert!(statuses[busy..].iter().all(|s| *s == 0x00));
}

/// W25Q128JV Rev. I, 7.1: WEL is cleared after write disable, program, erase and status write.
#[test]
fn wel_is_cleared_by_each_write() {
    for frame in [
        vec![0x04],
        Desk::frame(0x02, 0, &[0]),
        Desk::frame(0x20, 0, &[]),
        Desk::frame(0x52, 0, &[]),
        Desk::frame(0xD8, 0, &[]),
        vec![0x01, 0x00],
        vec![0xC7],
    ] {
        let mut desk = Desk::with(w25q128jv());
        desk.read(&[0x06], 0);
        assert_eq!(desk.status(), 0x02);
        desk.read(&frame, 0);
        desk.link.wait(Duration::from_secs(60));
        assert_eq!(desk.status(), 0x00, "{frame:02X?}");
    }
}

/// W25Q128JV Rev. I, 8.2, Page Program: programming clears bits only and wraps inside the page; of more than
/// a page, what was sent last counts.
#[test]
fn page_program_clears_bits_and_wraps() {
    let mut desk = Desk::with(w25q128jv());
    desk.write(&Desk::frame(0x02, 0x1000, &[0xF0, 0x0F]));
    desk.write(&Desk::frame(0x02, 0x1000, &[0x3C, 0xFF]));
    assert_eq!(desk.mock.truth(0x1000..0x1003), [0x30, 0x0F, 0xFF]);
    desk.write(&Desk::frame(0x02, 0x20FE, &[1, 2, 3, 4]));
    assert_eq!(desk.mock.truth(0x20FE..0x2102), [1, 2, 0xFF, 0xFF]);
    assert_eq!(desk.mock.truth(0x2000..0x2003), [3, 4, 0xFF]);
    let mut long = vec![0xAA; 256];
    long.extend([0x11, 0x22]);
    desk.write(&Desk::frame(0x02, 0x3000, &long));
    assert_eq!(desk.mock.truth(0x3000..0x3003), [0x11, 0x22, 0xAA]);
    assert_eq!(desk.mock.counters().programs, 4);
}

/// W25Q128JV Rev. I, 8.2, the erases: 4, 32 and 64 KiB around any address within, and the chip.
#[test]
fn erases_cover_the_block_of_the_address() {
    for (opcode, size) in [(0x20, 0x1000), (0x52, 0x8000), (0xD8, 0x1_0000)] {
        let mut desk = Desk::with(w25q128jv());
        desk.mock.set_truth(0, &vec![0; 0x4_0000]).unwrap();
        desk.write(&Desk::frame(opcode, 0x2_0000 + size / 2 + 7, &[]));
        let cells = desk.mock.truth(0..0x4_0000);
        let erased = |i: &usize| cells[*i] == 0xFF;
        let range: Vec<_> = (0..0x4_0000).filter(erased).collect();
        assert_eq!(range.len(), size as usize, "{opcode:02X}");
        assert_eq!(range[0], 0x2_0000);
    }
    let mut desk = Desk::with(w25q128jv());
    desk.mock.set_truth(0xFF_0000, &[0; 16]).unwrap();
    desk.write(&[0x60]);
    assert_eq!(desk.mock.truth(0xFF_0000..0xFF_0010), [0xFF; 16]);
    assert_eq!(desk.mock.counters().erases, 1);
}

/// N25Q128 Rev. 6 2011-02, feature page: 4 KiB erases only in the eight boot sectors; elsewhere 20h
/// does nothing.
#[test]
fn an_erase_type_may_work_in_a_part_of_the_array_only() {
    let mut part = w25q128jv();
    part.erase_types[0].only_in = Some(0..0x8_0000);
    let mut desk = Desk::with(part);
    for address in [0x7_F000, 0x8_0000] {
        desk.mock.set_truth(address, &[0]).unwrap();
        desk.write(&Desk::frame(0x20, address, &[]));
    }
    assert_eq!(desk.mock.truth(0x7_F000..0x7_F001), [0xFF]);
    assert_eq!(desk.mock.truth(0x8_0000..0x8_0001), [0x00]);
    assert_eq!(desk.mock.counters().ignored, 1);
}

/// W25Q128JV Rev. I, section 8: a write without WEL, or not ending where it must, is ignored.
#[test]
fn incomplete_frames_and_frames_without_wel_are_ignored_and_counted() {
    let mut desk = Desk::with(w25q128jv());
    desk.read(&Desk::frame(0x02, 0, &[0]), 0);
    desk.read(&Desk::frame(0x20, 0, &[]), 0);
    desk.read(&[0x01, 0x00], 0);
    desk.read(&[0x06], 0);
    desk.read(&Desk::frame(0x02, 0, &[]), 0);
    desk.read(&[0x20, 0x00], 0);
    desk.read(&[0x01], 0);
    assert_eq!(desk.mock.modifying_operations(), 0);
    assert_eq!(desk.mock.counters().ignored, 6);
    assert_eq!(desk.mock.truth(0..1), [0xFF]);
}

/// W25Q128JV Rev. I, section 8: while busy all but status reads is ignored; writes and resets are
/// forbidden here.
#[test]
fn busy_answers_status_only() {
    let mut desk = Desk::with(w25q128jv());
    desk.mock.set_truth(0x5000, &[0x12]).unwrap();
    desk.read(&[0x06], 0);
    desk.read(&Desk::frame(0x20, 0, &[]), 0);
    assert_eq!(desk.read(&[0x9F], 3), [0xFF; 3]);
    assert_eq!(desk.read(&[0x03, 0, 0x50, 0], 1), [0xFF]);
    assert_eq!(desk.status(), 0x03);
    assert!(desk.forbidden(&[0x66]).contains("busy"));
    assert!(desk.forbidden(&Desk::frame(0x02, 0, &[0])).contains("busy"));
    desk.link.wait(Duration::from_millis(45));
    assert_eq!(desk.read(&[0x03, 0, 0x50, 0], 1), [0x12]);
}

/// W25Q128JV Rev. I, 8.2.5 and 7.1: one byte writes SR1, two SR1 and SR2; LB bits stay; 50h makes a
/// volatile write that a power cycle undoes.
#[test]
fn status_registers_keep_what_they_keep() {
    let mut desk = Desk::with(w25q128jv());
    desk.write(&[0x01, 0x80, 0x02]);
    desk.write(&[0x31, 0x0A]);
    desk.write(&[0x31, 0x02]);
    desk.write(&[0x11, 0x60]);
    let registers = |desk: &mut Desk| [0x05, 0x35, 0x15].map(|op| desk.read(&[op], 1)[0]);
    assert_eq!(registers(&mut desk), [0x80, 0x0A, 0x60]);
    assert_eq!(desk.mock.counters().status_writes, 4);
    desk.read(&[0x50], 0);
    desk.read(&[0x01, 0x1C], 0);
    assert_eq!(registers(&mut desk), [0x1C, 0x0A, 0x60]);
    assert_eq!(desk.mock.counters().status_writes, 4);
    desk.mock.power_up();
    assert_eq!(registers(&mut desk), [0x80, 0x0A, 0x60]);
}

/// GD25Q64C Rev 3.0, section 7.3: the status write follows 50h at once, any other command cancels it.
#[test]
fn a_volatile_write_is_enabled_for_the_next_command_only() {
    let mut desk = Desk::with(w25q128jv());
    desk.read(&[0x50], 0);
    assert_eq!(desk.status(), 0x00);
    desk.read(&[0x01, 0x1C], 0);
    assert_eq!(desk.status(), 0x00);
}

/// W25Q128JV Rev. I, 7.1: a protected block stays as it is, and so does the whole array on chip
/// erase.
#[test]
fn protected_blocks_stay_as_they_are() {
    let mut desk = Desk::with(w25q128jv());
    desk.mock.set_truth(0, &[0x55; 4]).unwrap();
    desk.write(&[0x01, 0x1C]);
    desk.write(&Desk::frame(0x02, 0, &[0]));
    desk.write(&Desk::frame(0x20, 0, &[]));
    desk.write(&[0xC7]);
    assert_eq!(desk.mock.truth(0..4), [0x55; 4]);
    desk.write(&[0x01, 0x00]);
    desk.write(&Desk::frame(0x20, 0, &[]));
    assert_eq!(desk.mock.truth(0..4), [0xFF; 4]);
}

/// W25Q128JV Rev. I, 7.1, table for CMP = 0: BP = 001, TB = 1 protects 0 to 256 KiB and nothing else;
/// a chip erase is then ignored as a whole.
#[test]
fn only_the_protected_range_is_protected() {
    let mut desk = Desk::with(w25q128jv());
    for address in [0x3_F000, 0x4_0000] {
        desk.mock.set_truth(address, &[0x55]).unwrap();
    }
    desk.write(&[0x01, 0x24]);
    desk.write(&[0xC7]);
    desk.write(&Desk::frame(0x20, 0x3_F000, &[]));
    assert_eq!(desk.mock.truth(0x4_0000..0x4_0001), [0x55]);
    desk.write(&Desk::frame(0x20, 0x4_0000, &[]));
    assert_eq!(desk.mock.truth(0x3_F000..0x3_F001), [0x55]);
    assert_eq!(desk.mock.truth(0x4_0000..0x4_0001), [0xFF]);
}

/// W25Q128JV Rev. I, 8.2.28 (SFDP: 256 bytes, wrap) and 8.1.2 (unique ID after four dummy bytes).
#[test]
fn sfdp_and_unique_id() {
    let mut desk = Desk::with(w25q128jv());
    assert_eq!(desk.read(&[0x5A, 0, 0, 0, 0], 4), *b"SFDP");
    assert_eq!(desk.read(&[0x5A, 0, 0, 0xFE, 0], 4)[2..], *b"SF");
    let table = desk.read(&[0x5A, 0, 0, 0x30, 0], 8);
    // DW1 as printed for W25Q64JV-like parts: 4 KiB erase 20h; DW2: 128 Mbit less one.
    assert_eq!(table[1], 0x20);
    assert_eq!(table[4..], 0x07FF_FFFF_u32.to_le_bytes());
    let unique = desk.read(&[0x4B, 0, 0, 0, 0], 8);
    assert!(unique.iter().any(|byte| *byte != unique[0]));
    desk.mock.set_sfdp(None);
    assert_eq!(desk.read(&[0x5A, 0, 0, 0, 0], 4), [0xFF; 4]);
}

/// W25Q128JV Rev. I, 8.2, Power-down and Release: only ABh is heard; tRES1; 17h after three dummy bytes.
#[test]
fn deep_power_down_hears_only_release() {
    let mut desk = Desk::with(w25q128jv());
    desk.read(&[0xB9], 0);
    assert_eq!(desk.read(&[0x9F], 3), [0xFF; 3]);
    assert_eq!(desk.status(), 0xFF);
    desk.read(&[0xAB], 0);
    desk.link.wait(Duration::from_micros(30));
    assert_eq!(desk.read(&[0x9F], 3), [0xEF, 0x40, 0x18]);
    assert_eq!(desk.read(&[0xAB, 0, 0, 0], 2), [0x17, 0x17]);
}

/// SST25VF016B DS25044A, Read-ID: ABh is followed by an address and gives maker and device in turn; the
/// part has no deep power-down.
#[test]
fn sst_gives_maker_and_device_on_abh() {
    let mut desk = Desk::with(sst25vf016b());
    assert_eq!(desk.read(&[0xAB, 0, 0, 0], 3), [0xBF, 0x41, 0xBF]);
    assert_eq!(desk.read(&[0xAB, 0, 0, 1], 2), [0x41, 0xBF]);
    assert!(desk.forbidden(&[0xB9]).contains("not one this part has"));
}

/// W25Q128JV Rev. I, 8.2, Enable Reset and Reset: reset takes both commands, one directly after the other.
#[test]
fn reset_takes_both_commands() {
    let mut desk = Desk::with(w25q128jv());
    desk.mock.set_overhead(Duration::ZERO);
    assert!(desk.forbidden(&[0x99]).contains("66h"));
    desk.read(&[0x66], 0);
    desk.status();
    assert!(desk.forbidden(&[0x99]).contains("66h"));
    desk.read(&[0x06], 0);
    desk.read(&[0x66], 0);
    desk.read(&[0x99], 0);
    assert_eq!(desk.read(&[0x9F], 1), [0xFF]);
    desk.link.wait(Duration::from_micros(30));
    assert_eq!(desk.status(), 0x00);
}

/// Common practice, no source: a simulated chip that shrugs at strange opcodes hides mistakes.
#[test]
fn unknown_opcodes_are_forbidden() {
    let mut desk = Desk::with(w25q128jv());
    for opcode in [0x9E, 0x70, 0xB7, 0x42, 0xAD, 0x00, 0x13] {
        assert!(desk.forbidden(&[opcode]).contains("not one this part has"));
    }
    desk.read(&[0xFF, 0xFF], 0);
}

/// W25Q128JV Rev. I, 9.6: tSHSL2 is 50 ns after a write; 03h takes 50 MHz.
#[test]
fn timing_limits_are_kept() {
    let mut desk = Desk::with(w25q128jv());
    let batch = |desk: &mut Desk, settle_ns| {
        let program = Desk::frame(0x02, 0, &[0]);
        let mut status = [0];
        let settle = Duration::from_nanos(settle_ns);
        let mut frames = [
            Frame::new(vec![Segment::Out(&[0x06])]),
            Frame::new(vec![Segment::Out(&program)]),
            Frame::new(vec![Segment::Out(&[0x05]), Segment::In(&mut status)]).after(settle),
        ];
        let sent = desk.link.transfer(&mut frames, Hertz::mhz(20));
        desk.link.wait(Duration::from_millis(5));
        sent.map(|()| status[0])
    };
    assert_eq!(batch(&mut desk, 50).unwrap(), 0x03);
    let error = batch(&mut desk, 49).unwrap_err();
    assert!(matches!(error, LinkError::Forbidden(_)), "{error}");

    let mut part = w25q128jv();
    part.sck_max.insert(0x03, Hertz::mhz(33));
    let mut desk = Desk::with(part);
    desk.sck = Hertz::mhz(40);
    assert!(desk.forbidden(&[0x03, 0, 0, 0]).contains("33 MHz"));
    desk.read(&[0x0B, 0, 0, 0, 0], 1);
}

/// SST25VF016B DS25044A; the AAI frames as in common practice: protected at power-up; 50h and 01h unlock; one byte for each 02h; AAI words
/// go on by themselves until 04h; meanwhile only ADh, 04h and 05h.
#[test]
fn sst_programs_bytes_and_words() {
    let mut desk = Desk::with(sst25vf016b());
    assert_eq!(desk.status(), 0x1C);
    desk.write(&Desk::frame(0x02, 0, &[0x12]));
    assert_eq!(desk.mock.truth(0..1), [0xFF]);
    desk.read(&[0x50], 0);
    desk.read(&[0x01, 0x00], 0);
    desk.link.wait(Duration::from_millis(20));
    assert_eq!(desk.status(), 0x00);
    desk.write(&Desk::frame(0x02, 5, &[0x12]));
    assert_eq!(desk.mock.truth(5..6), [0x12]);
    desk.read(&[0x06], 0);
    assert!(
        desk.forbidden(&Desk::frame(0x02, 6, &[1, 2]))
            .contains("programs one")
    );
    desk.read(&Desk::frame(0xAD, 0x100, &[1, 2]), 0);
    desk.link.wait(Duration::from_micros(10));
    assert_eq!(desk.status(), 0x42);
    desk.read(&[0xAD, 3, 4], 0);
    desk.link.wait(Duration::from_micros(10));
    assert!(desk.forbidden(&[0x9F]).contains("auto address increment"));
    desk.read(&[0x04], 0);
    assert_eq!(desk.status(), 0x00);
    assert_eq!(desk.mock.truth(0xFF..0x105), [0xFF, 1, 2, 3, 4, 0xFF]);
    desk.read(&[0x06], 0);
    assert!(
        desk.forbidden(&Desk::frame(0xAD, 0x201, &[1, 2]))
            .contains("even")
    );
}

/// A pattern with a prime period comes back from every way of reading, and wraps at the end.
#[test]
fn the_prime_pattern_comes_back() {
    let mut desk = Desk::with(w25q128jv());
    let size = 16 << 20;
    desk.mock.set_truth(0, &prime_pattern(0, size)).unwrap();
    for (address, length) in [(0, 4000), (0xFFF, 700), (0x7F_FFFF, 300), (size - 5, 5)] {
        let want = prime_pattern(address, length);
        assert_eq!(
            desk.read(&Desk::frame(0x03, address, &[]), length as usize),
            want
        );
        assert_eq!(
            desk.read(&Desk::frame(0x0B, address, &[0]), length as usize),
            want
        );
    }
    let wrapped = desk.read(&Desk::frame(0x03, size - 2, &[]), 4);
    let mut want = prime_pattern(size - 2, 2);
    want.extend(prime_pattern(0, 2));
    assert_eq!(wrapped, want);
}

/// The clock counts bits, overhead, settle and wait, and nothing else.
#[test]
fn the_clock_counts() {
    let mut desk = Desk::with(w25q128jv());
    desk.sck = Hertz::mhz(8);
    desk.read(&[0x9F], 3);
    assert_eq!(desk.link.now(), Duration::from_micros(34));
    desk.link.wait(Duration::from_micros(6));
    desk.mock.sync_cost(Duration::from_millis(2));
    assert_eq!(desk.mock.now(), Duration::from_micros(2040));
    let later = desk.mock.link();
    assert_eq!(
        (later.now(), later.name()),
        (Duration::ZERO, "mock:W25Q128JV")
    );
    let counters = desk.mock.counters();
    assert_eq!(
        (counters.frames, counters.out_bytes, counters.in_bytes),
        (1, 1, 3)
    );
    assert_eq!(counters.sync, Duration::from_millis(2));
}

/// A spidev node's default: 4096 bytes in each direction, counted apart.
#[test]
fn batches_have_limits() {
    let mut desk = Desk::with(w25q128jv());
    assert_eq!(desk.read(&[0x03, 0, 0, 0], 4096).len(), 4096);
    let error = desk.send(&[0x03, 0, 0, 0], 4097).unwrap_err();
    assert!(
        matches!(
            error,
            LinkError::TooLong {
                bytes: 4097,
                limit: 4096
            }
        ),
        "{error}"
    );
    assert_eq!(desk.mock.frames(), 1);
}
