//! What these models do that a real chip would not, and what they leave out.
//!
//! Each is a reason for something in the whole job. Where a later emulator behaves otherwise, the
//! test here says so first.

use norlock::jedec::opcode::{
    CHIP_ERASE, CHIP_ERASE_ALT, ENTER_4BYTE, EXIT_4BYTE, MODE_RESET, READ_FLAG_STATUS,
    READ_JEDEC_ID, READ_UNIQUE_ID, RELEASE_POWER_DOWN, WRITE_DISABLE, WRITE_ENABLE, WRITE_STATUS_1,
};

use crate::models::Model;
use crate::wire::{addressed, read, receive, send, send_enabled, status};
use crate::{Emulator, on_each_model};

const WEL: u8 = 0x02;
/// BP0..2 in each of the four layouts.
const BP: u8 = 0x1C;

/// Real parts clear WEL when an erase or program is done (JESD216F does not say; all the datasheets
/// named in `models` do). These models leave it set until 04h.
#[test]
fn wel_stays_set_after_erase_and_program() {
    on_each_known_model(|emulator, model, _| {
        let (mut link, size) = (emulator.link(), model.size_bytes);
        assert_eq!(status(&mut link), 0, "{}: at power-up", model.name);
        for opcodes in [(0x02, 0x12), (0x20, 0x21)] {
            let mut frame = addressed(opcodes, 0, size);
            if opcodes.0 == 0x02 {
                frame.push(0x5A);
            }
            send_enabled(&mut link, &frame);
            assert_eq!(status(&mut link), WEL, "{}: {opcodes:02X?}", model.name);
            send(&mut link, &[WRITE_DISABLE]);
            assert_eq!(status(&mut link), 0, "{}: 04h", model.name);
        }
    });
}

#[test]
fn nothing_changes_without_write_enable() {
    on_each_known_model(|emulator, model, content| {
        let (mut link, size) = (emulator.link(), model.size_bytes);
        send(
            &mut link,
            &[addressed((0x02, 0x12), 0, size), vec![0]].concat(),
        );
        for opcodes in [(0x20, 0x21), (0x52, 0x5C), (0xD8, 0xDC)] {
            send(&mut link, &addressed(opcodes, 0, size));
        }
        send(&mut link, &[CHIP_ERASE]);
        send(&mut link, &[WRITE_STATUS_1, BP]);
        assert_eq!(status(&mut link), 0, "{}", model.name);
        emulator.stop_and_compare(&content);
    });
}

#[test]
fn both_chip_erase_codes_work() {
    on_each_known_model(|emulator, model, content| {
        let (mut link, size) = (emulator.link(), model.size_bytes);
        for opcode in [CHIP_ERASE, CHIP_ERASE_ALT] {
            send_enabled(
                &mut link,
                &[addressed((0x02, 0x12), 0, size), vec![0]].concat(),
            );
            assert_eq!(read(&mut link, 0, 1, size), [0], "{}", model.name);
            send_enabled(&mut link, &[opcode]);
            assert_eq!(
                read(&mut link, 0, 1, size),
                [0xFF],
                "{}: {opcode:02X}",
                model.name
            );
        }
        emulator.stop_and_compare(&vec![0xFF; content.len()]);
    });
}

/// The frames that may be sent before the part is known.
#[test]
fn wake_up_mode_reset_and_write_disable_change_nothing() {
    on_each_known_model(|emulator, model, content| {
        let (mut link, size) = (emulator.link(), model.size_bytes);
        let id = receive(&mut link, &[READ_JEDEC_ID], 3);
        for frame in [
            &[RELEASE_POWER_DOWN][..],
            &[MODE_RESET; 8],
            &[WRITE_DISABLE],
        ] {
            send(&mut link, frame);
            assert_eq!(
                receive(&mut link, &[READ_JEDEC_ID], 3),
                id,
                "{}",
                model.name
            );
            assert_eq!(status(&mut link), 0, "{}", model.name);
            assert_eq!(read(&mut link, 0, 8, size), content[..8], "{}", model.name);
        }
        emulator.stop_and_compare(&content);
    });
}

/// No unique ID: 4Bh is answered with zeros, as is every opcode a model does not know. The flag
/// status register is the other way round: every model answers 80h, not only Micron's.
#[test]
fn unique_id_is_zeros_and_every_model_has_a_flag_status() {
    on_each_known_model(|emulator, model, _| {
        let mut link = emulator.link();
        let unique = receive(&mut link, &[READ_UNIQUE_ID, 0, 0, 0, 0], 16);
        assert_eq!(unique, [0; 16], "{}", model.name);
        let flags = receive(&mut link, &[READ_FLAG_STATUS], 1);
        assert_eq!(flags, [0x80], "{}", model.name);
    });
}

/// B7h works with and without WREN, and so does E9h; real N25Q256A parts want WREN (common practice,
/// no source). Dedicated opcodes work in both modes, SFDP keeps three address bytes in both.
#[test]
fn four_byte_mode_wants_no_write_enable() {
    on_each_known_model(|emulator, model, content| {
        let (mut link, size) = (emulator.link(), model.size_bytes);
        if size <= 1 << 24 {
            return;
        }
        let (at, expected) = (0x0123_4500, &content[0x0123_4500..0x0123_4510]);
        let four = [0x03, 0x01, 0x23, 0x45, 0x00];
        for enable in [false, true] {
            for (opcode, flags) in [(ENTER_4BYTE, 0x81), (EXIT_4BYTE, 0x80)] {
                if enable {
                    send(&mut link, &[WRITE_ENABLE]);
                }
                send(&mut link, &[opcode]);
                let in_mode = receive(&mut link, &four, 16) == expected;
                assert_eq!(in_mode, opcode == ENTER_4BYTE, "{}", model.name);
                assert_eq!(
                    receive(&mut link, &[READ_FLAG_STATUS], 1),
                    [flags],
                    "{}",
                    model.name
                );
                assert_eq!(
                    read(&mut link, at, 16, size),
                    expected,
                    "{}: 13h",
                    model.name
                );
                let sfdp = receive(&mut link, &[0x5A, 0, 0, 0, 0], 4);
                assert_eq!(sfdp, b"SFDP", "{}", model.name);
            }
            send(&mut link, &[WRITE_DISABLE]);
        }
    });
}

/// BP bits keep programs away but not erases, so protection cannot be proven on these models.
#[test]
fn protection_holds_programs_but_not_erases() {
    on_each_known_model(|emulator, model, content| {
        let (mut link, size) = (emulator.link(), model.size_bytes);
        let at = size - 0x1_0000;
        send_enabled(&mut link, &[WRITE_STATUS_1, BP]);
        assert_eq!(
            status(&mut link),
            BP,
            "{}: a status write clears WEL",
            model.name
        );
        send_enabled(
            &mut link,
            &[addressed((0x02, 0x12), at, size), vec![0]].concat(),
        );
        assert_eq!(
            read(&mut link, at, 1, size),
            content[at..=at],
            "{}",
            model.name
        );
        send_enabled(&mut link, &addressed((0x20, 0x21), at, size));
        assert_eq!(read(&mut link, at, 1, size), [0xFF], "{}", model.name);
    });
}

/// A real part wraps inside the page and rounds an erase address down to its block.
#[test]
fn programs_do_not_wrap_and_erases_are_not_aligned() {
    on_each_known_model(|emulator, model, mut expected| {
        let (mut link, size) = (emulator.link(), model.size_bytes);
        let program = addressed((0x02, 0x12), 0x2FE, size);
        send_enabled(&mut link, &[program, vec![0; 4]].concat());
        expected[0x2FE..0x302].fill(0);
        send_enabled(&mut link, &addressed((0x20, 0x21), 0x1_0100, size));
        expected[0x1_0100..0x1_1100].fill(0xFF);
        emulator.stop_and_compare(&expected);
    });
}

/// A power cycle forgets address mode and BP bits: the models keep no non-volatile register.
#[test]
fn a_restart_forgets_the_status_register() {
    on_each_known_model(|emulator, model, _| {
        send_enabled(&mut emulator.link(), &[WRITE_STATUS_1, BP]);
        let emulator = power_cycle(emulator, model);
        assert_eq!(status(&mut emulator.link()), 0, "{}", model.name);
    });
}

/// The facts are about the models of the table; others that were asked for are left out.
fn on_each_known_model(test: impl Fn(Emulator, &Model, Vec<u8>)) {
    on_each_model(|emulator, model, content| {
        if model.jedec_id.is_some() {
            test(emulator, model, content);
        }
    });
}

fn power_cycle(emulator: Emulator, model: &Model) -> Emulator {
    let backing = emulator.backing().to_owned();
    emulator.stop().unwrap();
    Emulator::start(&model.name, &backing).unwrap()
}
