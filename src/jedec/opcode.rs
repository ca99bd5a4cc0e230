//! Opcodes by their field names.
//!
//! The common set is the de facto one of JEDEC-compatible serial NOR (JESD216F names the opcodes it
//! lists in parameter tables; the rest is common to the datasheets named in `chips/`). Several bytes
//! mean different things to different makers; those say so, and are sent only to an identified part.

/// Write status register 1 (WRSR). Modifies.
pub const WRITE_STATUS_1: u8 = 0x01;
/// Page program (PP). Modifies.
pub const PAGE_PROGRAM: u8 = 0x02;
/// Read, no dummy clocks (READ).
pub const READ: u8 = 0x03;
/// Write disable (WRDI): clears WEL.
pub const WRITE_DISABLE: u8 = 0x04;
/// Read status register 1 (RDSR): bit 0 WIP, bit 1 WEL.
pub const READ_STATUS_1: u8 = 0x05;
/// Write enable (WREN): sets WEL.
pub const WRITE_ENABLE: u8 = 0x06;
/// Read status register 2 (Cypress).
pub const READ_STATUS_2_CYPRESS: u8 = 0x07;
/// Fast read, eight dummy clocks (FAST_READ).
pub const FAST_READ: u8 = 0x0B;
/// Fast read with a 4-byte address.
pub const FAST_READ_4BYTE: u8 = 0x0C;
/// Write status register 3 (Winbond, GigaDevice). Modifies.
pub const WRITE_STATUS_3: u8 = 0x11;
/// Page program with a 4-byte address. Modifies.
pub const PAGE_PROGRAM_4BYTE: u8 = 0x12;
/// Read with a 4-byte address.
pub const READ_4BYTE: u8 = 0x13;
/// Read status register 3 (Winbond, GigaDevice); read configuration register (Macronix).
pub const READ_STATUS_3: u8 = 0x15;
/// Read bank address register (Cypress).
pub const READ_BANK: u8 = 0x16;
/// Write bank address register (Cypress): volatile; bit 7 takes four address bytes (S25FL512S
/// 001-98284, bank address register).
pub const WRITE_BANK: u8 = 0x17;
/// Sector erase, 4 KiB (SE). Modifies.
pub const SECTOR_ERASE_4K: u8 = 0x20;
/// Sector erase, 4 KiB, with a 4-byte address. Modifies.
pub const SECTOR_ERASE_4K_4BYTE: u8 = 0x21;
/// Read security register (Macronix): bit 7 WPSEL; **reads the ASP register** on Cypress parts.
pub const READ_SECURITY_MACRONIX: u8 = 0x2B;
/// Clear status (Cypress): clears E_ERR and P_ERR.
pub const CLEAR_STATUS_CYPRESS: u8 = 0x30;
/// Write status register 2 (Winbond, newer GigaDevice). Modifies.
pub const WRITE_STATUS_2: u8 = 0x31;
/// Read status register 2 (Winbond, GigaDevice, Adesto); read configuration register 1 (Cypress);
/// **enters QPI** on Macronix, ISSI and Micron parts.
pub const READ_STATUS_2: u8 = 0x35;
/// Read the lock of one block (Winbond with WPS = 1).
pub const READ_BLOCK_LOCK: u8 = 0x3D;
/// Read function register (ISSI): bit 1 TBS; **reads security memory** on Winbond-like parts.
pub const READ_FUNCTION_ISSI: u8 = 0x48;
/// Read unique ID (Winbond, GigaDevice, Puya); **reads one-time memory** on Micron and Cypress.
pub const READ_UNIQUE_ID: u8 = 0x4B;
/// Enables a volatile status write; **clears the flag status register** on Micron.
pub const VOLATILE_STATUS_WRITE_ENABLE: u8 = 0x50;
/// Clear flag status register (Micron).
pub const CLEAR_FLAG_STATUS: u8 = 0x50;
/// Block erase, 32 KiB (BE32). Modifies.
pub const BLOCK_ERASE_32K: u8 = 0x52;
/// Read SFDP: three address bytes always, eight dummy clocks (JESD216F, section 4).
pub const READ_SFDP: u8 = 0x5A;
/// Block erase, 32 KiB, with a 4-byte address. Modifies.
pub const BLOCK_ERASE_32K_4BYTE: u8 = 0x5C;
/// Chip erase (CE), second code. Modifies.
pub const CHIP_ERASE_ALT: u8 = 0x60;
/// Read any register, with its address (Cypress); **reads the enhanced volatile configuration
/// register**, without an address, on Micron parts.
pub const READ_ANY_REGISTER: u8 = 0x65;
/// Reset enable (RSTEN).
pub const RESET_ENABLE: u8 = 0x66;
/// Read flag status register (Micron): bit 7 ready.
pub const READ_FLAG_STATUS: u8 = 0x70;
/// Reset (RST), only directly after reset enable.
pub const RESET: u8 = 0x99;
/// Read JEDEC ID (RDID).
pub const READ_JEDEC_ID: u8 = 0x9F;
/// Release from deep power-down, and electronic ID (RDP/RES).
pub const RELEASE_POWER_DOWN: u8 = 0xAB;
/// AAI word program (SST). Modifies.
///
/// After write enable it takes an even address and two bytes, then two bytes at a time; 04h ends it.
/// Meanwhile the chip takes ADh, 04h and 05h only (SST25VF016B DS25044A, AAI word program).
pub const AAI_WORD_PROGRAM: u8 = 0xAD;
/// Enter 4-byte address mode (EN4B).
pub const ENTER_4BYTE: u8 = 0xB7;
/// Deep power-down (DP); **bank register access** on some Cypress parts.
pub const DEEP_POWER_DOWN: u8 = 0xB9;
/// Write extended address register: volatile; wants WREN.
pub const WRITE_EXTENDED_ADDRESS: u8 = 0xC5;
/// Chip erase (CE). Modifies.
pub const CHIP_ERASE: u8 = 0xC7;
/// Read extended address register.
pub const READ_EXTENDED_ADDRESS: u8 = 0xC8;
/// Block erase, 64 KiB on most parts (BE). The size comes from SFDP or the table. Modifies.
pub const BLOCK_ERASE: u8 = 0xD8;
/// Block erase with a 4-byte address. Modifies.
pub const BLOCK_ERASE_4BYTE: u8 = 0xDC;
/// Read the non-volatile lock of a sector (MT25Q): four address bytes always.
pub const READ_LASTING_LOCK: u8 = 0xE2;
/// Read the volatile lock register of a sector (N25Q, MT25Q, M25PX); **programs the password** on Cypress
/// FL-S parts.
pub const READ_LOCK_REGISTER: u8 = 0xE8;
/// Exit 4-byte address mode (EX4B).
pub const EXIT_4BYTE: u8 = 0xE9;
/// Mode-bit reset: ends continuous read; harmless to a part in plain SPI mode.
pub const MODE_RESET: u8 = 0xFF;

/// Everything that may be sent to leave 4-byte address mode. Besides the above 29h (EX4B of IS25LP256D)
/// and B8h (EX4BA of S25HS01GT).
pub const EXITS_4BYTE: [u8; 3] = [EXIT_4BYTE, 0x29, 0xB8];

/// Everything that may be sent to erase a block, whoever names it: a catalogue, or a chip's own SFDP,
/// which could name anything. Besides the above 53h, 32 KiB with four address bytes (S25FL064L), D7h,
/// 4 KiB (LE25FU406B), and DBh, a page (M25PE16, M45PE16).
pub const ERASES: [u8; 9] = [
    SECTOR_ERASE_4K,
    SECTOR_ERASE_4K_4BYTE,
    BLOCK_ERASE_32K,
    BLOCK_ERASE_32K_4BYTE,
    0x53,
    BLOCK_ERASE,
    BLOCK_ERASE_4BYTE,
    0xD7,
    0xDB,
];

/// The first ID byte of ISSI's parts.
const ISSI: u8 = 0x9D;

/// Whether `frame`, read from for one byte, is a register read that a chip's own sector map may name:
/// 05h alone, or 65h with an address of three or four bytes and at most a dummy byte.
///
/// 65h reads any register on Cypress parts and the enhanced volatile configuration register on
/// Micron's (S25FS512S, N25Q256A Rev. W). ISSI stores read parameters for good by it (from memory), so
/// behind its first ID byte, `maker`, it is none. What other opcodes do depends on the maker too: 35h
/// and 15h read here and set a mode there.
#[must_use]
pub fn is_register_read(maker: u8, frame: &[u8]) -> bool {
    match frame {
        [READ_STATUS_1] => true,
        [READ_ANY_REGISTER, _, _, _, ..] => frame.len() <= 6 && maker != ISSI,
        _ => false,
    }
}
