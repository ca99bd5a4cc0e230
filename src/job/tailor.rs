//! `tailor`: this unit's target image from its baseline, the region map and pieces. No hardware.

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use serde::Serialize;

use super::explain::sentence;
use super::record::{REGION_MAP, parse_map, region_map};
use super::write::no_backup;
use super::{Exit, Stop};
use crate::image::{
    Baseline, Filling, Piece, RecordError, RecordProblem, RegionMap, Rest, Span, TailorError,
    Tailored,
};
use crate::jedec::Address;
use crate::part::Catalogue;
use crate::unit::journal::Journal;
use crate::unit::store::StoreFile;
use crate::unit::{Digest, ImageName, Operation, Unfinished, Unit, UnitError};

/// What goes into one region.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TailorOrder {
    /// The region.
    pub region: String,
    /// The pieces; none where the region is only filled.
    pub pieces: Vec<PieceOrder>,
    /// What becomes of what the pieces leave; needed where they leave something.
    pub rest: Option<Rest>,
}

/// A file that goes into a region.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PieceOrder {
    /// The file: raw bytes, Intel HEX or Motorola S-records.
    pub file: PathBuf,
    /// Where in the region it begins; without it at the start, or where its own addresses say.
    pub offset: Option<u32>,
    /// SHA-256 that the file must have.
    pub sha256: Digest,
}

/// What was made.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct TailorReport {
    /// The unit.
    pub unit: String,
    /// File name of the backup it was made from.
    pub baseline: String,
    /// File name of the target.
    pub target: String,
    /// Whether the map that was named is the unit's own now, which had none.
    pub took_map: bool,
    /// What was done, by region.
    pub tailored: Tailored,
    /// All that keeps its content: other regions and what lies between regions.
    pub kept: Vec<Span>,
}

/// Makes the unit's target. `map_file` names a region map other than the unit's own; where the unit has none, that one
/// becomes its own. `catalogue` gives the part's smallest erase, for the report on regions that do not keep to it.
/// `replace` allows an existing target to be replaced.
///
/// # Errors
/// A [`Stop`] that names the file, region or hash at fault; no target is then left or changed, but where only noting
/// it failed. A map that was named may be the unit's own by then.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, mut unit) = Gauge::new()?;
/// use norlock::job::{Nobody, backup, tailor};
///
/// backup(&mut unit, gauge.bench(), &mut Nobody)?;
/// let orders = [gauge.boot.clone()];
/// let map = Some(gauge.map.as_path());
/// let report = tailor(&mut unit, &orders, map, &gauge.catalogue, false)?;
/// assert_eq!(report.target, "target.bin");
/// # Ok(())
/// # }
/// ```
pub fn tailor(
    unit: &mut Unit,
    orders: &[TailorOrder],
    map_file: Option<&Path>,
    catalogue: &Catalogue,
    replace: bool,
) -> Result<TailorReport, Stop> {
    if orders.is_empty() {
        let next = "Name a piece (--piece REGION=FILE) or a fill (--fill REGION=blank).";
        let headline = "There is nothing to put into the image.";
        return Err(Stop::new(Exit::Usage, headline, next));
    }
    let (map, new_map) = the_map(unit, map_file)?;
    let baseline = unit.baseline().ok_or_else(no_backup)?;
    may_be_made(unit, replace)?;
    refuse_guesses(unit, orders)?;
    let content = unit.open_image(&baseline)?;
    let files = open_pieces(unit, orders)?;
    let mut files = files.iter();
    let fillings = orders.iter().map(|order| filling(order, &mut files));
    let fillings: Vec<Filling<'_>> = fillings.collect();
    let base = Baseline {
        content: &content,
        recorded_sha256: baseline.sha256.0,
    };
    let mut unfinished = unit.begin_target(baseline.size_bytes)?;
    let mut out = Sequential {
        unfinished: &mut unfinished,
        at: 0,
        failed: None,
    };
    let erase_size = erase_size(unit, catalogue);
    let made = crate::image::tailor(&base, &map, &fillings, erase_size, &mut out);
    let failed = out.failed;
    let tailored = made.map_err(|error| failed.map_or_else(|| refused(&error), Stop::from))?;
    // Only now, and before the target that cannot be written without it.
    if let Some(text) = &new_map {
        let own = unit.folder().join(REGION_MAP);
        unit.store().replace(&own, text).map_err(UnitError::from)?;
    }
    let image = unfinished.publish(unit, Digest(tailored.sha256))?;
    let (baseline, target) = (baseline.name.file_name(), image.name.file_name());
    let done = Operation {
        command: "tailor".into(),
        outcome: format!("made {target} from {baseline}"),
        chip: "not met".into(),
        conditions: made_of(&tailored),
        ..Operation::default()
    };
    unit.record(done, SystemTime::now()).map_err(|error| {
        let mut stop = Stop::from(error).kept(&target, image.sha256);
        stop.next = "Mend that. The target is whole, and need not be made again.".into();
        stop
    })?;
    let mut kept = map.spans();
    kept.retain(|span| {
        let mut regions = tailored.regions.iter();
        !regions.any(|region| region.range == span.range)
    });
    Ok(TailorReport {
        unit: unit.name().to_owned(),
        baseline,
        target,
        took_map: new_map.is_some(),
        kept,
        tailored,
    })
}

/// A target that an unfinished write needs is never replaced, another only where that is asked for.
fn may_be_made(unit: &Unit, replace: bool) -> Result<(), Stop> {
    if let Some(unfinished) = Journal::find_unfinished(unit)? {
        let next =
            "Finish it with the same write command, or go back: norlock restore --unit FOLDER";
        let headline = "An unfinished write needs the target as it is.";
        return Err(Stop::new(Exit::Unfinished, headline, next)
            .row("seen", unit.shown(&unfinished.path))
            .after_change());
    }
    if unit.image(ImageName::Target).is_some() && !replace {
        let next = "Add --replace to make it anew; the backups stay as they are.";
        return Err(Stop::new(
            Exit::FileFault,
            "The unit has a target already.",
            next,
        ));
    }
    Ok(())
}

/// For the record: the target's hash, and each piece with its place and hash.
fn made_of(tailored: &Tailored) -> BTreeMap<String, String> {
    let pieces = tailored.regions.iter().flat_map(|region| {
        let pieces = region.pieces.iter();
        pieces.map(|piece| {
            let place = format!("{} {}", region.name, Address(piece.range.start));
            let file = Path::new(&piece.file).file_name().unwrap_or_default();
            let hash = Digest(piece.sha256);
            (place, format!("{}, SHA-256 {hash}", file.to_string_lossy()))
        })
    });
    let target = (
        "target".to_owned(),
        format!("SHA-256 {}", Digest(tailored.sha256)),
    );
    pieces.chain([target]).collect()
}

/// The map that was named, with its text where it becomes the unit's own, which has none; else the
/// unit's own.
fn the_map(unit: &Unit, file: Option<&Path>) -> Result<(RegionMap, Option<Vec<u8>>), Stop> {
    if let Some(file) = file {
        let bytes = unit.store().read(file).map_err(UnitError::from)?;
        let (map, _) = parse_map(&file.display().to_string(), &bytes)?;
        let own = unit.folder().join(REGION_MAP);
        let has_one = unit.store().exists(&own).map_err(UnitError::from)?;
        return Ok((map, (!has_one).then_some(bytes)));
    }
    region_map(unit)?
        .map(|(map, _)| (map, None))
        .ok_or_else(|| {
            let next =
                "Write regions.toml into the unit folder (docs/files.md), or name one: --map FILE";
            Stop::new(Exit::FileFault, "The unit has no region map.", next)
        })
}

/// What most passes over a suspect chip read is no piece, whatever its file is called.
fn refuse_guesses(unit: &Unit, orders: &[TailorOrder]) -> Result<(), Stop> {
    for piece in orders.iter().flat_map(|order| &order.pieces) {
        if let Some(survey) = unit.is_best_guess(&piece.sha256) {
            let headline = format!("'{}' is a best guess.", piece.file.display());
            let next = "Give a piece that was made, or read twice alike; no target was made.";
            return Err(Stop::new(Exit::FileFault, headline, next)
                .row(
                    "seen",
                    format!("its hash is that of the best guess of {survey}"),
                )
                .row(
                    "means",
                    "passes over a suspect chip voted for it; it was never read twice alike",
                ));
        }
    }
    Ok(())
}

/// The files of all pieces, in their order.
fn open_pieces(unit: &Unit, orders: &[TailorOrder]) -> Result<Vec<Box<dyn StoreFile>>, Stop> {
    let pieces = orders.iter().flat_map(|order| &order.pieces);
    let files = pieces.map(|piece| unit.store().open(&piece.file).map_err(UnitError::from));
    Ok(files.collect::<Result<_, _>>()?)
}

/// The order with its files, which are the next ones.
fn filling<'a>(
    order: &TailorOrder,
    files: &mut impl Iterator<Item = &'a Box<dyn StoreFile>>,
) -> Filling<'a> {
    let pieces = order.pieces.iter().zip(files);
    Filling {
        region: order.region.clone(),
        pieces: pieces
            .map(|(piece, bytes)| Piece {
                file: piece.file.display().to_string(),
                bytes,
                offset: piece.offset,
                sha256: piece.sha256.0,
            })
            .collect(),
        rest: order.rest,
    }
}

pub(crate) fn refused(error: &TailorError) -> Stop {
    let (means, next) = meaning(error);
    let mut stop = Stop::new(Exit::FileFault, sentence(error), next);
    if let Some(source) = std::error::Error::source(error) {
        stop = stop.row("seen", source.to_string());
    }
    match means {
        "" => stop,
        means => stop.row("means", means),
    }
}

/// What an error means, where that is not plain, and what to do next.
fn meaning(error: &TailorError) -> (&'static str, String) {
    let next =
        |(means, next): (&'static str, &str)| (means, format!("{next}; no target was made."));
    match error {
        TailorError::NoRule { region, .. } => (
            "",
            format!(
                "Say it: --fill {region}=keep leaves it as found, --fill {region}=blank makes it FF, \
                 --fill {region}=0x00 another byte."
            ),
        ),
        TailorError::StartBlank { region, .. } => (
            "with nothing to start from the board would be as dead as without its flash",
            format!("Give a piece for it: --piece {region}=FILE; no target was made."),
        ),
        TailorError::RecordsElsewhere { region, .. } => (
            "addresses in a file of records are flash addresses, or begin with 0 and count from where \
             the piece begins",
            format!(
                "Look whether region '{region}' is the right one. Where the maker's addresses are a \
                 processor's, turn the file into raw bytes; no target was made."
            ),
        ),
        TailorError::PiecesOverlap { region, .. } => (
            "",
            format!(
                "Let each begin behind the one before: --piece {region}+OFFSET=FILE; no target was made."
            ),
        ),
        TailorError::TextPiece { .. } => (
            "a page that was saved in place of the file looks like this, or notes that lie beside it",
            "Look into it. Only text of your own that does belong into flash: append the byte that ends \
             it there, 00 or FF; its SHA-256 is then another."
                .into(),
        ),
        error => next(of_piece(error).unwrap_or_else(|| of_map(error))),
    }
}

/// What an error of a piece's file means, and what to do next; `None` of an error that is of no file.
fn of_piece(error: &TailorError) -> Option<(&'static str, &'static str)> {
    Some(match error {
        TailorError::NothingChanges { .. } => (
            "it is not what was to go there, or the unit has it already",
            "Look whether it is the right file. If it is, leave it out",
        ),
        TailorError::RecordsBehind { .. } => (
            "raw, its text would go into flash as it is; read as records, what stands before them would be \
             passed over unread",
            "Get it from its maker without that, with its hash",
        ),
        TailorError::Records(RecordError {
            problem: RecordProblem::Scattered | RecordProblem::NoDigit(b'\r'),
            ..
        }) => (
            "so many jumps, or lines that end as on another system, are not read",
            "Turn the file into raw bytes, and give them with their own hash",
        ),
        TailorError::Records(_) => (
            "the file is not as its maker meant it, whatever its hash",
            "Get it anew, with its hash",
        ),
        TailorError::EmptyPiece { .. } => (
            "a copy or a download that failed leaves such a file",
            "Get it anew, with its hash",
        ),
        TailorError::PieceHash { .. } => (
            "the file was damaged on its way, or is another than the one that was meant",
            "Get it anew from its maker, and compare the hash that comes with it",
        ),
        TailorError::PieceTooLarge { .. } => (
            "it is meant for another region or another board, or the region map has its borders wrong",
            "Look which region it is for, and at the map (docs/files.md)",
        ),
        TailorError::ChangedMeanwhile { .. } => (
            "something still writes to it, or the disk does not give the same bytes twice",
            "Wait until its copy is whole, then give the same command again",
        ),
        TailorError::Read { .. } | TailorError::Write(_) => (
            "the disk is full, failing or unplugged",
            "Mend that, then give the same command again",
        ),
        _ => return None,
    })
}

/// The same of an error between command line, region map and backup.
fn of_map(error: &TailorError) -> (&'static str, &'static str) {
    match error {
        TailorError::MapSize { .. } => (
            "the map is that of a board with another flash, or its size is a slip",
            "Give the map that belongs to this board, or mend its size",
        ),
        TailorError::NotTheBaseline { .. } => (
            "the backup is damaged, or was exchanged",
            "See what is wrong with it: norlock check --unit FOLDER",
        ),
        TailorError::NotReplaceable { .. } => (
            "what is this unit's own exists nowhere else, and a piece would write over it",
            "Leave that piece out; only if the map is wrong, mend what the region holds",
        ),
        TailorError::OffsetOutside { .. } => (
            "the place counts from where the region begins, not from address 0",
            "Give an offset within the region",
        ),
        TailorError::RegionTwice(_) => (
            "which of the two counts cannot be told",
            "Give one --fill for each region; several pieces for one region each take an offset",
        ),
        _ => (
            "a piece goes into a region that the map names",
            "Look at the names in the region map, and give one of them",
        ),
    }
}

/// The unit's part's smallest erase, for the report on regions that do not keep to it.
fn erase_size(unit: &Unit, catalogue: &Catalogue) -> u32 {
    let part = super::worklist::part_of(unit, catalogue);
    let smallest = part.and_then(|part| part.erase_types.iter().map(|kind| kind.size_bytes).min());
    smallest.unwrap_or(4096)
}

/// The unfinished target as a sink.
struct Sequential<'a> {
    unfinished: &'a mut Unfinished,
    at: u64,
    failed: Option<UnitError>,
}

impl Write for Sequential<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if let Err(error) = self.unfinished.write_at(self.at, bytes) {
            let text = error.to_string();
            self.failed = Some(error);
            return Err(io::Error::other(text));
        }
        self.at += bytes.len() as u64;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
