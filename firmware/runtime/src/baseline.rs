//! The site's own baseline on a board: stored by whoever may change settings, and returned to (O3).
//!
//! Both go through the lock, wait until no valve moves, since flash is written, and are journalled with who asked.

use bedkeeper::draft::{Draft, NotTaken, ResetTo};
use bedkeeper::image::{Image, MAX_BYTES};
use bedkeeper::journal::{BoardWish, Who};
use bedkeeper::settings::{Effect, RawSettings, Settings};

use serde::{Deserialize, Serialize};

use crate::link::Place;
use crate::link::staging::Label;
use crate::machine::{Board, Machine, PinFault, Records};
use crate::plant::NotWired;

/// Which baseline.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Baseline {
    /// The site's own, as it was stored last.
    Site,
    /// The one that every board has: a single tank that starts nothing by itself.
    BuiltIn,
}

/// What came of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Done {
    /// It is done, and outlives a power cut.
    Kept,
    /// The settings run, and could not be kept: at the next power-up those before run again.
    NotKept,
    /// They describe another plant: they are kept, and run once the board restarts.
    AtRestart,
}

/// Why nothing was changed.
#[derive(Clone, Debug, PartialEq, Eq)]
#[allow(clippy::large_enum_variant, reason = "there is one, for a moment, and every fault is listed")]
pub enum Refused {
    /// The lock is closed for whoever asks (O1).
    Locked,
    /// A valve moves, and flash cannot be written without stopping the core: ask again in a minute.
    ValveMoves,
    /// No baseline was stored.
    NoBaseline,
    /// The flash did not take it; a baseline stored before is still there.
    NotStored,
    /// The board has not what those settings need.
    NotWired(NotWired),
    /// The settings were not taken.
    NotTaken(NotTaken),
    /// No board has such an address, or no line such a speed.
    NoSuchManners,
}

impl core::fmt::Display for Refused {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Locked => f.write_str("the lock is closed: unlock it first"),
            Self::ValveMoves => f.write_str("a valve moves: ask again in a minute"),
            Self::NoBaseline => {
                f.write_str("no baseline of this site was stored: store one, or ask for the built-in one")
            }
            Self::NotStored => f.write_str("it could not be stored"),
            Self::NotWired(_) => f.write_str("the board has not what those settings need"),
            Self::NotTaken(why) => why.fmt(f),
            Self::NoSuchManners => f.write_str("no board has such an address or speed"),
        }
    }
}

impl core::error::Error for Refused {}

impl<B: Board, const N: usize, const S: usize> Machine<B, N, S> {
    /// Stores the settings that run as the site's own baseline.
    ///
    /// # Errors
    /// A pin fails; inside, why it was not stored.
    pub fn store_baseline(
        &mut self,
        label: &Label,
        who: Who,
        uptime_ms: u64,
    ) -> Result<Result<(), Refused>, PinFault<B>> {
        let stored = self.try_store(label, who, uptime_ms);
        match stored {
            Ok(()) => self.baseline_stored(uptime_ms, who)?,
            Err(_) => self.asked_of_board(uptime_ms, who, BoardWish::Baseline, false)?,
        }
        Ok(stored)
    }

    #[allow(clippy::result_large_err, reason = "every fault is listed, and there is no heap to box them on")]
    fn try_store(&mut self, label: &Label, who: Who, uptime_ms: u64) -> Result<(), Refused> {
        self.may_write(who, uptime_ms)?;
        let raw = self.controller().settings().raw().clone();
        let mut buffer = [0; MAX_BYTES];
        let stored =
            image(label, raw).encode(&mut buffer).is_ok_and(|bytes| self.parts_mut().records.keep_baseline(bytes));
        if stored { Ok(()) } else { Err(Refused::NotStored) }
    }

    /// Returns to a baseline: it is taken whole, or nothing changes (O2). The rules and codes of the locks stay: whoever
    /// asks is not to lock others in or out by it. What describes another plant is kept only where it may wait for a restart.
    ///
    /// # Errors
    /// A pin fails; inside, why it was not taken.
    pub fn reset_to(
        &mut self,
        to: Baseline,
        place: &mut impl Place,
        label: &Label,
        who: Who,
        may_restart: bool,
        uptime_ms: u64,
    ) -> Result<Result<Done, Refused>, PinFault<B>> {
        match self.leading_to(to, who, uptime_ms) {
            Ok(draft) => self.change(&draft, place, label, who, may_restart, uptime_ms),
            Err(refused) => {
                self.asked_of_board(uptime_ms, who, BoardWish::Settings, false)?;
                Ok(Err(refused))
            }
        }
    }

    /// The changes that lead to a baseline.
    #[allow(clippy::result_large_err, reason = "every fault is listed, and there is no heap to box them on")]
    fn leading_to(&mut self, to: Baseline, who: Who, uptime_ms: u64) -> Result<Draft, Refused> {
        self.may_write(who, uptime_ms)?;
        let site = match to {
            Baseline::BuiltIn => None,
            Baseline::Site => Some(self.parts_mut().records.baseline().ok_or(Refused::NoBaseline)?.raw),
        };
        let mut draft = Draft::begin(self.controller().settings());
        let locks = draft.raw.locks;
        draft.reset(site.as_ref().map_or(ResetTo::BuiltIn, ResetTo::Site));
        draft.raw.locks = locks;
        Ok(draft)
    }

    /// Offers changed settings, and keeps them for the next power-up: they are taken whole, or nothing changes (O2). What
    /// describes another plant is kept only where it may wait for a restart.
    ///
    /// # Errors
    /// A pin fails; inside, why they were not taken.
    pub fn change(
        &mut self,
        draft: &Draft,
        place: &mut impl Place,
        label: &Label,
        who: Who,
        may_restart: bool,
        uptime_ms: u64,
    ) -> Result<Result<Done, Refused>, PinFault<B>> {
        let told = self.try_change(draft, place, label, who, may_restart, uptime_ms)?;
        if told.is_err() {
            self.asked_of_board(uptime_ms, who, BoardWish::Settings, false)?;
        }
        Ok(told)
    }

    fn try_change(
        &mut self,
        draft: &Draft,
        place: &mut impl Place,
        label: &Label,
        who: Who,
        may_restart: bool,
        uptime_ms: u64,
    ) -> Result<Result<Done, Refused>, PinFault<B>> {
        if let Err(refused) = self.may_write(who, uptime_ms) {
            return Ok(Err(refused));
        }
        if let Err(refused) = self.would_run(draft) {
            return Ok(Err(refused));
        }
        let mut buffer = [0; MAX_BYTES];
        let image = image(label, draft.raw.clone());
        let Ok(bytes) = image.encode(&mut buffer) else { return Ok(Err(Refused::NotStored)) };
        if draft.difference().effect() == Some(Effect::Restart) {
            if !may_restart {
                return Ok(Err(Refused::NotTaken(NotTaken::NeedsRestart)));
            }
            if !place.keep(bytes) {
                return Ok(Err(Refused::NotStored));
            }
            self.settings_await_restart(uptime_ms, who)?;
            return Ok(Ok(Done::AtRestart));
        }
        if let Err(why) = self.take_settings(uptime_ms, draft, who)? {
            return Ok(Err(Refused::NotTaken(why)));
        }
        Ok(Ok(if place.keep(bytes) { Done::Kept } else { Done::NotKept }))
    }

    #[allow(clippy::result_large_err, reason = "every fault is listed, and there is no heap to box them on")]
    pub(crate) fn may_write(&self, who: Who, uptime_ms: u64) -> Result<(), Refused> {
        if !self.controller().is_unlocked(self.instant(uptime_ms), who) {
            return Err(Refused::Locked);
        }
        if self.is_moving() { Err(Refused::ValveMoves) } else { Ok(()) }
    }

    /// Everything that can be said of it before anything is touched.
    #[allow(clippy::result_large_err, reason = "every fault is listed, and there is no heap to box them on")]
    fn would_run(&mut self, draft: &Draft) -> Result<(), Refused> {
        if !draft.began_with(self.controller().settings()) {
            return Err(Refused::NotTaken(NotTaken::ChangedMeanwhile));
        }
        let effect = draft.difference().effect().ok_or(Refused::NotTaken(NotTaken::NothingChanged))?;
        let settings = Settings::try_from(draft.raw.clone()).map_err(|why| Refused::NotTaken(NotTaken::Faulty(why)))?;
        if usize::from(settings.tanks) > N {
            return Err(Refused::NotWired(NotWired::Tanks));
        }
        self.parts_mut().plant.fits(&settings).map_err(Refused::NotWired)?;
        let regenerates = self.controller().tanks().iter().any(|tank| tank.regeneration().is_some());
        if regenerates && effect != Effect::AtOnce {
            return Err(Refused::NotTaken(NotTaken::Regenerating));
        }
        Ok(())
    }
}

fn image(label: &Label, raw: RawSettings) -> Image {
    Image { name: label.name.clone(), note: label.note.clone(), raw }
}
