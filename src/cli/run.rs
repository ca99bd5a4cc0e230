//! One command: set up, run the job, show what it returns.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use serde::Serialize;

use super::args::{self, Command};
use super::attend::Watcher;
use super::look::{Look, complain};
use super::screen::Screen;
use super::setup::{catalogue, image, offline, setup};
use super::{demo, show, stop};
use crate::job::{self, Exit, RestoreOrder, SCK_DEFAULT, Stop, TailorOrder, WriteOrder};
use crate::unit::Unit;
use crate::unit::store::{RealStore, Store};

/// What a command ends with: its screen, its exit code, and the same as data.
pub struct Answer {
    pub screen: Screen,
    pub exit: Exit,
    pub data: serde_json::Value,
}

impl Answer {
    pub fn new(exit: Exit, screen: Screen, report: &impl Serialize) -> Self {
        Self {
            screen,
            exit,
            data: serde_json::to_value(report).unwrap_or_default(),
        }
    }
}

/// One JSON line on stdout.
#[derive(Serialize)]
struct Line<'a> {
    event: &'static str,
    command: &'a str,
    exit: u8,
    #[serde(flatten)]
    outcome: Outcome<'a>,
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
enum Outcome<'a> {
    Report(&'a serde_json::Value),
    Stop(&'a Stop),
}

/// Runs a command and shows how it ended.
pub fn run(command: Command, look: Look) -> Exit {
    once(command, look).0
}

/// The same, and gives what the command reports as data.
pub fn once(command: Command, look: Look) -> (Exit, serde_json::Value) {
    let name = command.name();
    let result = match stop::stop_flag() {
        Ok(flag) => answer(command, look, &flag),
        Err(error) => Err(
            Stop::new(Exit::ChipFault, "Signals cannot be caught.", "Try again.").because(error),
        ),
    };
    let (screen, exit, outcome) = match &result {
        Ok(answer) => (
            answer.screen.clone(),
            answer.exit,
            Outcome::Report(&answer.data),
        ),
        Err(stop) => (show::stop(stop), stop.exit, Outcome::Stop(stop)),
    };
    let line = Line {
        event: "ended",
        command: name,
        exit: exit.number(),
        outcome,
    };
    if !look.json && result.is_err() {
        complain(screen.render(false).trim_end());
    } else if let Err(error) = look.answer(&screen, &line) {
        complain(&format!("The answer could not be printed: {error}"));
        return (Exit::FileFault, serde_json::Value::Null);
    }
    (exit, result.map(|answer| answer.data).unwrap_or_default())
}

fn answer(command: Command, look: Look, flag: &Arc<AtomicBool>) -> Result<Answer, Stop> {
    let mut watcher = Watcher::new(look.progress, Arc::clone(flag));
    match command {
        Command::Contact(args) => contact(&args, &mut watcher),
        Command::Id(args) => {
            let setup = setup(&args.bus, args.unit.as_deref())?;
            let report = job::id(setup.bench, &mut watcher)?;
            Ok(Answer::new(
                Exit::True,
                show::id(&report, &shown(args.unit.as_deref())),
                &report,
            ))
        }
        Command::Sfdp(args) => sfdp(&args, &mut watcher),
        Command::Backup(args) => {
            let setup = setup(&args.bus, Some(&args.unit))?;
            let mut unit = Unit::open_or_create(setup.store, &args.unit)?;
            let report = job::backup(&mut unit, setup.bench, &mut watcher)?;
            Ok(Answer::new(Exit::True, show::backup(&report), &report))
        }
        Command::Check(args) => {
            let unit = Unit::view(Arc::new(RealStore::new()), &args.unit)?;
            let report = job::check(&unit)?;
            let exit = if report.is_clean() {
                Exit::True
            } else {
                Exit::Different
            };
            Ok(Answer::new(exit, show::check(&report), &report))
        }
        Command::Tailor(args) => tailor(&args),
        Command::Worklist(args) => worklist(&args),
        Command::Write(args) => write(args, &mut watcher),
        Command::Verify(args) => verify(&args, &mut watcher),
        Command::Restore(args) => restore(&args, &mut watcher),
        Command::Parts(args) => {
            let catalogue = catalogue(args.parts.as_deref())?;
            show::parts(&catalogue, args.marking.as_deref())
        }
        Command::Demo(args) => demo::demo(&args.folder, look, flag),
    }
}

fn contact(args: &args::ContactArgs, watcher: &mut Watcher) -> Result<Answer, Stop> {
    let setup = setup(&args.bus, args.unit.as_deref())?;
    let report = job::contact(setup.bench, watcher)?;
    let exit = if report.good {
        Exit::True
    } else {
        Exit::Different
    };
    Ok(Answer::new(
        exit,
        show::contact(&report, &shown(args.unit.as_deref())),
        &report,
    ))
}

/// The unit's folder as it was typed, or a word in its place.
fn shown(unit: Option<&Path>) -> String {
    unit.map_or_else(|| "FOLDER".to_owned(), |unit| unit.display().to_string())
}

fn sfdp(args: &args::SfdpArgs, watcher: &mut Watcher) -> Result<Answer, Stop> {
    let store = RealStore::new();
    let report = match &args.from {
        Some(file) => job::decode_sfdp(store.read(file)?, false)?,
        None => job::sfdp(setup(&args.bus, None)?.bench, watcher)?,
    };
    if let Some(file) = &args.raw {
        if store.exists(file)? {
            let next = "Name a file that is not there yet; none is overwritten.";
            return Err(Stop::new(
                Exit::FileFault,
                format!("{} exists already.", file.display()),
                next,
            ));
        }
        store.replace(file, &report.raw)?;
    }
    Ok(Answer::new(Exit::True, show::sfdp(&report), &report))
}

fn tailor(args: &args::TailorArgs) -> Result<Answer, Stop> {
    let catalogue = catalogue(None)?;
    let mut orders: Vec<TailorOrder> = Vec::new();
    let mut order = |region: &str| -> usize {
        let known = orders.iter().position(|order| order.region == region);
        known.unwrap_or_else(|| {
            let region = region.to_owned();
            orders.push(TailorOrder {
                region,
                piece: None,
                sha256: None,
                fill: None,
            });
            orders.len() - 1
        })
    };
    let places: Vec<usize> = args
        .piece
        .iter()
        .map(|piece| order(&piece.region))
        .collect();
    let hashes: Vec<usize> = args.sha256.iter().map(|hash| order(&hash.region)).collect();
    let fills: Vec<usize> = args.fill.iter().map(|fill| order(&fill.region)).collect();
    for (place, piece) in places.into_iter().zip(&args.piece) {
        if orders[place].piece.replace(piece.file.clone()).is_some() {
            let next = "Join the pieces into one file first.";
            return Err(Stop::new(
                Exit::Usage,
                format!("Two pieces for region '{}'.", piece.region),
                next,
            ));
        }
    }
    hashes
        .into_iter()
        .zip(&args.sha256)
        .for_each(|(place, hash)| orders[place].sha256 = Some(hash.digest));
    fills
        .into_iter()
        .zip(&args.fill)
        .for_each(|(place, fill)| orders[place].fill = Some(fill.byte));
    let mut unit = Unit::open(Arc::new(RealStore::new()), &args.unit)?;
    let report = job::tailor(
        &mut unit,
        &orders,
        args.map.as_deref(),
        &catalogue,
        args.replace,
    )?;
    Ok(Answer::new(Exit::True, show::tailor(&report), &report))
}

fn worklist(args: &args::WorklistArgs) -> Result<Answer, Stop> {
    let catalogue = catalogue(args.parts.as_deref())?;
    let unit = Unit::open(Arc::new(RealStore::new()), &args.unit)?;
    let (target, name) = image(unit.store().as_ref(), Some(&args.unit), &args.target)?;
    let accepted = args
        .accept
        .paired()
        .map_err(|fault| Stop::new(Exit::Usage, fault, "norlock --help"))?;
    let sck = args.sck.unwrap_or(SCK_DEFAULT);
    let report = job::worklist(&unit, target.as_ref(), &catalogue, &accepted, sck)?;
    Ok(Answer::new(
        Exit::True,
        show::worklist(&report, &name),
        &report,
    ))
}

fn write(args: args::WriteArgs, watcher: &mut Watcher) -> Result<Answer, Stop> {
    let setup = setup(&args.bus, Some(&args.unit))?;
    let mut unit = Unit::open(setup.store, &args.unit)?;
    let (target, target_name) = image(unit.store().as_ref(), Some(&args.unit), &args.target)?;
    let offline = offline(&args.offline, &unit, args.bus.mock.is_some())?;
    let order = WriteOrder {
        target,
        target_name,
        offline,
        lift_protection: args.lift_protection,
    };
    let report = job::write(&mut unit, order, setup.bench, watcher)?;
    Ok(Answer::new(Exit::True, show::written(&report), &report))
}

fn restore(args: &args::RestoreArgs, watcher: &mut Watcher) -> Result<Answer, Stop> {
    let setup = setup(&args.bus, Some(&args.unit))?;
    let mut unit = Unit::open(setup.store, &args.unit)?;
    let order = RestoreOrder {
        to: args.to,
        offline: offline(&args.offline, &unit, args.bus.mock.is_some())?,
        rewrite: args
            .rewrite
            .iter()
            .map(|range| range.0.start.0..range.0.end.0)
            .collect(),
        replacement: args.replacement,
        lift_protection: args.lift_protection,
    };
    let report = job::restore(&mut unit, &order, setup.bench, watcher)?;
    Ok(Answer::new(Exit::True, show::written(&report), &report))
}

fn verify(args: &args::VerifyArgs, watcher: &mut Watcher) -> Result<Answer, Stop> {
    let setup = setup(&args.bus, args.unit.as_deref())?;
    let (image, name) = image(setup.store.as_ref(), args.unit.as_deref(), &args.image)?;
    let map = args
        .unit
        .as_deref()
        .map(|unit| job::regions_of(setup.store.as_ref(), unit))
        .transpose()?
        .flatten();
    let report = job::verify(
        image.as_ref(),
        map.as_ref(),
        args.passes,
        setup.bench,
        watcher,
    )?;
    let exit = if report.is_equal() {
        Exit::True
    } else {
        Exit::Different
    };
    let unit = args
        .unit
        .as_deref()
        .and_then(Path::file_name)
        .map(|unit| unit.to_string_lossy().into_owned());
    Ok(Answer::new(
        exit,
        show::verify(&report, &name, unit.as_deref()),
        &report,
    ))
}
