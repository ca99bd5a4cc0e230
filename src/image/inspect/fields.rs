//! Fields shaped like network addresses: 48-bit identifiers of one device.
//!
//! IEEE Std 802-2014, clause 8.2: of the first octet, the least significant bit is 0 in the address of
//! one station and 1 in that of a group; the next bit is 0 where the address is administered globally and 1
//! where locally. So an address of a device has an even first octet, and that alone tells little: every
//! second run of six bytes has. What is counted here also has company.

/// Octets of an address.
const OCTETS: usize = 6;
/// How near two raw addresses of one unit stand, from start to start.
const NEAR_BYTES: usize = 64;
/// How far apart the addresses of one unit are numbered, at most.
const SERIAL_MAX: u32 = 16;
/// A raw address with more printable octets than this is a piece of text.
const PRINTABLE_MAX: usize = 3;
/// More of them than this are a table of something else.
const FIELDS_MAX: u32 = 16;

/// Fields in `bytes` that are shaped like the address of one device: written out as
/// `02:00:5E:07:00:07`, or raw, where the same or a neighbouring number of the same maker is near.
#[must_use]
pub(super) fn count(bytes: &[u8]) -> u32 {
    let raw = raw(bytes);
    let raw = if raw > FIELDS_MAX { 0 } else { raw };
    raw + written(bytes)
}

/// Addresses as text.
fn written(bytes: &[u8]) -> u32 {
    const LENGTH: usize = 3 * OCTETS - 1;
    let inside = |byte: &u8| byte.is_ascii_hexdigit() || matches!(byte, b':' | b'-');
    let runs = bytes
        .split(|byte| !inside(byte))
        .filter(|run| run.len() == LENGTH);
    let fields = runs.filter(|run| octets(run).is_some_and(|octets| is_device(&octets)));
    u32::try_from(fields.count()).unwrap_or(u32::MAX)
}

/// The octets of `02:00:5E:07:00:07`, all separators alike.
fn octets(run: &[u8]) -> Option<[u8; OCTETS]> {
    let mut octets = [0; OCTETS];
    let separator = *run.get(2)?;
    for (octet, piece) in octets.iter_mut().zip(run.chunks(3)) {
        let digits = std::str::from_utf8(piece.get(..2)?).ok()?;
        *octet = u8::from_str_radix(digits, 16).ok()?;
        if piece
            .get(2)
            .is_some_and(|byte| *byte != separator || byte.is_ascii_hexdigit())
        {
            return None;
        }
    }
    Some(octets)
}

/// Raw addresses that have a neighbour.
fn raw(bytes: &[u8]) -> u32 {
    let (mut fields, mut at, mut last) = (0, 0, None);
    while let Some(own) = field(bytes, at) {
        let near = (at + OCTETS..at + NEAR_BYTES)
            .find(|other| field(bytes, *other).is_some_and(|other| are_of_one_unit(&own, &other)));
        let known = last == Some(at);
        if known || (is_device(&own) && near.is_some()) {
            fields += 1;
            last = near;
            at += OCTETS;
        } else {
            at += 1;
        }
    }
    fields
}

fn field(bytes: &[u8], at: usize) -> Option<[u8; OCTETS]> {
    bytes.get(at..at + OCTETS)?.try_into().ok()
}

/// Of one device, and not one of the values that fill structures.
fn is_device(octets: &[u8; OCTETS]) -> bool {
    let [first, second, third, ..] = octets;
    let of_one = first & 1 == 0;
    let maker = !(first == second && second == third);
    let mut values = octets.to_vec();
    values.sort_unstable();
    values.dedup();
    let printable = octets.iter().filter(|byte| (0x20..0x7F).contains(*byte));
    of_one && maker && values.len() >= 3 && printable.count() <= PRINTABLE_MAX
}

/// The same maker and the same number or one near it.
fn are_of_one_unit(one: &[u8; OCTETS], two: &[u8; OCTETS]) -> bool {
    let number = |of: &[u8; OCTETS]| {
        of.iter()
            .skip(3)
            .fold(0, |all, byte| all << 8 | u32::from(*byte))
    };
    one.iter().take(3).eq(two.iter().take(3)) && number(one).abs_diff(number(two)) <= SERIAL_MAX
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_that_are_written_out_are_counted() {
        for (text, fields) in [
            ("address=02:00:5e:07:00:07\n", 1),
            ("a=02-00-5E-07-00-07 b=00:1B:C5:00:00:01", 2),
            ("01:00:5E:07:00:07", 0),
            ("00:00:00:00:00:00 FF:FF:FF:FF:FF:FF", 0),
            ("02:00:5E:07:00:07:11:22", 0),
            ("02:00:5E-07:00:07 2026-11-26 12:30:45", 0),
        ] {
            assert_eq!(count(text.as_bytes()), fields, "{text}");
        }
    }

    #[test]
    fn raw_addresses_are_counted_where_they_have_a_neighbour() {
        let mut bytes = vec![0xFF; 256];
        bytes[16..22].copy_from_slice(&[0x02, 0x00, 0x5E, 0x07, 0x00, 0x07]);
        assert_eq!(count(&bytes), 0, "one alone may be anything");
        bytes[32..38].copy_from_slice(&[0x02, 0x00, 0x5E, 0x07, 0x00, 0x08]);
        assert_eq!(count(&bytes), 2);
        let mut groups = bytes.clone();
        groups[16] |= 1;
        groups[32] |= 1;
        assert_eq!(count(&groups), 0, "addresses of groups");
        bytes[38..44].copy_from_slice(&[0x02, 0x00, 0x5E, 0x07, 0x00, 0x09]);
        assert_eq!(count(&bytes), 3);
    }

    #[test]
    fn other_content_has_none() {
        let table: Vec<u8> = (0..512_u32)
            .flat_map(|n| (n * 13 + n * n % 251).to_le_bytes())
            .collect();
        assert_eq!(count(&table), 0, "coefficients");
        let records: Vec<u8> = (0..100_u32)
            .flat_map(|n| [[0x10, 0x20, 0x31, 0].as_slice(), &n.to_be_bytes()].concat())
            .collect();
        assert_eq!(count(&records), 0, "many are a table");
        let text = b"test01 test02 test03 route10 route11".repeat(9);
        assert_eq!(count(&text), 0, "text");
        let settings = b"\0port=1\0baud=9600\0\0port=2\0baud=9600\0ddns=1\0ddns=2\0";
        assert_eq!(count(settings), 0, "settings with zeros between");
        for seed in 0..20 {
            let mut random = fastrand::Rng::with_seed(seed);
            let noise: Vec<u8> = (0..4096).map(|_| random.u8(..)).collect();
            assert_eq!(count(&noise), 0, "seed {seed}");
        }
    }
}
