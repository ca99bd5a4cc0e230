//! What can go wrong with a unit folder.

use std::path::PathBuf;

use super::digest::Digest;
use super::store::StoreError;
use crate::text::TextError;

/// Why a call on a unit folder failed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum UnitError {
    /// A file could not be read or written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// There is no `unit.toml` in the folder.
    #[error("the folder {} is not a unit folder: it has no unit.toml", folder.display())]
    NotAUnit {
        /// The folder.
        folder: PathBuf,
    },
    /// A new unit wants an empty folder.
    #[error("the folder {} already holds {found} and is not a unit folder", folder.display())]
    NotEmpty {
        /// The folder.
        folder: PathBuf,
        /// One of the names in it.
        found: String,
    },
    /// The folder's last component cannot name a unit.
    #[error("the folder {} cannot name a unit: it must be readable text", folder.display())]
    Name {
        /// The folder.
        folder: PathBuf,
    },
    /// The folder bears another name than the unit in it.
    #[error("the folder {} holds the unit {recorded}; a copy under another name is not worked on", folder.display())]
    Renamed {
        /// The folder.
        folder: PathBuf,
        /// The name in unit.toml.
        recorded: String,
    },
    /// Another process works on the unit.
    #[error("the unit folder {} is being worked on by another process", folder.display())]
    InUse {
        /// The folder.
        folder: PathBuf,
    },
    /// The unit was opened to look at only.
    #[error("the folder {} was opened only to look at", folder.display())]
    OnlyViewed {
        /// The folder.
        folder: PathBuf,
    },
    /// A file of the folder does not say what it should.
    #[error(transparent)]
    Text(#[from] TextError),
    /// What is to be kept cannot be put as TOML.
    #[error("unit.toml cannot be written")]
    Encode(#[from] toml::ser::Error),
    /// An image of another size than announced was written.
    #[error("the file {} holds {got_bytes} bytes, {expected_bytes} were announced", path.display())]
    Size {
        /// The unfinished image.
        path: PathBuf,
        /// Bytes announced.
        expected_bytes: u64,
        /// Bytes there are.
        got_bytes: u64,
    },
    /// What was written is not what comes back from the medium.
    #[error(
        "the file {} hashes to {} on the medium, {} was written",
        path.display(),
        .got.groups().join(" "),
        .expected.groups().join(" ")
    )]
    Medium {
        /// The unfinished image.
        path: PathBuf,
        /// The digest of what was handed over.
        expected: Digest,
        /// The digest of what came back.
        got: Digest,
    },
    /// An image is whole and has its name, but unit.toml does not name it yet.
    #[error("{file} is whole, and unit.toml could not be told of it")]
    Unnoted {
        /// Name of the image.
        file: String,
        /// Its digest.
        sha256: Digest,
        /// Why.
        #[source]
        source: Box<Self>,
    },
    /// A hash file does not hold one line of coreutils' form for its image.
    #[error("the file {} is not a hash file for {image}", path.display())]
    HashFile {
        /// The hash file.
        path: PathBuf,
        /// Name of its image.
        image: String,
    },
}
