//! What each pin does: the one table that the image wires by and the handbook shows.

/// What a pin does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// Sends what the link and Modbus answer; until somebody speaks, the journal, a line of JSON for each record.
    SerialOut,
    /// Hears the link and Modbus.
    SerialIn,
    /// A meter's contact, from 0.
    Meter(u8),
    /// I²C data of hardware clock, display and buttons.
    BusData,
    /// I²C clock of the same.
    BusClock,
    /// Runs a tank's motor towards later positions; tanks from 0.
    Forward(u8),
    /// Runs it towards earlier positions.
    Reverse(u8),
    /// A relay, from 0.
    Relay(u8),
    /// A position switch, from 0: all eight belong to the tank of a site with one, four each to two.
    Switch(u8),
    /// The remote contact.
    Remote,
    /// The float that a brine refill ends by.
    BrineFull,
    /// The pressure switch.
    LowPressure,
    /// The hardness monitor's contact.
    Sensor,
    /// The lamp on the board: lit while an alarm stands.
    Lamp,
}

impl Role {
    /// It drives something: it must be low until the first decision, and needs a pull-down outside.
    #[must_use]
    pub const fn is_actuator(self) -> bool {
        matches!(self, Self::Forward(_) | Self::Reverse(_) | Self::Relay(_))
    }

    /// A contact to ground, with the pull-up inside the chip: a low level means closed.
    #[must_use]
    pub const fn is_contact(self) -> bool {
        matches!(
            self,
            Self::Meter(_) | Self::Switch(_) | Self::Remote | Self::BrineFull | Self::LowPressure | Self::Sensor
        )
    }
}

/// One pin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PinUse {
    /// Its GPIO number.
    pub gpio: u8,
    /// Its number on the board's edge; `None` if it is not led out.
    pub edge: Option<u8>,
    /// What it does.
    pub role: Role,
    /// In words.
    pub text: &'static str,
}

const fn pin(gpio: u8, edge: u8, role: Role, text: &'static str) -> PinUse {
    PinUse { gpio, edge: Some(edge), role, text }
}

/// Every pin in use.
pub const PINS: [PinUse; 27] = [
    pin(0, 1, Role::SerialOut, "serial out: link and Modbus"),
    pin(1, 2, Role::SerialIn, "serial in: link and Modbus"),
    pin(2, 4, Role::Meter(0), "meter: the common one, or tank 1's"),
    pin(3, 5, Role::Meter(1), "meter of tank 2"),
    pin(4, 6, Role::BusData, "I²C data: hardware clock, display, buttons"),
    pin(5, 7, Role::BusClock, "I²C clock of the same"),
    pin(6, 9, Role::Forward(0), "motor of tank 1, forward"),
    pin(7, 10, Role::Reverse(0), "motor of tank 1, reverse"),
    pin(8, 11, Role::Forward(1), "motor of tank 2, forward"),
    pin(9, 12, Role::Reverse(1), "motor of tank 2, reverse"),
    pin(10, 14, Role::Relay(0), "relay 1"),
    pin(11, 15, Role::Relay(1), "relay 2"),
    pin(12, 16, Role::Relay(2), "relay 3"),
    pin(13, 17, Role::Relay(3), "relay 4"),
    pin(14, 19, Role::Switch(0), "tank 1, position switch 1"),
    pin(15, 20, Role::Switch(1), "tank 1, position switch 2"),
    pin(16, 21, Role::Switch(2), "tank 1, position switch 3"),
    pin(17, 22, Role::Switch(3), "tank 1, position switch 4"),
    pin(18, 24, Role::Switch(4), "one tank: its switch 5; two: tank 2, switch 1"),
    pin(19, 25, Role::Switch(5), "one tank: its switch 6; two: tank 2, switch 2"),
    pin(20, 26, Role::Switch(6), "one tank: its switch 7; two: tank 2, switch 3"),
    pin(21, 27, Role::Switch(7), "one tank: its switch 8; two: tank 2, switch 4"),
    pin(22, 29, Role::Remote, "remote contact"),
    PinUse { gpio: 25, edge: None, role: Role::Lamp, text: "lamp on the board: an alarm stands" },
    pin(26, 31, Role::BrineFull, "float in the brine tank: full"),
    pin(27, 32, Role::LowPressure, "pressure switch: too low"),
    pin(28, 34, Role::Sensor, "hardness monitor: hard"),
];

/// The GPIO number of a role; every role that is asked for is in the table, or the image does not build.
#[must_use]
pub const fn gpio(role: Role) -> u8 {
    let mut i = 0;
    while i < PINS.len() {
        if same(PINS[i].role, role) {
            return PINS[i].gpio;
        }
        i += 1;
    }
    panic!("no pin has this role")
}

const fn same(a: Role, b: Role) -> bool {
    match (a, b) {
        (Role::Meter(a), Role::Meter(b))
        | (Role::Forward(a), Role::Forward(b))
        | (Role::Reverse(a), Role::Reverse(b))
        | (Role::Relay(a), Role::Relay(b))
        | (Role::Switch(a), Role::Switch(b)) => a == b,
        (Role::SerialOut, Role::SerialOut)
        | (Role::SerialIn, Role::SerialIn)
        | (Role::BusData, Role::BusData)
        | (Role::BusClock, Role::BusClock)
        | (Role::Remote, Role::Remote)
        | (Role::BrineFull, Role::BrineFull)
        | (Role::LowPressure, Role::LowPressure)
        | (Role::Sensor, Role::Sensor)
        | (Role::Lamp, Role::Lamp) => true,
        _ => false,
    }
}

/// Bit i = GPIO i drives something.
pub const ACTUATORS: u32 = {
    let (mut mask, mut i) = (0, 0);
    while i < PINS.len() {
        if PINS[i].role.is_actuator() {
            mask |= 1 << PINS[i].gpio;
        }
        i += 1;
    }
    mask
};
