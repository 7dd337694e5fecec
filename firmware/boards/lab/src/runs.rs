//! The runs: an ordinary day, and a rough one on a site with everything on.

use core::hash::{Hash, Hasher};

use bedkeeper::calendar::Civil;
use bedkeeper::contact::Contact;
use bedkeeper::drive::Switches;
use bedkeeper::duty::{Duty, Tank};
use bedkeeper::journal::{Event, Who};
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::MeterPlace;
use bedkeeper::units::{Instant, TankId};
use bedkeeper::{Action, Controller, Input, RawSettings, Settings};

use crate::plant::Valve;
use bedkeeper::calls::Digest;

use crate::tally::{Call, Tally};
use crate::{Cost, Probe, sites};

const SECOND_MS: u64 = 1_000;
const HOUR_MS: u64 = 3_600 * SECOND_MS;
const DAY_MS: u64 = 24 * HOUR_MS;
/// Monday 2027-03-01, in days since 2000-01-01.
const MONDAY: u32 = 9_921;
/// Place of the standby position on the cam.
const STANDBY_PLACE: u64 = 6;

/// What a run did.
#[derive(Clone, Copy, Debug, Default)]
pub struct Report {
    /// Costs of its calls.
    pub tally: Tally,
    /// Over every record and every output.
    pub digest: Digest,
    /// Regenerations completed.
    pub completed: u32,
    /// Records written.
    pub records: u32,
    /// Records pushed out unread.
    pub lost: u16,
}

/// The runs.
#[derive(Clone, Copy, Debug)]
pub struct Reports {
    /// An ordinary day.
    pub ordinary: Report,
    /// A rough fortnight.
    pub rough: Report,
    /// A rough fortnight with a meter on each tank.
    pub metered_tanks: Report,
}

/// Runs everything.
///
/// `None` if a site of [`sites`] does not pass its check: a mistake in this crate.
pub fn all(probe: &mut impl Probe) -> Option<Reports> {
    let ordinary = Site::new(sites::ordinary())?.ordinary_day(probe);
    let rough = Site::new(sites::elaborate())?.rough_fortnight(probe);
    let metered_tanks = Site::new(sites::metered_tanks())?.rough_fortnight(probe);
    Some(Reports { ordinary, rough, metered_tanks })
}

/// A controller with its plant.
struct Site {
    controller: Controller<2>,
    valves: [Valve; 2],
    /// Switches as the controller was told.
    told: [Option<Switches>; 2],
    now_ms: u64,
    report: Report,
}

impl Site {
    fn new(raw: RawSettings) -> Option<Self> {
        let settings = Settings::try_from(raw).ok()?;
        let controller = Controller::new(Instant::from_ticks(0), settings).ok()?;
        let valves = [Valve::at_place(0), Valve::at_place(STANDBY_PLACE)];
        Some(Self { controller, valves, told: [None; 2], now_ms: 0, report: Report::default() })
    }

    /// 20 litres a minute from six to eight, half as much through the day, nothing at night.
    fn ordinary_day(mut self, probe: &mut impl Probe) -> Report {
        self.put(probe, Call::Clock, Input::Clock(Some(Civil::at(MONDAY, 0))));
        while self.now_ms < DAY_MS {
            let spacing = match self.now_ms / HOUR_MS {
                6..8 => 3 * SECOND_MS,
                8..22 => 6 * SECOND_MS,
                _ => {
                    self.run_to(probe, self.now_ms + HOUR_MS);
                    continue;
                }
            };
            self.run_to(probe, self.now_ms + spacing);
            self.pulses(probe, 1);
        }
        self.report
    }

    /// Water in fits and starts, contacts, operators who cannot leave it alone, a wandering clock
    /// and valves that stick: a seeded fortnight.
    fn rough_fortnight(mut self, probe: &mut impl Probe) -> Report {
        let mut dice = Dice(0x2545_F491_4F6C_DD1D);
        self.put(probe, Call::Clock, Input::Clock(Some(Civil::at(MONDAY, 0))));
        while self.now_ms < 14 * DAY_MS {
            let longest = if dice.below(40) == 0 { 2 * HOUR_MS } else { 20 * SECOND_MS };
            let wait = dice.below(longest);
            self.run_to(probe, self.now_ms + wait);
            match dice.below(400) {
                0..4 => self.operate(probe, &mut dice),
                4..8 => self.contact(probe, &mut dice),
                8 => self.wander(probe, &mut dice),
                9 => self.stick(&mut dice),
                10..14 => self.pulses(probe, 1 + u32::try_from(dice.below(300)).unwrap_or(0)),
                14..40 => {
                    let closed = dice.below(2) == 0;
                    self.put(probe, Call::MeterContact, Input::MeterContact { meter: 0, closed });
                }
                _ => self.pulses(probe, 1),
            }
        }
        self.report
    }

    fn operate(&mut self, probe: &mut impl Probe, dice: &mut Dice) {
        let tank = TankId(u8::try_from(dice.below(2)).unwrap_or(0));
        let action = match dice.below(12) {
            0 => Action::StartNow(tank),
            1 => Action::StartAtHour(tank),
            2 => Action::Withdraw(tank),
            3 => Action::StepForward(tank),
            4 => Action::Abort(tank),
            5 => Action::Hold(tank),
            6 | 7 => Action::Release(tank),
            8 => Action::TakeOut(tank),
            9 | 10 => Action::PutBack(tank),
            _ => Action::Vouch(tank),
        };
        self.put(probe, Call::Operator, Input::Operator { who: Who::Panel, action });
    }

    fn contact(&mut self, probe: &mut impl Probe, dice: &mut Dice) {
        let contact = match dice.below(3) {
            0 => Contact::Remote,
            1 => Contact::Sensor,
            _ => Contact::LowPressure,
        };
        // Open most of the time, so that something happens.
        let closed = dice.below(4) == 0;
        self.put(probe, Call::Contact, Input::Contact { contact, closed });
    }

    fn wander(&mut self, probe: &mut impl Probe, dice: &mut Dice) {
        let shown = Civil(Civil::at(MONDAY, 0).0 + self.now_ms);
        let civil = match dice.below(5) {
            0 => None,
            1 => Some(Civil(shown.0 + HOUR_MS)),
            2 => Some(Civil(shown.0 - HOUR_MS)),
            _ => Some(shown),
        };
        self.put(probe, Call::Clock, Input::Clock(civil));
    }

    fn stick(&mut self, dice: &mut Dice) {
        let [first, second] = &mut self.valves;
        let valve = if dice.below(2) == 0 { first } else { second };
        valve.stuck = dice.below(3) == 0;
    }

    /// Pulses of the common meter, or of a tank's own: of the one that serves, or now and then of any.
    fn pulses(&mut self, probe: &mut impl Probe, count: u32) {
        let serves = |t: &Tank| matches!(t.duty(), Duty::Serving);
        let meter = match self.controller.settings().meter.place {
            MeterPlace::Common => 0,
            MeterPlace::PerTank if self.report.records.is_multiple_of(7) => 1,
            MeterPlace::PerTank => u8::from(!self.controller.tanks().first().is_some_and(serves)),
        };
        let quiet = count == 1 && self.nobody_waits();
        let before = self.report.records;
        let cost = self.call(probe, Input::Pulses { meter, count });
        let call = match count {
            1 if quiet && before == self.report.records => Call::QuietPulse,
            1 => Call::Pulse,
            _ => Call::Batch,
        };
        self.report.tally.book(call, self.now_ms, cost);
    }

    fn nobody_waits(&self) -> bool {
        let waits = |tank| self.controller.why(TankId(tank)).is_some_and(|why| !why.holds.is_empty());
        !(0..2).any(waits)
    }

    fn put(&mut self, probe: &mut impl Probe, call: Call, input: Input) {
        let cost = self.call(probe, input);
        self.report.tally.book(call, self.now_ms, cost);
    }

    /// Calls the controller, reads what it says, and tells the valves.
    fn call(&mut self, probe: &mut impl Probe, input: Input) -> Cost {
        let now = Instant::from_ticks(self.now_ms);
        let (result, cost) = probe.call(&mut self.controller, now, input);
        let report = &mut self.report;
        result.is_ok().hash(&mut report.digest);
        while let Some(record) = self.controller.take_record() {
            record.hash(&mut report.digest);
            report.records += 1;
            if matches!(record.event, Event::Ended { outcome: Outcome::Complete, .. }) {
                report.completed += 1;
            }
        }
        report.lost = self.controller.records_lost();
        let outputs = self.controller.outputs();
        outputs.hash(&mut report.digest);
        self.controller.next_deadline().hash(&mut report.digest);
        for (valve, motion) in self.valves.iter_mut().zip(&outputs.motions) {
            valve.tell(*motion);
        }
        cost
    }

    /// Lets time pass, with a call at each deadline and each change of a switch.
    fn run_to(&mut self, probe: &mut impl Probe, until_ms: u64) {
        loop {
            self.tell_switches(probe);
            let due = self.controller.next_deadline().map(|d| d.as_ticks());
            let change = self.valves.iter().filter_map(Valve::next_change_ms).min();
            let next = due.into_iter().chain(change).min().unwrap_or(until_ms).min(until_ms);
            self.now_ms = next;
            for valve in &mut self.valves {
                valve.advance(next);
            }
            self.tell_switches(probe);
            if due.is_some_and(|due| due <= next) {
                self.put(probe, Call::Deadline, Input::Tick);
            }
            if next >= until_ms {
                return;
            }
        }
    }

    /// Tells switches that the controller does not know yet.
    fn tell_switches(&mut self, probe: &mut impl Probe) {
        let seen = self.valves.map(|valve| Some(valve.switches()));
        let told = core::mem::replace(&mut self.told, seen);
        for ((seen, told), tank) in seen.into_iter().zip(told).zip(0..) {
            if let Some(closed) = seen.filter(|_| seen != told) {
                self.put(probe, Call::Switches, Input::Switches { tank: TankId(tank), closed });
            }
        }
    }
}

/// Seeded dice: xorshift, 64 bits.
struct Dice(u64);

impl Dice {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0.checked_rem(limit).unwrap_or(0)
    }
}

impl Report {
    /// The digest as a number.
    #[must_use]
    pub fn digest_value(&self) -> u64 {
        self.digest.finish()
    }
}
