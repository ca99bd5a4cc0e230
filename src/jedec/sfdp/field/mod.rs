//! Every field of an SFDP space with its place, value and raw bits.

mod basic;
mod later;
mod tables;
mod words;

use serde::Serialize;

use super::basic::bits;
use super::{ParameterHeader, Sfdp};
pub(super) use words::{opcode, yes};

/// One field.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Field {
    /// The table: `SFDP header`, `parameter header 1`, or ID and name.
    pub table: String,
    /// DWORD in the table, counted from 1.
    pub dword: usize,
    /// Bits of the DWORD, highest first: `15:8`, or `2` for a single bit.
    pub bits: String,
    /// What the field is.
    pub name: String,
    /// Its value in words, with the unit.
    pub value: String,
    /// The bits as a number.
    pub raw: u32,
}

/// The fields of one DWORD of one table.
struct Lister<'a> {
    table: String,
    fields: &'a mut Vec<Field>,
}

impl Lister<'_> {
    /// Adds bits `high` to `low` of `dword`, DWORD number `number`.
    fn add(
        &mut self,
        number: usize,
        dword: u32,
        (high, low): (u32, u32),
        name: &str,
        value: String,
    ) {
        let place = if high == low {
            low.to_string()
        } else {
            format!("{high}:{low}")
        };
        self.fields.push(Field {
            table: self.table.clone(),
            dword: number,
            bits: place,
            name: name.to_owned(),
            value,
            raw: bits(dword, high, low),
        });
    }
}

/// Lists all fields, tables in the order of their headers.
pub(super) fn list(sfdp: &Sfdp) -> Vec<Field> {
    let mut fields = Vec::new();
    sfdp_header(sfdp, &mut fields);
    for (number, header) in (1..).zip(&sfdp.headers) {
        parameter_header(number, header, &mut fields);
    }
    basic::list(sfdp, &mut fields);
    tables::list(sfdp, &mut fields);
    fields
}

fn sfdp_header(sfdp: &Sfdp, fields: &mut Vec<Field>) {
    let signature = u32::from_le_bytes(super::header::SIGNATURE);
    let last = sfdp.headers.len().saturating_sub(1) as u8;
    let second = u32::from_le_bytes([
        sfdp.revision.minor,
        sfdp.revision.major,
        last,
        sfdp.access_protocol,
    ]);
    let mut lister = Lister {
        table: "SFDP header".to_owned(),
        fields,
    };
    lister.add(1, signature, (31, 0), "signature", "SFDP".to_owned());
    lister.add(2, second, (15, 0), "revision", sfdp.revision.to_string());
    lister.add(
        2,
        second,
        (23, 16),
        "parameter headers",
        sfdp.headers.len().to_string(),
    );
    let protocol = match sfdp.access_protocol {
        0xFF => "single lane, 3-byte address, 8 dummy clocks".to_owned(),
        other => format!("{other:02X}h, not known"),
    };
    lister.add(2, second, (31, 24), "access protocol", protocol);
}

fn parameter_header(number: usize, header: &ParameterHeader, fields: &mut Vec<Field>) {
    let [id_high, id_low] = header.id.to_be_bytes();
    let first = u32::from_le_bytes([
        id_low,
        header.revision.minor,
        header.revision.major,
        header.dwords,
    ]);
    let second = header.pointer | u32::from(id_high) << 24;
    let mut lister = Lister {
        table: format!("parameter header {number}"),
        fields,
    };
    let name = format!("{:04X}, {}", header.id, header.name());
    lister.add(1, first, (7, 0), "table", name);
    lister.add(
        1,
        first,
        (23, 8),
        "table revision",
        header.revision.to_string(),
    );
    lister.add(
        1,
        first,
        (31, 24),
        "length",
        format!("{} DWORDs", header.dwords),
    );
    lister.add(
        2,
        second,
        (23, 0),
        "address",
        format!("{:#x}", header.pointer),
    );
    lister.add(2, second, (31, 24), "table, high byte", opcode(id_high));
}
