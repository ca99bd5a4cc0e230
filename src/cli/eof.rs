//! The end of stdin as a wish to stop, for programs that drive this one: a pipe that closes, also because the
//! program that held it is gone.

use std::collections::BTreeMap;
use std::io::{self, IsTerminal, Read};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

use crate::job::{ChipState, Exit, Stop};

/// Whoever wants to hear of it. Called on the thread that reads stdin, or at once if it has ended already.
type Ear = Arc<dyn Fn() + Send + Sync>;

/// Who listens now. Stdin is the process's, and its end stays.
static LISTENERS: Mutex<Listeners> = Mutex::new(Listeners {
    ended: false,
    next: 0,
    ears: BTreeMap::new(),
});

struct Listeners {
    ended: bool,
    next: u64,
    ears: BTreeMap<u64, Ear>,
}

/// One who listens until it is dropped.
#[derive(Debug)]
pub struct Listening(u64);

impl Listening {
    /// Has `ear` called when stdin ends.
    pub fn new(ear: Ear) -> Self {
        let mut listeners = LISTENERS.lock().unwrap_or_else(PoisonError::into_inner);
        if listeners.ended {
            ear();
        }
        let id = listeners.next;
        listeners.next += 1;
        listeners.ears.insert(id, ear);
        Self(id)
    }
}

impl Drop for Listening {
    fn drop(&mut self) {
        let mut listeners = LISTENERS.lock().unwrap_or_else(PoisonError::into_inner);
        listeners.ears.remove(&self.0);
    }
}

/// From here on the end of stdin is a wish to stop.
///
/// # Errors
/// A [`Stop`] where stdin is a terminal, since its answers would be read away, and where there is no thread.
pub fn stops() -> Result<(), Stop> {
    if io::stdin().is_terminal() {
        let next = "Leave --stop-on-eof out; Ctrl-C stops.";
        let headline = "Stdin is a terminal; --stop-on-eof is for programs that hold a pipe.";
        return Err(no_chip(Stop::new(Exit::Usage, headline, next)));
    }
    let reader = thread::Builder::new().name("stdin".into()).spawn(|| {
        wait_for_end(io::stdin().lock());
        let mut listeners = LISTENERS.lock().unwrap_or_else(PoisonError::into_inner);
        listeners.ended = true;
        listeners.ears.values().for_each(|ear| ear());
    });
    reader.map(|_| ()).map_err(|error| {
        let headline = "Stdin cannot be watched.";
        no_chip(Stop::new(Exit::ChipFault, headline, "Try again.").because(error))
    })
}

/// Reads to the end. One that fails has ended too: nobody can be heard through it any more.
fn wait_for_end(mut from: impl Read) {
    let mut bytes = [0; 256];
    loop {
        match from.read(&mut bytes) {
            Ok(1..) => {}
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Ok(0) | Err(_) => return,
        }
    }
}

fn no_chip(mut stop: Stop) -> Stop {
    stop.chip = ChipState::NotMet;
    stop
}
