//! The modelled time of programming against the simulated chip's clock.

use super::*;
use crate::chip::{Allowed, Armed, Bare};
use crate::link::Purpose;
use crate::mock::{Mock, Times};
use crate::part::Catalogue;

fn armed(mock: &Mock, part: &Part) -> Armed {
    let sck = Hertz(PACE.modify.0 * 2);
    let mut bare = Bare::new(Box::new(mock.link()), Purpose::Write, sck);
    let look = bare.meet(Duration::from_secs(1), &|| false).unwrap();
    let chip = bare.into_chip(part.clone(), look.id).unwrap();
    chip.arm(Allowed).unwrap()
}

/// Code with blank gaps of every length, and a rest that is blank already.
fn contents(size: usize) -> (Vec<u8>, Vec<u8>) {
    let (mut current, mut target) = (vec![0xFF; size], vec![0xFF; size]);
    let mut random = fastrand::Rng::with_seed(5);
    current[..0x3000].fill_with(|| random.u8(..0xF0));
    let mut at = 0;
    while at < 0x5000 {
        let length = random.usize(1..200);
        target[at..at + length].fill_with(|| random.u8(..));
        at += length + random.usize(0..12);
    }
    // A page that is programmed without an erase, from an odd address to an even one.
    target[0x8001..0x8101].fill(0x5A);
    // Single bytes, each beside one that stays.
    for pair in 0x4800..0x5000 {
        current[2 * pair] = 0x0F;
        target[2 * pair..2 * pair + 2].copy_from_slice(&[0x0F, 0x5A]);
    }
    (current, target)
}

/// What goes over the wire is what was modelled, to the byte, by pages, bytes and words.
#[test]
fn programming_takes_the_modelled_time() {
    for method in [
        ProgramMethod::Page,
        ProgramMethod::Byte,
        ProgramMethod::AaiWord,
    ] {
        let catalogue = Catalogue::builtin().unwrap();
        let found = catalogue.parts().iter().find(|p| p.name == "SST25VF016B");
        let mut part = found.unwrap().clone();
        part.protected_at_power_up = false;
        part.program = method;
        part.page_size_bytes = if method == ProgramMethod::Page {
            256
        } else {
            1
        };
        let (current, target) = contents(part.size_bytes as usize);
        let map = RegionMap::parse(
            "regions.toml",
            "size = \"2MiB\"\n[[region]]\nname='all'\nstart=0\nend=0x200000\nholds='replaceable'\n",
        );
        let worklist = planned(&current, &target, &map.unwrap(), &part).unwrap();

        let mock = Mock::new(part.clone());
        mock.set_truth(0, &current).unwrap();
        mock.monitor().cover(0..u32::MAX);
        mock.set_times(Times::Typical);
        mock.set_overhead(Duration::ZERO);
        let mut armed = armed(&mock, &part);
        let mut took = Duration::ZERO;
        for step in worklist.steps() {
            if let Some(erase) = worklist.erase_type(&step) {
                armed.erase(erase, Address(step.range.start)).unwrap();
            }
            let (before, after) = (&current[slice(&step.range)], &target[slice(&step.range)]);
            let start = armed.now();
            for run in worklist.programs(&step, before, after) {
                let data = &target[slice(&run)];
                armed.program(Address(run.start), data).unwrap();
            }
            took += armed.now() - start;
        }
        drop(armed);
        assert!(mock.truth(0..u32::MAX) == target, "{method:?}");
        let modelled = worklist.estimate().program;
        let apart = took.abs_diff(modelled);
        assert!(
            apart <= modelled / 1000,
            "{method:?}: took {took:?}, modelled {modelled:?}"
        );
    }
}
