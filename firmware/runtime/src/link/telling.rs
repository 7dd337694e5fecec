//! What the plant does, as both protocols tell it.

use bedkeeper::Controller;
use bedkeeper::demand::HoldSet;
use bedkeeper::image::{Image, MAX_BYTES, SiteName, SiteNote};
use bedkeeper::journal::Who;
use bedkeeper::lock::LockRule;
use bedkeeper::settings::RawSettings;
use bedkeeper::units::{Instant, TankId};
use bedkeeper::watch::{Alarm, AlarmPhase};
use heapless::Vec;

use super::message::{Answer, Counters, Moment, Status, TankStatus, WantsKey};

/// A moment of a controller.
pub fn moment<const N: usize>(controller: &Controller<N>, now: Instant) -> Moment {
    Moment { at: now, civil: controller.clock().civil(now) }
}

/// The whole status.
pub fn status<const N: usize>(controller: &Controller<N>, now: Instant) -> Status {
    let outputs = controller.outputs();
    let mut tanks = Vec::new();
    for (id, motion) in (0u8..).map(TankId).zip(&outputs.motions) {
        // There are as many places as tanks.
        if let Some(mut told) = tank(controller, id) {
            told.motion = *motion;
            let _ = tanks.push(told);
        }
    }
    Status {
        moment: moment(controller, now),
        tanks,
        flow: controller.flow(now),
        accounts: controller.accounts(),
        used_today: controller.used_today(),
        alarms: outputs.alarms,
        unacknowledged: outputs.unacknowledged,
        relays: outputs.relays,
        shared: outputs.shared,
        next: controller.next_deadline(),
        brine_water: controller.brine().water(),
        unlocked: controller.is_unlocked(now, Who::Serial),
        away: controller.away_since().is_some(),
        records_lost: controller.records_lost(),
    }
}

fn tank<const N: usize>(controller: &Controller<N>, id: TankId) -> Option<TankStatus> {
    let tank = controller.tanks().get(id.index())?;
    let settings = controller.settings();
    let regeneration = tank.regeneration();
    let mut holds = HoldSet::EMPTY;
    for standing in controller.why(id).iter().flat_map(|why| &why.holds) {
        holds.insert(standing.hold);
    }
    Some(TankStatus {
        duty: tank.duty().kind(),
        step: regeneration.and_then(|run| run.step(settings)),
        step_ends: regeneration.and_then(|run| run.deadline(settings)),
        position: tank.drive().position(),
        target: tank.drive().target(),
        motion: tank.drive().motion(),
        is_lost: tank.drive().is_lost(),
        left: tank.ledger().remaining(),
        asks_in: tank.ledger().asks_in(),
        since_regeneration: tank.ledger().since_regeneration(),
        overrun: tank.ledger().overrun(),
        estimated: tank.ledger().estimated(),
        spent_percent: tank.ledger().spent_percent(settings.loaded_medium()),
        causes: tank.demand().causes(),
        holds,
        is_unproven: tank.is_unproven(),
        is_held: tank.demand().operator_hold,
        is_leaving: tank.is_leaving(),
    })
}

/// Everything asked of a tank and everything that holds it.
pub fn why<const N: usize>(controller: &Controller<N>, now: Instant, id: TankId) -> Option<Answer> {
    let regenerates = controller.tanks().get(id.index())?.regeneration().is_some();
    Some(Answer::Why { moment: moment(controller, now), regenerates, why: controller.why(id)? })
}

/// Every alarm that somebody should know of.
pub fn alarms<const N: usize>(controller: &Controller<N>, now: Instant) -> Answer {
    let mut alarms = Vec::new();
    for alarm in Alarm::ALL {
        let state = controller.alarm(*alarm);
        if state.phase != AlarmPhase::Normal {
            let _ = alarms.push((*alarm, state));
        }
    }
    Answer::Alarms { moment: moment(controller, now), alarms }
}

/// What valves and relays have done.
pub fn counters<const N: usize>(controller: &Controller<N>, erasures: u32) -> Counters {
    let lives = controller.lives();
    Counters {
        valves: Vec::from_slice(lives.valves()).unwrap_or_default(),
        shared: *lives.shared_valve(),
        relays: *lives.relays(),
        erasures,
    }
}

/// What the lock of the serial line wants.
pub fn wants_key(raw: &RawSettings) -> WantsKey {
    match raw.locks.serial {
        LockRule::Open => WantsKey::Nothing,
        LockRule::Press => WantsKey::Press,
        LockRule::Code(_) => WantsKey::Code,
    }
}

/// Settings without what only those should know who know it already: a code becomes 0. Anybody may look (O1), and a
/// checksum over a code of few digits would give it away.
#[must_use]
pub fn without_codes(raw: &RawSettings) -> RawSettings {
    let hidden = |rule| match rule {
        LockRule::Code(_) => LockRule::Code(0),
        other => other,
    };
    let mut raw = raw.clone();
    raw.locks.panel = hidden(raw.locks.panel);
    raw.locks.serial = hidden(raw.locks.serial);
    raw
}

/// The image of settings without the codes of their locks, and its checksum: in `buffer`, so long.
pub fn image<'b>(
    raw: &RawSettings,
    name: &SiteName,
    note: &SiteNote,
    buffer: &'b mut [u8; MAX_BYTES],
) -> Option<(&'b [u8], u32)> {
    let image = Image { name: name.clone(), note: note.clone(), raw: without_codes(raw) };
    let bytes = image.encode(buffer).ok()?;
    let sum = bytes.last_chunk::<4>()?;
    Some((bytes, u32::from_le_bytes(*sum)))
}
