//! What a program that takes norlock as a library relies on.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::error::Error;
use std::time::Duration;

use embedded_hal::spi::{Operation, SpiDevice as _};
use embedded_hal_mock::eh1::delay::{CheckedDelay, Transaction as Wait};
use embedded_hal_mock::eh1::spi::{Mock as Wires, Transaction};
use norlock::jedec::{Hertz, Lanes, Millivolts};
use norlock::link::{DeviceLink, Frame, Link, LinkError, Segment};
use norlock::mock::Mock;
use norlock::part::Catalogue;

/// Rust API guidelines, C-GOOD-ERR: errors travel between threads and into boxes.
#[test]
fn errors_are_errors_that_any_thread_may_hold() {
    fn holds<E: Error + Send + Sync + 'static>() {}
    holds::<norlock::chip::ChipError>();
    holds::<norlock::image::ParseSizeError>();
    holds::<norlock::image::RecordError>();
    holds::<norlock::image::TailorError>();
    holds::<norlock::jedec::ParseQuantityError>();
    holds::<norlock::jedec::sfdp::DescriptionError>();
    holds::<norlock::jedec::sfdp::SfdpError>();
    holds::<norlock::job::Stop>();
    holds::<LinkError>();
    holds::<norlock::mock::BenchFileError>();
    holds::<norlock::text::TextError>();
    holds::<norlock::unit::UnitError>();
    holds::<norlock::unit::journal::JournalError>();
    holds::<norlock::unit::offline::OfflineError>();
    holds::<norlock::unit::store::StoreError>();
    holds::<norlock::worklist::WorklistError>();
}

#[allow(dead_code)]
#[path = "../examples/twin_read.rs"]
mod twin_read;

#[allow(dead_code)]
#[path = "../examples/conversion.rs"]
mod conversion;

/// The whole job, back to the chip as found.
#[test]
fn the_example_of_a_conversion_runs() {
    conversion::main().unwrap();
}

/// As it stands there, it compiles and runs, and is short.
#[test]
fn the_readme_s_example_is_the_one_that_runs() {
    let readme = include_str!("../README.md");
    let example = include_str!("../examples/twin_read.rs");
    assert!(readme.contains(&format!("```rust\n{example}```\n")));
    assert!(
        example
            .lines()
            .filter(|line| !line.trim().is_empty())
            .count()
            <= 36
    );
    twin_read::main().unwrap();
}

fn w25q80dv() -> Mock {
    let catalogue = Catalogue::builtin().unwrap();
    let part = catalogue
        .parts()
        .iter()
        .find(|part| part.name == "W25Q80DV");
    Mock::new(part.unwrap().clone())
}

/// By a test double that others publish: `embedded-hal-mock` fails on any transaction, operation, byte or delay
/// but these. The settle time passes with CS high, before the frame that it belongs to.
#[test]
fn each_frame_is_one_transaction_and_settles_before_it() {
    let mut wires = Wires::new(&[
        Transaction::transaction_start(),
        Transaction::write_vec(vec![0x06]),
        Transaction::transaction_end(),
        Transaction::transaction_start(),
        Transaction::write_vec(vec![0x05]),
        Transaction::transfer(vec![0, 0], vec![0x02, 0x02]),
        Transaction::transaction_end(),
        Transaction::transaction_start(),
        Transaction::transfer_in_place(vec![0x9F, 0, 0, 0], vec![0xFF, 0xEF, 0x40, 0x14]),
        Transaction::transaction_end(),
    ]);
    let mut delay = CheckedDelay::new(&[
        Wait::delay_ns(u32::MAX),
        Wait::delay_ns((5_000_000_000 - u64::from(u32::MAX)) as u32),
    ]);
    let mut link = DeviceLink::new(wires.clone(), delay.clone(), Hertz::mhz(1), None);
    let (mut status, mut id) = ([0xA5; 2], [0x9F, 0, 0, 0]);
    let mut batch = [
        Frame::new(vec![Segment::Out(&[0x06])]),
        Frame::new(vec![Segment::Out(&[0x05]), Segment::In(&mut status)])
            .after(Duration::from_secs(5)),
        Frame::new(vec![Segment::Exchange(&mut id)]),
    ];
    link.transfer(&mut batch, Hertz::mhz(1)).unwrap();
    assert_eq!((status, id), ([0x02; 2], [0xFF, 0xEF, 0x40, 0x14]));
    // 8 bytes and the delay, on a double that takes no time.
    assert_eq!(
        link.now(),
        Duration::from_secs(5) + Duration::from_micros(64)
    );
    wires.done();
    delay.done();
}

#[test]
fn a_device_gets_the_clocks_it_can_make_and_nothing_it_cannot_carry() {
    let mock = w25q80dv();
    let (tell, told) = std::sync::mpsc::channel();
    let plain = DeviceLink::new(mock.device(), mock.clone(), Hertz::mhz(8), None).limits();
    assert_eq!((plain.batch_out_bytes, plain.batch_in_bytes), (1024, 3072));
    let mut link = DeviceLink::new(mock.device(), mock.clone(), Hertz::mhz(8), None)
        .with_clocks(Hertz::mhz(1), move |_, sck| match sck.0 {
            3_000_000 => Err(std::io::ErrorKind::Unsupported.into()),
            _ => tell.send(sck).map_err(std::io::Error::other),
        })
        .with_batch_bytes(64);
    assert_eq!(link.limits().batch_in_bytes, 48);
    let mut into = [0; 16];
    let mut read = |link: &mut dyn Link, length, sck| {
        let segments = vec![Segment::Out(&[0x9F]), Segment::In(&mut into[..length])];
        link.transfer(&mut [Frame::new(segments)], sck)
    };
    for sck in [
        Hertz::mhz(8),
        Hertz::mhz(2),
        Hertz::mhz(2),
        Hertz(5),
        Hertz::mhz(90),
    ] {
        read(&mut link, 3, sck).unwrap();
    }
    let clocks: Vec<Hertz> = told.try_iter().collect();
    assert_eq!(clocks, [Hertz::mhz(2), Hertz::mhz(1), Hertz::mhz(8)]);
    let before = mock.frames();
    let refused = read(&mut link, 3, Hertz::mhz(3)).unwrap_err();
    assert!(matches!(refused, LinkError::Refused { .. }), "{refused:?}");
    read(&mut link, 16, Hertz::mhz(8)).unwrap();
    assert_eq!(
        told.try_iter().count(),
        1,
        "a clock that failed is set anew"
    );
    let mut long = [0; 17];
    let mut frames = [Frame::new(vec![Segment::Exchange(&mut long)])];
    let refused = link.transfer(&mut frames, Hertz::mhz(8)).unwrap_err();
    assert!(
        matches!(
            refused,
            LinkError::TooLong {
                bytes: 17,
                limit: 16
            }
        ),
        "{refused:?}"
    );
    let two = Lanes { out: 1, into: 2 };
    let mut frames = [Frame::new(vec![Segment::Out(&[0x05])]).on(two)];
    let refused = link.transfer(&mut frames, Hertz::mhz(8)).unwrap_err();
    assert!(matches!(refused, LinkError::Refused { .. }), "{refused:?}");
    assert_eq!(mock.frames(), before + 1, "what is refused is not sent");
}

/// Unequal sides as `embedded-hal` 1.0 has them (`SpiBus::transfer`): what is missing goes out as zeros, what
/// there is no room for is dropped.
#[test]
fn the_mock_takes_every_operation_of_a_device() {
    let mock = w25q80dv();
    let mut chip = mock.device();
    let id = [0xEF, 0x40, 0x14];
    let (mut read, mut place) = ([0; 3], [0x9F, 0, 0, 0]);
    chip.transaction(&mut [Operation::Write(&[0x9F]), Operation::Read(&mut read)])
        .unwrap();
    chip.transfer_in_place(&mut place).unwrap();
    assert_eq!((read, &place[1..]), (id, &id[..]));
    let mut longer = [0xA5; 4];
    chip.transfer(&mut longer, &[0x9F]).unwrap();
    assert_eq!(longer[1..], id);
    let mut shorter = [0xA5; 2];
    chip.transfer(&mut shorter, &[0x9F, 0, 0, 0]).unwrap();
    assert_eq!(shorter[1], id[0]);
    let before = mock.now();
    chip.transaction(&mut [Operation::DelayNs(7_000), Operation::Write(&[0x05])])
        .unwrap();
    assert!(mock.now() >= before + Duration::from_micros(7));
    chip.set_sck(Hertz(1_000_000));
    let before = mock.counters().wire;
    chip.write(&[0x05]).unwrap();
    assert_eq!(mock.counters().wire - before, Duration::from_micros(8));
    let unknown = chip.write(&[0xEE]).unwrap_err();
    assert!(matches!(unknown, LinkError::Forbidden(_)), "{unknown:?}");
}

#[test]
fn a_driver_s_error_is_told_with_its_kind() {
    let mock = w25q80dv();
    let level = Some(Millivolts(3300));
    let mut link = DeviceLink::new(mock.device(), mock.clone(), Hertz::mhz(8), level);
    let mut frames = [Frame::new(vec![Segment::Out(&[0xEE])])];
    let error = link.transfer(&mut frames, Hertz::mhz(8)).unwrap_err();
    let LinkError::Io(source) = error else {
        panic!("{error:?}")
    };
    assert!(source.to_string().contains("Forbidden"), "{source}");
    assert_eq!(link.level(), level);
}
