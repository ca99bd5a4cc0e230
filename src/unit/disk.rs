//! On which whole disk a path lies.
//!
//! A second copy is worth something only if it does not go down with the first, so partitions of
//! one disk, a volume on it and an image file in it all count as that disk. The way: the mount that
//! holds the path (`/proc/self/mountinfo`, proc(5)), its block device (`/sys/dev/block`), that
//! device's parents (`slaves`, a loop device's backing file), and the hardware behind the whole
//! disk (its `device` link), so that two namespaces of one NVMe drive are one disk too.
//!
//! Whatever has no block device that can be followed (memory, network, overlays) is *unknown*, and
//! unknown never counts as another disk.

use std::collections::BTreeSet;
use std::fmt;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// Deepest stack of devices that is followed.
const DEPTH_MAX: u32 = 16;

/// Kernel names of block devices that are no disk of this computer, or no disk at all.
const NO_DISK: [&str; 5] = ["ram", "zram", "nbd", "rbd", "drbd"];

/// The whole disks a path lies on, or why they cannot be told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Whereabouts {
    /// One disk, or all those that a volume is spread over; names are unique to the hardware.
    Disks(BTreeSet<String>),
    /// Why it cannot be told.
    Unknown(String),
}

/// How two paths' disks compare.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Apart {
    /// They have no disk in common.
    Other,
    /// They share this disk.
    Same(String),
    /// Why it cannot be told.
    Unknown(String),
}

impl Whereabouts {
    /// Compares the disks of two paths.
    #[must_use]
    pub fn apart_from(&self, other: &Self) -> Apart {
        match (self, other) {
            (Self::Disks(a), Self::Disks(b)) => match a.intersection(b).next() {
                Some(shared) => Apart::Same(shared.clone()),
                None if a.is_empty() || b.is_empty() => Apart::Unknown("no disk found".into()),
                None => Apart::Other,
            },
            (Self::Unknown(why), _) | (_, Self::Unknown(why)) => Apart::Unknown(why.clone()),
        }
    }
}

/// The device number of the file system a path lies on.
type DeviceOf = dyn Fn(&Path) -> io::Result<DeviceNumber> + Send + Sync;

/// A block device's number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DeviceNumber {
    /// Major number; 0 is a file system without a device of its own.
    pub major: u32,
    /// Minor number.
    pub minor: u32,
}

impl fmt::Display for DeviceNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.major, self.minor)
    }
}

/// Tells disks apart by what the kernel shows in `/proc` and `/sys`.
pub struct Disks {
    mountinfo: PathBuf,
    sys: PathBuf,
    device_of: Box<DeviceOf>,
}

impl fmt::Debug for Disks {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Disks")
            .field("mountinfo", &self.mountinfo)
            .field("sys", &self.sys)
            .finish_non_exhaustive()
    }
}

/// Why a disk cannot be told; one sentence without a full stop.
type Unknown = String;

impl Disks {
    /// As the running kernel shows them.
    #[cfg(all(feature = "linux", target_os = "linux"))]
    #[must_use]
    pub fn of_this_computer() -> Self {
        Self::at("/proc/self/mountinfo", "/sys", |path| {
            use std::os::unix::fs::MetadataExt as _;
            let device = fs::metadata(path)?.dev();
            Ok(DeviceNumber {
                major: u32::try_from(nix::sys::stat::major(device)).unwrap_or(0),
                minor: u32::try_from(nix::sys::stat::minor(device)).unwrap_or(0),
            })
        })
    }

    /// As shown in a mount table and a tree like `/sys`; `device_of` answers as stat(2) does.
    #[must_use]
    pub fn at(
        mountinfo: impl Into<PathBuf>,
        sys: impl Into<PathBuf>,
        device_of: impl Fn(&Path) -> io::Result<DeviceNumber> + Send + Sync + 'static,
    ) -> Self {
        Self {
            mountinfo: mountinfo.into(),
            sys: sys.into(),
            device_of: Box::new(device_of),
        }
    }

    /// The whole disks that `path` lies on. It must be canonical, since mounts are found by it.
    #[must_use]
    pub fn of(&self, path: &Path) -> Whereabouts {
        let mut disks = BTreeSet::new();
        match self.add_disks_of_path(path, DEPTH_MAX, &mut disks) {
            Ok(()) => Whereabouts::Disks(disks),
            Err(why) => Whereabouts::Unknown(why),
        }
    }

    fn add_disks_of_path(
        &self,
        path: &Path,
        depth: u32,
        disks: &mut BTreeSet<String>,
    ) -> Result<(), Unknown> {
        let device = (self.device_of)(path).map_err(|e| format!("{} gives {e}", path.display()))?;
        let mount = self.mount_of(path)?;
        if mount.fs_type == "btrfs" {
            return self.add_disks_of_btrfs(&mount, depth, disks);
        }
        if device.major == 0 || mount.device != device.to_string() {
            return Err(format!(
                "the {} file system at {} shows no disk",
                mount.fs_type, mount.point
            ));
        }
        let link = self.sys.join("dev/block").join(device.to_string());
        self.add_disks_of_device(&link, depth, disks)
    }

    /// A btrfs shows made-up device numbers; its members are listed by the file system itself.
    fn add_disks_of_btrfs(
        &self,
        mount: &Mount,
        depth: u32,
        disks: &mut BTreeSet<String>,
    ) -> Result<(), Unknown> {
        let why = || format!("the members of the btrfs at {} are not shown", mount.point);
        let source = Path::new(&mount.source).file_name().ok_or_else(why)?;
        for entry in fs::read_dir(self.sys.join("fs/btrfs")).map_err(|_| why())? {
            let members = entry.map_err(|_| why())?.path().join("devices");
            if !members.join(source).exists() {
                continue;
            }
            for member in fs::read_dir(members).map_err(|_| why())? {
                let member = member.map_err(|_| why())?.path();
                self.add_disks_of_device(&member, depth, disks)?;
            }
            return Ok(());
        }
        Err(why())
    }

    /// Follows a device to the whole disks under it. `link` leads to the device in `/sys`.
    fn add_disks_of_device(
        &self,
        link: &Path,
        depth: u32,
        disks: &mut BTreeSet<String>,
    ) -> Result<(), Unknown> {
        let depth = depth
            .checked_sub(1)
            .ok_or("its devices are stacked too deep")?;
        let device = fs::canonicalize(link)
            .map_err(|_| format!("{} does not lead to a device", link.display()))?;
        let disk = whole(&device);
        let name = name_of(disk);
        if let Ok(backing) = fs::read_to_string(disk.join("loop/backing_file")) {
            return self.add_disks_of_path(Path::new(backing.trim_end()), depth, disks);
        }
        let parents: Vec<PathBuf> = fs::read_dir(device.join("slaves"))
            .map(|entries| entries.flatten().map(|entry| entry.path()).collect())
            .unwrap_or_default();
        if !parents.is_empty() {
            return parents
                .iter()
                .try_for_each(|parent| self.add_disks_of_device(parent, depth, disks));
        }
        if NO_DISK.iter().any(|kind| is_numbered(&name, kind)) {
            return Err(format!("{name} is not a disk of this computer"));
        }
        // Without hardware behind it a device is made by software that hides where it keeps data.
        let hardware = fs::canonicalize(disk.join("device"))
            .map_err(|_| format!("no hardware is shown behind {name}"))?;
        let hardware = hardware.strip_prefix(&self.sys).unwrap_or(&hardware);
        disks.insert(hardware.to_string_lossy().into_owned());
        Ok(())
    }

    /// The mount that holds `path`: the longest mount point above it, the last one of equals.
    fn mount_of(&self, path: &Path) -> Result<Mount, Unknown> {
        let table = fs::read(&self.mountinfo)
            .map_err(|e| format!("{} gives {e}", self.mountinfo.display()))?;
        String::from_utf8_lossy(&table)
            .lines()
            .filter_map(Mount::parse)
            .filter(|mount| path.starts_with(&mount.point))
            .max_by_key(|mount| Path::new(&mount.point).components().count())
            .ok_or_else(|| format!("no mount holds {}", path.display()))
    }
}

/// The whole disk of a device: the partition's parent, or the device itself. A boot area of an
/// eMMC is no partition, but lies in its disk's folder all the same.
fn whole(device: &Path) -> &Path {
    let mut disk = device;
    while let Some(parent) = disk.parent() {
        if !parent.join("dev").is_file() || !parent.join("queue").is_dir() {
            break;
        }
        disk = parent;
    }
    disk
}

fn name_of(path: &Path) -> String {
    path.file_name()
        .map(|name| name.to_string_lossy().into_owned())
        .unwrap_or_default()
}

fn is_numbered(name: &str, kind: &str) -> bool {
    name.strip_prefix(kind)
        .is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit()))
}

/// One line of the mount table.
struct Mount {
    device: String,
    point: String,
    fs_type: String,
    source: String,
}

impl Mount {
    /// `36 35 98:0 /root /point options [tag]... - type source options`, per proc(5).
    fn parse(line: &str) -> Option<Self> {
        let (left, right) = line.split_once(" - ")?;
        let mut left = left.split(' ').skip(2);
        let device = left.next()?.to_owned();
        let point = unescape(left.nth(1)?);
        let mut right = right.split(' ');
        let fs_type = right.next()?.to_owned();
        let source = unescape(right.next()?);
        Some(Self {
            device,
            point,
            fs_type,
            source,
        })
    }
}

/// Undoes the octal escapes of the mount table: space, tab, newline and backslash.
fn unescape(text: &str) -> String {
    [
        ("\\040", " "),
        ("\\011", "\t"),
        ("\\012", "\n"),
        ("\\134", "\\"),
    ]
    .iter()
    .fold(text.to_owned(), |text, (escape, plain)| {
        text.replace(escape, plain)
    })
}

#[cfg(test)]
#[cfg(all(feature = "linux", target_os = "linux"))]
#[path = "disk_tests.rs"]
mod tests;
