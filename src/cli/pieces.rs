//! What goes into which region: the options of `tailor`, gathered by region.

use super::args::{PiecePlace, RegionDigest, RegionPiece, TailorArgs};
use crate::job::{Exit, PieceOrder, Stop, TailorOrder};

/// One order for each region that an option names, in the order of the options.
///
/// # Errors
/// A [`Stop`] if something is given twice, or a hash without its piece, or a piece without its hash.
pub fn orders(args: &TailorArgs) -> Result<Vec<TailorOrder>, Stop> {
    each_once(args.piece.iter().map(|piece| &piece.place), "piece")?;
    each_once(args.sha256.iter().map(|hash| &hash.place), "sha256")?;
    let stray = |hash: &&RegionDigest| {
        let mut pieces = args.piece.iter();
        !pieces.any(|piece| piece.place.is_at(&hash.place))
    };
    if let Some(stray) = args.sha256.iter().find(stray) {
        let place = &stray.place;
        let next = format!("Give it: --piece {place}=FILE, with the same REGION+OFFSET.");
        return usage(
            format!("There is no piece that --sha256 {place} is for."),
            next,
        );
    }
    let pieces = args.piece.iter().map(|piece| &piece.place.region);
    let fills = args.fill.iter().map(|fill| &fill.region);
    let mut regions: Vec<&String> = Vec::new();
    for region in pieces.chain(fills) {
        if !regions.contains(&region) {
            regions.push(region);
        }
    }
    let orders = regions.into_iter().map(|region| order(args, region));
    orders.collect()
}

fn order(args: &TailorArgs, region: &str) -> Result<TailorOrder, Stop> {
    let pieces = args
        .piece
        .iter()
        .filter(|piece| piece.place.region == region);
    let mut fills = args.fill.iter().filter(|fill| fill.region == region);
    let rest = fills.next().map(|fill| fill.rest);
    if fills.next().is_some() {
        let headline = format!("--fill is given twice for region '{region}'.");
        return usage(headline, "Give it once.".into());
    }
    Ok(TailorOrder {
        region: region.to_owned(),
        pieces: pieces
            .map(|piece| piece_order(args, piece))
            .collect::<Result<_, _>>()?,
        rest,
    })
}

fn piece_order(args: &TailorArgs, piece: &RegionPiece) -> Result<PieceOrder, Stop> {
    let place = &piece.place;
    let hash = args.sha256.iter().find(|hash| hash.place.is_at(place));
    let Some(hash) = hash else {
        let headline = format!(
            "No SHA-256 was given for the piece {}.",
            piece.file.display()
        );
        let next = format!(
            "Take it from whoever made the piece, of the file as it was published: --sha256 {place}=DIGITS"
        );
        return usage(headline, next);
    };
    Ok(PieceOrder {
        file: piece.file.clone(),
        offset: place.offset,
        sha256: hash.digest,
    })
}

fn each_once<'a>(places: impl Iterator<Item = &'a PiecePlace>, option: &str) -> Result<(), Stop> {
    let mut seen: Vec<&PiecePlace> = Vec::new();
    for place in places {
        if seen.iter().any(|other| other.is_at(place)) {
            let headline = format!("--{option} {place} is given twice.");
            let next = format!(
                "Say where each piece begins in its region: --{option} {}+OFFSET=...",
                place.region
            );
            return usage(headline, next);
        }
        seen.push(place);
    }
    Ok(())
}

fn usage<T>(headline: String, next: String) -> Result<T, Stop> {
    Err(Stop::new(Exit::Usage, headline, next))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::args::{Cli, Command};

    fn ordered(options: &str) -> Result<Vec<TailorOrder>, Stop> {
        let line = format!("norlock tailor --unit g {options}");
        let Command::Tailor(args) = Cli::from_arguments(line.split(' ')).unwrap().command else {
            panic!("not a tailor")
        };
        orders(&args)
    }

    #[test]
    fn a_place_is_given_once_however_it_is_written() {
        let hash = "5c".repeat(32);
        let hashes = format!("--piece boot=a --sha256 boot={hash} --sha256 boot+0={hash}");
        for (options, twice) in [
            ("--piece boot=a --piece boot+0=b", "--piece boot+0x0"),
            (hashes.as_str(), "--sha256 boot+0x0"),
        ] {
            let stop = ordered(options).unwrap_err();
            let headline = format!("{twice} is given twice.");
            assert_eq!((stop.exit, stop.headline), (Exit::Usage, headline));
        }
    }

    #[test]
    fn other_offsets_and_other_regions_are_other_places() {
        let at = |place: &str| format!("--piece {place}=a --sha256 {place}={}", "5c".repeat(32));
        let options = ["boot", "boot+0x10", "system+0x10"].map(at).join(" ");
        let found = ordered(&options).unwrap();
        let offsets = |order: &TailorOrder| -> Vec<Option<u32>> {
            order.pieces.iter().map(|piece| piece.offset).collect()
        };
        let offsets: Vec<_> = found.iter().map(offsets).collect();
        assert_eq!(offsets, [vec![None, Some(0x10)], vec![Some(0x10)]]);
    }
}
