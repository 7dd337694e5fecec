//! Invented sites by the seed, through sizing and a replay: what the one says must come out of the other.

use bedkeeper_sim::demand::{Demand, PerfectMeter, Statistics};
use bedkeeper_sim::evidence::{Evidence, Outcome};
use bedkeeper_sim::quantity::parse_pulse_volume;
use bedkeeper_sim::replay::{Checker, Gatherer, Replay, ValveTimes, World};
use bedkeeper_sim::site::{self, Site};
use bedkeeper_sim::size::{Inputs, WhatIf, figures, findings};
use bedkeeper_sim::swarm::{InventedSite, invented_site};

const DAY_MS: u64 = 86_400_000;
const L_PER_GAL: f64 = 3.785_411_784;

/// What came of a site.
#[derive(Clone, Debug, PartialEq)]
pub enum Outcomes {
    /// The site was refused, with findings.
    Refused,
    /// Regenerations that were compared with the figure, and how far their mean lay from it.
    Compared {
        /// How the tanks share the work.
        arrangement: &'static str,
        /// Whether starts wait for the hour.
        at_hour: bool,
        /// Regenerations compared.
        regenerations: usize,
        /// Mean of their volumes over the figure, less 1.
        off: f64,
    },
}

/// Sizes and replays the site of a seed.
///
/// # Errors
/// A figure that is no number, a rule that is broken, water that does not add up, or a figure that the replay does not
/// bear out; in words.
pub fn live(seed: u64) -> Result<Outcomes, String> {
    let drawn = invented_site(seed);
    let said = |why: String| format!("seed {seed}: {why}\n{}", drawn.text);
    let site = match site::parse("invented.toml", &drawn.text) {
        Ok(site) => site,
        Err(errors) if errors.findings().is_empty() => return Err(said("refused without a finding".to_owned())),
        Err(_) => return Ok(Outcomes::Refused),
    };
    let inputs = Inputs::of(&site, &WhatIf::default()).map_err(|_| said("is taken for a filter".to_owned()))?;
    let all = figures(&inputs);
    if let Some(figure) = all.iter().find(|figure| !figure.value.is_finite() || figure.value < 0.0) {
        return Err(said(format!("{} is {}", figure.id, figure.value)));
    }
    let _ = findings(&inputs, &all, site.units);
    let figure = all.iter().find(|figure| figure.id == "volume_between_regenerations");
    let figure_l = figure.ok_or_else(|| said("no volume_between_regenerations".to_owned()))?.value * L_PER_GAL;
    let (evidence, most_of_a_day_l) = replay(&site, &drawn, seed).map_err(&said)?;
    if let Some(broken) = evidence.violations.first() {
        return Err(said(format!("{}: {}", broken.rule, broken.text)));
    }
    if !evidence.water.balances() {
        return Err(said("the water does not add up".to_owned()));
    }
    let (volumes, deficits): (Vec<f64>, Vec<f64>) = compared(&evidence).into_iter().unzip();
    if volumes.is_empty() {
        let compared =
            Outcomes::Compared { arrangement: drawn.arrangement, at_hour: drawn.at_hour, regenerations: 0, off: 0.0 };
        return Ok(compared);
    }
    // What a bed lacked from the time before, its salt gave back first (S6).
    let mean = volumes.iter().chain(&deficits).sum::<f64>() / volumes.len() as f64;
    let off = mean / figure_l - 1.0;
    let pulse_l =
        parse_pulse_volume(drawn.pulse).map_or(0.0, |p| p.numerator_nl() as f64 / p.denominator() as f64 / 1e9);
    let sound = if drawn.at_hour {
        // The hour comes within a day of the asking.
        volumes.iter().zip(&deficits).all(|(v, deficit)| {
            let from = figure_l - deficit - pulse_l;
            (from..=from + most_of_a_day_l + 2.0 * pulse_l).contains(v)
        })
    } else {
        off.abs() <= 0.01
    };
    if !sound {
        return Err(said(format!(
            "{} {}: {volumes:.0?} L between regenerations, and sizing says {figure_l:.0} L; a day takes up to \
             {most_of_a_day_l:.0} L",
            drawn.arrangement,
            if drawn.at_hour { "at the hour" } else { "immediate" },
        )));
    }
    let regenerations = volumes.len();
    Ok(Outcomes::Compared { arrangement: drawn.arrangement, at_hour: drawn.at_hour, regenerations, off })
}

/// Litres between regenerations, of those that began as soon as they were asked for, or at the hour; not of the first of
/// each tank, which at a parallel site begins partly spent (L4). Beside each what the bed lacked from the time before: what
/// passed past zero then, since the salt restores no more than a whole capacity (S6).
fn compared(evidence: &Evidence) -> Vec<(f64, f64)> {
    let mut before = [None; 9];
    let mut volumes = Vec::new();
    for regeneration in &evidence.regenerations {
        let overrun = regeneration.overrun_nl as f64 / 1e9;
        let lacked = before.get_mut(usize::from(regeneration.tank)).and_then(|before| before.replace(overrun));
        let held = regeneration.holds_before.iter().any(|held| !matches!(held.hold, "until-hour" | "changing-over"));
        if let Some(lacked) = lacked
            && !held
            && regeneration.outcome == Outcome::Complete
        {
            volumes.push((regeneration.volume_since_last_nl as f64 / 1e9, lacked));
        }
    }
    volumes
}

/// Replays the site's own days of water; also the most that a day took, L.
fn replay(site: &Site, drawn: &InventedSite, seed: u64) -> Result<(Evidence, f64), String> {
    let pulse = parse_pulse_volume(drawn.pulse).map_err(|error| error.to_string())?;
    let start = jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0);
    let demand = Demand {
        profile: drawn.profile,
        ml_a_day: drawn.ml_a_day,
        seed,
        leak: None,
        since_midnight_ms: 0,
        weekday: 0,
        until_ms: drawn.days * DAY_MS,
    };
    let times = ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms };
    let world = World::new(site.settings.clone(), times, Some(start)).map_err(|error| error.to_string())?;
    let mut gatherer = Gatherer::new(&site.name, "", "invented", Vec::new(), &world);
    let mut checker = Checker::new(site.settings.raw().clone());
    let mut statistics = Statistics::new(Some(pulse), Some(start));
    let mut replay = Replay::new(world, vec![&mut gatherer, &mut checker]);
    replay.power_up().map_err(|error| error.to_string())?;
    for pulses in PerfectMeter::new(demand.draws(), pulse) {
        statistics.add(&pulses);
        replay.run_to(pulses.at_ms).and_then(|()| replay.take_pulses(&pulses)).map_err(|error| error.to_string())?;
    }
    replay.finish().map_err(|error| error.to_string())?;
    drop(replay);
    let mut evidence = gatherer.into_evidence();
    evidence.violations = checker.into_violations();
    let most = statistics.finish(Some(demand.until_ms)).litres_of_a_day.map_or(0.0, |[_, most]| most);
    Ok((evidence, most))
}
