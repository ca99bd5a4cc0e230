//! `norlock demo`.

use norlock::unit::Digest;

use crate::desk::Desk;

#[test]
fn the_demo_completes_leaves_its_folder_and_overwrites_none() {
    let desk = Desk::with("W25Q80DV", 1 << 20);
    let ended = desk.ends("demo --in tour --quiet", 0);
    ended.says("gauge-07 is as it was found, byte for byte");
    ended.says("Held by offline-hash");
    modelled_is_near_the_floor(&ended.said());
    for name in [
        "as-found.bin",
        "as-found.sha256",
        "as-found-2.bin",
        "as-found-2.sha256",
        "target.bin",
        "target.sha256",
        "replaced-1.bin",
        "replaced-1.sha256",
        "regions.toml",
        "unit.toml",
        "worklist-1.txt",
        "journal/write-1",
        "journal/write-2",
        "logbook.html",
    ] {
        assert!(desk.path("tour/gauge-07").join(name).is_file(), "{name}");
    }
    assert!(desk.get("tour/gauge-07.cells") == desk.get("tour/gauge-07/as-found.bin"));
    the_documents_say_what_it_leaves(&desk);
    the_pictures_are_those_of_the_documents(&desk);
    let before = desk.files();
    desk.ends("demo --in tour", 5).says("tour exists already.");
    assert!(desk.files() == before);
}

/// Wherever the demo sets a modelled time against its floor: as shown before, after the write, after
/// the restore, and in all. The floor knows no messages; they make the restore's 1.06.
fn modelled_is_near_the_floor(said: &str) {
    let words = said.split_whitespace();
    let words: Vec<&str> = words.map(|word| word.trim_end_matches(',')).collect();
    let ratios: Vec<f64> = words
        .windows(4)
        .filter(|four| four[1..] == ["times", "the", "floor"])
        .map(|four| four[0].parse().unwrap())
        .collect();
    assert_eq!(ratios.len(), 4, "{said}");
    let most = [1.05, 1.05, 1.06, 1.05];
    let near = |(ratio, most): (&f64, f64)| (1.0..=most).contains(ratio);
    assert!(ratios.iter().zip(most).all(near), "{ratios:?}");
}

/// The README has the digits that its reader would have noted on paper, and takes those of the pieces
/// from their maker's list; `docs/files.md` shows the demo's own region map.
fn the_documents_say_what_it_leaves(desk: &Desk) {
    let text = |file: &str| String::from_utf8(desk.get(file)).unwrap();
    let document = |file: &str| {
        let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
        std::fs::read_to_string(root.join(file)).unwrap()
    };
    let readme = document("README.md");
    let paper = readme.lines().find_map(|line| line.strip_prefix("paper="));
    let paper = paper.unwrap().trim_matches('"').replace(' ', "");
    assert_eq!(
        text("tour/gauge-07/as-found.sha256"),
        format!("{paper}  as-found.bin\n")
    );
    let of_piece = |name: &str| {
        format!(
            "{}  {name}\n",
            Digest::of(&desk.get(&format!("tour/pieces/{name}")))
        )
    };
    assert_eq!(
        text("tour/pieces/SHA256SUMS"),
        of_piece("boot-loader.bin") + &of_piece("system.bin")
    );
    let map = text("tour/regions.toml");
    assert!(document("docs/files.md").contains(&format!("```toml\n{map}```\n")));
}

/// `docs/pictures/` holds what the program draws: the wires, and the flash as the logbook has it. After a
/// wanted change, `NORLOCK_KEEP_PICTURES=1` takes them over.
fn the_pictures_are_those_of_the_documents(desk: &Desk) {
    desk.ends("wiring --svg wiring-clip.svg", 0);
    desk.ends("wiring --svg wiring-clip.svg", 5)
        .says("'wiring-clip.svg' exists already.");
    let page = String::from_utf8(desk.get("tour/gauge-07/logbook.html")).unwrap();
    let (_, svg) = page.split_once("<svg ").unwrap();
    let (svg, _) = svg.split_once("</svg>\n").unwrap();
    desk.put("gauge-07.svg", format!("<svg {svg}</svg>\n"));
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/pictures");
    for name in ["wiring-clip.svg", "gauge-07.svg"] {
        if std::env::var_os("NORLOCK_KEEP_PICTURES").is_some() {
            std::fs::write(folder.join(name), desk.get(name)).unwrap();
        }
        let kept = std::fs::read(folder.join(name)).unwrap();
        assert!(
            kept == desk.get(name),
            "{name} is not what the program draws"
        );
    }
}

#[test]
fn the_wires_are_those_of_the_power_arrangement() {
    let desk = Desk::with("W25Q80DV", 1 << 20);
    for (power, supply) in [
        ("clip", "VCC ------- 17 3.3 V"),
        ("socket", "VCC ------- 17 3.3 V"),
        ("external", "VCC ------- supply"),
        ("board-held-in-reset", "VCC - open the board"),
    ] {
        let ended = desk.ends(&format!("wiring --power {power}"), 0);
        ended.says(&format!("for --power {power}."));
        ended.says(supply);
        // Mains and a second source are told first.
        let said = ended.said();
        let first = said.find("alone feeds the chip").unwrap();
        assert!(
            first < said.find("Read the marking first").unwrap(),
            "{said}"
        );
    }
}
