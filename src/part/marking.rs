//! What a marking means, before anything is connected.
//!
//! A package carries the part name, or its end, followed by letters for package, temperature and
//! options: W25Q128JV is printed as 25Q128JVSQ and ordered as W25Q128JVSIQ. The table holds the
//! beginnings. Letters inside the name carry the supply (JV 3 V, JW 1.8 V; Q 3 V, LQ 1.8 V), so a
//! beginning counts only as a whole, from the start of a word, and a maker's longest one wins.

use std::collections::BTreeMap;

use super::{Part, SupplyRange};
use crate::jedec::Millivolts;

/// Fewer characters than these are not looked up as the start of a name.
const SHORTEST_START: usize = 5;

/// What a marking can mean.
#[derive(Debug, Clone, PartialEq)]
pub struct Marking {
    /// The marking in capitals, without spaces and dashes.
    pub text: String,
    /// The parts that it can stand for; never empty.
    pub candidates: Vec<Part>,
}

impl Marking {
    /// The levels that *every* candidate takes; empty if they have none in common.
    #[must_use]
    pub fn supply(&self) -> SupplyRange {
        self.candidates
            .iter()
            .map(|part| part.supply)
            .fold(SupplyRange::UNKNOWN, SupplyRange::intersection)
    }

    /// Whether `level` lies in the range of every candidate.
    #[must_use]
    pub fn admits(&self, level: Millivolts) -> bool {
        self.candidates
            .iter()
            .all(|part| part.supply.includes(level))
    }

    /// Whether any candidate is a 1.8 V part.
    #[must_use]
    pub fn may_be_low_voltage(&self) -> bool {
        self.candidates
            .iter()
            .any(|part| part.supply.is_low_voltage())
    }

    /// The candidates' names.
    #[must_use]
    pub fn names(&self) -> Vec<&str> {
        self.candidates.iter().map(|p| p.name.as_str()).collect()
    }
}

/// One character of a marking.
struct Character {
    letter: u8,
    /// Whether a word starts here: at the front, and after a space or any other sign.
    starts_word: bool,
}

/// How a marking compares with the beginning of a name at one place.
#[derive(PartialEq, Eq)]
enum Match {
    No,
    /// The beginning stands there whole.
    Whole,
    /// The marking ends inside the beginning: somebody typed less than is printed.
    Cut,
}

pub(super) fn look_up(parts: &[Part], text: &str) -> Option<Marking> {
    let characters = characters(text);
    let mut found: Vec<bool> = vec![false; parts.len()];
    let mut from = 0;
    while from < characters.len() {
        let rest = characters.get(from..).unwrap_or_default();
        let taken = match rest.first() {
            Some(first) if first.starts_word => mark_matches(parts, rest, &mut found),
            _ => 0,
        };
        from += taken.max(1);
    }
    let hits = parts.iter().zip(&found).filter(|(_, hit)| **hit);
    let candidates: Vec<Part> = hits.map(|(part, _)| part.clone()).collect();
    (!candidates.is_empty()).then(|| Marking {
        text: characters.iter().map(|c| char::from(c.letter)).collect(),
        candidates,
    })
}

/// Marks the parts whose beginning stands whole at the front of `rest`, the longest of each maker,
/// and those that `rest` may be cut short of. Returns how many characters the longest takes.
///
/// Of each maker, since makers take the same names: 25Q32BSIG can be a 25Q32B in package S of one
/// and a 25Q32BS of another.
fn mark_matches(parts: &[Part], rest: &[Character], found: &mut [bool]) -> usize {
    let mut longest: BTreeMap<&str, usize> = BTreeMap::new();
    for part in parts {
        let whole = part
            .markings
            .iter()
            .filter(|start| compare(rest, start) == Match::Whole);
        let length = whole.map(String::len).max().unwrap_or(0);
        let best = longest.entry(&part.maker).or_default();
        *best = length.max(*best);
    }
    for (part, hit) in parts.iter().zip(found) {
        let best = longest.get(part.maker.as_str()).copied();
        *hit |= part
            .markings
            .iter()
            .any(|start| match compare(rest, start) {
                Match::No => false,
                Match::Whole => Some(start.len()) == best,
                Match::Cut => true,
            });
    }
    longest.into_values().max().unwrap_or(0)
}

/// The parts that have a marking which begins with all of `text`, whatever its length.
pub(super) fn beginning<'a>(parts: &'a [Part], text: &str) -> Vec<&'a Part> {
    let letters: String = characters(text)
        .iter()
        .map(|c| char::from(c.letter))
        .collect();
    let begun = |part: &&Part| part.markings.iter().any(|mark| mark.starts_with(&letters));
    match letters.is_empty() {
        true => Vec::new(),
        false => parts.iter().filter(begun).collect(),
    }
}

/// Whether a word of the marking begins with one of `starts`, whole.
pub(super) fn begins(text: &str, starts: &[String]) -> bool {
    let characters = characters(text);
    let words = (0..characters.len()).filter_map(|from| characters.get(from..));
    words
        .filter(|rest| rest.first().is_some_and(|first| first.starts_word))
        .any(|rest| {
            starts
                .iter()
                .any(|start| compare(rest, start) == Match::Whole)
        })
}

fn compare(rest: &[Character], start: &str) -> Match {
    let same = rest
        .iter()
        .zip(start.bytes())
        .all(|(character, letter)| character.letter == letter);
    if !same {
        return Match::No;
    }
    let Some(next) = rest.get(start.len()) else {
        if rest.len() == start.len() {
            return Match::Whole;
        }
        let telling =
            rest.len() >= SHORTEST_START && rest.iter().any(|c| c.letter.is_ascii_digit());
        return if telling { Match::Cut } else { Match::No };
    };
    // 25X32 does not begin 25X320: a number counts only as a whole.
    let number_goes_on =
        start.ends_with(|c: char| c.is_ascii_digit()) && next.letter.is_ascii_digit();
    if number_goes_on && !next.starts_word {
        Match::No
    } else {
        Match::Whole
    }
}

fn characters(text: &str) -> Vec<Character> {
    let mut list = Vec::new();
    let mut starts_word = true;
    for letter in text.chars() {
        if letter.is_ascii_alphanumeric() {
            list.push(Character {
                letter: u8::try_from(letter.to_ascii_uppercase()).unwrap_or(b'?'),
                starts_word,
            });
        }
        starts_word = !letter.is_ascii_alphanumeric();
    }
    list
}
