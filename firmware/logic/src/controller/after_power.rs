//! Power is back: what was retained goes on (P3–P6, S10, S12).
//!
//! No entry action is replayed. Every drive is found before it is moved (V2), by the same states as at any
//! power-up; duties go on by what they are, regenerations by how long power was off.

use super::capacity::medium_of;
use super::power::Dark;
use super::{Changeover, Controller, TooManyTanks};
use crate::drive::{Drive, TwoWay};
use crate::duty::Duty;
use crate::journal::{Event, Who};
use crate::program::{Position, StepKind};
use crate::retain::{Plant, Retained};
use crate::sequence::{AfterPower, BrineInBed};
use crate::settings::{CamFeedback, MeterPlace, RawDrive, Settings, scaled_volume};
use crate::units::{Instant, Millis, TankId, Volume};
use crate::watch::{Service, Silence};

/// A valve that passed this long unseen in the brine position has drawn brine (S12).
const BRINE_UNSEEN: Millis = Millis::from_secs(30);

/// Why a retained state was not restored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum RestoreRefused {
    /// The settings have more tanks than this controller was built for.
    TooManyTanks,
    /// Tanks, arrangement, drives or the place of meters differ: the retained state is about another plant.
    OtherPlant,
    /// The monotonic clock stands before the instant at which the state was taken; start it at
    /// [`Retained::resumes_at`].
    ClockBehind,
}

impl core::fmt::Display for RestoreRefused {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::TooManyTanks => "the settings have more tanks than there is room for",
            Self::OtherPlant => "the retained state is about a plant with other tanks, arrangement, drives or meters",
            Self::ClockBehind => "the monotonic clock stands before the retained state was taken",
        })
    }
}

impl core::error::Error for RestoreRefused {}

impl Changeover {
    /// It is between tanks that there are.
    pub(crate) fn is_among(self, tanks: usize) -> bool {
        self.to.index() < tanks && self.from.is_none_or(|from| from.index() < tanks)
    }
}

impl<const N: usize> Controller<N> {
    /// Takes up a plant where power left it.
    ///
    /// `off_for` is how long power was off at the most, as [`Retained::off_for`] reckons it from the civil
    /// clock; `None` = unknown, which is treated as long (T3). `now` is best [`Retained::resumes_at`]. Then
    /// tell at that instant what every power-up tells, the clock first, and write the state before any motor
    /// is started.
    ///
    /// # Errors
    /// The state cannot go on with these settings or at this time; see [`RestoreRefused`]. Use
    /// [`Controller::after_loss`] then.
    pub fn restore(
        now: Instant,
        settings: Settings,
        retained: &Retained<N>,
        off_for: Option<Millis>,
    ) -> Result<Self, RestoreRefused> {
        let plant = Plant::of(&settings);
        let was = &retained.plant;
        let same_tanks = retained.tanks.len() == usize::from(settings.tanks);
        let same = plant.arrangement == was.arrangement && plant.place == was.place && plant.drive == was.drive;
        if !same_tanks || !same {
            return Err(RestoreRefused::OtherPlant);
        }
        if now < retained.at {
            return Err(RestoreRefused::ClockBehind);
        }
        let mut controller = Self::new(now, settings).map_err(|TooManyTanks| RestoreRefused::TooManyTanks)?;
        controller.power.dark = off_for.map_or(Dark::Unknown, Dark::AtMost);
        controller.take_over_retained(now, retained, plant.medium != was.medium);
        controller.write(Event::PowerReturned { off: off_for });
        controller.charge_unseen(now, off_for);
        controller.day_after_dark(now);
        for (id, tank) in controller.ids().zip(&retained.tanks) {
            let travelled = tank.drive.target().is_some();
            controller.resume(now, id, plant.program == was.program, travelled);
        }
        controller.restage();
        controller.in_service = controller.serving_set();
        controller.charging = controller.in_service;
        Ok(controller)
    }

    /// A controller at power-up where nothing readable is retained on a plant that has run before: what its
    /// beds have taken up is unknown, so each counts as spent, and `retained-lost` stands until every tank
    /// has regenerated or is vouched for (S10).
    ///
    /// # Errors
    /// The settings have more than `N` tanks.
    pub fn after_loss(now: Instant, settings: Settings) -> Result<Self, TooManyTanks> {
        let mut controller = Self::new(now, settings)?;
        controller.write(Event::RetainedLost);
        for id in controller.ids() {
            controller.power.forgotten.insert(id);
            if let Some(tank) = controller.tank_mut(id) {
                let all = tank.ledger.remaining();
                tank.ledger.charge_estimated(all);
                controller.accounts.estimated.add(all);
            }
        }
        Ok(controller)
    }

    /// The state as it is, for [`Controller::retained`].
    pub(crate) fn retain(&self) -> Retained<N> {
        Retained {
            plant: Plant::of(&self.settings),
            at: self.now,
            clock: self.clock,
            hour: self.hour,
            scheduled_at: self.scheduled_at,
            tanks: self.tanks.clone(),
            brine: self.brine,
            brine_uncertain: self.power.brine_uncertain,
            changeover: self.changeover,
            shared_lost: self.shared.as_ref().is_some_and(|shared| shared.valve.is_lost()),
            joining: self.joining,
            accounts: self.accounts(),
            drain: self.drain,
            forecast: self.forecast_to_retain(),
            lives: self.lives(),
            watches: self.watches.clone(),
            silences: self.silences_to_retain(),
            service: Service {
                volume: self.service.volume.plus(self.tally.passed()).plus(self.counted()),
                ..self.service
            },
            doses: self.doses(),
            locks: self.locks,
            presence: self.presence,
            share_turn: self.share_turn,
            forgotten: self.power.forgotten,
            records: self.power.records,
        }
    }

    fn take_over_retained(&mut self, now: Instant, retained: &Retained<N>, other_medium: bool) {
        let reserve = self.reserve_told();
        for (tank, was) in self.tanks.iter_mut().zip(&retained.tanks) {
            *tank = was.clone();
            tank.duty = found_anew(&was.duty, retained.at);
            tank.drive = match was.drive.is_lost() {
                true => Drive::lost_before(now, was.drive.believed()),
                false => Drive::new(now),
            };
            let (medium, reserve) = (medium_of(tank, &self.settings), &reserve);
            if other_medium {
                tank.ledger.resettle(&retained.plant.medium, &medium, reserve);
            } else {
                tank.ledger.set_thresholds(&medium, reserve);
            }
            if let (Duty::Ready { since }, Dark::Unknown) = (&mut tank.duty, self.power.dark) {
                // Treated as long: it may have stood for any time (A5).
                *since = Instant::from_ticks(0);
            }
        }
        // An offset still holds if the monotonic clock went on; of an unknown length it did not.
        if self.power.dark != Dark::Unknown {
            self.clock = retained.clock;
        }
        self.hour = retained.hour;
        self.scheduled_at = retained.scheduled_at;
        self.brine = retained.brine;
        self.changeover = retained.changeover;
        if let Some(shared) = self.shared.as_mut().filter(|_| retained.shared_lost) {
            shared.valve = TwoWay::lost_before(now);
        }
        self.joining = retained.joining;
        self.accounts = retained.accounts;
        self.drain = retained.drain;
        self.forecast = retained.forecast;
        self.lives = retained.lives.clone();
        self.watches = retained.watches.clone();
        for (silence, lasted) in self.silences.iter_mut().zip(&retained.silences) {
            *silence = Silence::after(*lasted);
        }
        self.service = retained.service;
        for ((relay, given), doses) in self.relays.iter_mut().zip(&self.settings.relays).zip(&retained.doses) {
            relay.owe(*doses, given);
        }
        self.locks = retained.locks;
        self.presence = retained.presence;
        self.locks.close(Who::Panel);
        self.locks.close(Who::Serial);
        self.share_turn = retained.share_turn;
        self.power.records = retained.records;
        self.power.forgotten = retained.forgotten;
        self.power.brine_uncertain = retained.brine_uncertain;
    }

    /// Charges what the cut may have lost of the metered volume (S10), and what the forecast says has flowed
    /// while dark (P6), to the tanks that stood in service.
    fn charge_unseen(&mut self, now: Instant, off_for: Option<Millis>) {
        let lost = self.settings.retain_volume();
        let serving = self.tanks.iter().filter(|t| matches!(t.duty, Duty::Serving)).count();
        let serving = u64::try_from(serving.max(1)).unwrap_or(1);
        let dark = self.forecast_use(now, off_for, serving);
        let share = |volume: Volume| Volume(volume.0.div_ceil(serving));
        let each = match self.settings.meter.place {
            MeterPlace::Common => share(lost),
            MeterPlace::PerTank => lost,
        };
        let each = each.plus(share(dark));
        for tank in self.tanks.iter_mut().filter(|t| matches!(t.duty, Duty::Serving)) {
            tank.ledger.charge_estimated(each);
            self.accounts.estimated.add(each);
        }
    }

    /// One tank goes on.
    fn resume(&mut self, now: Instant, id: TankId, same_program: bool, travelled: bool) {
        let Some(tank) = self.tanks.get(id.index()) else { return };
        if tank.drive.is_lost() {
            return;
        }
        // A drive that tells nothing was under way when power failed: nobody knows where it stopped.
        let drive = &self.settings.drive;
        let unseen = travelled && is_blind(drive) && self.power.dark.exceeds(BRINE_UNSEEN);
        let brine = [Position::BrineRefill, Position::BrineDraw].iter().any(|p| self.settings.positions().contains(*p));
        let brine = unseen && brine && runs_on_dark(drive);
        match &tank.duty {
            Duty::Regenerating(_) => self.resume_regeneration(now, id, same_program),
            Duty::Out { .. } => {}
            // It may have stopped where brine is drawn (S12).
            _ if unseen => self.brine_in_bed(now, id),
            _ => {}
        }
        // There the tank may have been emptied, or elsewhere filled (S6, P5).
        if brine {
            self.forget_brine();
        }
    }

    /// P3–P5: what is left of a regeneration.
    fn resume_regeneration(&mut self, now: Instant, id: TankId, same_program: bool) {
        let settings = &self.settings;
        let dark = self.power.dark;
        let Some(tank) = self.tanks.get_mut(id.index()) else { return };
        let Duty::Regenerating(regeneration) = &mut tank.duty else { return };
        if !same_program {
            // Its place in the program means nothing any more.
            return self.begin_again_later(id);
        }
        let Some(step) = regeneration.step(settings) else { return };
        let blind = is_blind(&settings.drive);
        if step == StepKind::BrineRefill && runs_on_dark(&settings.drive) && (blind || regeneration.has_served()) {
            return self.refill_ran_on(now, id);
        }
        if !dark.exceeds(settings.power.resume_within) {
            return self.write(Event::AfterPower { tank: id, step, outcome: AfterPower::Resumed });
        }
        if step == StepKind::BrineRefill {
            // It had not begun; if the valve did arrive, it is found there.
            return self.write(Event::AfterPower { tank: id, step, outcome: AfterPower::Resumed });
        }
        tank.restarts.count = tank.restarts.count.saturating_add(1);
        if tank.restarts.count > settings.power.max_restarts {
            tank.restarts.gave_up = true;
            tank.unproven = true;
            regeneration.give_up(settings);
            return self.write(Event::AfterPower { tank: id, step, outcome: AfterPower::GaveUp });
        }
        if !matches!(step, StepKind::BrineDraw | StepKind::SlowRinse) {
            regeneration.step_again();
            return self.write(Event::AfterPower { tank: id, step, outcome: AfterPower::StepAgain });
        }
        let may = regeneration.may_begin_again(settings);
        let dose = regeneration.dose_percent();
        // A valve left in the draw so long has drawn what it was to draw (C8).
        if step == StepKind::BrineDraw {
            self.brine.draw(scaled_volume(self.settings.dose_water(), dose));
        }
        let refill = self.first_refill(dose);
        let ready = self.tanks.get(id.index()).is_some_and(|t| self.brine_hold(t, now).is_none());
        let settings = &self.settings;
        let Some(Duty::Regenerating(regeneration)) = self.tanks.get_mut(id.index()).map(|t| &mut t.duty) else {
            return;
        };
        if ready && may {
            regeneration.begin_again(refill, settings);
            return self.write(Event::AfterPower { tank: id, step, outcome: AfterPower::BeganAgain });
        }
        self.begin_again_later(id);
    }

    /// The bed is rinsed out first; the causes stand, so the regeneration begins again when nothing but the
    /// calendar holds it (C5).
    fn begin_again_later(&mut self, id: TankId) {
        let settings = &self.settings;
        let Some(tank) = self.tanks.get_mut(id.index()) else { return };
        let Duty::Regenerating(regeneration) = &mut tank.duty else { return };
        let step = regeneration.step(settings).unwrap_or(StepKind::SlowRinse);
        tank.restarts.pending = true;
        if regeneration.brine().must_rinse() {
            regeneration.rinse_again(settings);
        } else {
            regeneration.cut_for_restart(settings);
        }
        self.write(Event::AfterPower { tank: id, step, outcome: AfterPower::RinsedFirst });
    }

    /// Refill ran on while dark: the time counts, or if unknown the refill stops (P5).
    fn refill_ran_on(&mut self, now: Instant, id: TankId) {
        let settings = &self.settings;
        let dark = self.power.dark;
        let Some(tank) = self.tanks.get_mut(id.index()) else { return };
        let Duty::Regenerating(regeneration) = &mut tank.duty else { return };
        let step = StepKind::BrineRefill;
        self.power.refill_counted.insert(id);
        let (over, outcome) = match dark {
            Dark::No => return,
            Dark::AtMost(length) => (regeneration.count_served(length, settings), AfterPower::RefillCounted),
            Dark::Unknown if regeneration.ends_by_contact(settings) => (false, AfterPower::Resumed),
            Dark::Unknown => {
                self.power.brine_uncertain = true;
                (true, AfterPower::RefillStopped)
            }
        };
        let ended = if over { regeneration.end_step(now, settings) } else { None };
        self.write(Event::AfterPower { tank: id, step, outcome });
        if let Some(run) = ended {
            self.step_ended(now, id, &run);
        }
    }

    /// A switch confirms where a valve stood while dark: what flowed there meanwhile is reckoned with.
    pub(super) fn found_after_dark(&mut self, now: Instant, id: TankId, position: Position) {
        let dark = self.power.dark;
        if dark == Dark::No {
            // Nothing is retained: it may have been regenerating when power failed (S12).
            if matches!(position, Position::BrineDraw | Position::SlowRinse | Position::FastRinse) {
                self.brine_in_bed(now, id);
            }
            return;
        }
        let long = dark.exceeds(BRINE_UNSEEN);
        let settings = &self.settings;
        let Some(tank) = self.tanks.get_mut(id.index()) else { return };
        match (&mut tank.duty, position) {
            (_, Position::BrineRefill) if self.power.refill_counted.contains(id) => {}
            (Duty::Regenerating(regeneration), Position::BrineRefill) => {
                let expected = regeneration.step(settings) == Some(StepKind::BrineRefill);
                if !expected {
                    self.refilled_out_of_turn();
                } else {
                    self.refill_ran_on(now, id);
                }
            }
            (Duty::Regenerating(regeneration), Position::BrineDraw) => {
                let expected = regeneration.wanted(settings) == Some(Position::BrineDraw);
                match regeneration.brine() {
                    // All its rinses are still owed.
                    BrineInBed::Undiluted => {}
                    _ if expected || !long => {}
                    BrineInBed::None => regeneration.brine_came_early(),
                    BrineInBed::Diluted | BrineInBed::Rinsed => regeneration.rinse_again(settings),
                }
            }
            (Duty::Regenerating(_), _) | (Duty::Purging { .. }, Position::FastRinse) => {}
            (_, Position::BrineDraw | Position::SlowRinse | Position::FastRinse) => self.brine_in_bed(now, id),
            (_, Position::BrineRefill) => self.refilled_out_of_turn(),
            _ => {}
        }
    }

    /// What this tank did before power failed is forgotten, and its valve does not stand in service, which its drive would tell
    /// of: it may have come from the draw.
    pub(super) fn was_left_between(&self, id: TankId) -> bool {
        self.power.forgotten.contains(id) && self.power.dark == Dark::No && tells_service(&self.settings.drive)
    }

    /// A valve stood in the refill position on its way: that water is not given once more (P5).
    fn refilled_out_of_turn(&mut self) {
        let ran = match self.power.dark {
            Dark::No => return,
            Dark::AtMost(length) => Some(length),
            Dark::Unknown => None,
        };
        self.power.brine_uncertain |= self.power.dark.exceeds(BRINE_UNSEEN);
        self.refilled_unseen(ran);
    }

    /// Every drive has been found or is being sought: the cut is over.
    pub(super) fn end_of_dark(&mut self) {
        if self.power.dark != Dark::No && !self.tanks.iter().any(|t| t.drive.is_powering_up()) {
            self.power.dark = Dark::No;
        }
    }

    /// Every valve has been found since power came, or is lost and nobody waits for it (V2). What is sought
    /// later holds its own tank only (C7).
    pub(super) fn end_of_finding(&mut self) {
        self.power.finding &= self.tanks.iter().any(|t| is_sought(&t.drive));
    }
}

/// Nobody knows where a valve is, and it is being found.
pub(super) fn is_sought(drive: &Drive) -> bool {
    drive.is_powering_up() || drive.is_unknown() || drive.is_seeking()
}

/// The drives do not tell at power-up where a valve stands in whatever position.
fn is_blind(drive: &RawDrive) -> bool {
    match drive {
        RawDrive::CamSwitch { feedback, .. } => *feedback != CamFeedback::SwitchPerPosition,
        RawDrive::TwoPosition { .. } => false,
        RawDrive::CamIndex { .. } | RawDrive::Timed { .. } | RawDrive::PilotArray { .. } => true,
    }
}

/// The drives tell at power-up whether a valve stands in service, if of nothing else.
fn tells_service(drive: &RawDrive) -> bool {
    match drive {
        RawDrive::CamIndex { positions, .. } => positions.contains(&(Position::Service, 0)),
        RawDrive::CamSwitch { .. } => !is_blind(drive) || drive.position(0) == Some(Position::Service),
        _ => !is_blind(drive),
    }
}

/// A valve that refills goes on refilling without power. Pilots let go, and only what no pilot acts for lasts.
fn runs_on_dark(drive: &RawDrive) -> bool {
    match drive {
        RawDrive::PilotArray { positions, .. } => {
            positions.iter().any(|(position, pattern)| *position == Position::BrineRefill && *pattern == 0)
        }
        _ => true,
    }
}

/// A duty whose valve is to be found anew.
fn found_anew(duty: &Duty, at: Instant) -> Duty {
    match duty {
        Duty::Regenerating(regeneration) => Duty::Regenerating(regeneration.stopped_at(at)),
        // Only time in the drain position counts, and nobody watched.
        Duty::Purging { .. } => Duty::Purging { running_since: None },
        other => other.clone(),
    }
}
