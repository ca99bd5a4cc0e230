//! What stands behind the three bytes of a JEDEC ID, where the part sends more.

/// Bytes of Read ID that are kept: Micron parts answer 20, among them a factory ID
/// (N25Q256A Rev. W, Read ID data-out table).
pub const ID_BYTES: usize = 20;

/// The factory bytes behind the JEDEC ID, where the answer announces them: Micron parts send 10h in
/// byte 4, then 16 bytes of which the last 14 are the factory's (N25Q256A Rev. W, Read ID data-out
/// table). None where they are uniform, or the answer is the JEDEC ID over and over.
#[must_use]
pub fn factory_id(id: &[u8; ID_BYTES]) -> Option<&[u8]> {
    let tail = &id[6..];
    let uniform = tail.iter().all(|byte| Some(byte) == tail.first());
    let repeats = id[3..6] == id[..3];
    (id[3] == 0x10 && !uniform && !repeats).then_some(tail)
}
