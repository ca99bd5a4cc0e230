//! Content that stands in an image more than once.

use std::io;

use super::{Looks, Stretch};
use crate::image::ReadAt;

/// Copies that are looked for in one stretch, most first.
const TIMES: [u32; 3] = [4, 3, 2];
/// Copies begin and end at multiples of this.
const UNIT_BYTES: u32 = 256;
/// Read at a time: little at first, since most comparisons end there.
const READ_BYTES: [usize; 2] = [512, 64 << 10];

/// Notes in each stretch how often it repeats itself, and which earlier one it equals.
pub(super) fn note(image: &dyn ReadAt, stretches: &mut [Stretch]) -> io::Result<()> {
    for index in 0..stretches.len() {
        let (earlier, rest) = stretches.split_at_mut(index);
        let Some(own) = rest.first_mut().filter(|own| is_content(own)) else {
            continue;
        };
        own.times = times(image, own)?;
        let length = own.length();
        for other in earlier
            .iter()
            .filter(|one| one.length() == length && one.looks == own.looks)
        {
            if same(image, other.range.start, own.range.start, length)? {
                own.equals = Some(other.equals.unwrap_or(other.range.start));
                break;
            }
        }
    }
    Ok(())
}

fn is_content(stretch: &Stretch) -> bool {
    !matches!(stretch.looks, Looks::Blank | Looks::Filled(_))
}

fn times(image: &dyn ReadAt, stretch: &Stretch) -> io::Result<u32> {
    let (start, length) = (stretch.range.start, stretch.length());
    for times in TIMES
        .into_iter()
        .filter(|times| length % (times * UNIT_BYTES) == 0)
    {
        let distance = length / times;
        if same(image, start, start + distance, length - distance)? {
            return Ok(times);
        }
    }
    Ok(1)
}

/// Whether the same bytes stand at two places.
fn same(image: &dyn ReadAt, one: u32, two: u32, length: u32) -> io::Result<bool> {
    let [few, many] = READ_BYTES;
    let (mut a, mut b) = (vec![0; few], vec![0; few]);
    let mut at = 0;
    while at < length {
        let left = usize::try_from(length - at).unwrap_or(many);
        let size = left.min(if at == 0 { few } else { many });
        a.resize(size, 0);
        b.resize(size, 0);
        image.read_at(u64::from(one) + u64::from(at), &mut a)?;
        image.read_at(u64::from(two) + u64::from(at), &mut b)?;
        if a != b {
            return Ok(false);
        }
        at += size as u32;
    }
    Ok(true)
}
