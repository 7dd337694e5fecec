//! Every kind of mistake in a site file is found, shown where it stands, with what would be right.

mod site_support;

use bedkeeper::settings::Problem;
use bedkeeper_sim::site::{self, LONGEST_SITE_BYTES};
use proptest::prelude::*;
use site_support::{FILTER, SOFTENER, STEPS, faults, pointed, with, without};

/// One mistake: the key and its value, what the finding points at and is about, and parts of what it says.
struct Case {
    key: &'static str,
    value: &'static str,
    at: &'static str,
    field: &'static str,
    message: &'static str,
    help: &'static str,
}

const fn case(
    key: &'static str,
    value: &'static str,
    at: &'static str,
    field: &'static str,
    message: &'static str,
    help: &'static str,
) -> Case {
    Case { key, value, at, field, message, help }
}

/// Mistakes in the least softener, each alone.
const CASES: &[Case] = &[
    // Quantities.
    case("water.hardness", "\"20 L\"", "\"20 L\"", "water.hardness", "measures a volume", "20 gpg"),
    case("water.hardness", "\"20 gpq\"", "\"20 gpq\"", "water.hardness", "unknown unit `gpq`", "did you mean `gpg`?"),
    case("water.hardness", "20", "20", "water.hardness", "has no unit", "gpg, mg/L"),
    case("water.hardness", "-3.5", "-3.5", "water.hardness", "below zero", "20 gpg"),
    case("water.hardness", "true", "true", "water.hardness", "here stands true or false", "20 gpg"),
    case("water.hardness", "\"\"", "\"\"", "water.hardness", "is missing", "20 gpg"),
    case("water.hardness", "\"9 kg/L\"", "\"9 kg/L\"", "water.hardness", "measures a mass per volume", "gpg"),
    case(
        "water.hardness",
        "\"5000000 mg/L\"",
        "\"5000000 mg/L\"",
        "water.hardness",
        "the most that settings keep",
        "at most",
    ),
    case("resin.volume", "\"0 L\"", "\"0 L\"", "resin.volume", "must not be zero", "3 ft3"),
    case("resin.volume", "[1]", "[1]", "resin.volume", "here stands a list", "10 ft3"),
    case("resin.capacity", "\"60 kg/ft3\"", "\"60 kg/ft3\"", "resin.capacity", "unknown unit", "20 kgr/ft3"),
    case("resin.capacity", "\"99999999999999 kg\"", "\"99999999999999 kg\"", "resin.capacity", "is above", "kgr"),
    case("resin.capacity", "\"9000000 g/L\"", "\"9000000 g/L\"", "resin.capacity", "restore", "0.3 lb"),
    case("brine.dose", "\"5 t\"", "\"5 t\"", "brine.dose", "the most that settings keep", "4295 kg"),
    case("brine.salt_per_water", "\"0 g/L\"", "\"0 g/L\"", "brine.salt_per_water", "zero", "2.99 lb/gal"),
    case("brine.refill_flow", "\"0 gpm\"", "\"0 gpm\"", "brine.refill_flow", "zero", "2 L/min"),
    case("brine.dose_after_backwash", "\"133.3 %\"", "\"133.3 %\"", "brine.dose_after_backwash", "whole", "200 %"),
    case("brine.ready_after", "\"60 days\"", "\"60 days\"", "brine.ready_after", "above 49 days", "at most"),
    case("meter.pulse", "\"10 pulses\"", "\"10 pulses\"", "meter.pulse", "not understood", "100 pulses/L"),
    case("meter.pulse", "\"0 L\"", "\"0 L\"", "meter.pulse", "is zero", "10 L"),
    case("meter.noisy_above", "\"2.25 %\"", "\"2.25 %\"", "meter.noisy_above", "finer than 0.1 %", "12.5 %"),
    case("reserve.keep", "\"some\"", "\"some\"", "reserve.keep", "does not begin with a number", "283 L"),
    case("start.hour", "\"2 pm\"", "\"2 pm\"", "start.hour", "not understood", "14:00"),
    case("start.hour", "\"02:00:30\"", "\"02:00:30\"", "start.hour", "has seconds", "02:00"),
    case("start.hour", "\"25:00\"", "\"25:00\"", "start.hour", "not understood", "23:59"),
    case("calendar.backup_after", "\"36 h\"", "\"36 h\"", "calendar.backup_after", "whole number of days", "4 days"),
    case("calendar.backup_after", "\"300 days\"", "\"300 days\"", "calendar.backup_after", "up to 255", "4 days"),
    case("calendar.schedule", "\"mon, tus\"", "\"mon, tus\"", "calendar.schedule", "weekdays", "tue"),
    case("calendar.schedule", "\"every full moon\"", "\"every full moon\"", "calendar.schedule", "number", "4 days"),
    // Words, flags, numbers, texts.
    case(
        "start.when",
        "\"imediate\"",
        "\"imediate\"",
        "start.when",
        "none of the choices",
        "did you mean \"immediate\"?",
    ),
    case(
        "start.when",
        "\"whenever\"",
        "\"whenever\"",
        "start.when",
        "none of the choices",
        "\"immediate\", \"at-hour\"",
    ),
    case("start.when", "2", "2", "start.when", "needs a word", "\"immediate\", \"at-hour\""),
    case(
        "tanks.allow_untreated",
        "\"yes\"",
        "\"yes\"",
        "tanks.allow_untreated",
        "needs true or false",
        "without quotes",
    ),
    case("tanks.number", "\"1\"", "\"1\"", "tanks.number", "needs a whole number", "1 to 8"),
    case("tanks.number", "0", "0", "tanks.number", "out of range", "1 to 8"),
    case(
        "tanks.number",
        "9_999_999_999_999_999_999_999",
        "9_999_999_999_999_999_999_999",
        "tanks.number",
        "out of range",
        "8",
    ),
    case("valve.retries", "-1", "-1", "valve.retries", "out of range", "0 to 10"),
    case("valve.retries", "2.5", "2.5", "valve.retries", "needs a whole number", "0 to 10"),
    case("program.backwash_every", "0", "0", "program.backwash_every", "out of range", "1 to 255"),
    case("site.name", "3", "3", "site.name", "needs a text", "quotes"),
    case("site.name", "\" \"", "\" \"", "site.name", "is empty", "call"),
    // Missing and unknown keys.
    case("water.hardness", "", "[water]", "water.hardness", "`hardness` is missing", "add `hardness = \"20 gpg\"`"),
    case("program.brine_refill", "", "[program]", "program.brine_refill", "is missing", "refill_flow"),
    case("tanks.purges", "\"2 min\"", "purges", "tanks", "unknown key `purges`", "did you mean `purge`?"),
    case("water.hardnes", "\"20 gpg\"", "hardnes", "water", "unknown key `hardnes`", "`hardness` is given already"),
    case("tanks.hardness", "\"20 gpg\"", "hardness", "tanks", "unknown key", "belongs in [water]"),
    case(
        "tanks.colour",
        "\"blue\"",
        "colour",
        "tanks",
        "unknown key `colour`",
        "the keys here are arrangement, number",
    ),
    case("reserves.keep", "\"10 %\"", "reserves", "", "unknown section or key `reserves`", "did you mean `reserve`?"),
    case("tanks.\"\"", "1", "\"\"", "tanks", "unknown key ``", "remove it"),
    // The program.
    case("program.preset", "\"cocurrent\"", "\"cocurrent\"", "program.preset", "none", "did you mean \"co-current\"?"),
    case("program.backwash", "\"10 min\"", "\"10 min\"", "program.backwash", "a length and a flow", "drain = "),
    case(
        "program.backwash",
        "{ length = \"9 min\" }",
        "{ length = \"9 min\" }",
        "program.backwash.drain",
        "missing",
        "8 L/min",
    ),
    case("program.settle", "\"5 min\"", "\"5 min\"", "program.settle", "\"co-current\" has no such step", "remove"),
    case("program.step", "\"a\"", "\"a\"", "program.step", "list of sections", "[[program.step]]"),
    // The valve and its simulation.
    case("valve.margin", "\"2 s\"", "\"2 s\"", "valve.margin", "only a timed drive", "remove"),
    case("valve.marks", "48", "48", "valve.marks", "only a cam-index has marks", "remove"),
    case("valve.contact", "true", "true", "valve.contact", "has no meaning here", "remove"),
    case(
        "valve.drive",
        "\"hydraulic\"",
        "\"hydraulic\"",
        "valve.drive",
        "none of the choices",
        "\"cam-switch\", \"cam-index\", \"timed\", \"pilot-array\"",
    ),
    case(
        "valve.positions",
        "\"service\"",
        "\"service\"",
        "valve.positions",
        "needs a list",
        "[\"service\", \"backwash\"]",
    ),
    case("plant.leg", "\"50 ms\"", "\"50 ms\"", "plant.leg", "at least 100 ms", "10 s"),
    case(
        "plant.leg",
        "\"1 min\"",
        "\"1 min\"",
        "plant.leg",
        "whole turn of the simulated valve takes 6 min",
        "shorter",
    ),
    case("valve.travel_limit", "\"30 s\"", "\"30 s\"", "valve.travel_limit", "takes 1 min", "above 1 min"),
    case("plant.coast", "\"2 s\"", "\"2 s\"", "plant.coast", "longer than the 0.5 s", "valve.coast longer"),
    // The salt cannot do what is claimed: 18 lb × 5 994 gr/lb = 107.9 kgr (derived).
    case("resin.capacity", "\"108 kgr\"", "\"108 kgr\"", "resin.capacity", "8.165 kg of salt", "larger brine.dose"),
    // Syntax that leaves the rest readable.
    case("water.hardness", "20 gpg", "20 gpg", "", "without quotes", "write \"20 gpg\""),
    case("resin.volume", "\"3 ft3\"\nvolume = \"3 ft3\"", "volume", "", "`volume` is given twice", "keep one"),
];

#[test]
fn each_mistake_is_one_finding_at_its_place() {
    for Case { key, value, at, field, message, help } in CASES {
        let source = with(SOFTENER, key, value);
        let errors = faults(&source);
        assert_eq!(errors.findings().len(), 1, "{key} = {value}\n{errors}");
        let finding = &errors.findings()[0];
        assert_eq!(pointed(&source, finding), *at, "{key} = {value}\n{errors}");
        assert_eq!(finding.field, *field, "{key} = {value}\n{errors}");
        assert!(finding.message.contains(message), "{key} = {value}: no {message:?}\n{errors}");
        assert!(finding.help.contains(help), "{key} = {value}: no {help:?}\n{errors}");
    }
}

/// Five positions of three pilots.
const PILOTS: &str = "drive = \"pilot-array\"\npositions = [\n{ position = \"service\", pilots = [] },\n\
    { position = \"backwash\", pilots = [1] },\n{ position = \"brine-draw\", pilots = [2] },\n\
    { position = \"fast-rinse\", pilots = [1, 2] },\n{ position = \"brine-refill\", pilots = [3] },\n]\n";

/// A site with one fault of the settings as a whole, and the text at which it shows.
fn faulty(problem: Problem) -> Option<(String, &'static str)> {
    use Problem as P;
    let softener = |key, value, at| Some((with(SOFTENER, key, value), at));
    let filter = |key, value, at| Some((with(FILTER, key, value), at));
    let steps = |steps: &str, at| Some((format!("{}\n{steps}", without(SOFTENER, "program")), at));
    let window = |base: &str, from, to| {
        Some((format!("{base}\n[[blackout]]\ndays = \"daily\"\nfrom = \"{from}\"\nto = \"{to}\"\n"), "[[blackout]]"))
    };
    let relay = |keys: &str, at| Some((format!("{SOFTENER}\n[[relay]]\nnumber = 3\n{keys}\n"), at));
    let dose =
        |keys: &str, at| relay(&format!("program = \"per-volume\"\nvolume = \"1 m3\"\nmin_off = \"1 s\"\n{keys}"), at);
    let alternating = with(SOFTENER, "tanks.arrangement", "\"alternating\"");
    let valve = |valve: &str, at| Some((format!("{}\n[valve]\n{valve}", without(SOFTENER, "valve")), at));
    let parallel = with(SOFTENER, "tanks.arrangement", "\"parallel\"");
    let staged = with(SOFTENER, "tanks.arrangement", "\"staged\"");
    let staged = with(&with(&staged, "tanks.number", "3"), "sharing.join_above", "[\"20 L/min\", \"40 L/min\"]");
    let on = |base: &str, key, value, at| Some((with(base, key, value), at));
    let learned = format!("{}\n[reserve]\nkeep = \"learned\"\n", without(SOFTENER, "reserve"));
    match problem {
        P::SharingNeedsSeveralTanks => on(&parallel, "tanks.number", "1", "1"),
        P::OneMustServe => on(&parallel, "tanks.max_regenerating", "2", "2"),
        P::OnlyStagedTanksJoin => on(&parallel, "sharing.join_above", "[\"20 L/min\"]", "[\"20 L/min\"]"),
        P::OneThresholdForEachFurtherTank => on(&staged, "sharing.join_above", "[\"20 L/min\"]", "[\"20 L/min\"]"),
        P::ThresholdsNotAscending => on(&staged, "sharing.join_above", "[\"20 L/min\", \"20 L/min\"]", "[\"20 L/min\""),
        P::HysteresisNotBelowThreshold => on(&staged, "sharing.join_hysteresis", "\"20 L/min\"", "\"20 L/min\""),
        P::OnlyAlternatingTanksShareValve => on(&parallel, "shared_valve.retries", "2", "[shared_valve]"),
        P::DwellOutOfRange => on(&staged, "sharing.join_dwell", "\"2 h\"", "\"2 h\""),
        P::BypassOutOfRange => on(&parallel, "sharing.bypass", "\"100 %\"", "\"100 %\""),
        P::BypassNeedsCommonMeter => {
            on(&with(&parallel, "meter.place", "\"per-tank\""), "sharing.bypass", "\"10 %\"", "\"10 %\"")
        }
        P::Zero => softener("water.hardness", "\"0 gpg\"", "\"0 gpg\""),
        P::TooLarge => softener("meter.pulse", "\"2 m3\"", "\"2 m3\""),
        P::SingleNeedsOneTank => softener("tanks.number", "2", "2"),
        P::AlternatingNeedsTwoTanks => Some((with(&alternating, "tanks.number", "3"), "3")),
        P::OneAtATime => softener("tanks.max_regenerating", "2", "2"),
        P::TotalBelowCapacity => softener("resin.total", "\"50 kgr\"", "\"50 kgr\""),
        P::CapacityBelowPulse => filter("filter.capacity", "\"9 L\"", "\"9 L\""),
        P::ReserveNotBelowCapacity => softener("reserve.keep", "\"12 m3\"", "\"12 m3\""),
        P::DeviationsOutOfRange => None,
        P::AbsenceOutOfRange => Some((format!("{learned}absence_below = \"51 %\"\n"), "\"51 %\"")),
        P::ReserveBoundsOutOfRange => Some((format!("{learned}ceiling = \"100 %\"\n"), "\"100 %\"")),
        P::GraceOutOfRange => softener("start.grace", "\"13 h\"", "\"13 h\""),
        P::NoGapLongEnough => window(SOFTENER, "01:00", "00:00"),
        P::HourNeverPermitted => window(&with(SOFTENER, "start.when", "\"at-hour\""), "00:00", "06:00"),
        P::NoSteps => steps("[[program.step]]\nkind = \"settle\"\nlength = \"0 s\"\n", "[[program.step]]"),
        P::DrawWithoutRinses => {
            softener("program.slow_rinse", "{ length = \"0 s\", drain = \"4 L/min\" }", "\"co-current\"")
        }
        P::TwoDraws => steps(&STEPS.replacen("\"backwash\"", "\"brine-draw\"", 1), "[[program.step]]"),
        P::SoftenerNeedsDraw => {
            softener("program.brine_draw", "{ length = \"0 s\", drain = \"4 L/min\" }", "\"co-current\"")
        }
        P::FilterWithoutBrine => {
            let timed = FILTER.replace("[\n", "[\n    { position = \"brine-draw\", run_time = \"40 s\" },\n");
            let cam = "[\"service\", \"backwash\", \"brine-draw\", \"fast-rinse\", \"brine-refill\"]";
            let cam =
                with(&without(&timed, "valve"), "valve.drive", "\"cam-switch\"") + &format!("positions = {cam}\n");
            Some((format!("{}\n{STEPS}", without(&cam, "program")), "[[program.step]]"))
        }
        P::FilterNeedsBackwashAndRinse => {
            filter("program.backwash", "{ length = \"0 s\", drain = \"4 L/min\" }", "\"filter\"")
        }
        P::FilterBackwashesEachTime => filter("program.backwash_every", "2", "2"),
        P::WaitInServiceAfterDraw => {
            let wait = "kind = \"brine-wait\"\nlength = \"10 min\"\n[[program.step]]\nkind = \"fast-rinse\"";
            let (source, _) = steps(&STEPS.replace("kind = \"fast-rinse\"", wait), "")?;
            let positions = "[\"service\", \"backwash\", \"brine-draw\", \"fast-rinse\", \"brine-refill\"]";
            Some((with(&source, "valve.positions", positions), "[[program.step]]"))
        }
        P::NoPositionForStep => {
            let positions = "[\"service\", \"brine-draw\", \"fast-rinse\", \"brine-refill\"]";
            softener("valve.positions", positions, "{ length = \"10 min\", drain = \"25 L/min\" }")
        }
        P::NoServicePosition => {
            let positions = "[\"standby\", \"backwash\", \"brine-draw\", \"fast-rinse\", \"brine-refill\"]";
            softener("valve.positions", positions, positions)
        }
        P::NoStandbyPosition => {
            let positions = "[\"service\", \"backwash\", \"brine-draw\", \"fast-rinse\", \"brine-refill\"]";
            Some((with(&alternating, "valve.positions", positions), positions))
        }
        P::NoPurgePosition => {
            let positions = "[\"service\", \"backwash\", \"brine-draw\", \"brine-refill\", \"standby\"]";
            Some((with(&alternating, "valve.positions", positions), positions))
        }
        P::PositionsNotDistinct => {
            let positions =
                "[\"service\", \"backwash\", \"brine-draw\", \"fast-rinse\", \"brine-refill\", \"backwash\"]";
            softener("valve.positions", positions, positions)
        }
        P::OffsetsNotAscending => Some((FILTER.replace("30 s", "15 s"), "[\n    { position = \"service\"")),
        P::TravelLimitOutOfRange => softener("valve.travel_limit", "\"31 min\"", "\"31 min\""),
        P::RestOutOfRange => softener("valve.rest", "\"11 min\"", "\"11 min\""),
        P::CoastOutOfRange => softener("valve.coast", "\"2 min\"", "\"2 min\""),
        P::CoastPastLeg => softener("valve.coast", "\"25 s\"", "\"25 s\""),
        P::MarksTooClose => valve(
            "drive = \"cam-index\"\nmarks = 40\npositions = [\n{ position = \"service\", mark = 0 },\n\
             { position = \"backwash\", mark = 10 },\n{ position = \"brine-draw\", mark = 20 },\n\
             { position = \"fast-rinse\", mark = 24 },\n{ position = \"brine-refill\", mark = 30 },\n]\n",
            "[\n{ position",
        ),
        P::RinsesBehindDraw => valve(
            "drive = \"timed\"\npositions = [\n{ position = \"service\", run_time = \"0 s\" },\n\
             { position = \"backwash\", run_time = \"10 s\" },\n{ position = \"fast-rinse\", run_time = \"20 s\" },\n\
             { position = \"brine-draw\", run_time = \"30 s\" },\n{ position = \"brine-refill\", run_time = \"40 s\" },\n]\n",
            "[\n{ position",
        ),
        P::PatternsNotDistinct => valve(&PILOTS.replace("[3]", "[2]"), "[\n{ position"),
        P::SettleOutOfRange => valve(&format!("{PILOTS}settle = \"11 min\"\n"), "\"11 min\""),
        P::DebounceOutOfRange => softener("remote.debounce", "\"5 ms\"", "\"5 ms\""),
        P::DoseOutOfRange => softener("brine.dose_after_backwash", "\"50 %\"", "\"50 %\""),
        P::NoisyOutOfRange => softener("meter.noisy_above", "\"0 %\"", "\"0 %\""),
        P::PulseWidthTooLong => softener("meter.min_closed", "\"10 s\"", "\"10 s\""),
        P::RelockOutOfRange => softener("locks.relock_after", "\"5 s\"", "\"5 s\""),
        P::BelowOneRegeneration => softener("limits.drain_per_day", "\"700 L\"", "\"700 L\""),
        P::RefillCapOutOfRange => softener("brine.refill_cap", "\"90 %\"", "\"90 %\""),
        P::RefillNotTheDose => Some((
            with(
                &with(SOFTENER, "meter.place", "\"per-tank\""),
                "program.brine_refill",
                "{ length = \"12 min\", until = \"30 L\", longest = \"20 min\" }",
            ),
            "{ length = \"12 min\"",
        )),
        P::LowNotBelowStore => softener("brine.store_doses", "4", "4"),
        P::ProportionalNeedsMeasure => softener("brine.proportional", "true", "true"),
        P::FloorOutOfRange => softener("brine.least_dose", "\"5 %\"", "\"5 %\""),
        P::LongestBelowLength => softener(
            "program.brine_refill",
            "{ length = \"11 min\", until = \"contact\", longest = \"10 min\" }",
            "{ length = \"11 min\"",
        ),
        P::NoMeterForStep => softener(
            "program.backwash",
            "{ length = \"10 min\", drain = \"25 L/min\", until = \"200 L\", longest = \"20 min\" }",
            "{ length = \"10 min\"",
        ),
        P::NoVolumeForStep => Some((
            with(
                &with(SOFTENER, "meter.place", "\"per-tank\""),
                "program.backwash",
                "{ length = \"10 min\", drain = \"25 L/min\", until = \"0 L\", longest = \"20 min\" }",
            ),
            "{ length = \"10 min\"",
        )),
        P::NoContactForStep => softener(
            "program.backwash",
            "{ length = \"10 min\", drain = \"25 L/min\", until = \"contact\", longest = \"20 min\" }",
            "{ length = \"10 min\"",
        ),
        P::MeterSeesOthers => Some((with(&alternating, "meter.measures_steps", "true"), "true")),
        P::PulseTooCoarse => softener("watch.small_flow", "\"20 mL/min\"", "\"20 mL/min\""),
        P::LongestOnBelowMinimum => {
            relay("program = \"while-flow\"\nmin_on = \"2 s\"\nlongest_on = \"1 s\"", "\"1 s\"")
        }
        P::ProtectionLimited => relay("program = \"fail-safe\"\nlongest_on = \"1 h\"", "\"1 h\""),
        P::RelayTimeOutOfRange => relay("program = \"while-flow\"\nmin_off = \"25 h\"", "\"25 h\""),
        P::NoSuchTank => relay("program = \"isolate\"\ntanks = [2]", "[2]"),
        P::NoSuchStep => relay("program = \"during\"\nsteps = [\"settle\"]", "[\"settle\"]"),
        P::AfterRegeneration => relay("program = \"after-start\"\ndelay = \"5 h\"\nlength = \"1 s\"", "\"1 s\""),
        P::NoPauseBetween => relay("program = \"per-volume\"\nvolume = \"1 m3\"\non = \"2 s\"", "[[relay]]"),
        P::OnBelowMinimum => dose("on = \"2 s\"\nmin_on = \"3 s\"", "\"2 s\""),
        P::OnAboveLongest => dose("on = \"2 s\"\nlongest_on = \"1 s\"", "\"2 s\""),
        P::CannotKeepUp => dose("on = \"10 min\"", "\"10 min\""),
        P::AlarmTwice => {
            let twice = "[[alarm]]\nname = \"overrun\"\nonset = \"1 min\"\n".repeat(2);
            Some((format!("{SOFTENER}\n{twice}"), "[[alarm]]"))
        }
        P::AgingOutOfRange => softener("derating.per_year", "\"21 %\"", "\"21 %\""),
        P::TestStepOutOfRange => softener("derating.failed_test", "\"51 %\"", "\"51 %\""),
        P::LeastKeptOutOfRange => softener("derating.least", "\"19 %\"", "\"19 %\""),
        P::RestoreBelowLeast => softener("derating.restore_to", "\"49 %\"", "\"49 %\""),
        P::MetalOutOfRange => softener("water.manganese", "\"51 mg/L\"", "\"51 mg/L\""),
        P::CountsAsOutOfRange => softener("water.iron_counts_as", "\"501 mg/L\"", "\"501 mg/L\""),
        P::ResumeTooLong => softener("power.resume_within", "\"13 h\"", "\"13 h\""),
        P::RetainOutOfRange => softener("power.retain_volume", "\"11 %\"", "\"11 %\""),
        P::StepTooLong => softener("program.brine_refill", "\"13 h\"", "\"13 h\""),
        // Refused while values are read: see `CASES`. A text without a day is no list of weekdays, a time beyond
        // 23:59 no time of day, retries and restarts are counted up to 10, tanks up to 8.
        P::NoDays | P::NotAMinuteOfDay | P::TooManyRetries | P::TooManyRestarts | P::DrainingTogetherOutOfRange => None,
    }
}

/// A preset has steps that the file does not name: which position is missing is said.
#[test]
fn a_missing_position_is_named() {
    let positions = "[\"service\", \"backwash\", \"brine-draw\", \"fast-rinse\"]";
    let errors = faults(&with(SOFTENER, "valve.positions", positions));
    let finding = errors.findings().iter().find(|f| f.message == Problem::NoPositionForStep.slug());
    assert!(finding.is_some_and(|f| f.help.contains("add \"brine-refill\" to valve.positions")), "{errors}");
}

#[test]
fn every_fault_of_the_settings_shows_at_its_key() {
    for problem in Problem::ALL {
        let Some((source, at)) = faulty(*problem) else { continue };
        let errors = faults(&source);
        let finding = errors.findings().iter().find(|finding| finding.message == problem.slug());
        let finding = finding.unwrap_or_else(|| panic!("{problem:?} is not found\n{errors}"));
        assert!(pointed(&source, finding).starts_with(at), "{problem:?}\n{errors}");
        assert!(!at.is_empty() && !finding.help.is_empty() && !finding.field.is_empty(), "{problem:?}\n{errors}");
        // Some of these take others with them: a valve without service or rinse has no place for more than one thing.
        let others = matches!(problem, Problem::NoPurgePosition | Problem::NoPositionForStep | Problem::NoSteps);
        assert!(others || errors.findings().len() == 1, "{problem:?}\n{errors}");
    }
}

#[test]
fn a_missing_section_is_one_finding_with_its_keys() {
    let errors = faults(&without(SOFTENER, "resin"));
    assert_eq!(errors.findings().len(), 1, "{errors}");
    let finding = &errors.findings()[0];
    assert_eq!((finding.field.as_str(), &finding.span), ("resin", &None));
    assert_eq!(finding.help, "add [resin] with `volume = \"85 L\"`, `capacity = \"20 kgr/ft3\"`");
}

#[test]
fn an_empty_file_asks_for_every_section() {
    let errors = faults("");
    let fields: Vec<&str> = errors.findings().iter().map(|finding| finding.field.as_str()).collect();
    let mut sorted = fields.clone();
    sorted.sort_unstable();
    assert_eq!(sorted, ["brine", "meter", "program", "resin", "site", "start", "tanks", "valve", "water"]);
}

#[test]
fn a_misspelt_key_or_section_hides_no_other_fault_and_brings_none() {
    let source = with(&SOFTENER.replace("pulse =", "pluse =").replace("[resin]", "[resni]"), "start.grace", "\"20 h\"");
    let errors = faults(&source);
    let messages: Vec<&str> = errors.findings().iter().map(|finding| finding.message.as_str()).collect();
    let expected = ["unknown section or key `resni`", "unknown key `pluse`", "must be between 1 min and 12 h"];
    assert_eq!(messages, expected, "{errors}");
}

#[test]
fn softener_and_filter_exclude_each_other() {
    let errors = faults(&with(SOFTENER, "filter.capacity", "\"50 m3\""));
    let fields: Vec<&str> = errors.findings().iter().map(|finding| finding.field.as_str()).collect();
    assert_eq!(fields, ["water", "resin", "brine"], "{errors}");
}

#[test]
fn a_preset_and_steps_exclude_each_other() {
    let errors = faults(&format!("{SOFTENER}\n{STEPS}"));
    assert!(
        errors.findings().iter().any(|f| f.field == "program.preset" && f.help.contains("[[program.step]]")),
        "{errors}"
    );
}

#[test]
fn more_steps_and_windows_than_there_is_room_for_are_refused_each() {
    let wait = "[[program.step]]\nkind = \"settle\"\nlength = \"1 min\"\n";
    let errors = faults(&format!("{}\n{STEPS}{}", without(SOFTENER, "program"), wait.repeat(9)));
    let fields: Vec<&str> = errors.findings().iter().map(|finding| finding.field.as_str()).collect();
    assert_eq!(fields, ["program.step[13]", "program.step[14]"], "{errors}");
    let window = "[[blackout]]\ndays = \"mon\"\nfrom = \"01:00\"\nto = \"02:00\"\n";
    let errors = faults(&format!("{SOFTENER}\n{}", window.repeat(9)));
    let fields: Vec<&str> = errors.findings().iter().map(|finding| finding.field.as_str()).collect();
    assert_eq!(fields, ["blackout[9]"], "{errors}");
}

#[test]
fn a_list_in_place_of_a_section_and_the_other_way_round() {
    let errors = faults(&SOFTENER.replace("[meter]", "[[meter]]"));
    assert_eq!(errors.findings().len(), 1, "{errors}");
    assert!(errors.findings()[0].help.contains("[meter]"), "{errors}");
    let window = "[blackout]\ndays = \"mon\"\nfrom = \"01:00\"\nto = \"02:00\"\n";
    let errors = faults(&format!("{SOFTENER}\n{window}"));
    assert_eq!(errors.findings().len(), 1, "{errors}");
    assert!(errors.findings()[0].help.contains("[[blackout]]"), "{errors}");
}

/// A refill that is both given and computed must agree with itself, or a wrong dose would go unseen.
#[test]
fn a_refill_length_that_does_not_make_the_dose_is_refused() {
    let with_flow = with(SOFTENER, "brine.refill_flow", "\"2 L/min\"");
    // 18 lb ÷ 2.99 lb/gal = 22.79 L; at 2 L/min 11 min 24 s; 12 min is 5.3 % more.
    let errors = faults(&with_flow);
    assert_eq!(errors.findings().len(), 1, "{errors}");
    assert!(errors.findings()[0].message.contains("it takes 11 min 24 s"), "{errors}");
    site_support::good(&with(&with_flow, "program.brine_refill", "\"11 min 50 s\""));
}

#[test]
fn broken_syntax_is_listed_alone() {
    let errors = faults(&with(&SOFTENER.replace("[meter]", "[meter"), "start.grace", "\"20 h\""));
    assert_eq!(errors.findings().len(), 1, "{errors}");
    assert!(errors.findings()[0].message.starts_with("TOML syntax: "), "{errors}");
    let errors = faults(&format!("{SOFTENER}\n[water]\n"));
    assert_eq!(errors.findings().len(), 1, "{errors}");
    assert_eq!(errors.findings()[0].message, "the section [water] is given twice");
}

#[test]
fn a_file_full_of_faults_ends_in_a_count() {
    let many: String = (0..200).map(|n| format!("key{n} = 1\n")).collect();
    let errors = faults(&many);
    assert_eq!(errors.findings().len(), 51);
    assert!(errors.findings()[50].message.starts_with("and "), "{errors}");
}

#[test]
fn files_that_are_no_site_files_end_clearly() {
    let folder = tempfile::tempdir().expect("a folder");
    let message = |name: &str, bytes: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).expect("written");
        let errors = site::load(&path).expect_err("no site");
        assert_eq!(errors.findings().len(), 1, "{errors}");
        errors.findings()[0].message.clone()
    };
    assert_eq!(message("binary", b"[site]\nname = \"\xff\"\n"), "is no UTF-8 text");
    assert_eq!(message("long", &vec![b' '; LONGEST_SITE_BYTES + 1]), "is longer than 1024 KiB");
    let missing = site::load(folder.path().join("missing")).expect_err("no file");
    assert!(missing.findings()[0].message.starts_with("cannot be read: "), "{missing}");
    let directory = site::load(folder.path()).expect_err("no file");
    assert!(directory.findings()[0].message.starts_with("cannot be read: "), "{directory}");
}

/// A file with five mistakes of five kinds: a unit, a missing key, an unknown key, a type, and the settings as a whole.
const FIVE: &str = r#"[site]
name = "Five mistakes (invented)"

[tanks]
arrangement = "alternating"

[water]
hardness = "20 L"

[resin]
volume = "85 L"
capacity = "20 kgr/ft3"

[brine]
refill_flow = "2 L/min"

[meter]
pluse = "10 L"

[reserve]
keep = "15 %"

[start]
when = "immediate"
exhausted_at_once = "no"

[program]
preset = "co-current"
backwash = { length = "10 min", drain = "25 L/min" }
brine_draw = { length = "30 min", drain = "3 L/min" }
slow_rinse = { length = "25 min", drain = "4 L/min" }
fast_rinse = { length = "15 min", drain = "20 L/min" }

[valve]
drive = "cam-switch"
positions = ["service", "backwash", "brine-draw", "fast-rinse", "brine-refill"]
"#;

#[test]
fn five_mistakes_are_five_findings() {
    let errors = faults(FIVE);
    assert_eq!(errors.findings().len(), 5, "{errors}");
    insta::with_settings!({omit_expression => true}, {
        insta::assert_snapshot!(errors.render(false));
    });
}

/// Findings come by line, point into the text, and say what would be right.
fn sound(source: &str) -> Result<(), TestCaseError> {
    let Err(errors) = site::parse("site.toml", source) else { return Ok(()) };
    prop_assert!(!errors.findings().is_empty());
    let starts: Vec<usize> =
        errors.findings().iter().map(|f| f.span.as_ref().map_or(usize::MAX, |span| span.start)).collect();
    prop_assert!(starts.is_sorted(), "{starts:?}");
    for finding in errors.findings() {
        prop_assert!(finding.span.as_ref().is_none_or(|span| source.get(span.clone()).is_some()), "{finding:?}");
        prop_assert!(!finding.message.is_empty() && !finding.help.is_empty(), "{finding:?}");
    }
    let report = errors.render(false);
    let count = format!("site.toml: {} finding{}\n", starts.len(), if starts.len() == 1 { "" } else { "s" });
    prop_assert!(report.ends_with(&count), "{report}");
    Ok(())
}

const APARTMENTS: &str = include_str!("../demo/apartments.toml");

proptest! {
    #[test]
    fn no_text_makes_it_panic(source in "[\\PC\\n\\t\"'=\\[\\]{}#.,]{0,200}") {
        sound(&source)?;
    }

    #[test]
    fn no_damage_to_a_good_file_makes_it_panic(
        cut in 0..APARTMENTS.len(),
        length in 0..60_usize,
        inserted in "[a-z0-9 \"'=\\[\\]{}#.,\\n°%/-]{0,12}",
    ) {
        let start = APARTMENTS.floor_char_boundary(cut);
        let end = APARTMENTS.ceil_char_boundary((start + length).min(APARTMENTS.len()));
        sound(&format!("{}{inserted}{}", &APARTMENTS[..start], &APARTMENTS[end..]))?;
    }

    #[test]
    fn no_value_of_any_key_makes_it_panic(
        line in 0..200_usize,
        value in prop_oneof![
            "\"[0-9]{0,25}(\\.[0-9]{0,18})? ?(gpg|mg/L|L|m3|kgr|kgr/ft3|kg|lb/ft3|g/L|s|min|h|days|%|L/min|gpm|pulses/L)\"",
            "-?[0-9]{1,30}(\\.[0-9]{1,3})?",
            Just("[]".to_owned()), Just("{}".to_owned()), Just("[[1]]".to_owned()), Just("inf".to_owned()),
            Just("1979-05-27".to_owned()), Just("{ length = 1, drain = [] }".to_owned()),
        ],
    ) {
        let lines: Vec<&str> = APARTMENTS.lines().collect();
        let keys: Vec<usize> = (0..lines.len()).filter(|&n| lines[n].contains(" = ")).collect();
        let n = keys[line % keys.len()];
        let key = lines[n].trim_start_matches("# ").split(" = ").next().unwrap_or_default();
        let changed = format!("{key} = {value}");
        let mut lines = lines.clone();
        lines[n] = &changed;
        sound(&lines.join("\n"))?;
    }
}

#[test]
fn deep_nesting_is_refused_and_not_followed() {
    for open in ["[", "{a=", "[{a="] {
        let source = format!("site = {}", open.repeat(50_000));
        let errors = faults(&source);
        assert!(!errors.findings().is_empty());
    }
}
