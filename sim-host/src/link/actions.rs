//! What operators ask, as the command line has it.

use bedkeeper::Action;
use bedkeeper::operator::AlarmAction;
use bedkeeper::program::Position;
use bedkeeper::units::{Hardness, TankId, Volume};
use bedkeeper::watch::Alarm;
use clap::Args;
use clap::builder::PossibleValuesParser;

use crate::quantity;
use crate::scenario::{action_slugs, operator_action};

/// What to ask for; the names are those of scenarios.
#[derive(Debug, Args)]
pub struct DoArgs {
    /// Such as start-now, hold, take-out, acknowledge
    #[arg(value_parser = PossibleValuesParser::new(action_slugs()), hide_possible_values = false)]
    action: String,
    /// Of which tank, from 1; needed where the site has more than one
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=8))]
    tank: Option<u8>,
    /// Which alarm: for acknowledge and reset
    #[arg(long, value_name = "ALARM")]
    alarm: Option<String>,
    /// Where to: for test-drive
    #[arg(long, value_name = "POSITION")]
    position: Option<String>,
    /// Which relay, from 1: for test-relay
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=4))]
    relay: Option<u8>,
    /// For how long: for test-relay, at most 60 s, and so long without it
    #[arg(long = "for", value_name = "TIME")]
    length: Option<String>,
    /// Which meter, from 1: for count-pulses; needed where the site has more than one
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=8))]
    meter: Option<u8>,
    /// How much was caught: for caught
    #[arg(long, value_name = "VOLUME")]
    volume: Option<String>,
    /// How many days: for leave; without it, or 0, until they return
    #[arg(long, value_name = "N")]
    days: Option<u8>,
    /// Hardness behind the tank: for test-hardness
    #[arg(long, value_name = "HARDNESS")]
    treated: Option<String>,
    /// Hardness of the feed: for test-hardness
    #[arg(long, value_name = "HARDNESS")]
    feed: Option<String>,
}

/// One of several things that are alike: which was named, and where none was, how many there are.
#[derive(Clone, Copy, Debug)]
pub enum Which {
    /// The action is about none.
    None,
    /// Named, from 0.
    Named(u8),
    /// Of so many: the site knows.
    Ask,
}

fn named<T: Copy>(what: &str, text: Option<&str>, all: &[T], slug: impl Fn(T) -> &'static str) -> Result<T, String> {
    let names = || all.iter().map(|value| slug(*value)).collect::<Vec<_>>().join(", ");
    let text = text.ok_or_else(|| format!("it needs --{what}: one of {}", names()))?;
    let found = all.iter().copied().find(|value| slug(*value) == text);
    found.ok_or_else(|| format!("--{what} {text}: there is none of this name; there are {}", names()))
}

fn hardness(what: &str, text: &str) -> Result<Hardness, String> {
    let told = quantity::parse_hardness_ug_per_l(text).map_err(|error| format!("--{what}: {}", error.message()))?;
    u32::try_from(told).map(Hardness).map_err(|_| format!("--{what}: is too much"))
}

impl DoArgs {
    /// The options that belong to the action.
    fn options(&self) -> &'static [&'static str] {
        match self.action.as_str() {
            "acknowledge" | "reset" => &["alarm"],
            "test-drive" => &["tank", "position"],
            "test-relay" => &["relay", "for"],
            "count-pulses" => &["meter"],
            "caught" => &["volume"],
            "leave" => &["days"],
            "test-hardness" => &["tank", "treated", "feed"],
            name if operator_action(name, TankId(0)).is_some_and(|action| action.tank().is_some()) => &["tank"],
            _ => &[],
        }
    }

    /// Nothing is given that does not belong to the action, and what is given can be read.
    ///
    /// # Errors
    /// What is wrong, in words.
    pub fn check(&self) -> Result<(), String> {
        let given = [
            ("tank", self.tank.is_some()),
            ("alarm", self.alarm.is_some()),
            ("position", self.position.is_some()),
            ("relay", self.relay.is_some()),
            ("for", self.length.is_some()),
            ("meter", self.meter.is_some()),
            ("volume", self.volume.is_some()),
            ("days", self.days.is_some()),
            ("treated", self.treated.is_some()),
            ("feed", self.feed.is_some()),
        ];
        let belong = self.options();
        if let Some((option, _)) = given.iter().find(|(option, given)| *given && !belong.contains(option)) {
            let takes = match belong {
                [] => "it takes no option".to_owned(),
                belong => {
                    format!("it takes {}", belong.iter().map(|o| format!("--{o}")).collect::<Vec<_>>().join(", "))
                }
            };
            return Err(format!("{}: --{option} does not belong to it: {takes}", self.action));
        }
        self.action(TankId(0), 0).map(drop)
    }

    /// Which tank it is about.
    pub fn tank(&self) -> Which {
        match self.tank {
            Some(number) => Which::Named(number - 1),
            None if self.options().contains(&"tank") => Which::Ask,
            None => Which::None,
        }
    }

    /// Which meter it is about.
    pub fn meter(&self) -> Which {
        match self.meter {
            Some(number) => Which::Named(number - 1),
            None if self.options().contains(&"meter") => Which::Ask,
            None => Which::None,
        }
    }

    /// The action, of a tank and a meter from 0 where it is about one.
    ///
    /// # Errors
    /// What is missing or wrong, in words.
    pub fn action(&self, tank: TankId, meter: u8) -> Result<Action, String> {
        let alarm = || named("alarm", self.alarm.as_deref(), Alarm::ALL, Alarm::slug);
        Ok(match self.action.as_str() {
            "acknowledge" => Action::Alarm(AlarmAction::Acknowledge(alarm()?)),
            "reset" => Action::Alarm(AlarmAction::Reset(alarm()?)),
            "test-drive" => {
                let position = named("position", self.position.as_deref(), Position::ALL, Position::slug)?;
                Action::TestDrive { tank, position }
            }
            "test-relay" => {
                let relay = self.relay.ok_or("it needs --relay, from 1 to 4")? - 1;
                let text = self.length.as_deref().unwrap_or("60 s");
                let ms = quantity::parse_duration_ms(text).map_err(|error| format!("--for: {}", error.message()))?;
                let seconds = u8::try_from(ms.div_ceil(1_000)).ok().filter(|seconds| (1..=60).contains(seconds));
                Action::TestRelay { relay, seconds: seconds.ok_or("--for: a relay is tried for 1 s to 60 s")? }
            }
            "count-pulses" => Action::CountPulses { meter },
            "caught" => {
                let text = self.volume.as_deref().ok_or("it needs --volume, such as \"100 L\"")?;
                let nl = quantity::parse_volume_nl(text).map_err(|error| format!("--volume: {}", error.message()))?;
                Action::Caught { volume: Volume(nl) }
            }
            "leave" => Action::Leave { days: self.days.unwrap_or(0) },
            "test-hardness" => {
                let treated = self.treated.as_deref().ok_or("it needs --treated, such as \"0.2 gpg\"")?;
                let feed = self.feed.as_deref().map(|text| hardness("feed", text)).transpose()?;
                Action::TestHardness { tank, treated: hardness("treated", treated)?, feed }
            }
            name => operator_action(name, tank).ok_or_else(|| format!("{name}: there is no such action"))?,
        })
    }
}
