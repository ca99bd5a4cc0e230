//! `id`: what the chip on the clip is, and whether anything speaks against it.

use serde::Serialize;

use super::bench::Bench;
use super::connect::{Seen, meet};
use super::recognise::{another_id, not_of, told_apart};
use super::record::{begun_journal, region_map};
use super::{Attendant, Stop, Wrap, named, recognise, wrap};
use crate::chip::Chip;
use crate::interlock::Panel;
use crate::jedec::{Hertz, Millivolts, behind_jedec_id};
use crate::link::Purpose;
use crate::part::{Part, Standing, density_by_id, maker_name};
use crate::unit::Unit;
use crate::unit::journal::Journal;

/// What the chip is.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct IdReport {
    /// JEDEC ID, three bytes.
    pub jedec_id: String,
    /// Name of the maker that the first byte stands for, with what is known of its use.
    pub maker: String,
    /// How often the ID was read, and how often it was the same.
    #[serde(serialize_with = "named::reads")]
    #[cfg_attr(test, schemars(with = "named::Reads<u32>"))]
    pub id_reads: (u32, u32),
    /// The part, where it is known or describes itself.
    pub part: Option<Part>,
    /// How well it is known.
    pub standing: Standing,
    /// Parts that it can be.
    pub candidates: Vec<String>,
    /// What the sources disagree on.
    pub disagreements: Vec<String>,
    /// What the bytes behind the JEDEC ID say, where a document tells.
    pub behind_id: Option<String>,
    /// Why the chip may have another size than it says. A backup is held then.
    pub size_doubt: Option<String>,
    /// What tells the size that the part has: `ID`, `SFDP`, `table`, `address wrap`.
    pub size_by: Vec<&'static str>,
    /// What reads around the end of the array showed.
    pub wrap: Option<Wrap>,
    /// Times that SFDP and the table give otherwise. The longer ones are used.
    pub times: Vec<String>,
    /// An ID that no other chip has.
    pub own_id: Option<String>,
    /// What it is called: `unique ID` or `factory ID`.
    pub own_id_kind: Option<&'static str>,
    /// SFDP revision, where there is SFDP.
    pub sfdp: Option<String>,
    /// Why SFDP cannot be used, or what is odd in it.
    pub sfdp_remarks: Vec<String>,
    /// Protection, in words.
    pub protection: Option<String>,
    /// Addressing, in words.
    pub addressing: Option<String>,
    /// Whether the first Read ID was blank, so that it was led out of a continuous read and woken.
    pub woken: bool,
    /// Whether WEL was found set and was cleared.
    pub wel_was_set: bool,
    /// What tells that the chip is not that of the unit; `None` where nothing does, or no unit was named.
    pub another: Option<String>,
    /// The journal of a write of the unit that did not end, from the unit's name on; `None` where no unit was
    /// named.
    pub unfinished: Option<String>,
    /// Link, level and SCK.
    #[serde(serialize_with = "named::asked")]
    #[cfg_attr(test, schemars(with = "named::Asked<'static, Hertz>"))]
    pub link: (String, Option<Millivolts>, Hertz),
}

/// Identifies the chip, and with a unit looks whether it is that unit's.
///
/// # Errors
/// A [`Stop`]: held before the first clock or by the contact, a fault, or the person stopped. The chip is then as it
/// was.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, _) = Gauge::new()?;
/// use norlock::job::{Nobody, id};
///
/// let report = id(None, gauge.bench(), &mut Nobody)?;
/// assert_eq!(report.jedec_id, "EF 40 14");
/// # Ok(())
/// # }
/// ```
pub fn id(
    unit: Option<&Unit>,
    mut bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<IdReport, Stop> {
    let met = meet(
        Panel::for_reading(std::mem::take(&mut bench.accepted)),
        bench,
        Purpose::Read,
        None,
        attendant,
    )?;
    let mut seen = met.seen.clone();
    let (mut own_id, mut protection, mut addressing) = (None, None, None);
    let other = |unit: &Unit| told_apart(unit, &another_id(unit, &seen.look.id)?);
    let mut another = unit.and_then(other);
    if met.part().is_some() {
        let mut connected = met.open(&[])?;
        wrap::look(&mut connected, &[])?;
        own_id = recognise::own_id(&mut connected.chip)?;
        another = unit.map_or(Ok(None), |unit| not_that_of(unit, &mut connected.chip))?;
        let part = connected.chip.part().clone();
        let registers = connected.chip.registers()?;
        let locked = connected.chip.locked_blocks(&registers)?;
        protection = Some(part.protection_with(&registers, &locked).to_string());
        addressing = Some(connected.chip.addressing().to_owned());
        connected.chip.leave()?;
        (seen.wrap, seen.size_doubt) = (connected.seen.wrap, connected.seen.size_doubt);
    }
    let size_by = size_by(&seen);
    let identification = seen.identification;
    let sentences = identification.disagreements.into_iter();
    let mut disagreements: Vec<String> = sentences.map(|one| one.sentence).collect();
    let doubt = seen.size_doubt.as_ref();
    if let Some(doubt) = doubt.filter(|doubt| !disagreements.contains(doubt)) {
        disagreements.push(doubt.clone());
    }
    let repeats = (seen.wrap == Some(Wrap::Repeats))
        .then(|| "the upper half repeats the lower; a chip of half the size does too".to_owned());
    let size_doubt = seen.size_doubt.or(repeats);
    let mut sfdp_remarks: Vec<String> = seen.sfdp_fault.into_iter().collect();
    sfdp_remarks.extend(seen.sfdp.iter().flat_map(|sfdp| sfdp.remarks().to_vec()));
    sfdp_remarks.extend(seen.layout.and_then(|layout| layout.doubt));
    Ok(IdReport {
        jedec_id: crate::chip::short_id(&seen.look.id).to_string(),
        maker: maker_name(seen.look.id[0]).to_string(),
        id_reads: (seen.contact.id_reads, seen.contact.id_same),
        part: identification.part,
        standing: identification.standing,
        candidates: identification.candidates,
        disagreements,
        size_doubt,
        size_by,
        wrap: seen.wrap,
        times: identification.times,
        behind_id: behind_jedec_id(&seen.look.id),
        own_id_kind: own_id.as_ref().map(|(kind, _)| *kind),
        own_id: own_id.map(|(_, id)| recognise::shown(&id)),
        sfdp: seen.sfdp.as_ref().map(|sfdp| sfdp.revision.to_string()),
        sfdp_remarks,
        protection,
        addressing,
        woken: seen.look.woken,
        wel_was_set: seen.look.wel_was_set,
        another,
        unfinished: unit.map(begun_journal).transpose()?.flatten(),
        link: (seen.link, seen.level, seen.sck),
    })
}

/// What tells that the chip is not the unit's. A folder of which something cannot be read tells less.
fn not_that_of(unit: &Unit, chip: &mut Chip) -> Result<Option<String>, Stop> {
    let unfinished = Journal::find_unfinished(unit).ok().flatten();
    let map = region_map(unit).ok().flatten();
    let map = map.as_ref().map(|(map, _)| map);
    not_of(chip, unit, unfinished.as_ref(), map)
}

/// Which sources tell the size that the part has.
fn size_by(seen: &Seen) -> Vec<&'static str> {
    let Some(part) = &seen.identification.part else {
        return Vec::new();
    };
    let size = Some(u64::from(part.size_bytes));
    let sfdp = seen.sfdp.as_ref().and_then(|sfdp| sfdp.basic.density_bytes);
    let known = seen.identification.standing == Standing::Known;
    let sources = [
        ("ID", density_by_id(&seen.look.id) == size),
        ("SFDP", sfdp == size),
        ("table", known && sfdp.is_none()),
        ("address wrap", seen.wrap == Some(Wrap::Agrees)),
    ];
    let telling = sources.iter().filter(|(_, tells)| *tells);
    telling.map(|(name, _)| *name).collect()
}
