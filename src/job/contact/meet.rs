//! The first word with the chip: met as it is, and roused where what it says is no answer.

use super::look::Observed;
use super::{Check, Kind, Sign, signs};
use crate::chip::{ChipError, FirstLook, short_id};
use crate::jedec::ID_BYTES;
use crate::job::bench::Reached;
use crate::job::connect::PATIENCE;
use crate::job::{Attendant, Stop, sentence};

impl Check<'_> {
    /// Meets the chip. One that does not answer is looked at as it is, and roused once if what it says is
    /// no answer at all.
    pub(super) fn meet(
        &mut self,
        reached: &mut Reached,
        attendant: &dyn Attendant,
    ) -> Result<Result<FirstLook, Sign>, Stop> {
        let stop = || attendant.stop_asked();
        let error = match reached.bare.meet(PATIENCE, &stop) {
            Ok(first) => return Ok(Ok(first)),
            Err(error) => error,
        };
        let kind = match &error {
            ChipError::NoAnswer { .. } => None,
            ChipError::StillBusy { .. } | ChipError::WelStuck { .. } => Some(Kind::Busy),
            _ => return Err(error.into()),
        };
        reached.bare.rouse()?;
        if kind.is_some() {
            match reached.bare.meet(PATIENCE / 60, &stop) {
                Ok(first) => return Ok(Ok(self.roused(&error, first))),
                Err(ChipError::Stopped) => return Err(ChipError::Stopped.into()),
                Err(_) => {}
            }
        }
        self.observed.look(&mut reached.bare, attendant)?;
        let sign = signs::bad(&self.observed, &reached.catalogue);
        let plain = || {
            Sign::new(
                kind.unwrap_or(Kind::Unsteady),
                sentence(&error),
                self.observed.power,
            )
        };
        Ok(Err(sign.unwrap_or_else(plain)))
    }

    /// What it was that `error` told, where the chip answers after FFh. In continuous read a status read brings
    /// what the array holds there, and looks like a busy chip; one that still had to be waited for was one.
    fn roused(&mut self, error: &ChipError, mut first: FirstLook) -> FirstLook {
        match error {
            ChipError::StillBusy { waited, .. } if !first.busy_for.is_zero() => {
                first.busy_for += *waited;
            }
            _ => self.note(Kind::ContinuousRead, sentence(error)),
        }
        first
    }

    /// A chip whose ID is nobody's may be in a mode in which no opcode is heard: it is roused, and looked at
    /// once more.
    pub(super) fn rouse(
        &mut self,
        reached: &mut Reached,
        first: FirstLook,
        attendant: &dyn Attendant,
    ) -> Result<FirstLook, Stop> {
        let unknown = |look: &FirstLook, observed: &Observed| {
            reached_nobody(&reached.catalogue, &look.id) && !observed.self_described
        };
        if !unknown(&first, &self.observed) {
            return Ok(first);
        }
        reached.bare.rouse()?;
        let again = match reached.bare.meet(PATIENCE, &|| attendant.stop_asked()) {
            Ok(again) => again,
            Err(ChipError::Stopped) => return Err(ChipError::Stopped.into()),
            Err(_) => return Ok(first),
        };
        let mut observed = Observed::nothing(self.observed.power, self.observed.marking.as_deref());
        observed.look(&mut reached.bare, attendant)?;
        if unknown(&again, &observed) {
            return Ok(first);
        }
        let [before, after] = [&first, &again].map(|look| short_id(&look.id).to_string());
        self.note(
            Kind::ContinuousRead,
            format!("the ID read {before}, and {after} after FFh"),
        );
        self.observed = observed;
        self.look = Some(again.clone());
        Ok(again)
    }
}

/// Whether an ID is one that the table does not know.
fn reached_nobody(catalogue: &crate::part::Catalogue, id: &[u8; ID_BYTES]) -> bool {
    catalogue.by_jedec_id(id).is_empty()
}
