//! The reset of a chip, where a person asks for it, and all that holds it back.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use super::{go_on, look, signs};
use crate::chip::{ChipError, FirstLook, short_id};
use crate::job::bench::Reached;
use crate::job::shelf::unit_in;
use crate::job::write::in_hand;
use crate::job::{Attendant, Exit, Stop};
use crate::unit::Unit;
use crate::unit::journal::{self, Journal};
use crate::unit::store::Store;

/// Reads of the ID that have to be the same before it.
const READS: u32 = 8;
/// What a reset would do to a chip that erases.
const TORN: &str = "a reset in the middle of an erase leaves the block torn";

/// The unit in a folder, before a reset: of one that has a journal and no unit file nothing tells what its chip
/// is doing.
///
/// # Errors
/// A [`Stop`]: such a folder, or a unit that cannot be read.
#[cfg_attr(not(feature = "cli"), allow(dead_code, reason = "the program asks"))]
pub(crate) fn unit_before_reset(
    store: &Arc<dyn Store>,
    folder: &Path,
) -> Result<Option<Unit>, Stop> {
    let unit = unit_in(store, folder)?;
    let journal = folder.join(journal::FOLDER);
    if unit.is_some() || !store.exists(&journal)? {
        return Ok(unit);
    }
    let name = folder.file_name().unwrap_or_default().to_string_lossy();
    let headline = format!("A chip is not reset while nobody can tell what is in hand in {name}.");
    let next =
        "Put unit.toml back from a copy of the folder. To look only: norlock contact --unit FOLDER";
    Err(Stop::new(Exit::FileFault, headline, next)
        .row(
            "seen",
            format!("{}, and no unit.toml beside it", journal.display()),
        )
        .row("means", format!("a write may not have ended, and {TORN}")))
}

/// Where the unit's journal has a block in hand, or does not tell, the chip may be erasing it.
pub(super) fn nothing_in_hand(unit: &Unit) -> Result<(), Stop> {
    let Some(write) = Journal::find_unfinished(unit)? else {
        return Ok(());
    };
    if write.contents.is_ok() && in_hand(&write).is_empty() {
        return Ok(());
    }
    let headline = format!(
        "A chip is not reset while {} has a block in hand.",
        unit.name()
    );
    let next = "Leave clip and supply as they are, and give the same write command again: it waits for the chip, \
                and ends the modes that a reset would end. To look only: norlock contact --unit FOLDER";
    Err(Stop::new(Exit::Unfinished, headline, next)
        .row(
            "seen",
            format!(
                "{} tells of a write that did not end",
                unit.shown(&write.path)
            ),
        )
        .row("means", TORN))
}

/// What to do in place of a reset.
const INSTEAD: &str = "Run norlock contact without --reset: it says what is wrong with the wires. What a reset ends, a cut of \
     the supply ends as well: signals off first (docs/wiring.md has the order).";

/// A chip of which nobody can tell that it is not busy.
fn unheard(seen: String) -> Stop {
    let means = format!("nothing tells that it is not busy, and {TORN}");
    no_reset("A chip that does not answer is not reset.", seen, means)
}

fn no_reset(headline: &str, seen: String, means: String) -> Stop {
    Stop::new(Exit::ChipFault, headline, INSTEAD)
        .row("seen", seen)
        .row("means", means)
}

fn busy(seen: String) -> Stop {
    let next = "Wait until it is done, then try again without --reset.";
    let headline = "A chip that says it is busy is not reset.";
    Stop::new(Exit::ChipFault, headline, next)
        .row("seen", seen)
        .row("means", TORN)
}

/// Whether 66h and 99h are a reset to the chip that answered so, and it is not busy as far as its part can say.
fn takes_reset(
    reached: &mut Reached,
    first: &FirstLook,
    attendant: &dyn Attendant,
) -> Result<(), Stop> {
    if let Err(stop) = reached.refuse(first) {
        return Err(stop.row("instead", "a cut of the supply: signals off first"));
    }
    let parts = reached.catalogue.by_jedec_id(&first.id);
    let id = short_id(&first.id);
    let bare = &mut reached.bare;
    if parts.is_empty() && !look::describes_itself(bare, attendant)? {
        return Err(no_reset(
            "A chip that nothing is known of is not reset.",
            format!("JEDEC ID {id}, which the table does not know, and no SFDP"),
            "66h and 99h may be other commands to it, or its ID is read wrong".into(),
        ));
    }
    if let Some(part) = parts.iter().find(|part| part.stacked) {
        return Err(no_reset(
            "A part of several dies is not reset.",
            format!("JEDEC ID {id}, as {} has", part.name),
            format!("one die answers, and another may be busy: {TORN}"),
        ));
    }
    for part in parts {
        if !bare.is_ready_by_flag(part)? {
            return Err(busy("flag status (70h) that is not ready".into()));
        }
    }
    Ok(())
}

/// Resets a chip that is known not to be busy: it was roused, and answers Read ID, which no part takes
/// during an erase or program. A status alone does not tell: an open MISO reads FF or 00 in the middle
/// of one. Nor does an ID that is nobody's: it may be read wrong, and 66h and 99h mean something else to it.
pub(super) fn reset(reached: &mut Reached, attendant: &dyn Attendant) -> Result<String, Stop> {
    let bare = &mut reached.bare;
    bare.rouse()?;
    let first = match bare.meet(Duration::ZERO, &|| attendant.stop_asked()) {
        Ok(first) => first,
        Err(ChipError::StillBusy { status, .. }) => {
            return Err(busy(format!("status {status:02X}")));
        }
        Err(ChipError::NoAnswer { byte }) => {
            return Err(unheard(format!("the ID reads {byte:02X} throughout")));
        }
        Err(error) => return Err(error.into()),
    };
    for _ in 0..READS {
        go_on(attendant)?;
        let again = bare.id(bare.sck())?;
        if again != first.id {
            let [first, again] = signs::told_apart(&first.id, &again);
            return Err(unheard(format!("the ID reads {first} and {again}")));
        }
    }
    takes_reset(reached, &first, attendant)?;
    reached.bare.reset()?;
    let id = short_id(&first.id);
    Ok(format!(
        "sent once, to a chip that answered {id} and was not busy"
    ))
}
