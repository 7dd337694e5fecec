//! What a site file says of watches and alarms.

mod site_support;

use bedkeeper::program::{StepKind, StepSet};
use bedkeeper::relay::{RawRelay, RelayProgram};
use bedkeeper::units::{Flow, Millis, TankId, TankSet, Volume};
use bedkeeper::watch::{Alarm, AlarmDelay, AlarmRules, Severity};
use site_support::{SOFTENER, faults, good, with};

/// W2: severity, latching and delays are settings of each alarm; what is not said is as usual.
#[test]
fn w2_alarms_are_treated_as_the_file_says() {
    assert_eq!(good(SOFTENER).raw.watch.rules, AlarmRules::default());
    let source = format!(
        "{SOFTENER}\n[[alarm]]\nname = \"overrun\"\nseverity = \"critical\"\nlatching = true\n\
         [[alarm]]\nname = \"relay-limit\"\nlatching = false\n\
         [[alarm]]\nname = \"excess-flow\"\nonset = \"90 s\"\nreturn = \"18 h\"\n"
    );
    let rules = good(&source).raw.watch.rules;
    let mut expected = AlarmRules::default();
    expected.set_severity(Alarm::Overrun, Severity::Critical);
    expected.latching.insert(Alarm::Overrun);
    expected.latching.remove(Alarm::RelayLimit);
    expected.delays.push(AlarmDelay { alarm: Alarm::ExcessFlow, onset_s: 90, return_s: 64_800 }).expect("room");
    assert_eq!(rules, expected);
}

/// S11: what an alarm cannot be is one finding at its key.
#[test]
fn s11_wrong_alarms_are_findings() {
    let one = |lines: &str| {
        let errors = faults(&format!("{SOFTENER}\n{lines}"));
        assert_eq!(errors.findings().len(), 1, "{errors}");
        let finding = errors.findings()[0].clone();
        (finding.field, finding.message)
    };
    let (field, message) = one("[[alarm]]\nname = \"overun\"\n");
    assert!(field == "alarm[1].name" && message.contains("none of the choices"), "{field}: {message}");
    let (field, message) = one("[[alarm]]\nseverity = \"notice\"\n");
    assert!(field == "alarm[1].name" && message.contains("missing"), "{field}: {message}");
    for long in ["19 h", "1500 ms"] {
        let (field, message) = one(&format!("[[alarm]]\nname = \"overrun\"\nonset = \"{long}\"\n"));
        assert!(field == "alarm[1].onset" && message.contains("no whole seconds up to 18 h"), "{field}: {message}");
    }
    let many: String =
        Alarm::ALL.iter().take(7).map(|alarm| format!("[[alarm]]\nname = \"{alarm}\"\nreturn = \"1 s\"\n")).collect();
    let (field, message) = one(&many);
    assert!(field == "alarm[7]" && message.contains("more than the 6"), "{field}: {message}");
}

/// W1: the small flow follows the meter: 0.5 L/min, or a pulse in half an hour where that is more.
#[test]
fn w1_the_small_flow_follows_the_meter() {
    let small = |pulse: &str| good(&with(SOFTENER, "meter.pulse", pulse)).raw.watch.small_flow;
    assert_eq!(small("\"1 L\""), Flow(500));
    assert_eq!(small("\"15 L\""), Flow(500));
    assert_eq!(small("\"30 L\""), Flow(1_000));
    assert_eq!(small("\"900 L\""), Flow(30_000));
}

/// Y1, Y2: each program of a relay with its keys; a relay that is not given is unused.
#[test]
fn y1_relays_are_as_the_file_says() {
    let alternating = with(SOFTENER, "tanks.arrangement", "\"alternating\"");
    let read = |keys: &str| {
        let raw = good(&format!("{alternating}\n[[relay]]\nnumber = 3\n{keys}\n")).raw;
        for unused in [0, 1, 3] {
            assert_eq!(raw.relays[unused], RawRelay::default());
        }
        raw.relays[2]
    };
    let program = |keys: &str| {
        let relay = read(keys);
        assert_eq!(RawRelay { program: RelayProgram::Unused, min_off: Millis::ZERO, ..relay }, RawRelay::default());
        relay.program
    };
    let all = TankSet(0b11);
    assert_eq!(program("program = \"unused\""), RelayProgram::Unused);
    assert_eq!(program("program = \"on-alarm\""), RelayProgram::OnAlarm(Severity::Warning));
    let notice = "program = \"on-alarm\"\nseverity = \"notice\"";
    assert_eq!(program(notice), RelayProgram::OnAlarm(Severity::Notice));
    let mut steps = StepSet::only(StepKind::BrineDraw);
    assert_eq!(program("program = \"during\"\nsteps = [\"brine-draw\"]"), RelayProgram::During { steps, tanks: all });
    steps.insert(StepKind::Backwash);
    assert_eq!(
        program("program = \"during\"\nsteps = [\"brine-draw\", \"backwash\"]\ntanks = [2]"),
        RelayProgram::During { steps, tanks: TankSet(0b10) }
    );
    assert_eq!(
        program("program = \"after-start\"\ndelay = \"90 s\"\nlength = \"10 min\""),
        RelayProgram::AfterStart { delay: Millis::from_secs(90), length: Millis::from_mins(10) }
    );
    assert_eq!(
        program("program = \"per-volume\"\nvolume = \"50 gal\"\non = \"2 s\"\nmin_off = \"1 s\""),
        RelayProgram::PerVolume { volume: Volume(189_270_589_200), on: Millis::from_secs(2) }
    );
    assert_eq!(program("program = \"while-offline\"\ntank = 2"), RelayProgram::WhileOffline(TankId(1)));
    assert_eq!(program("program = \"while-offline\"\ntank = \"none-serving\""), RelayProgram::WhileNoneServing);
    assert_eq!(program("program = \"while-flow\""), RelayProgram::WhileFlow);
    assert_eq!(program("program = \"isolate\""), RelayProgram::Isolate(all));
    assert_eq!(program("program = \"fail-safe\""), RelayProgram::FailSafe);
    let timed = "program = \"while-flow\"\ninverted = true\nmin_on = \"1 s\"\nmin_off = \"2 s\"\nlongest_on = \"3 s\"";
    let expected = RawRelay {
        program: RelayProgram::WhileFlow,
        inverted: true,
        min_on: Millis(1_000),
        min_off: Millis(2_000),
        longest_on: Millis(3_000),
    };
    assert_eq!(read(timed), expected);
}

/// S11: what a relay cannot be is one finding at its key.
#[test]
fn s11_wrong_relays_are_findings() {
    let one = |keys: &str| {
        let errors = faults(&format!("{SOFTENER}\n[[relay]]\n{keys}\n"));
        assert_eq!(errors.findings().len(), 1, "{keys}\n{errors}");
        let finding = errors.findings()[0].clone();
        (finding.field, finding.message)
    };
    for (keys, at, says) in [
        ("number = 5\nprogram = \"while-flow\"", "relay[1].number", "out of range"),
        ("program = \"while-flow\"", "relay[1].number", "missing"),
        ("number = 1", "relay[1].program", "missing"),
        ("number = 1\nprogram = \"while-flowing\"", "relay[1].program", "none of the choices"),
        ("number = 1\nprogram = \"while-flow\"\nvolume = \"1 L\"", "relay[1].volume", "does not use it"),
        ("number = 1\nprogram = \"per-volume\"\non = \"1 s\"", "relay[1].volume", "missing"),
        ("number = 1\nprogram = \"during\"\nsteps = \"backwash\"", "relay[1].steps", "a list of steps"),
        ("number = 1\nprogram = \"during\"\nsteps = [\"rinse\"]", "relay[1].steps[1]", "none of the choices"),
        ("number = 1\nprogram = \"isolate\"\ntanks = [9]", "relay[1].tanks[1]", "out of range"),
        ("number = 1\nprogram = \"while-offline\"\ntank = \"both\"", "relay[1].tank", "is no tank"),
        (
            "number = 1\nprogram = \"while-flow\"\n[[relay]]\nnumber = 1\nprogram = \"fail-safe\"",
            "relay[2].number",
            "given twice",
        ),
    ] {
        let (field, message) = one(keys);
        assert!(field == at && message.contains(says), "{keys}\n{field}: {message}");
    }
}
