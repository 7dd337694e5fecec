//! What a site file says of watches and alarms.

mod site_support;

use bedkeeper::watch::{Alarm, AlarmDelay, AlarmRules, Severity};
use site_support::{SOFTENER, faults, good};

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
