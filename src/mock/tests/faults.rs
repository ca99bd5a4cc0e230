//! What faulty wires and chips show; the cells never learn of wires.

use super::super::{AddressBit, Content, Failure, Fault, Faults, Flips, Miso};
use super::*;

/// A chip whose first 64 KiB hold the prime pattern.
fn desk(fault: Fault) -> Desk {
    let desk = Desk::with(w25q128jv());
    desk.mock.set_truth(0, &prime_pattern(0, 0x1_0000)).unwrap();
    desk.mock.set_faults(Faults::seeded(3).with(fault));
    desk
}

fn first_bytes(desk: &mut Desk, length: usize) -> Vec<u8> {
    desk.read(&[0x03, 0, 0, 0], length)
}

#[test]
fn a_loose_contact_comes_and_goes() {
    let mut desk = desk(Fault::LooseContact {
        shows: Miso::Noise,
        from_frame: 2,
        frames: Some(2),
    });
    let good = prime_pattern(0, 32);
    assert_eq!(first_bytes(&mut desk, 32), good);
    let noise = first_bytes(&mut desk, 32);
    assert_ne!(noise, good);
    desk.read(&[0x06], 0);
    // The chip heard nothing of it.
    assert_eq!(desk.status(), 0x00);
    assert_eq!(first_bytes(&mut desk, 32), good);
    assert_eq!(desk.mock.truth(0..32), good);
}

/// A line that nothing drives does the same whatever CS does; common practice, no source.
#[test]
fn a_lost_line_shows_while_cs_is_high_as_well() {
    for (shows, level) in [
        (Miso::Low, Some(0x00)),
        (Miso::High, Some(0xFF)),
        (Miso::Noise, None),
    ] {
        let (from_frame, frames) = (2, Some(1));
        for fault in [
            Fault::LooseContact {
                shows,
                from_frame,
                frames,
            },
            Fault::Miso {
                shows,
                from_frame,
                frames,
            },
        ] {
            let mut desk = desk(fault);
            let idle = |desk: &Desk| {
                let mut line = [0x5A; 64];
                desk.mock.link().idle(&mut line, Hertz::mhz(1)).unwrap();
                line
            };
            assert_eq!(idle(&desk), [0xFF; 64]);
            desk.status();
            let line = idle(&desk);
            let still = level.map(|level| [level; 64]);
            assert!(still.is_none_or(|still| still == line), "{line:02X?}");
            assert_eq!(line.iter().all(|byte| *byte == line[0]), level.is_some());
            desk.status();
            assert_eq!(idle(&desk), [0xFF; 64]);
        }
    }
}

#[test]
fn a_lost_miso_still_lets_the_chip_hear() {
    for (shows, byte) in [(Miso::Low, 0x00), (Miso::High, 0xFF)] {
        let mut desk = desk(Fault::Miso {
            shows,
            from_frame: 0,
            frames: Some(2),
        });
        assert_eq!(desk.read(&[0x9F], 3), [byte; 3]);
        desk.read(&[0x06], 0);
        assert_eq!(desk.status(), 0x02);
    }
    let mut desk = desk(Fault::Miso {
        shows: Miso::Noise,
        from_frame: 0,
        frames: None,
    });
    assert_ne!(first_bytes(&mut desk, 16), first_bytes(&mut desk, 16));
}

#[test]
fn bytes_are_dropped_and_doubled_every_so_many() {
    let mut desk = desk(Fault::DroppedByte { every: 4 });
    assert_eq!(first_bytes(&mut desk, 10), [0, 1, 2, 3, 5, 6, 7, 8, 10, 11]);
    desk.mock
        .set_faults(Faults::none().with(Fault::DoubledByte { every: 4 }));
    assert_eq!(
        first_bytes(&mut desk, 11),
        [0, 1, 2, 3, 3, 4, 5, 6, 7, 7, 8]
    );
}

#[test]
fn slips_carry_over_from_buffer_to_buffer() {
    let mut desk = desk(Fault::BitSlip { bits: 3 });
    let whole = first_bytes(&mut desk, 64);
    let (mut one, mut two) = ([0; 30], [0; 34]);
    let frame = Frame::new(vec![
        Segment::Out(&[0x03, 0, 0, 0]),
        Segment::In(&mut one),
        Segment::In(&mut two),
    ]);
    desk.link.transfer(&mut [frame], Hertz::mhz(10)).unwrap();
    assert_eq!(whole, [&one[..], &two[..]].concat());
    assert_eq!(desk.read(&[0x9F], 3), [0xFD, 0xE8, 0x03]);
}

#[test]
fn flips_reach_only_the_frames_they_name() {
    let mut desk = desk(Fault::Flips(Flips {
        rate: 0.01,
        above_sck: Some(Hertz::mhz(12)),
        opcode: Some(0x03),
        ..Flips::default()
    }));
    let good = prime_pattern(0, 4096);
    assert_eq!(first_bytes(&mut desk, 4096), good);
    desk.sck = Hertz::mhz(20);
    let bad = first_bytes(&mut desk, 4096);
    assert_ne!(bad, good);
    assert_eq!(first_bytes(&mut desk, 4096), bad);
    assert_eq!(desk.read(&[0x0B, 0, 0, 0, 0], 4096), good);
    // Other frame boundaries, the same flips.
    assert_eq!(desk.read(&[0x03, 0, 4, 0], 512), bad[1024..1536]);
    assert_eq!(desk.mock.truth(0..4096), good);
}

#[test]
fn stale_buffers_keep_their_bytes() {
    let mut desk = desk(Fault::StaleBuffer {
        from_frame: 2,
        frames: Some(1),
    });
    assert_eq!(first_bytes(&mut desk, 2), [0, 1]);
    assert_eq!(first_bytes(&mut desk, 2), [0xA5, 0xA5]);
    assert_eq!(first_bytes(&mut desk, 2), [0, 1]);
}

#[test]
fn address_lines_fail_on_the_way_to_the_chip_only() {
    let mut desk = desk(Fault::AddressLine {
        line: 12,
        is: AddressBit::Low,
    });
    assert_eq!(desk.read(&[0x03, 0, 0x10, 0], 4), prime_pattern(0, 4));
    // The chip counts on across the border by itself.
    assert_eq!(
        desk.read(&[0x03, 0, 0x0F, 0xFE], 4),
        prime_pattern(0xFFE, 4)
    );
    desk.write(&Desk::frame(0x20, 0x1000, &[]));
    assert_eq!(desk.mock.truth(0..4), [0xFF; 4]);
    assert_eq!(desk.mock.truth(0x1000..0x1004), prime_pattern(0x1000, 4));
}

#[test]
fn the_link_fails_once_or_for_good() {
    let failing = |error, lasting| Fault::Link {
        at_batch: 2,
        error,
        lasting,
    };
    let mut once = desk(failing(Failure::Errno(5), false));
    once.status();
    let error = once.send(&[0x05], 1).unwrap_err();
    assert!(
        matches!(&error, LinkError::Io(e) if e.raw_os_error() == Some(5)),
        "{error}"
    );
    once.status();
    let mut lasting = desk(failing(Failure::Short, true));
    lasting.status();
    for _ in 0..2 {
        let error = lasting.send(&[0x05], 1).unwrap_err();
        assert!(
            matches!(
                error,
                LinkError::Short {
                    expected: 2,
                    got: 0
                }
            ),
            "{error}"
        );
    }
    let mut long = desk(failing(Failure::TooLong, false));
    long.status();
    let error = long.send(&[0x05], 1).unwrap_err();
    assert!(
        matches!(
            error,
            LinkError::TooLong {
                bytes: 2,
                limit: 2048
            }
        ),
        "{error}"
    );
    assert_eq!(long.link.limits().batch_in_bytes, 2048);

    // It ends where no kernel and no controller goes below.
    let mut always = desk(failing(Failure::TooLong, true));
    always.status();
    for _ in 0..9 {
        always.send(&[0x05], 1).unwrap_err();
    }
    let limits = always.link.limits();
    assert_eq!((limits.batch_in_bytes, limits.batch_out_bytes), (128, 128));
}

#[test]
fn what_a_failed_batch_has_sent_is_as_its_error_says() {
    // 06h sets WEL; the status read in the same batch is what comes in.
    let enabled_after = |error| {
        let fault = Fault::Link {
            at_batch: 1,
            error,
            lasting: false,
        };
        let mut desk = desk(fault);
        let mut status = [0x55];
        let mut batch = [
            Frame::new(vec![Segment::Out(&[0x06])]),
            Frame::new(vec![Segment::Out(&[0x05]), Segment::In(&mut status)]),
        ];
        let error = desk.link.transfer(&mut batch, Hertz::mhz(1)).unwrap_err();
        (desk.status() & 2 != 0, error)
    };
    let (enabled, error) = enabled_after(Failure::Late(110));
    assert!(enabled && matches!(&error, LinkError::Io(e) if e.raw_os_error() == Some(110)));
    let (enabled, error) = enabled_after(Failure::Short);
    let got = |error: &LinkError| match error {
        LinkError::Short { expected: 3, got } => *got,
        other => panic!("{other}"),
    };
    assert!(enabled && got(&error) == 1);
    let (enabled, error) = enabled_after(Failure::Nothing);
    assert!(!enabled && got(&error) == 0);
    let (enabled, error) = enabled_after(Failure::Errno(22));
    assert!(!enabled && matches!(error, LinkError::Refused { .. }));
}

#[test]
fn chips_are_found_as_faults_say() {
    let mut lying = desk(Fault::LyingId {
        bytes: vec![1, 2, 3],
    });
    assert_eq!(lying.read(&[0x9F], 3), [1, 2, 3]);
    lying.mock.set_faults(Faults::none());
    assert_eq!(lying.read(&[0x9F], 3), [0xEF, 0x40, 0x18]);
    let mut lying = desk(Fault::LyingSfdpDensity {
        size_bytes: 8 << 20,
    });
    let density = lying.read(&[0x5A, 0, 0, 0x34, 0], 4);
    assert_eq!(density, 0x03FF_FFFF_u32.to_le_bytes());
    let mut small = desk(Fault::RealSize { size_bytes: 0x8000 });
    assert_eq!(small.read(&[0x03, 0, 0x80, 0], 8), prime_pattern(0, 8));
    assert_eq!(
        small.read(&[0x03, 0, 0x7F, 0xFF], 2)[1..],
        prime_pattern(0, 1)
    );
    let mut asleep = desk(Fault::Asleep { deaf: false });
    assert_eq!(asleep.read(&[0x9F], 3), [0xFF; 3]);
    asleep.read(&[0xAB], 0);
    asleep.link.wait(Duration::from_micros(30));
    assert_eq!(asleep.read(&[0x9F], 1), [0xEF]);
    let mut deaf = desk(Fault::Asleep { deaf: true });
    deaf.read(&[0xAB], 0);
    deaf.link.wait(Duration::from_secs(1));
    assert_eq!(deaf.read(&[0x9F], 1), [0xFF]);
    let mut busy = desk(Fault::Busy { ms: 100 });
    assert_eq!((busy.status(), busy.read(&[0x9F], 1)[0]), (0x03, 0xFF));
    busy.link.wait(Duration::from_millis(100));
    assert_eq!(busy.status(), 0x00);
    let mut enabled = desk(Fault::WriteEnabled {});
    assert_eq!(enabled.status(), 0x02);
    let mut protected = desk(Fault::Protected { status_1: 0x1C });
    protected.write(&Desk::frame(0x20, 0, &[]));
    assert_eq!(protected.mock.truth(0..4), prime_pattern(0, 4));
    let mut pin = desk(Fault::WriteProtectPin { lock_bit: true });
    pin.write(&[0x01, 0x00]);
    assert_eq!(pin.status() & 0x80, 0x80);
}

#[test]
fn four_byte_mode_may_last_or_not() {
    for (at_power_up, after) in [(false, 0x00), (true, 0x01)] {
        let mut desk = Desk::with(w25q256jv());
        desk.mock
            .set_faults(Faults::none().with(Fault::FourByteMode { at_power_up }));
        assert_eq!(desk.read(&[0x15], 1), [0x01]);
        desk.mock.power_up();
        assert_eq!(desk.read(&[0x15], 1), [after]);
    }
}

#[test]
fn writes_may_silently_do_nothing() {
    let mut erases = desk(Fault::SilentErase {
        from_operation: 2,
        operations: Some(1),
    });
    for address in [0x1000, 0x2000, 0x3000] {
        erases.write(&Desk::frame(0x20, address, &[]));
    }
    let blank = |desk: &Desk, at| desk.mock.truth(at..at + 4) == [0xFF; 4];
    assert_eq!(
        [0x1000, 0x2000, 0x3000].map(|at| blank(&erases, at)),
        [true, false, true]
    );
    let mut programs = desk(Fault::SilentProgram {
        from_operation: 0,
        operations: None,
    });
    programs.write(&Desk::frame(0x02, 0x2_0000, &[0]));
    assert!(blank(&programs, 0x2_0000));
    assert_eq!(programs.mock.modifying_operations(), 1);
}

#[test]
fn weak_cells_read_differently() {
    let mut desk = desk(Fault::WeakCells {
        addresses: 8..10,
        bits: 0x20,
        chance: 0.5,
    });
    let good = prime_pattern(0, 16);
    let reads: Vec<_> = (0..40).map(|_| first_bytes(&mut desk, 16)).collect();
    let struck = reads
        .iter()
        .filter(|read| read[8] == good[8] ^ 0x20)
        .count();
    assert!((5..35).contains(&struck), "{struck}");
    assert!(
        reads
            .iter()
            .all(|r| r[..8] == good[..8] && r[10..] == good[10..])
    );
}

#[test]
fn another_chip_appears_on_the_clip() {
    let mut desk = desk(Fault::Swapped {
        after_operation: 1,
        jedec_id: None,
        unique_id: Some(vec![1, 2, 3, 4, 5, 6, 7, 8]),
        content: Content::Blank,
    });
    let first = desk.read(&[0x4B, 0, 0, 0, 0], 8);
    desk.write(&Desk::frame(0x20, 0x1000, &[]));
    assert_ne!(first, [1, 2, 3, 4, 5, 6, 7, 8]);
    assert_eq!(desk.read(&[0x4B, 0, 0, 0, 0], 8), [1, 2, 3, 4, 5, 6, 7, 8]);
    assert_eq!(first_bytes(&mut desk, 2), [0xFF, 0xFF]);
    assert_eq!(desk.mock.truth(0..2), [0, 1]);
    desk.mock.set_faults(Faults::none());
    assert_eq!(desk.read(&[0x4B, 0, 0, 0, 0], 8), first);
    assert_eq!(first_bytes(&mut desk, 2), [0, 1]);
}

#[test]
fn a_slow_chip_is_slow() {
    let mut desk = desk(Fault::Slow { factor: 100.0 });
    desk.read(&[0x06], 0);
    desk.read(&Desk::frame(0x20, 0, &[]), 0);
    desk.link.wait(Duration::from_millis(4000));
    assert_eq!(desk.status(), 0x03);
    assert_eq!(desk.mock.counters().busy, Duration::from_millis(4500));
}

/// Whatever goes out, the bench answers or refuses; it never panics.
#[test]
fn any_frames_are_survived() {
    let view = Faults::seeded(9)
        .with(Fault::DroppedByte { every: 0 })
        .with(Fault::BitSlip { bits: 9 })
        .with(Fault::StuckBit { bit: 9, high: true })
        .with(Fault::AddressLine {
            line: 40,
            is: AddressBit::SameAs(77),
        })
        .with(Fault::RealSize { size_bytes: 0x3001 })
        .with(Fault::Slow { factor: f64::MAX });
    for part in [w25q128jv(), w25q256jv(), n25q256a(), sst25vf016b()] {
        let mut desk = Desk::with(part);
        desk.mock.set_faults(view.clone());
        let mut draw = fastrand::Rng::with_seed(4);
        let opcodes = [
            0x01, 0x02, 0x03, 0x06, 0x0B, 0x13, 0x20, 0x50, 0xAD, 0xB7, 0xC5, 0xD8,
        ];
        for _ in 0..3000 {
            let mut out: Vec<u8> = (0..draw.usize(0..12)).map(|_| draw.u8(..)).collect();
            if let (Some(first), true) = (out.first_mut(), draw.bool()) {
                *first = opcodes[draw.usize(..opcodes.len())];
            }
            let _ = desk.send(&out, draw.usize(0..40));
            desk.link.wait(Duration::from_micros(draw.u64(0..50_000)));
        }
    }
}

// Common practice, no source: two push-pull outputs on one wire, and the lower level wins.
#[test]
fn another_master_talks_while_cs_is_high_and_into_some_frames() {
    let idle = |desk: &mut Desk| {
        let mut line = [0; 64];
        assert!(desk.link.idle(&mut line, desk.sck).unwrap());
        line
    };
    let mut quiet = desk(Fault::BitSlip { bits: 1 });
    assert_eq!(idle(&mut quiet), [0xFF; 64]);
    let mut desk = desk(Fault::ForeignMaster { every: 2 });
    let (one, two) = (idle(&mut desk), idle(&mut desk));
    assert!(one != two && one != [0xFF; 64]);
    let good = prime_pattern(0, 64);
    assert_eq!(first_bytes(&mut desk, 64), good);
    let spoilt = first_bytes(&mut desk, 64);
    assert_ne!(spoilt, good);
    assert!(
        spoilt
            .iter()
            .zip(&good)
            .all(|(seen, held)| seen & !held == 0)
    );
    assert_eq!(first_bytes(&mut desk, 64), good);
}

// W25Q128JV Rev. I, 4.4: with HOLD# low DO is at high impedance, and CLK and DI are ignored.
#[test]
fn a_floating_hold_ends_frames_dead_and_lets_the_next_begin() {
    let mut desk = desk(Fault::FloatingHold {
        chance: 0.002,
        shows: Miso::High,
    });
    let good = prime_pattern(0, 1000);
    let (mut dead, mut whole) = (0, 0);
    for _ in 0..50 {
        let seen = first_bytes(&mut desk, 1000);
        let held = seen.iter().zip(&good).take_while(|(a, b)| a == b).count();
        assert!(seen[held..].iter().all(|byte| *byte == 0xFF));
        dead += u32::from(held < 1000);
        whole += u32::from(held == 1000);
    }
    // Of 1000 bytes at 0.2 % each, 13.5 % of frames come through.
    assert!((30..50).contains(&dead) && whole > 0, "{dead} {whole}");
}

#[test]
fn two_ids_take_turns_by_chance() {
    let mut desk = desk(Fault::AlternatingId {
        bytes: vec![0xFF; 3],
    });
    let ids: Vec<_> = (0..100).map(|_| desk.read(&[0x9F], 3)).collect();
    let own = ids.iter().filter(|id| **id == [0xEF, 0x40, 0x18]).count();
    let other = ids.iter().filter(|id| **id == [0xFF; 3]).count();
    assert!(
        own > 25 && other > 25 && own + other == 100,
        "{own} {other}"
    );
    assert_eq!(first_bytes(&mut desk, 4), [0, 1, 2, 3]);
}

#[test]
fn a_supply_sags_in_long_frames_and_comes_back() {
    let mut desk = desk(Fault::Sag {
        after_bytes: 100,
        frames: 2,
    });
    desk.read(&[0x06], 0);
    assert_eq!(first_bytes(&mut desk, 100), prime_pattern(0, 100));
    assert_eq!(desk.status(), 0x02);
    let long = first_bytes(&mut desk, 200);
    assert_eq!(long[..100], prime_pattern(0, 100));
    assert!(long[100..].iter().all(|byte| *byte == 0xFF));
    assert_eq!(desk.read(&[0x9F], 3), [0xFF; 3]);
    assert_eq!(desk.status(), 0xFF);
    // WEL went with the supply.
    assert_eq!(desk.status(), 0x00);
    assert_eq!(desk.read(&[0x9F], 3), [0xEF, 0x40, 0x18]);
}

// Eight clocks with IO0 high end continuous read (JESD216F, BFPT 15th DWORD, 0-4-4 mode exit methods; the
// place from memory).
#[test]
fn continuous_read_hears_no_opcode_until_it_is_ended() {
    let mut desk = desk(Fault::ContinuousRead {});
    assert_ne!(desk.read(&[0x9F], 3), [0xEF, 0x40, 0x18]);
    desk.read(&[0x06], 0);
    desk.read(&[0xFF, 0xFF], 0);
    assert_eq!(desk.read(&[0x9F], 3), [0xEF, 0x40, 0x18]);
    assert_eq!(desk.status(), 0x00);
    assert_eq!(first_bytes(&mut desk, 4), [0, 1, 2, 3]);
}

// Common practice, no source: an even divider of the controller's clock, so 250 MHz makes 17.86 of 20 MHz.
#[test]
fn a_divided_clock_is_the_next_lower_one() {
    let clock = |mhz, batches| Fault::DividedClock {
        clock: Hertz::mhz(mhz),
        from_batch: 0,
        batches,
    };
    let took = |desk: &mut Desk, mhz| {
        desk.sck = Hertz::mhz(mhz);
        let before = desk.mock.counters().wire;
        first_bytes(desk, 996);
        desk.mock.counters().wire - before
    };
    let mut desk = desk(clock(250, Some(3)));
    // 8000 bits.
    assert_eq!(took(&mut desk, 20), Duration::from_nanos(448_001));
    assert_eq!(took(&mut desk, 50), Duration::from_nanos(192_001));
    assert_eq!(took(&mut desk, 1), Duration::from_micros(8000));
    assert_eq!(took(&mut desk, 20), Duration::from_micros(400));
}
