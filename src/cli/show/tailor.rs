//! `tailor`

use crate::cli::figures::{count, size};
use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::cli::wrap::COLUMNS;
use crate::image::{
    Becomes, Entry, Form, Hatch, Holds, PlacedPiece, RegionChange, Span, Staff, Tailored,
};
use crate::jedec::Address;
use crate::job::TailorReport;

/// What becomes of the flash, as a picture; what was put where; and the borders of regions.
pub fn tailor(report: &TailorReport, typed: &Typed) -> Screen {
    let tailored = &report.tailored;
    let changed = match tailored.regions.len() {
        1 => "1 region changes".to_owned(),
        number => format!("{number} regions change"),
    };
    let (target, unit, baseline) = (&report.target, &report.unit, &report.baseline);
    let mut screen = Screen::new(format!(
        "{target} of {unit} is made from {baseline}. {changed}, all else stays as found."
    ));
    for line in picture(report).lines() {
        screen = screen.line(line);
    }
    screen = screen.line("");
    for line in table(&tailored.regions) {
        screen = screen.line(line);
    }
    let pieces = tailored.regions.iter().flat_map(|region| &region.pieces);
    for piece in pieces {
        screen = screen.row("piece", placed(piece));
    }
    if report.took_map {
        screen = screen.row("map", "regions.toml is the unit's own from now on");
    }
    for border in borders(tailored) {
        screen = screen.row("border", border);
    }
    screen
        .hash("SHA-256", &tailored.sha256)
        .next(typed.command(&format!("worklist {target}")))
}

/// The flash as it will be, and how that differs.
fn picture(report: &TailorReport) -> Staff {
    let mut staff = Staff::new(size);
    let mut kept = report.kept.iter().peekable();
    for region in &report.tailored.regions {
        while let Some(span) = kept.next_if(|span| span.range.start < region.range.start) {
            staff.push(kept_entry(span));
        }
        changed_entries(region, report.tailored.erase_size_bytes, &mut staff);
    }
    kept.for_each(|span| staff.push(kept_entry(span)));
    staff
}

fn kept_entry(span: &Span) -> Entry {
    let column = match span.holds {
        Holds::UnitData => "as found: unit data",
        _ => "as found",
    };
    Entry {
        address: span.range.start,
        label: span.name().to_owned(),
        amount: u64::from(span.range.end - span.range.start),
        columns: vec![column.to_owned()],
        hatch: Hatch::from(span.holds),
    }
}

fn changed_entries(region: &RegionChange, erase_size_bytes: u32, staff: &mut Staff) {
    let mut label = region.name.clone();
    for part in &region.parts {
        let (column, hatch) = becomes(part.becomes);
        staff.push(Entry {
            address: part.range.start,
            label: std::mem::take(&mut label),
            amount: u64::from(part.range.end - part.range.start),
            columns: vec![column.to_owned()],
            hatch,
        });
    }
    if region.part_block_bytes > erase_size_bytes {
        let block = size(u64::from(region.part_block_bytes));
        staff.note(None, &format!("many changes; shown by blocks of {block}"));
    }
}

const fn becomes(what: Becomes) -> (&'static str, Hatch) {
    match what {
        Becomes::AsFound => ("as found", Hatch::Rising),
        Becomes::StaysBlank => ("blank as before", Hatch::Empty),
        Becomes::New => ("new", Hatch::Level),
        Becomes::NewWhereBlank => ("new, blank before", Hatch::Upright),
        Becomes::NowBlank => ("blank, not before", Hatch::Falling),
    }
}

/// The figures of each region, in columns.
fn table(regions: &[RegionChange]) -> Vec<String> {
    let heads = ["", "pieces", "bytes differ", "blank was", "blank is"];
    let mut rows = vec![heads.map(str::to_owned)];
    rows.extend(regions.iter().map(|region| {
        let pieces = region.pieces.iter().map(|piece| piece.size_bytes);
        [
            region.name.clone(),
            size(pieces.sum()),
            count(region.changed_bytes),
            size(region.blank_before_bytes),
            size(region.blank_bytes),
        ]
    }));
    let width = |column: usize| {
        let cells = rows.iter().map(|row| row[column].len());
        cells.max().unwrap_or(0)
    };
    let widths: [usize; 5] = std::array::from_fn(width);
    let figures: usize = widths.iter().skip(1).map(|width| width + 2).sum();
    // A name that is too long for that stands on a line of its own.
    let name_max = (COLUMNS - 2).saturating_sub(figures);
    let name_width = widths[0].min(name_max);
    let mut lines = Vec::new();
    for [name, figures @ ..] in &rows {
        let mut name = name.as_str();
        if name.len() > name_width {
            lines.push(format!("  {name}"));
            name = "";
        }
        let mut line = format!("  {name:<name_width$}");
        for (figure, width) in figures.iter().zip(&widths[1..]) {
            line.push_str(&format!("  {figure:>width$}"));
        }
        lines.push(line);
    }
    lines
}

/// How a piece was read, and where it lies.
fn placed(piece: &PlacedPiece) -> String {
    let form = match piece.form {
        Form::Raw => "read as raw bytes",
        Form::IntelHex => "read as Intel HEX",
        Form::SRecord => "read as S-records",
    };
    let length = u64::from(piece.range.end - piece.range.start);
    let gaps = match length - piece.size_bytes {
        0 => String::new(),
        gaps => format!(", with gaps of {}", size(gaps)),
    };
    format!(
        "{} {form}, {} at {}{gaps}",
        piece.file,
        size(piece.size_bytes),
        Address(piece.range.start)
    )
}

/// Whether regions begin and end where erase blocks do.
fn borders(tailored: &Tailored) -> Vec<String> {
    if tailored.unaligned.is_empty() {
        let block = size(u64::from(tailored.erase_size_bytes));
        return vec![format!("every region keeps to erase blocks of {block}")];
    }
    tailored.unaligned.iter().map(ToString::to_string).collect()
}
