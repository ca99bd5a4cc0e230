//! From options and answers to what a job needs: bench, store, unit.

use std::fs::File;
use std::io::{ErrorKind, LineWriter, Read, Write};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use super::args::{BusArgs, OfflineArgs};
use super::bench::ask;
use super::node::node;
use super::questions::{self, NoAnswer};
use super::table;
use crate::interlock::{Attestation, Power};
use crate::job::{self, Bench, Exit, Offline, SCK_DEFAULT, Stop, Way};
use crate::link::Sent;
use crate::mock::{BenchFileError, Mock};
use crate::part::Catalogue;
use crate::unit::store::{RealStore, Store, StoreFile};
use crate::unit::witness::WitnessedStore;
use crate::unit::{ImageName, Unit};

/// What one file sync costs on a simulated bench: that of a small memory card (common practice, no
/// source).
const MOCK_SYNC_TIME: Duration = Duration::from_millis(4);

/// The parts table with the person's own file.
pub fn catalogue(file: Option<&Path>) -> Result<Catalogue, Stop> {
    let table = table::builtin().map_err(|error| {
        let headline = "The parts table of this program cannot be read.";
        let next = "Install norlock anew; nothing was sent.";
        Stop::new(Exit::FileFault, headline, next).because(error)
    })?;
    let Some(file) = file else {
        return Ok(table);
    };
    let name = file.display().to_string();
    Ok(table.with_user_file(bytes_of(file)?, &name)?)
}

/// What a person's own file says.
pub fn bytes_of(file: &Path) -> Result<Vec<u8>, Stop> {
    let headline = format!("Cannot read '{}'.", file.display());
    std::fs::read(file).map_err(|error| {
        let kind = Some(error.kind());
        not_there(kind, broken(&headline, error))
    })
}

/// A stop about a file that a person named: one that is not there wants another name, no mending.
pub fn not_there(kind: Option<ErrorKind>, mut stop: Stop) -> Stop {
    if kind == Some(ErrorKind::NotFound) {
        stop.next = "Name a file that is there.".into();
    }
    stop
}

/// A file that says something it must not: the error tells which, and where in it.
fn refused(error: impl std::error::Error + Send + Sync + 'static) -> Stop {
    let next = "Mend the file, then try again; nothing was sent.";
    let stop = Stop::new(Exit::FileFault, job::sentence(&error), next);
    let below = error.source();
    let system = below.and_then(|source| source.downcast_ref::<std::io::Error>());
    let mut stop = not_there(system.map(std::io::Error::kind), stop);
    if let Some(source) = error.source() {
        // A parser's report has lines of its own, and what the headline says already is not said again.
        let seen = source.to_string().trim().replace('\n', ", ");
        let first = seen.split(", ").next().unwrap_or_default();
        if !stop.headline.contains(first) {
            stop = stop.row("seen", seen);
        }
    }
    stop.because(error)
}

fn broken(headline: &str, error: impl std::error::Error + Send + Sync + 'static) -> Stop {
    let next = "Mend the file, then try again; nothing was sent.";
    Stop::new(Exit::FileFault, headline, next)
        .row("seen", error.to_string())
        .because(error)
}

/// A bench, and the store that belongs beside it.
pub struct Setup {
    /// For the job.
    pub bench: Bench,
    /// For the unit folder; a simulated chip watches the journal in it.
    pub store: Arc<dyn Store>,
}

/// Opens what the options name and asks the person what they leave open.
pub fn setup(args: &BusArgs, unit: Option<&Path>) -> Result<Setup, Stop> {
    let catalogue = catalogue(args.parts.as_deref())?;
    let real: Arc<dyn Store> = Arc::new(RealStore::new());
    let (way, store) = match args.mock() {
        Some(file) => {
            let mock = open_mock(file, &catalogue)?;
            let store: Arc<dyn Store> =
                Arc::new(WitnessedStore::beside(real, &mock, MOCK_SYNC_TIME));
            (Way::Link(Box::new(mock.link())), store)
        }
        None => (node(args.spidev(), args.lanes(), Path::new("/dev"))?, real),
    };
    let accepted = args
        .accept
        .paired()
        .map_err(|fault| Stop::new(Exit::Usage, fault, "norlock --help"))?;
    let bench = Bench {
        said: attestation(args, &way, unit)?,
        way,
        level: args.level,
        sck: args.sck.unwrap_or(SCK_DEFAULT),
        accepted,
        catalogue,
        size_bytes: args.size.map(|size| size.0),
        trace: args.trace.as_deref().map(trace).transpose()?,
    };
    Ok(Setup { bench, store })
}

fn open_mock(file: &Path, catalogue: &Catalogue) -> Result<Mock, Stop> {
    let mut find = |name: &str| {
        catalogue
            .parts()
            .iter()
            .find(|part| part.name == name)
            .cloned()
    };
    Mock::open(file, &mut find).map_err(|error| match error {
        BenchFileError::Text(error) => error.into(),
        error => refused(error),
    })
}

/// What the options say about the bench; on a terminal the person is asked for the rest.
///
/// A simulated bench has nothing to look at, and a program has nobody to ask: there, naming the
/// arrangement is the statement.
fn attestation(args: &BusArgs, way: &Way, unit: Option<&Path>) -> Result<Attestation, Stop> {
    if let Some(said) = &args.attested {
        return Ok(said.clone());
    }
    let mut said = Attestation {
        power: args.power,
        denied: Vec::new(),
        marking: args.marking.clone(),
        supply: args.supply.map(|supply| supply.0),
    };
    let Some(mut questions) = questions::on_terminal().filter(|_| matches!(way, Way::Node { .. }))
    else {
        return Ok(said);
    };
    let Some(level) = args.level else {
        return Ok(said);
    };
    let power = match args.power {
        Some(power) => power,
        None => {
            let names = Power::ALL.map(Power::name).join(", ");
            let answer = questions
                .text(&format!("Where does the supply come from ({names})?"))
                .map_err(unanswered)?;
            answer.parse().map_err(|fault: String| {
                Stop::new(Exit::Usage, fault, "docs/wiring.md explains each.")
            })?
        }
    };
    let unit = unit
        .and_then(Path::file_name)
        .map(|name| name.to_string_lossy().into_owned());
    let answers = ask(
        &mut questions,
        unit.as_deref(),
        (power, level),
        args.marking.as_deref(),
    )
    .map_err(unanswered)?;
    said.power = Some(power);
    said.marking = Some(answers.marking).filter(|marking| !marking.is_empty());
    said.denied = answers
        .checklist
        .into_iter()
        .filter(|(_, yes)| !yes)
        .map(|(statement, _)| statement)
        .collect();
    Ok(said)
}

fn unanswered(error: NoAnswer) -> Stop {
    let next = "Answer each question, or give the answers as options.";
    Stop::new(Exit::Usage, format!("{error}."), next).because(error)
}

/// A file that gets a line for each frame. Where it exists, more is added: the same command line,
/// typed again, goes on from an interruption.
fn trace(path: &Path) -> Result<Box<dyn FnMut(Sent) + Send>, Stop> {
    if !may_be_a_trace(path) {
        let next = "Name a new file, or one that --trace made before; no other file is written to.";
        let headline = format!("{} is there already and is no trace.", path.display());
        return Err(Stop::new(Exit::FileFault, headline, next));
    }
    let file = File::options()
        .create(true)
        .append(true)
        .open(path)
        .map_err(|error| broken(&format!("Cannot make {}.", path.display()), error))?;
    let mut file = LineWriter::new(file);
    // A trace that cannot be written must not stop a write half way.
    Ok(Box::new(move |sent| {
        let _ = writeln!(file, "{}", sent.line());
    }))
}

/// Whether a trace may be appended: nothing is there yet, or lines as a trace has them.
fn may_be_a_trace(path: &Path) -> bool {
    let mut head = [0; 24];
    match File::open(path).and_then(|mut file| file.read(&mut head)) {
        Err(error) => error.kind() == ErrorKind::NotFound,
        Ok(0) => true,
        Ok(length) => {
            let head = String::from_utf8_lossy(head.get(..length).unwrap_or_default());
            let time = head
                .split_once(" s  ")
                .map(|(time, _)| time.split_once('.'));
            matches!(time, Some(Some((whole, part)))
                if part.len() == 6 && [whole, part].iter().all(|digits| digits.bytes().all(|b| b.is_ascii_digit())))
        }
    }
}

/// Where the hashes are kept; on a terminal the person is asked for each that no option gives.
pub fn offline(
    args: &OfflineArgs,
    unit: &Unit,
    back: Option<u32>,
    simulated: bool,
) -> Result<Offline, Stop> {
    let mut offline = Offline {
        folder: args.offline.clone(),
        hashes: args.offline_hash.clone(),
    };
    if offline.folder.is_some() || !offline.hashes.is_empty() || simulated {
        return Ok(offline);
    }
    let Some(mut questions) = questions::on_terminal() else {
        return Ok(offline);
    };
    let mut wanted: Vec<String> = unit
        .first_backup()
        .into_iter()
        .chain(unit.baseline())
        .chain(back.and_then(|number| unit.image(ImageName::Backup(number))))
        .map(|image| image.name.file_name())
        .collect();
    wanted.sort();
    wanted.dedup();
    for file in wanted {
        let question = format!("Hash kept away from here, of {file}?");
        let answer = questions.text(&question).map_err(unanswered)?;
        if !answer.is_empty() {
            offline.hashes.push(answer);
        }
    }
    Ok(offline)
}

/// Opens an image: a path, or a bare name in the unit folder.
pub fn image(
    store: &dyn Store,
    unit: Option<&Path>,
    name: &Path,
) -> Result<(Box<dyn StoreFile>, String), Stop> {
    let in_unit = unit
        .map(|unit| unit.join(name))
        .filter(|_| name.components().count() == 1);
    let path = match in_unit {
        Some(inside) if !name.exists() => inside,
        _ => name.to_owned(),
    };
    let shown = path
        .file_name()
        .map(|name| name.to_string_lossy().into_owned())
        .unwrap_or_default();
    let file = store.open(&path);
    let file = file.map_err(|error| not_there(error.kind(), error.into()))?;
    Ok((file, shown))
}
