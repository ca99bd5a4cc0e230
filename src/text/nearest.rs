//! What a misspelt word was meant to be.

/// How alike two words have to be, from 0 to 1, to be taken for one: what finds one letter too many, too few
/// or another in words of four, and seldom joins two that are both right (tried on the keys of all files).
const ALIKE: f64 = 0.8;

/// The word among `known` that is most like `word`.
pub(super) fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let plain = |word: &str| word.to_lowercase().replace('-', "_");
    let word = plain(word);
    let rated = known
        .into_iter()
        .map(|one| (strsim::jaro_winkler(&word, &plain(one)), one));
    rated
        .filter(|(alike, _)| *alike >= ALIKE)
        .max_by(|(a, _), (b, _)| a.total_cmp(b))
        .map(|(_, one)| one)
}

/// The end of a message about `word`, which is none of `known`: the one that was meant, or all of them.
pub(crate) fn perhaps(word: &str, known: &[&str]) -> String {
    match nearest(word, known.iter().copied()) {
        Some(meant) => format!("did you mean '{meant}'? All of them: {}", list(known)),
        None => format!("these can stand here: {}", list(known)),
    }
}

/// Words in one line.
pub(super) fn list(known: &[&str]) -> String {
    known.join(", ")
}
