//! Invented sites by the seed, through sizing and a replay: what the one says must come out of the other.

use bedkeeper_sim::demand::{Demand, PerfectMeter, Profile, Statistics};
use bedkeeper_sim::evidence::{Evidence, Outcome};
use bedkeeper_sim::quantity::parse_pulse_volume;
use bedkeeper_sim::replay::{Checker, Gatherer, Replay, ValveTimes, World};
use bedkeeper_sim::site::{self, Site};
use bedkeeper_sim::size::{Inputs, WhatIf, figures, findings};
use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};

const DAY_MS: u64 = 86_400_000;
const L_PER_FT3: f64 = 28.316_846_592;
const L_PER_GAL: f64 = 3.785_411_784;
/// 1 kgr of exchange, and 1 gr/gal of hardness, in grams and g/L.
const G_PER_KGR: f64 = 64.798_91;
const G_PER_L_PER_GPG: f64 = 0.064_798_91 / 3.785_411_784;

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

/// A site that was drawn.
struct Drawn {
    text: String,
    arrangement: &'static str,
    at_hour: bool,
    profile: Profile,
    ml_a_day: u64,
    pulse: &'static str,
    days: u64,
}

fn pick<T: Copy>(random: &mut Pcg32, choices: &[T]) -> T {
    choices[random.next_u32() as usize % choices.len()]
}

/// A number from `low` to `high`.
fn between(random: &mut Pcg32, low: f64, high: f64) -> f64 {
    low + (high - low) * f64::from(random.next_u32()) / f64::from(u32::MAX)
}

fn draw(seed: u64) -> Drawn {
    let mut random = Pcg32::seed_from_u64(seed);
    let r = &mut random;
    let arrangement = pick(r, &["single", "alternating", "parallel", "staged"]);
    let tanks = match arrangement {
        "single" => 1,
        "alternating" => 2,
        _ => 2 + r.next_u32() % 3,
    };
    let at_hour = matches!(arrangement, "single" | "alternating") && r.next_u32().is_multiple_of(2);
    let profile = pick(
        r,
        &[
            Profile::Household,
            Profile::Apartments,
            Profile::Hotel,
            Profile::Restaurant,
            Profile::School,
            Profile::BoilerMakeUp,
        ],
    );
    let gpg = between(r, 6.0, 50.0);
    let ft3 = between(r, 1.0, 30.0);
    let kgr_ft3 = between(r, 15.0, 28.0);
    let between_l = kgr_ft3 * ft3 * G_PER_KGR / (gpg * G_PER_L_PER_GPG);
    // A tank lasts for one to six days of its share.
    let lasts_days = between(r, 1.2, 6.0);
    let serving = if matches!(arrangement, "parallel" | "staged") { f64::from(tanks) } else { 1.0 };
    let l_a_day = between_l / lasts_days * serving;
    let keeps = match r.next_u32() % 3 {
        0 => 0.0,
        _ => between(r, 0.01, if at_hour { 0.4 } else { 0.2 }),
    };
    let reserve = if keeps > 0.0 { format!("{:.0} L", between_l * keeps) } else { "none".to_owned() };
    // The finest of these pulses that is no less than a ten-thousandth of what a tank treats.
    let pulse = if between_l < 10_000.0 { "1 L" } else { pick(r, &["1 gal", "10 L", "100 pulses in 1 m3"]) };
    let number = if serving > 1.0 { format!("number = {tanks}\n") } else { String::new() };
    let staged = if arrangement == "staged" {
        let joins: Vec<String> = (1..tanks).map(|n| format!("\"{} L/min\"", 15 * n)).collect();
        format!("[sharing]\njoin_above = [{}]\n", joins.join(", "))
    } else {
        String::new()
    };
    let text = format!(
        r#"[site]
name = "Invented {seed}"

[tanks]
arrangement = "{arrangement}"
{number}
{staged}
[water]
hardness = "{gpg:.2} gpg"
use_per_day = "{l_a_day:.0} L"

[resin]
volume = "{ft3:.2} ft3"
capacity = "{kgr_ft3:.2} kgr/ft3"

[brine]
dose = "{dose:.1} lb/ft3"
refill_flow = "{refill:.2} L/min"
ready_after = "60 min"

[meter]
pulse = "{pulse}"
rated_max = "2000 L/min"

[reserve]
keep = "{reserve}"

[start]
when = "{when}"
hour = "02:00"

[calendar]
backup_after = "off"

[program]
preset = "{preset}"
backwash = {{ length = "{backwash} min", drain = "{wash:.1} L/min" }}
brine_draw = {{ length = "{brine} min", drain = "{slow:.1} L/min" }}
slow_rinse = {{ length = "{rinse} min", drain = "{slow:.1} L/min" }}
fast_rinse = {{ length = "{fast} min", drain = "{wash:.1} L/min" }}

[valve]
drive = "cam-switch"
positions = ["service", "backwash", "brine-draw", "fast-rinse", "brine-refill", "standby"]
"#,
        dose = between(r, 5.0, 15.0),
        refill = (ft3 * 0.6).max(1.0),
        when = if at_hour { "at-hour" } else { "immediate" },
        preset = pick(r, &["co-current", "counter-current"]),
        backwash = 5 + r.next_u32() % 10,
        wash = ft3 * L_PER_FT3 * 0.15,
        brine = 20 + r.next_u32() % 30,
        slow = ft3 * L_PER_FT3 * 0.03,
        rinse = 20 + r.next_u32() % 30,
        fast = 5 + r.next_u32() % 10,
    );
    let cycles_days = lasts_days * if arrangement == "alternating" { 8.0 } else { 5.0 };
    let days = (cycles_days.ceil() as u64 + 2).clamp(6, 50);
    Drawn { text, arrangement, at_hour, profile, ml_a_day: (l_a_day * 1e3) as u64, pulse, days }
}

/// Sizes and replays the site of a seed.
///
/// # Errors
/// A figure that is no number, a rule that is broken, water that does not add up, or a figure that the replay does not
/// bear out; in words.
pub fn live(seed: u64) -> Result<Outcomes, String> {
    let drawn = draw(seed);
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
fn replay(site: &Site, drawn: &Drawn, seed: u64) -> Result<(Evidence, f64), String> {
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
