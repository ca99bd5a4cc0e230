//! Binomial chances, in closed form.
//!
//! NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.6.18: the probability of exactly `x` of
//! `n` is C(n, x) p^x (1 - p)^(n - x).

/// Natural logarithm of C(n, k).
fn ln_choose(n: u64, k: u64) -> f64 {
    let k = k.min(n - k.min(n));
    (1..=k)
        .map(|i| (((n - k) + i) as f64 / i as f64).ln())
        .sum()
}

/// Chance that at least `least` of `n` happen, each with chance `p`.
pub(crate) fn at_least(n: u64, least: u64, p: f64) -> f64 {
    if least == 0 || p >= 1.0 {
        return 1.0;
    }
    if least > n || p <= 0.0 {
        return 0.0;
    }
    let mut term = ln_choose(n, least) + least as f64 * p.ln() + (n - least) as f64 * (-p).ln_1p();
    let mut sum = 0.0;
    for x in least..=n {
        let chance = term.exp();
        sum += chance;
        // Beyond the peak the rest is smaller than a geometric series.
        if x as f64 > n as f64 * p && chance < sum * 1e-12 {
            break;
        }
        term += ((n - x) as f64 / (x + 1) as f64).ln() + p.ln() - (-p).ln_1p();
    }
    sum.min(1.0)
}

/// Chance that the majority of `n` readings is wrong where each is wrong with chance `p` and independently
/// of the others; of ties half are.
#[cfg(test)]
pub(crate) fn majority_errs(n: u64, p: f64) -> f64 {
    let more = at_least(n, n / 2 + 1, p);
    match n % 2 {
        0 => more + (at_least(n, n / 2, p) - more) / 2.0,
        _ => more,
    }
}

/// Chance that the majority is not the truth, of `n` readings that `minority` do not agree with.
///
/// Where nothing is known beforehand of how often a bit reads wrong, but that this is less than half the
/// time, it is the share below one half of a beta distribution, and so of a binomial one: at most
/// `minority` heads in `n + 1` tosses. (NIST Digital Library of Mathematical Functions, 8.17.5.)
pub(crate) fn doubt(n: u64, minority: u64) -> f64 {
    1.0 - at_least(n + 1, minority + 1, 0.5)
}

/// A chance as a screen shows it.
pub(crate) fn shown(chance: f64) -> String {
    if chance >= 0.01 {
        return format!("{chance:.2}");
    }
    let power = -chance.max(f64::MIN_POSITIVE).log10();
    format!("1 in 10^{}", power.floor().max(2.0))
}

#[cfg(test)]
mod tests {
    use statrs::distribution::{Binomial, DiscreteCDF};
    use statrs::function::beta::beta_reg;

    use super::*;

    /// Against the crate statrs.
    #[test]
    fn chances_are_as_another_library_has_them() {
        for n in [1, 2, 5, 24, 25, 400] {
            for p in [1e-6, 0.01, 0.3, 0.5, 0.9] {
                let other = Binomial::new(p, n).unwrap();
                for least in 1..=n {
                    let (ours, theirs) = (at_least(n, least, p), other.sf(least - 1));
                    let near = (ours - theirs).abs() <= 1e-9 + 1e-6 * theirs;
                    assert!(near, "{n} {least} {p}: {ours} {theirs}");
                }
            }
            for minority in 0..=n / 2 {
                let (k, rest) = (minority as f64 + 1.0, (n - minority) as f64 + 1.0);
                let theirs = beta_reg(rest, k, 0.5);
                assert!((doubt(n, minority) - theirs).abs() < 1e-9, "{n} {minority}");
            }
        }
    }

    #[test]
    fn a_majority_errs_less_often_than_a_reading() {
        assert!((majority_errs(3, 0.1) - 0.028).abs() < 1e-12);
        assert!((majority_errs(2, 0.1) - 0.1).abs() < 1e-12);
        assert!((majority_errs(24, 0.5) - 0.5).abs() < 1e-9);
        assert!((doubt(1, 0) - 0.25).abs() < 1e-12);
        assert!((doubt(24, 12) - 0.5).abs() < 1e-9);
    }

    #[test]
    fn chances_read_as_powers_of_ten() {
        assert_eq!(shown(0.25), "0.25");
        assert_eq!(shown(0.0015), "1 in 10^2");
        assert_eq!(shown(2e-7), "1 in 10^6");
        assert_eq!(shown(0.0), "1 in 10^307");
    }
}
