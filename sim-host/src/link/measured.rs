//! What was measured on site corrects the settings of a board (M1, O6): shown as a difference, taken whole or not at all.

use std::process::ExitCode;

use bedkeeper::Settings;
use bedkeeper::draft::Draft;
use bedkeeper::image::Image;
use bedkeeper::lock::Key;
use bedkeeper::measured::Measured;
use bedkeeper::program::StepKind;
use bedkeeper::units::{Millis, Volume};
use clap::{Args, Subcommand};

use super::cli::{Failed, Look};
use super::client::{Client, Taking};
use super::transfer::offer;
use crate::quantity;

/// What was measured, and what of it.
#[derive(Debug, Args)]
pub struct MeasuredArgs {
    /// Only show what would change; exit code 1 if something would
    #[arg(long, global = true)]
    dry_run: bool,
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Pulses of a meter while a volume was caught: the meter's pulse
    Pulses {
        /// How many pulses came
        #[arg(value_parser = clap::value_parser!(u32).range(1..))]
        pulses: u32,
        /// What was caught, such as "98.5 L"
        #[arg(value_parser = volume)]
        caught: Volume,
    },
    /// What ran to drain in a step, in how long: the step's drain flow
    Drain {
        /// The step, such as backwash
        #[arg(value_parser = step)]
        step: StepKind,
        /// What was caught, such as "50 L"
        #[arg(value_parser = volume)]
        caught: Volume,
        /// In how long, such as "2 min"
        #[arg(value_parser = time)]
        time: Millis,
    },
    /// What a brine draw took out of the brine tank, in how long: the draw's length
    Draw {
        /// Brine, by the fall of its level, such as "12 L"
        #[arg(value_parser = volume)]
        brine: Volume,
        /// In how long, such as "10 min"
        #[arg(value_parser = time)]
        time: Millis,
    },
    /// What a refill put into the brine tank, in how long: the refill's flow and length
    Refill {
        /// Water, by the rise of its level or caught, such as "10 L"
        #[arg(value_parser = volume)]
        water: Volume,
        /// In how long, such as "5 min"
        #[arg(value_parser = time)]
        time: Millis,
    },
}

impl What {
    fn measured(&self) -> Measured {
        match *self {
            Self::Pulses { pulses, caught } => Measured::Pulses { pulses, caught },
            Self::Drain { step, caught, time } => Measured::Drain { step, caught, time },
            Self::Draw { brine, time } => Measured::Draw { brine, time },
            Self::Refill { water, time } => Measured::Refill { water, time },
        }
    }
}

fn volume(text: &str) -> Result<Volume, String> {
    quantity::parse_volume_nl(text).map(Volume).map_err(|error| error.message())
}

fn time(text: &str) -> Result<Millis, String> {
    let ms = quantity::parse_duration_ms(text).map_err(|error| error.message())?;
    u32::try_from(ms).map(Millis).map_err(|_| "is longer than any step".to_owned())
}

fn step(text: &str) -> Result<StepKind, String> {
    let known = || StepKind::ALL.iter().map(|step| step.slug()).collect::<Vec<_>>().join(", ");
    StepKind::ALL.iter().copied().find(|step| step.slug() == text).ok_or_else(|| format!("one of: {}", known()))
}

/// Corrects what the board runs by what was measured.
pub fn correct(client: &mut Client, args: &MeasuredArgs, key: Option<Key>, look: Look) -> Result<ExitCode, Failed> {
    let (Image { name, note, raw }, _, _) = client.settings()?;
    let settings = Settings::try_from(raw).map_err(|faults| Failed::Input(faults.to_string()))?;
    let mut draft = Draft::begin(&settings);
    draft.correct(args.what.measured()).map_err(|why| Failed::Input(why.to_string()))?;
    let taking = Taking { keep_step_times: false, keep_name: true, take_locks: false, may_restart: false };
    offer(client, Image { name, note, raw: draft.raw }, taking, args.dry_run, key, look)
}
