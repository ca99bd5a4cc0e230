//! The built program on real folders, with a simulated chip in a file.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod abreast;
mod adding;
mod bad_input;
mod browser;
mod contact;
mod demo;
mod desk;
mod doubts;
mod inspect;
mod interrupted;
mod json;
mod kills;
mod logbook;
mod parts;
mod pieces;
mod protect;
mod sfdp;
mod shelf;
mod simulated_run;
mod survey;
mod terminal;
mod unit_folder;
mod walkthrough;
