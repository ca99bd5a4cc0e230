use super::*;

const MIB: u32 = 1 << 20;

/// Registers of a family from SR1 and whatever its other registers hold, in their order.
fn registers(family: StatusFamily, bytes: &[u8]) -> Registers {
    family
        .registers()
        .iter()
        .zip(bytes)
        .map(|(register, byte)| (register.opcode, *byte))
        .collect()
}

const FAMILIES: [StatusFamily; 16] = [
    StatusFamily::Basic,
    StatusFamily::Winbond,
    StatusFamily::GigaDevice,
    StatusFamily::Macronix,
    StatusFamily::Issi,
    StatusFamily::Micron,
    StatusFamily::M25p,
    StatusFamily::M25px,
    StatusFamily::CypressS,
    StatusFamily::CypressL,
    StatusFamily::Adesto,
    StatusFamily::AdestoDf,
    StatusFamily::Sst25,
    StatusFamily::Sst26,
    StatusFamily::Sst26A,
    StatusFamily::Eon,
];

fn range(range: std::ops::Range<u32>) -> Protection {
    Protection::Range { range }
}

/// Rows as the makers print them. The registers are given in the order of the family's reads.
#[test]
fn rows_of_datasheet_tables() {
    use StatusFamily as F;
    let all = |mib: u32| range(0..mib * MIB);
    let cases: Vec<(&str, F, u32, &[u8], Protection)> = vec![
        // W25Q128JV Rev. I, 7.1: CMP=0 SEC=0 TB=0 BP=001, then TB=1 BP=011, SEC=1 TB=0 BP=101.
        (
            "W25Q128JV",
            F::Winbond,
            16,
            &[0x04, 0, 0],
            range(0xFC_0000..0x100_0000),
        ),
        (
            "W25Q128JV",
            F::Winbond,
            16,
            &[0x2C, 0, 0],
            range(0..0x10_0000),
        ),
        (
            "W25Q128JV",
            F::Winbond,
            16,
            &[0x54, 0, 0],
            range(0xFF_8000..0x100_0000),
        ),
        ("W25Q128JV", F::Winbond, 16, &[0x1C, 0, 0], all(16)),
        // W25Q64JV Rev. J, 7.1, CMP=1: BP=000 is all, BP=111 none, TB=1 BP=001 upper part.
        ("W25Q64JV", F::Winbond, 8, &[0x00, 0x40, 0], all(8)),
        (
            "W25Q64JV",
            F::Winbond,
            8,
            &[0x1C, 0x40, 0],
            Protection::None,
        ),
        (
            "W25Q64JV",
            F::Winbond,
            8,
            &[0x24, 0x40, 0],
            range(0x02_0000..0x80_0000),
        ),
        // W25Q256JV Rev. I, 7.1: BP3 is bit 5 and TB bit 6.
        (
            "W25Q256JV",
            F::Winbond,
            32,
            &[0x04, 0, 0],
            range(0x1FF_0000..0x200_0000),
        ),
        (
            "W25Q256JV",
            F::Winbond,
            32,
            &[0x44, 0, 0],
            range(0..0x01_0000),
        ),
        // GD25Q64C Rev 3.0, table 1.0: 10110 is 32 KiB. GD25Q16C Rev 2.9: 10110 is all.
        (
            "GD25Q64C",
            F::GigaDevice,
            8,
            &[0x58, 0, 0],
            range(0x7F_8000..0x80_0000),
        ),
        ("GD25Q16C", F::GigaDevice, 2, &[0x58, 0, 0xFF], all(2)),
        // AT25SF161 rev. H, table 8-1: 00101 upper half.
        (
            "AT25SF161",
            F::Adesto,
            2,
            &[0x14, 0],
            range(0x10_0000..0x20_0000),
        ),
        // MX25R1635F Rev 1.5, table 2: QE set, TB=0 BP=0011; TB=1 BP=0001; BP=0110 all.
        (
            "MX25R1635F",
            F::Macronix,
            2,
            &[0x4C, 0, 0],
            range(0x1C_0000..0x20_0000),
        ),
        (
            "MX25R1635F",
            F::Macronix,
            2,
            &[0x04, 0x08, 0],
            range(0..0x01_0000),
        ),
        ("MX25R1635F", F::Macronix, 2, &[0x18, 0, 0], all(2)),
        // MT25QL128ABA Rev. I, table 4: BP3 is bit 6, TB bit 5.
        (
            "MT25QL128ABA",
            F::Micron,
            16,
            &[0x40],
            range(0x80_0000..0x100_0000),
        ),
        ("MT25QL128ABA", F::Micron, 16, &[0x60], range(0..0x80_0000)),
        // N25Q032A Rev. G, table 5; M25P16 Rev. G, table 3.
        (
            "N25Q032A",
            F::Micron,
            4,
            &[0x18],
            range(0x20_0000..0x40_0000),
        ),
        ("M25P16", F::M25p, 2, &[0x08], range(0x1E_0000..0x20_0000)),
        // IS25LP064 Rev. D, table 6.3: TBS in the function register.
        ("IS25LP064", F::Issi, 8, &[0x44, 0x02], range(0..0x01_0000)),
        // SST25VF016B DS25044A, table 4, from none to all, as it powers up; BPL protects nothing.
        ("SST25VF016B", F::Sst25, 2, &[0x00], Protection::None),
        (
            "SST25VF016B",
            F::Sst25,
            2,
            &[0x04],
            range(0x1F_0000..2 * MIB),
        ),
        (
            "SST25VF016B",
            F::Sst25,
            2,
            &[0x08],
            range(0x1E_0000..2 * MIB),
        ),
        (
            "SST25VF016B",
            F::Sst25,
            2,
            &[0x0C],
            range(0x1C_0000..2 * MIB),
        ),
        (
            "SST25VF016B",
            F::Sst25,
            2,
            &[0x10],
            range(0x18_0000..2 * MIB),
        ),
        (
            "SST25VF016B",
            F::Sst25,
            2,
            &[0x14],
            range(0x10_0000..2 * MIB),
        ),
        ("SST25VF016B", F::Sst25, 2, &[0x18], all(2)),
        ("SST25VF016B", F::Sst25, 2, &[0x1C], all(2)),
        ("SST25VF016B", F::Sst25, 2, &[0x80], Protection::None),
    ];
    for (part, family, mib, bytes, expected) in cases {
        let protection = family.protection(&registers(family, bytes), mib * MIB);
        assert_eq!(protection, expected, "{part} {bytes:02X?}");
    }
}

/// Common practice, no source: what is not explained counts as protected.
#[test]
fn unexplained_bits_are_never_none() {
    use StatusFamily as F;
    for family in FAMILIES {
        for mib in [1, 2, 4, 8, 16, 32, 64, 128] {
            for sr1 in (0..=0xFFu8).filter(|sr1| sr1 & 0x7C != 0) {
                let got = family.protection(&registers(family, &[sr1, 0, 0]), mib * MIB);
                let guess = family.suspected(&registers(family, &[sr1, 0, 0]));
                // Explained: QE of Macronix and ISSI; TB, SEC and BP3 beside BP = 0 in known tables.
                let explained = match family {
                    F::Macronix | F::Issi => sr1 & 0x3C == 0,
                    F::Winbond if mib == 32 => sr1 & 0x3C == 0,
                    F::Winbond => matches!(mib, 4 | 8 | 16) && sr1 & 0x1C == 0,
                    F::GigaDevice => matches!(mib, 2 | 8) && sr1 & 0x1C == 0,
                    F::Adesto => mib == 2 && sr1 & 0x1C == 0,
                    F::Micron => matches!(mib, 4 | 16) && sr1 & 0x5C == 0,
                    F::M25px => mib == 2 && sr1 & 0x5C == 0,
                    _ => false,
                };
                assert!(
                    got != Protection::None || explained,
                    "{family:?} {mib} {sr1:02X}"
                );
                let quad = matches!(family, F::Macronix | F::Issi) && sr1 & 0x3C == 0;
                let none = guess == Protection::None;
                assert_eq!(none, quad, "{family:?} {sr1:02X}: {guess:?}");
                assert!(!matches!(guess, Protection::Range { .. }), "{family:?}");
            }
        }
    }
}

#[test]
fn what_cannot_be_judged_is_unknown() {
    use StatusFamily as F;
    let unknown = |family: F, mib: u32, bytes: &[u8]| {
        let protection = family.protection(&registers(family, bytes), mib * MIB);
        assert!(
            matches!(protection, Protection::Unknown { .. }),
            "{family:?} {bytes:02X?}: {protection:?}"
        );
        assert!(protection.touches(&(0..1)));
    };
    unknown(F::Winbond, 16, &[0x00, 0x00, 0x04]); // WPS
    unknown(F::Winbond, 16, &[0x00, 0x00]); // SR3 not read
    unknown(F::Winbond, 16, &[0x00, 0xFF, 0x00]);
    unknown(F::Winbond, 8, &[0x58, 0x00, 0x00]); // SEC with BP = 110 is in no table
    unknown(F::Winbond, 64, &[0x00, 0x40, 0x00]); // CMP
    unknown(F::Macronix, 16, &[0x00, 0x00, 0x80]); // WPSEL
    unknown(F::Macronix, 4, &[0x04, 0xFF, 0x00]); // no configuration register
    unknown(F::CypressS, 16, &[0x20, 0x00]); // E_ERR
    unknown(F::CypressL, 16, &[0x00, 0x40, 0x00]); // CMP
    unknown(F::Sst26, 4, &[0x00, 0x00]);
    unknown(F::Sst26A, 1, &[0x20, 0x00]); // BP3, reserved
    for family in FAMILIES {
        unknown(family, 2, &[0xFF, 0, 0]);
        unknown(family, 2, &[]);
    }
}

#[test]
fn touching_is_half_open() {
    let held = range(0x1000..0x2000);
    assert!(held.touches(&(0x1FFF..0x3000)));
    assert!(!held.touches(&(0x2000..0x3000)));
    assert!(!held.touches(&(0..0x1000)));
    assert!(!Protection::None.touches(&(0..u32::MAX)));
}

/// Applies writes to registers as the chip would: 01h to SR1 and SR2, 31h to SR2.
fn apply(found: &Registers, writes: &[RegisterWrite]) -> Registers {
    let mut after = found.clone();
    for write in writes {
        let from = if write.opcode == 0x31 { 1 } else { 0 };
        for (opcode, byte) in [0x05, 0x35].into_iter().skip(from).zip(&write.data) {
            after.set(opcode, *byte);
        }
    }
    after
}

#[test]
fn lifting_clears_protection_and_nothing_else() {
    use StatusFamily as F;
    let cases: Vec<(F, u32, &[u8])> = vec![
        (F::Winbond, 16, &[0xEC, 0x7A, 0x60]),
        (F::GigaDevice, 2, &[0x6C, 0x46, 0xFF]),
        (F::GigaDevice, 8, &[0x64, 0x42, 0x20]),
        (F::Adesto, 2, &[0x34, 0x42]),
        (F::Macronix, 16, &[0xFC, 0x08, 0x00]),
        (F::Issi, 8, &[0x7C, 0x02]),
        (F::Micron, 4, &[0xFC]),
        (F::M25p, 2, &[0x9C]),
        (F::Sst25, 2, &[0x1C]),
        (F::Sst26A, 1, &[0x9C, 0xC2]),
    ];
    for (family, mib, bytes) in cases {
        let found = registers(family, bytes);
        let size = mib * MIB;
        assert_ne!(family.protection(&found, size), Protection::None);
        let lifted = apply(&found, &family.unprotect(&found, size).unwrap());
        assert_eq!(
            family.protection(&lifted, size),
            Protection::None,
            "{family:?}"
        );
        let kept = if matches!(family, F::Macronix | F::Issi) {
            0xC0
        } else {
            0x80
        };
        let of = |r: &Registers, opcode| r.get(opcode).unwrap_or(0);
        assert_eq!(of(&lifted, 0x05), of(&found, 0x05) & kept, "{family:?}");
        // LB1 to LB3 are one-time (W25Q128JV Rev. I, 7.1), and LB in bit 2 (GD25Q16C Rev 2.9): always
        // written as 0, which leaves them.
        // SST26VF080A has its configuration register there, which is not written.
        let (cmp, lasting) = match family {
            F::Sst26A => (0, 0xFF),
            _ => (0x40, !0x3C),
        };
        assert_eq!(
            of(&lifted, 0x35),
            of(&found, 0x35) & !cmp & lasting,
            "{family:?}"
        );
        let mut back = apply(&lifted, &family.restore(&found, size).unwrap());
        assert_eq!(of(&back, 0x35), of(&found, 0x35) & lasting, "{family:?}");
        found
            .get(0x35)
            .into_iter()
            .for_each(|sr2| back.set(0x35, sr2));
        assert_eq!(back, found, "{family:?}");
    }
}

/// W25Q128JV Rev. I: SUS is status only; the bytes that are written leave it out.
#[test]
fn status_only_bits_are_not_written() {
    let found = registers(StatusFamily::Winbond, &[0x07, 0x82, 0x00]);
    let writes = StatusFamily::Winbond.restore(&found, 16 * MIB).unwrap();
    assert_eq!(writes[0].data, [0x04, 0x02]);
}

/// GD25Q64C Rev 3.0, SRP1 and SRP0: 1,0 is until the next power-up, 1,1 for ever; W25Q128JV Rev. I, SRL: both
/// the same.
#[test]
fn both_lock_bits_are_for_ever_where_the_document_says_so() {
    use StatusFamily as F;
    for (family, bytes, lock) in [
        (F::GigaDevice, [0x00, 0x01], StatusLock::UntilPowerCycle),
        (F::GigaDevice, [0x80, 0x01], StatusLock::ForEver),
        (F::Winbond, [0x80, 0x01], StatusLock::UntilPowerCycle),
    ] {
        let found = registers(family, &[bytes[0], bytes[1], 0]);
        assert_eq!(family.status_lock(&found), Some(lock), "{family:?}");
        assert_eq!(family.unprotect(&found, 8 * MIB), None);
        assert!(family.offered(&found, 8 * MIB).is_empty());
    }
}

/// GD25Q64C Rev 3.0 takes one byte after 01h, GD25Q16C Rev 2.9 loses CMP and QE without the second.
#[test]
fn status_writes_have_the_length_the_part_takes() {
    use StatusFamily as F;
    let lengths = |family: F, mib: u32| -> Vec<(u8, usize)> {
        let found = registers(family, &[0x04, 0x02, 0x00]);
        let writes = family.unprotect(&found, mib * MIB).unwrap();
        writes.iter().map(|w| (w.opcode, w.data.len())).collect()
    };
    assert_eq!(lengths(F::GigaDevice, 8), [(0x01, 1), (0x31, 1)]);
    assert_eq!(lengths(F::GigaDevice, 2), [(0x01, 2)]);
    assert_eq!(lengths(F::Winbond, 16), [(0x01, 2)]);
    assert_eq!(lengths(F::Macronix, 2), [(0x01, 1)]);
}

#[test]
fn nothing_is_written_where_it_is_not_known_or_locked() {
    use StatusFamily as F;
    let none = |family: F, mib: u32, bytes: &[u8]| {
        let found = registers(family, bytes);
        assert_eq!(
            family.unprotect(&found, mib * MIB),
            None,
            "{family:?} {bytes:02X?}"
        );
        assert_eq!(
            family.restore(&found, mib * MIB),
            None,
            "{family:?} {bytes:02X?}"
        );
    };
    none(F::Winbond, 16, &[0x04, 0x01, 0x00]); // SRL
    none(F::Winbond, 16, &[0x04, 0x00, 0x04]); // WPS
    none(F::Winbond, 16, &[0x04]); // SR2 not read
    none(F::GigaDevice, 16, &[0x04, 0x00, 0x00]); // length of 01h not read
    none(F::Macronix, 16, &[0x04, 0x00, 0x80]); // WPSEL
    none(F::Sst26A, 1, &[0x1C, 0x04]); // VLP
    for family in [
        F::Basic,
        F::CypressS,
        F::CypressL,
        F::AdestoDf,
        F::Sst26,
        F::Eon,
    ] {
        none(family, 2, &[0x04, 0x00, 0x00]);
    }
}

#[test]
fn locks_are_told() {
    let lock =
        |bytes: &[u8]| StatusFamily::Winbond.status_lock(&registers(StatusFamily::Winbond, bytes));
    assert_eq!(lock(&[0x80, 0, 0]), Some(StatusLock::WhileWpLow));
    assert_eq!(lock(&[0x80, 1, 0]), Some(StatusLock::UntilPowerCycle));
    assert_eq!(lock(&[0x7C, 0, 0]), None);
    // SST26VF080A DS20006203B: VLP is bit 2 of the configuration register, BPL bit 7 of SR.
    let lock =
        |bytes: &[u8]| StatusFamily::Sst26A.status_lock(&registers(StatusFamily::Sst26A, bytes));
    assert_eq!(lock(&[0x1C, 0x04]), Some(StatusLock::UntilPowerCycle));
    assert_eq!(lock(&[0x9C, 0x80]), Some(StatusLock::WhileWpLow));
    assert_eq!(lock(&[0x1C, 0xC3]), None);
}

#[test]
fn failures_are_told_by_the_families_that_flag_them() {
    use StatusFamily as F;
    assert_eq!(F::CypressS.failed(0x21, None), Some(FailFlag::Erase));
    assert_eq!(F::CypressS.failed(0x41, None), Some(FailFlag::Program));
    assert_eq!(F::CypressS.failed(0x1F, None), None);
    assert_eq!(F::Micron.failed(0xFC, Some(0xA0)), Some(FailFlag::Erase));
    assert_eq!(F::Micron.failed(0, Some(0x90)), Some(FailFlag::Program));
    assert_eq!(F::Micron.failed(0, Some(0x82)), Some(FailFlag::Protected));
    assert_eq!(F::Micron.failed(0xFF, None), None);
    assert_eq!(F::Winbond.failed(0xFF, Some(0xFF)), None);
    assert_eq!(
        (F::CypressS.clear_status(), F::Micron.clear_status()),
        (Some(0x30), Some(0x50))
    );
}

/// 35h enters QPI on MT25QL128ABA (Rev. I) and IS25LP128 (Rev. D); 48h is ISSI's function register.
#[test]
fn only_plain_reads_are_asked_for() {
    use StatusFamily as F;
    for family in FAMILIES {
        for register in family.registers() {
            assert!(family.observes().contains(&register.opcode), "{family:?}");
        }
    }
    for family in [
        F::Micron,
        F::Issi,
        F::Macronix,
        F::Basic,
        F::Eon,
        F::M25p,
        F::Sst25,
    ] {
        assert!(!family.observes().contains(&0x35), "{family:?}");
    }
}
