//! The cells of a simulated chip, in memory or in a backing file.

use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::FileExt;
use std::path::Path;

/// Bytes handled at once where the array is worked through.
const CHUNK_BYTES: u32 = 65_536;

/// Where the bytes are.
#[derive(Debug)]
enum Place {
    Memory(Vec<u8>),
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
        Self {
            place: Place::Memory(vec![0xFF; size_bytes as usize]),
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
            Place::Memory(bytes) => {
                let start = address as usize;
                let from = start
                    .checked_add(into.len())
                    .and_then(|end| bytes.get(start..end))
                    .ok_or_else(past_the_end)?;
                into.copy_from_slice(from);
                Ok(())
            }
            Place::File(file) => file.read_exact_at(into, u64::from(address)),
        }
    }

    /// Puts `bytes` at `address`, whatever was there.
    pub(super) fn write(&mut self, address: u32, bytes: &[u8]) -> io::Result<()> {
        let start = address as usize;
        let end = start.checked_add(bytes.len()).ok_or_else(past_the_end)?;
        if end > self.size_bytes as usize {
            return Err(past_the_end());
        }
        match &mut self.place {
            Place::Memory(cells) => {
                let into = cells.get_mut(start..end).ok_or_else(past_the_end)?;
                into.copy_from_slice(bytes);
                Ok(())
            }
            Place::File(file) => file.write_all_at(bytes, u64::from(address)),
        }
    }

    /// Works through `length_bytes` from `address` on; `change` sees each run's address and bytes.
    pub(super) fn change(
        &mut self,
        address: u32,
        length_bytes: u32,
        mut change: impl FnMut(u32, &mut [u8]),
    ) -> io::Result<()> {
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

    /// A copy in memory.
    pub(super) fn copied(&self) -> io::Result<Self> {
        let mut copy = Self::blank(self.size_bytes);
        if let Place::Memory(bytes) = &mut copy.place {
            self.read(0, bytes)?;
        }
        Ok(copy)
    }
}

/// Fills a new file with erased bytes.
fn blank_file(file: File, size_bytes: u32) -> io::Result<File> {
    let run = vec![0xFF; size_bytes.min(CHUNK_BYTES) as usize];
    let mut done = 0;
    while done < size_bytes {
        let length = (size_bytes - done).min(CHUNK_BYTES);
        let part = run.get(..length as usize).unwrap_or(&run);
        file.write_all_at(part, u64::from(done))?;
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
