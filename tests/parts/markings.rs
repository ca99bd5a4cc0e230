//! What printed markings mean, before anything is connected.

use norlock::jedec::Millivolts;
use norlock::part::{Catalogue, Marking};

const AT_3V3: Millivolts = Millivolts(3300);
const AT_1V8: Millivolts = Millivolts(1800);

fn look_up(text: &str) -> Option<Marking> {
    Catalogue::builtin().unwrap().by_marking(text)
}

fn names(text: &str) -> Vec<String> {
    look_up(text).map_or_else(Vec::new, |marking| {
        marking
            .names()
            .iter()
            .map(|name| (*name).to_owned())
            .collect()
    })
}

/// Order codes and package markings: W25Q128JV Rev. I and W25Q64FW, ordering and marking tables; the
/// others as common practice, no source.
#[test]
fn one_letter_decides_the_supply() {
    for (text, only_at_3v3) in [
        ("W25Q128JVSIQ", true),
        ("25Q128JVSQ", true),
        ("W25Q128JWSIQ", false),
        ("25Q128JWSQ", false),
        ("W25Q128FVSG", true),
        ("W25Q128FWSG", false),
        ("GD25Q128CSIG", true),
        ("25Q128CSIG", true),
        ("GD25LQ128CSIG", false),
        ("25LQ128CSIG", false),
        ("MX25L12835FM2I-10G", true),
        ("MX25U12835FM2I-10G", false),
        ("IS25LP128F-JBLE", true),
        ("IS25WP128F-JBLE", false),
        ("N25Q128A13ESE40E", true),
        ("N25Q128A11ESE40E", false),
        ("S25FL256SAGMFI001", true),
        ("S25FS256SAGMFI001", false),
        ("SST26VF064B-104I/SM", true),
        ("SST26WF064C-104I/SM", false),
        ("AT25DF081A-SSH-B", true),
        ("AT25DF081-SSHN-B", false),
        ("cFeon Q64-104HIP", true),
        ("cFeon S64-104HIP", false),
        ("XT25F128BSSIGU", true),
        ("XT25Q128BSSIGU", false),
        ("P25Q128H-SSH-IT", true),
        ("P25Q128LE-SSH-IT", false),
    ] {
        let marking = look_up(text).unwrap_or_else(|| panic!("{text}"));
        assert_eq!(marking.admits(AT_3V3), only_at_3v3, "{text}");
        assert_eq!(marking.admits(AT_1V8), !only_at_3v3, "{text}");
        assert_eq!(marking.may_be_low_voltage(), !only_at_3v3, "{text}");
        assert_eq!(marking.supply().includes(AT_3V3), only_at_3v3, "{text}");
    }
}

#[test]
fn spaces_dashes_and_small_letters_do_not_matter() {
    let plain = names("W25Q128JVSIQ");
    assert_eq!(plain, ["W25Q128JV", "W25Q128JV-IM"]);
    for text in [
        "w25q128jvsiq",
        "  W25Q128JV SIQ ",
        "W25Q128-JVSIQ",
        "25Q 128 JVSQ",
        "Winbond 25Q128JVSQ 1842",
        "Winbond\n25Q128JVSQ\n1842",
    ] {
        assert_eq!(names(text), plain, "{text}");
    }
    assert_eq!(look_up("w25q128jv siq").unwrap().text, "W25Q128JVSIQ");
}

/// A marking typed short of the letter that tells the supply has no level in common.
#[test]
fn a_marking_cut_short_admits_no_level() {
    for text in [
        "W25Q128",
        "W25Q128J",
        "25Q128",
        "25Q128F",
        "N25Q128A",
        "N25Q128A1",
        "AT25DF081",
    ] {
        let marking = look_up(text).unwrap_or_else(|| panic!("{text}"));
        assert!(marking.candidates.len() > 1, "{text}");
        assert!(marking.may_be_low_voltage(), "{text}");
        assert!(marking.supply().is_empty(), "{text}: {:?}", marking.names());
        assert!(!marking.admits(AT_3V3) && !marking.admits(AT_1V8), "{text}");
    }
}

#[test]
fn the_longest_beginning_wins() {
    assert_eq!(names("IS25LP128-JBLE"), ["IS25LP128"]);
    assert_eq!(names("IS25LP128F-JBLE"), ["IS25LP128F"]);
    assert_eq!(names("25WF040B-40I"), ["SST25WF040B"]);
    assert_eq!(names("N25Q128A13ESE40"), ["N25Q128A13"]);
    // Of each maker: without its letters the same text stands for parts of several.
    assert_eq!(names("25Q32BSIG"), ["BY25Q32BS", "GD25Q32B"]);
    assert_eq!(names("GD25Q32BSIG"), ["GD25Q32B"]);
}

#[test]
fn beginnings_count_only_from_the_start_of_a_word() {
    // Another maker's letters in front make it another part.
    for text in ["MX25Q128JV", "ZZ25Q64C", "AW25Q128JVSIQ", "X25X32"] {
        assert_eq!(look_up(text), None, "{text}");
    }
    // A number counts only as a whole.
    assert_eq!(look_up("W25X320"), None);
    assert_eq!(names("W25X32-VSSIG"), ["W25X32"]);
    assert_eq!(names("M25P16-VMN6P"), ["M25P16"]);
    assert_eq!(look_up("M25P160"), None);
}

#[test]
fn what_the_table_does_not_know_is_not_guessed() {
    for text in [
        "",
        "   ",
        "?",
        "1842",
        "25Q",
        "W25Q",
        "LM358",
        "NE555P",
        "W25Q128ZZSIQ",
        "\u{2460}\u{b5}",
    ] {
        assert_eq!(look_up(text), None, "{text}");
    }
}

/// No beginning of a 1.8 V part may be taken for a 3 V part, or the other way round.
#[test]
fn every_marking_in_the_table_means_its_own_supply() {
    let catalogue = Catalogue::builtin().unwrap();
    for part in catalogue.parts() {
        for start in &part.markings {
            for text in [start.clone(), format!("{start}SIG"), format!("{start}-SIG")] {
                let marking = catalogue.by_marking(&text).unwrap();
                let own = marking.candidates.iter().any(|c| c.name == part.name);
                assert!(own, "{text} is not {}", part.name);
                let supply = marking.supply();
                let safe = supply.is_empty()
                    || supply.min >= part.supply.min && supply.max <= part.supply.max;
                assert!(safe, "{text}: {supply}, {} {}", part.name, part.supply);
            }
        }
    }
}
