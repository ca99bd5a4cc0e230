//! The parts that are known: those of `chips/`, and those that the user adds.

use std::sync::LazyLock;

use super::schema::{Entry, PartFault, Sheet, read, read_all, tell};
use super::{Marking, Part, Refused, marking};
use crate::text::{Reading, TextError};

/// The files of `chips/`, sorted. A test checks that none is missing.
const BUILT_IN: [(&str, &str); 19] = [
    ("adesto.toml", include_str!("../../chips/adesto.toml")),
    ("amic.toml", include_str!("../../chips/amic.toml")),
    ("boya.toml", include_str!("../../chips/boya.toml")),
    ("cypress.toml", include_str!("../../chips/cypress.toml")),
    ("eon.toml", include_str!("../../chips/eon.toml")),
    ("esmt.toml", include_str!("../../chips/esmt.toml")),
    ("fudan.toml", include_str!("../../chips/fudan.toml")),
    (
        "gigadevice.toml",
        include_str!("../../chips/gigadevice.toml"),
    ),
    ("intel.toml", include_str!("../../chips/intel.toml")),
    ("issi.toml", include_str!("../../chips/issi.toml")),
    ("macronix.toml", include_str!("../../chips/macronix.toml")),
    ("microchip.toml", include_str!("../../chips/microchip.toml")),
    ("micron.toml", include_str!("../../chips/micron.toml")),
    ("onsemi.toml", include_str!("../../chips/onsemi.toml")),
    ("puya.toml", include_str!("../../chips/puya.toml")),
    ("winbond.toml", include_str!("../../chips/winbond.toml")),
    ("xmc.toml", include_str!("../../chips/xmc.toml")),
    ("xtx.toml", include_str!("../../chips/xtx.toml")),
    ("zbit.toml", include_str!("../../chips/zbit.toml")),
];

/// A table of parts.
#[derive(Debug, Clone, Default)]
pub struct Catalogue {
    parts: Vec<Part>,
    refused: Vec<Refused>,
}

impl Catalogue {
    /// The parts of `chips/`. The files are read when a process first asks.
    ///
    /// # Errors
    /// Only if a file of `chips/` does not follow its own schema, which the tests rule out.
    pub fn builtin() -> Result<Self, TextError> {
        static TABLE: LazyLock<Result<Catalogue, TextError>> = LazyLock::new(Catalogue::from_files);
        TABLE.clone()
    }

    fn from_files() -> Result<Self, TextError> {
        let mut catalogue = Self::default();
        for (file, text) in BUILT_IN {
            let sheet = read(text.as_bytes(), file)?;
            let parts = sheet.entries.into_iter().map(|entry| entry.part);
            catalogue.parts.extend(parts);
            catalogue.refused.extend(sheet.refused);
        }
        Ok(catalogue)
    }

    /// What was read before.
    #[cfg(feature = "cli")]
    pub(crate) fn of(parts: Vec<Part>, refused: Vec<Refused>) -> Self {
        Self { parts, refused }
    }

    /// Adds the parts of a file of the user's own, in the form of `chips/`.
    ///
    /// # Errors
    /// All that is wrong and where: not the schema, a name that the table has for a part that is not the
    /// same in every value, or an ID that the table has without `shares_id = true`.
    pub fn with_user_file(self, text: impl AsRef<[u8]>, file: &str) -> Result<Self, TextError> {
        let (mut reading, sheet) = read_all(text.as_ref(), file);
        let catalogue = sheet.map(|sheet| self.with(sheet, &mut reading));
        reading.end(catalogue)
    }

    fn with(mut self, sheet: Sheet, reading: &mut Reading<'_>) -> Self {
        for entry in sheet.entries {
            if self.parts.contains(&entry.part) {
                continue;
            }
            match self.refuse_clash(&entry) {
                Ok(()) => self.add(entry.part),
                Err(fault) => tell(reading, entry.places.name, &entry.part.name, &fault),
            }
        }
        self.refused.extend(sheet.refused);
        self
    }

    pub(super) fn add(&mut self, part: Part) {
        self.parts.push(part);
    }

    pub(super) fn refuse_clash(&self, entry: &Entry) -> Result<(), PartFault> {
        if self.parts.iter().any(|part| part.name == entry.part.name) {
            return Err(PartFault::NameTaken);
        }
        let other = self.parts.iter().find(|part| same_id(part, &entry.part));
        match other {
            Some(other) if !entry.shares_id => Err(PartFault::IdTaken {
                other: other.name.clone(),
            }),
            _ => Ok(()),
        }
    }

    /// All parts: the maker's files in the order of their names, then the user's.
    #[must_use]
    pub fn parts(&self) -> &[Part] {
        &self.parts
    }

    /// The parts that answer 9Fh with these bytes.
    ///
    /// Of the IDs that the bytes hold whole, only the longest count: they were written down because
    /// three bytes do not tell the parts apart. An ID longer than what was read stays possible.
    /// Empty for fewer than three bytes, and for a line that nobody drives.
    #[must_use]
    pub fn by_jedec_id(&self, id_bytes: &[u8]) -> Vec<&Part> {
        if id_bytes.len() < 3 || super::JedecId(id_bytes.to_vec()).is_blank() {
            return Vec::new();
        }
        let mut list: Vec<&Part> = self
            .parts
            .iter()
            .filter(|part| agree(&part.jedec_id.0, id_bytes))
            .collect();
        let longest = list
            .iter()
            .map(|part| part.jedec_id.0.len())
            .filter(|len| *len <= id_bytes.len())
            .max();
        list.retain(|part| longest.is_none_or(|longest| part.jedec_id.0.len() >= longest));
        list
    }

    /// The parts that are refused, in the order of their files.
    #[cfg(all(test, feature = "cli"))]
    pub(crate) fn refused(&self) -> &[Refused] {
        &self.refused
    }

    /// The part among those that are refused that answers 9Fh with these bytes.
    #[must_use]
    pub fn refused_by_jedec_id(&self, id_bytes: &[u8]) -> Option<&Refused> {
        let answers = |refused: &&Refused| {
            let mut ids = refused.jedec_ids.iter();
            ids.any(|id| id_bytes.starts_with(&id.0))
        };
        self.refused.iter().find(answers)
    }

    /// The part among those that are refused that is marked so.
    #[must_use]
    pub fn refused_by_marking(&self, text: &str) -> Option<&Refused> {
        let marked = |refused: &&Refused| marking::begins(text, &refused.markings);
        self.refused.iter().find(marked)
    }

    /// What a marking printed on a package can mean; `None` if no part in the table is marked so.
    #[must_use]
    pub fn by_marking(&self, text: &str) -> Option<Marking> {
        marking::look_up(&self.parts, text)
    }

    /// The parts whose marking begins so: what a text that is too short for [`Catalogue::by_marking`]
    /// may be cut from.
    #[must_use]
    pub fn marked_beginning(&self, text: &str) -> Vec<&Part> {
        marking::beginning(&self.parts, text)
    }

    /// What a name of the table or a marking can mean. A name that also stands on packages means all
    /// parts that are marked so.
    #[must_use]
    pub fn by_name_or_marking(&self, text: &str) -> Option<Marking> {
        let text = text.trim();
        let named = self
            .parts
            .iter()
            .find(|p| p.name.eq_ignore_ascii_case(text));
        let printed = |part: &&Part| !part.markings.iter().any(|m| m.eq_ignore_ascii_case(text));
        match named.filter(printed) {
            Some(part) => Some(Marking {
                text: part.name.clone(),
                candidates: vec![part.clone()],
            }),
            None => self.by_marking(text),
        }
    }
}

/// Whether two IDs agree in all bytes that both have.
fn agree(a: &[u8], b: &[u8]) -> bool {
    a.iter().zip(b).all(|(a, b)| a == b)
}

/// Whether one part's ID can be taken for the other's.
fn same_id(a: &Part, b: &Part) -> bool {
    agree(&a.jedec_id.0, &b.jedec_id.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_of_chips_is_built_in() {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/chips");
        let mut files: Vec<String> = std::fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        files.sort();
        let built_in: Vec<&str> = BUILT_IN.iter().map(|(file, _)| *file).collect();
        assert_eq!(files, built_in);
    }

    #[test]
    fn every_file_is_sorted_by_id_then_name() {
        for (file, text) in BUILT_IN {
            let keys: Vec<_> = read(text.as_bytes(), file)
                .unwrap()
                .entries
                .into_iter()
                .map(|entry| (entry.part.jedec_id.0, entry.part.name))
                .collect();
            assert!(keys.is_sorted(), "{file}");
        }
    }

    #[test]
    fn shared_ids_are_said_to_be_shared_and_names_are_unique() {
        let mut entries = Vec::new();
        for (file, text) in BUILT_IN {
            entries.extend(read(text.as_bytes(), file).unwrap().entries);
        }
        for (i, entry) in entries.iter().enumerate() {
            let others = || entries.iter().enumerate().filter(|(j, _)| *j != i);
            let shared = others().any(|(_, other)| same_id(&other.part, &entry.part));
            assert_eq!(entry.shares_id, shared, "{}", entry.part.name);
            let twice = others().any(|(_, other)| other.part.name == entry.part.name);
            assert!(!twice, "{}", entry.part.name);
        }
    }

    #[test]
    fn longer_ids_tell_parts_apart() {
        let catalogue = Catalogue::builtin().unwrap();
        let names = |id: &[u8]| -> Vec<String> {
            let list = catalogue.by_jedec_id(id);
            list.iter().map(|part| part.name.clone()).collect()
        };
        // S25FL256S 001-98283 Rev. *I, RDID table: bytes 4 to 6 are length, sectors, family.
        let fl = names(&[0x01, 0x02, 0x19, 0x4D, 0x01, 0x80]);
        assert_eq!(fl, ["S25FL256S, 64 KiB sectors"]);
        let fs = names(&[0x01, 0x02, 0x19, 0x4D, 0x00, 0x81]);
        assert_eq!(fs, ["S25FS256S, 256 KiB sectors"]);
        assert_eq!(names(&[0x01, 0x02, 0x19]).len(), 4);
        assert!(names(&[0x01, 0x02, 0x19, 0x4D, 0x01, 0x99]).is_empty());
        // The longer of two IDs that both match.
        assert_eq!(names(&[0x01, 0x02, 0x15, 0x4D, 0x00]), ["S25FL032P"]);
        assert_eq!(names(&[0x01, 0x02, 0x15, 0x00, 0x00]), ["S25FL032A"]);
        assert!(names(&[0xFF; 6]).is_empty() && names(&[0; 6]).is_empty());
        assert!(names(&[0xEF, 0x40]).is_empty() && names(&[]).is_empty());
    }
}
