//! Many unit folders on one page.

use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use maud::html;
use serde::Serialize;

use super::page::{mark, page, when};
use super::{PAGE, clean};
use crate::job::{Exit, Stop};
use crate::unit::journal::Journal;
use crate::unit::store::{EntryKind, Store};
use crate::unit::{Recorded, Unit, UnitError};

/// File name of the page in the folder of unit folders.
pub const SHELF_PAGE: &str = "shelf.html";

/// What stands in a folder of unit folders.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Shelf {
    /// The folder.
    pub folder: String,
    /// Its units: unfinished ones first, then damaged folders, then the others, each by name.
    pub units: Vec<Shelved>,
}

/// One unit folder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Shelved {
    /// Name of the folder.
    pub folder: String,
    /// The part, once it was identified.
    pub part: Option<String>,
    /// What was done last.
    pub last: Option<Recorded>,
    /// Whether a write or restore did not end.
    pub unfinished: bool,
    /// Why the folder cannot be understood.
    pub damage: Option<String>,
    /// Whether it has a logbook.
    pub logbook: bool,
}

impl Shelved {
    /// Its place: what wants to be looked at comes first.
    fn rank(&self) -> u8 {
        match (self.unfinished, &self.damage) {
            (true, _) => 0,
            (false, Some(_)) => 1,
            (false, None) => 2,
        }
    }

    /// In which state it is, in words.
    #[must_use]
    pub fn state(&self) -> String {
        if let Some(damage) = &self.damage {
            return damage.clone();
        }
        let last = self
            .last
            .as_ref()
            .map(|last| format!("{}: {}", last.command, last.outcome));
        match (self.unfinished, last) {
            (true, _) => "a write or restore did not end".to_owned(),
            (false, Some(last)) => last,
            (false, None) => "nothing done yet".to_owned(),
        }
    }
}

impl Shelf {
    /// What the command ends with: an unfinished journal counts most, then a damaged folder.
    #[must_use]
    pub fn exit(&self) -> Exit {
        match self.units.iter().map(Shelved::rank).min() {
            Some(0) => Exit::Unfinished,
            Some(1) => Exit::Different,
            _ => Exit::True,
        }
    }

    /// The page: a line for each unit, with a link to its logbook.
    #[must_use]
    pub fn page(&self) -> String {
        let body = html! {
            header { (mark(false, &html! {}, &html! {
                h1 { "Shelf " (clean(&self.folder)) }
                p.lead { (self.summary()) }
            })) }
            main {
                @for unit in &self.units { (mark(unit.rank() == 2, &html! {
                    h2 {
                        @if unit.logbook {
                            a href=(format!("{}/{PAGE}", percent(&unit.folder))) { (clean(&unit.folder)) }
                        } @else { (clean(&unit.folder)) }
                    }
                }, &html! {
                    p {
                        @if let Some(part) = &unit.part { (clean(part)) br; }
                        (clean(&unit.state()))
                        @if let Some(last) = &unit.last { br; span.soft { (clean(&when(last))) } }
                    }
                    @if !unit.logbook && unit.damage.is_none() { p.soft { "It has no logbook yet." } }
                })) }
            }
        };
        page(&format!("Shelf {}", self.folder), &body)
    }

    /// How many there are, and how many want to be looked at.
    #[must_use]
    pub fn summary(&self) -> String {
        let count = |rank| self.units.iter().filter(|unit| unit.rank() == rank).count();
        let mut text = match self.units.len() {
            0 => "No unit folder is here.".to_owned(),
            1 => "1 unit folder.".to_owned(),
            all => format!("{all} unit folders."),
        };
        for (number, one, more) in [
            (
                count(0),
                "has a write or restore that did not end",
                "have a write or restore that did not end",
            ),
            (count(1), "wants to be looked at", "want to be looked at"),
        ] {
            // Writing to a String cannot fail.
            let _ = match number {
                0 => Ok(()),
                1 => write!(text, " 1 {one}."),
                number => write!(text, " {number} {more}."),
            };
        }
        text
    }
}

/// Looks at every unit folder in `folder` and puts the page there, in place of the one before. Nothing in
/// the unit folders is changed.
///
/// # Errors
/// A [`Stop`] where the folder cannot be looked at or the page not be kept.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, mut unit) = Gauge::new()?;
/// use norlock::job::{Exit, Nobody, backup, shelf};
///
/// backup(&mut unit, gauge.bench(), &mut Nobody)?;
/// let store = Arc::clone(unit.store());
/// let shelf = shelf(&store, Path::new("/bench"))?;
/// assert_eq!(shelf.units[0].folder, "gauge-07");
/// assert_eq!(shelf.exit(), Exit::True);
/// assert!(store.exists(Path::new("/bench/shelf.html"))?);
/// # Ok(())
/// # }
/// ```
pub fn shelf(store: &Arc<dyn Store>, folder: &Path) -> Result<Shelf, Stop> {
    let folder = store.canonical(folder)?;
    let mut units = Vec::new();
    for entry in store.list(&folder)? {
        if entry.kind == EntryKind::Folder {
            units.extend(shelved(store, &folder, entry.name)?);
        }
    }
    units.sort_by(|one, other| (one.rank(), &one.folder).cmp(&(other.rank(), &other.folder)));
    let name = folder
        .file_name()
        .map(|name| name.to_string_lossy().into_owned());
    let shelf = Shelf {
        folder: name.unwrap_or_default(),
        units,
    };
    store.replace(&folder.join(SHELF_PAGE), shelf.page().as_bytes())?;
    Ok(shelf)
}

/// What a folder tells; `None` for one that is no unit.
fn shelved(store: &Arc<dyn Store>, folder: &Path, name: String) -> Result<Option<Shelved>, Stop> {
    let path = folder.join(&name);
    let mut shelved = Shelved {
        logbook: store.exists(&path.join(PAGE)).unwrap_or(false),
        folder: name,
        part: None,
        last: None,
        unfinished: false,
        damage: None,
    };
    let unit = match Unit::view(Arc::clone(store), &path) {
        Ok(unit) => unit,
        Err(UnitError::NotAUnit { .. }) => return Ok(None),
        Err(error) => {
            shelved.damage = Some(Stop::from(error).headline);
            return Ok(Some(shelved));
        }
    };
    let file = unit.file();
    shelved.part = file.identity.as_ref().map(|identity| identity.part.clone());
    shelved.last = file.operations.last().cloned();
    if file.name != shelved.folder {
        shelved.damage = Some(format!(
            "It was renamed: its unit.toml is of {}.",
            file.name
        ));
    }
    match Journal::find_unfinished(&unit) {
        Ok(unfinished) => shelved.unfinished = unfinished.is_some(),
        Err(error) => shelved.damage = Some(Stop::from(error).headline),
    }
    Ok(Some(shelved))
}

/// A name as a part of a relative URL (RFC 3986, 2.3: what is unreserved stays).
fn percent(name: &str) -> String {
    name.bytes().fold(String::new(), |mut out, byte| {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                out.push(byte.into())
            }
            // Writing to a String cannot fail.
            _ => {
                let _ = write!(out, "%{byte:02X}");
            }
        }
        out
    })
}
