use std::path::Path;

use super::*;
use crate::unit::store::{Fails, Loss, RealStore, SimulatedStore, Store, StoreError};

const SIZE_BYTES: u64 = 1 << 20;

fn open(store: &SimulatedStore) -> Unit {
    Unit::open_or_create(Arc::new(store.clone()), Path::new("/gauge-07")).unwrap()
}

fn content(seed: u8) -> Vec<u8> {
    (0..SIZE_BYTES).map(|i| (i % 251) as u8 ^ seed).collect()
}

fn write(mut unfinished: Unfinished, unit: &mut Unit, bytes: &[u8]) -> Result<Image, UnitError> {
    for (chunk, n) in bytes.chunks(70_000).zip(0..) {
        unfinished.write_at(n * 70_000, chunk)?;
    }
    unfinished.publish(unit, Digest::of(bytes))
}

fn back_up(unit: &mut Unit, bytes: &[u8]) -> Result<Image, UnitError> {
    let unfinished = unit.begin_backup(bytes.len() as u64)?;
    write(unfinished, unit, bytes)
}

#[test]
fn names_are_told_from_others() {
    for name in [
        ImageName::Backup(1),
        ImageName::Backup(2),
        ImageName::Target,
        ImageName::Replaced(1),
    ] {
        assert_eq!(ImageName::of_file(&name.file_name()), Some(name));
    }
    for other in [
        "as-found-02.bin",
        "as-found-1.bin",
        "as-found.sha256",
        "x.bin",
        "replaced.bin",
    ] {
        assert_eq!(ImageName::of_file(other), None, "{other}");
    }
}

#[test]
fn backups_are_numbered_read_only_and_pass_coreutils_sha256sum() {
    let bench = tempfile::tempdir().unwrap();
    let folder = bench.path().join("gauge-07");
    let mut unit = Unit::open_or_create(Arc::new(RealStore::new()), &folder).unwrap();
    assert!(unit.first_backup().is_none() && unit.baseline().is_none());
    let first = back_up(&mut unit, &content(1)).unwrap();
    let second = back_up(&mut unit, &content(2)).unwrap();
    let target = unit.begin_target(SIZE_BYTES).unwrap();
    write(target, &mut unit, &content(3)).unwrap();
    let replaced = unit.begin_replaced(SIZE_BYTES).unwrap();
    write(replaced, &mut unit, &content(4)).unwrap();
    drop(unit);

    let unit = Unit::open(Arc::new(RealStore::new()), &folder).unwrap();
    assert_eq!(unit.first_backup(), Some(first));
    assert_eq!(unit.baseline().as_ref(), Some(&second));
    assert_eq!(second.path.file_name().unwrap(), "as-found-2.bin");
    assert_eq!(unit.images().len(), 4);
    assert_eq!(unit.store().mode(&second.path).unwrap(), 0o400);
    let mut middle = [0; 4];
    unit.open_image(&second)
        .unwrap()
        .read_exact_at(251, &mut middle)
        .unwrap();
    assert_eq!(middle, [2, 3, 0, 1]);

    // Outside source: coreutils' sha256sum reads the hash files.
    for stem in ["as-found", "as-found-2", "target", "replaced-1"] {
        let check = std::process::Command::new("sha256sum")
            .args(["--check", "--strict", &format!("{stem}.sha256")])
            .current_dir(&folder)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&check.stdout).into_owned();
        assert_eq!(said, format!("{stem}.bin: OK\n"), "{check:?}");
    }
}

#[test]
fn a_second_pass_can_be_compared_and_a_drop_leaves_nothing() {
    let store = SimulatedStore::new();
    let unit = open(&store);
    let mut unfinished = unit.begin_backup(100).unwrap();
    assert_eq!(unfinished.name(), ImageName::Backup(1));
    unfinished.write_at(10, b"tide").unwrap();
    let mut back = [0; 4];
    unfinished.read_at(10, &mut back).unwrap();
    assert_eq!(&back, b"tide");
    assert!(unfinished.read_at(98, &mut back).is_err());
    drop(unfinished);
    let names = store.list(Path::new("/gauge-07")).unwrap();
    assert!(names.iter().all(|entry| !entry.name.contains("as-found")));
}

#[test]
fn what_was_not_handed_over_whole_is_not_published() {
    let store = SimulatedStore::new();
    let mut unit = open(&store);
    let mut short = unit.begin_backup(SIZE_BYTES).unwrap();
    short.write_at(0, &[1; 100]).unwrap();
    let refused = short.publish(&mut unit, Digest::of(&[1; 100]));
    assert!(matches!(
        refused,
        Err(UnitError::Size { got_bytes: 100, .. })
    ));

    let mut wrong = unit.begin_backup(100).unwrap();
    wrong.write_at(0, &[1; 100]).unwrap();
    let refused = wrong.publish(&mut unit, Digest::of(&[2; 100]));
    assert!(matches!(refused, Err(UnitError::Medium { .. })));
    assert!(unit.images().is_empty());
    assert!(!store.exists(Path::new("/gauge-07/as-found.bin")).unwrap());
}

#[test]
fn a_target_is_replaced_and_a_backup_never() {
    let store = SimulatedStore::new();
    let mut unit = open(&store);
    for seed in [1, 2] {
        let target = unit.begin_target(SIZE_BYTES).unwrap();
        write(target, &mut unit, &content(seed)).unwrap();
    }
    let target = unit.image(ImageName::Target).unwrap();
    assert_eq!(store.read(&target.path).unwrap(), content(2));

    let begun = unit.begin_backup(1).unwrap();
    store
        .replace(Path::new("/gauge-07/as-found.bin"), b"older")
        .unwrap();
    let refused = write(begun, &mut unit, b"x");
    assert!(matches!(
        refused,
        Err(UnitError::Store(StoreError::Io { .. }))
    ));
    assert_eq!(
        store.read(Path::new("/gauge-07/as-found.bin")).unwrap(),
        b"older"
    );
    // A number once used is not used again, whoever used it.
    assert_eq!(unit.begin_backup(1).unwrap().name(), ImageName::Backup(2));
}

#[test]
fn a_full_disk_is_met_before_the_chip_is_read() {
    let store = SimulatedStore::new();
    let unit = open(&store);
    store.set_capacity_bytes(Some(SIZE_BYTES));
    let refused = unit.begin_backup(SIZE_BYTES).unwrap_err();
    assert!(matches!(refused, UnitError::Store(StoreError::Full { .. })));
}

/// Each step of a second backup fails, or is the last before a crash: afterwards the first backup
/// stands, the second is there whole and recorded or not at all, and the next one can be made.
#[test]
fn a_backup_is_all_or_nothing_at_every_step() {
    for n in 0.. {
        let mut reached = true;
        for (loss, failure) in [
            (None, Fails::Once),
            (Some(Loss::Keep), Fails::FromThenOn),
            (Some(Loss::Drop), Fails::FromThenOn),
            (Some(Loss::Tear(n as u64)), Fails::FromThenOn),
        ] {
            let store = SimulatedStore::new();
            let mut unit = open(&store);
            let first = back_up(&mut unit, b"first").unwrap();
            let before = store.calls();
            store.fail_at(before + n, 5, failure);
            let outcome = back_up(&mut unit, b"second");
            reached = store.calls() > before + n;
            drop(unit);
            // A failure alone is followed by a new process, as a crash is.
            store.crash(loss.unwrap_or(Loss::Keep));
            let mut unit = open(&store);
            let rehash = unit.rehash().unwrap();
            assert!(
                rehash.findings.is_empty(),
                "step {n} {loss:?}: {:?}",
                rehash.findings
            );
            assert_eq!(unit.first_backup(), Some(first));
            match unit.backups().get(1) {
                Some(second) => assert_eq!(store.read(&second.path).unwrap(), b"second"),
                None => assert!(outcome.is_err(), "step {n}: said done and lost"),
            }
            back_up(&mut unit, b"third").unwrap();
        }
        if !reached {
            assert!(n > 15, "a backup takes more steps than {n}");
            break;
        }
    }
}
