//! Signatures: from what was seen on the wires to a named sign.

use serde::Serialize;

use super::kind::Kind;
use super::look::{Idle, Observed};
use crate::chip::{FirstLook, short_id};
use crate::interlock::Power;
use crate::jedec::ID_BYTES;
use crate::part::Catalogue;

/// A pattern that was recognised.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
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
}

/// The first sign of a bad contact in what was seen, the one that explains the most.
pub(super) fn bad(observed: &Observed, catalogue: &Catalogue) -> Option<Sign> {
    let sign = |kind, seen: String| Some(Sign::new(kind, seen, observed.power));
    if let Some((kind, seen)) = of_id(observed, catalogue) {
        return sign(kind, seen);
    }
    if let Some(seen) = odd_status(&observed.statuses) {
        return sign(Kind::Status, seen);
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
        let (dead, of, from) = (frames.dead, frames.read, frames.first_dead);
        let seen = format!("{dead} of {of} long reads end dead, one of them from byte {from} on");
        return sign(Kind::FloatingHold, seen);
    }
    if frames.differing > 0 {
        let seen = format!(
            "{} of {} reads of one place differ, even at the lowest SCK",
            frames.differing, frames.read
        );
        return sign(Kind::Unsteady, seen);
    }
    let bit = observed.lines.as_ref().and_then(|lines| lines.failing)?;
    let seen = format!("address bit A{bit} has no effect where a frame begins, or follows another");
    sign(Kind::AddressLine, seen)
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
        let seen = format!("MISO changes {changes} times while CS is high");
        return Some(match observed.power {
            Some(Power::Clip) => (Kind::BoardFed, seen),
            _ => (Kind::ForeignMaster, seen),
        });
    }
    let [(usual, count), others @ ..] = kinds.as_slice() else {
        return None;
    };
    let shown = short_id(usual);
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
            false => stuck(catalogue, usual, status)
                .map(|seen| (Kind::StuckBit, seen))
                .or_else(|| Some((Kind::Shifted, shifted(catalogue, usual)?))),
        };
    }
    let dead = others
        .iter()
        .filter(|(id, _)| dead_from(usual, id).is_some_and(|from| from > 0));
    if dead.count() == others.len() {
        let seen = format!(
            "the ID reads {shown}, and in {} of {reads} reads ends dead",
            reads - count
        );
        return Some((Kind::FloatingHold, seen));
    }
    let (other, less) = others.first()?;
    let taking_turns = others.len() == 1 && less * 4 >= reads;
    let seen = format!(
        "the ID reads {shown} and {} otherwise: {count} and {less} times of {reads}",
        short_id(other)
    );
    Some(match taking_turns {
        true if by_a_shift(usual, other).is_some() => (Kind::Shifted, seen),
        true => (Kind::Alternating, seen),
        false => {
            let more = kinds.len() - 1;
            let seen =
                format!("the ID reads {shown} in {count} of {reads} reads, and {more} other ways");
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
    let (first, other) = (short_id(first), short_id(other));
    format!(
        "the ID reads {first} and then {other}: a contact that opens, or SCK too fast for these wires"
    )
}

/// The same of an ID that no part has.
pub(in crate::job) fn misread(catalogue: &Catalogue, look: &FirstLook) -> Option<String> {
    let moved = || {
        let seen = shifted(catalogue, &look.id)?;
        Some(format!("{seen}: a clock edge is missed or doubled"))
    };
    stuck(catalogue, &look.id, look.status).or_else(moved)
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

/// Whether the ID is one of the table's, moved by one to seven bits: what a missed or an extra clock
/// edge does.
fn shifted(catalogue: &Catalogue, id: &[u8; ID_BYTES]) -> Option<String> {
    catalogue.parts().iter().find_map(|part| {
        let bits = by_a_shift(&part.jedec_id.0, id)?;
        let (id, name) = (short_id(id), &part.name);
        Some(format!(
            "the ID {id} is that of {name} moved by {bits} bit(s)"
        ))
    })
}

/// Whether the ID is one of the table's with one bit of each byte stuck, and everything else read so far
/// has that bit the same.
fn stuck(catalogue: &Catalogue, id: &[u8; ID_BYTES], status: u8) -> Option<String> {
    let ones = id.iter().fold(status, |all, byte| all & byte);
    let zeros = !id.iter().fold(status, |any, byte| any | byte);
    for bit in 0..8 {
        let mask = 1_u8 << bit;
        if (ones | zeros) & mask == 0 {
            continue;
        }
        let real = catalogue.parts().iter().find(|part| {
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
