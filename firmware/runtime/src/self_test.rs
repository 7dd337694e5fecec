//! What a board finds out about itself at power-up, and when somebody asks. Outputs are read back and not tried here: that
//! moves valves, and is an operator's to do (O6).

use heapless::Vec;

use bedkeeper::contact::{Contact, ContactSet};
use bedkeeper::drive::Switches;
use bedkeeper::settings::{CamFeedback, MAX_TANKS, RawDrive, Settings};

/// What is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Check {
    /// Every word of RAM keeps what is written to it: tried at power-up alone, and a board on which it fails does not start.
    Ram,
    /// The program in flash is as it was built.
    Program,
    /// The settings in flash can be read and pass.
    Settings,
    /// The store of what outlives power cuts can be read.
    Store,
    /// The hardware clock answers and has not stopped.
    Clock,
    /// The hardware clock and the board's crystal run at the same pace.
    Pace,
    /// The display answers.
    Display,
    /// The buttons can be read, and none is held down.
    Buttons,
    /// Position switches do not contradict each other.
    Switches,
    /// Contacts do not contradict each other.
    Contacts,
    /// Outputs have the levels that they are set to.
    Outputs,
}

/// Every check, in the order shown.
pub const CHECKS: [Check; 11] = [
    Check::Ram,
    Check::Program,
    Check::Settings,
    Check::Store,
    Check::Clock,
    Check::Pace,
    Check::Display,
    Check::Buttons,
    Check::Switches,
    Check::Contacts,
    Check::Outputs,
];

impl Check {
    /// What it is called.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Ram => "RAM",
            Self::Program => "program",
            Self::Settings => "settings",
            Self::Store => "memory",
            Self::Clock => "clock",
            Self::Pace => "pace of both clocks",
            Self::Display => "display",
            Self::Buttons => "buttons",
            Self::Switches => "valve switches",
            Self::Contacts => "contacts",
            Self::Outputs => "outputs",
        }
    }

    /// What to look at where it fails.
    #[must_use]
    pub const fn look(self) -> &'static str {
        match self {
            Self::Ram => "Replace the board.",
            Self::Program => "Flash the program again. If it happens again, replace the board.",
            Self::Settings => "Load the settings again. Until then the last good ones run.",
            Self::Store => "After a power cut beds will count as spent. Plan to replace the board.",
            Self::Clock => "Set the clock; look at its battery and wires.",
            Self::Pace => {
                "Compare the clock with a good one. If it is right, steps run at a wrong pace: replace the board."
            }
            Self::Display => "Look at the wires of the display.",
            Self::Buttons => "Look at the wires of the buttons, and for one that sticks.",
            Self::Switches => "Two are closed at once, and none may be. Look for a stuck switch or a short.",
            Self::Outputs => "A pin is not as it is set. Pull the drives' plugs and look for a short.",
            Self::Contacts => "The brine tank says full and empty at once. Look at its floats.",
        }
    }
}

/// What was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Finding {
    /// As it should be.
    Passed,
    /// Not so.
    Failed,
    /// The board has none, or it was not looked at.
    NotThere,
}

/// The findings of the last self-test.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Findings(Vec<(Check, Finding), { CHECKS.len() }>);

impl Findings {
    /// Nothing was looked at.
    #[must_use]
    pub const fn new() -> Self {
        Self(Vec::new())
    }

    /// Notes what was found; a later finding takes the place of an earlier one.
    pub fn note(&mut self, check: Check, finding: Finding) {
        match self.0.iter_mut().find(|(noted, _)| *noted == check) {
            Some(noted) => noted.1 = finding,
            // There is room for each check once.
            None => drop(self.0.push((check, finding))),
        }
    }

    /// Notes whether something is as it should be.
    pub fn note_passed(&mut self, check: Check, passed: bool) {
        self.note(check, if passed { Finding::Passed } else { Finding::Failed });
    }

    /// What was found of a check.
    #[must_use]
    pub fn of(&self, check: Check) -> Finding {
        self.0.iter().find(|(noted, _)| *noted == check).map_or(Finding::NotThere, |(_, finding)| *finding)
    }

    /// Whether nothing has failed.
    #[must_use]
    pub fn all_well(&self) -> bool {
        self.0.iter().all(|(_, finding)| *finding != Finding::Failed)
    }
}

/// Whether position switches can all be true at once: a cam closes one at a time, a ball valve has two ends.
#[must_use]
pub fn plausible_switches(settings: &Settings, switches: &[Option<Switches>; MAX_TANKS]) -> Finding {
    let one_at_a_time = match &settings.drive {
        RawDrive::CamSwitch { feedback: CamFeedback::SwitchPerPosition, .. } | RawDrive::TwoPosition { .. } => true,
        RawDrive::CamSwitch { .. }
        | RawDrive::CamIndex { .. }
        | RawDrive::Timed { .. }
        | RawDrive::PilotArray { .. } => false,
    };
    let told = || switches.iter().take(usize::from(settings.tanks)).flatten();
    if !one_at_a_time || told().next().is_none() {
        return Finding::NotThere;
    }
    if told().all(|closed| closed.0.count_ones() <= 1) { Finding::Passed } else { Finding::Failed }
}

/// Whether contacts can all be true at once: a brine tank is not full and empty.
#[must_use]
pub fn plausible_contacts(wired: ContactSet, closed: ContactSet) -> Finding {
    if wired.is_empty() {
        return Finding::NotThere;
    }
    let both = closed.contains(Contact::BrineFull) && closed.contains(Contact::BrineEmpty);
    if both { Finding::Failed } else { Finding::Passed }
}
