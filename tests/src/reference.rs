//! A plain reckoning of when plants regenerate, beside the logic: no state machine, no deadlines, floating point, the
//! whole recording at once, day by day. It knows two plants, whose times can be followed in the head, and shares no code
//! with the logic.

use bedkeeper_sim::demand::{Demand, PerfectMeter, Profile};
use bedkeeper_sim::quantity::parse_pulse_volume;
use bedkeeper_sim::recording::Pulses;
use bedkeeper_sim::replay::{Gatherer, Replay, ReplayError, ValveTimes, World};
use bedkeeper_sim::site::{self, Site};
use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};

const DAY_MS: u64 = 86_400_000;
/// What follows from a pulse is decided so long after it.
const DECIDED_MS: u64 = 1;
/// So long after its hour a tank may still begin.
const GRACE_MS: u64 = 3 * 3_600_000;
/// So long after a refill its brine is ready.
const BRINE_MS: u64 = 3_600_000;
/// Rest of a motor whose past is not known.
const REST_MS: u64 = 2_000;
/// Positions of a valve's cam, with standby.
const POSITIONS: u64 = 6;
/// How much a valve's ways are left open.
const OPEN_MS: u64 = 5_000;
/// Salt that refill water takes up, g/L: 2.99 lb/gal, as the site's default says.
const SALT_G_PER_L: f64 = 2.99 * 453.592_37 / 3.785_411_784;
const REFILL_L_MIN: f64 = 2.0;

/// A regeneration: when it was asked for, when it began, why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Regeneration {
    /// Which tank, from 1.
    pub tank: u8,
    /// The leading cause.
    pub cause: &'static str,
    /// When somebody first asked, ms.
    pub asked_ms: u64,
    /// When it began, ms.
    pub start_ms: u64,
}

/// The figures of a plant that both know.
struct Figures {
    pair: bool,
    hardness_mg_l: f64,
    capacity_g: f64,
    /// Kept back, L; at an alternating site nothing is.
    reserve_l: f64,
    hour: u64,
    pulse: &'static str,
    pulse_l: f64,
    leg_ms: u64,
    days: u64,
    ml_a_day: u64,
    profile: Profile,
}

impl Figures {
    fn draw(seed: u64) -> Self {
        let mut random = Pcg32::seed_from_u64(seed ^ 0x5eed);
        let mut between = |low: u64, high: u64| low + u64::from(random.next_u32()) % (high - low + 1);
        let pair = seed % 2 == 1;
        let hardness_mg_l = between(100, 600) as f64;
        // Litres that a bed is good for; a day takes a fifth to four fifths of that.
        let good_for_l = if pair { between(6_000, 20_000) } else { between(1_500, 6_000) };
        let ml_a_day = good_for_l * between(200, 800);
        let reserve_l = good_for_l as f64 * between(0, 40) as f64 / 100.0;
        let profiles =
            if pair { [Profile::Apartments, Profile::Hotel] } else { [Profile::Household, Profile::Restaurant] };
        let profile = profiles[usize::try_from(between(0, 1)).unwrap_or(0)];
        Self {
            pair,
            hardness_mg_l,
            capacity_g: hardness_mg_l * good_for_l as f64 / 1_000.0,
            reserve_l: if pair { 0.0 } else { reserve_l.round() },
            hour: between(0, 5),
            pulse: if pair { "10 L" } else { "1 L" },
            pulse_l: if pair { 10.0 } else { 1.0 },
            leg_ms: 1_000 * between(5, 20),
            days: 28,
            ml_a_day,
            profile,
        }
    }

    /// What a bed is good for, less a microlitre for what floating point makes of round figures.
    fn good_for_l(&self) -> f64 {
        self.capacity_g * 1_000.0 / self.hardness_mg_l - 1e-6
    }

    /// What the resin can hold at the utmost, g.
    fn total_g(&self) -> f64 {
        (self.capacity_g * 1.7).round()
    }

    /// What is still used of a bed after a regeneration, L: salt restores one capacity and no more, and what passed a bed
    /// that could hold nothing more was never taken up (S6).
    fn left_over_l(&self, used_l: f64) -> f64 {
        (used_l.min(self.total_g() * 1_000.0 / self.hardness_mg_l) - self.good_for_l()).max(0.0)
    }

    fn dose_g(&self) -> f64 {
        (self.capacity_g * 2.0).round()
    }

    /// All steps of the program, ms.
    fn steps_ms(&self) -> u64 {
        let refill_min = self.dose_g() / SALT_G_PER_L / REFILL_L_MIN;
        ((80.0 + refill_min) * 60_000.0) as u64
    }

    fn site(&self) -> String {
        let (arrangement, when, standby) = match self.pair {
            true => ("alternating", "immediate", r#", "standby""#),
            false => ("single", "at-hour", ""),
        };
        format!(
            r#"[site]
name = "Invented"
[tanks]
arrangement = "{arrangement}"
stale_after = "720 h"
[water]
hardness = "{hardness} mg/L"
[resin]
volume = "{resin:.0} L"
capacity = "{capacity} g"
total = "{total} g"
[brine]
dose = "{dose} g"
refill_flow = "2 L/min"
ready_after = "60 min"
[meter]
pulse = "{pulse}"
rated_max = "2000 L/min"
[reserve]
keep = "{reserve}"
[start]
when = "{when}"
hour = "{hour:02}:00"
[calendar]
backup_after = "off"
[program]
preset = "co-current"
backwash = {{ length = "10 min", drain = "8 L/min" }}
brine_draw = {{ length = "30 min", drain = "1 L/min" }}
slow_rinse = {{ length = "30 min", drain = "1 L/min" }}
fast_rinse = {{ length = "10 min", drain = "6 L/min" }}
[valve]
drive = "cam-switch"
positions = ["service", "backwash", "brine-draw", "fast-rinse", "brine-refill"{standby}]
[plant]
leg = "{leg} ms"
"#,
            hardness = self.hardness_mg_l,
            resin = self.capacity_g / 45.0,
            capacity = self.capacity_g,
            total = self.total_g(),
            dose = self.dose_g(),
            pulse = self.pulse,
            reserve = if self.reserve_l > 0.0 { format!("{} L", self.reserve_l) } else { "none".to_owned() },
            hour = self.hour,
            leg = self.leg_ms,
        )
    }

    fn pulses(&self, seed: u64) -> Result<impl Iterator<Item = Pulses>, String> {
        let pulse = parse_pulse_volume(self.pulse).map_err(|error| error.to_string())?;
        let demand = Demand {
            profile: self.profile,
            ml_a_day: self.ml_a_day,
            seed,
            leak: None,
            since_midnight_ms: 0,
            weekday: 0,
            until_ms: self.days * DAY_MS,
        };
        Ok(PerfectMeter::new(demand.draws(), pulse))
    }
}

/// What the logic does at a site with these pulses.
fn by_the_logic(site: &Site, pulses: impl Iterator<Item = Pulses>) -> Result<Vec<Regeneration>, String> {
    let text = |error: ReplayError| error.to_string();
    let start = jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0);
    let times = ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms };
    let world = World::new(site.settings.clone(), times, Some(start)).map_err(text)?;
    let mut gatherer = Gatherer::new(&site.name, "", "invented", Vec::new(), &world);
    let mut replay = Replay::new(world, vec![&mut gatherer]);
    replay.power_up().map_err(text)?;
    for pulses in pulses {
        replay.run_to(pulses.at_ms).and_then(|()| replay.take_pulses(&pulses)).map_err(text)?;
    }
    replay.stop().map_err(text)?;
    drop(replay);
    let evidence = gatherer.into_evidence();
    let all = evidence.regenerations.iter();
    Ok(all
        .map(|each| Regeneration {
            tank: each.tank,
            cause: each.cause,
            asked_ms: each.asked_ms,
            start_ms: each.start_ms,
        })
        .collect())
}

/// The first moment from this one on at which a tank may regenerate that waits for its hour: within three hours of it
/// (T2), else at the next.
fn permitted_ms(figures: &Figures, from_ms: u64) -> u64 {
    let hour_ms = figures.hour * 3_600_000;
    let into_ms = (from_ms + DAY_MS - hour_ms) % DAY_MS;
    if into_ms < GRACE_MS { from_ms } else { from_ms + DAY_MS - into_ms }
}

/// A single tank that regenerates at the hour; it is away from service for so long each time.
fn single(figures: &Figures, pulses: &[Pulses], away_ms: u64) -> Vec<Regeneration> {
    let good_for_l = figures.good_for_l();
    let cause = |used_l: f64| match used_l {
        used_l if used_l >= good_for_l => Some("exhausted"),
        used_l if figures.reserve_l > 0.0 && used_l >= good_for_l - figures.reserve_l => Some("reserve"),
        _ => None,
    };
    let mut regenerations = Vec::new();
    let (mut used_l, mut back_ms, mut brine_ms) = (0.0, 0, 0);
    let mut asked: Option<(&'static str, u64)> = None;
    for pulse in pulses {
        while let Some((cause_then, asked_ms)) = asked {
            let start_ms = permitted_ms(figures, asked_ms.max(brine_ms));
            if start_ms >= pulse.at_ms {
                break;
            }
            regenerations.push(Regeneration { tank: 1, cause: cause_then, asked_ms, start_ms });
            back_ms = start_ms + away_ms;
            // The refill ends a leg before, and its salt takes an hour to dissolve.
            brine_ms = back_ms - figures.leg_ms + BRINE_MS;
            used_l = figures.left_over_l(used_l);
            asked = cause(used_l).map(|cause| (cause, back_ms));
        }
        // Water goes past a bed that is away.
        if pulse.at_ms > back_ms {
            used_l += f64::from(pulse.count) * figures.pulse_l;
            let first_ms = asked.map_or(pulse.at_ms + DECIDED_MS, |(_, first_ms)| first_ms);
            asked = cause(used_l).map(|cause| (cause, first_ms));
        }
    }
    regenerations
}

/// Two tanks that take turns: the other takes over once its valve is open, so many ms after it was asked; then the spent
/// one's valve goes through all its positions to shut, and its regeneration begins.
fn pair(figures: &Figures, pulses: &[Pulses], opens_ms: u64, shuts_ms: u64) -> Vec<Regeneration> {
    let good_for_l = figures.good_for_l();
    let mut regenerations: Vec<Regeneration> = Vec::new();
    let mut used_l = [0.0, 0.0];
    let mut serving = 0;
    let mut over_ms = None;
    for pulse in pulses {
        if over_ms.is_some_and(|over_ms| over_ms < pulse.at_ms) {
            used_l[serving] = figures.left_over_l(used_l[serving]);
            serving = 1 - serving;
            over_ms = None;
        }
        used_l[serving] += f64::from(pulse.count) * figures.pulse_l;
        if over_ms.is_none() && used_l[serving] >= good_for_l {
            let asked_ms = pulse.at_ms + DECIDED_MS;
            // A motor that never ran rests first.
            let rests_ms = if regenerations.is_empty() { REST_MS } else { 0 };
            over_ms = Some(asked_ms + rests_ms + opens_ms);
            let start_ms = asked_ms + 2 * rests_ms + opens_ms + shuts_ms;
            let tank = if serving == 0 { 1 } else { 2 };
            regenerations.push(Regeneration { tank, cause: "exhausted", asked_ms, start_ms });
        }
    }
    regenerations
}

/// How many regenerations of a seed's plant agree in tank, cause and times.
///
/// A valve's way takes a little less or more than a leg from position to position, by how far its cam coasts; the reckoning
/// leaves that open. Both ends of the few seconds are tried, and a start may lie between them, as may the asking of a bed that
/// asks again as soon as it is back; what water asks for is known to the millisecond.
///
/// # Errors
/// They differ; in words.
pub fn agree(seed: u64) -> Result<usize, String> {
    let figures = Figures::draw(seed);
    let text = figures.site();
    let site = site::parse("invented.toml", &text).map_err(|errors| errors.render(false))?;
    let pulses: Vec<Pulses> = figures.pulses(seed)?.collect();
    let logic = by_the_logic(&site, pulses.iter().copied())?;
    let leg_ms = figures.leg_ms;
    let reckon = |give_ms: u64, take_ms: u64| {
        let about = |ms: u64| ms + give_ms - take_ms;
        if figures.pair {
            pair(&figures, &pulses, about(leg_ms), about(POSITIONS * leg_ms) - leg_ms)
        } else {
            single(&figures, &pulses, about(figures.steps_ms() + (POSITIONS - 1) * leg_ms))
        }
    };
    let (early, late) = (reckon(0, OPEN_MS), reckon(OPEN_MS, 0));
    let fits = |reckoned: &[Regeneration]| {
        let bounds = early.iter().zip(&late);
        reckoned.len() == logic.len()
            && reckoned.iter().zip(&logic).zip(bounds).all(|((reckoned, logic), (early, late))| {
                (reckoned.tank, reckoned.cause) == (logic.tank, logic.cause)
                    && (early.asked_ms..=late.asked_ms).contains(&logic.asked_ms)
                    && (early.start_ms..=late.start_ms).contains(&logic.start_ms)
            })
    };
    if !fits(&early) && !fits(&late) {
        return Err(format!("seed {seed}: the logic has {logic:#?}\nand the reckoning {early:#?}\n{text}"));
    }
    Ok(logic.len())
}
