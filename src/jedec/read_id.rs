//! What stands behind the three bytes of a JEDEC ID, where the part sends more, and whether bytes can
//! be an ID of one chip alone.

/// Bytes of Read ID that are kept: Micron parts answer 20, among them a factory ID
/// (N25Q256A Rev. W, Read ID data-out table).
pub const ID_BYTES: usize = 20;

/// Longest period of a repeat that is no ID: one byte is an open or stuck wire, three are the JEDEC ID
/// over and over, from whichever byte on.
const REPEAT_BYTES: usize = 3;

/// Whether `bytes` can be an ID of one chip: no repeat of up to three bytes, and not `jedec_id` again.
#[must_use]
pub fn tells_chips_apart(bytes: &[u8], jedec_id: &[u8]) -> bool {
    let repeats = |period: usize| {
        bytes
            .iter()
            .zip(bytes.iter().skip(period))
            .all(|(a, b)| a == b)
    };
    let again = !jedec_id.is_empty() && bytes.starts_with(jedec_id);
    !again && !(1..=REPEAT_BYTES).any(repeats)
}

/// How many bytes the answer to Read ID says it has, where the byte behind the JEDEC ID is a count:
/// Micron parts send 10h, then two bytes of extended ID and 14 of the factory's (N25Q256A Rev. W,
/// Read ID data-out table).
#[must_use]
pub fn announced_bytes(id: &[u8]) -> Option<usize> {
    match id {
        [_, _, _, count, ..] => Some(4 + usize::from(*count)),
        _ => None,
    }
}

/// What the bytes behind the JEDEC ID say, in words; `None` where no document tells.
///
/// Cypress FL-S: 4Dh, sectors, family (S25FL128S, S25FL256S 001-98283 Rev. *I, RDID table); 81h from
/// the maker's model of S25FS256S (002-00368 Rev. *K). Micron: N25Q032A Rev. G, extended device ID
/// table; other densities were not read in a document, which the words say.
#[must_use]
pub fn behind_jedec_id(id: &[u8; ID_BYTES]) -> Option<String> {
    match id {
        [
            0x01,
            _,
            _,
            0x4D,
            sectors @ (0 | 1),
            family @ (0x80 | 0x81),
            ..,
        ] => {
            let sectors = match sectors {
                0 => "sectors of 256 KiB",
                _ => "sectors of 64 KiB, and of 4 KiB at one end",
            };
            let family = match family {
                0x80 => "FL-S family",
                _ => "FS-S family",
            };
            Some(format!("{sectors}; {family}"))
        }
        [0x20, 0xBA | 0xBB, density, 0x10, extended, ..] => {
            let sectors = match extended & 0b11 {
                0 => "sectors all alike",
                _ => "sectors not all alike",
            };
            let pin = match extended >> 3 & 1 {
                0 => "HOLD# on its pin",
                _ => "RESET# in place of HOLD#",
            };
            let read = id[1] == 0xBA && *density == 0x16;
            let memory = if read {
                ""
            } else {
                " (not read in a document)"
            };
            Some(format!("16 bytes follow; {sectors}, {pin}{memory}"))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn id(bytes: &[u8]) -> [u8; ID_BYTES] {
        let mut id = [0; ID_BYTES];
        id[..bytes.len()].copy_from_slice(bytes);
        id
    }

    #[test]
    fn repeats_of_up_to_three_bytes_tell_nothing() {
        let jedec = [0xEF, 0x40, 0x18];
        for (bytes, tells) in [
            (vec![0xD1, 0x64, 0x5C, 0x1B, 0x0F, 0x2A, 0x33, 0x07], true),
            (vec![0xFF; 16], false),
            (vec![0x00; 8], false),
            (vec![0x55, 0xAA, 0x55, 0xAA, 0x55, 0xAA, 0x55, 0xAA], false),
            (vec![0x40, 0x18, 0xEF, 0x40, 0x18, 0xEF, 0x40, 0x18], false),
            (vec![0xEF, 0x40, 0x18, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF], false),
            // An ID of 8 bytes that comes twice is one.
            (vec![1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 3, 4, 5, 6, 7, 8], true),
            (vec![0, 0, 0, 0, 0, 0, 0, 1], true),
        ] {
            assert_eq!(tells_chips_apart(&bytes, &jedec), tells, "{bytes:02X?}");
        }
    }

    /// S25FL256S 001-98283 Rev. *I, RDID table; N25Q032A Rev. G, extended device ID table.
    #[test]
    fn bytes_behind_the_id_are_told_where_a_document_tells() {
        for (bytes, words) in [
            (
                vec![0x01, 0x02, 0x19, 0x4D, 0x00, 0x80],
                Some("sectors of 256 KiB; FL-S family"),
            ),
            (
                vec![0x01, 0x20, 0x18, 0x4D, 0x01, 0x81],
                Some("sectors of 64 KiB, and of 4 KiB at one end; FS-S family"),
            ),
            (vec![0x01, 0x02, 0x19, 0x4D, 0x02, 0x80], None),
            (
                vec![0x20, 0xBA, 0x16, 0x10, 0x00],
                Some("16 bytes follow; sectors all alike, HOLD# on its pin"),
            ),
            (
                vec![0x20, 0xBB, 0x18, 0x10, 0x4B],
                Some(
                    "16 bytes follow; sectors not all alike, RESET# in place of HOLD# (not read in a document)",
                ),
            ),
            (vec![0x20, 0x71, 0x15, 0x10, 0x00], None),
            (vec![0xEF, 0x40, 0x18, 0xEF, 0x40, 0x18], None),
        ] {
            assert_eq!(
                behind_jedec_id(&id(&bytes)).as_deref(),
                words,
                "{bytes:02X?}"
            );
        }
    }
}
