use std::time::UNIX_EPOCH;

use super::*;
use crate::unit::store::{RealStore, SimulatedStore};

fn simulated() -> (SimulatedStore, Arc<dyn Store>) {
    let store = SimulatedStore::new();
    (store.clone(), Arc::new(store))
}

#[test]
fn a_unit_is_made_locked_and_found_again() {
    let bench = tempfile::tempdir().unwrap();
    let folder = bench.path().join("gauge-07");
    let store: Arc<dyn Store> = Arc::new(RealStore::new());
    let missing = Unit::open(Arc::clone(&store), &folder);
    assert!(matches!(missing, Err(UnitError::NotAUnit { .. })));

    let mut unit = Unit::open_or_create(Arc::clone(&store), &folder).unwrap();
    assert_eq!(unit.name(), "gauge-07");
    assert_eq!(store.mode(&folder).unwrap(), 0o700);
    let second = Unit::open(Arc::new(RealStore::new()), &folder);
    assert!(matches!(second, Err(UnitError::InUse { .. })));
    assert_eq!(unit.record(Operation::default(), UNIX_EPOCH).unwrap(), 1);

    let mut looked_at = Unit::view(Arc::clone(&store), &folder).unwrap();
    assert_eq!(looked_at.file().operations.len(), 1);
    let refused = looked_at.record(Operation::default(), UNIX_EPOCH);
    assert!(matches!(refused, Err(UnitError::OnlyViewed { .. })));

    drop(unit);
    let mut unit = Unit::open(store, &folder).unwrap();
    assert_eq!(unit.record(Operation::default(), UNIX_EPOCH).unwrap(), 2);
}

#[test]
fn strangers_and_copies_under_another_name_are_refused() {
    let (simulated, store) = simulated();
    store.create_folder(Path::new("/letters")).unwrap();
    store.replace(Path::new("/letters/one.txt"), b"").unwrap();
    let refused = Unit::open_or_create(Arc::clone(&store), Path::new("/letters"));
    assert!(matches!(refused, Err(UnitError::NotEmpty { .. })));

    drop(Unit::open_or_create(Arc::clone(&store), Path::new("/gauge-07")).unwrap());
    let text = store.read(Path::new("/gauge-07/unit.toml")).unwrap();
    store.create_folder(Path::new("/gauge-08")).unwrap();
    store
        .replace(Path::new("/gauge-08/unit.toml"), &text)
        .unwrap();
    let refused = Unit::open(Arc::clone(&store), Path::new("/gauge-08"));
    assert!(matches!(refused, Err(UnitError::Renamed { .. })));
    assert!(Unit::view(Arc::clone(&store), Path::new("/gauge-08")).is_ok());

    simulated.corrupt(Path::new("/gauge-07/unit.toml"), |bytes| bytes.truncate(40));
    let broken = Unit::open(store, Path::new("/gauge-07"));
    assert!(matches!(broken, Err(UnitError::Text(_))));
}

#[test]
fn what_a_killed_process_left_is_swept_away_under_the_lock() {
    let (_, store) = simulated();
    let folder = Path::new("/gauge-07");
    let unit = Unit::open_or_create(Arc::clone(&store), folder).unwrap();
    drop(unit);
    let left = folder.join("as-found.bin.unfinished");
    store.create(&left, 0).unwrap();
    drop(Unit::view(Arc::clone(&store), folder).unwrap());
    assert!(store.exists(&left).unwrap(), "looking changes nothing");
    drop(Unit::open(Arc::clone(&store), folder).unwrap());
    assert!(!store.exists(&left).unwrap());
}

#[test]
fn a_failed_record_leaves_the_old_one() {
    let (simulated, store) = simulated();
    let mut unit = Unit::open_or_create(store, Path::new("/gauge-07")).unwrap();
    unit.record(Operation::default(), UNIX_EPOCH).unwrap();
    simulated.fail_at(simulated.calls(), 28, crate::unit::store::Fails::Once);
    assert!(unit.record(Operation::default(), UNIX_EPOCH).is_err());
    assert_eq!(unit.file().operations.len(), 1);
    assert_eq!(unit.record(Operation::default(), UNIX_EPOCH).unwrap(), 2);
}

/// A folder that cannot be looked at may be a unit folder all the same.
#[test]
fn a_folder_that_cannot_be_looked_at_is_not_called_missing() {
    let (simulated, store) = simulated();
    let folder = Path::new("/gauge-07");
    drop(Unit::open_or_create(Arc::clone(&store), folder).unwrap());
    let once = crate::unit::store::Fails::Once;
    simulated.fail_at(simulated.calls(), 5, once);
    let viewed = Unit::view(Arc::clone(&store), folder);
    assert!(matches!(viewed, Err(UnitError::Store(_))));
    simulated.fail_at(simulated.calls(), 5, once);
    let opened = Unit::open_or_create(store, folder);
    assert!(matches!(opened, Err(UnitError::Store(_))));
}
