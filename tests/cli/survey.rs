//! A survey as it is typed: its screen, its exit codes, its folder, and what comes next.

use crate::desk::Desk;

/// The bench of a desk with cells that err.
fn weak(desk: &Desk) {
    let bench = String::from_utf8(desk.get("chip.toml")).unwrap();
    let cell = |at: u32, bits: u8, chance: f64| {
        format!(
            "\n[[fault]]\nweak-cells = {{ addresses = {{ start = {at}, end = {} }}, bits = {bits}, chance = {chance} }}\n",
            at + 1
        )
    };
    let faults = cell(0x3_1C04, 32, 0.3) + &cell(0x3_1C07, 32, 0.4);
    desk.put("chip.toml", bench + &faults);
}

#[test]
fn weak_cells_are_shown_by_block_and_bit() {
    let desk = Desk::new();
    let steady = desk.ends("survey --unit gauge-07 @bench --passes 6", 0);
    assert!(
        steady
            .out
            .starts_with("All 6 passes over gauge-07 agree. Every block is steady.\n"),
        "{steady}"
    );
    assert!(
        steady.out.contains("  0x000000 -| steady  16 blocks\n"),
        "{steady}"
    );
    assert!(
        steady.out.contains("Next  norlock backup --unit gauge-07"),
        "{steady}"
    );
    weak(&desk);
    let ended = desk.ends("survey --unit gauge-07 @bench --passes 12", 1);
    let screen = &ended.out;
    assert!(
        screen.starts_with("One block of gauge-07 has weak cells. The rest is steady.\n"),
        "{ended}"
    );
    for line in [
        "  0x000000 -| steady       3 blocks",
        "  0x030000 -| weak cells   1 block",
        "  0x040000 -| steady      12 blocks",
    ] {
        assert!(
            screen.lines().any(|shown| shown == line),
            "no '{line}' in\n{ended}"
        );
    }
    let begins = "  0x031C04  |   bit 5  reads ";
    assert!(
        screen.lines().any(|line| line.starts_with(begins)),
        "{ended}"
    );
    assert!(screen.contains("survey-2/best-guess.bin"), "{ended}");
    assert!(
        screen
            .lines()
            .all(|line| line.len() <= 60 && line.is_ascii()),
        "{ended}"
    );
    for name in [
        "pass-1.bin",
        "pass-12.xor",
        "picture.svg",
        "best-guess.bin",
        "survey.toml",
    ] {
        assert!(
            !desk.get(&format!("gauge-07/survey-2/{name}")).is_empty(),
            "{name}"
        );
    }
    let guess = desk.get("gauge-07/survey-2/best-guess.bin");
    assert_eq!(guess.len(), desk.cells().len());
    desk.ends("check --unit gauge-07", 0);
}
