//! What the simulator of whole lives has found, each by itself.

use std::collections::BTreeSet;
use std::path::Path;

use norlock::jedec::Hertz;
use norlock::job::{self, Exit, Nobody, RestoreOrder};
use norlock::link::{Link, Sent};
use norlock::mock::{AddressBit, Failure, Fault, Faults, Torn};
use norlock::unit::Unit;
use norlock::unit::store::{self, Action, Store};

use crate::small::{Small, StopAfter, When};
use crate::station::code;

/// A page and its command are 263 bytes. A link that takes less left the chip erased for good: each try
/// stopped at the first page again.
#[test]
fn a_link_whose_messages_are_shorter_than_a_page_writes_in_pieces() {
    for bytes in [21, 128, 262] {
        let small = Small::ready(1);
        let mut limits = small.mock().link().limits();
        (limits.batch_out_bytes, limits.batch_in_bytes) = (bytes, 4096);
        small.mock().set_limits(limits);
        small.write().unwrap();
        small.check_done(&small.target);
    }
}

#[test]
fn a_link_that_shortens_its_messages_during_a_program_goes_on() {
    let before = Small::ready(1);
    let batches = before.mock().counters().batches;
    before
        .write_attended(&mut StopAfter::blocks(1))
        .unwrap_err();
    let ended = before.mock().counters().batches;
    for at_batch in (batches..ended).rev().step_by(3).take(12) {
        let small = Small::ready(1);
        let mut limits = small.mock().link().limits();
        (limits.batch_out_bytes, limits.batch_in_bytes) = (300, 300);
        small.mock().set_limits(limits);
        let error = Failure::TooLong;
        let fault = Fault::Link {
            at_batch,
            error,
            lasting: false,
        };
        small.mock().set_faults(Faults::none().with(fault));
        let stopped = small.write();
        if let Err(stop) = stopped {
            assert!(stop.next.contains("gain"), "{stop:?}");
            small.mock().set_faults(Faults::none());
            small.write().unwrap();
        }
        small.check_done(&small.target);
    }
}

/// A disk that fails is not an image of another size.
#[test]
fn a_target_that_cannot_be_read_for_the_plan_is_the_disks_fault() {
    let small = Small::ready(1);
    let paper = small.station.paper();
    let before = small.files().calls();
    small.write_as_a_command(&paper).unwrap();
    let log = small.files().log();
    let reads = (before..log.len())
        .filter(|n| log[*n].0 == Action::Read && log[*n].1.ends_with("target.bin"));
    let mut told = 0;
    for call in reads.map(|n| n - before).step_by(3).collect::<Vec<_>>() {
        let small = Small::ready(1);
        let paper = small.station.paper();
        small
            .files()
            .fail_at(small.files().calls() + call, 5, store::Fails::Once);
        if let Err(stop) = small.write_as_a_command(&paper) {
            assert!(!stop.next.contains("sizes must agree"), "{stop:?}");
            told += usize::from(stop.exit == Exit::FileFault);
        }
    }
    assert!(told > 3, "{told}");
}

/// Torn cells read differently each time: a sample there said that the best of contacts is bad, just where
/// the person had been told to look at it before going on.
#[test]
fn blocks_that_were_left_torn_do_not_count_against_the_contact() {
    let small = Small::ready(1);
    small.cut(2, Torn::Unstable, None, 3);
    let stop = small.write().unwrap_err();
    assert!(
        stop.next.contains("norlock contact --unit FOLDER"),
        "{stop:?}"
    );
    small.power_up();
    let unit = Unit::view(small.station.store(), &small.station.folder).unwrap();
    let torn = small.unfinished().unwrap().contents.unwrap().in_hand();
    assert_eq!(torn.first(), Some(&(0xA000..0xB000)), "where a sample lies");
    assert!(!job::contact(None, small.bench(), &mut Nobody).unwrap().good);
    let report = job::contact(Some(&unit), small.bench(), &mut Nobody).unwrap();
    assert!(
        report.good && report.proven == Some(small.station.sck),
        "{report:?}"
    );
    let journal = report.unfinished.unwrap();
    assert!(journal.ends_with("journal/write-1"), "{journal}");
    let target = small.files().open(Path::new("/bench/target.bin")).unwrap();
    let report = job::verify(
        &job::VerifyOrder::whole(target.as_ref(), 2),
        Some(&unit),
        small.bench(),
        &mut Nobody,
    );
    assert!(!report.unwrap().is_equal());
    job::protection(Some(&unit), small.bench(), &mut Nobody).unwrap();
}

/// A unit of 64 KiB, and a target that leaves nothing but address lines to tell where things landed: two
/// pages at 0, behind which two blocks are blank, and one block that is erased among blank ones.
fn pages_before_blank_blocks() -> Small {
    let mut small = Small::on_the_clip("HB25Q512", 1);
    small.found[..0x6000].fill(0xFF);
    small.found[..0x0F00].copy_from_slice(&code(5, 0x0F00));
    small.found[0x4000..0x4800].copy_from_slice(&code(6, 0x0800));
    small.target = small.found.clone();
    small.target[..0x6000].fill(0xFF);
    small.target[..0x0200].copy_from_slice(&code(7, 0x0200));
    small.mock().set_truth(0, &small.found).unwrap();
    let target = Path::new("/bench/target.bin");
    small.files().replace(target, &small.target).unwrap();
    job::backup(&mut small.unit(), small.bench(), &mut Nobody).unwrap();
    small.map();
    small
}

/// An address line that is lost while blocks are written: what is programmed lands elsewhere, and each read
/// that begins likewise finds it there. With A11 high the write ended well, on a chip blank at 0.
#[test]
fn an_address_line_that_is_lost_during_a_write_is_found_at_its_end() {
    for line in 0..16 {
        let other = (line + 3) % 16;
        for is in [AddressBit::Low, AddressBit::High, AddressBit::SameAs(other)] {
            let small = pages_before_blank_blocks();
            let fault = Faults::none().with(Fault::AddressLine { line, is });
            let lose = || small.mock().set_faults(fault.clone());
            let end = small.write_attended(&mut When::begins("writing", lose));
            let what = format!("A{line} {is:?}");
            let Err(stop) = end else {
                panic!("{what}: unnoticed");
            };
            assert_eq!(stop.exit, Exit::Unfinished, "{what}: {stop:?}");
            let target = small.files().open(Path::new("/bench/target.bin")).unwrap();
            let report = job::verify(
                &job::VerifyOrder::whole(target.as_ref(), 2),
                None,
                small.bench(),
                &mut Nobody,
            );
            let equal = report.is_ok_and(|report| report.is_equal());
            assert!(!equal, "{what}: verified");
            small.mock().set_faults(Faults::none());
            // Unit data can be among what was hit; the backup has it.
            small.restore().unwrap();
            assert!(small.cells() == small.found, "{what}");
        }
    }
}

/// Bytes at the edges of frames are what a poor clip or controller gets wrong, the same each time. In small
/// reads the first frame of each pass leaves room for the ID, and their edges were 5 bytes apart.
#[test]
fn no_byte_lies_at_the_edge_of_a_frame_in_both_reads() {
    const EDGE_BYTES: u32 = 20;
    for name in ["HB25Q512", "HB25V16"] {
        for (bytes, align, khz) in [
            (65536, 128, 20_000),
            (65536, 1, 333),
            (4096, 128, 20_000),
            (4096, 1, 10_000),
            (4096, 1, 700),
            (1000, 1, 20_000),
            (400, 4, 20_000),
            (128, 1, 20_000),
        ] {
            let mut small = Small::on_the_clip(name, 1);
            small.station.sck = Hertz(khz * 1000);
            let mut limits = small.mock().link().limits();
            (limits.batch_out_bytes, limits.batch_in_bytes) = (bytes, bytes);
            limits.segment_align_bytes = align;
            small.mock().set_limits(limits);
            let size = small.found.len() as u32;
            job::backup(&mut small.unit(), small.bench(), &mut Nobody).unwrap();
            let [first, second] = [0x03, 0x0B].map(|code| edges(&small, code));
            for edge in first {
                let near = |other: &&u32| edge.abs_diff(**other) < 2 * EDGE_BYTES;
                let both = second.iter().find(near);
                let inside = edge > 0 && edge < size;
                assert!(
                    !inside || both.is_none(),
                    "{name} {bytes} {khz} kHz: frames end at {edge:#X} and {both:X?}"
                );
            }
        }
    }
}

/// Where the frames of the read of the whole chip by `code` begin, without the very ends.
fn edges(small: &Small, code: u8) -> BTreeSet<u32> {
    let size = small.found.len();
    let trace = small.station.trace.lock().unwrap();
    let reads = trace.iter().filter(|sent| sent.out[0] == code);
    // What is asked of the array's end, before, is no part of the read; nor is what is read again.
    let place = |sent: &Sent| u32::from_be_bytes([0, sent.out[1], sent.out[2], sent.out[3]]);
    let reads: Vec<_> = reads.map(|sent| (place(sent), sent.read_bytes)).collect();
    let covers = |from: usize| {
        let mut left = size;
        let whole = reads[from..].iter().take_while(|(_, bytes)| {
            let within = left > 0;
            left = left.saturating_sub(*bytes);
            within
        });
        let mut whole: Vec<_> = whole.copied().collect();
        whole.sort_unstable();
        let mut next = 0;
        let tiles = whole.iter().all(|(at, bytes)| {
            let here = *at as usize == next;
            next += bytes;
            here
        });
        (tiles && next == size).then_some(whole)
    };
    let whole = (0..reads.len())
        .find_map(covers)
        .expect("a read of the whole chip");
    whole
        .iter()
        .map(|(at, _)| *at)
        .filter(|at| *at > 0)
        .collect()
}

/// A block that a cut left torn was written again through a clip that had lost an address line: erase and
/// read-back both went to another block, so the journal calls it done. Two reads differ there from then on,
/// and the advice went round: a good contact, the same command, held. Where samples of the array lie, even
/// the contact counted as bad for good.
#[test]
fn a_torn_block_that_the_journal_calls_done_is_named_to_be_gone_over() {
    let cases = [
        (1, 13, AddressBit::High, 0x8000),
        (2, 12, AddressBit::High, 0xA000),
        (3, 12, AddressBit::Low, 0xB000),
    ];
    for (operation, line, is, start) in cases {
        let small = Small::ready(1);
        let block = start..start + 0x1000;
        small.cut(operation, Torn::Unstable, None, 3);
        small.write().unwrap_err();
        small.power_up();
        let torn = small.unfinished().unwrap().contents.unwrap().in_hand();
        assert_eq!(torn, std::slice::from_ref(&block));
        let lost = Faults::none().with(Fault::AddressLine { line, is });
        let lose = || small.mock().set_faults(lost.clone());
        let mut loses = When::begins("writing", lose);
        small.write_attended(&mut loses).unwrap_err();
        small.power_up();
        let done = small.unfinished().unwrap().contents.unwrap().done();
        assert!(done.contains(&block), "{done:X?}");
        let typed = format!(
            "restore --unit FOLDER --rewrite 0x{start:06X}..0x{:06X}",
            block.end
        );
        for stop in [small.write(), small.restore()].map(Result::unwrap_err) {
            assert_eq!(stop.held[0].interlock.id(), "twin-read", "{stop:?}");
            assert_eq!(stop.exit, Exit::Unfinished);
            assert!(stop.next.ends_with(&typed), "{stop:?}");
        }
        let unit = Unit::view(small.station.store(), &small.station.folder).unwrap();
        assert!(
            job::contact(Some(&unit), small.bench(), &mut Nobody)
                .unwrap()
                .good
        );
        let rewrite = vec![block];
        let order = RestoreOrder {
            rewrite,
            ..RestoreOrder::default()
        };
        small.restore_as(order).unwrap();
        assert!(small.cells() == small.found && small.unfinished().is_none());
    }
}

/// An address line that is lost during the first read, so that all it tells of the upper half is the lower
/// once more, but for a block that an unfinished write has in hand. Where the two reads differ lies in that
/// block, and it was the only one that told the halves apart: nothing asked the chip about the line, and
/// what a restore replaces was kept as it is not.
#[test]
fn a_block_in_hand_is_no_witness_that_an_address_line_arrives() {
    let small = Small::ready(1);
    small.cut(1, Torn::Prefix, None, 3);
    small.write().unwrap_err();
    small.power_up();
    let torn = small.unfinished().unwrap().contents.unwrap().in_hand();
    assert_eq!(torn.first(), Some(&(0x8000..0x9000)));
    let mut limits = small.mock().link().limits();
    // The third frame of each read begins within that block.
    limits.batch_in_bytes = 0x4400;
    small.mock().set_limits(limits);
    let is = AddressBit::Low;
    let lost = Faults::none().with(Fault::AddressLine { line: 15, is });
    let lose = || small.mock().set_faults(lost.clone());
    let order = RestoreOrder {
        to: 1,
        offline: small.station.paper(),
        ..RestoreOrder::default()
    };
    let mut loses = When::begins("first", lose);
    let stop = job::restore(&mut small.unit(), &order, small.bench(), &mut loses).unwrap_err();
    assert_eq!(stop.held[0].interlock.id(), "twin-read", "{stop:?}");
    assert!(stop.evidence[0].1.contains("A15"), "{stop:?}");
    assert!(small.replaced().is_empty());
    small.mock().set_faults(Faults::none());
    small.restore().unwrap();
    small.check_done(&small.found);
}
