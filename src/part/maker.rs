//! Which maker the first ID byte points at.
//!
//! JEP106 numbers makers in banks; a maker in bank n announces it with n - 1 bytes 7Fh. SPI NOR
//! sends none, so a byte that is one maker's own in bank 1 is another maker's habit on this bus.

use serde::Serialize;

/// How a maker came by the byte it sends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum CodeUse {
    /// The byte is registered to the maker, or to the one whose parts it took over.
    Registered,
    /// Several makers of SPI NOR send the byte.
    Shared,
    /// In bank 1 the byte is another company's, or nobody's; the maker sits in a later bank.
    Borrowed,
}

/// What the first ID byte says about the maker.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct MakerName {
    /// The byte as sent, parity bit included.
    pub code: u8,
    /// Who sends it in SPI NOR; else the registered name; `None` if neither is known.
    pub name: Option<&'static str>,
    /// Who registered it in bank 1 of JEP106; `None` if nobody did or the parity is wrong.
    pub registered: Option<&'static str>,
    /// How the maker came by it.
    pub code_use: CodeUse,
}

impl std::fmt::Display for MakerName {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let name = self.name.unwrap_or("an unknown maker");
        match (self.code_use, self.registered) {
            (CodeUse::Borrowed, Some(registered)) => {
                write!(
                    f,
                    "{name} ({:02X} is registered to {registered})",
                    self.code
                )
            }
            (CodeUse::Shared, _) => {
                write!(f, "{name} ({:02X} is sent by several makers)", self.code)
            }
            _ => f.write_str(name),
        }
    }
}

/// Makers of SPI NOR by the byte they send, as in the data sheets named in `chips/`.
const SENDERS: [(u8, &str, CodeUse); 20] = [
    (
        0x01,
        "Cypress (AMD, Spansion, Infineon)",
        CodeUse::Registered,
    ),
    (0x0B, "XTX", CodeUse::Borrowed),
    (0x1C, "Eon", CodeUse::Borrowed),
    (0x1F, "Adesto (Atmel, Renesas)", CodeUse::Registered),
    (0x20, "Micron (ST, Numonyx) or XMC", CodeUse::Shared),
    (0x2C, "Micron", CodeUse::Registered),
    (0x34, "Cypress (Infineon)", CodeUse::Registered),
    (0x37, "AMIC", CodeUse::Borrowed),
    (0x5E, "Zbit", CodeUse::Borrowed),
    (
        0x62,
        "ON Semiconductor (Sanyo) or Microchip",
        CodeUse::Shared,
    ),
    (0x68, "Boya", CodeUse::Borrowed),
    (0x85, "Puya", CodeUse::Borrowed),
    (0x89, "Intel (Numonyx)", CodeUse::Registered),
    (0x8C, "ESMT", CodeUse::Borrowed),
    (0x9D, "ISSI", CodeUse::Borrowed),
    (0xA1, "Fudan", CodeUse::Borrowed),
    (0xBF, "Microchip (SST)", CodeUse::Registered),
    (0xC2, "Macronix", CodeUse::Registered),
    (0xC8, "GigaDevice", CodeUse::Borrowed),
    (0xEF, "Winbond", CodeUse::Borrowed),
];

/// Names the maker that the first ID byte points at.
#[must_use]
pub fn maker_name(first_id_byte: u8) -> MakerName {
    let registered = registered(first_id_byte);
    let sender = SENDERS.iter().find(|(code, ..)| *code == first_id_byte);
    MakerName {
        code: first_id_byte,
        name: sender.map(|(_, name, _)| *name).or(registered),
        registered,
        code_use: sender.map_or(CodeUse::Registered, |(.., code_use)| *code_use),
    }
}

/// Bank 1 of JEP106; the top bit makes the parity odd.
fn registered(byte: u8) -> Option<&'static str> {
    if byte.count_ones() % 2 == 0 {
        return None;
    }
    jep106::JEP106Code::get_raw(0, byte & 0x7F).filter(|name| !name.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against JEP106 as the crate `jep106` prints it.
    #[test]
    fn registered_codes_belong_to_the_maker_named() {
        for (byte, word) in [
            (0x01, "AMD"),
            (0x1F, "Atmel"),
            (0x20, "STMicro"),
            (0x2C, "Micron"),
            (0x34, "Cypress"),
            (0x89, "Intel"),
            (0xBF, "Silicon Storage"),
            (0xC2, "Macronix"),
        ] {
            let name = maker_name(byte);
            let registered = name.registered.unwrap();
            assert!(registered.contains(word), "{byte:02X}: {registered}");
            assert_ne!(name.code_use, CodeUse::Borrowed, "{byte:02X}");
        }
    }

    /// The makers named sit in later banks of JEP106; bank 1 holds others under these bytes.
    #[test]
    fn borrowed_codes_are_registered_to_others() {
        for (byte, name, code_use) in SENDERS {
            if code_use == CodeUse::Borrowed {
                let registered = maker_name(byte).registered.unwrap_or("");
                assert!(!registered.contains(name), "{byte:02X}: {registered}");
            }
        }
        assert_eq!(maker_name(0xEF).registered, Some("NEXCOM"));
        assert_eq!(maker_name(0xEF).name, Some("Winbond"));
        assert_eq!(maker_name(0xC8).name, Some("GigaDevice"));
    }

    #[test]
    fn unlisted_codes_fall_back_on_the_register() {
        assert_eq!(maker_name(0x04).name, maker_name(0x04).registered);
        assert!(maker_name(0x04).name.is_some());
        // Even parity: no code at all.
        assert_eq!(maker_name(0xFF).name, None);
        assert_eq!(maker_name(0x00).name, None);
    }
}
