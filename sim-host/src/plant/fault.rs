//! Named faults of the simulated valves, armed and disarmed at a time.
//!
//! Each has one spelling, such as `switch-stuck-open:3`: the name, and after a colon what it needs.

use std::fmt;
use std::str::FromStr;

use bedkeeper::program::Position;

/// Speed of a slow motor where none is given, per cent.
const USUAL_SLOW_PERCENT: u8 = 50;
/// How far a cam coasts where nothing is given, in per cent of the way to the next position.
const USUAL_COAST_PERCENT: u8 = 50;

/// Wear at each start of the motor where none is given, in thousandths.
const USUAL_WEAR: u8 = 20;

/// Something that goes wrong with one valve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Fault {
    /// `motor-stalled`: the motor does not turn.
    MotorStalled,
    /// `motor-slow:50`: the motor turns at so many per cent of its speed (1 to 99; 50 if not said).
    MotorSlow {
        /// Per cent of the usual speed.
        percent: u8,
    },
    /// `wears:20`: each time the motor starts, it turns slower and coasts longer by so many thousandths of what it did
    /// when new, up to four times (1 to 250; 20 if not said). Mended, the valve is as new.
    Wears {
        /// Thousandths for each start.
        per_mille: u8,
    },
    /// `motor-runs-on`: the relay welds the next time it closes, and the motor runs on that way.
    MotorRunsOn,
    /// `wires-swapped`: the motor turns the other way than it is told.
    WiresSwapped,
    /// `forward-wire-broken`: told to turn forward, the motor stands.
    ForwardWireBroken,
    /// `reverse-wire-broken`: told to turn back, the motor stands.
    ReverseWireBroken,
    /// `jams-in:brine-draw`: the valve cannot leave this position, once it comes to it.
    JamsIn(Position),
    /// `coasts-far:50`: after the motor stops, the cam coasts over so many per cent of the way to the next
    /// position (1 to 250; 50 if not said).
    CoastsFar {
        /// Per cent of a leg.
        percent: u8,
    },
    /// `switch-stuck-open:3`: a switch never closes. Switches count from 1.
    SwitchStuckOpen(u8),
    /// `switch-stuck-closed:3`: a switch is always closed.
    SwitchStuckClosed(u8),
    /// `switch-inverted:2`: a switch of the other make: it shows closed where it is open, and the other way round.
    SwitchInverted(u8),
    /// `switches-swapped:1-2`: two switches are wired to each other's inputs.
    SwitchesSwapped(u8, u8),
    /// `switch-bounces`: every switch chatters for 20 ms when it changes.
    SwitchBounces,
    /// `index-missed:2`: the next so many index or stop marks are not seen (1 if not said).
    IndexMissed(u8),
    /// `index-extra:2`: after each of the next so many index or stop marks another is seen that is none (1 if
    /// not said).
    IndexExtra(u8),
    /// `pilot-stuck-off:2`: a pilot does not act. Pilots count from 1.
    PilotStuckOff(u8),
    /// `pilot-stuck-on:2`: a pilot acts always.
    PilotStuckOn(u8),
    /// `pilots-swapped:1-2`: two pilots are wired to each other's outputs.
    PilotsSwapped(u8, u8),
    /// `moved-by-hand:backwash`, or `moved-by-hand:between` for halfway between where it stands and the next
    /// position: somebody turns the valve, which takes 0.4 s. Done at once; there is nothing to disarm.
    MovedByHand(Option<Position>),
}

/// Why a text names no fault.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}; {help}")]
pub struct FaultError {
    /// What is wrong.
    pub message: String,
    /// What would be right.
    pub help: String,
}

/// Why a fault cannot be armed on a valve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum FaultRefused {
    /// No such tank.
    #[error("the plant has no tank {tank}; it has {tanks}")]
    NoSuchTank {
        /// From 1.
        tank: u8,
        /// How many there are.
        tanks: usize,
    },
    /// The tanks share no changeover valve.
    #[error("the plant has no shared changeover valve")]
    NoSharedValve,
    /// The valve has no motor.
    #[error("{fault}: a valve with pilots has no motor")]
    NoMotor {
        /// The fault.
        fault: Fault,
    },
    /// The valve has no pilots.
    #[error("{fault}: this valve has a motor and no pilots")]
    NoPilots {
        /// The fault.
        fault: Fault,
    },
    /// The valve has fewer of them, or none.
    #[error("{fault}: this valve has {has} of them")]
    TooFew {
        /// The fault.
        fault: Fault,
        /// How many.
        has: u8,
    },
    /// The valve has no such position.
    #[error("{fault}: this valve has no such position")]
    NoSuchPosition {
        /// The fault.
        fault: Fault,
    },
    /// The valve has no index or stop marks.
    #[error("{fault}: this valve counts no marks")]
    NoMarks {
        /// The fault.
        fault: Fault,
    },
    /// Nothing turns on after its motor stops.
    #[error("{fault}: only a cam coasts")]
    NoCam {
        /// The fault.
        fault: Fault,
    },
}

impl Fault {
    /// Every name, with an example of what follows it.
    pub const SPELLINGS: [&'static str; 20] = [
        "motor-stalled",
        "motor-slow:50",
        "wears:20",
        "motor-runs-on",
        "wires-swapped",
        "forward-wire-broken",
        "reverse-wire-broken",
        "jams-in:brine-draw",
        "coasts-far:50",
        "switch-stuck-open:3",
        "switch-stuck-closed:3",
        "switch-inverted:2",
        "switches-swapped:1-2",
        "switch-bounces",
        "index-missed:1",
        "index-extra:1",
        "pilot-stuck-off:2",
        "pilot-stuck-on:2",
        "pilots-swapped:1-2",
        "moved-by-hand:backwash",
    ];

    /// The name without what follows it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::MotorStalled => "motor-stalled",
            Self::MotorSlow { .. } => "motor-slow",
            Self::Wears { .. } => "wears",
            Self::MotorRunsOn => "motor-runs-on",
            Self::WiresSwapped => "wires-swapped",
            Self::ForwardWireBroken => "forward-wire-broken",
            Self::ReverseWireBroken => "reverse-wire-broken",
            Self::JamsIn(_) => "jams-in",
            Self::CoastsFar { .. } => "coasts-far",
            Self::SwitchStuckOpen(_) => "switch-stuck-open",
            Self::SwitchStuckClosed(_) => "switch-stuck-closed",
            Self::SwitchInverted(_) => "switch-inverted",
            Self::SwitchesSwapped(..) => "switches-swapped",
            Self::SwitchBounces => "switch-bounces",
            Self::IndexMissed(_) => "index-missed",
            Self::IndexExtra(_) => "index-extra",
            Self::PilotStuckOff(_) => "pilot-stuck-off",
            Self::PilotStuckOn(_) => "pilot-stuck-on",
            Self::PilotsSwapped(..) => "pilots-swapped",
            Self::MovedByHand(_) => "moved-by-hand",
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())?;
        match self {
            Self::MotorStalled
            | Self::MotorRunsOn
            | Self::WiresSwapped
            | Self::ForwardWireBroken
            | Self::ReverseWireBroken
            | Self::SwitchBounces => Ok(()),
            Self::Wears { per_mille } => write!(f, ":{per_mille}"),
            Self::SwitchesSwapped(a, b) | Self::PilotsSwapped(a, b) => write!(f, ":{a}-{b}"),
            Self::MotorSlow { percent } | Self::CoastsFar { percent } => write!(f, ":{percent}"),
            Self::SwitchStuckOpen(n)
            | Self::SwitchStuckClosed(n)
            | Self::SwitchInverted(n)
            | Self::IndexMissed(n)
            | Self::IndexExtra(n)
            | Self::PilotStuckOff(n)
            | Self::PilotStuckOn(n) => write!(f, ":{n}"),
            Self::JamsIn(position) | Self::MovedByHand(Some(position)) => write!(f, ":{position}"),
            Self::MovedByHand(None) => f.write_str(":between"),
        }
    }
}

impl FromStr for Fault {
    type Err = FaultError;

    fn from_str(text: &str) -> Result<Self, FaultError> {
        let text = text.trim();
        let (name, rest) = text.split_once(':').map_or((text, None), |(name, rest)| (name, Some(rest.trim())));
        let number = |range: std::ops::RangeInclusive<u8>, usual: Option<u8>| match (rest, usual) {
            (None, Some(usual)) => Ok(usual),
            (rest, _) => rest.and_then(|rest| rest.parse().ok()).filter(|n| range.contains(n)).ok_or_else(|| {
                let message =
                    format!("`{name}` needs a number from {} to {} after a colon", range.start(), range.end());
                FaultError { message, help: format!("such as `{}`", example(name)) }
            }),
        };
        let pair = || {
            let both = rest.and_then(|rest| rest.split_once('-'));
            let both = both.and_then(|(a, b)| Some((a.trim().parse().ok()?, b.trim().parse().ok()?)));
            both.filter(|(a, b): &(u8, u8)| a != b && (1..=8).contains(a) && (1..=8).contains(b)).ok_or_else(|| {
                let message = format!("`{name}` needs two numbers from 1 to 8 after a colon");
                FaultError { message, help: format!("such as `{}`", example(name)) }
            })
        };
        let bare = |fault: Self| match rest {
            None => Ok(fault),
            Some(_) => {
                Err(FaultError { message: format!("`{name}` takes nothing after it"), help: format!("write `{name}`") })
            }
        };
        let position = || {
            rest.and_then(|rest| Position::ALL.iter().copied().find(|p| p.slug() == rest)).ok_or_else(|| {
                let positions: Vec<_> = Position::ALL.iter().map(|p| p.slug()).collect();
                let help = format!("one of {}", positions.join(", "));
                FaultError { message: format!("`{name}` needs a position after a colon"), help }
            })
        };
        match name {
            "motor-stalled" => bare(Self::MotorStalled),
            "motor-slow" => Ok(Self::MotorSlow { percent: number(1..=99, Some(USUAL_SLOW_PERCENT))? }),
            "wears" => Ok(Self::Wears { per_mille: number(1..=250, Some(USUAL_WEAR))? }),
            "motor-runs-on" => bare(Self::MotorRunsOn),
            "forward-wire-broken" => bare(Self::ForwardWireBroken),
            "reverse-wire-broken" => bare(Self::ReverseWireBroken),
            "wires-swapped" => bare(Self::WiresSwapped),
            "jams-in" => Ok(Self::JamsIn(position()?)),
            "coasts-far" => Ok(Self::CoastsFar { percent: number(1..=250, Some(USUAL_COAST_PERCENT))? }),
            "switch-stuck-open" => Ok(Self::SwitchStuckOpen(number(1..=8, None)?)),
            "switch-stuck-closed" => Ok(Self::SwitchStuckClosed(number(1..=8, None)?)),
            "switch-inverted" => Ok(Self::SwitchInverted(number(1..=8, None)?)),
            "switches-swapped" => pair().map(|(a, b)| Self::SwitchesSwapped(a, b)),
            "pilots-swapped" => pair().map(|(a, b)| Self::PilotsSwapped(a, b)),
            "switch-bounces" => bare(Self::SwitchBounces),
            "index-missed" => Ok(Self::IndexMissed(number(1..=250, Some(1))?)),
            "index-extra" => Ok(Self::IndexExtra(number(1..=250, Some(1))?)),
            "pilot-stuck-off" => Ok(Self::PilotStuckOff(number(1..=8, None)?)),
            "pilot-stuck-on" => Ok(Self::PilotStuckOn(number(1..=8, None)?)),
            "moved-by-hand" if rest == Some("between") => Ok(Self::MovedByHand(None)),
            "moved-by-hand" => Ok(Self::MovedByHand(Some(position()?))),
            _ => Err(unknown(name)),
        }
    }
}

fn example(name: &str) -> &'static str {
    Fault::SPELLINGS.iter().copied().find(|s| s.split(':').next() == Some(name)).unwrap_or("motor-stalled")
}

fn unknown(name: &str) -> FaultError {
    let names = || Fault::SPELLINGS.iter().filter_map(|s| s.split(':').next());
    let near = names().max_by(|a, b| strsim::jaro_winkler(a, name).total_cmp(&strsim::jaro_winkler(b, name)));
    let near = near.filter(|near| strsim::jaro_winkler(near, name) > 0.8);
    let meant = near.map(|near| format!("did you mean `{near}`? ")).unwrap_or_default();
    FaultError {
        message: format!("there is no valve fault `{name}`"),
        help: format!("{meant}the faults are {}", Fault::SPELLINGS.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_spelling_is_read_and_written_alike() {
        for spelling in Fault::SPELLINGS {
            let fault: Fault = spelling.parse().unwrap();
            assert_eq!(fault.to_string(), spelling);
        }
        assert_eq!("moved-by-hand:between".parse::<Fault>().unwrap().to_string(), "moved-by-hand:between");
        assert_eq!("motor-slow".parse(), Ok(Fault::MotorSlow { percent: 50 }));
        assert_eq!("index-extra".parse(), Ok(Fault::IndexExtra(1)));
    }

    #[test]
    fn what_names_no_fault_is_told_what_would() {
        for (text, expected) in [
            ("motor-stalls", "did you mean `motor-stalled`?"),
            ("motor-stalled:3", "takes nothing after it"),
            ("switch-stuck-open", "needs a number from 1 to 8"),
            ("switch-stuck-open:9", "such as `switch-stuck-open:3`"),
            ("motor-slow:100", "from 1 to 99"),
            ("switches-swapped:2-2", "needs two numbers from 1 to 8"),
            ("pilots-swapped:1", "such as `pilots-swapped:1-2`"),
            ("jams-in:cellar", "one of service, standby"),
            ("moved-by-hand", "needs a position"),
            ("", "the faults are motor-stalled"),
        ] {
            let error = text.parse::<Fault>().unwrap_err().to_string();
            assert!(error.contains(expected), "{text}: {error}");
        }
    }

    #[test]
    fn the_handbook_names_every_fault() {
        let page = include_str!("../../../docs/valve-faults.md");
        for spelling in Fault::SPELLINGS {
            assert!(page.contains(&format!("`{spelling}`")), "{spelling}");
        }
    }
}
