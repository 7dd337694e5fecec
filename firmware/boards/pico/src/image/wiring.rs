//! Pins as the table has them.

use bedkeeper::contact::Contact;
use bedkeeper_pico::pins::{Role, gpio};
use bedkeeper_runtime::motor::Motor;
use bedkeeper_runtime::plant::{Fault, Plant};
use hal::gpio::{
    DynPinId, FunctionNull, FunctionSio, FunctionSioInput, FunctionSioOutput, Pin, Pins, PullDown, PullUp, SioInput,
    SioOutput,
};
use rp2040_hal as hal;

use super::{SerialPins, bus};

/// An output that is low until something puts it on; the pull-down inside the chip stays.
pub type Output = Pin<DynPinId, FunctionSio<SioOutput>, PullDown>;
/// A contact to ground.
pub type Input = Pin<DynPinId, FunctionSio<SioInput>, PullUp>;

type Unused = Pin<DynPinId, FunctionNull, PullDown>;

/// The pins of the board, wired.
pub struct Wired {
    /// What drives and what is read; every output is low.
    pub plant: Result<Plant<Output, Input>, Fault<core::convert::Infallible, core::convert::Infallible>>,
    /// The bus of hardware clock, display and buttons.
    pub bus: bus::Pins,
    /// The serial line.
    pub serial: SerialPins,
    /// The lamp.
    pub lamp: Output,
}

// These have fixed types, so they stand here beside the table.
const _: () = {
    assert!(gpio(Role::SerialOut) == 0 && gpio(Role::SerialIn) == 1);
    assert!(gpio(Role::BusData) == 4 && gpio(Role::BusClock) == 5);
};

/// Wires the board: outputs first.
pub fn wire(pins: Pins) -> Wired {
    let mut free: [Option<Unused>; 30] = [const { None }; 30];
    macro_rules! put {
        ($($number:literal $pin:ident),*) => { $(free[$number] = Some(pins.$pin.into_dyn_pin());)* };
    }
    put!(
        2 gpio2, 3 gpio3, 6 gpio6, 7 gpio7, 8 gpio8, 9 gpio9, 10 gpio10, 11 gpio11, 12 gpio12, 13 gpio13, 14 gpio14,
        15 gpio15, 16 gpio16, 17 gpio17, 18 gpio18, 19 gpio19, 20 gpio20, 21 gpio21, 22 gpio22, 25 gpio25, 26 gpio26,
        27 gpio27, 28 gpio28
    );
    let motors =
        [0, 1].map(|tank| Motor::new(output(&mut free, Role::Forward(tank)), output(&mut free, Role::Reverse(tank))));
    let relays = [0, 1, 2, 3].map(|relay| output(&mut free, Role::Relay(relay)));
    let lamp = output(&mut free, Role::Lamp);
    let switches = [0, 1, 2, 3, 4, 5, 6, 7].map(|switch| input(&mut free, Role::Switch(switch)));
    let contacts = [
        (Contact::Remote, input(&mut free, Role::Remote)),
        (Contact::BrineFull, input(&mut free, Role::BrineFull)),
        (Contact::LowPressure, input(&mut free, Role::LowPressure)),
        (Contact::Sensor, input(&mut free, Role::Sensor)),
    ];
    // The state machines read these by number.
    let _ = [0, 1].map(|meter| input(&mut free, Role::Meter(meter)));
    let plant = Plant::new(motors.into_iter().flatten(), relays, 2)
        .map(|plant| plant.with_switches(switches).with_contacts(contacts));
    let clock = bus::free(pins.gpio5.reconfigure());
    let bus = (pins.gpio4.reconfigure(), clock);
    let serial = (pins.gpio0.reconfigure(), pins.gpio1.reconfigure());
    Wired { plant, bus, serial, lamp }
}

fn take(free: &mut [Option<Unused>; 30], role: Role) -> Unused {
    match free.get_mut(usize::from(gpio(role))).and_then(Option::take) {
        Some(pin) => pin,
        None => super::give_up(),
    }
}

fn output(free: &mut [Option<Unused>; 30], role: Role) -> Output {
    match take(free, role).try_into_function::<FunctionSioOutput>() {
        Ok(pin) => pin,
        Err(_) => super::give_up(),
    }
}

fn input(free: &mut [Option<Unused>; 30], role: Role) -> Input {
    match take(free, role).into_pull_type::<PullUp>().try_into_function::<FunctionSioInput>() {
        Ok(pin) => pin,
        Err(_) => super::give_up(),
    }
}
