//! Parts that answer Read JEDEC ID with the same three bytes, and what tells them apart.

use serde::Serialize;

use super::{Catalogue, EraseType, Part, Reach, SfdpErase, SfdpFacts, compare, marking};

/// A way to tell two parts apart that send the same three bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Mark {
    /// Bytes of Read ID behind the third.
    IdBytes,
    /// What is printed on them.
    Marking,
    /// That only one carries SFDP, or what SFDP says: the chip can rule out one of them.
    Sfdp,
}

/// A part that answers with the same three bytes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Relative {
    /// Its maker.
    pub maker: String,
    /// Its name.
    pub name: String,
    /// What tells them apart. Where a chip shows none of it, both are treated as one part, with the
    /// safe value of each field.
    pub told_apart_by: Vec<Mark>,
}

impl Catalogue {
    /// The other parts of the table that answer with the same three bytes as `part`.
    #[must_use]
    pub fn relatives(&self, part: &Part) -> Vec<Relative> {
        let others = self.parts().iter();
        others
            .filter(|other| other.name != part.name)
            .filter(|other| {
                other
                    .jedec_id
                    .0
                    .iter()
                    .take(3)
                    .eq(part.jedec_id.0.iter().take(3))
            })
            .map(|other| Relative {
                maker: other.maker.clone(),
                name: other.name.clone(),
                told_apart_by: marks(self.parts(), part, other),
            })
            .collect()
    }
}

fn marks(parts: &[Part], a: &Part, b: &Part) -> Vec<Mark> {
    let marks = [
        (Mark::IdBytes, a.jedec_id != b.jedec_id),
        (Mark::Marking, marked_apart(parts, a, b)),
        (Mark::Sfdp, sfdp_differs(a, b) || sfdp_differs(b, a)),
    ];
    let telling = marks.into_iter().filter(|(_, tells)| *tells);
    telling.map(|(mark, _)| mark).collect()
}

/// Whether no marking of one, typed as far as it is printed, can be read as the other.
fn marked_apart(parts: &[Part], a: &Part, b: &Part) -> bool {
    let means = |of: &Part, other: &Part| {
        of.markings
            .iter()
            // More is printed behind it, so it is not one that was cut short.
            .filter_map(|text| marking::look_up(parts, &format!("{text} Z")))
            .any(|found| found.candidates.iter().any(|part| part.name == other.name))
    };
    !means(a, b) && !means(b, a)
}

/// Whether a chip that shows what the table says of `chip` cannot be taken for `other`, by what was
/// read about that one in a document.
fn sfdp_differs(chip: &Part, other: &Part) -> bool {
    match chip.has_sfdp {
        Some(true) => !compare::is_possible(other, Some(&as_in_sfdp(chip))),
        Some(false) => !compare::is_possible(other, None),
        None => false,
    }
}

fn as_in_sfdp(chip: &Part) -> SfdpFacts {
    SfdpFacts {
        density_bytes: u64::from(chip.size_bytes),
        erase_types: chip.erase_types.iter().map(erase_in_sfdp).collect(),
        page_size_bytes: Some(chip.page_size_bytes),
        page_program: None,
        chip_erase: None,
        lane_reads: Vec::new(),
        quad_enable: None,
        addressing: chip.addressing.clone(),
        supply: None,
    }
}

fn erase_in_sfdp(erase: &EraseType) -> SfdpErase {
    SfdpErase {
        size_bytes: erase.size_bytes,
        opcode: erase.opcode,
        opcode_4byte: erase.opcode_4byte,
        time: None,
        reach: Reach::Everywhere,
    }
}
