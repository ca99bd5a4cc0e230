//! The list: what the emulator's models do otherwise than our simulated chip, and who is right.
//!
//! Each is told from the step, from what both were like before it and from the bytes found, exactly.
//! What no entry explains fails the test, and so does an entry that nothing met any more.

mod answers;
mod cells;
mod registers;

use super::step::Found;
use super::theirs::Case;

/// Makers by their byte of the ID.
const ISSI: u8 = 0x9D;
const GIGADEVICE: u8 = 0xC8;
const MACRONIX: u8 = 0xC2;
const WINBOND: u8 = 0xEF;

/// Who does what the datasheet says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Right {
    Ours,
    /// Ours is stricter than any chip, on purpose.
    Neither,
}

/// One known difference.
pub struct Difference {
    pub name: &'static str,
    /// What the model does.
    pub theirs: &'static str,
    pub right: Right,
    /// Where that is said.
    pub source: &'static str,
    /// Whether this is what was found.
    pub explains: fn(&Case<'_>, &Found) -> bool,
}

/// All that is known.
#[rustfmt::skip]
pub const LIST: &[Difference] = &[
    Difference {
        name: "wel-stays",
        theirs: "WEL stays set after an erase, a program and C5h",
        right: Right::Ours,
        source: "W25Q128JV Rev. I, section 7.1.2; other makers likewise",
        explains: registers::wel_stays,
    },
    Difference {
        name: "no-page-wrap",
        theirs: "a program runs on into the next page",
        right: Right::Ours,
        source: "W25Q256JV Rev. I, section 8.1.2 note 3",
        explains: cells::no_page_wrap,
    },
    Difference {
        name: "erase-unaligned",
        theirs: "an erase begins at the address, not at the block that it lies in",
        right: Right::Ours,
        source: "W25Q128JV Rev. I, section 8.2: any address within the block",
        explains: cells::erase_unaligned,
    },
    Difference {
        name: "erase-unprotected",
        theirs: "BP bits do not hold erases",
        right: Right::Ours,
        source: "W25Q128JV Rev. I, section 7.1; GD25Q64C Rev 3.0, section 7",
        explains: cells::erase_unprotected,
    },
    Difference {
        name: "bp-counts-sectors",
        theirs: "BP bits hold as many 64 KiB sectors from the top as BP counts, on every part",
        right: Right::Ours,
        source: "tables of status::protection; where it has none, all counts as protected",
        explains: cells::bp_counts_sectors,
    },
    Difference {
        name: "bits-not-kept",
        theirs: "TB, SEC, BP3 or BP4 of status register 1 are not kept and read 0",
        right: Right::Ours,
        source: "W25Q128JV Rev. I, section 7.1; GD25Q64C Rev 3.0, section 6",
        explains: registers::bits_not_kept,
    },
    Difference {
        name: "undriven-low",
        theirs: "a line that the chip does not drive reads 0, ours 1",
        right: Right::Neither,
        source: "no datasheet: high impedance; ours is pulled up",
        explains: answers::undriven_low,
    },
    Difference {
        name: "id-ends",
        theirs: "zeros follow the ID, ours repeats or goes on with the factory bytes",
        right: Right::Ours,
        source: "N25Q256A Rev. W 11/16, device ID data (factory bytes); repeating: common practice, no source",
        explains: answers::id_ends,
    },
    Difference {
        name: "electronic-id",
        theirs: "ABh with three dummy bytes gives zeros",
        right: Right::Ours,
        source: "W25Q128JV Rev. I and GD25Q64C Rev 3.0, ABh: the density byte less one",
        explains: answers::electronic_id,
    },
    Difference {
        name: "no-sleep",
        theirs: "B9h does nothing",
        right: Right::Ours,
        source: "W25Q128JV Rev. I, B9h: only ABh is taken until released",
        explains: registers::no_sleep,
    },
    Difference {
        name: "reads-run-on",
        theirs: "a 3-byte read runs on past 16 MiB",
        right: Right::Ours,
        source: "W25Q256JV Rev. I, section 7.2; other makers: common practice, no source",
        explains: answers::reads_run_on,
    },
    Difference {
        name: "b7h-taken",
        theirs: "B7h enters 4-byte mode on parts that have no such mode",
        right: Right::Ours,
        source: "the parts' command tables, as far as the catalogue's entries come from them",
        explains: registers::b7h_taken,
    },
    Difference {
        name: "mode-wants-no-wren",
        theirs: "B7h and E9h are taken without 06h before",
        right: Right::Ours,
        source: "N25Q256A Rev. W 11/16, B7h and E9h",
        explains: registers::mode_wants_no_wren,
    },
    Difference {
        name: "29h-unknown",
        theirs: "29h does not leave 4-byte mode",
        right: Right::Ours,
        source: "IS25LP256D, EX4B 29h",
        explains: registers::exit_unknown,
    },
    Difference {
        name: "cr-sets-mode",
        theirs: "a second byte behind 01h sets the address mode by its bit 5",
        right: Right::Ours,
        source: "MX25L25635F: bit 5 of the configuration register is read-only (from memory)",
        explains: registers::cr_sets_mode,
    },
    Difference {
        name: "cr-drive-strength",
        theirs: "the configuration register powers up as 07h, ours as 00h",
        right: Right::Neither,
        source: "MX25L25635F: ODS is 111 by default (from memory); other Macronix parts have no such bits",
        explains: answers::cr_drive_strength,
    },
    Difference {
        name: "register-once",
        theirs: "a register read by 15h, 16h, 35h or C8h comes once, zeros follow; ours repeats",
        right: Right::Ours,
        source: "W25Q128JV Rev. I, section 8.2.4: can be read continuously; other makers: common practice, no source",
        explains: answers::register_once,
    },
    Difference {
        name: "second-register-bits",
        theirs: "35h gives QE alone or nothing, 15h the address mode in bit 5",
        right: Right::Ours,
        source: "W25Q128JV Rev. I, section 7.1; W25Q256JV Rev. I, section 7.1 (ADS is bit 0); GD25Q64C Rev 3.0, section 6",
        explains: answers::second_register_bits,
    },
    Difference {
        name: "bank-wants-wren",
        theirs: "17h is ignored without 06h before",
        right: Right::Ours,
        source: "S25FL128S/S25FL256S 001-98283 Rev. *I, BRWR (from memory)",
        explains: registers::bank_wants_wren,
    },
    Difference {
        name: "data-as-opcodes",
        theirs: "without WEL, 01h ends at its opcode and the first byte of data is the next one",
        right: Right::Ours,
        source: "W25Q128JV Rev. I, section 8.2.5: without WEL it is ignored, up to the rise of CS",
        explains: registers::data_as_opcodes,
    },
    Difference {
        name: "no-volatile-write",
        theirs: "50h does not enable a status write",
        right: Right::Ours,
        source: "W25Q128JV Rev. I, 50h; GD25Q64C Rev 3.0, 50h",
        explains: registers::no_volatile_write,
    },
    Difference {
        name: "no-second-register",
        theirs: "11h writes nothing, 31h at most QE; WEL stays",
        right: Right::Ours,
        source: "W25Q128JV Rev. I, section 8.2.5; GD25Q64C Rev 3.0, section 7",
        explains: registers::no_second_register,
    },
    Difference {
        name: "two-bytes-or-none",
        theirs: "01h with one byte writes nothing on Cypress's",
        right: Right::Ours,
        source: "S25FL128S/S25FL256S 001-98283 Rev. *I, WRR (from memory)",
        explains: registers::two_bytes_or_none,
    },
    Difference {
        name: "written-without-data",
        theirs: "01h without data is carried out on Winbond's and Macronix's, and clears WEL",
        right: Right::Ours,
        source: "W25Q128JV Rev. I, section 8.2.5: not executed unless CS rises after 8 or 16 bits of data",
        explains: registers::written_without_data,
    },
    Difference {
        name: "powers-up-open",
        theirs: "nothing is protected at power-up, and 99h protects nothing",
        right: Right::Ours,
        source: "SST25VF016B DS25044A, section 4: BP bits are 1 at power-up",
        explains: registers::powers_up_open,
    },
    Difference {
        name: "sector-protection",
        theirs: "bits 2 to 4 of 01h are kept as BP, where they protect all sectors or none",
        right: Right::Ours,
        source: "AT25DF family, global protect and unprotect (from memory)",
        explains: registers::sector_protection,
    },
    Difference {
        name: "reset-drops-qe",
        theirs: "99h clears QE, which is not volatile",
        right: Right::Ours,
        source: "MX25R1635F Rev 1.5, table 7; IS25LP032/064/128 Rev. D, table 6.2",
        explains: registers::reset_drops_qe,
    },
    Difference {
        name: "no-failure-flags",
        theirs: "no E_ERR, P_ERR or EPE, and no wait for 30h, after a failure",
        right: Right::Ours,
        source: "S25FL128S/S25FL256S 001-98283 Rev. *I, SR1 bits 5 and 6; AT25DF family, EPE (from memory)",
        explains: registers::no_failure_flags,
    },
    Difference {
        name: "no-flags-in-70h",
        theirs: "the flag status register tells no failed erase or program",
        right: Right::Ours,
        source: "N25Q256A Rev. W 11/16, flag status register bits 5, 4 and 1",
        explains: answers::no_flags_in_70h,
    },
    Difference {
        name: "foreign-erase",
        theirs: "20h, 52h and 60h erase on parts that do not have them",
        right: Right::Ours,
        source: "the parts' erase types in the catalogue; N25Q256A Rev. W: C7h only",
        explains: cells::foreign_erase,
    },
    Difference {
        name: "many-bytes",
        theirs: "02h programs several bytes on parts that take one",
        right: Right::Ours,
        source: "SST25VF016B DS25044A, byte program",
        explains: cells::many_bytes,
    },
    Difference {
        name: "refused",
        theirs: "an opcode that the part does not have is taken quietly",
        right: Right::Neither,
        source: "ours ends the run on what a datasheet does not have, on purpose",
        explains: cells::refused,
    },
];
