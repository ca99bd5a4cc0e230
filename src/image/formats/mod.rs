//! Headers of open formats within an image, and what each format's own checks say.
//!
//! One pass looks for the formats' magic numbers; each place found is handed to the reader of its
//! format, which believes nothing: lengths are held against the image, checksums are computed, packed
//! content is decoded. What is decoded is counted and hashed, never kept. A place is listed when its
//! own check holds, or when at least 48 bits of its header are what they have to be, so that random
//! bytes show nothing.

mod cramfs;
mod der;
mod devicetree;
mod elf;
mod ext;
mod gzip;
mod jffs2;
mod lz4;
mod lzma;
mod pem;
mod place;
mod scan;
mod squashfs;
mod ubi;
mod xz;
mod zstd;

pub use scan::{FINDINGS_MAX, find};

use std::fmt;

use serde::Serialize;

/// No decoder is given a larger dictionary.
const DICTIONARY_BYTES_MAX: u64 = 8 << 20;

/// What was found in an image.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Findings {
    /// In address order; at most [`FINDINGS_MAX`].
    pub listed: Vec<Finding>,
    /// How many more there are than are listed.
    pub more: u64,
    /// Places with a magic number that were not looked at: what may be spent on one image was spent.
    pub skipped: u64,
}

/// One thing found: where, what, how long, and what its own checks say.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Finding {
    /// Its first byte, from the start of the image.
    pub offset: u64,
    /// Bytes it takes up, by its own header or by decoding it; `None` where neither tells.
    pub size_bytes: Option<u64>,
    /// What it is.
    pub format: Format,
    /// What its own checks say.
    pub checked: Checked,
    /// A few words more, such as `version 17, 7321 bytes`. Never content.
    pub detail: String,
    /// Nothing but padding stands between its end and blank bytes, or the end of the image.
    pub ends_at_blank: bool,
    /// It is, or by its label holds, a private key.
    #[serde(rename = "secret")]
    is_secret: bool,
}

/// What a format's own checks say.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Checked {
    /// These agree with the content.
    Agrees(&'static str),
    /// One of its own statements does not fit what is there.
    Disagrees {
        /// The statement.
        what: &'static str,
        /// What it says.
        wanted: String,
        /// What is there.
        found: String,
    },
    /// Its packed content makes no sense any more after so many bytes.
    Damaged {
        /// Bytes that could be unpacked.
        after_bytes: u64,
    },
    /// It runs past the end of the image.
    Cut,
    /// The header is sound; why nothing more can be said.
    HeaderOnly(&'static str),
}

impl Checked {
    const TOO_LONG: Self = Self::HeaderOnly("too long to be unpacked here");
    const TOO_MUCH: Self = Self::HeaderOnly("not looked at closely: too much else was");
}

/// An open format.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Format {
    /// cramfs, `cramfs_fs.h` of Linux.
    Cramfs,
    /// A key or certificate in DER, X.690.
    Der,
    /// Flattened devicetree, Devicetree Specification 0.4, chapter 5.
    Devicetree,
    /// System V Application Binary Interface, chapter 4.
    Elf,
    /// ext2, ext3 or ext4, `ext4.h` of Linux.
    Ext,
    /// RFC 1952.
    Gzip,
    /// A run of JFFS2 nodes, `jffs2.h` of Linux.
    Jffs2,
    /// LZ4 Frame Format Description 1.6.4.
    Lz4,
    /// LZMA alone, `lzma-file-format.txt` of XZ Utils.
    Lzma,
    /// RFC 7468.
    Pem,
    /// SquashFS 4, `squashfs_fs.h` of Linux.
    Squashfs,
    /// A run of UBI erase blocks, `ubi-media.h` of Linux.
    Ubi,
    /// The .xz File Format 1.2.1.
    Xz,
    /// RFC 8878.
    Zstd,
}

impl Format {
    /// A file system: what stands in it is its own matter.
    fn holds_files(self) -> bool {
        matches!(
            self,
            Self::Cramfs | Self::Ext | Self::Jffs2 | Self::Squashfs | Self::Ubi
        )
    }
}

impl fmt::Display for Format {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Cramfs => "cramfs",
            Self::Der => "DER structure",
            Self::Devicetree => "devicetree blob",
            Self::Elf => "ELF file",
            Self::Ext => "ext file system",
            Self::Gzip => "gzip stream",
            Self::Jffs2 => "run of JFFS2 nodes",
            Self::Lz4 => "LZ4 frame",
            Self::Lzma => "LZMA stream",
            Self::Pem => "PEM text",
            Self::Squashfs => "SquashFS",
            Self::Ubi => "run of UBI erase blocks",
            Self::Xz => "xz stream",
            Self::Zstd => "Zstandard frame",
        })
    }
}

impl Finding {
    fn new(offset: u64, format: Format, size_bytes: Option<u64>, checked: Checked) -> Self {
        Self {
            offset,
            size_bytes,
            format,
            checked,
            detail: String::new(),
            ends_at_blank: false,
            is_secret: false,
        }
    }

    fn with_detail(mut self, detail: String) -> Self {
        self.detail = detail;
        self
    }

    /// Whether it is a private key: nothing of it may be shown.
    #[must_use]
    pub fn is_secret(&self) -> bool {
        self.is_secret
    }

    /// The finding as a note on a screen, such as `gzip stream; its length and CRC-32 agree`.
    #[must_use]
    pub fn sentence(&self) -> String {
        let format = match self.is_secret {
            true => format!("{}, {}", self.format, self.detail),
            false => self.format.to_string(),
        };
        match &self.checked {
            Checked::Agrees(what) if what.contains(" and ") || what.ends_with('s') => {
                format!("{format}; its {what} agree")
            }
            Checked::Agrees(what) => format!("{format}; its {what} agrees"),
            Checked::Disagrees {
                what,
                wanted,
                found,
            } => format!("{format}; {what}: wanted {wanted}, found {found}"),
            Checked::Damaged { after_bytes } => {
                format!("{format}; damaged after {after_bytes} bytes unpacked")
            }
            Checked::Cut => format!("{format}; runs past the end of the image"),
            Checked::HeaderOnly(_) if self.ends_at_blank => {
                format!("{format}; its own size ends at the blank")
            }
            Checked::HeaderOnly(why) => format!("{format}; {why}"),
        }
    }

    /// Where the things within it end that are no findings of their own: its extent is known, and
    /// nothing speaks against it.
    fn closed_until(&self) -> u64 {
        let closed = match self.checked {
            Checked::Agrees(_) => true,
            Checked::HeaderOnly(_) => self.format.holds_files(),
            // A run is counted as one, its damaged parts too, and one that the image ends in.
            Checked::Disagrees { .. } | Checked::Cut => {
                matches!(self.format, Format::Jffs2 | Format::Ubi)
            }
            Checked::Damaged { .. } => false,
        };
        match self.size_bytes {
            Some(size_bytes) if closed => self.offset.saturating_add(size_bytes),
            _ => self.offset,
        }
    }
}
