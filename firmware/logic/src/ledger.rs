//! What each tank has exchanged since its last complete regeneration (L1–L3, S6).

use serde::{Deserialize, Serialize};

use crate::settings::{Medium, Reserve};
use crate::units::{Exchange, Hardness, Instant, Volume, share};

/// The account of one tank.
///
/// Volume since the hardness last changed is kept as volume; only when the hardness changes is it
/// folded into an exchange. A pulse then costs an addition and two comparisons.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Ledger {
    /// Exchanged before the present hardness held, any deficit left by the last regeneration, and what it
    /// counts as spent at commissioning (L4); of a filter, whose last alone can be, in nL.
    prior: Exchange,
    /// Charged since, at the present hardness.
    volume: Volume,
    /// Charged since the last complete regeneration, before the present hardness held.
    volume_before: Volume,
    /// Passed since nothing was left, before the present hardness held.
    overrun_before: Volume,
    /// `volume` at which nothing is left.
    empty_at: Volume,
    /// `volume` at which only the reserve is left.
    ask_at: Volume,
    /// When the last complete regeneration began, or its hour; the start of the account if there was none.
    began_at: Instant,
    /// How much of all this was not metered but estimated (P6, S10).
    estimated: Volume,
}

/// What a charge did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Charged {
    /// A threshold was crossed: there is something to decide.
    pub crossed: bool,
    /// This much of it was past zero.
    pub past_zero: Volume,
}

impl Ledger {
    /// A fresh bed.
    #[must_use]
    pub fn new(now: Instant, medium: &Medium, reserve: &Reserve) -> Self {
        let mut ledger = Self {
            prior: Exchange::ZERO,
            volume: Volume::ZERO,
            volume_before: Volume::ZERO,
            overrun_before: Volume::ZERO,
            empty_at: Volume::MAX,
            ask_at: Volume::MAX,
            began_at: now,
            estimated: Volume::ZERO,
        };
        ledger.set_thresholds(medium, reserve);
        ledger
    }

    /// A fresh bed, the `place`-th from 0 of `of` that serve together: it counts as `place`/`of` spent,
    /// so that they do not ask all at once (L4).
    ///
    /// What is spent is reckoned from the volume before a tank asks: no fresh bed asks at once.
    #[must_use]
    pub fn staggered(now: Instant, medium: &Medium, reserve: &Reserve, place: u8, of: u8) -> Self {
        let mut ledger = Self::new(now, medium, reserve);
        let part = ledger.ask_at.0.checked_div(u64::from(of)).unwrap_or(0);
        let spent = Volume(part.saturating_mul(u64::from(place)));
        ledger.prior = match *medium {
            Medium::Softener { hardness, .. } => Exchange::of(spent, hardness),
            Medium::Filter { .. } => Exchange(spent.0),
        };
        ledger.set_thresholds(medium, reserve);
        ledger
    }

    /// Charges water that passed the bed.
    pub fn charge(&mut self, volume: Volume) -> Charged {
        let before = self.volume;
        let after = before.plus(volume);
        self.volume = after;
        if after < self.ask_at {
            return Charged::default();
        }
        // Just empty and past zero are two things: the second is an overrun.
        Charged {
            crossed: before < self.ask_at || (before <= self.empty_at && after >= self.empty_at),
            past_zero: after.minus(before.max(self.empty_at)),
        }
    }

    /// How much more may be charged before a threshold is reached; `None` where it has run out already.
    pub(crate) fn quiet_for(&self) -> Option<Volume> {
        let next = if self.volume < self.ask_at { self.ask_at } else { self.empty_at };
        (self.volume < next).then(|| next.minus(self.volume))
    }

    /// Charged since the hardness last changed.
    pub(crate) fn charged(&self) -> Volume {
        self.volume
    }

    /// Charges water that reaches no threshold, and so cannot overflow.
    pub(crate) fn charge_quietly(&mut self, volume: Volume) {
        self.volume.0 = self.volume.0.wrapping_add(volume.0);
    }

    /// Charges water that nobody metered: what a power cut may have lost, what flowed while dark (P6, S10).
    pub fn charge_estimated(&mut self, volume: Volume) {
        self.estimated = self.estimated.plus(volume);
        self.charge(volume);
    }

    /// How much of [`Ledger::since_regeneration`] was estimated.
    #[must_use]
    pub fn estimated(&self) -> Volume {
        self.estimated
    }

    /// Hardness, capacity or reserve changed: what was exchanged stays exchanged (L1).
    pub fn resettle(&mut self, old: &Medium, new: &Medium, reserve: &Reserve) {
        let overrun = self.overrun();
        match (old, new) {
            (Medium::Softener { hardness, .. }, Medium::Softener { .. }) => {
                self.prior = self.exchanged(*hardness);
                self.volume_before = self.since_regeneration();
                self.volume = Volume::ZERO;
            }
            (Medium::Filter { .. }, Medium::Filter { .. }) => {}
            // Another medium is another bed; its account begins with what has passed.
            _ => {
                self.prior = Exchange::ZERO;
                self.volume = self.since_regeneration();
                self.volume_before = Volume::ZERO;
            }
        }
        self.overrun_before = Volume::ZERO;
        self.set_thresholds(new, reserve);
        // A bed past zero stays past it, unless it may now take up more.
        if self.volume == Volume::ZERO && self.is_empty() {
            self.overrun_before = overrun;
        }
    }

    /// Reckons anew when it asks and when it is empty.
    pub(crate) fn set_thresholds(&mut self, medium: &Medium, reserve: &Reserve) {
        let (left, capacity) = match *medium {
            Medium::Softener { hardness, capacity, .. } => {
                (capacity.minus(self.prior).volume_at(hardness), capacity.volume_at(hardness))
            }
            Medium::Filter { capacity } => (capacity.minus(Volume(self.prior.0)), capacity),
        };
        let kept = match *reserve {
            Reserve::None => Volume::ZERO,
            Reserve::Fixed(volume) => volume,
            // Told as a volume, which the forecast changes from day to day.
            Reserve::Learned(_) => Volume::ZERO,
            Reserve::Share(per_mille) => {
                // In this order, since a capacity times a thousand may not fit.
                let share = u64::from(per_mille);
                Volume((capacity.0 / 1_000).saturating_mul(share))
                    .plus(Volume((capacity.0 % 1_000).saturating_mul(share) / 1_000))
            }
        };
        self.empty_at = left;
        self.ask_at = left.minus(kept);
    }

    fn exchanged(&self, hardness: Hardness) -> Exchange {
        self.prior.plus(Exchange::of(self.volume, hardness))
    }

    /// A regeneration completed: what the salt restores is restored, and no more (S6).
    ///
    /// It began at `began_at`, and `given` of `usual` salt was given, in any one unit. Exchange beyond what the resin holds was never
    /// taken up; beyond what the dose restores a deficit stays.
    pub fn regenerated(&mut self, began_at: Instant, medium: &Medium, reserve: &Reserve, given: u64, usual: u64) {
        self.prior = match *medium {
            Medium::Softener { hardness, capacity, total } => {
                let restores = if given >= usual { capacity.0 } else { share(capacity.0, given, usual) };
                self.exchanged(hardness).min(total).minus(Exchange(restores))
            }
            Medium::Filter { .. } => Exchange::ZERO,
        };
        self.volume = Volume::ZERO;
        self.overrun_before = Volume::ZERO;
        self.volume_before = Volume::ZERO;
        self.began_at = began_at;
        self.estimated = Volume::ZERO;
        self.set_thresholds(medium, reserve);
    }

    /// What has been spent, in percent of the capacity, rounded up.
    #[must_use]
    pub fn spent_percent(&self, medium: &Medium) -> u16 {
        let (spent, whole) = match *medium {
            Medium::Softener { hardness, capacity, .. } => (self.exchanged(hardness).0, capacity.0),
            Medium::Filter { capacity } => (self.volume.0, capacity.0),
        };
        let percent = share(100, spent, whole);
        let exact = share(whole, percent, 100) >= spent;
        u16::try_from(percent.saturating_add(u64::from(!exact))).unwrap_or(u16::MAX)
    }

    /// Only the reserve is left, or less.
    #[must_use]
    pub fn asks(&self) -> bool {
        self.volume >= self.ask_at
    }

    /// Nothing is left.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.volume >= self.empty_at
    }

    /// Volume left at today's hardness.
    #[must_use]
    pub fn remaining(&self) -> Volume {
        self.empty_at.minus(self.volume)
    }

    /// Volume left before it asks, at today's hardness.
    #[must_use]
    pub fn asks_in(&self) -> Volume {
        self.ask_at.minus(self.volume)
    }

    /// Volume passed since nothing was left.
    #[must_use]
    pub fn overrun(&self) -> Volume {
        self.volume.minus(self.empty_at).plus(self.overrun_before)
    }

    /// Volume since the last complete regeneration.
    #[must_use]
    pub fn since_regeneration(&self) -> Volume {
        self.volume_before.plus(self.volume)
    }

    /// Exchange not restored by the last regeneration, or carried over a change of hardness.
    #[must_use]
    pub fn prior(&self) -> Exchange {
        self.prior
    }

    /// Whether water is known to have passed the bed since its last complete regeneration (C2).
    #[must_use]
    pub fn has_served(&self) -> bool {
        self.since_regeneration() > Volume::ZERO
    }

    /// When the last complete regeneration began, or the hour that it waited for; the start of the account if there was none.
    #[must_use]
    pub fn began_at(&self) -> Instant {
        self.began_at
    }
}
