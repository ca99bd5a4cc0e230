//! The bench file of `--mock`: what is taken makes a chip that can be worked on.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use std::time::Duration;

use norlock::jedec::Hertz;
use norlock::link::{Frame, Link, Segment};
use norlock::mock::{BenchFile, BenchFileError, Mock};
use norlock::part::{Catalogue, Part};

const ARRAY_BYTES: u32 = 8192;

static PART: LazyLock<Part> = LazyLock::new(|| {
    let text = include_str!("../../../tests/parts/valid/plain.toml");
    let catalogue = Catalogue::default()
        .with_user_file(text, "part.toml")
        .unwrap();
    let mut part = catalogue.parts().first().unwrap().clone();
    part.size_bytes = ARRAY_BYTES;
    part.erase_types
        .retain(|erase| erase.size_bytes <= ARRAY_BYTES);
    part
});

/// Reads a bench file, and works on its chip.
pub fn check(bytes: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return false;
    };
    let Ok(mut file) = toml::from_str::<BenchFile>(text) else {
        refused(text);
        return false;
    };
    // The cells could be any file of the computer that fuzzes.
    file.cells = PathBuf::from("cells");
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.toml");
    Mock::create(&path, &file).unwrap();
    let written = fs::read_to_string(&path).unwrap();
    let again: BenchFile = toml::from_str(&written).unwrap();
    assert_eq!(format!("{again:?}"), format!("{file:?}"), "{written}");
    match open(&path) {
        Ok(mock) => work(&mock),
        // A fault that this part cannot have.
        Err(BenchFileError::Text(error)) => {
            super::assert_told(written.as_bytes(), &error);
            return false;
        }
        Err(error) => panic!("{error}"),
    }
    assert!(
        folder.path().join("cells.state").exists(),
        "the state is lost"
    );
    open(&path).unwrap();
    true
}

fn refused(text: &str) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.toml");
    fs::write(&path, text).unwrap();
    match open(&path) {
        Err(BenchFileError::Text(error)) => {
            super::assert_told(text.as_bytes(), &error);
        }
        other => panic!("{other:?}"),
    }
}

/// Opens a bench file on a small part, whatever part it names.
pub fn open(path: &Path) -> Result<Mock, BenchFileError> {
    Mock::open(path, &mut |_| Some(PART.clone()))
}

/// Reads, programs, erases, wakes and resets. The link may fail; what reads may not change the cells.
pub fn work(mock: &Mock) {
    let before = mock.truth(0..ARRAY_BYTES);
    assert_eq!(before.len(), ARRAY_BYTES as usize);
    let mut link = mock.link();
    for (out, count) in [
        (&[0x9F][..], 20),
        (&[0x05], 2),
        (&[0x5A, 0, 0, 0, 0], 64),
        (&[0x03, 0, 0x1F, 0xF0], 64),
        (&[0x0B, 0, 0, 0, 0], 300),
    ] {
        send(&mut link, out, count);
    }
    assert!(
        mock.truth(0..ARRAY_BYTES) == before,
        "a read changed the cells"
    );
    mock.monitor().cover(0..ARRAY_BYTES);
    for out in [
        &[0x06][..],
        &[0x02, 0, 0, 0xFE, 1, 2, 3, 4],
        &[0x06],
        &[0x20, 0, 0, 0],
        &[0x06],
        &[0x01, 0],
        &[0xAB],
        &[0x66],
        &[0x99],
    ] {
        send(&mut link, out, 0);
        link.wait(Duration::from_secs(1));
    }
    send(&mut link, &[0x03, 0, 0, 0], 64);
}

fn send(link: &mut dyn Link, out: &[u8], count: usize) {
    let mut seen = vec![0; count];
    let frame = Frame::new(vec![Segment::Out(out), Segment::In(&mut seen)]);
    // A fault may fail the link: the next frame finds it as it is then.
    let _ = link.transfer(&mut [frame], Hertz::mhz(10));
}
