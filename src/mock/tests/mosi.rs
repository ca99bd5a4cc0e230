//! Frames that reach the chip otherwise than they were sent: what it hears counts, and nobody is blamed
//! for what the wire made of a frame.

use super::super::{Fault, Faults, Flips};
use super::*;

fn desk(fault: Fault) -> Desk {
    let desk = Desk::with(w25q128jv());
    desk.mock.set_faults(Faults::seeded(3).with(fault));
    desk
}

fn heard(times: u8, opcode: Option<u8>) -> Fault {
    Fault::Heard {
        times,
        opcode,
        from_frame: 0,
        frames: None,
    }
}

fn mosi(bits: u8) -> Flips {
    Flips {
        mosi: true,
        bits,
        ..Flips::default()
    }
}

#[test]
fn a_flipped_byte_is_what_the_chip_takes() {
    let mut desk = desk(Fault::Flips(Flips {
        data: Some(0xA5),
        ..mosi(0x01)
    }));
    desk.write(&Desk::frame(0x02, 0, &[0x11, 0xA5, 0x5A]));
    assert_eq!(desk.mock.truth(0..4), [0x11, 0xA4, 0x5A, 0xFF]);
    // What comes in is as it is.
    assert_eq!(desk.read(&[0x03, 0, 0, 0], 3), [0x11, 0xA4, 0x5A]);
}

#[test]
fn a_flipped_opcode_is_another_command() {
    // 06h becomes 04h, so the program is ignored.
    let mut desk = desk(Fault::Flips(Flips {
        opcode: Some(0x06),
        ..mosi(0x02)
    }));
    desk.write(&Desk::frame(0x02, 0, &[0]));
    assert_eq!(desk.mock.truth(0..1), [0xFF]);
    assert_eq!(desk.mock.modifying_operations(), 0);
}

#[test]
fn flips_keep_to_their_frames() {
    let mut desk = desk(Fault::Flips(Flips {
        from_frame: 2,
        frames: Some(1),
        ..mosi(0x80)
    }));
    let id = [0xEF, 0x40, 0x18];
    assert_eq!(desk.read(&[0x9F], 3), id);
    // 1Fh, which this part does not have: ignored, as a chip does, and no fault of the sender.
    assert_eq!(desk.read(&[0x9F], 3), [0xFF; 3]);
    assert_eq!(desk.read(&[0x9F], 3), id);
    let miso = Flips {
        from_frame: 2,
        frames: Some(1),
        ..Flips::default()
    };
    desk.mock
        .set_faults(Faults::seeded(3).with(Fault::Flips(miso)));
    assert_eq!(desk.read(&[0x9F], 3), id, "it is over");
}

#[test]
fn random_flips_strike_as_often_as_told() {
    let mut desk = desk(Fault::Flips(Flips {
        rate: 0.01,
        fresh: true,
        opcode: Some(0x02),
        ..mosi(0xFF)
    }));
    let (mut wrong, page) = (0, [0x55; 256]);
    for address in (0..0x4_0000).step_by(256) {
        desk.write(&Desk::frame(0x02, address, &page));
        let truth = desk.mock.truth(address..address + 256);
        wrong += truth.iter().filter(|byte| **byte != 0x55).count();
    }
    // 8 bits at 1 % strike 7.7 % of the bytes; a struck head costs the page.
    let bytes = 256 * 1024;
    assert!((bytes / 14..bytes / 2).contains(&wrong), "{wrong}");
}

#[test]
fn what_the_wire_made_of_a_frame_is_not_blamed_on_the_sender() {
    let mut desk = desk(Fault::Flips(Flips {
        opcode: Some(0x20),
        ..mosi(0x10)
    }));
    desk.mock.monitor().uncover(0..u32::MAX);
    desk.mock.monitor().cover(0..0x1000);
    // 30h, which this part does not have.
    desk.write(&Desk::frame(0x20, 0, &[]));
    assert_eq!(desk.mock.monitor().violations(), 0);
    let address = Flips {
        opcode: Some(0x20),
        data: Some(0x00),
        ..mosi(0x10)
    };
    desk.mock
        .set_faults(Faults::seeded(3).with(Fault::Flips(address)));
    desk.mock.set_truth(0x10_1000, &[0; 8]).unwrap();
    desk.write(&Desk::frame(0x20, 0, &[]));
    assert_eq!(desk.mock.truth(0x10_1000..0x10_1008), [0xFF; 8]);
    assert_eq!(desk.mock.monitor().violations(), 0);
    // A frame that arrives as it was sent is still judged.
    desk.read(&[0x06], 0);
    let why = desk.forbidden(&Desk::frame(0x02, 0x10_1000, &[0]));
    assert!(why.contains("durable record"), "{why}");
}

#[test]
fn before_a_frame_is_changed_the_datasheet_holds() {
    let mut desk = desk(heard(0, Some(0x06)));
    assert!(desk.forbidden(&[0x1F]).contains("1Fh"));
    desk.read(&[0x06], 0);
    desk.read(&[0x1F], 0);
}

#[test]
fn a_lost_write_enable_is_not_heard() {
    let mut desk = desk(heard(0, Some(0x06)));
    desk.write(&Desk::frame(0x02, 0, &[0]));
    assert_eq!((desk.status(), desk.mock.truth(0..1)[0]), (0x00, 0xFF));
    let mut desk = self::desk(heard(0, Some(0x05)));
    assert_eq!(desk.status(), 0xFF, "nobody drives MISO");
}

#[test]
fn a_frame_that_is_heard_twice_acts_once() {
    let mut desk = desk(heard(2, None));
    desk.write(&Desk::frame(0x02, 0, &[0x0F]));
    assert_eq!(desk.mock.modifying_operations(), 1);
    assert_eq!(desk.read(&[0x03, 0, 0, 0], 2), [0x0F, 0xFF]);
    desk.write(&Desk::frame(0x20, 0, &[]));
    assert_eq!(desk.mock.truth(0..1), [0xFF]);
    assert_eq!((desk.status(), desk.mock.modifying_operations()), (0x00, 2));
    let frames = desk.mock.frames();
    desk.status();
    assert_eq!(desk.mock.frames(), frames + 1, "sent once");
}
