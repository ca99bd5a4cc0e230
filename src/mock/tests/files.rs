//! Backing files and bench files.

use std::fs;

use super::super::{BenchFile, BenchFileError, Fault, Torn};
use super::*;

fn find(name: &str) -> Option<Part> {
    (name == "SST25VF016B").then(sst25vf016b)
}

fn open(path: &std::path::Path) -> Desk {
    let mock = Mock::open(path, &mut find).unwrap();
    mock.monitor().cover(0..2 << 20);
    let link = mock.link();
    let sck = Hertz::mhz(10);
    Desk { mock, link, sck }
}

#[test]
fn cells_file_shows_from_outside_what_was_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.cells");
    let mock = Mock::with_cells_file(w25q128jv(), &path).unwrap();
    mock.monitor().cover(0..0x10_0000);
    let sck = Hertz::mhz(10);
    let mut desk = Desk {
        link: mock.link(),
        mock,
        sck,
    };
    for page in 0..16 {
        let data = prime_pattern(page * 256, 256);
        desk.write(&Desk::frame(0x02, page * 256, &data));
    }
    let file = fs::read(&path).unwrap();
    assert_eq!(file.len(), 16 << 20);
    assert_eq!(file[..4096], prime_pattern(0, 4096));
    assert_eq!(desk.read(&[0x03, 0, 0, 0], 4096), prime_pattern(0, 4096));
    assert!(file[4096..].iter().all(|byte| *byte == 0xFF));
}

#[test]
fn a_bench_outlasts_the_command() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("gauge-07.toml");
    let mut file = BenchFile::new("SST25VF016B", "gauge-07.cells".as_ref());
    file.fault = vec![Fault::PowerCut {
        at_operation: 3,
        torn: Torn::NotStarted,
    }];
    Mock::create(&path, &file).unwrap();
    assert!(matches!(
        Mock::create(&path, &file),
        Err(BenchFileError::File { .. })
    ));

    let mut desk = open(&path);
    assert_eq!(desk.link.name(), "mock:gauge-07");
    assert_eq!(desk.status(), 0x1C);
    assert_eq!(desk.link.level(), Some(Millivolts(3300)));
    desk.write(&[0x01, 0x00]);
    desk.write(&Desk::frame(0x02, 0, &[0x42]));
    drop(desk);
    // The chip stayed powered: still not protected.
    let mut desk = open(&path);
    assert_eq!(desk.status(), 0x00);
    assert_eq!(desk.read(&[0x03, 0, 0, 0], 1), [0x42]);
    desk.read(&[0x06], 0);
    let error = desk.send(&Desk::frame(0x20, 0, &[]), 0).unwrap_err();
    assert!(matches!(error, LinkError::PowerCut { cut: 3 }), "{error}");
    drop(desk);
    // The supply is back; the cut was used up; the chip protects itself at power-up.
    let mut desk = open(&path);
    assert_eq!((desk.mock.modifying_operations(), desk.status()), (3, 0x1C));
    desk.write(&[0x01, 0x00]);
    desk.write(&Desk::frame(0x20, 0, &[]));
    assert_eq!(desk.mock.truth(0..1), [0xFF]);
}

#[test]
fn the_documented_file_and_every_fault_can_be_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.toml");
    let text = r#"
        part = "SST25VF016B"
        cells = "a.cells"
        level = "3.3V"
        seed = 7
        unique_id = [0xD1, 0x64]
        batch_bytes = 65536
        overhead_us = 30
        [[fault]]
        flips = { rate = 0.0001, above_sck = "12MHz", opcode = 0x03, addresses = { start = 0, end = 0x1000 }, only = "ones" }
        [[fault]]
        loose-contact = { shows = "noise", from_frame = 9 }
        [[fault]]
        miso = { shows = "low", frames = 3 }
        [[fault]]
        address-line = { line = 16, is = { same-as = 12 } }
        [[fault]]
        address-line = { line = 17, is = "high" }
        [[fault]]
        link = { at_batch = 5, error = { errno = 5 } }
        [[fault]]
        link = { at_batch = 6, error = "short", lasting = true }
        [[fault]]
        asleep = {}
        [[fault]]
        write-enabled = {}
        [[fault]]
        power-cut = { at_operation = 3, torn = "random-bits" }
        [[fault]]
        swapped = { after_operation = 2, unique_id = [1, 2], content = "same" }
        [[fault]]
        slow = { factor = 2.5 }
    "#;
    fs::write(&path, text).unwrap();
    let mock = Mock::open(&path, &mut find).unwrap();
    assert_eq!(mock.link().limits().batch_in_bytes, 65536);
    let read: BenchFile = toml::from_str(text).unwrap();
    let again: BenchFile = toml::from_str(&toml::to_string(&read).unwrap()).unwrap();
    assert_eq!(read, again);
}

#[test]
fn quantities_are_kept_whole_and_short_where_that_is_the_same() {
    for (text, kept) in [
        ("level = \"3.3 V\"", "level = \"3.3V\""),
        ("level = \"3.301V\"", "level = \"3301mV\""),
    ] {
        let text = format!("part = \"X\"\ncells = \"a.cells\"\n{text}\n");
        let read: BenchFile = toml::from_str(&text).unwrap();
        let written = toml::to_string(&read).unwrap();
        assert!(written.contains(kept), "{written}");
        assert_eq!(toml::from_str::<BenchFile>(&written).unwrap(), read);
    }
}

#[test]
fn mistakes_in_a_bench_file_are_told_with_their_place() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.toml");
    let message = |text: &str| {
        fs::write(&path, text).unwrap();
        let error = Mock::open(&path, &mut find).unwrap_err().to_string();
        error.replace(&folder.path().display().to_string(), "")
    };
    let good = "part = \"SST25VF016B\"\ncells = \"a.cells\"\n";
    for (more, place) in [
        ("colour = 1\n", "line 3, column 1: unknown key"),
        ("level = \"3.3\"\n", "line 3, column 9: "),
        (
            "[[fault]]\nflips = { rat = 1.0 }\n",
            "line 4, column 11: unknown key",
        ),
        ("[[fault]]\nflip = {}\n", "line 4, column 1: unknown key"),
        ("seed = \n", "line 3, column 8"),
    ] {
        let told = message(&format!("{good}{more}"));
        assert!(told.contains(place), "{told}");
    }
    let told = message("part = \"X\"\ncells = \"a.cells\"\n");
    assert!(
        told.contains("line 1, column 8: the part 'X' is not in the table"),
        "{told}"
    );
    fs::write(folder.path().join("a.cells"), [0; 5]).unwrap();
    let told = message(good);
    assert!(told.starts_with("cannot use the cells in"), "{told}");
}

/// W25Q128JV has no B7h among its instructions (from memory); W25Q256JV has (Rev. I, 8.1.2).
#[test]
fn a_mode_that_the_part_does_not_have_is_refused_where_it_stands() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("gauge-07.toml");
    let catalogue = crate::part::Catalogue::builtin().unwrap();
    let mut find = |name: &str| catalogue.parts().iter().find(|p| p.name == name).cloned();
    for (name, says) in [
        ("W25Q128JV", Some("W25Q128JV has no 4-byte mode")),
        ("W25Q256JV", None),
    ] {
        let text = format!(
            "part = \"{name}\"\ncells = \"{name}.cells\"\n\n[[fault]]\nwrite-enabled = {{}}\n\n\
             [[fault]]\nfour-byte-mode = {{}}\n"
        );
        std::fs::write(&path, text).unwrap();
        let error = Mock::open(&path, &mut find)
            .err()
            .map(|error| error.to_string());
        match (error, says) {
            (Some(error), Some(says)) => {
                assert!(
                    error.contains("line 7, column 1") && error.contains(says),
                    "{error}"
                );
            }
            (None, None) => {}
            (error, _) => panic!("{name}: {error:?}"),
        }
    }
}
