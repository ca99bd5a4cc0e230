//! `sfdp`: what the chip says of itself.

use serde::Serialize;

use super::bench::{Bench, meet};
use super::explain::sentence;
use super::{Attendant, Exit, Stop};
use crate::interlock::Panel;
use crate::jedec::sfdp::{Field, Sfdp};
use crate::link::Purpose;

/// SFDP as read and as decoded.
#[derive(Debug, Clone, Serialize)]
pub struct SfdpReport {
    /// The space as read, from address 0.
    #[serde(skip)]
    pub raw: Vec<u8>,
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
/// A [`Stop`]: held before the first clock or by the contact, a fault, or no usable SFDP.
pub fn sfdp(mut bench: Bench, attendant: &mut dyn Attendant) -> Result<SfdpReport, Stop> {
    let panel = Panel::new(std::mem::take(&mut bench.accepted));
    let met = meet(panel, bench, Purpose::Read, None, attendant)?;
    let Some(raw) = met.seen.sfdp_raw else {
        let next = "norlock id tells what the table knows of the part.";
        return Err(Stop::new(Exit::Different, "The chip has no SFDP.", next)
            .row("seen", "no signature at SFDP address 0")
            .row(
                "means",
                "an older part; its sizes and times come from the table alone",
            ));
    };
    decode_sfdp(raw, true)
}

/// Decodes SFDP space that was read before.
///
/// # Errors
/// A [`Stop`] that says why it cannot be used.
pub fn decode_sfdp(raw: Vec<u8>, from_chip: bool) -> Result<SfdpReport, Stop> {
    let parsed = Sfdp::parse(&raw).map_err(|error| {
        let next = "norlock id tells what the table knows of the part.";
        Stop::new(Exit::Different, sentence(&error), next).because(error)
    })?;
    Ok(SfdpReport {
        fields: parsed.fields(),
        remarks: parsed.remarks().to_vec(),
        revision: parsed.revision.to_string(),
        from_chip,
        raw,
    })
}
