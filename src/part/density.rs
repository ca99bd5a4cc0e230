//! The size that the third ID byte stands for, by its maker's custom.

/// Makers whose third ID byte counts address bits: Winbond, GigaDevice, Micron and XMC, Macronix, ISSI,
/// Eon, Puya, XTX, Boya, Zbit, Infineon.
const PLAIN: [u8; 11] = [
    0xEF, 0xC8, 0x20, 0xC2, 0x9D, 0x1C, 0x85, 0x0B, 0x68, 0x5E, 0x34,
];

/// Bytes that the density byte of a JEDEC ID stands for; `None` where its maker has no such custom, or
/// it is not known.
///
/// 10h is 64 KiB and each step doubles; from 64 MiB on some makers go on at 20h. Common practice, no
/// source but the ID tables of the datasheets in the parts table, which all agree with it.
#[must_use]
pub fn density_by_id(id: &[u8]) -> Option<u64> {
    let [maker, kind, density, ..] = *id else {
        return None;
    };
    if !PLAIN.contains(&maker) {
        return None;
    }
    // Macronix gives its 1.8 V parts of type 25h a density 20h higher (MX25U1635E Rev. 2.1).
    let low = maker == 0xC2 && kind == 0x25 && density >= 0x30;
    let bits = match density {
        0x30..=0x3C if low => density - 0x20,
        0x10..=0x1C => density,
        // W25Q512JV Rev. B, MT25QL512ABB: 20h is 64 MiB.
        0x20..=0x22 => density - 0x20 + 26,
        _ => return None,
    };
    Some(1 << bits)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::part::Catalogue;

    /// The sizes of the table were each read in, or compared with, a datasheet's ID table.
    #[test]
    fn every_part_of_the_table_is_as_large_as_its_id_says() {
        let catalogue = Catalogue::builtin().unwrap();
        let (mut told, mut other) = (0, Vec::new());
        for part in catalogue.parts() {
            match density_by_id(&part.jedec_id.0) {
                Some(bytes) if bytes == u64::from(part.size_bytes) => told += 1,
                Some(bytes) => other.push((part.name.as_str(), bytes)),
                None => {}
            }
        }
        assert_eq!(other, []);
        assert!(told > 200, "{told}");
    }

    #[test]
    fn other_customs_are_not_guessed_at() {
        // AT25SF161, SST26VF016B, S25FL032P: their third byte is no density, or counts otherwise.
        for id in [
            [0x1F, 0x86, 0x01],
            [0xBF, 0x26, 0x41],
            [0x01, 0x02, 0x15],
            [0xEF, 0x40, 0xFF],
            [0xEF, 0x40, 0x00],
        ] {
            assert_eq!(density_by_id(&id), None, "{id:02X?}");
        }
        assert_eq!(density_by_id(&[0xEF, 0x40]), None);
        assert_eq!(density_by_id(&[0xC2, 0x25, 0x38]), Some(16 << 20));
        assert_eq!(density_by_id(&[0xEF, 0x40, 0x20]), Some(64 << 20));
    }
}
