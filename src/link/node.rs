//! What can be known of a spidev node without a single clock: whose it is and what hangs on it.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use nix::sys::stat::{major, minor};
use nix::unistd::{Gid, Group};

use super::HostFlash;

/// A spidev node as the file system and the device tree describe it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Node {
    /// Path as given.
    pub path: PathBuf,
    /// Group that owns the node, where it has a name.
    pub group: Option<String>,
    /// Whether the host boots from what hangs on it.
    pub host_flash: HostFlash,
}

impl Node {
    /// Looks at the node at `path` without opening it.
    ///
    /// # Errors
    /// What the file system answers, and `InvalidInput` if it is not a character device.
    pub fn look(path: &Path) -> std::io::Result<Self> {
        use std::os::unix::fs::FileTypeExt;
        let meta = fs::metadata(path)?;
        if !meta.file_type().is_char_device() {
            return Err(std::io::Error::new(
                std::io::ErrorKind::InvalidInput,
                "not a character device",
            ));
        }
        let number = format!("{}:{}", major(meta.rdev()), minor(meta.rdev()));
        let group = Group::from_gid(Gid::from_raw(meta.gid()))
            .ok()
            .flatten()
            .map(|group| group.name);
        let host_flash = host_flash(&Path::new("/sys/dev/char").join(number));
        Ok(Self {
            path: path.to_owned(),
            group,
            host_flash,
        })
    }
}

/// Judges the entry of a character device in `/sys/dev/char`.
///
/// The kernel names the device `spidevB.C` (bus, chip select) and links `of_node` to its place in the
/// device tree. Source of the naming: Linux `Documentation/spi/spidev.rst`. That bus 10 of some
/// single-board computers carries their own boot EEPROM is from memory, and so errs towards holding.
fn host_flash(entry: &Path) -> HostFlash {
    let Ok(device) = fs::canonicalize(entry) else {
        return HostFlash::Unknown("the kernel does not describe this node".into());
    };
    let name = device
        .file_name()
        .map(|name| name.to_string_lossy().into_owned())
        .unwrap_or_default();
    let Some(bus) = name
        .strip_prefix("spidev")
        .and_then(|rest| rest.split('.').next()?.parse::<u32>().ok())
    else {
        return HostFlash::Unknown(format!(
            "the kernel calls this device '{name}', not spidevB.C"
        ));
    };
    if bus == 10 {
        return HostFlash::Yes(
            "bus 10 is the boot EEPROM of the computer itself on some boards".into(),
        );
    }
    let Ok(tree) = fs::canonicalize(device.join("device/of_node")) else {
        return HostFlash::Unknown("the device tree does not describe what hangs on it".into());
    };
    let place = tree
        .file_name()
        .map(|name| name.to_string_lossy().to_lowercase())
        .unwrap_or_default();
    if ["flash", "eeprom", "boot"]
        .iter()
        .any(|word| place.contains(word))
    {
        HostFlash::Yes(format!("the device tree calls it '{place}'"))
    } else if place.starts_with("spidev") {
        HostFlash::No(format!(
            "the device tree calls it '{place}', a node for the pin header"
        ))
    } else {
        HostFlash::Unknown(format!("the device tree calls it '{place}'"))
    }
}

/// The spidev nodes in `folder` (normally `/dev`), sorted.
#[must_use]
pub fn list_nodes(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let mut nodes: Vec<PathBuf> = entries
        .filter(|entry| entry.file_name().to_string_lossy().starts_with("spidev"))
        .map(|entry| entry.path())
        .collect();
    nodes.sort();
    nodes
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    /// Lays out `/sys` as the kernel does for one node and judges it.
    fn judged(device: &str, tree: Option<&str>) -> HostFlash {
        let sys = tempfile::tempdir().unwrap();
        let real = sys.path().join("devices").join(device);
        fs::create_dir_all(real.join("device")).unwrap();
        if let Some(tree) = tree {
            let node = sys.path().join("firmware").join(tree);
            fs::create_dir_all(&node).unwrap();
            symlink(&node, real.join("device/of_node")).unwrap();
        }
        symlink(&real, sys.path().join("153:0")).unwrap();
        host_flash(&sys.path().join("153:0"))
    }

    #[test]
    fn only_a_header_node_is_not_the_host() {
        assert!(matches!(
            judged("spidev0.0", Some("spidev@0")),
            HostFlash::No(_)
        ));
        assert!(matches!(
            judged("spidev10.0", Some("spidev@0")),
            HostFlash::Yes(_)
        ));
        assert!(matches!(
            judged("spidev1.0", Some("flash@0")),
            HostFlash::Yes(_)
        ));
        assert!(matches!(
            judged("spidev0.0", Some("sensor@0")),
            HostFlash::Unknown(_)
        ));
        assert!(matches!(judged("spidev0.0", None), HostFlash::Unknown(_)));
        assert!(matches!(judged("ttyS0", None), HostFlash::Unknown(_)));
        assert!(matches!(
            host_flash(Path::new("/nonexistent")),
            HostFlash::Unknown(_)
        ));
    }

    #[test]
    fn a_file_is_not_a_node() {
        let file = tempfile::NamedTempFile::new().unwrap();
        assert_eq!(
            Node::look(file.path()).unwrap_err().kind(),
            std::io::ErrorKind::InvalidInput
        );
    }
}
