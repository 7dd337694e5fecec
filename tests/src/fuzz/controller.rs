//! Any sequence of inputs, right or wrong, at any times: the driver contract holds and motors keep their rules.

use std::collections::BTreeSet;
use std::sync::OnceLock;

use bedkeeper::calendar::Civil;
use bedkeeper::demand::Hold;
use bedkeeper::drive::{Motion, Pilots, Switches};
use bedkeeper::retain::{MAX_BYTES, Retained};
use bedkeeper::settings::{CamFeedback, RawDrive};
use bedkeeper::units::{Instant, Millis, TankId, later_ms};
use bedkeeper::{Controller, Input, RawSettings, Save, Settings};
use bedkeeper_sim::{demo, site, swarm};

use super::Script;

/// Beyond this, 292 million years, instants that lie ahead run into the end of the clock: nothing panics, and no more is asked.
const END: Instant = Instant::from_ticks(u64::MAX / 2);
/// Room for the largest site.
type Plant = Controller<8>;
/// Motors stay off so long after power came, in which contacts settle.
const SETTLES_MS: u64 = 500;

/// A site by the first byte, then calls: each a byte that says what and when, and what belongs to it.
///
/// # Panics
/// A deadline that lies behind, water or records that are lost, a refusal that changed something, a tank that waits for
/// nothing, a motor that runs beyond its limit (S7), reverses without a rest (S7), or moves where it is lost (S6) or power
/// has just come.
pub fn controller(bytes: &[u8]) {
    lived(bytes);
}

/// Lives what the bytes say; which kinds of records came of it.
fn lived(bytes: &[u8]) -> BTreeSet<String> {
    let mut script = Script(bytes);
    let sites = sites();
    let settings = match usize::from(script.byte()) {
        // Its own settings.
        255 => match script.value::<RawSettings>().map(Settings::try_from) {
            Some(Ok(settings)) => settings,
            _ => return BTreeSet::new(),
        },
        which => sites[which % sites.len()].clone(),
    };
    let mut driver = Driver::new(settings);
    while !script.is_over() {
        let what = script.byte();
        let now = driver.when(what & 7, &mut script);
        driver.act(what >> 3, now, &mut script);
    }
    // To the end of time.
    driver.call(Instant::from_ticks(u64::MAX), Input::Pulses { meter: 0, count: 7 });
    driver.said
}

/// The bundled sites, those of the repository, and invented ones.
fn sites() -> &'static [Settings] {
    static SITES: OnceLock<Vec<Settings>> = OnceLock::new();
    SITES.get_or_init(|| {
        let own = [
            include_str!("../../sites/house.toml"),
            include_str!("../../sites/pair.toml"),
            include_str!("../../sites/shared.toml"),
            include_str!("../../sites/counter_current.toml"),
            include_str!("../../sites/explored/four.toml"),
            include_str!("../../sites/explored/three.toml"),
            include_str!("../../sites/explored/pair.toml"),
        ];
        let bundled = demo::DEMOS.iter().map(|demo| demo.site.to_owned());
        let invented = (0..40).map(|seed| swarm::invented_site(seed).text);
        let texts = own.iter().map(|text| (*text).to_owned()).chain(bundled).chain(invented);
        texts.filter_map(|text| site::parse("site.toml", &text).ok()).map(|site| site.settings).collect()
    })
}

/// What a motor was last told.
#[derive(Clone, Copy)]
struct Motor {
    motion: Motion,
    since: Instant,
    /// The last way it ran, and when it stopped.
    ran: Option<(Motion, Instant)>,
}

/// Makes the calls, and watches what comes of each.
struct Driver {
    plant: Plant,
    now: Instant,
    powered: Instant,
    /// Valve by valve, the shared one last.
    motors: Vec<Motor>,
    /// Kinds of records so far.
    said: BTreeSet<String>,
}

impl Driver {
    fn new(settings: Settings) -> Self {
        let now = Instant::from_ticks(0);
        let plant = Plant::new(now, settings).expect("there is room for every number of tanks");
        let mut driver = Self { plant, now, powered: now, motors: Vec::new(), said: BTreeSet::new() };
        driver.power_up();
        driver
    }

    fn power_up(&mut self) {
        self.powered = self.now;
        self.motors = vec![Motor { motion: Motion::Off, since: self.now, ran: None }; self.plant.tanks().len() + 1];
        self.look();
    }

    /// When the next call is made.
    fn when(&self, how: u8, script: &mut Script<'_>) -> Instant {
        let due = self.plant.next_deadline().unwrap_or(self.now);
        match how {
            0 => self.now,
            1 => later_ms(self.now, u64::from(script.byte())),
            2 => later_ms(self.now, u64::from(script.short()) * 100),
            3 => later_ms(self.now, u64::from(script.short()) * 60_000),
            4 => due,
            5 => later_ms(due, u64::from(script.short())),
            6 => Instant::from_ticks(due.as_ticks().saturating_sub(1)),
            _ => match script.byte() {
                0 => Instant::from_ticks(script.long()),
                back => Instant::from_ticks(self.now.as_ticks().saturating_sub(u64::from(back) * 1_000)),
            },
        }
    }

    fn act(&mut self, what: u8, now: Instant, script: &mut Script<'_>) {
        match what {
            0..=7 => {
                if let Some(input) = script.value() {
                    self.call(now, input);
                }
            }
            8..=10 => self.call(now, Input::Tick),
            11..=14 => {
                let tank = TankId(script.byte() % 9);
                self.call(now, Input::Switches { tank, closed: Switches(script.byte()) });
            }
            15..=17 => {
                let meter = script.byte() % 9;
                let count = u32::from(script.short());
                // Some batches are larger than any meter gives.
                let count = if count > 60_000 { count << 14 } else { count };
                self.call(now, Input::Pulses { meter, count });
            }
            18..=20 => {
                if let Some(action) = script.value() {
                    self.call(now, Input::Operator { who: bedkeeper::journal::Who::Panel, action });
                }
            }
            // Valves obey for a while.
            21..=25 => {
                self.call(now, Input::Tick);
                for _ in 0..script.byte() {
                    self.obey();
                }
            }
            // A cam that goes round under its switch.
            26 => {
                let (tank, mask, times, every) =
                    (TankId(script.byte() % 8), script.byte(), script.byte(), script.byte());
                self.call(now, Input::Tick);
                for i in 0..times % 64 {
                    let closed = Switches(if i % 2 == 0 { mask } else { 0 });
                    self.call(later_ms(self.now, u64::from(every) * 20), Input::Switches { tank, closed });
                }
            }
            27 => self.change(now, script),
            28 => {
                self.call(now, Input::Tick);
                self.plant.saved();
                self.look();
            }
            29 => {
                self.go_to(now);
                self.plant.reject_settings(self.now);
                self.look();
            }
            // Written and read, it is the same.
            30 => {
                self.call(now, Input::Tick);
                let bytes = postcard::to_allocvec(&self.plant).expect("it can be written");
                let read: Plant = postcard::from_bytes(&bytes).expect("and read");
                assert!(read == self.plant, "stored and read it is another one");
                self.plant = read;
            }
            _ => self.cut(now, script),
        }
    }

    /// Power fails and comes back.
    fn cut(&mut self, now: Instant, script: &mut Script<'_>) {
        self.call(now, Input::Tick);
        let settings = self.plant.settings().clone();
        let how = script.byte();
        let kept = self.plant.retained();
        let bytes = kept.encode::<MAX_BYTES>().expect("it always fits");
        let read = Retained::<8>::decode(&bytes).expect("what was written can be read");
        assert!(read == kept, "what is retained changes on its way");
        let off_for = (how & 1 != 0).then(|| Millis(u32::from(script.short()) * 1_000));
        self.now = read.resumes_at(off_for);
        self.plant = if how & 2 == 0 {
            Plant::restore(self.now, settings, &read, off_for).expect("it is the same plant")
        } else {
            self.now = Instant::from_ticks(0);
            Plant::after_loss(self.now, settings).expect("there is room")
        };
        self.power_up();
        if how & 4 != 0 {
            self.call(self.now, Input::Clock(Some(Civil::at(u32::from(script.short()), u16::from(how)))));
        }
        if how & 8 != 0 {
            for tank in 0..self.plant.tanks().len() as u8 {
                self.call(self.now, Input::Switches { tank: TankId(tank), closed: Switches(1) });
            }
        }
    }

    /// Somebody changes a setting, or asks for another site's.
    fn change(&mut self, now: Instant, script: &mut Script<'_>) {
        let sites = sites();
        let which = script.byte();
        let wanted = if which & 0x80 != 0 {
            sites[usize::from(which) % sites.len()].clone()
        } else {
            let mut raw = self.plant.settings().raw().clone();
            match which % 8 {
                0 => raw.hour_minute = script.short() % 1_440,
                1 => raw.windows.clear(),
                2 => raw.purge = Millis(u32::from(script.short()) * 10),
                3 => raw.hour_grace = Millis::from_mins(u32::from(script.byte())),
                4 => raw.backup_days = script.byte(),
                5 => raw.exhausted_at_once = !raw.exhausted_at_once,
                6 => raw.discharge_limit.0 = script.long() >> 16,
                _ => raw.watch = Settings::baseline().raw().watch.clone(),
            }
            match Settings::try_from(raw) {
                Ok(settings) => settings,
                Err(_) => return,
            }
        };
        self.go_to(now);
        let mut kept = self.plant.clone();
        let refused = self.plant.change_settings(self.now, wanted).is_err();
        if refused {
            let _ = kept.handle(self.now, Input::Tick);
            assert!(kept.settings() == self.plant.settings(), "refused settings run");
        }
        // What a motor may do has changed.
        for motor in &mut self.motors {
            (motor.since, motor.ran) = (self.now, None);
        }
        self.look();
    }

    fn go_to(&mut self, now: Instant) {
        self.now = self.now.max(now);
    }

    /// The next deadline comes, and valves stand where they were sent.
    fn obey(&mut self) {
        let Some(due) = self.plant.next_deadline() else { return };
        for tank in 0..self.plant.tanks().len() {
            let drive = self.plant.tanks()[tank].drive();
            let (Some(to), true) = (drive.target(), drive.motion() != Motion::Off) else { continue };
            let closed = match &self.plant.settings().drive {
                RawDrive::CamSwitch { positions, feedback: CamFeedback::SwitchPerPosition, .. } => {
                    positions.iter().position(|place| *place == to).map(|i| Switches(1 << i.min(7)))
                }
                RawDrive::TwoPosition { positions, .. } => {
                    positions.iter().position(|place| *place == to).map(|i| Switches(1 << i.min(7)))
                }
                _ => None,
            };
            let Some(closed) = closed else { continue };
            // It takes a while, less than the deadline.
            let at = later_ms(self.now, 3_000).min(due);
            self.call(at, Input::Switches { tank: TankId(tank as u8), closed });
        }
        if let Some(due) = self.plant.next_deadline() {
            self.call(due, Input::Tick);
        }
    }

    fn call(&mut self, now: Instant, input: Input) {
        self.go_to(now);
        let mut ticked = self.plant.clone();
        let due = self.plant.next_deadline();
        let result = self.plant.handle(now, input);
        // A call before anything is due changes nothing that anybody can see.
        if due.is_none_or(|due| due > self.now) && self.now < END {
            let shown = visible(&ticked);
            assert_eq!(ticked.handle(now, Input::Tick), Ok(()));
            assert!(visible(&ticked) == shown && ticked.next_deadline() == due, "an extra tick changes something");
        } else if result.is_err() {
            let _ = ticked.handle(now, Input::Tick);
        }
        if result.is_err() {
            match input {
                // It is journalled, and so has to be saved.
                Input::Operator { .. } | Input::Unlock { .. } => {
                    assert!(
                        visible(&ticked) == visible(&self.plant),
                        "{input:?}, refused as {result:?}, changes something"
                    );
                }
                _ => assert!(ticked == self.plant, "a refused input changes something"),
            }
        }
        self.look();
    }

    /// Looks at everything after a call.
    fn look(&mut self) {
        while let Some(record) = self.plant.take_record() {
            if cfg!(test) {
                let words = format!("{:?}", record.event);
                self.said.insert(words.split([' ', '(']).next().unwrap_or_default().to_owned());
            }
        }
        assert_eq!(self.plant.records_lost(), 0, "records are lost though each call's were taken");
        let next = self.plant.next_deadline();
        assert!(
            next.is_none_or(|next| next > self.now) || self.now > END,
            "the deadline {next:?} at {:?} is no later",
            self.now
        );
        let a = self.plant.accounts();
        assert_eq!(a.metered.0, a.charged.0 + a.blended.0 + a.untreated.0 + a.drained.0, "water is lost (S5)");
        if self.now > END {
            return;
        }
        self.look_at_motors();
        for tank in 0..self.plant.tanks().len() {
            self.look_at_holds(tank);
        }
    }

    fn look_at_motors(&mut self) {
        let outputs = self.plant.outputs();
        let settings = self.plant.settings();
        let settling = self.now < later_ms(self.powered, SETTLES_MS);
        let own = (settings.drive.rest(), settings.travel_limit());
        let shared = settings.sharing.shared_valve.as_ref().map(|valve| (valve.rest, valve.travel_limit));
        let told = outputs.motions.iter().map(|motion| (*motion, own)).chain([(outputs.shared, shared.unwrap_or(own))]);
        for (i, ((motion, (rest, limit)), motor)) in told.zip(&mut self.motors).enumerate() {
            assert!(motion == Motion::Off || !settling, "S7: valve {i} moves as power comes");
            if let Some(tank) = self.plant.tanks().get(i) {
                assert!(motion == Motion::Off || !tank.drive().is_lost(), "S7: valve {i} is lost and moves");
            }
            if motion != motor.motion {
                if motor.motion == Motion::Off {
                    if let Some((ran, stopped)) = motor.ran.filter(|(ran, _)| *ran != motion) {
                        let rested = self.now.as_ticks() - stopped.as_ticks();
                        assert!(rested >= u64::from(rest.0), "S7: valve {i} reverses from {ran:?} after {rested} ms");
                    }
                } else {
                    assert_eq!(motion, Motion::Off, "S7: valve {i} reverses without a stop");
                    motor.ran = Some((motor.motion, self.now));
                }
                (motor.motion, motor.since) = (motion, self.now);
            }
            let runs_ms = self.now.as_ticks() - motor.since.as_ticks();
            assert!(motion == Motion::Off || runs_ms <= u64::from(limit.0), "S7: valve {i} has run for {runs_ms} ms");
        }
        let has_pilots = matches!(settings.drive, RawDrive::PilotArray { .. });
        assert!(has_pilots || outputs.pilots.iter().all(|pilots| *pilots == Pilots(0)), "pilots where there are none");
    }

    fn look_at_holds(&self, tank: usize) {
        let Some(why) = self.plant.why(TankId(tank as u8)) else { panic!("tank {tank} says nothing") };
        let soon = self.plant.next_deadline() == Some(later_ms(self.now, 1));
        let unit = &self.plant.tanks()[tank];
        // One that makes up brine for itself still waits.
        if why.causes.is_empty() || (unit.regeneration().is_some() && !unit.makes_up()) {
            let shared = |hold| matches!(hold, Hold::DrainBusy | Hold::BrineBusy) && self.plant.tanks().len() > 1;
            let own = why.holds.iter().find(|standing| !shared(standing.hold));
            assert!(own.is_none(), "tank {tank} is held by {own:?} and waits for nothing");
            return;
        }
        assert!(!why.holds.is_empty() || soon, "tank {tank} waits for {:?} and nothing holds it", why.causes);
        for standing in &why.holds {
            let clears = standing.clears_at;
            assert!(clears.is_none_or(|at| at > self.now) || soon, "{standing:?} at {:?}", self.now);
        }
    }
}

/// All that can be seen but the time, the deadline and whether something is to be saved.
fn visible(plant: &Plant) -> impl PartialEq + use<> {
    let mut outputs = plant.outputs();
    outputs.save = Save::NotNeeded;
    (outputs, plant.tanks().to_vec(), plant.accounts(), plant.clock(), plant.records_lost())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is kept reaches far into the logic: whole regenerations, lost valves, changes of tanks, power cuts.
    #[test]
    fn what_is_kept_reaches_far() {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/fuzz/corpus/controller");
        let files = std::fs::read_dir(folder).unwrap();
        let said: BTreeSet<_> = files.flat_map(|file| lived(&std::fs::read(file.unwrap().path()).unwrap())).collect();
        for wanted in [
            "Asked",
            "Held",
            "Started",
            "StepStarted",
            "StepEnded",
            "Ended",
            "Duty",
            "ChangeoverBegan",
            "PurgeEnded",
            "Drive",
            "SharedDrive",
            "AlarmRaised",
            "AlarmCleared",
            "HourFired",
            "DayEnded",
            "ClockSet",
            "Operator",
            "PowerReturned",
            "SettingsTaken",
            "SettingsRefused",
            "RetainedLost",
        ] {
            assert!(said.contains(wanted), "nothing kept leads to {wanted}; {said:?}");
        }
    }
}
