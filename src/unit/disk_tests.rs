use std::os::unix::fs::symlink;

use super::*;

/// A made-up `/proc/self/mountinfo` and `/sys`, shaped as proc(5), sysfs(5) and the kernel's
/// Documentation/ABI describe them.
struct Bench {
    root: tempfile::TempDir,
    mounts: Vec<(String, DeviceNumber)>,
    table: String,
}

impl Bench {
    fn new() -> Self {
        let root = tempfile::tempdir().unwrap();
        for folder in ["sys/dev/block", "sys/fs/btrfs"] {
            fs::create_dir_all(root.path().join(folder)).unwrap();
        }
        Self {
            root,
            mounts: Vec::new(),
            table: String::new(),
        }
    }

    fn sys(&self) -> PathBuf {
        self.root.path().join("sys")
    }

    /// A block device at `place` below `sys/devices`. A whole disk has a queue.
    fn device(&self, place: &str, number: &str, is_disk: bool) -> PathBuf {
        let path = self.sys().join("devices").join(place);
        fs::create_dir_all(&path).unwrap();
        fs::write(path.join("dev"), format!("{number}\n")).unwrap();
        if is_disk {
            fs::create_dir_all(path.join("queue")).unwrap();
            fs::create_dir_all(path.join("slaves")).unwrap();
        }
        symlink(&path, self.sys().join("dev/block").join(number)).unwrap();
        path
    }

    /// A whole disk with hardware behind it.
    fn disk(&self, hardware: &str, below: &str, number: &str) -> PathBuf {
        let path = self.device(&format!("{hardware}/{below}"), number, true);
        let target = self.sys().join("devices").join(hardware);
        symlink(target, path.join("device")).unwrap();
        path
    }

    /// A device on others: device mapper, md.
    fn stack(&self, name: &str, number: &str, on: &[&Path]) -> PathBuf {
        let path = self.device(&format!("virtual/block/{name}"), number, true);
        for parent in on {
            let link = path.join("slaves").join(parent.file_name().unwrap());
            symlink(parent, link).unwrap();
        }
        path
    }

    fn mount(&mut self, point: &str, number: &str, fs_type: &str, source: &str) {
        let escaped = point.replace(' ', "\\040");
        self.table += &format!(
            "36 35 {number} / {escaped} rw,noatime master:1 shared:7 - {fs_type} {source} rw\n"
        );
        let (major, minor) = number.split_once(':').unwrap();
        let number = DeviceNumber {
            major: major.parse().unwrap(),
            minor: minor.parse().unwrap(),
        };
        self.mounts.push((point.to_owned(), number));
    }

    fn disks(&self) -> Disks {
        let mountinfo = self.root.path().join("mountinfo");
        fs::write(&mountinfo, &self.table).unwrap();
        let mounts = self.mounts.clone();
        Disks::at(mountinfo, self.sys(), move |path| {
            mounts
                .iter()
                .filter(|(point, _)| path.starts_with(point))
                .max_by_key(|(point, _)| point.len())
                .map(|(_, number)| *number)
                .ok_or_else(|| io::ErrorKind::NotFound.into())
        })
    }

    fn apart(&self, a: &str, b: &str) -> Apart {
        let disks = self.disks();
        disks.of(Path::new(a)).apart_from(&disks.of(Path::new(b)))
    }
}

fn is_same(apart: &Apart) -> bool {
    matches!(apart, Apart::Same(_))
}

/// An eMMC with two partitions and a boot area, and a USB stick.
fn board() -> Bench {
    let mut bench = Bench::new();
    let mmc = "platform/mmc_host/mmc0/mmc0:0001";
    bench.disk(mmc, "block/mmcblk0", "179:0");
    bench.device(&format!("{mmc}/block/mmcblk0/mmcblk0p1"), "179:1", false);
    bench.device(&format!("{mmc}/block/mmcblk0/mmcblk0p2"), "179:2", false);
    let boot = bench.device(&format!("{mmc}/block/mmcblk0/mmcblk0boot0"), "179:32", true);
    symlink(bench.sys().join("devices").join(mmc), boot.join("device")).unwrap();
    let usb = "platform/usb1/1-1/1-1:1.0/host0/target0:0:0/0:0:0:0";
    bench.disk(usb, "block/sda", "8:0");
    bench.device(&format!("{usb}/block/sda/sda1"), "8:1", false);
    bench.mount("/", "179:2", "ext4", "/dev/mmcblk0p2");
    bench.mount("/boot", "179:1", "vfat", "/dev/mmcblk0p1");
    bench.mount("/bootarea", "179:32", "vfat", "/dev/mmcblk0boot0");
    bench.mount("/media/the stick", "8:1", "vfat", "/dev/sda1");
    bench
}

#[test]
fn a_stick_is_another_disk_and_a_partition_is_not() {
    let bench = board();
    assert_eq!(
        bench.apart("/home/units", "/media/the stick/copy"),
        Apart::Other
    );
    assert!(is_same(&bench.apart("/home/units", "/boot")));
    assert!(is_same(&bench.apart("/home/units", "/bootarea")));
    assert!(is_same(
        &bench.apart("/media/the stick", "/media/the stick/copy")
    ));
}

#[test]
fn memory_network_and_overlays_are_unknown() {
    let mut bench = board();
    bench.mount("/tmp", "0:30", "tmpfs", "tmpfs");
    bench.mount("/net", "0:50", "nfs4", "server:/export");
    bench.mount("/over", "0:60", "overlay", "overlay");
    bench.device("virtual/block/zram0", "253:0", true);
    bench.mount("/zram", "253:0", "ext4", "/dev/zram0");
    bench.device("virtual/block/nbd0", "43:0", true);
    bench.mount("/nbd", "43:0", "ext4", "/dev/nbd0");
    bench.device("virtual/block/odd0", "250:0", true);
    bench.mount("/odd", "250:0", "ext4", "/dev/odd0");
    bench.mount("/gone", "8:99", "ext4", "/dev/sdz");
    // Hardware behind it, which may be another computer's.
    bench.disk("pci/net0", "block/nbd1", "43:1");
    bench.mount("/nbd1", "43:1", "ext4", "/dev/nbd1");
    // The mount table names another device than the file system gives.
    bench
        .mounts
        .push(("/moved".to_owned(), DeviceNumber { major: 8, minor: 1 }));
    for point in [
        "/tmp", "/net", "/over", "/zram", "/nbd", "/odd", "/gone", "/nbd1", "/moved",
    ] {
        let apart = bench.apart("/home", point);
        assert!(matches!(apart, Apart::Unknown(_)), "{point}: {apart:?}");
    }
}

#[test]
fn volumes_lie_on_all_disks_under_them() {
    let mut bench = board();
    let sdb = bench.disk("pci/ata1/host1/target1:0:0/1:0:0:0", "block/sdb", "8:16");
    let sda1 = bench.sys().join("dev/block/8:1");
    let sda1 = fs::canonicalize(sda1).unwrap();
    let crypt = bench.stack("dm-0", "252:0", &[&sdb]);
    bench.stack("dm-1", "252:1", &[&crypt, &sda1]);
    bench.mount("/volume", "252:1", "ext4", "/dev/mapper/spread");
    bench.stack("md0", "9:0", &[&sdb]);
    bench.mount("/raid", "9:0", "ext4", "/dev/md0");
    assert!(is_same(&bench.apart("/volume", "/media/the stick")));
    assert!(is_same(&bench.apart("/volume", "/raid")));
    assert_eq!(bench.apart("/volume", "/home"), Apart::Other);
    assert_eq!(bench.apart("/raid", "/media/the stick"), Apart::Other);
}

#[test]
fn an_image_file_lies_on_the_disk_of_its_file() {
    let mut bench = board();
    let looped = bench.device("virtual/block/loop0", "7:0", true);
    fs::create_dir_all(looped.join("loop")).unwrap();
    fs::write(looped.join("loop/backing_file"), "/home/stick.img\n").unwrap();
    bench.device("virtual/block/loop0/loop0p1", "259:9", false);
    bench.mount("/fake", "259:9", "vfat", "/dev/loop0p1");
    assert!(is_same(&bench.apart("/home/units", "/fake")));
}

#[test]
fn two_namespaces_of_one_drive_are_one_disk() {
    let mut bench = board();
    let drive = bench.sys().join("devices/pci/nvme/nvme0");
    for (name, number) in [("nvme0n1", "259:0"), ("nvme0n2", "259:1")] {
        bench.disk("pci/nvme/nvme0", name, number);
        bench.mount(&format!("/{name}"), number, "ext4", name);
    }
    // The controller is a character device with a number of its own, and no disk.
    fs::write(drive.join("dev"), "240:0\n").unwrap();
    assert!(is_same(&bench.apart("/nvme0n1", "/nvme0n2")));
    assert_eq!(bench.apart("/nvme0n1", "/home"), Apart::Other);
}

#[test]
fn a_btrfs_lies_on_all_its_members() {
    let mut bench = board();
    let members = bench.sys().join("fs/btrfs/0a1b/devices");
    fs::create_dir_all(&members).unwrap();
    for (number, name) in [("8:1", "sda1"), ("179:2", "mmcblk0p2")] {
        symlink(
            bench.sys().join("dev/block").join(number),
            members.join(name),
        )
        .unwrap();
    }
    bench.mount("/data", "0:40", "btrfs", "/dev/sda1");
    bench.mount("/other", "0:41", "btrfs", "/dev/sdq1");
    assert!(is_same(&bench.apart("/data", "/media/the stick")));
    assert!(is_same(&bench.apart("/data", "/home")));
    assert!(matches!(bench.apart("/other", "/home"), Apart::Unknown(_)));
}

#[test]
fn a_mount_on_top_of_another_counts() {
    let mut bench = board();
    bench.mount("/media/the stick", "0:30", "tmpfs", "tmpfs");
    let apart = bench.apart("/home", "/media/the stick/copy");
    assert!(matches!(apart, Apart::Unknown(_)), "{apart:?}");
}

#[test]
fn broken_tables_and_circles_are_unknown() {
    let mut bench = board();
    let circle = bench.stack("dm-0", "252:0", &[]);
    symlink(&circle, circle.join("slaves/dm-0")).unwrap();
    bench.mount("/circle", "252:0", "ext4", "/dev/dm-0");
    bench.table += "not a mount\n- - -\n1 2 - ext4\n";
    assert!(matches!(bench.apart("/home", "/circle"), Apart::Unknown(_)));
    bench.table.clear();
    assert!(matches!(bench.apart("/home", "/boot"), Apart::Unknown(_)));
    let nothing = Whereabouts::Disks(BTreeSet::new());
    let card = Whereabouts::Disks(BTreeSet::from(["card".to_owned()]));
    for (one, two) in [(&nothing, &nothing), (&card, &nothing), (&nothing, &card)] {
        assert!(matches!(one.apart_from(two), Apart::Unknown(_)));
    }
}

#[test]
fn this_computer_never_calls_a_folder_another_disk_than_itself() {
    let here = std::env::current_dir().unwrap().canonicalize().unwrap();
    let disks = Disks::of_this_computer();
    assert_ne!(disks.of(&here).apart_from(&disks.of(&here)), Apart::Other);
}
