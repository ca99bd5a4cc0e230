//! Tests of the chip layer on simulated chips: what goes over the wire, and what the cells hold.

#[path = "../../../tests/jobs/altered.rs"]
#[allow(dead_code, missing_docs)]
mod altered;
mod armed;
mod increment;
mod lanes;
mod looks;
mod meeting;
mod parts;
mod reading;
mod upper;
mod width;

use std::sync::{Arc, Mutex};
use std::time::Duration;

use super::{
    Armed, Bare, Chip, ChipError, FirstLook, Order, Pass, PassEnd, Permission, ReadCommand, Sealed,
};
use crate::jedec::{Address, Hertz};
use crate::link::{Frame, Limits, Link, LinkError, Purpose, Scope, Segment, Sent, Trace};
use crate::mock::{Fault, Faults, Mock, Times};
use crate::part::{Catalogue, Part};
use altered::Altered;

/// The permission of tests, in place of open interlocks.
pub(crate) struct Allowed;
impl Sealed for Allowed {}
impl Permission for Allowed {
    fn scope(&self) -> Scope {
        Scope::Array
    }
}

/// The same, for a chip's protection only.
struct ProtectionAllowed;
impl Sealed for ProtectionAllowed {}
impl Permission for ProtectionAllowed {}

const SCK: Hertz = Hertz::mhz(10);
const PATIENCE: Duration = Duration::from_secs(10);

/// A part of the built-in table.
fn part(name: &str) -> Part {
    let catalogue = Catalogue::builtin().unwrap();
    let found = catalogue.parts().iter().find(|part| part.name == name);
    found.unwrap_or_else(|| panic!("no part {name}")).clone()
}

/// A simulated bench with everything announced to the write-ahead monitor, and a trace.
struct Desk {
    mock: Mock,
    part: Part,
    trace: Arc<Mutex<Vec<Sent>>>,
}

impl Desk {
    fn new(name: &str) -> Self {
        Self::with(part(name))
    }

    fn with(part: Part) -> Self {
        let mock = Mock::new(part.clone());
        mock.monitor().cover(0..u32::MAX);
        mock.set_times(Times::Typical);
        Self {
            mock,
            part,
            trace: Arc::default(),
        }
    }

    fn fault(self, fault: Fault) -> Self {
        self.mock.set_faults(Faults::seeded(1).with(fault));
        self
    }

    fn link(&self) -> Trace<impl Link + use<>> {
        let trace = Arc::clone(&self.trace);
        Trace::new(self.mock.link(), move |sent| {
            trace.lock().unwrap().push(sent);
        })
    }

    fn bare(&self, purpose: Purpose) -> Bare {
        Bare::new(Box::new(self.link()), purpose, SCK)
    }

    fn meet(&self) -> Result<FirstLook, ChipError> {
        self.bare(Purpose::Read).meet(PATIENCE, &|| false)
    }

    fn try_chip(&self, purpose: Purpose) -> Result<Chip, ChipError> {
        let mut bare = self.bare(purpose);
        let look = bare.meet(PATIENCE, &|| false)?;
        bare.into_chip(self.part.clone(), look.id)
    }

    fn chip(&self) -> Chip {
        self.try_chip(Purpose::Read).unwrap()
    }

    fn armed(&self) -> Armed {
        self.try_chip(Purpose::Write).unwrap().arm(Allowed).unwrap()
    }

    /// Forgets the trace so far.
    fn clear(&self) {
        self.trace.lock().unwrap().clear();
    }

    fn sent(&self) -> Vec<Sent> {
        self.trace.lock().unwrap().clone()
    }

    /// First byte of every frame so far.
    fn opcodes(&self) -> Vec<u8> {
        self.sent().iter().map(|sent| sent.out[0]).collect()
    }

    /// What the chip itself says, past all that is under test.
    fn ask(&self, out: &[u8]) -> u8 {
        let mut into = [0];
        let frame = Frame::new(vec![Segment::Out(out), Segment::In(&mut into)]);
        self.mock.link().transfer(&mut [frame], SCK).unwrap();
        into[0]
    }

    fn tell(&self, out: &[u8]) {
        let frame = Frame::new(vec![Segment::Out(out)]);
        self.mock.link().transfer(&mut [frame], SCK).unwrap();
    }
}

/// A controller that raises CS after every transfer: the chip takes each segment for a frame.
fn drops_cs(link: impl Link + 'static) -> Box<dyn Link> {
    Box::new(Altered::new(link, |link, batch, sck| {
        for frame in batch {
            if frame.segments.len() == 1 {
                link.transfer(std::slice::from_mut(frame), sck)?;
                continue;
            }
            // The opcode goes out alone, and 00h is no command of anybody's.
            for segment in &mut frame.segments {
                if let Segment::In(bytes) | Segment::Exchange(bytes) = segment {
                    bytes.fill(0xFF);
                }
            }
        }
        Ok(())
    }))
}

/// A pattern that repeats every 251 bytes, a prime, so that addressing mistakes cannot cancel out.
fn pattern(start: u32, length: u32) -> Vec<u8> {
    (start..start + length).map(|i| (i % 251) as u8).collect()
}
