//! Reads and programs on several lanes: which of them are used, decided by what is read.
//!
//! Nothing tells the link whether IO2 and IO3 reach the chip, whether MOSI carries both ways, or whether the
//! chip waits as many clocks as its SFDP says. So what a command on several lanes reads is held against
//! what 03h reads on one, in places all over the chip, before anything is built on it. Where a page is to be
//! programmed on four lanes, the read that sends its address on four has to read the same as well: nothing else
//! that only reads shows whether all of them carry outwards.

use super::Stop;
use crate::chip::{Chip, ChipError, ReadCommand};
use crate::jedec::{Address, LaneRead, Lanes};
use crate::link::LinkError;

/// Places that are compared.
const PLACES: u32 = 16;
/// Most bytes of each: 64 KiB in all, which take 26 ms at 20 MHz.
const PLACE_BYTES_MAX: u32 = 4096;
/// Each lane has to have carried so many ones and so many zeros, and so many bytes to have differed from
/// the one before: where less was there to see, lanes that are not wired could read the same.
const TELLING: usize = 64;

/// Has the chip read on as many lanes as part, link, QE and what is read allow, from
/// [`Chip::second_command`] on, in a writing job program likewise, and says what was decided and why; `None` where
/// there was no choice. QE is only looked at.
///
/// # Errors
/// A [`Stop`] for a lost contact or a failed link.
pub(super) fn choose(chip: &mut Chip) -> Result<Option<String>, Stop> {
    chip.use_lanes(None);
    let reads = chip.lane_reads();
    if reads.is_empty() {
        return Ok(None);
    }
    let mut why = Vec::new();
    let quad = match reads.iter().any(|read| read.lanes.into == 4) {
        true => match chip.quad_enabled() {
            // A wire that garbles one byte is for the reads themselves to tell.
            Err(ChipError::UnsteadyRegister { .. }) => None,
            found => found?,
        },
        false => Some(false),
    };
    let of = |lanes: u8| reads.iter().find(|read| read.lanes.into == lanes).copied();
    let mut candidates = Vec::new();
    match (of(4), quad) {
        (Some(read), Some(true)) => candidates.push(read),
        (Some(_), Some(false)) => why.push("QE is 0 and is left so".to_owned()),
        (Some(_), None) => why.push("QE is not known".to_owned()),
        (None, _) => {}
    }
    candidates.extend(of(2));
    let plain = match candidates.is_empty() {
        true => Vec::new(),
        false => sample(chip, ReadCommand::Read)?,
    };
    for read in candidates {
        match verdict(chip, read, &plain)? {
            Ok(told) => {
                chip.use_lanes(Some(read));
                why.insert(0, told);
                if read.lanes.into == 4 {
                    why.extend(choose_program(chip, read, &plain)?);
                }
                return Ok(Some(why.join("; ")));
            }
            Err(told) => why.push(told),
        }
    }
    Ok(Some(format!("one: {}", why.join("; "))))
}

/// Has the chip program on four lanes, once the read that proves the way out reads the same; `proven` has already.
/// `None` where there is no such program.
fn choose_program(
    chip: &mut Chip,
    proven: LaneRead,
    plain: &[u8],
) -> Result<Option<String>, ChipError> {
    let Some((program, proof)) = chip.lane_program() else {
        return Ok(None);
    };
    let read = match proof == proven {
        true => Ok(String::new()),
        false => verdict(chip, proof, plain)?,
    };
    Ok(Some(match read {
        Ok(_) => {
            chip.use_lane_program(program);
            format!("programs on 4 by {:02X}h", program.opcode)
        }
        Err(why) => format!("programs on one: {why}"),
    }))
}

/// Whether `read` reads the same, or why that is not to be said.
fn verdict(
    chip: &mut Chip,
    read: LaneRead,
    plain: &[u8],
) -> Result<Result<String, String>, ChipError> {
    let code = read.opcode;
    if !tells(plain, read.lanes.into) {
        let why = format!("too little content to compare {code:02X}h with 03h");
        return Ok(Err(why));
    }
    let seen = match sample(chip, ReadCommand::Lanes(read)) {
        // A link that is broken fails on one lane as well.
        Err(ChipError::Link(error @ (LinkError::Refused { .. } | LinkError::Io(_)))) => {
            return Ok(Err(format!("{code:02X}h: {error}")));
        }
        seen => seen?,
    };
    let same = seen == plain;
    let bytes = plain.len();
    Ok(match same {
        true => Ok(format!(
            "{}: {code:02X}h reads what 03h does in {bytes} bytes",
            read.lanes.into
        )),
        false => {
            let pairs = seen.iter().zip(plain);
            let differ = pairs.filter(|(seen, plain)| seen != plain).count();
            Err(format!(
                "{code:02X}h differs from 03h in {differ} of {bytes} bytes"
            ))
        }
    })
}

/// What to try where something differs that was read on these lanes, behind what it means.
pub(super) fn hint(lanes: Lanes) -> &'static str {
    match lanes {
        Lanes::ONE => "",
        _ => "; or a lane does not carry: try --lanes 1",
    }
}

/// What `command` reads in the places, at the highest SCK that is to be used with it.
fn sample(chip: &mut Chip, command: ReadCommand) -> Result<Vec<u8>, ChipError> {
    let (size, sck) = (chip.size_bytes(), chip.sck_for(command));
    let apart = size / PLACES;
    let each = (apart / PLACES).clamp(1, PLACE_BYTES_MAX) as usize;
    let mut bytes = vec![0; PLACES as usize * each];
    for (place, into) in (0..PLACES).zip(bytes.chunks_mut(each)) {
        // What a frame that does not fill it leaves is neither what is read nor the same twice.
        into.fill(0x5A ^ command.opcode());
        chip.read(command, sck, Address(place * apart), into)?;
    }
    Ok(bytes)
}

/// Whether lanes that carry nothing, or are late, would show in these bytes.
fn tells(bytes: &[u8], lanes: u8) -> bool {
    let changes = bytes.windows(2).filter(|pair| pair.first() != pair.last());
    let each = (0..lanes).all(|lane| {
        let bits = (lane..8).step_by(usize::from(lanes.max(1)));
        let mask = bits.fold(0_u8, |mask, bit| mask | 1 << bit);
        let ones: usize = bytes
            .iter()
            .map(|byte| (byte & mask).count_ones() as usize)
            .sum();
        let zeros = bytes.len() * mask.count_ones() as usize - ones;
        ones >= TELLING && zeros >= TELLING
    });
    each && changes.count() >= TELLING
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_varied_content_tells() {
        let varied: Vec<u8> = (0..4096_u32).map(|at| ((at * 167) >> 3) as u8).collect();
        assert!(tells(&varied, 4) && tells(&varied, 2));
        assert!(!tells(&[0xFF; 4096], 2) && !tells(&[0x00; 4096], 2));
        // One lane that is always 1, as where it is not wired.
        for line in [0x11, 0x22, 0x44, 0x88] {
            let stuck: Vec<u8> = varied.iter().map(|byte| byte | line).collect();
            assert!(!tells(&stuck, 4), "{line:02X}");
        }
        // Bits of every kind that change nowhere: a read that is late would look the same.
        assert!(!tells(&[0x5A; 4096], 4));
    }
}
