//! Signatures: from what was seen on the wires to a named sign.

use serde::Serialize;

use super::kind::Kind;
use super::look::{Idle, Observed};
use crate::chip::{FirstLook, short_id};
use crate::interlock::Power;
use crate::jedec::ID_BYTES;
use crate::part::{Catalogue, JedecId, Marking, Part};
use crate::worklist::grouped;

/// A pattern that was recognised.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Sign {
    /// Which.
    pub kind: Kind,
    /// What was seen.
    pub seen: String,
    /// What it means.
    pub means: String,
    /// What to look at next.
    pub look: String,
}

impl Sign {
    pub(super) fn new(kind: Kind, seen: impl Into<String>, power: Option<Power>) -> Self {
        let [means, look] = kind.words();
        Self {
            kind,
            seen: seen.into(),
            means: means.to_owned(),
            look: format!("{}{look}", kind.first_look(power)),
        }
    }

    /// Nothing drives MISO, whatever CS does.
    fn open(seen: impl Into<String>, power: Option<Power>) -> Self {
        Self {
            means: "MISO is open: what is read is what the wire picks up, with CS low as with CS high".into(),
            look: "MISO from header to pin (DO, pin 2) first; then CS# going low, and the supply, at the chip.".into(),
            ..Self::new(Kind::Unsteady, seen, power)
        }
    }

    /// The array differs, and the ID is steady: it may be the cells.
    pub(super) fn unsteady_array(seen: impl Into<String>, power: Option<Power>) -> Self {
        let sign = Self::new(Kind::Unsteady, seen, power);
        let (means, look) = (sign.means, sign.look);
        Self {
            means: format!("{means}; or, as the ID is steady, cells that no longer hold"),
            look: format!(
                "{look} If the same block differs at every SCK it is the cells: norlock survey."
            ),
            ..sign
        }
    }
}

/// The first sign of a bad contact in what was seen, the one that explains the most.
pub(super) fn bad(observed: &Observed, catalogue: &Catalogue) -> Option<Sign> {
    let sign = |kind, seen: String| Some(Sign::new(kind, seen, observed.power));
    if let Some(seen) = adrift(observed) {
        return Some(Sign::open(seen, observed.power));
    }
    if let Some((kind, seen)) = of_id(observed, catalogue) {
        return sign(kind, seen);
    }
    if let Some(seen) = odd_status(&observed.statuses) {
        return sign(Kind::Status, seen);
    }
    if let Some((_, dead)) = dead_ends(&observed.sfdp) {
        let of = observed.sfdp.len();
        return sign(
            Kind::FloatingHold,
            format!("{dead} of {of} reads of the SFDP header end dead"),
        );
    }
    let (long, failed) = observed.after_long;
    if failed > 0 {
        let seen = format!(
            "the ID is wrong in {failed} of {long} reads right after a long one, and else right"
        );
        return sign(Kind::SupplySags, seen);
    }
    if observed.sfdp.windows(2).any(|two| two[0] != two[1]) {
        return sign(Kind::Unsteady, "two reads of the SFDP header differ".into());
    }
    let frames = &observed.frames;
    if frames.dead > 0 {
        let [dead, of] = [frames.dead, frames.read].map(|number| grouped(number.into()));
        let from = grouped(frames.first_dead as u64);
        let seen = format!("{dead} of {of} long reads end dead, one of them from byte {from} on");
        return sign(Kind::FloatingHold, seen);
    }
    if frames.differing > 0 {
        let seen = format!(
            "{} of {} reads of one place differ, even at the lowest SCK",
            grouped(frames.differing.into()),
            grouped(frames.read.into())
        );
        return Some(Sign::unsteady_array(seen, observed.power));
    }
    let bit = observed.lines.as_ref().and_then(|lines| lines.failing)?;
    let seen = format!("address bit A{bit} has no effect where a frame begins, or follows another");
    sign(Kind::AddressLine, seen)
}

/// What shows that MISO floats: it moves while CS is high, hardly two reads of the ID are alike, and each bit
/// of it comes both ways. Of a chip that somebody talks over, bits still show.
fn adrift(observed: &Observed) -> Option<String> {
    let (Idle::Driven { changes }, reads) = (observed.idle, observed.ids.len()) else {
        return None;
    };
    let alike = |id| observed.ids.iter().filter(|other| *other == id).count();
    let most = observed.ids.iter().map(alike).max()?;
    let short = observed.ids.iter().filter_map(|id| number(id));
    let (ones, zeros) = short.fold((0, 0), |(ones, zeros), id| (ones | id, zeros | !id));
    (most * 8 <= reads && ones & zeros & 0x00FF_FFFF == 0x00FF_FFFF).then(|| {
        format!("hardly two of {reads} reads of the ID are alike, and MISO changes {} times while CS is high", grouped(changes.into()))
    })
}

/// What the answers to Read ID and the idle line say.
fn of_id(observed: &Observed, catalogue: &Catalogue) -> Option<(Kind, String)> {
    let first = observed.ids.first()?;
    let reads = observed.ids.len();
    let mut kinds: Vec<([u8; ID_BYTES], usize)> = Vec::new();
    for id in &observed.ids {
        match kinds.iter_mut().find(|(known, _)| known == id) {
            Some((_, count)) => *count += 1,
            None => kinds.push((*id, 1)),
        }
    }
    kinds.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    let is_known = !catalogue.by_jedec_id(first).is_empty() || observed.self_described;
    let doubtful = kinds.len() > 1 || !is_known || is_silent(first);
    if let (Idle::Driven { changes }, true) = (observed.idle, doubtful) {
        let seen = format!(
            "MISO changes {} times while CS is high",
            grouped(changes.into())
        );
        return Some(match observed.power {
            Some(Power::Clip) => (Kind::BoardFed, seen),
            _ => (Kind::ForeignMaster, seen),
        });
    }
    let [(usual, _), others @ ..] = kinds.as_slice() else {
        return None;
    };
    if others.is_empty() {
        let status = observed.statuses.first().copied().unwrap_or(0xFF);
        if is_silent(usual) {
            let level = usual[0];
            let kind = match level {
                _ if status & 1 == 1 && status != level => Kind::Busy,
                0 => Kind::AllZeros,
                _ => Kind::AllOnes,
            };
            let seen = format!(
                "the ID reads {level:02X} throughout, {reads} times of {reads}, and status {status:02X}"
            );
            return Some((kind, seen));
        }
        return match is_known {
            true => None,
            false => {
                let marking = observed.marking.as_deref();
                stuck(catalogue, marking, usual, status)
                    .map(|seen| (Kind::StuckBit, seen))
                    .or_else(|| Some((Kind::Shifted, shifted(catalogue, marking, usual)?)))
            }
        };
    }
    of_ids_that_differ(&observed.ids, &kinds)
}

/// What it says that Read ID brings several answers; they come with how often each was read, the most frequent
/// first.
fn of_ids_that_differ(
    ids: &[[u8; ID_BYTES]],
    kinds: &[([u8; ID_BYTES], usize)],
) -> Option<(Kind, String)> {
    let reads = ids.len();
    let [(usual, count), others @ ..] = kinds else {
        return None;
    };
    if let Some((whole, dead)) = dead_ends(ids) {
        let whole = short_id(whole);
        let seen = format!("the ID reads {whole}, and in {dead} of {reads} reads ends dead");
        return Some((Kind::FloatingHold, seen));
    }
    let (other, less) = others.first()?;
    let taking_turns = others.len() == 1 && less * 4 >= reads;
    let [one, two] = told_apart(usual, other);
    let seen = format!("the ID reads {one} and {two}: {count} and {less} times of {reads}");
    Some(match taking_turns {
        true if by_a_shift(usual, other).is_some() => (Kind::Shifted, seen),
        true => (Kind::Alternating, seen),
        false => {
            let more = match others.len() {
                1 => format!("{two} in the others"),
                more => format!("{more} other ways"),
            };
            let seen = format!("the ID reads {one} in {count} of {reads} reads, and {more}");
            (Kind::Unsteady, seen)
        }
    })
}

/// Why no chip has such a status register.
fn odd_status(statuses: &[u8]) -> Option<String> {
    let first = statuses.first()?;
    if let Some(other) = statuses.iter().find(|status| *status != first) {
        return Some(format!(
            "status reads {first:02X} and {other:02X}, with nothing sent between"
        ));
    }
    (*first == 0xFF).then(|| "status reads FF, while the ID reads right".to_owned())
}

/// Whether an answer is nothing but an idle line.
pub(super) fn is_silent(id: &[u8; ID_BYTES]) -> bool {
    let [first, second, third, ..] = *id;
    (first == 0 || first == 0xFF) && first == second && second == third
}

/// The byte from which on `seen` is an undriven line while `right` goes on; `None` where it is something else.
pub(super) fn dead_from(right: &[u8], seen: &[u8]) -> Option<usize> {
    let from = right.iter().zip(seen).position(|(a, b)| a != b)?;
    let rest = seen.get(from..)?;
    let level = *rest.first()?;
    let is_level = (level == 0 || level == 0xFF) && rest.iter().all(|byte| *byte == level);
    is_level.then_some(from)
}

/// Reads that end in an undriven line, as where HOLD# floats: the whole one, and how many are that one with a
/// dead end. `None` where these are not most of those that differ from it, or all of them are dead throughout.
fn dead_ends<const BYTES: usize>(reads: &[[u8; BYTES]]) -> Option<(&[u8; BYTES], usize)> {
    let of = |whole: &[u8; BYTES]| {
        let ends = reads.iter().filter_map(|read| dead_from(whole, read));
        // One byte that is dead at the end is as likely a bit or two.
        let ends = ends.filter(|from| from + 1 < BYTES);
        ends.fold((0, false), |(dead, within), from| {
            (dead + 1, within || from > 0)
        })
    };
    let mut kinds: Vec<&[u8; BYTES]> = Vec::new();
    for read in reads.iter().filter(|read| !is_level(read.as_slice())) {
        if !kinds.contains(&read) {
            kinds.push(read);
        }
    }
    let best = kinds
        .into_iter()
        .map(|whole| {
            let right = reads.iter().filter(|read| *read == whole).count();
            (whole, right, of(whole))
        })
        .max_by_key(|(_, right, (dead, _))| right + dead);
    let (whole, right, (dead, within)) = best?;
    (within && dead * 2 > reads.len() - right).then_some((whole, dead))
}

fn is_level(bytes: &[u8]) -> bool {
    let first = bytes.first().copied();
    (first == Some(0) || first == Some(0xFF)) && bytes.iter().all(|byte| Some(*byte) == first)
}

/// Two IDs up to where they differ, three bytes at the least.
pub(super) fn told_apart(one: &[u8; ID_BYTES], other: &[u8; ID_BYTES]) -> [String; 2] {
    let differs = one.iter().zip(other).position(|(a, b)| a != b);
    let bytes = differs.map_or(3, |at| (at + 1).max(3));
    [one, other].map(|id| JedecId(id.iter().take(bytes).copied().collect()).to_string())
}

/// What a uniform ID usually means: for the interlock, which knows nothing else.
pub(in crate::job) fn no_answer(byte: u8) -> String {
    let kind = if byte == 0 {
        Kind::AllZeros
    } else {
        Kind::AllOnes
    };
    let [means, _] = kind.words();
    format!("the ID reads {byte:02X} throughout: {means}")
}

/// The same of an ID that changes.
pub(in crate::job) fn unsteady(first: &[u8; ID_BYTES], other: &[u8; ID_BYTES]) -> String {
    let [first, other] = told_apart(first, other);
    format!(
        "the ID reads {first} and then {other}: a contact that opens, or SCK too fast for these wires"
    )
}

/// The same of an ID that no part has.
pub(in crate::job) fn misread(
    catalogue: &Catalogue,
    marking: Option<&str>,
    look: &FirstLook,
) -> Option<String> {
    let moved = || {
        let seen = shifted(catalogue, marking, &look.id)?;
        Some(format!("{seen}: a clock edge is missed or doubled"))
    };
    stuck(catalogue, marking, &look.id, look.status).or_else(moved)
}

fn number(id: &[u8]) -> Option<u32> {
    match id {
        [a, b, c, ..] => Some(u32::from_be_bytes([0, *a, *b, *c])),
        _ => None,
    }
}

/// By how many bits, one to seven, an ID is another one moved. The bits that a shift brings in from outside
/// are not compared.
fn by_a_shift(real: &[u8], seen: &[u8]) -> Option<u32> {
    let (real, seen) = (number(real)?, number(seen)?);
    (1..=7).find(|bits| {
        let late = (seen ^ (real >> bits)) & (0x00FF_FFFF >> bits) == 0;
        let early = (seen ^ (real << bits)) & (0x00FF_FFFF << bits & 0x00FF_FFFF) == 0;
        late || early
    })
}

/// The table's parts, those first that are marked so.
fn in_turn<'a>(catalogue: &'a Catalogue, marking: Option<&str>) -> Vec<&'a Part> {
    let marking = marking.and_then(|text| catalogue.by_marking(text));
    let names = marking.as_ref().map(Marking::names).unwrap_or_default();
    let is_marked = |part: &&Part| names.contains(&part.name.as_str());
    let (mut parts, others): (Vec<_>, Vec<_>) = catalogue.parts().iter().partition(is_marked);
    parts.extend(others);
    parts
}

/// Whether the ID is one of the table's, moved by one to seven bits: what a missed or an extra clock
/// edge does.
fn shifted(catalogue: &Catalogue, marking: Option<&str>, id: &[u8; ID_BYTES]) -> Option<String> {
    in_turn(catalogue, marking).into_iter().find_map(|part| {
        let bits = by_a_shift(&part.jedec_id.0, id)?;
        let (id, name) = (short_id(id), &part.name);
        let s = if bits == 1 { "" } else { "s" };
        Some(format!(
            "the ID {id} is that of {name} moved by {bits} bit{s}"
        ))
    })
}

/// Whether the ID is one of the table's with one bit of each byte stuck, and everything else read so far
/// has that bit the same.
fn stuck(
    catalogue: &Catalogue,
    marking: Option<&str>,
    id: &[u8; ID_BYTES],
    status: u8,
) -> Option<String> {
    let parts = in_turn(catalogue, marking);
    let ones = id.iter().fold(status, |all, byte| all & byte);
    let zeros = !id.iter().fold(status, |any, byte| any | byte);
    for bit in 0..8 {
        let mask = 1_u8 << bit;
        if (ones | zeros) & mask == 0 {
            continue;
        }
        let real = parts.iter().find(|part| {
            let pairs = || part.jedec_id.0.iter().zip(id).take(3);
            pairs().count() == 3 && pairs().all(|(real, seen)| real | mask == seen | mask)
        });
        if let Some(real) = real {
            return Some(format!(
                "bit {bit} of every byte reads {}; but for it the ID {} is that of {}",
                u8::from(ones & mask != 0),
                short_id(id),
                real.name
            ));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    const ID: [u8; ID_BYTES] = [
        0xEF, 0x40, 0x18, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17,
    ];

    fn but(place: usize, byte: u8) -> [u8; ID_BYTES] {
        let mut id = ID;
        id[place] = byte;
        id
    }

    #[test]
    fn ids_are_shown_up_to_where_they_differ() {
        let says = |other| unsteady(&ID, &other);
        assert!(says(but(1, 0x41)).contains("the ID reads EF 40 18 and then EF 41 18:"));
        let text = says(but(5, 0xAA));
        assert!(
            text.contains("reads EF 40 18 01 02 03 and then EF 40 18 01 02 AA:"),
            "{text}"
        );
    }

    #[test]
    fn most_of_the_wrong_reads_have_to_end_dead() {
        let dead = |from: usize| {
            let mut id = ID;
            id[from..].fill(0);
            id
        };
        let whole = Some((ID, 3));
        let of = |reads: &[[u8; ID_BYTES]]| dead_ends(reads).map(|(id, dead)| (*id, dead));
        // Dead from the first byte on in one of them, and seldom whole.
        assert_eq!(of(&[dead(0), ID, dead(7), dead(4)]), whole);
        assert_eq!(of(&[dead(0), ID, dead(7), dead(4), but(3, 0xA5)]), whole);
        let (one, two, three) = (but(3, 0xA5), but(9, 0xA5), but(12, 0xA5));
        assert_eq!(of(&[ID, dead(7), one, ID, two, three]), None);
        // A chip that is silent at times is something else, and so is a last byte of zeros.
        assert_eq!(of(&[dead(0), ID, dead(0), ID]), None);
        assert_eq!(of(&[but(19, 0), ID, ID]), None);
        assert_eq!(of(&[ID, ID]), None);
    }
}
