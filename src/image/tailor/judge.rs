//! Targets that cannot be meant, though all pieces are what they should be.

use super::cells::Becomes;
use super::{RegionChange, TailorError, Walked};
use crate::image::regions::{RegionMap, starts_in};

pub(super) fn judge(planned: &Walked, map: &RegionMap) -> Result<(), TailorError> {
    let regions = &planned.tailored.regions;
    if let Some(same) = regions.iter().find(|region| region.changed_bytes == 0) {
        return Err(TailorError::NothingChanges {
            region: same.name.clone(),
            files: same.pieces.iter().map(|piece| piece.file.clone()).collect(),
        });
    }
    let Some(start) = starts_in(&map.spans()).cloned() else {
        return Ok(());
    };
    let changed = regions.iter().find(|region| region.range == start.range);
    if planned.first_page == (true, false) || changed.is_some_and(is_now_blank) {
        return Err(TailorError::StartBlank {
            region: start.name().to_owned(),
            whole: changed.is_some_and(is_now_blank),
        });
    }
    Ok(())
}

/// Whether all of a region that had content is blank.
fn is_now_blank(region: &RegionChange) -> bool {
    let blank = |becomes| matches!(becomes, Becomes::NowBlank | Becomes::StaysBlank);
    region.parts.iter().all(|part| blank(part.becomes))
        && region
            .parts
            .iter()
            .any(|part| part.becomes == Becomes::NowBlank)
}
