//! A link that tells what goes over the wire, for `--trace` and for tests.

use std::time::Duration;

use super::{Frame, Limits, Link, LinkError, Segment};
use crate::jedec::{Hertz, Lanes, Millivolts};

/// One frame as it went over the wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sent {
    /// Link time when the batch was handed over.
    pub at: Duration,
    /// SCK asked for.
    pub sck: Hertz,
    /// Bytes the host sent, without those shifted out while reading; the first [`Sent::KEPT_BYTES`] of them.
    pub out: Vec<u8>,
    /// Bytes read; the first [`Sent::KEPT_BYTES`] of them, empty if the batch failed.
    pub read: Vec<u8>,
    /// How many bytes were read.
    pub read_bytes: usize,
    /// Settle time asked for before the first byte read.
    pub settle: Duration,
    /// Lanes of what followed the first bytes, and of the bytes read.
    pub lanes: Lanes,
    /// How many bytes at the beginning went on one lane, whatever the others did: the opcode, and of a program
    /// the address too where only its data go on several.
    pub on_one: usize,
    /// Whether the batch failed.
    pub failed: bool,
}

impl Sent {
    /// Bytes of each direction that are kept.
    pub const KEPT_BYTES: usize = 272;

    /// One line for a trace file: time, SCK, bytes out, bytes in and the first 16 of them, and what is not as usual:
    /// several lanes, a settle time, a failure.
    #[must_use]
    pub fn line(&self) -> String {
        let mut line = format!(
            "{:.6} s  {}  out {}",
            self.at.as_secs_f64(),
            self.sck,
            hex(&self.out)
        );
        if self.read_bytes > 0 {
            let shown = &self.read[..self.read.len().min(16)];
            line += &format!("  in {} bytes: {}", self.read_bytes, hex(shown));
        }
        if self.lanes != Lanes::ONE {
            line += &format!("  lanes {}", self.lanes_shown());
        }
        if !self.settle.is_zero() {
            line += &format!("  settle {} us", self.settle.as_micros());
        }
        if self.failed {
            line += "  failed";
        }
        line
    }
}

impl Sent {
    /// Lanes of opcode, address and data.
    fn lanes_shown(&self) -> String {
        match (self.read_bytes, self.on_one) {
            (0, 0 | 1) => format!("1-{0}-{0}", self.lanes.out),
            (0, _) => format!("1-1-{}", self.lanes.out),
            _ => self.lanes.to_string(),
        }
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect()
}

/// Hands every frame that reaches the wire to `tell`, then to the link below.
pub struct Trace<L> {
    link: L,
    tell: Box<dyn FnMut(Sent) + Send>,
}

impl<L: Link> Trace<L> {
    /// A link that behaves as `link` does and tells `tell` of each frame, after it was sent.
    pub fn new(link: L, tell: impl FnMut(Sent) + Send + 'static) -> Self {
        Self {
            link,
            tell: Box::new(tell),
        }
    }
}

impl<L: Link> Link for Trace<L> {
    fn name(&self) -> &str {
        self.link.name()
    }

    fn level(&self) -> Option<Millivolts> {
        self.link.level()
    }

    fn under_voltage(&mut self) -> Option<String> {
        self.link.under_voltage()
    }

    fn limits(&self) -> Limits {
        self.link.limits()
    }

    fn transfer(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        let at = self.link.now();
        let outs: Vec<Vec<u8>> = batch.iter().map(out_bytes).collect();
        let result = self.link.transfer(batch, sck);
        for (frame, out) in batch.iter().zip(outs) {
            let (read, read_bytes) = in_bytes(frame);
            let read = if result.is_ok() { read } else { Vec::new() };
            let failed = result.is_err();
            (self.tell)(Sent {
                at,
                sck,
                out,
                read,
                read_bytes,
                settle: frame.settle,
                lanes: frame.lanes,
                on_one: frame.segments.first().map_or(0, Segment::len),
                failed,
            });
        }
        result
    }

    fn now(&self) -> Duration {
        self.link.now()
    }

    fn takes_time(&self) -> bool {
        self.link.takes_time()
    }

    fn wait(&mut self, time: Duration) {
        self.link.wait(time);
    }

    /// No frame: CS stays high, so nobody is told.
    fn idle(&mut self, into: &mut [u8], sck: Hertz) -> Result<bool, LinkError> {
        self.link.idle(into, sck)
    }
}

fn out_bytes(frame: &Frame<'_>) -> Vec<u8> {
    let mut out = Vec::new();
    for segment in &frame.segments {
        match segment {
            Segment::Out(bytes) => out.extend(bytes.iter().take(Sent::KEPT_BYTES - out.len())),
            Segment::Exchange(bytes) => out.extend(bytes.iter().take(Sent::KEPT_BYTES - out.len())),
            Segment::In(_) => {}
        }
    }
    out
}

fn in_bytes(frame: &Frame<'_>) -> (Vec<u8>, usize) {
    let mut read = Vec::new();
    let mut count = 0;
    for segment in &frame.segments {
        if let Segment::In(bytes) | Segment::Exchange(bytes) = segment {
            count += bytes.len();
            read.extend(bytes.iter().take(Sent::KEPT_BYTES - read.len()));
        }
    }
    (read, count)
}
