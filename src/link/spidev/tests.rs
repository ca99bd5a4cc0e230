//! The link against the kernel's own rules, without a kernel.

mod fake;

use super::*;
use crate::jedec::LaneProgram;
use fake::{Fake, Row};

/// Reads `bytes` behind a command of four.
fn read(fake: &mut Fake, bytes: usize, limit: &mut usize, sck: Hertz) -> Result<(), LinkError> {
    let mut into = vec![0; bytes];
    let frame = Frame::new(vec![Segment::Out(&[3, 0, 0, 0]), Segment::In(&mut into)]);
    send(&mut [frame], sck, limit, fake)
}

fn said(result: Result<(), LinkError>) -> String {
    match result {
        Ok(()) => "sent".to_owned(),
        Err(LinkError::Io(error)) => format!("errno {}", error.raw_os_error().unwrap()),
        Err(LinkError::TooLong { limit, .. }) => format!("limit {limit}"),
        Err(LinkError::Short { expected, got }) => format!("{got} of {expected}"),
        Err(LinkError::Refused { sck, .. }) => format!("refused {sck}"),
        Err(other) => panic!("{other:?}"),
    }
}

fn show(row: &SpidevTransfer<'_, '_>) -> (u32, u16, u8, u8) {
    let row = Row::of(row);
    (
        row.speed_hz,
        row.delay_usecs,
        row.bits_per_word,
        row.cs_change,
    )
}

/// So that jobs work on what was read while the next bytes are on the wire. Nothing is clocked here: any device
/// file stands for the node.
#[test]
fn its_time_is_real_and_its_supply_is_the_computer_s() {
    let hwmon = tempfile::tempdir().unwrap();
    let sensor = hwmon.path().join("hwmon0");
    fs::create_dir(&sensor).unwrap();
    fs::write(sensor.join("in0_lcrit_alarm"), "1").unwrap();
    let device = Spidev::open("/dev/full").unwrap();
    let lock = NodeLock::take(device.inner()).unwrap().unwrap();
    let link = SpidevLink {
        name: "spidev".into(),
        device,
        _lock: lock,
        level: None,
        supply: HostSupply::look(hwmon.path()),
        bufsiz: BUFSIZ_DEFAULT,
        sck_max: Hertz::mhz(50),
        wired: 1,
        lanes: Lanes::ONE,
        opened: Instant::now(),
    };
    assert!(link.takes_time());
    let mut link: Box<dyn Link> = Box::new(link);
    assert!(link.takes_time());
    let before = link.now();
    std::thread::sleep(Duration::from_millis(2));
    assert!(link.now() >= before + Duration::from_millis(2));
    let told = link.under_voltage().unwrap();
    assert!(told.contains("in0_lcrit_alarm is 1"), "{told}");
}

/// The layout of a page program with its status poll, row by row: speed, delay, word, cs_change.
#[test]
fn the_settle_delay_belongs_to_the_status_frame() {
    let (mut wel, mut wip) = ([0], [0]);
    let mut frames = [
        Frame::new(vec![Segment::Out(&[0x06])]),
        Frame::new(vec![Segment::Out(&[0x05]), Segment::In(&mut wel)]),
        Frame::new(vec![
            Segment::Out(&[0x02, 0, 0, 0]),
            Segment::Out(&[0xA5; 256]),
        ]),
        Frame::new(vec![Segment::Out(&[0x05]), Segment::In(&mut wip)])
            .after(Duration::from_nanos(700_001)),
    ];
    let rows = transfers(&mut frames, Hertz::mhz(10));
    let table = [
        (10_000_000, 0, 8, 1),   // WREN, then CS up
        (10_000_000, 0, 8, 0),   // RDSR
        (10_000_000, 0, 8, 1),   // WEL, then CS up
        (10_000_000, 0, 8, 0),   // page program and address
        (10_000_000, 0, 8, 1),   // data; the program starts as CS rises, so no delay here
        (10_000_000, 701, 8, 0), // RDSR, then the settle time, rounded up
        (10_000_000, 0, 8, 0),   // WIP; CS is not kept low after the message
    ];
    assert_eq!(rows.iter().map(show).collect::<Vec<_>>(), table);
}

#[test]
fn a_settle_that_no_delay_can_carry_is_slept_between_messages() {
    let mut byte = [0];
    let short = Duration::from_micros(5);
    assert!(!delay_fits(
        &Frame::new(vec![Segment::Exchange(&mut byte)]).after(short)
    ));
    assert!(!delay_fits(
        &Frame::new(vec![Segment::Out(&[4])]).after(short)
    ));
    let mut long = Frame::new(vec![Segment::Out(&[5]), Segment::In(&mut byte)]).after(DELAY_MAX);
    assert!(delay_fits(&long));
    long.settle += Duration::from_micros(1);
    assert!(!delay_fits(&long));
}

#[test]
fn directions_are_counted_apart_and_rounded_up() {
    let (mut four, mut big) = ([0; 4], [0; 200]);
    let frames = [
        Frame::new(vec![Segment::Out(&[0; 4]), Segment::In(&mut big)]),
        Frame::new(vec![Segment::Exchange(&mut four)]),
    ];
    assert_eq!(longer_direction(&frames), 256 + 128);
}

/// Return value and errors as `drivers/spi/spidev.c` gives them.
#[test]
fn what_the_kernel_answers_is_told() {
    for (answer, wanted) in [
        (Ok(104), "sent"),
        (Ok(103), "103 of 104"),
        (Ok(0), "0 of 104"),
        (Ok(105), "105 of 104"),
        (Err(Errno::ESHUTDOWN), "errno 108"),
        (Err(Errno::ENOMEM), "errno 12"),
        (Err(Errno::EINVAL), "refused 1 MHz"),
        (Err(Errno::EMSGSIZE), "limit 256"),
    ] {
        let mut fake = Fake::answering(&[answer]);
        let result = read(&mut fake, 100, &mut 4096, Hertz::mhz(1));
        assert_eq!((said(result), fake.asked), (wanted.to_owned(), 1));
    }
}

/// Kernel and parameter file disagree: the limit is lowered once, remembered, and what fits it goes
/// through. A kernel that counts both directions together takes a little less than its parameter.
#[test]
fn a_limit_that_the_kernel_does_not_keep_is_lowered_and_remembered() {
    for (kernel, together, first, lower) in [
        (4096, false, 65_000, 4096),
        (4096, true, 4096, 3840),
        (2048, false, 4096, 3840),
        (2048, false, 3000, 2048),
        (512, false, 1000, 512),
    ] {
        let mut fake = Fake::new(kernel, 64);
        fake.together = together;
        let mut limit = 65536;
        let sck = Hertz::mhz(20);
        let told = said(read(&mut fake, first, &mut limit, sck));
        assert_eq!((told, limit), (format!("limit {lower}"), lower));
        // The same again does not even go to the kernel.
        assert_eq!(
            said(read(&mut fake, first, &mut limit, sck)),
            format!("limit {lower}")
        );
        assert_eq!((fake.asked, fake.sent.len()), (1, 0));
        if kernel >= lower {
            assert_eq!(said(read(&mut fake, lower, &mut limit, sck)), "sent");
            assert_eq!(limit, lower);
        }
    }
}

/// What the link says that it holds, the kernel takes, whatever its alignment; and a full buffer is
/// full to the last byte.
#[test]
fn the_limits_are_those_of_the_kernel() {
    let sck = Hertz::mhz(50);
    for bufsiz in [4096, 65536, 5000] {
        let limits = limits(bufsiz, sck, Lanes::ONE);
        let most = limits.read_bytes(6, sck);
        assert_eq!(most, bufsiz / 128 * 128);
        for align in [8, 32, 64, 128] {
            for bytes in [1, 127, 128, 129, most - 1, most] {
                for beside in [0, 1, 20, 128, 129] {
                    let frames = [([6, 0], bytes), ([1, 0], beside)];
                    let holds = limits.holds(&frames, false, sck);
                    let (mut into, mut more) = (vec![0; bytes], vec![0; beside]);
                    let mut batch = [
                        Frame::new(vec![Segment::Out(&[0; 6]), Segment::In(&mut into)]),
                        Frame::new(vec![Segment::Out(&[0x9F]), Segment::In(&mut more)]),
                    ];
                    let mut fake = Fake::new(bufsiz, align);
                    let result = send(&mut batch, sck, &mut bufsiz.clone(), &mut fake);
                    assert_eq!(result.is_ok(), holds, "{bytes} and {beside} of {bufsiz}");
                    assert_eq!(fake.asked, usize::from(holds));
                }
            }
        }
        // One byte more is refused by a kernel with this alignment.
        let row = |out, into, bytes| Row {
            out,
            into,
            bytes,
            speed_hz: sck.0,
            delay_usecs: 0,
            bits_per_word: 8,
            cs_change: 0,
            nbits: [0, 0],
        };
        let rows = |bytes| vec![row(true, false, 6), row(false, true, bytes)];
        let mut fake = Fake::new(bufsiz, 128);
        assert_eq!(fake.ioctl(rows(most)), Ok(most + 6));
        assert_eq!(fake.ioctl(rows(most + 1)), Err(Errno::EMSGSIZE));
        // One exchange counts in both.
        let exchange = limits.exchange_bytes(6, sck) + 6;
        assert_eq!(fake.ioctl(vec![row(true, true, exchange)]), Ok(exchange));
        assert_eq!(
            fake.ioctl(vec![row(true, true, most + 1)]),
            Err(Errno::EMSGSIZE)
        );
    }
}

/// 'Too long' promises that nothing went out. Once a message has, a later one that is refused is a fault
/// of the link; its limit is lowered all the same.
#[test]
fn a_batch_that_is_partly_out_is_not_called_too_long() {
    let mut fake = Fake::answering(&[Ok(1), Err(Errno::EMSGSIZE)]);
    let (mut byte, mut limit) = ([0x05, 0], 4096);
    let mut batch = [
        Frame::new(vec![Segment::Out(&[0x06])]),
        Frame::new(vec![Segment::Exchange(&mut byte)]).after(Duration::from_micros(1)),
    ];
    let result = send(&mut batch, Hertz::mhz(1), &mut limit, &mut fake);
    let Err(LinkError::Io(error)) = result else {
        panic!("{result:?}");
    };
    assert_eq!(error.raw_os_error(), Some(Errno::EMSGSIZE as i32));
    assert!(limit < 4096);
}

/// Another opener sets the node's SCK: every transfer carries its own, and its word size.
#[test]
fn what_the_node_is_set_to_does_not_matter() {
    let mut fake = Fake::new(4096, 64);
    fake.node_hz = 1;
    fake.min_hz = 1000;
    let mut id = [0; 20];
    let mut whole = [0x9F, 0, 0, 0];
    let mut batch = [
        Frame::new(vec![Segment::Out(&[0x06])]),
        Frame::new(vec![Segment::Out(&[0x9F]), Segment::In(&mut id)]),
        Frame::new(vec![Segment::Exchange(&mut whole)]),
    ];
    send(&mut batch, Hertz::mhz(7), &mut 4096, &mut fake).unwrap();
    let rows = &fake.sent[0];
    assert!(
        rows.iter()
            .all(|row| (row.speed_hz, row.bits_per_word) == (7_000_000, 8))
    );
    let changes: Vec<u8> = rows.iter().map(|row| row.cs_change).collect();
    assert_eq!(changes, [1, 0, 1, 0]);
}

/// An SCK below what the controller can make is refused by the kernel, one above is lowered.
#[test]
fn a_clock_that_the_controller_cannot_make_is_told() {
    for (khz, wanted) in [(99, "refused 99 kHz"), (100, "sent"), (400_000, "sent")] {
        let mut fake = Fake::new(4096, 64);
        (fake.min_hz, fake.max_hz) = (100_000, 60_000_000);
        let result = read(&mut fake, 100, &mut 4096, Hertz(khz * 1000));
        assert_eq!(said(result), wanted);
    }
    let error = LinkError::Refused {
        sck: Hertz(99_000),
        source: Errno::EINVAL.into(),
    };
    assert_eq!(
        error.to_string(),
        "the controller does not take a transfer at 99 kHz"
    );
}

/// A controller of half duplex refuses an exchange, not a command and an answer.
#[test]
fn a_controller_of_half_duplex_refuses_an_exchange() {
    let mut fake = Fake::new(4096, 64);
    fake.half_duplex = true;
    let mut id = [0x9F, 0, 0, 0];
    let frame = Frame::new(vec![Segment::Exchange(&mut id)]);
    let result = send(&mut [frame], Hertz::mhz(1), &mut 4096, &mut fake);
    assert_eq!(said(result), "refused 1 MHz");
    assert_eq!(said(read(&mut fake, 4, &mut 4096, Hertz::mhz(1))), "sent");
}

/// CPHA, CPOL, CS active high, LSB first, three wires, loop, no CS, READY, two lanes out
/// (`include/uapi/linux/spi/spi.h`): whatever stays set is not plain mode 0.
#[test]
fn a_mode_that_reads_back_otherwise_is_refused() {
    assert_eq!(
        set_up(&mut Fake::new(4096, 64), "node", 1).unwrap(),
        (Hertz(500_000), Lanes::ONE)
    );
    for stuck_mode in [
        0x01, 0x02, 0x04, 0x08, 0x10, 0x20, 0x40, 0x80, 0x100, 0x1000,
    ] {
        let mut fake = Fake {
            stuck_mode,
            ..Fake::new(4096, 64)
        };
        match set_up(&mut fake, "node", 1) {
            Err(LinkError::Mode { asked: 0, got, .. }) => assert_eq!(got, stuck_mode),
            other => panic!("{other:?}"),
        }
    }
    let mut fake = Fake {
        refuses_mode: true,
        ..Fake::new(4096, 64)
    };
    let error = set_up(&mut fake, "/dev/spidev0.0", 1).unwrap_err();
    assert_eq!(error.to_string(), "cannot set the mode of /dev/spidev0.0");
}

/// SPI_NO_CS is 40h (`include/uapi/linux/spi/spi.h`). Whatever comes of it, the mode is the usual one after.
#[test]
fn cs_is_left_high_for_one_message_where_that_is_offered() {
    let mut line = [0x5A; 32];
    let mut clock = |fake: &mut Fake| idle(&mut line, Hertz::mhz(1), &mut 4096, fake, ("node", 1));
    let mut fake = Fake::new(4096, 64);
    assert!(!clock(&mut fake).unwrap());
    assert!(fake.sent.is_empty() && fake.mode == 0);
    fake.offers_no_cs = true;
    assert!(clock(&mut fake).unwrap());
    assert_eq!((fake.modes.as_slice(), fake.mode), (&[0x40][..], 0));
    let row = fake.sent[0][0];
    assert!(row.into && !row.out && row.bytes == 32 && row.cs_change == 0);
    fake.answers.push_back(Err(Errno::EIO));
    clock(&mut fake).unwrap_err();
    assert_eq!(fake.mode, 0);
    // A controller that says yes and keeps another mode is not clocked, and then refused.
    fake.stuck_mode = 0x10;
    assert!(matches!(
        clock(&mut fake),
        Err(LinkError::Mode { got: 0x10, .. })
    ));
    assert_eq!(fake.modes, [0x40]);
}

/// What a controller takes is what reads back: with all lanes, two, none, one direction alone, and on a
/// kernel that knows of none. Whatever came of it, the mode left behind has nothing else in it.
#[test]
fn lanes_are_those_that_read_back() {
    for (offers, out, into, mode) in [
        (0xF00, 4, 4, 0xA00),
        (0xA00, 4, 4, 0xA00),
        (0x500, 2, 2, 0x500),
        (0x900, 2, 4, 0x900),
        (0x800, 1, 4, 0x800),
        (0x400, 1, 2, 0x400),
        (0x000, 1, 1, 0x000),
    ] {
        let mut fake = Fake::new(4096, 64);
        fake.offers_lanes = offers;
        let lanes = set_up(&mut fake, "node", 4).unwrap().1;
        assert_eq!(
            (lanes, fake.mode),
            (Lanes { out, into }, mode),
            "{offers:X}"
        );
        assert_eq!(limits(4096, Hertz(1), lanes).lanes, lanes);
    }
    let mut fake = Fake::new(4096, 64);
    (fake.offers_lanes, fake.knows_no_lanes) = (0xF00, true);
    assert_eq!(set_up(&mut fake, "node", 4).unwrap().1, Lanes::ONE);
    assert_eq!(fake.mode, 0);
    // No more than are wired.
    for (wired, lanes, mode) in [(1, 1, 0), (2, 2, 0x500)] {
        let mut fake = Fake::new(4096, 64);
        fake.offers_lanes = 0xF00;
        let (out, into) = (lanes, lanes);
        assert_eq!(
            set_up(&mut fake, "node", wired).unwrap().1,
            Lanes { out, into }
        );
        assert_eq!(fake.mode, mode);
    }
    // After a look with CS high the lanes are there again.
    let mut fake = Fake::new(4096, 64);
    (fake.offers_lanes, fake.offers_no_cs) = (0xF00, true);
    assert!(
        idle(
            &mut [0; 8],
            Hertz::mhz(1),
            &mut 4096,
            &mut fake,
            ("node", 4)
        )
        .unwrap()
    );
    assert_eq!(fake.mode, 0xA00);
}

/// `tx_nbits` and `rx_nbits` of each transfer: the opcode on one lane, each direction by itself, and
/// nothing at all in a frame on one lane.
#[test]
fn each_transfer_carries_its_lanes() {
    let mut fake = Fake::new(4096, 64);
    fake.offers_lanes = 0xF00;
    set_up(&mut fake, "node", 4).unwrap();
    let (mut id, mut quad, mut dual, mut both) = ([0; 3], [0; 16], [0; 16], [0x05, 0]);
    let mut batch = [
        Frame::new(vec![Segment::Out(&[0x9F]), Segment::In(&mut id)]),
        Frame::new(vec![
            Segment::Out(&[0xEB]),
            Segment::Out(&[0, 0, 0, 0xFF, 0xFF, 0xFF]),
            Segment::In(&mut quad),
        ])
        .on(Lanes { out: 4, into: 4 }),
        Frame::new(vec![
            Segment::Out(&[0x3B, 0, 0, 0, 0xFF]),
            Segment::In(&mut dual),
        ])
        .on(Lanes { out: 1, into: 2 }),
        Frame::new(vec![Segment::Exchange(&mut both)]),
        // Programs: the address on one lane, or on four.
        Frame::new(vec![Segment::Out(&[0x32, 0, 0, 0]), Segment::Out(&[0; 16])])
            .on(LaneProgram::LANES),
        Frame::new(vec![
            Segment::Out(&[0x38]),
            Segment::Out(&[0, 0, 0]),
            Segment::Out(&[0; 16]),
        ])
        .on(LaneProgram::LANES),
    ];
    send(&mut batch, Hertz::mhz(1), &mut 4096, &mut fake).unwrap();
    let lanes: Vec<[u8; 2]> = fake.sent[0].iter().map(|row| row.nbits).collect();
    let wanted = [
        [0, 0],
        [0, 0],
        [0, 0],
        [4, 0],
        [0, 4],
        [0, 0],
        [0, 2],
        [0, 0],
        [0, 0],
        [4, 0],
        [0, 0],
        [4, 0],
        [4, 0],
    ];
    assert_eq!(lanes, wanted);
    // Clocks: 8 bits a byte over the lanes that it goes on.
    let clocks: Vec<u64> = batch.iter().map(Frame::clocks).collect();
    assert_eq!(clocks, [32, 8 + 12 + 32, 40 + 64, 16, 32 + 32, 8 + 6 + 32]);
    // Without the mode the kernel refuses the message.
    fake.mode = 0x500;
    let refused = send(&mut batch[1..2], Hertz::mhz(1), &mut 4096, &mut fake);
    assert_eq!(said(refused), "refused 1 MHz");
}

/// No message lasts above 50 ms on the wire, settle times included: it ends between two frames.
#[test]
fn a_batch_of_many_frames_is_divided_in_time() {
    for (sck, settle_us) in [
        (Hertz(20_000), 0),
        (Hertz::mhz(1), 700),
        (Hertz::mhz(10), 0),
    ] {
        let mut status = [0; 100];
        let read = |byte| Frame::new(vec![Segment::Out(&[5]), Segment::In(byte)]);
        let settle = Duration::from_micros(settle_us);
        let mut batch: Vec<Frame<'_>> = status
            .chunks_mut(1)
            .map(|byte| read(byte).after(settle))
            .collect();
        let mut fake = Fake::new(1 << 20, 8);
        send(&mut batch, sck, &mut (1 << 20), &mut fake).unwrap();
        let times = fake.sent.iter().map(|rows| -> f64 {
            let wire = |row: &Row| row.bytes as f64 * 8.0 / f64::from(row.speed_hz);
            rows.iter()
                .map(|row| wire(row) + f64::from(row.delay_usecs) * 1e-6)
                .sum()
        });
        let times: Vec<f64> = times.collect();
        assert!(times.iter().all(|time| *time <= 0.050), "{times:?}");
        let least = (times.iter().sum::<f64>() / 0.050).ceil() as usize;
        assert!(times.len() <= least + 1, "{times:?}");
        assert_eq!(fake.sent.iter().map(Vec::len).sum::<usize>(), 200);
        assert!(
            fake.sent
                .iter()
                .all(|rows| rows.last().unwrap().cs_change == 0)
        );
    }
}

/// A batch in two messages, of which the second is too long: nothing is sent.
#[test]
fn lengths_are_checked_before_the_first_message() {
    let mut big = vec![0; 5000];
    let mut batch = [
        Frame::new(vec![Segment::Out(&[0x06])]),
        Frame::new(vec![Segment::Exchange(&mut big)]).after(Duration::from_micros(1)),
    ];
    let mut fake = Fake::new(4096, 64);
    let error = send(&mut batch, Hertz::mhz(10), &mut 4096, &mut fake);
    assert!(matches!(
        error,
        Err(LinkError::TooLong {
            bytes: 5120,
            limit: 4096
        })
    ));
    assert_eq!(fake.asked, 0);
}

#[test]
fn a_settle_that_is_slept_divides_the_batch() {
    let mut byte = [0x05, 0];
    let settle = Duration::from_millis(5);
    let mut batch = [
        Frame::new(vec![Segment::Out(&[0x06])]),
        Frame::new(vec![Segment::Out(&[0x20, 0, 0, 0])]),
        Frame::new(vec![Segment::Exchange(&mut byte)]).after(settle),
        Frame::new(vec![Segment::Out(&[0x04])]),
    ];
    let mut fake = Fake::new(4096, 64);
    let begun = Instant::now();
    send(&mut batch, Hertz::mhz(1), &mut 4096, &mut fake).unwrap();
    assert!(begun.elapsed() >= settle);
    let lengths: Vec<usize> = fake.sent.iter().map(Vec::len).collect();
    assert_eq!(lengths, [2, 2]);
}

/// More transfers than a message can hold go as two.
#[test]
fn no_message_has_more_than_511_transfers() {
    let mut batch: Vec<Frame<'_>> = (0..600)
        .map(|_| Frame::new(vec![Segment::Out(&[0x04])]))
        .collect();
    let mut fake = Fake::new(1 << 20, 8);
    send(&mut batch, Hertz::mhz(10), &mut (1 << 20), &mut fake).unwrap();
    let lengths: Vec<usize> = fake.sent.iter().map(Vec::len).collect();
    assert_eq!(lengths, [511, 89]);
}

/// 14 bits of size hold 511 transfers of 32 bytes (`include/uapi/linux/spi/spidev.h`); beyond
/// them the kernel would do nothing and say 0.
#[test]
fn more_transfers_than_a_message_holds_are_refused() {
    let null = std::fs::File::open("/dev/null").unwrap();
    let mut rows: Vec<SpidevTransfer<'_, '_>> =
        (0..512).map(|_| SpidevTransfer::write(&[0x05])).collect();
    let error = ioctl::message(&null, &mut rows).unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::InvalidInput);
    // One fewer reaches the kernel, which knows no such request for this device.
    let error = ioctl::message(&null, &mut rows[..511]).unwrap_err();
    assert_eq!(error.raw_os_error(), Some(Errno::ENOTTY as i32));
}

#[test]
fn a_missing_node_is_named() {
    let error = SpidevLink::open(Path::new("/dev/spidev99.9"), None, 1).unwrap_err();
    assert_eq!(error.to_string(), "cannot open /dev/spidev99.9");
}
