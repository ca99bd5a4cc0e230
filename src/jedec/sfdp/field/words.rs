//! Values in words.

use std::time::Duration;

/// An opcode, `EBh`.
pub(in crate::jedec::sfdp) fn opcode(code: u8) -> String {
    format!("{code:02X}h")
}

/// A size in the largest unit that divides it.
pub(super) fn size(bytes: u64) -> String {
    match bytes {
        b if b >= 1 << 20 && b % (1 << 20) == 0 => format!("{} MiB", b >> 20),
        b if b >= 1 << 10 && b % (1 << 10) == 0 => format!("{} KiB", b >> 10),
        b => format!("{b} bytes"),
    }
}

/// A time in ns, us, ms or s, without trailing zeros.
pub(super) fn time(time: Duration) -> String {
    let nanos = time.as_nanos();
    let (unit, name) = match nanos {
        0..1_000 => (1, "ns"),
        1_000..1_000_000 => (1_000, "us"),
        1_000_000..1_000_000_000 => (1_000_000, "ms"),
        _ => (1_000_000_000, "s"),
    };
    let thousandths = format!("{:03}", nanos * 1000 / unit % 1000);
    match thousandths.trim_end_matches('0') {
        "" => format!("{} {name}", nanos / unit),
        fraction => format!("{}.{fraction} {name}", nanos / unit),
    }
}

/// `yes` or `no`.
pub(in crate::jedec::sfdp) fn yes(field: u32) -> String {
    if field == 0 { "no" } else { "yes" }.to_owned()
}
