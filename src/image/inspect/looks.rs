//! What a few KiB look like, by how often each byte value occurs in them.

use serde::Serialize;

use super::BLOCK_SIZE_BYTES;

/// Places whose byte values are counted apart: tables have columns, mostly of 2 or 4 bytes.
const COLUMNS: usize = 4;
/// Fewer bytes than this tell nothing but text from no text.
const TELLING_BYTES: u32 = 256;
/// How far below that of random bytes the entropy of packed bytes may lie, in bits a byte.
const PACKED_MARGIN: f64 = 0.25;
/// How much less entropy the columns of a table have than the whole, in bits a byte.
const TABLE_GAIN: f64 = 1.0;
/// Entropy from which bytes may be code, in bits a byte.
const CODE_MIN: f64 = 4.5;
/// Byte values that code has at least.
const CODE_VALUES_MIN: usize = 64;

/// What bytes look like. A look is a guess from statistics, and no proof.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Looks {
    /// FF throughout: erased, or never programmed.
    Blank,
    /// One other byte value throughout.
    Filled(u8),
    /// Like machine code: many values, some far more often than others.
    CodeLike,
    /// Printable characters, with separators.
    Text,
    /// Compressed or encrypted: all values about equally often.
    Packed,
    /// Columns that each hold fewer values than the whole.
    Table,
    /// None of these, or several.
    Mixed,
}

impl std::fmt::Display for Looks {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Blank => "blank",
            Self::Filled(byte) => return write!(f, "all {byte:02X}"),
            Self::CodeLike => "code-like",
            Self::Text => "text",
            Self::Packed => "packed",
            Self::Table => "table",
            Self::Mixed => "mixed",
        })
    }
}

/// Counts byte values of at most 4 KiB at a time.
pub(super) struct Counter {
    columns: Box<[[u16; 256]; COLUMNS]>,
    /// `n * log2(n)` for each count that there can be.
    products: Vec<f64>,
}

/// What was counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Counted {
    pub looks: Looks,
    /// Shannon's entropy of the byte values, in bits a byte.
    pub bits: f64,
}

impl Counter {
    pub fn new() -> Self {
        let product = |n: usize| n as f64 * (n as f64).log2();
        Self {
            columns: Box::new([[0; 256]; COLUMNS]),
            products: std::iter::once(0.0)
                .chain((1..=BLOCK_SIZE_BYTES).map(product))
                .collect(),
        }
    }

    /// Looks at `bytes`, of which there are some, and at most 4 KiB.
    pub fn look(&mut self, bytes: &[u8]) -> Counted {
        let first = bytes.first().copied().unwrap_or(0xFF);
        if bytes.iter().all(|byte| *byte == first) {
            let looks = match first {
                0xFF => Looks::Blank,
                byte => Looks::Filled(byte),
            };
            return Counted { looks, bits: 0.0 };
        }
        self.count(bytes);
        let mut values = [0_u16; 256];
        let mut of_columns = 0.0;
        for (place, column) in self.columns.iter().enumerate() {
            let length = (bytes.len() + COLUMNS - 1 - place) / COLUMNS;
            of_columns += self.entropy(column, length) * length as f64;
            values
                .iter_mut()
                .zip(column)
                .for_each(|(all, one)| *all += one);
        }
        let bits = self.entropy(&values, bytes.len());
        let gain = bits - of_columns / bytes.len() as f64;
        Counted {
            looks: looks(&values, bytes.len() as u32, bits, gain),
            bits,
        }
    }

    fn count(&mut self, bytes: &[u8]) {
        let [one, two, three, four] = &mut *self.columns;
        for column in [&mut *one, two, three, four] {
            column.fill(0);
        }
        let mut rows = bytes.chunks_exact(COLUMNS);
        for row in &mut rows {
            if let [a, b, c, d] = row {
                one[usize::from(*a)] += 1;
                two[usize::from(*b)] += 1;
                three[usize::from(*c)] += 1;
                four[usize::from(*d)] += 1;
            }
        }
        for (column, byte) in self.columns.iter_mut().zip(rows.remainder()) {
            column[usize::from(*byte)] += 1;
        }
    }

    /// Shannon, A Mathematical Theory of Communication (1948), section 6, with base 2.
    fn entropy(&self, counts: &[u16; 256], length: usize) -> f64 {
        if length == 0 {
            return 0.0;
        }
        let product = |count: &u16| self.products.get(usize::from(*count)).copied();
        let sum: f64 = counts.iter().filter_map(product).sum();
        (length as f64).log2() - sum / length as f64
    }
}

fn looks(values: &[u16; 256], length: u32, bits: f64, gain: f64) -> Looks {
    if is_text(values, length) {
        return Looks::Text;
    }
    if length < TELLING_BYTES {
        return Looks::Mixed;
    }
    // So much less than 8 bits random bytes show, since there are not many of them (Miller 1955).
    let random = 8.0 - 255.0 / (2.0 * f64::from(length) * std::f64::consts::LN_2);
    if bits >= random - PACKED_MARGIN {
        return Looks::Packed;
    }
    // Columns are a quarter as long, so that they show less by themselves.
    let used = values.iter().filter(|count| **count > 0).count();
    let by_itself =
        (COLUMNS - 1) as f64 * used as f64 / (2.0 * f64::from(length) * std::f64::consts::LN_2);
    if gain - by_itself >= TABLE_GAIN {
        return Looks::Table;
    }
    if bits >= CODE_MIN && used >= CODE_VALUES_MIN {
        return Looks::CodeLike;
    }
    Looks::Mixed
}

/// At least 19 of 20 bytes are printable, a line end or a tabulator, or stand between texts as NUL
/// does; and most are no NUL.
fn is_text(values: &[u16; 256], length: u32) -> bool {
    let of = |range: std::ops::RangeInclusive<usize>| -> u32 {
        let counts = values.get(range).unwrap_or_default();
        counts.iter().map(|count| u32::from(*count)).sum()
    };
    let printable = of(0x20..=0x7E) + of(0x09..=0x0A) + of(0x0D..=0x0D);
    let letters = of(0x30..=0x39) + of(0x41..=0x5A) + of(0x61..=0x7A);
    let all = printable + of(0..=0);
    all * 20 >= length * 19 && printable * 2 >= length && letters * 3 >= printable
}

#[cfg(test)]
mod tests {
    use super::*;

    fn look(bytes: &[u8]) -> Counted {
        Counter::new().look(bytes)
    }

    fn noise(seed: u64, length: usize) -> Vec<u8> {
        let mut random = fastrand::Rng::with_seed(seed);
        (0..length).map(|_| random.u8(..)).collect()
    }

    // Closed forms: k bits for 2^k values, each equally often, and p log2(1/p) + q log2(1/q) for two.
    #[test]
    fn entropy_is_as_the_closed_forms_say() {
        for k in 1..=8 {
            let bytes: Vec<u8> = (0..4096_usize).map(|at| (at % (1 << k)) as u8).collect();
            assert!((look(&bytes).bits - f64::from(k)).abs() < 1e-9, "{k}");
        }
        for ones in [1, 3, 100, 1024, 2048, 4095] {
            let bytes: Vec<u8> = (0..4096).map(|at| u8::from(at < ones)).collect();
            let p = ones as f64 / 4096.0;
            let closed = -p * p.log2() - (1.0 - p) * (1.0 - p).log2();
            assert!((look(&bytes).bits - closed).abs() < 1e-9, "{ones}");
        }
        assert_eq!(look(&[7; 4096]).bits, 0.0);
        let three = [b'a', b'b', b'c'];
        assert!((look(&three).bits - 3_f64.log2()).abs() < 1e-12);
    }

    // An independent library: statrs, in nats.
    #[test]
    fn entropy_is_as_an_independent_library_says() {
        use statrs::distribution::Categorical;
        use statrs::statistics::Distribution;
        for seed in 0..40 {
            let mut random = fastrand::Rng::with_seed(seed);
            let length = random.usize(2..=BLOCK_SIZE_BYTES);
            let mask = random.u8(1..);
            let bytes: Vec<u8> = (0..length)
                .map(|_| random.u8(..) & random.u8(..) & mask)
                .collect();
            let mut counts = [0.0; 256];
            bytes
                .iter()
                .for_each(|byte| counts[usize::from(*byte)] += 1.0);
            let theirs =
                Categorical::new(&counts).unwrap().entropy().unwrap() / std::f64::consts::LN_2;
            let ours = look(&bytes).bits;
            assert!(
                (ours - theirs).abs() < 1e-9,
                "seed {seed}: {ours}, {theirs}"
            );
        }
    }

    #[test]
    fn each_look_is_told_from_the_others() {
        assert_eq!(look(&[0xFF; 256]).looks, Looks::Blank);
        assert_eq!(look(&[0; 256]).looks, Looks::Filled(0));
        for length in [300, 1000, 4096] {
            for seed in 0..50 {
                assert_eq!(
                    look(&noise(seed, length)).looks,
                    Looks::Packed,
                    "{seed}, {length}"
                );
            }
        }
        let text = b"unit=gauge-07\nstarts=0001\ninterval_s=0300\nport=north mole\n".repeat(20);
        assert_eq!(look(&text).looks, Looks::Text);
        assert_eq!(look(&text[..40]).looks, Looks::Text);
        let mut padded = text.clone();
        padded.extend([0; 900]);
        assert_eq!(look(&padded).looks, Looks::Text);
        let mut random = fastrand::Rng::with_seed(13);
        let table: Vec<u8> = (0..1024_u32)
            .flat_map(|step| (step * 13 + u32::from(random.u8(..))).to_le_bytes())
            .collect();
        assert_eq!(look(&table).looks, Looks::Table);
        let code: Vec<u8> = noise(1, 12288)
            .chunks(3)
            .map(|three| three[0] & three[1] | three[2] & 0x11)
            .collect();
        assert_eq!(look(&code).looks, Looks::CodeLike);
        assert_eq!(look(&noise(1, 64)).looks, Looks::Mixed);
        let few: Vec<u8> = noise(2, 4096).iter().map(|byte| byte & 0x83).collect();
        assert_eq!(look(&few).looks, Looks::Mixed);
    }

    /// The test's own binary holds code as a compiler leaves it.
    #[test]
    fn real_code_mostly_looks_like_code() {
        use std::os::unix::fs::FileExt;
        // x86-64 and others alike: some blocks of the code near this very function.
        let maps = std::fs::read_to_string("/proc/self/maps").unwrap();
        let code = maps.lines().find(|line| line.contains(" r-xp ")).unwrap();
        let mut words = code.split_whitespace();
        let (range, offset) = (words.next().unwrap(), words.nth(1).unwrap());
        let (start, end) = range.split_once('-').unwrap();
        let number = |digits| u64::from_str_radix(digits, 16).unwrap();
        let (length, offset) = (number(end) - number(start), number(offset));
        let file = std::fs::File::open("/proc/self/exe").unwrap();
        let mut counter = Counter::new();
        let mut seen = [0; 2];
        for at in (offset..offset + length - 4096).step_by(64 << 10) {
            let mut block = [0; BLOCK_SIZE_BYTES];
            file.read_exact_at(&mut block, at).unwrap();
            seen[usize::from(counter.look(&block).looks == Looks::CodeLike)] += 1;
        }
        assert!(seen[1] > 9 * seen[0], "{seen:?}");
    }
}
