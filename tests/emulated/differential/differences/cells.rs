//! Differences in cells.

use super::super::operation::Operation;
use super::super::step::Found;
use super::super::theirs::Case;

pub fn no_page_wrap(case: &Case<'_>, found: &Found) -> bool {
    let page = case.subject.part.page_size_bytes;
    let crosses = |(at, data): (u32, Vec<u8>)| at % page + data.len() as u32 > page;
    matches!(case.inner, Operation::Program { .. })
        && case.program().is_some_and(crosses)
        && case.are_the_models(found)
}

pub fn erase_unaligned(case: &Case<'_>, found: &Found) -> bool {
    let unaligned = |(at, bytes): (u32, u32)| at % bytes != 0;
    case.erase().is_some_and(unaligned) && case.are_the_models(found)
}

/// Ours left all as it was.
pub fn erase_unprotected(case: &Case<'_>, found: &Found) -> bool {
    let held = |range| case.before.protection.touches(&range);
    case.erased().is_some_and(held) && unchanged(found) && case.are_the_models(found)
}

fn unchanged(found: &Found) -> bool {
    matches!(found, Found::Cells { before, ours, .. } if before == ours)
}

/// One of them held what the other did not.
pub fn bp_counts_sectors(case: &Case<'_>, found: &Found) -> bool {
    let Some((at, data)) = case.program() else {
        return false;
    };
    let held = |address: u32| case.before.protection.touches(&(address..address + 1));
    let reached = || {
        (at..)
            .take(data.len())
            .map(|address| address % case.subject.size())
    };
    let ours = reached().any(held);
    let theirs = |address| case.holds(address);
    let other = if ours {
        !reached().all(theirs)
    } else {
        reached().any(theirs)
    };
    other && case.are_the_models(found)
}

/// The simulated chip refused, so its cells are as before.
pub fn foreign_erase(case: &Case<'_>, found: &Found) -> bool {
    let foreign = matches!(case.inner, Operation::Foreign { .. });
    let erases = case.erase().is_some() || case.erases_all();
    foreign && erases && unchanged(found) && case.are_the_models(found)
}

pub fn many_bytes(case: &Case<'_>, found: &Found) -> bool {
    let foreign = matches!(case.inner, Operation::Foreign { .. });
    foreign && case.program().is_some() && unchanged(found) && case.are_the_models(found)
}

pub fn refused(case: &Case<'_>, found: &Found) -> bool {
    matches!(found, Found::Refused { .. }) && matches!(case.operation, Operation::Foreign { .. })
}
