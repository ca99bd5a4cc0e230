//! A small unit, whole jobs on it in milliseconds: every operation of a write can be cut.

use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering::SeqCst};
use std::sync::{Arc, Mutex, OnceLock};

use norlock::interlock::Acceptable;
use norlock::jedec::Hertz;
use norlock::job::{
    self, Attendant, Bench, ChipState, Exit, Nobody, RestoreOrder, Stop, WriteOrder, WriteReport,
};
use norlock::link::{Frame, Link, Segment};
use norlock::mock::{Fault, Faults, Mock, Torn};
use norlock::part::Catalogue;
use norlock::unit::journal::{Journal, UnfinishedWrite};
use norlock::unit::store::{Fails, Loss, SimulatedStore, Store};
use norlock::unit::{Recorded, Unit};

use crate::station::{Station, code, part};

/// Made-up parts, among them HB25Q512 of 64 KiB.
pub const PARTS: &str = include_str!("../data/harbour.toml");

pub const REGIONS: &str = r#"
size = "64KiB"

[[region]]
name = "boot"
start = 0x0000
size = "32KiB"
holds = "replaceable"

[[region]]
name = "system"
start = 0x8000
size = "16KiB"
holds = "replaceable"

[[region]]
name = "calibration"
start = 0xC000
size = "4KiB"
holds = "unit-data"

[[region]]
name = "identity"
start = 0xD000
size = "4KiB"
holds = "unit-data"
"#;

pub const SIZE: usize = 64 << 10;
pub const UNIT_DATA: Range<u32> = 0xC000..0xE000;
const TARGET: &str = "/bench/target.bin";
const OTHER_TARGET: &str = "/bench/other.bin";

/// What a process says that a test kills.
pub const KILLED: &str = "killed by the test";

/// Opcodes of erases, programs and status writes of the parts above.
const MODIFYING: [u8; 8] = [0x02, 0x20, 0x52, 0xD8, 0xC7, 0x01, 0x31, 0x11];

pub struct Small {
    pub station: Station,
    pub found: Vec<u8>,
    pub target: Vec<u8>,
    pub lift_protection: bool,
    pub watch: Arc<Watch>,
}

/// Looks at every frame of every run.
#[derive(Default)]
pub struct Watch {
    /// Frames after which unit data was not as found.
    pub hurt: AtomicU64,
    /// What the files lose when the supply is cut; the computer dies with it.
    pub dies: Mutex<Option<Loss>>,
    died: AtomicBool,
    /// The process is killed after so many frames from here; the chip keeps its supply.
    pub kill_in: AtomicU64,
    /// After this store call no erase, program or status write may go out.
    pub quiet_after_call: AtomicUsize,
    pub not_quiet: AtomicU64,
}

impl Small {
    /// A unit with a backup and a map, and a target to write: one block erase with twelve pages, a
    /// block that is erased only, one with one page and no erase, one erased with two pages.
    pub fn ready(seed: u64) -> Self {
        Self::with_part("HB25Q512", seed)
    }

    /// The same, with a part that takes status writes which end with the supply.
    pub fn volatile(seed: u64) -> Self {
        Self::with_part("HB25V16", seed)
    }

    fn with_part(name: &str, seed: u64) -> Self {
        let small = Self::on_the_clip(name, seed);
        let (mut unit, bench) = (small.unit(), small.bench());
        job::backup(&mut unit, bench, &mut Nobody).unwrap();
        drop(unit);
        small.map();
        small
    }

    /// A chip on the clip, and two images to write; no unit yet.
    pub fn on_the_clip(name: &str, seed: u64) -> Self {
        let described = part(catalogue(), name);
        let size = described.size_bytes as usize;
        let (mut found, mut target) = contents(seed);
        found.resize(size, 0xFF);
        target.resize(size, 0xFF);
        let small = Self::with(
            Mock::new(described),
            SimulatedStore::new(),
            name,
            found,
            target,
        );
        small.mock().set_truth(0, &small.found).unwrap();
        let files = small.files();
        files.create_folder(Path::new("/bench")).unwrap();
        files.replace(Path::new(TARGET), &small.target).unwrap();
        let mut other = code(seed ^ 99, 4096);
        other.extend(&small.found[4096..]);
        files.replace(Path::new(OTHER_TARGET), &other).unwrap();
        small
    }

    fn with(
        mock: Mock,
        files: SimulatedStore,
        name: &str,
        found: Vec<u8>,
        target: Vec<u8>,
    ) -> Self {
        let watch = Arc::new(Watch::default());
        watch.quiet_after_call.store(usize::MAX, SeqCst);
        let station = Station {
            mock,
            files,
            catalogue: catalogue().clone(),
            folder: PathBuf::from("/bench/gauge-07"),
            supply: None,
            marking: Some(name.into()),
            sck: Hertz::mhz(20),
            accepted: Vec::<(Acceptable, String)>::new(),
            sync: std::time::Duration::from_millis(5),
            real_time: false,
            trace: Arc::default(),
        };
        Self {
            station,
            found,
            target,
            lift_protection: false,
            watch,
        }
    }

    /// The same unit, files and cells once more, on a bench of its own: to go on from here in several
    /// ways. The other chip's registers are as at the factory, and nothing is announced to its monitor.
    pub fn copy(&self) -> Self {
        let name = self.station.marking.clone().unwrap();
        let mock = Mock::new(part(catalogue(), &name));
        mock.set_truth(0, &self.cells()).unwrap();
        let files = self.files().fork();
        let (found, target) = (self.found.clone(), self.target.clone());
        Self {
            lift_protection: self.lift_protection,
            ..Self::with(mock, files, &name, found, target)
        }
    }

    /// Puts the region map into the unit folder.
    pub fn map(&self) {
        let size = format!("{}KiB", self.found.len() >> 10);
        let map = self.station.folder.join("regions.toml");
        let regions = REGIONS.replace("64KiB", &size);
        self.files().replace(&map, regions.as_bytes()).unwrap();
    }

    pub fn mock(&self) -> &Mock {
        &self.station.mock
    }

    pub fn files(&self) -> &SimulatedStore {
        &self.station.files
    }

    pub fn unit(&self) -> Unit {
        self.station.unit()
    }

    pub fn bench(&self) -> Bench {
        let (mock, files) = (self.mock().clone(), self.files().clone());
        let (watch, unit_data) = (Arc::clone(&self.watch), self.found[0xC000..0xE000].to_vec());
        let mut bench = self.station.bench();
        let mut tell = bench.trace.take();
        bench.trace = Some(Box::new(move |sent| {
            watch.kill();
            if let Some(tell) = &mut tell {
                tell(sent.clone());
            }
            if sent.failed {
                watch.die(&files);
            }
            let first = sent.out.first().copied().unwrap_or_default();
            if MODIFYING.contains(&first) {
                let hurt = mock.truth(UNIT_DATA) != unit_data;
                watch.hurt.fetch_add(u64::from(hurt), SeqCst);
                let loud = files.calls() > watch.quiet_after_call.load(SeqCst);
                watch.not_quiet.fetch_add(u64::from(loud), SeqCst);
            }
        }));
        bench
    }

    /// First bytes of the frames that a run sends.
    pub fn traced(&self, run: impl FnOnce() -> Result<(), Stop>) -> Vec<u8> {
        self.station.trace.lock().unwrap().clear();
        run().unwrap();
        let trace = self.station.trace.lock().unwrap();
        trace.iter().map(|sent| sent.out[0]).collect()
    }

    pub fn write(&self) -> Result<WriteReport, Stop> {
        self.write_attended(&mut Nobody)
    }

    pub fn write_attended(&self, attendant: &mut dyn Attendant) -> Result<WriteReport, Stop> {
        job::write(
            &mut self.unit(),
            self.order(TARGET),
            self.bench(),
            attendant,
        )
    }

    pub fn write_other(&self) -> Result<WriteReport, Stop> {
        let order = self.order(OTHER_TARGET);
        job::write(&mut self.unit(), order, self.bench(), &mut Nobody)
    }

    /// As `write`, but where opening the unit fails that is the outcome.
    pub fn write_as_a_command(&self, paper: &job::Offline) -> Result<WriteReport, Stop> {
        let order = self.order_with(TARGET, paper.clone());
        self.open_then(|unit| job::write(unit, order?, self.bench(), &mut Nobody))
    }

    fn open_then(
        &self,
        work: impl FnOnce(&mut Unit) -> Result<WriteReport, Stop>,
    ) -> Result<WriteReport, Stop> {
        let mut unit = Unit::open(self.station.store(), &self.station.folder)?;
        work(&mut unit)
    }

    pub fn order(&self, path: &str) -> WriteOrder {
        self.order_with(path, self.station.paper()).unwrap()
    }

    fn order_with(&self, path: &str, offline: job::Offline) -> Result<WriteOrder, Stop> {
        Ok(WriteOrder {
            target: self.files().open(Path::new(path))?,
            target_name: "target.bin".into(),
            offline,
            lift_protection: self.lift_protection,
        })
    }

    pub fn restore(&self) -> Result<WriteReport, Stop> {
        self.restore_as(RestoreOrder::default())
    }

    pub fn restore_as(&self, order: RestoreOrder) -> Result<WriteReport, Stop> {
        let order = RestoreOrder {
            to: 1,
            offline: self.station.paper(),
            lift_protection: self.lift_protection,
            ..order
        };
        job::restore(&mut self.unit(), &order, self.bench(), &mut Nobody)
    }

    /// Cuts the supply at the operation `ahead` operations from now. With a loss, the computer dies in
    /// the same moment and its files lose that.
    pub fn cut(&self, ahead: u64, torn: Torn, loss: Option<Loss>, seed: u64) {
        let at_operation = self.mock().modifying_operations() + ahead;
        let cut = Fault::PowerCut { at_operation, torn };
        self.mock().set_faults(Faults::seeded(seed).with(cut));
        *self.watch.dies.lock().unwrap() = loss;
        self.watch.died.store(false, SeqCst);
    }

    /// Supply and computer are back: no faults, no process of before, nothing announced.
    pub fn power_up(&self) {
        self.mock().set_faults(Faults::none());
        self.mock().power_up();
        self.mock().monitor().uncover(0..u32::MAX);
        self.files().fail_no_more();
        self.watch.quiet_after_call.store(usize::MAX, SeqCst);
    }

    pub fn cells(&self) -> Vec<u8> {
        self.station.cells()
    }

    pub fn unfinished(&self) -> Option<UnfinishedWrite> {
        Journal::find_unfinished(&self.unit()).unwrap()
    }

    pub fn operations(&self) -> Vec<Recorded> {
        self.unit().file().operations.clone()
    }

    pub fn replaced(&self) -> Vec<String> {
        let names = self.files().list(&self.station.folder).unwrap();
        let names = names.into_iter().map(|entry| entry.name);
        names
            .filter(|name| name.starts_with("replaced-") && name.ends_with(".bin"))
            .collect()
    }

    /// The chip's status register 1, asked for behind the program's back.
    pub fn status(&self) -> u8 {
        let mut status = [0];
        let frame = Frame::new(vec![Segment::Out(&[0x05]), Segment::In(&mut status)]);
        let mut link = self.mock().link();
        link.transfer(&mut [frame], Hertz::mhz(1)).unwrap();
        status[0]
    }

    /// What holds after every run, however it ended.
    #[track_caller]
    pub fn check_kept(&self) {
        // A process that died is gone: what it could not reach is there.
        self.files().fail_no_more();
        assert_eq!(self.watch.hurt.load(SeqCst), 0, "unit data was changed");
        let here = UNIT_DATA.start as usize..UNIT_DATA.end as usize;
        assert_eq!(self.cells()[here.clone()], self.found[here]);
        assert_eq!(self.mock().monitor().violations(), 0, "write-ahead");
        assert_eq!(self.station.image("as-found.bin"), self.found);
    }

    /// What holds after a run that was stopped once a block was begun.
    #[track_caller]
    pub fn check_stopped(&self, stop: &Stop) {
        assert_eq!(stop.exit, Exit::Unfinished, "{stop:?}");
        assert_eq!(stop.chip, changed(stop), "{stop:?}");
        self.check_kept();
    }

    /// What holds after a job that succeeded.
    #[track_caller]
    pub fn check_done(&self, holds: &[u8]) {
        assert!(self.cells() == holds, "the chip holds something else");
        assert!(self.unfinished().is_none());
        let last = self.operations().pop().unwrap();
        assert!(
            last.outcome.starts_with("the chip holds") || last.outcome == "nothing to change",
            "{last:?}"
        );
        self.check_kept();
    }
}

impl Watch {
    /// Ends the process in the middle of things, once: what unwinds can only tidy.
    fn kill(&self) {
        if self.kill_in.load(SeqCst) > 0 && self.kill_in.fetch_sub(1, SeqCst) == 1 {
            panic!("{KILLED}");
        }
    }

    /// The computer loses its supply with the chip: its files keep what was durable, and nothing that
    /// the dead process still does reaches them.
    fn die(&self, files: &SimulatedStore) {
        let Some(loss) = *self.dies.lock().unwrap() else {
            return;
        };
        if !self.died.swap(true, SeqCst) {
            files.crash(loss);
            files.fail_at(files.calls(), 5, Fails::FromThenOn);
        }
    }
}

/// The parts above alone: each job is given a catalogue of its own, and there are many jobs.
fn catalogue() -> &'static Catalogue {
    static CATALOGUE: OnceLock<Catalogue> = OnceLock::new();
    CATALOGUE.get_or_init(|| {
        let none = Catalogue::default();
        none.with_user_file(PARTS, "harbour.toml").unwrap()
    })
}

fn contents(seed: u64) -> (Vec<u8>, Vec<u8>) {
    let mut found = vec![0xFF; SIZE];
    let mut put = |at: usize, bytes: Vec<u8>| found[at..at + bytes.len()].copy_from_slice(&bytes);
    put(0, code(seed, 20 << 10));
    put(0x8000, code(seed ^ 1, 700));
    put(0x9000, code(seed ^ 2, 2 << 10));
    put(0xB000, code(seed ^ 3, 900));
    put(0xC000, code(seed ^ 4, 600));
    put(0xD000, code(seed ^ 5, 300));
    put(0xE800, code(seed ^ 6, 500));
    let mut target = found.clone();
    target[..0x8000].fill(0xFF);
    for page in 0..12 {
        let at = page * 0xA00;
        target[at..at + 200].copy_from_slice(&code(seed ^ (page as u64 + 20), 200));
    }
    target[0x8000..0x9000].fill(0xFF);
    target[0xA000..0xA080].copy_from_slice(&code(seed ^ 40, 128));
    target[0xB000..0xB200].copy_from_slice(&code(seed ^ 41, 512));
    (found, target)
}

/// Does something to the bench when a task of this name begins.
pub struct When<'a> {
    pub task: &'static str,
    pub ends: bool,
    pub now: Box<dyn FnMut() + 'a>,
    in_hand: &'static str,
}

impl<'a> When<'a> {
    pub fn begins(task: &'static str, now: impl FnMut() + 'a) -> Self {
        let now = Box::new(now);
        Self {
            task,
            ends: false,
            now,
            in_hand: "",
        }
    }

    pub fn ends(task: &'static str, now: impl FnMut() + 'a) -> Self {
        Self {
            ends: true,
            ..Self::begins(task, now)
        }
    }
}

impl Attendant for When<'_> {
    fn begins(&mut self, task: &job::Task) {
        self.in_hand = task.name;
        if task.name == self.task && !self.ends {
            (self.now)();
        }
    }
    fn at(&mut self, _done: u64, _place: Option<&str>) {}
    fn ends(&mut self, _words: &str) {
        if self.in_hand == self.task && self.ends {
            (self.now)();
        }
    }
    fn stop_asked(&self) -> bool {
        false
    }
}

/// Asks to stop once so many blocks were taken in hand.
#[derive(Default)]
pub struct StopAfter {
    pub blocks: usize,
    writing: bool,
    taken: usize,
}

impl StopAfter {
    pub fn blocks(blocks: usize) -> Self {
        Self {
            blocks,
            ..Self::default()
        }
    }
}

impl Attendant for StopAfter {
    fn begins(&mut self, task: &job::Task) {
        self.writing = task.name == "writing";
    }
    fn at(&mut self, _done: u64, place: Option<&str>) {
        self.taken += usize::from(self.writing && place.is_some());
    }
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        self.writing && self.taken >= self.blocks
    }
}

/// What the chip counts as after a stop in the work: a read of the whole chip that shows more than the
/// blocks explain says so, and the short reads behind it that prove its address lines.
pub fn changed(stop: &Stop) -> ChipState {
    let beyond = [
        "after all blocks had read back right",
        "does not reach the chip as sent",
    ];
    match beyond.iter().any(|words| stop.headline.contains(words)) {
        true => ChipState::ChangedBeyond,
        false => ChipState::ChangedInPart,
    }
}
