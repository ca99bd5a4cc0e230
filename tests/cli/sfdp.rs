//! `sfdp` as it is typed: tables that can be used, tables that cannot, and a sector map.

use std::collections::BTreeSet;

use norlock::jedec::sfdp::{
    CommandAddress, ConfigurationMap, DetectionCommand, Region, Revision, SECTOR_MAP, SectorMap,
    Sfdp, SfdpTable,
};

use crate::desk::{Desk, Ended};

/// The desk's SFDP with a sector map of two layouts (JESD216, FF81h), the first of them in force while
/// bit 3 of the register is 0, as in CFR3 of S25HS01GT.
fn hybrid(desk: &Desk) -> Vec<u8> {
    desk.ends("sfdp @bench --raw plain.sfdp", 0);
    let mut space = Sfdp::parse(&desk.get("plain.sfdp")).unwrap().space();
    let region = |range, number| Region {
        range,
        erase_types: vec![number],
    };
    let map = |id, regions| ConfigurationMap { id, regions };
    let map = SectorMap {
        commands: vec![DetectionCommand {
            opcode: 0x65,
            address_bytes: CommandAddress::Three,
            address: 0x80_0004,
            dummy_clocks: Some(8),
            mask: 0x08,
        }],
        maps: vec![
            map(
                0,
                vec![region(0..0x2_0000, 1), region(0x2_0000..0x10_0000, 3)],
            ),
            map(1, vec![region(0..0x10_0000, 3)]),
        ],
    };
    space.tables.push(SfdpTable {
        id: SECTOR_MAP,
        revision: Revision { major: 1, minor: 0 },
        dwords: map.encode(),
    });
    space.encode().unwrap()
}

fn bench(desk: &Desk, more: &str) {
    let plain = "part = \"W25Q80DV\"\ncells = \"chip.cells\"\nlevel = \"3.3V\"\n";
    desk.put("chip.toml", format!("{plain}{more}"));
}

/// What the last JSON line reports.
fn report(ended: &Ended) -> serde_json::Value {
    let line = ended.out.lines().last().unwrap();
    serde_json::from_str::<serde_json::Value>(line).unwrap()["report"].clone()
}

#[test]
fn the_map_in_force_is_shown_with_where_each_erase_works() {
    let desk = Desk::new();
    desk.put("hybrid.sfdp", hybrid(&desk));
    for (value, says) in [(0xF7, "ID 00h is in force"), (0x08, "ID 01h is in force")] {
        let register = format!("[[register]]\naddress = 0x800004\nvalue = {value}\n");
        bench(&desk, &format!("sfdp = \"hybrid.sfdp\"\n{register}"));
        let ended = desk.ends("sfdp @bench", 0);
        ended.says(says);
        ended.says("erased by: type 1");
        ended.says("erase 32 KiB by 52h: nowhere");
        if value == 0xF7 {
            ended.says("4 KiB by 20h: 0x000000 to 0x020000");
            ended.says("64 KiB by D8h: 0x020000 to 0x100000");
        } else {
            ended.says("4 KiB by 20h: nowhere");
        }
        let json = desk.ends("sfdp @bench --json", 0);
        let id = u8::from(value == 0x08);
        let layout = &report(&json)["layout"];
        assert_eq!(layout["maps"], serde_json::json!([id]), "{json}");
    }
    // Without a chip nothing tells which.
    let ended = desk.ends("sfdp --from hybrid.sfdp", 0);
    ended.says("one of ID 00h, 01h.");
    ended.says("no chip was asked");
    ended.says("64 KiB by D8h: 0x020000 to 0x100000");
}

#[test]
fn tables_that_cannot_be_used_are_kept_as_read() {
    let desk = Desk::new();
    let plain = hybrid(&desk);
    for (name, at, filler) in [("blank", 0x30..0x70, 0xFF), ("major", 5..6, 2)] {
        let mut space = plain.clone();
        space[at].fill(filler);
        desk.put("wrong.sfdp", &space);
        bench(&desk, "sfdp = \"wrong.sfdp\"\n");
        let line = format!("sfdp @bench --raw {name}.sfdp");
        let ended = desk.ends(&line, 1);
        ended.says(&format!("kept as read in {name}.sfdp"));
        assert!(
            space.starts_with(&desk.get(&format!("{name}.sfdp"))),
            "{name}"
        );
        // Nor is it overwritten, and a file is as unusable as a chip.
        desk.ends(&line, 5).says("exists already");
        desk.ends(&format!("sfdp --from {name}.sfdp"), 5)
            .says("nothing in it is taken for a fact");
    }
    let names: BTreeSet<String> = desk
        .files()
        .keys()
        .map(|path| path.display().to_string())
        .collect();
    assert!(
        !names.iter().any(|name| name.ends_with(".unfinished")),
        "{names:?}"
    );
}

#[test]
fn every_field_is_on_the_screen_and_in_json() {
    let desk = Desk::new();
    desk.put("hybrid.sfdp", hybrid(&desk));
    let fields = Sfdp::parse(&desk.get("hybrid.sfdp")).unwrap().fields();
    let screen = desk.ends("sfdp --from hybrid.sfdp", 0);
    let json = desk.ends("sfdp --from hybrid.sfdp --json", 0);
    let listed = report(&json)["fields"].clone();
    assert_eq!(listed, serde_json::to_value(&fields).unwrap());
    for field in fields {
        screen.says(&format!("{}: {}", field.name, field.value));
    }
}

#[test]
fn where_the_tables_were_kept_is_said() {
    let desk = Desk::new();
    let ended = desk.ends("sfdp @bench --raw kept.sfdp", 0);
    let bytes = desk.get("kept.sfdp").len();
    ended.says(&format!("kept as kept.sfdp, {bytes} bytes"));
    let json = report(&desk.ends("sfdp @bench --raw too.sfdp --json", 0));
    let kept = serde_json::json!({ "file": "too.sfdp", "size_bytes": bytes });
    assert_eq!(json["kept"], kept);
    let none = desk.ends("sfdp @bench", 0);
    assert!(!none.out.contains("kept as"), "{none}");
}
