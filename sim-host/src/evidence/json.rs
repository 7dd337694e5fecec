//! The stable JSON form of the evidence. Keys are added, never renamed.

use super::books;
use super::json_daily::{Counters, Reserve, Use};
use super::json_plant::{Plant, RegenerationPlant};
use super::{AlarmEvidence, DutyInterval, Evidence, HoldInterval, NextExpected, Outcome, RegenerationEvidence};
use jiff::civil::DateTime;
use serde::{Serialize, Serializer, ser::Error as _};
use serde_json::value::RawValue;
use std::borrow::Cow;
use std::io::Write;

/// The evidence as JSON text, as [`write_json`] writes it.
///
/// # Errors
/// Whatever the serialiser refuses; nothing that an [`Evidence`] can hold is refused today.
pub fn json(evidence: &Evidence) -> Result<String, serde_json::Error> {
    let mut text = Vec::new();
    write_json(evidence, &mut text)?;
    String::from_utf8(text).map_err(serde_json::Error::custom)
}

/// Writes the evidence as JSON, ending in a line feed; equal evidence gives equal bytes.
///
/// Times are seconds from the recording's start to three decimals, volumes litres to nine, salt kilograms
/// to six, each written exactly from integers: only what the plant's physics showed, under `plant` and a
/// regeneration's `water`, is reckoned in floating point. Regenerations that
/// still ran at the recording's end stand apart in `unfinished_regenerations`, so that each one in
/// `regenerations` has an outcome. The curves are left out; the CSV and HTML forms carry them. Lists are
/// written entry by entry: memory does not grow with them.
///
/// # Errors
/// `out` could not be written.
pub fn write_json(evidence: &Evidence, mut out: impl Write) -> Result<(), serde_json::Error> {
    serde_json::to_writer_pretty(&mut out, &Document::from(evidence))?;
    out.write_all(b"\n").map_err(serde_json::Error::io)
}

/// A list made while it is written.
pub(super) struct Each<'a, T>(Box<dyn Fn() -> Box<dyn Iterator<Item = T> + 'a> + 'a>);

impl<'a, T: 'a> Each<'a, T> {
    pub(super) fn of(entries: impl Iterator<Item = T> + Clone + 'a) -> Self {
        Self(Box::new(move || Box::new(entries.clone())))
    }
}

impl<T: Serialize> Serialize for Each<'_, T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq((self.0)())
    }
}

/// A number with a fixed count of decimals, kept as an integer of its last decimal.
pub(super) struct Fixed {
    pub units: u128,
    pub decimals: usize,
}

impl Serialize for Fixed {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let digits = format!("{:0>1$}", self.units, self.decimals + 1);
        let (whole, fraction) = digits.split_at(digits.len() - self.decimals);
        RawValue::from_string(format!("{whole}.{fraction}")).map_err(S::Error::custom)?.serialize(serializer)
    }
}

pub(super) fn seconds(ms: u64) -> Fixed {
    Fixed { units: ms.into(), decimals: 3 }
}

pub(super) fn litres(nl: u128) -> Fixed {
    Fixed { units: nl, decimals: 9 }
}

pub(super) fn micrograms_as_mg(ug: u32) -> Fixed {
    Fixed { units: ug.into(), decimals: 3 }
}

pub(super) fn kilograms(mg: u64) -> Fixed {
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
    delivered_hardness: books::Delivered,
    #[serde(skip_serializing_if = "Option::is_none")]
    plant: Option<Plant<'a>>,
    regenerations: Each<'a, Regeneration<'a>>,
    unfinished_regenerations: Each<'a, Regeneration<'a>>,
    alarms: Each<'a, Alarm>,
    relays: Each<'a, books::Relay<'a>>,
    brine_tanks: Each<'a, books::BrineTank>,
    violations: Each<'a, Violation<'a>>,
    tanks: Each<'a, Tank<'a>>,
    next_expected: Each<'a, Next<'a>>,
    notes: &'a [String],
    #[serde(skip_serializing_if = "Option::is_none")]
    daily_use: Option<Use>,
    #[serde(skip_serializing_if = "Option::is_none")]
    counters: Option<Counters>,
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
    cause: &'static str,
    all_causes: Vec<&'static str>,
    asked_s: Fixed,
    start_s: Fixed,
    end_s: Option<Fixed>,
    volume_since_last_l: Fixed,
    overrun_l: Fixed,
    outcome: &'static str,
    steps: Each<'a, Step>,
    holds: Each<'a, Hold>,
    salt_kg: Fixed,
    drain_water_l: Fixed,
    #[serde(skip_serializing_if = "Option::is_none")]
    reserve: Option<Reserve>,
    #[serde(skip_serializing_if = "Option::is_none")]
    water: Option<RegenerationPlant>,
}

#[derive(Serialize)]
struct Step {
    step: &'static str,
    start_s: Fixed,
    end_s: Fixed,
}

#[derive(Serialize)]
struct Hold {
    hold: &'static str,
    from_s: Fixed,
    to_s: Fixed,
    text: Cow<'static, str>,
}

#[derive(Serialize)]
struct Alarm {
    slug: &'static str,
    from_s: Fixed,
    to_s: Option<Fixed>,
    text: &'static str,
    onset_s: Fixed,
    acknowledged_s: Option<Fixed>,
    returned_s: Option<Fixed>,
    state: &'static str,
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
    #[serde(skip_serializing_if = "Option::is_none")]
    capacity: Option<books::Capacity>,
    duties: Each<'a, Duty>,
    holds: Each<'a, Hold>,
}

#[derive(Serialize)]
struct Duty {
    duty: &'static str,
    from_s: Fixed,
    to_s: Fixed,
    text: &'static str,
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
        let start = evidence.start_time();
        let regenerations = |running: bool| {
            let wanted = evidence.regenerations.iter().filter(move |r| (r.outcome == Outcome::Running) == running);
            Each::of(wanted.map(move |regeneration| Regeneration::new(regeneration, start)))
        };
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
            delivered_hardness: books::Delivered::from(&evidence.delivered),
            plant: evidence.plant.as_deref().map(Plant::from),
            regenerations: regenerations(false),
            unfinished_regenerations: regenerations(true),
            alarms: Each::of(evidence.alarms.iter().map(Alarm::from)),
            relays: Each::of(evidence.relays.iter().map(books::Relay::from)),
            brine_tanks: Each::of(evidence.brine.iter().map(books::BrineTank::from)),
            violations: Each::of(evidence.violations.iter().map(Violation::from)),
            tanks: Each::of(evidence.tanks.iter().map(move |tank| Tank {
                tank: tank.number,
                capacity: tank.derating.as_ref().map(books::Capacity::from),
                duties: Each::of(tank.duties.iter().map(Duty::from)),
                holds: Each::of(evidence.holds_of(tank).map(move |hold| Hold::new(hold, start))),
            })),
            next_expected: Each::of(evidence.next_expected.iter().map(Next::from)),
            notes: &evidence.notes,
            daily_use: Use::of(&evidence.daily_use),
            counters: Counters::of(&evidence.lives),
        }
    }
}

impl<'a> Regeneration<'a> {
    fn new(regeneration: &'a RegenerationEvidence, start: Option<DateTime>) -> Self {
        Self {
            tank: regeneration.tank,
            cause: regeneration.cause,
            all_causes: regeneration.causes().collect(),
            asked_s: seconds(regeneration.asked_ms),
            start_s: seconds(regeneration.start_ms),
            end_s: regeneration.end_ms.map(seconds),
            volume_since_last_l: litres(regeneration.volume_since_last_nl),
            overrun_l: litres(regeneration.overrun_nl),
            outcome: regeneration.outcome.slug(),
            steps: Each::of(regeneration.steps.iter().map(|step| Step {
                step: step.step,
                start_s: seconds(step.start_ms),
                end_s: seconds(step.end_ms),
            })),
            holds: Each::of(regeneration.holds_before.iter().map(move |hold| Hold::new(hold, start))),
            salt_kg: kilograms(regeneration.salt_mg),
            drain_water_l: litres(regeneration.drain_nl),
            reserve: regeneration.reserve.as_deref().map(Reserve::from),
            water: regeneration.water.as_deref().map(RegenerationPlant::from),
        }
    }
}

impl Hold {
    fn new(interval: &HoldInterval, start: Option<DateTime>) -> Self {
        Self {
            hold: interval.hold,
            from_s: seconds(interval.from_ms),
            to_s: seconds(interval.to_ms),
            text: interval.text(start),
        }
    }
}

impl From<&AlarmEvidence> for Alarm {
    fn from(alarm: &AlarmEvidence) -> Self {
        Self {
            slug: alarm.slug,
            from_s: seconds(alarm.from_ms),
            to_s: alarm.to_ms.map(seconds),
            text: alarm.text,
            onset_s: seconds(alarm.from_ms),
            acknowledged_s: alarm.acknowledged_ms.map(seconds),
            returned_s: alarm.to_ms.map(seconds),
            state: alarm.state(),
        }
    }
}

impl<'a> From<&'a super::Violation> for Violation<'a> {
    fn from(violation: &'a super::Violation) -> Self {
        Self { rule: &violation.rule, at_s: seconds(violation.at_ms), text: &violation.text }
    }
}

impl From<&DutyInterval> for Duty {
    fn from(interval: &DutyInterval) -> Self {
        Self {
            duty: interval.duty,
            from_s: seconds(interval.from_ms),
            to_s: seconds(interval.to_ms),
            text: interval.text,
        }
    }
}

impl<'a> From<&'a NextExpected> for Next<'a> {
    fn from(next: &'a NextExpected) -> Self {
        Self { tank: next.tank, at_s: next.at_ms.map(seconds), text: &next.text }
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
            hold: "blackout",
            clears: "Clears at 22:00, when the blackout window ends.",
            clears_at_ms: None,
        };
        let complete = RegenerationEvidence {
            tank: 2,
            cause: "exhausted",
            other_causes: Box::new(["backup-day"]),
            asked_ms: 1_000,
            start_ms: 2_500,
            end_ms: Some(9_007_199_254_740_993),
            volume_since_last_nl: 123_456_789_012_345_678_901,
            overrun_nl: 1,
            outcome: Outcome::Complete,
            steps: Box::new([StepEvidence { step: "brine-draw", start_ms: 2_500, end_ms: 3_000 }]),
            holds_before: Box::new([hold]),
            salt_mg: 6_800_001,
            drain_nl: 250_000_000_000,
            reserve: None,
            water: None,
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
            plant: None,
            tanks: vec![TankEvidence {
                number: 2,
                duties: vec![DutyInterval {
                    from_ms: 0,
                    to_ms: 1_209_600_000,
                    duty: "serving",
                    text: "In service since the start.",
                }],
                pending_holds: vec![],
                derating: None,
                remaining: Curve::default(),
            }],
            flow: Curve::default(),
            regenerations: vec![
                complete.clone(),
                RegenerationEvidence {
                    end_ms: None,
                    outcome: Outcome::Running,
                    steps: Box::default(),
                    holds_before: Box::default(),
                    ..complete
                },
            ],
            alarms: vec![AlarmEvidence {
                slug: "overrun",
                from_ms: 7,
                to_ms: None,
                acknowledged_ms: Some(9),
                text: "Tank 2 served past zero.",
            }],
            delivered: DeliveredHardness { feed_ug_l: 342_361, bypass_per_mille: 125, mean_ug_l: Some(42_795) },
            relays: vec![RelayEvidence {
                number: 3,
                program: "per-volume",
                on: vec![(1_000, 3_000)],
                joined_within_ms: 500,
                times: 2,
                on_ms: 4_000,
            }],
            daily_use: UseEvidence::default(),
            lives: LifeEvidence::default(),
            brine: vec![BrineEvidence {
                number: 1,
                water_nl: 22_801_753_373,
                salt_mg: 8_169_435,
                ready_ms: Some(7_200_000),
                refills: 4,
                doses_left: Some(11),
            }],
            alarms_left_out: 0,
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
    fn a_tank_has_every_hold_once() {
        let mut evidence = one_of_everything();
        let pending = HoldInterval {
            from_ms: 5_000,
            to_ms: 6_000,
            hold: "until-hour",
            clears: "until the regeneration hour comes",
            clears_at_ms: Some(7_200_000),
        };
        evidence.tanks[0].pending_holds.push(pending.clone());
        let holds: Vec<_> = evidence.holds_of(&evidence.tanks[0]).collect();
        assert_eq!(holds, [&evidence.regenerations[0].holds_before[0], &pending]);
        assert_eq!(pending.text(evidence.start_time()), "until the regeneration hour comes, at 2026-03-02 02:00:00");
        assert_eq!(pending.text(None), "until the regeneration hour comes, at 2 h after the start");
    }
}
