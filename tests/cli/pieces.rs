//! The pieces of `tailor`: how they are written, where they go, and what is refused.
//!
//! Files of records are made anew by GNU objcopy (Debian's binutils).

use std::process::Command;

use crate::bad_input::refused;
use crate::desk::{Desk, Ended, noise};

/// Writes `from` anew in another format, into the file `to`; `None` where there is no objcopy.
fn objcopy(desk: &Desk, from: &str, to: &str, options: &str) -> Option<()> {
    let mut command = Command::new("objcopy");
    command.args(["-I", "binary"]).args(options.split(' '));
    let ended = command.arg(desk.path(from)).arg(desk.path(to)).status();
    match ended {
        Ok(status) => {
            assert!(status.success(), "objcopy {options}");
            Some(())
        }
        Err(error) => {
            let required =
                std::env::var_os("NORLOCK_REQUIRE_FORMAT_TOOLS").is_some_and(|value| value == "1");
            assert!(!required, "objcopy: {error}");
            println!("skipped: there is no objcopy");
            None
        }
    }
}

/// gauge-07 with a backup and no target, and pieces that are no whole erase blocks.
fn backed_up() -> Desk {
    let desk = Desk::new();
    desk.ends("backup --unit gauge-07 @bench --quiet", 0);
    desk.put("boot.bin", noise(31, 33_333));
    desk.put("system.bin", noise(32, 70_001));
    desk
}

fn tailor(desk: &Desk, options: &str) -> Ended {
    let line = format!("tailor --unit gauge-07 --map regions.toml --replace {options}");
    desk.ends(&line, 0)
}

#[test]
fn what_objcopy_writes_goes_in_byte_for_byte() {
    let desk = backed_up();
    let found = desk.get("gauge-07/as-found.bin");
    let (boot, system) = (desk.get("boot.bin"), desk.get("system.bin"));
    for (format, name, form) in [
        ("ihex", "a.hex", "Intel HEX"),
        ("srec", "a.srec", "S-records"),
    ] {
        // By their own addresses in the flash, from 0 on, and from 0 on at a place that is given.
        for (start, place, at) in [
            ("0x2FF00", "system", 0x2_FF00),
            ("0", "system", 0x2_0000),
            ("0", "system+0x1F00", 0x2_1F00),
        ] {
            let options = format!("-O {format} --change-addresses {start}");
            if objcopy(&desk, "system.bin", name, &options).is_none()
                || objcopy(&desk, "boot.bin", "boot.hex", "-O ihex").is_none()
            {
                return;
            }
            let said = tailor(
                &desk,
                &format!(
                    "--piece {place}={name} --sha256 {place}=#{name} --fill system=blank \
                     --piece boot=boot.hex --sha256 boot=#boot.hex --fill boot=keep"
                ),
            );
            said.says(&format!(
                "piece {name} read as {form}, 70,001 bytes at 0x{at:06X}"
            ));
            said.says("piece boot.hex read as Intel HEX, 33,333 bytes at 0x000000");
            let mut target = found.clone();
            target[0x2_0000..0xE_0000].fill(0xFF);
            target[at..at + system.len()].copy_from_slice(&system);
            target[..boot.len()].copy_from_slice(&boot);
            assert!(
                desk.get("gauge-07/target.bin") == target,
                "{format} {place}"
            );
        }
    }
}

#[test]
fn a_damaged_line_is_told_and_the_old_target_stays() {
    let desk = backed_up();
    tailor(
        &desk,
        "--piece boot=boot.bin --sha256 boot=#boot.bin --fill boot=blank",
    );
    for (format, column) in [("ihex", 42), ("srec", 43)] {
        if objcopy(&desk, "system.bin", "a.txt", &format!("-O {format}")).is_none() {
            return;
        }
        let text = desk.get("a.txt");
        let mut lines: Vec<Vec<u8>> = text.split(|b| *b == b'\n').map(<[u8]>::to_vec).collect();
        let digit = &mut lines[1234][20];
        *digit = if *digit == b'0' { b'1' } else { b'0' };
        desk.put("a.txt", lines.join(&b'\n'));
        refused(
            &desk,
            "tailor --unit gauge-07 --replace --piece system=a.txt --sha256 system=#a.txt \
             --fill system=keep",
            5,
            &format!("a.txt, line 1235, column {column}: the line is damaged"),
        );
        desk.put("a.txt", &text[..text.len() / 2]);
        refused(
            &desk,
            "tailor --unit gauge-07 --replace --piece system=a.txt --sha256 system=#a.txt \
             --fill system=keep",
            5,
            "a.txt, line ",
        );
    }
}

#[test]
fn what_cannot_be_right_is_refused() {
    let desk = backed_up();
    desk.put("gauge-07/regions.toml", desk.get("regions.toml"));
    desk.put("page.html", "<html>\n<p>No such file.</p>\n</html>\n");
    desk.put("same.bin", &desk.cells()[..0x1_0000]);
    desk.put("more.bin", noise(33, 100));
    for (options, code, says) in [
        ("", 2, "There is nothing to put into the image."),
        (
            "--piece boot=boot.bin",
            2,
            "No SHA-256 was given for the piece boot.bin.",
        ),
        (
            "--piece boot+0x10=boot.bin --sha256 boot=#boot.bin",
            2,
            "There is no piece that --sha256 boot is for.",
        ),
        (
            "--piece boot=boot.bin --piece boot=more.bin --sha256 boot=#boot.bin",
            2,
            "--piece boot is given twice. Next Say where each piece begins in its region: --piece \
             boot+OFFSET=...",
        ),
        (
            "--piece boot+0=boot.bin --piece boot=more.bin --sha256 boot=#boot.bin",
            2,
            "--piece boot is given twice.",
        ),
        (
            "--fill boot=blank --fill boot=keep",
            2,
            "--fill is given twice for region 'boot'.",
        ),
        (
            "--piece boot=boot.bin --sha256 boot=#boot.bin",
            5,
            "Region 'boot' has 64 KiB, and there are 33333 bytes for it: nothing says what the rest \
             becomes, from 0x008235 on. Next Say it: --fill boot=keep leaves it as found, --fill \
             boot=blank makes it FF,",
        ),
        (
            "--piece boot=page.html --sha256 boot=#page.html --fill boot=keep",
            5,
            "page.html is plain text, and region 'boot' holds none.",
        ),
        (
            "--piece boot=same.bin --sha256 boot=#same.bin",
            5,
            "Nothing would change in region 'boot': it holds same.bin already.",
        ),
        (
            "--fill boot=blank",
            5,
            "All of region 'boot' would be blank, and the board starts from there.",
        ),
        (
            "--piece boot=boot.bin --sha256 boot=#boot.bin --piece boot+0x8234=more.bin \
             --sha256 boot+0x8234=#more.bin --fill boot=keep",
            5,
            "Two pieces overlap in region 'boot': boot.bin takes 0x000000 to 0x008235, more.bin 0x008234 to \
             0x008298.",
        ),
        (
            "--piece boot=boot.bin --sha256 boot=#more.bin --fill boot=keep",
            5,
            "boot.bin is not what was expected",
        ),
    ] {
        let line = format!("tailor --unit gauge-07 {options}");
        refused(&desk, line.trim(), code, says);
    }
}

/// A place without an offset is the one at 0; a map that was named becomes the unit's own with the target
/// and not before; and the record says what went in.
#[test]
fn what_was_made_is_on_record_and_what_was_not_leaves_nothing() {
    let desk = backed_up();
    let line = "tailor --unit gauge-07 --map regions.toml --piece boot+0=boot.bin --fill boot=keep --sha256 boot=";
    desk.ends(&format!("{line}#system.bin"), 5);
    assert!(!desk.path("gauge-07/regions.toml").exists());
    let said = desk.ends(&format!("{line}#boot.bin"), 0);
    said.says("map regions.toml is the unit's own from now on");
    assert!(desk.get("gauge-07/regions.toml") == desk.get("regions.toml"));
    let record = String::from_utf8(desk.get("gauge-07/unit.toml")).unwrap();
    let sha256 = |path: &str| norlock::unit::Digest::of(&desk.get(path)).to_string();
    for kept in [
        format!(
            "\"boot 0x000000\" = \"boot.bin, SHA-256 {}\"",
            sha256("boot.bin")
        ),
        format!("target = \"SHA-256 {}\"", sha256("gauge-07/target.bin")),
    ] {
        assert!(record.contains(&kept), "{kept}\n{record}");
    }
}

#[test]
fn the_report_has_what_the_screen_has() {
    let desk = backed_up();
    desk.put("more.bin", noise(33, 100));
    let options = "--piece boot=boot.bin --sha256 boot=#boot.bin --piece boot+0xFF00=more.bin \
                   --sha256 boot+0xFF00=#more.bin --fill boot=blank";
    let line = format!("tailor --unit gauge-07 --map regions.toml --replace {options}");
    let ended = desk.ends(&format!("{line} --json"), 0);
    let report: serde_json::Value = serde_json::from_str(ended.out.trim()).unwrap();
    let report = &report["report"];
    let boot = &report["tailored"]["regions"][0];
    assert_eq!(boot["pieces"][1]["range"]["start"], 0xFF00);
    assert_eq!(boot["pieces"][1]["form"], "raw");
    assert_eq!(boot["rest"]["fill"], 0xFF);
    assert_eq!(boot["blank_before_bytes"], 32 << 10);
    assert_eq!(boot["blank_bytes"], (64 - 36 - 4) << 10);
    let target = desk.get("gauge-07/target.bin");
    let found = desk.get("gauge-07/as-found.bin");
    let differ = target.iter().zip(&found).filter(|(a, b)| a != b).count();
    assert_eq!(boot["changed_bytes"], differ);
    let hash = norlock::unit::Digest::of(&target).to_string();
    assert_eq!(report["tailored"]["sha256"], hash);
    let parts = boot["parts"].as_array().unwrap();
    let parts: Vec<_> = parts
        .iter()
        .map(|part| {
            (
                part["range"]["start"].as_u64().unwrap(),
                part["becomes"].as_str().unwrap(),
            )
        })
        .collect();
    assert_eq!(
        parts,
        [
            (0, "new"),
            (0x8000, "new-where-blank"),
            (0x9000, "stays-blank"),
            (0xF000, "new-where-blank"),
        ]
    );
    let kept = report["kept"].as_array().unwrap();
    let names: Vec<_> = kept.iter().map(|span| span["region"].as_str()).collect();
    let regions = ["boot-settings", "system", "calibration", "identity"].map(Some);
    assert_eq!(names, [regions.as_slice(), &[None]].concat());

    let screen = tailor(&desk, options);
    print!("{screen}");
    assert!(
        screen.out.contains(
            "  0x000000 -| boot            32 KiB  new\n\
         \x20 0x008000  |                  4 KiB  new, blank before\n\
         \x20 0x009000  |                 24 KiB  blank as before\n\
         \x20 0x00F000  |                  4 KiB  new, blank before\n\
         \x20 0x010000 -| boot-settings   64 KiB  as found\n\
         \x20 0x020000 -| system         768 KiB  as found\n\
         \x20 0x0E0000 -| calibration     64 KiB  as found: unit data\n\
         \x20 0x0F0000 -| identity        32 KiB  as found: unit data\n\
         \x20 0x0F8000 -| no region       32 KiB  as found\n"
        ),
        "{screen}"
    );
    let figures = format!("boot 33,433 bytes {} 32 KiB 24 KiB", comma(differ));
    screen.says(&format!("pieces bytes differ blank was blank is {figures}"));
    screen.says("border every region keeps to erase blocks of 4 KiB");
}

fn comma(number: usize) -> String {
    format!("{},{:03}", number / 1000, number % 1000)
}
