//! The properties that `fuzz/` checks, on the inputs that fuzzing begins with. Among them are all
//! that it found to go wrong, from `fuzz/seeds/`: they must not go wrong again.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;

#[path = "../fuzz/src/properties/mod.rs"]
mod properties;

use properties::{TARGETS, seeds};

#[test]
fn every_seed_has_the_properties() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for (target, check) in TARGETS {
        let mut taken = 0;
        for (number, seed) in seeds::of(target, root).iter().enumerate() {
            println!("{target}, seed {number}");
            taken += usize::from(check(seed));
        }
        assert!(
            taken > 0,
            "no seed of {target} is taken: fuzzing would begin with nothing"
        );
    }
}

#[test]
fn every_folder_of_seeds_belongs_to_a_target() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/seeds");
    for entry in std::fs::read_dir(folder).unwrap() {
        let name = entry.unwrap().file_name();
        assert!(
            TARGETS.iter().any(|(target, _)| name == *target),
            "{name:?}"
        );
    }
}
