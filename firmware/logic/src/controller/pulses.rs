//! Pulses of which nothing can come but that they are counted: most of them, so they cost little (M6).
//!
//! Whoever decides, and whoever takes a pulse in full, looks how far single pulses will only count
//! ([`Controller::foresee_pulses`]). Up to there each is charged to its tank and noted by its meter; its part in
//! every other account is booked with the next call that is more than such a pulse ([`Controller::book_pulses`]).

use serde::{Deserialize, Serialize};

use super::{Accounts, Controller};
use crate::settings::MeterPlace;
use crate::units::{Instant, TankId, Volume};
use crate::watch::{Alarm, AlarmSet};

/// Single pulses of the common meter that keep coming in an even flow, all charged to one tank.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) struct QuietPulses {
    /// The tank; [`NO_TANK`] where more than counting may come of a pulse.
    tank: TankId,
    /// The tank's charged volume up to which everything is booked …
    booked: Volume,
    /// … and from which on one more pulse may make something due.
    until: Volume,
}

/// Nobody has so many.
const NO_TANK: TankId = TankId(u8::MAX);

impl Default for QuietPulses {
    fn default() -> Self {
        Self { tank: NO_TANK, booked: Volume::ZERO, until: Volume::ZERO }
    }
}

impl<const N: usize> Controller<N> {
    /// Counts a single pulse of the common meter if nothing else can come of it; says whether it did. If not, nothing
    /// has changed.
    #[inline(always)]
    pub(super) fn count_quietly(&mut self, now: Instant) -> bool {
        let quiet = &self.quiet_pulses;
        let Some(tank) = self.tanks.get_mut(quiet.tank.index()) else { return false };
        let Some(meter) = self.meters.first_mut() else { return false };
        // One at the instant of the last call may tell of water that others have treated, or add to another pulse.
        let comes_later =
            now > self.now || (now == self.now && self.charging == self.in_service && meter.is_before(now));
        if !comes_later || now >= self.deadline {
            return false;
        }
        if tank.ledger.charged() >= quiet.until {
            return false;
        }
        let longest_gap = self.settings.flow_gaps().longest_gap;
        let Some(volume) = meter.even_pulse(now, longest_gap, self.settings.meter_settings()) else { return false };
        tank.ledger.charge_quietly(volume);
        self.now = now;
        true
    }

    /// Books what pulses have only been counted.
    #[inline]
    pub(super) fn book_pulses(&mut self) {
        let counted = self.counted();
        if counted > Volume::ZERO {
            self.book_counted(counted);
        }
    }

    #[inline(never)]
    fn book_counted(&mut self, counted: Volume) {
        self.quiet_pulses.booked = self.quiet_pulses.booked.plus(counted);
        self.book_metered(counted);
        self.accounts.charged.add(counted);
        self.charging = self.in_service;
        let meter = self.meters.first();
        if let Some((last, _)) = meter.and_then(|meter| meter.last()) {
            self.flow_watch.went_on_to(last);
        }
    }

    /// Water passed a meter: what is owed to that, wherever the water went.
    pub(super) fn book_metered(&mut self, volume: Volume) {
        self.accounts.metered.add(volume);
        self.power.metered(volume, self.settings.retain_volume());
        self.tally.pass(volume);
    }

    /// What pulses have only been counted so far.
    pub(super) fn counted(&self) -> Volume {
        let quiet = &self.quiet_pulses;
        let tank = self.tanks.get(quiet.tank.index());
        tank.map_or(Volume::ZERO, |tank| tank.ledger.charged().minus(quiet.booked))
    }

    /// Where the metered water went.
    #[must_use]
    pub fn accounts(&self) -> Accounts {
        let mut accounts = self.accounts;
        let counted = self.counted();
        accounts.metered.add(counted);
        accounts.charged.add(counted);
        accounts
    }

    /// Looks how far the next single pulses only count; all that were counted are booked.
    #[inline(never)]
    pub(super) fn foresee_pulses(&mut self) {
        self.quiet_pulses = self.next_quiet_pulses().unwrap_or_default();
    }

    fn next_quiet_pulses(&self) -> Option<QuietPulses> {
        let settings = &self.settings;
        let awaited = AlarmSet::only(Alarm::ExcessFlow).with(Alarm::MeterSilent);
        let plain = settings.meter.place == MeterPlace::Common && settings.sharing.bypass_per_mille == 0;
        if !plain
            || self.waiting
            || self.test.is_some()
            || !self.stages.is_empty()
            || self.watches.present().meets(awaited)
        {
            return None;
        }
        let id = self.in_service.single()?;
        let last = self.meters.first().filter(|meter| meter.is_even())?.last();
        if !self.flow_watch.is_even(last.map(|(last, _)| last)) {
            return None;
        }
        let ledger = &self.tanks.get(id.index())?.ledger;
        let left = ledger.quiet_for()?.min(self.power.save_in(settings.retain_volume())).min(self.tally.due_in());
        let booked = ledger.charged();
        let until = booked.plus(left).minus(settings.meter_settings().most_of_pulse());
        Some(QuietPulses { tank: id, booked, until })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing)]

    use proptest::prelude::*;

    use super::super::Input;
    use super::*;
    use crate::drive::Switches;
    use crate::settings::{Medium, RawSettings, RelayProgram, Settings};
    use crate::units::{Exchange, Flow, Hardness, Millis};

    /// A small bed in service, with whatever else waits for volume.
    fn serving(dosed: bool, maintained: bool, followed: bool) -> Controller<1> {
        let mut raw = RawSettings::baseline();
        raw.meter.pulse_nl = 1_000_000_001;
        raw.meter.pulse_divisor = 3;
        raw.meter.rated_max = Flow(40_000);
        // So small a bed is used up by the way, and saved often.
        let capacity = Exchange(60 * 342_000);
        raw.medium = Medium::Softener { hardness: Hardness(342_000), capacity, total: capacity };
        raw.power.retain_per_mille = 100;
        if dosed {
            raw.relays[0].program = RelayProgram::PerVolume { volume: Volume(7_000_000_000), on: Millis(2_000) };
            raw.relays[0].min_off = Millis(1_000);
        }
        if followed {
            raw.relays[1].program = RelayProgram::WhileFlow;
        }
        raw.watch.service_volume = Volume(if maintained { 25_000_000_000 } else { 0 });
        let mut controller = Controller::new(Instant::from_ticks(0), Settings::try_from(raw).unwrap()).unwrap();
        let here = Input::Switches { tank: TankId(0), closed: Switches(1) };
        controller.handle(Instant::from_ticks(0), here).unwrap();
        controller
    }

    proptest! {
        /// M6, S5: a pulse that is only counted leaves what one that is taken in full leaves: the same accounts, records,
        /// outputs and deadlines, whatever waits for volume, for time or for flow.
        #[test]
        fn m6_counted_pulses_leave_what_full_ones_do(
            // Pulses of the rated flow are 500 ms apart.
            gaps in proptest::collection::vec((prop_oneof![3 => 1u64..4_000, 1 => Just(500)], 0..20u32), 30..200),
            dosed in any::<bool>(), maintained in any::<bool>(), followed in any::<bool>(),
        ) {
            let mut quick = serving(dosed, maintained, followed);
            let mut full = quick.clone();
            let (mut now_ms, mut counted) = (0, 0);
            for (gap_ms, kind) in gaps {
                now_ms += if kind == 0 { gap_ms * 60 } else { gap_ms };
                let now = Instant::from_ticks(now_ms);
                while let Some(due) = quick.next_deadline().filter(|due| *due <= now && kind != 3) {
                    quick.handle(due, Input::Tick).unwrap();
                    full.handle(due, Input::Tick).unwrap();
                }
                let count = if kind == 1 { 3 } else { 1 };
                let booked = quick.quiet_pulses.booked;
                quick.handle(now, Input::Pulses { meter: 0, count }).unwrap();
                counted += u32::from(quick.counted() > Volume::ZERO && quick.quiet_pulses.booked == booked);
                full.quiet_pulses = QuietPulses::default();
                full.handle(now, Input::Pulses { meter: 0, count }).unwrap();
                if kind == 2 {
                    quick.saved();
                    full.saved();
                }
                prop_assert_eq!(quick.accounts(), full.accounts());
                prop_assert_eq!(quick.tanks(), full.tanks());
                prop_assert_eq!(quick.outputs(), full.outputs());
                prop_assert_eq!(quick.next_deadline(), full.next_deadline());
                prop_assert_eq!(quick.doses(), full.doses());
                loop {
                    let record = quick.take_record();
                    prop_assert_eq!(record, full.take_record());
                    if record.is_none() {
                        break;
                    }
                }
                let mut booked = quick.clone();
                booked.book_pulses();
                booked.foresee_pulses();
                full.foresee_pulses();
                prop_assert_eq!(&booked, &full);
            }
            prop_assert!(counted > 0, "not one pulse was only counted");
        }
    }
}
