//! One emulator process with one chip, and its end.

use std::fs::File;
use std::io::{self, Write};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use tempfile::TempDir;

use crate::link::{Bus, Counts, EmulatedLink};
use crate::socket::TestSocket;

const PROGRAM: &str = "qemu-system-arm";
const MACHINE: &str = "ast2600-evb";
/// Longest wait for the process to connect, and for it to end. Usually about 0.1 s.
const START_MAX: Duration = Duration::from_secs(60);
const STOP_MAX: Duration = Duration::from_secs(30);
const LAST_WORDS_MAX: Duration = Duration::from_secs(2);
const POLL: Duration = Duration::from_millis(2);

/// A running emulator whose machine has one chip on its flash controller.
///
/// The chip keeps its state (address mode, status, WEL) while links come and go; ending and
/// starting anew is a power cycle. Dropping kills the process.
pub struct Emulator {
    child: Child,
    bus: Arc<Mutex<Bus>>,
    model: String,
    backing: PathBuf,
    folder: TempDir,
}

/// Whether the emulator can be started here.
pub fn is_installed() -> bool {
    let version = Command::new(PROGRAM).arg("--version").output();
    version.is_ok_and(|output| output.status.success())
}

/// The serial-flash models that the emulator offers, as it lists them itself.
pub fn models() -> io::Result<Vec<String>> {
    let mut command = Command::new(PROGRAM);
    let told = command
        .args(["-machine", MACHINE, "-device", "help"])
        .output()?;
    if !told.status.success() {
        return Err(io::Error::other(format!("it ended with {}", told.status)));
    }
    let told = String::from_utf8_lossy(&told.stdout).into_owned();
    let named = |line: &str| {
        let (_, rest) = line.split_once("name \"")?;
        let (name, rest) = rest.split_once('"')?;
        rest.contains("Serial Flash").then(|| name.to_owned())
    };
    Ok(told.lines().filter_map(named).collect())
}

/// Array size of a model, which the emulator names when a backing file has the wrong one.
pub fn size_bytes_of(model: &str) -> io::Result<usize> {
    let folder = tempfile::tempdir()?;
    let file = folder.path().join("short.bin");
    std::fs::write(&file, [0; 512])?;
    let told = match Emulator::start(model, &file) {
        Ok(_) => return Ok(512),
        Err(error) => error.to_string(),
    };
    let size = told
        .split_once(" requires ")
        .and_then(|(_, rest)| rest.split_once(" bytes"))
        .and_then(|(size, _)| size.parse().ok());
    size.ok_or_else(|| io::Error::other(told))
}

impl Emulator {
    /// Starts the emulator with `model` on the bus, its array kept in `backing`.
    ///
    /// The file must have exactly the chip's size.
    pub fn start(model: &str, backing: &Path) -> io::Result<Self> {
        let folder = tempfile::tempdir()?;
        let listener = UnixListener::bind(folder.path().join("test.sock"))?;
        listener.set_nonblocking(true)?;
        let mut child = command(model, backing, folder.path())?.spawn()?;
        let bus = connect(&listener, &mut child).and_then(TestSocket::new);
        let bus = bus.and_then(Bus::new).map_err(|error| {
            // It may still be about to say why.
            let _ = wait_for_end(&mut child, LAST_WORDS_MAX);
            let _ = child.kill();
            let _ = child.wait();
            explain(&error, folder.path())
        })?;
        Ok(Self {
            child,
            bus: Arc::new(Mutex::new(bus)),
            model: model.to_owned(),
            backing: backing.to_owned(),
            folder,
        })
    }

    /// A link to the chip. Several may exist; each has its own clock, all share the wire.
    pub fn link(&self) -> EmulatedLink {
        EmulatedLink::new(&self.model, Arc::clone(&self.bus))
    }

    /// What went over the wire so far, all links together.
    pub fn counts(&self) -> Counts {
        self.bus.lock().unwrap().counts()
    }

    /// The file that holds the chip's array.
    pub fn backing(&self) -> &Path {
        &self.backing
    }

    /// Ends the emulator, then compares the backing file with `expected`, byte for byte.
    pub fn stop_and_compare(self, expected: &[u8]) {
        let (model, backing) = (self.model.clone(), self.backing.clone());
        self.stop()
            .unwrap_or_else(|error| panic!("{model}: {error}"));
        let found = std::fs::read(&backing).unwrap();
        assert_eq!(
            found.len(),
            expected.len(),
            "{model}: length of the backing file"
        );
        let mut pairs = found.iter().zip(expected);
        let first = pairs.position(|(found, expected)| found != expected);
        assert_eq!(
            first, None,
            "{model}: first address that differs in the backing file"
        );
    }

    /// Ends the emulator in an orderly way: the backing file holds all that was written.
    ///
    /// Until then writes may still be on their way to the file.
    pub fn stop(mut self) -> io::Result<()> {
        if let Some(mut monitor) = self.child.stdin.take() {
            // Fails where the process is gone already; its exit status tells more.
            let _ = monitor.write_all(b"quit\n");
        }
        let status = wait_for_end(&mut self.child, STOP_MAX)?;
        if status.success() {
            return Ok(());
        }
        let ended = io::Error::other(format!("the emulator ended with {status}"));
        Err(explain(&ended, self.folder.path()))
    }
}

impl Drop for Emulator {
    fn drop(&mut self) {
        // Both fail harmlessly where the process has ended. The folder removes itself.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn command(model: &str, backing: &Path, folder: &Path) -> io::Result<Command> {
    // A comma in a path would end the option; it is doubled there.
    let file = backing.display().to_string().replace(',', ",,");
    let mut command = Command::new(PROGRAM);
    command
        .arg("-machine")
        .arg(format!("{MACHINE},fmc-model={model}"))
        .args(["-S", "-display", "none", "-serial", "null"])
        .args(["-monitor", "stdio", "-qtest-log", "/dev/null"])
        .arg("-qtest")
        .arg(format!("unix:{}", folder.join("test.sock").display()))
        .arg("-drive")
        .arg(format!("file={file},if=mtd,format=raw"))
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(File::create(folder.join("stderr"))?);
    Ok(command)
}

fn connect(listener: &UnixListener, child: &mut Child) -> io::Result<UnixStream> {
    let started = Instant::now();
    loop {
        match listener.accept() {
            Ok((stream, _)) => return Ok(stream),
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
            Err(error) => return Err(error),
        }
        if let Some(status) = child.try_wait()? {
            return Err(io::Error::other(format!(
                "the emulator ended with {status}"
            )));
        }
        if started.elapsed() > START_MAX {
            return Err(io::ErrorKind::TimedOut.into());
        }
        std::thread::sleep(POLL);
    }
}

fn wait_for_end(child: &mut Child, max: Duration) -> io::Result<std::process::ExitStatus> {
    let started = Instant::now();
    loop {
        if let Some(status) = child.try_wait()? {
            return Ok(status);
        }
        if started.elapsed() > max {
            return Err(io::ErrorKind::TimedOut.into());
        }
        std::thread::sleep(POLL);
    }
}

/// The error, with the last line that the emulator said.
fn explain(error: &io::Error, folder: &Path) -> io::Error {
    let said = std::fs::read_to_string(folder.join("stderr")).unwrap_or_default();
    let last = said.lines().last().unwrap_or("it said nothing");
    io::Error::new(error.kind(), format!("{error}: {last}"))
}
