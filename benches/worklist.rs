//! What planning a worklist costs beyond reading the two images.
//!
//! `cargo bench -p benches --bench worklist` plans chips of 16 to 256 MiB with erases of 4, 32 and 64 KiB for
//! several kinds of change. It prints the CPU time beyond reading and comparing the same images, and the
//! memory, and fails where 256 MiB take more than 100 ms, a smaller chip more than its share of that, or
//! where the plan holds more than 16 bytes for each smallest block.

use std::error::Error;
use std::fs;
use std::hint::black_box;
use std::io;
use std::process::ExitCode;
use std::time::Duration;

use norlock::image::{ReadAt, RegionMap};
use norlock::jedec::Hertz;
use norlock::part::{EraseType, JedecId, Part, ProgramMethod, Timing};
use norlock::worklist::{Pace, Request, plan};

/// The fastest round counts, as what else the computer does only adds.
const ROUNDS: u32 = 7;
const TIME_MAX: Duration = Duration::from_millis(100);
const BLOCK: usize = 4096;
const BYTES_PER_BLOCK_MAX: u64 = 16;
const SIZES_MIB: [u32; 3] = [16, 64, 256];
const PACE: Pace = Pace {
    first: Hertz::mhz(20),
    second: Hertz::mhz(12),
    read_back: Hertz::mhz(12),
    whole: Hertz::mhz(20),
    modify: Hertz::mhz(10),
    program_lanes: [1, 1],
    address_bytes: 4,
    message: Duration::ZERO,
    message_bytes: Pace::MESSAGE_BYTES,
    sampled_bytes: 0,
    records: Pace::RECORDS,
    begun: Duration::ZERO,
};

/// An image made of blocks by their number, in no memory of its own.
struct Image<'a> {
    size_bytes: u32,
    /// Random bytes, and a block of FFh behind them.
    bytes: &'a [u8],
    /// Where in `bytes` a block begins.
    place: fn(usize) -> usize,
}

const BLANK: usize = 64 * BLOCK;

impl ReadAt for Image<'_> {
    fn size_bytes(&self) -> io::Result<u64> {
        Ok(u64::from(self.size_bytes))
    }

    fn read_at(&self, address: u64, into: &mut [u8]) -> io::Result<()> {
        let place = (self.place)(address as usize / BLOCK);
        into.copy_from_slice(&self.bytes[place..place + into.len()]);
        Ok(())
    }
}

type Places = (&'static str, fn(usize) -> usize, fn(usize) -> usize);

/// What the chip holds and shall hold.
const KINDS: [Places; 6] = [
    (
        "all different",
        |n| n % 31 * BLOCK,
        |n| (n % 31 + 32) * BLOCK,
    ),
    (
        "mostly equal",
        |n| n % 31 * BLOCK,
        |n| (n % 31 + usize::from(n % 64 == 9)) * BLOCK,
    ),
    (
        "alternating",
        |n| n % 31 * BLOCK,
        |n| (n % 31 + n % 2) * BLOCK,
    ),
    ("onto blank", |_| BLANK, |n| n % 31 * BLOCK),
    ("to blank", |n| n % 31 * BLOCK, |_| BLANK),
    (
        "by quarters",
        |n| n % 31 * BLOCK,
        |n| {
            if n / 4 % 4 == 1 {
                BLANK
            } else {
                n % 31 * BLOCK
            }
        },
    ),
];

fn main() -> Result<ExitCode, Box<dyn Error>> {
    let mut random = fastrand::Rng::with_seed(1);
    let mut bytes = vec![0xFF; BLANK + BLOCK];
    bytes[..BLANK].fill_with(|| random.u8(..));
    // First, while nothing that was freed can be taken again.
    let mut holds = memory_holds(&bytes)?;
    for (name, current, target) in KINDS {
        let mut times = Vec::new();
        for mib in SIZES_MIB {
            let image = |place| Image {
                size_bytes: mib << 20,
                bytes: &bytes,
                place,
            };
            times.push(beyond_reading(&image(current), &image(target))?);
        }
        let shown: Vec<_> = times
            .iter()
            .map(|time| format!("{:7.2}", ms(*time)))
            .collect();
        println!("{name:<14} {} ms for 16, 64, 256 MiB", shown.join(" "));
        // Linear: what a block may take is the same on every size.
        let bound = |mib: u32| TIME_MAX / 256 * mib;
        holds &= times
            .iter()
            .zip(SIZES_MIB)
            .all(|(time, mib)| *time <= bound(mib));
    }
    println!(
        "bound          {:7.2} ms for 256 MiB, and as much for each block of less",
        ms(TIME_MAX)
    );
    Ok(if holds {
        ExitCode::SUCCESS
    } else {
        eprintln!("The bounds above do not hold.");
        ExitCode::FAILURE
    })
}

/// What this thread has had of a processor: the first number of schedstat, in nanoseconds. A clock on the
/// wall would count what else the computer does.
fn on_cpu() -> Result<Duration, Box<dyn Error>> {
    let stat = fs::read_to_string("/proc/thread-self/schedstat")?;
    let first = stat.split_whitespace().next().ok_or("no schedstat")?;
    Ok(Duration::from_nanos(first.parse()?))
}

fn ms(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}

/// A part made here: reading the catalogue would leave freed memory behind, in which a plan does not
/// show.
fn part(size_bytes: u32) -> Part {
    let mut part = Part::unknown(JedecId(vec![0xEF, 0x40, 0x18]), size_bytes);
    let timing = |typical, max| Timing {
        typical: Duration::from_micros(typical),
        max: Duration::from_micros(max),
    };
    part.program = ProgramMethod::Page;
    part.page_size_bytes = 256;
    part.page_program = timing(400, 3000);
    let sizes = [(12, 0x20, 45_000), (15, 0x52, 120_000), (16, 0xD8, 150_000)];
    let types = sizes.map(|(bits, opcode, typical)| EraseType {
        size_bytes: 1 << bits,
        opcode,
        opcode_4byte: None,
        time: timing(typical, typical * 10),
        only_in: None,
    });
    part.erase_types = types.to_vec();
    part
}

fn region_map(size: u32) -> Result<RegionMap, Box<dyn Error>> {
    let regions = format!(
        "size = {size}\n[[region]]\nname='boot'\nstart=0\nend=0x40000\nholds='replaceable'\n\
         [[region]]\nname='identity'\nstart=0x40000\nend=0x50000\nholds='unit-data'\n"
    );
    Ok(RegionMap::parse("regions.toml", &regions)?)
}

fn planned(
    (part, map): &(Part, RegionMap),
    current: &Image<'_>,
    target: &Image<'_>,
) -> Result<Duration, Box<dyn Error>> {
    let request = Request {
        current,
        target,
        map,
        part,
        begun: &[],
        pace: PACE,
        accept_shared: true,
    };
    let start = on_cpu()?;
    let worklist = black_box(plan(black_box(&request))?);
    let time = on_cpu()? - start;
    assert!(!worklist.is_empty());
    Ok(time)
}

/// The time of a plan without that of reading the two images block by block and comparing them.
fn beyond_reading(current: &Image<'_>, target: &Image<'_>) -> Result<Duration, Box<dyn Error>> {
    let (mut plans, mut reads) = (Duration::MAX, Duration::MAX);
    let chip = (part(current.size_bytes), region_map(current.size_bytes)?);
    for _ in 0..ROUNDS {
        plans = plans.min(planned(&chip, current, target)?);
        let start = on_cpu()?;
        black_box(equal_blocks(current, target)?);
        reads = reads.min(on_cpu()? - start);
    }
    Ok(plans.saturating_sub(reads))
}

fn equal_blocks(current: &dyn ReadAt, target: &dyn ReadAt) -> Result<u32, Box<dyn Error>> {
    let (mut old, mut new) = (vec![0; BLOCK], vec![0; BLOCK]);
    let mut equal = 0;
    for address in (0..current.size_bytes()?).step_by(BLOCK) {
        current.read_at(address, &mut old)?;
        target.read_at(address, &mut new)?;
        equal += u32::from(old == new);
    }
    Ok(equal)
}

/// The peak of this process while it plans 256 MiB, above what it held.
fn memory_holds(bytes: &[u8]) -> Result<bool, Box<dyn Error>> {
    let image = |place| Image {
        size_bytes: 256 << 20,
        bytes,
        place,
    };
    let (_, current, target) = KINDS[2];
    let chip = (part(256 << 20), region_map(256 << 20)?);
    // Sets the peak back to what is held now; proc(5).
    fs::write("/proc/self/clear_refs", "5")?;
    let before = peak_kib()?;
    planned(&chip, &image(current), &image(target))?;
    let taken = (peak_kib()? - before) << 10;
    let each = taken / (u64::from(256_u32 << 20) / BLOCK as u64);
    println!(
        "memory         {} KiB, {each} bytes for each block of 4 KiB",
        taken >> 10
    );
    println!("bound          {BYTES_PER_BLOCK_MAX} bytes");
    Ok(each <= BYTES_PER_BLOCK_MAX)
}

fn peak_kib() -> Result<u64, Box<dyn Error>> {
    let status = fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let number = line.and_then(|line| line.split_whitespace().next());
    Ok(number.ok_or("no VmHWM")?.parse()?)
}
