//! A place within an image, as a format's reader sees it.

use std::cell::Cell;
use std::io::{self, Read};

use crate::image::ReadAt;

/// Bytes that a stream reads at once: a little at first, as most places turn out to be nothing.
const FIRST_BYTES: usize = 4 << 10;
const FURTHER_BYTES: usize = 64 << 10;
/// What a read costs beyond its bytes.
const CALL_COST: u64 = 512;

/// Padding that may stand between an end and the blank, and how much of that is looked at.
const PADDING_BYTES_MAX: usize = 4096;
const BLANK_BYTES_MIN: usize = 16;
/// Bytes unpacked at once.
const UNPACKED_AT_ONCE: usize = 32 << 10;

/// Why a look ended early.
#[derive(Debug)]
pub(super) enum Stop {
    /// The image cannot be read.
    Image(io::Error),
    /// What may be spent on one image is spent.
    Spent,
}

impl From<io::Error> for Stop {
    fn from(error: io::Error) -> Self {
        Self::Image(error)
    }
}

/// What comes of a look.
pub(super) type Look<T> = Result<T, Stop>;

/// What may still be spent on an image. One unit is about the time that a byte takes to be read and
/// hashed, so that neither a bomb nor thousands of false headers can stall the pass.
pub(super) struct Budget {
    left: Cell<u64>,
    /// What ended a stream under a decoder, which passes on no errors but its own.
    stop: Cell<Option<Stop>>,
}

impl Budget {
    pub(super) fn new(units: u64) -> Self {
        Self {
            left: Cell::new(units),
            stop: Cell::new(None),
        }
    }

    pub(super) fn spend(&self, units: u64) -> Look<()> {
        let left = self.left.get().checked_sub(units);
        self.left.set(left.unwrap_or(0));
        left.map(|_| ()).ok_or(Stop::Spent)
    }
}

/// Bytes of the image that are at hand.
#[derive(Default)]
pub(super) struct Window {
    pub(super) offset: u64,
    pub(super) bytes: Vec<u8>,
}

impl Window {
    pub(super) fn get(&self, offset: u64, length: usize) -> Option<&[u8]> {
        let start = usize::try_from(offset.checked_sub(self.offset)?).ok()?;
        self.bytes.get(start..start.checked_add(length)?)
    }
}

/// A place at which a format may begin. Addresses count from there.
pub(super) struct Place<'a> {
    pub(super) image: &'a dyn ReadAt,
    pub(super) image_size_bytes: u64,
    pub(super) offset: u64,
    pub(super) window: &'a Window,
    pub(super) budget: &'a Budget,
}

impl Place<'_> {
    /// Bytes from here to the end of the image.
    pub(super) fn left_bytes(&self) -> u64 {
        self.image_size_bytes.saturating_sub(self.offset)
    }

    /// `N` bytes from `at` on; `None` where the image ends before.
    pub(super) fn array<const N: usize>(&self, at: u64) -> Look<Option<[u8; N]>> {
        let mut bytes = [0; N];
        Ok(self.read(at, &mut bytes)?.then_some(bytes))
    }

    /// Fills `into` from `at` on; `false` where the image ends before. What is at hand is free.
    pub(super) fn read(&self, at: u64, into: &mut [u8]) -> Look<bool> {
        let length = into.len() as u64;
        if at
            .checked_add(length)
            .is_none_or(|end| end > self.left_bytes())
        {
            return Ok(false);
        }
        let offset = self.offset + at;
        if let Some(bytes) = self.window.get(offset, into.len()) {
            into.copy_from_slice(bytes);
            return Ok(true);
        }
        self.budget.spend(CALL_COST + length)?;
        self.image.read_at(offset, into)?;
        Ok(true)
    }

    /// Whether nothing but padding stands between `at` and blank bytes, or the image's end.
    pub(super) fn is_blank_from(&self, at: u64) -> Look<bool> {
        let mut after = [0; PADDING_BYTES_MAX + BLANK_BYTES_MIN];
        let left = self.left_bytes().saturating_sub(at);
        let length = usize::try_from(left).map_or(after.len(), |left| left.min(after.len()));
        let after = after.get_mut(..length).unwrap_or_default();
        self.read(at, after)?;
        let zeros = after.iter().take_while(|byte| **byte == 0).count();
        let rest = after
            .get(zeros.min(PADDING_BYTES_MAX)..)
            .unwrap_or_default();
        Ok(rest.iter().take(BLANK_BYTES_MIN).all(|byte| *byte == 0xFF))
    }

    /// Unpacks what `decoder` gives, to its end or to the fault within it, and counts the bytes into
    /// `unpacked`. Each costs `byte_cost`.
    pub(super) fn unpack(
        &self,
        decoder: &mut dyn Read,
        byte_cost: u64,
        unpacked: &mut Unpacked,
    ) -> Look<()> {
        let mut content = vec![0; UNPACKED_AT_ONCE];
        loop {
            match decoder.read(&mut content) {
                Ok(0) => {
                    unpacked.whole = true;
                    return Ok(());
                }
                Ok(length) => {
                    unpacked.bytes += length as u64;
                    self.budget.spend(length as u64 * byte_cost)?;
                }
                Err(_) => return self.stopped(),
            }
        }
    }

    /// What ended a stream under its decoder, where that was not the content.
    pub(super) fn stopped(&self) -> Look<()> {
        self.budget.stop.take().map_or(Ok(()), Err)
    }

    /// The bytes from `at` to `end`, or to the end of the image, one after the other.
    pub(super) fn stream(&self, at: u64, end: u64) -> Stream<'_> {
        Stream {
            place: self,
            at,
            end: end.min(self.left_bytes()).max(at),
            buffer: Vec::new(),
            used: 0,
        }
    }
}

/// What unpacking came to.
#[derive(Default)]
pub(super) struct Unpacked {
    pub(super) bytes: u64,
    /// To its own end, with all checks that its decoder makes.
    pub(super) whole: bool,
}

/// Bytes of a place, one after the other.
pub(super) struct Stream<'a> {
    place: &'a Place<'a>,
    /// Address behind the buffer.
    at: u64,
    end: u64,
    buffer: Vec<u8>,
    used: usize,
}

impl Stream<'_> {
    /// Address of the next byte.
    pub(super) fn position(&self) -> u64 {
        self.at - (self.buffer.len() - self.used) as u64
    }

    /// The bytes that come next; none at the end.
    pub(super) fn fill(&mut self) -> Look<&[u8]> {
        if self.used == self.buffer.len() {
            let most = match self.buffer.len() {
                0 => FIRST_BYTES,
                _ => FURTHER_BYTES,
            };
            let length = usize::try_from(self.end - self.at).map_or(most, |left| left.min(most));
            self.place.budget.spend(length as u64)?;
            self.used = 0;
            self.buffer.resize(length, 0);
            if length > 0 {
                self.place.read(self.at, &mut self.buffer)?;
                self.at += length as u64;
            }
        }
        Ok(self.buffer.get(self.used..).unwrap_or_default())
    }

    /// Takes `length` of the bytes that [`Self::fill`] gave.
    pub(super) fn consume(&mut self, length: usize) {
        self.used = self.used.saturating_add(length).min(self.buffer.len());
    }

    /// Hands on all that is left.
    pub(super) fn each(&mut self, mut take: impl FnMut(&[u8])) -> Look<()> {
        loop {
            let bytes = self.fill()?;
            if bytes.is_empty() {
                return Ok(());
            }
            take(bytes);
            let length = bytes.len();
            self.consume(length);
        }
    }

    /// Goes on at another address.
    pub(super) fn seek(&mut self, to: u64) {
        let start = self.at - self.buffer.len() as u64;
        match usize::try_from(to.wrapping_sub(start)) {
            Ok(used) if to >= start && to <= self.at => self.used = used,
            _ => {
                self.buffer.clear();
                self.used = 0;
                self.at = to.min(self.end);
            }
        }
    }

    /// The next `N` bytes; `None` where fewer are left.
    pub(super) fn array<const N: usize>(&mut self) -> Look<Option<[u8; N]>> {
        let mut bytes = [0; N];
        let mut done = 0;
        while let Some(rest) = bytes.get_mut(done..).filter(|rest| !rest.is_empty()) {
            let next = self.fill()?;
            if next.is_empty() {
                return Ok(None);
            }
            let length = rest.len().min(next.len());
            rest.iter_mut().zip(next).for_each(|(to, from)| *to = *from);
            self.consume(length);
            done += length;
        }
        Ok(Some(bytes))
    }
}

impl Read for Stream<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let next = match self.fill() {
            Ok(next) => next,
            Err(stop) => {
                self.place.budget.stop.set(Some(stop));
                return Err(io::ErrorKind::Other.into());
            }
        };
        let length = next.len().min(into.len());
        into.iter_mut().zip(next).for_each(|(to, from)| *to = *from);
        self.consume(length);
        Ok(length)
    }
}

/// Numbers in a header. What lies behind its end reads as 0.
pub(super) struct Fields<'a> {
    pub(super) bytes: &'a [u8],
    pub(super) big_endian: bool,
}

impl<'a> Fields<'a> {
    pub(super) fn little(bytes: &'a [u8]) -> Self {
        Self {
            bytes,
            big_endian: false,
        }
    }

    pub(super) fn big(bytes: &'a [u8]) -> Self {
        Self {
            bytes,
            big_endian: true,
        }
    }

    pub(super) fn u8(&self, at: usize) -> u8 {
        self.bytes.get(at).copied().unwrap_or(0)
    }

    pub(super) fn u16(&self, at: usize) -> u16 {
        let (low, high) = (self.u8(at), self.u8(at + 1));
        match self.big_endian {
            false => u16::from_le_bytes([low, high]),
            true => u16::from_be_bytes([low, high]),
        }
    }

    pub(super) fn u32(&self, at: usize) -> u32 {
        let (first, second) = (u32::from(self.u16(at)), u32::from(self.u16(at + 2)));
        match self.big_endian {
            false => second << 16 | first,
            true => first << 16 | second,
        }
    }

    pub(super) fn u64(&self, at: usize) -> u64 {
        let (first, second) = (u64::from(self.u32(at)), u64::from(self.u32(at + 4)));
        match self.big_endian {
            false => second << 32 | first,
            true => first << 32 | second,
        }
    }
}

/// A checksum as it is shown.
pub(super) fn hex32(value: u32) -> String {
    format!("{value:08X}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published check values of `123456789`: CRC-32/ISO-HDLC of the CRC catalogue, as in gzip, xz and
    /// cramfs; CRC-32/JAMCRC, which UBI has; CRC-32/ISCSI of RFC 3720, as in ext4.
    #[test]
    fn checksums_have_the_published_parameters() {
        let text = b"123456789";
        assert_eq!(crc32fast::hash(text), 0xCBF4_3926);
        assert_eq!(!crc32fast::hash(text), 0x340B_C6D9);
        let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISCSI);
        assert_eq!(crc.checksum(text), 0xE306_9283);
    }

    #[test]
    fn a_stream_reads_on_wherever_it_is_sent() {
        let image: Vec<u8> = (0..40_000_u32).map(|at| (at % 251) as u8).collect();
        let place = Place {
            image: &image,
            image_size_bytes: image.len() as u64,
            offset: 100,
            window: &Window::default(),
            budget: &Budget::new(1 << 20),
        };
        let mut stream = place.stream(0, u64::MAX);
        for at in [0, 3, 4090, 4094, 2, 20_000, 39_896, 17] {
            stream.seek(at);
            assert_eq!(stream.position(), at);
            let start = 100 + at as usize;
            let bytes = stream.array::<4>().unwrap();
            assert_eq!(
                bytes.as_ref().map(<[u8; 4]>::as_slice),
                image.get(start..start + 4)
            );
        }
        stream.seek(39_898);
        assert_eq!(stream.array::<4>().unwrap(), None);
        assert!(place.stream(0, 1).array::<2>().unwrap().is_none());
    }

    #[test]
    fn blank_follows_behind_padding_of_no_more_than_4_kib() {
        let blank = |padding: usize, after: &[u8]| {
            let image = [vec![1; 10], vec![0; padding], after.to_vec()].concat();
            let place = Place {
                image: &image,
                image_size_bytes: image.len() as u64,
                offset: 0,
                window: &Window::default(),
                budget: &Budget::new(1 << 20),
            };
            place.is_blank_from(10).unwrap()
        };
        assert!(blank(0, &[]));
        assert!(blank(0, &[0xFF; 16]));
        assert!(blank(4096, &[0xFF; 16]));
        assert!(!blank(4097, &[0xFF; 16]));
        assert!(!blank(5, &[7; 16]));
        assert!(!blank(0, &[&[0xFF; 15][..], &[0; 1]].concat()));
    }
}
