//! What goes into which region: the options of `tailor`, gathered by region.

use super::args::TailorArgs;
use crate::job::{Exit, Stop, TailorOrder};

/// One order for each region that an option names, in the order of the options.
///
/// # Errors
/// A [`Stop`] if an option is given twice for one region.
pub fn orders(args: &TailorArgs) -> Result<Vec<TailorOrder>, Stop> {
    let pieces = args.piece.iter().map(|piece| &piece.region);
    let hashes = args.sha256.iter().map(|hash| &hash.region);
    let fills = args.fill.iter().map(|fill| &fill.region);
    let mut regions: Vec<&String> = Vec::new();
    for region in pieces.chain(hashes).chain(fills) {
        if !regions.contains(&region) {
            regions.push(region);
        }
    }
    regions
        .into_iter()
        .map(|region| order(args, region))
        .collect()
}

fn order(args: &TailorArgs, region: &str) -> Result<TailorOrder, Stop> {
    let pieces = args.piece.iter().filter(|piece| piece.region == region);
    let hashes = args.sha256.iter().filter(|hash| hash.region == region);
    let fills = args.fill.iter().filter(|fill| fill.region == region);
    Ok(TailorOrder {
        region: region.to_owned(),
        piece: only(pieces, "piece", region)?.map(|piece| piece.file.clone()),
        sha256: only(hashes, "sha256", region)?.map(|hash| hash.digest),
        fill: only(fills, "fill", region)?.map(|fill| fill.byte),
    })
}

fn only<T>(
    mut given: impl Iterator<Item = T>,
    option: &str,
    region: &str,
) -> Result<Option<T>, Stop> {
    let first = given.next();
    if given.next().is_none() {
        return Ok(first);
    }
    let next = "Give it once; several pieces are joined into one file first.";
    let headline = format!("--{option} is given twice for region '{region}'.");
    Err(Stop::new(Exit::Usage, headline, next))
}
