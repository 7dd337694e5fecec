//! A settings image that comes in pieces: nothing of it is used before it is whole, and checked whole (O2, S11).
#![allow(clippy::result_large_err, reason = "every fault is listed, and there is no heap to box them on")]

use bedkeeper::draft::{Draft, NotTaken, StepTimes};
use bedkeeper::image::{Image, MAX_BYTES, SiteName, SiteNote};
use bedkeeper::journal::Who;
use bedkeeper::settings::{Effect, Faults};
use crc::{CRC_32_ISO_HDLC, Crc, Table};
use heapless::{String, Vec};

use super::Place;
use super::message::{Answer, FAULTS, FaultTold, Refusal, Staging, Taken};
use super::telling;
use crate::machine::{Board, Machine, PinFault};

const CHECK: Crc<u32, Table<0>> = Crc::<u32, Table<0>>::new(&CRC_32_ISO_HDLC);

/// The CRC that [`Staging::sum`] states.
#[must_use]
pub fn sum(bytes: &[u8]) -> u32 {
    CHECK.checksum(bytes)
}

/// What people call the site, and what they should know who stand before it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Label {
    /// The name.
    pub name: SiteName,
    /// The note.
    pub note: SiteNote,
}

/// An image on its way.
#[derive(Debug, Default)]
pub struct Staged {
    plan: Option<Staging>,
    bytes: Vec<u8, MAX_BYTES>,
}

impl Staged {
    /// One begins; what came of another is forgotten.
    pub fn begin(&mut self, plan: Staging) -> Result<(), Refusal> {
        self.forget();
        if usize::from(plan.length) > MAX_BYTES {
            return Err(Refusal::NotStaged);
        }
        self.plan = Some(plan);
        Ok(())
    }

    /// The next piece.
    pub fn add(&mut self, offset: u16, bytes: &[u8]) -> Result<(), Refusal> {
        let plan = self.plan.ok_or(Refusal::NotStaged)?;
        let next = u16::try_from(self.bytes.len()).unwrap_or(u16::MAX);
        let end = self.bytes.len().saturating_add(bytes.len());
        if offset != next {
            return Err(Refusal::PieceOutOfPlace { next });
        }
        if end > usize::from(plan.length) || self.bytes.extend_from_slice(bytes).is_err() {
            return Err(Refusal::NotWhole);
        }
        Ok(())
    }

    /// Nothing is on its way.
    pub fn forget(&mut self) {
        self.plan = None;
        self.bytes.clear();
    }

    /// What came, if it is whole and as it was sent.
    fn whole(&self) -> Result<(Staging, &[u8]), Refusal> {
        let plan = self.plan.ok_or(Refusal::NotStaged)?;
        let is_whole = self.bytes.len() == usize::from(plan.length) && sum(&self.bytes) == plan.sum;
        if is_whole { Ok((plan, &self.bytes)) } else { Err(Refusal::NotWhole) }
    }

    /// Offers what came: it is taken whole, or nothing changes. Either way nothing is on its way any more.
    pub fn take<B: Board, const N: usize, const S: usize>(
        &mut self,
        machine: &mut Machine<B, N, S>,
        place: &mut impl Place,
        label: &mut Label,
        uptime_ms: u64,
    ) -> Result<Answer, PinFault<B>> {
        let offer = self.offer(machine, label, uptime_ms);
        self.forget();
        let offer = match offer {
            Ok(offer) => offer,
            Err(refusal) => return Ok(Answer::Refused(refusal)),
        };
        let mut buffer = [0; MAX_BYTES];
        let image =
            Image { name: offer.label.name.clone(), note: offer.label.note.clone(), raw: offer.draft.raw.clone() };
        let Ok(bytes) = image.encode(&mut buffer) else { return Ok(Answer::Refused(Refusal::NotStored)) };
        if offer.effect == Some(Effect::Restart) {
            // What runs is left alone: power goes and comes with other settings.
            if !place.keep(bytes) {
                return Ok(Answer::Refused(Refusal::NotStored));
            }
            machine.settings_await_restart(uptime_ms, Who::Serial)?;
            return Ok(Answer::Taken(Taken { restarts: true, is_stored: true }));
        }
        // Stored first: what follows from other settings may start a motor, and storing stops the core.
        let is_stored = place.keep(bytes);
        if offer.effect.is_some()
            && let Err(refused) = machine.take_settings(uptime_ms, &offer.draft, Who::Serial)?
        {
            // Nothing that the logic refuses for is left; were it otherwise, what runs is stored again.
            let raw = machine.controller().settings().raw().clone();
            let running = Image { name: label.name.clone(), note: label.note.clone(), raw };
            if let Ok(bytes) = running.encode(&mut buffer) {
                place.keep(bytes);
            }
            return Ok(Answer::Refused(refusal(&refused)));
        }
        *label = offer.label;
        Ok(Answer::Taken(Taken { restarts: false, is_stored }))
    }

    /// Everything that can be said of an offer before anything is touched.
    fn offer<B: Board, const N: usize, const S: usize>(
        &self,
        machine: &mut Machine<B, N, S>,
        label: &Label,
        uptime_ms: u64,
    ) -> Result<Offer, Refusal> {
        let (plan, bytes) = self.whole()?;
        let controller = machine.controller();
        if !controller.is_unlocked(machine.instant(uptime_ms), Who::Serial) {
            return Err(Refusal::Locked);
        }
        let image = Image::decode(bytes).map_err(Refusal::Image)?;
        let running = controller.settings();
        let seen = telling::image(running.raw(), &label.name, &label.note, &mut [0; MAX_BYTES]).map(|(_, sum)| sum);
        if seen != Some(plan.instead_of) {
            return Err(Refusal::ChangedMeanwhile);
        }
        let mut draft = Draft::begin(running);
        draft.copy_from(&image.raw, if plan.keep_step_times { StepTimes::Kept } else { StepTimes::Copied });
        if plan.take_locks {
            draft.raw.locks = image.raw.locks;
        }
        let label =
            if plan.keep_name { label.clone() } else { Label { name: image.name.clone(), note: image.note.clone() } };
        let effect = draft.difference().effect();
        let relabelled = !plan.keep_name;
        if effect.is_none() && !relabelled {
            return Err(Refusal::NothingChanged);
        }
        let regenerates = controller.tanks().iter().any(|tank| tank.regeneration().is_some());
        let settings = bedkeeper::Settings::try_from(draft.raw.clone()).map_err(|faults| faulty(&faults))?;
        if usize::from(settings.tanks) > N {
            return Err(Refusal::NotWired(crate::plant::NotWired::Tanks));
        }
        machine.parts_mut().plant.fits(&settings).map_err(Refusal::NotWired)?;
        if effect == Some(Effect::Restart) && !plan.may_restart {
            return Err(Refusal::NeedsRestart);
        }
        if regenerates && matches!(effect, Some(Effect::Restart | Effect::BetweenRegenerations)) {
            return Err(Refusal::Regenerating);
        }
        if machine.is_moving() {
            return Err(Refusal::ValveMoves);
        }
        Ok(Offer { draft, label, effect })
    }
}

/// Settings that may be taken.
struct Offer {
    draft: Draft,
    label: Label,
    effect: Option<Effect>,
}

/// Every fault that finds room.
fn faulty(faults: &Faults) -> Refusal {
    let mut listed: Vec<FaultTold, FAULTS> = Vec::new();
    for fault in faults.listed() {
        let field = String::try_from(fault.field).unwrap_or_default();
        if listed.push(FaultTold { field, index: fault.index, problem: fault.problem }).is_err() {
            break;
        }
    }
    let more = faults.count().saturating_sub(u16::try_from(listed.len()).unwrap_or(0));
    Refusal::Faulty { faults: listed, more }
}

/// Why the logic did not take a draft.
pub(super) fn refusal(refused: &NotTaken) -> Refusal {
    match refused {
        NotTaken::Locked => Refusal::Locked,
        NotTaken::NothingChanged => Refusal::NothingChanged,
        NotTaken::ChangedMeanwhile => Refusal::ChangedMeanwhile,
        NotTaken::Faulty(faults) => faulty(faults),
        NotTaken::Regenerating => Refusal::Regenerating,
        NotTaken::NeedsRestart => Refusal::NeedsRestart,
    }
}
