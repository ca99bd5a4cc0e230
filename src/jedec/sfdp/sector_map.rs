//! The sector map (FF81h): where each erase type works, and how the chip is asked which of several
//! layouts is in force.
//!
//! Layout from the JESD216F.02 structures of TianoCore EDK II; the order in which answers make up a
//! configuration ID was confirmed with the map of S25HS01GT.

use std::ops::Range;

use serde::Serialize;

use super::basic::{AddressBytes, Basic, bits, byte};
use crate::jedec::opcode;

/// Most commands a map can have: each gives one bit of an ID that has eight.
const COMMANDS_MAX: usize = 8;
/// Unit of a region's size.
const REGION_UNIT_BYTES: u64 = 256;

/// Address of a configuration detection command (bits 23:22).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum CommandAddress {
    /// None.
    None,
    /// Three bytes.
    Three,
    /// Four bytes.
    Four,
    /// As many as the chip takes at the moment.
    Current,
}

/// A configuration detection command: one read that tells one bit of the configuration ID.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct DetectionCommand {
    /// Read instruction.
    pub opcode: u8,
    /// Bytes of its address.
    pub address_bytes: CommandAddress,
    /// Address to read.
    pub address: u32,
    /// Dummy clocks behind the address; `None` is what the chip is set to.
    pub dummy_clocks: Option<u8>,
    /// Bits of the answer that count: the ID's bit is 1 where any of them is.
    pub mask: u8,
}

/// A region of a map.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Region {
    /// Where it lies in the array.
    pub range: Range<u64>,
    /// Erase types that work in it, by the BFPT's numbers, 1 to 4.
    pub erase_types: Vec<u8>,
}

/// A configuration map: the regions of the array in one configuration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ConfigurationMap {
    /// Configuration ID.
    pub id: u8,
    /// Its regions, from address 0 on without a gap.
    pub regions: Vec<Region>,
}

/// A sector map whose parts fit together.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SectorMap {
    /// Reads that tell the configuration, the most significant bit first.
    pub commands: Vec<DetectionCommand>,
    /// Layouts of the array.
    pub maps: Vec<ConfigurationMap>,
}

/// What a detection command brought: the byte as read, or why there is none.
pub type Answer = Result<u8, String>;

/// What is known of where the erase types work.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct EraseLayout {
    /// IDs of the maps that can be in force: one where it is decided, none where no map fits.
    pub maps: Vec<u8>,
    /// Why no single map is known to be in force.
    pub doubt: Option<String>,
    /// Where whole blocks of each erase type lie that work in all of these maps.
    #[serde(skip)]
    pub places: Vec<(u8, Vec<Range<u64>>)>,
}

impl DetectionCommand {
    fn decode(first: u32, address: u32) -> Self {
        let latency = bits(first, 19, 16) as u8;
        Self {
            opcode: byte(first, 1),
            address_bytes: match bits(first, 23, 22) {
                0 => CommandAddress::None,
                1 => CommandAddress::Three,
                2 => CommandAddress::Four,
                _ => CommandAddress::Current,
            },
            address,
            dummy_clocks: (latency != 0xF).then_some(latency),
            mask: byte(first, 3),
        }
    }

    fn encode(&self, is_last: bool) -> [u32; 2] {
        let address_bytes = match self.address_bytes {
            CommandAddress::None => 0,
            CommandAddress::Three => 1,
            CommandAddress::Four => 2,
            CommandAddress::Current => 3,
        };
        let latency = u32::from(self.dummy_clocks.unwrap_or(0xF) & 0xF);
        let first = u32::from(self.mask) << 24
            | address_bytes << 22
            | 0x30_0000
            | latency << 16
            | u32::from(self.opcode) << 8
            | 0xFC
            | u32::from(is_last);
        [first, self.address]
    }

    /// The bytes to send, of which one byte is then read, on a part that takes `addresses` and answers
    /// 9Fh with `maker` first.
    ///
    /// # Errors
    /// A sentence where the command is not known to be a read, or where it depends on a setting of the
    /// chip that the table does not tell: nothing is guessed.
    pub fn frame(&self, maker: u8, addresses: AddressBytes) -> Result<Vec<u8>, String> {
        let code = self.opcode;
        let count = match (self.address_bytes, addresses) {
            (CommandAddress::None, _) => 0,
            (CommandAddress::Three, _) | (CommandAddress::Current, AddressBytes::Three) => 3,
            (CommandAddress::Four, _) | (CommandAddress::Current, AddressBytes::Four) => 4,
            (CommandAddress::Current, _) => {
                return Err(format!(
                    "{code:02X}h takes an address in the mode the chip is in, which nothing tells"
                ));
            }
        };
        if count == 3 && self.address >> 24 != 0 {
            return Err(format!("{code:02X}h has an address above three bytes"));
        }
        let dummy_bytes = match self.dummy_clocks {
            None => {
                return Err(format!(
                    "{code:02X}h takes dummy clocks by a setting of the chip, which nothing tells"
                ));
            }
            Some(clocks) if clocks % 8 != 0 => {
                return Err(format!(
                    "{code:02X}h takes {clocks} dummy clocks, which are no whole bytes"
                ));
            }
            Some(clocks) => usize::from(clocks / 8),
        };
        let mut frame = vec![code];
        frame.extend(self.address.to_be_bytes().iter().skip(4 - count));
        frame.resize(1 + count + dummy_bytes, 0);
        if opcode::is_register_read(maker, &frame) {
            Ok(frame)
        } else {
            Err(format!(
                "{code:02X}h in this form is not known to be a read on this maker's parts"
            ))
        }
    }
}

impl ConfigurationMap {
    fn decode(first: u32, regions: &[u32], basic: &Basic) -> Result<Self, String> {
        let mut start = 0;
        let mut map = Self {
            id: byte(first, 1),
            regions: Vec::with_capacity(regions.len()),
        };
        for dword in regions {
            let end = start + (u64::from(dword >> 8) + 1) * REGION_UNIT_BYTES;
            let erase_types: Vec<u8> = (1..=4u8)
                .filter(|number| dword >> (number - 1) & 1 == 1)
                .collect();
            let exists = |number: &u8| basic.erase_types.iter().any(|e| e.number == *number);
            if let Some(missing) = erase_types.iter().find(|number| !exists(number)) {
                return Err(format!(
                    "has a region with erase type {missing}, which does not exist"
                ));
            }
            if erase_types.is_empty() {
                return Err("has a region without an erase type".to_owned());
            }
            map.regions.push(Region {
                range: start..end,
                erase_types,
            });
            start = end;
        }
        match basic.density_bytes {
            Some(density) if density == start => Ok(map),
            _ => Err(format!(
                "has a map of {start} bytes, which is not the density"
            )),
        }
    }

    fn encode(&self, is_last: bool) -> Vec<u32> {
        let count = self.regions.len().saturating_sub(1) as u32 & 0xFF;
        let first = 0xFF00_00FE | count << 16 | u32::from(self.id) << 8 | u32::from(is_last);
        let region = |region: &Region| {
            let units = (region.range.end - region.range.start) / REGION_UNIT_BYTES;
            let types = region.erase_types.iter();
            let types = types.fold(0, |all, number| all | 1u32 << number.saturating_sub(1));
            (units.saturating_sub(1) as u32) << 8 | 0xF0 | types & 0xF
        };
        [first]
            .into_iter()
            .chain(self.regions.iter().map(region))
            .collect()
    }

    /// Where whole blocks of erase type `number` lie, each within one region. A region that is
    /// smaller than a block holds the rest of a sector, and no whole block.
    #[must_use]
    pub fn places(&self, number: u8, size_bytes: u32) -> Vec<Range<u64>> {
        let size = u64::from(size_bytes.max(1));
        let mut places: Vec<Range<u64>> = Vec::new();
        let regions = self.regions.iter();
        for region in regions.filter(|region| region.erase_types.contains(&number)) {
            let start = region.range.start.div_ceil(size) * size;
            let end = region.range.end / size * size;
            match places.last_mut() {
                _ if start >= end => {}
                Some(last) if last.end == start => last.end = end,
                _ => places.push(start..end),
            }
        }
        places
    }
}

impl SectorMap {
    /// Decodes a table and checks it against the basic table whose erase types it numbers.
    ///
    /// Ends at the table's length, whatever its flags say.
    ///
    /// # Errors
    /// What is wrong with it, to follow "it".
    pub(super) fn decode(dwords: &[u32], basic: &Basic) -> Result<Self, String> {
        let mut map = Self {
            commands: Vec::new(),
            maps: Vec::new(),
        };
        let (mut rest, mut commands_ended) = (dwords, false);
        while let [first, after @ ..] = rest {
            let is_last = first & 1 == 1;
            if first >> 1 & 1 == 0 {
                let [address, after @ ..] = after else {
                    return Err("ends within a command".to_owned());
                };
                if commands_ended || !map.maps.is_empty() {
                    return Err("has a command behind the last one".to_owned());
                }
                map.commands
                    .push(DetectionCommand::decode(*first, *address));
                (commands_ended, rest) = (is_last, after);
                continue;
            }
            if !(commands_ended || map.commands.is_empty()) {
                return Err("does not mark its last command".to_owned());
            }
            let count = bits(*first, 23, 16) as usize + 1;
            let Some((regions, after)) = after.split_at_checked(count) else {
                return Err("ends within a map".to_owned());
            };
            map.maps
                .push(ConfigurationMap::decode(*first, regions, basic)?);
            if is_last {
                return map.checked();
            }
            rest = after;
        }
        Err("does not mark its last map".to_owned())
    }

    fn checked(self) -> Result<Self, String> {
        let again = |(at, map): (usize, &ConfigurationMap)| {
            self.maps
                .iter()
                .skip(at + 1)
                .any(|other| other.id == map.id)
        };
        if self.maps.iter().enumerate().any(again) {
            Err("has two maps with one ID".to_owned())
        } else if self.commands.is_empty() && self.maps.len() > 1 {
            Err("has several maps and no way to choose".to_owned())
        } else if self.commands.len() > COMMANDS_MAX {
            Err("has more commands than an ID has bits".to_owned())
        } else if self.commands.iter().any(|command| command.mask == 0) {
            Err("has a command whose answer cannot matter".to_owned())
        } else {
            Ok(self)
        }
    }

    /// The table, with reserved bits as ones.
    #[must_use]
    pub fn encode(&self) -> Vec<u32> {
        let last = |count: usize, at: usize| at + 1 == count;
        let (commands, maps) = (self.commands.len(), self.maps.len());
        let of_commands = self.commands.iter().enumerate();
        let of_maps = self.maps.iter().enumerate();
        of_commands
            .flat_map(|(at, command)| command.encode(last(commands, at)))
            .chain(of_maps.flat_map(|(at, map)| map.encode(last(maps, at))))
            .collect()
    }

    /// Whether two erase types of different numbers work in one region of any map.
    pub(super) fn share_a_region(&self, one: u8, other: u8) -> bool {
        let mut regions = self.maps.iter().flat_map(|map| &map.regions);
        regions
            .any(|region| region.erase_types.contains(&one) && region.erase_types.contains(&other))
    }

    /// Where the erase types of `basic` work, by the answers to the commands, in their order. An
    /// answer that is not there counts as not known.
    #[must_use]
    pub fn layout(&self, answers: &[Answer], basic: &Basic) -> EraseLayout {
        let missing = Err("no chip was asked".to_owned());
        let answers: Vec<&Answer> = (0..self.commands.len())
            .map(|at| answers.get(at).unwrap_or(&missing))
            .collect();
        let possible: Vec<&ConfigurationMap> = self
            .maps
            .iter()
            .filter(|map| self.fits(map, &answers))
            .collect();
        let unknown = answers.iter().find_map(|answer| answer.as_ref().err());
        let doubt = match (unknown, possible.len()) {
            (_, 0) => Some(format!(
                "No sector map fits what the chip answers{}; nothing is erased.",
                self.in_words(&answers)
            )),
            (Some(why), _) => Some(format!(
                "Which sector map is in force is not decided: {why}."
            )),
            (None, _) => None,
        };
        let places = basic.erase_types.iter().map(|kind| {
            let maps = possible.iter();
            let places = maps.map(|map| map.places(kind.number, kind.size_bytes));
            (kind.number, places.reduce(common).unwrap_or_default())
        });
        EraseLayout {
            maps: possible.iter().map(|map| map.id).collect(),
            doubt,
            places: places.collect(),
        }
    }

    /// Whether a map's ID agrees with the answers there are.
    fn fits(&self, map: &ConfigurationMap, answers: &[&Answer]) -> bool {
        let bits = answers.iter().zip(&self.commands).rev();
        let agrees = bits.enumerate().all(|(bit, (answer, command))| {
            let wanted = u32::from(map.id) >> bit & 1 == 1;
            answer
                .as_ref()
                .map_or(true, |byte| (byte & command.mask != 0) == wanted)
        });
        agrees && u32::from(map.id) >> self.commands.len() == 0
    }

    /// ` (ID 03h)`, where all answers are known.
    fn in_words(&self, answers: &[&Answer]) -> String {
        let mut bits = answers.iter().zip(&self.commands);
        let id = bits.try_fold(0u32, |id, (answer, command)| {
            let set = answer.as_ref().ok()? & command.mask != 0;
            Some(id << 1 | u32::from(set))
        });
        id.map_or_else(String::new, |id| format!(" (ID {id:02X}h)"))
    }
}

impl EraseLayout {
    /// Whether one map is known to be in force.
    #[must_use]
    pub fn is_decided(&self) -> bool {
        self.doubt.is_none()
    }

    /// Where erase type `number` works in every map that can be in force.
    #[must_use]
    pub fn places(&self, number: u8) -> &[Range<u64>] {
        self.places
            .iter()
            .find(|(of, _)| *of == number)
            .map_or(&[], |(_, places)| places)
    }
}

/// What lies in both lists, each of which is in order.
fn common(one: Vec<Range<u64>>, other: Vec<Range<u64>>) -> Vec<Range<u64>> {
    let pairs = one.iter().flat_map(|a| other.iter().map(move |b| (a, b)));
    pairs
        .map(|(a, b)| a.start.max(b.start)..a.end.min(b.end))
        .filter(|range| range.start < range.end)
        .collect()
}

#[cfg(test)]
mod tests;
