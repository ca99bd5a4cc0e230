//! A part on a link: the chip on the clip.
//!
//! [`Bare`] meets a chip that is not yet known. [`Chip`] is one whose part is known: it reads, and
//! has no method that could change the array. [`Armed`] erases and programs; it exists only in
//! exchange for a [`Permission`], which only [`crate::interlock`] can make. State found is state left:
//! [`Chip::leave`] and, on an early end, `Drop` undo what reading needed.
//!
//! What fails while it reads has changed nothing but the mode, which is undone so, and a buffer is then not to be
//! used. What [`Armed`] leaves of the array stands with each of its errors.
//!
//! # Examples
//! Most programs want [`crate::job`], which also looks at supply, marking and contact. This only reads: nothing but
//! the guard and the types stands between it and the chip. `gauge` is a simulated bench, which
//! `examples/gauge/mod.rs` makes.
//! ```
//! # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
//! # fn main() -> Result<(), Box<dyn Error>> {
//! # let (gauge, _) = Gauge::new()?;
//! use norlock::chip::{Bare, ReadCommand};
//! use norlock::jedec::{Address, Hertz};
//! use norlock::link::Purpose;
//!
//! let mut bare = Bare::new(Box::new(gauge.chip.link()), Purpose::Read, Hertz::mhz(10));
//! let met = bare.meet(Duration::from_secs(1), &|| false)?;
//! let parts = gauge.catalogue.by_jedec_id(&met.id);
//! let part = parts.first().copied().cloned().ok_or("not in the table")?;
//! let mut chip = bare.into_chip(part, met.id)?;
//! let (command, mut bytes) = (ReadCommand::Read, [0; 16]);
//! let sck = chip.sck_for(command);
//! chip.read(command, sck, Address(0), &mut bytes)?;
//! chip.leave()?;
//! assert!(gauge.chip.holds(0, &bytes));
//! # Ok(())
//! # }
//! ```

mod armed;
mod bare;
mod error;
mod lanes;
mod pass;
mod permission;
#[cfg(test)]
mod tests;
mod upper;
mod width;

use std::ops::Range;
use std::time::Duration;

pub(crate) use armed::word_settle;
pub use armed::{Armed, MESSAGE};
pub use bare::{Bare, FirstLook, short_id};
pub use error::ChipError;
pub(crate) use pass::Frames;
pub use pass::{Order, Pass, PassEnd};
pub use permission::Permission;
pub(crate) use permission::Sealed;
#[cfg(test)]
pub(crate) use tests::Allowed;
pub use width::{AddressingFound, as_addressed};

use crate::jedec::status::{Protection, Registers};
use crate::jedec::{Address, Hertz, ID_BYTES, LaneProgram, LaneRead, Lanes, opcode};
use crate::link::{Frame, Guard, LinkError, Purpose, Segment};
use crate::part::Part;
use width::Width;

/// Opcode, four address bytes and a dummy byte; see [`ReadCommand::out_bytes`] for reads on several lanes.
const COMMAND_BYTES_MAX: usize = 6;
/// How often the ID is read before a contact counts as lost.
const LOST_AFTER_READS: u32 = 8;

/// How the array is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReadCommand {
    /// 03h: no dummy clocks, the lower SCK limit.
    Read,
    /// 0Bh: eight dummy clocks.
    FastRead,
    /// On several lanes, as the part has it.
    Lanes(LaneRead),
}

impl ReadCommand {
    /// The opcode with a 3-byte address, which names the command on screens.
    #[must_use]
    pub fn opcode(self) -> u8 {
        match self {
            Self::Read => opcode::READ,
            Self::FastRead => opcode::FAST_READ,
            Self::Lanes(read) => read.opcode,
        }
    }

    /// Lanes that it goes on.
    #[must_use]
    pub fn lanes(self) -> Lanes {
        match self {
            Self::Read | Self::FastRead => Lanes::ONE,
            Self::Lanes(read) => read.lanes,
        }
    }

    fn dummy_bytes(self) -> usize {
        match self {
            Self::Read => 0,
            Self::FastRead => 1,
            Self::Lanes(read) => read.dummy_bytes,
        }
    }

    /// Bytes out of each segment of its head at the most, with four address bytes; 0 is no segment.
    fn out_bytes(self) -> [usize; 2] {
        let behind = 4 + self.dummy_bytes();
        match self.lanes().out {
            0 | 1 => [COMMAND_BYTES_MAX.max(1 + behind), 0],
            _ => [1, behind],
        }
    }

    /// The frame with this head: opcode, address and dummy bytes.
    fn frame<'a>(self, head: &'a [u8], into: &'a mut [u8]) -> Frame<'a> {
        let lanes = self.lanes();
        match head.split_at_checked(1).filter(|_| lanes.out > 1) {
            Some((code, rest)) => {
                let out = [Segment::Out(code), Segment::Out(rest)];
                Frame::new(out.into_iter().chain([Segment::In(into)]).collect())
            }
            None => Frame::new(vec![Segment::Out(head), Segment::In(into)]),
        }
        .on(lanes)
    }
}

/// An identified chip, open for reading.
///
/// It has no way to change the array. To erase or program, [`Chip::arm`] it:
///
/// ```compile_fail,E0599
/// # fn f(mut chip: norlock::chip::Chip) {
/// chip.program(norlock::jedec::Address(0), &[0]);
/// # }
/// ```
pub struct Chip {
    guard: Guard,
    part: Part,
    id: [u8; ID_BYTES],
    sck: Hertz,
    width: Width,
    /// The read on several lanes in use, once it was compared with one on one lane.
    lane_read: Option<LaneRead>,
    /// The program on four lanes in use, once all lines were seen to carry outwards.
    lane_program: Option<LaneProgram>,
    /// Status register 1 as last read steadily.
    status_seen: Option<u8>,
    left: bool,
}

impl Chip {
    pub(crate) fn new(
        mut guard: Guard,
        part: Part,
        id: [u8; ID_BYTES],
        sck: Hertz,
    ) -> Result<Self, ChipError> {
        let part = as_addressed(part);
        guard.identified(&part);
        let width = Width::choose(&part)?;
        let mut chip = Self {
            guard,
            part,
            id,
            sck,
            width,
            lane_read: None,
            lane_program: None,
            status_seen: None,
            left: false,
        };
        chip.enter_width()?;
        Ok(chip)
    }

    /// The part it was identified as.
    #[must_use]
    pub fn part(&self) -> &Part {
        &self.part
    }

    /// All bytes of the first good answer to 9Fh.
    #[must_use]
    pub fn id_bytes(&self) -> &[u8; ID_BYTES] {
        &self.id
    }

    /// SCK that contact has proven: the one that [`Bare::new`] was given, until [`Chip::proven_up_to`]. That it is
    /// proven a job shows, by the interlock `contact`.
    #[must_use]
    pub fn sck(&self) -> Hertz {
        self.sck
    }

    /// Reads at `sck` at the most from now on: contact has proven it since the chip was met.
    pub fn proven_up_to(&mut self, sck: Hertz) {
        self.sck = sck;
    }

    /// Size of the array.
    #[must_use]
    pub fn size_bytes(&self) -> u32 {
        self.part.size_bytes
    }

    /// Link time.
    #[must_use]
    pub fn now(&self) -> Duration {
        self.guard.now()
    }

    /// Whether the computer can do something else while the link sends: [`Link::takes_time`].
    ///
    /// [`Link::takes_time`]: crate::link::Link::takes_time
    #[must_use]
    pub fn takes_time(&self) -> bool {
        self.guard.takes_time()
    }

    /// What the link was opened for.
    #[must_use]
    pub fn purpose(&self) -> Purpose {
        self.guard.purpose()
    }

    /// How the part is addressed, in words.
    #[must_use]
    pub fn addressing(&self) -> &'static str {
        self.width.words()
    }

    /// Highest SCK for `command`: what contact has proven, within the part's limit.
    #[must_use]
    pub fn sck_for(&self, command: ReadCommand) -> Hertz {
        let limits = &self.part.sck_max;
        let limit = limits
            .get(&command.opcode())
            .or_else(|| limits.get(&opcode::READ));
        limit.map_or(self.sck, |limit| self.sck.min(*limit))
    }

    /// Highest SCK for commands that do not read the array: what contact has proven, within the highest
    /// limit that the part has for any. Datasheets give one clock for all commands but Read 03h.
    fn sck_for_commands(&self) -> Hertz {
        let limit = self.part.sck_max.values().max();
        limit.map_or(self.sck, |limit| self.sck.min(*limit))
    }

    /// Half of what contact has proven, within the same limit.
    fn half_sck(&self) -> Hertz {
        let half = Hertz((self.sck.0 / 2).max(1)).max(self.sck_min());
        half.min(self.sck_for_commands())
    }

    /// Lowest SCK that the link can make.
    #[must_use]
    pub fn sck_min(&self) -> Hertz {
        self.guard.limits().sck_min
    }

    /// The command for a second, independent read: the one on several lanes that is in use
    /// ([`Chip::use_lanes`]), else 0Bh, unless nothing tells that the part has it.
    #[must_use]
    pub fn second_command(&self) -> ReadCommand {
        if let Some(read) = self.lane_read {
            ReadCommand::Lanes(read)
        } else if self.part.sck_max.contains_key(&opcode::FAST_READ)
            || self.part.has_sfdp == Some(true)
        {
            ReadCommand::FastRead
        } else {
            ReadCommand::Read
        }
    }

    /// Reads the JEDEC ID once.
    ///
    /// # Errors
    /// `Link`.
    pub fn read_id(&mut self) -> Result<[u8; ID_BYTES], ChipError> {
        let mut id = [0; ID_BYTES];
        self.query(&[opcode::READ_JEDEC_ID], &mut id, self.sck_for_commands())?;
        Ok(id)
    }

    /// Reads the ID again and compares its first three bytes with those first read.
    ///
    /// # Errors
    /// `LostContact` if none of eight reads agrees; `Link`.
    pub fn check_id(&mut self) -> Result<(), ChipError> {
        match self.look_for_id()? {
            Some(lost) if lost.1 == LOST_AFTER_READS => Err(self.lost_contact(lost)),
            _ => Ok(()),
        }
    }

    /// The same where one read that differs is enough, as before something is changed.
    ///
    /// # Errors
    /// As [`Chip::check_id`].
    pub(super) fn insist_on_id(&mut self) -> Result<(), ChipError> {
        self.look_for_id()?
            .map_or(Ok(()), |lost| Err(self.lost_contact(lost)))
    }

    /// Reads the ID once, and seven times more if it is another one: what was read first, and how often
    /// it was not the chip's own.
    fn look_for_id(&mut self) -> Result<Option<([u8; ID_BYTES], u32)>, ChipError> {
        let first = self.read_id()?;
        if first[..3] == self.id[..3] {
            return Ok(None);
        }
        let mut times = 1;
        for _ in 1..LOST_AFTER_READS {
            times += u32::from(self.read_id()?[..3] != self.id[..3]);
        }
        Ok(Some((first, times)))
    }

    fn lost_contact(&self, (seen, times): ([u8; ID_BYTES], u32)) -> ChipError {
        ChipError::LostContact {
            expected: short_id(&self.id).to_string(),
            seen: short_id(&seen).to_string(),
            times,
            reads: LOST_AFTER_READS,
        }
    }

    /// Reads the ID that no other chip has, where the part has one and what comes tells chips apart:
    /// [`UniqueIdRead::id_in`](crate::part::UniqueIdRead::id_in).
    ///
    /// # Errors
    /// `Link`.
    pub fn unique_id(&mut self) -> Result<Option<Vec<u8>>, ChipError> {
        let Some(how) = self.part.unique_id.filter(|how| how.length_bytes > 0) else {
            return Ok(None);
        };
        let longer = how.is_longer_in_4byte_mode() && self.takes_4byte_dummies()?;
        let mut answer = vec![0; how.answer_bytes()];
        self.query(&how.command(longer), &mut answer, self.sck_for_commands())?;
        Ok(how.id_in(&answer, &self.id[..3]))
    }

    /// In 4-byte mode the dummy bytes before a unique ID are one more; a chip can be found in that
    /// mode even where dedicated opcodes do not need it.
    fn takes_4byte_dummies(&mut self) -> Result<bool, ChipError> {
        match self.width {
            Width::Mode { .. } => Ok(true),
            Width::Dedicated => Ok(self.is_in_4byte_mode()? == Some(true)),
            Width::Upper(upper) => Ok(upper.four),
            Width::Three | Width::ThreeForNow { .. } | Width::Four => Ok(false),
        }
    }

    /// Reads status register 1.
    ///
    /// # Errors
    /// `Link`.
    pub fn status(&mut self) -> Result<u8, ChipError> {
        self.register(opcode::READ_STATUS_1)
    }

    /// Reads the registers that block protection of this part's family depends on, each twice at half
    /// the proven SCK: what is read here may be written back, and some of its bits are for ever.
    ///
    /// # Errors
    /// `UnsteadyRegister` if the two differ; `Link`.
    pub fn registers(&mut self) -> Result<Registers, ChipError> {
        let mut registers = Registers::default();
        for read in self.part.status.registers() {
            let value = self.steadily(&[read.opcode])?;
            registers.set(read.opcode, value);
            if read.opcode == opcode::READ_STATUS_1 {
                self.status_seen = Some(value);
            }
        }
        Ok(registers)
    }

    /// Blocks that a lock of their own protects, where the part is known to have such locks in force with
    /// these registers: each lock read twice at half the proven SCK. Those that touch are one range.
    ///
    /// # Errors
    /// `UnsteadyRegister` if the two differ; `Link`.
    pub fn locked_blocks(&mut self, registers: &Registers) -> Result<Vec<Range<u32>>, ChipError> {
        let mut locked: Vec<Range<u32>> = Vec::new();
        for (read, block) in self.part.block_locks(registers) {
            let mut command = vec![read.opcode];
            let address = block.start.to_be_bytes();
            command.extend(address.iter().skip(4 - read.address_bytes.min(4)));
            if read.is_locked(self.steadily(&command)?) {
                locked.push(block);
            }
        }
        Ok(Protection::of(locked).ranges().unwrap_or_default().to_vec())
    }

    /// Reads `into.len()` bytes from `address` at `sck`, in as few frames as the link allows.
    ///
    /// # Errors
    /// `OutOfRange` before anything is sent; `AddressRegister`; `Link`.
    pub fn read(
        &mut self,
        command: ReadCommand,
        sck: Hertz,
        address: Address,
        into: &mut [u8],
    ) -> Result<(), ChipError> {
        self.check_range(address, into.len())?;
        let (mut at, mut rest) = (address.0, into);
        while !rest.is_empty() {
            let whole = rest.len().min(self.frame_bytes(sck));
            let within = whole.min((self.reach(Address(at)) - at) as usize);
            let (piece, after) = rest.split_at_mut(within);
            self.select(Address(at))?;
            self.read_frame(command, sck, Address(at), piece)?;
            at = at.saturating_add(within as u32);
            rest = after;
        }
        Ok(())
    }

    /// Reads in one frame by 03h, from an address that may lie beyond the part's size or so that the
    /// frame ends there: for asking the chip itself where its array ends. False, with nothing sent,
    /// where addresses do not reach there, a register selects what they mean, or `into` is longer than one
    /// frame brings in.
    ///
    /// # Errors
    /// `Link`.
    pub(crate) fn read_round(&mut self, address: u32, into: &mut [u8]) -> Result<bool, ChipError> {
        let reach = match self.width {
            Width::Upper(upper) if !upper.four => return Ok(false),
            Width::Three | Width::ThreeForNow { .. } => u64::from(width::LIMIT_3BYTE),
            Width::Four | Width::Dedicated | Width::Mode { .. } | Width::Upper(_) => 1 << 32,
        };
        let sck = self.sck_for(ReadCommand::Read);
        if u64::from(address) >= reach || into.len() > self.frame_bytes(sck) {
            return Ok(false);
        }
        self.read_frame(ReadCommand::Read, sck, Address(address), into)?;
        Ok(true)
    }

    /// Bytes that one reading frame brings in at `sck`.
    #[must_use]
    pub fn frame_bytes(&self, sck: Hertz) -> usize {
        self.guard.read_bytes(COMMAND_BYTES_MAX, sck)
    }

    /// Bytes that one message brings in, whatever its SCK.
    #[must_use]
    pub fn message_bytes(&self) -> u32 {
        u32::try_from(self.guard.limits().batch_in_bytes).unwrap_or(u32::MAX)
    }

    /// As [`Chip::frame_bytes`], for a [`Pass`]: at most 1 MiB, the way between two looks at the ID.
    #[must_use]
    pub fn pass_frame_bytes(&self, sck: Hertz) -> u32 {
        u32::try_from(self.frame_bytes(sck).min(1 << 20)).unwrap_or(1 << 20)
    }

    /// Leaves the chip as it was found: address mode restored, WEL clear.
    ///
    /// # Errors
    /// `Link`, `AddressMode`, `AddressRegister`; the state is then unknown until the chip's supply is cut.
    pub fn leave(mut self) -> Result<(), ChipError> {
        self.tidy()
    }

    fn read_frame(
        &mut self,
        command: ReadCommand,
        sck: Hertz,
        address: Address,
        into: &mut [u8],
    ) -> Result<(), ChipError> {
        let head = self.width.read_head(command, address);
        let sent = self.guard.transfer(&mut [command.frame(&head, into)], sck);
        match sent {
            // The kernel takes less than it said; the link has lowered its limit and sent nothing.
            Err(LinkError::TooLong { .. }) => self.read_lowered(command, sck, address, into),
            other => Ok(other?),
        }
    }

    fn read_lowered(
        &mut self,
        command: ReadCommand,
        sck: Hertz,
        address: Address,
        into: &mut [u8],
    ) -> Result<(), ChipError> {
        let mut at = address.0;
        for piece in into.chunks_mut(self.frame_bytes(sck)) {
            let head = self.width.read_head(command, Address(at));
            let frame = command.frame(&head, piece);
            self.guard.transfer(&mut [frame], sck)?;
            at = at.saturating_add(u32::try_from(piece.len()).unwrap_or(u32::MAX));
        }
        Ok(())
    }

    fn register(&mut self, code: u8) -> Result<u8, ChipError> {
        let mut value = [0];
        self.query(&[code], &mut value, self.sck_for_commands())?;
        Ok(value[0])
    }

    /// One byte, read twice and the same both times.
    fn steadily(&mut self, command: &[u8]) -> Result<u8, ChipError> {
        let (first, second) = (self.slowly(command)?, self.slowly(command)?);
        if first == second {
            return Ok(first);
        }
        Err(ChipError::UnsteadyRegister {
            opcode: command.first().copied().unwrap_or_default(),
            first,
            second,
        })
    }

    fn slowly(&mut self, command: &[u8]) -> Result<u8, ChipError> {
        let mut value = [0];
        self.query(command, &mut value, self.half_sck())?;
        Ok(value[0])
    }

    fn query(&mut self, command: &[u8], into: &mut [u8], sck: Hertz) -> Result<(), ChipError> {
        let frame = Frame::new(vec![Segment::Out(command), Segment::In(into)]);
        Ok(self.guard.transfer(&mut [frame], sck)?)
    }

    fn send(&mut self, command: &[u8]) -> Result<(), ChipError> {
        let sck = self.sck_for_commands();
        Ok(self
            .guard
            .transfer(&mut [Frame::new(vec![Segment::Out(command)])], sck)?)
    }

    fn check_range(&self, address: Address, length: usize) -> Result<(), ChipError> {
        let size_bytes = self.part.size_bytes;
        let end = u64::from(address.0) + length as u64;
        if end > u64::from(size_bytes) {
            return Err(ChipError::OutOfRange {
                address,
                length,
                size_bytes,
            });
        }
        Ok(())
    }

    fn tidy(&mut self) -> Result<(), ChipError> {
        if std::mem::replace(&mut self.left, true) {
            return Ok(());
        }
        let width = self.leave_width();
        // A batch that failed half way may have left it set.
        let disabled = self.send(&[opcode::WRITE_DISABLE]);
        width.and(disabled)
    }
}

impl Drop for Chip {
    /// Best effort; [`Chip::leave`] reports.
    fn drop(&mut self) {
        let _ = self.tidy();
    }
}

/// A step of waiting that keeps polls few and lets a person who stops be heard.
fn poll_slice(patience: Duration) -> Duration {
    (patience / 64).clamp(Duration::from_micros(50), Duration::from_millis(100))
}
