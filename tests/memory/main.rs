//! What the program holds in memory does not grow with the chip.

#[allow(dead_code)]
mod big;

fn program() -> &'static str {
    env!("CARGO_BIN_EXE_norlock")
}

#[test]
fn backing_up_64_mib_holds_less_than_24_mib() {
    let folder = tempfile::tempdir().unwrap();
    let chip = big::MIB_64;
    big::lay_out(folder.path(), &chip).unwrap();
    let mut child = big::backup(folder.path(), &chip, "big").spawn().unwrap();
    let peak_kib = big::peak_kib(&mut child).unwrap();
    assert!(child.wait().unwrap().success());
    let kept = std::fs::metadata(folder.path().join("big/as-found.bin")).unwrap();
    assert_eq!(kept.len(), chip.size_bytes as u64);
    // Less than its own code would mean that nothing was measured.
    assert!(
        (1 << 10..big::PEAK_MAX_KIB).contains(&peak_kib),
        "{peak_kib} KiB"
    );
}
