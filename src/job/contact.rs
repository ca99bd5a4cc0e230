//! `contact`: whether the clip is seated, and at which SCK.

use serde::Serialize;

use super::bench::{Bench, Met, meet};
use super::{Attendant, Stop};
use crate::chip::{FirstLook, short_id};
use crate::interlock::{Interlock, Panel};
use crate::jedec::{Hertz, Millivolts};
use crate::link::Purpose;

/// Reads of the ID at each step of the ladder.
const READS_A_RUNG: u32 = 64;
/// The steps, highest first; only those up to the SCK asked for are taken.
const LADDER: [Hertz; 8] = [
    Hertz::mhz(50),
    Hertz::mhz(33),
    Hertz::mhz(20),
    Hertz::mhz(10),
    Hertz::mhz(5),
    Hertz::mhz(2),
    Hertz::mhz(1),
    Hertz(400_000),
];

/// One SCK that was tried.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Rung {
    /// SCK asked for.
    pub sck: Hertz,
    /// Reads of ID and SFDP header.
    pub reads: u32,
    /// How many were as at the lowest SCK.
    pub same: u32,
}

/// The verdict on the contact, with its evidence.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ContactReport {
    /// Whether the contact is good.
    pub good: bool,
    /// What speaks against it, and what to look at.
    pub sign: Option<String>,
    /// JEDEC ID, where one was read.
    pub jedec_id: Option<String>,
    /// Part, where it is known.
    pub part: Option<String>,
    /// The ladder, highest SCK first.
    pub ladder: Vec<Rung>,
    /// The highest SCK at which every read was right.
    pub proven: Option<Hertz>,
    /// Whether SFDP answered.
    pub sfdp: bool,
    /// The start sequence.
    pub look: Option<FirstLook>,
    /// Link, level and SCK asked for.
    pub link: Option<(String, Option<Millivolts>, Hertz)>,
}

/// Judges the contact. A bad contact is a report, not a [`Stop`].
///
/// # Errors
/// A [`Stop`]: held before the first clock, or a link fault.
pub fn contact(mut bench: Bench, attendant: &mut dyn Attendant) -> Result<ContactReport, Stop> {
    let mut met = match meet(
        Panel::new(std::mem::take(&mut bench.accepted)),
        bench,
        Purpose::Read,
        None,
        attendant,
    ) {
        Ok(met) => met,
        Err(stop) => return bad(stop),
    };
    let ladder = climb(&mut met)?;
    let proven = ladder
        .iter()
        .find(|rung| rung.same == rung.reads)
        .map(|rung| rung.sck);
    let seen = met.seen.clone();
    let mut report = ContactReport {
        good: true,
        sign: None,
        jedec_id: Some(short_id(&seen.look.id).to_string()),
        part: seen
            .identification
            .part
            .as_ref()
            .map(|part| format!("{} {}", part.maker, part.name)),
        ladder,
        proven,
        sfdp: seen.sfdp.is_some(),
        look: Some(seen.look),
        link: Some((seen.link, seen.level, seen.sck)),
    };
    if met.part().is_some() {
        match met.open(&[]) {
            Ok(connected) => connected.chip.leave()?,
            Err(stop) => {
                let verdict = bad(stop)?;
                (report.good, report.sign) = (false, verdict.sign);
            }
        }
    }
    if report.proven.is_none() {
        report.good = false;
        report.sign =
            Some("no SCK of the ladder reads the same every time: reseat the clip".into());
    }
    Ok(report)
}

/// A stop by the `contact` interlock is the verdict that this command exists to give.
fn bad(stop: Stop) -> Result<ContactReport, Stop> {
    let Some(held) = stop
        .held
        .iter()
        .find(|held| held.interlock == Interlock::Contact)
    else {
        return Err(stop);
    };
    Ok(ContactReport {
        good: false,
        sign: Some(format!("{}; {}", held.seen, held.means)),
        jedec_id: None,
        part: None,
        ladder: Vec::new(),
        proven: None,
        sfdp: false,
        look: None,
        link: None,
    })
}

/// Reads ID and SFDP header many times at each SCK and compares with what the lowest gave.
fn climb(met: &mut Met) -> Result<Vec<Rung>, Stop> {
    let top = met.bare.sck();
    let mut steps: Vec<Hertz> = LADDER.into_iter().filter(|sck| *sck < top).collect();
    steps.insert(0, top);
    let mut wanted_head = [0; 16];
    let wanted_id = met.seen.look.id;
    let lowest = steps.last().copied().unwrap_or(top);
    met.bare.sfdp(0, &mut wanted_head, lowest)?;
    let mut ladder = Vec::new();
    for sck in steps {
        let mut same = 0;
        for _ in 0..READS_A_RUNG {
            let mut head = [0; 16];
            let id = met.bare.id(sck)?;
            met.bare.sfdp(0, &mut head, sck)?;
            same += u32::from(id == wanted_id && head == wanted_head);
        }
        ladder.push(Rung {
            sck,
            reads: READS_A_RUNG,
            same,
        });
    }
    Ok(ladder)
}
