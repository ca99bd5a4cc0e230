//! `regions.toml`: the regions and the gaps between them cover the map once, in order.

use norlock::image::RegionMap;
use norlock::jedec::Address;

/// Reads a region map.
pub fn check(bytes: &[u8]) -> bool {
    match RegionMap::parse("regions.toml", bytes) {
        Ok(map) => {
            covered_once(&map);
            let again = RegionMap::parse("written", written(&map));
            assert_eq!(again.as_ref(), Ok(&map), "{}", written(&map));
            true
        }
        Err(error) => {
            super::assert_told(bytes, &error);
            false
        }
    }
}

fn covered_once(map: &RegionMap) {
    let mut end = 0;
    for span in map.spans() {
        assert!(
            span.range.start == end && !span.range.is_empty(),
            "{span:?}"
        );
        end = span.range.end;
        assert_eq!(map.kind_at(span.range.start), span.holds);
        assert_eq!(map.kind_at(end - 1), span.holds);
        assert!(!Address(end).to_string().is_empty());
    }
    assert_eq!(end, map.size_bytes());
    let unit_data: Vec<_> = map.unit_data_in(0..end).collect();
    assert_eq!(map.has_unit_data(), !unit_data.is_empty());
    for name in map.unaligned(4096) {
        assert!(map.region(&name.region).is_some());
    }
}

fn written(map: &RegionMap) -> String {
    let mut text = format!("size = {}\n", map.size_bytes());
    for region in map.regions() {
        let holds = toml::Value::try_from(region.holds).unwrap();
        let (start, end) = (region.range.start, region.range.end);
        text += &format!(
            "[[region]]\nname = '{}'\nstart = {start}\nend = {end}\n",
            region.name
        );
        text += &format!("holds = {holds}\n");
        if let Some(note) = &region.note {
            text += &format!("note = {}\n", toml::Value::String(note.clone()));
        }
    }
    text
}
