//! The stable JSON form of the evidence. Keys are added, never renamed.

use super::{Evidence, HoldInterval, Outcome, RegenerationEvidence};
use serde::{Serialize, Serializer, ser::Error as _};
use serde_json::value::RawValue;

/// Writes the evidence as JSON, ending in a line feed; equal evidence gives equal bytes.
///
/// Times are seconds from the recording's start to three decimals, volumes litres to nine, salt kilograms
/// to six, each written exactly from integers: no number passes through floating point. Regenerations that
/// still ran at the recording's end stand apart in `unfinished_regenerations`, so that each one in
/// `regenerations` has an outcome. The curves are left out; the CSV and HTML forms carry them.
///
/// # Errors
/// Whatever the serialiser refuses; nothing that an [`Evidence`] can hold is refused today.
pub fn json(evidence: &Evidence) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string_pretty(&Document::from(evidence))?;
    text.push('\n');
    Ok(text)
}

/// A number with a fixed count of decimals, kept as an integer of its last decimal.
struct Fixed {
    units: u128,
    decimals: usize,
}

impl Serialize for Fixed {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let digits = format!("{:0>1$}", self.units, self.decimals + 1);
        let (whole, fraction) = digits.split_at(digits.len() - self.decimals);
        RawValue::from_string(format!("{whole}.{fraction}")).map_err(S::Error::custom)?.serialize(serializer)
    }
}

fn seconds(ms: u64) -> Fixed {
    Fixed { units: ms.into(), decimals: 3 }
}

fn litres(nl: u128) -> Fixed {
    Fixed { units: nl, decimals: 9 }
}

fn kilograms(mg: u64) -> Fixed {
    Fixed { units: mg.into(), decimals: 6 }
}

#[derive(Serialize)]
struct Document<'a> {
    site: &'a str,
    site_note: &'a str,
    recording: &'a str,
    start: &'a str,
    span_s: Fixed,
    arrangement: &'static str,
    water_l: Water,
    hard_water_l: Fixed,
    salt_kg: Fixed,
    drain_water_l: Fixed,
    regenerations: Vec<Regeneration<'a>>,
    unfinished_regenerations: Vec<Regeneration<'a>>,
    alarms: Vec<Alarm<'a>>,
    violations: Vec<Violation<'a>>,
    tanks: Vec<Tank<'a>>,
    next_expected: Vec<Next<'a>>,
    notes: &'a [String],
}

#[derive(Serialize)]
struct Water {
    metered: Fixed,
    charged: Fixed,
    blended: Fixed,
    untreated: Fixed,
    drained: Fixed,
}

#[derive(Serialize)]
struct Regeneration<'a> {
    tank: u8,
    cause: &'a str,
    all_causes: &'a [String],
    asked_s: Fixed,
    start_s: Fixed,
    end_s: Option<Fixed>,
    volume_since_last_l: Fixed,
    overrun_l: Fixed,
    outcome: &'static str,
    steps: Vec<Step<'a>>,
    holds: Vec<Hold<'a>>,
    salt_kg: Fixed,
    drain_water_l: Fixed,
}

#[derive(Serialize)]
struct Step<'a> {
    step: &'a str,
    start_s: Fixed,
    end_s: Fixed,
}

#[derive(Serialize)]
struct Hold<'a> {
    hold: &'a str,
    from_s: Fixed,
    to_s: Fixed,
    text: &'a str,
}

#[derive(Serialize)]
struct Alarm<'a> {
    slug: &'a str,
    from_s: Fixed,
    to_s: Option<Fixed>,
    text: &'a str,
}

#[derive(Serialize)]
struct Violation<'a> {
    rule: &'a str,
    at_s: Fixed,
    text: &'a str,
}

#[derive(Serialize)]
struct Tank<'a> {
    tank: u8,
    duties: Vec<Duty<'a>>,
    holds: Vec<Hold<'a>>,
}

#[derive(Serialize)]
struct Duty<'a> {
    duty: &'a str,
    from_s: Fixed,
    to_s: Fixed,
    text: &'a str,
}

#[derive(Serialize)]
struct Next<'a> {
    tank: u8,
    at_s: Option<Fixed>,
    text: &'a str,
}

impl<'a> From<&'a Evidence> for Document<'a> {
    fn from(evidence: &'a Evidence) -> Self {
        let water = &evidence.water;
        let (unfinished, ended): (Vec<_>, Vec<_>) =
            evidence.regenerations.iter().partition(|regeneration| regeneration.outcome == Outcome::Running);
        Self {
            site: &evidence.site,
            site_note: &evidence.site_note,
            recording: &evidence.recording,
            start: &evidence.start,
            span_s: seconds(evidence.span_ms),
            arrangement: evidence.arrangement.slug(),
            water_l: Water {
                metered: litres(water.metered_nl),
                charged: litres(water.charged_nl),
                blended: litres(water.blended_nl),
                untreated: litres(water.untreated_nl),
                drained: litres(water.drained_nl),
            },
            hard_water_l: litres(evidence.hard_water_nl),
            salt_kg: kilograms(evidence.salt_mg),
            drain_water_l: litres(evidence.drain_water_nl),
            regenerations: ended.into_iter().map(Regeneration::from).collect(),
            unfinished_regenerations: unfinished.into_iter().map(Regeneration::from).collect(),
            alarms: evidence
                .alarms
                .iter()
                .map(|alarm| Alarm {
                    slug: &alarm.slug,
                    from_s: seconds(alarm.from_ms),
                    to_s: alarm.to_ms.map(seconds),
                    text: &alarm.text,
                })
                .collect(),
            violations: evidence
                .violations
                .iter()
                .map(|violation| Violation {
                    rule: &violation.rule,
                    at_s: seconds(violation.at_ms),
                    text: &violation.text,
                })
                .collect(),
            tanks: evidence
                .tanks
                .iter()
                .map(|tank| Tank {
                    tank: tank.number,
                    duties: tank
                        .duties
                        .iter()
                        .map(|interval| Duty {
                            duty: &interval.duty,
                            from_s: seconds(interval.from_ms),
                            to_s: seconds(interval.to_ms),
                            text: &interval.text,
                        })
                        .collect(),
                    holds: tank.holds.iter().map(Hold::from).collect(),
                })
                .collect(),
            next_expected: evidence
                .next_expected
                .iter()
                .map(|next| Next { tank: next.tank, at_s: next.at_ms.map(seconds), text: &next.text })
                .collect(),
            notes: &evidence.notes,
        }
    }
}

impl<'a> From<&'a RegenerationEvidence> for Regeneration<'a> {
    fn from(regeneration: &'a RegenerationEvidence) -> Self {
        Self {
            tank: regeneration.tank,
            cause: &regeneration.cause,
            all_causes: &regeneration.all_causes,
            asked_s: seconds(regeneration.asked_ms),
            start_s: seconds(regeneration.start_ms),
            end_s: regeneration.end_ms.map(seconds),
            volume_since_last_l: litres(regeneration.volume_since_last_nl),
            overrun_l: litres(regeneration.overrun_nl),
            outcome: regeneration.outcome.slug(),
            steps: regeneration
                .steps
                .iter()
                .map(|step| Step { step: &step.step, start_s: seconds(step.start_ms), end_s: seconds(step.end_ms) })
                .collect(),
            holds: regeneration.holds_before.iter().map(Hold::from).collect(),
            salt_kg: kilograms(regeneration.salt_mg),
            drain_water_l: litres(regeneration.drain_nl),
        }
    }
}

impl<'a> From<&'a HoldInterval> for Hold<'a> {
    fn from(interval: &'a HoldInterval) -> Self {
        Self {
            hold: &interval.hold,
            from_s: seconds(interval.from_ms),
            to_s: seconds(interval.to_ms),
            text: &interval.text,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::*;
    use super::{Fixed, json};

    /// One of everything, with values that floating point could not carry.
    fn one_of_everything() -> Evidence {
        let hold = HoldInterval {
            from_ms: 1_000,
            to_ms: 2_500,
            hold: "blackout".into(),
            text: "Clears at 22:00, when the blackout window ends.".into(),
        };
        let complete = RegenerationEvidence {
            tank: 2,
            cause: "exhausted".into(),
            all_causes: vec!["exhausted".into(), "backup-day".into()],
            asked_ms: 1_000,
            start_ms: 2_500,
            end_ms: Some(9_007_199_254_740_993),
            volume_since_last_nl: 123_456_789_012_345_678_901,
            overrun_nl: 1,
            outcome: Outcome::Complete,
            steps: vec![StepEvidence { step: "brine-draw".into(), start_ms: 2_500, end_ms: 3_000 }],
            holds_before: vec![hold.clone()],
            salt_mg: 6_800_001,
            drain_nl: 250_000_000_000,
        };
        Evidence {
            site: "Site \"A\" </script>".into(),
            site_note: String::new(),
            recording: "line one\nline two".into(),
            start: "2026-03-02T00:00:00".into(),
            span_ms: 1_209_600_000,
            arrangement: Arrangement::Alternating,
            water: WaterAccount {
                metered_nl: 100_000_000_000_000_000_001,
                charged_nl: 100_000_000_000_000_000_000,
                blended_nl: 0,
                untreated_nl: 0,
                drained_nl: 1,
            },
            hard_water_nl: 0,
            salt_mg: 6_800_001,
            drain_water_nl: 250_000_000_000,
            tanks: vec![TankEvidence {
                number: 2,
                duties: vec![DutyInterval {
                    from_ms: 0,
                    to_ms: 1_209_600_000,
                    duty: "serving".into(),
                    text: "In service since the start.".into(),
                }],
                holds: vec![hold],
                remaining: Curve::default(),
            }],
            flow: Curve::default(),
            regenerations: vec![
                complete.clone(),
                RegenerationEvidence {
                    end_ms: None,
                    outcome: Outcome::Running,
                    steps: vec![],
                    holds_before: vec![],
                    ..complete
                },
            ],
            alarms: vec![AlarmEvidence {
                slug: "overrun".into(),
                from_ms: 7,
                to_ms: None,
                text: "Tank 2 served past zero.".into(),
            }],
            violations: vec![Violation { rule: "S2".into(), at_ms: 1_234, text: "No tank serving.".into() }],
            next_expected: vec![NextExpected { tank: 1, at_ms: None, text: "At about 12 000 L from now.".into() }],
            notes: vec!["Invented data.".into()],
        }
    }

    #[test]
    fn the_bytes_are_the_contract() {
        insta::assert_snapshot!(json(&one_of_everything()).expect("serialises"));
    }

    #[test]
    fn the_least_evidence_has_every_key() {
        insta::assert_snapshot!(json(&Evidence::default()).expect("serialises"));
    }

    #[test]
    fn equal_evidence_gives_equal_bytes_and_another_does_not() {
        let evidence = one_of_everything();
        let mut other = evidence.clone();
        assert_eq!(json(&evidence).ok(), json(&other).ok());
        other.water.charged_nl -= 1;
        assert_ne!(json(&evidence).ok(), json(&other).ok());
    }

    #[test]
    fn decimals_are_exact_at_both_ends() {
        let written = |units, decimals| serde_json::to_string(&Fixed { units, decimals }).expect("serialises");
        assert_eq!(written(0, 9), "0.000000000");
        assert_eq!(written(1, 9), "0.000000001");
        assert_eq!(written(999_999_999, 9), "0.999999999");
        assert_eq!(written(1_000_000_000, 9), "1.000000000");
        assert_eq!(written(u128::MAX, 9), "340282366920938463463374607431.768211455");
    }

    #[test]
    fn the_account_balances_only_when_exact() {
        let mut water = one_of_everything().water;
        assert!(water.balances());
        water.drained_nl += 1;
        assert!(!water.balances());
        water.charged_nl = u128::MAX;
        assert!(!water.balances());
    }

    #[test]
    fn evidence_survives_its_own_serialisation() {
        let evidence = one_of_everything();
        let text = serde_json::to_string(&evidence).expect("serialises");
        let back: Evidence = serde_json::from_str(&text).expect("reads back");
        assert_eq!(evidence, back);
    }
}
