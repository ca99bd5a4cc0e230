//! The models that stand on the bench.

use norlock::interlock::Interlock;
use norlock::jedec::Millivolts;

use crate::emulator;

/// A serial-flash model of the emulator, and what a person at the bench knows of such a chip.
#[derive(Debug, Clone)]
pub struct Model {
    /// The emulator's name for it.
    pub name: String,
    /// Array size; the backing file must have exactly this length.
    pub size_bytes: usize,
    /// What would be printed on such a chip.
    pub marking: String,
    /// The level that the marking's datasheet asks for.
    pub level: Millivolts,
    /// First bytes of the answer to 9Fh; `None` for a model that no datasheet was read for here.
    pub jedec_id: Option<[u8; 3]>,
    /// Whether the model answers 5Ah with SFDP; `None` as above.
    pub has_sfdp: Option<bool>,
}

const MIB: usize = 1 << 20;
const V3_3: Millivolts = Millivolts(3300);
const V1_8: Millivolts = Millivolts(1800);

/// Models to which norlock must do nothing, and the interlock that holds it back.
const REFUSED: [(&str, Interlock); 2] = [
    // A serial EEPROM.
    ("25csm04", Interlock::KnownPart),
    // The real part has another command set, which the model leaves out.
    ("at45db081d", Interlock::KnownPart),
];

type Documented = (&'static str, usize, [u8; 3], bool);

/// Models that each test here runs on unless others are named: name, size, JEDEC ID, SFDP. ID and size
/// are from the datasheet named beside each; whether there is SFDP is the model's matter: without it the
/// last one is a GD25Q64B, not a C.
#[rustfmt::skip]
const DOCUMENTED: [Documented; 4] = [
    // W25Q80BL: common practice, no source.
    ("w25q80bl", MIB, [0xEF, 0x40, 0x14], true),
    // MX25L25635F: common practice, no source.
    ("mx25l25635f", 32 * MIB, [0xC2, 0x20, 0x19], true),
    // N25Q256A, n25q_256mb_65nm, Rev. W 11/16.
    ("n25q256a", 32 * MIB, [0x20, 0xBA, 0x19], true),
    // GD25Q64C, Rev 3.0, 2018-08-01, which answers the same ID; GD25Q64B: common practice, no source.
    ("gd25q64", 8 * MIB, [0xC8, 0x40, 0x17], false),
];

/// Of the models from 8 MiB on, one for each way of addressing, each size of block and each size of
/// chip; two of 32 MiB are among the documented ones.
const LARGE: [&str; 10] = [
    // Three address bytes, 8 MiB: 4 KiB and 64 KiB blocks, 64 KiB alone, and a status register of its own.
    "w25q64",
    "m25p64",
    "s25sl064p",
    // Three address bytes up to the last one, 16 MiB: 4 KiB and 64 KiB blocks, and 64 KiB or 256 KiB alone.
    "n25q128",
    "s25fl129p1",
    "m25p128",
    // Dedicated opcodes, 64 KiB blocks, 64 MiB.
    "w25q512jv",
    // Mode with write enable, 64 MiB.
    "n25q512a",
    // Mode without, 128 MiB.
    "mx66u1g45g",
    // Dedicated opcodes, 256 KiB blocks, pages of 512 bytes.
    "s25fl512s",
];
const LARGE_FROM: usize = 8 * MIB;

/// Model, a marking that a chip of it would carry, the level to set. Markings that begin with EMULATED
/// are those of `parts.toml`; the others are order numbers in the makers' form (common practice, no
/// source), of the variant that the model's ID and SFDP stand for.
#[rustfmt::skip]
const MARKINGS: [(&str, &str, Millivolts); 134] = [
    ("160s33b", "QB25F160S33B8", V3_3),
    ("25csm04", "25CSM04", V3_3),
    ("320s33b", "QB25F320S33B8", V3_3),
    ("640s33b", "QB25F640S33B8", V3_3),
    ("at25df041a", "AT25DF041A-SSH", V3_3),
    ("at25df321a", "AT25DF321A-SH", V3_3),
    ("at25df641", "AT25DF641-S3H", V3_3),
    ("at25fs010", "AT25FS010N-SH27", V3_3),
    ("at25fs040", "AT25FS040N-SH27", V3_3),
    ("at26df081a", "AT26DF081A-SU", V3_3),
    ("at26df161a", "AT26DF161A-SU", V3_3),
    ("at26df321", "AT26DF321-SU", V3_3),
    ("at26f004", "AT26F004-SU", V3_3),
    ("at45db081d", "AT45DB081D-SU", V3_3),
    ("en25f32", "EN25F32-100HIP", V3_3),
    ("en25p32", "EN25P32-100HIP", V3_3),
    ("en25p64", "EN25P64-100FIP", V3_3),
    ("en25q32b", "EN25Q32B-104HIP", V3_3),
    ("en25q64", "EN25Q64-104HIP", V3_3),
    ("gd25q32", "GD25Q32BSIG", V3_3),
    ("gd25q64", "GD25Q64BSIG", V3_3),
    ("is25lp016d", "IS25LP016D-JBLE", V3_3),
    ("is25lp032", "EMULATEDIS25LP032", V3_3),
    ("is25lp064", "EMULATEDIS25LP064", V3_3),
    ("is25lp080d", "IS25LP080D-JNLE", V3_3),
    ("is25lp128", "IS25LP128F-JBLE", V3_3),
    ("is25lp256", "IS25LP256D-JMLE", V3_3),
    ("is25lq040b", "EMULATEDIS25LQ040B", V3_3),
    ("is25wp032", "IS25WP032D-JBLE", V1_8),
    ("is25wp064", "IS25WP064A-JBLE", V1_8),
    ("is25wp128", "IS25WP128F-JBLE", V1_8),
    ("is25wp256", "IS25WP256D-JMLE", V1_8),
    ("m25p05", "M25P05-AVMN6", V3_3),
    ("m25p10", "M25P10-AVMN6", V3_3),
    ("m25p128", "M25P128-VMF6", V3_3),
    ("m25p16", "M25P16-VMN6", V3_3),
    ("m25p20", "M25P20-VMN6", V3_3),
    ("m25p32", "M25P32-VMW6", V3_3),
    ("m25p40", "M25P40-VMN6", V3_3),
    ("m25p64", "M25P64-VMF6", V3_3),
    ("m25p80", "M25P80-VMN6", V3_3),
    ("m25pe16", "EMULATEDM25PE16", V3_3),
    ("m25pe20", "EMULATEDM25PE20", V3_3),
    ("m25pe80", "EMULATEDM25PE80", V3_3),
    ("m25px32", "M25PX32-VMW6", V3_3),
    ("m25px32-s0", "M25PX32-VMW6", V3_3),
    ("m25px32-s1", "M25PX32-VMW6", V3_3),
    ("m25px64", "M25PX64-VMF6", V3_3),
    ("m45pe10", "EMULATEDM45PE10", V3_3),
    ("m45pe16", "EMULATEDM45PE16", V3_3),
    ("m45pe80", "EMULATEDM45PE80", V3_3),
    ("mt25ql01g", "MT25QL01GBBB8ESF", V3_3),
    ("mt25ql02g", "MT25QL02GCBB8E12", V3_3),
    ("mt25ql512ab", "MT25QL512ABB8ESF", V3_3),
    ("mt25qu01g", "MT25QU01GBBB8ESF", V1_8),
    ("mt25qu02g", "MT25QU02GCBB8E12", V1_8),
    ("mt35xu01g", "MT35XU01GBBA1G12", V1_8),
    ("mt35xu02gbba", "MT35XU02GCBA1G12", V1_8),
    ("mx25l12805d", "MX25L12805DMI", V3_3),
    ("mx25l12855e", "MX25L12855EMI", V3_3),
    ("mx25l1606e", "MX25L1606EM2I", V3_3),
    ("mx25l2005a", "MX25L2005AMC", V3_3),
    ("mx25l25635e", "MX25L25635EMI", V3_3),
    ("mx25l25635f", "MX25L25635FMI", V3_3),
    ("mx25l25655e", "MX25L25655EMI", V3_3),
    ("mx25l3205d", "MX25L3205DM2I", V3_3),
    ("mx25l4005a", "MX25L4005AM2C", V3_3),
    ("mx25l6405d", "MX25L6405DMI", V3_3),
    ("mx25l8005", "MX25L8005M2C", V3_3),
    ("mx66l1g45g", "MX66L1G45GMI", V3_3),
    ("mx66l51235f", "MX66L51235FMI", V3_3),
    ("mx66u1g45g", "MX66U1G45GMI", V1_8),
    ("mx66u51235f", "MX66U51235FMI", V1_8),
    ("n25q00", "N25Q00AA13GSF40", V3_3),
    ("n25q00a", "N25Q00AA11GSF40", V1_8),
    ("n25q032", "EMULATEDN25Q032", V3_3),
    ("n25q032a11", "N25Q032A11ESE40", V1_8),
    ("n25q032a13", "EMULATEDN25Q032A13", V3_3),
    ("n25q064", "N25Q064A13ESE40", V3_3),
    ("n25q064a11", "N25Q064A11ESE40", V1_8),
    ("n25q064a13", "N25Q064A13ESE40", V3_3),
    ("n25q128", "N25Q128A13ESE40", V3_3),
    ("n25q128a11", "N25Q128A11ESE40", V1_8),
    ("n25q128a13", "N25Q128A13ESE40", V3_3),
    ("n25q256a", "N25Q256A13ESF40", V3_3),
    ("n25q256a11", "N25Q256A11ESF40", V1_8),
    ("n25q256a13", "N25Q256A13ESF40", V3_3),
    ("n25q512a", "N25Q512A13GSF40", V3_3),
    ("n25q512a11", "N25Q512A11GSF40", V1_8),
    ("n25q512a13", "N25Q512A13GSF40", V3_3),
    ("n25q512ax3", "N25Q512A13GSF40", V3_3),
    ("s25fl016k", "S25FL016K0XMFI", V3_3),
    ("s25fl064k", "S25FL064K0SMFI", V3_3),
    ("s25fl129p0", "S25FL129P0XMFI00", V3_3),
    ("s25fl129p1", "S25FL129P0XMFI01", V3_3),
    ("s25fl256s0", "EMULATEDS25FL256S0", V3_3),
    ("s25fl256s1", "EMULATEDS25FL256S1", V3_3),
    ("s25fl512s", "S25FL512SAGMFI01", V3_3),
    ("s25fs512s", "S25FS512SAGMFI01", V1_8),
    ("s25sl004a", "S25FL004A0LMFI", V3_3),
    ("s25sl008a", "S25FL008A0LMFI", V3_3),
    ("s25sl016a", "S25FL016A0LMFI", V3_3),
    ("s25sl032a", "S25FL032A0LMFI", V3_3),
    ("s25sl032p", "S25FL032P0XMFI", V3_3),
    ("s25sl064a", "S25FL064A0LMFI", V3_3),
    ("s25sl064p", "S25FL064P0XMFI", V3_3),
    ("s25sl12800", "S25FL128P0XMFI00", V3_3),
    ("s25sl12801", "S25FL128P0XMFI01", V3_3),
    ("s70fl01gs", "S70FL01GSAGMFI01", V3_3),
    ("s70fs01gs", "S70FS01GSAGMFI01", V1_8),
    ("sst25vf016b", "25VF016B-50-4C-S2AF", V3_3),
    ("sst25vf032b", "25VF032B-80-4I-S2AF", V3_3),
    ("sst25vf040b", "25VF040B-50-4C-S2AF", V3_3),
    ("sst25vf080b", "25VF080B-50-4C-S2AF", V3_3),
    ("sst25wf010", "25WF010-40-5I-SAF", V1_8),
    ("sst25wf020", "25WF020-40-5I-SAF", V1_8),
    ("sst25wf040", "25WF040-40-5I-SAF", V1_8),
    ("sst25wf080", "25WF080-75-4I-SAF", V1_8),
    ("sst25wf512", "25WF512-40-5I-SAF", V1_8),
    ("w25q01jvq", "25Q01JVIQ", V3_3),
    ("w25q256", "25Q256JVFQ", V3_3),
    ("w25q32", "W25Q32BVSIG", V3_3),
    ("w25q32dw", "W25Q32DWSIG", V1_8),
    ("w25q512jv", "25Q512JVFQ", V3_3),
    ("w25q64", "W25Q64BVSIG", V3_3),
    ("w25q80", "W25Q80BWSIG", V1_8),
    ("w25q80bl", "W25Q80BLSNIG", V3_3),
    ("w25x10", "25X10VSIG", V3_3),
    ("w25x16", "25X16VSIG", V3_3),
    ("w25x20", "25X20VSIG", V3_3),
    ("w25x32", "25X32VSIG", V3_3),
    ("w25x40", "25X40CLSIG", V3_3),
    ("w25x64", "25X64VSIG", V3_3),
    ("w25x80", "25X80VSIG", V3_3),
];

/// The models named in `NORLOCK_EMULATED`: `all` that the emulator has, `most` of them, or names. Else
/// those of the table of documented ones.
pub fn chosen() -> Vec<Model> {
    let names: Vec<String> = match std::env::var("NORLOCK_EMULATED").as_deref() {
        Err(_) => DOCUMENTED.map(|row| row.0.to_owned()).to_vec(),
        Ok("all") => identifiable(),
        Ok("most") => identifiable()
            .into_iter()
            .filter(|name| LARGE.contains(&name.as_str()) || size_of(name) < LARGE_FROM)
            .collect(),
        Ok(names) => names
            .split(',')
            .map(|name| name.trim().to_owned())
            .filter(|name| !name.is_empty())
            .collect(),
    };
    let mut models: Vec<Model> = names.iter().map(|name| model(name)).collect();
    // The longest jobs first, so that no core waits for one at the end.
    models.sort_by_key(|model| std::cmp::Reverse(model.size_bytes));
    models
}

/// The emulator's models that answer Read ID. Two do not, and their names say so.
///
/// Another emulator may have other models; what this one has must be what the markings are for.
fn identifiable() -> Vec<String> {
    let names = emulator::models().unwrap_or_else(|error| panic!("{error}"));
    let answering = |name: &String| !name.ends_with("-nonjedec");
    let names: Vec<String> = names.into_iter().filter(answering).collect();
    let unmarked = names.iter().filter(|name| marking(name).is_none());
    let gone = MARKINGS
        .iter()
        .filter(|row| !names.iter().any(|name| name == row.0));
    let wrong: Vec<&str> = unmarked
        .map(String::as_str)
        .chain(gone.map(|row| row.0))
        .collect();
    assert!(
        wrong.is_empty(),
        "not in both the emulator and MARKINGS: {wrong:?}"
    );
    names
}

fn marking(name: &str) -> Option<&'static (&'static str, &'static str, Millivolts)> {
    MARKINGS.iter().find(|row| row.0 == name)
}

/// A model with a marking of `parts.toml` that gives it one way of addressing only.
pub fn with_marking(name: &str, marking: &str) -> Model {
    Model {
        marking: marking.to_owned(),
        ..model(name)
    }
}

/// The smallest model of the table, for tests that need only one.
pub fn smallest() -> Model {
    model(DOCUMENTED[0].0)
}

/// The model of the table that has no SFDP.
pub fn without_sfdp() -> Model {
    model(DOCUMENTED[3].0)
}

/// The interlock that must hold norlock back from a model; `None` for one that it must convert.
pub fn refused_by(name: &str) -> Option<Interlock> {
    let refused = REFUSED.iter().find(|(known, _)| *known == name);
    refused.map(|(_, interlock)| *interlock)
}

fn model(name: &str) -> Model {
    let documented = DOCUMENTED.iter().find(|row| row.0 == name);
    let marked = marking(name);
    Model {
        name: name.to_owned(),
        size_bytes: documented.map_or_else(|| size_of(name), |row| row.1),
        marking: marked.map_or_else(|| name.to_uppercase(), |row| row.1.to_owned()),
        level: marked.map_or(V3_3, |row| row.2),
        jedec_id: documented.map(|row| row.2),
        has_sfdp: documented.map(|row| row.3),
    }
}

fn size_of(name: &str) -> usize {
    emulator::size_bytes_of(name).unwrap_or_else(|error| panic!("{name}: {error}"))
}
