//! `wiring`: the chip seen from above and where each of its eight pins goes.
//!
//! Pins of the chip are those of every package of eight; `docs/wiring.md` names the datasheets, and a test
//! holds the two together. Pins of the header and values of the small parts are common practice, no source.

use serde::Serialize;

use crate::image::{CELL, Hatch, Item, LINE, MARGIN, Picture};
use crate::interlock::Power;

/// What lies in a wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Within {
    /// Nothing.
    Nothing,
    /// A resistor in series, at the header's end.
    Series,
    /// A pull-up to the chip's own VCC, and nothing else.
    PullUp,
}

/// Where one pin of the chip goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Wire {
    /// Pin of the chip, in a package of eight.
    pub pin: u8,
    /// Its signal.
    pub signal: &'static str,
    /// Pin of the 40-pin header; `None` for a wire that does not go there.
    pub header: Option<u8>,
    /// What the pin of the header is called, or what else is at the end.
    pub end: &'static str,
    /// What lies in it.
    pub within: Within,
}

/// The eight wires of a power arrangement.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Wiring {
    /// Where the supply comes from.
    pub power: Power,
    /// By pin of the chip.
    pub wires: [Wire; 8],
}

/// The wires to the usual SPI0 of a 40-pin header.
#[must_use]
pub fn wiring(power: Power) -> Wiring {
    let wire = |pin, signal, header, end, within| Wire {
        pin,
        signal,
        header,
        end,
        within,
    };
    let (supply, end) = match power {
        Power::Clip | Power::Socket => (Some(17), "3.3 V"),
        Power::External => (None, "supply"),
        Power::BoardHeldInReset => (None, "the board"),
    };
    Wiring {
        power,
        wires: [
            wire(1, "CS#", Some(24), "CE0", Within::Series),
            wire(2, "DO", Some(21), "MISO", Within::Series),
            wire(3, "WP#", None, "VCC", Within::PullUp),
            wire(4, "GND", Some(25), "GND", Within::Nothing),
            wire(5, "DI", Some(19), "MOSI", Within::Series),
            wire(6, "CLK", Some(23), "SCLK", Within::Series),
            wire(7, "HOLD#", None, "VCC", Within::PullUp),
            wire(8, "VCC", supply, end, Within::Nothing),
        ],
    }
}

/// What the small parts in the picture are.
const SMALL_PARTS: [(&str, &str); 3] = [
    ("R", "33 to 100 ohm in series, at the header's end"),
    ("P", "10 kilohm to the chip's own VCC; CS# has one too"),
    ("C", "100 nF from VCC to GND, at the chip (not drawn)"),
];

fn small_parts() -> impl Iterator<Item = String> {
    let parts = SMALL_PARTS.iter();
    parts.map(|(name, what)| format!("  {name}  {what}"))
}

impl Wire {
    /// The pin of the header and its name, as in `24 CE0`.
    fn far_end(&self) -> String {
        match self.header {
            Some(pin) => format!("{pin} {}", self.end),
            None => self.end.to_owned(),
        }
    }

    /// The wire in text.
    fn drawn(&self) -> &'static str {
        match self.within {
            // The clip's supply wire is not connected where the board feeds the chip.
            Within::Nothing if self.pin == 8 && self.end == "the board" => "- open",
            Within::Nothing => "-------",
            Within::Series => "--[R]--",
            Within::PullUp => "--[P]--",
        }
    }
}

impl Wiring {
    /// The package and its wires, with what the small parts are, in lines of at most 60 columns.
    #[must_use]
    pub fn lines(&self) -> Vec<String> {
        let mut lines = vec![format!("  {0:<22}.-------.{1:16}{0}", "header", "")];
        let rows = self.wires.iter().take(4).zip(self.wires.iter().rev());
        for (left, right) in rows {
            let dot = if left.pin == 1 { "o" } else { " " };
            let line = format!(
                "  {:<7} {:<7} {:<4} {}|{dot}      |{} {:<5} {:<7} {}",
                left.far_end(),
                left.drawn(),
                left.signal,
                left.pin,
                right.pin,
                right.signal,
                right.drawn(),
                right.far_end()
            );
            lines.push(line.trim_end().to_owned());
        }
        lines.push(format!("{:24}'-------'", ""));
        lines.extend(small_parts());
        lines
    }

    /// The same without the picture, a wire a line, for a narrow terminal.
    #[must_use]
    pub fn list(&self) -> Vec<String> {
        let wire = |one: &Wire| {
            let line = format!(
                "  {}  {:<5}  {:<7} {}",
                one.pin,
                one.signal,
                one.drawn(),
                one.far_end()
            );
            line.trim_end().to_owned()
        };
        self.wires.iter().map(wire).chain(small_parts()).collect()
    }

    /// What to mind with these wires, the most dangerous first.
    #[must_use]
    pub fn cautions(&self) -> Vec<&'static str> {
        let own = match self.power {
            Power::Clip => {
                "The header alone feeds the chip: the board's own supply off, its battery out, no mains plug in."
            }
            Power::Socket => "The header alone feeds the chip, which is off its board.",
            Power::External => {
                "The bench supply alone feeds the chip: the board's own off, its battery out, no mains plug in. \
                 The header's 3.3 V stays open; the grounds are joined."
            }
            Power::BoardHeldInReset => {
                "The board alone feeds the chip, from an isolated supply of low voltage, never with mains on \
                 it; its processor is held in reset. The header's 3.3 V stays open; join the grounds first."
            }
        };
        vec![
            own,
            "Read the marking first: a 1.8 V part does not bear 3.3 V.",
            "Pins 2 and 4 of the header carry 5 V: keep away.",
            "On: GND, supply, then CS#, CLK, DI, DO. Off: the other way round.",
            "The header's pins are common practice: compare with the bench computer's own documentation, and \
             measure.",
        ]
    }

    /// The package and its wires as a picture.
    #[must_use]
    pub fn picture(&self) -> Picture {
        let title = format!("Eight wires, power {}", self.power);
        let mut picture = Picture::new(&title, &self.lines().join("\n"));
        picture.words(MARGIN, MARGIN + LINE / 2, &title, true);
        let top = MARGIN + 3 * LINE;
        let right = PACKAGE + PACKAGE_WIDTH + PIN + 6 * CELL + WIRE + CELL;
        for (x, heading) in [
            (MARGIN, "header"),
            (PACKAGE - CELL / 2, "chip from above"),
            (right, "header"),
        ] {
            picture.words(x, top - LINE / 2 - 4, heading, false);
        }
        picture.put(Item::Area {
            x: PACKAGE,
            y: top,
            width: PACKAGE_WIDTH,
            height: 4 * PITCH,
            hatch: Hatch::Empty,
        });
        picture.put(Item::Dot {
            x: PACKAGE + 3 * CELL,
            y: top + PITCH / 2,
            radius: 5,
        });
        for (row, (left, right)) in
            (0..).zip(self.wires.iter().take(4).zip(self.wires.iter().rev()))
        {
            let y = top + PITCH / 2 + row * PITCH;
            left.draw_left(y, &mut picture);
            right.draw_right(y, &mut picture);
        }
        let mut y = top + 4 * PITCH + LINE + LINE / 2;
        for (name, what) in SMALL_PARTS {
            if let Some(hatch) = hatch(name) {
                resistor(MARGIN, y, hatch, &mut picture);
            }
            picture.words(MARGIN + RESISTOR + CELL, y, what, false);
            y += LINE;
        }
        picture
    }
}

/// Left edge of the package.
const PACKAGE: u32 = MARGIN + 26 * CELL;
/// Its width.
const PACKAGE_WIDTH: u32 = 14 * CELL;
/// From pin to pin.
const PITCH: u32 = 36;
/// Length of a pin.
const PIN: u32 = 10;
/// Length of a wire.
const WIRE: u32 = 10 * CELL;
/// Length of a resistor.
const RESISTOR: u32 = 4 * CELL;

/// The sign of a small part.
fn hatch(name: &str) -> Option<Hatch> {
    match name {
        "R" => Some(Hatch::Empty),
        "P" => Some(Hatch::Rising),
        _ => None,
    }
}

fn resistor(x: u32, y: u32, hatch: Hatch, picture: &mut Picture) {
    picture.put(Item::Area {
        x,
        y: y - 6,
        width: RESISTOR,
        height: 13,
        hatch,
    });
}

fn stroke(x: u32, y: u32, length: u32, picture: &mut Picture) {
    picture.put(Item::Stroke {
        x,
        y: y - 1,
        width: length,
        height: 2,
    });
}

fn width(text: &str) -> u32 {
    u32::try_from(text.len()).unwrap_or(0) * CELL
}

impl Wire {
    fn draw_left(&self, y: u32, picture: &mut Picture) {
        picture.words(PACKAGE + CELL / 2 + 2, y, &self.pin.to_string(), false);
        stroke(PACKAGE - PIN, y, PIN, picture);
        let signal = PACKAGE - PIN - CELL / 2 - width(self.signal);
        picture.words(signal, y, self.signal, true);
        let wire = PACKAGE - PIN - 6 * CELL - WIRE;
        self.draw_wire(wire, y, picture);
        let end = self.far_end();
        picture.words(wire - CELL - width(&end), y, &end, false);
    }

    fn draw_right(&self, y: u32, picture: &mut Picture) {
        let edge = PACKAGE + PACKAGE_WIDTH;
        let pin = self.pin.to_string();
        picture.words(edge - CELL / 2 - 2 - width(&pin), y, &pin, false);
        stroke(edge, y, PIN, picture);
        picture.words(edge + PIN + CELL / 2, y, self.signal, true);
        let wire = edge + PIN + 6 * CELL;
        self.draw_wire(wire, y, picture);
        picture.words(wire + WIRE + CELL, y, &self.far_end(), false);
    }

    fn draw_wire(&self, x: u32, y: u32, picture: &mut Picture) {
        let sign = match self.within {
            Within::Series => Some(Hatch::Empty),
            Within::PullUp => Some(Hatch::Rising),
            Within::Nothing => None,
        };
        let side = (WIRE - RESISTOR) / 2;
        match sign {
            Some(hatch) => {
                stroke(x, y, side, picture);
                resistor(x + side, y, hatch, picture);
                stroke(x + side + RESISTOR, y, side, picture);
            }
            None if self.drawn() == "- open" => stroke(x, y, CELL, picture),
            None => stroke(x, y, WIRE, picture),
        }
    }
}
