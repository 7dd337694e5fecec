//! Faults of the settings as a whole, shown at the keys of the file that cause them.

use bedkeeper::RawSettings;
use bedkeeper::settings::{Fault, Faults, Medium, Problem, RawDrive, Reserve};

use super::Draft;
use super::reader::Reader;
use super::relay::volume_kept_up_with;
use crate::quantity::{UnitSystem, show};

/// Hardness that salt can restore at the utmost, µg as CaCO3 per mg NaCl.
///
/// Stoichiometry: 100.087 g CaCO3 per 2 × 58.443 g NaCl (5 994 gr/lb).
const MOST_RESTORED_UG_PER_MG: u128 = 856;

/// Refuses a capacity that the dose cannot restore (S6).
pub(super) fn salt(r: &mut Reader<'_>, draft: &Draft) {
    let Medium::Softener { capacity, .. } = draft.raw.medium else { return };
    if r.any_failed(&["resin", "brine.dose", "filter"]) {
        return;
    }
    let most = u128::from(draft.raw.salt.0) * MOST_RESTORED_UG_PER_MG;
    if u128::from(capacity.0) <= most {
        return;
    }
    let most = u64::try_from(most).unwrap_or(u64::MAX);
    let message = format!(
        "{} in a tank is more than {} of salt can restore ({} at the utmost)",
        show::exchange(capacity.0, draft.units),
        show::mass(u64::from(draft.raw.salt.0), draft.units),
        show::exchange(most, draft.units),
    );
    let help = "a smaller capacity or a larger brine.dose; about 0.3 lb of salt per kgr is usual";
    r.fail_at(r.place("resin.capacity"), "resin.capacity", message, help);
}

/// Reports what the check of the settings found, but for what only follows from a fault reported already.
pub(super) fn report(r: &mut Reader<'_>, faults: &Faults, draft: &Draft) {
    for fault in faults.listed() {
        let keys = keys(fault, draft);
        let follows = keys.iter().any(|key| r.any_failed(&[key])) || r.any_failed(rests_on(fault.problem, &draft.raw));
        if follows {
            continue;
        }
        let given = keys.iter().find_map(|key| Some((key.clone(), r.place(key)?)));
        let (key, span) = match given {
            Some((key, span)) => (key, Some(span)),
            None => {
                let key = keys.first().cloned().unwrap_or_else(|| fault.field.to_owned());
                let section = key.split(['.', '[']).next().unwrap_or_default().to_owned();
                (key, r.place(&section))
            }
        };
        // Straight into the findings: one fault of the settings must not hide the next.
        let step = fault.index.and_then(|i| draft.raw.program.get(usize::from(i)));
        let help = match (fault.problem, step) {
            (Problem::NoPositionForStep, Some(step)) => {
                format!("add \"{}\" to valve.positions, or skip the step with length \"0 min\"", step.kind)
            }
            (problem, _) => help(problem, &draft.raw, draft.units),
        };
        r.note(span, &key, fault.problem.slug().to_owned(), help);
    }
    if faults.more() > 0 {
        r.note(None, "", format!("the settings have {} faults more", faults.more()), "mend these first".to_owned());
    }
}

/// The keys of the file that make a field of the settings, the likeliest culprit first.
fn keys(fault: &Fault, draft: &Draft) -> Vec<String> {
    let place = |paths: &[String]| fault.index.and_then(|i| paths.get(usize::from(i)).cloned());
    let fixed: &[&str] = match fault.field {
        "tanks" => &["tanks.number", "tanks.arrangement"],
        "max_regenerating" => &["tanks.max_regenerating"],
        "sharing.draining_together" => &["sharing.draining_together"],
        "sharing.join_above" => &["sharing.join_above", "tanks.number"],
        "sharing.join_hysteresis" => &["sharing.join_hysteresis", "sharing.join_above"],
        "sharing.shared_valve" => &["shared_valve.travel_limit", "shared_valve.rest", "shared_valve"],
        "sharing.join_dwell" => &["sharing.join_dwell"],
        "sharing.bypass_per_mille" => &["sharing.bypass"],
        "medium.hardness" => &["water.hardness"],
        "medium.capacity" => &["resin.capacity", "filter.capacity"],
        "medium.total" => &["resin.total", "resin.capacity"],
        "derating.per_year_per_mille" => &["derating.per_year"],
        "derating.test_limit" => &["derating.test_limit"],
        "derating.failed_test_per_mille" => &["derating.failed_test"],
        "derating.passed_test_per_mille" => &["derating.passed_test"],
        "derating.restore_to_per_mille" => &["derating.restore_to", "derating.least"],
        "derating.least_per_mille" => &["derating.least"],
        "metals.iron_ug_per_l" => &["water.iron"],
        "metals.manganese_ug_per_l" => &["water.manganese"],
        "metals.iron_counts_as" => &["water.iron_counts_as"],
        "metals.manganese_counts_as" => &["water.manganese_counts_as"],
        "meter.pulse_nl" | "meter.pulse_divisor" => &["meter.pulse"],
        "meter.min_closed" => &["meter.min_closed", "meter.min_open", "meter.rated_max", "meter.pulse"],
        "meter.rated_max" => &["meter.rated_max"],
        "meter.measures_steps" => &["meter.measures_steps"],
        "meter.noisy_per_mille" => &["meter.noisy_above"],
        "reserve" => &["reserve.keep"],
        "reserve.deviations" => &["reserve.deviations"],
        "reserve.ceiling_per_mille" => &["reserve.ceiling", "reserve.floor", "reserve.keep"],
        "reserve.until_known_per_mille" => &["reserve.until_known"],
        "reserve.absence_percent" => &["reserve.absence_below"],
        "drive.positions" => &["valve.positions"],
        "drive.travel_limit" => &["valve.travel_limit"],
        "drive.margin" => &["valve.margin", "valve.positions"],
        "drive.rest" => &["valve.rest"],
        "drive.coast" => &["valve.coast"],
        "drive.retries" => &["valve.retries"],
        "drive.settle" => &["valve.settle"],
        "program" => {
            let step = place(&draft.step_paths);
            return step.into_iter().chain(["program.preset".to_owned(), "program.step".to_owned()]).collect();
        }
        "backwash_every" => &["program.backwash_every"],
        "brine.salt_per_water_mg_per_l" => &["brine.salt_per_water"],
        "brine.refill_cap_percent" => &["brine.refill_cap"],
        "brine.low_doses" => &["brine.low_doses", "brine.store_doses"],
        "brine.proportional.on" => &["brine.proportional"],
        "brine.proportional.floor_percent" => &["brine.least_dose"],
        "brine.proportional.full_every" => &["brine.full_dose_every"],
        "dose_after_backwash_percent" => &["brine.dose_after_backwash"],
        "hour_minute" => &["start.hour"],
        "hour_grace" => &["start.grace"],
        "schedule" => &["calendar.schedule"],
        "windows" => return place(&draft.window_paths).into_iter().chain(["blackout".to_owned()]).collect(),
        "watch.small_flow" => &["watch.small_flow", "watch.unbroken_after", "meter.pulse"],
        "watch.unbroken_pause" => &["watch.pause"],
        field if field.starts_with("relays.") => return relay_keys(fault, field, draft),
        "watch.rules.delays" => return place(&draft.delay_paths).into_iter().collect(),
        "contact_debounce" => &["remote.debounce"],
        "stale_after" => &["tanks.stale_after"],
        "purge" => &["tanks.purge"],
        "discharge_limit" => &["limits.drain_per_day"],
        "locks.relock_after" => &["locks.relock_after"],
        "overdue_after" => &["limits.overdue_after"],
        "power.resume_within" => &["power.resume_within"],
        "power.max_restarts" => &["power.max_restarts"],
        "power.retain_per_mille" => &["power.retain_volume"],
        _ => &[],
    };
    fixed.iter().map(|key| (*key).to_owned()).collect()
}

/// The keys of a relay's section that make a field of it.
fn relay_keys(fault: &Fault, field: &str, draft: &Draft) -> Vec<String> {
    let path = fault.index.and_then(|i| draft.relay_paths.get(usize::from(i)).cloned()).unwrap_or_default();
    let own = match fault.problem {
        Problem::NoPauseBetween => "min_off",
        _ => field.trim_start_matches("relays."),
    };
    let keys = if own == "program" { super::relay::PROGRAM_KEYS.to_vec() } else { vec![own] };
    keys.into_iter().map(|key| format!("{path}.{key}")).chain([path.clone()]).collect()
}

/// What a verdict rests on besides its own field: where that could not be read, the verdict means nothing.
fn rests_on(problem: Problem, raw: &RawSettings) -> &'static [&'static str] {
    use Problem as P;
    match problem {
        P::SingleNeedsOneTank
        | P::AlternatingNeedsTwoTanks
        | P::SharingNeedsSeveralTanks
        | P::OneAtATime
        | P::OnlyAlternatingTanksShareValve
        | P::OnlyStagedTanksJoin => &["tanks.arrangement"],
        P::OneMustServe | P::OneThresholdForEachFurtherTank => &["tanks.arrangement", "tanks.number"],
        P::ThresholdsNotAscending | P::HysteresisNotBelowThreshold => &["sharing.join_above"],
        P::BypassNeedsCommonMeter => &["meter.place"],
        P::NoStandbyPosition | P::NoPurgePosition => &["tanks.arrangement", "valve.drive", "valve.positions"],
        P::NoServicePosition
        | P::PositionsNotDistinct
        | P::OffsetsNotAscending
        | P::MarksTooClose
        | P::PatternsNotDistinct => &["valve.drive", "valve.positions"],
        P::CoastPastLeg => &["valve.drive", "valve.positions", "valve.travel_limit"],
        P::RinsesBehindDraw => &["valve.drive", "valve.positions", "program"],
        P::NoPositionForStep | P::WaitInServiceAfterDraw => &["valve.drive", "valve.positions", "program"],
        P::TotalBelowCapacity => &["resin"],
        P::CapacityBelowPulse => &["water", "resin", "filter", "meter.pulse"],
        P::ReserveNotBelowCapacity if matches!(raw.reserve, Reserve::Share(_) | Reserve::Learned(_)) => &[],
        P::ReserveBoundsOutOfRange => &["reserve"],
        P::ReserveNotBelowCapacity => &["water", "resin", "filter"],
        P::NoGapLongEnough | P::HourNeverPermitted => {
            &["program", "brine", "valve", "blackout", "start", "calendar.finish_before_blackout"]
        }
        P::NoSteps
        | P::DrawWithoutRinses
        | P::TwoDraws
        | P::SoftenerNeedsDraw
        | P::FilterWithoutBrine
        | P::FilterNeedsBackwashAndRinse
        | P::FilterBackwashesEachTime => {
            &["program", "water", "resin", "filter", "brine", "valve.drive", "valve.positions"]
        }
        P::PulseWidthTooLong | P::PulseTooCoarse => &["meter", "watch"],
        P::AfterRegeneration | P::NoSuchStep => &["program", "brine", "valve"],
        P::CannotKeepUp => &["meter"],
        P::NoSuchTank => &["tanks"],
        P::RefillNotTheDose => &["brine", "resin.volume", "program.brine_refill"],
        P::ProportionalNeedsMeasure => &["program"],
        P::NoMeterForStep => &["meter", "tanks.arrangement"],
        P::MeterSeesOthers => &["meter.place", "tanks.arrangement"],
        P::BelowOneRegeneration => &["program", "brine"],
        _ => &[],
    }
}

/// What would be right, with the site's own figures where they say more.
fn help(problem: Problem, raw: &RawSettings, units: UnitSystem) -> String {
    use Problem as P;
    match problem {
        P::Zero => "give more than zero".to_owned(),
        P::TooLarge => "at most \"1 m3\" per pulse, and at most six digits of pulses per volume".to_owned(),
        P::SingleNeedsOneTank | P::AlternatingNeedsTwoTanks => {
            "leave tanks.number out, or change tanks.arrangement".to_owned()
        }
        P::SharingNeedsSeveralTanks => "give tanks.number, or change tanks.arrangement".to_owned(),
        P::OneMustServe => format!("at most {} here: one tank serves on", raw.tanks.saturating_sub(1)),
        P::OnlyAlternatingTanksShareValve => "leave it out: these tanks shut themselves off".to_owned(),
        P::OnlyStagedTanksJoin => "leave it out, or set tanks.arrangement to \"staged\"".to_owned(),
        P::OneThresholdForEachFurtherTank => {
            format!("{} flows for {} tanks", raw.tanks.saturating_sub(1), raw.tanks)
        }
        P::ThresholdsNotAscending => "each further tank joins at a higher flow than the one before".to_owned(),
        P::HysteresisNotBelowThreshold => "a tenth of the first threshold is the default".to_owned(),
        P::DwellOutOfRange => "the default is \"1 min\"".to_owned(),
        P::DrainingTogetherOutOfRange => "the default is 1".to_owned(),
        P::BypassOutOfRange => "a share such as \"10 %\"".to_owned(),
        P::BypassNeedsCommonMeter => "set meter.place to \"common\", or leave the bypass out".to_owned(),
        P::TotalBelowCapacity => match raw.medium {
            Medium::Softener { total, .. } => {
                format!("at most {} in a tank, or a larger resin.total", show::exchange(total.0, units))
            }
            Medium::Filter { .. } => String::new(),
        },
        P::DeviationsOutOfRange => "the default is 2".to_owned(),
        P::AbsenceOutOfRange => "the default is \"10 %\"".to_owned(),
        P::ReserveBoundsOutOfRange => "the defaults are \"0 %\" and \"80 %\"".to_owned(),
        P::ReserveNotBelowCapacity if !matches!(raw.reserve, Reserve::Fixed(_)) => {
            "a share such as \"15 %\"".to_owned()
        }
        P::ReserveNotBelowCapacity => {
            let volume = match raw.medium {
                Medium::Softener { hardness, capacity, .. } => capacity.volume_at(hardness),
                Medium::Filter { capacity } => capacity,
            };
            format!("less than the {} that a tank treats between regenerations", show::volume(volume.nl(), units))
        }
        P::NoGapLongEnough | P::HourNeverPermitted => {
            let longest = show::duration(u64::from(raw.longest_regeneration().0));
            format!("the longest regeneration takes up to {longest}: shorten or move a window, or change start.hour")
        }
        P::NoPositionForStep => {
            "add its position to valve.positions, or skip the step with length \"0 min\"".to_owned()
        }
        P::NoServicePosition => "add \"service\" to valve.positions".to_owned(),
        P::NoStandbyPosition => "add \"standby\" to valve.positions".to_owned(),
        P::NoPurgePosition => "add \"fast-rinse\" to valve.positions".to_owned(),
        P::PulseWidthTooLong => {
            "shorten meter.min_closed and meter.min_open to the meter's data, or lower meter.rated_max".to_owned()
        }
        P::BelowOneRegeneration => {
            let needed = show::volume(raw.drain_per_regeneration().nl(), units);
            format!("one regeneration sends {needed} to drain: allow at least that, or leave the limit out")
        }
        P::TravelLimitOutOfRange => "a little more than the valve's longest journey, such as \"4 min\"".to_owned(),
        P::SoftenerNeedsDraw => "add a brine draw, a slow rinse and a fast rinse, or describe a [filter]".to_owned(),
        P::FilterWithoutBrine | P::FilterNeedsBackwashAndRinse => "use the preset \"filter\"".to_owned(),
        P::OneAtATime | P::FilterBackwashesEachTime => "leave it out".to_owned(),
        P::DrawWithoutRinses => "let a slow rinse and then a fast rinse follow, both longer than nothing".to_owned(),
        P::WaitInServiceAfterDraw => "wait before the draw, or add \"standby\" to valve.positions".to_owned(),
        P::OffsetsNotAscending if matches!(raw.drive, RawDrive::CamIndex { .. }) => {
            "the first mark is 0, each is higher than the one before, and valve.marks is higher than all".to_owned()
        }
        P::OffsetsNotAscending => "the first run time is \"0 s\", and each is longer than the one before".to_owned(),
        P::CoastPastLeg => "a shorter coast: one that the cam needs only to come to rest".to_owned(),
        P::MarksTooClose => "smaller valve.slip_marks or valve.coast_marks, or a cam with more marks".to_owned(),
        P::RinsesBehindDraw => {
            "put the rinses behind the draw in valve.positions, or use a drive that tells its position".to_owned()
        }
        P::PatternsNotDistinct => "give each position pilots of its own, such as [1, 3]".to_owned(),
        P::SettleOutOfRange => "the time in which the valve follows its pilots, such as \"5 s\"".to_owned(),
        P::CapacityBelowPulse => "check the capacity, the hardness and meter.pulse".to_owned(),
        P::RelockOutOfRange => "the default is \"10 min\"".to_owned(),
        P::GraceOutOfRange => "the default is \"3 h\"".to_owned(),
        P::DebounceOutOfRange => "the default is \"1 s\"".to_owned(),
        P::RestOutOfRange => "the default is \"2 s\"".to_owned(),
        P::CoastOutOfRange => "the default is \"500 ms\"".to_owned(),
        P::NoisyOutOfRange => "the default is \"2 %\"".to_owned(),
        P::DoseOutOfRange => "\"200 %\" is usual for a counter-current tank, \"100 %\" for all others".to_owned(),
        P::PositionsNotDistinct => "name each position of the valve once, two at least".to_owned(),
        P::NoSteps => "give at least one step a length".to_owned(),
        P::TwoDraws => "keep one of the draws".to_owned(),
        P::LongestBelowLength => "the longest time is at least the usual length, and allows for a slow day".to_owned(),
        P::NoMeterForStep => {
            "use a length alone, meter.place = \"per-tank\", or for a single tank meter.measures_steps".to_owned()
        }
        P::NoVolumeForStep => "a volume such as \"400 L\"".to_owned(),
        P::NoContactForStep => "use a length alone, or a metered volume".to_owned(),
        P::MeterSeesOthers => "leave it out".to_owned(),
        P::ResumeTooLong => "the default is \"20 min\"".to_owned(),
        P::RetainOutOfRange => "the default is \"1 %\"".to_owned(),
        P::RefillCapOutOfRange => "the default is \"250 %\"".to_owned(),
        P::RefillNotTheDose => {
            let dose = bedkeeper::brine::water_for(raw.salt, raw.brine.salt_per_water_mg_per_l);
            format!("the dose takes {} of water", show::volume(dose.nl(), units))
        }
        P::LowNotBelowStore => "fewer than brine.store_doses; the default is 5".to_owned(),
        P::ProportionalNeedsMeasure => {
            "use the preset \"refill-first\", or end brine_draw by a metered volume".to_owned()
        }
        P::FloorOutOfRange => "the default is \"50 %\"".to_owned(),
        P::StepTooLong => "check the length and its unit".to_owned(),
        P::PulseTooCoarse => "a larger watch.small_flow, or watch.unbroken_after = \"off\"".to_owned(),
        P::LongestOnBelowMinimum => "a longer longest_on, or a shorter min_on".to_owned(),
        P::ProtectionLimited => "leave longest_on out".to_owned(),
        P::RelayTimeOutOfRange => "check the length and its unit".to_owned(),
        P::NoSuchTank => "tanks are counted from 1".to_owned(),
        P::NoSuchStep => "such as \"fast-rinse\"".to_owned(),
        P::AfterRegeneration => {
            let longest = show::duration(u64::from(raw.longest_regeneration().0));
            format!("the longest regeneration takes up to {longest}: shorten delay or length")
        }
        P::NoPauseBetween => "such as min_off = \"1 s\"".to_owned(),
        P::OnBelowMinimum => "leave min_on out, or lengthen `on`".to_owned(),
        P::OnAboveLongest => "leave longest_on out, or shorten `on`".to_owned(),
        P::CannotKeepUp => {
            let least = raw.relays.iter().filter_map(|relay| volume_kept_up_with(relay, raw.meter.rated_max.0)).max();
            let least = show::volume(least.unwrap_or_default().nl(), units);
            format!("a volume of at least {least}, or a shorter `on` and min_off")
        }
        P::AgingOutOfRange => "5 % is usual; \"0 %\" leaves age out".to_owned(),
        P::TestStepOutOfRange => "the default is \"10 %\" for a test that failed".to_owned(),
        P::LeastKeptOutOfRange => "the default is \"50 %\"".to_owned(),
        P::RestoreBelowLeast => "the default is \"100 %\"".to_owned(),
        P::MetalOutOfRange => "so much is treated before a softener: give what reaches it".to_owned(),
        P::CountsAsOutOfRange => "the default is \"4 gpg\"".to_owned(),
        P::AlarmTwice => "join what is said of this alarm in one [[alarm]]".to_owned(),
        // What is wrong says what would be right; some of these the reading of values refuses before.
        P::NoDays | P::NotAMinuteOfDay | P::TooManyRetries | P::TooManyRestarts => format!("it {}", problem.slug()),
    }
}
