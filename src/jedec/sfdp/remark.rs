//! What an SFDP space says against itself.

use super::basic::{AddressBytes, Basic, FAST_READS, bits, byte, dword, erase_fault, erase_field};
use super::four_byte::{self, FourByteInstructions};
use super::header::SECTOR_MAP;
use super::modes::{Enter4Byte, Exit4Byte};
use super::vendor::is_supply_table;
use super::{FOUR_BYTE, Sfdp};

/// Largest array that three address bytes reach.
const REACH_3BYTE: u64 = 1 << 24;
/// DWORDs that the newest revision of the standard defines (JESD216F.02).
const BASIC_DWORDS_KNOWN: usize = 23;

/// Adds the remarks and settles whether the erase types can be believed.
pub(super) fn examine(sfdp: &mut Sfdp) {
    let mut said = Vec::new();
    frame(sfdp, &mut said);
    density(&sfdp.basic, &mut said);
    protection_bits(&sfdp.basic, &mut said);
    addresses(&sfdp.basic, sfdp.four_byte.is_some(), &mut said);
    erases(sfdp, &mut said);
    sector_map(sfdp, &mut said);
    reads(&sfdp.basic, &mut said);
    page(&sfdp.basic, &mut said);
    polling(&sfdp.basic, &mut said);
    four_byte_mode(&sfdp.basic, &mut said);
    if let Some(table) = &sfdp.four_byte {
        four_byte_table(table, &sfdp.basic, &mut said);
    } else if sfdp
        .basic
        .enter_4byte
        .contains(&Enter4Byte::DedicatedOpcodes)
    {
        said.push("It promises dedicated 4-byte opcodes and has no table of them.".to_owned());
    }
    sfdp.erase_doubt = erase_doubt(sfdp);
    sfdp.remarks.append(&mut said);
}

fn frame(sfdp: &Sfdp, said: &mut Vec<String>) {
    if sfdp.access_protocol != 0xFF {
        said.push(format!(
            "The access protocol is {:02X}h, not FFh.",
            sfdp.access_protocol
        ));
    }
    if sfdp.basic.dwords.len() > BASIC_DWORDS_KNOWN {
        said.push(format!(
            "The basic table has {} DWORDs; those after 23 are not known.",
            sfdp.basic.dwords.len()
        ));
    }
    for table in &sfdp.tables {
        if table.header.id == FOUR_BYTE {
            said.push("The 4-byte table has one DWORD of two; it is not used.".to_owned());
        } else if is_supply_table(table) && sfdp.vcc.is_none() {
            said.push(format!(
                "The supply range in table {:04X} makes no sense.",
                table.header.id
            ));
        }
    }
}

fn density(basic: &Basic, said: &mut Vec<String>) {
    match (basic.density_bytes, basic.dword(2)) {
        (None, Some(raw)) => said.push(format!("The density {raw:08X}h makes no sense.")),
        (Some(bytes), _) if !bytes.is_power_of_two() => {
            said.push(format!("The density, {bytes} bytes, is no power of two."));
        }
        _ => {}
    }
}

fn protection_bits(basic: &Basic, said: &mut Vec<String>) {
    let first = basic.dword(1).unwrap_or(u32::MAX);
    if bits(first, 4, 3) == 0b10 {
        said.push(
            "It names 06h for volatile status writes and says the bits are non-volatile."
                .to_owned(),
        );
    }
    if matches!(bits(first, 1, 0), 0b00 | 0b10) {
        said.push("The 4 KiB erase code is reserved.".to_owned());
    }
}

fn addresses(basic: &Basic, has_table: bool, said: &mut Vec<String>) {
    let large = basic.density_bytes.is_some_and(|bytes| bytes > REACH_3BYTE);
    match basic.address_bytes {
        AddressBytes::Reserved => said.push("The address byte code is reserved.".to_owned()),
        AddressBytes::Three if large => said.push(
            "It is larger than 16 MiB and says it takes three address bytes only.".to_owned(),
        ),
        AddressBytes::Three if has_table || !basic.enter_4byte.is_empty() => said.push(
            "It says it takes three address bytes only and names ways to use four.".to_owned(),
        ),
        _ => {}
    }
}

fn erases(sfdp: &Sfdp, said: &mut Vec<String>) {
    let basic = &sfdp.basic;
    for number in 1..=4 {
        let Some((size, opcode)) = erase_field(&basic.dwords, number) else {
            continue;
        };
        if let Some(why) = erase_fault(size, opcode, basic.density_bytes) {
            said.push(format!("Erase type {number} is not used: it {why}."));
        }
    }
    if let Some(sentence) = uniform_4k_mismatch(basic) {
        said.push(sentence);
    }
    said.extend(shared_opcode(sfdp));
}

/// What is odd in a sector map that can be used all the same.
fn sector_map(sfdp: &Sfdp, said: &mut Vec<String>) {
    let Some(map) = &sfdp.sector_map else {
        return;
    };
    let table = sfdp
        .tables
        .iter()
        .find(|table| table.header.id == SECTOR_MAP);
    let behind = table.map_or(0, |table| table.dwords.len()) - map.encode().len();
    if behind > 0 {
        said.push(format!(
            "The sector map has {behind} DWORDs behind its last map."
        ));
    }
    let four_kib = sfdp
        .basic
        .erase_types
        .iter()
        .find(|erase| erase.size_bytes == 4096);
    let Some(four_kib) = four_kib.filter(|_| sfdp.basic.uniform_4k.is_some()) else {
        return;
    };
    let mut regions = map.maps.iter().flat_map(|map| &map.regions);
    if regions.any(|region| !region.erase_types.contains(&four_kib.number)) {
        said.push(
            "It says 4 KiB erase works everywhere; its sector map says where not.".to_owned(),
        );
    }
}

/// DWORD 1 and the erase types must name the same 4 KiB erase.
fn uniform_4k_mismatch(basic: &Basic) -> Option<String> {
    let first = basic.dword(1)?;
    if bits(first, 1, 0) != 1 {
        return None;
    }
    let listed = basic
        .erase_types
        .iter()
        .find(|erase| erase.size_bytes == 4096);
    match listed {
        Some(erase) if erase.opcode == byte(first, 1) => None,
        Some(erase) => Some(format!(
            "The 4 KiB erase is {:02X}h in DWORD 1 and {:02X}h in the erase types.",
            byte(first, 1),
            erase.opcode
        )),
        None => Some("It says 4 KiB erase works everywhere and lists none.".to_owned()),
    }
}

/// One opcode cannot erase two sizes, unless a sector map keeps them apart: SST26 has 8, 32 and
/// 64 KiB by D8h, each in regions of its own.
fn shared_opcode(sfdp: &Sfdp) -> Option<String> {
    let types = &sfdp.basic.erase_types;
    let apart = |one: u8, other: u8| {
        let map = sfdp.sector_map.as_ref();
        map.is_some_and(|map| !map.share_a_region(one, other))
    };
    types.iter().enumerate().find_map(|(at, erase)| {
        types
            .iter()
            .skip(at + 1)
            .find(|other| {
                other.opcode == erase.opcode
                    && other.size_bytes != erase.size_bytes
                    && !apart(erase.number, other.number)
            })
            .map(|other| {
                format!(
                    "Erase types {} and {} share the opcode {:02X}h with different sizes.",
                    erase.number, other.number, erase.opcode
                )
            })
    })
}

/// Why an erase must not rest on the erase types alone.
fn erase_doubt(sfdp: &Sfdp) -> Option<String> {
    let basic = &sfdp.basic;
    if basic.density_bytes.is_none() {
        return Some("The density is not known.".to_owned());
    }
    if basic.erase_types.is_empty() {
        return Some("It lists no usable erase type.".to_owned());
    }
    if matches!(bits(basic.dword(1)?, 1, 0), 0b00 | 0b10) {
        return Some("The 4 KiB erase code is reserved.".to_owned());
    }
    let mapped = sfdp.headers.iter().any(|header| header.id == SECTOR_MAP);
    let lost = mapped && sfdp.sector_map.is_none();
    uniform_4k_mismatch(basic)
        .or_else(|| shared_opcode(sfdp))
        .or_else(|| lost.then(|| "It announces a sector map that cannot be used.".to_owned()))
}

fn reads(basic: &Basic, said: &mut Vec<String>) {
    for (lanes, support, half) in FAST_READS {
        let announced = dword(&basic.dwords, support.0).is_some_and(|d| d >> support.1 & 1 == 1);
        if announced && !basic.fast_reads.iter().any(|read| read.lanes == lanes) {
            let opcode = dword(&basic.dwords, half.0).map_or(0, |d| byte(d >> half.1, 1));
            let [a, b, c] = lanes;
            said.push(format!(
                "It announces {a}-{b}-{c} reads with the opcode {opcode:02X}h."
            ));
        }
    }
    if basic.quad_enable.is_some_and(|quad| quad.0 == 7) {
        said.push("The quad enable code is reserved; quad is refused.".to_owned());
    }
    let octal = four_byte::announces_octal(basic);
    if octal && basic.dword(19).is_some_and(|dword| bits(dword, 22, 20) > 1) {
        said.push("The octal enable code is reserved; octal is refused.".to_owned());
    }
    let reserved = |dword: u32| (0..8).any(|at| matches!(dword >> (4 * at) & 0xF, 0x0 | 0xD));
    if basic.dword(20).is_some_and(reserved) {
        said.push("A speed code in DWORD 20 is reserved.".to_owned());
    }
}

fn page(basic: &Basic, said: &mut Vec<String>) {
    if basic.dword(11).is_some() && basic.page_size_bytes.is_none() {
        said.push("It says a page has one byte; the page size is taken as unknown.".to_owned());
    }
    let smallest = basic.erase_types.iter().map(|erase| erase.size_bytes).min();
    if let (Some(page), Some(erase)) = (basic.page_size_bytes, smallest) {
        if page > erase {
            said.push(format!(
                "A page of {page} bytes is larger than the smallest erase, {erase}."
            ));
        }
    }
}

fn polling(basic: &Basic, said: &mut Vec<String>) {
    if let Some(polling) = basic.status_polling {
        if !polling.status {
            said.push(
                if polling.flag_status {
                    "Busy shows in 70h bit 7 only; 05h is not announced."
                } else {
                    "It names no way to see that it is busy."
                }
                .to_owned(),
            );
        }
    }
}

/// Ways into 4-byte addressing that have no way out, and the other way round.
fn four_byte_mode(basic: &Basic, said: &mut Vec<String>) {
    let enters = |way| basic.enter_4byte.contains(&way);
    let leaves = |way| basic.exit_4byte.contains(&way);
    for (name, into, out) in [
        ("B7h", Enter4Byte::Mode, Exit4Byte::Mode),
        (
            "06h B7h",
            Enter4Byte::WriteEnableMode,
            Exit4Byte::WriteEnableMode,
        ),
        (
            "the bank register",
            Enter4Byte::BankRegister,
            Exit4Byte::BankRegister,
        ),
        (
            "the extended address register",
            Enter4Byte::ExtendedAddress,
            Exit4Byte::ExtendedAddress,
        ),
    ] {
        if enters(into) && !leaves(out) {
            said.push(format!(
                "It enters 4-byte addressing by {name} and does not leave it that way."
            ));
        }
    }
}

fn four_byte_table(table: &FourByteInstructions, basic: &Basic, said: &mut Vec<String>) {
    let [support, erase] = table.dwords;
    for number in 1..=4u8 {
        let bit = 8 + u32::from(number);
        let opcode = byte(erase, u32::from(number) - 1);
        if bits(support, bit, bit) == 1 {
            said.extend(four_byte::erase_fault(number, opcode, basic).map(|why| {
                format!("The 4-byte opcode of erase type {number} is not used: {why}.")
            }));
        }
    }
    let octal = bits(support, 24, four_byte::OCTAL_FROM_BIT) != 0;
    if octal && !four_byte::announces_octal(basic) {
        said.push("Octal 4-byte opcodes are not used: no octal read is announced.".to_owned());
    }
    if basic.dword(16).is_some() && !basic.enter_4byte.contains(&Enter4Byte::DedicatedOpcodes) {
        said.push(
            "DWORD 16 denies dedicated 4-byte opcodes; the 4-byte table has them.".to_owned(),
        );
    }
}
