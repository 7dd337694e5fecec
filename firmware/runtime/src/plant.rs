//! What is wired to a board: outputs that go off before any comes on, inputs that are read as they are.

use bedkeeper::contact::{Contact, ContactSet};
use bedkeeper::controller::Outputs;
use bedkeeper::drive::{Motion, Pilots, Switches};
use bedkeeper::relay::RELAYS;
use bedkeeper::settings::{CamFeedback, MAX_TANKS, MeterPlace, RawDrive, Settings};
use bedkeeper::units::TankId;
use embedded_hal::digital::{InputPin, OutputPin};
use heapless::Vec;
use serde::{Deserialize, Serialize};

use crate::motor::{Motor, Told};

/// Position switches that a board may have, of all tanks together.
pub const MAX_SWITCHES: usize = 8 * MAX_TANKS;
/// Pilots that a board may have, of all tanks together.
pub const MAX_PILOTS: usize = 8 * MAX_TANKS;
/// Contacts of the plant.
pub const MAX_CONTACTS: usize = 6;

/// A pin could not be set or read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault<O, I> {
    /// An output.
    Output(O),
    /// An input.
    Input(I),
}

/// Why settings cannot run on this board.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum NotWired {
    /// More tanks than it has motors or pilots for.
    Tanks,
    /// More pilots than it has for each tank, or any at all.
    Pilots,
    /// More position switches than it has for each tank.
    Switches,
    /// A shared changeover valve, and it has no motor or no end switches for one.
    SharedValve,
    /// More meters than it has.
    Meters,
}

/// The pins. Switches and contacts close to ground: a low level means closed.
#[derive(Debug)]
pub struct Plant<O, I> {
    motors: Vec<Motor<O>, MAX_TANKS>,
    shared: Option<Motor<O>>,
    pilots: Vec<O, MAX_PILOTS>,
    relays: [O; RELAYS],
    relays_on: [bool; RELAYS],
    /// The pilots that are on, tank by tank.
    pilots_on: [Pilots; MAX_TANKS],
    switches: Vec<I, MAX_SWITCHES>,
    shared_switches: Option<[I; 2]>,
    contacts: Vec<(Contact, I), MAX_CONTACTS>,
    /// How many tanks the switches and pilots are divided among.
    tanks: usize,
    meters: usize,
}

/// What of the outputs could not be done yet.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Pending {
    /// A motor waits for its dead time: put on again then, uptime in ms.
    pub not_before_ms: Option<u64>,
}

impl<O: OutputPin, I: InputPin> Plant<O, I> {
    /// Takes the outputs, and puts every one off before it returns.
    ///
    /// # Errors
    /// An output cannot be set.
    pub fn new(
        motors: impl IntoIterator<Item = Motor<O>>,
        relays: [O; RELAYS],
        meters: usize,
    ) -> Result<Self, Fault<O::Error, I::Error>> {
        let mut plant = Self {
            motors: Vec::new(),
            shared: None,
            pilots: Vec::new(),
            relays,
            relays_on: [false; RELAYS],
            pilots_on: [Pilots(0); MAX_TANKS],
            switches: Vec::new(),
            shared_switches: None,
            contacts: Vec::new(),
            tanks: 1,
            meters,
        };
        for motor in motors {
            let _ = plant.motors.push(motor);
        }
        plant.all_off(0)?;
        Ok(plant)
    }

    /// Adds pilots; those of a tank stand together. They are put off.
    ///
    /// # Errors
    /// An output cannot be set.
    pub fn with_pilots(mut self, pilots: impl IntoIterator<Item = O>) -> Result<Self, Fault<O::Error, I::Error>> {
        for mut pilot in pilots {
            pilot.set_low().map_err(Fault::Output)?;
            let _ = self.pilots.push(pilot);
        }
        Ok(self)
    }

    /// Adds position switches; those of a tank stand together, and they are divided evenly.
    #[must_use]
    pub fn with_switches(mut self, switches: impl IntoIterator<Item = I>) -> Self {
        for switch in switches {
            let _ = self.switches.push(switch);
        }
        self
    }

    /// Adds a shared changeover valve (A6).
    #[must_use]
    pub fn with_shared_valve(mut self, motor: Motor<O>, ends: [I; 2]) -> Self {
        self.shared = Some(motor);
        self.shared_switches = Some(ends);
        self
    }

    /// Adds contacts of the plant.
    #[must_use]
    pub fn with_contacts(mut self, contacts: impl IntoIterator<Item = (Contact, I)>) -> Self {
        for contact in contacts {
            let _ = self.contacts.push(contact);
        }
        self
    }

    /// Divides switches and pilots among the tanks of a site.
    ///
    /// # Errors
    /// The board has not what these settings need; nothing has changed.
    pub fn divide(&mut self, settings: &Settings) -> Result<(), NotWired> {
        self.fits(settings)?;
        self.tanks = usize::from(settings.tanks);
        Ok(())
    }

    /// Whether the board has what settings need.
    ///
    /// # Errors
    /// What it has not.
    pub fn fits(&self, settings: &Settings) -> Result<(), NotWired> {
        let tanks = usize::from(settings.tanks);
        let (switches, pilots, motors) = needs(&settings.drive);
        let each = |all: usize| all.checked_div(tanks).unwrap_or(0).min(8);
        let meters = match settings.meter.place {
            MeterPlace::Common => 1,
            MeterPlace::PerTank => tanks,
        };
        if tanks > MAX_TANKS || (motors && tanks > self.motors.len()) {
            return Err(NotWired::Tanks);
        }
        if pilots > each(self.pilots.len()) {
            return Err(NotWired::Pilots);
        }
        if switches > each(self.switches.len()) {
            return Err(NotWired::Switches);
        }
        if settings.sharing.shared_valve.is_some() && self.shared.is_none() {
            return Err(NotWired::SharedValve);
        }
        if meters > self.meters {
            return Err(NotWired::Meters);
        }
        Ok(())
    }

    /// Puts every output off. All are tried, whatever fails.
    ///
    /// # Errors
    /// An output cannot be set.
    pub fn all_off(&mut self, now_ms: u64) -> Result<(), Fault<O::Error, I::Error>> {
        let mut result = Ok(());
        for motor in self.motors.iter_mut().chain(&mut self.shared) {
            result = result.and(motor.off(now_ms));
        }
        for pin in self.pilots.iter_mut().chain(&mut self.relays) {
            result = result.and(pin.set_low());
        }
        self.relays_on = [false; RELAYS];
        self.pilots_on = [Pilots(0); MAX_TANKS];
        result.map_err(Fault::Output)
    }

    /// Puts off what is on and shall not be: motors and pilots first.
    ///
    /// # Errors
    /// An output cannot be set.
    pub fn put_off<const N: usize>(
        &mut self,
        now_ms: u64,
        wanted: &Outputs<N>,
    ) -> Result<(), Fault<O::Error, I::Error>> {
        let told = wanted.motions.iter().copied().chain(core::iter::repeat(Motion::Off));
        for (motor, motion) in self.motors.iter_mut().zip(told) {
            if motor.motion() != Motion::Off && motor.motion() != motion {
                motor.off(now_ms).map_err(Fault::Output)?;
            }
        }
        if let Some(motor) = &mut self.shared
            && motor.motion() != Motion::Off
            && motor.motion() != wanted.shared
        {
            motor.off(now_ms).map_err(Fault::Output)?;
        }
        self.set_pilots(wanted, false)?;
        for ((pin, is_on), wanted) in self.relays.iter_mut().zip(&mut self.relays_on).zip(wanted.relays) {
            if *is_on && !wanted {
                pin.set_low().map_err(Fault::Output)?;
                *is_on = false;
            }
        }
        Ok(())
    }

    /// Puts on what shall be, after [`Plant::put_off`]; motors and pilots only where `motors` says so.
    ///
    /// # Errors
    /// An output cannot be set.
    pub fn put_on<const N: usize>(
        &mut self,
        now_ms: u64,
        wanted: &Outputs<N>,
        motors: bool,
    ) -> Result<Pending, Fault<O::Error, I::Error>> {
        let mut pending = Pending::default();
        if motors {
            let told = self.motors.iter_mut().zip(wanted.motions.iter().copied());
            let shared = self.shared.iter_mut().map(|motor| (motor, wanted.shared));
            for (motor, motion) in told.chain(shared) {
                if let Told::NotBefore(at_ms) = motor.tell(now_ms, motion).map_err(Fault::Output)? {
                    pending.not_before_ms = Some(pending.not_before_ms.map_or(at_ms, |other| other.min(at_ms)));
                }
            }
            self.set_pilots(wanted, true)?;
        }
        for ((pin, is_on), wanted) in self.relays.iter_mut().zip(&mut self.relays_on).zip(wanted.relays) {
            if wanted && !*is_on {
                pin.set_high().map_err(Fault::Output)?;
                *is_on = true;
            }
        }
        Ok(pending)
    }

    /// Some motor runs.
    #[must_use]
    pub fn is_moving(&self) -> bool {
        self.motors.iter().chain(&self.shared).any(|motor| motor.motion() != Motion::Off)
    }

    /// Puts those pilots on or off that shall be and are not.
    fn set_pilots<const N: usize>(&mut self, wanted: &Outputs<N>, on: bool) -> Result<(), Fault<O::Error, I::Error>> {
        let each = self.pilots.len().checked_div(self.tanks).unwrap_or(0);
        if each == 0 {
            return Ok(());
        }
        let told = wanted.pilots.iter().copied().chain(core::iter::repeat(Pilots(0)));
        for ((pins, now_on), wanted) in self.pilots.chunks_mut(each).zip(&mut self.pilots_on).zip(told) {
            for (pin, bit) in pins.iter_mut().zip(BITS) {
                let (is_on, shall) = (now_on.0 & bit != 0, wanted.0 & bit != 0);
                if is_on == shall || shall != on {
                    continue;
                }
                if on { pin.set_high() } else { pin.set_low() }.map_err(Fault::Output)?;
                now_on.0 ^= bit;
            }
        }
        Ok(())
    }

    /// The position switches of a tank.
    ///
    /// # Errors
    /// An input cannot be read.
    pub fn switches(&mut self, tank: TankId) -> Result<Switches, Fault<O::Error, I::Error>> {
        let each = self.switches.len().checked_div(self.tanks).unwrap_or(0);
        let pins = self.switches.chunks_mut(each.max(1)).nth(tank.index());
        closed(pins.into_iter().flatten())
    }

    /// The end switches of the shared changeover valve, if there is one.
    ///
    /// # Errors
    /// An input cannot be read.
    pub fn shared_switches(&mut self) -> Result<Option<Switches>, Fault<O::Error, I::Error>> {
        self.shared_switches.as_mut().map(closed).transpose()
    }

    /// The contacts that are wired, and which of them are closed.
    ///
    /// # Errors
    /// An input cannot be read.
    pub fn contacts(&mut self) -> Result<(ContactSet, ContactSet), Fault<O::Error, I::Error>> {
        let (mut wired, mut closed) = (ContactSet::EMPTY, ContactSet::EMPTY);
        for (contact, pin) in &mut self.contacts {
            wired.insert(*contact);
            if pin.is_low().map_err(Fault::Input)? {
                closed.insert(*contact);
            }
        }
        Ok((wired, closed))
    }
}

const BITS: [u8; 8] = [1, 2, 4, 8, 16, 32, 64, 128];

/// Bit i = input i is closed.
fn closed<'p, O, I: InputPin + 'p>(pins: impl IntoIterator<Item = &'p mut I>) -> Result<Switches, Fault<O, I::Error>> {
    let mut levels = Switches(0);
    for (pin, bit) in pins.into_iter().zip(BITS) {
        if pin.is_low().map_err(Fault::Input)? {
            levels.0 |= bit;
        }
    }
    Ok(levels)
}

/// Switches and pilots that a drive needs, and whether it needs a motor.
fn needs(drive: &RawDrive) -> (usize, usize, bool) {
    match drive {
        RawDrive::CamSwitch { positions, feedback: CamFeedback::SwitchPerPosition, .. } => (positions.len(), 0, true),
        RawDrive::CamSwitch { .. } | RawDrive::CamIndex { .. } | RawDrive::TwoPosition { .. } => (2, 0, true),
        RawDrive::Timed { .. } => (0, 0, true),
        RawDrive::PilotArray { positions, contact, .. } => {
            let used = positions.iter().fold(0, |all, (_, pattern)| all | pattern);
            let pilots = BITS.iter().zip(1usize..).filter(|(bit, _)| used & **bit != 0).map(|(_, n)| n).max();
            (usize::from(*contact), pilots.unwrap_or(0), false)
        }
    }
}
