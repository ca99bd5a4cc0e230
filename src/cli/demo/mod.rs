//! `demo`: the whole job on a simulated chip, with the commands that a person would type.

mod scene;

use std::path::Path;
use std::time::Duration;

use serde::Serialize;

use super::args::Cli;
use super::figures::seconds;
use super::line::Report;
use super::look::{Look, say, say_in_lines};
use super::run::{Answer, once};
use super::screen::Screen;
use super::stop::Stopping;
use crate::job::{Exit, Stop};
use scene::Scene;

/// What is printed on gauge-07's chip.
const MARKING: &str = "25Q128JVSQ";

/// What the two backups, the write and the restore took.
#[derive(Debug, Default, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Sum {
    /// On the simulated bench's clock: erases and programs take the simulated chip's own times.
    taken_s: f64,
    /// With typical times.
    modelled_s: f64,
    /// The least it could be.
    floor_s: f64,
}

/// Goes through the job in a new folder, and says what it took.
///
/// # Errors
/// A [`Stop`] if a command ends otherwise than it should.
pub fn demo(folder: &Path, look: Look) -> Result<Answer, Stop> {
    // The commands themselves say that they heard.
    let stop = Stopping::watch(|| ()).map_err(|error| scene::failed(folder, error))?;
    let scene = Scene::lay_out(folder)?;
    std::env::set_current_dir(folder).map_err(|error| scene::failed(folder, error))?;
    let mut show = Show {
        look,
        stop,
        sum: Sum::default(),
    };
    let first = show.look_and_back_up()?;
    show.convert(&scene, &first)?;
    show.run_and_go_back(&scene, &first)?;
    scene.is_as_found()?;
    show.tell("Done.");
    Ok(Answer::new(
        Exit::True,
        end(folder, &show.sum),
        Report::Demo(&show.sum),
    ))
}

/// The last screen: what the whole job took.
fn end(folder: &Path, sum: &Sum) -> Screen {
    let shown = |time_s| seconds(Duration::from_secs_f64(time_s));
    let ratio = sum.modelled_s / sum.floor_s.max(f64::MIN_POSITIVE);
    Screen::new(
        "The whole job was done on a simulated chip; gauge-07 is as it was found, byte for byte.",
    )
    .row(
        "bus time",
        format!(
            "{} modelled for the backups, the write and the restore, {ratio:.2} times the floor of {}; taken {}, \
             since this chip is often slower than typical",
            shown(sum.modelled_s),
            shown(sum.floor_s),
            shown(sum.taken_s)
        ),
    )
    .row(
        "folder",
        format!(
            "{}: the unit folder gauge-07, its backups and journals",
            folder.display()
        ),
    )
    .next("Read docs/cautions.md and docs/wiring.md before the first real board.")
}

/// The bench options of every line.
fn bench() -> String {
    format!("--mock gauge-07.toml --power clip --marking {MARKING} --sck 20MHz")
}

/// Runs one line after the other.
struct Show {
    look: Look,
    stop: Stopping,
    sum: Sum,
}

impl Show {
    /// From the marking to the first backup; gives its hash.
    fn look_and_back_up(&mut self) -> Result<String, Stop> {
        let bench = bench();
        self.tell("Before anything is connected: what the marking means.");
        self.run(&format!("parts {MARKING}"), Exit::True)?;
        self.tell("The clip is seated. Does it hold, and what is on it?");
        self.run(&format!("contact --unit gauge-07 {bench}"), Exit::True)?;
        self.run(&format!("id --unit gauge-07 {bench}"), Exit::True)?;
        self.tell("Two independent reads of the whole chip, kept so that they can be trusted.");
        let backup = self.run(&format!("backup --unit gauge-07 {bench}"), Exit::True)?;
        Ok(hash(&backup))
    }

    /// The target, a held write, the write, and its proof.
    fn convert(&mut self, scene: &Scene, first: &str) -> Result<(), Stop> {
        let bench = bench();
        self.tell("What is in it, and does it look as a dump should?");
        let inspect = "inspect gauge-07/as-found.bin --map regions.toml";
        self.run(inspect, Exit::True)?;
        self.tell("The new boot loader and system go into the image; the unit's own data stays.");
        self.run(&scene.tailor_line(), Exit::True)?;
        let worklist = "worklist target.bin --unit gauge-07 --sck 20MHz";
        self.run(worklist, Exit::True)?;
        self.tell(
            "Writing without the hash that was kept away from the bench: an interlock holds.",
        );
        let write = format!("write target.bin --unit gauge-07 {bench}");
        self.run(&write, Exit::Held)?;
        self.tell("Now with the 64 digits from paper.");
        self.run(&format!("{write} --offline-hash {first}"), Exit::True)?;
        let verify = format!("verify target.bin --unit gauge-07 --passes 3 {bench}");
        self.run(&verify, Exit::True)?;
        Ok(())
    }

    /// The unit runs, is backed up again, and is brought back to its first backup.
    fn run_and_go_back(&mut self, scene: &Scene, first: &str) -> Result<(), Stop> {
        let bench = bench();
        self.tell("gauge-07 runs for a while and changes its own settings. A second backup.");
        scene.unit_runs()?;
        let backup = self.run(&format!("backup --unit gauge-07 {bench}"), Exit::True)?;
        let second = hash(&backup);
        self.tell("And back to the unit as it was found.");
        let restore = format!(
            "restore --to 1 --unit gauge-07 {bench} --offline-hash {first} --offline-hash {second}"
        );
        self.run(&restore, Exit::True)?;
        let verify = format!("verify as-found.bin --unit gauge-07 {bench}");
        self.run(&verify, Exit::True)?;
        self.run("check --unit gauge-07", Exit::True)?;
        self.tell("All of it on one page.");
        self.run("logbook gauge-07", Exit::True)?;
        Ok(())
    }

    fn tell(&self, text: &str) {
        if !self.look.json {
            say_in_lines(text);
        }
    }

    /// Runs a line as it would be typed; it must end with `wanted`.
    fn run(&mut self, line: &str, wanted: Exit) -> Result<serde_json::Value, Stop> {
        if self.stop.asked() {
            return Err(Stop::new(
                Exit::Stopped,
                "The demo was stopped.",
                "norlock demo --in FOLDER starts a new one.",
            ));
        }
        if !self.look.json {
            say(&format!("\n$ norlock {line}\n"));
        }
        let words = std::iter::once("norlock").chain(line.split(' '));
        let cli = Cli::from_arguments(words).map_err(|error| {
            Stop::new(
                Exit::Usage,
                "The demo's own command line is not understood.",
                "Please report it.",
            )
            .row("seen", error.to_string())
        })?;
        let (exit, report) = once(cli.command, self.look);
        if exit != wanted {
            let headline = format!(
                "'norlock {line}' ended with {}, not {}.",
                exit.number(),
                wanted.number()
            );
            return Err(Stop::new(exit, headline, "Look at what it said above."));
        }
        self.add(&report);
        Ok(report)
    }

    fn add(&mut self, report: &serde_json::Value) {
        let time = |value: &serde_json::Value| {
            let (whole, part) = (value["secs"].as_f64(), value["nanos"].as_f64());
            whole
                .zip(part)
                .map_or(0.0, |(whole, part)| whole + part / 1e9)
        };
        for pass in [&report["reads"]["first"], &report["reads"]["second"]] {
            self.sum.taken_s += time(&pass["time"]);
            // Of a read the model is the floor: bits over SCK.
            self.sum.modelled_s += time(&pass["floor"]);
            self.sum.floor_s += time(&pass["floor"]);
        }
        if report["modelled"].is_object() {
            self.sum.taken_s += time(&report["time"]);
            self.sum.modelled_s += time(&report["modelled"]);
            // What makes a write safe is no luxury: it belongs to its floor here.
            self.sum.floor_s += time(&report["floor"]) + time(&report["proof_floor"]);
        }
    }
}

fn hash(report: &serde_json::Value) -> String {
    report["sha256"].as_str().unwrap_or_default().to_owned()
}
