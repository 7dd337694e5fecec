//! Follows what the logic's own books will tell at the end: how hard the water was, relays, refills.

use bedkeeper::journal::Event;
use bedkeeper::program::StepKind;
use bedkeeper::relay::{RELAYS, RelayProgram};
use bedkeeper::settings::Medium;
use bedkeeper::units::{Instant, Millis};

use super::super::{World, replay_ms};
use crate::evidence::{BrineEvidence, DeliveredHardness, DeratingEvidence, Evidence, RelayEvidence};

/// Times kept of one relay; of more, those closest together are joined.
const MAX_INTERVALS: usize = 1_000;
/// Times this close together are joined first, ms.
const CLOSEST_MS: u64 = 1_000;

/// What is followed while a replay runs.
#[derive(Default)]
pub(super) struct Books {
    on: [Option<u64>; RELAYS],
    relays: [RelayEvidence; RELAYS],
    refills: u64,
    /// Hardness of the feed so far, µg/L, and what passed as hard as that before it changed, nL × µg/L.
    feed_ug_l: u32,
    passed_hard: u128,
    counted_nl: u128,
}

/// Hardness of the feed, µg/L.
fn feed_of(world: &World) -> Option<u32> {
    match world.controller.settings().medium {
        Medium::Softener { hardness, .. } => Some(hardness.0),
        Medium::Filter { .. } => None,
    }
}

/// Water as hard as the feed so far, nL.
fn hard_nl(world: &World) -> u128 {
    let accounts = world.controller.accounts();
    accounts.blended.0 + accounts.untreated.0 + accounts.past_zero.0
}

fn program(program: RelayProgram) -> &'static str {
    match program {
        RelayProgram::Unused => "unused",
        RelayProgram::OnAlarm(_) => "on-alarm",
        RelayProgram::During { .. } => "during",
        RelayProgram::AfterStart { .. } => "after-start",
        RelayProgram::PerVolume { .. } => "per-volume",
        RelayProgram::WhileOffline(_) | RelayProgram::WhileNoneServing => "while-offline",
        RelayProgram::WhileFlow => "while-flow",
        RelayProgram::Isolate(_) => "isolate",
        RelayProgram::FailSafe => "fail-safe",
    }
}

impl Books {
    pub(super) fn new(world: &World) -> Self {
        Self { feed_ug_l: feed_of(world).unwrap_or(0), ..Self::default() }
    }

    pub(super) fn record(&mut self, event: &Event, world: &World) {
        match event {
            Event::StepEnded { step: StepKind::BrineRefill, ran, .. } if *ran > Millis::ZERO => self.refills += 1,
            Event::SettingsTaken => self.weigh(world),
            _ => {}
        }
    }

    /// What has passed hard since it was last looked at counts with the hardness that the feed had.
    fn weigh(&mut self, world: &World) {
        let hard_nl = hard_nl(world);
        self.passed_hard += hard_nl.saturating_sub(self.counted_nl) * u128::from(self.feed_ug_l);
        self.counted_nl = hard_nl;
        self.feed_ug_l = feed_of(world).unwrap_or(0);
    }

    /// Follows the relays.
    pub(super) fn see_relays(&mut self, at_ms: u64, on: [bool; RELAYS]) {
        for ((relay, since), on) in self.relays.iter_mut().zip(&mut self.on).zip(on) {
            match (*since, on) {
                (None, true) => *since = Some(at_ms),
                (Some(from_ms), false) => {
                    relay.times += 1;
                    relay.on_ms += at_ms - from_ms;
                    note_time(relay, (from_ms, at_ms));
                    *since = None;
                }
                _ => {}
            }
        }
    }

    /// Closes the books.
    pub(super) fn close(&mut self, world: &World, evidence: &mut Evidence) {
        let settings = world.controller.settings();
        self.weigh(world);
        let accounts = world.controller.accounts();
        let delivered_nl = accounts.charged.0 + accounts.blended.0 + accounts.untreated.0;
        let mean = self.passed_hard.checked_div(delivered_nl).and_then(|mean| u32::try_from(mean).ok());
        evidence.delivered = DeliveredHardness {
            feed_ug_l: self.feed_ug_l,
            bypass_per_mille: settings.sharing.bypass_per_mille,
            mean_ug_l: mean.filter(|_| feed_of(world).is_some()),
        };
        if feed_of(world).is_some() {
            for (told, tank) in evidence.tanks.iter_mut().zip(world.controller.tanks()) {
                told.derating = Some(DeratingEvidence {
                    kept_per_mille: world.controller.capacity_per_mille(tank),
                    by_age_per_mille: tank.derating().by_age_per_mille(),
                    by_tests_per_mille: tank.derating().by_tests_per_mille(),
                });
            }
        }
        self.see_relays(world.now_ms, [false; RELAYS]);
        for ((relay, given), number) in std::mem::take(&mut self.relays).into_iter().zip(&settings.relays).zip(1..) {
            if given.program != RelayProgram::Unused || relay.times > 0 {
                evidence.relays.push(RelayEvidence { number, program: program(given.program), ..relay });
            }
        }
        if settings.keeps_account() {
            let brine = world.controller.brine();
            let now = Instant::from_ticks(world.now_ms);
            let salt =
                u128::from(brine.water().nl()) * u128::from(settings.brine.salt_per_water_mg_per_l) / 1_000_000_000;
            let store = settings.brine.store_doses;
            evidence.brine.push(BrineEvidence {
                number: 1,
                water_nl: brine.water().nl(),
                salt_mg: u64::try_from(salt).unwrap_or(u64::MAX),
                ready_ms: brine.ready_at(now, settings.brine_ready_after).map(replay_ms),
                refills: self.refills,
                doses_left: (store > 0).then(|| brine.doses_left(store, settings.dose_water())),
            });
        }
    }
}

/// Adds a time; where there are too many, those that lie close together become one.
fn note_time(relay: &mut RelayEvidence, time: (u64, u64)) {
    match relay.on.last_mut().filter(|_| relay.joined_within_ms > 0) {
        Some(last) if time.0 - last.1 <= relay.joined_within_ms => last.1 = time.1,
        _ => relay.on.push(time),
    }
    while relay.on.len() > MAX_INTERVALS {
        relay.joined_within_ms = (2 * relay.joined_within_ms).max(CLOSEST_MS);
        let within_ms = relay.joined_within_ms;
        relay.on.dedup_by(|later, first| {
            let close = later.0 - first.1 <= within_ms;
            if close {
                first.1 = later.1;
            }
            close
        });
    }
}
