//! The pins of a simulated board: each ends at a part of the simulated plant.

use std::cell::RefCell;
use std::collections::VecDeque;
use std::convert::Infallible;
use std::rc::Rc;

use bedkeeper::Input;
use bedkeeper::calendar::{Civil, DAY_MS};
use bedkeeper::contact::Contact;
use bedkeeper::drive::{Motion, Pilots};
use bedkeeper::program::Position;
use bedkeeper::settings::{Arrangement, MAX_TANKS, MeterPlace, RawDrive, Settings};
use bedkeeper_runtime::clock::WallClock;
use bedkeeper_runtime::meters::Meters;
use bedkeeper_runtime::motor::Motor;
use bedkeeper_runtime::plant::{MAX_PILOTS, MAX_SWITCHES, Plant as Pins};
use embedded_hal::digital::{ErrorType, InputPin, OutputPin};

use crate::plant::{Plant, Valve, ValveMachine};
use crate::replay::ValveTimes;

/// What is at the other end of the board's pins.
#[derive(Debug)]
pub struct World {
    plant: Plant,
    tanks: usize,
    /// What each motor is told, forward and reverse, tank by tank; the last is of the shared valve.
    motors: [[bool; 2]; MAX_TANKS + 1],
    pilots: [u8; MAX_TANKS],
    /// Civil time at time 0, if the hardware clock is set.
    civil: Option<u64>,
    /// The plant's own time, which goes on when the board is dark.
    now_ms: u64,
    pulses: VecDeque<(u64, Input)>,
    tap: Tap,
}

/// Water that the building draws: invented, the same every day.
#[derive(Debug)]
struct Tap {
    per_tank: bool,
    /// Sixtieths of nL, times the divisor: so a mL/min makes a thousand times the divisor of them each ms.
    pulse: u64,
    divisor: u64,
    passed: u64,
    /// What flows, per mille of [`drawn_ml_min`]: three quarters of a tank a day, so that there is something to see.
    size_per_mille: u64,
}

impl Tap {
    /// What makes a pulse, of what flows in a ms.
    fn each_ms(&self, ml_min: u64) -> u64 {
        ml_min * 1_000 * self.divisor
    }
}

/// What flows in such a day, nL.
const DAY_NL: u64 = 8_460_000_000_000;

/// What flows at a time of day, mL/min: nothing at night, much in the morning and the evening.
fn drawn_ml_min(of_day_ms: u64) -> u64 {
    match of_day_ms / 3_600_000 {
        0..6 => 0,
        6..9 => 14_000,
        9..17 => 5_000,
        17..22 => 11_000,
        _ => 2_000,
    }
}

/// The plant, as every pin knows it.
pub type Shared = Rc<RefCell<World>>;

impl World {
    /// The plant of a site at a moment, its valves where the logic believes them at power-up.
    pub fn new(settings: &Settings, times: ValveTimes, civil: Option<u64>, now_ms: u64) -> Self {
        let all = settings.arrangement == Arrangement::Parallel;
        let valves = (0..settings.tanks).map(|tank| {
            let at = if tank == 0 || all { Position::Service } else { settings.rest_position() };
            Valve::standing_in(ValveMachine::of(&settings.drive, times.leg_ms, times.coast_ms), at)
        });
        let shared = settings.sharing.shared_valve.map(|valve| {
            let ends = RawDrive::TwoPosition { positions: [Position::Service, Position::Standby], valve };
            Valve::standing_in(ValveMachine::of(&ends, times.leg_ms, times.coast_ms), Position::Service)
        });
        let divisor = u64::from(settings.meter.pulse_divisor).max(1);
        Self {
            plant: Plant::new(valves.collect()).with_shared(shared),
            tanks: usize::from(settings.tanks),
            motors: [[false; 2]; MAX_TANKS + 1],
            pilots: [0; MAX_TANKS],
            civil,
            now_ms,
            pulses: VecDeque::new(),
            tap: Tap {
                per_tank: settings.meter.place == MeterPlace::PerTank,
                pulse: settings.meter.pulse_nl.saturating_mul(60).max(1),
                divisor,
                passed: 0,
                size_per_mille: (settings.tank_volume().nl() / (DAY_NL / 1_000) * 3 / 4).clamp(1, 1_000_000),
            },
        }
    }

    /// The plant's time.
    pub fn now_ms(&self) -> u64 {
        self.now_ms
    }

    /// Civil time at the plant's time 0, if the hardware clock is set.
    pub fn civil(&self) -> Option<u64> {
        self.civil
    }

    fn flow_ml_min(&self) -> u64 {
        drawn_ml_min((self.civil.unwrap_or(0) + self.now_ms) % DAY_MS) * self.tap.size_per_mille / 1_000
    }

    /// The valves do as the outputs say by now.
    pub fn obey(&mut self) {
        let motion = |[forward, reverse]: [bool; 2]| match (forward, reverse) {
            (true, false) => Motion::Forward,
            (false, true) => Motion::Reverse,
            _ => Motion::Off,
        };
        for ((valve, motor), pilots) in self.plant.valves_mut().iter_mut().zip(self.motors).zip(self.pilots) {
            valve.command(motion(motor));
            valve.command_pilots(Pilots(pilots));
        }
        if let (Some(valve), Some(motor)) = (self.plant.shared_mut(), self.motors.last()) {
            valve.command(motion(*motor));
        }
    }

    /// When something next happens by itself, but for what the board does: a switch changes, or a pulse comes.
    pub fn next_ms(&self) -> u64 {
        let each_ms = self.tap.each_ms(self.flow_ml_min());
        let pulse = self.tap.pulse.saturating_sub(self.tap.passed).checked_div(each_ms).map(|ms| self.now_ms + ms + 1);
        // The tap is looked at every minute.
        let next = self.plant.next_change_ms().into_iter().chain(pulse).min().unwrap_or(u64::MAX);
        next.min(self.now_ms + 60_000).max(self.now_ms + 1)
    }

    /// Time passes: valves turn, water flows. Pulses come at an uptime counted from `powered_ms`.
    pub fn advance(&mut self, to_ms: u64, powered_ms: u64) {
        self.tap.passed += self.tap.each_ms(self.flow_ml_min()) * (to_ms - self.now_ms);
        self.plant.advance(to_ms);
        self.now_ms = to_ms;
        let pulses = self.tap.passed / self.tap.pulse;
        self.tap.passed %= self.tap.pulse;
        for _ in 0..pulses {
            let serves = |valve: &Valve| valve.position() == Some(Position::Service);
            let serving = self.plant.valves().iter().position(serves).filter(|_| self.tap.per_tank);
            let meter = u8::try_from(serving.unwrap_or(0)).unwrap_or(0);
            self.pulses.push_back((to_ms - powered_ms, Input::Pulses { meter, count: 1 }));
        }
    }

    /// Which tank a line belongs to, and which of its bits it is, where `all` are divided evenly as the board does it.
    fn line(&self, line: usize, all: usize) -> (usize, u32) {
        let each = all / self.tanks.max(1);
        (line / each, u32::try_from(line % each).unwrap_or(u32::MAX))
    }

    fn set(&mut self, wire: Wire, on: bool) {
        match wire {
            Wire::Motor(motor, way) => {
                if let Some(told) = self.motors.get_mut(motor).and_then(|told| told.get_mut(way)) {
                    *told = on;
                }
            }
            Wire::Pilot(line) => {
                let (tank, bit) = self.line(line, MAX_PILOTS);
                if let (Some(pilots), Some(bit)) = (self.pilots.get_mut(tank), 1u8.checked_shl(bit)) {
                    *pilots = if on { *pilots | bit } else { *pilots & !bit };
                }
            }
            // Nothing hangs on the relays of this plant.
            Wire::Relay | Wire::Switch(_) | Wire::Shared(_) | Wire::Contact => {}
        }
    }

    fn is_closed(&self, wire: Wire) -> bool {
        match wire {
            Wire::Switch(line) => {
                let (tank, bit) = self.line(line, MAX_SWITCHES);
                let closed = self.plant.valves().get(tank).map_or(0, |valve| valve.switches().0);
                1u8.checked_shl(bit).is_some_and(|bit| closed & bit != 0)
            }
            Wire::Shared(bit) => self.plant.shared().is_some_and(|valve| valve.switches().0 & (1 << bit) != 0),
            Wire::Motor(..) | Wire::Pilot(_) | Wire::Relay | Wire::Contact => false,
        }
    }
}

/// Where a pin leads.
#[derive(Clone, Copy, Debug)]
enum Wire {
    Motor(usize, usize),
    Pilot(usize),
    Relay,
    Switch(usize),
    Shared(u8),
    Contact,
}

/// A pin of the board.
#[derive(Clone, Debug)]
pub struct Pin {
    wire: Wire,
    world: Shared,
}

impl ErrorType for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.world.borrow_mut().set(self.wire, false);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.world.borrow_mut().set(self.wire, true);
        Ok(())
    }
}

impl InputPin for Pin {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(!self.world.borrow().is_closed(self.wire))
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        self.is_high().map(|high| !high)
    }
}

/// Every pin of the board: enough for any site.
pub fn pins(world: &Shared) -> Pins<Pin, Pin> {
    let pin = |wire| Pin { wire, world: world.clone() };
    let always = |motor: Result<_, Infallible>| motor.unwrap_or_else(|never| match never {});
    let motor = |motor| always(Motor::new(pin(Wire::Motor(motor, 0)), pin(Wire::Motor(motor, 1))));
    let relays = std::array::from_fn(|_| pin(Wire::Relay));
    let plant = Pins::new((0..MAX_TANKS).map(motor), relays, MAX_TANKS)
        .and_then(|plant| plant.with_pilots((0..MAX_PILOTS).map(|line| pin(Wire::Pilot(line)))));
    let Ok(plant) = plant;
    plant
        .with_switches((0..MAX_SWITCHES).map(|line| pin(Wire::Switch(line))))
        .with_shared_valve(motor(MAX_TANKS), [pin(Wire::Shared(0)), pin(Wire::Shared(1))])
        .with_contacts(Contact::ALL.iter().map(|contact| (*contact, pin(Wire::Contact))))
}

/// The hardware clock.
#[derive(Debug)]
pub struct Clock(pub Shared);

impl WallClock for Clock {
    fn read(&mut self) -> Option<Civil> {
        let world = self.0.borrow();
        world.civil.map(|civil| Civil(civil + world.now_ms))
    }

    fn set(&mut self, civil: Civil) -> bool {
        let mut world = self.0.borrow_mut();
        world.civil = civil.0.checked_sub(world.now_ms);
        world.civil.is_some()
    }
}

/// The meters.
#[derive(Debug)]
pub struct Counted(pub Shared);

impl Meters for Counted {
    fn take(&mut self, _now_ms: u64) -> Option<(u64, Input)> {
        self.0.borrow_mut().pulses.pop_front()
    }
}
