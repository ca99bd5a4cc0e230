//! One user at a time: locks on a device node and on its device number.

use std::fs::File;
use std::os::linux::net::SocketAddrExt;
use std::os::unix::fs::MetadataExt;
use std::os::unix::net::{SocketAddr, UnixListener};

use nix::fcntl::{Flock, FlockArg};
use nix::sys::stat::{major, minor};

/// Held while a link is open. The kernel releases both locks when the process ends, however it ends.
#[derive(Debug)]
pub(super) struct NodeLock {
    _node: Flock<File>,
    _number: UnixListener,
}

impl NodeLock {
    /// Locks the opened node and its device number, or returns `None` if another process has either.
    ///
    /// The lock on the node is advisory (`flock`). A second node file with the same device number is
    /// another inode, so the number is held too, as a name in the abstract socket space, which needs
    /// no writable folder.
    pub(super) fn take(node: &File) -> std::io::Result<Option<Self>> {
        let device = node.metadata()?.rdev();
        let name = format!("norlock-spidev-{}:{}", major(device), minor(device));
        let number = match UnixListener::bind_addr(&SocketAddr::from_abstract_name(name)?) {
            Ok(listener) => listener,
            Err(error) if error.kind() == std::io::ErrorKind::AddrInUse => return Ok(None),
            Err(error) => return Err(error),
        };
        match Flock::lock(node.try_clone()?, FlockArg::LockExclusiveNonblock) {
            Ok(lock) => Ok(Some(Self {
                _node: lock,
                _number: number,
            })),
            Err((_, nix::errno::Errno::EWOULDBLOCK)) => Ok(None),
            Err((_, errno)) => Err(errno.into()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_user_is_kept_out_until_the_first_leaves() {
        let file = File::open("/dev/zero").unwrap();
        let first = NodeLock::take(&file).unwrap();
        assert!(first.is_some());
        // Another file with the same device number, as a second node would be.
        let other = File::open("/dev/zero").unwrap();
        assert!(NodeLock::take(&other).unwrap().is_none());
        drop(first);
        assert!(NodeLock::take(&other).unwrap().is_some());
    }

    /// Another file with the same device number is another inode, and its own lock is free. Making one
    /// takes a privilege that a test may not have.
    #[test]
    fn a_second_node_of_the_same_device_is_kept_out() {
        use nix::sys::stat::{Mode, SFlag, makedev, mknod};
        let folder = tempfile::tempdir().unwrap();
        let second = folder.path().join("null");
        // /dev/null is 1:3 (Linux `Documentation/admin-guide/devices.txt`).
        let made = mknod(&second, SFlag::S_IFCHR, Mode::S_IRUSR, makedev(1, 3));
        let other = made
            .map_err(std::io::Error::from)
            .and_then(|()| File::open(&second));
        let Ok(other) = other else {
            println!("skipped: no second node can be made here ({other:?})");
            return;
        };
        let first = File::open("/dev/null").unwrap();
        let (one, two) = (first.metadata().unwrap(), other.metadata().unwrap());
        assert!(one.ino() != two.ino() && one.rdev() == two.rdev());
        let held = NodeLock::take(&first).unwrap();
        assert!(held.is_some());
        assert!(Flock::lock(other.try_clone().unwrap(), FlockArg::LockExclusiveNonblock).is_ok());
        assert!(NodeLock::take(&other).unwrap().is_none());
    }
}
