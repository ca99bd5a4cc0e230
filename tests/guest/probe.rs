//! Asks the kernel's spidev what the link relies on, and disturbs the node as another program would.
//!
//! Runs inside the emulated board of `tests/guest/run`. It sends modifying frames to the chip at the
//! named node, whatever that chip is: nothing that anybody needs may hang on it.
//!
//! - `link NODE` asks one question after another and prints a step for each;
//! - `status NODE [VALUE]` reads the status register, or writes it first;
//! - `speeds NODE` changes the node's own SCK until it is killed.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a board that does not answer must fail the run"
)]

use std::path::Path;
use std::process::ExitCode;
use std::time::Duration;

use norlock::jedec::Hertz;
use norlock::link::{Frame, Link, LinkError, Segment, SpidevLink};
use spidev::{SpiModeFlags, Spidev, SpidevOptions, SpidevTransfer};

const SCK: Hertz = Hertz(10_000_000);
/// JEDEC ID of the chip on the board (SST25VF016B DS25044A, table 5).
const ID: [u8; 3] = [0xBF, 0x25, 0x41];
/// "Message too long" and "invalid argument" (Linux `include/uapi/asm-generic/errno*.h`).
const EMSGSIZE: i32 = 90;
const EINVAL: i32 = 22;

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words[..] {
        ["link", node] => questions(Path::new(node)),
        ["status", node] => show_status(&mut open(Path::new(node))),
        ["status", node, value] => {
            let value = u8::from_str_radix(value, 16).expect("a hexadecimal byte");
            let mut link = open(Path::new(node));
            write_status(&mut link, value);
            show_status(&mut link)
        }
        ["speeds", node] => change_speeds(Path::new(node)),
        _ => {
            eprintln!("guest-probe link|status|speeds NODE [VALUE]");
            ExitCode::from(2)
        }
    }
}

fn open(node: &Path) -> SpidevLink {
    SpidevLink::open(node, None, 1).unwrap_or_else(|error| panic!("{}: {error}", node.display()))
}

/// A second opener of the node that knows nothing of the locks.
fn stranger(node: &Path) -> Spidev {
    Spidev::open(node).unwrap_or_else(|error| panic!("{}: {error}", node.display()))
}

/// Reads the status register (05h) after the bytes of `before`, each a frame, all in one message.
fn status_after(link: &mut SpidevLink, before: &[&[u8]]) -> u8 {
    let mut status = [0];
    let mut batch: Vec<Frame<'_>> = before
        .iter()
        .map(|bytes| Frame::new(vec![Segment::Out(bytes)]))
        .collect();
    batch.push(Frame::new(vec![
        Segment::Out(&[0x05]),
        Segment::In(&mut status),
    ]));
    link.transfer(&mut batch, SCK).unwrap();
    status[0]
}

/// 06h, 01h VALUE (SST25VF016B DS25044A, table 6).
fn write_status(link: &mut SpidevLink, value: u8) {
    status_after(link, &[&[0x06], &[0x01, value]]);
    link.wait(Duration::from_millis(20));
}

fn show_status(link: &mut SpidevLink) -> ExitCode {
    println!("status {:02X}", status_after(link, &[&[0x04]]));
    ExitCode::SUCCESS
}

fn change_speeds(node: &Path) -> ExitCode {
    let mut device = stranger(node);
    for hz in [100_000, 1_000_000, 20_000_000].into_iter().cycle() {
        let options = SpidevOptions::new().max_speed_hz(hz).build();
        device.configure(&options).unwrap();
        std::thread::sleep(Duration::from_millis(1));
    }
    ExitCode::SUCCESS
}

/// What was asked, and what was seen where the answer is not the one wanted.
type Answer = Result<String, String>;

fn questions(node: &Path) -> ExitCode {
    type Question = fn(&Path) -> Answer;
    let asked: [(&str, Question); 9] = [
        ("a read of bufsiz bytes", read_of_bufsiz),
        ("a byte more than bufsiz", byte_beyond_bufsiz),
        ("alignment of buffers", alignment),
        ("CS between frames", cs_between_frames),
        ("many frames in a message", many_frames),
        ("more than 511 transfers", beyond_511),
        ("a mode left by another", mode_left_by_another),
        ("mode bits it has not", mode_bits_it_has_not),
        ("an SCK it has not", sck_it_has_not),
    ];
    let mut failed = 0;
    for (name, question) in asked {
        let (verdict, seen) = match question(node) {
            Ok(seen) => ("held", seen),
            Err(seen) => ("failed", seen),
        };
        failed += u8::from(verdict == "failed");
        println!("step {verdict} link: {name}: {seen}");
    }
    ExitCode::from(failed)
}

fn wanted(right: bool, seen: String) -> Answer {
    if right { Ok(seen) } else { Err(seen) }
}

/// One frame of 03h from address 0, `length` bytes.
fn read(link: &mut SpidevLink, length: usize) -> Result<Vec<u8>, LinkError> {
    let mut bytes = vec![0xA5; length];
    let mut frame = [Frame::new(vec![
        Segment::Out(&[0x03, 0, 0, 0]),
        Segment::In(&mut bytes),
    ])];
    link.transfer(&mut frame, SCK)?;
    Ok(bytes)
}

fn read_of_bufsiz(node: &Path) -> Answer {
    let mut link = open(node);
    let bufsiz = link.limits().batch_in_bytes;
    let whole = read(&mut link, bufsiz).map_err(|error| error.to_string())?;
    let half = read(&mut link, bufsiz / 2).map_err(|error| error.to_string())?;
    let same = whole.get(..bufsiz / 2) == Some(&half[..]);
    wanted(
        same,
        format!("{bufsiz} bytes behind a command of 4 in one message"),
    )
}

/// The link refuses by itself; the kernel, asked by another, says EMSGSIZE and sends nothing.
fn byte_beyond_bufsiz(node: &Path) -> Answer {
    let mut link = open(node);
    let bufsiz = link.limits().batch_in_bytes;
    let refused = matches!(read(&mut link, bufsiz + 1), Err(LinkError::TooLong { .. }));
    let mut bytes = vec![0; bufsiz + 1];
    let said = stranger(node).transfer(&mut SpidevTransfer::read(&mut bytes));
    let code = said.err().and_then(|error| error.raw_os_error());
    let seen = format!("kept back by the link {refused}, error of the kernel {code:?}");
    wanted(refused && code == Some(EMSGSIZE), seen)
}

/// How many single bytes one message takes tells what each of them costs.
fn alignment(node: &Path) -> Answer {
    let link = open(node);
    let (bufsiz, cost) = (
        link.limits().batch_in_bytes,
        link.limits().segment_align_bytes,
    );
    let device = stranger(node);
    let takes = |count: usize| {
        let mut bytes = vec![0; count];
        let mut rows: Vec<_> = bytes.chunks_mut(1).map(SpidevTransfer::read).collect();
        device.transfer_multiple(&mut rows).is_ok()
    };
    let most = (1..=511).rev().find(|count| takes(*count)).unwrap_or(0);
    let each = bufsiz / most.max(1);
    let right = most > 0 && each <= cost;
    wanted(
        right,
        format!("{most} single bytes in a message: at most {each} each, the link counts {cost}"),
    )
}

/// WEL follows write enable and write disable only if CS rose in between.
fn cs_between_frames(node: &Path) -> Answer {
    let mut link = open(node);
    let (mut on, mut off) = ([0], [0]);
    let mut batch = [
        Frame::new(vec![Segment::Out(&[0x06])]),
        Frame::new(vec![Segment::Out(&[0x05]), Segment::In(&mut on)]),
        Frame::new(vec![Segment::Out(&[0x04])]),
        Frame::new(vec![Segment::Out(&[0x05]), Segment::In(&mut off)]),
    ];
    let before = messages(node);
    link.transfer(&mut batch, SCK)
        .map_err(|error| error.to_string())?;
    let sent = messages(node) - before;
    let right = on[0] & 0b10 != 0 && off[0] & 0b10 == 0 && sent == 1;
    wanted(
        right,
        format!(
            "WEL {:02X} then {:02X}, messages sent {sent}",
            on[0], off[0]
        ),
    )
}

/// Messages that the kernel has sent to the device.
fn messages(node: &Path) -> u64 {
    let name = node.file_name().unwrap().to_string_lossy();
    let device = name.trim_start_matches("spidev");
    let file = format!("/sys/bus/spi/devices/spi{device}/statistics/messages");
    std::fs::read_to_string(file)
        .unwrap()
        .trim()
        .parse()
        .unwrap()
}

/// As many frames as bufsiz allows by the link's own count, 511 at most: each answers with the ID.
fn many_frames(node: &Path) -> Answer {
    let mut link = open(node);
    let limits = link.limits();
    let count = (limits.batch_in_bytes / limits.segment_align_bytes).min(limits.batch_segments);
    let mut answers = vec![[0x9F, 0, 0, 0]; count];
    let mut batch: Vec<Frame<'_>> = answers
        .iter_mut()
        .map(|answer| Frame::new(vec![Segment::Exchange(answer)]))
        .collect();
    let before = messages(node);
    link.transfer(&mut batch, SCK)
        .map_err(|error| error.to_string())?;
    let sent = messages(node) - before;
    let right = answers.iter().filter(|answer| answer[1..] == ID).count();
    wanted(
        right == count && sent == 1,
        format!("{right} of {count} right, messages sent {sent}"),
    )
}

/// The request cannot say 512: the kernel then moves nothing and calls that success. The link divides
/// such a batch, or keeps it back where bufsiz does not hold it.
fn beyond_511(node: &Path) -> Answer {
    let mut link = open(node);
    let limits = link.limits();
    let fits = 512 * limits.segment_align_bytes <= limits.batch_in_bytes;
    let mut answers = vec![[0x9F, 0, 0, 0]; 512];
    let mut batch: Vec<Frame<'_>> = answers
        .iter_mut()
        .map(|answer| Frame::new(vec![Segment::Exchange(answer)]))
        .collect();
    let before = messages(node);
    let refused = link.transfer(&mut batch, SCK).is_err();
    let mut bytes = [0; 512];
    let mut rows: Vec<_> = bytes.chunks_mut(1).map(SpidevTransfer::read).collect();
    let silent = stranger(node).transfer_multiple(&mut rows).is_ok();
    let sent = messages(node) - before;
    let right = answers.iter().filter(|answer| answer[1..] == ID).count();
    let expected = if fits { (512, 2) } else { (0, 0) };
    wanted(
        refused != fits && silent && (right, sent) == expected,
        format!("{right} of 512 right, messages sent {sent}; silent in the kernel {silent}"),
    )
}

fn mode(device: &Spidev) -> u32 {
    device
        .query_configuration()
        .unwrap()
        .spi_mode
        .unwrap()
        .bits()
}

fn set_mode(device: &mut Spidev, mode: SpiModeFlags) -> Option<i32> {
    let options = SpidevOptions::new().mode(mode).build();
    device
        .configure(&options)
        .err()
        .and_then(|error| error.raw_os_error())
}

/// Mode 3 of another program is gone once the link is open, and the ID can be read.
fn mode_left_by_another(node: &Path) -> Answer {
    let mut other = stranger(node);
    set_mode(&mut other, SpiModeFlags::SPI_MODE_3);
    let before = mode(&other);
    let mut link = open(node);
    let after = mode(&other);
    let id = id_at(&mut link, SCK);
    let right = (before, after) == (3, 0) && id == Ok(ID);
    wanted(
        right,
        format!("mode {before} before, {after} with the link, ID {id:02X?}"),
    )
}

/// A bit that the controller lacks is an error, or is dropped without a word: only what is read back
/// tells.
fn mode_bits_it_has_not(node: &Path) -> Answer {
    let mut device = stranger(node);
    let lsb = set_mode(&mut device, SpiModeFlags::SPI_LSB_FIRST);
    let three = set_mode(&mut device, SpiModeFlags::SPI_3WIRE);
    let kept = mode(&device);
    let right = (lsb, three, kept) == (Some(EINVAL), Some(EINVAL), 0);
    let id = id_at(&mut open(node), SCK);
    let seen = format!("LSB first {lsb:?}, three wires {three:?}, mode {kept}, ID {id:02X?}");
    wanted(right && id == Ok(ID), seen)
}

fn id_at(link: &mut SpidevLink, sck: Hertz) -> Result<[u8; 3], String> {
    let mut id = [0; 3];
    let mut frame = [Frame::new(vec![
        Segment::Out(&[0x9F]),
        Segment::In(&mut id),
    ])];
    link.transfer(&mut frame, sck)
        .map_err(|error| error.to_string())?;
    Ok(id)
}

/// From far below to far above what the controller divides its clock to: an error, or the right ID.
fn sck_it_has_not(node: &Path) -> Answer {
    let mut link = open(node);
    let answers: Vec<_> = [1, 1_000, 200_000_000, u32::MAX]
        .map(|hz| (hz, id_at(&mut link, Hertz(hz))))
        .into();
    let right = answers.iter().all(|(_, id)| id.is_err() || *id == Ok(ID));
    let still = id_at(&mut link, SCK) == Ok(ID);
    wanted(right && still, format!("{answers:02X?}"))
}
