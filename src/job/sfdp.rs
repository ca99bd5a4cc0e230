//! `sfdp`: what the chip says of itself.

use std::ops::Range;
use std::slice;

use serde::Serialize;

use super::bench::Bench;
use super::connect::meet;
use super::explain::sentence;
use super::{Attendant, Exit, Stop};
use crate::interlock::Panel;
use crate::jedec::sfdp::{EraseLayout, Field, Sfdp};
use crate::link::Purpose;

/// SFDP as read, decoded or not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RawSfdp {
    /// The space, from address 0.
    pub bytes: Vec<u8>,
    /// Whether it came from a chip, not from a file.
    pub from_chip: bool,
    /// What the chip's answers made of its sector map.
    pub layout: Option<EraseLayout>,
}

impl RawSfdp {
    /// A space that was kept in a file.
    #[must_use]
    pub fn kept(bytes: Vec<u8>) -> Self {
        Self {
            bytes,
            from_chip: false,
            layout: None,
        }
    }
}

/// Where an erase type works.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ErasePlaces {
    /// Bytes that one erase covers.
    pub size_bytes: u32,
    /// Opcode, with an address in the current mode.
    pub opcode: u8,
    /// Where whole blocks lie that it erases, by the sector map as far as that is decided.
    pub ranges: Vec<Range<u64>>,
}

/// SFDP as read and as decoded.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct SfdpReport {
    /// The space as read, from address 0.
    #[serde(skip)]
    pub raw: Vec<u8>,
    /// Where each erase type works.
    pub erases: Vec<ErasePlaces>,
    /// Why nothing may be erased on the word of this table.
    pub erase_doubt: Option<String>,
    /// What is known of the sector map, where there is one.
    pub layout: Option<EraseLayout>,
    /// Every field with its place and value.
    pub fields: Vec<Field>,
    /// Contradictions and reserved values.
    pub remarks: Vec<String>,
    /// Revision.
    pub revision: String,
    /// Whether the bytes came from a chip, not from a file.
    pub from_chip: bool,
}

/// Reads and decodes the chip's SFDP.
///
/// # Errors
/// As [`read_sfdp`] and [`decode_sfdp`]. The chip is then as it was.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, _) = Gauge::new()?;
/// use norlock::job::{Nobody, sfdp};
///
/// let report = sfdp(gauge.bench(), &mut Nobody)?;
/// assert!(report.from_chip && !report.fields.is_empty());
/// # Ok(())
/// # }
/// ```
pub fn sfdp(bench: Bench, attendant: &mut dyn Attendant) -> Result<SfdpReport, Stop> {
    decode_sfdp(read_sfdp(bench, attendant)?)
}

/// Reads the chip's SFDP, usable or not, and asks which of its sector maps is in force.
///
/// # Errors
/// A [`Stop`]: held before the first clock or by the contact, a fault, no SFDP, or the person stopped. The chip is
/// then as it was.
pub fn read_sfdp(mut bench: Bench, attendant: &mut dyn Attendant) -> Result<RawSfdp, Stop> {
    let panel = Panel::for_reading(std::mem::take(&mut bench.accepted));
    let met = meet(panel, bench, Purpose::Read, None, attendant)?;
    let Some(bytes) = met.seen.sfdp_raw else {
        let next = "norlock id tells what the table knows of the part.";
        return Err(Stop::new(Exit::Different, "The chip has no SFDP.", next)
            .row("seen", "no signature at SFDP address 0")
            .row(
                "means",
                "an older part; its sizes and times come from the table alone",
            ));
    };
    Ok(RawSfdp {
        bytes,
        from_chip: true,
        layout: met.seen.layout,
    })
}

/// Decodes SFDP space that was read before.
///
/// # Errors
/// A [`Stop`] that says why it cannot be used.
pub fn decode_sfdp(raw: RawSfdp) -> Result<SfdpReport, Stop> {
    let parsed = Sfdp::parse(&raw.bytes).map_err(|error| {
        let next = "norlock id tells what the table knows of the part.";
        let means = "nothing in it is taken for a fact; the table alone describes the part";
        Stop::new(Exit::Different, sentence(&error), next)
            .row("means", means)
            .because(error)
    })?;
    let layout = raw.layout.or_else(|| parsed.erase_layout(&[]));
    Ok(SfdpReport {
        erases: places(&parsed, layout.as_ref()),
        erase_doubt: parsed.erase_doubt().map(str::to_owned),
        layout,
        fields: parsed.fields(),
        remarks: parsed.remarks().to_vec(),
        revision: parsed.revision.to_string(),
        from_chip: raw.from_chip,
        raw: raw.bytes,
    })
}

fn places(sfdp: &Sfdp, layout: Option<&EraseLayout>) -> Vec<ErasePlaces> {
    let whole = 0..sfdp.basic.density_bytes.unwrap_or(0);
    let types = sfdp.basic.erase_types.iter();
    types
        .map(|kind| ErasePlaces {
            size_bytes: kind.size_bytes,
            opcode: kind.opcode,
            ranges: layout
                .map_or(slice::from_ref(&whole), |layout| layout.places(kind.number))
                .to_vec(),
        })
        .collect()
}
