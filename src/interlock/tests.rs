//! Each interlock holds and opens, and the documents tell of exactly these.
#![allow(
    clippy::single_range_in_vec_init,
    reason = "a slice of one address range is meant"
)]

use std::fs;
use std::ops::Range;
use std::path::{Path, PathBuf};

use super::*;
use crate::jedec::Millivolts;
use crate::jedec::status::{Protection, StatusLock};
use crate::link::HostFlash;
use crate::part::SupplyRange;

/// One interlock's worst and best evidence.
struct Case {
    holds: Vec<fn(&mut Panel)>,
    opens: Vec<fn(&mut Panel)>,
}

const LINK: Option<Millivolts> = Some(Millivolts(3300));
const LOW: SupplyRange = range(1650, 1950, false);
const THREE: SupplyRange = range(2700, 3600, false);
const MAYBE: SupplyRange = range(2700, 3600, true);

const fn range(min: u32, max: u32, from_memory: bool) -> SupplyRange {
    SupplyRange {
        min: Millivolts(min),
        max: Millivolts(max),
        from_memory,
    }
}

fn says(supply: SupplyRange) -> MarkingSays {
    MarkingSays {
        candidates: vec!["W25Q80DV".into()],
        supply: Some(supply),
    }
}

fn said(power: Option<Power>, marking: Option<&str>, denied: &[&str]) -> Attestation {
    Attestation {
        power,
        denied: denied.iter().map(|&text| text.to_owned()).collect(),
        marking: marking.map(str::to_owned),
        supply: None,
    }
}

fn offline(backup: &str, result: Result<String, OfflineProblem>) -> OfflineEvidence {
    OfflineEvidence {
        backup: backup.into(),
        result,
    }
}

fn steady() -> Contact {
    Contact {
        id_reads: 200,
        id_same: 200,
        sample_same: true,
        sign: None,
    }
}

fn id(expected: &str, seen: &str) -> Sameness {
    Sameness::Id {
        kind: "unique ID",
        expected: expected.into(),
        seen: seen.into(),
    }
}

const PROTECTED: Protection = Protection::Range { range: 0..0x1_0000 };

/// A match without a rest: a new interlock does not compile without its cases.
fn case(interlock: Interlock) -> Case {
    match interlock {
        Interlock::SoleUser => Case {
            holds: vec![|panel| panel.sole_user(Some("/dev/spidev0.0"))],
            opens: vec![|panel| panel.sole_user(None)],
        },
        Interlock::NotTheHost => Case {
            holds: vec![
                |panel| panel.not_the_host(&HostFlash::Yes("it boots from it".into()), true, false),
                |panel| panel.not_the_host(&HostFlash::Unknown("no tree".into()), true, false),
                |panel| panel.not_the_host(&HostFlash::No("header".into()), false, true),
            ],
            opens: vec![
                |panel| panel.not_the_host(&HostFlash::No("header".into()), true, true),
                |panel| panel.not_the_host(&HostFlash::No("header".into()), false, false),
            ],
        },
        Interlock::BenchAttested => Case {
            holds: vec![
                |panel| {
                    let said = said(Some(Power::Clip), Some("W25Q80EW"), &[]);
                    panel.bench_attested(&said, Some(Millivolts(1800)));
                },
                |panel| {
                    panel.bench_attested(&said(None, Some("W25Q80DV"), &[]), Some(Millivolts(3300)))
                },
                |panel| {
                    panel
                        .bench_attested(&said(Some(Power::Clip), None, &[]), Some(Millivolts(3300)))
                },
                |panel| {
                    let no = ["Is the board's own supply off?"];
                    panel.bench_attested(
                        &said(Some(Power::Clip), Some("W25Q80DV"), &no),
                        Some(Millivolts(3300)),
                    );
                },
            ],
            opens: vec![|panel| {
                panel.bench_attested(
                    &said(Some(Power::Socket), Some("W25Q80DV"), &[]),
                    Some(Millivolts(3300)),
                )
            }],
        },
        Interlock::SupplyLevel => supply_level(),
        Interlock::ImageFits => Case {
            holds: vec![|panel| panel.image_fits(512, 1024), |panel| {
                panel.image_fits(1024, 1024);
                panel.map_fits(2048, 1024);
            }],
            opens: vec![|panel| {
                panel.image_fits(1024, 1024);
                panel.map_fits(1024, 1024);
            }],
        },
        Interlock::BackupIntact => Case {
            holds: vec![|panel| panel.backup_intact(0, &[]), |panel| {
                panel.backup_intact(1, &["as-found.bin is changed".into()])
            }],
            opens: vec![|panel| panel.backup_intact(2, &[])],
        },
        Interlock::OfflineHash => offline_hash(),
        Interlock::UnitDataKept => unit_data_kept(),
        Interlock::Contact => Case {
            holds: vec![
                |panel| {
                    panel.contact(&Contact {
                        id_same: 199,
                        ..steady()
                    })
                },
                |panel| {
                    panel.contact(&Contact {
                        sample_same: false,
                        ..steady()
                    })
                },
                |panel| {
                    panel.contact(&Contact {
                        sign: Some("moved".into()),
                        ..steady()
                    })
                },
            ],
            opens: vec![|panel| panel.contact(&steady())],
        },
        Interlock::KnownPart => Case {
            holds: vec![
                |panel| panel.known_part("XX1", Some("nobody knows it."), &[]),
                |panel| panel.known_part("W25Q80DV", None, &["they differ".into()]),
                |panel| {
                    panel.known_part("W25Q80DV", None, &[]);
                    panel.size_in_doubt("both halves are equal", Some("16 MiB"));
                },
            ],
            opens: vec![|panel| panel.known_part("W25Q80DV", None, &[])],
        },
        Interlock::SameUnit => same_unit(),
        Interlock::Writable => Case {
            holds: vec![
                |panel| panel.writable(&PROTECTED, &[0xF000..0x1_1000], None),
                |panel| {
                    let why = "a register is not read";
                    panel.writable(&Protection::Unknown { why }, &[0..1], None);
                },
                |panel| {
                    panel.writable(&PROTECTED, &[0..0x1000], Some("lifted"));
                    panel.not_liftable("WP# is low".into(), Kept::Locked(StatusLock::WhileWpLow));
                },
            ],
            opens: vec![
                |panel| panel.writable(&Protection::None, &[0..0x1000], None),
                |panel| panel.writable(&PROTECTED, &[0x1_0000..0x1_1000], None),
                |panel| panel.writable(&PROTECTED, &[0..0x1000], Some("lifted, then put back")),
            ],
        },
        Interlock::TwinRead => Case {
            holds: vec![
                |panel| panel.twin_read((&[8..9], 1), "one bit", None, None),
                |panel| panel.twin_read((&[], 0), "", Some("one SCK and one opcode"), None),
                |panel| {
                    panel.twin_read((&[], 0), "", None, None);
                    panel.reads_implausible("bit 3 is stuck");
                },
                |panel| {
                    panel.twin_read((&[], 0), "", None, None);
                    panel.reads_blank();
                },
            ],
            opens: vec![|panel| panel.twin_read((&[], 0), "", None, None)],
        },
        Interlock::NothingUnexplained => Case {
            holds: vec![|panel| {
                panel.nothing_unexplained(&[Unexplained { range: 0..4096 }], "as-found.bin", false)
            }],
            opens: vec![
                |panel| panel.nothing_unexplained(&[], "as-found.bin", false),
                |panel| panel.present_kept("replaced-1.bin"),
            ],
        },
        Interlock::JournalReady => Case {
            holds: vec![|panel| panel.journal_ready(Err("the disk is full"))],
            opens: vec![|panel| panel.journal_ready(Ok("journal/write-1"))],
        },
    }
}

fn supply_level() -> Case {
    Case {
        holds: vec![
            |panel| panel.supply_level(None, Some("W25Q80DV"), Some(&says(THREE)), None),
            |panel| panel.supply_level(LINK, Some("W25Q80EW"), Some(&says(LOW)), None),
            // A datasheet that somebody read does not overrule the table.
            |panel| panel.supply_level(LINK, Some("W25Q80EW"), Some(&says(LOW)), Some(THREE)),
            |panel| panel.supply_level(LINK, Some("AT25SF081"), Some(&says(MAYBE)), None),
            |panel| panel.supply_level(LINK, Some("W25Q80DV"), Some(&says(THREE)), Some(LOW)),
            |panel| panel.supply_level(LINK, Some("ABC123"), None, None),
            |panel| panel.supply_level(LINK, None, None, Some(LOW)),
            |panel| {
                let unlike = MarkingSays {
                    supply: None,
                    ..says(THREE)
                };
                panel.supply_level(LINK, Some("25Q80"), Some(&unlike), Some(THREE));
            },
            |panel| {
                panel.supply_level(LINK, Some("W25Q80DV"), Some(&says(THREE)), None);
                panel.supply_level_of_part(LINK, "W25Q80EW", LOW);
            },
        ],
        opens: vec![
            |panel| {
                panel.supply_level(LINK, Some("W25Q80DV"), Some(&says(THREE)), None);
                panel.supply_level_of_part(LINK, "W25Q80DV", THREE);
            },
            |panel| panel.supply_level(LINK, Some("AT25SF081"), Some(&says(MAYBE)), Some(THREE)),
            |panel| panel.supply_level(LINK, Some("ABC123"), None, Some(THREE)),
            |panel| {
                let low = Some(Millivolts(1800));
                panel.supply_level(low, Some("W25Q80EW"), Some(&says(LOW)), None);
            },
        ],
    }
}

fn offline_hash() -> Case {
    Case {
        holds: vec![
            |panel| panel.offline_hash(&[]),
            |panel| {
                let second = offline("as-found-2.bin", Err(OfflineProblem::Missing));
                panel.offline_hash(&[offline("as-found.bin", Ok("agrees".into())), second]);
            },
            |panel| {
                let place = OfflineProblem::InUnitFolder("gauge-07".into());
                panel.offline_hash(&[offline("as-found.bin", Err(place))]);
            },
        ],
        opens: vec![|panel| panel.offline_hash(&[offline("as-found.bin", Ok("agrees".into()))])],
    }
}

fn unit_data_kept() -> Case {
    Case {
        holds: vec![
            |panel| panel.unit_data_kept(None, &[]),
            |panel| panel.unit_data_kept(Some(false), &[]),
            |panel| {
                let region = "identity".to_owned();
                panel.unit_data_kept(
                    Some(true),
                    &[OffendingChange {
                        range: 0..1,
                        region,
                    }],
                );
            },
            |panel| {
                panel.unit_data_kept(Some(true), &[]);
                panel.shared_block("1 block");
            },
        ],
        opens: vec![|panel| panel.unit_data_kept(Some(true), &[]), |panel| {
            panel.unit_data_restored("as-found.bin")
        }],
    }
}

fn same_unit() -> Case {
    Case {
        holds: vec![
            |panel| panel.same_unit("gauge-07", &id("D1 64", "D1 65")),
            |panel| panel.same_unit("gauge-07", &id("D1 64", "none")),
            |panel| panel.same_unit("gauge-07", &Sameness::Nothing),
            |panel| {
                let (regions, differs) = (vec!["identity".into()], Some("identity".into()));
                panel.same_unit("gauge-07", &Sameness::UnitData { regions, differs });
            },
        ],
        opens: vec![
            |panel| panel.same_unit("gauge-07", &id("D1 64", "D1 64")),
            |panel| panel.same_unit("gauge-07", &Sameness::Replacement),
            |panel| {
                let (regions, differs) = (vec!["identity".into()], None);
                panel.same_unit("gauge-07", &Sameness::UnitData { regions, differs });
            },
        ],
    }
}

#[test]
fn every_interlock_holds_and_opens() {
    for interlock in Interlock::ALL {
        let Case { holds, opens } = case(interlock);
        assert!(!holds.is_empty() && !opens.is_empty(), "{interlock}");
        for (number, check) in holds.iter().enumerate() {
            let mut panel = Panel::default();
            check(&mut panel);
            let held = panel.held();
            assert_eq!(held.len(), 1, "{interlock}, case {number} does not hold");
            let Held {
                interlock: which,
                headline,
                seen,
                means,
                next,
            } = held[0];
            assert_eq!(*which, interlock);
            for text in [headline, seen, means, next] {
                assert!(
                    !text.trim().is_empty(),
                    "{interlock}, case {number} says too little"
                );
            }
        }
        for (number, check) in opens.iter().enumerate() {
            let mut panel = Panel::default();
            check(&mut panel);
            let states: Vec<_> = panel.states().collect();
            assert!(
                matches!(states.as_slice(), [(which, State::Open { .. })] if *which == interlock),
                "{interlock}, case {number}: {states:?}"
            );
        }
    }
}

/// What can be accepted, and for each interlock which of its cases that opens.
#[test]
fn only_what_may_be_accepted_is_accepted() {
    let all = Acceptable::ALL.map(|name| (name, "gauge-07: looked at".to_owned()));
    for interlock in Interlock::ALL {
        let accepted: Vec<usize> = (0..)
            .zip(case(interlock).holds)
            .filter(|(_, check)| {
                let mut panel = Panel::new(Acceptances::new(all.to_vec()));
                check(&mut panel);
                !panel.is_held()
            })
            .map(|(number, _)| number)
            .collect();
        let expected: &[usize] = match interlock {
            // Unknown; nothing names the marking; SFDP only and equal halves; nothing to compare.
            Interlock::NotTheHost => &[1],
            Interlock::BenchAttested => &[2],
            Interlock::KnownPart => &[0, 2],
            Interlock::SameUnit => &[2, 3],
            // No unit data in the map, and a shared block.
            Interlock::UnitDataKept => &[1, 3],
            Interlock::TwinRead => &[1],
            _ => &[],
        };
        assert_eq!(accepted, expected, "{interlock}");
    }
}

#[test]
fn an_acceptance_shows_on_the_panel_and_cannot_undo_what_holds() {
    let accepted = vec![(Acceptable::SharedBlock, "the map is the maker's".to_owned())];
    let mut panel = Panel::new(Acceptances::new(accepted));
    panel.unit_data_kept(Some(true), &[]);
    panel.shared_block("1 block");
    assert!(matches!(
        panel.states().next(),
        Some((
            Interlock::UnitDataKept,
            State::Accepted {
                name: Acceptable::SharedBlock,
                ..
            }
        ))
    ));
    panel.unit_data_kept(None, &[]);
    panel.shared_block("1 block");
    assert_eq!(panel.held().len(), 1);
}

#[test]
fn same_unit_is_accepted_only_with_the_unit_s_name() {
    for (reason, held) in [
        ("gauge-07: number on the sticker", false),
        ("the sticker says gauge-07", false),
        ("I am sure", true),
        ("gauge-070: number on the sticker", true),
        ("gauge-11: number on the sticker", true),
    ] {
        let given = vec![(Acceptable::SameUnit, reason.to_owned())];
        let mut panel = Panel::new(Acceptances::new(given));
        panel.same_unit("gauge-07", &Sameness::Nothing);
        assert_eq!(panel.is_held(), held, "{reason}");
    }
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn only_the_permit_gives_permission() {
    let mut found = Vec::new();
    for path in sources(&root().join("src")) {
        let text = fs::read_to_string(&path).unwrap();
        let code = text
            .lines()
            .filter(|line| !line.trim_start().starts_with("//"));
        for line in code {
            let line = line.split_whitespace().collect::<Vec<_>>().join(" ");
            // Not this test's own search words.
            let implements = |name: &str| line.contains(&format!("{name}{}", " for "));
            if line.starts_with("impl") && (implements("Permission") || implements("Sealed")) {
                found.push((path.strip_prefix(root()).unwrap().to_owned(), line));
            }
        }
    }
    // The tests of the chip layer arm chips without a bench, and are compiled as tests only.
    let chip = fs::read_to_string(root().join("src/chip/mod.rs")).unwrap();
    assert!(chip.contains("\n#[cfg(test)]\nmod tests;\n"));
    let expected = [
        ("src/chip/tests/mod.rs", "impl Permission for Allowed {"),
        (
            "src/chip/tests/mod.rs",
            "impl Permission for ProtectionAllowed {}",
        ),
        ("src/chip/tests/mod.rs", "impl Sealed for Allowed {}"),
        (
            "src/chip/tests/mod.rs",
            "impl Sealed for ProtectionAllowed {}",
        ),
        ("src/interlock/panel.rs", "impl Permission for Permit {"),
        ("src/interlock/panel.rs", "impl Sealed for Permit {}"),
    ];
    found.sort();
    assert_eq!(
        found,
        expected.map(|(path, line)| (PathBuf::from(path), line.to_owned()))
    );
}

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|end| end == "rs") {
            found.push(path);
        }
    }
    found
}

#[test]
fn every_block_that_protection_keeps_from_changing_is_counted() {
    let seen = |protection: &Protection, blocks: &[u32]| {
        let touched: Vec<Range<u32>> = blocks.iter().map(|at| at << 16..(at + 1) << 16).collect();
        let mut panel = Panel::default();
        panel.writable(protection, &touched, None);
        panel.held()[0].seen.clone()
    };
    let all = Protection::of(vec![0..0x10_0000]);
    // In the order of a worklist, the boot region from its end down.
    assert_eq!(
        seen(&all, &[7, 6, 5, 4, 3, 2, 1, 0]),
        "8 blocks, 0x000000 to 0x080000, would change; 0x000000 to 0x100000 is protected"
    );
    assert!(seen(&all, &[3]).starts_with("1 block, 0x030000 to 0x040000, would change; "));
    let upper = Protection::of(vec![0x8_0000..0x10_0000]);
    assert!(seen(&upper, &[1, 9, 2]).starts_with("1 block, 0x090000 to 0x0A0000, would"));
    assert!(seen(&all, &[0, 2, 4, 6, 8, 10]).starts_with(
        "6 blocks, 0x000000 to 0x010000, 0x020000 to 0x030000, 0x040000 to 0x050000, \
             0x060000 to 0x070000 and 2 more, would change; "
    ));
}

#[test]
fn a_clip_supplies_no_less_than_a_pin_header_gives() {
    for (level, held) in [(2499, true), (2500, false), (3300, false)] {
        let mut panel = Panel::default();
        let said = said(Some(Power::Clip), Some("W25Q80DV"), &[]);
        panel.bench_attested(&said, Some(Millivolts(level)));
        assert_eq!(panel.is_held(), held, "{level} mV");
    }
}

#[test]
fn an_arrangement_is_shown_and_typed_by_its_name() {
    for (power, name) in [
        (Power::Clip, "clip"),
        (Power::BoardHeldInReset, "board-held-in-reset"),
        (Power::External, "external"),
        (Power::Socket, "socket"),
    ] {
        assert_eq!(name.parse(), Ok(power));
        let mut panel = Panel::default();
        panel.bench_attested(&said(Some(power), Some("W25Q80DV"), &[]), LINK);
        let Some((_, State::Open { evidence })) = panel.states().next() else {
            panic!("{name} holds");
        };
        assert_eq!(*evidence, format!("supply: {name}; marking: W25Q80DV"));
    }
    let names = "clip, board-held-in-reset, external, socket";
    assert_eq!(
        "mains".parse::<Power>(),
        Err(format!("'mains' is not one of {names}"))
    );
}

/// What holds: the words of the one interlock that does.
fn held(check: impl FnOnce(&mut Panel)) -> Held {
    let mut panel = Panel::default();
    check(&mut panel);
    panel.held()[0].clone()
}

#[test]
fn each_reason_why_a_hash_does_not_count_is_told_with_what_to_do() {
    let differs = OfflineProblem::Differs {
        given: "12ab".into(),
        backup: "34cd".into(),
    };
    let unreadable = OfflineProblem::Unreadable("the stick is gone".into());
    for (problem, headline, seen, means, next) in [
        (
            OfflineProblem::Missing,
            "no hash of as-found.bin",
            "no hash for as-found.bin",
            "outside the bench",
            "Type",
        ),
        (
            OfflineProblem::InUnitFolder("gauge-07/list".into()),
            "beside the backup",
            "gauge-07/list, in the unit folder",
            "can spoil",
            "Type",
        ),
        (
            OfflineProblem::SameDisk("/home on mmc0".into()),
            "on another disk",
            "/home on mmc0",
            "can spoil",
            "Type",
        ),
        (
            differs,
            "not that of as-found.bin",
            "12ab; the backup has 34cd",
            "another unit",
            "Find out",
        ),
        (
            unreadable,
            "copy that can be read",
            "the stick is gone",
            "proves nothing",
            "Type",
        ),
    ] {
        let held = held(|panel| panel.offline_hash(&[offline("as-found.bin", Err(problem))]));
        assert!(held.headline.contains(headline), "{held:?}");
        assert_eq!(held.seen, seen);
        assert!(held.means.contains(means), "{held:?}");
        assert!(held.next.starts_with(next), "{held:?}");
    }
}

#[test]
fn of_several_the_first_is_told_and_how_many_more_there_are() {
    let change = |start: u32| OffendingChange {
        range: start..start + 4,
        region: "identity".into(),
    };
    for (count, more) in [(1, ""), (2, "; 1 more"), (3, "; 2 more")] {
        let changes: Vec<_> = (0..count).map(change).collect();
        let seen = held(|panel| panel.unit_data_kept(Some(true), &changes)).seen;
        let first = "0x000000 to 0x000004 in identity differs from the baseline";
        assert_eq!(seen, format!("{first}{more}"));
        let differ = vec!["the sizes differ".to_owned(); count as usize];
        let seen = held(|panel| panel.known_part("W25Q80DV", None, &differ)).seen;
        assert_eq!(seen, format!("the sizes differ{more}"));
    }
}

/// The order in which they are told: what nobody can accept first, where protection is all that changes.
#[test]
fn what_nobody_can_accept_comes_first_where_protection_is_changed() {
    let doubt = |panel: &mut Panel| panel.known_part("XX1", Some("nobody knows it."), &[]);
    let disagree = |panel: &mut Panel| panel.known_part("XX1", None, &["they differ".into()]);
    let locked = |panel: &mut Panel| {
        panel.protection_kept("locked".into(), Kept::Locked(StatusLock::ForEver), false);
    };
    let order = |mut panel: Panel, checks: &[&dyn Fn(&mut Panel)]| {
        checks.iter().for_each(|check| check(&mut panel));
        let held = panel.held().into_iter().map(|held| held.interlock);
        held.collect::<Vec<_>>()
    };
    let protection = || Panel::for_protection(Acceptances::default());
    let (known, writable) = (Interlock::KnownPart, Interlock::Writable);
    assert_eq!(order(protection(), &[&doubt, &locked]), [writable, known]);
    let twice: [&dyn Fn(&mut Panel); 3] = [&doubt, &doubt, &locked];
    assert_eq!(order(protection(), &twice), [writable, known]);
    let for_good: [&dyn Fn(&mut Panel); 3] = [&disagree, &doubt, &locked];
    assert_eq!(order(protection(), &for_good), [known, writable]);
    assert_eq!(
        order(Panel::default(), &[&doubt, &locked]),
        [known, writable]
    );
    let means = |mut panel: Panel| {
        panel.same_unit("gauge-07", &Sameness::Nothing);
        panel.held()[0].means.clone()
    };
    assert!(means(protection()).contains("protection"));
    assert!(means(Panel::default()).contains("data would be replaced"));
    let reading = means(Panel::for_reading(Acceptances::default()));
    assert!(
        reading.starts_with("what is read would be kept"),
        "{reading}"
    );
}

/// Of places that differ only so many are kept, which is said.
#[test]
fn places_beyond_those_kept_are_told() {
    let seen = |bytes| {
        let differing = [8..9, 0x20..0x22];
        let differs = |panel: &mut Panel| panel.twin_read((&differing, bytes), "", None, None);
        held(differs).seen
    };
    assert_eq!(seen(3), "2 places, the first at 0x000008");
    let more = seen(12_345);
    assert_eq!(
        more,
        "12,345 bytes in more than 2 places, the first at 0x000008"
    );
}

#[test]
fn a_protection_that_only_a_write_can_lift_is_told_so() {
    let next =
        |kept, liftable| held(|panel| panel.protection_kept("kept".into(), kept, liftable)).next;
    assert!(next(Kept::NotKnown, true).contains("--lift-protection"));
    assert!(next(Kept::NotKnown, false).contains("nothing to try"));
    assert!(next(Kept::Locked(StatusLock::WhileWpLow), true).contains("WP#"));
    let lasts = held(|panel| panel.protection_lasts("W25Q80DV"));
    assert_eq!(lasts.interlock, Interlock::Writable);
    assert!(lasts.seen.contains("W25Q80DV") && lasts.next.contains("--until-power-off"));
}

/// What was accepted of the chip goes into the next command line as a shell takes it; the rest does not.
#[test]
fn what_was_accepted_of_the_chip_is_typed_again() {
    let given = vec![
        (Acceptable::KnownPart, "the board's list".to_owned()),
        (Acceptable::WeakReads, "one clock".to_owned()),
    ];
    assert_eq!(
        Acceptances::new(given).again(),
        " --accept known-part --because 'the board'\\''s list'"
    );
    assert_eq!(Acceptances::default().again(), "");
}
