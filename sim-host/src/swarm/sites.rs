//! Invented sites by the seed.

use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};

use crate::demand::Profile;

const L_PER_FT3: f64 = 28.316_846_592;
/// 1 kgr of exchange, and 1 gr/gal of hardness, in grams and g/L.
const G_PER_KGR: f64 = 64.798_91;
const G_PER_L_PER_GPG: f64 = 0.064_798_91 / 3.785_411_784;

/// A site that was drawn, with the water that it is for.
#[derive(Clone, Debug)]
pub struct InventedSite {
    /// The site file.
    pub text: String,
    /// How its tanks share the work.
    pub arrangement: &'static str,
    /// Starts wait for the hour.
    pub at_hour: bool,
    /// How water is used.
    pub profile: Profile,
    /// How much of it, mL a day.
    pub ml_a_day: u64,
    /// The meter's pulse.
    pub pulse: &'static str,
    /// In so many days each tank regenerates several times.
    pub days: u64,
}

pub(super) fn pick<T: Copy>(random: &mut Pcg32, choices: &[T]) -> T {
    choices[random.next_u32() as usize % choices.len()]
}

/// A number from `low` to `high`.
pub(super) fn between(random: &mut Pcg32, low: f64, high: f64) -> f64 {
    low + (high - low) * f64::from(random.next_u32()) / f64::from(u32::MAX)
}

/// The site of a seed: 1 to 4 tanks in any arrangement, at once or at the hour, with or without a reserve.
#[must_use]
pub fn invented_site(seed: u64) -> InventedSite {
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
    InventedSite { text, arrangement, at_hour, profile, ml_a_day: (l_a_day * 1e3) as u64, pulse, days }
}
