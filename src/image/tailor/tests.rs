use super::*;
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

fn piece<'a>(region: &str, bytes: &'a Vec<u8>, rest: Rest) -> Filling<'a> {
    Filling {
        region: region.into(),
        content: Content::Piece {
            file: format!("{region}.bin"),
            bytes,
            sha256: hash(bytes),
            rest,
        },
    }
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
    let boot = vec![0x11; 70_000];
    let system = vec![0x22; 0x1_E000];
    let (out, tailored) = run(
        &base,
        &[
            piece("system", &system, Rest::Keep),
            piece("boot", &boot, Rest::Fill(0xFF)),
        ],
    )
    .unwrap();
    let mut want = base.clone();
    want[..70_000].fill(0x11);
    want[70_000..72 * 1024].fill(0xFF);
    want[0x2_0000..0x3_E000].fill(0x22);
    assert!(out == want);
    assert_eq!(tailored.sha256, hash(&want));
    let names: Vec<_> = tailored.regions.iter().map(|r| r.name.as_str()).collect();
    assert_eq!(names, ["boot", "system"]);
    let changed = base[..72 * 1024]
        .iter()
        .zip(&want)
        .filter(|(a, b)| a != b)
        .count();
    assert_eq!(tailored.regions[0].changed_bytes, changed as u64);
    assert_eq!(tailored.regions[0].blank_bytes, 72 * 1024 - 70_000);
    assert_eq!(
        tailored.regions[0].piece,
        Some(("boot.bin".into(), hash(&boot)))
    );
    assert!(tailored.unaligned.is_empty());
}

#[test]
fn the_rest_of_a_region_is_kept_unless_asked() {
    let base = base();
    let short = vec![0x33; 10];
    let (out, tailored) = run(&base, &[piece("system", &short, Rest::Keep)]).unwrap();
    let mut want = base.clone();
    want[0x2_0000..0x2_000A].fill(0x33);
    assert!(out == want);
    assert!(tailored.regions[0].changed_bytes <= 10);
}

#[test]
fn nothing_put_in_leaves_the_baseline_and_a_fill_fills() {
    let base = base();
    let (out, tailored) = run(&base, &[]).unwrap();
    assert!(out == base);
    assert_eq!((tailored.sha256, tailored.regions.len()), (hash(&base), 0));
    let blank = Filling {
        region: "boot".into(),
        content: Content::Fill(0xFF),
    };
    let (out, tailored) = run(&base, &[blank]).unwrap();
    assert!(out[..72 * 1024].iter().all(|byte| *byte == 0xFF));
    assert!(out[72 * 1024..] == base[72 * 1024..]);
    assert_eq!(tailored.regions[0].blank_bytes, 72 * 1024);
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
        refusal(piece("boot", &large, Rest::Keep)),
        TailorError::PieceTooLarge {
            piece_bytes: 73_729,
            region_bytes: 73_728,
            ..
        }
    ));
    assert!(matches!(
        refusal(piece("boot", &none, Rest::Keep)),
        TailorError::EmptyPiece { .. }
    ));
    assert!(matches!(
        refusal(piece("boat", &one, Rest::Keep)),
        TailorError::NoSuchRegion(_)
    ));
    assert!(matches!(
        refusal(piece("identity", &one, Rest::Keep)),
        TailorError::NotReplaceable {
            holds: Holds::UnitData,
            ..
        }
    ));
    assert!(matches!(
        refusal(piece("settings", &one, Rest::Keep)),
        TailorError::NotReplaceable {
            holds: Holds::Keep,
            ..
        }
    ));
    let fill = Filling {
        region: "identity".into(),
        content: Content::Fill(0),
    };
    assert!(matches!(refusal(fill), TailorError::NotReplaceable { .. }));
    let twice = [
        piece("boot", &one, Rest::Keep),
        piece("boot", &one, Rest::Keep),
    ];
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
fn a_piece_must_hash_as_expected_unless_a_reason_is_given() {
    let base = base();
    let bytes = vec![1; 100];
    let with = |sha256| Filling {
        region: "boot".into(),
        content: Content::Piece {
            file: "boot.bin".into(),
            bytes: &bytes,
            sha256,
            rest: Rest::Keep,
        },
    };
    let error = refused(&base, hash(&base), &[with([7; 32])]);
    assert!(error.to_string().contains("expected 0707"), "{error}");
    let (_, tailored) = run(&base, &[with(hash(&bytes))]).unwrap();
    assert_eq!(
        tailored.regions[0].piece,
        Some(("boot.bin".into(), hash(&bytes)))
    );
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
    let changing = Changing(vec![5; 5000], Cell::new(0));
    let filling = Filling {
        region: "boot".into(),
        content: Content::Piece {
            file: "boot.bin".into(),
            bytes: &changing,
            sha256: hash(&changing.0),
            rest: Rest::Keep,
        },
    };
    let error = run(&base, &[filling]).unwrap_err();
    assert!(matches!(error, TailorError::ChangedMeanwhile { file } if file == "boot.bin"));

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
