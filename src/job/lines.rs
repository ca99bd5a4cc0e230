//! Address lines, proven on what the chip must hold.
//!
//! Inside a frame the chip counts by itself, so an address bit that does not arrive matters only where a
//! frame begins. What is erased and programmed then lands elsewhere, and every read that begins likewise
//! finds it there. So each line is looked at by itself: where two places differ whose addresses differ in
//! that line only, one of two short reads shows a line that is stuck or follows another. It costs two
//! messages for each line. A line that nothing in the image depends on is not proven.

use super::{Exit, Stop};
use crate::chip::Chip;
use crate::jedec::Address;
use crate::unit::store::{StoreError, StoreFile};

/// What is read at each place.
const PROOF_BYTES: u32 = 16;
/// What is compared at once of the image.
const BLOCK_BYTES: u32 = 4096;

/// Asks the chip, which holds `image` by all that long frames show, whether each address line arrives: the
/// first that does not is told as a [`Stop`].
///
/// # Errors
/// A [`Stop`] for a lost contact, or a link or file that fails.
pub(super) fn lost_line(chip: &mut Chip, image: &dyn StoreFile) -> Result<Option<Stop>, Stop> {
    let (size, command) = (chip.size_bytes(), chip.second_command());
    let sck = chip.sck_for(command);
    for line in (0..u32::BITS).take_while(|line| 1_u64 << line < u64::from(size)) {
        for at in telling(image, size, line)?.into_iter().flatten() {
            let length = PROOF_BYTES.min(size - at) as usize;
            let (mut seen, mut wanted) = (vec![0; length], vec![0; length]);
            image.read_exact_at(u64::from(at), &mut wanted)?;
            for (seen, wanted) in seen.iter_mut().zip(&wanted) {
                *seen = !wanted;
            }
            chip.read(command, sck, Address(at), &mut seen)?;
            if seen != wanted {
                // A clip that has moved since is told as such.
                chip.check_id()?;
                return Ok(Some(astray(line, Address(at))));
            }
        }
    }
    Ok(None)
}

/// Two places in the image that differ although their addresses do in `line` only.
fn telling(image: &dyn StoreFile, size: u32, line: u32) -> Result<Option<[u32; 2]>, StoreError> {
    let bit = 1_u32 << line;
    let within = bit & (BLOCK_BYTES - 1);
    let (mut lower, mut upper) = (Vec::new(), Vec::new());
    for start in (0..size).step_by(BLOCK_BYTES as usize) {
        let other = start ^ (bit - within);
        if other < start || other >= size {
            continue;
        }
        for (at, into) in [(start, &mut lower), (other, &mut upper)] {
            into.resize(BLOCK_BYTES.min(size - at) as usize, 0);
            image.read_exact_at(u64::from(at), into)?;
        }
        let differ = |at: &u32| {
            let other = upper.get((at ^ within) as usize);
            at & within == 0 && other.is_some_and(|other| lower.get(*at as usize) != Some(other))
        };
        if let Some(at) = (0..lower.len() as u32).find(differ) {
            return Ok(Some([start + at, (start + at) ^ bit]));
        }
    }
    Ok(None)
}

fn astray(line: u32, at: Address) -> Stop {
    let headline = format!("Address line A{line} does not reach the chip as sent.");
    let seen = format!(
        "a short read at {at} shows other bytes than the image, after all long ones had shown it"
    );
    let means = "what was written may lie elsewhere, or the contact failed just now; no read of this run tells";
    let next = "Reseat the clip, then: norlock contact --unit FOLDER";
    Stop::new(Exit::ChipFault, headline, next)
        .row("seen", seen)
        .row("means", means)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::unit::store::{SimulatedStore, Store};

    fn told(image: &[u8], line: u32) -> Option<[u32; 2]> {
        let store = SimulatedStore::new();
        store.replace(Path::new("/image"), image).unwrap();
        let file = store.open(Path::new("/image")).unwrap();
        telling(file.as_ref(), image.len() as u32, line).unwrap()
    }

    #[test]
    fn two_places_differ_in_one_line_only() {
        let mut image = vec![0xFF; 64 << 10];
        assert!((0..16).all(|line| told(&image, line).is_none()));
        image[0x6123] = 0;
        for line in 0..16 {
            let [low, high] = told(&image, line).unwrap();
            assert_eq!(low ^ high, 1 << line);
            assert!(low == 0x6123 || high == 0x6123, "A{line}: {low:X} {high:X}");
        }
        image[0xE123] = 0;
        assert_eq!(told(&image, 15), None);
        assert_eq!(told(&image, 14), Some([0x2123, 0x6123]));
    }

    #[test]
    fn an_image_may_end_anywhere() {
        let mut image = vec![0xFF; 0x5001];
        image[0x5000] = 0;
        assert_eq!(told(&image, 12), Some([0x4000, 0x5000]));
        assert_eq!(told(&image, 14), Some([0x1000, 0x5000]));
        assert_eq!(told(&image, 13), None);
        assert_eq!(told(&image, 0), None);
    }
}
