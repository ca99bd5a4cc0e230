//! Chips of every size and way, what they hold and what they shall hold.

use std::fmt::Write;
use std::ops::Range;

use norlock::jedec::{Hertz, Lanes};
use norlock::link::Limits;
use norlock::mock::{Fault, Faults};
use norlock::part::Catalogue;

use crate::station::code;

const KIB: usize = 1 << 10;
const MIB: usize = 1 << 20;

/// One chip and a conversion of what it holds.
pub struct Geometry {
    pub name: &'static str,
    pub part: String,
    pub marking: String,
    /// Whether protection has to be lifted for a write.
    pub lifts: bool,
    /// Whether it is wired and set up for four lanes.
    quad: bool,
    /// A parts file with the part, unless it is built in.
    parts: Option<String>,
    /// Unit data fill the last so many bytes.
    unit_data_bytes: usize,
    pub found: Vec<u8>,
    pub target: Vec<u8>,
}

/// A made-up part.
struct Made<'a> {
    size: usize,
    /// Size in KiB, opcode, and the opcode that takes four address bytes.
    erase: &'a [(usize, u8, Option<u8>)],
    more: &'static str,
}

const SMALL: &[(usize, u8, Option<u8>)] = &[(4, 0x20, None), (32, 0x52, None), (64, 0xD8, None)];
const DEDICATED: &[(usize, u8, Option<u8>)] = &[(4, 0x20, Some(0x21)), (64, 0xD8, Some(0xDC))];

impl Made<'_> {
    fn parts(&self, name: &str) -> String {
        // What is read on several lanes, and how, the chip's own table has to say.
        let (lanes, sfdp) = match self.more.contains("quad_program") {
            true => (
                ", { opcode = 0x6B, mhz = 104 }, { opcode = 0xEB, mhz = 104 }",
                true,
            ),
            false => ("", false),
        };
        let mut text = format!(
            "maker = \"Harbour\"\n[[part]]\nname = \"{name}\"\nmarkings = [\"{name}\"]\n\
             jedec_id = [0xEF, 0x7A, {}]\nsize_bytes = {}\nsupply_mv = [2700, 3600]\n\
             status_write_us = [10000, 15000]\n\
             sck_max = [{{ opcode = 0x03, mhz = 50 }}, {{ opcode = 0x0B, mhz = 104 }}{lanes}]\n\
             status = \"winbond\"\nsfdp = {sfdp}\n\
             unique_id = {{ opcode = 0x4B, dummy_bytes = 4, length_bytes = 8 }}\n\
             source = {{ title = \"made up for this test\", revision = \"1\", place = \"here\" }}\n\
             memory = []\nerase = [\n",
            self.size.trailing_zeros(),
            self.size
        );
        for (kib, opcode, four) in self.erase {
            let four = four.map_or_else(String::new, |code| format!(", opcode_4byte = {code}"));
            let (size, typical) = (kib * KIB, 40 + 2 * kib);
            writeln!(
                text,
                "{{ size_bytes = {size}, opcode = {opcode}, time_ms = [{typical}, {}]{four} }},",
                typical * 6
            )
            .unwrap();
        }
        if !self.more.starts_with("program") {
            text += "]\npage_size_bytes = 256\npage_program_us = [800, 3000]\n";
        } else {
            text += "]\n";
        }
        text + self.more
    }
}

impl Geometry {
    fn made(name: &'static str, made: &Made<'_>) -> Self {
        let part = format!("HB{}", name.to_uppercase().replace('-', ""));
        let block = made.erase[0].0 * KIB;
        let (found, target) = few_blocks(made.size, block);
        Self {
            name,
            parts: Some(made.parts(&part)),
            marking: part.clone(),
            part,
            lifts: false,
            quad: false,
            unit_data_bytes: block,
            found,
            target,
        }
    }

    fn built_in(name: &'static str, part: &str, marking: &str, size: usize) -> Self {
        let (found, target) = few_blocks(size, 4 * KIB);
        Self {
            name,
            parts: None,
            part: part.into(),
            marking: marking.into(),
            lifts: false,
            quad: false,
            unit_data_bytes: 4 * KIB,
            found,
            target,
        }
    }

    /// 64 KiB of which all but 8 KiB of unit data is rewritten: 224 pages, a large erase and small ones.
    pub fn whole() -> Self {
        let made = Made {
            size: 64 * KIB,
            erase: SMALL,
            more: "",
        };
        let (found, mut target) = (code(1, 64 * KIB), code(2, 64 * KIB));
        target[56 * KIB..].copy_from_slice(&found[56 * KIB..]);
        Self {
            found,
            target,
            unit_data_bytes: 8 * KIB,
            ..Self::made("64k", &made)
        }
    }

    /// The same chip, of which one block in a large erase and some small ones change.
    pub fn part_of_it() -> Self {
        let whole = Self::whole();
        let mut found = vec![0xFF; 64 * KIB];
        let mut put =
            |at: usize, bytes: Vec<u8>| found[at..at + bytes.len()].copy_from_slice(&bytes);
        put(0, code(3, 20 * KIB));
        put(0x8000, code(4, 700));
        put(0xB000, code(5, 900));
        put(0xE000, code(6, 8 * KIB));
        let mut target = found.clone();
        target[..0x8000].fill(0xFF);
        for page in 0..3 {
            let at = page * 0x2A00;
            target[at..at + 200].copy_from_slice(&code(at as u64 + 20, 200));
        }
        target[0x8000..0x9000].fill(0xFF);
        target[0xA000..0xA080].copy_from_slice(&code(40, 128));
        target[0xB000..0xB200].copy_from_slice(&code(41, 512));
        Self {
            name: "64k-part",
            found,
            target,
            ..whole
        }
    }

    /// Programmed on four lanes. These are used only where what the chip holds shows that they carry.
    fn on_four_lanes() -> Self {
        let made = Made {
            size: 256 * KIB,
            erase: SMALL,
            more: "quad_program = 0x32\n",
        };
        let found = code(9, 256 * KIB);
        let mut target = found.clone();
        target[..0x2000].copy_from_slice(&code(10, 0x2000));
        target[0x2_0000..0x2_1000].fill(0xFF);
        target[0x2_0010..0x2_0013].copy_from_slice(&code(11, 3));
        Self {
            quad: true,
            found,
            target,
            ..Self::made("256k-quad", &made)
        }
    }

    /// All of them but the whole one.
    pub fn all() -> Vec<Self> {
        let made = |name, size, erase: &[_], more| Self::made(name, &Made { size, erase, more });
        let by_mode = r#"four_byte = [{ by = "mode", enter = 0xB7, exit = 0xE9 }]"#;
        let by_opcode =
            r#"four_byte = [{ by = "dedicated", opcodes = [0x0C, 0x12, 0x13, 0x21, 0xDC] }]"#;
        let extended = r#"four_byte = [{ by = "extended-register" }]"#;
        let bank = r#"four_byte = [{ by = "bank-register", extadd = false }]"#;
        let bytes = "program = \"byte\"\npage_program_us = [8, 20]\npage_size_bytes = 1\n";
        let mut all = vec![
            Self::part_of_it(),
            made("128k", 128 * KIB, &SMALL[..1], ""),
            Self::on_four_lanes(),
            made("512k-64k-only", 512 * KIB, &SMALL[2..], ""),
            made("1m-4k-64k", MIB, &[SMALL[0], SMALL[2]], ""),
            made("1m-bytes", MIB, SMALL, bytes),
            made("2m", 2 * MIB, SMALL, ""),
            made("2m-256k-only", 2 * MIB, &[(256, 0xD8, None)], ""),
            made("4m-32k", 4 * MIB, &SMALL[..2], ""),
            made("16m", 16 * MIB, &[SMALL[0], SMALL[2]], ""),
            made("32m-opcodes", 32 * MIB, DEDICATED, by_opcode),
            made("32m-mode", 32 * MIB, &SMALL[..1], by_mode),
            made("32m-extended", 32 * MIB, &SMALL[..1], extended),
            made("32m-bank", 32 * MIB, &[(64, 0xD8, None)], bank),
            Self::built_in("w25q80dv", "W25Q80DV", "W25Q80DVSIG", MIB),
            Self::built_in("gd25q64c", "GD25Q64C", "GD25Q64CSIG", 8 * MIB),
        ];
        // Words in auto address increment, and protected as it powers up.
        let mut words = Self::built_in("sst25vf016b", "SST25VF016B", "SST25VF016B", 2 * MIB);
        words.lifts = true;
        all.push(words);
        all
    }

    pub fn by_name(name: &str) -> Option<Self> {
        let mut all = Self::all();
        all.push(Self::whole());
        all.into_iter().find(|geometry| geometry.name == name)
    }

    pub fn catalogue(&self) -> Catalogue {
        match &self.parts {
            Some(text) => Catalogue::default().with_user_file(text, "harbour.toml"),
            None => Catalogue::builtin(),
        }
        .unwrap()
    }

    pub fn unit_data(&self) -> Range<usize> {
        self.found.len() - self.unit_data_bytes..self.found.len()
    }

    pub fn regions(&self) -> String {
        let Range { start, end } = self.unit_data();
        format!(
            "size = {end}\n[[region]]\nname = \"system\"\nstart = 0\nend = {start}\n\
             holds = \"replaceable\"\n[[region]]\nname = \"identity\"\nstart = {start}\nend = {end}\n\
             holds = \"unit-data\"\n"
        )
    }

    /// Long messages for large chips, so that a run is short.
    pub fn limits(&self) -> Limits {
        let batch = if self.found.len() > MIB { MIB } else { 4 * KIB };
        Limits {
            batch_out_bytes: batch,
            batch_in_bytes: batch,
            segment_align_bytes: 1,
            batch_segments: 511,
            sck_max: Hertz::mhz(50),
            sck_min: Hertz(1_000),
            lanes: match self.quad {
                true => Lanes { out: 4, into: 4 },
                false => Lanes::ONE,
            },
        }
    }

    /// What the chip is like, beside other faults: QE is set where it is programmed on four lanes (W25Q128JV
    /// Rev. I, 7.1.8: bit 1 of status register 2).
    pub fn faults(&self, faults: Faults) -> Faults {
        match self.quad {
            true => faults.with(Fault::RegisterBits {
                register: 0x35,
                bits: 0x02,
            }),
            false => faults,
        }
    }
}

/// Mostly blank. Blocks at the beginning, on both sides of the middle and near the end change: the first
/// by an erase and bytes in two pages, the second by an erase alone, the third by a program alone, the
/// fourth by an erase and one page. In 32 MiB the middle is where addresses of three bytes end.
fn few_blocks(size: usize, block: usize) -> (Vec<u8>, Vec<u8>) {
    let mut found = vec![0xFF; size];
    let mut put = |at: usize, bytes: Vec<u8>| found[at..at + bytes.len()].copy_from_slice(&bytes);
    // Where a program takes a byte or a word, few bytes are many operations.
    let few = 5;
    put(0, code(1, few));
    put(size / 2 - block, code(2, few));
    put(size - 2 * block, code(3, few));
    put(size - block, code(4, block));
    let mut target = found.clone();
    let mut put = |at: usize, bytes: Vec<u8>| {
        target[at..at + block].fill(0xFF);
        target[at..at + bytes.len()].copy_from_slice(&bytes);
    };
    put(0, code(5, few));
    put(size / 2 - block, Vec::new());
    put(size / 2, code(6, few));
    put(size - 2 * block, code(7, few));
    target[256 + 16..256 + 19].copy_from_slice(&code(8, 3));
    (found, target)
}
