//! `norlock logbook`: pages that tell all that a folder does, and never what a block holds.

use std::fs;
use std::os::unix::fs::PermissionsExt;

use html5ever::tendril::TendrilSink;
use html5ever::{ParseOpts, parse_document};
use markup5ever_rcdom::{Handle, NodeData, RcDom};

use crate::desk::{Desk, Ended, TAILOR};
use crate::walkthrough::run_by_itself;

/// A page by html5ever, which follows the HTML standard's parser and tells each parse error.
pub struct Read {
    dom: RcDom,
}

impl Read {
    #[track_caller]
    pub fn of(html: &str) -> Self {
        let dom = parse_document(RcDom::default(), ParseOpts::default()).one(html);
        assert_eq!(dom.errors.borrow().as_slice(), [""; 0], "{html}");
        Self { dom }
    }

    /// Names of all elements, and name and value of all attributes.
    fn markup(&self) -> (Vec<String>, Vec<(String, String)>) {
        let (mut names, mut attributes) = (Vec::new(), Vec::new());
        walk(&self.dom.document, &mut |node| {
            let NodeData::Element { name, attrs, .. } = &node.data else {
                return;
            };
            names.push(name.local.to_string());
            let found = attrs.borrow();
            let found = found
                .iter()
                .map(|one| (one.name.local.to_string(), one.value.to_string()));
            attributes.extend(found);
        });
        (names, attributes)
    }

    /// The text of the body on one line, without what stands for pictures.
    pub fn text(&self) -> String {
        let mut text = String::new();
        body_text(&self.dom.document, false, &mut text);
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    }

    #[track_caller]
    fn says(&self, said: &str) {
        let text = self.text();
        assert!(text.contains(said), "no '{said}' in {text}");
    }
}

fn walk(node: &Handle, see: &mut impl FnMut(&Handle)) {
    see(node);
    node.children
        .borrow()
        .iter()
        .for_each(|child| walk(child, see));
}

fn body_text(node: &Handle, mut within: bool, text: &mut String) {
    match &node.data {
        NodeData::Element { name, .. } if &*name.local == "style" => return,
        NodeData::Element { name, .. } if &*name.local == "body" => within = true,
        NodeData::Text { contents } if within => text.push_str(&contents.borrow()),
        _ => {}
    }
    // Elements that stand apart are apart when they are read, but for those within a sentence.
    let apart = matches!(&node.data, NodeData::Element { name, .. }
        if !["span", "b", "q", "code", "var", "a"].contains(&&*name.local));
    if apart {
        text.push(' ');
    }
    node.children
        .borrow()
        .iter()
        .for_each(|child| body_text(child, within, text));
    if apart {
        text.push(' ');
    }
}

/// Self-contained, nothing that runs, nothing from elsewhere; links lead to a logbook beside it.
#[track_caller]
pub fn keeps_to_itself(html: &str) -> Read {
    let read = Read::of(html);
    let (names, attributes) = read.markup();
    for bad in [
        "script", "link", "img", "iframe", "object", "embed", "form", "base", "audio", "video",
    ] {
        assert!(!names.contains(&bad.to_owned()), "{bad}");
    }
    for (name, value) in &attributes {
        assert!(
            !name.starts_with("on") && name != "src" && name != "style",
            "{name}"
        );
        let away = value.contains("://") && name != "xmlns";
        assert!(!away && !value.starts_with("//"), "{name} {value}");
        assert!(
            name != "href" || value.ends_with("/logbook.html"),
            "{value}"
        );
    }
    assert!(
        attributes
            .iter()
            .any(|(_, value)| value.starts_with("default-src 'none';"))
    );
    let mut ids: Vec<_> = attributes.iter().filter(|(name, _)| name == "id").collect();
    ids.sort();
    assert!(ids.windows(2).all(|two| two[0] != two[1]), "{ids:?}");
    // Where a style names an address, it is a part of the same page.
    assert!(html.split("url(").skip(1).all(|rest| rest.starts_with('#')));
    assert!(!html.contains("@import"));
    read
}

fn page(desk: &Desk, file: &str) -> String {
    String::from_utf8(desk.get(file)).unwrap()
}

/// A unit that was converted, has run, and was brought back, with a note that looks like markup.
pub fn whole_story() -> Desk {
    let desk = Desk::new();
    let backup = "backup --unit gauge-07 --mock chip.toml --power clip --supply 2.7V-3.6V --accept \
                  unreadable-marking --because worn<i>off --quiet";
    let note = "logbook gauge-07 --note <script>alert(1)</script>&amp;<b>\"booted'";
    for (line, code) in [
        (backup, 0),
        (TAILOR, 0),
        ("write target.bin --unit gauge-07 @bench --quiet", 3),
        ("write target.bin --unit gauge-07 @bench @paper --quiet", 0),
        (
            "verify target.bin --unit gauge-07 --passes 3 @bench --quiet",
            0,
        ),
        ("verify as-found.bin --unit gauge-07 @bench --quiet", 1),
        (note, 0),
        ("(run)", 0),
        ("backup --unit gauge-07 @bench --quiet", 0),
        ("restore --to 1 --unit gauge-07 @bench @paper --quiet", 0),
        ("logbook gauge-07", 0),
    ] {
        match line {
            "(run)" => run_by_itself(&desk),
            _ => drop(desk.ends(line, code)),
        }
    }
    desk
}

#[test]
fn the_logbook_tells_the_whole_story_and_no_content() {
    let desk = whole_story();
    let html = page(&desk, "gauge-07/logbook.html");
    let read = keeps_to_itself(&html);
    let hash = page(&desk, "gauge-07/as-found.sha256");
    let groups: Vec<&str> = (0..8).map(|at| &hash[at * 8..at * 8 + 8]).collect();
    read.says(&format!("as-found.bin {} 1 MiB", groups.join(" ")));
    let said = [
        "gauge-07 Winbond W25Q80BL or W25Q80DL or W25Q80DV, 1 MiB. Last done: restore, the chip holds as-found.bin.",
        "JEDEC ID EF 40 14",
        "unit data",
        "It differs from as-found.bin: boot ",
        "system ",
        "0x000000..0x",
        "boot-settings 1 byte, 0x010018..0x010019",
        "replaced-1.bin ",
        "Later backups: 2, by --to with that number.",
        "What was accepted by name has to be accepted again: --accept NAME --because TEXT.",
        "1 20", // the first operation and the begin of its time
        "backup: kept as as-found.bin Chip: untouched Took ",
        "; modelled about ",
        "reads 03h ",
        "Accepted by name: unreadable-marking, because worn<i>off",
        "write: Held by offline-hash: no hash of as-found.bin was given from elsewhere.",
        "Interlocks held: offline-hash",
        "Interlocks open: backup-intact, bench-attested, contact,",
        "write: the chip holds target.bin Chip: changed as asked, complete Took ",
        "verify: the chip holds target.bin Chip: untouched Took ",
        "passes 10 MHz, 6 MHz, 3 MHz",
        "verify: the chip differs from as-found.bin in ",
        "note: <script>alert(1)</script>&amp;<b>\"booted'",
        "norlock restore --unit gauge-07 --to 1 --mock FILE --level 3.3V --power SOURCE --marking MARKING",
        "--offline STICK",
    ];
    let text = read.text();
    let missing: Vec<_> = said.iter().filter(|said| !text.contains(**said)).collect();
    assert!(missing.is_empty(), "{missing:#?} in {text}");
    // Nothing that a block holds, as it is or in digits.
    for text in ["unit=gauge-07", "starts=0001", "starts="] {
        assert!(!html.contains(text), "{text}");
    }
    let lower = html.to_lowercase();
    for block in desk
        .cells()
        .chunks(4096)
        .filter(|block| block.iter().any(|byte| *byte != 0xFF))
    {
        let digits: String = block[..4]
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        let spaced: Vec<String> = block[..4]
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        assert!(
            !lower.contains(&digits) && !lower.contains(&spaced.join(" ")),
            "{digits}"
        );
    }
}

#[test]
fn a_logbook_changes_nothing_else_and_is_the_same_made_again() {
    let desk = Desk::ready();
    let before = desk.files();
    let ended = desk.ends("logbook gauge-07", 0);
    ended.says("The logbook of gauge-07 has 2 operations.");
    ended.says("page gauge-07/logbook.html");
    let first = desk.get("gauge-07/logbook.html");
    let mut after = desk.files();
    after.remove(&desk.path("gauge-07/logbook.html"));
    assert!(after == before);
    desk.ends("logbook gauge-07 --json", 0);
    assert!(desk.get("gauge-07/logbook.html") == first);
    desk.ends("check --unit gauge-07", 0);
    // A note is a record, and nothing is one without words.
    desk.ends("logbook gauge-07 --note booted", 0)
        .says("last note: booted");
    let unit = page(&desk, "gauge-07/unit.toml");
    assert!(
        unit.contains("command = \"note\"\noutcome = \"booted\"\nchip = \"not met\"\n"),
        "{unit}"
    );
    let empty = desk
        .command("logbook gauge-07 --note")
        .arg(" ")
        .output()
        .unwrap();
    assert_eq!(empty.status.code(), Some(2));
    assert_eq!(page(&desk, "gauge-07/unit.toml"), unit);
}

#[test]
fn what_is_not_as_it_should_be_is_told() {
    let desk = Desk::ready();
    // A supply that fails in the write, as told in docs/files.md.
    let bench = page(&desk, "chip.toml");
    desk.put(
        "chip.toml",
        bench + "\n[[fault]]\npower-cut = { at_operation = 3, torn = \"prefix\" }\n",
    );
    desk.ends("write target.bin --unit gauge-07 @bench @paper --quiet", 6);
    // Damage besides: an image cut short, a map that is none.
    let target = desk.path("gauge-07/target.bin");
    fs::remove_file(&target).unwrap();
    fs::write(&target, [0; 1000]).unwrap();
    desk.put("gauge-07/regions.toml", "size = <b>");
    let ended = desk.ends("logbook gauge-07", 6);
    ended.says("journal journal/write-1 tells of a write that did not end");
    ended.says("norlock restore --unit gauge-07");
    let read = keeps_to_itself(&page(&desk, "gauge-07/logbook.html"));
    let text = read.text();
    let told = text.find("A write of this unit did not end.").unwrap();
    assert!(told < text.find("Chip part").unwrap(), "{text}");
    read.says("Do not power the board.");
    read.says("journal journal/write-1 blocks ");
    read.says("1 block in hand");
    read.says("It could not be compared with as-found.bin.");
    read.says("Its region map cannot be used. ");

    desk.put("gauge-07/journal/write-1", b"not one");
    desk.ends("logbook gauge-07", 6);
    Read::of(&page(&desk, "gauge-07/logbook.html")).says("The journal is damaged: ");
    desk.put("gauge-07/unit.toml", "format = 2");
    desk.ends("logbook gauge-07", 5);
    desk.ends("logbook nowhere", 5);
}

/// Nothing is told of an image that is not what was recorded, and nobody is sent back to it.
#[test]
fn a_spoilt_backup_is_no_way_back() {
    let desk = Desk::ready();
    let found = desk.path("gauge-07/as-found.bin");
    let bytes = desk.get("gauge-07/as-found.bin");
    fs::remove_file(&found).unwrap();
    let logbook = |finding: &str| {
        desk.ends("logbook gauge-07", 1).says(finding);
        let read = Read::of(&page(&desk, "gauge-07/logbook.html"));
        read.says("Not as it should be");
        read.says(
            "It could not be compared with as-found.bin. as-found.bin is not as it was recorded.",
        );
        read.says("nothing here brings the unit back");
        assert!(!read.text().contains("norlock restore"));
    };
    logbook("as-found.bin");
    let mut spoilt = bytes.clone();
    spoilt[0x123] ^= 1;
    fs::write(&found, spoilt).unwrap();
    logbook("as-found.bin");
    fs::write(&found, bytes).unwrap();
    fs::set_permissions(&found, fs::Permissions::from_mode(0o400)).unwrap();
    desk.ends("logbook gauge-07", 0);
    Read::of(&page(&desk, "gauge-07/logbook.html")).says("norlock restore");
}

#[test]
fn a_note_is_a_few_words() {
    let desk = Desk::ready();
    let note = |length: usize| {
        let text: String = "read 4 \u{e9}".chars().cycle().take(length).collect();
        let mut command = desk.command("logbook gauge-07 --note");
        Ended::of(command.arg(text).output().unwrap())
    };
    assert_eq!(note(1000).code, 0);
    let ended = note(1001);
    assert_eq!(ended.code, 2);
    ended.says("The note is longer than 1000 characters.");
}

#[test]
fn a_shelf_names_what_wants_a_look_first() {
    let desk = Desk::ready();
    desk.ends("logbook gauge-07", 0);
    desk.ends("logbook --shelf .", 0).says("1 unit folder.");
    let copy = |name: &str| {
        fs::create_dir(desk.path(name)).unwrap();
        desk.put(
            &format!("{name}/unit.toml"),
            page(&desk, "gauge-07/unit.toml").replace("gauge-07", &name.replace('"', "\\\"")),
        );
    };
    copy("a<b>&\"c");
    desk.put("a<b>&\"c/logbook.html", "");
    copy("gauge-01");
    copy("gauge-02");
    desk.put("gauge-02/unit.toml", "format = <b>");
    fs::create_dir(desk.path("pieces")).unwrap();
    desk.ends("logbook --shelf .", 1)
        .says("4 unit folders. 1 wants to be looked at.");
    fs::create_dir(desk.path("gauge-01/journal")).unwrap();
    desk.put("gauge-01/journal/write-1", "");
    let ended = desk.ends("logbook --shelf .", 6);
    ended.says(
        "4 unit folders. 1 has a write or restore that did not end. 1 wants to be looked at.",
    );
    ended.says("gauge-01 -| a write or restore did not end gauge-02 -| ");
    ended.says("gauge-07 | tailor: made target.bin from as-found.bin page ./shelf.html");
    let html = page(&desk, "shelf.html");
    let read = keeps_to_itself(&html);
    let text = read.text();
    let places = [
        "gauge-01 Winbond",
        "gauge-02 ",
        "a<b>&\"c Winbond",
        "gauge-07 Winbond W25Q80DV",
    ];
    let places = places.map(|name| text.find(name).unwrap_or_else(|| panic!("{name}: {text}")));
    assert!(places.is_sorted(), "{text}");
    assert!(
        html.contains("href=\"gauge-07/logbook.html\"")
            && html.contains("href=\"a%3Cb%3E%26%22c/logbook.html\"")
    );
    assert!(!text.contains("pieces"));
    // Two ways of asking at once are none.
    for line in [
        "logbook",
        "logbook gauge-07 --shelf .",
        "logbook --shelf . --note x",
    ] {
        desk.ends(line, 2);
    }
    desk.ends("logbook --shelf nowhere", 5);
}
