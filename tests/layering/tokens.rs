//! Just enough of Rust's lexical rules to see code without comments, literals and test items.

use std::ops::Range;

/// A word or a punctuation mark, and the line it stands on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Token {
    pub text: String,
    pub line: usize,
}

/// Splits a source into words and marks; comments and the content of literals are left out.
pub fn tokens(source: &str) -> Vec<Token> {
    let mut found = with_strings(source);
    found.retain(|token| !token.text.starts_with('"'));
    found
}

/// The same with strings, in their quotes and as they are written. Raw ones are left out.
pub fn with_strings(source: &str) -> Vec<Token> {
    let chars: Vec<char> = source.chars().collect();
    let mut found = Vec::new();
    let (mut at, mut line) = (0, 1);
    while at < chars.len() {
        let next = match chars[at] {
            '/' if chars.get(at + 1) == Some(&'/') => end_of_line(&chars, at),
            '/' if chars.get(at + 1) == Some(&'*') => end_of_block_comment(&chars, at),
            '"' => {
                let end = end_of_string(&chars, at + 1).min(chars.len());
                let text = chars[at..end].iter().collect();
                found.push(Token { text, line });
                end
            }
            '\'' => end_of_quote(&chars, at),
            c if c == '_' || c.is_alphanumeric() => {
                let end = end_of_word(&chars, at);
                let word: String = chars[at..end].iter().collect();
                let raw = matches!(word.as_str(), "r" | "br" | "cr");
                match raw.then(|| end_of_raw_string(&chars, end)).flatten() {
                    Some(end) => end,
                    None => {
                        found.push(Token { text: word, line });
                        end
                    }
                }
            }
            c => {
                if !c.is_whitespace() {
                    let text = c.to_string();
                    found.push(Token { text, line });
                }
                at + 1
            }
        };
        let next = next.min(chars.len());
        line += chars[at..next].iter().filter(|c| **c == '\n').count();
        at = next;
    }
    found
}

fn end_of_line(chars: &[char], at: usize) -> usize {
    let rest = chars[at..].iter().position(|c| *c == '\n');
    rest.map_or(chars.len(), |len| at + len)
}

fn end_of_block_comment(chars: &[char], mut at: usize) -> usize {
    let mut depth = 0;
    while at + 1 < chars.len() {
        match (chars[at], chars[at + 1]) {
            ('/', '*') => depth += 1,
            ('*', '/') => depth -= 1,
            _ => {
                at += 1;
                continue;
            }
        }
        at += 2;
        if depth == 0 {
            return at;
        }
    }
    chars.len()
}

fn end_of_string(chars: &[char], mut at: usize) -> usize {
    while at < chars.len() {
        match chars[at] {
            '\\' => at += 2,
            '"' => return at + 1,
            _ => at += 1,
        }
    }
    at
}

/// Past a character literal, or past the mark of a lifetime.
fn end_of_quote(chars: &[char], at: usize) -> usize {
    match (chars.get(at + 1), chars.get(at + 2)) {
        (Some('\\'), _) => {
            let close = chars.iter().skip(at + 3).position(|c| *c == '\'');
            close.map_or(chars.len(), |len| at + 3 + len + 1)
        }
        (Some(_), Some('\'')) => at + 3,
        _ => at + 1,
    }
}

fn end_of_word(chars: &[char], at: usize) -> usize {
    let rest = chars[at..]
        .iter()
        .position(|c| *c != '_' && !c.is_alphanumeric());
    rest.map_or(chars.len(), |len| at + len)
}

/// Past `#"..."#` that begins at `at`, if it does.
fn end_of_raw_string(chars: &[char], at: usize) -> Option<usize> {
    let hashes = chars[at..].iter().take_while(|c| **c == '#').count();
    if chars.get(at + hashes) != Some(&'"') {
        return None;
    }
    let mut close = vec!['"'];
    close.resize(1 + hashes, '#');
    let start = at + hashes + 1;
    let len = chars[start..]
        .windows(close.len())
        .position(|window| window == close)?;
    Some(start + len + close.len())
}

/// The tokens outside items under `#[cfg(test)]`, and the names of the modules among those that
/// stand in files of their own.
pub fn without_tests(tokens: &[Token]) -> (Vec<Token>, Vec<String>) {
    let (mut kept, mut test_files) = (Vec::new(), Vec::new());
    let mut at = 0;
    for item in test_items(tokens) {
        kept.extend_from_slice(&tokens[at..item.start]);
        at = item.end;
        if let [.., word, name, semicolon] = &tokens[item] {
            if word.text == "mod" && semicolon.text == ";" {
                test_files.push(name.text.clone());
            }
        }
    }
    kept.extend_from_slice(&tokens[at..]);
    (kept, test_files)
}

/// Where items under `#[cfg(test)]` stand among the tokens.
pub fn test_items(tokens: &[Token]) -> Vec<Range<usize>> {
    let mut found = Vec::new();
    let mut at = 0;
    while at < tokens.len() {
        let start = at;
        if starts(tokens, at, &["#", "!", "[", "cfg", "(", "test", ")", "]"]) {
            found.push(start..tokens.len());
            break;
        }
        at += 1;
        if starts(tokens, start, &["#", "[", "cfg", "(", "test", ")", "]"]) {
            at = end_of_item(tokens, start + 7);
            found.push(start..at);
        }
    }
    found
}

/// Whether the tokens at `at` are these.
pub fn starts(tokens: &[Token], at: usize, texts: &[&str]) -> bool {
    let there = tokens.iter().skip(at).map(|token| token.text.as_str());
    there.take(texts.len()).eq(texts.iter().copied())
}

/// Past the `;` or the closing brace of the item whose attribute ends at `at`.
fn end_of_item(tokens: &[Token], mut at: usize) -> usize {
    let mut depth = 0_i32;
    while at < tokens.len() {
        let text = tokens[at].text.as_str();
        at += 1;
        match text {
            "(" | "[" | "{" => depth += 1,
            ")" | "]" | "}" => depth -= 1,
            _ => {}
        }
        if depth < 0 || (depth == 0 && matches!(text, ";" | "}")) {
            break;
        }
    }
    at
}
