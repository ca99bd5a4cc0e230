//! The screens of the invented scenario, character by character.

use super::*;
use crate::cli::wrap::COLUMNS;

const HASH: [u8; 32] = [
    0x5c, 0x1f, 0x09, 0xe2, 0x7a, 0xb4, 0xd8, 0x30, 0x16, 0xe9, 0xc4, 0x7d, 0x02, 0xf3, 0xb8, 0x5a,
    0x9d, 0x60, 0xe1, 0xc7, 0xb4, 0x47, 0x8f, 0x2e, 0x30, 0xa9, 0x5d, 0x16, 0xe8, 0xc2, 0x71, 0x4b,
];

#[track_caller]
fn shows(screen: &Screen, expected: &str) {
    let shown = screen.render(false, COLUMNS);
    assert_eq!(shown, expected, "\n{shown}\n{expected}");
}

#[test]
fn id() {
    let screen =
        Screen::new("On the clip: a 16 MiB part, <maker> <part>. Nothing speaks against it.")
            .row("JEDEC ID", "xx 40 18, the same in 200 of 200 reads")
            .row("unique ID", "D1 64 5C 1B 0F 2A 33 07")
            .row("supply", "2.7 to 3.6 V; this link is declared 3.3 V")
            .row("size", "16 MiB by ID, by SFDP and by address wrap")
            .row("erase", "4, 32 or 64 KiB; page program 256 bytes")
            .row("SFDP", "1.6; agrees with the table where both speak")
            .row("protected", "no range")
            .row("link", "/dev/spidev0.0, 20 MHz asked, 20.0 measured")
            .chip("untouched.")
            .next("norlock backup --unit gauge-07");
    shows(
        &screen,
        "\
On the clip: a 16 MiB part, <maker> <part>. Nothing speaks
against it.

  JEDEC ID   xx 40 18, the same in 200 of 200 reads
  unique ID  D1 64 5C 1B 0F 2A 33 07
  supply     2.7 to 3.6 V; this link is declared 3.3 V
  size       16 MiB by ID, by SFDP and by address wrap
  erase      4, 32 or 64 KiB; page program 256 bytes
  SFDP       1.6; agrees with the table where both speak
  protected  no range
  link       /dev/spidev0.0, 20 MHz asked, 20.0 measured

Chip  untouched.
Next  norlock backup --unit gauge-07
",
    );
}

#[test]
fn backup_end() {
    let screen = Screen::new(
        "Two independent reads agree in all 16 MiB. The backup of gauge-07 is kept.",
    )
    .row("first", "20 MHz, read 03h, upwards, 6.8 s")
    .row("second", "12 MHz, fast read 0Bh, downwards, 11.3 s")
    .row("floor", "17.9 s on this wire; taken 18.1 s")
    .row("looks", "sane: 39 % blank, no mirror, no stuck bit")
    .row(
        "file",
        "gauge-07/as-found.bin, read-only, hashed once more from the medium",
    )
    .hash("SHA-256", &HASH)
    .chip("untouched.")
    .next(
        "Keep this hash away from here: on paper, or copy gauge-07/as-found.sha256 to a stick \
         and unplug it. Writing will ask for it.",
    );
    shows(
        &screen,
        "\
Two independent reads agree in all 16 MiB. The backup of
gauge-07 is kept.

  first   20 MHz, read 03h, upwards, 6.8 s
  second  12 MHz, fast read 0Bh, downwards, 11.3 s
  floor   17.9 s on this wire; taken 18.1 s
  looks   sane: 39 % blank, no mirror, no stuck bit
  file    gauge-07/as-found.bin, read-only, hashed once
          more from the medium
  SHA-256 5c1f09e2 7ab4d830 16e9c47d 02f3b85a
          9d60e1c7 b4478f2e 30a95d16 e8c2714b

Chip  untouched.
Next  Keep this hash away from here: on paper, or copy
      gauge-07/as-found.sha256 to a stick and unplug it.
      Writing will ask for it.
",
    );
}

#[test]
fn write_end() {
    let screen = Screen::new(
        "All 16 MiB of gauge-07 were read once more, at another SCK, and equal target.bin. \
         156 blocks changed, 100 were left.",
    )
    .row("time", "71.3 s, modelled about 70.6 s")
    .row("unit data", "calibration and identity equal as-found.bin")
    .row("journal", "gauge-07/journal/write-1, closed")
    .chip("changed as asked, complete.")
    .next("Lift and reseat the clip, then")
    .next("norlock verify target.bin --unit gauge-07 --passes 3");
    shows(
        &screen,
        "\
All 16 MiB of gauge-07 were read once more, at another SCK,
and equal target.bin. 156 blocks changed, 100 were left.

  time       71.3 s, modelled about 70.6 s
  unit data  calibration and identity equal as-found.bin
  journal    gauge-07/journal/write-1, closed

Chip  changed as asked, complete.
Next  Lift and reseat the clip, then
      norlock verify target.bin --unit gauge-07 --passes 3
",
    );
}

#[test]
fn contact_lost() {
    let screen = Screen::new("Stopped at 0x530000: the chip no longer answers as <part>.")
        .row("seen", "ID reads FF FF FF, 8 times of 8")
        .row("means", "the clip has most likely moved")
        .row("in hand", "0x530000 in system: erased, not programmed")
        .row("blocks", "78 read back, 1 in hand, 77 not begun")
        .chip("changed in part; the journal accounts for each block.")
        .next(
            "Seat the clip, run norlock contact, then give the same write command again. \
             To go back instead:",
        )
        .next("norlock restore --unit gauge-07");
    shows(
        &screen,
        "\
Stopped at 0x530000: the chip no longer answers as <part>.

  seen     ID reads FF FF FF, 8 times of 8
  means    the clip has most likely moved
  in hand  0x530000 in system: erased, not programmed
  blocks   78 read back, 1 in hand, 77 not begun

Chip  changed in part; the journal accounts for each block.
Next  Seat the clip, run norlock contact, then give the
      same write command again. To go back instead:
      norlock restore --unit gauge-07
",
    );
}

#[test]
fn verify() {
    let screen =
        Screen::new("The chip holds target.bin: 16 MiB compared three times, 0 bytes differ.")
            .row("passes", "20, 12 and 6 MHz; they agree with each other")
            .chip("untouched.")
            .next("gauge-07 may go back on its board, unclipped first.");
    shows(
        &screen,
        "\
The chip holds target.bin: 16 MiB compared three times,
0 bytes differ.

  passes  20, 12 and 6 MHz; they agree with each other

Chip  untouched.
Next  gauge-07 may go back on its board, unclipped first.
",
    );
}

#[test]
fn verify_differs() {
    let screen = Screen::new(
        "The chip differs from target.bin in 2 bytes, the same two in each of 3 passes.",
    )
    .region(Address(0x5_0000), "system")
    .within(
        Address(0x7_A3C0),
        "  holds 5E, target 7E: bit 5 is 0, not 1",
    )
    .within(
        Address(0x1F_0010),
        "  holds 00, target 10: bit 4 is 0, not 1",
    )
    .row(
        "means",
        "both are 0 where 1 is wanted and neither moves with SCK: the cells, not the wires. \
         An erase that fell short leaves this.",
    )
    .chip("untouched by this check.")
    .next(
        "Give the write command again. If the same bytes come back: norlock survey --unit gauge-07",
    );
    shows(
        &screen,
        "\
The chip differs from target.bin in 2 bytes, the same two
in each of 3 passes.

  0x050000 -| system
  0x07A3C0  |   holds 5E, target 7E: bit 5 is 0, not 1
  0x1F0010  |   holds 00, target 10: bit 4 is 0, not 1

  means  both are 0 where 1 is wanted and neither moves
         with SCK: the cells, not the wires. An erase that
         fell short leaves this.

Chip  untouched by this check.
Next  Give the write command again. If the same bytes come
      back:
      norlock survey --unit gauge-07
",
    );
}

#[test]
fn held_interlock() {
    let screen = Screen::new("Held by offline-hash: the hash lies beside the backup.")
        .row("seen", "gauge-07/as-found.sha256, in the unit folder")
        .row(
            "means",
            "whatever spoils the backup can spoil this hash too, so their agreement would prove \
             nothing",
        )
        .row("others", "7 are open; 7 wait for the chip")
        .chip("untouched; nothing that changes it was sent.")
        .next("Type the 64 digits from paper, or name the copy on a stick or card.");
    shows(
        &screen,
        "\
Held by offline-hash: the hash lies beside the backup.

  seen    gauge-07/as-found.sha256, in the unit folder
  means   whatever spoils the backup can spoil this hash
          too, so their agreement would prove nothing
  others  7 are open; 7 wait for the chip

Chip  untouched; nothing that changes it was sent.
Next  Type the 64 digits from paper, or name the copy on
      a stick or card.
",
    );
}

#[test]
fn a_command_without_a_chip_ends_with_its_evidence() {
    shows(&Screen::new("Nothing to say."), "Nothing to say.\n");
    shows(
        &Screen::new("Two rows.").row("a", "b").row("ccc", "d"),
        "Two rows.\n\n  a    b\n  ccc  d\n",
    );
}

#[test]
fn only_evidence_is_dimmed() {
    let screen = Screen::new("Answer.").row("a", "b").chip("untouched.");
    assert_eq!(
        screen.render(true, COLUMNS),
        "Answer.\n\n\x1b[2m  a  b\x1b[0m\n\nChip  untouched.\n"
    );
}

#[test]
fn text_from_outside_cannot_steer_the_terminal() {
    let evil = "\x1b[2J\nChip  untouched.";
    let shown = Screen::new(evil)
        .row(evil, evil)
        .region(Address(0), evil)
        .item(evil, evil)
        .chip(evil)
        .next(evil)
        .render(false, COLUMNS);
    assert!(!shown.contains('\x1b'));
    assert!(!shown.contains("\nChip  untouched."));
}

#[test]
fn a_list_keeps_its_columns_when_it_wraps() {
    let screen = Screen::new("Fields.").item("  1  31:24  ", "word ".repeat(11));
    shows(
        &screen,
        "\
Fields.

  1  31:24  word word word word word word word word word
            word word
",
    );
}

/// Also where a sentence leads to it, but no sentence about a command.
#[test]
fn a_command_stands_by_itself_and_goes_on_as_a_shell_takes_it() {
    let screen = Screen::new("Held by twin-read: two reads of the chip differ.")
        .next(
            "Give the same write command again, or go back: norlock restore --unit gauge-07 --to 1 \
             --spidev /dev/spidev0.0",
        )
        .next("If it was read from a chip, read that anew: norlock contact, then norlock backup.")
        .next("norlock logbook --shelf FOLDER makes one page of them all.");
    shows(
        &screen,
        "\
Held by twin-read: two reads of the chip differ.

Next  Give the same write command again, or go back:
      norlock restore --unit gauge-07 --to 1 \\
      --spidev /dev/spidev0.0
      If it was read from a chip, read that anew: norlock
      contact, then norlock backup.
      norlock logbook --shelf FOLDER makes one page of them
      all.
",
    );
}

/// Each line but one long word fits; a hash keeps its groups, and a staff line its mark.
#[test]
fn on_a_narrow_terminal_every_line_fits() {
    let screen = Screen::new("Two independent reads agree in all 16 MiB.")
        .row("file", "gauge-07/as-found-12.bin, read-only")
        .hash("SHA-256", &HASH)
        .region(Address(0x4_0000), "boot-settings    1  left: equal already")
        .line("  0x040000 -| boot-settings    1  left: equal already")
        .chip("untouched.")
        .next("norlock check --unit gauge-07");
    assert_eq!(
        screen.render(false, 19),
        "\
Two independent
reads agree in all
16 MiB.

  file
    gauge-07/as-found-12.bin,
    read-only
  SHA-256
    5c1f09e2
    7ab4d830
    16e9c47d
    02f3b85a
    9d60e1c7
    b4478f2e
    30a95d16
    e8c2714b

  0x040000 -|
    boot-settings 1
    left: equal
    already
  0x040000 -|
    boot-settings 1
    left: equal
    already

Chip
  untouched.
Next
  norlock check \\
  --unit gauge-07
"
    );
    let hash = screen.render(false, 39);
    let line = "\n  SHA-256 5c1f09e2 7ab4d830 16e9c47d\n          02f3b85a";
    assert!(hash.contains(line), "{hash}");
}

#[test]
fn each_command_of_a_step_is_whole_and_a_line_of_its_own() {
    let quoted = "norlock restore --to 1 --because 'the board'\\''s list. Second edition'";
    let step = format!("Back it up: norlock backup --unit g. Or go back: {quoted}");
    let (first, second) = ("Back it up:", "Or go back:");
    assert_eq!(
        parted(&step),
        [
            (first, false),
            ("norlock backup --unit g", true),
            (second, false),
            (quoted, true)
        ]
    );
    let step = "Look: norlock id, norlock check. Then: norlock contact. Go on.";
    assert_eq!(
        parted(step),
        [
            ("Look: norlock id, norlock check. Then:", false),
            ("norlock contact", true),
            ("Go on.", false)
        ]
    );
    let whole = "norlock tailor --because 'see: norlock id'";
    assert_eq!(parted(whole), [(whole, true)]);
}
