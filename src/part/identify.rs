//! What the chip is: its ID, its SFDP and its marking held against the table.

use serde::Serialize;

use super::agreed::taken_up;
use super::{Catalogue, JedecId, Marking, Part, SfdpFacts, SupplyRange, compare, merge};
use crate::jedec::LaneProgram;

/// How well the chip is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// The table has the part, or several that answer alike.
    Known,
    /// The table has not, but the chip describes itself.
    SfdpOnly,
    /// Nothing is known about it, or nothing answers.
    Unknown,
}

/// Two sources that contradict each other. Any of them blocks writing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Disagreement {
    /// The field they differ in, named as in [`Part::memory`].
    pub field: &'static str,
    /// What the table says.
    pub expected: String,
    /// What SFDP, the ID or the marking says.
    pub seen: String,
    /// Both in a plain sentence.
    pub sentence: String,
}

impl Disagreement {
    pub(super) fn between(
        source: &str,
        field: &'static str,
        expected: String,
        seen: String,
    ) -> Self {
        let what = match field {
            "has_sfdp" => "whether the part carries SFDP",
            "size_bytes" => "the size",
            "page_size_bytes" => "the program page",
            "erase" => "the erase types",
            "addressing" => "the address length",
            "supply" => "the supply",
            "jedec_id" => "the part",
            _ => "the facts together",
        };
        let sentence = format!(
            "The table and the {source} differ in {what}: {expected} in the table, {seen} here."
        );
        Self {
            field,
            expected,
            seen,
            sentence,
        }
    }
}

/// What is known about the chip.
#[derive(Debug, Clone, PartialEq)]
pub struct Identification {
    /// The part, with the safe value of each field where several remain possible. `None` if
    /// nothing is known; [`Part::unknown`] then takes a size from the user.
    pub part: Option<Part>,
    /// How well it is known.
    pub standing: Standing,
    /// Names of the parts that it can be.
    pub candidates: Vec<String>,
    /// Contradictions between ID, SFDP, marking and table.
    pub disagreements: Vec<Disagreement>,
    /// Times of erase and program that SFDP and the table give otherwise, in sentences. They speak of
    /// another generation of a part, or of a relabelled one, and hold nothing: the longer ones are used.
    pub times: Vec<String>,
}

/// Identifies a chip by its answer to 9Fh, its SFDP (`None` if it was asked and has none) and the
/// marking, if it could be read.
///
/// Parts that answer 9Fh alike are told apart by more ID bytes, by the marking, and by SFDP as far
/// as the table's facts were read in a document. Those that remain are merged: erase types by
/// intersection, times by maximum, clocks by minimum, supply by intersection.
#[must_use]
pub fn identify(
    catalogue: &Catalogue,
    id_bytes: &[u8],
    sfdp: Option<&SfdpFacts>,
    marking: Option<&str>,
) -> Identification {
    let id = JedecId(id_bytes.to_vec());
    if id_bytes.len() < 3 || id.is_blank() {
        return Identification {
            part: None,
            standing: Standing::Unknown,
            candidates: Vec::new(),
            disagreements: Vec::new(),
            times: Vec::new(),
        };
    }
    let marking = marking.and_then(|text| catalogue.by_marking(text));
    let answering = catalogue.by_jedec_id(id_bytes);
    let mut disagreements = Vec::new();
    let narrowed = narrow_by_marking(&answering, marking.as_ref(), &id, &mut disagreements);
    if narrowed.is_empty() {
        return not_in_table(id, sfdp, disagreements);
    }
    let remaining = narrow_by_sfdp(&narrowed, sfdp, &mut disagreements);
    known(&remaining, &id, sfdp, disagreements)
}

/// The answering parts that the marking allows; all of them if it allows none, which is said.
fn narrow_by_marking<'a>(
    answering: &[&'a Part],
    marking: Option<&Marking>,
    id: &JedecId,
    disagreements: &mut Vec<Disagreement>,
) -> Vec<&'a Part> {
    let Some(marking) = marking else {
        return answering.to_vec();
    };
    let named = |part: &&&Part| marking.candidates.iter().any(|c| c.name == part.name);
    let allowed: Vec<&Part> = answering.iter().filter(named).copied().collect();
    if allowed.is_empty() {
        disagreements.push(marking_disagreement(marking, answering, id));
        return answering.to_vec();
    }
    allowed
}

fn marking_disagreement(marking: &Marking, answering: &[&Part], id: &JedecId) -> Disagreement {
    let mut ids: Vec<String> = marking
        .candidates
        .iter()
        .map(|part| part.jedec_id.to_string())
        .collect();
    ids.dedup();
    let expected = format!("{} answers {}", marking.text, ids.join(" or "));
    let id = told(id);
    let names: Vec<&str> = answering.iter().map(|part| part.name.as_str()).collect();
    let seen = if names.is_empty() {
        format!("{id}, which no part in the table answers")
    } else {
        format!("{id}, which is {}", names.join(" or "))
    };
    let sentence =
        format!("The marking and the chip differ: {expected}, but the chip answers {seen}.");
    Disagreement {
        field: "jedec_id",
        expected,
        seen,
        sentence,
    }
}

/// An ID as a sentence needs it: three bytes, where the chip repeats them or drives nothing after them.
fn told(id: &JedecId) -> JedecId {
    let after = id.0.iter().skip(3);
    let repeats = after.clone().zip(id.0.iter().cycle()).all(|(a, b)| a == b);
    let silent = |line: u8| after.clone().all(|byte| *byte == line);
    if repeats || silent(0x00) || silent(0xFF) {
        return JedecId(id.0.iter().copied().take(3).collect());
    }
    id.clone()
}

/// The parts that SFDP leaves possible; all of them if it leaves none, which is said.
fn narrow_by_sfdp<'a>(
    parts: &[&'a Part],
    sfdp: Option<&SfdpFacts>,
    disagreements: &mut Vec<Disagreement>,
) -> Vec<&'a Part> {
    let possible: Vec<&Part> = parts
        .iter()
        .filter(|part| compare::is_possible(part, sfdp))
        .copied()
        .collect();
    let remaining = if possible.is_empty() {
        parts.to_vec()
    } else {
        possible
    };
    let found = compare::disagreements(&remaining, sfdp);
    let unexplained = found.is_empty()
        && !remaining
            .iter()
            .any(|part| compare::is_possible(part, sfdp));
    disagreements.extend(found);
    if unexplained {
        let expected = "parts that each agree in something".to_owned();
        let seen = "a chip that no single one describes".to_owned();
        disagreements.push(Disagreement::between("SFDP", "*", expected, seen));
    }
    remaining
}

fn known(
    parts: &[&Part],
    id: &JedecId,
    sfdp: Option<&SfdpFacts>,
    mut disagreements: Vec<Disagreement>,
) -> Identification {
    let sizes: std::collections::BTreeSet<u32> = parts.iter().map(|p| p.size_bytes).collect();
    if sizes.len() > 1 {
        let words: Vec<String> = sizes.iter().map(|size| format!("{size} bytes")).collect();
        let seen = format!("the same ID {} for all of them", told(id));
        disagreements.push(Disagreement::between(
            "ID",
            "size_bytes",
            words.join(" or "),
            seen,
        ));
    }
    let mut times = Vec::new();
    let part = merge::merge(parts).map(|mut part| {
        let longest = parts.iter().map(|p| p.jedec_id.0.len()).max().unwrap_or(0);
        part.jedec_id = JedecId(id.0.iter().copied().take(longest).collect());
        if let Some(sfdp) = sfdp {
            times = compare::times(&part, sfdp);
            apply_sfdp(&mut part, sfdp);
        }
        part
    });
    Identification {
        part,
        standing: Standing::Known,
        candidates: parts.iter().map(|part| part.name.clone()).collect(),
        disagreements,
        times,
    }
}

/// Keeps what SFDP confirms: only its erase types, where its sector map says, never a shorter time
/// limit, never a wider supply. Reads on several lanes it alone tells.
fn apply_sfdp(part: &mut Part, sfdp: &SfdpFacts) {
    let found = sfdp.erase_types.iter();
    let confirmed = found.flat_map(|found| found.confirmed(&part.erase_types, part.size_bytes));
    part.erase_types = confirmed.collect();
    super::sfdp_facts::sort(&mut part.erase_types);
    part.erase_types.dedup_by(|next, kept| taken_up(kept, next));
    if let Some(time) = sfdp.page_program {
        part.page_program.max = part.page_program.max.max(time.max);
    }
    if let (Some(chip_erase), Some(time)) = (&mut part.chip_erase, sfdp.chip_erase) {
        chip_erase.time.max = chip_erase.time.max.max(time.max);
    }
    if let Some(supply) = sfdp.supply {
        part.supply = SupplyRange {
            from_memory: part.supply.from_memory,
            ..part.supply.intersection(supply)
        };
    }
    part.lane_reads.clone_from(&sfdp.lane_reads);
    part.quad_enable = sfdp.quad_enable;
    if let Some(own) = sfdp.lane_programs() {
        keep_lane_programs(part, &own);
    }
    part.has_sfdp = Some(true);
}

/// Of programs on four lanes those with four address bytes that both know; those of SFDP alone where nothing
/// was read of what the part has.
fn keep_lane_programs(part: &mut Part, own: &[u8]) {
    if !part.is_documented("addressing") {
        let new = own.iter().filter(|code| !part.lane_programs.contains(code));
        let new: Vec<u8> = new.copied().collect();
        part.lane_programs.extend(new);
    }
    let usual = |code: &u8| LaneProgram::ALL.iter().any(|one| one.opcode == *code);
    part.lane_programs
        .retain(|code| usual(code) || own.contains(code));
}

fn not_in_table(
    id: JedecId,
    sfdp: Option<&SfdpFacts>,
    mut disagreements: Vec<Disagreement>,
) -> Identification {
    // What follows three bytes need not be driven: it may read differently on another bench.
    let short = JedecId(id.0.iter().copied().take(3).collect());
    let part = sfdp.and_then(|sfdp| sfdp.part(short));
    if let (Some(sfdp), None) = (sfdp, &part) {
        let expected = "parts whose size is a power of two below 4 GiB".to_owned();
        let seen = format!("{} bytes", sfdp.density_bytes);
        disagreements.push(Disagreement::between("SFDP", "size_bytes", expected, seen));
    }
    Identification {
        standing: if part.is_some() {
            Standing::SfdpOnly
        } else {
            Standing::Unknown
        },
        part,
        candidates: Vec::new(),
        disagreements,
        times: Vec::new(),
    }
}
