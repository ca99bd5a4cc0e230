//! The commands: each sets up, runs its job and shows what that returns.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::Serialize;

use super::args::{self, Command};
use super::line::{self, Published, Report};
use super::look::{Look, width_of};
use super::run::{Answer, watcher, watcher_of};
use super::screen::Screen;
use super::setup::{bytes_of, catalogue, image, not_there, offline, setup};
use super::typed::Typed;
use super::watch::LiveLine;
use super::{demo, inspect, pieces, shelf, show};
use crate::job::{
    self, ChipState, Exit, ProtectOrder, RestoreOrder, SCK_DEFAULT, SCK_FREE, Stop, VerifyOrder,
    WriteOrder,
};
use crate::unit::Unit;
use crate::unit::store::{Publish, RealStore, Store, StoreError, hash};

/// Does what was asked for.
pub fn answer(command: Command, look: Look, typed: &Typed) -> Result<Answer, Stop> {
    match command {
        Command::Contact(args) => contact(&args, look, typed),
        Command::Id(args) => {
            let setup = setup(&args.bus, args.unit.as_deref())?;
            // A folder that is no unit yet, or cannot be read, tells nothing of the chip.
            let folder = args.unit.as_deref();
            let unit = folder.and_then(|unit| job::unit_in(&setup.store, unit).ok()?);
            let report = job::id(unit.as_ref(), setup.bench, &mut watcher(look)?)?;
            let exit = verdict(report.another.is_none());
            let screen = show::id(&report, typed);
            Ok(Answer::new(exit, screen, Report::Id(&report)))
        }
        Command::Sfdp(args) => sfdp(&args, look, typed),
        Command::Backup(args) => backup(&args, look, typed),
        Command::Check(args) => check(&args, typed),
        Command::Inspect(args) => inspect::inspect(&args),
        Command::Tailor(args) => tailor(&args, typed),
        Command::Worklist(args) => worklist(&args, typed),
        Command::Write(args) => write(args, look, typed),
        Command::Verify(args) => verify(&args, look, typed),
        Command::Restore(args) => restore(&args, look, typed),
        Command::Survey(args) => survey(&args, look, typed),
        Command::Protect(args) => protect(args, look, typed),
        Command::Parts(args) => {
            let catalogue = catalogue(args.parts.as_deref())?;
            match &args.check {
                Some(file) => {
                    let found = catalogue.check_file(bytes_of(file)?, &file.display().to_string());
                    Ok(show::checked(&found))
                }
                None => {
                    let marking = args.marking.as_deref();
                    show::parts(&catalogue, marking, &args.selection(), look.json)
                }
            }
        }
        Command::Wiring(args) => wiring(&args),
        Command::Logbook(args) => logbook(&args, typed),
        Command::Shelf(args) => shelf::shelf(&args, look),
        Command::Schema => Ok(schema()),
        Command::Demo(args) => demo::demo(&args.folder, look),
    }
}

fn schema() -> Answer {
    let schema = serde_json::from_str(line::SCHEMA).unwrap_or_default();
    let published = Published { schema };
    let report = Report::Schema(&published);
    Answer::new(
        Exit::True,
        Screen::verbatim(line::SCHEMA.trim_end().to_owned()),
        report,
    )
}

fn backup(args: &args::BackupArgs, look: Look, typed: &Typed) -> Result<Answer, Stop> {
    let folder = args.unit.first().ok_or_else(no_unit)?;
    let mut setup = setup(&args.bus, Some(folder))?;
    let mut unit = Unit::open_or_create(setup.store, folder)?;
    let proven = match args.bus.sck {
        None => job::proven_sck(&unit, &setup.bench.way.name()),
        Some(_) => None,
    };
    setup.bench.sck = proven.unwrap_or(setup.bench.sck);
    let mut watcher = watcher_of(&args.bus, look)?;
    let mut report = job::backup_beside(&mut unit, &args.beside, setup.bench, &mut watcher)?;
    report.sck_proven = proven;
    let screen = show::backup(&report, typed);
    Ok(Answer::new(Exit::True, screen, Report::Backup(&report)))
}

fn no_unit() -> Stop {
    Stop::new(Exit::Usage, "No unit was named.", "norlock --help")
}

fn contact(args: &args::ContactArgs, look: Look, typed: &Typed) -> Result<Answer, Stop> {
    let mut setup = setup(&args.bus, args.unit.as_deref())?;
    setup.bench.sck = args.bus.sck.unwrap_or(SCK_FREE);
    // A folder that is no unit yet, or cannot be read, tells nothing of the chip; but before a reset its
    // journal is asked.
    let unit = match args.unit.as_deref() {
        Some(folder) if args.reset => job::unit_before_reset(&setup.store, folder)?,
        Some(folder) => job::unit_in(&setup.store, folder).ok().flatten(),
        None => None,
    };
    let mut line = LiveLine::new(look.progress, args.bell);
    let mut tell = |seat, settled| line.tell(seat, settled);
    let wishes = job::ContactWishes {
        watch: args.watch.then_some(&mut tell),
        reset: args.reset,
    };
    let mut watcher = watcher(look)?;
    let report = job::contact_as_wished(unit.as_ref(), setup.bench, wishes, &mut watcher)?;
    let mut screen = show::contact(&report, typed);
    drop(unit);
    if let Some(folder) = &args.unit {
        // The verdict stands where its record cannot be kept.
        if let Err(error) = job::keep_contact(setup.store, folder, &report) {
            screen = screen.row("record", format!("not kept: {error}"));
        }
    }
    let fine = report.good && !report.is_of_another();
    let exit = match (&report.unfinished, fine) {
        (Some(_), false) => Exit::Unfinished,
        (_, fine) => verdict(fine),
    };
    Ok(Answer::new(exit, screen, Report::Contact(&report)))
}

/// The exit code of a comparison.
pub const fn verdict(good: bool) -> Exit {
    if good { Exit::True } else { Exit::Different }
}

fn sfdp(args: &args::SfdpArgs, look: Look, typed: &Typed) -> Result<Answer, Stop> {
    let store = RealStore::new();
    if let Some(file) = &args.raw {
        if store.exists(file)? {
            return Err(exists_already(file));
        }
    }
    let report = match &args.from {
        Some(file) => {
            let bytes = store.read(file);
            let there = |error: StoreError| no_chip(not_there(error.kind(), error.into()));
            sfdp_in(&bytes.map_err(there)?)?
        }
        None => {
            let raw = job::read_sfdp(setup(&args.bus, None)?.bench, &mut watcher(look)?)?;
            // Kept before it is judged: tables that cannot be used are those to look at again.
            let kept = args.raw.as_deref();
            kept.map_or(Ok(()), |file| keep(&store, file, &raw.bytes))?;
            job::decode_sfdp(raw).map_err(|stop| match kept {
                Some(file) => stop.row("kept", format!("as read in {}", file.display())),
                None => stop,
            })?
        }
    };
    let kept = args.raw.as_deref().map(|file| KeptFile {
        file: file.display().to_string(),
        size_bytes: report.raw.len(),
    });
    let screen = show::sfdp(&report, kept.as_ref(), typed);
    Ok(Answer::new(
        Exit::True,
        screen,
        Report::Sfdp(&KeptReport {
            report: &report,
            kept,
        }),
    ))
}

/// A file that the tables were kept in.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct KeptFile {
    pub file: String,
    pub size_bytes: usize,
}

/// What the tables say, and where they were kept.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct KeptReport<'a> {
    #[serde(flatten)]
    report: &'a job::SfdpReport,
    kept: Option<KeptFile>,
}

fn wiring(args: &args::WiringArgs) -> Result<Answer, Stop> {
    let wiring = job::wiring(args.power);
    if let Some(file) = &args.svg {
        let store = RealStore::new();
        if store.exists(file)? {
            return Err(exists_already(file));
        }
        keep(&store, file, wiring.picture().svg().as_bytes())?;
    }
    let screen = show::wiring(&wiring, args.svg.as_deref(), width_of(&std::io::stdout()));
    Ok(Answer::new(Exit::True, screen, Report::Wiring(&wiring)))
}

fn logbook(args: &args::LogbookArgs, typed: &Typed) -> Result<Answer, Stop> {
    let store: Arc<dyn Store> = Arc::new(RealStore::new());
    let folder = match (&args.unit, &args.shelf) {
        (Some(folder), _) => folder,
        (None, Some(folder)) => {
            let shelf = job::shelf(&store, folder)?;
            let screen = show::shelf(&shelf, &folder.join(job::SHELF_PAGE));
            return Ok(Answer::new(
                shelf.exit(),
                screen,
                Report::LogbookOfShelf(&shelf),
            ));
        }
        (None, None) => {
            return Err(no_unit());
        }
    };
    let unit = match &args.note {
        Some(text) => {
            let mut unit = Unit::open(store, folder)?;
            job::note(&mut unit, text)?;
            unit
        }
        None => Unit::view(store, folder)?,
    };
    let logbook = job::logbook(&unit)?;
    job::keep_page(&unit, &logbook)?;
    let exit = match logbook.unfinished {
        Some(_) => Exit::Unfinished,
        None => verdict(logbook.findings.is_empty()),
    };
    let page = folder.join(job::PAGE);
    let screen = show::logbook(&logbook, &page, &typed.of_unit(&unit));
    Ok(Answer::new(exit, screen, Report::Logbook(&logbook)))
}

pub fn exists_already(file: &Path) -> Stop {
    let next = "Name a file that is not there yet; none is overwritten.";
    let headline = format!("'{}' exists already.", file.display());
    Stop::new(Exit::FileFault, headline, next)
}

/// Keeps bytes in a new file, whole or not at all; one that has come to be there since is left as it is.
pub fn keep(store: &RealStore, file: &Path, bytes: &[u8]) -> Result<(), Stop> {
    let mut name = file.as_os_str().to_owned();
    name.push(".unfinished");
    let unfinished = Path::new(&name);
    let mut kept = store.create(unfinished, bytes.len() as u64)?;
    kept.write_all_at(0, bytes)?;
    kept.sync()?;
    store
        .publish(unfinished, file, Publish::Extendable)
        .or_else(|error| {
            store.remove(unfinished)?;
            match store.exists(file)? {
                true => Err(exists_already(file)),
                false => Err(error.into()),
            }
        })
}

/// Tables kept in a file: what is wrong with them is the file's fault, and no chip is met.
fn sfdp_in(bytes: &[u8]) -> Result<job::SfdpReport, Stop> {
    job::decode_sfdp(job::RawSfdp::kept(bytes.to_vec())).map_err(|mut stop| {
        stop.exit = Exit::FileFault;
        no_chip(stop)
    })
}

fn no_chip(mut stop: Stop) -> Stop {
    stop.chip = ChipState::NotMet;
    stop
}

fn check(args: &args::CheckArgs, typed: &Typed) -> Result<Answer, Stop> {
    let unit = Unit::view(Arc::new(RealStore::new()), &args.unit)?;
    let report = job::check(&unit)?;
    let screen = show::check(&report, &typed.of_unit(&unit));
    let exit = match report.unfinished {
        Some(_) => Exit::Unfinished,
        None => verdict(report.is_clean()),
    };
    Ok(Answer::new(exit, screen, Report::Check(&report)))
}

fn tailor(args: &args::TailorArgs, typed: &Typed) -> Result<Answer, Stop> {
    let catalogue = catalogue(None)?;
    let orders = pieces::orders(args)?;
    let mut unit = Unit::open(Arc::new(RealStore::new()), &args.unit)?;
    let map = args.map.as_deref();
    let report = job::tailor(&mut unit, &orders, map, &catalogue, args.replace)?;
    let screen = show::tailor(&report, typed);
    Ok(Answer::new(Exit::True, screen, Report::Tailor(&report)))
}

fn worklist(args: &args::WorklistArgs, typed: &Typed) -> Result<Answer, Stop> {
    let catalogue = catalogue(args.parts.as_deref())?;
    let unit = Unit::open(Arc::new(RealStore::new()), &args.unit)?;
    let (target, name) = image(unit.store().as_ref(), Some(&args.unit), &args.target)?;
    let accepted = args
        .accept
        .paired()
        .map_err(|fault| Stop::new(Exit::Usage, fault, "norlock --help"))?;
    let sck = args.sck.unwrap_or(SCK_DEFAULT);
    let report = job::worklist(&unit, target.as_ref(), &catalogue, &accepted, sck)?;
    let screen = show::worklist(&report, &name, &typed.of_unit(&unit));
    Ok(Answer::new(Exit::True, screen, Report::Worklist(&report)))
}

fn write(args: args::WriteArgs, look: Look, typed: &Typed) -> Result<Answer, Stop> {
    let setup = setup(&args.bus, Some(&args.unit))?;
    let mut unit = Unit::open(setup.store, &args.unit)?;
    let (target, target_name) = image(unit.store().as_ref(), Some(&args.unit), &args.target)?;
    let order = WriteOrder {
        target,
        target_name,
        offline: offline(&args.offline, &unit, None, args.bus.mock().is_some())?,
        lift_protection: args.lift_protection,
    };
    let report = job::write(&mut unit, order, setup.bench, &mut watcher(look)?)?;
    let screen = show::written(&report, typed);
    Ok(Answer::new(Exit::True, screen, Report::Write(&report)))
}

fn restore(args: &args::RestoreArgs, look: Look, typed: &Typed) -> Result<Answer, Stop> {
    let setup = setup(&args.bus, Some(&args.unit))?;
    let mut unit = Unit::open(setup.store, &args.unit)?;
    let ranges = args.rewrite.iter();
    let order = RestoreOrder {
        to: args.to,
        offline: offline(
            &args.offline,
            &unit,
            Some(args.to),
            args.bus.mock().is_some(),
        )?,
        rewrite: ranges.map(|range| range.0.start.0..range.0.end.0).collect(),
        replacement: args.replacement,
        lift_protection: args.lift_protection,
    };
    let report = job::restore(&mut unit, &order, setup.bench, &mut watcher(look)?)?;
    let screen = show::written(&report, typed);
    Ok(Answer::new(Exit::True, screen, Report::Restore(&report)))
}

fn protect(args: args::ProtectArgs, look: Look, typed: &Typed) -> Result<Answer, Stop> {
    let setup = setup(&args.bus, args.unit.as_deref())?;
    let report = match (args.set, &args.unit) {
        (Some(set), Some(folder)) => {
            let mut unit = Unit::open(setup.store, folder)?;
            let order = ProtectOrder {
                wanted: set.0,
                until_power_off: args.until_power_off,
            };
            job::protect(&mut unit, &order, setup.bench, &mut watcher(look)?)?
        }
        (_, folder) => {
            let view = |folder| Unit::view(Arc::clone(&setup.store), folder);
            let unit = folder.as_deref().map(view).transpose()?;
            job::protection(unit.as_ref(), setup.bench, &mut watcher(look)?)?
        }
    };
    let screen = show::protect(&report, typed);
    Ok(Answer::new(Exit::True, screen, Report::Protect(&report)))
}

fn survey(args: &args::SurveyArgs, look: Look, typed: &Typed) -> Result<Answer, Stop> {
    let setup = setup(&args.bus, Some(&args.unit))?;
    let mut unit = Unit::open_or_create(setup.store, &args.unit)?;
    let report = job::survey(&mut unit, args.passes, setup.bench, &mut watcher(look)?)?;
    let screen = show::survey(&report, typed);
    let exit = verdict(report.verdict() == job::Verdict::Steady);
    Ok(Answer::new(exit, screen, Report::Survey(&report)))
}

fn verify(args: &args::VerifyArgs, look: Look, typed: &Typed) -> Result<Answer, Stop> {
    let folder = args.unit.first().map(PathBuf::as_path);
    let setup = setup(&args.bus, folder)?;
    let (image, name) = image(setup.store.as_ref(), folder, &args.image)?;
    let unit = folder
        .map(|folder| Unit::view(Arc::clone(&setup.store), folder))
        .transpose()?;
    let map = unit
        .as_ref()
        .map(|unit| job::regions_of(setup.store.as_ref(), unit.folder()))
        .transpose()?
        .flatten();
    let mut order = VerifyOrder::whole(image.as_ref(), args.passes);
    order.regions.clone_from(&args.region);
    let mut report = job::verify(
        &order,
        unit.as_ref(),
        setup.bench,
        &mut watcher_of(&args.bus, look)?,
    )?;
    if let Some(folder) = folder {
        let digest = hash(image.as_ref()).ok().map(|(digest, _)| digest);
        job::keep_verify(setup.store, folder, (&name, digest), &mut report);
    }
    let screen = show::verify(&report, &name, typed, map.as_ref());
    let exit = match report.unfinished {
        Some(_) => Exit::Unfinished,
        None => verdict(report.is_equal()),
    };
    Ok(Answer::new(exit, screen, Report::Verify(&report)))
}
