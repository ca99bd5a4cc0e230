//! Each interlock, held for each of its reasons.

use std::fmt::Write;

use super::{held, held_by};
use crate::interlock::{
    Acceptances, Attestation, Contact, Interlock, Kept, MarkingSays, OffendingChange,
    OfflineEvidence, OfflineProblem, Panel, Power, Sameness, Unexplained,
};
use crate::jedec::Millivolts;
use crate::jedec::status::{Protection, StatusLock};
use crate::link::HostFlash;
use crate::part::{Catalogue, SupplyRange};

const LOW: SupplyRange = SupplyRange {
    min: Millivolts(1650),
    max: Millivolts(1950),
    from_memory: false,
};
const HIGH: SupplyRange = SupplyRange {
    min: Millivolts(2700),
    max: Millivolts(3600),
    from_memory: true,
};
const LEVEL: Option<Millivolts> = Some(Millivolts(3300));

pub fn told() -> String {
    let groups = [
        before_the_first_clock(),
        supply(),
        before_anything_is_sent(),
        unit_data(),
        on_the_bus(),
        same_unit(),
        writable(),
        reads(),
        last(),
    ];
    let mut text = String::new();
    for screen in groups.iter().flatten() {
        writeln!(text, "{screen}").unwrap();
    }
    text
}

fn before_the_first_clock() -> Vec<String> {
    let host =
        |host: HostFlash, chosen, writes| held(|panel| panel.not_the_host(&host, chosen, writes));
    let attested = |said: &Attestation, level| held(|panel| panel.bench_attested(said, level));
    let said = Attestation {
        power: Some(Power::Clip),
        ..Attestation::default()
    };
    let denied = Attestation {
        denied: vec!["Clip square, pin 1 at the dot?".into()],
        ..said.clone()
    };
    vec![
        held(|panel| panel.sole_user(Some("/dev/spidev0.0"))),
        host(
            HostFlash::Yes("the device tree says that this computer boots from it".into()),
            true,
            false,
        ),
        host(
            HostFlash::No("a node of the pin header".into()),
            false,
            true,
        ),
        host(
            HostFlash::Unknown("the device tree does not say what is behind it".into()),
            true,
            true,
        ),
        attested(&Attestation::default(), LEVEL),
        attested(&denied, LEVEL),
        attested(&said, Some(Millivolts(1800))),
        attested(&said, LEVEL),
    ]
}

fn supply() -> Vec<String> {
    let says = |supply| MarkingSays {
        candidates: vec!["W25Q128JW".into()],
        supply,
    };
    let level = |level, says: Option<&MarkingSays>, read| {
        let marking = Some("25Q128JWSQ");
        held(|panel| panel.supply_level(level, marking, says, read))
    };
    vec![
        level(None, None, None),
        level(LEVEL, None, None),
        level(LEVEL, None, Some(LOW)),
        held(|panel| panel.supply_level(LEVEL, None, None, None)),
        level(LEVEL, Some(&says(None)), None),
        level(LEVEL, Some(&says(Some(LOW))), None),
        level(LEVEL, Some(&says(Some(HIGH))), None),
        level(LEVEL, Some(&says(Some(HIGH))), Some(LOW)),
        held(|panel| panel.host_under_voltage("in0_lcrit_alarm".into())),
        held(|panel| panel.supply_level_of_part(LEVEL, "W25Q128JW", LOW)),
    ]
}

fn before_anything_is_sent() -> Vec<String> {
    let offline = |problem: OfflineProblem| {
        let evidence = OfflineEvidence {
            backup: "as-found.bin".into(),
            result: Err(problem),
        };
        held(|panel| panel.offline_hash(&[evidence]))
    };
    let differs = OfflineProblem::Differs {
        given: "5c1f09e2 ...".into(),
        backup: "2d0de2a3 ...".into(),
    };
    vec![
        held(|panel| panel.image_fits(8 << 20, 16 << 20)),
        held(|panel| panel.map_fits(8 << 20, 16 << 20)),
        held(|panel| panel.target_spoilt("target.bin")),
        held(|panel| panel.target_guessed("survey-1")),
        held(|panel| panel.backup_intact(0, &[])),
        held(|panel| panel.backup_intact(1, &["as-found.bin is recorded and missing".into()])),
        held(|panel| panel.offline_hash(&[])),
        offline(OfflineProblem::Missing),
        offline(OfflineProblem::InUnitFolder(
            "gauge-07/as-found.sha256".into(),
        )),
        offline(OfflineProblem::SameDisk(
            "/home/harbour is on sda, as the unit folder".into(),
        )),
        offline(differs),
        offline(OfflineProblem::Unreadable(
            "/media/stick/as-found.bin is not there".into(),
        )),
    ]
}

fn unit_data() -> Vec<String> {
    let change = OffendingChange {
        range: 0xFC_0000..0xFC_0010,
        region: "calibration".into(),
    };
    let more = [change.clone(), change.clone()];
    vec![
        held(|panel| panel.unit_data_kept(None, &[])),
        held(|panel| panel.unit_data_kept(Some(true), std::slice::from_ref(&change))),
        held(|panel| panel.unit_data_kept(Some(true), &more)),
        held(|panel| panel.unit_data_kept(Some(false), &[])),
        held(|panel| {
            panel.shared_block(
                "the block at 0xFC0000 (64 KiB) is shared with unit data in 'calibration'",
            )
        }),
    ]
}

fn on_the_bus() -> Vec<String> {
    let contact = |id_same, sample_same, sign: Option<&str>| {
        let contact = Contact {
            id_reads: 200,
            id_same,
            sample_same,
            sign: sign.map(str::to_owned),
        };
        held(|panel| panel.contact(&contact))
    };
    let disagreements = ["size: 16 MiB by ID, 8 MiB by SFDP".to_owned()];
    let catalogue = Catalogue::builtin().unwrap();
    let refused = ["AT45DB081E", "AT45DB081", "45DB081"];
    let refused = refused
        .iter()
        .find_map(|text| catalogue.refused_by_marking(text));
    vec![
        contact(180, true, None),
        contact(200, false, None),
        contact(200, true, Some("MISO is high also while CS is high")),
        held(|panel| panel.known_part("W25Q128JV", None, &disagreements)),
        held(|panel| {
            panel.known_part(
                "JEDEC ID 7E 40 18",
                Some("the table does not know this chip."),
                &[],
            )
        }),
        held(|panel| panel.not_driven(refused.unwrap(), "marking 45DB081".into())),
        held(|panel| panel.size_in_doubt("SFDP says 8 MiB, the ID 16 MiB", Some("16 MiB"))),
        held(|panel| panel.size_in_doubt("nothing tells", None)),
    ]
}

fn same_unit() -> Vec<String> {
    let same = |sameness: Sameness| held(|panel| panel.same_unit("gauge-07", &sameness));
    let other = || Sameness::Id {
        kind: "unique ID",
        expected: "D1 64 5C 1B 0F 2A 33 07".into(),
        seen: "D1 64 5C 1B 0F 2A 99 42".into(),
    };
    let data = Sameness::UnitData {
        regions: vec!["calibration".into()],
        differs: Some("calibration".into()),
    };
    let protection = Panel::for_protection(Acceptances::default());
    vec![
        same(other()),
        held_by(protection, |panel| panel.same_unit("gauge-07", &other())),
        same(data),
        same(Sameness::Nothing),
        same(Sameness::NoBackup),
        held(|panel| panel.another_unit("gauge-08", "unique ID D1 64 5C 1B 0F 2A 99 42".into())),
        held(|panel| panel.one_chip_for_two("gauge-08")),
    ]
}

fn writable() -> Vec<String> {
    let protected = || Protection::of(vec![0..0x4_0000; 1]);
    let kept = |kept| {
        [
            held(|panel| panel.not_liftable("0x000000 to 0x040000".into(), kept)),
            held(|panel| panel.protection_kept("0x000000 to 0x040000".into(), kept, true)),
        ]
    };
    let mut screens = vec![
        held(|panel| panel.writable(&protected(), &[0..0x1_0000, 0x1_0000..0x2_0000], None)),
        held(|panel| panel.blocks_locked(&protected(), true)),
        held(|panel| panel.blocks_locked(&protected(), false)),
        held(|panel| panel.lift_not_documented(&protected())),
        held(|panel| {
            panel.protection_has_no_row("0x000000 to 0x050000", "", "none, 0..0x040000, all")
        }),
        held(|panel| panel.protection_lasts("M25P80")),
    ];
    let all = [
        Kept::Locked(StatusLock::WhileWpLow),
        Kept::Locked(StatusLock::UntilPowerCycle),
        Kept::Locked(StatusLock::ForEver),
        Kept::NotKnown,
        Kept::PerBlock,
        Kept::Ignored,
        Kept::VolatileIgnored,
    ];
    screens.extend(all.into_iter().flat_map(kept));
    screens
}

fn reads() -> Vec<String> {
    let pattern = "single bits by chance: a wire picks up noise, or SCK is too high";
    let two = [0x1000..0x1001, 0x2000..0x2001];
    let restore = "norlock restore --unit FOLDER --rewrite RANGE";
    vec![
        held(|panel| panel.twin_read((&two, 2), pattern, None, None)),
        held(|panel| panel.twin_read((&two, 2), pattern, None, Some(restore))),
        held(|panel| panel.twin_read((&[], 0), pattern, Some("both at 10 MHz with 03h"), None)),
        held(|panel| panel.reads_implausible("bit 7 is 1 in every byte")),
        held(Panel::reads_blank),
    ]
}

fn last() -> Vec<String> {
    let one = Unexplained {
        range: 0x4_0000..0x5_0000,
    };
    let many = vec![one.clone(); 6];
    let unexplained = |ranges: &[Unexplained], begun| {
        held(|panel| panel.nothing_unexplained(ranges, "as-found.bin", begun))
    };
    vec![
        unexplained(&[one], false),
        unexplained(&many, true),
        held(|panel| panel.journal_ready(Err("gauge-07/journal cannot be written"))),
    ]
}

#[test]
fn every_interlock_and_every_way_to_hold_one_is_told() {
    let told = told();
    for interlock in Interlock::ALL {
        assert!(
            told.contains(&format!("Held by {interlock}:")),
            "{interlock}"
        );
    }
    // Those that open only, and those that others call.
    let open = ["protection_settable", "unit_data_restored", "present_kept"];
    let own = include_str!("refusals.rs");
    let sources = [
        include_str!("../../interlock/bench.rs"),
        include_str!("../../interlock/papers.rs"),
        include_str!("../../interlock/bus.rs"),
    ];
    let mut ways = 0;
    for rest in sources
        .iter()
        .flat_map(|source| source.split("pub(crate) fn ").skip(1))
    {
        let name = rest.split('(').next().unwrap();
        let called = [format!("panel.{name}("), format!("Panel::{name})")];
        let told = called.iter().any(|call| own.contains(call)) || open.contains(&name);
        assert!(told, "{name} is not among the refusals");
        ways += 1;
    }
    assert!(ways > 25, "{ways}");
}
