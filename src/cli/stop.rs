//! Ctrl-C: the block in hand is finished, then the work stops.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};

use signal_hook::SigId;
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM, SIGTSTP};
use signal_hook::flag;
use signal_hook::iterator::{Handle, Signals};
use signal_hook::low_level::unregister;

use super::eof::Listening;

/// Ctrl-Z too: a program that is suspended in the middle of a block leaves it half done under the clip.
const SIGNALS: [i32; 4] = [SIGINT, SIGTERM, SIGHUP, SIGTSTP];

/// Those of them that are caught: a hangup that was ignored when the program was started, as by nohup(1), stays so.
fn caught() -> impl Iterator<Item = i32> {
    let hangup_ignored = ignored(SIGHUP);
    let stays = move |signal: &i32| *signal == SIGHUP && hangup_ignored;
    SIGNALS.into_iter().filter(move |signal| !stays(signal))
}

/// Whether the process ignores a signal (Linux, proc_pid_status(5): a mask whose lowest bit is signal 1).
fn ignored(signal: i32) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    let mask = mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok());
    mask.is_some_and(|mask| mask >> (signal - 1) & 1 == 1)
}

/// The wish to stop: raised by SIGINT, SIGTERM, SIGHUP and SIGTSTP, and with `--stop-on-eof`
/// by the end of stdin.
///
/// From its making on none of them ends the process, however often it comes: a chip may be in the
/// middle of a block. Whoever works looks at it between blocks.
#[derive(Debug)]
pub struct Stopping {
    flag: Arc<AtomicBool>,
    signals: Handle,
    teller: Option<JoinHandle<()>>,
    _listening: Listening,
}

impl Stopping {
    /// Make it after the last question is answered; until then Ctrl-C ends the program at once, and
    /// nothing has been touched.
    ///
    /// `tell` is called for each signal as it comes, on a thread of its own: a block may take seconds,
    /// and whoever asked shall know at once that it was heard. Once it is dropped it tells no more.
    ///
    /// # Errors
    /// When the system refuses a handler or a thread.
    pub fn watch(tell: impl Fn() + Send + Sync + 'static) -> io::Result<Self> {
        let flag = Arc::new(AtomicBool::new(false));
        let mut signals = Signals::new(caught())?;
        let handle = signals.handle();
        let raised = Arc::clone(&flag);
        // One way for all, so that no wish stops the work without a word, or is told and not heard.
        let heard = Arc::new(move || {
            raised.store(true, Ordering::SeqCst);
            tell();
        });
        let listening = Listening::new(heard.clone());
        let teller = thread::Builder::new()
            .name("signals".into())
            .spawn(move || {
                signals.forever().for_each(|_| heard());
                // One that came just before the end.
                signals.pending().for_each(|_| heard());
            })?;
        Ok(Self {
            flag,
            signals: handle,
            teller: Some(teller),
            _listening: listening,
        })
    }

    /// Whether a signal has come.
    #[must_use]
    pub fn asked(&self) -> bool {
        self.flag.load(Ordering::SeqCst)
    }
}

impl Drop for Stopping {
    fn drop(&mut self) {
        self.signals.close();
        // So that it does not speak after the answer.
        if let Some(teller) = self.teller.take() {
            let _ = teller.join();
        }
    }
}

/// While this lives, a signal ends the program at once, also behind an earlier [`Stopping`], after which the
/// system no longer does so by itself: a question is waiting, nobody works, and nothing would be heard.
#[derive(Debug)]
pub struct Mortal(Vec<SigId>);

impl Mortal {
    /// # Errors
    /// When the system refuses a handler.
    pub fn new() -> io::Result<Self> {
        let always = Arc::new(AtomicBool::new(true));
        let ends = |signal| flag::register_conditional_default(signal, Arc::clone(&always));
        caught().map(ends).collect::<Result<_, _>>().map(Self)
    }
}

impl Drop for Mortal {
    fn drop(&mut self) {
        for handler in self.0.drain(..) {
            unregister(handler);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::process::ExitStatusExt;
    use std::sync::mpsc;
    use std::time::Duration;

    // One test for all, as signals are the process's.
    #[test]
    fn signals_are_told_raise_the_flag_and_do_not_kill() {
        for signal in caught() {
            let (tell, told) = mpsc::channel();
            let stopping = Stopping::watch(move || tell.send(()).unwrap_or(())).unwrap();
            assert!(!stopping.asked());
            for _ in 0..2 {
                signal_hook::low_level::raise(signal).unwrap();
                told.recv_timeout(Duration::from_secs(60)).unwrap();
                assert!(stopping.asked(), "signal {signal}");
            }
            drop(stopping);
            signal_hook::low_level::raise(signal).unwrap();
            // Whoever told is gone, and with it the sender.
            assert!(told.recv().is_err());
        }
    }

    /// Runs itself again, as the process must die: behind a first job, at a question of the second.
    #[test]
    fn at_a_question_a_signal_ends_the_program_though_a_job_has_run_before() {
        const ASKED: &str = "NORLOCK_TEST_AT_A_QUESTION";
        if let Ok(signal) = std::env::var(ASKED) {
            drop(Stopping::watch(|| ()).unwrap());
            let row = Stopping::watch(|| ()).unwrap();
            signal_hook::low_level::raise(SIGINT).unwrap();
            drop(Mortal::new().unwrap());
            signal_hook::low_level::raise(SIGINT).unwrap();
            let _question = Mortal::new().unwrap();
            signal_hook::low_level::raise(signal.parse().unwrap()).unwrap();
            panic!("it lives on, {}", row.asked());
        }
        for signal in caught().filter(|signal| *signal != SIGTSTP) {
            let name = "cli::stop::tests::at_a_question_a_signal_ends_the_program_though_a_job_has_run_before";
            let mut child = std::process::Command::new(std::env::current_exe().unwrap());
            child.args(["--exact", name]).env(ASKED, signal.to_string());
            let ended = child.output().unwrap();
            assert_eq!(ended.status.signal(), Some(signal), "{ended:?}");
        }
    }
}
