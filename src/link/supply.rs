//! What the kernel reports of the bench computer's own supply.

use std::fs;
use std::path::{Path, PathBuf};

/// Where the kernel lists its sensors.
pub(super) const HWMON: &str = "/sys/class/hwmon";

/// The alarms that tell of an under-voltage: `inN_lcrit_alarm` and `inN_min_alarm` of each sensor, `1`
/// while it dips (Linux `Documentation/hwmon/sysfs-interface.rst`; names and values are from memory).
///
/// Some drivers keep an alarm until it was read, others ask only every few seconds, so one may be of a
/// moment before (common practice, no source). A minimum that is alarmed from the start belongs to an
/// input that nothing is wired to, more often than to a supply, and does not count.
#[derive(Debug, Default)]
pub(super) struct HostSupply {
    alarms: Vec<PathBuf>,
}

impl HostSupply {
    /// Finds the alarms in a folder such as [`HWMON`]. There may be none.
    pub(super) fn look(hwmon: &Path) -> Self {
        let sensors = entries(hwmon).into_iter();
        let mut alarms: Vec<PathBuf> = sensors.flat_map(|sensor| entries(&sensor)).collect();
        alarms.retain(|file| counts(file));
        Self { alarms }
    }

    /// The first alarm that is on, in words. What cannot be read says nothing.
    pub(super) fn alarm(&self) -> Option<String> {
        let file = self.alarms.iter().find(|file| is_on(file) == Some(true))?;
        let folder = file.parent()?;
        let name = fs::read_to_string(folder.join("name")).unwrap_or_default();
        let alarm = file.file_name()?.to_string_lossy().into_owned();
        Some(format!("the kernel's sensor {}: {alarm} is 1", name.trim()))
    }
}

fn counts(file: &Path) -> bool {
    let name = file.file_name().unwrap_or_default().to_string_lossy();
    let input = |end: &str| {
        let number = name.strip_prefix("in").and_then(|n| n.strip_suffix(end));
        number.is_some_and(|n| !n.is_empty() && n.bytes().all(|digit| digit.is_ascii_digit()))
    };
    input("_lcrit_alarm") || (input("_min_alarm") && is_on(file) == Some(false))
}

fn is_on(file: &Path) -> Option<bool> {
    match fs::read_to_string(file).ok()?.trim() {
        "0" => Some(false),
        "1" => Some(true),
        _ => None,
    }
}

fn entries(folder: &Path) -> Vec<PathBuf> {
    let found = fs::read_dir(folder).into_iter().flatten().flatten();
    let mut paths: Vec<PathBuf> = found.map(|entry| entry.path()).collect();
    paths.sort();
    paths
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sensors(files: &[(&str, &str)]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for (path, text) in files {
            let path = folder.path().join(path);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, text).unwrap();
        }
        folder
    }

    #[test]
    fn a_dip_is_told_with_the_sensor_that_reports_it() {
        let folder = sensors(&[
            ("hwmon0/name", "thermal\n"),
            ("hwmon0/temp1_input", "40000\n"),
            ("hwmon1/name", "board_volt\n"),
            ("hwmon1/in0_lcrit_alarm", "0\n"),
            ("hwmon2/in3_min_alarm", "0\n"),
        ]);
        let supply = HostSupply::look(folder.path());
        assert_eq!(supply.alarm(), None);
        fs::write(folder.path().join("hwmon1/in0_lcrit_alarm"), "1\n").unwrap();
        let said = supply.alarm().unwrap();
        assert_eq!(said, "the kernel's sensor board_volt: in0_lcrit_alarm is 1");
        fs::write(folder.path().join("hwmon1/in0_lcrit_alarm"), "0\n").unwrap();
        fs::write(folder.path().join("hwmon2/in3_min_alarm"), "1\n").unwrap();
        assert!(supply.alarm().unwrap().contains("in3_min_alarm"));
    }

    #[test]
    fn an_alarm_that_is_on_at_the_start_counts_where_it_is_critical() {
        let folder = sensors(&[("hwmon0/in0_min_alarm", "1"), ("hwmon0/in1_max_alarm", "1")]);
        assert_eq!(HostSupply::look(folder.path()).alarm(), None);
        let folder = sensors(&[("hwmon0/in0_lcrit_alarm", "1")]);
        assert!(HostSupply::look(folder.path()).alarm().is_some());
    }

    #[test]
    fn where_nothing_is_reported_nothing_is_said() {
        assert_eq!(HostSupply::look(Path::new("/nowhere/hwmon")).alarm(), None);
        let folder = sensors(&[
            ("hwmon0/in0_lcrit_alarm", "?"),
            ("hwmon0/inx_min_alarm", "0"),
        ]);
        let supply = HostSupply::look(folder.path());
        assert_eq!(supply.alarm(), None);
        fs::remove_dir_all(folder.path().join("hwmon0")).unwrap();
        assert_eq!(supply.alarm(), None);
    }
}
