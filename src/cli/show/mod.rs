//! The screens: how each report reads. Wording and looks only; the reports say what is true.

mod abreast;
mod backup;
mod check;
mod contact;
mod id;
mod inspect;
mod logbook;
mod parts;
mod protect;
mod sfdp;
mod shelf;
mod stop;
mod survey;
mod tailor;
mod verify;
mod wiring;
mod worklist;
mod write;

pub use abreast::abreast;
pub use backup::backup;
pub use check::check;
pub use contact::contact;
pub use id::id;
pub use inspect::{compared, inspected};
pub use logbook::{logbook, shelf};
pub use parts::{Fitting, Found, checked, parts};
pub use protect::protect;
pub use sfdp::sfdp;
pub use shelf::shelf_row;
pub use stop::stop;
pub use survey::survey;
pub use tailor::tailor;
pub use verify::verify;
pub use wiring::wiring;
pub use worklist::worklist;
pub use write::written;
