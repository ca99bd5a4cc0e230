//! The cells of a simulated chip, in memory or in a backing file.

use std::fs::{File, OpenOptions};
use std::io;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

/// Bytes handled at once where the array is worked through.
const CHUNK_BYTES: u32 = 65_536;

/// Bytes that cells in memory share with those they were forked from, until they change.
const PAGE_BYTES: u32 = 4096;

/// Where the bytes are.
#[derive(Debug)]
enum Place {
    /// Pages, the last one perhaps longer than the array.
    Memory(Vec<Arc<[u8; PAGE_BYTES as usize]>>),
    /// Read and written by position, never mapped and never held: a chip of any size costs no
    /// memory, and a long read is one system call into the caller's buffer.
    File(File),
}

/// What the cells hold, apart from what a faulty wire shows.
#[derive(Debug)]
pub(super) struct Cells {
    place: Place,
    size_bytes: u32,
}

impl Cells {
    /// Erased cells in memory.
    pub(super) fn blank(size_bytes: u32) -> Self {
        let page = Arc::new([0xFF; PAGE_BYTES as usize]);
        let pages = (0..size_bytes.div_ceil(PAGE_BYTES)).map(|_| Arc::clone(&page));
        Self {
            place: Place::Memory(pages.collect()),
            size_bytes,
        }
    }

    /// Cells in a raw file of exactly `size_bytes`; a missing file is made, erased.
    pub(super) fn in_file(path: &Path, size_bytes: u32) -> io::Result<Self> {
        let mut options = OpenOptions::new();
        options.read(true).write(true);
        let file = match options.open(path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                blank_file(options.create_new(true).open(path)?, size_bytes)?
            }
            other => other?,
        };
        let found = file.metadata()?.len();
        if found != u64::from(size_bytes) {
            let text = format!("the file is {found} bytes, the chip {size_bytes}");
            return Err(io::Error::new(io::ErrorKind::InvalidData, text));
        }
        Ok(Self {
            place: Place::File(file),
            size_bytes,
        })
    }

    /// Bytes in the array.
    pub(super) fn size_bytes(&self) -> u32 {
        self.size_bytes
    }

    /// Fills `into` from `address` on; past the end of the array is an error.
    pub(super) fn read(&self, address: u32, into: &mut [u8]) -> io::Result<()> {
        match &self.place {
            Place::Memory(pages) => {
                self.check_range(address, into.len())?;
                let mut rest = into;
                for (number, range) in runs(address, rest.len() as u32) {
                    let page = pages.get(number).and_then(|page| page.get(range));
                    let page = page.ok_or_else(past_the_end)?;
                    let (run, later) = rest.split_at_mut(page.len());
                    run.copy_from_slice(page);
                    rest = later;
                }
                Ok(())
            }
            Place::File(file) => read_at(file, into, u64::from(address)),
        }
    }

    /// Whether `bytes` are what the cells hold from `address` on.
    pub(super) fn hold(&self, address: u32, bytes: &[u8]) -> io::Result<bool> {
        self.check_range(address, bytes.len())?;
        let Place::Memory(pages) = &self.place else {
            let mut here = vec![0; bytes.len()];
            return self.read(address, &mut here).map(|()| here == bytes);
        };
        let mut rest = bytes;
        Ok(runs(address, bytes.len() as u32).all(|(number, range)| {
            let (wanted, later) = rest.split_at(range.len());
            rest = later;
            pages.get(number).and_then(|page| page.get(range)) == Some(wanted)
        }))
    }

    /// Puts `bytes` at `address`, whatever was there.
    pub(super) fn write(&mut self, address: u32, bytes: &[u8]) -> io::Result<()> {
        self.check_range(address, bytes.len())?;
        if let Place::File(file) = &self.place {
            return write_at(file, bytes, u64::from(address));
        }
        let mut rest = bytes;
        self.change(address, bytes.len() as u32, |_, run| {
            let (new, later) = rest.split_at(run.len());
            run.copy_from_slice(new);
            rest = later;
        })
    }

    /// Works through `length_bytes` from `address` on; `change` sees each run's address and bytes.
    pub(super) fn change(
        &mut self,
        address: u32,
        length_bytes: u32,
        mut change: impl FnMut(u32, &mut [u8]),
    ) -> io::Result<()> {
        self.check_range(address, length_bytes as usize)?;
        if let Place::Memory(pages) = &mut self.place {
            let mut at = address;
            for (number, range) in runs(address, length_bytes) {
                let page = pages.get_mut(number).map(Arc::make_mut);
                let run = page.and_then(|page| page.get_mut(range));
                let run = run.ok_or_else(past_the_end)?;
                change(at, run);
                at += run.len() as u32;
            }
            return Ok(());
        }
        let mut done = 0;
        let mut run = vec![0; length_bytes.min(CHUNK_BYTES) as usize];
        while done < length_bytes {
            run.truncate((length_bytes - done) as usize);
            self.read(address + done, &mut run)?;
            change(address + done, &mut run);
            self.write(address + done, &run)?;
            done += run.len() as u32;
        }
        Ok(())
    }

    fn check_range(&self, address: u32, length: usize) -> io::Result<()> {
        let end = (address as usize).checked_add(length);
        let fits = end.is_some_and(|end| end <= self.size_bytes as usize);
        fits.then_some(()).ok_or_else(past_the_end)
    }

    /// The same cells, apart from these: pages are shared until they change, a file is read whole.
    pub(super) fn fork(&self) -> io::Result<Self> {
        let mut fork = Self::blank(self.size_bytes);
        match &self.place {
            Place::Memory(pages) => fork.place = Place::Memory(pages.clone()),
            Place::File(_) => {
                let mut read = Ok(());
                fork.change(0, self.size_bytes, |at, run| {
                    if read.is_ok() {
                        read = self.read(at, run);
                    }
                })?;
                read?;
            }
        }
        Ok(fork)
    }
}

/// The pages that a range touches: their numbers, and which of their bytes.
fn runs(address: u32, length_bytes: u32) -> impl Iterator<Item = (usize, Range<usize>)> {
    let end = address.saturating_add(length_bytes);
    let first = address / PAGE_BYTES;
    (first..end.div_ceil(PAGE_BYTES)).map(move |number| {
        let start = number * PAGE_BYTES;
        let within = address.max(start) - start..(end - start).min(PAGE_BYTES);
        (number as usize, within.start as usize..within.end as usize)
    })
}

/// Fills a new file with erased bytes.
fn blank_file(file: File, size_bytes: u32) -> io::Result<File> {
    let run = vec![0xFF; size_bytes.min(CHUNK_BYTES) as usize];
    let mut done = 0;
    while done < size_bytes {
        let length = (size_bytes - done).min(CHUNK_BYTES);
        let part = run.get(..length as usize).unwrap_or(&run);
        write_at(&file, part, u64::from(done))?;
        done += length;
    }
    Ok(file)
}

fn past_the_end() -> io::Error {
    io::Error::new(
        io::ErrorKind::InvalidInput,
        "the range reaches past the end of the array",
    )
}

#[cfg(unix)]
fn read_at(file: &File, into: &mut [u8], offset: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, into, offset)
}

#[cfg(unix)]
fn write_at(file: &File, bytes: &[u8], offset: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::write_all_at(file, bytes, offset)
}

// Elsewhere the file's position moves, which nothing else uses.
#[cfg(not(unix))]
fn read_at(mut file: &File, into: &mut [u8], offset: u64) -> io::Result<()> {
    io::Seek::seek(&mut file, io::SeekFrom::Start(offset))?;
    io::Read::read_exact(&mut file, into)
}

#[cfg(not(unix))]
fn write_at(mut file: &File, bytes: &[u8], offset: u64) -> io::Result<()> {
    io::Seek::seek(&mut file, io::SeekFrom::Start(offset))?;
    io::Write::write_all(&mut file, bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn both() -> (tempfile::TempDir, Vec<Cells>) {
        let folder = tempfile::tempdir().unwrap();
        let file = Cells::in_file(&folder.path().join("a.cells"), 4096).unwrap();
        (folder, vec![Cells::blank(4096), file])
    }

    #[test]
    fn new_cells_are_erased_and_keep_what_is_written() {
        let (_folder, all) = both();
        for mut cells in all {
            let mut read = [0; 4];
            cells.read(4092, &mut read).unwrap();
            assert_eq!(read, [0xFF; 4]);
            cells.write(4092, &[1, 2, 3, 4]).unwrap();
            cells
                .change(4090, 4, |_, run| run.iter_mut().for_each(|b| *b &= 0x0F))
                .unwrap();
            let mut read = [0; 6];
            cells.read(4090, &mut read).unwrap();
            assert_eq!(read, [0x0F, 0x0F, 1, 2, 3, 4]);
        }
    }

    #[test]
    fn ranges_past_the_end_are_errors() {
        let (_folder, all) = both();
        for mut cells in all {
            assert!(cells.read(4093, &mut [0; 4]).is_err());
            assert!(cells.write(4093, &[0; 4]).is_err());
            assert!(cells.change(4093, 4, |_, _| ()).is_err());
        }
    }

    #[test]
    fn what_crosses_pages_is_whole() {
        let folder = tempfile::tempdir().unwrap();
        let size = 3 * PAGE_BYTES - 100;
        let file = Cells::in_file(&folder.path().join("a.cells"), size).unwrap();
        for mut cells in [Cells::blank(size), file] {
            let bytes: Vec<u8> = (0..9000_u32).map(|n| (n % 251) as u8).collect();
            cells.write(1000, &bytes).unwrap();
            let mut read = vec![0; 9002];
            cells.read(999, &mut read).unwrap();
            assert!(read[0] == 0xFF && read[1..9001] == bytes && read[9001] == 0xFF);
            let mut next = 1000;
            let mut seen = Vec::new();
            let look = |at: u32, run: &mut [u8]| {
                assert_eq!(at, next);
                next += run.len() as u32;
                seen.extend_from_slice(run);
            };
            cells.change(1000, 9000, look).unwrap();
            assert!(seen == bytes);
            assert!(cells.hold(1000, &bytes).unwrap() && !cells.hold(1001, &bytes).unwrap());
            assert!(cells.hold(size - 1, &[0xFF, 0xFF]).is_err());
            let mut last = [0; 1];
            cells.read(size - 1, &mut last).unwrap();
            assert!(cells.read(size, &mut last).is_err());
        }
    }

    #[test]
    fn a_fork_holds_the_same_and_goes_its_own_way() {
        let (_folder, all) = both();
        for mut cells in all {
            cells.write(0, &[1, 2, 3]).unwrap();
            let mut fork = cells.fork().unwrap();
            let read = |cells: &Cells| {
                let mut bytes = [0; 4];
                cells.read(0, &mut bytes).unwrap();
                bytes
            };
            assert_eq!(read(&fork), [1, 2, 3, 0xFF]);
            fork.write(0, &[9]).unwrap();
            cells.write(1, &[8]).unwrap();
            assert_eq!(read(&fork), [9, 2, 3, 0xFF]);
            assert_eq!(read(&cells), [1, 8, 3, 0xFF]);
        }
    }

    #[test]
    fn a_file_of_another_size_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.cells");
        std::fs::write(&path, [0; 100]).unwrap();
        let error = Cells::in_file(&path, 4096).unwrap_err();
        assert_eq!(error.to_string(), "the file is 100 bytes, the chip 4096");
    }
}
