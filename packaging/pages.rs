//! Writes the manual pages, and the completions for bash, zsh and fish, into a folder. They come from the
//! program's own definitions: `cargo run --example pages -- FOLDER`.

use std::time::{Duration, SystemTime, UNIX_EPOCH};
use std::{env, error::Error, fs, io, path::Path};

use clap::{Command, CommandFactory};
use clap_complete::aot::{Bash, Fish, Zsh, generate_to};
use clap_mangen::Man;
use clap_mangen::roff::{Roff, bold, italic, roman};

use norlock::cli::args::Cli;
use norlock::job::Exit;

const NAME: &str = "norlock";
const DOCUMENTS: &str = "/usr/share/doc/norlock";

/// What comes before the documents are at hand; the whole of it is in docs/cautions.md.
const CAUTIONS: [&str; 3] = [
    "Mains unplugged, batteries out, power off whenever the clip goes on or comes off. Read the marking first: a \
     1.8 V part looks like any other and does not bear 3.3 V. Exactly one power source feeds the chip. Pin 1 at the \
     dot.",
    "Calibration and addresses exist once. Keep the hash of the first backup on paper.",
    "The board's own documentation stands above all this, and so do radio rules, warranty and local law.",
];

fn main() -> Result<(), Box<dyn Error>> {
    let folder = env::args_os().nth(1).ok_or("pages wants a FOLDER")?;
    let folder = Path::new(&folder);
    fs::create_dir_all(folder)?;
    generate_to(Bash, &mut Cli::command(), NAME, folder)?;
    generate_to(Zsh, &mut Cli::command(), NAME, folder)?;
    generate_to(Fish, &mut Cli::command(), NAME, folder)?;

    let mut program = Cli::command();
    // Only then its commands have the options that all of them take.
    program.build();
    write_page(&program, folder)?;
    for command in program.get_subcommands() {
        write_page(command, folder)?;
    }
    Ok(())
}

fn write_page(command: &Command, folder: &Path) -> io::Result<()> {
    let release = format!("{NAME} {}", env!("CARGO_PKG_VERSION"));
    let man = Man::new(command.clone()).source(release).manual("norlock");
    let man = man.date(date());
    let mut page = fs::File::create(folder.join(man.get_filename()))?;
    man.render_title(&mut page)?;
    man.render_name_section(&mut page)?;
    man.render_synopsis_section(&mut page)?;
    man.render_description_section(&mut page)?;
    man.render_options_section(&mut page)?;
    let is_whole = command.has_subcommands();
    if is_whole {
        man.render_subcommands_section(&mut page)?;
    }
    ending(is_whole).to_writer(&mut page)
}

/// The day of the build, or the one that `SOURCE_DATE_EPOCH` gives in its place (reproducible-builds.org).
fn date() -> String {
    let given = env::var("SOURCE_DATE_EPOCH").ok();
    let given = given.and_then(|seconds| seconds.parse().ok());
    let time = given.map_or_else(SystemTime::now, |seconds| {
        UNIX_EPOCH + Duration::from_secs(seconds)
    });
    let mut date = humantime::format_rfc3339_seconds(time).to_string();
    date.truncate("YYYY-MM-DD".len());
    date
}

/// What no definition of an option tells.
fn ending(is_whole: bool) -> Roff {
    let mut roff = Roff::new();
    roff.control("SH", ["EXIT STATUS"]);
    for code in Exit::ALL {
        roff.control("TP", []);
        roff.text([bold(code.number().to_string())]);
        roff.text([roman(code.meaning())]);
    }
    roff.control("SH", ["CAUTIONS"]);
    for (number, caution) in CAUTIONS.into_iter().enumerate() {
        if number > 0 {
            roff.control("PP", []);
        }
        roff.text([roman(caution)]);
    }
    roff.control("SH", ["FILES"]);
    for (file, what) in [
        (
            "/dev/spidevB.C",
            "The chip on bus B at chip select C. The group spi may use it.",
        ),
        (
            DOCUMENTS,
            "README.md and docs: the cautions, the wiring, each interlock, each file format.",
        ),
    ] {
        roff.control("TP", []);
        roff.text([italic(file)]);
        roff.text([roman(what)]);
    }
    if !is_whole {
        roff.control("SH", ["SEE ALSO"]);
        roff.text([bold(NAME), roman("(1)")]);
    }
    roff
}
