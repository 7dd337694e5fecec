//! The account of the brine tank: water put in, brine drawn, salt taken up, and when brine is ready (C8).
//!
//! Brine is counted as the refill water that made it. Water that has stood long enough carries salt in a
//! fixed ratio (Q4), so that one figure tells both. A site has one brine tank, which its tanks share.

use serde::{Deserialize, Serialize};

use crate::units::{Instant, Millis, SaltMass, Volume, later, share};

/// So much of a dose is enough, in percent: meters and flows are no more exact than that.
const ENOUGH_PERCENT: u64 = 95;

/// One brine tank. Its parts conserve: what was put in is what was drawn and what is left.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Brine {
    /// Refill water in the tank that has not been drawn.
    water: Volume,
    /// Put in since the last regeneration began, for the cap on it (P5).
    put_in: Volume,
    refilled_at: Option<Instant>,
    /// Refill water since salt was last filled up: it tells the salt taken up.
    since_salt_filled: Volume,
    /// Draws in a row that gave less than half of their dose.
    undrawn: u8,
}

impl Brine {
    /// A tank that an installer has filled with so much water on its salt.
    #[must_use]
    pub fn filled(water: Volume) -> Self {
        Self { water, ..Self::default() }
    }

    /// Water went in.
    pub fn refilled(&mut self, now: Instant, water: Volume) {
        self.water = self.water.plus(water);
        self.put_in = self.put_in.plus(water);
        self.since_salt_filled = self.since_salt_filled.plus(water);
        self.refilled_at = Some(now);
    }

    /// Water went in that made brine of which no account is kept.
    pub fn took_up_salt(&mut self, water: Volume) {
        self.since_salt_filled = self.since_salt_filled.plus(water);
    }

    /// Brine of so much water is wanted; tells how much there was.
    pub fn draw(&mut self, wanted: Volume) -> Volume {
        let drawn = wanted.min(self.water);
        self.water = self.water.minus(drawn);
        drawn
    }

    /// A level switch says that no brine is left.
    pub fn emptied(&mut self) {
        self.water = Volume::ZERO;
    }

    /// A float, or a person, says that there is brine of at least so much water.
    pub fn holds_at_least(&mut self, water: Volume) {
        self.water = self.water.max(water);
    }

    /// A person says that brine of so much water is there and ready.
    pub fn confirmed(&mut self, water: Volume) {
        self.holds_at_least(water);
        *self = Self { put_in: Volume::ZERO, refilled_at: None, undrawn: 0, ..*self };
    }

    /// A regeneration begins: what it may refill is counted anew.
    pub fn regeneration_begins(&mut self) {
        self.put_in = Volume::ZERO;
    }

    /// Nobody knows what it holds: nothing is counted on (S6), and nothing more than `cap` in all is put in (P5).
    pub fn forget(&mut self, cap: Volume) {
        self.water = Volume::ZERO;
        self.put_in = self.put_in.max(cap);
    }

    /// How much more may be put in before the next regeneration begins, if `cap` is allowed in all.
    #[must_use]
    pub fn may_put_in(&self, cap: Volume) -> Volume {
        cap.minus(self.put_in)
    }

    /// Refill water in the tank that has not been drawn.
    #[must_use]
    pub fn water(&self) -> Volume {
        self.water
    }

    /// Whether there is enough for a dose made with so much water.
    #[must_use]
    pub fn is_enough_for(&self, dose: Volume) -> bool {
        self.water >= Volume(share(dose.0, ENOUGH_PERCENT, 100))
    }

    /// When the brine will be ready; `None` if it is, or was never refilled by this logic.
    #[must_use]
    pub fn ready_at(&self, now: Instant, ready_after: Millis) -> Option<Instant> {
        let ready = later(self.refilled_at?, ready_after);
        (ready > now).then_some(ready)
    }

    /// A draw gave at least half of its dose, or not.
    pub fn judge_draw(&mut self, gave_half: bool) {
        self.undrawn = if gave_half { 0 } else { self.undrawn.saturating_add(1) };
    }

    /// Draws in a row that gave less than half of their dose.
    #[must_use]
    pub fn undrawn(&self) -> u8 {
        self.undrawn
    }

    /// The salt store is full again.
    pub fn salt_filled(&mut self) {
        self.since_salt_filled = Volume::ZERO;
    }

    /// Whole doses left of a store that holds so many when it is full; `dose` is the water that makes one.
    #[must_use]
    pub fn doses_left(&self, full: u16, dose: Volume) -> u16 {
        let used = self.since_salt_filled.0.checked_div(dose.0).unwrap_or(0);
        let begun = self.since_salt_filled.0.checked_rem(dose.0).is_some_and(|rest| rest > 0);
        let used = used.saturating_add(u64::from(begun));
        full.saturating_sub(u16::try_from(used).unwrap_or(u16::MAX))
    }
}

/// Water that takes up `salt`: salt ÷ salt per volume of water, rounded up to the nL (Q4).
#[must_use]
pub fn water_for(salt: SaltMass, salt_per_water_mg_per_l: u32) -> Volume {
    let nano = u64::from(salt.0).saturating_mul(crate::units::NL_PER_L);
    let per_litre = u64::from(salt_per_water_mg_per_l);
    if per_litre == 0 { Volume::ZERO } else { Volume(nano.div_ceil(per_litre)) }
}
