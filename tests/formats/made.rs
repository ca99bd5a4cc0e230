//! Files that tools made, and images around them.

use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};

use norlock::image::ReadAt;
use norlock::image::formats::Format::{self, *};
use norlock::image::formats::{Finding, find};

/// Where the file stands in the image: a sector's start, as file systems have it.
pub const OFFSET: usize = 0x3_1200;

/// A file, what it is, and what is said of it.
pub struct Made {
    pub name: &'static str,
    pub format: Format,
    pub sentence: &'static str,
}

const fn made(name: &'static str, format: Format, sentence: &'static str) -> Made {
    Made {
        name,
        format,
        sentence,
    }
}

/// Every file that `tests/data/formats/make` makes.
pub const ALL: [Made; 26] = [
    made(
        "gauge-ec.der",
        Der,
        "DER structure, private key, PKCS #8; its lengths agree",
    ),
    made(
        "gauge-ed25519.der",
        Der,
        "DER structure, private key, PKCS #8; its lengths agree",
    ),
    made(
        "gauge-encrypted.der",
        Der,
        "DER structure, encrypted private key, PKCS #8; its lengths agree",
    ),
    made(
        "gauge-encrypted.key",
        Pem,
        "PEM text, RSA PRIVATE KEY; its own size ends at the blank",
    ),
    made(
        "gauge-pkcs8.der",
        Der,
        "DER structure, private key, PKCS #8; its lengths agree",
    ),
    made(
        "gauge-rsa-1024.der",
        Der,
        "DER structure, RSA private key, PKCS #1; its lengths agree",
    ),
    made(
        "gauge-rsa-3072.der",
        Der,
        "DER structure, RSA private key, PKCS #1; its lengths agree",
    ),
    made(
        "gauge-rsa.der",
        Der,
        "DER structure, RSA private key, PKCS #1; its lengths agree",
    ),
    made(
        "gauge-sec1-prime256v1.der",
        Der,
        "DER structure, EC private key, SEC 1; its lengths agree",
    ),
    made(
        "gauge-sec1-secp521r1.der",
        Der,
        "DER structure, EC private key, SEC 1; its lengths agree",
    ),
    made("gauge.crt", Der, "DER structure; its lengths agree"),
    made(
        "gauge.dtb",
        Devicetree,
        "devicetree blob; its length and structure agree",
    ),
    made("gauge.key", Pem, "PEM text, PRIVATE KEY; its length agrees"),
    made("gauge.pem", Pem, "PEM text; its length agrees"),
    made(
        "system-be.jffs2.packed",
        Jffs2,
        "run of JFFS2 nodes; its checksums agree",
    ),
    made(
        "system-le.jffs2",
        Jffs2,
        "run of JFFS2 nodes; its checksums agree",
    ),
    made("system.cramfs", Cramfs, "cramfs; its CRC-32 agrees"),
    made(
        "system.ext2.packed",
        Ext,
        "ext file system; its own size ends at the blank",
    ),
    made(
        "system.ext4.packed",
        Ext,
        "ext file system; its superblock CRC-32C agrees",
    ),
    made(
        "system.squashfs",
        Squashfs,
        "SquashFS; its own size ends at the blank",
    ),
    made(
        "system.ubi.packed",
        Ubi,
        "run of UBI erase blocks; its checksums agree",
    ),
    made("tides.gz", Gzip, "gzip stream; its length and CRC-32 agree"),
    made("tides.lz4", Lz4, "LZ4 frame; its content checksum agrees"),
    made("tides.lzma", Lzma, "LZMA stream; its end mark agrees"),
    made("tides.xz", Xz, "xz stream; its index and CRC-64 agree"),
    made(
        "tides.zst",
        Zstd,
        "Zstandard frame; its own size ends at the blank",
    ),
];

pub fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/formats")
}

/// A file of `folder`; one whose name ends with `.packed` is unpacked.
pub fn read(folder: &Path, name: &str) -> Vec<u8> {
    let bytes = fs::read(folder.join(name)).unwrap();
    if !name.ends_with(".packed") {
        return bytes;
    }
    let mut unpacked = Vec::new();
    let mut decoder = flate2::read::GzDecoder::new(bytes.as_slice());
    decoder.read_to_end(&mut unpacked).unwrap();
    unpacked
}

/// A file of `tests/data/formats`.
pub fn vector(name: &str) -> Vec<u8> {
    read(&folder(), name)
}

/// `content` at [`OFFSET`] in a blank image.
pub fn image(content: &[u8]) -> Vec<u8> {
    let mut image = vec![0xFF; OFFSET];
    image.extend(content);
    image.resize(image.len() + 0x1_0000, 0xFF);
    image
}

/// What is found in an image.
pub fn found(image: &dyn ReadAt) -> Vec<Finding> {
    let findings = find(image).unwrap();
    assert_eq!(findings.more, 0);
    findings.listed
}

/// The one thing that is found in an image.
pub fn only(image: &dyn ReadAt) -> Finding {
    let mut listed = found(image);
    assert_eq!(listed.len(), 1, "{listed:#?}");
    listed.remove(0)
}
