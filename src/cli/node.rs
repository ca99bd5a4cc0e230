//! Which spidev node the clip is on.

use std::path::{Path, PathBuf};

use crate::job::{Exit, Stop, Way};
use crate::link::{HostFlash, Node, list_nodes};

/// The node that was named, or the one node that is positively one of the pin header.
///
/// `folder` is where the nodes are, normally `/dev`; `lanes` is how many are wired.
///
/// # Errors
/// A [`Stop`] where several nodes could be meant, or one that may be the computer's own.
pub fn node(named: Option<&Path>, lanes: u8, folder: &Path) -> Result<Way, Stop> {
    if let Some(path) = named {
        return Ok(Way::Node {
            path: path.to_owned(),
            chosen: true,
            lanes,
        });
    }
    let nodes = list_nodes(folder);
    let of_header: Vec<&PathBuf> = nodes
        .iter()
        .filter(|path| {
            Node::look(path).is_ok_and(|node| matches!(node.host_flash, HostFlash::No(_)))
        })
        .collect();
    match of_header.as_slice() {
        [only] => Ok(Way::Node {
            path: (*only).clone(),
            chosen: false,
            lanes,
        }),
        [] if nodes.is_empty() => Ok(Way::Node {
            path: folder.join("spidev0.0"),
            chosen: false,
            lanes,
        }),
        _ => {
            let names: Vec<String> = nodes
                .iter()
                .map(|path| path.display().to_string())
                .collect();
            let next =
                "Name the one that the clip is on: --spidev PATH, or a simulated chip: --mock FILE";
            Err(Stop::new(
                Exit::Usage,
                "It cannot be told which node the clip is on.",
                next,
            )
            .row("seen", names.join(", ")))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headline(folder: &Path) -> (Exit, String) {
        match node(None, 1, folder) {
            Ok(Way::Node { path, chosen, .. }) => panic!("{path:?}, {chosen}"),
            Ok(Way::Link(_)) => panic!("a link"),
            Err(stop) => (stop.exit, stop.evidence[0].1.clone()),
        }
    }

    // Nothing that the kernel does not place on the pin header is chosen by itself.
    #[test]
    fn a_node_is_not_chosen_where_nothing_tells_that_it_is_one_of_the_header() {
        let dev = tempfile::tempdir().unwrap();
        for name in ["spidev0.0", "spidev0.1"] {
            std::fs::write(dev.path().join(name), "").unwrap();
            let (exit, seen) = headline(dev.path());
            assert_eq!(exit, Exit::Usage);
            assert!(seen.ends_with(name), "{seen}");
        }
        assert!(headline(dev.path()).1.contains("spidev0.0, "));
    }

    #[test]
    fn without_any_node_the_usual_one_is_named_so_that_its_absence_is_told() {
        let dev = tempfile::tempdir().unwrap();
        assert!(matches!(
            node(None, 1, dev.path()),
            Ok(Way::Node { path, chosen: false, lanes: 1 }) if path == dev.path().join("spidev0.0")
        ));
    }

    #[test]
    fn a_named_node_is_taken_as_named() {
        let path = Path::new("/dev/spidev7.1");
        assert!(matches!(
            node(Some(path), 4, Path::new("/nowhere")),
            Ok(Way::Node { path: found, chosen: true, lanes: 4 }) if found == path
        ));
    }
}
