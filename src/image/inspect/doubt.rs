//! What speaks against an image as a dump of a whole chip.

use std::fmt;

use serde::Serialize;

use super::Known;
use super::slip::{BitSlip, ByteSlip};
use crate::image::examine::{Alarm, Examination};
use crate::image::formats::{Checked, Finding, Findings, Format};
use crate::image::show_size;
use crate::jedec::Address;

/// Who says how large the chip is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum SizeSource {
    /// The region map.
    Map,
    /// The unit's chip, as it was identified.
    Chip,
}

/// What speaks against an image as a dump of a whole chip.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Doubt {
    /// There is not a byte.
    Empty,
    /// A look that no healthy reading has.
    Look(Alarm),
    /// No chip is of this size.
    Size {
        /// Size of the image.
        size_bytes: u32,
        /// The chip's size that is nearest.
        nearest_bytes: u64,
    },
    /// The image is not as long as it should be.
    OtherSize {
        /// Size of the image.
        size_bytes: u32,
        /// Size that it should have.
        expected_bytes: u32,
        /// Who says so.
        source: SizeSource,
    },
    /// The image does not depend on these address bits.
    Mirror {
        /// Bits, counted from A0, lowest first.
        address_bits: Vec<u8>,
        /// Size of the chip, where these are the uppermost bits.
        chip_bytes: Option<u64>,
    },
    /// Something runs past the end of the image, by its own header.
    CutShort {
        /// Where it begins.
        from: u32,
        /// Where it would end, where its header tells.
        end: Option<u64>,
        /// What it is.
        format: Format,
    },
    /// From an address on, data begins beside the places where it should.
    ByteShift {
        /// Bytes too many; negative: too few.
        bytes: i32,
        /// First data that is displaced.
        from: u32,
        /// How many starts of data are displaced alike.
        starts: u32,
    },
    /// From an address on, text reads only once all bits are moved.
    BitShift {
        /// Bits too many; negative: too few.
        bits: i32,
        /// First block with such text.
        from: u32,
    },
}

impl From<ByteSlip> for Doubt {
    fn from(slip: ByteSlip) -> Self {
        let ByteSlip {
            bytes,
            from,
            starts,
        } = slip;
        Self::ByteShift {
            bytes,
            from,
            starts,
        }
    }
}

impl From<BitSlip> for Doubt {
    fn from(slip: BitSlip) -> Self {
        Self::BitShift {
            bits: slip.bits,
            from: slip.from,
        }
    }
}

/// What is wrong with the size.
pub(super) fn of_size(size_bytes: u32, known: &Known<'_>) -> Vec<Doubt> {
    if size_bytes == 0 {
        return vec![Doubt::Empty];
    }
    let by_map = known.map.map(|map| (map.size_bytes(), SizeSource::Map));
    let by_chip = known.chip_size_bytes.map(|bytes| (bytes, SizeSource::Chip));
    let told: Vec<_> = by_chip.into_iter().chain(by_map).collect();
    let others = told.iter().filter(|(expected, _)| *expected != size_bytes);
    let mut doubts: Vec<Doubt> = others
        .map(|(expected_bytes, source)| Doubt::OtherSize {
            size_bytes,
            expected_bytes: *expected_bytes,
            source: *source,
        })
        .collect();
    if told.is_empty() && !size_bytes.is_power_of_two() {
        let above = u64::from(size_bytes).next_power_of_two();
        let nearer_above = above - u64::from(size_bytes) <= u64::from(size_bytes) - above / 2;
        let nearest_bytes = if nearer_above { above } else { above / 2 };
        doubts.push(Doubt::Size {
            size_bytes,
            nearest_bytes,
        });
    }
    doubts
}

/// What the look of the whole says.
pub(super) fn of_look(look: &Examination, known: &Known<'_>) -> Vec<Doubt> {
    let mut doubts: Vec<Doubt> = look.alarms().into_iter().map(Doubt::Look).collect();
    // A line says something only where every block has its partner.
    let whole = |bit: &u8| look.size_bytes % (2_u64 << bit) == 0;
    let bits: Vec<u8> = look
        .mirrored_address_bits()
        .into_iter()
        .filter(whole)
        .collect();
    if let Some(lowest) = bits.first().copied() {
        let chip_bytes = 1_u64 << lowest;
        let uppermost = chip_bytes << bits.len() == look.size_bytes;
        // How large a chip is that repeats its lower half, a backup asks the person.
        if known.repeats_are_real && !uppermost {
            return doubts;
        }
        doubts.push(Doubt::Mirror {
            address_bits: bits,
            chip_bytes: uppermost.then_some(chip_bytes),
        });
    }
    doubts
}

/// Things that run past the end; the first one says enough.
pub(super) fn of_headers(findings: &Findings, size_bytes: u32) -> Option<Doubt> {
    let cut = findings
        .listed
        .iter()
        .filter(|one| one.checked == Checked::Cut);
    cut.filter_map(|one| {
        let end = one.size_bytes.map(|bytes| one.offset.saturating_add(bytes));
        let end = end.filter(|end| *end > u64::from(size_bytes));
        // Of the others a header says too little to be believed against the whole image.
        let is_stream = matches!(
            one.format,
            Format::Gzip | Format::Xz | Format::Zstd | Format::Lz4
        );
        let from = u32::try_from(one.offset).ok()?;
        let format = one.format;
        (end.is_some() || is_stream).then_some(Doubt::CutShort { from, end, format })
    })
    .next()
}

/// File systems beside the places where they can be: they begin at a word at least. Other things may
/// stand anywhere within something else.
pub(super) fn of_header_places(findings: &Findings) -> Option<Doubt> {
    let placed =
        |one: &&Finding| matches!(one.format, Format::Cramfs | Format::Squashfs | Format::Ubi);
    let mut beside = findings
        .listed
        .iter()
        .filter(placed)
        .filter(|one| one.offset % 4 != 0);
    let first = beside.next()?;
    let residue = (first.offset % 256) as i32;
    let alike = beside
        .filter(|one| one.offset % 256 == first.offset % 256)
        .count();
    Some(Doubt::ByteShift {
        bytes: if residue > 128 {
            residue - 256
        } else {
            residue
        },
        from: u32::try_from(first.offset).ok()?,
        starts: u32::try_from(alike + 1).unwrap_or(u32::MAX),
    })
}

impl Doubt {
    /// What it usually comes from (common practice, no source).
    #[must_use]
    pub fn means(&self) -> &'static str {
        match self {
            Self::Empty => "nothing was read",
            Self::Look(Alarm::Uniform(0xFF)) => {
                "a blank chip, or none: MISO was open, or the chip without its supply"
            }
            Self::Look(Alarm::Uniform(_)) => "no chip answered: MISO is stuck, or CS is loose",
            Self::Look(_) => "a data wire was stuck or shorted while this was read",
            Self::Size { .. } => {
                "chips are a power of two in size: the dump was cut short, or something was added"
            }
            Self::OtherSize {
                size_bytes,
                expected_bytes,
                ..
            } if size_bytes < expected_bytes => {
                "the dump was cut short, or the chip was taken for a smaller one"
            }
            Self::OtherSize { .. } => {
                "the chip was taken for a larger one, or this is another unit's"
            }
            Self::Mirror {
                chip_bytes: Some(_),
                ..
            } => {
                "a smaller chip than was read, its upper addresses not sent, or a genuine copy: \
                 only the chip can tell"
            }
            Self::Mirror { .. } => {
                "an address bit was stuck while this was read, or everything is there twice: only \
                 the chip can tell"
            }
            Self::CutShort { .. } => {
                "the dump was cut short, or the chip was taken for a smaller one"
            }
            Self::ByteShift { bytes: 0.., .. } => {
                "bytes were added in reading, as by a frame read anew or a dummy byte too few"
            }
            Self::ByteShift { .. } => {
                "bytes were lost in reading, as by a full buffer or a dummy byte too many"
            }
            Self::BitShift { .. } => {
                "a clock edge was counted twice or missed: the clip, the ground wire, or SCK too high"
            }
        }
    }
}

impl fmt::Display for Doubt {
    // Long, as there is one sentence for each kind.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => f.write_str("there is not a byte in it"),
            Self::Look(alarm) => alarm.fmt(f),
            Self::Size {
                size_bytes,
                nearest_bytes,
            } => {
                let off = u64::from(*size_bytes).abs_diff(*nearest_bytes);
                let side = if u64::from(*size_bytes) < *nearest_bytes {
                    "less"
                } else {
                    "more"
                };
                let nearest = show_size(*nearest_bytes);
                write!(f, "it is {} {side} than {nearest}", show_size(off))
            }
            Self::OtherSize {
                size_bytes,
                expected_bytes,
                source,
            } => {
                let whose = match source {
                    SizeSource::Map => "the map is for",
                    SizeSource::Chip => "the unit's chip has",
                };
                let [size, expected] = [size_bytes, expected_bytes].map(|b| show_size((*b).into()));
                write!(f, "it has {size}, and {whose} {expected}")
            }
            Self::Mirror {
                address_bits,
                chip_bytes,
            } => {
                let names: Vec<String> = address_bits.iter().map(|bit| format!("A{bit}")).collect();
                let names = names.join(", ");
                match chip_bytes {
                    Some(bytes) => write!(
                        f,
                        "from {} on, its first {} come once more ({names} without effect)",
                        Address(u32::try_from(*bytes).unwrap_or(u32::MAX)),
                        show_size(*bytes)
                    ),
                    None => write!(f, "it is the same with and without {names}"),
                }
            }
            Self::CutShort { from, end, format } => match end {
                Some(end) => write!(
                    f,
                    "the {format} at {} says that it ends at {end:#X}",
                    Address(*from)
                ),
                None => write!(f, "the {format} at {} does not end in it", Address(*from)),
            },
            Self::ByteShift {
                bytes,
                from,
                starts,
            } => {
                let side = if *bytes > 0 { "late" } else { "early" };
                let off = show_size(bytes.unsigned_abs().into());
                write!(
                    f,
                    "{starts} starts of data lie {off} {side}, from {} on",
                    Address(*from)
                )
            }
            Self::BitShift { bits, from } => {
                let side = if *bits > 0 { "late" } else { "early" };
                let off = bits.unsigned_abs();
                let s = if off == 1 { "" } else { "s" };
                write!(
                    f,
                    "text reads only when taken {off} bit{s} {side}, from {} on",
                    Address(*from)
                )
            }
        }
    }
}
