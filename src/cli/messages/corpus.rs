//! How the broken files are kept: for each kind of file one that is right, and what a person does to it.
//!
//! A case is a title behind `==`, then edits and expectations. `-` is a text of the right file and `+` what
//! stands there instead; `+` without `-` before it is put at the end, `=` is a whole file of its own. In these
//! texts `«` marks the place of each fault that has to be told, and `⟦FF⟧` is that byte. For each mark, in
//! the order of the file, a line behind `>` has words of its message, parted by ` & `. A title that ends in
//! `(CRLF)` gets such line ends. The marks are set by hand, and line and column are counted here.

use std::path::PathBuf;

/// One broken file, and what has to be told of it.
pub struct Case {
    pub title: String,
    pub bytes: Vec<u8>,
    /// Line, column and words of each fault.
    pub faults: Vec<(usize, usize, Vec<String>)>,
}

/// The cases of one kind of file, and the file that is right.
pub fn cases(kind: &str) -> (Vec<u8>, Vec<Case>) {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/broken")
        .join(format!("{kind}.txt"));
    let text = std::fs::read_to_string(&path).unwrap();
    let (right, cases) = text.split_once("\n== ").unwrap();
    let right = format!("{right}\n");
    let cases = cases.split("\n== ").map(|case| read(&right, case));
    let cases = cases.collect();
    (right.into_bytes(), cases)
}

/// One block of lines that begin alike.
struct Block {
    kind: char,
    text: String,
}

fn blocks(lines: &str) -> Vec<Block> {
    let mut blocks: Vec<Block> = Vec::new();
    for line in lines.lines().filter(|line| !line.is_empty()) {
        let kind = line.chars().next().unwrap();
        assert!("-+=>".contains(kind), "{line}");
        let text = line.get(2..).unwrap_or_default();
        match blocks.last_mut() {
            Some(last) if last.kind == kind => last.text += &format!("\n{text}"),
            _ => blocks.push(Block {
                kind,
                text: text.to_owned(),
            }),
        }
    }
    blocks
}

fn read(right: &str, case: &str) -> Case {
    let (title, lines) = case.split_once('\n').unwrap();
    let mut text = right.to_owned();
    let mut from: Option<String> = None;
    let mut words = Vec::new();
    for block in blocks(lines) {
        match block.kind {
            '=' => text = block.text + "\n",
            '-' => from = Some(block.text),
            '+' => match from.take() {
                Some(from) => {
                    assert!(text.contains(&from), "{title}: {from}");
                    text = text.replacen(&from, &block.text, 1);
                }
                None => text += &(block.text + "\n"),
            },
            _ => words.extend(block.text.lines().map(str::to_owned)),
        }
    }
    if let Some(from) = from {
        assert!(text.contains(&from), "{title}: {from}");
        text = text.replacen(&format!("{from}\n"), "", 1);
    }
    if title.ends_with("(CRLF)") {
        text = text.replace('\n', "\r\n");
    }
    let (bytes, places) = marked(&text);
    assert_eq!(
        places.len(),
        words.len(),
        "{title}: marks and words\n{text}"
    );
    let faults = places.into_iter().zip(words);
    let faults = faults.map(|((line, column), words)| {
        let words = words.split(" & ").map(str::to_owned).collect();
        (line, column, words)
    });
    Case {
        title: title.to_owned(),
        bytes,
        faults: faults.collect(),
    }
}

/// The bytes of a text without its marks, and line and column of each mark.
fn marked(text: &str) -> (Vec<u8>, Vec<(usize, usize)>) {
    let (mut bytes, mut places) = (Vec::new(), Vec::new());
    let (mut line, mut column) = (1, 1);
    let mut letters = text.chars();
    while let Some(letter) = letters.next() {
        match letter {
            '«' => places.push((line, column)),
            '⟦' => {
                let digits: String = letters.by_ref().take_while(|one| *one != '⟧').collect();
                for pair in digits.split(' ') {
                    bytes.push(u8::from_str_radix(pair, 16).unwrap());
                }
                // A byte order mark is no column.
                column += usize::from(digits != "EF BB BF");
            }
            '\n' => {
                bytes.push(b'\n');
                (line, column) = (line + 1, 1);
            }
            letter => {
                bytes.extend(letter.encode_utf8(&mut [0; 4]).as_bytes());
                column += 1;
            }
        }
    }
    (bytes, places)
}
