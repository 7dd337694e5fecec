//! The summary a person reads after a replay.

use std::fmt::Write as _;

use super::Style;
use super::printable;
use crate::evidence::{self, Evidence, Outcome, PlantEvidence, RegenerationEvidence};
use crate::quantity::show::{self, UnitSystem, litres_exact};
use crate::replay::Checker;
use crate::wording;

/// Regenerations and alarms listed one by one; of more, the first and last.
const MAX_ROWS: usize = 40;

/// The summary of a replay.
#[must_use]
pub fn summary(evidence: &Evidence, units: UnitSystem, style: &Style) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail.
    let _ = write_summary(&mut text, evidence, units, style);
    text
}

fn write_summary(out: &mut String, e: &Evidence, units: UnitSystem, style: &Style) -> std::fmt::Result {
    let span = show::duration_brief(e.span_ms);
    let start = if e.start.is_empty() { String::new() } else { format!(" from {}", e.start.replace('T', " ")) };
    writeln!(out, "{}", style.bold(&printable(&format!("{} · {}", e.site, e.recording))))?;
    writeln!(out, "{} tank{}, {}; {span}{start}", e.tanks.len(), plural(e.tanks.len()), e.arrangement.slug())?;
    for note in &e.notes {
        writeln!(out, "note: {note}")?;
    }
    writeln!(out)?;
    water(out, e, units, style)?;
    if let Some(plant) = &e.plant {
        writeln!(out)?;
        modelled(out, plant, units, style)?;
    }
    writeln!(out)?;
    regenerations(out, e, units, style)?;
    alarms(out, e, style)?;
    next(out, e, style)?;
    violations(out, e, style)
}

fn plural(n: usize) -> &'static str {
    if n == 1 { "" } else { "s" }
}

fn volume(nl: u128, units: UnitSystem) -> String {
    match u64::try_from(nl) {
        Ok(nl) => show::volume(nl, units).to_string(),
        // Beyond 18 million m³ nobody misses the litres.
        Err(_) => format!("{} m3", nl / 1_000_000_000_000),
    }
}

fn water(out: &mut String, e: &Evidence, units: UnitSystem, style: &Style) -> std::fmt::Result {
    writeln!(out, "{}", style.bold("Water"))?;
    let w = &e.water;
    let rows = [
        ("metered", w.metered_nl),
        ("= treated by tanks", w.charged_nl),
        ("+ blended past them", w.blended_nl),
        ("+ passed untreated", w.untreated_nl),
        ("+ metered and sent to drain", w.drained_nl),
    ];
    for (label, nl) in rows {
        let beside = match units {
            UnitSystem::Metric => String::new(),
            UnitSystem::Us => format!("  ({})", volume(nl, units)),
        };
        writeln!(out, "  {label:<30}{:>22} L{beside}", litres_exact(nl))?;
    }
    writeln!(out, "  {}", if w.balances() { "the parts add up to the nanolitre" } else { "THE PARTS DO NOT ADD UP" })?;
    let hard = if e.hard_water_nl == 0 { "none".to_owned() } else { style.alarm(&volume(e.hard_water_nl, units)) };
    writeln!(out, "  {:<30}{hard}", "hard water delivered")?;
    writeln!(out, "  {:<30}{}", "salt, estimated", show::mass(e.salt_mg, units))?;
    writeln!(out, "  {:<30}{}", "to drain, estimated", volume(e.drain_water_nl, units))?;
    let Some(reserve) = &e.daily_use.reserve else { return Ok(()) };
    let (kept, basis) = (volume(reserve.kept_nl.into(), units), wording::reserve_basis_text(reserve.basis));
    writeln!(out, "  {:<30}{kept} of each tank at the end, {basis}", "learned reserve")
}

/// What the plant's physics showed.
fn modelled(out: &mut String, p: &PlantEvidence, units: UnitSystem, style: &Style) -> std::fmt::Result {
    let hardness = |mg_l: f64| match units {
        UnitSystem::Metric => format!("{mg_l:.2} mg/L"),
        UnitSystem::Us => format!("{:.3} gr/gal", mg_l / 17.118_061),
    };
    let litres = |l: f64| volume((l.max(0.0) * 1e9) as u128, units);
    let kg = |kg: f64| show::mass((kg.max(0.0) * 1e6) as u64, units).to_string();
    let pressure = |kpa: f64| match units {
        UnitSystem::Metric => format!("{kpa:.0} kPa"),
        UnitSystem::Us => format!("{:.0} psi", kpa / 6.894_757),
    };
    let flow = |l_min: f64| show::flow((l_min * 1e3) as u64, units).to_string();
    let none = || "none".to_owned();
    writeln!(out, "{}", style.bold("Plant, modelled"))?;
    let mut row = |label: &str, text: String| writeln!(out, "  {label:<30}{text}");
    let mean = p.outlet_mean_mg_l.map_or_else(none, hardness);
    row("hardness at the outlet", format!("{mean} as CaCO3 on average, {} at most", hardness(p.outlet_highest_mg_l)))?;
    row("counts as hard above", hardness(p.hard_above_mg_l))?;
    row("hard water by the logic", volume(p.hard_water_by_logic_nl, units))?;
    for tank in &p.tanks {
        let leakage = tank.leakage_mg_l.map_or_else(none, hardness);
        let lost = if tank.resin_lost_l > 0.0 {
            format!(", {} of resin lost", litres(tank.resin_lost_l))
        } else {
            String::new()
        };
        row(&format!("tank {}", tank.number), format!("{} treated, leakage {leakage}{lost}", litres(tank.treated_l)))?;
    }
    row("past the beds", litres(p.past_bed_l))?;
    if p.pressures.beyond_supply_l > 0.0 {
        row(
            "more than the supply",
            format!("{} were used that no supply of this pressure gives", litres(p.pressures.beyond_supply_l)),
        )?;
    }
    row(
        "salt drawn",
        format!("{}; {} put in, {} left", kg(p.salt.drawn_kg), kg(p.salt.added_kg), kg(p.salt.in_tank_kg)),
    )?;
    let chloride =
        format!("{} of chloride, at most {:.1} g/L", kg(p.drain.chloride_kg), p.drain.highest_chloride_mg_l / 1e3);
    row("to drain", format!("{}, with {chloride}", litres(p.drain.volume_l)))?;
    if p.drain.overflow_l > 0.0 {
        row("over the drain's capacity", litres(p.drain.overflow_l))?;
    }
    let lowest = p.pressures.lowest_outlet_kpa.map_or_else(none, pressure);
    let low = show::duration_brief((p.pressures.low_s * 1e3) as u64);
    row("lowest outlet pressure", format!("{lowest}; below {} for {low}", pressure(p.pressures.low_below_kpa)))?;
    row("largest flow to drain", flow(p.drain.highest_flow_l_min))?;
    let worst = p.balance.iter().map(|line| line.relative_error).fold(0.0, f64::max);
    row("balance", format!("open by {worst:.0e} at the worst line of {}", p.balance.len()))
}

fn regenerations(out: &mut String, e: &Evidence, units: UnitSystem, style: &Style) -> std::fmt::Result {
    let count = e.regenerations.len();
    writeln!(out, "{}", style.bold(&format!("Regenerations: {count}")))?;
    if count == 0 {
        return Ok(());
    }
    writeln!(
        out,
        "  {:<4} {:<12} {:<19} {:<19} {:>9} {:>12} {:>10}  outcome, and what it waited for",
        "tank", "cause", "asked", "began", "took", "since last", "past zero"
    )?;
    for (i, r) in e.regenerations.iter().enumerate() {
        if count > MAX_ROWS && (MAX_ROWS / 2..count - MAX_ROWS / 2).contains(&i) {
            if i == MAX_ROWS / 2 {
                writeln!(out, "  … {} more …", count - MAX_ROWS)?;
            }
            continue;
        }
        row(out, e, r, units)?;
    }
    Ok(())
}

fn row(out: &mut String, e: &Evidence, r: &RegenerationEvidence, units: UnitSystem) -> std::fmt::Result {
    let took = r.end_ms.map_or_else(|| "runs".to_owned(), |end| show::duration_brief(end.saturating_sub(r.start_ms)));
    let waited: Vec<_> = r.holds_before.iter().filter(|h| h.to_ms > h.from_ms).map(|h| h.hold).collect();
    let mut names: Vec<&str> = Vec::new();
    for hold in waited {
        if !names.contains(&hold) {
            names.push(hold);
        }
    }
    let waited = if names.is_empty() { String::new() } else { format!("; {}", names.join(", ")) };
    let outcome = match r.outcome {
        Outcome::Running => "still running",
        other => other.slug(),
    };
    writeln!(
        out,
        "  {:<4} {:<12} {:<19} {:<19} {took:>9} {:>12} {:>10}  {outcome}{waited}",
        r.tank,
        r.cause,
        moment(e, r.asked_ms),
        moment(e, r.start_ms),
        volume(r.volume_since_last_nl, units),
        if r.overrun_nl == 0 { "-".to_owned() } else { volume(r.overrun_nl, units) },
    )
}

/// A moment as people write it: local time, or the time since the start.
fn moment(e: &Evidence, at_ms: u64) -> String {
    match e.start.parse().ok() {
        Some(start) => evidence::moment(Some(start), at_ms),
        None => format!("+{}", show::duration_brief(at_ms)),
    }
}

fn alarms(out: &mut String, e: &Evidence, style: &Style) -> std::fmt::Result {
    if e.alarms.is_empty() {
        return writeln!(out, "\n{}: none", style.bold("Alarms"));
    }
    writeln!(out, "\n{}", style.bold(&format!("Alarms: {}", e.alarms_raised())))?;
    for alarm in e.alarms.iter().take(MAX_ROWS) {
        let to = alarm.to_ms.map_or_else(|| "still stands".to_owned(), |to| format!("until {}", moment(e, to)));
        writeln!(out, "  {} {} {to}", style.alarm(&format!("{:<18}", alarm.slug)), moment(e, alarm.from_ms))?;
        writeln!(out, "      {}", alarm.text)?;
    }
    let more = e.alarms_raised().saturating_sub(MAX_ROWS as u64);
    if more > 0 {
        writeln!(out, "  … {more} more …")?;
    }
    Ok(())
}

fn next(out: &mut String, e: &Evidence, style: &Style) -> std::fmt::Result {
    writeln!(out, "\n{}", style.bold("Next"))?;
    if e.next_expected.is_empty() {
        return writeln!(out, "  nothing is expected");
    }
    for next in &e.next_expected {
        let when = next.at_ms.map(|at| format!(", about {}", moment(e, at))).unwrap_or_default();
        writeln!(out, "  tank {} {}{when}", next.tank, next.text)?;
    }
    Ok(())
}

fn violations(out: &mut String, e: &Evidence, style: &Style) -> std::fmt::Result {
    if e.violations.is_empty() {
        let watched = Checker::WATCHED.join(" ");
        return writeln!(out, "\n{}: none seen broken, of {watched}", style.bold("Rules"));
    }
    writeln!(out, "\n{}", style.alarm(&format!("RULES BROKEN: {}", e.violations.len())))?;
    for v in e.violations.iter().take(MAX_ROWS) {
        writeln!(out, "  {} at {}: {}", v.rule, moment(e, v.at_ms), v.text)?;
    }
    Ok(())
}
