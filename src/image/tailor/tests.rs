use super::*;
use crate::image::Holds;
use sha2::Sha256;
use std::cell::Cell;
use std::io;

const SIZE: usize = 0x4_0000;

fn map() -> RegionMap {
    let text = r#"
size = "256KiB"
[[region]]
name = "boot"
start = 0
size = "72KiB"
holds = "replaceable"
[[region]]
name = "settings"
start = 0x12000
size = 0x1000
holds = "keep"
[[region]]
name = "system"
start = 0x20000
end = 0x3E000
holds = "replaceable"
[[region]]
name = "identity"
start = 0x3F000
end = 0x40000
holds = "unit-data"
"#;
    RegionMap::parse("regions.toml", text).unwrap()
}

fn hash(bytes: &[u8]) -> [u8; 32] {
    Sha256::digest(bytes).into()
}

fn base() -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(1);
    let mut base = vec![0; SIZE];
    random.fill(&mut base);
    base
}

fn piece<'a>(file: &str, bytes: &'a Vec<u8>, offset: Option<u32>) -> Piece<'a> {
    Piece {
        file: file.into(),
        bytes,
        offset,
        sha256: hash(bytes),
    }
}

fn filling<'a>(region: &str, pieces: Vec<Piece<'a>>, rest: Option<Rest>) -> Filling<'a> {
    Filling {
        region: region.into(),
        pieces,
        rest,
    }
}

/// One piece at the region's start.
fn alone<'a>(region: &str, bytes: &'a Vec<u8>, rest: Option<Rest>) -> Filling<'a> {
    let name = format!("{region}.bin");
    filling(region, vec![piece(&name, bytes, None)], rest)
}

const KEEP: Option<Rest> = Some(Rest::Keep);
const BLANK: Option<Rest> = Some(Rest::Fill(0xFF));

/// An Intel HEX file of records of 16 bytes, as GNU objcopy writes one with linear addresses.
fn hex(start: u32, bytes: &[u8]) -> Vec<u8> {
    let mut text = String::new();
    let mut line = |address: u16, kind: u8, data: &[u8]| {
        let mut record = vec![data.len() as u8, (address >> 8) as u8, address as u8, kind];
        record.extend(data);
        let sum = record
            .iter()
            .fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
        record.push(sum.wrapping_neg());
        text.push(':');
        text.extend(record.iter().map(|byte| format!("{byte:02X}")));
        text.push('\n');
    };
    for (index, data) in bytes.chunks(16).enumerate() {
        let address = start + index as u32 * 16;
        line(0, 4, &((address >> 16) as u16).to_be_bytes());
        line(address as u16, 0, data);
    }
    line(0, 1, &[]);
    text.into_bytes()
}

fn run(base: &[u8], fillings: &[Filling<'_>]) -> Result<(Vec<u8>, Tailored), TailorError> {
    let owned = base.to_vec();
    let baseline = Baseline {
        content: &owned,
        recorded_sha256: hash(base),
    };
    let mut out = Vec::new();
    let tailored = tailor(&baseline, &map(), fillings, 0x1000, &mut out)?;
    Ok((out, tailored))
}

/// A refusal, after which nothing may have been written.
fn refused(base: &[u8], recorded: [u8; 32], fillings: &[Filling<'_>]) -> TailorError {
    let owned = base.to_vec();
    let baseline = Baseline {
        content: &owned,
        recorded_sha256: recorded,
    };
    let mut out = Vec::new();
    let error = tailor(&baseline, &map(), fillings, 0x1000, &mut out).unwrap_err();
    assert!(out.is_empty(), "{error}");
    error
}

#[test]
fn pieces_go_in_and_everything_else_stays() {
    let base = base();
    let mut boot = vec![0x11; 70_000];
    boot[0] = 0x12;
    let system = vec![0x82; 0x1_E000];
    let (out, tailored) = run(
        &base,
        &[alone("system", &system, None), alone("boot", &boot, BLANK)],
    )
    .unwrap();
    let mut want = base.clone();
    want[..70_000].copy_from_slice(&boot);
    want[70_000..72 * 1024].fill(0xFF);
    want[0x2_0000..0x3_E000].fill(0x82);
    assert!(out == want);
    assert_eq!(tailored.sha256, hash(&want));
    let names: Vec<_> = tailored.regions.iter().map(|r| r.name.as_str()).collect();
    assert_eq!(names, ["boot", "system"]);
    let pairs = base[..72 * 1024].iter().zip(&want);
    let changed = pairs.filter(|(a, b)| a != b).count();
    let change = &tailored.regions[0];
    assert_eq!(change.changed_bytes, changed as u64);
    // One block of 4 KiB begins within the piece.
    assert_eq!((change.blank_before_bytes, change.blank_bytes), (0, 0));
    let placed = PlacedPiece {
        file: "boot.bin".into(),
        form: Form::Raw,
        sha256: hash(&boot),
        range: 0..70_000,
        size_bytes: 70_000,
    };
    assert_eq!(change.pieces, [placed]);
    assert!(tailored.unaligned.is_empty());
}

#[test]
fn what_is_blank_is_told_before_and_after() {
    let mut base = base();
    base[0x1000..0x4000].fill(0xFF);
    let mut boot = vec![0x11; 0x2000];
    boot[0] = 0x12;
    let (_, tailored) = run(&base, &[alone("boot", &boot, BLANK)]).unwrap();
    let change = &tailored.regions[0];
    let blank = (change.blank_before_bytes, change.blank_bytes);
    assert_eq!(blank, (0x3000, 0x1_0000));
    let parts = change.parts.iter();
    let parts: Vec<_> = parts.map(|part| (part.range.start, part.becomes)).collect();
    assert_eq!(
        parts,
        [
            (0, Becomes::New),
            (0x1000, Becomes::NewWhereBlank),
            (0x2000, Becomes::StaysBlank),
            (0x4000, Becomes::NowBlank),
        ]
    );
    assert_eq!(change.part_block_bytes, 0x1000);
}

#[test]
fn the_rest_of_a_region_becomes_what_was_said_and_is_never_guessed() {
    let base = base();
    let short = vec![0x83; 10];
    for (rest, byte) in [
        (KEEP, None),
        (BLANK, Some(0xFF)),
        (Some(Rest::Fill(0)), Some(0)),
    ] {
        let (out, tailored) = run(&base, &[alone("system", &short, rest)]).unwrap();
        let mut want = base.clone();
        if let Some(byte) = byte {
            want[0x2_0000..0x3_E000].fill(byte);
        }
        want[0x2_0000..0x2_000A].fill(0x83);
        assert!(out == want, "{rest:?}");
        assert_eq!(tailored.regions[0].rest, rest);
    }
    let error = refused(&base, hash(&base), &[alone("system", &short, None)]);
    let said = error.to_string();
    assert_eq!(
        said,
        "region 'system' has 120 KiB, and there are 10 bytes for it: nothing says what the rest \
         becomes, from 0x02000A on"
    );
}

#[test]
fn nothing_put_in_leaves_the_baseline_and_a_fill_fills() {
    let base = base();
    let (out, tailored) = run(&base, &[]).unwrap();
    assert!(out == base);
    assert_eq!((tailored.sha256, tailored.regions.len()), (hash(&base), 0));
    let (out, tailored) = run(&base, &[filling("system", vec![], BLANK)]).unwrap();
    assert!(out[0x2_0000..0x3_E000].iter().all(|byte| *byte == 0xFF));
    assert!(out[..0x2_0000] == base[..0x2_0000] && out[0x3_E000..] == base[0x3_E000..]);
    assert_eq!(tailored.regions[0].blank_bytes, 0x1_E000);
}

#[test]
fn several_pieces_share_a_region_but_no_byte() {
    let base = base();
    let (one, two) = (vec![1; 0x1000], vec![2; 0x800]);
    let pieces = |at| {
        let pieces = vec![
            piece("two.bin", &two, Some(at)),
            piece("one.bin", &one, None),
        ];
        [filling("system", pieces, BLANK)]
    };
    let (out, tailored) = run(&base, &pieces(0x1000)).unwrap();
    assert!(out[0x2_0000..0x2_1000] == one && out[0x2_1000..0x2_1800] == two);
    assert!(out[0x2_1800..0x3_E000].iter().all(|byte| *byte == 0xFF));
    let files = tailored.regions[0].pieces.iter();
    let files: Vec<_> = files
        .map(|piece| (piece.file.as_str(), piece.range.start))
        .collect();
    assert_eq!(files, [("one.bin", 0x2_0000), ("two.bin", 0x2_1000)]);

    let error = refused(&base, hash(&base), &pieces(0xFFF));
    assert_eq!(
        error.to_string(),
        "two pieces overlap in region 'system': one.bin takes 0x020000 to 0x021000, two.bin 0x020FFF to \
         0x0217FF"
    );
    let error = refused(&base, hash(&base), &pieces(0x1_D801));
    assert_eq!(
        error.to_string(),
        "two.bin has 2 KiB, and from 0x01D801 on region 'system' takes 2047 bytes"
    );
    let error = refused(&base, hash(&base), &pieces(0x1_E000));
    assert!(
        matches!(error, TailorError::OffsetOutside { .. }),
        "{error}"
    );
}

#[test]
fn records_are_placed_by_their_addresses() {
    let base = base();
    let bytes: Vec<u8> = (0..5000_u32).map(|i| (i * 7) as u8).collect();
    for (start, offset, place) in [
        (0, None, 0x2_0000),
        (0, Some(0x3000), 0x2_3000),
        (0x2_0000, None, 0x2_0000),
        (0x2_5678, None, 0x2_5678),
        (0x2_5678, Some(0x5678), 0x2_5678),
    ] {
        let text = hex(start, &bytes);
        let pieces = vec![piece("system.hex", &text, offset)];
        let (out, tailored) = run(&base, &[filling("system", pieces, KEEP)]).unwrap();
        let mut want = base.clone();
        want[place..place + 5000].copy_from_slice(&bytes);
        assert!(out == want, "from 0x{start:X} at {offset:?}");
        let placed = &tailored.regions[0].pieces[0];
        let end = place as u32 + 5000;
        assert_eq!(placed.range, place as u32..end);
        assert_eq!((placed.form, placed.size_bytes), (Form::IntelHex, 5000));
    }
}

#[test]
fn records_that_lie_elsewhere_are_refused_with_line_and_address() {
    let base = base();
    let bytes = vec![7; 64];
    for (start, offset, said) in [
        (
            0x10,
            None,
            "line 2: the data for 0x000010 lie outside 0x020000 to 0x03E000",
        ),
        (
            0x1_FFF0,
            None,
            "line 2: the data for 0x01FFF0 lie outside 0x020000 to 0x03E000",
        ),
        (
            0x3_DFE0,
            None,
            "line 6: the data for 0x03E000 lie outside 0x020000 to 0x03E000",
        ),
        (
            0x2_1000,
            Some(0x2000),
            "line 2: the data for 0x021000 lie outside 0x022000 to 0x03E000",
        ),
        (
            0x800_0000,
            None,
            "line 2: the data for 0x08000000 lie outside 0x020000 to 0x03E000",
        ),
    ] {
        let text = hex(start, &bytes);
        let pieces = vec![piece("system.hex", &text, offset)];
        let error = refused(&base, hash(&base), &[filling("system", pieces, KEEP)]);
        assert!(error.to_string().contains(said), "{error}");
    }
    // Behind the place that was given, which says where the first byte goes.
    let text = hex(0x2_3000, &bytes);
    let pieces = vec![piece("system.hex", &text, Some(0x1000))];
    let error = refused(&base, hash(&base), &[filling("system", pieces, KEEP)]);
    assert!(
        matches!(error, TailorError::RecordsElsewhere { .. }),
        "{error}"
    );
    let large = hex(0, &[7; 0x1_E001]);
    let error = refused(&base, hash(&base), &[alone("system", &large, KEEP)]);
    assert!(
        matches!(error, TailorError::PieceTooLarge { .. }),
        "{error}"
    );
}

#[test]
fn gaps_between_records_follow_the_rule_and_may_hold_another_piece() {
    let base = base();
    let mut text = hex(0x2_0000, &[1; 32]);
    text.truncate(text.len() - ":00000001FF\n".len());
    text.extend(hex(0x2_0040, &[3; 32]));
    let between = vec![2; 16];
    let pieces = || {
        vec![
            piece("system.hex", &text, None),
            piece("between.bin", &between, Some(0x20)),
        ]
    };
    let (out, tailored) = run(&base, &[filling("system", pieces(), BLANK)]).unwrap();
    let want = [
        [1; 32].as_slice(),
        &[2; 16],
        &[0xFF; 16],
        &[3; 32],
        &[0xFF; 64],
    ]
    .concat();
    assert!(out[0x2_0000..0x2_00A0] == want);
    let placed = &tailored.regions[0].pieces[0];
    assert_eq!((placed.range.end, placed.size_bytes), (0x2_0060, 64));

    let error = refused(&base, hash(&base), &[filling("system", pieces(), None)]);
    assert!(error.to_string().ends_with("from 0x020030 on"), "{error}");
    let large = vec![2; 33];
    let mut overlapping = pieces();
    overlapping[1] = piece("between.bin", &large, Some(0x20));
    let error = refused(&base, hash(&base), &[filling("system", overlapping, KEEP)]);
    let said = "two pieces overlap in region 'system': between.bin takes 0x020020 to 0x020041, system.hex \
                0x020040 to 0x020060";
    assert_eq!(error.to_string(), said);
}

#[test]
fn a_damaged_file_of_records_is_told_with_its_line() {
    let base = base();
    let mut text = hex(0, &[7; 64]);
    let at = text.len() - 20;
    text[at] ^= 1;
    let error = refused(&base, hash(&base), &[alone("system", &text, KEEP)]);
    let said = "system.bin, line 8, column 42: the line is damaged: its checksum does not fit";
    assert_eq!(error.to_string(), said);
}

#[test]
fn a_text_file_is_no_piece_unless_the_region_holds_text() {
    let mut base = base();
    let page = b"<html>404: no such file</html>\n".to_vec();
    let error = refused(&base, hash(&base), &[alone("system", &page, KEEP)]);
    assert_eq!(
        error.to_string(),
        "system.bin is plain text, and region 'system' holds none"
    );
    base[0x2_0000..0x3_E000].fill(0xFF);
    // Also where it is not UTF-8.
    let latin = b"<html>404: pas trouv\xE9</html>\n".to_vec();
    for page in [&page, &latin] {
        let error = refused(&base, hash(&base), &[alone("system", page, KEEP)]);
        assert!(matches!(error, TailorError::TextPiece { .. }), "{error}");
    }
    base[0x2_0000..0x2_000C].copy_from_slice(b"starts=0001\0");
    run(&base, &[alone("system", &page, KEEP)]).unwrap();
}

/// Written raw, the text of the records would go into flash; a hash that the maker gave is no proof of how
/// the file was meant.
#[test]
fn records_with_something_before_them_are_neither_raw_nor_records() {
    let mut base = base();
    let records = hex(0, &[1, 2, 3]);
    for (before, line) in [("# tide gauge 4\n\n", 3), ("\u{feff}\n", 2)] {
        let file = [before.as_bytes(), &records].concat();
        for text_there in [false, true] {
            if text_there {
                base[0x2_0000..0x3_E000].fill(0xFF);
                base[0x2_0000..0x2_000C].copy_from_slice(b"starts=0001\0");
            }
            let error = refused(&base, hash(&base), &[alone("system", &file, KEEP)]);
            let said = format!(
                "system.bin has records from line {line} on, and something else before them"
            );
            assert_eq!(error.to_string(), said);
        }
    }
}

#[test]
fn a_region_that_would_stay_as_it_is_is_left_out() {
    let base = base();
    let same = base[..5000].to_vec();
    let system = vec![1; 10];
    let fillings = [alone("boot", &same, KEEP), alone("system", &system, KEEP)];
    let error = refused(&base, hash(&base), &fillings);
    let said = "nothing would change in region 'boot': it holds boot.bin already";
    assert_eq!(error.to_string(), said);
    let error = refused(&base, hash(&base), &[filling("boot", vec![], KEEP)]);
    assert_eq!(error.to_string(), "nothing would change in region 'boot'");
    // One byte is a change.
    let mut other = same;
    other[4999] ^= 1;
    let (_, tailored) = run(&base, &[alone("boot", &other, KEEP)]).unwrap();
    assert_eq!(tailored.regions[0].changed_bytes, 1);
}

#[test]
fn what_a_board_starts_from_is_never_left_blank() {
    let mut base = base();
    let error = refused(&base, hash(&base), &[filling("boot", vec![], BLANK)]);
    let said = "all of region 'boot' would be blank, and the board starts from there";
    assert_eq!(error.to_string(), said);
    let late = vec![1; 100];
    let pieces = vec![piece("boot.bin", &late, Some(0x100))];
    let error = refused(&base, hash(&base), &[filling("boot", pieces, BLANK)]);
    let said = "the first page of region 'boot' would be one byte value throughout, and the board starts \
                from there";
    assert_eq!(error.to_string(), said);
    // So few values are no program, whichever they are.
    let zeros = filling("boot", vec![], Some(Rest::Fill(0)));
    let error = refused(&base, hash(&base), &[zeros]);
    assert_eq!(error.to_string(), said);
    // A byte of the first page is enough, and another region may be blank.
    let pieces = vec![piece("boot.bin", &late, Some(0xFF))];
    let blank = filling("system", vec![], BLANK);
    run(&base, &[filling("boot", pieces, BLANK), blank]).unwrap();
    // A board that does not start from there at all.
    base[..0x1000].fill(0xFF);
    let pieces = vec![piece("boot.bin", &late, Some(0x2000))];
    run(&base, &[filling("boot", pieces, KEEP)]).unwrap();
    base[..72 * 1024].fill(0xFF);
    run(&base, &[filling("boot", vec![], Some(Rest::Fill(0)))]).unwrap();
}

#[test]
fn what_does_not_fit_is_refused_before_anything_is_written() {
    let base = base();
    let good = hash(&base);
    let one = vec![1; 100];
    let large = vec![1; 72 * 1024 + 1];
    let none = Vec::new();
    let refusal = |filling: Filling<'_>| refused(&base, good, &[filling]);
    assert!(matches!(
        refusal(alone("boot", &large, KEEP)),
        TailorError::PieceTooLarge {
            piece_bytes: 73_729,
            region_bytes: 73_728,
            ..
        }
    ));
    let records_of_nothing = b":00000001FF\n".to_vec();
    for empty in [&none, &records_of_nothing] {
        assert!(matches!(
            refusal(alone("boot", empty, KEEP)),
            TailorError::EmptyPiece { .. }
        ));
    }
    assert!(matches!(
        refusal(alone("boat", &one, KEEP)),
        TailorError::NoSuchRegion(_)
    ));
    for (region, what) in [("identity", Holds::UnitData), ("settings", Holds::Keep)] {
        for filling in [alone(region, &one, KEEP), filling(region, vec![], BLANK)] {
            assert!(matches!(
                refusal(filling),
                TailorError::NotReplaceable { holds, .. } if holds == what
            ));
        }
    }
    let twice = [alone("boot", &one, KEEP), alone("boot", &one, KEEP)];
    assert!(matches!(
        refused(&base, good, &twice),
        TailorError::RegionTwice(_)
    ));
    assert!(matches!(
        refused(&base, [0; 32], &[]),
        TailorError::NotTheBaseline { .. }
    ));
    assert!(matches!(
        refused(&base[1..], good, &[]),
        TailorError::MapSize {
            map_bytes: 0x4_0000,
            baseline_bytes: 0x3_FFFF
        }
    ));
}

#[test]
fn a_piece_must_hash_as_expected() {
    let base = base();
    // Of the file as it was published, not of the bytes that its records stand for.
    for bytes in [vec![1; 100], hex(0, &[1; 100])] {
        let mut wrong = alone("boot", &bytes, KEEP);
        wrong.pieces[0].sha256 = [7; 32];
        let error = refused(&base, hash(&base), &[wrong]);
        assert!(
            error.to_string().contains("expected 07070707 0707"),
            "{error}"
        );
        let (_, tailored) = run(&base, &[alone("boot", &bytes, KEEP)]).unwrap();
        assert_eq!(tailored.regions[0].pieces[0].sha256, hash(&bytes));
    }
}

/// A file that someone changes after it was read once.
struct Changing(Vec<u8>, Cell<u64>);

impl ReadAt for Changing {
    fn size_bytes(&self) -> io::Result<u64> {
        self.0.size_bytes()
    }
    fn read_at(&self, offset: u64, into: &mut [u8]) -> io::Result<()> {
        self.0.read_at(offset, into)?;
        self.1.set(self.1.get() + into.len() as u64);
        if self.1.get() > self.0.len() as u64 {
            into[0] ^= 1;
        }
        Ok(())
    }
}

#[test]
fn a_file_that_changes_meanwhile_is_noticed() {
    let base = base();
    for bytes in [vec![5; 5000], hex(0, &[5; 500])] {
        let changing = Changing(bytes, Cell::new(0));
        let piece = Piece {
            file: "boot.bin".into(),
            bytes: &changing,
            offset: None,
            sha256: hash(&changing.0),
        };
        let error = run(&base, &[filling("boot", vec![piece], KEEP)]).unwrap_err();
        let said = error.to_string();
        // A record may no longer be one.
        assert!(said.contains("boot.bin"), "{said}");
    }

    let changing = Changing(base.clone(), Cell::new(0));
    let baseline = Baseline {
        content: &changing,
        recorded_sha256: hash(&base),
    };
    let error = tailor(&baseline, &map(), &[], 4096, &mut io::sink()).unwrap_err();
    assert!(
        matches!(error, TailorError::ChangedMeanwhile { .. }),
        "{error}"
    );
}

#[test]
fn a_full_disk_is_told() {
    let base = base();
    let baseline = Baseline {
        content: &base,
        recorded_sha256: hash(&base),
    };
    let mut small = vec![0; 1000];
    let error = tailor(&baseline, &map(), &[], 4096, &mut small.as_mut_slice()).unwrap_err();
    assert!(matches!(error, TailorError::Write(_)), "{error}");
}

#[test]
fn regions_off_the_erase_blocks_are_reported() {
    let base = base();
    let baseline = Baseline {
        content: &base,
        recorded_sha256: hash(&base),
    };
    let tailored = tailor(&baseline, &map(), &[], 0x1_0000, &mut io::sink()).unwrap();
    let names: Vec<_> = tailored
        .unaligned
        .iter()
        .map(|u| u.region.as_str())
        .collect();
    assert_eq!(names, ["boot", "settings", "system", "identity"]);
}
