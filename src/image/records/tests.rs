use super::*;
use std::fmt::Write as _;

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/records/");

#[allow(clippy::ptr_arg, reason = "a slice is no dyn ReadAt")]
fn read<'a>(bytes: &'a Vec<u8>) -> Result<RecordFile<'a>, RecordError> {
    let form = Form::of(&bytes[..bytes.len().min(HEAD_BYTES)]);
    let file = RecordFile::read(bytes, bytes.len() as u64, form, "piece");
    file.map_err(|error| match error {
        Unusable::Damaged(error) => error,
        Unusable::Io(error) => panic!("{error}"),
    })
}

/// Line, column and problem of what is wrong in a text.
fn fault(text: &str) -> (u64, usize, RecordProblem) {
    let bytes = text.as_bytes().to_vec();
    let error = read(&bytes).err().unwrap_or_else(|| panic!("{text}"));
    (error.line, error.column, error.problem)
}

/// The bytes from `start` on, read in chunks; 5A where there are none.
fn content(file: &RecordFile<'_>, start: u32, length: usize, chunk: usize) -> Vec<u8> {
    let mut bytes = vec![0x5A; length];
    let mut cursor = Cursor::new(file);
    let mut address = start;
    for chunk in bytes.chunks_mut(chunk) {
        cursor.fill(address, chunk).unwrap();
        address += chunk.len() as u32;
    }
    bytes
}

/// Files that GNU objcopy wrote; `tests/data/records/make` has the commands.
#[test]
fn what_objcopy_writes_is_read_byte_for_byte() {
    let piece = std::fs::read(format!("{FOLDER}piece.bin")).unwrap();
    for (name, form, start) in [
        ("bytes.hex", Form::IntelHex, 0),
        ("segments.hex", Form::IntelHex, 0x2_FF10),
        ("linear.hex", Form::IntelHex, 0x4F_FF10),
        ("s1.srec", Form::SRecord, 0),
        ("s2.srec", Form::SRecord, 0x2_FF10),
        ("s3.srec", Form::SRecord, 0x4F_FF10),
    ] {
        let text = std::fs::read(format!("{FOLDER}{name}")).unwrap();
        let file = read(&text).unwrap();
        assert_eq!(file.form, form, "{name}");
        let end = u64::from(start) + piece.len() as u64;
        let mut ranges = file.ranges();
        assert_eq!(ranges.next(), Some(u64::from(start)..end), "{name}");
        assert_eq!(ranges.next(), None, "{name}");
        for chunk in [1, 7, 64, 1000] {
            assert!(content(&file, start, piece.len(), chunk) == piece, "{name}");
        }
    }
}

/// The example of M68000PM/AD, appendix C, with its header, addresses and end.
#[test]
fn the_example_of_the_manual_is_read() {
    let text = b"S00600004844521B\n\
        S1130000285F245F2212226A000424290008237C2A\n\
        S11300100002000800082629001853812341001813\n\
        S113002041E900084E42234300182342000824A952\n\
        S107003000144ED492\n\
        S9030000FC\n"
        .to_vec();
    let file = read(&text).unwrap();
    assert_eq!(file.ranges().next(), Some(0..0x34));
    let bytes = content(&file, 0, 0x34, 5);
    assert_eq!(bytes[..4], [0x28, 0x5F, 0x24, 0x5F]);
    assert_eq!(bytes[0x30..], [0x00, 0x14, 0x4E, 0xD4]);
}

/// A record of the given bytes behind its count, with count and checksum put around them.
fn intel(address: u16, kind: u8, data: &[u8]) -> String {
    let mut bytes = vec![data.len() as u8];
    bytes.extend(address.to_be_bytes());
    bytes.push(kind);
    bytes.extend(data);
    let sum = bytes.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
    bytes.push(sum.wrapping_neg());
    let mut line = ":".to_owned();
    bytes.iter().for_each(|b| write!(line, "{b:02X}").unwrap());
    line
}

fn motorola(kind: u8, address: &[u8], data: &[u8]) -> String {
    let mut bytes = vec![(address.len() + data.len() + 1) as u8];
    bytes.extend(address);
    bytes.extend(data);
    let sum = bytes.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
    bytes.push(!sum);
    let mut line = format!("S{kind}");
    bytes.iter().for_each(|b| write!(line, "{b:02X}").unwrap());
    line
}

#[test]
fn a_damaged_file_is_told_with_line_and_column() {
    use RecordProblem::*;
    const END: &str = ":00000001FF";
    let good = intel(0, 0, &[1, 2, 3]);
    let next = intel(3, 0, &[4]);
    let high = intel(0, 4, &[0xFF, 0xFF]);
    for (text, line, column, problem) in [
        (format!("{good}\n{next}\n"), 2, 1, NoEnd),
        (format!("{good}\n{END}\n{next}\n"), 3, 1, AfterTheEnd),
        (format!("{good}\n:0100030004F9\n{END}"), 2, 12, Checksum),
        (
            format!("{good}\n\n:01000300G4F8\n{END}"),
            3,
            10,
            NoDigit(b'G'),
        ),
        (format!("{good}\n:01000300\n{END}"), 2, 2, Length),
        (format!("{good}\n:01000300040\n{END}"), 2, 2, Length),
        (format!("{good}\n{next}{next}\n{END}"), 2, 14, NoDigit(b':')),
        (
            format!("{good}\nnotes\n{END}"),
            2,
            1,
            NoRecord(Form::IntelHex),
        ),
        (format!("{good}\n{}\n{END}", intel(0, 6, &[])), 2, 8, Type),
        (
            format!("{good}\n{}\n{END}", intel(0, 1, &[1])),
            2,
            2,
            Length,
        ),
        (
            format!("{good}\n{}\n{END}", intel(2, 0, &[9, 9])),
            2,
            4,
            Twice(Address(2)),
        ),
        (
            format!("{next}\n{}\n{END}", intel(1, 0, &[9; 3])),
            2,
            4,
            Twice(Address(3)),
        ),
        (
            format!("{good}\n{}\n{END}", intel(0xFFFF, 0, &[9, 9])),
            2,
            4,
            PastTheEnd,
        ),
        (
            format!("{high}\n{}\n{END}", intel(0xFFFF, 0, &[9, 9])),
            2,
            4,
            PastTheEnd,
        ),
        (
            format!("{good}\n{}\n{END}", "0".repeat(700)),
            2,
            1,
            NoRecord(Form::IntelHex),
        ),
    ] {
        assert_eq!(fault(&text), (line, column, problem), "{text}");
    }
    let header = motorola(0, &[0, 0], &[0xFF, 0xFE]);
    let one = motorola(1, &[0, 0], &[1, 2]);
    let end = motorola(9, &[0, 0], &[]);
    for (text, line, column, problem) in [
        (format!("{header}\n{one}\n"), 2, 1, NoEnd),
        (
            format!("{header}\n{one}\n{}\n{end}", motorola(5, &[0, 2], &[])),
            3,
            5,
            Count { said: 2, found: 1 },
        ),
        (
            format!("{header}\n{one}\n{}\n{end}", motorola(4, &[0, 2], &[])),
            3,
            2,
            Type,
        ),
        (format!("{one}\n{header}\n{end}"), 2, 2, Type),
        (format!("{one}\nS1040002xxFF\n{end}"), 2, 9, NoDigit(b'x')),
        (format!("{one}00\n{end}"), 1, 3, Length),
        (format!("{one}\nS100\n{end}"), 2, 3, Length),
        (format!("{one}\nS00100\n{end}"), 2, 5, Checksum),
        (
            format!("{one}\n{}\n{end}", motorola(3, &[0xFF; 4], &[1, 2])),
            2,
            5,
            PastTheEnd,
        ),
    ] {
        assert_eq!(fault(&text), (line, column, problem), "{text}");
    }
    // Counts that are right, and a header of no text at all, are taken.
    for count in [motorola(5, &[0, 1], &[]), motorola(6, &[0, 0, 1], &[])] {
        let text = format!("{header}\n{one}\n{count}\n{end}\n").into_bytes();
        assert_eq!(read(&text).unwrap().ranges().count(), 1);
    }
}

#[test]
fn no_wrong_digit_goes_unnoticed() {
    for name in ["linear.hex", "s3.srec"] {
        let text = std::fs::read(format!("{FOLDER}{name}")).unwrap();
        let mut line = 1;
        for at in 0..text.len() {
            line += u64::from(at > 0 && text[at - 1] == b'\n');
            // A type of S-records is not part of the checksum; what may come of a wrong one is told
            // elsewhere.
            let kind = text[at.saturating_sub(1)] == b'S';
            if !text[at].is_ascii_hexdigit() || kind {
                continue;
            }
            let mut wrong = text.clone();
            wrong[at] = if text[at] == b'7' { b'8' } else { b'7' };
            let error = read(&wrong).err().expect("a refusal");
            assert_eq!(error.line, line, "{name}: {error}");
        }
    }
}

#[test]
fn a_file_is_known_by_its_beginning() {
    let record = intel(0, 0, &[1]);
    let mut damaged_later = format!("{record}\n").into_bytes();
    damaged_later.extend([0, 1, 2]);
    for (head, form) in [
        (record.as_bytes(), Form::IntelHex),
        (b"\r\n\n:00000001FF", Form::IntelHex),
        (b":10000000 cut", Form::IntelHex),
        (&damaged_later, Form::IntelHex),
        (b"S1130000", Form::SRecord),
        (b"S9030000FC\n", Form::SRecord),
        (b"", Form::Raw),
        (b"Settings\n", Form::Raw),
        (b": notes\n", Form::Raw),
        (b":1\0\0\0", Form::Raw),
        (b"S10\xFF", Form::Raw),
        (b"\xFF:00000001FF", Form::Raw),
    ] {
        assert_eq!(Form::of(head), form, "{:?}", String::from_utf8_lossy(head));
    }
}

/// Records in any order, of any length, with gaps, blank lines and both line ends, against a plain image.
#[test]
fn records_in_any_order_make_the_same_bytes() {
    for seed in 0..40 {
        println!("seed {seed}");
        let mut random = fastrand::Rng::with_seed(seed);
        let start: u32 = random.u32(0..0x20_0000);
        let mut image = Vec::new();
        let (mut data, mut at) = (Vec::new(), start);
        while data.len() < 900 {
            let bytes: Vec<u8> = (0..random.usize(1..=250)).map(|_| random.u8(..)).collect();
            image.extend(&bytes);
            data.push((at, bytes));
            let gap = if random.u8(..) < 40 {
                random.usize(1..300)
            } else {
                0
            };
            image.extend(vec![0x5A; gap]);
            at = start + image.len() as u32;
        }
        if random.bool() {
            let from = random.usize(..data.len());
            random.shuffle(&mut data[from..]);
        }
        let mut text = String::new();
        for (address, bytes) in &data {
            let line = match random.u8(0..3) {
                0 => motorola(3, &address.to_be_bytes(), bytes),
                _ => motorola(2, &address.to_be_bytes()[1..], bytes),
            };
            text += &line;
            text += ["\n", "\r\n", "\n\n"][random.usize(0..3)];
        }
        text += "S9030000FC";
        let text = text.into_bytes();
        assert!(text.len() > 3 * 64 * 1024);
        let file = read(&text).unwrap();
        let chunk = random.usize(1..5000);
        assert!(content(&file, start, image.len(), chunk) == image);
        let outside = file.outside(&(u64::from(start) + 1..u64::MAX));
        assert_eq!(outside.map(|(_, address)| address), Some(start));
    }
}

#[test]
fn what_is_kept_of_a_file_has_a_limit() {
    let records = |number: usize| {
        let lines = (0..number).map(|i| motorola(2, &((i * 2) as u32).to_be_bytes()[1..], &[1]));
        let lines: Vec<String> = lines.collect();
        lines.join("\n") + "\nS9030000FC\n"
    };
    assert_eq!(
        read(&records(RUNS_MAX).into_bytes())
            .unwrap()
            .ranges()
            .count(),
        RUNS_MAX
    );
    let line = RUNS_MAX as u64 + 1;
    assert_eq!(
        fault(&records(RUNS_MAX + 1)),
        (line, 5, RecordProblem::Scattered)
    );
}
