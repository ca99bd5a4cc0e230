//! What people type or hash files hold: hashes, JEDEC IDs, sizes, clocks, levels.

use norlock::image::parse_size;
use norlock::jedec::{Hertz, Millivolts};
use norlock::part::{Catalogue, JedecId};
use norlock::unit::offline::{parse_hash, parse_hash_file};

/// Reads a text as each of them.
pub fn check(bytes: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return false;
    };
    let hash = parse_hash(text);
    if let Ok(digest) = &hash {
        assert_eq!(parse_hash(&digest.to_string()).as_ref(), Ok(digest));
        assert_eq!(parse_hash(&digest.groups().join(" ")).as_ref(), Ok(digest));
    }
    let of_image = parse_hash_file(text, "as-found.bin");
    if let Ok(digest) = &of_image {
        let line = format!("{digest}  as-found.bin\n");
        assert_eq!(parse_hash_file(&line, "as-found.bin").as_ref(), Ok(digest));
    }
    let id = JedecId::parse(text);
    if let Some(id) = &id {
        assert_eq!(JedecId::parse(&id.to_string()).as_ref(), Some(id));
    }
    let size = parse_size(text);
    if let Ok(size) = size {
        assert_eq!(parse_size(&size.to_string()), Ok(size));
    }
    let clock = text.parse::<Hertz>();
    let level = text.parse::<Millivolts>();
    assert!(clock.as_ref().is_ok_and(|clock| clock.0 > 0) || clock.is_err());
    assert!(Catalogue::default().by_marking(text).is_none());
    hash.is_ok()
        || of_image.is_ok()
        || id.is_some()
        || size.is_ok()
        || clock.is_ok()
        || level.is_ok()
}
