//! How a part gives an ID that no other chip has.

use serde::{Deserialize, Serialize};

use crate::jedec::opcode::{READ_JEDEC_ID, READ_SFDP, READ_UNIQUE_ID};
use crate::jedec::{ID_BYTES, announced_bytes, tells_chips_apart};

/// How a part gives its unique ID: by 4Bh, at an address of its SFDP space by 5Ah, or behind its JEDEC
/// ID by 9Fh.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct UniqueIdRead {
    /// 4Bh, 5Ah or 9Fh.
    pub opcode: u8,
    /// Address of three bytes behind 5Ah (XT25F128B Rev 1.2, section 6.37: 000094h).
    pub address: Option<u32>,
    /// Bytes between opcode and first ID byte in 3-byte mode. Behind 4Bh they are one more in 4-byte
    /// mode (W25Q256JV Rev. I, 8.1.4); behind 9Fh they are those of the answer that come before.
    pub dummy_bytes: u8,
    /// Length of the ID.
    pub length_bytes: u8,
}

impl UniqueIdRead {
    /// The bytes that a chip is sent, in 3-byte or in 4-byte mode.
    #[must_use]
    pub fn command(&self, in_4byte_mode: bool) -> Vec<u8> {
        let mut command = vec![self.opcode];
        if self.opcode == READ_JEDEC_ID {
            return command;
        }
        if let Some(address) = self.address {
            command.extend_from_slice(&address.to_be_bytes()[1..]);
        }
        let more = usize::from(in_4byte_mode && self.is_longer_in_4byte_mode());
        command.resize(command.len() + usize::from(self.dummy_bytes) + more, 0);
        command
    }

    /// Whether 4-byte mode takes one byte more.
    #[must_use]
    pub const fn is_longer_in_4byte_mode(&self) -> bool {
        self.opcode == READ_UNIQUE_ID
    }

    /// Bytes to read behind [`UniqueIdRead::command`].
    #[must_use]
    pub fn answer_bytes(&self) -> usize {
        self.skipped() + usize::from(self.length_bytes)
    }

    /// The ID in an answer; `None` where it tells no chips apart, or the answer to Read ID does not
    /// announce it.
    #[must_use]
    pub fn id_in(&self, answer: &[u8], jedec_id: &[u8]) -> Option<Vec<u8>> {
        let id = answer.get(self.skipped()..self.answer_bytes())?;
        let announced =
            self.opcode != READ_JEDEC_ID || announced_bytes(answer) == Some(self.answer_bytes());
        let tells = announced && tells_chips_apart(id, jedec_id);
        (tells && !id.is_empty()).then(|| id.to_vec())
    }

    /// What such an ID is called.
    #[must_use]
    pub const fn kind(&self) -> &'static str {
        match self.opcode {
            READ_JEDEC_ID => "factory ID",
            _ => "unique ID",
        }
    }

    /// Whether it is asked for in a way that the guard passes.
    #[must_use]
    pub fn is_known_form(&self) -> bool {
        let within = |least: u8, most: u8| (least..=most).contains(&self.dummy_bytes);
        let length = (1..=32).contains(&self.length_bytes);
        length
            && match (self.opcode, self.address) {
                (READ_UNIQUE_ID, None) => within(0, 8),
                (READ_SFDP, Some(address)) => within(1, 1) && address < 1 << 24,
                (READ_JEDEC_ID, None) => within(4, 19) && self.answer_bytes() <= ID_BYTES,
                _ => false,
            }
    }

    fn skipped(&self) -> usize {
        match self.opcode {
            READ_JEDEC_ID => usize::from(self.dummy_bytes),
            _ => 0,
        }
    }
}
