//! The fields of the tables beside the basic one.

use super::super::basic::{Basic, bits, byte};
use super::super::four_byte::{OCTAL_FROM_BIT, OPCODES, announces_octal, erase_fault};
use super::super::header::{REGISTERS, SECTOR_MAP};
use super::super::vendor::{FEATURES, is_supply_table};
use super::super::{
    CommandAddress, FourByteInstructions, RawTable, SectorMap, Sfdp, VccRange, registers,
};
use super::words::{opcode, size};
use super::{Field, Lister};

/// Adds every table but the basic one, in the order of the headers.
pub(super) fn list(sfdp: &Sfdp, fields: &mut Vec<Field>) {
    if let Some(table) = &sfdp.four_byte {
        four_byte(table, &sfdp.basic, fields);
    }
    for table in &sfdp.tables {
        let mut lister = Lister {
            table: format!("{:04X} {}", table.header.id, table.header.name()),
            fields,
        };
        match (table.header.id, &sfdp.sector_map) {
            (SECTOR_MAP, Some(map)) => sector_map(&mut lister, table, map),
            (REGISTERS, _) => {
                for ((number, dword), name) in (1..).zip(&table.dwords).zip(registers::NAMES) {
                    lister.add(
                        number,
                        *dword,
                        (31, 0),
                        name,
                        registers::in_words(number, *dword),
                    );
                }
                raw(&mut lister, table, registers::NAMES.len());
            }
            _ if is_supply_table(table) => supply(&mut lister, table, sfdp),
            _ => raw(&mut lister, table, 0),
        }
    }
}

/// The DWORDs behind the first `known`, undecoded.
fn raw(lister: &mut Lister<'_>, table: &RawTable, known: usize) {
    for (number, dword) in (1..).zip(&table.dwords).skip(known) {
        lister.add(
            number,
            *dword,
            (31, 0),
            "not decoded",
            format!("{dword:08X}h"),
        );
    }
}

fn four_byte(table: &FourByteInstructions, basic: &Basic, fields: &mut Vec<Field>) {
    let [support, erase] = table.dwords;
    let mut lister = Lister {
        table: "FF84 4-byte address instructions".to_owned(),
        fields,
    };
    let mut bit = |number: u32, name: &str, believed: bool| {
        let value = match (bits(support, number, number), believed) {
            (0, _) => "no",
            (_, true) => "yes",
            (_, false) => "not believed",
        };
        lister.add(1, support, (number, number), name, value.to_owned());
    };
    let octal = announces_octal(basic);
    let (first, second) = OPCODES.split_at(9);
    for (number, code, what) in first {
        bit(*number, &format!("{what}, {}", opcode(*code)), true);
    }
    for number in 1..=4u8 {
        let code = byte(erase, u32::from(number) - 1);
        let believed = erase_fault(number, code, basic).is_none();
        bit(
            8 + u32::from(number),
            &format!("erase type {number}"),
            believed,
        );
    }
    for (number, code, what) in second {
        bit(
            *number,
            &format!("{what}, {}", opcode(*code)),
            octal || *number < OCTAL_FROM_BIT,
        );
    }
    for number in 1..=4u8 {
        let index = u32::from(number) - 1;
        let code = byte(erase, index);
        let value = if bits(support, 9 + index, 9 + index) == 0 {
            "none".to_owned()
        } else {
            match erase_fault(number, code, basic) {
                Some(why) => format!("not used: {why}"),
                None => opcode(code),
            }
        };
        let name = format!("erase type {number}, opcode");
        lister.add(2, erase, (8 * index + 7, 8 * index), &name, value);
    }
}

/// The DWORDs of a sector map, whose parts were found to fit together.
fn sector_map(lister: &mut Lister<'_>, table: &RawTable, map: &SectorMap) {
    let at = |number: usize| table.dwords.get(number - 1).copied().unwrap_or_default();
    let mut number = 1;
    for (bit, command) in (0..map.commands.len()).rev().zip(&map.commands) {
        let first = at(number);
        let address = match command.address_bytes {
            CommandAddress::None => "none",
            CommandAddress::Three => "3 bytes",
            CommandAddress::Four => "4 bytes",
            CommandAddress::Current => "in the present mode",
        };
        let dummies = command.dummy_clocks.map_or_else(
            || "as the chip is set".to_owned(),
            |clocks| format!("{clocks} clocks"),
        );
        let asks = format!("ID bit {bit}, asked by");
        lister.add(number, first, (15, 8), &asks, opcode(command.opcode));
        lister.add(number, first, (19, 16), "dummy clocks", dummies);
        lister.add(
            number,
            first,
            (23, 22),
            "address length",
            address.to_owned(),
        );
        lister.add(
            number,
            first,
            (31, 24),
            "1 where any of",
            opcode(command.mask),
        );
        let address = format!("0x{:08X}", command.address);
        lister.add(number + 1, command.address, (31, 0), "address", address);
        number += 2;
    }
    for layout in &map.maps {
        let first = at(number);
        lister.add(number, first, (15, 8), "map, ID", opcode(layout.id));
        let regions = layout.regions.len().to_string();
        lister.add(number, first, (23, 16), "regions", regions);
        for region in &layout.regions {
            number += 1;
            let types: Vec<String> = region.erase_types.iter().map(u8::to_string).collect();
            let (start, length) = (region.range.start, region.range.end - region.range.start);
            let words = format!("type {}", types.join(", "));
            lister.add(number, at(number), (3, 0), "erased by", words);
            let words = format!("{} from 0x{start:06X}", size(length));
            lister.add(number, at(number), (31, 8), "region", words);
        }
        number += 1;
    }
    raw(lister, table, number - 1);
}

/// A maker's table that begins with the supply range and what the part can do.
fn supply(lister: &mut Lister<'_>, table: &RawTable, sfdp: &Sfdp) {
    let range = VccRange::decode(table).filter(|range| Some(*range) == sfdp.vcc);
    let (Some(range), [first, second, third, ..]) = (range, table.dwords.as_slice()) else {
        return raw(lister, table, 0);
    };
    lister.add(1, *first, (15, 0), "highest supply", range.max.to_string());
    lister.add(1, *first, (31, 16), "lowest supply", range.min.to_string());
    for (number, (high, low), name, show) in FEATURES {
        let dword = if number == 2 { *second } else { *third };
        lister.add(
            number,
            dword,
            (high, low),
            name,
            show(bits(dword, high, low)),
        );
    }
    raw(lister, table, 3);
}
