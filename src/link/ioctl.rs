//! The one call that needs `unsafe`: sending a message to spidev and keeping the length it returns.
//!
//! The `spidev` crate builds the transfers but drops the byte count that the kernel returns, and that
//! count is the only sign of a message that was silently not carried out (more than 511 transfers
//! encode a size of zero). Source: Linux `include/uapi/linux/spi/spidev.h` and
//! `drivers/spi/spidev.c`.
#![allow(unsafe_code)]

use std::fs::File;
use std::io;
use std::os::fd::AsRawFd;

use nix::libc;
use spidev::SpidevTransfer;

/// Transfers that one message can hold: the size field of the request has 14 bits and a transfer has
/// 32 bytes.
pub(super) const TRANSFERS_MAX: usize = 511;

/// Sends one message and returns the number of bytes the kernel says it moved, 0 included.
///
/// # Errors
/// `InvalidInput` for more than [`TRANSFERS_MAX`] transfers; otherwise what the kernel answers.
pub(super) fn message(node: &File, transfers: &mut [SpidevTransfer<'_, '_>]) -> io::Result<usize> {
    if transfers.len() > TRANSFERS_MAX {
        return Err(io::Error::from(io::ErrorKind::InvalidInput));
    }
    let request = nix::request_code_write!(b'k', 0, size_of_val(transfers));
    // SAFETY: the request's size field is the length of `transfers` in bytes, so the kernel reads
    // exactly that slice, which outlives the call. Each transfer was built by the spidev crate from a
    // slice whose lifetime it carries, so its buffer pointers and length are valid during the call,
    // and buffers the kernel writes are borrowed exclusively.
    let moved = unsafe { libc::ioctl(node.as_raw_fd(), request, transfers.as_mut_ptr()) };
    usize::try_from(moved).map_err(|_| io::Error::last_os_error())
}
