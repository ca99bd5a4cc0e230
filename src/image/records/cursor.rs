//! The bytes of a file of records, by address.

use std::io;

use super::{Datum, RecordFile, Records, Run};

/// Reads a file of records; quickest from lower to higher addresses.
pub(in crate::image) struct Cursor<'a> {
    file: &'a RecordFile<'a>,
    /// The run that is being read: its first address, the records behind the one at hand, and that one.
    open: Option<(u32, Records<'a>, Datum)>,
}

impl<'a> Cursor<'a> {
    pub fn new(file: &'a RecordFile<'a>) -> Self {
        Self { file, open: None }
    }

    /// Puts what the file has for `address` and above into `into`; other bytes stay.
    ///
    /// # Errors
    /// What the file system says; `InvalidData` where the file is no longer what it was.
    pub fn fill(&mut self, address: u32, into: &mut [u8]) -> io::Result<()> {
        let (start, end) = (u64::from(address), u64::from(address) + into.len() as u64);
        let runs = &self.file.runs;
        let first = runs.range(..=address).next_back();
        let first = first.map_or(address, |(start, _)| *start);
        for (run_start, run) in runs.range(first..) {
            let from = u64::from(*run_start).max(start);
            let to = run.end.min(end);
            if u64::from(*run_start) >= end {
                break;
            }
            let place = |at: u64| usize::try_from(at - start).unwrap_or(usize::MAX);
            if from < to {
                let wanted = into.get_mut(place(from)..place(to)).unwrap_or_default();
                self.copy(*run_start, run, from, wanted)?;
            }
        }
        Ok(())
    }

    /// Copies the bytes of a run from the one at `at` on.
    fn copy(&mut self, start: u32, run: &Run, mut at: u64, mut into: &mut [u8]) -> io::Result<()> {
        while !into.is_empty() {
            let datum = self.holding(start, run, at)?;
            let behind = usize::try_from(at - u64::from(datum.address)).unwrap_or(usize::MAX);
            let useful = datum.bytes.get(behind..).ok_or_else(changed)?;
            let (now, later) = into.split_at_mut(useful.len().min(into.len()));
            now.copy_from_slice(useful.get(..now.len()).unwrap_or_default());
            at += now.len() as u64;
            into = later;
        }
        Ok(())
    }

    /// The record that holds the byte at `at`, which lies in the run that begins at `start`.
    fn holding(&mut self, start: u32, run: &Run, at: u64) -> io::Result<&Datum> {
        let (mut records, mut datum) = match self.open.take() {
            Some((open, records, datum)) if open == start && u64::from(datum.address) <= at => {
                (records, datum)
            }
            _ => self.first(start, run)?,
        };
        while datum.end() <= at {
            datum = next(&mut records, datum.end())?;
        }
        let (_, _, datum) = self.open.insert((start, records, datum));
        Ok(datum)
    }

    fn first(&self, start: u32, run: &Run) -> io::Result<(Records<'a>, Datum)> {
        let RecordFile {
            file, size_bytes, ..
        } = self.file;
        let mut records = Records::new(*file, *size_bytes, run.place, run.decoder);
        let datum = next(&mut records, u64::from(start))?;
        Ok((records, datum))
    }
}

/// The next record, which has to begin at `address`.
fn next(records: &mut Records<'_>, address: u64) -> io::Result<Datum> {
    match records.next() {
        Ok(Some((_, _, datum))) if u64::from(datum.address) == address => Ok(datum),
        Err(super::Fault::Io(error)) => Err(error),
        _ => Err(changed()),
    }
}

fn changed() -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, "it changed while it was read")
}
