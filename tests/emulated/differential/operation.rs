//! What is done to both chips: legal and illegal frames, drawn by proptest.

use norlock::jedec::opcode::{
    AAI_WORD_PROGRAM, CHIP_ERASE, DEEP_POWER_DOWN, FAST_READ, FAST_READ_4BYTE, PAGE_PROGRAM,
    PAGE_PROGRAM_4BYTE, READ, READ_4BYTE, READ_JEDEC_ID, READ_SFDP, READ_STATUS_1,
    RELEASE_POWER_DOWN, RESET, RESET_ENABLE, VOLATILE_STATUS_WRITE_ENABLE, WRITE_DISABLE,
    WRITE_ENABLE, WRITE_STATUS_1,
};

use super::parts::Subject;

/// One step of a sequence; a frame, or the few frames that belong together.
#[derive(Debug, Clone, PartialEq)]
pub enum Operation {
    /// Power-up: never drawn, the first step of each sequence.
    PowerUp,
    WriteEnable,
    WriteDisable,
    /// The array, by 03h, 0Bh, 13h or 0Ch.
    Read {
        opcode: u8,
        at: u32,
        len: usize,
    },
    ReadId {
        len: usize,
    },
    ReadSfdp {
        at: u32,
        len: usize,
    },
    /// A status, configuration, flag, extended address or bank register.
    ReadRegister {
        opcode: u8,
        len: usize,
    },
    /// 02h or 12h.
    Program {
        opcode: u8,
        at: u32,
        data: Vec<u8>,
    },
    /// 06h, ADh for each word, 04h. Never without 06h: the model would take what follows for opcodes.
    ProgramWords {
        at: u32,
        words: Vec<[u8; 2]>,
    },
    Erase {
        opcode: u8,
        at: u32,
    },
    EraseChip {
        opcode: u8,
    },
    /// B7h, E9h or what stands for it.
    Mode {
        opcode: u8,
    },
    /// C5h or 17h.
    WriteUpper {
        opcode: u8,
        value: u8,
    },
    /// 66h alone.
    ResetEnable,
    /// 66h, then 99h.
    Reset,
    WriteStatus {
        opcode: u8,
        data: Vec<u8>,
    },
    /// 50h, then 01h; broken by 05h between them.
    WriteVolatile {
        value: u8,
        broken: bool,
    },
    /// What clears failure flags: 30h or 50h.
    ClearStatus {
        opcode: u8,
    },
    Sleep,
    /// ABh alone, or with three dummy bytes and `len` bytes of the electronic ID.
    Wake {
        len: usize,
    },
    /// A frame that the part does not have; the simulated chip must refuse it.
    Foreign {
        bytes: Vec<u8>,
    },
    /// CS rises after `keep` bytes to the chip, or what comes in comes in from there on.
    Cut {
        whole: Box<Operation>,
        keep: usize,
        reads_on: bool,
    },
}

/// Bytes to the chip, then bytes from it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sent {
    pub out: Vec<u8>,
    pub receive: usize,
}

impl Sent {
    fn new(out: Vec<u8>, receive: usize) -> Self {
        Self { out, receive }
    }
}

impl Operation {
    /// The frames, as they are laid out while the part takes four address bytes or three.
    pub fn frames(&self, subject: &Subject, four: bool) -> Vec<Sent> {
        let addressed =
            |opcode: u8, at: u32| addressed(opcode, at, four || always_four(subject, opcode));
        let frame = match self {
            Self::PowerUp => return Vec::new(),
            Self::WriteEnable => Sent::new(vec![WRITE_ENABLE], 0),
            Self::WriteDisable => Sent::new(vec![WRITE_DISABLE], 0),
            Self::Read { opcode, at, len } => {
                let mut out = addressed(*opcode, *at);
                if matches!(*opcode, FAST_READ | FAST_READ_4BYTE) {
                    out.push(0);
                }
                Sent::new(out, *len)
            }
            Self::ReadId { len } => Sent::new(vec![READ_JEDEC_ID], *len),
            Self::ReadSfdp { at, len } => {
                let out = [&addressed_by(READ_SFDP, *at, 3)[..], &[0]].concat();
                Sent::new(out, *len)
            }
            Self::ReadRegister { opcode, len } => Sent::new(vec![*opcode], *len),
            Self::Program { opcode, at, data } => {
                Sent::new([&addressed(*opcode, *at)[..], data].concat(), 0)
            }
            Self::ProgramWords { at, words } => {
                return word_frames(&addressed(AAI_WORD_PROGRAM, *at), words);
            }
            Self::Erase { opcode, at } => Sent::new(addressed(*opcode, *at), 0),
            Self::EraseChip { opcode } | Self::Mode { opcode } | Self::ClearStatus { opcode } => {
                Sent::new(vec![*opcode], 0)
            }
            Self::WriteUpper { opcode, value } => Sent::new(vec![*opcode, *value], 0),
            Self::ResetEnable => Sent::new(vec![RESET_ENABLE], 0),
            Self::Reset => return pair(vec![RESET_ENABLE], vec![RESET]),
            Self::WriteStatus { opcode, data } => Sent::new([&[*opcode][..], data].concat(), 0),
            Self::WriteVolatile { value, broken } => {
                let write = vec![WRITE_STATUS_1, *value];
                let mut frames = pair(vec![VOLATILE_STATUS_WRITE_ENABLE], write);
                if *broken {
                    frames.insert(1, Sent::new(vec![READ_STATUS_1], 0));
                }
                return frames;
            }
            Self::Sleep => Sent::new(vec![DEEP_POWER_DOWN], 0),
            Self::Wake { len: 0 } => Sent::new(vec![RELEASE_POWER_DOWN], 0),
            Self::Wake { len } => Sent::new(vec![RELEASE_POWER_DOWN, 0, 0, 0], *len),
            Self::Foreign { bytes } => Sent::new(bytes.clone(), 0),
            Self::Cut {
                whole,
                keep,
                reads_on,
            } => {
                return cut(whole.frames(subject, four), *keep, *reads_on);
            }
        };
        vec![frame]
    }

    /// Bytes before the data: opcode and address.
    pub fn header_bytes(&self, subject: &Subject, four: bool) -> usize {
        match self {
            Self::Read { opcode, .. }
            | Self::Program { opcode, .. }
            | Self::Erase { opcode, .. } => {
                if four || always_four(subject, *opcode) {
                    5
                } else {
                    4
                }
            }
            Self::ReadSfdp { .. } => 5,
            Self::Cut { whole, .. } => whole.header_bytes(subject, four),
            _ => 1,
        }
    }

    /// Whether the whole header goes out, and for a program at least one byte of data.
    pub fn is_complete(&self, subject: &Subject, four: bool) -> bool {
        let Self::Cut { whole, .. } = self else {
            return true;
        };
        let sent = self
            .frames(subject, four)
            .first()
            .map_or(0, |frame| frame.out.len());
        let data = usize::from(matches!(
            **whole,
            Self::Program { .. } | Self::WriteStatus { .. } | Self::WriteUpper { .. }
        ));
        sent >= whole.header_bytes(subject, four) + data
    }

    /// The operation itself where this is only its beginning; its data are cut likewise.
    pub fn inner(&self, subject: &Subject, four: bool) -> Self {
        let Self::Cut { whole, .. } = self else {
            return self.clone();
        };
        let out = self.frames(subject, four).swap_remove(0).out;
        let header = whole.header_bytes(subject, four);
        let kept = out.get(header..).unwrap_or_default().to_vec();
        match &**whole {
            Self::Program { opcode, at, .. } => Self::Program {
                opcode: *opcode,
                at: *at,
                data: kept,
            },
            Self::WriteStatus { opcode, .. } => Self::WriteStatus {
                opcode: *opcode,
                data: kept,
            },
            // What comes in shifts out zeros, which the chip takes for the rest of the address.
            Self::Read { opcode, at, len } if out.len() < header => Self::Read {
                opcode: *opcode,
                at: at
                    & u32::MAX
                        .checked_shl(8 * (header - out.len()) as u32)
                        .unwrap_or(0),
                len: *len,
            },
            whole => whole.clone(),
        }
    }
}

fn always_four(subject: &Subject, opcode: u8) -> bool {
    let erases = |erase: &norlock::part::EraseType| erase.opcode_4byte == Some(opcode);
    matches!(opcode, READ_4BYTE | FAST_READ_4BYTE | PAGE_PROGRAM_4BYTE)
        || subject.part.erase_types.iter().any(erases)
}

fn addressed(opcode: u8, at: u32, four: bool) -> Vec<u8> {
    addressed_by(opcode, at, if four { 4 } else { 3 })
}

/// Opcode and the lower bytes of the address.
pub fn addressed_by(opcode: u8, at: u32, bytes: usize) -> Vec<u8> {
    [&[opcode][..], &at.to_be_bytes()[4 - bytes..]].concat()
}

fn pair(first: Vec<u8>, second: Vec<u8>) -> Vec<Sent> {
    vec![Sent::new(first, 0), Sent::new(second, 0)]
}

fn word_frames(header: &[u8], words: &[[u8; 2]]) -> Vec<Sent> {
    let mut frames = vec![Sent::new(vec![WRITE_ENABLE], 0)];
    for (index, word) in words.iter().enumerate() {
        let header = if index == 0 { header } else { &header[..1] };
        frames.push(Sent::new([header, &word[..]].concat(), 0));
    }
    frames.push(Sent::new(vec![WRITE_DISABLE], 0));
    frames
}

fn cut(mut frames: Vec<Sent>, keep: usize, reads_on: bool) -> Vec<Sent> {
    frames.truncate(1);
    for frame in &mut frames {
        frame.out.truncate(keep.max(1));
        if !reads_on {
            frame.receive = 0;
        }
    }
    frames
}

/// 02h and 12h, 03h and 13h and so on that this part takes.
pub fn reads(subject: &Subject) -> Vec<u8> {
    [READ, FAST_READ, READ_4BYTE, FAST_READ_4BYTE]
        .into_iter()
        .filter(|opcode| matches!(*opcode, READ | FAST_READ) || subject.dedicated(*opcode))
        .collect()
}

pub fn programs(subject: &Subject) -> Vec<u8> {
    [PAGE_PROGRAM, PAGE_PROGRAM_4BYTE]
        .into_iter()
        .filter(|opcode| *opcode == PAGE_PROGRAM || subject.dedicated(*opcode))
        .collect()
}

/// Opcodes and sizes of the part's erases.
pub fn erases(subject: &Subject) -> Vec<(u8, u32)> {
    let types = subject.part.erase_types.iter();
    types
        .flat_map(|erase| {
            let usual = Some((erase.opcode, erase.size_bytes));
            let four = erase.opcode_4byte.map(|opcode| (opcode, erase.size_bytes));
            usual.into_iter().chain(four)
        })
        .collect()
}

/// C7h, and 60h where it is the same.
pub fn chip_erases(subject: &Subject) -> Vec<u8> {
    let micron = subject.part.status == norlock::jedec::status::StatusFamily::Micron;
    if micron {
        vec![CHIP_ERASE]
    } else {
        vec![CHIP_ERASE, 0x60]
    }
}
