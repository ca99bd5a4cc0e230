//! From a link to a chip that is met, identified and open as its part, with the interlocks on the way.

use std::ops::Range;
use std::time::Duration;

use super::bench::{Bench, Reached, reach};
use super::contact::look::reads_within;
use super::contact::signs;
use super::explain::sentence;
use super::wrap::Wrap;
use super::{Attendant, Stop};
use crate::chip::{Bare, Chip, ChipError, FirstLook, ReadCommand, short_id};
use crate::image::show_size;
use crate::interlock::{Attestation, Contact, Panel};
use crate::jedec::sfdp::{self, EraseLayout, Sfdp};
use crate::jedec::{Address, Hertz, ID_BYTES, Millivolts};
use crate::link::Purpose;
use crate::part::{
    Catalogue, Identification, Part, SfdpFacts, Standing, SupplyRange, density_by_id, identify,
};

/// How often the ID is read to judge the contact: to read only, as far as that fits into the time below, but so
/// often at the least.
const ID_READS: u32 = 200;
const ID_READS_LEAST: u32 = 50;
const ID_TIME: Duration = Duration::from_secs(3);
/// Bytes of the array that are read repeatedly to judge the contact.
const SAMPLE_BYTES: u32 = 2048;
/// How long a chip that looks busy is waited for where nothing is known of it.
pub(super) const PATIENCE: Duration = Duration::from_secs(60);

/// A chip that was met, not yet opened as a part.
pub(super) struct Met {
    pub(super) bare: Bare,
    pub(super) panel: Panel,
    pub(super) seen: Seen,
    size_bytes: Option<u32>,
}

/// What was seen of the chip before its array was read.
#[derive(Debug, Clone)]
pub struct Seen {
    /// The start sequence.
    pub look: FirstLook,
    /// How steady the ID and SFDP were.
    pub contact: Contact,
    /// SFDP space as read, where it has the signature.
    pub sfdp_raw: Option<Vec<u8>>,
    /// The same, decoded.
    pub sfdp: Option<Sfdp>,
    /// Why SFDP that has the signature cannot be used.
    pub sfdp_fault: Option<String>,
    /// What the chip's answers made of its sector map, where it has one.
    pub layout: Option<EraseLayout>,
    /// What the chip is.
    pub identification: Identification,
    /// Why the chip may have another size than the part it was identified as.
    pub size_doubt: Option<String>,
    /// Size that was given and is not used, as the part tells its own.
    pub size_unused: Option<u32>,
    /// What reads around the end of the array showed, where they were made.
    pub wrap: Option<Wrap>,
    /// What the link is called.
    pub link: String,
    /// Level of the link.
    pub level: Option<Millivolts>,
    /// SCK in use.
    pub sck: Hertz,
    /// What was said about the bench.
    pub said: Attestation,
}

impl Seen {
    /// `known-part` is held, unless accepted by `chip-size`, for `doubt` of the chip's size.
    pub(super) fn doubted(&self, panel: &mut Panel, doubt: &str) {
        let part = self.identification.part.as_ref();
        let size = part.map(|part| part.size_bytes).or(self.size_unused);
        let unused = self.size_unused.map_or_else(String::new, |given| {
            let given = show_size(given.into());
            format!("; --size {given} is not used, as the chip says what it is")
        });
        let size = size.map(|size| show_size(size.into()));
        panel.size_in_doubt(&format!("{doubt}{unused}"), size.as_deref());
    }
}

/// A chip that is open as its part, with the interlocks so far.
pub(super) struct Connected {
    /// The chip.
    pub chip: Chip,
    /// The interlocks.
    pub panel: Panel,
    /// What was seen.
    pub seen: Seen,
}

/// Meets the chip: the interlocks before the first clock, the start sequence, ID, SFDP, identification
/// and the interlocks that these open or hold. `patience` is how long a busy chip is waited for.
///
/// # Errors
/// A [`Stop`]: held by an interlock, or a link or chip fault.
pub(super) fn meet(
    panel: Panel,
    bench: Bench,
    purpose: Purpose,
    patience: Option<Duration>,
    attendant: &dyn Attendant,
) -> Result<Met, Stop> {
    let mut reached = reach(panel, bench, purpose)?;
    let met = reached
        .bare
        .meet(patience.unwrap_or(PATIENCE), &|| attendant.stop_asked());
    match met {
        Ok(look) => {
            // Whoever writes relies on all of them, however long they take.
            let least = match purpose {
                Purpose::Write => ID_READS,
                Purpose::Read => ID_READS_LEAST,
            };
            reached.know(look, least, attendant)
        }
        Err(ChipError::NoAnswer { byte }) => Err(no_answer(reached.panel, byte)),
        Err(error) => Err(error.into()),
    }
}

impl Reached {
    /// Refuses a chip that answers Read ID and has other commands than these.
    ///
    /// # Errors
    /// A [`Stop`]: held by `known-part`.
    pub(super) fn refuse(&mut self, look: &FirstLook) -> Result<(), Stop> {
        let Some(refused) = self.catalogue.refused_by_jedec_id(&look.id) else {
            return Ok(());
        };
        let seen = format!("JEDEC ID {}", short_id(&look.id));
        self.panel.not_driven(refused, seen);
        Err(Stop::held(&self.panel))
    }

    /// Identifies the chip that was met, and opens or holds what that tells. Its ID is read `least` times at the
    /// least.
    ///
    /// # Errors
    /// As [`meet`].
    pub(super) fn know(
        mut self,
        look: FirstLook,
        least: u32,
        attendant: &dyn Attendant,
    ) -> Result<Met, Stop> {
        self.refuse(&look)?;
        let Self {
            mut bare,
            mut panel,
            level,
            said,
            catalogue,
            size_bytes,
        } = self;
        let stop = || attendant.stop_asked();
        let (ids, sfdp) = ask(&mut bare, &look, least, &stop)?;
        let mut seen = look_closer(&mut bare, look, (ids, sfdp), &catalogue, level, said)?;
        let told = seen
            .identification
            .part
            .as_ref()
            .map(|part| part.size_bytes);
        seen.size_unused = size_bytes.filter(|given| told.is_some_and(|told| told != *given));
        judge(&mut panel, &seen);
        if panel.is_held() {
            return Err(Stop::held(&panel));
        }
        Ok(Met {
            bare,
            panel,
            seen,
            size_bytes,
        })
    }
}

/// Meets the chip and opens it as its part. `torn` blocks are not judged by, see [`Met::open`].
///
/// # Errors
/// As [`meet`]; also where nothing tells the size of the chip.
pub(super) fn connect(
    panel: Panel,
    bench: Bench,
    purpose: Purpose,
    patience: Option<Duration>,
    torn: &[Range<u32>],
    attendant: &dyn Attendant,
) -> Result<Connected, Stop> {
    meet(panel, bench, purpose, patience, attendant)?.open(torn)
}

impl Met {
    /// The part to open the chip as: identified, or of the size the person gave.
    pub(super) fn part(&self) -> Option<Part> {
        let unknown = || {
            Some(Part::unknown(
                short_id(&self.seen.look.id),
                self.size_bytes?,
            ))
        };
        self.seen.identification.part.clone().or_else(unknown)
    }

    /// Opens the chip and reads a sample of it repeatedly, which ends the judgement of the contact.
    /// The sample lies outside `torn` blocks, whose cells may read differently each time on the best
    /// of contacts.
    pub(super) fn open(mut self, torn: &[Range<u32>]) -> Result<Connected, Stop> {
        let Some(part) = self.part() else {
            let seen = short_id(&self.seen.look.id).to_string();
            return Err(Stop::new(
                super::Exit::ChipFault,
                "Nothing tells how large this chip is.",
                "Reseat the clip, then: norlock contact. If that reads the same ID, read the size in the datasheet and \
                 give it (--size 16MiB), or add the part (--parts FILE).",
            )
            .row("seen", format!("JEDEC ID {seen}, which the table does not know, and no SFDP"))
            .row("means", "a read of the wrong length would look like a whole backup"));
        };
        let mut chip = self.bare.into_chip(part, self.seen.look.id)?;
        self.seen.contact.sample_same &= sample_is_steady(&mut chip, torn)?;
        self.panel.contact(&self.seen.contact);
        if self.panel.is_held() {
            return Err(Stop::held(&self.panel));
        }
        Ok(Connected {
            chip,
            panel: self.panel,
            seen: self.seen,
        })
    }
}

/// No chip answers: the contact holds, with what such an answer usually means.
fn no_answer(mut panel: Panel, byte: u8) -> Stop {
    let contact = Contact {
        id_reads: 1,
        id_same: 0,
        sample_same: true,
        sign: Some(signs::no_answer(byte)),
    };
    panel.contact(&contact);
    Stop::held(&panel)
}

/// Reads of the ID that were made, how many were as the first, and one that was not.
type Ids = (u32, u32, Option<[u8; ID_BYTES]>);
/// SFDP space where it has the signature, and whether two reads agreed.
type RawSfdp = (Option<Vec<u8>>, bool);

/// Reads the ID repeatedly and SFDP twice, at the SCK in use; asks `stop` between.
fn ask(
    bare: &mut Bare,
    look: &FirstLook,
    least: u32,
    stop: &dyn Fn() -> bool,
) -> Result<(Ids, RawSfdp), ChipError> {
    let sck = bare.sck();
    let (mut same, mut strange) = (0, None);
    let reads = reads_within(ID_TIME, 1 + ID_BYTES, sck, ID_READS).max(least);
    for _ in 0..reads {
        if stop() {
            return Err(ChipError::Stopped);
        }
        let id = bare.id(sck)?;
        if id == look.id {
            same += 1;
        } else {
            strange = Some(id);
        }
    }
    Ok(((reads, same, strange), read_sfdp(bare, sck, stop)?))
}

/// Identifies the part by what it was asked.
fn look_closer(
    bare: &mut Bare,
    look: FirstLook,
    ((id_reads, id_same, strange), (sfdp_raw, sfdp_steady)): (Ids, RawSfdp),
    catalogue: &Catalogue,
    level: Option<Millivolts>,
    said: Attestation,
) -> Result<Seen, Stop> {
    let sck = bare.sck();
    let parsed = sfdp_raw.as_deref().map(Sfdp::parse);
    let sfdp_fault = parsed
        .as_ref()
        .and_then(|parsed| parsed.as_ref().err().map(|error| sentence(error)));
    let sfdp = parsed.and_then(Result::ok);
    let layout = match &sfdp {
        Some(sfdp) => bare.erase_layout(sfdp, look.id[0])?,
        None => None,
    };
    let facts = sfdp
        .as_ref()
        .and_then(|sfdp| SfdpFacts::of(sfdp, layout.as_ref()));
    let identification = identify(catalogue, &look.id, facts.as_ref(), said.marking.as_deref());
    let size_doubt = size_doubt(catalogue, &identification, said.marking.as_deref());
    let mut sign = strange.map(|id| signs::unsteady(&look.id, &id));
    if sign.is_none() && identification.standing == Standing::Unknown {
        sign = signs::misread(catalogue, said.marking.as_deref(), &look);
    }
    let contact = Contact {
        id_reads,
        id_same,
        sample_same: sfdp_steady,
        sign,
    };
    let link = bare.link_name().to_owned();
    Ok(Seen {
        look,
        contact,
        sfdp_raw,
        sfdp,
        sfdp_fault,
        layout,
        identification,
        size_doubt,
        size_unused: None,
        wrap: None,
        link,
        level,
        sck,
        said,
    })
}

/// Whether SFDP, the table, the ID or the marking tell another size than the part has. A backup of half
/// a chip agrees with itself in every read.
fn size_doubt(
    catalogue: &Catalogue,
    identification: &Identification,
    marking: Option<&str>,
) -> Option<String> {
    let part = identification.part.as_ref()?;
    let disagreement = identification
        .disagreements
        .iter()
        .find(|one| one.field == "size_bytes");
    if let Some(one) = disagreement {
        return Some(one.sentence.clone());
    }
    let size = show_size(part.size_bytes.into());
    if let Some(told) = density_by_id(&part.jedec_id.0) {
        if told != u64::from(part.size_bytes) {
            let (id, told) = (&part.jedec_id, show_size(told));
            return Some(format!(
                "the ID {id} is that of {told} by its maker's custom, and the part has {size}"
            ));
        }
    }
    let marking = catalogue.by_marking(marking?)?;
    let fits = |candidate: &Part| candidate.size_bytes == part.size_bytes;
    let names = marking.names().join(" or ");
    (!marking.candidates.iter().any(fits))
        .then(|| format!("the chip answers as one of {size}, and the marking is that of {names}"))
}

fn read_sfdp(bare: &mut Bare, sck: Hertz, stop: &dyn Fn() -> bool) -> Result<RawSfdp, ChipError> {
    let mut head = [0; 16];
    bare.sfdp(0, &mut head, sck, stop)?;
    let Some(bytes) = sfdp::needed_bytes(&head) else {
        let mut again = [0; 16];
        bare.sfdp(0, &mut again, sck, stop)?;
        return Ok((None, head == again));
    };
    // Headers tell where tables end, and lie beyond the first sixteen bytes where there are several.
    let mut space = vec![0; bytes.max(256)];
    bare.sfdp(0, &mut space, sck, stop)?;
    let bytes = sfdp::needed_bytes(&space).unwrap_or(bytes).max(256);
    let (mut one, mut two) = (vec![0; bytes], vec![0xFF; bytes]);
    bare.sfdp(0, &mut one, sck, stop)?;
    bare.sfdp(0, &mut two, sck, stop)?;
    let steady = one == two;
    Ok((Some(one), steady))
}

fn judge(panel: &mut Panel, seen: &Seen) {
    if seen.contact.id_same < seen.contact.id_reads || seen.contact.sign.is_some() {
        panel.contact(&seen.contact);
    }
    if let Some(part) = &seen.identification.part {
        let range: SupplyRange = part.supply;
        panel.supply_level_of_part(seen.level, &part.name, range);
    }
}

/// The lowest place of a sample's length that no torn block touches.
fn sample_place(size_bytes: u32, torn: &[Range<u32>]) -> Option<Range<u32>> {
    let length = SAMPLE_BYTES.min(size_bytes);
    let mut places = (0..=size_bytes - length).step_by(length.max(1) as usize);
    places
        .find(|at| {
            torn.iter()
                .all(|torn| torn.end <= *at || at + length <= torn.start)
        })
        .map(|at| at..at + length)
}

/// Reads one place outside `torn` blocks three times. Where all is torn nothing can be sampled.
fn sample_is_steady(chip: &mut Chip, torn: &[Range<u32>]) -> Result<bool, Stop> {
    let Some(place) = sample_place(chip.size_bytes(), torn) else {
        return Ok(true);
    };
    let sck = chip.sck_for(ReadCommand::Read);
    let length = (place.end - place.start) as usize;
    let (mut first, mut again) = (vec![0xA5; length], vec![0x5A; length]);
    chip.read(ReadCommand::Read, sck, Address(place.start), &mut first)?;
    for _ in 0..2 {
        again.fill(0x5A);
        chip.read(ReadCommand::Read, sck, Address(place.start), &mut again)?;
        if first != again {
            return Ok(false);
        }
    }
    Ok(true)
}
