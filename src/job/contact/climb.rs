//! What is read at each step of the ladder: questions, a sample of the array, and at the SCK to work at the
//! lanes.

use std::time::Duration;

use super::look::{self, Sample};
use super::{Check, Kind, Rung, Sign, go_on, ladder, sck, signs};
use crate::chip::{Bare, Chip, ReadCommand};
use crate::jedec::{Address, Hertz, ID_BYTES};
use crate::job::recognise::not_of;
use crate::job::{Attendant, Stop, lanes};

/// Reads of the ID and SFDP header at each step of the ladder, as far as they fit into that time.
const READS_A_RUNG: u32 = 64;
const QUESTIONS_TIME: Duration = Duration::from_secs(4);
/// Bytes on the wire of such two reads.
const QUESTION_BYTES: usize = 1 + ID_BYTES + 5 + 16;
/// What the reads of the sample at one step may take on the wire, in ms, within the numbers below.
const SAMPLE_TIME_MS: u64 = 800;
/// Reads of the whole sample at one step: 1 to 4 million bits of 64 KiB, from 175 kHz on.
const SAMPLE_READS: [u64; 2] = [2, 8];

impl Check<'_> {
    /// Looks at the array at the lowest SCK, then reads a sample of it at each step of the ladder.
    pub(super) fn ask_array(
        &mut self,
        chip: &mut Chip,
        catalogue: &crate::part::Catalogue,
        attendant: &dyn Attendant,
    ) -> Result<Option<Sign>, Stop> {
        if chip.was_found_in_4byte_mode()? {
            self.note(Kind::FourByteMode, "its status says four address bytes");
        }
        let sample = Sample::take(chip, &self.left, attendant)?;
        self.observed.frames = sample.in_long_frames(chip, attendant)?;
        self.observed.lines = Some(look::lines(chip, &self.left, attendant)?);
        if let Some(sign) = signs::bad(&self.observed, catalogue) {
            return Ok(Some(sign));
        }
        // The contact with another chip can be as good, but is nothing for this unit's record.
        if let Some((unit, unfinished)) = &self.of {
            if let Some(seen) = not_of(chip, unit, unfinished.as_ref(), None)? {
                self.note(Kind::AnotherChip, seen);
            }
        }
        if sample.is_blank() {
            self.note(
                Kind::BlankSample,
                "at least 99 of 100 bits of the sample are 1",
            );
        }
        climb_array(chip, &sample, &mut self.ladder, attendant)?;
        self.sample = Some(sample);
        self.lanes = self.on_lanes(chip)?;
        Ok(None)
    }

    /// Reads ID and SFDP header many times at each SCK and compares with what the lowest gave; measures
    /// each SCK on the way.
    pub(super) fn climb_questions(
        &mut self,
        bare: &mut Bare,
        id: &[u8; ID_BYTES],
        attendant: &dyn Attendant,
    ) -> Result<(), Stop> {
        let mut wanted = [0; 16];
        let stop = || attendant.stop_asked();
        bare.sfdp(0, &mut wanted, bare.sck(), &stop)?;
        ladder::climb(&mut self.ladder, |rung| {
            rung.measured = sck::measure(bare, rung.sck, attendant)?;
            for _ in 0..look::reads_within(QUESTIONS_TIME, QUESTION_BYTES, rung.sck, READS_A_RUNG) {
                go_on(attendant)?;
                let mut head = [0; 16];
                rung.compare(id, &bare.id(rung.sck)?);
                bare.sfdp(0, &mut head, rung.sck, &stop)?;
                rung.compare(&wanted, &head);
            }
            Ok(())
        })
    }

    /// How many lanes read the same at the SCK to work at, where the link has several.
    fn on_lanes(&self, chip: &mut Chip) -> Result<Option<String>, Stop> {
        let chosen = ladder::choose(&self.ladder, self.asked).chosen;
        let Some(sck) = chosen.filter(|_| chip.has_lanes()) else {
            return Ok(None);
        };
        chip.proven_up_to(sck);
        let told = lanes::choose(chip)?;
        let none = || "one: no read on several lanes is known of this part".to_owned();
        Ok(Some(format!("{}, at {sck}", told.unwrap_or_else(none))))
    }
}

/// Reads the sample so often at each step as its SCK says, beforehand: by 03h and by the second command in
/// turn, each only where the part's limit for it is not below the step.
fn climb_array(
    chip: &mut Chip,
    sample: &Sample,
    ladder: &mut Vec<Rung>,
    attendant: &dyn Attendant,
) -> Result<(), Stop> {
    let mut commands = vec![ReadCommand::Read, chip.second_command()];
    commands.dedup();
    let mut seen = Vec::new();
    ladder::climb(ladder, |rung| {
        let fit = |command: &&ReadCommand| look::limit(chip, **command) >= rung.sck;
        let fitting: Vec<ReadCommand> = commands.iter().filter(fit).copied().collect();
        for command in fitting.iter().cycle().take(reads_at(rung.sck)) {
            for (place, wanted) in &sample.pieces {
                go_on(attendant)?;
                seen.clear();
                seen.resize(wanted.len(), 0x5A);
                chip.read(*command, rung.sck, Address(place.0), &mut seen)?;
                rung.compare(wanted, &seen);
            }
        }
        Ok(())
    })
}

/// How often the sample is read at a step.
fn reads_at(sck: Hertz) -> usize {
    let [least, most] = SAMPLE_READS;
    let bits_a_read = 64 * 1024 * 8;
    let reads = u64::from(sck.0) * SAMPLE_TIME_MS / 1000 / bits_a_read;
    usize::try_from(reads.clamp(least, most)).unwrap_or(1)
}
