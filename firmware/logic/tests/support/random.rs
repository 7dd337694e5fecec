//! Random sites and random days for property tests.
#![allow(missing_docs)]

use super::*;
use bedkeeper::meter::MAX_BATCH;
use bedkeeper::operator::AlarmAction;
use bedkeeper::program::StepSet;
use bedkeeper::watch::{AlarmDelay, Severity};
use proptest::collection::vec;
use proptest::prelude::*;

/// Something that happens to a plant.
#[derive(Clone, Copy, Debug)]
pub enum Op {
    Run(u64),
    /// To the very instant of the deadline, so that what comes next comes before its call.
    RunToDeadline,
    Pulses {
        meter: u8,
        count: u32,
        every_ms: u64,
    },
    Closure {
        meter: u8,
        width_ms: u64,
        gap_ms: u64,
        times: u8,
    },
    Contact(Contact, bool),
    Clock {
        shift_ms: i64,
    },
    SetClock {
        day: u32,
        minute: u16,
    },
    LoseClock,
    Operator(Action),
    Stuck {
        tank: u8,
        stuck: bool,
    },
    Knock {
        tank: u8,
        milli: u64,
    },
}

pub fn op() -> impl Strategy<Value = Op> {
    let tank = prop_oneof![3 => 0..3u8, 1 => 0..9u8];
    let action = (0..14u8, tank.clone(), 0..Alarm::ALL.len()).prop_map(|(kind, tank, alarm)| {
        let tank = TankId(tank);
        let alarm = Alarm::ALL[alarm];
        match kind {
            10 => Action::Alarm(AlarmAction::Acknowledge(alarm)),
            11 => Action::Alarm(AlarmAction::AcknowledgeAll),
            12 => Action::Alarm(AlarmAction::Reset(alarm)),
            13 => Action::Alarm(AlarmAction::Maintained),
            0 => Action::StartNow(tank),
            1 => Action::StartAtHour(tank),
            2 => Action::Withdraw(tank),
            3 => Action::StepForward(tank),
            4 => Action::Abort(tank),
            5 => Action::Hold(tank),
            6 => Action::Release(tank),
            7 => Action::TakeOut(tank),
            8 => Action::PutBack(tank),
            _ => Action::Vouch(tank),
        }
    });
    let contact = prop_oneof![Just(Contact::Remote), Just(Contact::Sensor), Just(Contact::LowPressure)];
    let wait = prop_oneof![3 => 0..5 * SEC, 4 => 0..40 * MIN, 3 => 0..12 * HOUR, 1 => 0..3 * DAY];
    let count = prop_oneof![4 => 1..5u32, 4 => 1..3_000u32, 1 => 0..MAX_BATCH + 2];
    prop_oneof![
        6 => wait.prop_map(Op::Run),
        3 => Just(Op::RunToDeadline),
        6 => (0..3u8, count, prop_oneof![Just(0), 1..20 * SEC])
            .prop_map(|(meter, count, every_ms)| Op::Pulses { meter, count, every_ms }),
        1 => (0..2u8, 1..40u64, 1..60u64, 1..40u8)
            .prop_map(|(meter, width_ms, gap_ms, times)| Op::Closure { meter, width_ms, gap_ms, times }),
        2 => (contact, any::<bool>()).prop_map(|(contact, closed)| Op::Contact(contact, closed)),
        1 => (-(30 * HOUR as i64)..30 * HOUR as i64).prop_map(|shift_ms| Op::Clock { shift_ms }),
        1 => (0..40_000u32, 0..1_440u16).prop_map(|(day, minute)| Op::SetClock { day, minute }),
        1 => Just(Op::LoseClock),
        3 => action.prop_map(Op::Operator),
        1 => (tank.clone(), any::<bool>()).prop_map(|(tank, stuck)| Op::Stuck { tank, stuck }),
        1 => (tank, 0..6_000u64).prop_map(|(tank, milli)| Op::Knock { tank, milli }),
    ]
}

pub fn ops(most: usize) -> impl Strategy<Value = Vec<Op>> {
    vec(op(), 1..most)
}

pub fn windows() -> impl Strategy<Value = Vec<Window>> {
    let days = vec(any::<bool>(), 7).prop_map(|on| {
        let mut days = Weekdays::EMPTY;
        for (day, _) in bedkeeper::calendar::Weekday::ALL.iter().zip(on).filter(|(_, on)| *on) {
            days.insert(*day);
        }
        days
    });
    vec((days, 0..1_440u16, 0..=1_440u16).prop_map(|(days, from, to)| window(days, from, to)), 0..4)
}

/// A valid site with every setting that concerns when and why something happens drawn at random.
pub fn site() -> impl Strategy<Value = RawSettings> {
    let calendar = (windows(), any::<[bool; 6]>(), 0..1_440u16, 1..13u32, 0..4u8, 0..3u8);
    let water = (
        any::<[bool; 3]>(),
        0..4u8,
        prop_oneof![Just(0), 1_000..60_000u32],
        20..1_000u64,
        prop_oneof![Just(1), Just(3), Just(7)],
    );
    (calendar, water, watch(), relays()).prop_filter_map("valid settings", |(calendar, water, watch, relays)| {
        let (windows, on, minute, grace, backup, schedule) = calendar;
        let (wet, remote, flow_limit, litres, divisor) = water;
        let tanks = [2, 3, 4, 8][usize::from(backup)];
        let mut raw = match (on[0], schedule) {
            (true, 0) => alternating(),
            (true, 1) => parallel(tanks),
            (true, _) => staged(tanks),
            (false, _) => single(),
        };
        if tanks > 2 && raw.tanks == tanks {
            raw.max_regenerating = 1 + remote % (tanks - 1);
            raw.sharing.draining_together = 1 + u8::from(on[3]);
            raw.sharing.tank_flow = Flow(flow_limit / 2);
            raw.brine_ready_after = Millis::from_mins(30 * u32::from(remote));
        }
        raw.start = if on[1] { StartRule::AtHour } else { StartRule::Immediate };
        raw.exhausted_at_once = on[2];
        raw.finish_before_window = on[3];
        raw.changeover_in_window = on[4];
        raw.exhausted_in_window = if on[5] { ExhaustedInWindow::Override } else { ExhaustedInWindow::Wait };
        raw.hour_minute = minute;
        raw.hour_grace = Millis::from_hours(grace);
        raw.backup_days = backup;
        raw.schedule = match schedule {
            0 => Schedule::Off,
            1 => Schedule::EveryDays(2),
            _ => Schedule::On(Weekdays::only(bedkeeper::calendar::Weekday::Wednesday)),
        };
        raw.windows = windows.into_iter().collect();
        raw.medium = softener(litres);
        raw.reserve = match remote {
            0 => Reserve::None,
            1 => Reserve::Share(250),
            _ => Reserve::Fixed(Volume::from_litres(litres / 2)),
        };
        raw.remote = [RemoteRole::Off, RemoteRole::Now, RemoteRole::AtHour, RemoteRole::HoldOff][usize::from(remote)];
        raw.meter.place = if wet[0] { MeterPlace::PerTank } else { MeterPlace::Common };
        raw.when_clock_unset = if wet[1] { WhenClockUnset::HoldAll } else { WhenClockUnset::IgnoreWindows };
        if divisor == 7 && !wet[0] {
            raw.sharing.bypass_per_mille = 77;
        }
        raw.meter.pulse_divisor = divisor;
        raw.start_flow_limit = Flow(flow_limit);
        raw.discharge_limit = if wet[2] { Volume::from_litres(400) } else { Volume::ZERO };
        raw.watch = watch;
        raw.relays = relays;
        // A relay whose program does not fit the site is left unused.
        for i in 0..RELAYS {
            if Settings::try_from(raw.clone()).is_err_and(|f| f.listed().iter().any(|f| f.field.starts_with("relays")))
            {
                raw.relays[i].program = RelayProgram::Unused;
                raw.relays[i].longest_on = Millis::ZERO;
            }
        }
        Settings::try_from(raw.clone()).is_ok().then_some(raw)
    })
}

/// Watches with short limits, alarms that are grave, latch or wait.
pub fn watch() -> impl Strategy<Value = RawWatch> {
    let delay = (0..Alarm::ALL.len(), 0..200u16, 0..200u16);
    let alarms = (vec(delay, 0..4), any::<[u8; 3]>());
    let flow = (300..60_000u32, 0..40u32, 1..30u32, 0..30u32);
    let service = (0..2_000u64, 0..3u16, 0..3u16);
    (alarms, flow, service).prop_map(|((delays, seeds), (small, unbroken, pause, silent), service)| {
        let mut watch = RawWatch {
            small_flow: Flow(small),
            unbroken_after: Millis::from_mins(unbroken * 7),
            unbroken_pause: Millis::from_secs(pause * 11),
            silent_after: Millis::from_hours(silent),
            service_volume: Volume::from_litres(service.0),
            service_regenerations: service.1,
            service_days: service.2,
            ..RawWatch::default()
        };
        for (i, onset_s, return_s) in delays {
            let alarm = Alarm::ALL[i];
            if watch.rules.delays.iter().all(|d| d.alarm != alarm) {
                watch.rules.delays.push(AlarmDelay { alarm, onset_s, return_s }).unwrap();
            }
        }
        for (i, alarm) in Alarm::ALL.iter().enumerate() {
            let seed = usize::from(seeds[i % 3]) + i * 7;
            watch.rules.set_severity(*alarm, Severity::ALL[seed % 3]);
            if seed % 5 == 0 {
                watch.rules.latching.insert(*alarm);
            }
        }
        watch
    })
}

/// Four relays of any program, some of which do not fit the site.
pub fn relays() -> impl Strategy<Value = [RawRelay; RELAYS]> {
    let tanks = prop_oneof![Just(TankSet(1)), Just(TankSet(3))];
    let steps = (any::<[bool; 8]>()).prop_map(|on| {
        let mut steps = StepSet::EMPTY;
        for (kind, on) in StepKind::ALL.iter().zip(on) {
            if on {
                steps.insert(*kind);
            }
        }
        steps
    });
    let program = prop_oneof![
        1 => Just(RelayProgram::Unused),
        1 => (0..3usize).prop_map(|i| RelayProgram::OnAlarm(Severity::ALL[i])),
        1 => (steps, tanks.clone()).prop_map(|(steps, tanks)| RelayProgram::During { steps, tanks }),
        1 => (0..5_000_000u32, 1..1_000_000u32)
            .prop_map(|(delay, length)| RelayProgram::AfterStart { delay: Millis(delay), length: Millis(length) }),
        3 => (1_000_000..40_000_000_000u64, 1..9_000u32)
            .prop_map(|(nl, on)| RelayProgram::PerVolume { volume: Volume(nl), on: Millis(on) }),
        1 => (0..2u8).prop_map(|tank| RelayProgram::WhileOffline(TankId(tank))),
        1 => Just(RelayProgram::WhileNoneServing),
        2 => Just(RelayProgram::WhileFlow),
        1 => tanks.prop_map(RelayProgram::Isolate),
        1 => Just(RelayProgram::FailSafe),
    ];
    let time = || prop_oneof![2 => Just(0), 2 => 1..5_000u32, 1 => 1..600_000u32];
    let relay = (program, any::<bool>(), time(), time(), prop_oneof![Just(0), 1..900_000u32]);
    let relay = relay.prop_map(|(program, inverted, min_on, min_off, longest_on)| {
        let longest = if longest_on < min_on { 0 } else { longest_on };
        let protects = matches!(program, RelayProgram::Isolate(_) | RelayProgram::FailSafe);
        let min_on = if matches!(program, RelayProgram::PerVolume { .. }) { 0 } else { min_on };
        RawRelay {
            program,
            inverted,
            min_on: Millis(min_on),
            min_off: Millis(min_off),
            longest_on: Millis(if protects { 0 } else { longest }),
        }
    });
    [relay.clone(), relay.clone(), relay.clone(), relay]
}

impl<const N: usize> Site<N> {
    /// Lets something happen; refusals are part of it.
    pub fn undergo(&mut self, op: Op) {
        match op {
            Op::Run(ms) => self.run_for(ms),
            Op::RunToDeadline => {
                if let Some(due) = self
                    .controller
                    .next_deadline()
                    .map(|d| d.as_ticks())
                    .filter(|d| (self.now + 1..self.now + DAY).contains(d))
                {
                    self.run_to(due - 1);
                    self.now = due;
                }
            }
            Op::Pulses { meter, count, every_ms: 0 } => {
                let _ = self.put(Input::Pulses { meter, count });
            }
            Op::Pulses { meter, count, every_ms } => {
                for _ in 0..count.min(50) {
                    self.run_for(every_ms);
                    let _ = self.put(Input::Pulses { meter, count: 1 });
                }
            }
            Op::Closure { meter, width_ms, gap_ms, times } => {
                for _ in 0..times {
                    let _ = self.put(Input::MeterContact { meter, closed: true });
                    self.run_for(width_ms);
                    let _ = self.put(Input::MeterContact { meter, closed: false });
                    self.run_for(gap_ms);
                }
            }
            Op::Contact(contact, closed) => self.contact(contact, closed),
            Op::Clock { shift_ms } => {
                let civil = self.controller.clock().civil(t(self.now));
                let moved = civil.and_then(|c| c.0.checked_add_signed(shift_ms)).map(Civil);
                let _ = self.put(Input::Clock(moved));
            }
            Op::SetClock { day, minute } => self.set_clock(day, minute),
            Op::LoseClock => {
                let _ = self.put(Input::Clock(None));
            }
            Op::Operator(action) => {
                let _ = self.operate(action);
            }
            Op::Stuck { tank, stuck } => {
                if let Some(valve) = self.valves.get_mut(usize::from(tank)) {
                    valve.trouble.stuck = stuck;
                }
            }
            Op::Knock { tank, milli } => {
                if let Some(valve) = self.valves.get_mut(usize::from(tank)) {
                    valve.at_milli = milli % (valve.positions.len() as u64 * 1_000);
                }
                self.tell_switches();
            }
        }
    }
}
