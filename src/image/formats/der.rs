//! Keys and certificates as DER structures, X.690.
//!
//! Looked for are those whose outermost parts end exactly where they have to: certificates, RFC 5280;
//! private keys of RSA, of elliptic curves and of RFC 8410, in RFC 5958; those that a password
//! encrypts, PKCS #5 of RFC 8018; RSA private keys alone, RFC 8017, A.1.2; keys of the curves P-256,
//! P-384, P-521 and secp256k1 alone, RFC 5915. Not found are keys of DSA, and those in PKCS #12.

use super::place::{Look, Place};
use super::{Checked, Finding, Format, pem};

/// Where the mark stands in a certificate: behind two headers of four bytes.
pub(super) const CERTIFICATE_AT: u64 = 8;
/// Version 3, and a serial number.
pub(super) const CERTIFICATE: &[u8] = &[0xA0, 0x03, 0x02, 0x01, 0x02, 0x02];
/// What gives keys away, and where it may stand. A header takes two to four bytes, the outermost of an
/// RSA key always four.
pub(super) const KEYS: [(&[u8], &[u64]); 10] = [
    // Version 0, and the algorithm rsaEncryption.
    (
        &[
            0x02, 0x01, 0x00, 0x30, 0x0D, 0x06, 0x09, 0x2A, 0x86, 0x48, 0x86, 0xF7, 0x0D, 0x01,
            0x01, 0x01, 0x05, 0x00, 0x04, 0x82,
        ],
        &[4],
    ),
    // Version 0, and a modulus of 128 to 255 bytes, or of more.
    (&[0x02, 0x01, 0x00, 0x02, 0x81], &[4]),
    (&[0x02, 0x01, 0x00, 0x02, 0x82], &[4]),
    // The algorithm id-ecPublicKey, behind version and header.
    (
        &[0x06, 0x07, 0x2A, 0x86, 0x48, 0xCE, 0x3D, 0x02, 0x01],
        &[9, 8, 7],
    ),
    // Version 0 or 1, and an algorithm of RFC 8410.
    (
        &[0x02, 0x01, 0x00, 0x30, 0x05, 0x06, 0x03, 0x2B, 0x65],
        &[4, 3, 2],
    ),
    (
        &[0x02, 0x01, 0x01, 0x30, 0x05, 0x06, 0x03, 0x2B, 0x65],
        &[4, 3, 2],
    ),
    // An encryption of PKCS #5, behind a header.
    (
        &[0x06, 0x09, 0x2A, 0x86, 0x48, 0x86, 0xF7, 0x0D, 0x01, 0x05],
        &[6, 5, 4],
    ),
    // Version 1, and a number of 256, 384 or 521 bits.
    (&[0x02, 0x01, 0x01, 0x04, 0x20], &[4, 3, 2]),
    (&[0x02, 0x01, 0x01, 0x04, 0x30], &[4, 3, 2]),
    (&[0x02, 0x01, 0x01, 0x04, 0x42], &[4, 3, 2]),
];

const SEQUENCE: u8 = 0x30;
const INTEGER: u8 = 0x02;
const OCTETS: u8 = 0x04;
const BITS: u8 = 0x03;
/// Attributes, or the curve.
const FIRST: u8 = 0xA0;
/// The public key beside the number alone (SEC 1): the tag is explicit.
const SECOND: u8 = 0xA1;
/// The public key in PKCS #8 (RFC 5958): the tag is implicit.
const PUBLIC: u8 = 0x81;

/// Parts, and what has such parts.
const KINDS: [(&[u8], &str, bool); 10] = [
    (&[SEQUENCE, SEQUENCE, BITS], "certificate", false),
    (&[INTEGER, SEQUENCE, OCTETS], PKCS8, true),
    (&[INTEGER, SEQUENCE, OCTETS, FIRST], PKCS8, true),
    (&[INTEGER, SEQUENCE, OCTETS, PUBLIC], PKCS8, true),
    (&[INTEGER, SEQUENCE, OCTETS, FIRST, PUBLIC], PKCS8, true),
    (&[SEQUENCE, OCTETS], "encrypted private key, PKCS #8", true),
    (&[INTEGER; 9], "RSA private key, PKCS #1", true),
    (&[INTEGER, OCTETS, FIRST, SECOND], SEC1, true),
    (&[INTEGER, OCTETS, FIRST], SEC1, true),
    (&[INTEGER, OCTETS, SECOND], SEC1, true),
];
const PKCS8: &str = "private key, PKCS #8";
const SEC1: &str = "EC private key, SEC 1";

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(header) = place.array::<4>(0)? else {
        return Ok(None);
    };
    let mut at = match header[1] {
        ..=0x80 => 2,
        0x81 => 3,
        0x82 => 4,
        _ => return Ok(None),
    };
    let Some(size_bytes) = pem::der_bytes(&header) else {
        return Ok(None);
    };
    let mut parts = Vec::new();
    while at < size_bytes && parts.len() <= 9 {
        let Some((tag, next)) = part(place, at)? else {
            return Ok(None);
        };
        parts.push(tag);
        at = next;
    }
    let kind = KINDS.iter().find(|(wanted, ..)| *wanted == parts);
    let Some((_, name, secret)) = kind.filter(|_| at == size_bytes) else {
        return Ok(None);
    };
    if size_bytes > place.left_bytes() {
        return Ok(None);
    }
    let checked = Checked::Agrees("lengths");
    let mut found = Finding::new(place.offset, Format::Der, Some(size_bytes), checked);
    found.detail = (*name).to_owned();
    found.is_secret = *secret;
    Ok(Some(found))
}

/// The tag at `at`, and where what follows its content begins.
fn part(place: &Place<'_>, at: u64) -> Look<Option<(u8, u64)>> {
    let mut header = [0; 6];
    let left = place.left_bytes().saturating_sub(at);
    let length = usize::try_from(left).map_or(header.len(), |left| left.min(header.len()));
    let bytes = header.get_mut(..length).unwrap_or_default();
    place.read(at, bytes)?;
    let Some(tag) = bytes.first_mut() else {
        return Ok(None);
    };
    // The length is written alike behind every tag.
    let tag = std::mem::replace(tag, SEQUENCE);
    Ok(pem::der_bytes(bytes).map(|length| (tag, at + length)))
}
