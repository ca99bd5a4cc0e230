//! Keys and certificates as DER structures, X.690.
//!
//! Only three are looked for, whose outermost parts end exactly where they have to: certificates,
//! RFC 5280; private keys, RFC 5958; RSA private keys, RFC 8017, A.1.2.

use super::place::{Look, Place};
use super::{Checked, Finding, Format, pem};

/// Where the marks below stand in a certificate and in a key: behind two and one header of four bytes.
pub(super) const CERTIFICATE_AT: u64 = 8;
pub(super) const KEY_AT: u64 = 4;
/// Version 3, and a serial number.
pub(super) const CERTIFICATE: &[u8] = &[0xA0, 0x03, 0x02, 0x01, 0x02, 0x02];
/// Version 0, and the algorithm rsaEncryption.
pub(super) const PRIVATE_KEY: &[u8] = &[
    0x02, 0x01, 0x00, 0x30, 0x0D, 0x06, 0x09, 0x2A, 0x86, 0x48, 0x86, 0xF7, 0x0D, 0x01, 0x01, 0x01,
    0x05, 0x00, 0x04, 0x82,
];
/// Version 0, and a modulus of 256 or 512 bytes.
pub(super) const RSA_KEY_2048: &[u8] = &[0x02, 0x01, 0x00, 0x02, 0x82, 0x01, 0x01, 0x00];
pub(super) const RSA_KEY_4096: &[u8] = &[0x02, 0x01, 0x00, 0x02, 0x82, 0x02, 0x01, 0x00];

const SEQUENCE: u8 = 0x30;
const INTEGER: u8 = 0x02;
const OCTETS: u8 = 0x04;
const BITS: u8 = 0x03;
const ATTRIBUTES: u8 = 0xA0;

/// Parts, and what has such parts.
const KINDS: [(&[u8], &str, bool); 4] = [
    (&[SEQUENCE, SEQUENCE, BITS], "certificate", false),
    (&[INTEGER, SEQUENCE, OCTETS], "private key, PKCS #8", true),
    (
        &[INTEGER, SEQUENCE, OCTETS, ATTRIBUTES],
        "private key, PKCS #8",
        true,
    ),
    (&[INTEGER; 9], "RSA private key, PKCS #1", true),
];

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(header) = place.array::<4>(0)? else {
        return Ok(None);
    };
    let Some(size_bytes) = pem::der_bytes(&header).filter(|_| header[1] == 0x82) else {
        return Ok(None);
    };
    let mut parts = Vec::new();
    let mut at = header.len() as u64;
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
