//! Random numbers whose distribution is exact and whose value is the same on every machine.

use rand_pcg::Pcg32;
use rand_pcg::rand_core::Rng;

/// 1 in the fixed-point numbers of this module.
pub(super) const ONE: u64 = 1 << 32;

/// An exponential variate of mean 1, as a multiple of 2⁻³².
///
/// Von Neumann's method: nothing but uniform numbers that are compared, so that no logarithm of some machine's library
/// decides (J. von Neumann, "Various techniques used in connection with random digits", 1951; from memory).
pub(super) fn exponential(random: &mut Pcg32) -> u64 {
    let mut whole: u64 = 0;
    loop {
        let first = random.next_u32();
        let mut last = first;
        let mut falling = 1_u32;
        loop {
            let next = random.next_u32();
            if next >= last {
                break;
            }
            last = next;
            falling += 1;
        }
        if falling % 2 == 1 {
            return whole * ONE + u64::from(first);
        }
        whole += 1;
    }
}

/// A whole number from `low` to `high`, both included.
pub(super) fn between(random: &mut Pcg32, (low, high): (u32, u32)) -> u32 {
    let width = u64::from(high.saturating_sub(low)) + 1;
    let part = (u64::from(random.next_u32()) * width) >> 32;
    // At most `high - low`, which is 32 bits wide.
    low.saturating_add(u32::try_from(part).unwrap_or(u32::MAX))
}

#[cfg(test)]
mod tests {
    use rand_pcg::rand_core::SeedableRng;

    use super::*;

    /// Mean, variance and median of the exponential distribution: 1, 1, ln 2.
    #[test]
    fn waiting_times_are_exponential() {
        let mut random = Pcg32::seed_from_u64(1);
        let mut drawn: Vec<f64> = (0..100_000).map(|_| exponential(&mut random) as f64 / ONE as f64).collect();
        let n = drawn.len() as f64;
        let mean = drawn.iter().sum::<f64>() / n;
        let variance = drawn.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n;
        drawn.sort_by(f64::total_cmp);
        let median = drawn[drawn.len() / 2];
        assert!((mean - 1.0).abs() < 0.015, "{mean}");
        assert!((variance - 1.0).abs() < 0.05, "{variance}");
        assert!((median - std::f64::consts::LN_2).abs() < 0.015, "{median}");
    }

    #[test]
    fn both_ends_of_a_range_come_up() {
        let mut random = Pcg32::seed_from_u64(1);
        let drawn: std::collections::BTreeSet<u32> = (0..1_000).map(|_| between(&mut random, (3, 6))).collect();
        assert_eq!(drawn.into_iter().collect::<Vec<_>>(), [3, 4, 5, 6]);
        assert_eq!(between(&mut random, (7, 7)), 7);
    }
}
