//! Quantities as people read them: metric with US customary beside, thin spaces between thousands.

use jiff::civil::DateTime;

/// Nanolitres in a US gallon, exact by definition.
const NL_PER_GAL: f64 = 3_785_411_784.0;
/// Litres in a US gallon, exact by definition.
const L_PER_GAL: f64 = 3.785_411_784;
/// Milligrams in a pound, exact by definition.
const MG_PER_LB: f64 = 453_592.37;
/// mg/L as CaCO3 in a grain per US gallon, from exact definitions.
const MG_L_PER_GR_GAL: f64 = 17.118_061;
/// kPa in a pound-force per square inch, from exact definitions.
const KPA_PER_PSI: f64 = 6.894_757;
/// Keeps a number together with its unit and its thousands together, without a line break.
const NARROW_SPACE: char = '\u{202f}';
const NO_BREAK_SPACE: char = '\u{a0}';

/// A volume as litres with US gallons beside. A volume that is not nought never reads as nought.
pub fn volume(nl: u128) -> String {
    let litres = nl as f64 / 1e9;
    let gallons = nl as f64 / NL_PER_GAL;
    beside(quantity(litres, "L"), quantity(gallons, "gal"))
}

/// A volume in litres given for the eye, with US gallons beside; may be negative.
pub fn litres(litres: f64) -> String {
    beside(quantity(litres, "L"), quantity(litres / L_PER_GAL, "gal"))
}

/// A flow as L/min with US gallons per minute beside.
pub fn flow(litres_per_min: f64) -> String {
    beside(quantity(litres_per_min, "L/min"), quantity(litres_per_min / L_PER_GAL, "gal/min"))
}

/// A hardness as CaCO3 in mg/L with grains per gallon beside.
pub fn hardness(mg_l: f64) -> String {
    beside(fine(mg_l, "mg/L"), fine(mg_l / MG_L_PER_GR_GAL, "gr/gal"))
}

/// A pressure above atmosphere in kPa with psi beside.
pub fn pressure(kpa: f64) -> String {
    beside(quantity(kpa, "kPa"), quantity(kpa / KPA_PER_PSI, "psi"))
}

/// A mass in kilograms with pounds beside.
pub fn mass_kg(kg: f64) -> String {
    beside(quantity(kg, "kg"), quantity(kg * 1e6 / MG_PER_LB, "lb"))
}

/// A concentration in g/L.
pub fn grams_per_litre(mg_l: f64) -> String {
    quantity(mg_l / 1e3, "g/L")
}

/// A mass of salt as kilograms with pounds beside.
pub fn salt(mg: u64) -> String {
    beside(quantity(mg as f64 / 1e6, "kg"), quantity(mg as f64 / MG_PER_LB, "lb"))
}

/// A volume in litres to the last nanolitre.
pub fn exact_litres(nl: u128) -> String {
    format!("{}.{:09}{NO_BREAK_SPACE}L", grouped(nl / 1_000_000_000), nl % 1_000_000_000)
}

/// A share as a percentage; `None` of nothing.
pub fn share(part: u128, whole: u128) -> Option<String> {
    if whole == 0 {
        return None;
    }
    let percent = part as f64 / whole as f64 * 100.0;
    Some(match percent {
        p if part == 0 || p >= 0.05 => format!("{p:.1}{NO_BREAK_SPACE}%"),
        _ => format!("under 0.1{NO_BREAK_SPACE}%"),
    })
}

/// A length of time in its two largest units that matter.
pub fn duration(ms: u64) -> String {
    // To the nearest of the smaller unit, as the summary has it.
    let step_s = match ms {
        0..3_599_500 => 1,
        3_599_500..86_370_000 => 60,
        _ => 3_600,
    };
    let seconds = ms.saturating_add(step_s * 500) / (step_s * 1_000) * step_s;
    let (days, hours) = (seconds / 86_400, seconds / 3_600 % 24);
    let (minutes, rest) = (seconds / 60 % 60, seconds % 60);
    let pair = |major: u64, major_unit: &str, minor: u64, minor_unit: &str| match minor {
        0 => format!("{major}{NO_BREAK_SPACE}{major_unit}"),
        _ => format!("{major}{NO_BREAK_SPACE}{major_unit} {minor}{NO_BREAK_SPACE}{minor_unit}"),
    };
    match seconds {
        0 if ms > 0 => format!("{ms}{NO_BREAK_SPACE}ms"),
        0..60 => format!("{rest}{NO_BREAK_SPACE}s"),
        60..3_600 => pair(minutes, "min", rest, "s"),
        3_600..86_400 => pair(hours, "h", minutes, "min"),
        _ => pair(days, if days == 1 { "day" } else { "days" }, hours, "h"),
    }
}

/// Days and hours, or civil dates where the recording's start is known.
pub struct Clock {
    start: Option<DateTime>,
    with_year: bool,
}

impl Clock {
    /// A clock that reads `start` (ISO 8601 civil time) at the recording's start. Without a readable
    /// start it counts days; over long spans its dates carry the year.
    pub fn new(start: &str, span_ms: u64) -> Self {
        Self { start: start.parse().ok(), with_year: span_ms > 300 * 86_400_000 }
    }

    /// Civil time at the recording's start, if known.
    pub fn start(&self) -> Option<DateTime> {
        self.start
    }

    /// The recording's start for the page's script, to the second; empty if unknown.
    pub fn start_iso(&self) -> String {
        self.start.map(|start| start.strftime("%Y-%m-%dT%H:%M:%S").to_string()).unwrap_or_default()
    }

    /// Milliseconds from midnight to the recording's start, so that days can be counted from midnights.
    pub fn since_midnight_ms(&self) -> u64 {
        self.start.map_or(0, |start| {
            let seconds = i64::from(start.hour()) * 3_600 + i64::from(start.minute()) * 60 + i64::from(start.second());
            seconds.unsigned_abs() * 1_000
        })
    }

    /// A moment to the minute, with its date.
    pub fn moment(&self, at_ms: u64) -> String {
        match self.civil(at_ms) {
            Some(civil) if self.with_year => civil.strftime("%a %-d %b %Y, %H:%M").to_string(),
            Some(civil) => civil.strftime("%a %-d %b, %H:%M").to_string(),
            None => format!("{}, {}", self.day(at_ms), time_of_day(at_ms)),
        }
    }

    /// A moment to the minute, with its date in full.
    pub fn full_moment(&self, at_ms: u64) -> String {
        match self.civil(at_ms) {
            Some(civil) => civil.strftime("%A %-d %B %Y, %H:%M").to_string(),
            None => self.moment(at_ms),
        }
    }

    /// The date alone.
    pub fn day(&self, at_ms: u64) -> String {
        match self.civil(at_ms) {
            Some(civil) => civil.strftime("%a %-d %b").to_string(),
            None => format!("day {}", at_ms / 86_400_000 + 1),
        }
    }

    fn civil(&self, at_ms: u64) -> Option<DateTime> {
        let span = jiff::SignedDuration::from_millis(i64::try_from(at_ms).ok()?);
        self.start?.checked_add(span).ok()
    }
}

fn time_of_day(at_ms: u64) -> String {
    format!("{:02}:{:02}", at_ms / 3_600_000 % 24, at_ms / 60_000 % 60)
}

fn beside(metric: String, customary: String) -> String {
    format!("{metric} ({customary})")
}

/// A value with its unit: whole from 100 on, to one decimal below, and never rounded away to nought.
fn quantity(value: f64, unit: &str) -> String {
    let size = value.abs();
    let sign = if value < 0.0 { "\u{2212}" } else { "" };
    let number = match size {
        0.0 => "0".to_owned(),
        s if s < 0.05 => return format!("under {sign}0.1{NO_BREAK_SPACE}{unit}"),
        s if s < 99.95 => format!("{sign}{s:.1}"),
        s => format!("{sign}{}", grouped(s.round() as u128)),
    };
    format!("{number}{NO_BREAK_SPACE}{unit}")
}

/// A value with its unit, with two decimals below ten: small leakages differ in the second.
fn fine(value: f64, unit: &str) -> String {
    match value {
        v if v == 0.0 || v >= 9.995 => quantity(value, unit),
        v if v < 0.005 => format!("under 0.01{NO_BREAK_SPACE}{unit}"),
        v => format!("{v:.2}{NO_BREAK_SPACE}{unit}"),
    }
}

/// Digits in groups of three.
pub fn grouped(value: u128) -> String {
    let digits = value.to_string();
    let mut text = String::with_capacity(digits.len() * 2);
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(NARROW_SPACE);
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Spaces of every kind made plain, so that expectations can be read.
    fn plain(text: String) -> String {
        text.replace([NARROW_SPACE, NO_BREAK_SPACE], " ")
    }

    #[test]
    fn volumes_carry_both_units() {
        assert_eq!(plain(volume(0)), "0 L (0 gal)");
        assert_eq!(plain(volume(3_785_411_784)), "3.8 L (1.0 gal)");
        assert_eq!(plain(volume(101_234_000_000_000)), "101 234 L (26 743 gal)");
        assert_eq!(plain(litres(-150.0)), "\u{2212}150 L (\u{2212}39.6 gal)");
    }

    #[test]
    fn a_trace_of_water_never_reads_as_none() {
        assert_eq!(plain(volume(1)), "under 0.1 L (under 0.1 gal)");
        assert_eq!(share(1, 1_000_000).map(plain).as_deref(), Some("under 0.1 %"));
        assert_eq!(share(0, 1_000_000).map(plain).as_deref(), Some("0.0 %"));
        assert_eq!(share(0, 0), None);
    }

    #[test]
    fn exact_litres_show_every_nanolitre() {
        assert_eq!(plain(exact_litres(1_234_567_000_000_001)), "1 234 567.000000001 L");
    }

    #[test]
    fn salt_and_flow_carry_both_units() {
        assert_eq!(plain(salt(453_592_370)), "454 kg (1 000 lb)");
        assert_eq!(plain(flow(37.85)), "37.9 L/min (10.0 gal/min)");
    }

    #[test]
    fn hardness_and_pressure_carry_both_units() {
        assert_eq!(plain(hardness(342.361)), "342 mg/L (20.0 gr/gal)");
        assert_eq!(plain(hardness(3.184)), "3.18 mg/L (0.19 gr/gal)");
        assert_eq!(plain(hardness(0.0004)), "under 0.01 mg/L (under 0.01 gr/gal)");
        assert_eq!(plain(hardness(0.0)), "0 mg/L (0 gr/gal)");
        assert_eq!(plain(pressure(400.0)), "400 kPa (58.0 psi)");
        assert_eq!(plain(mass_kg(8.17)), "8.2 kg (18.0 lb)");
        assert_eq!(plain(grams_per_litre(67_135.9)), "67.1 g/L");
    }

    #[test]
    fn durations_show_what_matters() {
        let cases = [
            (0, "0 s"),
            (20, "20 ms"),
            (59_000, "59 s"),
            (60_000, "1 min"),
            (90_000, "1 min 30 s"),
            (5_400_000, "1 h 30 min"),
            (5_618_500, "1 h 34 min"),
            (86_390_000, "1 day"),
            (1_209_403_133, "14 days"),
            (86_400_000, "1 day"),
            (14 * 86_400_000 + 3_600_000, "14 days 1 h"),
        ];
        for (ms, text) in cases {
            assert_eq!(plain(duration(ms)), text);
        }
    }

    #[test]
    fn moments_are_dates_where_the_start_is_known() {
        let clock = Clock::new("2026-03-02T22:30:00", 14 * 86_400_000);
        assert_eq!(clock.moment(5_400_000), "Tue 3 Mar, 00:00");
        assert_eq!(clock.full_moment(0), "Monday 2 March 2026, 22:30");
        assert_eq!(clock.since_midnight_ms(), 81_000_000);
        let long = Clock::new("2026-03-02T00:00:00", 400 * 86_400_000);
        assert_eq!(long.moment(0), "Mon 2 Mar 2026, 00:00");
    }

    #[test]
    fn without_a_start_days_are_counted() {
        for start in ["", "yesterday"] {
            let clock = Clock::new(start, 1);
            assert_eq!(clock.moment(90_000_000), "day 2, 01:00");
            assert_eq!(clock.start_iso(), "");
            assert_eq!(clock.since_midnight_ms(), 0);
        }
    }

    #[test]
    fn a_moment_past_all_calendars_is_no_panic() {
        let clock = Clock::new("2026-03-02T00:00:00", 1);
        assert!(clock.moment(u64::MAX).starts_with("day "));
    }
}
