//! Parts files of the user's own: `valid/` is taken, `invalid/` is refused where it is wrong.

use std::path::PathBuf;

use norlock::part::Catalogue;
use norlock::text::TextError;

fn files(folder: &str) -> Vec<(String, String)> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/parts")
        .join(folder);
    let mut files: Vec<(String, String)> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .map(|path| {
            let name = path.file_name().unwrap().to_str().unwrap().to_owned();
            (name, std::fs::read_to_string(&path).unwrap())
        })
        .collect();
    files.sort();
    files
}

fn load(text: &str, name: &str) -> Result<Catalogue, TextError> {
    Catalogue::builtin().unwrap().with_user_file(text, name)
}

#[test]
fn valid_files_add_their_part() {
    let before = Catalogue::builtin().unwrap().parts().len();
    let files = files("valid");
    assert!(files.len() >= 6);
    for (name, text) in files {
        let catalogue = load(&text, &name).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(catalogue.parts().len(), before + 1, "{name}");
        let marking = catalogue.by_marking("EX25Q32ASIG").unwrap();
        assert_eq!(marking.names(), ["EX25Q32A"], "{name}");
    }
}

#[test]
fn a_file_may_hold_nothing_but_what_is_refused() {
    let text = "maker = 'Example'\n[[refused]]\nname = 'EX45'\nmarkings = ['45EX081']\n\
                jedec_ids = [[0x7E, 0x25, 0]]\nwhy = 'it has other commands'\n\
                source = { title = 'EX45', revision = 'B', place = 'p.31' }\n";
    let catalogue = load(text, "own.toml").unwrap();
    let named = |text| Some(catalogue.refused_by_marking(text)?.name.clone());
    assert_eq!(named("EX 45EX081-B").as_deref(), Some("EX45"));
    assert_eq!(named("EX25Q32ASIG"), None);
    let by_id = catalogue.refused_by_jedec_id(&[0x7E, 0x25, 0, 0xFF]);
    assert_eq!(by_id.map(|one| one.maker.as_str()), Some("Example"));
}

/// Each invalid file names in its first line what the message must hold.
#[test]
fn invalid_files_are_refused_where_they_are_wrong() {
    let files = files("invalid");
    assert!(files.len() >= 40);
    let mut wrong = Vec::new();
    for (name, text) in files {
        let expected = text
            .lines()
            .next()
            .and_then(|line| line.strip_prefix("# expect: "))
            .unwrap();
        let error = load(&text, &name).expect_err(&name);
        let message = error.to_string();
        if !message.contains(expected) || !message.starts_with(&format!("{name}, line ")) {
            wrong.push(format!("{expected}\n    {message}"));
        }
        assert!(!message.contains('\n'), "{name}");
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn no_file_makes_the_reader_panic() {
    let (_, text) = files("valid").remove(0);
    for end in 0..text.len() {
        if let Some(cut) = text.get(..end) {
            let _ = Catalogue::default().with_user_file(cut, "cut");
        }
    }
    for bad in ["", "maker = 1", "part = []", "maker = \"\u{fc}\"\n\u{fc}"] {
        assert!(
            Catalogue::default().with_user_file(bad, "bad").is_err(),
            "{bad}"
        );
    }
}
