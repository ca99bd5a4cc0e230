//! The staff of an inspection.

use super::{Inspection, Looks, Stretch, Strings};
use crate::image::{Entry, Hatch, RegionMap, Staff, show_size};

/// Notes of one kind below a stretch; more are only counted.
const NOTES_MAX: usize = 8;
/// Characters of a string that a line has room for.
const SHOWN_CHARACTERS: usize = 40;

impl Inspection {
    /// The image as a staff: how much of what, with its entropy in bits a byte. `map` gives the
    /// labels; `strings` are noted where they stand.
    #[must_use]
    pub fn staff(&self, map: Option<&RegionMap>, strings: Option<&Strings>) -> Staff {
        let spans = map.map(RegionMap::spans).unwrap_or_default();
        let end = u32::try_from(self.look.size_bytes).unwrap_or(u32::MAX);
        let mut staff = Staff::new(show_size).ending_at(end);
        // Of the mark above, as long as nothing stands below it: the staff then folds an equal one into it.
        let mut above = None;
        for stretch in &self.stretches {
            let start = stretch.range.start;
            let span = spans.iter().find(|span| span.range.start == start);
            let columns = stretch.columns();
            let folds = span.is_none() && above.as_ref() == Some(&columns);
            staff.push(Entry {
                address: start,
                label: span.map_or("", |span| span.name()).to_owned(),
                amount: stretch.length().into(),
                columns: columns.clone(),
                hatch: stretch.looks.hatch(),
            });
            let notes = self.notes(stretch, strings);
            for (address, note) in &notes {
                staff.note(address.filter(|at| folds || *at != start), note);
            }
            above = notes.is_empty().then_some(columns);
        }
        staff
    }

    /// What there is to say about a stretch: headers, then the stretch itself, then strings.
    fn notes(&self, stretch: &Stretch, strings: Option<&Strings>) -> Vec<(Option<u32>, String)> {
        let range = u64::from(stretch.range.start)..u64::from(stretch.range.end);
        let listed = self.findings.listed.iter();
        let headers = listed.filter(|one| range.contains(&one.offset));
        let headers = headers.map(|one| (u32::try_from(one.offset).ok(), one.sentence()));
        let found = strings
            .map(|strings| strings.found.as_slice())
            .unwrap_or_default()
            .iter();
        let found = found.filter(|one| stretch.range.contains(&one.address));
        let found = found.map(|one| (Some(one.address), shortened(&one.text)));
        let own = stretch.notes().into_iter().map(|note| (None, note));
        few(headers)
            .into_iter()
            .chain(own)
            .chain(few(found))
            .collect()
    }
}

/// The first of many notes, and how many more there are.
fn few(notes: impl Iterator<Item = (Option<u32>, String)>) -> Vec<(Option<u32>, String)> {
    let mut notes: Vec<_> = notes.collect();
    let more = notes.len().saturating_sub(NOTES_MAX);
    notes.truncate(NOTES_MAX);
    if more > 0 {
        notes.push((None, format!("and {more} more")));
    }
    notes
}

fn shortened(text: &str) -> String {
    match text.get(..SHOWN_CHARACTERS) {
        Some(start) if start.len() < text.len() => format!("{start}..."),
        _ => text.to_owned(),
    }
}

impl Looks {
    /// How pictures show it.
    const fn hatch(self) -> Hatch {
        match self {
            Self::Blank => Hatch::Empty,
            Self::Filled(_) => Hatch::Dotted,
            Self::CodeLike => Hatch::Rising,
            Self::Text => Hatch::Level,
            Self::Packed => Hatch::Squared,
            Self::Table => Hatch::Upright,
            Self::Mixed => Hatch::Falling,
        }
    }
}

impl Stretch {
    fn columns(&self) -> Vec<String> {
        let looks = match self.times {
            1 => self.looks.to_string(),
            2 => format!("{}, twice", self.looks),
            times => format!("{}, {times} times", self.looks),
        };
        match self.looks {
            Looks::Blank | Looks::Filled(_) => vec![looks],
            _ => vec![looks, format!("{:.1}", self.bits_a_byte)],
        }
    }

    fn notes(&self) -> Vec<String> {
        let equals = self
            .equals
            .map(|start| format!("the same as at {}", crate::jedec::Address(start)));
        let fields = match self.address_fields {
            0 => None,
            1 => Some("one field shaped like a network address".to_owned()),
            2 => Some("two fields shaped like network addresses".to_owned()),
            more => Some(format!("{more} fields shaped like network addresses")),
        };
        equals.into_iter().chain(fields).collect()
    }
}
