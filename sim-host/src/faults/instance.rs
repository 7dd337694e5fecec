//! What a row of the table comes to at a site: each switch, position and valve in turn, read as scenarios are read.

use std::path::Path;

use bedkeeper::program::Position;
use bedkeeper::settings::{CamFeedback, RawDrive, RawSettings};
use bedkeeper::units::TankId;

use super::stage::Stage;
use super::table::Row;
use crate::plant::WhichValve;
use crate::scenario::{self, Deed, When};

/// A fault that happens at a site.
#[derive(Clone, Debug, PartialEq)]
pub struct Instance {
    /// Which switch, position and tank.
    pub label: String,
    /// Whose valve, where the row is about one's.
    pub tank: Option<TankId>,
    /// The position that it is about.
    pub position: Option<Position>,
    /// What happens, so many ms after its moment.
    pub deeds: Vec<(u64, Deed)>,
}

impl Instance {
    /// The valve that it is about.
    #[must_use]
    pub fn valve(&self) -> WhichValve {
        self.tank.map_or(WhichValve::Shared, WhichValve::Tank)
    }
}

/// Everything that a row comes to at a site; else why it can have none of it.
///
/// # Errors
/// The site, or its valves, cannot have it.
pub fn instances(row: &Row, stage: &Stage) -> Result<Vec<Instance>, String> {
    let raw = stage.site.settings.raw();
    if let Some(misses) = row.misses(raw) {
        return Err(misses.to_owned());
    }
    let names_tank =
        row.event.iter().any(|event| event.contains("{tank}")) || row.water == Some(super::table::WaterFault::Passes);
    let tanks: Vec<Option<TankId>> =
        if names_tank { (0..raw.tanks.min(2)).map(|tank| Some(TankId(tank))).collect() } else { vec![None] };
    let mut instances = Vec::new();
    let mut refused = None;
    for (what, position) in places(row, raw) {
        for tank in &tanks {
            let mut label: Vec<String> = what.iter().map(|(key, value)| format!("{key} {value}")).collect();
            label.extend(tank.map(|tank| format!("tank {}", tank.number())));
            match read(row, stage, &what, *tank) {
                Ok(deeds) => instances.push(Instance { label: label.join(", "), tank: *tank, position, deeds }),
                Err(why) => refused = Some(why),
            }
        }
    }
    match (instances.is_empty(), refused) {
        (true, Some(why)) => Err(why),
        _ => Ok(instances),
    }
}

type Chosen = Option<(&'static str, String)>;

/// What stands for `{switch}` and the like, each in turn, with the position that it is about.
fn places(row: &Row, raw: &RawSettings) -> Vec<(Chosen, Option<Position>)> {
    let has = |key: &str| row.event.iter().any(|event| event.contains(key));
    let positions = positions(&raw.drive);
    let switches: Vec<Option<Position>> = match &raw.drive {
        RawDrive::CamSwitch { feedback: CamFeedback::SwitchPerPosition, .. } | RawDrive::TwoPosition { .. } => {
            positions.iter().copied().map(Some).collect()
        }
        _ => vec![None; 2],
    };
    let numbered = |n: usize| (n + 1).to_string();
    if has("{switch}") {
        return switches.iter().enumerate().map(|(i, at)| (Some(("switch", numbered(i))), *at)).collect();
    }
    if has("{position}") {
        return positions.iter().map(|at| (Some(("position", at.slug().to_owned())), Some(*at))).collect();
    }
    if has("{pair}") {
        let pairs = (0..switches.len()).flat_map(|a| (a + 1..switches.len()).map(move |b| (a, b)));
        return pairs.map(|(a, b)| (Some(("pair", format!("{}-{}", numbered(a), numbered(b)))), None)).collect();
    }
    if has("{pilot}") {
        // A pilot that fails is amiss in the positions that want it otherwise.
        let wanted_on = has("pilot-stuck-off");
        let RawDrive::PilotArray { positions, .. } = &raw.drive else { return Vec::new() };
        let amiss = |pilot: usize| {
            let sees = move |(_, pattern): &&(Position, u8)| (pattern & (1 << pilot) != 0) == wanted_on;
            positions.iter().filter(sees).map(move |(at, _)| (Some(("pilot", numbered(pilot))), Some(*at)))
        };
        let used = positions.iter().fold(0, |used, (_, pattern)| used | pattern);
        return (0..8).filter(|pilot| used & (1 << pilot) != 0).flat_map(amiss).collect();
    }
    vec![(None, None)]
}

fn positions(drive: &RawDrive) -> Vec<Position> {
    match drive {
        RawDrive::CamSwitch { positions, .. } => positions.to_vec(),
        RawDrive::CamIndex { positions, .. } | RawDrive::PilotArray { positions, .. } => {
            positions.iter().map(|(at, _)| *at).collect()
        }
        RawDrive::TwoPosition { positions, .. } => positions.to_vec(),
        RawDrive::Timed { positions, .. } => positions.iter().map(|(at, _)| *at).collect(),
    }
}

/// Reads what happens as a scenario has it.
fn read(row: &Row, stage: &Stage, what: &Chosen, tank: Option<TankId>) -> Result<Vec<(u64, Deed)>, String> {
    let mut text = format!(
        "scenario = \"{}\"\nstarts = \"{}\"\nlasts = \"400 days\"\n{}{}",
        row.name,
        stage.start,
        if stage.design.is_some() { "plant = \"full\"\n" } else { "" },
        stage.site_text
    );
    for event in &row.event {
        text.push_str("\n[[event]]\nat = \"+0 ms\"\n");
        let mut lines = event.replace("; ", "\n");
        if let Some((key, value)) = what {
            lines = lines.replace(&format!("{{{key}}}"), value);
        }
        if let Some(tank) = tank {
            lines = lines.replace("{tank}", &tank.number().to_string());
        }
        text.push_str(&lines);
        text.push('\n');
    }
    text.push_str("\n[[expect]]\ntotal = \"metered\"\nleast = \"0 L\"\n");
    let scenario = scenario::parse(Path::new("fault.toml"), &text)
        .map_err(|errors| errors.findings().map(|finding| finding.message.clone()).next().unwrap_or_default())?;
    Ok(scenario
        .events
        .into_iter()
        .filter_map(|event| match event.when {
            When::At(at_ms) => Some((at_ms, event.deed)),
            When::After { .. } => None,
        })
        .collect())
}
