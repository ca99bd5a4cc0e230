//! `wiring`

use std::path::Path;

use crate::cli::screen::Screen;
use crate::cli::wrap::COLUMNS;
use crate::job::Wiring;

/// The package, the wires, and what to mind before the first of them, on a terminal of `width` columns.
pub fn wiring(wiring: &Wiring, kept: Option<&Path>, width: usize) -> Screen {
    let mut screen = Screen::new(format!(
        "The chip from above and its eight wires, for --power {}.",
        wiring.power
    ));
    let lines = match width {
        COLUMNS.. => wiring.lines(),
        _ => wiring.list(),
    };
    for line in lines {
        screen = screen.line(line);
    }
    for caution in wiring.cautions() {
        screen = screen.row("mind", caution);
    }
    if let Some(file) = kept {
        screen = screen.row("kept", format!("as a picture in {}", file.display()));
    }
    screen.next("Read docs/cautions.md and docs/wiring.md before the first wire.")
}
