//! What small machines of the logic do whatever is told to them: each is driven on and on by chance, the same chance every time.

use std::collections::BTreeMap;

use bedkeeper::Controller;
use bedkeeper::draft::{Draft, NotTaken};
use bedkeeper::drive::{Drive, End, Switches, TwoWay};
use bedkeeper::journal::{Record, Who};
use bedkeeper::lock::{Key, LockRule, Locks, RawLocks};
use bedkeeper::settings::{Arrangement, RawDrive, RawTwoPosition, Settings};
use bedkeeper::units::{Instant, Millis};
use bedkeeper::{Input, program::Position};
use bedkeeper_sim::replay::{Observer, World};
use bedkeeper_sim::scenario;
use serde::{Deserialize, Serialize};

use crate::machine::{Machine, fields, variant};
use crate::seen::files;
use crate::site_support::SOFTENER;

/// Chance that is the same every time.
pub struct Chance(u64);

impl Chance {
    /// One that goes on from a seed.
    pub fn of(seed: u64) -> Self {
        let mut chance = Self(seed);
        chance.below(2);
        chance
    }

    /// Something below a limit.
    pub fn below(&mut self, limit: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        usize::try_from(self.0 >> 33).unwrap() % limit
    }
}

/// Moves of a machine that is driven so often.
const TRIES: usize = 60_000;
/// Power comes anew after so many.
const LIFE: usize = 300;

fn later(now: Instant, ms: u64) -> Instant {
    Instant::from_ticks(now.as_ticks() + ms)
}

/// What a drive reports, without the position it is about.
fn report(event: Option<impl Serialize>) -> Option<String> {
    event.map(|event| variant(&serde_json::to_value(event).unwrap()).replace('-', " "))
}

/// The parts of any drive that somebody can drive.
trait Driven {
    fn state(&self) -> String;
    fn due(&self) -> Option<Instant>;
    fn poll(&mut self, now: Instant) -> Option<String>;
    fn switches(&mut self, now: Instant, closed: u8) -> Option<String>;
    fn go(&mut self, now: Instant, which: usize) -> Option<String>;
    fn forgive(&mut self, now: Instant) -> Option<String>;
}

struct OfTank<'s>(Drive, &'s RawDrive, Vec<Position>);

impl Driven for OfTank<'_> {
    fn state(&self) -> String {
        variant(&fields(&self.0, &["state"])["state"])
    }

    fn due(&self) -> Option<Instant> {
        self.0.deadline()
    }

    fn poll(&mut self, now: Instant) -> Option<String> {
        report(self.0.poll(now, self.1))
    }

    fn switches(&mut self, now: Instant, closed: u8) -> Option<String> {
        report(self.0.set_switches(now, Switches(closed), self.1))
    }

    fn go(&mut self, now: Instant, which: usize) -> Option<String> {
        report(self.0.go(now, self.2[which % self.2.len()], self.1))
    }

    fn forgive(&mut self, now: Instant) -> Option<String> {
        report(self.0.forgive(now, self.1))
    }
}

struct Shared<'s>(TwoWay, &'s RawTwoPosition);

impl Driven for Shared<'_> {
    fn state(&self) -> String {
        let state = variant(&fields(&self.0, &["state"])["state"]);
        match (self.0.end(), self.0.target()) {
            (Some(End::First), _) => "at rest, leads tank 1".to_owned(),
            (Some(End::Second), _) => "at rest, leads tank 2".to_owned(),
            _ => state,
        }
    }

    fn due(&self) -> Option<Instant> {
        self.0.deadline()
    }

    fn poll(&mut self, now: Instant) -> Option<String> {
        report(self.0.poll(now, self.1))
    }

    fn switches(&mut self, now: Instant, closed: u8) -> Option<String> {
        report(self.0.set_switches(now, Switches(closed), self.1))
    }

    fn go(&mut self, now: Instant, which: usize) -> Option<String> {
        let end = if which.is_multiple_of(2) { End::First } else { End::Second };
        report(self.0.go(now, end, self.1))
    }

    fn forgive(&mut self, now: Instant) -> Option<String> {
        report(self.0.forgive(now, self.1))
    }
}

/// Drives it as nobody would, and sees every move that it can make.
fn wander(mut drive: impl Driven, switches: usize, chance: &mut Chance, machine: &mut Machine, begun: Instant) {
    let mut now = begun;
    for _ in 0..LIFE {
        let from = drive.state();
        let (input, said) = match chance.below(10) {
            0..4 => {
                now = drive.due().map_or(later(now, 5_000), |due| due.max(now));
                ("time passes", drive.poll(now))
            }
            4..8 if switches > 0 => {
                // Mostly what a sound valve shows: none or one of its switches, or a contact beside home.
                let closed = match chance.below(8) {
                    0 => u8::try_from(chance.below(1 << switches)).unwrap(),
                    1 | 2 => 0,
                    3 => 3 & ((1 << switches) - 1),
                    _ => 1 << chance.below(switches),
                };
                now = later(now, [1, 150, 1_200][chance.below(3)]);
                ("its switches change", drive.switches(now, closed))
            }
            8 => ("an operator has it sought again", drive.forgive(now)),
            _ => ("it is sent to a position", drive.go(now, chance.below(8))),
        };
        let to = drive.state();
        if from != to {
            machine.see(&from, &to, said.map_or(input.to_owned(), |said| format!("{input}: `{said}`")));
        }
    }
}

fn drive_machine() -> Machine {
    Machine::new(["powering up", "unknown", "resting", "moving", "coasting", "at rest", "lost"])
}

/// Every kind of drive, as site files have it.
const VALVES: [(&str, &str); 4] = [
    (
        "cam-switch",
        r#"positions = ["service", "backwash", "brine-draw", "fast-rinse", "brine-refill"]
reversible = true"#,
    ),
    (
        "cam-index",
        r#"marks = 48
positions = [
    { position = "service", mark = 0 },
    { position = "backwash", mark = 10 },
    { position = "brine-draw", mark = 20 },
    { position = "fast-rinse", mark = 30 },
    { position = "brine-refill", mark = 40 },
]"#,
    ),
    (
        "timed",
        r#"positions = [
    { position = "service", run_time = "0 s" },
    { position = "backwash", run_time = "15 s" },
    { position = "brine-draw", run_time = "30 s" },
    { position = "fast-rinse", run_time = "45 s" },
    { position = "brine-refill", run_time = "60 s" },
]"#,
    ),
    (
        "pilot-array",
        r#"contact = true
positions = [
    { position = "service", pilots = [] },
    { position = "backwash", pilots = [1] },
    { position = "brine-draw", pilots = [2] },
    { position = "fast-rinse", pilots = [1, 2] },
    { position = "brine-refill", pilots = [3] },
]"#,
    ),
];

/// Every kind of drive that a tank can have; the fifth, `two-position`, is that of [`shared_valve`].
pub fn drives() -> BTreeMap<&'static str, Machine> {
    let (softener, _) = SOFTENER.split_once("[valve]").unwrap();
    let kinds = VALVES.map(|(kind, valve)| {
        let text = format!("{softener}[valve]\ndrive = \"{kind}\"\n{valve}");
        let site = bedkeeper_sim::site::parse("invented", &text).unwrap_or_else(|e| panic!("{}", e.render(false)));
        (kind, site.settings.raw().drive.clone())
    });
    let wander_all = |(kind, settings): &(&'static str, RawDrive)| {
        let mut machine = drive_machine();
        let mut chance = Chance::of(1);
        for _ in 0..TRIES / LIFE {
            let now = Instant::from_ticks(0);
            let positions = Position::ALL.iter().copied().filter(|p| settings.place(*p).is_some()).collect();
            let drive = OfTank(Drive::new(now), settings, positions);
            wander(drive, switches_of(settings), &mut chance, &mut machine, now);
        }
        (*kind, machine)
    };
    kinds.iter().map(wander_all).collect()
}

fn switches_of(settings: &RawDrive) -> usize {
    match settings {
        RawDrive::CamSwitch { positions, .. } => positions.len(),
        RawDrive::CamIndex { .. } | RawDrive::TwoPosition { .. } => 2,
        RawDrive::PilotArray { contact, .. } => usize::from(*contact),
        RawDrive::Timed { .. } => 0,
    }
}

/// The changeover valve that two tanks share.
pub fn shared_valve() -> Machine {
    let loaded = |file: std::path::PathBuf| scenario::load(&file).unwrap().site.settings.raw().sharing.shared_valve;
    let valve = files().into_iter().find_map(loaded).expect("a scenario with a shared valve");
    let order = [
        "powering up",
        "unknown",
        "resting",
        "moving",
        "coasting",
        "at rest, leads tank 1",
        "at rest, leads tank 2",
        "lost",
    ];
    let mut machine = Machine::new(order);
    let mut chance = Chance::of(1);
    for _ in 0..TRIES / LIFE {
        let now = Instant::from_ticks(0);
        wander(Shared(TwoWay::new(now), &valve), 2, &mut chance, &mut machine, now);
    }
    machine
}

/// A lock that opens with a code, and one that opens with a press.
pub fn lock() -> Machine {
    let mut machine = Machine::new(["closed", "open", "barred"]);
    let mut chance = Chance::of(1);
    let rules = RawLocks { panel: LockRule::Code(4711), serial: LockRule::Press, ..RawLocks::default() };
    let (mut locks, mut now) = (Locks::default(), Instant::from_ticks(0));
    let state = |locks: &Locks, now: Instant, who: Who| {
        let name = if who == Who::Panel { "panel" } else { "serial" };
        let inner = &fields(locks, if who == Who::Panel { &["panel"] } else { &["serial"] })[name]["state"];
        let until = inner.get("Barred").map(|until| Instant::deserialize(until).unwrap());
        match (locks.is_open(now, who, &rules), until) {
            (true, _) => "open",
            (_, Some(until)) if until > now => "barred",
            _ => "closed",
        }
    };
    for _ in 0..TRIES {
        let who = [Who::Panel, Who::Serial][chance.below(2)];
        let from = state(&locks, now, who);
        let because = match chance.below(8) {
            0 | 1 => {
                now = later(now, [1_000, 61_000, 700_000, 4_000_000][chance.below(4)]);
                "time passes".to_owned()
            }
            2 if from == "open" => {
                locks.used(now, who);
                now = later(now, 400_000);
                "something is asked through it".to_owned()
            }
            3 => format!("closed by hand: `{}`", report(Some(locks.close(who))).unwrap()),
            4 | 5 => {
                let key = if who == Who::Panel { Key::Code(4711) } else { Key::Press };
                format!("right key: `{}`", report(Some(locks.offer(now, who, key, &rules))).unwrap())
            }
            _ => {
                let key = if who == Who::Panel { Key::Code(1) } else { Key::Code(2) };
                format!("wrong key: `{}`", report(Some(locks.offer(now, who, key, &rules))).unwrap())
            }
        };
        let to = state(&locks, now, who);
        // Other locks change with time only, and time is looked at in the one that was picked.
        if from != to || because.contains("key") {
            machine.see(from, to, because);
        }
    }
    machine
}

/// A change of settings, from its beginning to its end: on a house that serves, and on one that regenerates.
pub fn draft() -> Machine {
    let order = ["as the settings that run", "changed", "changed, with faults", "out of date", "taken"];
    let mut machine = Machine::new(order);
    let mut chance = Chance::of(1);
    let night = files().into_iter().find(|file| file.ends_with("01-first-night.scenario.toml")).unwrap();
    let night = scenario::load(&night).unwrap();
    for hours in [12, 27] {
        let world = scenario::run_to(&night, hours * 3_600_000, &mut Nobody).unwrap();
        let mut lived = Controller::clone(&world.controller);
        let mut now = Instant::deserialize(&fields(&lived, &["now"])["now"]).unwrap();
        let mut locked = Draft::begin(lived.settings());
        locked.raw.locks.panel = LockRule::Press;
        locked.take(&mut lived, now, Who::Serial).unwrap();
        for _ in 0..300 {
            edit(lived.clone(), &mut now, &mut chance, &mut machine);
        }
    }
    machine
}

struct Nobody;

impl Observer for Nobody {
    fn record(&mut self, _: &Record, _: &World) -> std::io::Result<()> {
        Ok(())
    }
}

fn edit<const N: usize>(mut controller: Controller<N>, now: &mut Instant, chance: &mut Chance, machine: &mut Machine) {
    let mut draft = Draft::begin(controller.settings());
    let _ = controller.handle(*now, Input::Unlock { who: Who::Panel, key: Key::Press });
    for _ in 0..12 {
        let from = state_of(&draft, &controller);
        let field = "a field is changed";
        let because = match chance.below(10) {
            0 => {
                draft.raw.purge = Millis(120_000 + 1_000 * u32::try_from(chance.below(2)).unwrap());
                field
            }
            1 => {
                draft.raw.backwash_every = u8::try_from(1 + chance.below(2)).unwrap();
                field
            }
            2 => {
                (draft.raw.tanks, draft.raw.arrangement) = (2, Arrangement::Parallel);
                field
            }
            3 => {
                draft.raw.hour_minute = 5_000;
                "a field is given what it cannot have"
            }
            4 => {
                draft = Draft::begin(controller.settings());
                "begun anew"
            }
            5 => {
                let mut other = Draft::begin(controller.settings());
                other.raw.stale_after = Millis(other.raw.stale_after.0 + 60_000);
                let _ = other.take(&mut controller, *now, Who::Serial);
                "somebody else's change is taken"
            }
            6 => {
                let _ = controller.handle(*now, Input::Relock { who: Who::Panel });
                continue;
            }
            _ => {
                match draft.take(&mut controller, *now, Who::Panel) {
                    Ok(()) => return machine.see(from, "taken", "offered"),
                    Err(NotTaken::Faulty(_)) => machine.see(from, from, "offered and refused: every fault is listed"),
                    Err(refused) => machine.see(from, from, format!("offered and refused: {refused}")),
                }
                continue;
            }
        };
        machine.see_change(from, state_of(&draft, &controller), [because.to_owned()]);
    }
}

fn state_of<const N: usize>(draft: &Draft, controller: &Controller<N>) -> &'static str {
    let is_faulty = Settings::try_from(draft.raw.clone()).is_err();
    match (draft.began_with(controller.settings()), draft.difference().is_empty(), is_faulty) {
        (false, ..) => "out of date",
        (_, true, _) => "as the settings that run",
        (_, _, true) => "changed, with faults",
        _ => "changed",
    }
}
