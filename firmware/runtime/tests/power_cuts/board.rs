//! A board as the driver contract has it: it saves before motors start, and comes back from its flash alone.

use bedkeeper::calendar::Civil;
use bedkeeper::drive::Motion;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Record};
use bedkeeper::retain::{MAX_BYTES, Retained};
use bedkeeper::units::{Instant, TankId};
use bedkeeper::{Controller, Input, Save, Settings};
use bedkeeper_runtime::mock_flash::MockFlash;
use bedkeeper_runtime::store::{Log, Region, StoreError};

use super::plant::Plant;

pub type Flash = MockFlash<4, 4096>;
const PAGES: u32 = 2;
const BUFFER: usize = MAX_BYTES + 16;
/// Civil time when the plant was switched on: a Monday noon.
const CIVIL_START: u64 = 9_921 * 86_400_000 + 43_200_000;

/// Power has failed.
#[derive(Debug, PartialEq, Eq)]
pub struct Dark;

/// A board with its plant.
#[derive(Clone)]
pub struct Board<const N: usize> {
    pub controller: Controller<N>,
    pub plant: Plant,
    pub flash: Flash,
    settings: Settings,
    /// The plant's time at which the controller's clock stood at 0.
    clock_base: i128,
    /// Moments left before power fails: every call and every step of the flash is one.
    budget: Option<u64>,
    pub moments: u64,
    pub said: Vec<Record>,
    told: Vec<Option<bedkeeper::drive::Switches>>,
    told_shared: Option<bedkeeper::drive::Switches>,
    clock_known: bool,
    pub pulses: u64,
    forgotten_nl: u128,
    estimated_nl: u128,
    next_pulse_ms: u64,
}

const PULSE_EVERY_MS: u64 = 20_000;

impl<const N: usize> Board<N> {
    pub fn new(settings: Settings, plant: Plant) -> Self {
        let controller = Controller::new(Instant::from_ticks(0), settings.clone()).expect("fits");
        let told = vec![None; plant.tanks.len()];
        let mut board = Self {
            controller,
            plant,
            flash: Flash::new(PAGES as usize),
            settings,
            clock_base: 0,
            budget: None,
            moments: 0,
            said: Vec::new(),
            told,
            told_shared: None,
            clock_known: true,
            pulses: 0,
            forgotten_nl: 0,
            estimated_nl: 0,
            next_pulse_ms: PULSE_EVERY_MS,
        };
        board.greet().expect("power is on");
        board
    }

    pub fn fail_after(&mut self, moments: Option<u64>) {
        self.budget = moments;
    }

    fn clock(&self, plant_ms: u64) -> Instant {
        Instant::from_ticks(u64::try_from(i128::from(plant_ms) - self.clock_base).expect("goes forward"))
    }

    fn civil(&self) -> Option<Civil> {
        self.clock_known.then(|| Civil(CIVIL_START + self.plant.now_ms))
    }

    fn moment(&mut self) -> Result<(), Dark> {
        if self.budget == Some(0) {
            return Err(Dark);
        }
        self.budget = self.budget.map(|left| left - 1);
        self.moments += 1;
        Ok(())
    }

    /// What every power-up tells.
    fn greet(&mut self) -> Result<(), Dark> {
        let civil = self.civil();
        self.put(Input::Clock(civil))?;
        self.tell_switches()
    }

    fn tell_switches(&mut self) -> Result<(), Dark> {
        for i in 0..self.plant.tanks.len() {
            let closed = self.plant.tanks[i].switches();
            if self.told[i].replace(closed) != Some(closed) {
                self.put(Input::Switches { tank: TankId(i as u8), closed })?;
            }
        }
        let shared = self.plant.shared_switches();
        if let Some(closed) = shared.filter(|_| self.told_shared != shared) {
            self.told_shared = shared;
            self.put(Input::SharedSwitches { closed })?;
        }
        Ok(())
    }

    /// One call and what the contract has follow it.
    pub fn put(&mut self, input: Input) -> Result<(), Dark> {
        let now = self.clock(self.plant.now_ms);
        // Power may fail before the call, or between it and what follows: both leave nothing of it.
        self.moment()?;
        let _ = self.controller.handle(now, input);
        let said: Vec<Record> = std::iter::from_fn(|| self.controller.take_record()).collect();
        let outputs = self.controller.outputs();
        let motions = outputs.motions;
        if let Some((_, motion)) = self.plant.shared.as_mut().filter(|_| outputs.shared == Motion::Off) {
            *motion = Motion::Off;
        }
        for (tank, motion) in self.plant.tanks.iter_mut().zip(&motions) {
            if *motion == Motion::Off {
                tank.motion = Motion::Off;
            }
        }
        if self.controller.save_wish() != Save::NotNeeded {
            self.save()?;
        }
        // What was not stored was never said to anyone.
        self.said.extend(said);
        for (tank, motion) in self.plant.tanks.iter_mut().zip(&motions) {
            tank.motion = *motion;
        }
        for (tank, pilots) in self.plant.tanks.iter_mut().zip(&outputs.pilots) {
            tank.pilot(*pilots);
        }
        if let Some((_, motion)) = &mut self.plant.shared {
            *motion = outputs.shared;
        }
        Ok(())
    }

    fn save(&mut self) -> Result<(), Dark> {
        let bytes = self.controller.retained().encode::<MAX_BYTES>().expect("fits");
        let before = self.flash.steps();
        if let Some(left) = self.budget {
            self.flash.fail_in(left);
        }
        let flash = std::mem::replace(&mut self.flash, Flash::new(0));
        let mut log: Log<Flash, BUFFER> = Log::mount(flash, Region { start: 0, pages: PAGES }).expect("mounts");
        let written = log.append(&bytes);
        self.flash = log.release();
        let used = self.flash.steps() - before;
        self.moments += used;
        self.budget = self.budget.map(|left| left.saturating_sub(used));
        match written {
            Ok(()) => {
                self.controller.saved();
                Ok(())
            }
            Err(StoreError::Flash(_)) if self.flash.is_dark() => Err(Dark),
            Err(error) => panic!("the store refuses: {error:?}"),
        }
    }

    /// Power is off for so long; then the board comes back from its flash.
    pub fn come_back(&mut self, off_ms: u64, clock_kept: bool) -> Result<(), Dark> {
        self.plant.lose_power();
        self.plant.advance(self.plant.now_ms + off_ms);
        self.plant.powered = true;
        self.next_pulse_ms = self.plant.now_ms + PULSE_EVERY_MS;
        self.clock_known &= clock_kept;
        self.told.fill(None);
        self.told_shared = None;
        self.flash.power_up();
        let flash = std::mem::replace(&mut self.flash, Flash::new(0));
        let mut log: Log<Flash, BUFFER> = Log::mount(flash, Region { start: 0, pages: PAGES }).expect("mounts");
        let stored = log.latest().expect("reads").map(|bytes| Retained::<N>::decode(bytes).expect("whole"));
        self.flash = log.release();
        let settings = self.settings.clone();
        self.controller = match stored {
            Some(retained) => {
                let off_for = retained.off_for(self.civil());
                let now = retained.resumes_at(off_for);
                self.clock_base = i128::from(self.plant.now_ms) - i128::from(now.as_ticks());
                Controller::restore(now, settings, &retained, off_for).expect("the same plant")
            }
            // Power failed before anything was ever stored.
            None => {
                self.clock_base = i128::from(self.plant.now_ms);
                Controller::new(Instant::from_ticks(0), settings).expect("fits")
            }
        };
        self.check_loss();
        self.greet()
    }

    /// S10: a cut loses a hundredth of the capacity at the most, and charges as much to whoever served. Where
    /// nobody did, the water passed untreated, and no bed is the worse for it.
    fn check_loss(&mut self) {
        let accounts = self.controller.accounts();
        let metered = u128::from(self.pulses) * 1_000_000_000;
        let lost = metered - self.forgotten_nl - accounts.metered.0;
        let most = u128::from(self.settings.retain_volume().nl());
        assert!(lost <= most, "{lost} nL are lost, and {most} may be");
        let served = self.controller.tanks().iter().any(|t| t.duty().kind() == DutyKind::Serving);
        let charged = accounts.estimated.0 - self.estimated_nl;
        assert!(!served || charged >= lost, "{lost} nL are lost, and {charged} charged");
        self.forgotten_nl += lost;
        self.estimated_nl = accounts.estimated.0;
    }

    /// Runs for so long.
    pub fn run_for(&mut self, ms: u64) -> Result<(), Dark> {
        let until = self.plant.now_ms + ms;
        while self.plant.now_ms < until {
            let deadline = self
                .controller
                .next_deadline()
                .map(|at| u64::try_from(i128::from(at.as_ticks()) + self.clock_base).unwrap_or(u64::MAX));
            let turning = if self.plant.is_turning() { self.plant.now_ms + 100 } else { u64::MAX };
            let next = until.min(deadline.unwrap_or(u64::MAX)).min(turning).min(self.next_pulse_ms);
            let next = next.max(self.plant.now_ms);
            self.plant.advance(next);
            self.tell_switches()?;
            if next >= self.next_pulse_ms {
                self.next_pulse_ms += PULSE_EVERY_MS;
                self.pulses += 1;
                self.put(Input::Pulses { meter: 0, count: 1 })?;
            } else if deadline.is_some_and(|at| at <= next) {
                self.put(Input::Tick)?;
            }
        }
        Ok(())
    }

    pub fn has_said(&self, is: impl Fn(&Event) -> bool) -> bool {
        self.said.iter().any(|record| is(&record.event))
    }
}
