//! Pages programmed on four lanes: when, in which form, and what becomes of a write whose lines fail.

use norlock::interlock::Acceptable;
use norlock::jedec::{Hertz, LaneProgram, Lanes};
use norlock::job::{self, Exit, Nobody, Stop, WriteReport};
use norlock::link::{Frame, Limits, Link, Segment, Sent};
use norlock::mock::{Fault, Faults, Mock, Times, Torn};
use norlock::part::Catalogue;
use norlock::unit::store::Store;

use crate::lanes::lanes_are_right;
use crate::small::When;
use crate::station::{Station, code, content, part};

/// Chips of 1 MiB: 32h as W25Q128JV Rev. I has it in 8.1.2, QE in 35h; and 38h, from memory, QE in 05h.
const PARTS: &str = r#"
maker = "Harbour"

[[part]]
name = "HB25Q080"
markings = ["HB25Q080"]
jedec_id = [0xEF, 0x7A, 0x14]
size_bytes = 1048576
supply_mv = [2700, 3600]
page_size_bytes = 256
page_program_us = [700, 3000]
erase = [
  { size_bytes = 4096, opcode = 0x20, time_ms = [45, 300] },
  { size_bytes = 65536, opcode = 0xD8, time_ms = [150, 1000] },
]
status_write_us = [10000, 15000]
sck_max = [{ opcode = 0x03, mhz = 50 }, { opcode = 0x0B, mhz = 104 }, { opcode = 0x3B, mhz = 104 }, { opcode = 0x6B, mhz = 104 }, { opcode = 0xEB, mhz = 104 }]
quad_program = 0x32
status = "winbond"
sfdp = true
unique_id = { opcode = 0x4B, dummy_bytes = 4, length_bytes = 8 }
source = { title = "made up for this test", revision = "1", place = "here" }
memory = []
"#;

/// The part with these texts changed.
fn made(changes: &[(&str, &str)]) -> String {
    changes.iter().fold(PARTS.to_owned(), |text, (from, to)| {
        assert!(text.contains(from), "{from}");
        text.replace(from, to)
    })
}

/// The one whose address goes on four lanes, and whose QE is in status register 1.
const ADDRESS_ON_FOUR: [(&str, &str); 4] = [
    ("[0xEF, 0x7A", "[0xC2, 0x7A"),
    ("\"winbond\"", "\"macronix\""),
    ("quad_program = 0x32", "quad_program = 0x38"),
    (", { opcode = 0x6B, mhz = 104 }", ""),
];

const QE_IN_35: Fault = Fault::RegisterBits {
    register: 0x35,
    bits: 0x02,
};
const QE_IN_05: Fault = Fault::Protected { status_1: 0x40 };

/// A station with a backup, a map and a target, on so many lanes.
fn ready(parts: &str, lanes: u8, faults: &[Fault]) -> Station {
    let catalogue = Catalogue::builtin().unwrap();
    let catalogue = catalogue.with_user_file(parts, "harbour.toml").unwrap();
    let mock = Mock::new(part(&catalogue, "HB25Q080"));
    mock.set_truth(0, &content(21, 1 << 20)).unwrap();
    mock.set_times(Times::Typical);
    let station = Station {
        mock,
        catalogue,
        marking: Some("HB25Q080".into()),
        ..Station::new(21)
    };
    wire(&station, lanes, faults);
    station.backup().unwrap();
    station.map();
    station.tailor(1021);
    station.trace.lock().unwrap().clear();
    station
}

fn wire(station: &Station, lanes: u8, faults: &[Fault]) {
    let limits = station.mock.link().limits();
    let (out, into) = (lanes, lanes);
    let lanes = Lanes { out, into };
    station.mock.set_limits(Limits { lanes, ..limits });
    let all = faults.iter().cloned();
    station
        .mock
        .set_faults(all.fold(Faults::seeded(1), Faults::with));
}

/// Opcodes that programmed, each in the form that it has: the address on the lanes of the opcode.
fn programs(station: &Station) -> Vec<u8> {
    let trace = station.trace.lock().unwrap();
    let is = |sent: &&Sent| [0x02, 0x12, 0x32, 0x34, 0x38, 0x3E].contains(&sent.out[0]);
    let mut codes = Vec::new();
    for sent in trace.iter().filter(is) {
        let (lanes, on_one) = match sent.out[0] {
            0x32 => (LaneProgram::LANES, 4),
            0x34 => (LaneProgram::LANES, 5),
            0x38 | 0x3E => (LaneProgram::LANES, 1),
            _ => (Lanes::ONE, sent.on_one),
        };
        assert_eq!(
            (sent.lanes, sent.on_one),
            (lanes, on_one),
            "{}",
            sent.line()
        );
        codes.push(sent.out[0]);
    }
    codes.sort_unstable();
    codes.dedup();
    codes
}

fn lanes(report: &WriteReport) -> &str {
    report.lanes.as_deref().unwrap_or_default()
}

/// Written, and back again.
fn there_and_back(station: &Station) -> (WriteReport, Vec<u8>) {
    let found = station.cells();
    let written = station.write().unwrap();
    assert!(station.cells() == station.image("target.bin"));
    let codes = programs(station);
    station.trace.lock().unwrap().clear();
    station.restore(1).unwrap();
    assert!(station.cells() == found);
    assert_eq!(programs(station), codes);
    (written, codes)
}

#[test]
fn pages_go_on_four_lanes_in_the_part_s_own_form() {
    let (report, codes) = there_and_back(&ready(PARTS, 4, &[QE_IN_35]));
    assert_eq!(codes, [0x32]);
    assert_eq!(
        lanes(&report),
        "4: 6Bh reads what 03h does in 65536 bytes; programs on 4 by 32h"
    );
    let (report, codes) = there_and_back(&ready(&made(&ADDRESS_ON_FOUR), 4, &[QE_IN_05]));
    assert_eq!(codes, [0x38]);
    assert!(
        lanes(&report).ends_with("; programs on 4 by 38h"),
        "{report:?}"
    );
}

/// With four address bytes: 34h, on both sides of 16 MiB.
#[test]
fn pages_above_16_mib_go_on_four_lanes() {
    const SIZE: usize = 32 << 20;
    let mut station = Station {
        marking: Some("25Q256JV".into()),
        accepted: vec![(Acceptable::NoUnitData, "none on this board".into())],
        ..Station::with_part("W25Q256JV", 5)
    };
    station.supply_read();
    station.mock.set_limits(Limits {
        batch_out_bytes: 1 << 20,
        batch_in_bytes: 1 << 20,
        ..station.mock.link().limits()
    });
    wire(&station, 4, &[QE_IN_35]);
    station.backup().unwrap();
    let map = format!(
        "size = {SIZE}\n[[region]]\nname = \"all\"\nstart = 0\nend = {SIZE}\nholds = \"replaceable\"\n"
    );
    let (folder, target) = (&station.folder, station.cells());
    let mut target = target;
    for at in [0x3000, SIZE / 2 - 4096, SIZE / 2, SIZE - 0x2000] {
        target[at..at + 300].copy_from_slice(&code(at as u64, 300));
    }
    let files = &station.files;
    files
        .replace(&folder.join("regions.toml"), map.as_bytes())
        .unwrap();
    files.replace(&folder.join("target.bin"), &target).unwrap();
    station.trace.lock().unwrap().clear();
    let report = station.write().unwrap();
    assert!(station.cells() == target);
    assert_eq!(programs(&station), [0x34]);
    assert!(
        lanes(&report).ends_with("; programs on 4 by 32h"),
        "{report:?}"
    );
}

/// What has to be there, one by one; without it a page goes on one lane as ever.
#[test]
fn without_any_of_it_pages_go_on_one_lane() {
    let no_wide_read = made(&[(", { opcode = 0xEB, mhz = 104 }", "")]);
    let not_told = made(&[("quad_program = 0x32\n", "")]);
    let from_memory = made(&[("memory = []", "memory = [\"quad_program\"]")]);
    let rows: [(&str, u8, &[Fault], &str); 7] = [
        (PARTS, 1, &[QE_IN_35], ""),
        (
            PARTS,
            2,
            &[QE_IN_35],
            "2: 3Bh reads what 03h does in 65536 bytes",
        ),
        (
            PARTS,
            4,
            &[],
            "2: 3Bh reads what 03h does in 65536 bytes; QE is 0 and is left so",
        ),
        (
            &no_wide_read,
            4,
            &[QE_IN_35],
            "4: 6Bh reads what 03h does in 65536 bytes",
        ),
        (
            &not_told,
            4,
            &[QE_IN_35],
            "4: 6Bh reads what 03h does in 65536 bytes",
        ),
        (
            &from_memory,
            4,
            &[QE_IN_35],
            "4: 6Bh reads what 03h does in 65536 bytes",
        ),
        // MISO carries inwards alone, which only an address over it shows.
        (
            PARTS,
            4,
            &[QE_IN_35, Fault::Lane { line: 1 }],
            "4: 6Bh reads what 03h does in 65536 bytes; programs on one: EBh differs from 03h in ",
        ),
    ];
    for (parts, lanes_wired, faults, told) in rows {
        let station = ready(parts, lanes_wired, faults);
        let report = station.write().unwrap();
        assert!(station.cells() == station.image("target.bin"));
        assert_eq!(programs(&station), [0x02], "{told}");
        let said = lanes(&report);
        assert!(said.starts_with(told), "{said}");
        assert!(
            told.is_empty() == said.is_empty() && (told.ends_with(' ') || told == said),
            "{said}"
        );
    }
}

/// A write whose line is lost when it begins; `faults` from then on.
fn fails(station: &Station, faults: &[Fault]) -> Stop {
    let all = [&[QE_IN_35][..], faults].concat();
    let mut attendant = When::begins("writing", || {
        let all = all.iter().cloned();
        station
            .mock
            .set_faults(all.fold(Faults::seeded(1), Faults::with));
    });
    job::write(
        &mut station.unit(),
        station.order(),
        station.bench(),
        &mut attendant,
    )
    .unwrap_err()
}

/// A line that is lost after all was proven: the first block does not read back, nothing more is begun, one lane is
/// named, and the same command on one lane finishes the write. The unit's own data are never touched.
#[test]
fn a_line_that_is_lost_meanwhile_is_told_and_one_lane_finishes() {
    for line in [1, 2, 3] {
        let station = ready(PARTS, 4, &[QE_IN_35]);
        let found = station.cells();
        let stop = fails(&station, &[Fault::Lane { line }]);
        assert!(stop.headline.contains("does not read back"), "{stop:?}");
        assert_eq!(stop.exit, Exit::Unfinished);
        let said = format!("{:?}", stop.evidence);
        assert!(said.contains("try --lanes 1"), "{said}");
        assert!(said.contains("programmed, not read back"), "{said}");
        assert!(said.contains("0 read back, 1 in hand"), "{said}");
        assert_eq!(programs(&station), [0x32]);
        let differ = station.cells();
        let changed = (0..256).filter(|block| {
            let block = block * 4096..(block + 1) * 4096;
            differ[block.clone()] != found[block]
        });
        assert!(changed.count() <= 16, "line {line}");
        assert!(differ[0xE_0000..] == found[0xE_0000..]);
        // The line stays lost; on one lane it has no part.
        wire(&station, 1, &[QE_IN_35, Fault::Lane { line }]);
        station.trace.lock().unwrap().clear();
        let report = station.write().unwrap();
        assert!(report.resumed);
        assert_eq!(programs(&station), [0x02]);
        assert!(station.cells() == station.image("target.bin"));
    }
}

/// QE that is gone meanwhile, as where the supply dipped and it was volatile: the chip ignores the pages, and the block
/// does not read back.
#[test]
fn qe_that_is_gone_meanwhile_is_noticed() {
    let station = ready(PARTS, 4, &[QE_IN_35]);
    let clear = || {
        let frames: [&[u8]; 2] = [&[0x50], &[0x31, 0x00]];
        for out in frames {
            let frame = Frame::new(vec![Segment::Out(out)]);
            let mut link = station.mock.link();
            link.transfer(&mut [frame], Hertz::mhz(1)).unwrap();
        }
    };
    let mut attendant = When::begins("writing", clear);
    let stop = job::write(
        &mut station.unit(),
        station.order(),
        station.bench(),
        &mut attendant,
    )
    .unwrap_err();
    assert!(stop.headline.contains("does not read back"), "{stop:?}");
    wire(&station, 4, &[]);
    assert!(station.write().unwrap().resumed);
    assert!(station.cells() == station.image("target.bin"));
}

/// The supply fails at one operation after the other, and each time the same command finishes.
#[test]
fn a_write_on_four_lanes_goes_on_after_each_cut() {
    let station = ready(PARTS, 4, &[QE_IN_35]);
    let target = station.image("target.bin");
    let mut cuts = 0;
    // Few at once: pages of the first blocks, then ever further.
    for ahead in [1, 2, 3, 17, 40, 300, 700] {
        let at_operation = station.mock.modifying_operations() + ahead;
        let torn = Torn::Prefix;
        let cut = Fault::PowerCut { at_operation, torn };
        wire(&station, 4, &[QE_IN_35, cut]);
        match station.write() {
            Err(stop) => assert_eq!(stop.exit, Exit::Unfinished, "{stop:?}"),
            Ok(_) => break,
        }
        cuts += 1;
        station.mock.power_up();
    }
    assert!(cuts > 4, "{cuts}");
    wire(&station, 4, &[QE_IN_35]);
    station.trace.lock().unwrap().clear();
    station.write().unwrap();
    assert!(station.cells() == target);
    assert!([&[0x32][..], &[]].contains(&&programs(&station)[..]));
}

/// What it saves, on the virtual clock: 256 bytes are 2048 clocks on one lane and 512 on four, at half of the SCK that is
/// proven. The model of the write says as much beforehand.
#[test]
fn the_model_knows_what_four_lanes_save() {
    let run = |parts: &str, lanes: u8, mhz: u32| {
        let mut station = ready(parts, lanes, &[QE_IN_35]);
        station.sck = Hertz::mhz(mhz);
        let report = station.write().unwrap();
        let (time, modelled) = (report.time.as_secs_f64(), report.modelled.as_secs_f64());
        assert!((time / modelled - 1.0).abs() < 0.15, "{time} {modelled}");
        let floor = (report.floor + report.proof_floor).as_secs_f64();
        assert!(floor < time, "{floor} {time}");
        (time, modelled)
    };
    let without = made(&[("quad_program = 0x32\n", "")]);
    for mhz in [10, 20, 50] {
        let (one, _) = run(PARTS, 1, mhz);
        let (reads, reads_modelled) = run(&without, 4, mhz);
        let (all, all_modelled) = run(PARTS, 4, mhz);
        let saved = (reads - all) / one;
        let told = (reads_modelled - all_modelled) / one;
        println!(
            "{mhz} MHz: one lane {one:.2} s, reads on four {:.1} %, programs too {:.1} %",
            reads / one * 100.0,
            all / one * 100.0
        );
        assert!(saved > 0.0 && saved < 0.15, "{saved}");
        assert!((saved - told).abs() < 0.01, "{saved} {told}");
    }
}

/// Nothing that reads has any of it.
#[test]
fn reading_jobs_program_nothing_on_four_lanes() {
    let station = ready(PARTS, 4, &[QE_IN_35]);
    station.backup().unwrap();
    let image = station
        .files
        .open(&station.folder.join("as-found.bin"))
        .unwrap();
    let order = job::VerifyOrder::whole(image.as_ref(), 3);
    job::verify(&order, None, station.bench(), &mut Nobody).unwrap();
    let trace = station.trace.lock().unwrap();
    assert!(trace.iter().any(|sent| sent.out[0] == 0x6B));
    for sent in trace.iter() {
        assert!(
            lanes_are_right(sent) && sent.lanes.out == 1,
            "{}",
            sent.line()
        );
    }
}
