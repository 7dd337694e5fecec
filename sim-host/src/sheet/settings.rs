//! The settings with the reason for each, in the order in which a technician reads them.

use bedkeeper::calendar::Weekdays;
use bedkeeper::lock::LockRule;
use bedkeeper::program::StepKind;
use bedkeeper::settings::{
    Arrangement, ExhaustedInWindow, Medium, RawSettings, RawStep, RemoteRole, Reserve, Schedule, StartRule, StepEnd,
    WhenClockUnset,
};
use bedkeeper::units::{Flow, Hardness, Millis};

use crate::quantity::show;
use crate::report::words;
use crate::site::Site;
use crate::size::{Figure, Inputs, WhatIf, figures};

/// Settings that belong together.
#[derive(Debug)]
pub struct Group {
    /// What they are about.
    pub name: &'static str,
    /// The settings.
    pub rows: Vec<Row>,
}

/// One setting.
#[derive(Debug)]
pub struct Row {
    /// What it is called.
    pub name: String,
    /// Its value.
    pub value: String,
    /// Why it is there and, where something is published, what is usual.
    pub reason: String,
}

/// Every group of a site's settings.
pub fn groups(site: &Site) -> Vec<Group> {
    let teller = Teller::new(site);
    let groups = [
        ("The plant", teller.plant()),
        ("Water and bed", teller.water()),
        ("Meter", teller.meter()),
        ("When a regeneration begins", teller.starts()),
        ("Blackout windows and calendar", teller.calendar()),
        ("The steps of a regeneration", teller.program()),
        ("Salt and brine", teller.brine()),
        ("Watches", teller.watches()),
        ("Power cuts and locks", teller.power()),
    ];
    groups.into_iter().filter(|(_, rows)| !rows.is_empty()).map(|(name, rows)| Group { name, rows }).collect()
}

/// Puts a site's settings into words.
pub(super) struct Teller<'s> {
    site: &'s Site,
    raw: &'s RawSettings,
    figures: Vec<Figure>,
}

fn row(name: &str, value: impl ToString, reason: impl ToString) -> Row {
    Row { name: name.to_owned(), value: value.to_string(), reason: reason.to_string() }
}

fn yes_no(yes: bool) -> &'static str {
    if yes { "yes" } else { "no" }
}

pub(super) fn time(length: Millis) -> String {
    match length.0 {
        ms @ 1..1_000 => format!("{ms} ms"),
        ms => show::duration(u64::from(ms)),
    }
}

impl<'s> Teller<'s> {
    pub(super) fn new(site: &'s Site) -> Self {
        // A filter has no figures of this kind.
        let figures = Inputs::of(site, &WhatIf::default()).map(|inputs| figures(&inputs)).unwrap_or_default();
        Self { site, raw: &site.raw, figures }
    }

    fn flow(&self, flow: Flow) -> String {
        show::flow(u64::from(flow.0), self.site.units).to_string()
    }

    fn volume(&self, nl: u64) -> String {
        show::volume(nl, self.site.units).to_string()
    }

    /// A figure's published limits with their source, as a sentence to go behind a reason; empty if it has none.
    fn limits(&self, id: &str) -> String {
        let Some(figure) = self.figures.iter().find(|figure| figure.id == id) else { return String::new() };
        let (value, unit) = crate::size::shown(figure.value, figure.unit, self.site.units);
        let limits = crate::size::judged(figure, self.site.units);
        if limits.is_empty() {
            return String::new();
        }
        format!(
            " {}: {} {unit}, {limits} ({}).",
            words::sentence(figure.name),
            crate::size::digits(value),
            figure.source
        )
    }

    fn plant(&self) -> Vec<Row> {
        let raw = self.raw;
        let (value, reason) = match raw.arrangement {
            Arrangement::Single => ("single", "One tank. While it regenerates untreated water passes."),
            Arrangement::Alternating => {
                ("alternating", "One tank serves, the other is ready or regenerates: soft water at all hours.")
            }
            Arrangement::Parallel => {
                ("parallel", "All tanks serve and share the flow; they regenerate one after the other.")
            }
            Arrangement::Staged => ("staged", "One tank serves always, and further ones join as the flow rises."),
        };
        let mut rows = vec![row(
            "arrangement",
            format!("{value}, {}", words::counted(usize::from(raw.tanks), "tank", "tanks")),
            reason,
        )];
        if raw.arrangement == Arrangement::Single {
            return rows;
        }
        rows.push(row(
            "regenerating together",
            raw.max_regenerating,
            "At most so many: the others carry the building meanwhile, and drain and brine are shared.",
        ));
        rows.push(row("discharging together", raw.sharing.draining_together, "As many as the drain can take."));
        rows.push(row(
            "may the last tank leave service",
            yes_no(raw.allow_untreated),
            "If not, hard water passes only where every tank is out.",
        ));
        if raw.sharing.tank_flow.0 > 0 {
            rows.push(row(
                "flow that one tank carries",
                self.flow(raw.sharing.tank_flow),
                "A serving tank leaves only if the others carry the present flow.",
            ));
        }
        for (i, flow) in raw.sharing.join_above.iter().enumerate() {
            let reason = format!(
                "Above it for {} the tank joins; below it by {} it leaves again.",
                time(raw.sharing.join_dwell),
                self.flow(raw.sharing.join_hysteresis)
            );
            rows.push(row(&format!("tank {} joins above", i + 2), self.flow(*flow), reason));
        }
        let stale = format!("A bed that stood so long is flushed to drain for {} before it serves.", time(raw.purge));
        rows.push(row("a ready tank is stale after", time(raw.stale_after), stale));
        rows
    }

    fn water(&self) -> Vec<Row> {
        let units = self.site.units;
        let mut rows = Vec::new();
        match self.raw.medium {
            Medium::Softener { hardness, capacity, total } => {
                let reason =
                    "Of the feed, as CaCO3. It tells how much of the bed each litre takes up: test it and correct it.";
                rows.push(row("hardness", show::hardness(u64::from(hardness.0), units), reason));
                if let Some(resin) = self.site.resin {
                    let reason = format!("Settled resin in each tank.{}", self.limits("service_flow_per_volume"));
                    rows.push(row("resin", show::resin_volume(resin.volume.nl(), units), reason));
                }
                let lasts = self.volume(super::week::tank_volume(self.site).nl());
                let reason = format!(
                    "What one regeneration restores in each tank: {lasts} of this water.{}",
                    self.limits("capacity_per_volume")
                );
                rows.push(row("capacity", show::exchange(capacity.0, units), reason));
                rows.push(row(
                    "most that the resin holds",
                    show::exchange(total.0, units),
                    "Water past it leaves as hard as it came.",
                ));
            }
            Medium::Filter { capacity } => {
                rows.push(row(
                    "capacity",
                    self.volume(capacity.nl()),
                    "Water that one tank filters between two backwashes.",
                ));
            }
        }
        self.derating(&mut rows);
        let bypass = self.raw.sharing.bypass_per_mille;
        if bypass > 0 {
            let value = format!("{}.{} %", bypass / 10, bypass % 10);
            rows.push(row(
                "blending bypass",
                value,
                format!(
                    "So much of the metered water passes untreated on purpose.{}",
                    self.limits("blend_treated_share")
                ),
            ));
        }
        rows
    }

    /// What lessens the capacity, and what loads the bed besides hardness.
    fn derating(&self, rows: &mut Vec<Row>) {
        let (derating, metals) = (&self.raw.derating, &self.raw.metals);
        let hardness = |h: Hardness| show::hardness(u64::from(h.0), self.site.units).to_string();
        let percent = |per_mille: u16| format!("{}.{} %", per_mille / 10, per_mille % 10);
        for (name, ug_per_l, counts_as) in [
            ("iron", metals.iron_ug_per_l, metals.iron_counts_as),
            ("manganese", metals.manganese_ug_per_l, metals.manganese_counts_as),
        ] {
            if ug_per_l > 0 {
                let value = format!("{} mg/L", f64::from(ug_per_l) / 1e3);
                let reason = format!("It loads the bed too: each mg/L counts as {}.", hardness(counts_as));
                rows.push(row(name, value, reason));
            }
        }
        if derating.per_year_per_mille > 0 {
            let reason = "Resin ages; UFC 3-240-13FN (2-2.5.1.2) tells of about 5 % a year.";
            rows.push(row("capacity lost in a year", percent(derating.per_year_per_mille), reason));
        }
        if matches!(self.raw.medium, Medium::Softener { .. }) && derating.failed_test_per_mille > 0 {
            let reason = format!(
                "Taken off for a hardness test that shows more than {} while some should be left; never below {} of the set one.",
                hardness(derating.test_limit),
                percent(derating.least_per_mille)
            );
            rows.push(row("capacity after a failed test", percent(derating.failed_test_per_mille), reason));
        }
    }

    fn meter(&self) -> Vec<Row> {
        let meter = &self.raw.meter;
        let pulse = if meter.pulse_divisor <= 1 {
            self.volume(meter.pulse_nl)
        } else {
            format!("{} / {}", self.volume(meter.pulse_nl), meter.pulse_divisor)
        };
        let mut rows = vec![
            row(
                "one pulse",
                pulse,
                "From the meter's plate or a caught volume. Everything that is counted rests on it.",
            ),
            row(
                "rated flow",
                self.flow(meter.rated_max),
                "From the meter's plate. More is counted and raises excess-flow.",
            ),
            row(
                "shortest closure and opening",
                format!("{} and {}", time(meter.min_closed), time(meter.min_open)),
                "From the meter's data. What is shorter is contact bounce and not counted.",
            ),
            row(
                "noisy above",
                format!("{}.{} %", meter.noisy_per_mille / 10, meter.noisy_per_mille % 10),
                "So many bounces in an hour raise meter-noisy.",
            ),
        ];
        if meter.measures_steps {
            rows.push(row(
                "the meter sees the water of steps",
                "yes",
                "Steps can end by volume, and nothing else passes it meanwhile.",
            ));
        }
        rows
    }

    fn starts(&self) -> Vec<Row> {
        let raw = self.raw;
        let (value, reason) = match raw.start {
            StartRule::Immediate => ("immediately", "As soon as a tank asks and nothing holds it."),
            StartRule::AtHour => ("at the hour", "Less than 4 % of indoor use falls between 02 and 05 h (Mayer 1999)."),
        };
        let hour = show::clock(u32::from(raw.hour_minute) * 60_000);
        let mut rows = vec![
            row("a regeneration begins", value, reason),
            row(
                "the hour",
                format!("{hour}, for {}", time(raw.hour_grace)),
                "Also for backup days and schedules; an hour that was missed by more is journalled and left out.",
            ),
        ];
        if raw.start == StartRule::AtHour {
            rows.push(row(
                "exhausted begins at once",
                yes_no(raw.exhausted_at_once),
                "Whether a tank with nothing left waits for the hour.",
            ));
        }
        rows.push(self.reserve());
        if raw.start_flow_limit.0 > 0 {
            rows.push(row(
                "no start above",
                self.flow(raw.start_flow_limit),
                format!(
                    "For at most {}, so that a tank does not leave while much is drawn.",
                    time(raw.flow_wait_limit)
                ),
            ));
        }
        if raw.discharge_limit.nl() > 0 {
            rows.push(row(
                "water to drain a day",
                self.volume(raw.discharge_limit.nl()),
                "What the drain or its owner allows. No start once it is used up.",
            ));
        }
        rows.push(row("overdue after", time(raw.overdue_after), "A tank that asked so long ago raises overdue."));
        match raw.remote {
            RemoteRole::Off => {}
            RemoteRole::Now | RemoteRole::AtHour => {
                let value =
                    if raw.remote == RemoteRole::Now { "asks for a start now" } else { "asks for a start at the hour" };
                rows.push(row(
                    "remote contact",
                    value,
                    format!("Once it has been closed for {}.", time(raw.remote_minimum)),
                ));
            }
            RemoteRole::HoldOff => rows.push(row(
                "remote contact",
                "holds off",
                format!("Closed, nothing starts. Closed for {} it raises contact-stuck.", time(raw.hold_off_limit)),
            )),
        }
        rows.push(row(
            "contacts are steady after",
            time(raw.contact_debounce),
            "A contact that chatters is not believed.",
        ));
        rows
    }

    fn reserve(&self) -> Row {
        let why = match self.raw.start {
            StartRule::AtHour => "Water for the time until the hour: about a day's use (common practice).",
            StartRule::Immediate => "Water for the change over and a flush: none or little (common practice).",
        };
        match self.raw.reserve {
            Reserve::None => row("reserve", "none", why),
            Reserve::Fixed(volume) => row("reserve", self.volume(volume.nl()), why),
            Reserve::Share(per_mille) => {
                row("reserve", format!("{}.{} % of capacity", per_mille / 10, per_mille % 10), why)
            }
            Reserve::Learned(learned) => row(
                "reserve",
                format!(
                    "learned by the weekday, with {} mean deviations; {} to {} % of capacity, {} % until seven days are known",
                    learned.deviations,
                    learned.floor_per_mille / 10,
                    learned.ceiling_per_mille / 10,
                    learned.until_known_per_mille / 10
                ),
                why,
            ),
        }
    }

    fn calendar(&self) -> Vec<Row> {
        let raw = self.raw;
        let backup = match raw.backup_days {
            0 => row(
                "backup day",
                "off",
                "A bed that is little used stagnates; 3 to 7 days are usual (common practice).",
            ),
            days => row(
                "backup day",
                format!("{days} days, {} while people are away", raw.absence_backup_days.max(days)),
                "A bed that stood so long regenerates whatever has passed: against stagnation (common practice).",
            ),
        };
        let mut rows = vec![backup];
        match raw.schedule {
            Schedule::Off => {}
            Schedule::On(days) => {
                rows.push(row("schedule", weekdays(days), "On these days at the hour, whatever was used."))
            }
            Schedule::EveryDays(n) => {
                rows.push(row("schedule", format!("every {n} days"), "At the hour, whatever was used."))
            }
        }
        for window in &raw.windows {
            let clock = |minute: u16| show::clock(u32::from(minute) * 60_000);
            let value =
                format!("{} {} to {}", weekdays(window.days), clock(window.from_minute), clock(window.to_minute));
            rows.push(row(
                "blackout window",
                value,
                "Nothing starts in it: noise, drain or water would disturb. One that runs is never cut short.",
            ));
        }
        if !raw.windows.is_empty() {
            rows.push(row(
                "end before a window",
                yes_no(raw.finish_before_window),
                "Whether a start that would run into a window waits as well.",
            ));
            let exhausted = match raw.exhausted_in_window {
                ExhaustedInWindow::Wait => "waits",
                ExhaustedInWindow::Override => "regenerates all the same",
            };
            rows.push(row(
                "a tank exhausted in a window",
                exhausted,
                "Waiting, it serves on past its capacity and raises overrun.",
            ));
            rows.push(row(
                "change over in a window",
                yes_no(raw.changeover_in_window),
                "Whether a ready tank takes over there; the spent one waits.",
            ));
            let unset = match raw.when_clock_unset {
                WhenClockUnset::IgnoreWindows => "windows rest",
                WhenClockUnset::HoldAll => "nothing starts",
            };
            rows.push(row("while the clock is not set", unset, "Windows mean nothing without the time."));
        }
        rows
    }

    fn program(&self) -> Vec<Row> {
        let mut rows: Vec<_> =
            self.raw.program.iter().filter(|step| step.length.0 > 0).map(|step| self.step(step)).collect();
        if self.raw.backwash_every > 1 {
            let every = format!("every {} regenerations", self.raw.backwash_every);
            rows.push(row("backwash", every, "A bed that is regenerated upward stays sharper without it."));
        }
        if self.raw.dose_after_backwash_percent != 100 {
            rows.push(row(
                "dose after a backwash",
                format!("{} %", self.raw.dose_after_backwash_percent),
                "A backwash mixes the bed, so that it takes more salt.",
            ));
        }
        let longest = time(self.site.settings.longest_regeneration());
        rows.push(row(
            "longest regeneration",
            longest,
            "Every step at its longest and every move of the valve at its limit.",
        ));
        rows
    }

    fn step(&self, step: &RawStep) -> Row {
        let end = match step.end {
            StepEnd::Time => time(step.length),
            StepEnd::Volume { volume, longest } => {
                format!("until {}, at the longest {}", self.volume(volume.nl()), time(longest))
            }
            StepEnd::Contact { longest } => format!("until its contact closes, at the longest {}", time(longest)),
        };
        let drain = if step.drain.0 > 0 { format!(", {} to drain", self.flow(step.drain)) } else { String::new() };
        let (why, limits) = match step.kind {
            StepKind::Backwash => ("Loosens the bed and carries dirt off.", self.limits("backwash_flow")),
            StepKind::BrineDraw => ("Brine restores the bed.", self.limits("brine_draw_time")),
            StepKind::SlowRinse => ("Pushes the brine through the bed.", self.limits("slow_rinse_volume")),
            StepKind::FastRinse => ("Carries the last brine out.", self.limits("fast_rinse_volume")),
            StepKind::BrineRefill => ("Makes the brine of the next dose; from here on it ripens.", String::new()),
            StepKind::Settle => ("The bed settles before brine comes from below.", String::new()),
            StepKind::BrineWait => ("Salt dissolves before the brine is drawn.", String::new()),
            StepKind::ServiceRinse => ("A last rinse to drain before water goes to the building.", String::new()),
        };
        row(&words::words(step.kind.slug()), format!("{end}{drain}"), format!("{why}{limits}"))
    }

    fn brine(&self) -> Vec<Row> {
        let raw = self.raw;
        let Some(resin) = self.site.resin else { return Vec::new() };
        let units = self.site.units;
        let brine = &raw.brine;
        let mut rows = vec![
            row(
                "salt of a regeneration",
                show::mass(u64::from(raw.salt.0), units),
                format!("In each tank.{}{}", self.limits("salt_dose"), self.limits("salt_efficiency")),
            ),
            row(
                "salt taken up by refill water",
                show::salt_per_water(resin.salt_per_water_mg_per_l, units),
                "Practice: 3 lb a gallon.",
            ),
        ];
        if brine.refill_flow.0 > 0 {
            rows.push(row(
                "refill flow",
                self.flow(brine.refill_flow),
                "Measured; the length of the refill follows from it.",
            ));
        }
        let ready = if brine.ready_by_contact {
            "when its contact closes".to_owned()
        } else {
            format!("{} after a refill", time(raw.brine_ready_after))
        };
        rows.push(row("brine is ready", ready, "Salt takes up to 3 h to saturate the water (trade article, 2004)."));
        rows.push(row(
            "refill between two regenerations",
            format!("at most {} % of the largest dose", brine.refill_cap_percent),
            "So that repeated refills after power cuts cannot overflow the brine tank.",
        ));
        if brine.store_doses > 0 {
            rows.push(row(
                "salt store",
                format!("{} doses; {} left raise salt-low", brine.store_doses, brine.low_doses),
                "Counted down with each dose: tell the controller when salt is filled up.",
            ));
        }
        if brine.proportional.on {
            let value = format!(
                "at least {} %, every {}th is whole",
                brine.proportional.floor_percent, brine.proportional.full_every
            );
            rows.push(row("dose follows use", value, "A dose for what was spent, so that no salt is wasted."));
        }
        rows
    }

    fn watches(&self) -> Vec<Row> {
        let watch = &self.raw.watch;
        let or_off = |length: Millis| if length.0 == 0 { "off".to_owned() } else { time(length) };
        let mut rows = vec![
            row("small flow", self.flow(watch.small_flow), "Less is no flow to speak of."),
            row(
                "unbroken flow after",
                or_off(watch.unbroken_after),
                format!(
                    "More than the small flow for so long without a pause of {}: a leak, or a tap left open.",
                    time(watch.unbroken_pause)
                ),
            ),
            row(
                "meter silent after",
                or_off(watch.silent_after),
                "No pulse for so long while a tank serves: the meter, its cable, or nobody there.",
            ),
        ];
        let due = [
            (watch.service_volume.nl() > 0).then(|| self.volume(watch.service_volume.nl())),
            (watch.service_regenerations > 0).then(|| format!("{} regenerations", watch.service_regenerations)),
            (watch.service_days > 0).then(|| format!("{} days", watch.service_days)),
        ];
        let due: Vec<_> = due.into_iter().flatten().collect();
        if !due.is_empty() {
            rows.push(row("maintenance is due after", due.join(", or "), "Then service-due reminds of it."));
        }
        rows
    }

    fn power(&self) -> Vec<Row> {
        let (power, locks) = (&self.raw.power, &self.raw.locks);
        let lock = |rule: LockRule| match rule {
            LockRule::Open => "open",
            LockRule::Press => "a deliberate press",
            // The code itself does not belong on a paper that lies beside the plant.
            LockRule::Code(_) => "a code",
        };
        let saved = self.volume(self.site.settings.retain_volume().nl());
        vec![
            row(
                "a step goes on after a cut of",
                time(power.resume_within),
                "With the time it had left. After a longer cut it begins again.",
            ),
            row(
                "begins again at most",
                format!("{} times", power.max_restarts),
                "Then the tank is left unproven, and an alarm says so.",
            ),
            row("saved every", saved, "The most metered water that one power cut can lose."),
            row("before changes at the panel", lock(locks.panel), "Looking is always free."),
            row("before changes on the serial line", lock(locks.serial), "Looking is always free."),
            row("locks again after", time(locks.relock_after), "When nothing is asked for so long."),
        ]
    }
}

/// Weekdays in words.
fn weekdays(days: Weekdays) -> String {
    const NAMES: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
    if days == Weekdays::ALL_DAYS {
        return "daily".to_owned();
    }
    let named: Vec<_> =
        (0u8..).zip(NAMES).filter(|(number, _)| days.has_number(*number)).map(|(_, name)| name).collect();
    named.join(", ")
}
