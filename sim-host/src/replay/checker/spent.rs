//! What a bed has taken up since it was fresh, and how much of it the salt of a regeneration can restore (S6).
//!
//! Reckoned here from what was charged and the hardness that the settings state: iron and manganese load a bed more, so
//! that this is the least that it took up.

use std::hash::{Hash, Hasher};

use bedkeeper::ledger::Ledger;
use bedkeeper::settings::{Medium, RawSettings};

/// Roundings of the logic stay below this share of the capacity.
const ROUNDING: u128 = 10_000;

/// What a bed has taken up.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Spent {
    /// Charged since the last complete regeneration, as last seen, nL.
    charged_nl: u64,
    /// Taken up, µg times a thousand million; `None` until a complete regeneration tells where it begins.
    taken: Option<u128>,
}

const NL_PER_L: u128 = 1_000_000_000;

fn hardness(raw: &RawSettings) -> u128 {
    match raw.medium {
        Medium::Softener { hardness, .. } => hardness.0.into(),
        Medium::Filter { .. } => 0,
    }
}

impl Spent {
    /// Hashes what will be found by it: how far it is off the ledger, which is part of every state.
    pub(super) fn hash_future(&self, ledger: &Ledger, raw: &RawSettings, into: &mut impl Hasher) {
        let charged_nl = ledger.since_regeneration().nl();
        let by_ledger = u128::from(ledger.prior().0) * NL_PER_L + u128::from(charged_nl) * hardness(raw);
        let off = self.taken.map(|taken| taken.wrapping_sub(by_ledger));
        (off, self.charged_nl.wrapping_sub(charged_nl)).hash(into);
    }

    /// So much has been charged since its last complete regeneration.
    pub(super) fn see(&mut self, charged_nl: u64, raw: &RawSettings) {
        let more = charged_nl.checked_sub(self.charged_nl);
        // Less than before, and no regeneration was told: an operator vouched for it, or nothing was retained.
        let load = more.map(|nl| u128::from(nl) * hardness(raw));
        self.taken = self.taken.zip(load).map(|(taken, load)| taken.saturating_add(load));
        self.charged_nl = charged_nl;
    }

    /// Power is back: what was forgotten may be forgotten (S10).
    pub(super) fn after_power(&mut self, charged_nl: u64, raw: &RawSettings) {
        let forgotten = self.charged_nl.saturating_sub(charged_nl);
        self.taken = self.taken.map(|taken| taken.saturating_sub(u128::from(forgotten) * hardness(raw)));
        self.charged_nl = self.charged_nl.min(charged_nl);
        if charged_nl == 0 && forgotten > 0 {
            // Nothing was retained, perhaps.
            self.taken = None;
        }
    }

    /// What was retained is lost: nobody knows what was taken up (S10).
    pub(super) fn forget(&mut self) {
        self.taken = None;
    }

    /// A regeneration is complete: so much had been charged, so much salt was given, and this is what the logic says is
    /// left to restore. Tells what is wrong with that.
    pub(super) fn restored(
        &mut self,
        charged_nl: u64,
        salt_mg: u32,
        left_ug: u64,
        raw: &RawSettings,
    ) -> Option<String> {
        self.see(charged_nl, raw);
        let taken = self.taken;
        *self = Self { charged_nl: 0, taken: Some(u128::from(left_ug) * NL_PER_L) };
        let Medium::Softener { capacity, total, .. } = raw.medium else { return None };
        let (capacity, usual) = (u128::from(capacity.0), u128::from(raw.salt.0).max(1));
        // A milligram more: the record rounds down.
        let restores = capacity * (u128::from(salt_mg) + 1).min(usual) / usual + capacity / ROUNDING;
        // What the resin cannot hold was never taken up.
        let taken = (taken? / NL_PER_L).min(total.0.into());
        let least = taken.saturating_sub(restores);
        (u128::from(left_ug) < least).then(|| {
            format!("took up {taken} ug, {salt_mg} mg of salt restore {restores} ug at the most, and {left_ug} ug are said to be left")
        })
    }
}

#[cfg(test)]
mod tests {
    use bedkeeper::units::{Exchange, Hardness, SaltMass};

    use super::*;

    const LITRE: u64 = 1_000_000_000;

    /// 3 kg restore 100 g, at 100 mg/L for a cubic metre.
    fn site() -> RawSettings {
        let mut raw = RawSettings::baseline();
        raw.salt = SaltMass(3_000_000);
        raw.medium = Medium::Softener {
            hardness: Hardness(100_000),
            capacity: Exchange(100_000_000),
            total: Exchange(300_000_000),
        };
        raw
    }

    /// Regenerated once, so that it is known where it begins, with nothing left; then so many litres and so much salt.
    fn after(litres: u64, salt_mg: u32, left_ug: u64) -> Option<String> {
        let (mut spent, raw) = (Spent::default(), site());
        assert_eq!(spent.restored(LITRE, 3_000_000, 0, &raw), None, "what it began with is not known");
        for part in 1..=4 {
            spent.see(litres * LITRE * part / 4, &raw);
        }
        spent.restored(litres * LITRE, salt_mg, left_ug, &raw)
    }

    /// S6: a whole dose restores the capacity and no more, half a dose half of it; what the resin cannot hold counts not.
    #[test]
    fn s6_salt_restores_no_more_than_it_can() {
        assert_eq!(after(1_000, 3_000_000, 0), None);
        assert_eq!(after(1_500, 3_000_000, 50_000_000), None);
        assert!(after(1_500, 3_000_000, 0).is_some_and(|why| why.contains("took up 150000000 ug")));
        assert!(after(1_500, 9_000_000, 0).is_some(), "more than the usual dose restores no more than the capacity");
        assert_eq!(after(1_000, 1_500_000, 50_000_000), None);
        assert!(after(1_000, 1_500_000, 49_000_000).is_some());
        assert!(after(1_000, 0, 0).is_some());
        assert_eq!(after(9_000, 3_000_000, 200_000_000), None);
        assert!(after(9_000, 3_000_000, 199_000_000).is_some());
    }

    /// S6, S10: what a cut made be forgotten is not asked for; what was left is asked for the next time.
    #[test]
    fn s6_what_is_left_stays_and_what_a_cut_took_does_not() {
        let (mut spent, raw) = (Spent::default(), site());
        assert_eq!(spent.restored(LITRE, 3_000_000, 40_000_000, &raw), None);
        spent.see(1_000 * LITRE, &raw);
        spent.after_power(990 * LITRE, &raw);
        spent.see(1_000 * LITRE, &raw);
        let mut other = spent;
        assert_eq!(spent.restored(1_000 * LITRE, 3_000_000, 40_000_000, &raw), None);
        assert!(other.restored(1_000 * LITRE, 3_000_000, 39_000_000, &raw).is_some());
    }
}
