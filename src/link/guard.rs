//! The guard: judges whole frames before they reach the wire.
//!
//! Reading never writes. One fence is the type system (only an armed chip has modifying methods),
//! this is the other: it knows nothing of jobs, only of bytes. A frame is *observe* (changes
//! nothing), *session* (an exact, part-specific, volatile change that reading needs, and that is
//! undone), *protect* (a status register write) or *modify*; a frame that is none of these does not
//! pass. Opcodes clash between makers, so what passes depends on the identified part; opcodes that a
//! chip hands over in its own SFDP pass only if they are on the standard's list. On several lanes
//! nothing passes but the reads of that list and the programs of a page, exactly as the part has them.

mod lanes;

use std::time::Duration;

use super::{Frame, Limits, Link, LinkError, Segment};
use crate::jedec::status::{StatusFamily, VolatileForm};
use crate::jedec::{Hertz, Lanes, Millivolts, opcode};
use crate::part::{FourByte, Part, ProgramMethod};

/// What a link is opened for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// Reading: no modifying frame ever passes.
    Read,
    /// Writing: modifying frames pass while the chip is armed.
    Write,
}

/// What a frame can do to a chip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Class {
    /// Cannot change anything.
    Observe,
    /// Changes volatile state that reading needs.
    Session,
    /// Can change a status register, and with it protection; never the array.
    Protect,
    /// Can change the array.
    Modify,
}

/// What an armed chip may be changed in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// Its protection: status registers, never the array.
    Protection,
    /// Its array, and what lifts protection for that.
    Array,
}

/// Opcodes that read the array on any part: 03h, 0Bh, 13h, 0Ch (JESD216F, BFPT and 4-byte table).
const READS: [u8; 4] = [
    opcode::READ,
    opcode::FAST_READ,
    opcode::READ_4BYTE,
    opcode::FAST_READ_4BYTE,
];
/// Opcodes that program; those that erase a block are [`opcode::ERASES`]. Chip erase is not among
/// them: nothing here sends it. ADh has a rule of its own.
const PROGRAMS: [u8; 2] = [opcode::PAGE_PROGRAM, opcode::PAGE_PROGRAM_4BYTE];

/// A link behind the guard.
pub struct Guard {
    link: Box<dyn Link>,
    purpose: Purpose,
    armed: Option<Scope>,
    part: Option<Part>,
    maker: u8,
    questions: Vec<Vec<u8>>,
    resets: bool,
    single_transfer: bool,
}

impl Guard {
    /// Puts `link` behind a guard. Until a part is identified only 9Fh, 05h, 5Ah, ABh, FFh and 04h
    /// pass, and register reads that the chip's own sector map asks.
    #[must_use]
    pub fn new(link: Box<dyn Link>, purpose: Purpose) -> Self {
        Self {
            link,
            purpose,
            armed: None,
            part: None,
            maker: 0,
            questions: Vec::new(),
            resets: false,
            single_transfer: false,
        }
    }

    /// Lets pass what `part` needs for reading.
    pub fn identified(&mut self, part: &Part) {
        self.part = Some(part.clone());
    }

    /// Takes that back.
    pub(crate) fn unidentified(&mut self) {
        self.part = None;
    }

    /// Lets pass the register reads that the chip's own sector map asks, until others are given: each
    /// byte for byte as here, with one byte read, and only where it is a read on the parts of `maker`, the
    /// first ID byte ([`opcode::is_register_read`]).
    pub(crate) fn may_ask(&mut self, maker: u8, questions: Vec<Vec<u8>>) {
        (self.maker, self.questions) = (maker, questions);
    }

    /// Lets the reset sequence pass, 66h and 99h, or no longer: only a person asks for it.
    pub(crate) fn may_reset(&mut self, may: bool) {
        self.resets = may;
    }

    /// Sends each frame as one full-duplex transfer from now on, for controllers that drop CS between
    /// transfers; or as its segments.
    pub(crate) fn single_transfers(&mut self, single: bool) {
        self.single_transfer = single;
    }

    /// What the link is opened for.
    #[must_use]
    pub fn purpose(&self) -> Purpose {
        self.purpose
    }

    /// Lets modifying frames of this scope pass; only if the link was opened for writing.
    pub(crate) fn arm(&mut self, scope: Scope) {
        self.armed = (self.purpose == Purpose::Write).then_some(scope);
    }

    /// Keeps modifying frames off the wire again.
    pub(crate) fn disarm(&mut self) {
        self.armed = None;
    }

    /// What `frame` can do, or why it does not pass at all.
    ///
    /// # Errors
    /// A sentence that names the opcode and the rule.
    pub fn judge(&self, frame: &Frame<'_>) -> Result<Class, String> {
        let Some(shape) = Shape::of(frame) else {
            return Err("an empty frame".into());
        };
        let code = shape.code();
        match self.class(&shape) {
            Some(class @ (Class::Protect | Class::Modify)) => match (self.purpose, self.armed) {
                (Purpose::Read, _) => Err(format!(
                    "{code:02X}h can change the chip, and this is a reading job"
                )),
                (Purpose::Write, None) => Err(format!(
                    "{code:02X}h can change the chip, and the chip is not armed"
                )),
                (Purpose::Write, Some(Scope::Protection)) if class == Class::Modify => {
                    Err(format!(
                        "{code:02X}h can change the array, and the chip is armed for its protection only"
                    ))
                }
                (Purpose::Write, Some(_)) => Ok(class),
            },
            Some(class) => Ok(class),
            None if self.part.is_none() => Err(format!(
                "{code:02X}h means different things to different chips, and none is identified"
            )),
            None => Err(format!(
                "{code:02X}h in this form is not a command of the identified part"
            )),
        }
    }

    fn is_question(&self, shape: &Shape) -> bool {
        let head = shape.head();
        let whole = head.len() == shape.out_bytes && shape.reads == 1 && !shape.mixed;
        whole
            && opcode::is_register_read(self.maker, head)
            && self.questions.iter().any(|question| question == head)
    }

    fn class(&self, shape: &Shape) -> Option<Class> {
        // Nothing else goes on several lanes, and these on no other number of them.
        if shape.lanes != Lanes::ONE {
            return lanes::class(self.part.as_ref()?, shape);
        }
        if let Some(class) = before_identification(shape) {
            return Some(class);
        }
        if self.is_question(shape) {
            return Some(Class::Observe);
        }
        let reset = shape.is_bare(opcode::RESET_ENABLE) || shape.is_bare(opcode::RESET);
        if self.resets && reset {
            return Some(Class::Session);
        }
        let part = self.part.as_ref()?;
        observes(part, shape)
            .or_else(|| session(part, shape))
            .or_else(|| modifies(part, shape))
    }

    /// Sends a batch if every frame of it passes.
    ///
    /// In a reading job 06h passes only as `06h, mode, 04h, 05h`, and the status then read must show
    /// WEL clear. What sets an address register passes in that form alone, in any job.
    ///
    /// # Errors
    /// `Guard` with the rule, nothing sent; `StillEnabled` where all was sent and WEL is still set; otherwise as
    /// [`Link::transfer`].
    pub fn transfer(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        let enabled = self.is_enabled_session(batch);
        // Of such a batch each frame was looked at.
        for frame in batch.iter().filter(|_| !enabled) {
            self.judge(frame).map_err(LinkError::Guard)?;
        }
        if self.single_transfer {
            if batch.iter().any(|frame| frame.lanes != Lanes::ONE) {
                let why =
                    "this controller takes frames of one transfer only, and those go on one lane";
                return Err(LinkError::Guard(why.into()));
            }
            self.send_single(batch, sck)?;
        } else {
            self.link.transfer(batch, sck)?;
        }
        match batch.last().and_then(|frame| frame.segments.last()) {
            Some(Segment::In(status)) if enabled && status.iter().any(|byte| byte & 2 != 0) => {
                Err(LinkError::StillEnabled)
            }
            _ => Ok(()),
        }
    }

    /// Whether the batch is write enable, one session frame, write disable, status.
    fn is_enabled_session(&self, batch: &[Frame<'_>]) -> bool {
        let ([enable, mode, disable, status], Some(part)) = (batch, &self.part) else {
            return false;
        };
        let is = |frame: &Frame<'_>, wanted: &dyn Fn(&Shape) -> bool| {
            Shape::of(frame).is_some_and(|shape| shape.lanes == Lanes::ONE && wanted(&shape))
        };
        is(enable, &|shape| shape.is_bare(opcode::WRITE_ENABLE))
            && is(mode, &|shape| {
                session(part, shape).is_some() || sets_register(part, shape)
            })
            && is(disable, &|shape| shape.is_bare(opcode::WRITE_DISABLE))
            && is(status, &|shape| shape.is_read(opcode::READ_STATUS_1, 0))
    }

    fn send_single(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        let mut buffers: Vec<Vec<u8>> = batch.iter().map(flattened).collect();
        let mut frames: Vec<Frame<'_>> = buffers
            .iter_mut()
            .zip(batch.iter())
            .map(|(buffer, frame)| Frame::new(vec![Segment::Exchange(buffer)]).after(frame.settle))
            .collect();
        self.link.transfer(&mut frames, sck)?;
        for (frame, buffer) in batch.iter_mut().zip(&buffers) {
            let mut rest = buffer.as_slice();
            for segment in &mut frame.segments {
                let (here, after) = rest.split_at(segment.len());
                if let Segment::In(into) | Segment::Exchange(into) = segment {
                    into.copy_from_slice(here);
                }
                rest = after;
            }
        }
        Ok(())
    }
}

impl Guard {
    /// As [`Link::name`].
    #[must_use]
    pub fn name(&self) -> &str {
        self.link.name()
    }

    /// As [`Link::level`].
    #[must_use]
    pub fn level(&self) -> Option<Millivolts> {
        self.link.level()
    }

    /// As [`Link::under_voltage`].
    pub fn under_voltage(&mut self) -> Option<String> {
        self.link.under_voltage()
    }

    /// As [`Link::limits`]; one lane where frames go as one transfer.
    #[must_use]
    pub fn limits(&self) -> Limits {
        let mut limits = self.link.limits();
        if self.single_transfer {
            limits.lanes = Lanes::ONE;
        }
        limits
    }

    /// Bytes one reading frame may bring in, in the form that frames go out here; see
    /// [`Limits::read_bytes`].
    #[must_use]
    pub fn read_bytes(&self, command_bytes: usize, sck: Hertz) -> usize {
        let limits = self.limits();
        if self.single_transfer {
            limits.exchange_bytes(command_bytes, sck)
        } else {
            limits.read_bytes(command_bytes, sck)
        }
    }

    /// Whether one batch holds these reading frames, in the form that frames go out here; see
    /// [`Limits::holds`].
    #[must_use]
    pub fn holds(&self, frames: &[([usize; 2], usize)], sck: Hertz) -> bool {
        self.limits().holds(frames, self.single_transfer, sck)
    }

    /// As [`Link::now`].
    #[must_use]
    pub fn now(&self) -> Duration {
        self.link.now()
    }

    /// As [`Link::takes_time`].
    #[must_use]
    pub fn takes_time(&self) -> bool {
        self.link.takes_time()
    }

    /// As [`Link::wait`].
    pub fn wait(&mut self, time: Duration) {
        self.link.wait(time);
    }

    /// As [`Link::idle`]: with CS high there is no frame to judge.
    ///
    /// # Errors
    /// As [`Link::idle`].
    pub fn idle(&mut self, into: &mut [u8], sck: Hertz) -> Result<bool, LinkError> {
        self.link.idle(into, sck)
    }
}

/// All bytes of a frame in wire order, zeros where it reads.
fn flattened(frame: &Frame<'_>) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(frame.len());
    for segment in &frame.segments {
        match segment {
            Segment::Out(out) => bytes.extend_from_slice(out),
            Segment::Exchange(both) => bytes.extend_from_slice(both),
            Segment::In(into) => bytes.resize(bytes.len() + into.len(), 0),
        }
    }
    bytes
}

/// A frame as a chip decodes it: the bytes out before the first byte in, and how many come in.
struct Shape {
    /// The first bytes out, as many as there is room for.
    first: [u8; Self::HEAD_BYTES],
    out_bytes: usize,
    reads: usize,
    mixed: bool,
    exchanges: bool,
    /// Bytes of the first segment, which goes on one lane whatever the others do.
    on_one: usize,
    lanes: Lanes,
}

impl Shape {
    const HEAD_BYTES: usize = 16;

    fn of(frame: &Frame<'_>) -> Option<Self> {
        let mut shape = Self {
            first: [0; Self::HEAD_BYTES],
            out_bytes: 0,
            reads: 0,
            mixed: false,
            exchanges: false,
            on_one: frame.segments.first().map_or(0, Segment::len),
            lanes: frame.lanes,
        };
        for segment in &frame.segments {
            match segment {
                Segment::Out(bytes) => {
                    shape.mixed |= shape.reads > 0 && !bytes.is_empty();
                    shape.add(bytes);
                }
                // A chip cannot tell an exchange from bytes out, so it is judged as such.
                Segment::Exchange(bytes) => {
                    shape.exchanges = true;
                    shape.mixed |= shape.reads > 0 && !bytes.is_empty();
                    shape.add(bytes);
                }
                Segment::In(bytes) => shape.reads += bytes.len(),
            }
        }
        (shape.out_bytes > 0).then_some(shape)
    }

    fn add(&mut self, bytes: &[u8]) {
        let room = self.first.iter_mut().skip(self.out_bytes);
        room.zip(bytes).for_each(|(into, byte)| *into = *byte);
        self.out_bytes += bytes.len();
    }

    fn head(&self) -> &[u8] {
        let length = self.out_bytes.min(Self::HEAD_BYTES);
        self.first.get(..length).unwrap_or(&self.first)
    }

    fn code(&self) -> u8 {
        let [code, ..] = self.first;
        code
    }

    /// Opcode alone, nothing read.
    fn is_bare(&self, code: u8) -> bool {
        self.code() == code && self.out_bytes == 1 && self.reads == 0
    }

    /// Opcode and `bytes` more, then something read.
    fn is_read(&self, code: u8, bytes: usize) -> bool {
        self.code() == code && self.out_bytes == 1 + bytes && self.reads > 0 && !self.mixed
    }
}

/// What passes before anything is known of the chip.
fn before_identification(shape: &Shape) -> Option<Class> {
    // Read ID as one exchange: the bytes behind the opcode are don't-care for 9Fh.
    let id = shape.code() == opcode::READ_JEDEC_ID && !shape.mixed && shape.out_bytes <= 32;
    let observe = id
        || shape.is_read(opcode::READ_STATUS_1, 0)
        || shape.is_read(opcode::READ_SFDP, 4)
        || shape.is_bare(opcode::WRITE_DISABLE);
    let wake =
        shape.is_bare(opcode::RELEASE_POWER_DOWN) || shape.is_read(opcode::RELEASE_POWER_DOWN, 3);
    let reset =
        shape.reads == 0 && shape.out_bytes <= 16 && shape.head().iter().all(|byte| *byte == 0xFF);
    match (observe, wake || reset) {
        (true, _) => Some(Class::Observe),
        (false, true) => Some(Class::Session),
        (false, false) => None,
    }
}

fn observes(part: &Part, shape: &Shape) -> Option<Class> {
    let code = shape.code();
    let dummy = usize::from(matches!(code, opcode::FAST_READ | opcode::FAST_READ_4BYTE));
    let four = shape.is_read(code, 4 + dummy);
    let array = match code {
        opcode::READ | opcode::FAST_READ => four || shape.is_read(code, 3 + dummy),
        _ => four && READS.contains(&code) && dedicated(part).contains(&code),
    };
    let of_address = address_registers(part).any(|(_, read)| read == code);
    let register = (of_address || part.status.observes().contains(&code)) && shape.is_read(code, 0);
    let unique = part.unique_id.is_some_and(|id| {
        let is_in = |four_byte_mode| {
            let sent = id.command(four_byte_mode).len();
            shape.is_read(id.opcode, sent - 1)
        };
        // The other ways are reads that always pass.
        id.opcode == opcode::READ_UNIQUE_ID
            && (is_in(false) || (part.addressing.has_mode() && is_in(true)))
    });
    // The same bytes program a password or write a register elsewhere: only of parts whose document was
    // read, and only in their form.
    let lock = part
        .lock_reads()
        .iter()
        .any(|read| shape.is_read(read.opcode, read.address_bytes));
    (array || register || unique || lock).then_some(Class::Observe)
}

fn session(part: &Part, shape: &Shape) -> Option<Class> {
    let allowed = part.addressing.four_byte.iter().any(|way| match way {
        // Nothing is entered that could not be left.
        FourByte::Mode { enter, exit, .. } => {
            *enter == opcode::ENTER_4BYTE
                && opcode::EXITS_4BYTE.contains(exit)
                && (shape.is_bare(*enter) || shape.is_bare(*exit))
        }
        _ => false,
    });
    allowed.then_some(Class::Session)
}

/// The registers that complete addresses of three bytes: write and read opcode.
fn address_registers(part: &Part) -> impl Iterator<Item = (u8, u8)> {
    let ways = part.addressing.four_byte.iter();
    ways.filter_map(FourByte::register)
}

/// Whether the frame sets one of them: opcode and one byte.
fn sets_register(part: &Part, shape: &Shape) -> bool {
    let exact = shape.out_bytes == 2 && shape.reads == 0;
    exact && address_registers(part).any(|(write, _)| write == shape.code())
}

fn modifies(part: &Part, shape: &Shape) -> Option<Class> {
    let code = shape.code();
    let of_part = code == opcode::PAGE_PROGRAM
        || dedicated(part).contains(&code)
        || part
            .erase_types
            .iter()
            .any(|kind| kind.opcode == code || kind.opcode_4byte == Some(code));
    let array = of_part && (PROGRAMS.contains(&code) || opcode::ERASES.contains(&code));
    // The first word with its address, or one that goes on behind it.
    let word = part.program == ProgramMethod::AaiWord
        && code == opcode::AAI_WORD_PROGRAM
        && matches!(shape.out_bytes, 3 | 6);
    // 31h writes a register of these families only.
    let second = matches!(
        part.status,
        StatusFamily::Winbond | StatusFamily::GigaDevice | StatusFamily::Adesto
    );
    // 50h clears flags on some families and does not exist on others.
    let volatile = part.volatile_form() == Some(VolatileForm::Enabled)
        && shape.is_bare(opcode::VOLATILE_STATUS_WRITE_ENABLE);
    let register = code == opcode::WRITE_STATUS_1
        || volatile
        || (code == opcode::WRITE_STATUS_2 && second)
        || (part.status.clear_status() == Some(code) && shape.is_bare(code));
    // 06h by itself changes nothing yet; what it enables is judged by its own frame.
    let protect = register || shape.is_bare(opcode::WRITE_ENABLE);
    match (array || word, protect) {
        _ if shape.reads > 0 => None,
        (true, _) => Some(Class::Modify),
        (false, true) => Some(Class::Protect),
        (false, false) => None,
    }
}

fn dedicated(part: &Part) -> &[u8] {
    part.addressing
        .four_byte
        .iter()
        .find_map(|way| match way {
            FourByte::Dedicated { opcodes } => Some(opcodes.as_slice()),
            _ => None,
        })
        .unwrap_or_default()
}
