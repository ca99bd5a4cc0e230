//! Each error of the layers below, as its stop where it becomes one.

use std::fmt::{Display, Write};
use std::io;
use std::path::PathBuf;
use std::time::Duration;

use super::screen;
use crate::chip::ChipError;
use crate::cli::args::ParseValueError;
use crate::cli::questions::NoAnswer;
use crate::image::{Alarm, Form, Holds, RecordError, RecordProblem, TailorError};
use crate::interlock::{Acceptable, Panel};
use crate::jedec::sfdp::SfdpError;
use crate::jedec::{Address, Hertz, Millivolts};
use crate::job::{self, Stop};
use crate::link::LinkError;
use crate::unit::journal::JournalError;
use crate::unit::offline::{OfflineError, ParseHashError};
use crate::unit::store::{Action, StoreError};
use crate::unit::{Digest, Discrepancy, UnitError};
use crate::worklist::WorklistError;

/// One error for each pattern, in order. The patterns are all there are: one that is forgotten does not
/// compile.
macro_rules! each {
    ($($pattern:pat => $error:expr,)+) => {{
        let errors = vec![$($error),+];
        let mut all = errors.iter();
        $(assert!(all.next().is_some_and(|error| matches!(error, $pattern)));)+
        for error in &errors {
            match error {
                $($pattern => {})+
            }
        }
        errors
    }};
}

pub fn told() -> String {
    let mut text = String::new();
    let stops = |text: &mut String, title: &str, stops: Vec<Stop>| {
        let screens = stops.iter().map(screen).collect::<Vec<_>>().join("\n");
        writeln!(text, "-- {title}\n\n{screens}").unwrap();
    };
    stops(
        &mut text,
        "the link",
        link().into_iter().map(Stop::from).collect(),
    );
    stops(
        &mut text,
        "the chip",
        chip().into_iter().map(Stop::from).collect(),
    );
    stops(
        &mut text,
        "files",
        store().into_iter().map(Stop::from).collect(),
    );
    stops(
        &mut text,
        "the unit folder",
        unit().into_iter().map(Stop::from).collect(),
    );
    stops(
        &mut text,
        "the journal",
        journal().into_iter().map(Stop::from).collect(),
    );
    stops(
        &mut text,
        "tailor",
        tailor().iter().map(job::tailor_refused).collect(),
    );
    let plan = |error| job::no_plan(error, None, &mut Panel::default());
    stops(
        &mut text,
        "worklist",
        worklist().into_iter().map(plan).collect(),
    );
    text += &lines("records of a piece", &records());
    text += &lines("check of a unit folder", &findings());
    text += &lines("a hash kept elsewhere", &offline());
    text += &lines("what a dump looks like", &alarms());
    text += &lines("SFDP", &sfdp());
    text += &lines("questions", &questions());
    text += &lines("values of options", &values());
    text
}

fn lines<E: Display>(title: &str, errors: &[E]) -> String {
    let lines: String = errors.iter().map(|error| format!("{error}\n")).collect();
    format!("-- {title}\n\n{lines}\n")
}

fn path(name: &str) -> PathBuf {
    PathBuf::from("gauge-07").join(name)
}

fn system(number: i32) -> io::Error {
    io::Error::from_raw_os_error(number)
}

const AT: Address = Address(0x53_0000);

fn link() -> Vec<LinkError> {
    // A name that no computer has, so that what the system knows of it is the same everywhere.
    let node = || "/dev/spidev99.9".to_owned();
    each! {
        LinkError::Node { .. } => LinkError::Node { action: "open", node: node(), source: system(16) },
        LinkError::InUse { .. } => LinkError::InUse { node: node() },
        LinkError::Mode { .. } => LinkError::Mode { node: node(), asked: 0, got: 4 },
        LinkError::TooLong { .. } => LinkError::TooLong { bytes: 8192, limit: 4096 },
        LinkError::Short { .. } => LinkError::Short { expected: 4096, got: 1024 },
        LinkError::Refused { .. } => LinkError::Refused { sck: Hertz(1000), source: system(22) },
        LinkError::Io(_) => LinkError::Io(system(5)),
        LinkError::StillEnabled => LinkError::StillEnabled,
        LinkError::Guard(_) => LinkError::Guard("06h does not pass in a reading job".into()),
        LinkError::PowerCut { .. } => LinkError::PowerCut { cut: 40 },
        LinkError::Forbidden(_) => LinkError::Forbidden("the part has no opcode 99h".into()),
    }
}

fn chip() -> Vec<ChipError> {
    let waited = Duration::from_secs(3);
    each! {
        ChipError::Link(_) => ChipError::Link(LinkError::StillEnabled),
        ChipError::NoAnswer { .. } => ChipError::NoAnswer { byte: 0xFF },
        ChipError::StillBusy { .. } => ChipError::StillBusy { status: 0x03, waited },
        ChipError::Stopped => ChipError::Stopped,
        ChipError::WelStuck { .. } => ChipError::WelStuck { status: 0x02 },
        ChipError::LostContact { .. } => ChipError::LostContact {
            expected: "EF 40 18".into(), seen: "FF FF FF".into(), times: 8, reads: 8,
        },
        ChipError::StrangeStatus { .. } => ChipError::StrangeStatus { what: "erase", address: AT, seen: 0xFF },
        ChipError::UnsteadyRegister { .. } => ChipError::UnsteadyRegister { opcode: 0x05, first: 0x1C, second: 0 },
        ChipError::OutOfRange { .. } => ChipError::OutOfRange { address: AT, length: 2, size_bytes: 1 << 20 },
        ChipError::NoWayAbove16Mib { .. } => ChipError::NoWayAbove16Mib { size_bytes: 32 << 20 },
        ChipError::AddressMode { .. } => ChipError::AddressMode { wanted_bytes: 4 },
        ChipError::AddressRegister { .. } => ChipError::AddressRegister { opcode: 0xC8, wanted: 1, seen: 0 },
        ChipError::OpenedForReading => ChipError::OpenedForReading,
        ChipError::ProtectionOnly => ChipError::ProtectionOnly,
        ChipError::Latched => ChipError::Latched,
        ChipError::WriteEnableRefused { .. } => ChipError::WriteEnableRefused { address: AT, status: 0 },
        ChipError::CrossesPage { .. } => ChipError::CrossesPage { address: AT, length: 300 },
        ChipError::NotABlock { .. } => ChipError::NotABlock { address: Address(0x80), size_bytes: 4096 },
        ChipError::TimedOut { .. } => ChipError::TimedOut { what: "erase", address: AT, waited, status: 0x03 },
        ChipError::Failed { .. } => ChipError::Failed { what: "program", address: AT, status: 0x20 },
    }
}

fn store() -> Vec<StoreError> {
    let image = || path("as-found.bin");
    each! {
        StoreError::Io { .. } => StoreError::Io { action: Action::Read, path: image(), source: system(5) },
        StoreError::Full { .. } => StoreError::Full { path: image(), needed_bytes: 16 << 20, free_bytes: 4096 },
        StoreError::SyncFailed { .. } => StoreError::SyncFailed { path: image(), source: system(5) },
        StoreError::AfterSyncFailed { .. } => StoreError::AfterSyncFailed { path: image() },
        StoreError::InUse { .. } => StoreError::InUse { path: path(".lock") },
    }
}

fn unit() -> Vec<UnitError> {
    let folder = || PathBuf::from("gauge-07");
    let text = crate::unit::UnitFile::parse(
        &path("unit.toml"),
        b"format = 1\nnmae = 'gauge-07'\nodd = 1\n",
    );
    let encode = toml::to_string(&f64::NAN).unwrap_err();
    let hash = Digest::of;
    each! {
        UnitError::Store(_) => UnitError::Store(StoreError::InUse { path: path(".lock") }),
        UnitError::NotAUnit { .. } => UnitError::NotAUnit { folder: folder() },
        UnitError::NotEmpty { .. } => UnitError::NotEmpty { folder: folder(), found: "notes.txt".into() },
        UnitError::Name { .. } => UnitError::Name { folder: folder() },
        UnitError::Renamed { .. } => UnitError::Renamed { folder: folder(), recorded: "gauge-08".into() },
        UnitError::InUse { .. } => UnitError::InUse { folder: folder() },
        UnitError::OnlyViewed { .. } => UnitError::OnlyViewed { folder: folder() },
        UnitError::Text(_) => UnitError::Text(text.unwrap_err()),
        UnitError::Encode(_) => UnitError::Encode(encode),
        UnitError::Size { .. } => UnitError::Size { path: path("as-found.bin"), expected_bytes: 2, got_bytes: 1 },
        UnitError::Medium { .. } => UnitError::Medium { path: path("as-found.bin"), expected: hash(b"a"), got: hash(b"b") },
        UnitError::Unnoted { .. } => UnitError::Unnoted {
            file: "as-found-2.bin".into(), sha256: hash(b"a"), source: Box::new(UnitError::OnlyViewed { folder: folder() }),
        },
        UnitError::HashFile { .. } => UnitError::HashFile { path: path("as-found.sha256"), image: "as-found.bin".into() },
    }
}

fn journal() -> Vec<JournalError> {
    let write = || path("journal/write-1");
    let block = || 0x1_0000..0x2_0000;
    each! {
        JournalError::Store(_) => JournalError::Store(StoreError::AfterSyncFailed { path: write() }),
        JournalError::Unit(_) => JournalError::Unit(Box::new(UnitError::OnlyViewed { folder: "gauge-07".into() })),
        JournalError::Unfinished { .. } => JournalError::Unfinished { path: write() },
        JournalError::Ended { .. } => JournalError::Ended { path: write() },
        JournalError::DamagedHeader { .. } => JournalError::DamagedHeader { path: write(), why: "its digest is another" },
        JournalError::DamagedRecord { .. } => JournalError::DamagedRecord { path: write(), record: 7, why: "its checksum is another" },
        JournalError::Number { .. } => JournalError::Number { path: write(), inside: 2 },
        JournalError::Header { .. } => JournalError::Header { field: "part", got: 70, max: 64 },
        JournalError::Block { .. } => JournalError::Block { block: block() },
        JournalError::NotInHand { .. } => JournalError::NotInHand { block: block() },
        JournalError::StillInHand { .. } => JournalError::StillInHand { block: block() },
    }
}

fn tailor() -> Vec<TailorError> {
    let file = || "boot-loader.bin".to_owned();
    let region = || "boot".to_owned();
    let record = || RecordError {
        file: "system.hex".into(),
        line: 8,
        column: 42,
        problem: RecordProblem::Checksum,
    };
    each! {
        TailorError::MapSize { .. } => TailorError::MapSize { map_bytes: 8 << 20, baseline_bytes: 16 << 20 },
        TailorError::NotTheBaseline { .. } => TailorError::NotTheBaseline { recorded: [0x5C; 32], found: [0x2D; 32] },
        TailorError::NoSuchRegion(_) => TailorError::NoSuchRegion("bot".into()),
        TailorError::NotReplaceable { .. } => TailorError::NotReplaceable { region: region(), holds: Holds::UnitData },
        TailorError::RegionTwice(_) => TailorError::RegionTwice(region()),
        TailorError::EmptyPiece { .. } => TailorError::EmptyPiece { file: file() },
        TailorError::PieceTooLarge { .. } => TailorError::PieceTooLarge {
            file: file(), piece_bytes: 300 << 10, region: region(), region_bytes: 256 << 10, offset: Some(0x1000),
        },
        TailorError::OffsetOutside { .. } => TailorError::OffsetOutside {
            file: file(), offset: Address(0x50000), region: region(), region_bytes: 256 << 10,
        },
        TailorError::Records(_) => TailorError::Records(record()),
        TailorError::RecordsElsewhere { .. } => TailorError::RecordsElsewhere {
            file: "system.hex".into(), line: 2, address: Address(0x9FC0_0000), region: "system".into(),
            wanted: Address(0x5_0000)..Address(0xFC_0000),
        },
        TailorError::PiecesOverlap { .. } => TailorError::PiecesOverlap {
            one: file(), one_at: Address(0)..Address(0x1000), other: "logo.bin".into(),
            other_at: Address(0x800)..Address(0x900), region: region(),
        },
        TailorError::NoRule { .. } => TailorError::NoRule {
            region: region(), region_bytes: 256 << 10, pieces_bytes: 236 << 10, first: Address(0x3_B000),
        },
        TailorError::RecordsBehind { .. } => TailorError::RecordsBehind { file: "system.hex".into(), line: 3 },
        TailorError::TextPiece { .. } => TailorError::TextPiece { file: "readme.txt".into(), region: region() },
        TailorError::NothingChanges { .. } => TailorError::NothingChanges { region: region(), files: vec![file()] },
        TailorError::StartBlank { .. } => TailorError::StartBlank { region: region(), whole: true },
        TailorError::PieceHash { .. } => TailorError::PieceHash { file: file(), expected: [0x5C; 32], found: [0x2D; 32] },
        TailorError::ChangedMeanwhile { .. } => TailorError::ChangedMeanwhile { file: file() },
        TailorError::Read { .. } => TailorError::Read { file: file(), source: system(5) },
        TailorError::Write(_) => TailorError::Write(system(28)),
    }
}

fn worklist() -> Vec<WorklistError> {
    each! {
        WorklistError::Size { .. } => WorklistError::Size { what: "the target", part_bytes: 16 << 20, found_bytes: 8 << 20 },
        WorklistError::Geometry { .. } => WorklistError::Geometry { what: "erase", bytes: 3000, part_bytes: 16 << 20 },
        WorklistError::NoErase { .. } => WorklistError::NoErase { address: AT },
        WorklistError::SharedBlock { .. } => WorklistError::SharedBlock {
            range: 0xFC_0000..0xFD_0000, region: "calibration".into(), blocks: 1,
        },
        WorklistError::Read { .. } => WorklistError::Read { what: "the target", address: AT, source: system(5) },
    }
}

fn records() -> Vec<RecordProblem> {
    each! {
        RecordProblem::NoRecord(_) => RecordProblem::NoRecord(Form::SRecord),
        RecordProblem::NoDigit(_) => RecordProblem::NoDigit(b'G'),
        RecordProblem::Length => RecordProblem::Length,
        RecordProblem::Checksum => RecordProblem::Checksum,
        RecordProblem::Type => RecordProblem::Type,
        RecordProblem::PastTheEnd => RecordProblem::PastTheEnd,
        RecordProblem::Count { .. } => RecordProblem::Count { said: 12, found: 11 },
        RecordProblem::AfterTheEnd => RecordProblem::AfterTheEnd,
        RecordProblem::NoEnd => RecordProblem::NoEnd,
        RecordProblem::Twice(_) => RecordProblem::Twice(AT),
        RecordProblem::Scattered => RecordProblem::Scattered,
    }
}

fn findings() -> Vec<Discrepancy> {
    let file = || "as-found.bin".to_owned();
    let hash = Digest::of;
    each! {
        Discrepancy::Missing { .. } => Discrepancy::Missing { file: file() },
        Discrepancy::NotAFile { .. } => Discrepancy::NotAFile { file: file() },
        Discrepancy::Unreadable { .. } => Discrepancy::Unreadable { file: file(), source: StoreError::AfterSyncFailed { path: path("x") } },
        Discrepancy::Changed { .. } => Discrepancy::Changed { file: file(), recorded: hash(b"a"), got: hash(b"b") },
        Discrepancy::HashFile { .. } => Discrepancy::HashFile {
            file: "as-found.sha256".into(), source: UnitError::OnlyViewed { folder: "gauge-07".into() },
        },
        Discrepancy::HashFileChanged { .. } => Discrepancy::HashFileChanged {
            file: "as-found.sha256".into(), recorded: hash(b"a"), got: hash(b"b"),
        },
        Discrepancy::NotRecorded { .. } => Discrepancy::NotRecorded { file: "as-found-2.bin".into() },
        Discrepancy::NoSuchName { .. } => Discrepancy::NoSuchName { file: "found.bin".into() },
        Discrepancy::LeftUnfinished { .. } => Discrepancy::LeftUnfinished { file: "as-found-2.bin.unfinished".into() },
        Discrepancy::Writable { .. } => Discrepancy::Writable { file: file(), mode: 0o644 },
        Discrepancy::FolderOpen { .. } => Discrepancy::FolderOpen { mode: 0o755 },
    }
}

fn offline() -> Vec<OfflineError> {
    let odd = ParseHashError::Odd {
        character: 'G',
        place: 9,
        digits: 8,
    };
    let hashes = each! {
        ParseHashError::Odd { .. } => odd.clone(),
        ParseHashError::Count { .. } => ParseHashError::Count { digits: 63 },
    };
    assert_eq!(hashes.len(), 2);
    each! {
        OfflineError::Store(_) => OfflineError::Store(StoreError::AfterSyncFailed { path: path("x") }),
        OfflineError::Neither { .. } => OfflineError::Neither { text: "5c1f09eG".into(), source: odd.clone() },
        OfflineError::HashFile { .. } => OfflineError::HashFile { path: "/media/stick/as-found.sha256".into(), source: odd.clone() },
    }
}

fn alarms() -> Vec<Alarm> {
    each! {
        Alarm::Uniform(_) => Alarm::Uniform(0),
        Alarm::StuckHigh(_) => Alarm::StuckHigh(0x80),
        Alarm::StuckLow(_) => Alarm::StuckLow(0x80),
    }
}

fn sfdp() -> Vec<SfdpError> {
    each! {
        SfdpError::NoSignature { .. } => SfdpError::NoSignature { seen: [0xFF; 4] },
        SfdpError::Truncated { .. } => SfdpError::Truncated { have: 12, need: 16 },
        SfdpError::MajorRevision { .. } => SfdpError::MajorRevision { major: 2 },
        SfdpError::NoBasicTable => SfdpError::NoBasicTable,
        SfdpError::BasicTableUnusable { .. } => SfdpError::BasicTableUnusable { why: "has 4 DWORDs".into() },
    }
}

fn questions() -> Vec<NoAnswer> {
    let question = || "Clip square, pin 1 at the dot?".to_owned();
    each! {
        NoAnswer::Ended { .. } => NoAnswer::Ended { question: question() },
        NoAnswer::Unclear { .. } => NoAnswer::Unclear { question: question(), tries: 3 },
        NoAnswer::Terminal(_) => NoAnswer::Terminal(system(5)),
    }
}

/// Of options, which the command line names in front.
fn values() -> Vec<String> {
    let own = each! {
        ParseValueError::NotA { .. } => ParseValueError::NotA { wanted: "a size such as 16MiB" },
        ParseValueError::Hash(_) => ParseValueError::Hash(ParseHashError::Count { digits: 63 }),
        ParseValueError::EmptyRange => ParseValueError::EmptyRange,
    };
    let mut values: Vec<String> = own.iter().map(ToString::to_string).collect();
    values.push(crate::image::parse_size("16MB").unwrap_err().to_string());
    values.push("20".parse::<Hertz>().unwrap_err().to_string());
    values.push("3.3".parse::<Millivolts>().unwrap_err().to_string());
    values.push(
        "supply-level"
            .parse::<Acceptable>()
            .unwrap_err()
            .to_string(),
    );
    values.push("5c1f".parse::<Digest>().unwrap_err().to_string());
    values
}
