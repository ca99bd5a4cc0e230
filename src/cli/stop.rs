//! Ctrl-C: the block in hand is finished, then the work stops.

use std::io;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};

/// A flag that SIGINT, SIGTERM and SIGHUP raise.
///
/// From here on none of them ends the process, however often it comes: a chip may be in the middle
/// of a block. Whoever works looks at the flag between blocks. Call it after the last question is
/// answered; until then Ctrl-C ends the program at once, and nothing has been touched.
///
/// # Errors
/// When the system refuses a handler.
pub fn stop_flag() -> io::Result<Arc<AtomicBool>> {
    let flag = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM, SIGHUP] {
        signal_hook::flag::register(signal, Arc::clone(&flag))?;
    }
    Ok(flag)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::Ordering;

    #[test]
    fn signals_raise_the_flag_and_do_not_kill() {
        let flag = stop_flag().unwrap();
        assert!(!flag.load(Ordering::SeqCst));
        for signal in [SIGINT, SIGTERM, SIGHUP] {
            flag.store(false, Ordering::SeqCst);
            for _ in 0..2 {
                signal_hook::low_level::raise(signal).unwrap();
                assert!(flag.load(Ordering::SeqCst), "signal {signal}");
            }
        }
    }
}
