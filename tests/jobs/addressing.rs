//! Whole jobs above 16 MiB, by each way of addressing: written, killed, gone on with, undone; and the
//! address state as it was first found.
//!
//! What a chip does with each way: W25Q256JV Rev. I, 7.2 and 8.1.4; S25FL512S 001-98284, bank address
//! register. What a kill leaves is the fault model of `norlock::mock::Torn`.

use std::path::{Path, PathBuf};

use norlock::chip::AddressingFound;
use norlock::interlock::Acceptable;
use norlock::jedec::{Hertz, Lanes};
use norlock::job::{
    self, Attendant, Exit, Nobody, RestoreOrder, Stop, Task, WriteOrder, WriteReport,
};
use norlock::link::{Frame, Limits, Link, Segment};
use norlock::mock::{Fault, Faults, Mock, Torn};
use norlock::part::Catalogue;
use norlock::unit::journal::Journal;
use norlock::unit::store::{SimulatedStore, Store};

use crate::station::{Station, code, part};

const SIZE: usize = 32 << 20;
const SEGMENT: usize = 16 << 20;
const TARGET: &str = "/bench/target.bin";
/// Blocks that the target changes: on both sides of 16 MiB, and at both ends.
const CHANGED: [usize; 4] = [0x3000, SEGMENT - 4096, SEGMENT, SIZE - 0x2000];

/// A way to address, as a parts file has it; what it reads and sets the state by.
struct Way {
    by: &'static str,
    words: &'static str,
    /// Asks the chip for its state, and the bits of the answer.
    ask: (u8, u8),
    /// States that a chip can be found in, and the frames that bring it there.
    states: [(u8, &'static [&'static [u8]]); 2],
    found: [AddressingFound; 2],
}

const WAYS: [Way; 5] = [
    Way {
        by: r#"{ by = "dedicated", opcodes = [0x0C, 0x12, 0x13, 0x21, 0xDC] }, { by = "mode", enter = 0xB7, exit = 0xE9 }"#,
        words: "4 address bytes by opcode",
        ask: (0x15, 1),
        states: [(0, &[]), (1, &[&[0xB7]])],
        // The mode is not asked for where nothing depends on it.
        found: [AddressingFound::ThreeByte; 2],
    },
    Way {
        by: r#"{ by = "mode", enter = 0xB7, exit = 0xE9 }"#,
        words: "4 address bytes by mode",
        ask: (0x15, 1),
        states: [(0, &[]), (1, &[&[0xB7]])],
        found: [AddressingFound::ThreeByte, AddressingFound::FourByte],
    },
    Way {
        by: r#"{ by = "extended-register" }"#,
        words: "3 address bytes and extended register",
        ask: (0xC8, 0xFF),
        states: [(0, &[]), (1, &[&[0x06], &[0xC5, 1], &[0x04]])],
        found: [AddressingFound::Register(0), AddressingFound::Register(1)],
    },
    Way {
        by: r#"{ by = "bank-register", extadd = false }"#,
        words: "3 address bytes and bank register",
        ask: (0x16, 0xFF),
        states: [(0, &[]), (1, &[&[0x17, 1]])],
        found: [AddressingFound::Register(0), AddressingFound::Register(1)],
    },
    Way {
        by: r#"{ by = "bank-register" }"#,
        words: "4 address bytes by bank register",
        ask: (0x16, 0xFF),
        states: [(0, &[]), (0x80, &[&[0x17, 0x80]])],
        found: [
            AddressingFound::Register(0),
            AddressingFound::Register(0x80),
        ],
    },
];

struct Large {
    station: Station,
    found: Vec<u8>,
    target: Vec<u8>,
}

impl Large {
    /// A unit with a backup and a map, on a chip that has only this way. Four blocks are to be changed:
    /// each one erase and one page.
    fn ready(way: &Way) -> Self {
        let erase_4byte = if way.by.contains("dedicated") {
            ", opcode_4byte = 0x21"
        } else {
            ""
        };
        let parts = format!(
            r#"
maker = "Harbour"

[[part]]
name = "HB25Q257"
markings = ["HB25Q257"]
jedec_id = [0xEF, 0x7A, 0x19]
size_bytes = {SIZE}
supply_mv = [2700, 3600]
page_size_bytes = 256
page_program_us = [800, 3000]
erase = [{{ size_bytes = 4096, opcode = 0x20, time_ms = [45, 300]{erase_4byte} }}]
status_write_us = [10000, 15000]
sck_max = [{{ opcode = 0x03, mhz = 50 }}, {{ opcode = 0x0B, mhz = 104 }}]
four_byte = [{}]
status = "winbond"
sfdp = false
unique_id = {{ opcode = 0x4B, dummy_bytes = 4, length_bytes = 8 }}
source = {{ title = "made up for this test", revision = "1", place = "here" }}
memory = []
"#,
            way.by
        );
        let catalogue = Catalogue::builtin().unwrap();
        let catalogue = catalogue.with_user_file(&parts, "harbour.toml").unwrap();
        let mock = Mock::new(part(&catalogue, "HB25Q257"));
        // Few messages, so that a test is short.
        let batch = 1 << 20;
        mock.set_limits(Limits {
            batch_out_bytes: batch,
            batch_in_bytes: batch,
            segment_align_bytes: 1,
            batch_segments: 511,
            sck_max: Hertz::mhz(50),
            sck_min: Hertz(1_000),
            lanes: Lanes::ONE,
        });
        let files = SimulatedStore::new();
        files.create_folder(Path::new("/bench")).unwrap();
        let (found, target) = contents();
        mock.set_truth(0, &found).unwrap();
        files.replace(Path::new(TARGET), &target).unwrap();
        let station = Station {
            mock,
            files,
            catalogue,
            folder: PathBuf::from("/bench/gauge-07"),
            supply: None,
            marking: Some("HB25Q257".into()),
            sck: Hertz::mhz(20),
            accepted: vec![(Acceptable::NoUnitData, "none on this board".into())],
            sync: std::time::Duration::from_millis(5),
            real_time: false,
            trace: std::sync::Arc::default(),
        };
        station.backup().unwrap();
        let map = station.folder.join("regions.toml");
        let whole = format!(
            "size = {SIZE}\n[[region]]\nname = \"all\"\nstart = 0\nend = {SIZE}\nholds = \"replaceable\"\n"
        );
        station.files.replace(&map, whole.as_bytes()).unwrap();
        Self {
            station,
            found,
            target,
        }
    }

    fn write(&self) -> Result<WriteReport, Stop> {
        self.write_attended(&mut Nobody)
    }

    fn write_attended(&self, attendant: &mut dyn Attendant) -> Result<WriteReport, Stop> {
        let order = WriteOrder {
            target: self.station.files.open(Path::new(TARGET)).unwrap(),
            target_name: "target.bin".into(),
            offline: self.station.paper(),
            lift_protection: false,
        };
        let station = &self.station;
        job::write(&mut station.unit(), order, station.bench(), attendant)
    }

    fn restore(&self) -> Result<WriteReport, Stop> {
        let order = RestoreOrder {
            to: 1,
            offline: self.station.paper(),
            ..RestoreOrder::default()
        };
        let station = &self.station;
        job::restore(&mut station.unit(), &order, station.bench(), &mut Nobody)
    }

    fn tell(&self, frames: &[&[u8]]) {
        let mut link = self.station.mock.link();
        for out in frames {
            let frame = Frame::new(vec![Segment::Out(out)]);
            link.transfer(&mut [frame], Hertz::mhz(1)).unwrap();
        }
    }

    fn state(&self, way: &Way) -> u8 {
        let mut answer = [0];
        let ask = [way.ask.0];
        let frame = Frame::new(vec![Segment::Out(&ask), Segment::In(&mut answer)]);
        let mut link = self.station.mock.link();
        link.transfer(&mut [frame], Hertz::mhz(1)).unwrap();
        answer[0] & way.ask.1
    }

    /// Kills the run at the operation so many from now; the chip stays powered.
    fn kill_at(&self, ahead: u64) {
        let at_operation = self.station.mock.modifying_operations() + ahead;
        let torn = Torn::StillBusy;
        let cut = Fault::PowerCut { at_operation, torn };
        self.station
            .mock
            .set_faults(Faults::seeded(ahead).with(cut));
    }

    fn go_on(&self) {
        self.station.mock.set_faults(Faults::none());
        self.station.mock.power_up();
        self.station.mock.monitor().uncover(0..u32::MAX);
    }

    fn header(&self) -> norlock::unit::journal::Header {
        let unfinished = Journal::find_unfinished(&self.station.unit()).unwrap();
        unfinished.unwrap().contents.unwrap().header
    }

    /// Bytes outside the blocks that were to change are as found.
    #[track_caller]
    fn check_nothing_else(&self, what: &str) {
        let cells = self.station.cells();
        let mut from = 0;
        for block in CHANGED {
            assert!(cells[from..block] == self.found[from..block], "{what}");
            from = block + 4096;
        }
        assert!(cells[from..] == self.found[from..], "{what}");
        assert_eq!(self.station.mock.monitor().violations(), 0);
    }
}

/// Mostly blank; what the segments hold at the same places differs.
fn contents() -> (Vec<u8>, Vec<u8>) {
    let mut found = vec![0xFF; SIZE];
    for (at, seed) in [
        (0, 1),
        (0x40_0000, 2),
        (SEGMENT, 3),
        (SEGMENT + 0x40_0000, 4),
    ] {
        found[at..at + 0x1_0000].copy_from_slice(&code(seed, 0x1_0000));
    }
    for block in CHANGED {
        found[block..block + 200].copy_from_slice(&code(block as u64, 200));
    }
    let mut target = found.clone();
    for block in CHANGED {
        target[block..block + 4096].fill(0xFF);
        target[block..block + 250].copy_from_slice(&code(!(block as u64), 250));
    }
    (found, target)
}

#[test]
fn written_and_taken_back_by_every_way() {
    for way in &WAYS {
        let large = Large::ready(way);
        let station = &large.station;
        let id = job::id(None, station.bench(), &mut Nobody).unwrap();
        assert_eq!(id.addressing.as_deref(), Some(way.words));
        let (state, frames) = way.states[1];
        large.tell(frames);
        assert_eq!(large.write().unwrap().changed, 4, "{}", way.words);
        assert!(station.cells() == large.target, "{}", way.words);
        assert_eq!(large.state(way), state, "{}", way.words);
        large.restore().unwrap();
        assert!(station.cells() == large.found, "{}", way.words);
        assert_eq!(large.state(way), state, "{}", way.words);
    }
}

/// Killed at operations in both segments, with the chip left in another state than it was found in: the same
/// command goes on, or the restore goes back, and the chip is left as the *killed* run had found it.
#[test]
fn after_a_kill_the_state_first_found_comes_back() {
    let kills = [(8, 0, true), (1, 1, true), (4, 0, false), (8, 0, false)];
    assert_eq!(kills.len(), WAYS[1..].len());
    for (way, (operation, number, goes_on)) in WAYS[1..].iter().zip(kills) {
        let (state, frames) = way.states[number];
        let large = Large::ready(way);
        large.tell(frames);
        large.kill_at(operation);
        assert_eq!(large.write().unwrap_err().exit, Exit::Unfinished);
        large.go_on();
        // Else nothing was shown.
        assert_ne!(large.state(way), state, "{}", way.words);
        let header = large.header();
        assert_eq!(header.addressing, way.found[number], "{}", way.words);
        large.check_nothing_else(way.words);
        let holds = if goes_on {
            large.write().unwrap();
            &large.target
        } else {
            large.restore().unwrap();
            &large.found
        };
        assert!(large.station.cells() == *holds, "{}", way.words);
        assert_eq!(large.state(way), state, "{} {operation}", way.words);
    }
}

/// Puts faults on the bench when so many blocks above 16 MiB were taken in hand.
struct Above<'a> {
    mock: &'a Mock,
    blocks: u32,
    fault: fn(u64) -> Fault,
}

impl Attendant for Above<'_> {
    fn begins(&mut self, _task: &Task) {}
    fn at(&mut self, _done: u64, place: Option<&str>) {
        if place.is_some_and(|place| place.starts_with("0x01")) && self.blocks > 0 {
            self.blocks -= 1;
            if self.blocks == 0 {
                let next = self.mock.counters().batches + 1;
                let faults = Faults::seeded(1).with((self.fault)(next));
                self.mock.set_faults(faults);
            }
        }
    }
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        false
    }
}

/// The register or mode is lost between two blocks, by a dip of the supply or because the chip does not
/// hear it set: no erase or program goes to the other segment, and the same command goes on.
#[test]
fn a_wrong_segment_is_noticed_before_anything_is_damaged() {
    let dips: fn(u64) -> Fault = |at_batch| Fault::Dip { at_batch };
    let silent: fn(u64) -> Fault = |from_batch| Fault::SilentRegister {
        from_batch,
        batches: None,
    };
    let cases = [
        (&WAYS[1], 2, dips),
        (&WAYS[2], 2, dips),
        (&WAYS[4], 2, dips),
        (&WAYS[3], 1, silent),
    ];
    for (way, blocks, fault) in cases {
        let large = Large::ready(way);
        let mock = &large.station.mock;
        let mut above = Above {
            mock,
            blocks,
            fault,
        };
        let stop = large.write_attended(&mut above).unwrap_err();
        assert_eq!(stop.exit, Exit::Unfinished, "{stop}");
        let wanted = if way.words.contains("by mode") {
            "address bytes"
        } else {
            "address register"
        };
        assert!(stop.headline.contains(wanted), "{stop}");
        large.check_nothing_else(way.words);
        mock.set_faults(Faults::none());
        large.write().unwrap();
        assert!(large.station.cells() == large.target, "{}", way.words);
    }
}
