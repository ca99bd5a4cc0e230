use std::sync::Mutex;
use std::sync::atomic::{AtomicU32, Ordering};

use super::*;
use crate::chip::AddressingFound;
use crate::part::JedecId;
use crate::unit::digest::Digest;
use crate::unit::folder::Unit;
use crate::unit::journal::{Header, Intent, Journal};
use crate::unit::store::{Fails, SimulatedStore};

type Heard = Arc<Mutex<Vec<JournalNews>>>;

fn witnessed(inner: &SimulatedStore) -> (WitnessedStore, Heard, Arc<AtomicU32>) {
    let heard = Heard::default();
    let syncs = Arc::new(AtomicU32::new(0));
    let (hears, counts) = (Arc::clone(&heard), Arc::clone(&syncs));
    let store = WitnessedStore::new(
        Arc::new(inner.clone()),
        move |news| hears.lock().unwrap().push(news),
        move || {
            counts.fetch_add(1, Ordering::SeqCst);
        },
    );
    (store, heard, syncs)
}

fn open(store: impl Store + 'static) -> Unit {
    Unit::open_or_create(Arc::new(store), Path::new("/gauge-07")).unwrap()
}

fn header() -> Header {
    Header {
        number: 0,
        supersedes: None,
        intent: Intent::Write,
        target: Digest::of(b"target"),
        baseline: Digest::of(b"baseline"),
        worklist: Digest::of(b"worklist"),
        region_map: None,
        part: "Winbond W25Q128JV".into(),
        jedec_id: JedecId(vec![0xEF, 0x40, 0x18]),
        unique_id: Vec::new(),
        size_bytes: 16 << 20,
        status: Vec::new(),
        volatile_lift: false,
        addressing: AddressingFound::ThreeByte,
    }
}

#[test]
fn each_record_is_announced_once_it_is_durable() {
    let inner = SimulatedStore::new();
    let (store, heard, syncs) = witnessed(&inner);
    let unit = open(store);
    let mut journal = Journal::begin(&unit, header(), 4).unwrap();
    assert!(heard.lock().unwrap().is_empty());
    let before = syncs.load(Ordering::SeqCst);
    journal.begun(0..4096).unwrap();
    assert_eq!(*heard.lock().unwrap(), [JournalNews::Begun(0..4096)]);
    journal.done(0..4096).unwrap();
    journal.close().unwrap();
    assert_eq!(syncs.load(Ordering::SeqCst) - before, 3);
    let all = [
        JournalNews::Begun(0..4096),
        JournalNews::Done(0..4096),
        JournalNews::Ended,
    ];
    assert_eq!(*heard.lock().unwrap(), all);
}

#[test]
fn a_journal_without_its_sync_is_not_announced() {
    let inner = SimulatedStore::new();
    let (store, heard, _) = witnessed(&inner);
    let unit = open(store.leaving_out_journal_syncs());
    let mut journal = Journal::begin(&unit, header(), 4).unwrap();
    journal.begun(0..4096).unwrap();
    journal.done(0..4096).unwrap();
    assert!(heard.lock().unwrap().is_empty());
}

#[test]
fn a_failed_sync_is_not_announced() {
    let inner = SimulatedStore::new();
    let (store, heard, _) = witnessed(&inner);
    let unit = open(store);
    let mut journal = Journal::begin(&unit, header(), 4).unwrap();
    // The write is the next step, its sync the one after.
    inner.fail_at(inner.calls() + 1, 5, Fails::Once);
    assert!(journal.begun(0..4096).is_err());
    assert!(heard.lock().unwrap().is_empty());
}

#[test]
fn what_was_there_is_announced_when_a_journal_is_taken_up_again() {
    let inner = SimulatedStore::new();
    {
        let mut journal = Journal::begin(&open(inner.clone()), header(), 4).unwrap();
        journal.begun(0..4096).unwrap();
    }
    let (store, heard, _) = witnessed(&inner);
    let unit = open(store);
    Journal::resume(&unit, 1).unwrap();
    assert_eq!(*heard.lock().unwrap(), [JournalNews::Begun(0..4096)]);

    heard.lock().unwrap().clear();
    let in_hand = [0..4096, 8192..12288];
    Journal::supersede(&unit, header(), 4, &in_hand).unwrap();
    let expected = in_hand.map(JournalNews::Begun);
    assert_eq!(*heard.lock().unwrap(), expected);
}

/// What the witness asks the store by itself can fail as well, and is no record that was not synced.
#[test]
fn a_durable_record_is_announced_whatever_can_be_read() {
    let inner = SimulatedStore::new();
    let (store, heard, _) = witnessed(&inner);
    let unit = open(store);
    let mut journal = Journal::begin(&unit, header(), 4).unwrap();
    // The write is the next step, its sync the one after.
    inner.fail_at(inner.calls() + 2, 5, Fails::FromThenOn);
    journal.begun(0..4096).unwrap();
    assert_eq!(*heard.lock().unwrap(), [JournalNews::Begun(0..4096)]);
}

/// Each sync of a file or folder costs its time, as it does on a real disk.
#[test]
fn every_sync_is_counted() {
    let (store, _, syncs) = witnessed(&SimulatedStore::new());
    let counted = |step: &dyn Fn()| {
        let before = syncs.load(Ordering::SeqCst);
        step();
        syncs.load(Ordering::SeqCst) - before
    };
    let [a, b] = ["/a", "/b"].map(Path::new);
    assert_eq!(
        counted(&|| store.create_folder(Path::new("/c")).unwrap()),
        1
    );
    assert_eq!(counted(&|| store.replace(a, b"tide").unwrap()), 2);
    assert_eq!(
        counted(&|| store.publish(a, b, Publish::ReadOnly).unwrap()),
        2
    );
    assert_eq!(counted(&|| drop(store.open_from_medium(b).unwrap())), 1);
    assert_eq!(counted(&|| drop(store.open(b).unwrap())), 0);
}

/// An image may hold the very bytes of a journal.
#[test]
fn records_outside_the_journal_are_not_announced() {
    let inner = SimulatedStore::new();
    let unit = open(inner.clone());
    let mut journal = Journal::begin(&unit, header(), 4).unwrap();
    journal.begun(0..4096).unwrap();
    let bytes = inner.read(journal.path()).unwrap();
    let (store, heard, _) = witnessed(&inner);
    let (begun, image) = (Path::new("/image.unfinished"), Path::new("/image"));
    let mut file = store.create(begun, 0).unwrap();
    file.write_all_at(0, &bytes).unwrap();
    file.sync().unwrap();
    store.publish(begun, image, Publish::Extendable).unwrap();
    store.open_to_extend(image).unwrap().sync().unwrap();
    assert!(heard.lock().unwrap().is_empty());
}
