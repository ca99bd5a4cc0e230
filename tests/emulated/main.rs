//! norlock on chip models that nobody here wrote: those of a machine emulator.
//!
//! The emulator runs no guest. Its test socket lets [`socket`] poke the flash controller of the
//! machine, [`link`] makes a [`norlock::link::Link`] of that, and [`emulator`] starts and ends the
//! process. The chip lives in a backing file, which a test reads from outside afterwards.
//!
//! Needs `qemu-system-arm` (`.ci/emulator` installs it). Without it these tests say that they
//! skipped and pass, or fail where `NORLOCK_REQUIRE_EMULATED=1` is set. `NORLOCK_EMULATED` names
//! other models, comma-separated, or is `most` or `all`; `tests/emulated/run` goes through those.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a bench that cannot be set up must fail the test"
)]

#[allow(dead_code)]
#[path = "../jobs/altered.rs"]
mod altered;
mod differential;
mod emulator;
mod facts;
mod first_level;
mod gauge;
mod layout;
mod link;
mod models;
mod opcodes;
mod sfdp;
mod socket;
mod stops;
mod ways;
mod whole_job;
mod wire;

use std::io::Write;
use std::sync::Once;

use emulator::Emulator;
use models::Model;

/// Runs `test` on each chosen model, each on a fresh chip filled with random bytes.
///
/// The bytes come from a fixed seed, so that a failure repeats.
fn on_each_model(test: impl Fn(Emulator, &Model, Vec<u8>)) {
    if is_skipped() {
        return;
    }
    let models = models::chosen();
    assert!(!models.is_empty(), "NORLOCK_EMULATED names no model");
    for model in models {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("chip.bin");
        let content = random_bytes(model.size_bytes, 0x0041_1ECA);
        std::fs::write(&file, &content).unwrap();
        let emulator = Emulator::start(&model.name, &file)
            .unwrap_or_else(|error| panic!("{}: {error}", model.name));
        test(emulator, &model, content);
    }
}

/// Whether there is no emulator, which is said, and fails where it is required.
fn is_skipped() -> bool {
    if emulator::is_installed() {
        return false;
    }
    assert!(
        std::env::var_os("NORLOCK_REQUIRE_EMULATED").is_none_or(|value| value != "1"),
        "qemu-system-arm not found, and NORLOCK_REQUIRE_EMULATED=1 forbids a skip"
    );
    say_once_that_all_is_skipped();
    true
}

/// Past the test runner's capture, so that a skip is seen when all tests pass.
fn say_once_that_all_is_skipped() {
    static SAID: Once = Once::new();
    SAID.call_once(|| {
        let told = "\nskipped: qemu-system-arm not found, so nothing ran on emulated chips\n";
        let _ = std::io::stderr().write_all(told.as_bytes());
    });
}

/// Random bytes from a seed.
fn random_bytes(len: usize, seed: u64) -> Vec<u8> {
    let mut bytes = vec![0; len];
    fastrand::Rng::with_seed(seed).fill(&mut bytes);
    bytes
}
