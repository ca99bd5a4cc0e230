//! Power cuts, and the write-ahead monitor.

use super::super::{Fault, Faults, Torn};
use super::*;

/// A chip with `old` in its second sector, and a cut at operation 2.
fn desk(torn: Torn, seed: u64) -> Desk {
    let desk = Desk::with(w25q128jv());
    desk.mock
        .set_truth(0x1000, &prime_pattern(0, 4096))
        .unwrap();
    let cut = Fault::PowerCut {
        at_operation: 2,
        torn,
    };
    desk.mock.set_faults(Faults::seeded(seed).with(cut));
    desk
}

/// Writes at 0 whole, then is cut in `frame`.
fn cut_in(desk: &mut Desk, frame: &[u8]) {
    desk.write(&Desk::frame(0x02, 0, &[0]));
    desk.read(&[0x06], 0);
    for _ in 0..3 {
        let error = desk.send(frame, 0).unwrap_err();
        assert!(matches!(error, LinkError::PowerCut { cut: 2 }), "{error}");
    }
    assert_eq!(desk.mock.modifying_operations(), 2);
}

#[test]
fn a_cut_erase_is_torn_as_asked() {
    let old = prime_pattern(0, 4096);
    for torn in Torn::ALL {
        let mut desk = desk(torn, 5);
        cut_in(&mut desk, &Desk::frame(0x20, 0x1000, &[]));
        let cells = desk.mock.truth(0x1000..0x2000);
        let whole = cells == [0xFF; 4096];
        match torn {
            Torn::NotStarted => assert_eq!(cells, old),
            Torn::Unstable | Torn::StillBusy | Torn::Done => assert!(whole),
            Torn::Prefix => {
                let done = cells.iter().take_while(|c| **c == 0xFF).count();
                assert!(done > 0 && done < 4096);
                assert_eq!(cells[done + 1..], old[done + 1..]);
            }
            Torn::RandomBits => {
                assert!(!whole && cells != old);
                // Erasing only raises bits.
                assert!(cells.iter().zip(&old).all(|(new, old)| new & old == *old));
            }
        }
        desk.mock.power_up();
        let status = desk.status();
        assert_eq!(
            status,
            if torn == Torn::StillBusy { 0x03 } else { 0x00 },
            "{torn:?}"
        );
    }
}

#[test]
fn a_cut_program_is_torn_as_asked() {
    let page = [0x0F; 256];
    for torn in Torn::ALL {
        let mut desk = desk(torn, 11);
        cut_in(&mut desk, &Desk::frame(0x02, 0x8000, &page));
        let cells = desk.mock.truth(0x8000..0x8100);
        let done = cells.iter().filter(|cell| **cell == 0x0F).count();
        let blank = cells.iter().filter(|cell| **cell == 0xFF).count();
        match torn {
            Torn::NotStarted => assert_eq!(blank, 256),
            Torn::Unstable | Torn::StillBusy | Torn::Done => assert_eq!(done, 256),
            Torn::Prefix => assert!(done > 0 && done + blank == 256 && cells[255] == 0xFF),
            Torn::RandomBits => {
                assert!(done + blank < 256);
                assert!(cells.iter().all(|cell| cell & 0x0F == 0x0F));
            }
        }
    }
}

#[test]
fn unstable_cells_read_differently_until_erased() {
    let mut desk = desk(Torn::Unstable, 5);
    cut_in(&mut desk, &Desk::frame(0x20, 0x1000, &[]));
    desk.mock.power_up();
    let read = |desk: &mut Desk| desk.read(&[0x03, 0, 0x10, 0], 4096);
    assert_ne!(read(&mut desk), read(&mut desk));
    desk.write(&Desk::frame(0x20, 0x1000, &[]));
    assert_eq!(read(&mut desk), [0xFF; 4096]);
    assert_eq!(read(&mut desk), [0xFF; 4096]);
}

#[test]
fn what_is_done_is_steady_and_nothing_follows_it() {
    let mut desk = desk(Torn::Done, 5);
    desk.write(&Desk::frame(0x02, 0, &[0]));
    desk.read(&[0x06], 0);
    let erase = Desk::frame(0x20, 0x1000, &[]);
    let mut status = [0xA5];
    let after = Frame::new(vec![Segment::Out(&[0x05]), Segment::In(&mut status)]);
    let mut batch = [
        Frame::new(vec![Segment::Out(&erase)]),
        after.after(Duration::from_micros(1)),
    ];
    let error = desk.link.transfer(&mut batch, desk.sck).unwrap_err();
    assert!(matches!(error, LinkError::PowerCut { cut: 2 }), "{error}");
    assert_eq!(status, [0xA5]);
    desk.mock.power_up();
    for _ in 0..3 {
        assert_eq!(desk.read(&[0x03, 0, 0x10, 0], 4096), [0xFF; 4096]);
    }
}

#[test]
fn a_cut_replays_alone_by_its_number() {
    let cells = |seed| {
        let mut desk = desk(Torn::RandomBits, seed);
        cut_in(&mut desk, &Desk::frame(0x20, 0x1000, &[]));
        desk.mock.truth(0x1000..0x2000)
    };
    assert_eq!(cells(1), cells(1));
    assert_ne!(cells(1), cells(2));
}

#[test]
fn a_fork_goes_on_from_the_same_moment_alone() {
    let mut desk = Desk::with(w25q128jv());
    desk.mock.set_truth(0, &prime_pattern(0, 16)).unwrap();
    desk.read(&[0x06], 0);
    desk.read(&Desk::frame(0x20, 0x1000, &[]), 0);
    let fork = desk.mock.fork().unwrap();
    let mut other = Desk {
        link: fork.link(),
        mock: fork,
        sck: desk.sck,
    };
    let facts = |mock: &Mock| (mock.now(), mock.counters(), mock.modifying_operations());
    assert_eq!(facts(&other.mock), facts(&desk.mock));
    // Both find the chip as busy, and for as long.
    assert_eq!((desk.status(), other.status()), (0x03, 0x03));
    other.link.wait(Duration::from_millis(400));
    assert_eq!((desk.status(), other.status()), (0x03, 0x00));
    other.write(&Desk::frame(0x20, 0, &[]));
    assert_eq!(other.mock.truth(0..16), [0xFF; 16]);
    assert!(desk.mock.holds(0, &prime_pattern(0, 16)) && !other.mock.holds(0, &[0]));
    other.mock.monitor().uncover(0..u32::MAX);
    assert!(desk.mock.monitor().covers(&(0..4096)));
    other
        .mock
        .set_faults(Faults::none().with(Fault::LyingId { bytes: vec![1] }));
    desk.link.wait(Duration::from_millis(400));
    assert_eq!(desk.read(&[0x9F], 1), [0xEF]);
    assert_eq!(desk.mock.modifying_operations(), 1);
}

#[test]
fn the_monitor_refuses_what_was_not_announced() {
    let mock = Mock::new(w25q128jv());
    let sck = Hertz::mhz(10);
    let mut desk = Desk {
        link: mock.link(),
        mock,
        sck,
    };
    let monitor = desk.mock.monitor();
    desk.mock.set_truth(0x1000, &[0; 2]).unwrap();
    monitor.cover(0x1000..0x1080);
    desk.read(&[0x06], 0);
    assert!(
        desk.forbidden(&Desk::frame(0x20, 0x1000, &[]))
            .contains("durable record")
    );
    assert!(
        desk.forbidden(&Desk::frame(0x02, 0x107F, &[0, 0]))
            .contains("0x00107F")
    );
    assert!(desk.forbidden(&[0xC7]).contains("durable record"));
    assert_eq!(
        (monitor.violations(), desk.mock.modifying_operations()),
        (3, 0)
    );
    assert_eq!(desk.mock.truth(0x1000..0x1002), [0, 0]);
    desk.read(&Desk::frame(0x02, 0x107E, &[0, 0]), 0);
    monitor.cover(0x1080..0x2000);
    desk.link.wait(Duration::from_millis(4));
    desk.write(&Desk::frame(0x20, 0x1000, &[]));
    assert_eq!(desk.mock.truth(0x1000..0x1002), [0xFF, 0xFF]);
    monitor.uncover(0x1000..0x2000);
    desk.read(&[0x06], 0);
    desk.forbidden(&Desk::frame(0x20, 0x1000, &[]));
    assert_eq!(monitor.violations(), 4);
}
