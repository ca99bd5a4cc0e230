//! `inspect`: which image, which map, and where the draft goes.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::args::{InspectArgs, PictureFile};
use super::commands::{exists_already, keep, verdict};
use super::line::Report;
use super::run::Answer;
use super::setup::image;
use super::show;
use crate::image::{Comparison, Inspection, RegionMap, Staff};
use crate::job::{self, Exit, Inspected, Stop};
use crate::unit::store::{RealStore, Store, StoreFile};
use crate::unit::{Unit, UnitError};

/// Looks at an image, or compares two.
///
/// # Errors
/// A [`Stop`] for files that cannot be read, or are there already and may not be.
pub fn inspect(args: &InspectArgs) -> Result<Answer, Stop> {
    let store = Arc::new(RealStore::new());
    let picture = args.picture.as_ref().map(|picture| picture.file.as_path());
    for file in args.draft_map.as_deref().into_iter().chain(picture) {
        if store.exists(file)? {
            return Err(exists_already(file));
        }
    }
    let one = Opened::new(&store, &args.image, args.unit.as_deref())?;
    let map = match (&args.map, &one.unit) {
        (Some(file), _) => Some(job::map_in_file(store.as_ref(), file)?),
        (None, Some(unit)) => job::regions_of(store.as_ref(), unit.folder())?,
        (None, None) => None,
    };
    let map = map.as_ref();
    match &args.other {
        None => {
            let inspected = one.inspected(map);
            let report = match args.strings {
                true => job::inspect_with_strings(&inspected)?,
                false => job::inspect(&inspected)?,
            };
            draft(args, &store, &report.found, None)?;
            let staff = report.found.staff(map, report.strings.as_ref());
            draw(args, &store, &staff, &report.image)?;
            let screen = show::inspected(&report, map, args);
            Ok(Answer::new(
                verdict(report.sane),
                screen,
                Report::Inspect(&report),
            ))
        }
        Some(other) => {
            let (mut one, mut other) = (one, Opened::new(&store, other, None)?);
            if one.name == other.name || one.folder() != other.folder() {
                one.named_by_folder(&store);
                other.named_by_folder(&store);
            }
            let (report, first) = job::compare(&one.inspected(map), &other.inspected(map))?;
            draft(args, &store, &first.found, Some(&report.found))?;
            let title = report.images.join(" and ");
            draw(args, &store, &report.found.staff(map), &title)?;
            let screen = show::compared(&report, map, args);
            let sane = report.doubts.iter().all(Vec::is_empty);
            Ok(Answer::new(
                verdict(sane),
                screen,
                Report::InspectTwo(&report),
            ))
        }
    }
}

/// An image, and the unit that it belongs to.
struct Opened {
    name: String,
    path: PathBuf,
    file: Box<dyn StoreFile>,
    unit: Option<Unit>,
    is_backup: bool,
}

impl Opened {
    /// `unit` is the one that was named; without it, the folder that the image lies in may be one.
    fn new(store: &Arc<RealStore>, path: &Path, unit: Option<&Path>) -> Result<Self, Stop> {
        let (file, name) = image(store.as_ref(), unit, path)?;
        let parent = match path.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent,
            _ => Path::new("."),
        };
        let found = match Unit::view(Arc::clone(store) as Arc<dyn Store>, unit.unwrap_or(parent)) {
            Err(UnitError::NotAUnit { .. }) if unit.is_none() => None,
            found => Some(found?),
        };
        let is_backup = found
            .as_ref()
            .is_some_and(|unit| is_backup(store.as_ref(), unit, path));
        Ok(Self {
            name,
            path: path.to_owned(),
            file,
            unit: found,
            is_backup,
        })
    }

    /// The unit's folder.
    fn folder(&self) -> Option<&Path> {
        self.unit.as_ref().map(Unit::folder)
    }

    /// Two units' images have the same names: the folder tells which is whose.
    fn named_by_folder(&mut self, store: &RealStore) {
        let unit = self.unit.as_ref().map(|unit| unit.name().to_owned());
        let whole = store.canonical(&self.path).ok();
        let folder = || Some(whole?.parent()?.file_name()?.to_string_lossy().into_owned());
        if let Some(folder) = unit.or_else(folder) {
            self.name = format!("{folder}/{}", self.name);
        }
    }

    fn inspected<'a>(&'a self, map: Option<&'a RegionMap>) -> Inspected<'a> {
        let unit = self.unit.as_ref();
        let identity = unit.and_then(|unit| unit.file().identity.as_ref());
        Inspected {
            name: self.name.clone(),
            file: self.file.as_ref(),
            map,
            chip_size_bytes: identity.map(|identity| identity.size_bytes),
            is_backup: self.is_backup,
        }
    }
}

/// Whether the file is one of the unit's recorded backups; a bare name may be meant in its folder.
fn is_backup(store: &RealStore, unit: &Unit, path: &Path) -> bool {
    let whole = store.canonical(path);
    let whole = whole.or_else(|_| store.canonical(&unit.folder().join(path)));
    whole.is_ok_and(|whole| unit.backups().iter().any(|backup| backup.path == whole))
}

/// Draws the staff into a new file, where that was asked for.
fn draw(args: &InspectArgs, store: &RealStore, staff: &Staff, title: &str) -> Result<(), Stop> {
    const SHOWS: &str = "What is where, by its look:";
    let Some(PictureFile { file, is_png }) = &args.picture else {
        return Ok(());
    };
    let bytes = match is_png {
        false => staff.svg(title, SHOWS).into_bytes(),
        true => staff.png(title, SHOWS).map_err(|error| {
            let next = "Name a file that ends in .svg; that has no largest size.";
            Stop::new(Exit::FileFault, "The picture is too large for a PNG.", next).because(error)
        })?,
    };
    keep(store, file, &bytes)
}

/// Writes the region map that was asked for into a new file.
fn draft(
    args: &InspectArgs,
    store: &RealStore,
    found: &Inspection,
    compared: Option<&Comparison>,
) -> Result<(), Stop> {
    let Some(file) = args.draft_map.as_deref() else {
        return Ok(());
    };
    if found.look.size_bytes == 0 {
        let next = "Name the dump of a chip.";
        return Err(Stop::new(
            Exit::FileFault,
            "There is nothing to map in it.",
            next,
        ));
    }
    let name = args.image.file_name().unwrap_or_default().to_string_lossy();
    keep(store, file, found.draft_map(&name, compared).as_bytes())
}
