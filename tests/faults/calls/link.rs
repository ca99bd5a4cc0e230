//! Every batch on the link fails, once or from then on, in every job.
//!
//! The error numbers are those that the kernel's spidev and controller drivers return (Linux,
//! drivers/spi): EIO, EINVAL, EMSGSIZE (longer than bufsiz), ESHUTDOWN (the device has gone),
//! ETIMEDOUT, ENOMEM, EACCES. Whether a message was sent before the error is the driver's secret.

use norlock::link::Link;
use norlock::mock::{Failure, Fault, Faults};

use super::each;
use super::jobs::Job;
use super::ready::ready;
use super::truth::Failed;

const FAILURES: [Failure; 13] = [
    Failure::Errno(5),
    Failure::Errno(22),
    Failure::Errno(90),
    Failure::Errno(108),
    Failure::Errno(110),
    Failure::Errno(12),
    Failure::Errno(13),
    Failure::Late(5),
    Failure::Late(108),
    Failure::Late(110),
    Failure::TooLong,
    Failure::Short,
    Failure::Nothing,
];

#[derive(Debug)]
struct Case {
    job: Job,
    batch: u64,
    error: Failure,
    lasting: bool,
    /// Whether what is read is worked on beside the link.
    real_time: bool,
}

/// How many batches a job sends.
fn batches(job: Job) -> u64 {
    let small = ready(job).copy();
    let before = small.mock().counters().batches;
    job.run(&small).unwrap();
    small.mock().counters().batches - before
}

fn cases() -> Vec<Case> {
    let mut cases = Vec::new();
    for job in Job::ALL {
        for batch in 1..=batches(job) {
            for error in FAILURES {
                for lasting in [false, true] {
                    let real_time = cases.len() / FAILURES.len() % 2 == 1;
                    cases.push(Case {
                        job,
                        batch,
                        error,
                        lasting,
                        real_time,
                    });
                }
            }
        }
    }
    cases
}

fn fail(case: &Case) {
    let ready = ready(case.job);
    let mut small = ready.copy();
    small.station.real_time = case.real_time;
    let fault = Fault::Link {
        at_batch: small.mock().counters().batches + case.batch,
        error: case.error,
        lasting: case.lasting,
    };
    let limits = small.mock().link().limits();
    small.mock().set_faults(Faults::none().with(fault));
    let result = case.job.run(&small);
    // The chip keeps its supply: what it was left in, it stays in.
    small.mock().set_faults(Faults::none());
    // A limit that was lowered is forgotten with the process.
    small.mock().set_limits(limits);
    small.mock().monitor().uncover(0..u32::MAX);
    let done = result.is_ok();
    ready.check_outcome(&small, &result, Failed::Link);
    ready.check_kept(&small);
    if !done {
        let first = matches!(case.error, Failure::Errno(5) | Failure::Late(5));
        ready.finish_what_was_begun(&small, first || case.error == Failure::Short);
    }
}

#[test]
fn every_batch_on_the_link_fails() {
    let cases = cases();
    assert!(cases.len() > 10_000, "{}", cases.len());
    each("batches on the link", &cases, 150, fail);
}
