//! The person at the bench: knows what was typed, and does what the program says.
//!
//! Everything is read from the stop as it is shown: what to do next, and which interlocks hold. What the
//! bench is really like is not asked; to seat the clip, to wait or to free space mends what can be mended
//! by it.

use norlock::interlock::Acceptable;
use norlock::job::{ProtectOrder, Stop};

use super::command::{Command, Options};

/// What the person does next.
#[derive(Debug)]
pub enum Next {
    /// Mends what was named, and gives the same command line again.
    Again,
    /// Gives these first, in this order.
    First(Vec<Command>),
    /// Gives this and does not come back.
    Instead(Command),
    /// The program says that it cannot be done.
    CannotBeDone,
    /// Nothing in it tells what to do.
    AtALoss,
}

#[derive(Debug, Default)]
pub struct Person {
    pub options: Options,
    /// The chip holds something else than the last backup for a known reason: it was written, or the board
    /// has run.
    pub changed: bool,
    /// The write or restore that did not end.
    pub begun: Option<Command>,
    /// Takes the way back where there is a choice.
    pub gives_up: bool,
    /// The restore that goes over blocks which differed, if they do again.
    over: Option<Command>,
}

/// What only mends the bench, and leads to the same command.
const MENDS: [&str; 21] = [
    "norlock contact",
    "Try again",
    "try again",
    "Free space",
    "free space",
    "Do not trust this disk",
    "use another one",
    "Wait until the other process is done",
    "Wait, then run the same command again",
    "End it",
    "Find the folder that belongs to this chip",
    "Find out which of the two is right",
    "Compare with the copy kept elsewhere",
    "Read the marking again",
    "marking says another part",
    "--accept known-part",
    "--accept weak-reads",
    "Mend",
    "Add the part",
    "Give a higher --sck",
    "Make the image with norlock tailor",
];

impl Person {
    pub fn reads(&mut self, stop: &Stop, command: &Command) -> Next {
        let says = |text: &str| stop.next.contains(text);
        let back = match command {
            Command::Restore { .. } => command.clone(),
            _ => Command::back(),
        };
        if self.takes_it_on(stop) {
            return Next::Again;
        }
        if says("Leave this chip as it is")
            || says("does not know how")
            || says("Ask for one of")
            || says("What was read of a part")
        {
            return Next::CannotBeDone;
        }
        if says("Leave out --until-power-off") || says("leave out --until-power-off") {
            return Self::lasting(command);
        }
        if let Some(over) = goes_over(&stop.next) {
            return match self.over.replace(over.clone()) == Some(over.clone()) {
                true if *command == over => Next::Again,
                true => Next::Instead(over),
                false => Next::Again,
            };
        }
        if says("command that began it") || says("same write command") {
            return match self
                .begun
                .take()
                .filter(|begun| !self.gives_up && begun != command)
            {
                Some(begun) => Next::First(vec![begun]),
                None if command.writes() => Next::Instead(back),
                None => Next::First(vec![back]),
            };
        }
        if says("norlock backup --unit FOLDER. Or go back") {
            // Who has written it or let the board run knows why it differs.
            return match self.changed {
                true if matches!(command, Command::Write) => {
                    Next::First(vec![Command::Backup, Command::Tailor])
                }
                true => Next::First(vec![Command::Backup]),
                false => Next::Instead(back),
            };
        }
        if says("norlock backup") {
            return Next::First(vec![Command::Backup]);
        }
        if says("tailor --replace") {
            return Next::First(vec![Command::Tailor]);
        }
        if says("then look: norlock protect") || says("Then how it stands: norlock protect") {
            return Next::First(vec![Command::Protection]);
        }
        let goes_back = says("norlock restore");
        let same = says("same command") || says("starts over") || says("goes on from here");
        if goes_back && (!same || self.gives_up) {
            return if *command == back {
                Next::Again
            } else {
                Next::Instead(back)
            };
        }
        // Whether wires misled it, so that it is none, the oracle judges.
        if says("This is a fault of norlock") {
            return Next::Again;
        }
        if same || MENDS.iter().any(|mends| says(mends)) {
            return Next::Again;
        }
        Next::AtALoss
    }

    /// Options that the next step asks for, where a careful person gives them: who holds the unit in hand
    /// knows which it is, and which block its map shares. A part or size that is in doubt is not taken on
    /// somebody's word.
    fn takes_it_on(&mut self, stop: &Stop) -> bool {
        let says = |text: &str| stop.next.contains(text);
        if says("--lift-protection") && !self.options.lift_protection {
            self.options.lift_protection = true;
            return true;
        }
        for one in [
            Acceptable::SameUnit,
            Acceptable::SharedBlock,
            Acceptable::NoUnitData,
        ] {
            let reason = "gauge-07: number on the sticker, and the map was looked at";
            if says(&format!("--accept {}", one.name())) {
                let before = self
                    .options
                    .accepted
                    .insert(one.name(), (one, reason.into()));
                return before.is_none();
            }
        }
        false
    }

    fn lasting(command: &Command) -> Next {
        match command {
            Command::Protect(order) if order.until_power_off => {
                Next::Instead(Command::Protect(ProtectOrder {
                    until_power_off: false,
                    ..order.clone()
                }))
            }
            _ => Next::CannotBeDone,
        }
    }
}

/// The line that is to be typed where the same blocks differ again.
fn goes_over(next: &str) -> Option<Command> {
    let (_, line) = next.split_once("differ again")?;
    let (_, options) = line.split_once("norlock restore --unit FOLDER")?;
    let (mut to, mut replacement, mut rewrite) = (1, false, Vec::new());
    let mut words = options.split_whitespace();
    while let Some(word) = words.next() {
        match word {
            "--to" => to = words.next()?.parse().ok()?,
            "--replacement" => replacement = true,
            "--rewrite" => {
                let (start, end) = words.next()?.split_once("..")?;
                let number = |text: &str| u32::from_str_radix(text.strip_prefix("0x")?, 16).ok();
                rewrite.push(number(start)?..number(end)?);
            }
            _ => {}
        }
    }
    Some(Command::Restore {
        to,
        replacement,
        rewrite,
    })
}
