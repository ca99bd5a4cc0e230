use std::collections::BTreeSet;
use std::sync::Arc;

use super::*;
use crate::unit::disk::Whereabouts;
use crate::unit::store::{Action, Fails, RealStore, SimulatedStore};

const DIGITS_OF_ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

#[test]
fn a_hash_is_read_however_it_is_grouped() {
    let grouped = Digest::of(b"abc").groups();
    for text in [
        DIGITS_OF_ABC.to_owned(),
        DIGITS_OF_ABC.to_uppercase(),
        grouped.join(" "),
        grouped.join("-"),
        format!(
            "  {}\n          {}\n",
            grouped[..4].join(" "),
            grouped[4..].join(" ")
        ),
        format!("{DIGITS_OF_ABC}  as-found.bin\n"),
        format!("{DIGITS_OF_ABC} *as-found.bin"),
        format!("{DIGITS_OF_ABC}  a name with spaces"),
    ] {
        assert_eq!(parse_hash(&text), Ok(Digest::of(b"abc")), "{text}");
    }
}

#[test]
fn a_wrong_hash_is_told_with_count_and_place() {
    let count = |digits| Err(ParseHashError::Count { digits });
    assert_eq!(parse_hash(""), count(0));
    assert_eq!(parse_hash(&DIGITS_OF_ABC[1..]), count(63));
    assert_eq!(parse_hash(&format!("{DIGITS_OF_ABC}0")), count(65));
    let odd = parse_hash("ba78 16bO").unwrap_err();
    let expected = ParseHashError::Odd {
        character: 'O',
        place: 9,
        digits: 7,
    };
    assert_eq!(odd, expected);
    let said = "character 9 is 'O', not a hexadecimal digit; 7 of 64 digits come before it";
    assert_eq!(odd.to_string(), said);
    assert!(parse_hash(&format!("{}  as-found.bin", &DIGITS_OF_ABC[1..])).is_err());
}

#[test]
fn a_hash_file_may_name_several_images() {
    let text = format!(
        "{}  as-found-2.bin\n{DIGITS_OF_ABC}  copies/as-found.bin\n",
        Digest::of(b"later")
    );
    assert_eq!(
        parse_hash_file(&text, "as-found.bin"),
        Ok(Digest::of(b"abc"))
    );
    assert_eq!(
        parse_hash_file(&text, "as-found-2.bin"),
        Ok(Digest::of(b"later"))
    );
    assert!(parse_hash_file(&text, "target.bin").is_err());
    assert_eq!(
        parse_hash_file(DIGITS_OF_ABC, "as-found.bin"),
        Ok(Digest::of(b"abc"))
    );
}

fn disk(name: &str) -> Whereabouts {
    Whereabouts::Disks(BTreeSet::from([name.to_owned()]))
}

/// A unit with a backup of `abc`, and a stick with a copy of it.
fn bench() -> (SimulatedStore, Unit, Image) {
    let store = SimulatedStore::new();
    store.set_whereabouts(Path::new("/"), disk("card"));
    store.set_whereabouts(Path::new("/stick"), disk("stick"));
    store.set_whereabouts(Path::new("/net"), Whereabouts::Unknown("nfs4".into()));
    let mut unit = Unit::open_or_create(Arc::new(store.clone()), Path::new("/gauge-07")).unwrap();
    let mut backup = unit.begin_backup(3).unwrap();
    backup.write_at(0, b"abc").unwrap();
    let backup = backup.publish(&mut unit, Digest::of(b"abc")).unwrap();
    for folder in ["/stick", "/net", "/home"] {
        let folder = Path::new(folder);
        store.create_folder(folder).unwrap();
        store.replace(&folder.join("as-found.bin"), b"abc").unwrap();
        let line = format!("{DIGITS_OF_ABC}  as-found.bin\n");
        store
            .replace(&folder.join("as-found.sha256"), line.as_bytes())
            .unwrap();
    }
    (store, unit, backup)
}

#[test]
fn a_whole_copy_on_another_disk_counts() {
    let (store, unit, backup) = bench();
    let evidence = check_folder(&store, Path::new("/stick"), &unit, &backup).unwrap();
    assert!(evidence.is_second_copy(), "{evidence:?}");
}

#[test]
fn copies_in_the_wrong_place_do_not_count() {
    let (store, unit, backup) = bench();
    let place = |folder: &str| {
        let evidence = check_folder(&store, Path::new(folder), &unit, &backup).unwrap();
        assert!(!evidence.is_second_copy());
        assert_eq!(evidence.image, Seen::Digest(backup.sha256));
        evidence.place
    };
    assert_eq!(place("/gauge-07"), Place::InUnitFolder);
    assert_eq!(place("/stick/../gauge-07"), Place::InUnitFolder);
    assert!(matches!(place("/home"), Place::SameDisk { disk } if disk == "card"));
    assert!(matches!(place("/net"), Place::Unknown { why } if why == "nfs4"));
    assert!(check_folder(&store, Path::new("/nowhere"), &unit, &backup).is_err());
}

#[test]
fn copies_that_are_spoilt_or_missing_do_not_count() {
    let spoilt = |spoil: &dyn Fn(&SimulatedStore)| {
        let (store, unit, backup) = bench();
        spoil(&store);
        let evidence = check_folder(&store, Path::new("/stick"), &unit, &backup).unwrap();
        assert!(!evidence.is_second_copy());
        (evidence.image, evidence.hash_file)
    };
    let right = Seen::Digest(Digest::of(b"abc"));
    let image = Path::new("/stick/as-found.bin");
    let hash_file = Path::new("/stick/as-found.sha256");
    let seen = spoilt(&|store| store.replace(image, b"abd").unwrap());
    assert_eq!(seen, (Seen::Digest(Digest::of(b"abd")), right));
    assert_eq!(
        spoilt(&|store| store.remove(image).unwrap()),
        (Seen::Missing, right)
    );
    assert_eq!(
        spoilt(&|store| store.remove(hash_file).unwrap()),
        (right, Seen::Missing)
    );
    let seen = spoilt(&|store| store.replace(hash_file, b"not a hash").unwrap());
    assert_eq!(seen, (right, Seen::NoHash));
}

#[test]
fn digits_and_hash_files_tell_where_they_come_from() {
    let (store, unit, backup) = bench();
    let given = |text: &str| hash_given(&store, text, &unit, &backup);
    let typed = given(DIGITS_OF_ABC).unwrap();
    assert_eq!((typed.digest, typed.file), (backup.sha256, None));
    let place = |path: &str| given(path).unwrap().file.unwrap().1;
    assert_eq!(place("/stick/as-found.sha256"), Place::OtherDisk);
    assert_eq!(place("/gauge-07/as-found.sha256"), Place::InUnitFolder);
    assert!(matches!(
        place("/home/as-found.sha256"),
        Place::SameDisk { .. }
    ));
    assert!(matches!(
        place("/net/as-found.sha256"),
        Place::Unknown { .. }
    ));
    let neither = given(&DIGITS_OF_ABC[1..]).unwrap_err();
    let source = std::error::Error::source(&neither).unwrap().to_string();
    assert_eq!(source, "63 digits were given; a hash has 64");
    store
        .replace(Path::new("/stick/list"), b"nothing here")
        .unwrap();
    assert!(matches!(
        given("/stick/list"),
        Err(OfflineError::HashFile { .. })
    ));
}

/// A copy that cannot be looked for is not one that is missing, and digits that cannot be looked for as a
/// file are not called a mistake in typing.
#[test]
fn what_cannot_be_looked_at_is_told_as_that() {
    let (store, unit, backup) = bench();
    // The folder is found, the image is looked for next, behind the folder's own place.
    let first = store.calls();
    check_folder(&store, Path::new("/stick"), &unit, &backup).unwrap();
    let looks: Vec<usize> = (first..)
        .zip(&store.log()[first..])
        .filter(|(_, (action, path))| *action == Action::Resolve && path.ends_with("as-found.bin"))
        .map(|(number, _)| number)
        .collect();
    store.fail_at(store.calls() + looks[0] - first, 5, Fails::Once);
    let error = check_folder(&store, Path::new("/stick"), &unit, &backup).unwrap_err();
    assert!(matches!(error, OfflineError::Store(_)), "{error:?}");

    store.fail_at(store.calls(), 13, Fails::Once);
    let error = hash_given(&store, "/stick/as-found.sha256", &unit, &backup).unwrap_err();
    assert!(matches!(error, OfflineError::Store(_)), "{error:?}");
}

#[test]
fn a_link_back_into_the_unit_folder_is_seen_through() {
    use std::os::unix::fs::symlink;

    let bench = tempfile::tempdir().unwrap();
    let store = RealStore::new();
    let folder = bench.path().join("gauge-07");
    let mut unit = Unit::open_or_create(Arc::new(RealStore::new()), &folder).unwrap();
    let mut backup = unit.begin_backup(3).unwrap();
    backup.write_at(0, b"abc").unwrap();
    let backup = backup.publish(&mut unit, Digest::of(b"abc")).unwrap();
    let copies = bench.path().join("copies");
    std::fs::create_dir(&copies).unwrap();
    symlink(&backup.path, copies.join("as-found.bin")).unwrap();
    std::fs::copy(
        folder.join("as-found.sha256"),
        copies.join("as-found.sha256"),
    )
    .unwrap();
    let evidence = check_folder(&store, &copies, &unit, &backup).unwrap();
    assert_eq!(evidence.place, Place::InUnitFolder);
    symlink(&folder, bench.path().join("other")).unwrap();
    let evidence = check_folder(&store, &bench.path().join("other"), &unit, &backup).unwrap();
    assert_eq!(evidence.place, Place::InUnitFolder);
}
