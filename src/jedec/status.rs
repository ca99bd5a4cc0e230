//! Status registers and block protection, by family.

use serde::{Deserialize, Serialize};

/// Layout of the status registers and of block protection.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StatusFamily {
    /// Only WIP and WEL are known.
    Basic,
    /// Winbond: SR1, SR2 (35h/31h), SR3 (15h/11h).
    Winbond,
    /// GigaDevice and those who follow it: BP0..4, CMP in SR2.
    #[serde(rename = "gigadevice")]
    GigaDevice,
    /// Macronix: BP0..3, QE in bit 6, configuration register at 15h.
    Macronix,
    /// ISSI: BP0..3, QE in bit 6.
    Issi,
    /// Micron N25Q and MT25Q: BP0..2, TB, BP3; flag status register.
    Micron,
    /// ST M25P: BP0..2.
    M25p,
    /// Cypress FL-S, FS-S, HL, HS: BP0..2, E_ERR, P_ERR.
    CypressS,
    /// Cypress FL-L.
    CypressL,
    /// Adesto AT25SF: as Winbond without SR3.
    Adesto,
    /// Adesto AT25DF: sectors protected at power-up.
    AdestoDf,
    /// SST25: BP0..3, protected at power-up.
    Sst25,
    /// SST26: block protection register, protected at power-up.
    Sst26,
    /// Eon: BP0..3.
    Eon,
}
