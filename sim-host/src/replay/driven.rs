//! The controller as a replay drives it: every call can be written down, to be made again on another machine.

use std::fmt;
use std::ops::Deref;

use bedkeeper::calendar::Civil;
use bedkeeper::calls::{Answer, Call, Said};
use bedkeeper::journal::Record;
use bedkeeper::retain::{MAX_BYTES, Retained};
use bedkeeper::units::Instant;
use bedkeeper::{Controller, Input, Refused, Settings, SettingsRefused, TooManyTanks};

use super::HostController;

/// A controller, and whoever writes its calls down. To look at it, it is the controller itself.
pub struct Driven {
    controller: HostController,
    notes: Option<Box<Notes>>,
}

/// The calls go to `sink`, one after the other.
struct Notes {
    sink: Box<dyn FnMut(&Call) + Send + Sync>,
    said: Said,
}

impl Deref for Driven {
    type Target = HostController;

    fn deref(&self) -> &HostController {
        &self.controller
    }
}

impl fmt::Debug for Driven {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.controller.fmt(f)
    }
}

impl From<HostController> for Driven {
    fn from(controller: HostController) -> Self {
        Self { controller, notes: None }
    }
}

impl Driven {
    /// From now on every call is written down. To be asked for before the first call.
    pub fn write_down(&mut self, begun: Instant, sink: impl FnMut(&Call) + Send + Sync + 'static) {
        self.notes = Some(Box::new(Notes { sink: Box::new(sink), said: Said::default() }));
        let settings = self.controller.settings().raw().clone();
        self.note(|| Call::Begin { now: begun, settings }, Answer::Taken);
    }

    /// Everything that was said since the calls are written down.
    #[must_use]
    pub fn said(&self) -> Option<&Said> {
        self.notes.as_ref().map(|notes| &notes.said)
    }

    #[inline]
    fn note(&mut self, call: impl FnOnce() -> Call, answer: Answer) {
        if let Some(notes) = &mut self.notes {
            (notes.sink)(&call());
            notes.said.answered(answer, Some(&self.controller));
        }
    }

    pub(super) fn handle(&mut self, now: Instant, input: Input) -> Result<(), Refused> {
        let answer = self.controller.handle(now, input);
        self.note(|| Call::Handle { now, input }, answer.into());
        answer
    }

    pub(super) fn change_settings(&mut self, now: Instant, settings: Settings) -> Result<(), SettingsRefused> {
        let raw = self.notes.is_some().then(|| settings.raw().clone());
        let answer = self.controller.change_settings(now, settings);
        if let Some(settings) = raw {
            self.note(|| Call::ChangeSettings { now, settings }, answer.into());
        }
        answer
    }

    pub(super) fn reject_settings(&mut self, now: Instant) {
        self.controller.reject_settings(now);
        self.note(|| Call::RejectSettings { now }, Answer::Taken);
    }

    pub(super) fn saved(&mut self) {
        self.controller.saved();
        self.note(|| Call::Saved, Answer::Taken);
    }

    pub(super) fn take_record(&mut self) -> Option<Record> {
        let record = self.controller.take_record()?;
        if let Some(notes) = &mut self.notes {
            notes.said.recorded(&record);
        }
        Some(record)
    }

    /// Power is back, with what was stored and the clock as it shows; says whether that could be taken up.
    pub(super) fn restore(&mut self, now: Instant, stored: &[u8], clock: Option<Civil>) -> bool {
        let Ok(retained) = Retained::decode(stored) else { return false };
        let off_for = retained.off_for(clock);
        let restored = HostController::restore(now, self.controller.settings().clone(), &retained, off_for);
        let answer = match restored {
            Ok(controller) => {
                self.controller = controller;
                Answer::Taken
            }
            Err(refused) => Answer::NotRestored(refused),
        };
        let state = || stored.iter().copied().take(MAX_BYTES).collect();
        self.note(|| Call::Restore { now, state: state(), off_for }, answer);
        answer == Answer::Taken
    }

    /// Power is back, and the state is lost.
    pub(super) fn begin_after_loss(&mut self, now: Instant) -> Result<(), TooManyTanks> {
        self.controller = Controller::after_loss(now, self.controller.settings().clone())?;
        self.note(|| Call::AfterLoss { now }, Answer::Taken);
        Ok(())
    }
}
