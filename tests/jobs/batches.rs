//! How many batches a read of the whole chip takes, against the fewest that the link allows.
//!
//! A link with the limits of spidev: transmit and receive counted apart, each segment rounded up
//! to 128 bytes, at most 50 ms in one message (Linux `drivers/spi/spidev.c`; 128 is the largest
//! alignment, of arm64, from memory).

use std::sync::{Arc, Mutex};
use std::time::Duration;

use norlock::jedec::{Hertz, Lanes};
use norlock::job::{self, Bench, Nobody, Way};
use norlock::link::{Frame, Limits, Link, Segment};
use norlock::mock::Mock;
use norlock::part::Catalogue;
use norlock::unit::store::Store;

use crate::altered::Altered;
use crate::small::PARTS;
use crate::station::{REGIONS, Station, content, part};

const SIZE: usize = 2 << 20;

/// One batch as it was handed over.
#[derive(Debug, Clone)]
struct Batch {
    sck: Hertz,
    /// Opcode and bytes in of each frame.
    frames: Vec<(u8, usize)>,
    /// What the kernel would count: bytes out and bytes in, rounded up.
    counted: (usize, usize),
    on_wire: Duration,
}

impl Batch {
    fn of(frames: &[Frame<'_>], sck: Hertz) -> Self {
        let mut batch = Self {
            sck,
            frames: Vec::new(),
            counted: (0, 0),
            on_wire: Duration::ZERO,
        };
        let mut bytes = 0;
        for frame in frames {
            let (mut code, mut into) = (0, 0);
            for segment in &frame.segments {
                bytes += segment.len();
                match segment {
                    Segment::Out(out) => {
                        code = out[0];
                        batch.counted.0 += out.len().next_multiple_of(128);
                    }
                    Segment::In(read) => {
                        into += read.len();
                        batch.counted.1 += read.len().next_multiple_of(128);
                    }
                    Segment::Exchange(both) => {
                        code = both[0];
                        let counted = both.len().next_multiple_of(128);
                        batch.counted = (batch.counted.0 + counted, batch.counted.1 + counted);
                    }
                }
            }
            batch.frames.push((code, into));
        }
        batch.on_wire = Duration::from_secs_f64(bytes as f64 * 8.0 / f64::from(sck.0));
        batch
    }

    /// Opcode of the frames that read the array, and the bytes they bring in.
    fn array(&self) -> Option<(u8, usize)> {
        let reads = || {
            self.frames
                .iter()
                .filter(|(code, _)| [0x03, 0x0B].contains(code))
        };
        let (code, _) = reads().next()?;
        Some((*code, reads().map(|(_, bytes)| bytes).sum()))
    }
}

/// A read of the whole chip: its opcode, SCK and how many batches it took.
#[derive(Debug, PartialEq, Eq)]
struct Read {
    code: u8,
    sck: Hertz,
    batches: usize,
}

/// The reads of the whole chip among `batches`: as many bytes as the chip has, by one opcode at one
/// SCK, with what was sent between and the ID read directly behind.
fn whole_reads(batches: &[Batch]) -> Vec<Read> {
    let mut found = Vec::new();
    for (start, first) in batches.iter().enumerate() {
        let Some((code, _)) = first.array() else {
            continue;
        };
        let mut bytes = 0;
        for (place, batch) in batches.iter().enumerate().skip(start) {
            match batch.array() {
                Some((other, _)) if (other, batch.sck) != (code, first.sck) => break,
                Some((_, more)) => bytes += more,
                None => {}
            }
            if bytes >= SIZE {
                let next = batches.get(place + 1);
                let behind = next.is_some_and(|batch| batch.frames == [(0x9F, 20)]);
                let overlaps = found.iter().any(|(end, _)| *end > start);
                if bytes == SIZE && !overlaps {
                    let batches = place + 1 - start + usize::from(behind);
                    let sck = first.sck;
                    found.push((place, Read { code, sck, batches }));
                }
                break;
            }
        }
    }
    found.into_iter().map(|(_, read)| read).collect()
}

/// The fewest batches: as much as `bufsiz` holds, or as goes over the wire in 50 ms with the command, in
/// multiples of 128 bytes, which keep the boundaries of two reads apart.
fn fewest(bufsiz: usize, read: &Read) -> usize {
    let command = if read.code == 0x03 { 4 } else { 5 };
    let in_time = read.sck.0 as usize / 160 - command;
    SIZE.div_ceil(bufsiz.min(in_time) / 128 * 128)
}

struct Run {
    station: Station,
    batches: Arc<Mutex<Vec<Batch>>>,
}

impl Run {
    fn new(bufsiz: usize, sck: Hertz) -> Self {
        let parts = PARTS.replace("size_bytes = 65536\n", "size_bytes = 2097152\n");
        let parts = parts.replace("0x7A, 0x10]", "0x7A, 0x15]");
        let catalogue = Catalogue::builtin().unwrap();
        let catalogue = catalogue.with_user_file(&parts, "harbour.toml").unwrap();
        let station = Station {
            mock: Mock::new(part(&catalogue, "HB25Q512")),
            marking: Some("HB25Q512".into()),
            catalogue,
            sck,
            ..Station::new(5)
        };
        station.mock.set_truth(0, &content(5, SIZE)).unwrap();
        station.mock.set_limits(Limits {
            batch_out_bytes: bufsiz,
            batch_in_bytes: bufsiz,
            segment_align_bytes: 128,
            batch_segments: 511,
            sck_max: Hertz::mhz(50),
            sck_min: Hertz(1_000),
            lanes: Lanes::ONE,
        });
        let batches = Arc::default();
        Self { station, batches }
    }

    fn bench(&self) -> Bench {
        let batches = Arc::clone(&self.batches);
        let link = Altered::new(self.station.mock.link(), move |link, batch, sck| {
            batches.lock().unwrap().push(Batch::of(batch, sck));
            link.transfer(batch, sck)
        });
        Bench {
            way: Way::Link(Box::new(link)),
            ..self.station.bench()
        }
    }

    fn reads(&self) -> Vec<Read> {
        let batches = std::mem::take(&mut *self.batches.lock().unwrap());
        for batch in &batches {
            let limit = self.station.mock.link().limits().batch_in_bytes;
            let (out, into) = batch.counted;
            assert!(out <= limit && into <= limit, "{batch:?}");
            assert!(batch.on_wire <= Limits::BATCH_TIME_MAX, "{batch:?}");
        }
        whole_reads(&batches)
    }

    fn backup(&self) -> Vec<Read> {
        job::backup(&mut self.station.unit(), self.bench(), &mut Nobody).unwrap();
        self.reads()
    }

    fn verify(&self) -> Vec<Read> {
        let image = self
            .station
            .files
            .open(&self.station.folder.join("as-found.bin"));
        job::verify(
            &job::VerifyOrder::whole(&*image.unwrap(), 3),
            None,
            self.bench(),
            &mut Nobody,
        )
        .unwrap();
        self.reads()
    }

    fn write(&self) -> Vec<Read> {
        let map = REGIONS.replace("1MiB", "2MiB");
        let path = self.station.folder.join("regions.toml");
        self.station.files.replace(&path, map.as_bytes()).unwrap();
        self.station.tailor(9);
        let order = self.station.order();
        job::write(&mut self.station.unit(), order, self.bench(), &mut Nobody).unwrap();
        self.reads()
    }
}

#[test]
fn whole_reads_take_as_few_batches_as_the_link_allows() {
    for (bufsiz, sck_khz) in [
        (4096, 400),
        (4096, 2_000),
        (4096, 20_000),
        (65536, 1_000),
        (65536, 8_000),
        (65536, 10_000),
        (65536, 20_000),
    ] {
        let run = Run::new(bufsiz, Hertz(sck_khz * 1000));
        // Two reads before a backup; three to verify; two before a write and one after it.
        for (job, reads, wanted) in [
            ("backup", run.backup(), 2),
            ("verify", run.verify(), 3),
            ("write", run.write(), 3),
        ] {
            assert_eq!(
                reads.len(),
                wanted,
                "{job} {bufsiz} {sck_khz} kHz: {reads:?}"
            );
            for read in reads {
                let (least, got) = (fewest(bufsiz, &read), read.batches);
                println!(
                    "bufsiz {bufsiz}, {job}: {:02X}h at {}: {got} batches, at least {least}",
                    read.code, read.sck
                );
                // The look at the ID and the one byte that shifts all boundaries find room beside
                // the array, except where the array alone fills every batch to the last byte.
                let full = least * bufsiz == SIZE;
                let allowed = (least * 101 / 100).max(least + usize::from(full));
                assert!(got <= allowed, "{job} {bufsiz}: {read:?}, at least {least}");
            }
        }
    }
}

/// What docs/speed.md promises; the benchmark `efficiency` asks the same of 16 MiB.
#[test]
fn two_reads_take_little_more_than_their_bits() {
    for (bufsiz, mhz, overhead_us, most) in [
        (4096, 1, 0, 1.005),
        (4096, 50, 0, 1.005),
        (65536, 50, 0, 1.005),
        (65536, 50, 30, 1.02),
        (4096, 20, 51, 1.0 / 0.95),
    ] {
        let run = Run::new(bufsiz, Hertz::mhz(mhz));
        let overhead = Duration::from_micros(overhead_us);
        run.station.mock.set_overhead(overhead);
        let unit = &mut run.station.unit();
        let reads = job::backup(unit, run.bench(), &mut Nobody).unwrap().reads;
        let ratio = reads.time().as_secs_f64() / reads.floor().as_secs_f64();
        println!("bufsiz {bufsiz}, {mhz} MHz, {overhead_us} us: {ratio:.4}");
        assert!((1.0..=most).contains(&ratio), "{ratio}");
    }
}
