//! The settings that there is one of, as a table: what each is called, what it is measured in, and where it stands.

use bedkeeper::calendar::{Weekday, Weekdays};
use bedkeeper::lock::LockRule;
use bedkeeper::settings::{
    ExhaustedInWindow, Medium, MeterPlace, RawLearned, RemoteRole, Reserve, Schedule, StartRule, WhenClockUnset,
};
use bedkeeper::units::{Exchange, Flow, Hardness, Millis, SaltMass, Volume};

use super::bits::{days_of_bits, days_to_bits};
use super::{Field, Group, HOURS, Kind, MINUTES, MS, Members, SECONDS, YES_NO, narrow};

/// A field that is always there and whose figure is the value itself.
macro_rules! plain {
    ($group:ident, $name:literal, $path:literal, $kind:expr, $($part:ident).+ : $type:ident) => {
        Field {
            group: Group::$group,
            name: $name,
            path: $path,
            kind: $kind,
            get: |raw, _| Some(u64::from(raw.$($part).+)),
            set: |raw, _, value| raw.$($part).+ = narrow(value, $type::MAX),
        }
    };
    ($group:ident, $name:literal, $path:literal, $kind:expr, $($part:ident).+ => $wrap:ident($type:ident)) => {
        Field {
            group: Group::$group,
            name: $name,
            path: $path,
            kind: $kind,
            get: |raw, _| Some(u64::from(raw.$($part).+.0)),
            set: |raw, _, value| raw.$($part).+ = $wrap(narrow(value, $type::MAX)),
        }
    };
    ($group:ident, $name:literal, $path:literal, $($part:ident).+ : bool) => {
        Field {
            group: Group::$group,
            name: $name,
            path: $path,
            kind: YES_NO,
            get: |raw, _| Some(u64::from(raw.$($part).+)),
            set: |raw, _, value| raw.$($part).+ = value != 0,
        }
    };
}

/// A field that is a choice between values without data.
macro_rules! choice {
    ($group:ident, $name:literal, $path:literal, $($part:ident).+, { $($words:literal = $value:path),+ }) => {
        Field {
            group: Group::$group,
            name: $name,
            path: $path,
            kind: Kind::Choice(&[$($words),+]),
            get: |raw, _| [$($value),+].iter().position(|value| *value == raw.$($part).+).and_then(|at| u64::try_from(at).ok()),
            set: |raw, _, value| {
                let at = usize::try_from(value).unwrap_or(usize::MAX);
                if let Some(value) = [$($value),+].get(at) {
                    raw.$($part).+ = *value;
                }
            },
        }
    };
}

/// What is learned of the use by the weekday.
macro_rules! learned {
    ($name:literal, $kind:expr, $part:ident : $type:ident) => {
        Field {
            group: Group::Reserve,
            name: $name,
            path: concat!("reserve.", stringify!($part)),
            kind: $kind,
            get: |raw, _| match raw.reserve {
                Reserve::Learned(learned) => Some(u64::from(learned.$part)),
                _ => None,
            },
            set: |raw, _, value| {
                if let Reserve::Learned(learned) = &mut raw.reserve {
                    learned.$part = narrow(value, $type::MAX);
                }
            },
        }
    };
}

/// What opens a lock.
macro_rules! lock_rule {
    ($name:literal, $part:ident) => {
        Field {
            group: Group::Locks,
            name: $name,
            path: concat!("locks.", stringify!($part)),
            kind: Kind::Choice(&["none", "a long press", "a code"]),
            get: |raw, _| {
                Some(match raw.locks.$part {
                    LockRule::Open => 0,
                    LockRule::Press => 1,
                    LockRule::Code(_) => 2,
                })
            },
            set: |raw, _, value| {
                raw.locks.$part = match (raw.locks.$part, value) {
                    (_, 0) => LockRule::Open,
                    (_, 1) => LockRule::Press,
                    (LockRule::Code(_), _) => return,
                    _ => LockRule::Code(0),
                };
            },
        }
    };
}

/// The code of a lock that has one.
macro_rules! lock_code {
    ($name:literal, $part:ident) => {
        Field {
            group: Group::Locks,
            name: $name,
            path: concat!("locks.", stringify!($part)),
            kind: Kind::Code,
            get: |raw, _| match raw.locks.$part {
                LockRule::Code(code) => Some(u64::from(code)),
                _ => None,
            },
            set: |raw, _, value| raw.locks.$part = LockRule::Code(narrow(value, u32::MAX)),
        }
    };
}

pub(super) const FIELDS: &[Field] = &[
    Field {
        group: Group::Water,
        name: "the tanks hold",
        path: "medium",
        kind: Kind::Choice(&["resin", "a filter"]),
        get: |raw, _| Some(u64::from(matches!(raw.medium, Medium::Filter { .. }))),
        set: |raw, _, value| match (raw.medium, value) {
            (Medium::Filter { .. }, 0) => {
                raw.medium = Medium::Softener {
                    hardness: Hardness(300_000),
                    capacity: Exchange(500_000_000),
                    total: Exchange(1_000_000_000),
                };
            }
            (Medium::Softener { .. }, 1) => raw.medium = Medium::Filter { capacity: Volume::from_litres(10_000) },
            _ => {}
        },
    },
    Field {
        group: Group::Water,
        name: "hardness of the feed",
        path: "medium.hardness",
        kind: Kind::Hardness,
        get: |raw, _| match raw.medium {
            Medium::Softener { hardness, .. } => Some(u64::from(hardness.0)),
            Medium::Filter { .. } => None,
        },
        set: |raw, _, value| {
            if let Medium::Softener { hardness, .. } = &mut raw.medium {
                *hardness = Hardness(narrow(value, u32::MAX));
            }
        },
    },
    Field {
        group: Group::Water,
        name: "a regeneration restores",
        path: "medium.capacity",
        kind: Kind::Exchange,
        get: |raw, _| match raw.medium {
            Medium::Softener { capacity, .. } => Some(capacity.0),
            Medium::Filter { .. } => None,
        },
        set: |raw, _, value| {
            if let Medium::Softener { capacity, .. } = &mut raw.medium {
                *capacity = Exchange(value);
            }
        },
    },
    Field {
        group: Group::Water,
        name: "the resin can hold",
        path: "medium.total",
        kind: Kind::Exchange,
        get: |raw, _| match raw.medium {
            Medium::Softener { total, .. } => Some(total.0),
            Medium::Filter { .. } => None,
        },
        set: |raw, _, value| {
            if let Medium::Softener { total, .. } = &mut raw.medium {
                *total = Exchange(value);
            }
        },
    },
    Field {
        group: Group::Water,
        name: "water between backwashes",
        path: "medium.capacity",
        kind: Kind::Volume,
        get: |raw, _| match raw.medium {
            Medium::Filter { capacity } => Some(capacity.0),
            Medium::Softener { .. } => None,
        },
        set: |raw, _, value| {
            if let Medium::Filter { capacity } = &mut raw.medium {
                *capacity = Volume(value);
            }
        },
    },
    plain!(Water, "iron", "metals.iron_ug_per_l", Kind::Trace, metals.iron_ug_per_l: u32),
    plain!(Water, "manganese", "metals.manganese_ug_per_l", Kind::Trace, metals.manganese_ug_per_l: u32),
    plain!(Water, "1 mg/L of iron counts", "metals.iron_counts_as", Kind::Hardness, metals.iron_counts_as => Hardness(u32)),
    plain!(Water, "1 mg/L of manganese", "metals.manganese_counts_as", Kind::Hardness, metals.manganese_counts_as => Hardness(u32)),
    plain!(Water, "blending past the tanks", "sharing.bypass_per_mille", Kind::PerMille, sharing.bypass_per_mille: u16),
    plain!(Water, "resin: less in a year", "derating.per_year_per_mille", Kind::PerMille, derating.per_year_per_mille: u16),
    Field {
        group: Group::Water,
        name: "the resin was new on",
        path: "derating.resin_new_on",
        kind: Kind::Date,
        get: |raw, _| Some(raw.derating.resin_new_on.map_or(0, |day| u64::from(day).saturating_add(1))),
        set: |raw, _, value| raw.derating.resin_new_on = value.checked_sub(1).map(|day| narrow(day, u32::MAX)),
    },
    plain!(Water, "a test fails above", "derating.test_limit", Kind::Trace, derating.test_limit => Hardness(u32)),
    plain!(Water, "a failed test takes", "derating.failed_test_per_mille", Kind::PerMille, derating.failed_test_per_mille: u16),
    plain!(Water, "a passed test gives", "derating.passed_test_per_mille", Kind::PerMille, derating.passed_test_per_mille: u16),
    plain!(Water, "tests give up to", "derating.restore_to_per_mille", Kind::PerMille, derating.restore_to_per_mille: u16),
    plain!(Water, "capacity kept at least", "derating.least_per_mille", Kind::PerMille, derating.least_per_mille: u16),
    Field {
        group: Group::Meter,
        name: "water for a pulse",
        path: "meter.pulse_nl",
        kind: Kind::Pulse,
        get: |raw, _| raw.meter.pulse_nl.checked_div(u64::from(raw.meter.pulse_divisor)),
        set: |raw, _, value| {
            raw.meter.pulse_nl = value;
            raw.meter.pulse_divisor = 1;
        },
    },
    plain!(Meter, "largest flow", "meter.rated_max", Kind::Flow, meter.rated_max => Flow(u32)),
    plain!(Meter, "least closure", "meter.min_closed", MS, meter.min_closed => Millis(u32)),
    plain!(Meter, "least opening", "meter.min_open", MS, meter.min_open => Millis(u32)),
    choice!(Meter, "where meters sit", "meter.place", meter.place,
        { "common" = MeterPlace::Common, "each tank" = MeterPlace::PerTank }),
    plain!(Meter, "it counts steps too", "meter.measures_steps", meter.measures_steps: bool),
    plain!(Meter, "bounce for an alarm", "meter.noisy_per_mille", Kind::PerMille, meter.noisy_per_mille: u16),
    Field {
        group: Group::Reserve,
        name: "kept back as",
        path: "reserve",
        kind: Kind::Choice(&["nothing", "a volume", "a share", "learned"]),
        get: |raw, _| {
            Some(match raw.reserve {
                Reserve::None => 0,
                Reserve::Fixed(_) => 1,
                Reserve::Share(_) => 2,
                Reserve::Learned(_) => 3,
            })
        },
        set: |raw, _, value| {
            raw.reserve = match (raw.reserve, value) {
                (_, 0) => Reserve::None,
                (Reserve::Fixed(_), 1) | (Reserve::Share(_), 2) | (Reserve::Learned(_), 3) => return,
                (_, 1) => Reserve::Fixed(Volume::from_litres(100)),
                (_, 2) => Reserve::Share(200),
                _ => Reserve::Learned(RawLearned::usual()),
            };
        },
    },
    Field {
        group: Group::Reserve,
        name: "kept back",
        path: "reserve",
        kind: Kind::Volume,
        get: |raw, _| match raw.reserve {
            Reserve::Fixed(volume) => Some(volume.0),
            _ => None,
        },
        set: |raw, _, value| raw.reserve = Reserve::Fixed(Volume(value)),
    },
    Field {
        group: Group::Reserve,
        name: "kept back",
        path: "reserve",
        kind: Kind::PerMille,
        get: |raw, _| match raw.reserve {
            Reserve::Share(share) => Some(u64::from(share)),
            _ => None,
        },
        set: |raw, _, value| raw.reserve = Reserve::Share(narrow(value, u16::MAX)),
    },
    learned!("floor of what is learned", Kind::PerMille, floor_per_mille: u16),
    learned!("ceiling of what is learned", Kind::PerMille, ceiling_per_mille: u16),
    learned!("until seven days are known", Kind::PerMille, until_known_per_mille: u16),
    learned!("mean deviations on top", Kind::Number, deviations: u8),
    learned!("less use is absence", Kind::Percent, absence_percent: u8),
    choice!(Start, "regenerations begin", "start", start, { "at once" = StartRule::Immediate, "at the hour" = StartRule::AtHour }),
    plain!(Start, "regeneration hour", "hour_minute", Kind::Clock, hour_minute: u16),
    plain!(Start, "grace after the hour", "hour_grace", MINUTES, hour_grace => Millis(u32)),
    plain!(Start, "spent tanks do not wait", "exhausted_at_once", exhausted_at_once: bool),
    plain!(Calendar, "backup after", "backup_days", Kind::Days, backup_days: u8),
    plain!(Calendar, "backup while away", "absence_backup_days", Kind::Days, absence_backup_days: u8),
    Field {
        group: Group::Calendar,
        name: "by the calendar",
        path: "schedule",
        kind: Kind::Choice(&["never", "every few days", "on weekdays"]),
        get: |raw, _| {
            Some(match raw.schedule {
                Schedule::Off => 0,
                Schedule::EveryDays(_) => 1,
                Schedule::On(_) => 2,
            })
        },
        set: |raw, _, value| {
            raw.schedule = match (raw.schedule, value) {
                (_, 0) => Schedule::Off,
                (Schedule::EveryDays(_), 1) | (Schedule::On(_), 2) => return,
                (_, 1) => Schedule::EveryDays(7),
                _ => Schedule::On(Weekdays::only(Weekday::Saturday)),
            };
        },
    },
    Field {
        group: Group::Calendar,
        name: "regenerate every",
        path: "schedule",
        kind: Kind::Days,
        get: |raw, _| match raw.schedule {
            Schedule::EveryDays(days) => Some(u64::from(days)),
            _ => None,
        },
        set: |raw, _, value| raw.schedule = Schedule::EveryDays(narrow(value, u8::MAX)),
    },
    Field {
        group: Group::Calendar,
        name: "regenerate on",
        path: "schedule",
        kind: Kind::Set(Members::Weekdays),
        get: |raw, _| match raw.schedule {
            Schedule::On(days) => Some(days_to_bits(days)),
            _ => None,
        },
        set: |raw, _, value| raw.schedule = Schedule::On(days_of_bits(value)),
    },
    plain!(Calendar, "end before a blackout", "finish_before_window", finish_before_window: bool),
    choice!(Calendar, "spent in a blackout", "exhausted_in_window", exhausted_in_window,
        { "wait" = ExhaustedInWindow::Wait, "regenerate" = ExhaustedInWindow::Override }),
    plain!(Calendar, "change over in a blackout", "changeover_in_window", changeover_in_window: bool),
    choice!(Calendar, "without a clock", "when_clock_unset", when_clock_unset,
        { "blackouts rest" = WhenClockUnset::IgnoreWindows, "hold all" = WhenClockUnset::HoldAll }),
    plain!(Steps, "backwash every", "backwash_every", Kind::Number, backwash_every: u8),
    plain!(Salt, "salt for a regeneration", "salt", Kind::Salt, salt => SaltMass(u32)),
    plain!(Salt, "dose after a backwash", "dose_after_backwash_percent", Kind::Percent, dose_after_backwash_percent: u16),
    plain!(Salt, "flow of the refill", "brine.refill_flow", Kind::Flow, brine.refill_flow => Flow(u32)),
    plain!(Salt, "brine is so strong", "brine.salt_per_water_mg_per_l", Kind::Brine, brine.salt_per_water_mg_per_l: u32),
    plain!(Salt, "refill: of a dose at most", "brine.refill_cap_percent", Kind::Percent, brine.refill_cap_percent: u16),
    plain!(Salt, "a contact tells brine", "brine.ready_by_contact", brine.ready_by_contact: bool),
    plain!(Salt, "dose follows use", "brine.proportional.on", brine.proportional.on: bool),
    plain!(Salt, "the least such dose", "brine.proportional.floor_percent", Kind::Percent, brine.proportional.floor_percent: u8),
    plain!(Salt, "a full dose every", "brine.proportional.full_every", Kind::Number, brine.proportional.full_every: u8),
    plain!(Salt, "brine is ready after", "brine_ready_after", MINUTES, brine_ready_after => Millis(u32)),
    plain!(Salt, "doses in a full store", "brine.store_doses", Kind::Number, brine.store_doses: u16),
    plain!(Salt, "few doses left", "brine.low_doses", Kind::Number, brine.low_doses: u16),
    plain!(Limits, "no start above", "start_flow_limit", Kind::Flow, start_flow_limit => Flow(u32)),
    plain!(Limits, "wait for less flow", "flow_wait_limit", MINUTES, flow_wait_limit => Millis(u32)),
    plain!(Limits, "drain water in a day", "discharge_limit", Kind::Volume, discharge_limit => Volume(u64)),
    plain!(Limits, "regenerate together", "max_regenerating", Kind::Number, max_regenerating: u8),
    plain!(Limits, "discharge together", "sharing.draining_together", Kind::Number, sharing.draining_together: u8),
    plain!(Limits, "flush after standing", "stale_after", HOURS, stale_after => Millis(u32)),
    plain!(Limits, "length of the flush", "purge", SECONDS, purge => Millis(u32)),
    plain!(Limits, "overdue after", "overdue_after", HOURS, overdue_after => Millis(u32)),
    plain!(Limits, "none may have to serve", "allow_untreated", allow_untreated: bool),
    choice!(Contacts, "remote contact", "remote", remote,
        { "not used" = RemoteRole::Off, "start now" = RemoteRole::Now, "start at hour" = RemoteRole::AtHour, "hold off" = RemoteRole::HoldOff }),
    plain!(Contacts, "closed at least", "remote_minimum", MS, remote_minimum => Millis(u32)),
    plain!(Contacts, "hold-off at most", "hold_off_limit", HOURS, hold_off_limit => Millis(u32)),
    plain!(Contacts, "steady for", "contact_debounce", MS, contact_debounce => Millis(u32)),
    plain!(Watch, "less is no flow", "watch.small_flow", Kind::Flow, watch.small_flow => Flow(u32)),
    plain!(Watch, "flow without a pause", "watch.unbroken_after", MINUTES, watch.unbroken_after => Millis(u32)),
    plain!(Watch, "a pause lasts", "watch.unbroken_pause", SECONDS, watch.unbroken_pause => Millis(u32)),
    plain!(Watch, "meter silent for", "watch.silent_after", HOURS, watch.silent_after => Millis(u32)),
    plain!(Watch, "maintenance after", "watch.service_volume", Kind::Volume, watch.service_volume => Volume(u64)),
    plain!(Watch, "or after regenerations", "watch.service_regenerations", Kind::Number, watch.service_regenerations: u16),
    plain!(Watch, "or after", "watch.service_days", Kind::Days, watch.service_days: u16),
    plain!(Power, "a step goes on within", "power.resume_within", MINUTES, power.resume_within => Millis(u32)),
    plain!(Power, "restarts at most", "power.max_restarts", Kind::Number, power.max_restarts: u8),
    plain!(Power, "use that is kept", "power.retain_per_mille", Kind::PerMille, power.retain_per_mille: u16),
    plain!(Locks, "lock closes after", "locks.relock_after", SECONDS, locks.relock_after => Millis(u32)),
    lock_rule!("panel lock", panel),
    lock_code!("code of the panel", panel),
    lock_rule!("serial lock", serial),
    lock_code!("code of the line", serial),
];
