//! docs/adding-a-part.md, as somebody follows it: its file, and each of its commands.

use std::path::Path;

use crate::desk::Desk;

fn page() -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/adding-a-part.md");
    std::fs::read_to_string(path).unwrap()
}

/// The fenced blocks of a language.
fn blocks(text: &str, language: &str) -> Vec<String> {
    let begin = format!("```{language}\n");
    let parts = text.split(&begin).skip(1);
    parts
        .map(|rest| rest.split_once("```").unwrap().0.to_owned())
        .collect()
}

#[test]
fn the_page_can_be_followed_to_the_letter() {
    let page = page();
    let files = blocks(&page, "toml");
    let [own] = files.as_slice() else {
        panic!("one file is shown, not {}", files.len());
    };
    let desk = Desk::new();
    desk.put("own.toml", own);
    let says = [
        "own.toml can be used: 1 part by Macronix",
        "'KH25L8005' is KH25L8005: 2.7 to 3.6 V.",
        "2 of 340 parts: ID C2 20 14.",
    ];
    let commands: Vec<String> = blocks(&page, "sh")
        .iter()
        .flat_map(|block| block.lines().map(str::to_owned).collect::<Vec<_>>())
        .collect();
    assert_eq!(commands.len(), says.len());
    for (command, says) in commands.iter().zip(says) {
        let line = command.strip_prefix("norlock ").unwrap();
        let ended = desk.ends(line, 0);
        ended.says(says);
        assert!(!ended.out.contains("remark"), "{}", ended.out);
    }
    desk.ends("parts --check own.toml", 0)
        .says("shares ID with MX25L8005: told apart by the marking");
}

/// The safe times that the page names are those that the table falls back on.
#[test]
fn the_times_of_the_page_are_the_safe_ones() {
    use norlock::part::Timing;
    let erases = [4_u32, 32, 64, 256].map(|kib| Timing::erase_fallback(kib << 10).max.as_secs());
    assert_eq!(erases, [1, 4, 11, 11]);
    assert_eq!(Timing::PAGE_PROGRAM_FALLBACK.max.as_millis(), 20);
    assert_eq!(Timing::STATUS_WRITE_FALLBACK.max.as_secs(), 1);
    let page = page().split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(page.contains("20 ms for a page, 1 s for a status write"));
    assert!(page.contains("1 s, 4 s and 11 s for 4, 32 and 64 KiB"));
}
