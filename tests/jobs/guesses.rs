//! A survey's best guess is no image, whatever it is called, and takes nothing away from those that are.

use std::path::{Path, PathBuf};

use norlock::interlock::Acceptances;
use norlock::job::{self, Exit, Nobody, PieceOrder, Stop, SurveyReport, TailorOrder};
use norlock::mock::{Fault, Faults};
use norlock::unit::store::Store;
use norlock::unit::{Digest, ImageName, Unit};

use crate::station::Station;

fn survey(station: &Station) -> SurveyReport {
    job::survey(&mut station.unit(), 6, station.bench(), &mut Nobody).unwrap()
}

/// By path, by hash and under the name of a backup, with a hash file as its owner would make one.
#[test]
fn nothing_takes_the_best_guess_for_an_image() {
    let station = Station::ready(6);
    station
        .mock
        .set_faults(Faults::seeded(6).with(Fault::WeakCells {
            addresses: 0x7_0000..0x7_0004,
            bits: 0xFF,
            chance: 0.45,
        }));
    // A toss-up that falls the wrong way, whatever the seed.
    let mut odd = station.cells();
    odd[0x7_0000] ^= 1;
    station.mock.set_truth(0, &odd).unwrap();
    survey(&station);
    station.mock.set_faults(Faults::none());
    let guess = station.image("survey-1/best-guess.bin");
    let digest = Digest::of(&guess);

    let order = station.order_for("survey-1/best-guess.bin");
    let stop = job::write(&mut station.unit(), order, station.bench(), &mut Nobody).unwrap_err();
    assert_eq!(stop.exit, Exit::Held);
    let held = |stop: &Stop| {
        stop.held
            .iter()
            .any(|held| held.headline.contains("best guess"))
    };
    assert!(held(&stop), "{stop:?}");
    let elsewhere = Path::new("/bench/harmless.bin");
    station.files.replace(elsewhere, &guess).unwrap();
    let target = station.files.open(elsewhere).unwrap();
    let unit = station.unit();
    let sck = station.sck;
    let accepted = Acceptances::default();
    let stop =
        job::worklist(&unit, target.as_ref(), &station.catalogue, &accepted, sck).unwrap_err();
    assert!(held(&stop), "{stop:?}");
    drop(unit);
    let piece = TailorOrder {
        region: "system".into(),
        pieces: vec![PieceOrder {
            file: PathBuf::from(elsewhere),
            offset: None,
            sha256: digest,
        }],
        rest: None,
    };
    let stop = job::tailor(
        &mut station.unit(),
        &[piece],
        None,
        &station.catalogue,
        true,
    )
    .unwrap_err();
    assert!(stop.headline.contains("best guess"), "{stop:?}");

    let as_backup = station.folder.join("as-found-2.bin");
    station.files.replace(&as_backup, &guess).unwrap();
    let line = format!("{digest}  as-found-2.bin\n");
    let beside = station.folder.join("as-found-2.sha256");
    station.files.replace(&beside, line.as_bytes()).unwrap();
    assert_eq!(station.unit().backups().len(), 1);
    let stop = station.restore(2).unwrap_err();
    assert!(stop.headline.contains("no backup 2"), "{stop:?}");
    // The unit's own images stay what they are, although a survey of them guessed the same.
    let unit = Unit::view(station.store(), &station.folder).unwrap();
    assert_eq!(unit.is_best_guess(&digest), Some("survey-1"));
    let target = unit.image(ImageName::Target).unwrap();
    assert_eq!(unit.is_best_guess(&target.sha256), None);
}

/// A backup of a steady chip has the hash of its best guess, and is none.
#[test]
fn a_backup_that_equals_the_guess_stays_a_backup() {
    let station = Station::new(8);
    let report = survey(&station);
    let backup = station.backup().unwrap();
    assert_eq!(report.sha256, backup.sha256);
    station.map();
    station.tailor(9);
    station.write().unwrap();
    station.restore(1).unwrap();
}
