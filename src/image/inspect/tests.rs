use super::*;

const KIB: usize = 1 << 10;

pub(super) fn noise(seed: u64, length: usize) -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut bytes = vec![0; length];
    random.fill(&mut bytes);
    bytes
}

/// Bytes with the skew of machine code.
pub(super) fn code(seed: u64, length: usize) -> Vec<u8> {
    let bytes = noise(seed, 3 * length);
    let three = bytes.chunks(3);
    three
        .map(|three| three[0] & three[1] | three[2] & 0x11)
        .collect()
}

fn settings(starts: u32) -> Vec<u8> {
    format!("unit=gauge-07\nstarts={starts:04}\ninterval_s=0300\nport=north mole\n").into_bytes()
}

fn coefficients() -> Vec<u8> {
    let step = |step: u32| (step * 13 + step * step % 251).to_le_bytes();
    (0..512).flat_map(step).collect()
}

/// A 1 MiB logger: boot loader, settings, system, calibration, identity.
pub(super) fn logger() -> Vec<u8> {
    let mut image = vec![0xFF; 1 << 20];
    let mut put = |at: usize, bytes: &[u8]| image[at..at + bytes.len()].copy_from_slice(bytes);
    put(0, &code(1, 52 * KIB));
    put(0x1_0000, &settings(1));
    put(0x2_0000, &noise(2, 500 * KIB));
    put(0xE_0000, &coefficients());
    put(
        0xF_0000,
        b"serial=TG-2019-0007\naddress=02:00:5e:07:00:07\nharbour=north mole\n",
    );
    image
}

fn seen(image: &[u8]) -> Inspection {
    inspect(&image.to_vec(), &Known::default()).unwrap()
}

fn doubts(image: &[u8]) -> Vec<Doubt> {
    seen(image).doubts
}

fn staff(inspection: &Inspection) -> Vec<(u32, Looks)> {
    let stretches = inspection.stretches.iter();
    stretches.map(|one| (one.range.start, one.looks)).collect()
}

const LOGGER_MAP: &str = "size = '1MiB'\n\
    [[region]]\nname='boot'\nstart=0\nend=0x10000\nholds='replaceable'\n\
    [[region]]\nname='boot-settings'\nstart=0x10000\nend=0x20000\nholds='keep'\n\
    [[region]]\nname='system'\nstart=0x20000\nend=0xE0000\nholds='replaceable'\n\
    [[region]]\nname='calibration'\nstart=0xE0000\nend=0xF0000\nholds='unit-data'\n";

#[test]
fn a_healthy_dump_is_sane_and_shows_what_it_holds() {
    let found = seen(&logger());
    assert_eq!(found.doubts, []);
    assert!(found.is_sane());
    assert_eq!(
        staff(&found),
        [
            (0, Looks::CodeLike),
            (0xD000, Looks::Blank),
            (0x1_0000, Looks::Text),
            (0x1_0100, Looks::Blank),
            (0x2_0000, Looks::Packed),
            (0x9_D000, Looks::Blank),
            (0xE_0000, Looks::Table),
            (0xE_0800, Looks::Blank),
            (0xF_0000, Looks::Text),
            (0xF_0100, Looks::Blank),
        ]
    );
    let packed = found.stretches[4].bits_a_byte;
    assert!((7.94..7.97).contains(&packed), "{packed}");
}

#[test]
fn a_map_cuts_stretches_and_has_to_fit() {
    let map = RegionMap::parse("m", LOGGER_MAP).unwrap();
    let known = Known {
        map: Some(&map),
        chip_size_bytes: Some(1 << 20),
        ..Known::default()
    };
    let mut image = logger();
    image[0xD_0000..0x10_0000].fill(0xFF);
    let found = inspect(&image, &known).unwrap();
    assert_eq!(found.doubts, []);
    let blank: Vec<u32> = staff(&found)[5..].iter().map(|(start, _)| *start).collect();
    assert_eq!(blank, [0x9_D000, 0xE_0000, 0xF_0000]);

    let half = inspect(&image[..1 << 19].to_vec(), &known).unwrap();
    let other = |source| Doubt::OtherSize {
        size_bytes: 1 << 19,
        expected_bytes: 1 << 20,
        source,
    };
    assert_eq!(
        half.doubts,
        [other(SizeSource::Chip), other(SizeSource::Map)]
    );
}

#[test]
fn a_border_that_keeps_to_no_block_cuts_there() {
    let text = "size='64KiB'\n[[region]]\nname='a'\nstart=0x1234\nend=0x1301\nholds='keep'\n";
    let map = RegionMap::parse("m", text).unwrap();
    let known = Known {
        map: Some(&map),
        ..Known::default()
    };
    for image in [noise(1, 64 * KIB), vec![0xFF; 64 * KIB], code(1, 64 * KIB)] {
        let found = inspect(&image, &known).unwrap();
        let starts: Vec<u32> = staff(&found).iter().map(|(start, _)| *start).collect();
        assert_eq!(starts, [0, 0x1234, 0x1301]);
        assert_eq!(found.stretches.last().unwrap().range.end, 64 << 10);
    }
}

#[test]
fn healthy_images_of_all_kinds_raise_no_doubt() {
    let mut twin_slots = vec![0xFF; 1 << 20];
    twin_slots[..300_000].copy_from_slice(&noise(3, 300_000));
    let slot = twin_slots[0x1_0000..0x4_0000].to_vec();
    twin_slots[0x8_1000..0xB_1000].copy_from_slice(&slot);
    let images = [
        ("packed throughout", noise(4, 1 << 20)),
        ("code throughout", code(4, 1 << 18)),
        ("twin slots", twin_slots),
        ("a single byte", vec![0xFF, 0xFE]),
        ("tiny", settings(1)[..32].to_vec()),
        (
            "one block of text",
            settings(1).repeat(100)[..4096].to_vec(),
        ),
    ];
    for (name, image) in images {
        assert_eq!(doubts(&image), [], "{name}");
    }
}

#[test]
fn random_healthy_images_raise_no_doubt() {
    for seed in 0..60 {
        let mut random = fastrand::Rng::with_seed(seed);
        let mut image = vec![0xFF; 1 << random.usize(16..20)];
        let mut at = 0;
        while at < image.len() {
            let length = random.usize(1..image.len() / 8).min(image.len() - at);
            let bytes = match random.u8(..6) {
                0 => noise(seed, length),
                1 => code(seed, length),
                2 => settings(seed as u32).repeat(length / 40 + 1),
                3 => coefficients().repeat(length / 2048 + 1),
                4 => vec![0; length],
                _ => vec![0xFF; length],
            };
            image[at..at + length].copy_from_slice(&bytes[..length]);
            at += (length + 4096) / 4096 * 4096;
        }
        let alarms = doubts(&image);
        let plain = image.iter().all(|byte| *byte == image[0]);
        assert!(alarms.is_empty() || plain, "seed {seed}: {alarms:?}");
    }
}

#[test]
fn all_one_byte_is_no_dump_and_nothing_else_is_said_of_it() {
    for byte in [0xFF, 0, 0xA5] {
        let alarm = Doubt::Look(crate::image::Alarm::Uniform(byte));
        assert_eq!(doubts(&vec![byte; 1 << 18]), [alarm]);
    }
    assert_eq!(doubts(&[]), [Doubt::Empty]);
    assert_eq!(seen(&[]).stretches, []);
}

#[test]
fn mirrored_dumps_are_called_out() {
    let image = logger();
    let mirror = |address_bits: &[u8], chip_bytes| Doubt::Mirror {
        address_bits: address_bits.to_vec(),
        chip_bytes,
    };
    assert_eq!(doubts(&image.repeat(2)), [mirror(&[20], Some(1 << 20))]);
    assert_eq!(doubts(&image.repeat(4)), [mirror(&[20, 21], Some(1 << 20))]);
    let settled = Known {
        repeats_are_real: true,
        ..Known::default()
    };
    let inner = [image[..1 << 19].repeat(2), image[1 << 19..].repeat(2)].concat();
    assert_eq!(doubts(&inner), [mirror(&[19], None)]);
    let found = inspect(&inner, &settled).unwrap();
    assert_eq!(
        found.doubts,
        [],
        "the chip has told that there are two copies"
    );
    let upper = inspect(&image.repeat(2), &settled).unwrap();
    assert!(!upper.is_sane(), "of this it has not");
    for bit in 12..20_u8 {
        for stuck in [0, 1 << bit] {
            let view: Vec<u8> = (0..image.len())
                .map(|address| image[address & !(1 << bit) | stuck])
                .collect();
            let found = doubts(&view);
            assert!(
                matches!(&found[..], [Doubt::Mirror { address_bits, .. }] if address_bits.contains(&bit)),
                "A{bit}: {found:?}"
            );
        }
    }
}

#[test]
fn truncated_dumps_are_called_out() {
    let image = logger();
    for (end, shown) in [
        ((1 << 20) - 1, "it is 1 byte less than 1 MiB"),
        (1_000_000, "it is 48576 bytes less than 1 MiB"),
        (600 << 10, "it is 88 KiB more than 512 KiB"),
    ] {
        let found = doubts(&image[..end]);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!(found[0].to_string(), shown);
    }
}

#[test]
fn blocks_without_a_partner_make_no_mirror() {
    let image = logger();
    let longer = [&image[..1 << 19], &image[..0x1_0000]].concat();
    let found = doubts(&longer);
    assert!(matches!(found[..], [Doubt::Size { .. }]), "{found:?}");
}

#[test]
fn dumps_shifted_by_one_byte_are_called_out() {
    let image = logger();
    // Added or lost at the start, behind the boot loader, and in the middle of the settings.
    for at in [0, 0xE000, 0x1_0010] {
        let from = if at == 0 || at == 0xE000 {
            0x1_0000
        } else {
            0x2_0000
        };
        let mut late = image.clone();
        late.insert(at, 0xFF);
        late.pop();
        let shift = |bytes: i32, starts| Doubt::ByteShift {
            bytes,
            from: u32::try_from(from + i64::from(bytes)).unwrap(),
            starts,
        };
        let starts = if from == 0x1_0000 { 4 } else { 3 };
        assert_eq!(doubts(&late), [shift(1, starts)], "late from {at:#X}");
        let mut early = image.clone();
        early.remove(at);
        early.push(0xFF);
        assert_eq!(doubts(&early), [shift(-1, starts)], "early from {at:#X}");
    }
}

#[test]
fn dumps_shifted_by_one_bit_are_called_out() {
    let image = logger();
    let late: Vec<u8> = std::iter::once(&0xFF)
        .chain(&image)
        .zip(&image)
        .map(|(before, byte)| before << 7 | byte >> 1)
        .collect();
    let early: Vec<u8> = image
        .iter()
        .zip(image.iter().skip(1).chain([&0xFF]))
        .map(|(byte, next)| byte << 1 | next >> 7)
        .collect();
    for (view, bits) in [(&late, 1), (&early, -1)] {
        let found = doubts(view);
        let shift = Doubt::BitShift {
            bits,
            from: 0x1_0000,
        };
        assert!(found.contains(&shift), "{found:?}");
    }
}

#[test]
fn stuck_bits_are_called_out() {
    let image = logger();
    for bit in 0..8 {
        let view: Vec<u8> = image.iter().map(|byte| byte & !(1 << bit)).collect();
        let found = doubts(&view);
        let alarm = Doubt::Look(crate::image::Alarm::StuckLow(1 << bit));
        assert!(found.contains(&alarm), "{found:?}");
    }
}

#[test]
fn content_that_stands_twice_is_told() {
    let mut image = logger();
    let mut text = settings(1).repeat(60);
    text.truncate(3 << 10);
    let twice = text.repeat(2);
    image[0x1_0000..0x1_1800].copy_from_slice(&twice);
    image[0xC_0000..0xC_1800].copy_from_slice(&twice);
    let found = seen(&image);
    assert_eq!(found.doubts, []);
    let at = |start: u32| {
        found
            .stretches
            .iter()
            .find(|one| one.range.start == start)
            .unwrap()
    };
    assert_eq!((at(0x1_0000).times, at(0x1_0000).equals), (2, None));
    assert_eq!(
        (at(0xC_0000).times, at(0xC_0000).equals),
        (2, Some(0x1_0000))
    );
    assert_eq!((at(0x2_0000).times, at(0x2_0000).equals), (1, None));
    image[0xC_17FF] ^= 1;
    let found = seen(&image);
    let other = found
        .stretches
        .iter()
        .find(|one| one.range.start == 0xC_0000)
        .unwrap();
    assert_eq!((other.times, other.equals), (1, None));
}

#[test]
fn the_staff_is_as_a_person_reads_it() {
    let map = RegionMap::parse("m", LOGGER_MAP).unwrap();
    let mut image = logger();
    let text = settings(1).repeat(60);
    image[0x1_0000..0x1_0C00].copy_from_slice(&text[..0xC00]);
    image[0x1_0C00..0x1_1800].copy_from_slice(&text[..0xC00]);
    let known = Known {
        map: Some(&map),
        ..Known::default()
    };
    let found = inspect(&image, &known).unwrap();
    assert_eq!(
        found.staff(Some(&map), None).lines(),
        [
            "  0x000000 -| boot              52 KiB  code-like    6.7",
            "  0x00D000  |                   12 KiB  blank",
            "  0x010000 -| boot-settings      6 KiB  text, twice  4.3",
            "  0x011800  |                   58 KiB  blank",
            "  0x020000 -| system           500 KiB  packed       8.0",
            "  0x09D000  |                  268 KiB  blank",
            "  0x0E0000 -| calibration        2 KiB  table        4.4",
            "  0x0E0800  |                   62 KiB  blank",
            "  0x0F0000 -| no region      256 bytes  text         4.4",
            "  0x0F0100  |                63.75 KiB  blank",
        ]
    );
}

#[test]
fn fields_are_counted_in_unit_data_only() {
    let map = RegionMap::parse("m", LOGGER_MAP).unwrap();
    let fields = |image: &[u8], map| {
        let image = &image.to_vec();
        let found = inspect(
            image,
            &Known {
                map,
                ..Known::default()
            },
        )
        .unwrap();
        let stretches = found.stretches.iter().filter(|one| one.address_fields > 0);
        stretches
            .map(|one| (one.range.start, one.address_fields))
            .collect::<Vec<_>>()
    };
    let image = logger();
    assert_eq!(fields(&image, None), [(0xF_0000, 1)]);
    assert_eq!(
        fields(&image, Some(&map)),
        [],
        "the map has no unit data there"
    );
    let mut image = logger();
    image[0xE_0800..0xE_0811].copy_from_slice(b"02:00:5e:07:00:07");
    assert_eq!(fields(&image, Some(&map)), [(0xE_0000, 1)]);
}

#[test]
fn what_stands_within_a_finding_is_no_field() {
    let mut fs = squashfs(7, 0x2000);
    fs[0x7FF..0x812].copy_from_slice(b"\x0002:00:5e:07:00:07\0");
    let mut image = logger();
    image[0xE_0000..0xE_2000].copy_from_slice(&fs);
    let fields = |image: &[u8]| {
        let found = seen(image);
        let stretches = found.stretches.iter();
        let at = stretches.filter(|one| (0xE_0000..0xE_2000).contains(&one.range.start));
        at.map(|one| one.address_fields).sum::<u32>()
    };
    assert_eq!(fields(&image), 0);
    image[0xE_0000] = 0;
    assert_eq!(fields(&image), 1, "without the header");
}

/// A SquashFS superblock, all other fields as `squashfs_fs.h` of Linux wants them: 4.0, blocks of 128 KiB.
fn squashfs(seed: u64, bytes_used: u64) -> Vec<u8> {
    let mut bytes = noise(seed, usize::try_from(bytes_used).unwrap());
    bytes[..96].fill(0);
    let mut put = |at: usize, field: &[u8]| bytes[at..at + field.len()].copy_from_slice(field);
    put(0, b"hsqs");
    put(4, &1_u32.to_le_bytes());
    put(12, &(128_u32 << 10).to_le_bytes());
    put(16, &0_u32.to_le_bytes());
    put(20, &1_u16.to_le_bytes());
    put(22, &17_u16.to_le_bytes());
    put(24, &0x00C0_u16.to_le_bytes());
    put(26, &1_u16.to_le_bytes());
    put(28, &4_u16.to_le_bytes());
    put(32, &0_u64.to_le_bytes());
    put(40, &bytes_used.to_le_bytes());
    let tables = [96, u64::MAX, 128, 160, u64::MAX, u64::MAX];
    let starts = [48, 56, 64, 72, 80, 88];
    put(48, &(bytes_used - 8).to_le_bytes());
    for (at, table) in starts.into_iter().zip(tables).skip(1) {
        put(at, &table.to_le_bytes());
    }
    bytes
}

#[test]
fn headers_begin_stretches_and_are_noted() {
    let mut image = logger();
    image[0x6_0000..0x9_0000].copy_from_slice(&squashfs(7, 0x3_0000));
    image[0x9_0000..0xA_0000].fill(0xFF);
    let found = seen(&image);
    assert_eq!(found.doubts, []);
    assert_eq!(found.findings.listed.len(), 1, "{:?}", found.findings);
    let noted = |image: &[u8]| {
        let lines = seen(image).staff(None, None).lines();
        let place = lines
            .iter()
            .position(|line| line.contains("SquashFS"))
            .unwrap();
        lines[place - 1..=place].join("\n")
    };
    let folded = noted(&image);
    assert!(
        folded.starts_with("  0x020000  |     448 KiB  packed     8.0\n  0x060000  |   SquashFS;"),
        "{folded}"
    );
    image[0x5_0000..0x6_0000].fill(0xFF);
    let apart = noted(&image);
    assert!(
        apart.starts_with("  0x060000  |     192 KiB  packed     8.0\n            |   SquashFS;"),
        "{apart}"
    );
}

#[test]
fn what_runs_past_the_end_by_its_own_header_is_called_out() {
    let mut image = logger();
    image[0x6_0000..0x9_0000].copy_from_slice(&squashfs(7, 0x3_0000));
    let found = doubts(&image[..0x8_0000]);
    let cut = Doubt::CutShort {
        from: 0x6_0000,
        end: Some(0x9_0000),
        format: crate::image::formats::Format::Squashfs,
    };
    assert_eq!(found, [cut], "half the size is a power of two by itself");
}

#[test]
fn a_header_beside_its_place_tells_of_a_shift_where_little_else_does() {
    let mut image = noise(8, 1 << 18);
    image[0x1_0000..0x3_0000].copy_from_slice(&squashfs(7, 0x2_0000));
    assert_eq!(doubts(&image), []);
    image.insert(5, 0);
    image.pop();
    let shift = Doubt::ByteShift {
        bytes: 1,
        from: 0x1_0001,
        starts: 1,
    };
    assert_eq!(doubts(&image), [shift]);
}

#[test]
fn a_lone_byte_at_the_edge_of_the_blank_fills_nothing() {
    let mut image = logger();
    image[0xD000] = 0x1B;
    assert!(staff(&seen(&image)).contains(&(0xD000, Looks::Mixed)));
    image[0xD000..0xD100].fill(0x1B);
    assert!(staff(&seen(&image)).contains(&(0xD000, Looks::Filled(0x1B))));
}
