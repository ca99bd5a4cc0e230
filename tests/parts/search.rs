//! The parts that fit, and what an entry has to do with the others.

use norlock::jedec::Millivolts;
use norlock::part::{Catalogue, Mark, Part, Selection};

use crate::check::GOOD;

fn table() -> Catalogue {
    Catalogue::builtin().unwrap()
}

fn select(selection: &Selection) -> Vec<String> {
    let table = table();
    let parts = table.select(selection);
    parts.iter().map(|part| part.name.clone()).collect()
}

#[test]
fn nothing_asked_for_is_the_whole_table() {
    assert!(Selection::default().is_empty());
    assert_eq!(select(&Selection::default()).len(), table().parts().len());
}

/// Each filter takes exactly the parts that have the fact, and all of them together the ones that have
/// all: seen by looking at every part of the table again.
#[test]
fn each_filter_takes_what_it_says_and_nothing_else() {
    let table = table();
    let level = Millivolts(1800);
    let asked = Selection {
        maker: Some("macronix".into()),
        size_bytes: Some(16 << 20),
        level: Some(level),
        id_start: Some(vec![0xC2, 0x25]),
        text: Some("MX25U 12835".into()),
    };
    let facts: [fn(&norlock::part::Part) -> bool; 5] = [
        |part| part.maker == "Macronix",
        |part| part.size_bytes == 16 << 20,
        |part| part.supply.includes(Millivolts(1800)),
        |part| part.jedec_id.0[..2] == [0xC2, 0x25],
        |part| part.name.contains("MX25U12835"),
    ];
    let conditions = asked.conditions();
    assert_eq!(conditions.len(), facts.len());
    for (condition, fact) in conditions.iter().zip(facts) {
        let expected = table.parts().iter().filter(|part| fact(part)).count();
        assert!(expected > 0);
        assert_eq!(table.select(condition).len(), expected, "{condition:?}");
    }
    assert_eq!(select(&asked), ["MX25U12835F"]);
    let none = Selection {
        level: Some(Millivolts(3300)),
        ..asked
    };
    assert!(select(&none).is_empty());
}

/// Owners of a maker's code in JEP106 and of its parts since; a byte that several makers send is named
/// after none of them.
#[test]
fn a_maker_is_found_by_the_names_it_had() {
    let by = |maker: &str| {
        select(&Selection {
            maker: Some(maker.into()),
            ..Selection::default()
        })
    };
    assert!(by("infineon").contains(&"S25FL064L".to_owned()));
    assert_eq!(by("Spansion").len() > 10, by("cypress").len() > 10);
    assert!(by("atmel").contains(&"AT25DF041A".to_owned()));
    let xmc = by("xmc");
    assert!(!xmc.is_empty() && xmc.iter().all(|name| name.starts_with("XM25")));
    assert!(by("no such maker").is_empty());
}

#[test]
fn a_longer_start_of_an_id_takes_what_it_does_not_contradict() {
    let by = |id: &[u8]| {
        select(&Selection {
            id_start: Some(id.to_vec()),
            ..Selection::default()
        })
    };
    // S25FL128S/S25FL256S 001-98283 Rev. *I, RDID table: byte 6 is the family, 80h or 81h.
    assert_eq!(by(&[0x01, 0x02, 0x19]).len(), 4);
    assert_eq!(
        by(&[0x01, 0x02, 0x19, 0x4D, 0x01, 0x80]),
        ["S25FL256S, 64 KiB sectors"]
    );
    assert!(by(&[0xEF]).len() > by(&[0xEF, 0x40]).len());
}

/// What tells parts of one ID apart: the family byte of the FL-S and FS-S (001-98283 Rev. *I, RDID
/// table); that the marking is all there is between two generations of one part.
#[test]
fn relatives_say_what_tells_them_apart() {
    let table = table();
    let marks = |name: &str, other: &str| {
        let part = table.parts().iter().find(|p| p.name == name).unwrap();
        let relatives = table.relatives(part);
        let found = relatives.into_iter().find(|one| one.name == other);
        found
            .unwrap_or_else(|| panic!("{name}, {other}"))
            .told_apart_by
    };
    let fl = marks("S25FL256S, 64 KiB sectors", "S25FS256S, 64 KiB sectors");
    assert!(fl.contains(&Mark::IdBytes) && fl.contains(&Mark::Marking));
    assert_eq!(marks("W25Q128JV", "W25Q128FV"), [Mark::Marking]);
    assert_eq!(marks("IS25LP128F", "IS25LP128"), [Mark::Marking]);
    // GD25Q32B Rev 1.2 has no 5Ah in its command table, GD25Q32C has.
    assert!(marks("GD25Q32B", "GD25Q32C").contains(&Mark::Sfdp));
    for part in table.parts() {
        for relative in table.relatives(part) {
            assert_eq!(
                marks(&part.name, &relative.name),
                marks(&relative.name, &part.name)
            );
        }
    }
}

/// What tells two parts of one ID apart, the same from either. Each is the good file of `check.rs` with these
/// changes, by a maker of its own.
fn told_apart(one: &[(&str, &str)], other: &[(&str, &str)]) -> Vec<Mark> {
    let file = |maker: &str, name: &str, changes: &[(&str, &str)]| {
        let text = format!("maker = '{maker}'\n{GOOD}");
        let named = format!("'{name}'\nshares_id = true");
        let text = text.replacen("'EX25Q32A'", &named, 1);
        changes.iter().fold(text, |text, (from, to)| {
            assert!(text.contains(from), "{from}");
            text.replacen(from, to, 1)
        })
    };
    let table = Catalogue::default()
        .with_user_file(file("Example", "EX1", one), "one.toml")
        .unwrap()
        .with_user_file(file("Harbour", "HB1", other), "other.toml")
        .unwrap();
    let [one, other] = table.parts() else {
        panic!("not two parts")
    };
    let marks = |part: &Part| table.relatives(part).remove(0).told_apart_by;
    assert_eq!(marks(one), marks(other));
    marks(one)
}

#[test]
fn each_mark_stands_where_it_tells_two_parts_apart_and_nowhere_else() {
    let markings = "['25Q32A', 'EX25Q32A']";
    let status = "status = 'basic'";
    let with = (status, "status = 'basic'\nsfdp = true");
    let without = (status, "status = 'basic'\nsfdp = false");
    let unread = ("['erase_time']", "['erase_time', 'has_sfdp']");
    let other_erase = ("opcode = 0x20", "opcode = 0xD7");
    let page = ("page_size_bytes = 256", "page_size_bytes = 512");
    let longer = ("0x16]", "0x16, 0x01]");
    assert_eq!(told_apart(&[], &[]), []);
    assert_eq!(told_apart(&[], &[longer]), [Mark::IdBytes]);
    let other_marking = [(markings, "['25Q32B']")];
    assert_eq!(told_apart(&[], &other_marking), [Mark::Marking]);
    // 25Q32A can be a 25Q32 in package A; the other way round it cannot.
    let (long, short) = ((markings, "['25Q32A']"), (markings, "['25Q32']"));
    assert_eq!(told_apart(&[long], &[short]), []);
    // Of the second nobody knows whether it has SFDP: only that of the first can rule it out.
    assert_eq!(told_apart(&[with], &[]), []);
    assert_eq!(told_apart(&[with], &[other_erase]), [Mark::Sfdp]);
    assert_eq!(told_apart(&[with], &[page]), [Mark::Sfdp]);
    assert_eq!(told_apart(&[], &[other_erase]), []);
    assert_eq!(told_apart(&[with], &[without]), [Mark::Sfdp]);
    // What nobody read rules out nothing.
    assert_eq!(told_apart(&[without], &[with, unread]), [Mark::Sfdp]);
    assert_eq!(told_apart(&[without, unread], &[with, unread]), []);
}

#[test]
fn a_name_means_its_part_unless_it_stands_on_packages() {
    let table = table();
    let names = |text: &str| -> Vec<String> {
        let found = table.by_name_or_marking(text).unwrap();
        found.names().iter().map(|n| (*n).to_owned()).collect()
    };
    assert_eq!(
        names("s25fl256s, 64 kib sectors"),
        ["S25FL256S, 64 KiB sectors"]
    );
    assert_eq!(names("S25FL256S").len(), 2);
    assert_eq!(names("W25Q128JV"), ["W25Q128JV", "W25Q128JV-IM"]);
    assert_eq!(names("W25Q128JV-IM"), ["W25Q128JV-IM"]);
    for part in table.parts() {
        assert!(names(&part.name).contains(&part.name), "{}", part.name);
    }
    assert_eq!(table.by_name_or_marking("no such part"), None);
}
