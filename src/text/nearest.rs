//! What a misspelt word was meant to be.

/// How alike two words have to be, from 0 to 1, to be taken for one: what finds one letter too many, too few
/// or another in words of four, and seldom joins two that are both right (tried on the keys of all files).
const ALIKE: f64 = 0.8;

/// The word among `known` that is most like `word`.
pub(super) fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let plain = |word: &str| word.to_lowercase().replace('-', "_");
    let word = plain(word);
    // `sfdp` and `has_sfdp`: one has a word in front that the other lacks.
    let ends = |long: &str, short: &str| {
        let front = long.strip_suffix(short);
        front.is_some_and(|front| front.ends_with('_'))
    };
    let rated = known.into_iter().map(|one| {
        let other = plain(one);
        let alike = match ends(&word, &other) || ends(&other, &word) {
            true => f64::midpoint(ALIKE, 1.0),
            false => strsim::jaro_winkler(&word, &other),
        };
        (alike, one)
    });
    rated
        .filter(|(alike, _)| *alike >= ALIKE)
        .max_by(|(a, _), (b, _)| a.total_cmp(b))
        .map(|(_, one)| one)
}

/// The end of a message about `word`, which is none of `known`: the one that was meant, or all of them.
pub(crate) fn perhaps(word: &str, known: &[&str]) -> String {
    match nearest(word, known.iter().copied()) {
        Some(meant) => {
            let unit = other_unit(word, meant);
            format!("did you mean '{meant}'{unit}? All of them: {}", list(known))
        }
        None => format!("these can stand here: {}", list(known)),
    }
}

/// Units of time that keys end with.
const UNITS: [&str; 4] = ["ns", "us", "ms", "s"];

/// What else to change, where two keys differ in their unit of time alone.
fn other_unit(word: &str, meant: &str) -> String {
    match (word.rsplit_once('_'), meant.rsplit_once('_')) {
        (Some((name, from)), Some((other, to)))
            if name == other && from != to && UNITS.contains(&from) && UNITS.contains(&to) =>
        {
            format!(", with values in {to} and not in {from}")
        }
        _ => String::new(),
    }
}

/// Words in one line.
pub(super) fn list(known: &[&str]) -> String {
    known.join(", ")
}
