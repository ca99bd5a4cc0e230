//! How protection is laid out: one row for each family and density whose table was read in a document.
//!
//! W25Q32JV Rev. G, W25Q64JV Rev. J, W25Q128JV Rev. I, W25Q256JV Rev. I (section 7.1); GD25Q64C Rev 3.0,
//! GD25Q64E Rev 1.3, GD25Q16C Rev 2.9; PY25Q64HA V1.6; AT25SF161 rev. H; MX25R1635F Rev 1.5;
//! MX25L3233F Rev 1.6; N25Q032A Rev. G; MT25QL128ABA Rev. I; M25P16 Rev. G; M25PX16 Rev. B;
//! IS25LP032/064/128 Rev. D; SST25VF016B DS25044A; SST26VF080A DS20006203B. Every row of these tables
//! stands in `tests/data/protection.toml`.

use super::Registers;
use super::StatusFamily::{
    self, Adesto, GigaDevice, Issi, M25p, M25px, Macronix, Micron, Sst25, Sst26A, Winbond,
};
use crate::jedec::opcode::{READ_FUNCTION_ISSI, READ_STATUS_1, READ_STATUS_2, READ_STATUS_3};

/// Complement of the range: bit 6 of SR2.
pub(super) const CMP: u8 = 0x40;

/// One bit of a register.
#[derive(Clone, Copy)]
pub(super) struct Bit {
    /// The opcode that reads the register.
    pub(super) register: u8,
    /// 0 to 7.
    pub(super) at: u32,
}

impl Bit {
    pub(super) const fn new(register: u8, at: u32) -> Self {
        Self { register, at }
    }

    /// Whether it is set, where its register was read.
    pub(super) fn of(self, registers: &Registers) -> Option<bool> {
        Some(registers.get(self.register)? >> self.at & 1 == 1)
    }
}

/// What level 6 stands for while levels count sectors of 4 KiB. Levels 4 and 5 are 32 KiB, 7 is all.
#[derive(Clone, Copy)]
pub(super) enum Level6 {
    /// In no table.
    Unlisted,
    /// 32 KiB, as levels 4 and 5.
    Sectors,
    /// The whole array.
    All,
}

/// Where the protect bits of a part are and what they count.
pub(super) struct Layout {
    family: StatusFamily,
    mib: u32,
    /// Where BP0 and those above it are in SR1; together they are the level.
    pub(super) levels: &'static [u32],
    /// What level 1 protects. Each further level doubles it, until all is protected.
    pub(super) unit_kib: u32,
    /// Counts from the bottom instead of the top.
    pub(super) bottom: Option<Bit>,
    /// SEC or BP4: levels count sectors of 4 KiB.
    pub(super) sectors: Option<(Bit, Level6)>,
    /// CMP: everything else is protected instead.
    pub(super) complement: Option<Bit>,
    /// Bits of SR1 that the part does not use: set, no row applies. M25P and M25PX parts read 0 there;
    /// SST parts print BP3 as without effect, in documents that contradict themselves about its value
    /// at power-up.
    pub(super) reserved: u8,
}

const fn sr1(at: u32) -> Option<Bit> {
    in_register(READ_STATUS_1, at)
}

const fn in_register(register: u8, at: u32) -> Option<Bit> {
    Some(Bit { register, at })
}

/// BP0 to BP2 and blocks of 64 KiB, from the top.
const fn top(family: StatusFamily, mib: u32) -> Layout {
    Layout {
        family,
        mib,
        levels: &[2, 3, 4],
        unit_kib: 64,
        bottom: None,
        sectors: None,
        complement: None,
        reserved: 0,
    }
}

/// BP0 to BP3, and top or bottom by a bit of another register.
const fn sixteen(family: StatusFamily, mib: u32, bottom: Option<Bit>) -> Layout {
    Layout {
        levels: &[2, 3, 4, 5],
        bottom,
        ..top(family, mib)
    }
}

/// BP0 to BP2, TB, SEC or BP4, CMP.
const fn complemented(family: StatusFamily, mib: u32, unit_kib: u32, level_6: Level6) -> Layout {
    let sec = Bit {
        register: READ_STATUS_1,
        at: 6,
    };
    Layout {
        unit_kib,
        bottom: sr1(5),
        sectors: Some((sec, level_6)),
        complement: in_register(READ_STATUS_2, 6),
        ..top(family, mib)
    }
}

/// TB above BP2, and BP3 above that.
const fn micron(mib: u32) -> Layout {
    Layout {
        levels: &[2, 3, 4, 6],
        bottom: sr1(5),
        ..top(Micron, mib)
    }
}

const MACRONIX_TB: Option<Bit> = in_register(READ_STATUS_3, 3);
const ISSI_TBS: Option<Bit> = in_register(READ_FUNCTION_ISSI, 1);

const LAYOUTS: [Layout; 18] = [
    complemented(Winbond, 4, 64, Level6::Unlisted),
    complemented(Winbond, 8, 128, Level6::Unlisted),
    complemented(Winbond, 16, 256, Level6::Unlisted),
    Layout {
        complement: in_register(READ_STATUS_2, 6),
        ..sixteen(Winbond, 32, sr1(6))
    },
    complemented(GigaDevice, 2, 64, Level6::All),
    complemented(GigaDevice, 8, 128, Level6::Sectors),
    complemented(Adesto, 2, 64, Level6::All),
    sixteen(Macronix, 2, MACRONIX_TB),
    sixteen(Macronix, 4, MACRONIX_TB),
    sixteen(Issi, 4, ISSI_TBS),
    sixteen(Issi, 8, ISSI_TBS),
    sixteen(Issi, 16, ISSI_TBS),
    micron(4),
    micron(16),
    Layout {
        reserved: 0x60,
        ..top(M25p, 2)
    },
    Layout {
        bottom: sr1(5),
        reserved: 0x40,
        ..top(M25px, 2)
    },
    Layout {
        reserved: 0x20,
        ..top(Sst25, 2)
    },
    Layout {
        reserved: 0x60,
        ..top(Sst26A, 1)
    },
];

impl Layout {
    /// The layout of a family at a density, where a table was read.
    pub(super) fn of(family: StatusFamily, size_bytes: u32) -> Option<&'static Self> {
        LAYOUTS
            .iter()
            .find(|row| row.family == family && row.mib << 20 == size_bytes)
    }

    /// The bits of SR1 that select a range and can be written more than once.
    pub(super) fn first_bits(&self) -> u8 {
        let levels = self.levels.iter().fold(0, |mask, at| mask | 1 << at);
        let others = [self.bottom, self.sectors.map(|(at, _)| at)];
        let in_first = others.into_iter().flatten();
        in_first
            .filter(|bit| bit.register == READ_STATUS_1)
            .fold(levels, |mask, bit| mask | 1 << bit.at)
    }
}
