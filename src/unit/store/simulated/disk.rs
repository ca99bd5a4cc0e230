//! What a simulated disk holds, and what of it is durable.

use std::collections::BTreeMap;
use std::io;
use std::ops::Range;
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

use crate::unit::store::{Entry, EntryKind};

/// Number of a file, whatever it is called.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FileId(usize);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Node {
    Folder,
    File(FileId),
}

/// The bytes are shared with the disks that were forked from this one, until they change.
#[derive(Debug, Clone, Default)]
pub(super) struct Content {
    pub(super) now: Arc<Vec<u8>>,
    pub(super) durable: Arc<Vec<u8>>,
    /// Written and not synced, in order.
    pub(super) pending: Vec<Range<usize>>,
    mode: u32,
}

/// A change of names that is not durable yet. Each is about a file, whatever else had its name before.
#[derive(Debug, Clone)]
pub(super) enum Change {
    Put(PathBuf, Node),
    Take(Node, PathBuf),
    Move(Node, PathBuf, PathBuf),
}

pub(super) type Names = BTreeMap<PathBuf, Node>;

#[derive(Debug, Clone)]
pub(super) struct Disk {
    pub(super) contents: Vec<Content>,
    pub(super) names: Names,
    pub(super) durable: Names,
    pub(super) pending: Vec<Change>,
}

impl Default for Disk {
    fn default() -> Self {
        let root = Names::from([(PathBuf::from("/"), Node::Folder)]);
        Self {
            contents: Vec::new(),
            names: root.clone(),
            durable: root,
            pending: Vec::new(),
        }
    }
}

/// A path without `.` and `..`.
pub(super) fn plain(path: &Path) -> PathBuf {
    let mut plain = PathBuf::from("/");
    for component in path.components() {
        match component {
            Component::ParentDir => {
                plain.pop();
            }
            Component::Normal(name) => plain.push(name),
            _ => {}
        }
    }
    plain
}

impl Change {
    pub(super) fn apply(&self, names: &mut Names) {
        let take = |names: &mut Names, node: &Node, path: &Path| {
            if names.get(path) == Some(node) {
                names.remove(path);
            }
        };
        match self {
            Self::Put(path, node) => {
                names.insert(path.clone(), *node);
            }
            Self::Take(node, path) => take(names, node, path),
            Self::Move(node, from, to) => {
                take(names, node, from);
                names.insert(to.clone(), *node);
            }
        }
    }

    fn folder(&self) -> Option<&Path> {
        match self {
            Self::Put(path, _) | Self::Take(_, path) | Self::Move(_, _, path) => path.parent(),
        }
    }
}

impl Disk {
    fn change(&mut self, change: Change) {
        change.apply(&mut self.names);
        self.pending.push(change);
    }

    pub(super) fn file(&self, path: &Path) -> io::Result<FileId> {
        match self.names.get(&plain(path)) {
            Some(Node::File(id)) => Ok(*id),
            Some(Node::Folder) => Err(io::ErrorKind::IsADirectory.into()),
            None => Err(io::ErrorKind::NotFound.into()),
        }
    }

    pub(super) fn exists(&self, path: &Path) -> bool {
        self.names.contains_key(&plain(path))
    }

    /// The bytes of a file; none for a number that was never given out.
    pub(super) fn bytes(&self, id: FileId) -> &[u8] {
        self.contents.get(id.0).map_or(&[], |content| &content.now)
    }

    pub(super) fn used_bytes(&self) -> u64 {
        self.names
            .values()
            .map(|node| match node {
                Node::File(id) => self.bytes(*id).len() as u64,
                Node::Folder => 0,
            })
            .sum()
    }

    /// Refuses a taken name and one in no folder.
    fn check_new(&self, path: &Path) -> io::Result<()> {
        let folder = path.parent().map(Path::to_owned).unwrap_or_default();
        match (self.names.get(&folder), self.names.get(path)) {
            (Some(Node::Folder), None) => Ok(()),
            (Some(Node::Folder), Some(_)) => Err(io::ErrorKind::AlreadyExists.into()),
            (Some(Node::File(_)), _) => Err(io::ErrorKind::NotADirectory.into()),
            (None, _) => Err(io::ErrorKind::NotFound.into()),
        }
    }

    pub(super) fn create(&mut self, path: &Path) -> io::Result<()> {
        let path = plain(path);
        self.check_new(&path)?;
        let id = FileId(self.contents.len());
        self.contents.push(Content {
            mode: 0o600,
            ..Content::default()
        });
        self.change(Change::Put(path, Node::File(id)));
        Ok(())
    }

    pub(super) fn create_folder(&mut self, path: &Path) -> io::Result<()> {
        let path = plain(path);
        self.check_new(&path)?;
        self.change(Change::Put(path, Node::Folder));
        Ok(())
    }

    pub(super) fn remove(&mut self, path: &Path) -> io::Result<()> {
        let node = Node::File(self.file(path)?);
        self.change(Change::Take(node, plain(path)));
        Ok(())
    }

    pub(super) fn rename(&mut self, from: &Path, to: &Path, clobber: bool) -> io::Result<()> {
        let node = Node::File(self.file(from)?);
        if !clobber && self.exists(to) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        self.change(Change::Move(node, plain(from), plain(to)));
        Ok(())
    }

    pub(super) fn list(&self, folder: &Path) -> io::Result<Vec<Entry>> {
        let folder = plain(folder);
        match self.names.get(&folder) {
            Some(Node::Folder) => {}
            Some(Node::File(_)) => return Err(io::ErrorKind::NotADirectory.into()),
            None => return Err(io::ErrorKind::NotFound.into()),
        }
        let inside = |path: &Path| path.parent() == Some(&folder);
        let entry = |(path, node): (&PathBuf, &Node)| Entry {
            name: path
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into(),
            kind: match node {
                Node::Folder => EntryKind::Folder,
                Node::File(_) => EntryKind::File,
            },
        };
        Ok(self
            .names
            .iter()
            .filter(|(path, _)| inside(path))
            .map(entry)
            .collect())
    }

    pub(super) fn mode(&self, path: &Path) -> io::Result<u32> {
        match self.names.get(&plain(path)) {
            Some(Node::File(id)) => Ok(self.contents.get(id.0).map_or(0, |content| content.mode)),
            Some(Node::Folder) => Ok(0o700),
            None => Err(io::ErrorKind::NotFound.into()),
        }
    }

    pub(super) fn set_mode(&mut self, path: &Path, mode: u32) -> io::Result<()> {
        let id = self.file(path)?;
        if let Some(content) = self.contents.get_mut(id.0) {
            content.mode = mode;
        }
        Ok(())
    }

    pub(super) fn write(&mut self, id: FileId, offset: u64, bytes: &[u8]) -> io::Result<()> {
        let content = self.contents.get_mut(id.0).ok_or(io::ErrorKind::NotFound)?;
        let start = usize::try_from(offset).map_err(|_| io::ErrorKind::FileTooLarge)?;
        let range = start..start + bytes.len();
        place(Arc::make_mut(&mut content.now), range.clone(), bytes);
        match content.pending.last_mut() {
            // Writes that follow each other are one write, so that an image costs one entry.
            Some(last) if last.end == range.start => last.end = range.end,
            _ => content.pending.push(range),
        }
        Ok(())
    }

    pub(super) fn sync(&mut self, id: FileId) {
        if let Some(content) = self.contents.get_mut(id.0) {
            content.settle();
        }
    }

    pub(super) fn sync_folder(&mut self, folder: &Path) {
        let folder = plain(folder);
        let (synced, rest): (Vec<Change>, Vec<Change>) = std::mem::take(&mut self.pending)
            .into_iter()
            .partition(|change| change.folder() == Some(&folder));
        synced
            .iter()
            .for_each(|change| change.apply(&mut self.durable));
        self.pending = rest;
    }

    pub(super) fn corrupt(&mut self, path: &Path, change: impl FnOnce(&mut Vec<u8>)) -> bool {
        let content = self
            .file(path)
            .ok()
            .and_then(|id| self.contents.get_mut(id.0));
        let found = content.is_some();
        if let Some(content) = content {
            change(Arc::make_mut(&mut content.now));
            content.durable.clone_from(&content.now);
            content.pending.clear();
        }
        found
    }
}

impl Content {
    /// Makes each pending write durable.
    fn settle(&mut self) {
        for range in std::mem::take(&mut self.pending) {
            if let Some(bytes) = self
                .now
                .get(range.clone())
                .filter(|bytes| !bytes.is_empty())
            {
                place(Arc::make_mut(&mut self.durable), range, bytes);
            }
        }
    }
}

/// Puts `bytes` at `range`, with zeros before it where there was nothing.
pub(super) fn place(content: &mut Vec<u8>, range: Range<usize>, bytes: &[u8]) {
    if content.len() < range.end {
        content.resize(range.end, 0);
    }
    if let Some(target) = content.get_mut(range) {
        target.copy_from_slice(bytes);
    }
}
