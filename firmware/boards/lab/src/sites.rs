//! Invented sites: an ordinary one, and two that turn on everything that costs time.

use bedkeeper::calendar::{Weekdays, Window};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::{
    Arrangement, CamFeedback, Medium, MeterPlace, RawDrive, RawSettings, RawStep, RemoteRole, Reserve, Schedule,
    StartRule,
};
use bedkeeper::units::{Exchange, Flow, Hardness, Millis, SaltMass, Volume};

/// Positions of the cam, in order.
pub const CAM: [Position; 7] = [
    Position::Service,
    Position::Backwash,
    Position::BrineDraw,
    Position::SlowRinse,
    Position::FastRinse,
    Position::BrineRefill,
    Position::Standby,
];

/// Two alternating tanks of 2 000 L each at 300 mg/L that start as soon as they may; 1 L pulses.
#[must_use]
pub fn ordinary() -> RawSettings {
    let mut site = RawSettings::baseline();
    site.arrangement = Arrangement::Alternating;
    site.tanks = 2;
    site.medium = Medium::Softener {
        hardness: Hardness(300_000),
        capacity: Exchange(2_000 * 300_000),
        total: Exchange(4_000 * 300_000),
    };
    site.start = StartRule::Immediate;
    site.salt = SaltMass(1_500_000);
    let mut positions = heapless::Vec::new();
    // Seven fit eight places.
    let _ = positions.extend_from_slice(&CAM);
    site.drive = RawDrive::CamSwitch {
        positions,
        feedback: CamFeedback::SwitchPerPosition,
        reversible: true,
        travel_limit: Millis::from_secs(90),
        rest: Millis::from_secs(2),
        coast: Millis(500),
        retries: 2,
    };
    site
}

/// The same with everything on that costs time: eight blackout windows, the hour, a reserve, backup
/// days, a schedule, the remote contact, a flow limit, a drain allowance and twelve steps.
#[must_use]
pub fn elaborate() -> RawSettings {
    let mut site = ordinary();
    site.start = StartRule::AtHour;
    site.reserve = Reserve::Share(250);
    site.backup_days = 2;
    site.schedule = Schedule::EveryDays(1);
    site.remote = RemoteRole::AtHour;
    site.start_flow_limit = Flow(4_000);
    site.discharge_limit = Volume::from_litres(2_000);
    site.changeover_in_window = false;
    site.backwash_every = 3;
    site.dose_after_backwash_percent = 150;
    for from in [330u16, 450, 570, 690, 810, 930, 1_050, 1_170] {
        let window = Window { days: Weekdays::ALL_DAYS, from_minute: from, to_minute: from.saturating_add(15) };
        let _ = site.windows.push(window);
    }
    let minutes = |kind, mins, drain| RawStep::timed(kind, Millis::from_mins(mins), Flow(drain));
    site.program = heapless::Vec::new();
    let _ = site.program.extend_from_slice(&[
        minutes(StepKind::Backwash, 4, 8_000),
        minutes(StepKind::Settle, 1, 0),
        minutes(StepKind::Backwash, 3, 8_000),
        minutes(StepKind::Settle, 1, 0),
        minutes(StepKind::BrineDraw, 15, 1_500),
        minutes(StepKind::SlowRinse, 20, 1_500),
        minutes(StepKind::FastRinse, 3, 8_000),
        minutes(StepKind::Settle, 1, 0),
        minutes(StepKind::FastRinse, 3, 8_000),
        minutes(StepKind::BrineRefill, 5, 0),
        minutes(StepKind::Settle, 1, 0),
        minutes(StepKind::ServiceRinse, 2, 8_000),
    ]);
    site
}

/// The elaborate site with a meter on each tank.
#[must_use]
pub fn metered_tanks() -> RawSettings {
    let mut site = elaborate();
    site.meter.place = MeterPlace::PerTank;
    site
}
