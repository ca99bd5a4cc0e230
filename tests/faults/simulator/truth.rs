//! What is so behind the program's back.

use std::ops::Range;

use norlock::jedec::Hertz;
use norlock::jedec::status::Registers;
use norlock::link::{Frame, Link, Segment};

use super::board::catalogue;
use super::world::World;
use crate::station::part;

/// The first byte in which two images differ outside these ranges.
pub fn differing(one: &[u8], two: &[u8], outside: &[Range<u32>]) -> Option<u32> {
    if one.len() != two.len() {
        return Some(0);
    }
    let differ = (0..)
        .zip(one.iter().zip(two))
        .filter(|(_, (one, two))| one != two);
    let mut differ = differ.map(|(at, _)| at);
    differ.find(|at| !outside.iter().any(|range| range.contains(at)))
}

pub fn part_of(world: &World) -> norlock::part::Part {
    part(catalogue(), world.board.part)
}

/// The registers behind the program's back; `None` of a chip that sleeps or counts on by itself.
pub fn registers(world: &World) -> Option<Registers> {
    let mut link = world.mock.link();
    let mut ask = |opcode: u8, into: &mut [u8]| {
        let out = [opcode];
        let frame = Frame::new(vec![Segment::Out(&out), Segment::In(into)]);
        link.transfer(&mut [frame], Hertz::mhz(1)).ok()
    };
    let part = part_of(world);
    let mut id = vec![0; part.jedec_id.0.len()];
    ask(0x9F, &mut id)?;
    if id != part.jedec_id.0 {
        return None;
    }
    let read = part.status.registers().iter().map(|register| {
        let mut value = [0];
        ask(register.opcode, &mut value)?;
        Some((register.opcode, value[0]))
    });
    read.collect::<Option<Vec<_>>>()
        .map(|read| read.into_iter().collect())
}

/// The array as it reads; `None` of a chip that does not answer as its part.
pub fn array(world: &World) -> Option<Vec<u8>> {
    registers(world)?;
    let (size, mut link) = (world.board.map.size, world.mock.link());
    let mut array = vec![0; size as usize];
    for (address, into) in (0..size).step_by(4096).zip(array.chunks_mut(4096)) {
        let [_, high, middle, low] = address.to_be_bytes();
        let out = [0x03, high, middle, low];
        let frame = Frame::new(vec![Segment::Out(&out), Segment::In(into)]);
        link.transfer(&mut [frame], Hertz::mhz(1)).ok()?;
    }
    Some(array)
}
