//! What does not fit: a figure outside its published range, or settings at odds with each other.

use bedkeeper::program::StepKind;
use bedkeeper::settings::Arrangement;

use super::cli::shown;
use super::figures::{Figure, STOICHIOMETRIC_GR_PER_LB, Verdict};
use super::inputs::{Inputs, MG_L_PER_GPG};
use crate::quantity::show::UnitSystem;

/// How much a finding matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Good to know.
    Note,
    /// Outside what is published or usual.
    Warning,
    /// The plant will not do what it is for.
    Mistake,
}

impl Severity {
    /// The word in files.
    pub fn slug(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Warning => "warning",
            Self::Mistake => "mistake",
        }
    }
}

/// Something that does not fit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// Its name in files.
    pub id: String,
    /// How much it matters.
    pub severity: Severity,
    /// What, and what would be right.
    pub text: String,
}

/// Pulses come through a contact no faster than this, Hz (class A of IEC 62053-31, from memory: 30 ms on and off).
const FASTEST_HZ: f64 = 1_000.0 / 60.0;

/// Everything that does not fit, the worst first, in the units that a person reads.
pub fn findings(i: &Inputs, figures: &[Figure], units: UnitSystem) -> Vec<Finding> {
    let mut all = Vec::new();
    figures.iter().for_each(|figure| out_of_range(figure, units, &mut all));
    each_other(i, units, &mut all);
    draw(i, figures, &mut all);
    blend(i, &mut all);
    meter(i, units, &mut all);
    claims(i, units, &mut all);
    all.sort_by_key(|finding| std::cmp::Reverse(finding.severity));
    all
}

/// A figure of the formulas as a person reads it: so many decimals, and its unit.
fn told(value: f64, decimals: usize, unit: &'static str, units: UnitSystem) -> String {
    let (value, unit) = shown(value, unit, units);
    format!("{value:.decimals$} {unit}")
}

/// A limit in the units of its source, and beside them in a person's own.
fn limit(value: f64, decimals: usize, unit: &'static str, units: UnitSystem) -> String {
    let own = format!("{value} {unit}");
    if units == UnitSystem::Us { own } else { format!("{} ({own})", told(value, decimals, unit, units)) }
}

fn add(all: &mut Vec<Finding>, severity: Severity, id: &str, text: String) {
    all.push(Finding { id: id.to_owned(), severity, text });
}

fn out_of_range(figure: &Figure, units: UnitSystem, all: &mut Vec<Finding>) {
    let (how, limit) = match (figure.verdict(), figure.low, figure.high) {
        (Verdict::Below, Some(low), _) => ("less", low),
        (Verdict::Above, _, Some(high)) => ("more", high),
        _ => return,
    };
    let Figure { id, name, value, unit, source, .. } = figure;
    // A claim that is not made is no mistake; what it takes stands among the claims.
    if *id == "salt_efficiency" {
        return;
    }
    let (value, limit, unit) = (shown(*value, unit, units).0, shown(limit, unit, units).0, shown(0.0, unit, units).1);
    let text = format!("{name}: {} {unit} is {how} than {} {unit} ({source})", digits(value), digits(limit));
    add(all, Severity::Warning, id, text);
}

/// Four digits that matter.
pub(crate) fn digits(value: f64) -> String {
    let decimals = match value.abs() {
        x if x >= 1_000.0 => 0,
        x if x >= 100.0 => 1,
        x if x >= 10.0 => 2,
        _ => 3,
    };
    format!("{value:.decimals$}")
}

fn each_other(i: &Inputs, units: UnitSystem, all: &mut Vec<Finding>) {
    use Severity::{Mistake, Note, Warning};
    let gal = |value| told(value, 0, "gal", units);
    let gpm = |value| told(value, 1, "gpm", units);
    let lb = |value| told(value, 1, "lb", units);
    let between_min = i.between_gal() / i.peak_of_a_tank_gpm();
    if i.arrangement == Arrangement::Alternating && i.regeneration_min > between_min {
        let text = format!(
            "a regeneration may take {:.0} min, and at {} the other tank lasts {between_min:.0} min: larger tanks, or a shorter program",
            i.regeneration_min,
            gpm(i.peak_of_a_tank_gpm())
        );
        add(all, Mistake, "regeneration-longer-than-other-tank", text);
    }
    if let Some(refill) = i.step(StepKind::BrineRefill) {
        let makes = refill.minutes * i.refill_gpm * i.salt_per_gal_lb;
        if makes < i.salt_lb * 0.98 {
            let text = format!(
                "the refill makes brine of {} of salt, and the dose is {}: refill for longer",
                lb(makes),
                lb(i.salt_lb)
            );
            add(all, Mistake, "refill-shorter-than-dose", text);
        }
    }
    let daily = i.use_gal_day.map(|gal| gal * i.treated_share / i.serving());
    if let Some(daily) = daily.filter(|gal| *gal > 0.0) {
        let hours = i.between_gal() / daily
            * 24.0
            * if i.arrangement == Arrangement::Alternating { 1.0 } else { 1.0 / i.serving() };
        let needed = (i.regeneration_min + i.brine_ready_min) / 60.0;
        if needed > hours {
            let text = format!(
                "regeneration and ripening brine take {needed:.1} h together, and the next begins after {hours:.1} h: a second brine tank, larger tanks, or brine that is ready sooner"
            );
            add(all, Mistake, "brine-not-ready", text);
        }
        if i.at_hour && i.reserve_gal < daily * 0.999 {
            let text = format!(
                "starts wait for the hour, and a day takes {} of a tank where {} are kept back: keep a day's use (common practice)",
                gal(daily),
                gal(i.reserve_gal)
            );
            add(all, Warning, "reserve-below-a-day", text);
        }
        let a_day = i.regenerations_a_year().unwrap_or(0.0) / 365.25 * i.drain_gal();
        if i.drain_limit_gal > 0.0 && a_day > i.drain_limit_gal {
            let text =
                format!("regenerations need {} to drain a day, and {} are allowed", gal(a_day), gal(i.drain_limit_gal));
            add(all, Mistake, "discharge-limit-too-small", text);
        }
    }
    if i.backup_days == 0 {
        let text =
            "no backup day: a bed that is little used stagnates; 3 to 7 days are usual (common practice)".to_owned();
        add(all, Note, "no-backup-day", text);
    } else if let Some(daily) = daily.filter(|gal| f64::from(i.backup_days) * gal > i.capacity_gr / i.loaded_gpg) {
        let text = format!(
            "until the backup day a tank treats {}, more than its capacity of {}: the meter asks first",
            gal(f64::from(i.backup_days) * daily),
            gal(i.capacity_gr / i.loaded_gpg)
        );
        add(all, Note, "backup-day-longer-than-capacity", text);
    }
    if i.regeneration_min > i.longest_gap_min * 0.9 {
        let text = format!(
            "a regeneration may take {:.0} min and the longest gap between blackout windows is {:.0} min: leave more room",
            i.regeneration_min, i.longest_gap_min
        );
        add(all, Warning, "window-too-small", text);
    }
    let largest = i.steps.iter().map(|(_, step)| step.drain_gpm).fold(0.0, f64::max);
    if largest > i.drain_gpm * 1.000_001 {
        let text = format!("the program sends up to {} to a drain that carries {}", gpm(largest), gpm(i.drain_gpm));
        add(all, Mistake, "drain-too-small", text);
    }
    if i.timed_valves {
        let text =
            "valves with no feedback count as confirmed by time alone: weaker than switches that tell the position"
                .to_owned();
        add(all, Note, "valves-unconfirmed", text);
    }
    if i.arrangement == Arrangement::Single {
        let text = format!("untreated water passes while the tank regenerates, up to {:.0} min", i.regeneration_min);
        add(all, Note, "untreated-while-regenerating", text);
    }
}

/// Whether the brine of a dose passes in the time that the program gives it.
fn draw(i: &Inputs, figures: &[Figure], all: &mut Vec<Finding>) {
    let Some(step) = i.step(StepKind::BrineDraw) else { return };
    if i.draw_gpm().is_none() {
        let text = "the brine draw names no flow to drain: its time is reckoned with the lower limit, and water to drain without it".to_owned();
        add(all, Severity::Warning, "draw-without-flow", text);
        return;
    }
    let needed = figures.iter().find(|figure| figure.id == "brine_draw_time").map_or(0.0, |figure| figure.value);
    // An eductor is not that exact.
    if step.minutes < needed * 0.95 {
        let text = format!(
            "the brine of a dose takes {needed:.1} min to draw, and the step has {:.1} min: what is left passes in the slow rinse, which then rinses less",
            step.minutes
        );
        add(all, Severity::Warning, "draw-shorter-than-brine", text);
    }
}

/// Whether the blending bypass gives the hardness that is wanted.
fn blend(i: &Inputs, all: &mut Vec<Finding>) {
    let Some(target) = i.target_gpg else { return };
    let [hardness, wanted, gets] =
        [i.hardness_gpg, target, (1.0 - i.treated_share) * i.hardness_gpg].map(|gpg| gpg * MG_L_PER_GPG);
    // Sites keep hardness in whole µg/L.
    if wanted >= hardness * 0.999 {
        let text =
            format!("{wanted:.0} mg/L are wanted and the feed has {hardness:.0} mg/L: there is nothing to soften");
        add(all, Severity::Warning, "nothing-to-soften", text);
        return;
    }
    let through = format!("send {:.1} % through the resin", (1.0 - wanted / hardness) * 100.0);
    if gets > wanted * 1.005 {
        let text = format!("the bypass gives {gets:.0} mg/L at the best and {wanted:.0} mg/L are wanted: {through}");
        add(all, Severity::Mistake, "blend-target", text);
    } else if gets < wanted * 0.995 {
        let text = format!("the bypass gives {gets:.0} mg/L and {wanted:.0} mg/L would do: {through}");
        add(all, Severity::Note, "softer-than-wanted", text);
    }
}

fn meter(i: &Inputs, units: UnitSystem, all: &mut Vec<Finding>) {
    let share = i.pulse_gal / (i.capacity_gr / i.loaded_gpg);
    if share > 0.01 {
        let text = format!(
            "one pulse is {:.1} % of a tank's capacity: at most 1 %, so that the change comes in time (our own choice)",
            share * 100.0
        );
        add(all, Severity::Warning, "meter-too-coarse", text);
    }
    let hz = i.rated_gpm / 60.0 / i.pulse_gal;
    if hz > FASTEST_HZ && i.pulse_width_ms >= 60.0 || hz > 200.0 {
        let text = format!(
            "{hz:.0} pulses a second at the rated flow are more than the contact can tell apart: a coarser meter"
        );
        add(all, Severity::Warning, "meter-too-fast", text);
    }
    if i.peak_gpm > i.rated_gpm * 1.000_001 {
        let gpm = |value| told(value, 1, "gpm", units);
        let text =
            format!("the largest flow, {}, is more than the meter's rated {}", gpm(i.peak_gpm), gpm(i.rated_gpm));
        add(all, Severity::Warning, "meter-too-small", text);
    }
}

/// Claims of efficiency, judged as their texts say. Nothing here certifies anything.
fn claims(i: &Inputs, units: UnitSystem, all: &mut Vec<Finding>) {
    let per_lb = i.capacity_gr / i.salt_lb;
    if per_lb > STOICHIOMETRIC_GR_PER_LB {
        let text = format!(
            "a capacity of {} of salt is more than the {} that salt can restore at the utmost: more salt, or less capacity",
            told(per_lb, 0, "gr/lb", units),
            told(STOICHIOMETRIC_GR_PER_LB, 0, "gr/lb", units)
        );
        // What cannot be reaches no claim.
        add(all, Severity::Mistake, "capacity-beyond-salt", text);
        return;
    }
    for (least, id, source) in [
        (3_350.0, "efficiency-claim", "NSF/ANSI 44 section 7, as summarised by basc.pnnl.gov"),
        (4_000.0, "efficiency-california", "California Health & Safety Code 116785"),
    ] {
        let verb = if per_lb + 1e-9 >= least { "reaches" } else { "does not reach" };
        let text =
            format!("{} {verb} the {} of {source}", told(per_lb, 0, "gr/lb", units), limit(least, 0, "gr/lb", units));
        add(all, Severity::Note, id, text);
    }
    let lb_per_kgr = i.salt_lb / (i.capacity_gr / 1_000.0);
    // What rounds to 0.30 is 0.30: a dose is written in whole grams.
    if lb_per_kgr < 0.295 && i.capacity_gr / i.resin_ft3 > 20_000.0 * 0.999 {
        let text = format!(
            "salt of {} is less than the {} that the {} of 35 Ill. Adm. Code 604.805 go with",
            told(lb_per_kgr, 2, "lb/kgr", units),
            limit(0.3, 2, "lb/kgr", units),
            limit(20_000.0, 1, "gr/ft3", units)
        );
        add(all, Severity::Warning, "salt-below-rating", text);
    }
}
