use std::path::Path;
use std::sync::Arc;

use super::*;
use crate::unit::store::{SimulatedStore, Store};

fn unit_with_two_backups() -> (SimulatedStore, Unit) {
    let store = SimulatedStore::new();
    let folder = Path::new("/gauge-07");
    let mut unit = Unit::open_or_create(Arc::new(store.clone()), folder).unwrap();
    for bytes in [b"first", b"later"] {
        let mut backup = unit.begin_backup(5).unwrap();
        backup.write_at(0, bytes).unwrap();
        backup.publish(&mut unit, Digest::of(bytes)).unwrap();
    }
    (store, unit)
}

/// Spoils a sound folder and gives what is found.
fn found(spoil: impl Fn(&SimulatedStore, &Path)) -> (Vec<Discrepancy>, usize) {
    let (store, unit) = unit_with_two_backups();
    spoil(&store, unit.folder());
    let rehash = unit.rehash().unwrap();
    (rehash.findings, rehash.intact.len())
}

#[test]
fn a_sound_folder_has_no_findings() {
    let (findings, intact) = found(|_, _| {});
    assert!(findings.is_empty(), "{findings:?}");
    assert_eq!(intact, 2);
}

#[test]
fn every_kind_of_damage_is_told() {
    let flip = |bytes: &mut Vec<u8>| bytes[0] ^= 1;
    let (findings, intact) = found(|store, folder| {
        store.corrupt(&folder.join("as-found.bin"), flip);
    });
    assert!(matches!(&findings[..], [Discrepancy::Changed { file, .. }] if file == "as-found.bin"));
    assert_eq!(intact, 1);

    let (findings, _) = found(|store, folder| {
        store.corrupt(&folder.join("as-found-2.bin"), |bytes| bytes.push(0));
    });
    assert!(matches!(&findings[..], [Discrepancy::Changed { .. }]));

    let (findings, _) = found(|store, folder| store.remove(&folder.join("as-found.bin")).unwrap());
    assert!(matches!(&findings[..], [Discrepancy::Missing { .. }]));

    let (findings, _) =
        found(|store, folder| store.remove(&folder.join("as-found.sha256")).unwrap());
    assert!(matches!(&findings[..], [Discrepancy::HashFile { .. }]));

    let (findings, _) = found(|store, folder| {
        let line = format!("{}  as-found.bin\n", Digest::of(b"other"));
        store
            .replace(&folder.join("as-found.sha256"), line.as_bytes())
            .unwrap();
    });
    assert!(matches!(
        &findings[..],
        [Discrepancy::HashFileChanged { .. }]
    ));

    for line in ["", "5c1f  as-found.bin\n", "as-found.bin\n"] {
        let (findings, _) = found(|store, folder| {
            store
                .replace(&folder.join("as-found.sha256"), line.as_bytes())
                .unwrap();
        });
        assert!(
            matches!(&findings[..], [Discrepancy::HashFile { .. }]),
            "{line}"
        );
    }
    // The right hash, for another file.
    let (findings, _) = found(|store, folder| {
        let line = format!("{}  as-found-2.bin\n", Digest::of(b"first"));
        store
            .replace(&folder.join("as-found.sha256"), line.as_bytes())
            .unwrap();
    });
    assert!(matches!(&findings[..], [Discrepancy::HashFile { .. }]));
}

#[test]
fn image_and_hash_file_changed_together_are_told_by_the_record() {
    let (findings, intact) = found(|store, folder| {
        store.corrupt(&folder.join("as-found.bin"), |bytes| bytes[0] ^= 1);
        let bytes = store.read(&folder.join("as-found.bin")).unwrap();
        let line = format!("{}  as-found.bin\n", Digest::of(&bytes));
        store
            .replace(&folder.join("as-found.sha256"), line.as_bytes())
            .unwrap();
    });
    assert_eq!((findings.len(), intact), (2, 1), "{findings:?}");
}

#[test]
fn extra_unfinished_and_writable_files_are_told() {
    let (findings, intact) = found(|store, folder| {
        store.replace(&folder.join("as-found-3.bin"), b"x").unwrap();
        store
            .replace(&folder.join("target.bin.unfinished"), b"x")
            .unwrap();
        store.replace(&folder.join("notes.txt"), b"x").unwrap();
    });
    assert!(
        findings
            .iter()
            .any(|f| matches!(f, Discrepancy::NotRecorded { .. }))
    );
    assert!(
        findings
            .iter()
            .any(|f| matches!(f, Discrepancy::LeftUnfinished { .. }))
    );
    assert_eq!((findings.len(), intact), (2, 2));

    // The same bytes under the same name, but put there by someone else: mode 0600.
    let (findings, _) = found(|store, folder| {
        store
            .replace(&folder.join("as-found.bin"), b"first")
            .unwrap();
    });
    assert!(matches!(
        &findings[..],
        [Discrepancy::Writable { mode: 0o600, .. }]
    ));
}

#[test]
fn links_and_open_folders_are_told() {
    use std::os::unix::fs::{PermissionsExt, symlink};

    use crate::unit::store::RealStore;

    let bench = tempfile::tempdir().unwrap();
    let folder = bench.path().join("gauge-07");
    let mut unit = Unit::open_or_create(Arc::new(RealStore::new()), &folder).unwrap();
    let mut backup = unit.begin_backup(5).unwrap();
    backup.write_at(0, b"first").unwrap();
    let backup = backup.publish(&mut unit, Digest::of(b"first")).unwrap();
    std::fs::rename(&backup.path, bench.path().join("elsewhere.bin")).unwrap();
    symlink("../elsewhere.bin", &backup.path).unwrap();
    std::fs::set_permissions(&folder, std::fs::Permissions::from_mode(0o755)).unwrap();
    let findings = unit.rehash().unwrap().findings;
    let told: Vec<String> = findings.iter().map(ToString::to_string).collect();
    assert!(
        matches!(
            &findings[..],
            [
                Discrepancy::FolderOpen { mode: 0o755 },
                Discrepancy::NotAFile { .. }
            ]
        ),
        "{told:?}"
    );
}
