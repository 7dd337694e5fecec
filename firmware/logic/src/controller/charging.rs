//! Metered water is charged to the tanks that treated it, to the nanolitre (S5, M2, M5).

use super::{Controller, Effect};
use crate::duty::Duty;
use crate::meter::MAX_BATCH;
use crate::operator::Refused;
use crate::program::Position;
use crate::settings::MeterPlace;
use crate::units::{Instant, Millis, TankId, Volume};
use crate::watch::Alarm;

impl<const N: usize> Controller<N> {
    /// Counts pulses, charges their water, and says whether anything came of it.
    pub(super) fn take_pulses(&mut self, now: Instant, meter: u8, count: u32) -> Result<Effect, Refused> {
        let unit = self.meters.get_mut(usize::from(meter)).ok_or(Refused::NoSuchMeter)?;
        match count {
            0 => return Ok(Effect::Quiet),
            1..=MAX_BATCH => {}
            _ => return Err(Refused::BatchTooLarge),
        }
        let before = unit.last();
        if let Some(silence) = self.silences.get_mut(usize::from(meter)) {
            let lasted = silence.lasted(now, before.map(|(last, _)| last));
            silence.heard();
            let limit = self.settings.watch.silent_after;
            // A long silence that is over must not go on after a power cut (W1).
            if limit > Millis::ZERO && lasted.0 >= limit.0 / 4 {
                self.power.save_soon();
            }
        }
        let volume = unit.pulses(now, count, self.settings.meter_settings());
        let excessive = unit.is_excessive(now, self.settings.meter_settings());
        self.book_metered(volume);
        self.count_caught(meter, count);
        let flow_changed = self.note_flow(now, count);
        let crossed = match self.settings.meter.place {
            MeterPlace::Common => {
                let treated = self.past_bypass(volume);
                self.share(now, treated)
            }
            MeterPlace::PerTank => self.charge_metered_tank(now, TankId(meter), volume),
        };
        let present = self.watches.present();
        let excess_known = present.contains(Alarm::ExcessFlow);
        let speaks_again = present.contains(Alarm::MeterSilent) && self.was_silent(now, before);
        let matters = crossed
            || self.waiting
            || flow_changed
            || speaks_again
            || self.tally.is_due()
            || excessive != excess_known
            || self.stages_stir(now);
        self.foresee_pulses();
        Ok(if matters { Effect::Soon } else { Effect::Quiet })
    }

    /// Follows the flow; says whether somebody wants to know at once that it began.
    pub(super) fn note_flow(&mut self, now: Instant, count: u32) -> bool {
        let gaps = self.settings.flow_gaps();
        let flowed = gaps.is_followed && self.flow_watch.flows(now, gaps);
        if let Some(alarm_at) = self.flow_watch.pulses(now, count, gaps) {
            self.deadline = self.deadline.min(alarm_at);
        }
        gaps.is_followed && !flowed && self.flow_watch.flows(now, gaps)
    }

    /// Accounts for the share that a blending bypass takes, its remainder carried; returns the rest (M5).
    pub(super) fn past_bypass(&mut self, volume: Volume) -> Volume {
        let per_mille = self.settings.sharing.bypass_per_mille;
        if per_mille == 0 {
            return volume;
        }
        let (blended, carry) = share_of(volume, per_mille, self.blend_carry);
        self.blend_carry = carry;
        self.accounts.blended.add(blended);
        volume.minus(blended)
    }

    /// Shares water equally among the tanks that served it, to the nanolitre (M2, S5).
    pub(super) fn share(&mut self, now: Instant, volume: Volume) -> bool {
        let serving = self.charging.len();
        if serving == 0 {
            return self.unserved(now, volume);
        }
        self.accounts.charged.add(volume);
        // The usual case needs no division (M6).
        if serving == 1 {
            return self.charge_one(volume);
        }
        self.share_among(volume, serving)
    }

    /// Water on the common meter that no tank treated: it passed them, or a step used it where the
    /// site says that nothing else passes this meter then (Q2).
    #[inline(never)]
    pub(super) fn unserved(&mut self, now: Instant, volume: Volume) -> bool {
        let measures = self.settings.meter.measures_steps;
        let regenerating = self.tanks.iter_mut().find_map(|t| match &mut t.duty {
            Duty::Regenerating(regeneration) if measures => Some(regeneration),
            _ => None,
        });
        let Some(regeneration) = regenerating else {
            self.accounts.untreated.add(volume);
            return false;
        };
        self.accounts.drained.add(volume);
        self.tally.take_back(volume);
        regeneration.meter(now, volume, &self.settings)
    }

    /// Charges the one tank that served.
    pub(super) fn charge_one(&mut self, volume: Volume) -> bool {
        let charging = self.charging;
        let mut tanks = (0u8..).map(TankId).zip(self.tanks.iter_mut());
        let Some((_, tank)) = tanks.find(|(id, _)| charging.contains(*id)) else { return false };
        let charged = tank.ledger.charge(volume);
        if charged.past_zero > Volume::ZERO {
            self.accounts.past_zero.add(charged.past_zero);
        }
        charged.crossed
    }

    /// Charges several tanks that served.
    #[inline(never)]
    fn share_among(&mut self, volume: Volume, serving: u32) -> bool {
        let n = u64::from(serving);
        let each = volume.0.checked_div(n).unwrap_or(0);
        let left = volume.0.checked_rem(n).unwrap_or(0);
        // Nanolitres that do not divide go round in turn.
        let turn = u64::from(self.share_turn).checked_rem(n).unwrap_or(0);
        let next = turn.saturating_add(left).checked_rem(n).unwrap_or(0);
        self.share_turn = u8::try_from(next).unwrap_or(0);
        self.charge_each(Volume(each), left, n.saturating_sub(turn), n)
    }

    /// Charges every tank that served with `each`, and the first `left` of them, from the one
    /// `n - behind` on, with a nanolitre more.
    fn charge_each(&mut self, each: Volume, left: u64, behind: u64, n: u64) -> bool {
        let mut crossed = false;
        let mut order = behind;
        let charging = self.charging;
        let charged_tanks = (0u8..).map(TankId).zip(self.tanks.iter_mut()).filter(|(id, _)| charging.contains(*id));
        for (_, tank) in charged_tanks {
            let more = left > 0 && order.checked_rem(n).is_some_and(|place| place < left);
            order = order.saturating_add(1);
            let charged = tank.ledger.charge(each.plus(Volume(u64::from(more))));
            crossed |= charged.crossed;
            self.accounts.past_zero.add(charged.past_zero);
        }
        crossed
    }

    /// Water on a tank's own meter: it passed that bed, or went to drain while it regenerates (M2).
    fn charge_metered_tank(&mut self, now: Instant, tank: TankId, volume: Volume) -> bool {
        let serving = self.charging.contains(tank);
        let Some(unit) = self.tanks.get_mut(tank.index()) else { return false };
        if !serving && let Duty::Regenerating(regeneration) = &mut unit.duty {
            self.accounts.drained.add(volume);
            self.tally.take_back(volume);
            return regeneration.meter(now, volume, &self.settings);
        }
        if !serving && matches!(unit.duty, Duty::Purging { .. }) {
            self.accounts.drained.add(volume);
            self.tally.take_back(volume);
            return false;
        }
        // A closed tank whose meter turns leaks, and its bed is loaded all the same; one whose valve
        // is still on its way out is not closed yet.
        self.accounts.charged.add(volume);
        let charged = unit.ledger.charge(volume);
        self.accounts.past_zero.add(charged.past_zero);
        let closed = !serving && unit.drive.position().is_some_and(|at| at != Position::Service);
        if closed {
            self.closed_flow_at = Some(now);
        }
        charged.crossed || closed
    }
}

/// So many thousandths of a volume, with `carry` thousandths of a nanolitre from before: whole
/// nanolitres, and what is carried on. Exact, in two parts so that 64 bits suffice.
fn share_of(volume: Volume, per_mille: u16, carry: u16) -> (Volume, u16) {
    let share = u64::from(per_mille);
    let (thousands, rest) = (volume.0 / 1_000, volume.0 % 1_000);
    let thousandths = rest.saturating_mul(share).saturating_add(u64::from(carry));
    let whole = thousands.saturating_mul(share).saturating_add(thousandths / 1_000);
    (Volume(whole), u16::try_from(thousandths % 1_000).unwrap_or(0))
}
