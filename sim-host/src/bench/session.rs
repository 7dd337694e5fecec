//! A plant under way that can be stepped, put back, and written down.

use std::fmt::Write as _;

use bedkeeper::contact::Contact;
use bedkeeper::journal::Record;
use bedkeeper::units::TankId;
use jiff::civil::DateTime;

use crate::demand::Draw;
use crate::evidence::Violation;
use crate::plant::Fault;
use crate::process::{Design, ProcessError};
use crate::replay::{Checker, ReplayError, World};
use crate::scenario::{
    Days, Deed, Event, Gauges, Rehearsal, Scenario, State, Tap, Timeline, Water, When, event_section, flow_section,
};
use crate::site::Site;

/// What the session begins with.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The plant, its water and what happens by itself.
    pub scenario: Scenario,
    /// The scenario's file as text, if it came from one; what is done at the bench is added to it.
    pub text: Option<String>,
    /// Where the site comes from, as a scenario file would name it.
    pub site: String,
    /// Where the recording comes from, if one draws the water.
    pub recording: Option<String>,
}

const DAY_MS: u64 = 86_400_000;
/// How much faster than the clock on the wall time may pass.
pub const SPEEDS: [u64; 7] = [1, 10, 60, 300, 1_000, 3_600, 10_000];
/// A short way on or back in time.
pub const SHORT_JUMP_MS: u64 = 10 * 60_000;
/// A long one.
pub const LONG_JUMP_MS: u64 = DAY_MS;
/// A step to the next record ends here at the latest.
pub const LONGEST_STEP_MS: u64 = 7 * DAY_MS;
/// Said where time can go no further.
pub const THE_END: &str = "this is the end of the scenario";
/// A plan without a scenario goes on for so long.
const LONGEST_MS: u64 = 20 * 366 * DAY_MS;

impl Plan {
    /// A site with nothing planned; `name` says where it comes from, as a scenario file would, and so does `recording`
    /// if one draws the water.
    ///
    /// # Errors
    /// All of the plant is to be modelled (`full`), and the site does not say enough for that.
    pub fn of_site(
        site: Site,
        name: &str,
        start: DateTime,
        full: bool,
        water: Water,
        recording: Option<String>,
    ) -> Result<Self, ProcessError> {
        let design = full.then(|| Design::of_site(&site)).transpose()?;
        let scenario = Scenario {
            file: name.to_owned(),
            title: site.name.clone(),
            about: String::new(),
            site,
            design: design.map(Box::new),
            start: Some(start),
            lasts_ms: LONGEST_MS,
            water,
            events: Vec::new(),
            expectations: Vec::new(),
        };
        Ok(Self { scenario, text: None, site: name.to_owned(), recording })
    }
}

/// Why the plant could not go on.
#[derive(Debug, thiserror::Error)]
#[error(transparent)]
pub struct SessionError(#[from] ReplayError);

/// A plant under way.
pub struct Session {
    plan: Plan,
    /// What was done here, in order of time.
    deeds: Vec<(u64, Deed)>,
    /// Water drawn by hand; the last one may still run, and ends at `u64::MAX` then.
    flows: Vec<Draw>,
    /// Absent only after the plant could not go on.
    rehearsal: Option<Rehearsal>,
    tap: Tap,
    checker: Checker,
    now_ms: u64,
}

/// The plan's plant before power-up, with what was done and drawn by hand still to come; who looks on, and who checks.
fn begin(plan: &Plan, deeds: &[(u64, Deed)], flows: &[Draw]) -> Result<(Rehearsal, Tap, Checker), SessionError> {
    let mut scenario = plan.scenario.clone();
    scenario.events.extend(deeds.iter().map(|(at_ms, deed)| Event {
        when: When::At(*at_ms),
        deed: deed.clone(),
        line: 0,
    }));
    if let Water::Flows(drawn) = &mut scenario.water {
        drawn.extend(flows.iter().copied());
        drawn.sort_by_key(|draw| draw.from_ms);
    }
    let tap = Tap::default();
    // Power may be cut at any time here.
    let rehearsal = Rehearsal::begin(&scenario, &tap, Gauges::new(std::iter::empty()), true)?;
    Ok((rehearsal, tap, scenario.checker()))
}

impl Session {
    /// A plant, powered up.
    ///
    /// # Errors
    /// The recording cannot be read, or the plant cannot be filled.
    pub fn new(mut plan: Plan) -> Result<Self, SessionError> {
        // What draws no water by itself can be drawn from by hand.
        if plan.scenario.water == Water::None {
            plan.scenario.water = Water::Flows(Vec::new());
        }
        let (rehearsal, tap, checker) = begin(&plan, &[], &[])?;
        let (deeds, flows) = (Vec::new(), Vec::new());
        let mut session = Self { plan, deeds, flows, rehearsal: Some(rehearsal), tap, checker, now_ms: 0 };
        session.advance(0)?;
        Ok(session)
    }

    /// Runs everything from the start to a moment.
    fn begin_again(&mut self, to_ms: u64) -> Result<(), SessionError> {
        let (rehearsal, tap, checker) = begin(&self.plan, &self.deeds, &self.flows)?;
        (self.rehearsal, self.tap, self.checker, self.now_ms) = (Some(rehearsal), tap, checker, 0);
        self.advance(to_ms)
    }

    /// Now, ms since the start.
    #[must_use]
    pub fn now_ms(&self) -> u64 {
        self.now_ms
    }

    /// The last moment that the session can come to.
    #[must_use]
    pub fn end_ms(&self) -> u64 {
        self.plan.scenario.lasts_ms
    }

    /// The date and time that a clock which nobody touched would show, to the second; none without a start.
    #[must_use]
    pub fn true_time(&self) -> Option<DateTime> {
        let since = i64::try_from(self.now_ms / 1_000).ok()?;
        self.plan.scenario.start?.checked_add(jiff::SignedDuration::from_secs(since)).ok()
    }

    /// The calendar of its moments.
    #[must_use]
    pub fn days(&self) -> Days {
        Days::of(self.plan.scenario.start)
    }

    /// What it began with.
    #[must_use]
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// The plant; none after it could not go on, until it is put back.
    #[must_use]
    pub fn world(&self) -> Option<&World> {
        self.rehearsal.as_ref().map(Rehearsal::world)
    }

    /// Goes on to a moment, at most to the end.
    ///
    /// # Errors
    /// The plant's physics or the recording stopped it; it can be put back.
    pub fn advance(&mut self, to_ms: u64) -> Result<(), SessionError> {
        self.go(to_ms.min(self.end_ms()), || true)
    }

    /// Goes on until the logic writes something, at most for [`LONGEST_STEP_MS`]; what there is to say of it, if
    /// anything.
    ///
    /// # Errors
    /// As [`Session::advance`].
    pub fn next_record(&mut self) -> Result<&'static str, SessionError> {
        let tap = self.tap.clone();
        let before = self.records();
        let latest_ms = self.now_ms.saturating_add(LONGEST_STEP_MS).min(self.end_ms());
        self.go(latest_ms, || tap.look(|timeline| timeline.records.len()) == before)?;
        Ok(match (self.rehearsal.is_none(), self.records() > before) {
            (true, _) => "the plant has stopped: go back to a moment before",
            (_, true) => "",
            _ if latest_ms == self.end_ms() => THE_END,
            _ => "nothing happened for seven days",
        })
    }

    fn go(&mut self, to_ms: u64, go_on: impl Fn() -> bool) -> Result<(), SessionError> {
        let Some(rehearsal) = self.rehearsal.take() else { return Ok(()) };
        let rehearsal = rehearsal.advance(to_ms, vec![&mut self.tap, &mut self.checker], go_on)?;
        self.now_ms = rehearsal.world().now_ms;
        self.rehearsal = Some(rehearsal);
        Ok(())
    }

    /// Puts everything back, or on, to a moment. What was done from it on is forgotten.
    ///
    /// # Errors
    /// As [`Session::advance`].
    pub fn jump(&mut self, to_ms: u64) -> Result<(), SessionError> {
        if to_ms >= self.now_ms && self.rehearsal.is_some() {
            return self.advance(to_ms);
        }
        self.deeds.retain(|(at_ms, _)| *at_ms < to_ms);
        self.flows.retain(|draw| draw.from_ms < to_ms);
        for draw in self.flows.iter_mut().filter(|draw| draw.to_ms >= to_ms) {
            draw.to_ms = u64::MAX;
        }
        self.begin_again(to_ms)
    }

    /// Something happens now.
    ///
    /// # Errors
    /// As [`Session::advance`].
    pub fn happen(&mut self, deed: Deed) -> Result<(), SessionError> {
        let Some(rehearsal) = &mut self.rehearsal else { return Ok(()) };
        // Nobody hears it, and a scenario that says so would miss it.
        if deed.is_asked() && rehearsal.world().supply.is_dark() {
            return Ok(());
        }
        rehearsal.add(self.now_ms, &deed);
        // A power cut is seen once time has passed.
        let to_ms = self.now_ms.saturating_add(u64::from(matches!(deed, Deed::Power { .. })));
        self.deeds.push((self.now_ms, deed));
        self.advance(to_ms)
    }

    /// Whether water can be drawn by hand: where no recording draws it.
    #[must_use]
    pub fn draws_by_hand(&self) -> bool {
        matches!(self.plan.scenario.water, Water::Flows(_))
    }

    /// What is drawn by hand now, mL/min.
    #[must_use]
    pub fn drawn_ml_min(&self) -> u32 {
        self.flows.last().filter(|draw| draw.to_ms == u64::MAX).map_or(0, |draw| draw.ml_per_min)
    }

    /// What the building draws now, by hand and by the scenario, mL/min; `None` where a recording draws it.
    #[must_use]
    pub fn building_draws(&self) -> Option<u32> {
        let Water::Flows(planned) = &self.plan.scenario.water else { return None };
        let now =
            planned.iter().chain(&self.flows).filter(|draw| draw.from_ms <= self.now_ms && self.now_ms < draw.to_ms);
        Some(now.map(|draw| draw.ml_per_min).fold(0, u32::saturating_add))
    }

    /// The building draws this much by hand from now on.
    pub fn draw(&mut self, ml_per_min: u32) {
        let Some(rehearsal) = self.rehearsal.as_mut().filter(|_| matches!(self.plan.scenario.water, Water::Flows(_)))
        else {
            return;
        };
        rehearsal.draw_by_hand(ml_per_min);
        if let Some(running) = self.flows.last_mut().filter(|draw| draw.to_ms == u64::MAX) {
            running.to_ms = self.now_ms;
        }
        self.flows.retain(|draw| draw.from_ms < draw.to_ms);
        if ml_per_min > 0 {
            self.flows.push(Draw { from_ms: self.now_ms, to_ms: u64::MAX, ml_per_min, meter: None });
        }
    }

    /// Whether a contact is closed, by what was said of it.
    #[must_use]
    pub fn is_closed(&self, wanted: Contact) -> bool {
        let said = self.plan.scenario.events.iter().filter_map(|event| match event.when {
            When::At(at_ms) if at_ms <= self.now_ms => Some((at_ms, &event.deed)),
            _ => None,
        });
        let done = self.deeds.iter().map(|(at_ms, deed)| (*at_ms, deed));
        let mut last = (0, false);
        for (at_ms, deed) in said.chain(done) {
            if let Deed::Contact { contact, closed, lasts_ms } = deed
                && *contact == wanted
                && at_ms >= last.0
            {
                let over = lasts_ms.is_some_and(|lasts| at_ms.saturating_add(lasts) <= self.now_ms);
                last = (at_ms, *closed != over);
            }
        }
        last.1
    }

    /// The faults of a tank's valve that stand.
    #[must_use]
    pub fn faults(&self, tank: TankId) -> Vec<Fault> {
        self.world().and_then(|world| world.valves().get(tank.index())).map_or_else(Vec::new, |v| v.faults().to_vec())
    }

    /// The last state seen.
    #[must_use]
    pub fn state(&self) -> Option<State> {
        self.tap.look(|timeline| timeline.states.last().map(|(_, state)| state.clone()))
    }

    /// How many records there are.
    #[must_use]
    pub fn records(&self) -> usize {
        self.tap.look(|timeline| timeline.records.len())
    }

    /// The last records, the newest last.
    #[must_use]
    pub fn last_records(&self, count: usize) -> Vec<Record> {
        self.tap.look(|timeline| {
            let from = timeline.records.len().saturating_sub(count);
            timeline.records.get(from..).unwrap_or_default().to_vec()
        })
    }

    /// What the independent checker has seen broken.
    #[must_use]
    pub fn violations(&self) -> &[Violation] {
        self.checker.violations()
    }

    /// All that was done and what stood at the end, as a scenario that `verify` runs.
    #[must_use]
    pub fn scenario(&self) -> String {
        let end_ms = self.now_ms.max(1);
        let mut text = String::new();
        // Writing to a string cannot fail.
        match &self.plan.text {
            Some(scenario) => {
                let _ = write!(text, "{}\n# What follows was done at the bench.\n", scenario.trim_end());
            }
            None => {
                let _ = writeln!(text, "scenario = \"Recorded at the bench\"");
                if let Some(start) = self.plan.scenario.start {
                    let _ = writeln!(text, "starts = \"{start}\"");
                }
                let _ = writeln!(text, "lasts = \"{end_ms} ms\"\nsite = {:?}", self.plan.site);
                if self.plan.scenario.design.is_some() {
                    let _ = writeln!(text, "plant = \"full\"");
                }
                if let Some(recording) = &self.plan.recording {
                    let _ = writeln!(text, "recording = {recording:?}");
                }
            }
        }
        for draw in &self.flows {
            let _ = write!(text, "\n{}", flow_section(draw, end_ms));
        }
        for (at_ms, deed) in &self.deeds {
            let _ = write!(text, "\n{}", event_section(*at_ms, deed));
        }
        if let Some(state) = self.state() {
            let duties: Vec<_> = state.tanks.iter().map(|tank| format!("\"{}\"", tank.duty)).collect();
            let alarms: Vec<_> = state.alarms.iter().map(|alarm| format!("\"{alarm}\"")).collect();
            let _ = write!(text, "\n# As it stood when it was saved.\n[[expect]]\nat = \"+{end_ms} ms\"\n");
            let _ = write!(text, "duties = [{}]\n\n", duties.join(", "));
            let _ = write!(text, "[[expect]]\nat = \"+{end_ms} ms\"\nalarms = [{}]\n", alarms.join(", "));
        }
        text
    }

    /// When a record came, as people write it.
    #[must_use]
    pub fn moment_of(&self, record: &Record) -> String {
        self.days().show(Timeline::at_ms(record))
    }
}
