use std::os::unix::fs::{PermissionsExt, symlink};
use std::sync::Arc;

use super::*;
use crate::unit::witness::WitnessedStore;

/// Runs a check on both stores, each with an empty folder, and on one with a witness.
fn on_both(check: impl Fn(&dyn Store, &Path)) {
    let folder = tempfile::tempdir().unwrap();
    check(&RealStore::new(), folder.path());
    check(&SimulatedStore::new(), Path::new("/"));
    let inner = Arc::new(SimulatedStore::new());
    check(&WitnessedStore::new(inner, |_| {}, || {}), Path::new("/"));
}

#[test]
fn a_file_is_made_written_published_and_read_back() {
    on_both(|store, folder| {
        let (unfinished, path) = (folder.join("a.unfinished"), folder.join("a"));
        let mut file = store.create(&unfinished, 100).unwrap();
        assert_eq!(file.size_bytes().unwrap(), 0, "reserving does not lengthen");
        file.write_all_at(3, b"lock").unwrap();
        file.write_all_at(0, b"nor").unwrap();
        file.sync().unwrap();
        let again = store.create(&unfinished, 0).err().unwrap();
        assert_eq!(again.kind(), Some(std::io::ErrorKind::AlreadyExists));

        store
            .publish(&unfinished, &path, Publish::ReadOnly)
            .unwrap();
        assert_eq!(store.read(&path).unwrap(), b"norlock");
        assert_eq!(store.mode(&path).unwrap(), 0o400);
        assert!(!store.exists(&unfinished).unwrap());

        let medium = store.open_from_medium(&path).unwrap();
        assert_eq!(hash(medium.as_ref()).unwrap(), (Digest::of(b"norlock"), 7));
        let mut past = [0; 8];
        let error = medium.read_exact_at(0, &mut past).unwrap_err();
        assert_eq!(error.kind(), Some(std::io::ErrorKind::UnexpectedEof));
    });
}

#[test]
fn a_taken_name_is_replaced_only_where_that_is_asked_for() {
    on_both(|store, folder| {
        let (old, new) = (folder.join("old"), folder.join("new.unfinished"));
        store.replace(&old, b"old").unwrap();
        store
            .create(&new, 0)
            .unwrap()
            .write_all_at(0, b"new")
            .unwrap();
        for how in [Publish::ReadOnly, Publish::Extendable] {
            let error = store.publish(&new, &old, how).unwrap_err();
            assert_eq!(error.kind(), Some(std::io::ErrorKind::AlreadyExists));
            assert_eq!(store.read(&old).unwrap(), b"old");
            assert_eq!(
                store.read(&new).unwrap(),
                b"new",
                "the unfinished file stays"
            );
        }
        store
            .publish(&new, &old, Publish::ReadOnlyReplacing)
            .unwrap();
        assert_eq!(store.read(&old).unwrap(), b"new");
    });
}

#[test]
fn replace_leaves_nothing_beside_the_file() {
    on_both(|store, folder| {
        let path = folder.join("unit.toml");
        store.replace(&path, b"one").unwrap();
        store.replace(&path, b"two").unwrap();
        assert_eq!(store.read(&path).unwrap(), b"two");
        assert_eq!(store.mode(&path).unwrap(), 0o600);
        store.create_folder(&folder.join("journal")).unwrap();
        let entry = |name: &str, kind| Entry {
            name: name.into(),
            kind,
        };
        let entries = [
            entry("journal", EntryKind::Folder),
            entry("unit.toml", EntryKind::File),
        ];
        assert_eq!(store.list(folder).unwrap(), entries);
        store.remove(&path).unwrap();
        assert!(store.read(&path).unwrap_err().is_missing());
    });
}

#[test]
fn folders_are_private_and_locks_exclusive() {
    on_both(|store, folder| {
        let inner = folder.join("gauge-07");
        store.create_folder(&inner).unwrap();
        assert_eq!(store.mode(&inner).unwrap(), 0o700);
        assert!(store.create_folder(&inner).is_err());
        let lock = store.lock(&inner.join(".lock")).unwrap();
        assert!(store.exists(&inner.join(".lock")).unwrap());
        let second = store.lock(&inner.join(".lock"));
        assert!(matches!(second, Err(StoreError::InUse { .. })));
        drop(lock);
        store.lock(&inner.join(".lock")).unwrap();
    });
}

#[test]
fn there_must_be_room_before_a_file_is_made() {
    on_both(|store, folder| {
        let path = folder.join("image");
        let error = store.create(&path, 1 << 60).err().unwrap();
        let StoreError::Full { free_bytes, .. } = error else {
            panic!("{error}");
        };
        assert!(free_bytes > 1 << 16 && store.free_bytes(folder).unwrap() > 1 << 16);
        assert!(!store.exists(&path).unwrap());
    });
}

#[test]
fn a_small_file_has_16_mib_at_the_most() {
    on_both(|store, folder| {
        let path = folder.join("list");
        let mut file = store.create(&path, 0).unwrap();
        file.write_all_at(SMALL_FILE_MAX_BYTES - 1, b"x").unwrap();
        assert_eq!(
            store.read(&path).unwrap().len() as u64,
            SMALL_FILE_MAX_BYTES
        );
        file.write_all_at(SMALL_FILE_MAX_BYTES, b"x").unwrap();
        let error = store.read(&path).unwrap_err();
        assert_eq!(error.kind(), Some(std::io::ErrorKind::Other));
    });
}

/// Only where nothing has the name is nothing there; what cannot be looked at may be there.
#[test]
fn what_cannot_be_looked_at_is_not_called_missing() {
    let folder = tempfile::tempdir().unwrap();
    let store = RealStore::new();
    let path = folder.path().join("file");
    store.replace(&path, b"x").unwrap();
    let error = store.exists(&path.join("within")).unwrap_err();
    assert!(!error.is_missing(), "{error}");
    let simulated = SimulatedStore::new();
    simulated.fail_at(simulated.calls(), 5, Fails::Once);
    let error = simulated.read(&path).unwrap_err();
    assert!(!error.is_missing() && error.kind().is_some(), "{error}");
    assert!(error.to_string().starts_with("cannot read '/"), "{error}");
    assert!(!StoreError::InUse { path }.is_missing());
}

#[test]
fn the_real_store_follows_links_and_says_what_is_one() {
    let folder = tempfile::tempdir().unwrap();
    let store = RealStore::new();
    store.replace(&folder.path().join("file"), b"x").unwrap();
    symlink("file", folder.path().join("link")).unwrap();
    let entries = store.list(folder.path()).unwrap();
    assert_eq!(entries[1].kind, EntryKind::Other);
    let canonical = store.canonical(&folder.path().join("link")).unwrap();
    assert!(canonical.ends_with("file"));
}

#[test]
fn the_real_store_reserves_blocks() {
    use std::os::unix::fs::MetadataExt;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("image");
    RealStore::new().create(&path, 1 << 20).unwrap();
    let metadata = std::fs::metadata(&path).unwrap();
    assert_eq!(
        (metadata.len(), metadata.permissions().mode() & 0o777),
        (0, 0o600)
    );
    // stat(2) counts in 512 bytes. A file system that cannot reserve shows 0.
    assert!(metadata.blocks() == 0 || metadata.blocks() * 512 >= 1 << 20);
}

#[test]
fn a_failed_sync_ends_all_writing() {
    let store = SimulatedStore::new();
    let path = Path::new("/a");
    let mut file = store.create(path, 0).unwrap();
    file.write_all_at(0, b"a").unwrap();
    store.fail_at(store.calls(), 5, Fails::Once);
    assert!(matches!(file.sync(), Err(StoreError::SyncFailed { .. })));
    let later: [Result<(), StoreError>; 7] = [
        file.sync(),
        file.write_all_at(0, b"b"),
        store.create(Path::new("/b"), 0).map(drop),
        store.replace(path, b"b"),
        store.publish(path, Path::new("/b"), Publish::ReadOnly),
        store.create_folder(Path::new("/c")),
        store.remove(path),
    ];
    for outcome in later {
        let error = outcome.unwrap_err();
        assert!(
            matches!(error, StoreError::AfterSyncFailed { .. }),
            "{error}"
        );
    }
    assert_eq!(store.read(path).unwrap(), b"a", "reading goes on");
    store.crash(Loss::Keep);
    assert!(
        store.replace(path, b"b").is_ok(),
        "a new process starts anew"
    );
}

#[test]
fn a_crash_takes_what_was_not_synced() {
    let store = SimulatedStore::new();
    let path = Path::new("/a");
    store.replace(path, b"old").unwrap();
    let mut file = store.open_to_extend(path).unwrap();
    file.write_all_at(0, b"new and longer").unwrap();
    store.crash(Loss::Drop);
    assert_eq!(store.read(path).unwrap(), b"old");
    assert!(file.size_bytes().is_err(), "what was open is lost");

    let mut file = store.open_to_extend(path).unwrap();
    file.write_all_at(0, b"new").unwrap();
    file.sync().unwrap();
    store.create(Path::new("/b"), 0).unwrap().sync().unwrap();
    store.crash(Loss::Drop);
    assert_eq!(store.read(path).unwrap(), b"new");
    assert!(
        !store.exists(Path::new("/b")).unwrap(),
        "its name was not synced"
    );

    store.create(Path::new("/b"), 0).unwrap();
    store.crash(Loss::Keep);
    assert!(store.exists(Path::new("/b")).unwrap());
}

#[test]
fn a_tearing_crash_leaves_each_kind_of_remains() {
    let mut lengths = std::collections::BTreeSet::new();
    for seed in 0..64 {
        let store = SimulatedStore::new();
        store.replace(Path::new("/a"), b"").unwrap();
        let mut file = store.open_to_extend(Path::new("/a")).unwrap();
        file.write_all_at(0, &[7; 100]).unwrap();
        store.crash(Loss::Tear(seed));
        let bytes = store.read(Path::new("/a")).unwrap();
        assert!(bytes.iter().all(|byte| *byte == 7));
        lengths.insert(bytes.len());
    }
    assert!(lengths.contains(&0) && lengths.contains(&100) && lengths.len() > 3);
}

#[test]
fn writes_that_do_not_follow_each_other_are_kept_and_lost_apart() {
    let store = SimulatedStore::new();
    let path = Path::new("/a");
    store.replace(path, b"").unwrap();
    for (loss, syncs, left) in [
        (Loss::Drop, false, &b""[..]),
        (Loss::Drop, true, b"ti\0\0\0\0\0\0de"),
        (Loss::Keep, false, b"ti\0\0\0\0\0\0de"),
    ] {
        let store = store.fork();
        let mut file = store.open_to_extend(path).unwrap();
        file.write_all_at(8, b"de").unwrap();
        file.write_all_at(0, b"ti").unwrap();
        if syncs {
            file.sync().unwrap();
        }
        store.crash(loss);
        assert_eq!(store.read(path).unwrap(), left, "{loss:?}, synced {syncs}");
    }
}

#[test]
fn a_subset_loses_writes_and_names_in_any_order() {
    let store = SimulatedStore::new();
    let [a, b, c] = ["/a", "/b", "/c"].map(Path::new);
    store.replace(a, b"").unwrap();
    let mut file = store.open_to_extend(a).unwrap();
    // One write, as they follow each other.
    file.write_all_at(0, b"ti").unwrap();
    file.write_all_at(2, b"de").unwrap();
    store.create(b, 0).unwrap().sync().unwrap();
    // Open, sync, rename; the sync of the folder fails.
    store.fail_at(store.calls() + 3, 5, Fails::Once);
    store.publish(b, c, Publish::Extendable).unwrap_err();
    let (ways, operations) = store.subsets();
    assert_eq!((ways, operations), (4 * 2 * 3, 3));
    let mut seen = std::collections::BTreeSet::new();
    for number in 0..ways {
        let store = store.fork();
        store.crash(Loss::Subset(number));
        let names = [b, c].map(|path| store.exists(path).unwrap());
        seen.insert((store.read(a).unwrap(), names));
    }
    let bytes: [&[u8]; 4] = [b"", b"tide", b"ti", b"\0\0\0\0"];
    let all = bytes.iter().flat_map(|bytes| {
        [(false, false), (true, false), (false, true), (true, true)]
            .map(|(b, c)| (bytes.to_vec(), [b, c]))
    });
    assert_eq!(seen, all.collect());
}

#[test]
fn a_write_that_fails_leaves_its_first_half() {
    let store = SimulatedStore::new();
    let mut file = store.create(Path::new("/a"), 0).unwrap();
    store.fail_at(store.calls(), 28, Fails::FromThenOn);
    assert!(file.write_all_at(0, b"tide").is_err());
    assert!(file.write_all_at(2, b"de").is_err());
    store.fail_no_more();
    assert_eq!(store.read(Path::new("/a")).unwrap(), b"ti");
}

/// Every step of a replacement fails or is the last before a crash: the old content or the new.
#[test]
fn replace_is_all_or_nothing_at_every_step() {
    let path = Path::new("/unit.toml");
    let mut seen = std::collections::BTreeSet::new();
    for n in 0.. {
        let mut reached = true;
        for loss in [Loss::Keep, Loss::Drop, Loss::Tear(n as u64)] {
            let store = SimulatedStore::new();
            store.replace(path, b"old").unwrap();
            let first = store.calls();
            store.fail_at(first + n, 5, Fails::FromThenOn);
            let outcome = store.replace(path, b"new, and longer");
            reached = store.calls() > first + n;
            store.crash(loss);
            let bytes = store.read(path).unwrap();
            assert!(bytes == b"old" || bytes == b"new, and longer", "{bytes:?}");
            assert!(
                outcome.is_err() || bytes != b"old",
                "step {n}: said done and lost"
            );
            seen.insert(bytes);
        }
        if !reached {
            assert!(
                n >= 6,
                "create, reserve, open, write, sync, rename, sync folder"
            );
            break;
        }
    }
    assert_eq!(seen.len(), 2);
}

#[test]
fn a_full_disk_is_met_when_a_file_grows() {
    let store = SimulatedStore::new();
    store.set_capacity_bytes(Some(10));
    let mut file = store.create(Path::new("/a"), 10).unwrap();
    file.write_all_at(0, &[0; 10]).unwrap();
    let error = file.write_all_at(10, &[0]).unwrap_err();
    assert_eq!(error.kind(), Some(std::io::ErrorKind::StorageFull));
    assert_eq!(store.free_bytes(Path::new("/")).unwrap(), 0);
    assert!(store.log().contains(&(Action::Write, PathBuf::from("/a"))));
}

#[test]
fn a_fork_of_a_store_goes_its_own_way() {
    let store = SimulatedStore::new();
    let path = Path::new("/a");
    store.replace(path, b"durable").unwrap();
    let mut file = store.open_to_extend(path).unwrap();
    file.write_all_at(0, b"D").unwrap();
    let _lock = store.lock(Path::new("/lock")).unwrap();
    store.fail_at(store.calls() + 1, 5, Fails::Once);
    let fork = store.fork();
    assert_eq!((fork.calls(), fork.log()), (store.calls(), Vec::new()));
    for one in [&fork, &store] {
        assert_eq!(one.read(path).unwrap(), b"Durable");
        assert!(one.read(path).is_err(), "the failure was planned for both");
    }
    assert!(matches!(
        fork.lock(Path::new("/lock")),
        Err(StoreError::InUse { .. })
    ));
    fork.crash(Loss::Drop);
    fork.lock(Path::new("/lock")).unwrap();
    assert_eq!(fork.read(path).unwrap(), b"durable");
    // What was open goes on in the store it was opened in.
    file.write_all_at(1, b"U").unwrap();
    file.sync().unwrap();
    fork.replace(path, b"other").unwrap();
    assert_eq!(store.read(path).unwrap(), b"DUrable");
    assert_eq!(fork.read(path).unwrap(), b"other");
    store.fail_at(store.calls(), 5, Fails::FromThenOn);
    file.write_all_at(1, b"R").unwrap_err();
    fork.replace(path, b"still fine").unwrap();
}

/// A sync that failed ends the writing of its process, and of a fork, which stands for it; another process
/// has seen nothing.
#[test]
fn a_failed_sync_goes_with_a_fork_and_not_to_another_process() {
    let store = SimulatedStore::new();
    let path = Path::new("/a");
    store.replace(path, b"tide").unwrap();
    let mut file = store.open_to_extend(path).unwrap();
    store.fail_at(store.calls(), 5, Fails::Once);
    file.sync().unwrap_err();
    assert!(store.fork().replace(path, b"neap").is_err());
    let other = store.another_process();
    assert_eq!(other.read(path).unwrap(), b"tide");
    other.replace(path, b"neap").unwrap();
    assert_eq!(store.read(path).unwrap(), b"neap");
}

#[test]
fn a_file_of_several_pieces_is_hashed_whole() {
    let store = SimulatedStore::new();
    let bytes: Vec<u8> = (0..2 * CHUNK_BYTES + 5)
        .map(|at| (at % 251) as u8)
        .collect();
    store.replace(Path::new("/a"), &bytes).unwrap();
    let file = store.open(Path::new("/a")).unwrap();
    let (digest, size_bytes) = hash(file.as_ref()).unwrap();
    assert_eq!(
        (digest, size_bytes),
        (Digest::of(&bytes), bytes.len() as u64)
    );
}
