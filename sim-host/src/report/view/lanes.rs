//! The lanes of the time line: duties, steps, holds and curves of each tank, flow, alarms.

use super::rows::{end_ms, hold_sentence, other_causes, step_list, when};
use crate::evidence::{Curve, Evidence, RegenerationEvidence, RelayEvidence, TankEvidence};
use crate::report::people::{self, Clock};
use crate::report::plot;
use crate::report::words::{self, sentence};

const DUTY_HEIGHT_PX: usize = 36;
const STEP_HEIGHT_PX: usize = 24;
const ROW_HEIGHT_PX: usize = 22;
const CURVE_HEIGHT_PX: usize = 92;
/// Narrowest plot that the unscripted page plans its labels for.
const PLANNED_WIDTH_PX: f64 = 640.0;
/// Generous width of a label's letter.
const LETTER_WIDTH_PX: f64 = 7.0;

/// One strip of the time line.
pub struct Lane {
    /// Heading of a group of lanes that begins here, or empty.
    pub group: String,
    pub label: String,
    /// What the lane shows, for a reader who does not see it.
    pub description: String,
    pub height_px: usize,
    pub items: Vec<Item>,
    pub curve: Option<CurveView>,
}

/// A stretch of time with a name and a text.
pub struct Item {
    pub from_ms: u64,
    pub to_ms: u64,
    pub left_percent: f64,
    pub width_percent: f64,
    pub top_px: usize,
    pub height_px: usize,
    /// Style class and pattern name.
    pub kind: String,
    pub label: String,
    /// Whether the label fits before the script takes over.
    pub label_fits: bool,
    pub heading: String,
    pub when: String,
    pub text: String,
    /// Whether the buttons for the next and previous event stop here.
    pub is_event: bool,
}

/// A curve with its scale.
pub struct CurveView {
    pub path: String,
    pub span_s: f64,
    pub height: f64,
    /// The highest value, which is the top of the box.
    pub top_label: String,
    /// The lowest value, if below nought; else the bottom of the box is nought.
    pub bottom_label: Option<String>,
    pub zero_percent: Option<f64>,
    /// A limit that the curve comes up to: where it lies, % from the top, and in words.
    pub limit: Option<(f64, String)>,
    /// What the script calls it when it reads a value out.
    pub name: String,
    /// `volume`, `flow`, `hardness` or `pressure`.
    pub quantity: &'static str,
    pub bucket_width_ms: u64,
    pub values: String,
}

/// Every lane, top to bottom.
pub fn all(evidence: &Evidence, clock: &Clock) -> Vec<Lane> {
    let mut lanes = Vec::new();
    for tank in &evidence.tanks {
        lanes.push(duty_lane(tank, evidence, clock));
        lanes.push(step_lane(tank, evidence, clock));
        lanes.push(hold_lane(tank, evidence, clock));
        lanes.extend(remaining_lane(tank, evidence));
        lanes.extend(effluent_lane(tank.number, evidence));
    }
    lanes.extend(flow_lane(evidence));
    lanes.extend(outlet_lanes(evidence));
    lanes.extend(evidence.relays.iter().map(|relay| relay_lane(relay, evidence, clock)));
    if !(evidence.alarms.is_empty() && evidence.violations.is_empty()) {
        lanes.push(alarm_lane(evidence, clock));
    }
    lanes
}

/// What an item says, apart from where it stands.
struct Saying {
    kind: String,
    label: String,
    heading: String,
    text: String,
    is_event: bool,
}

fn item(
    (from_ms, to_ms): (u64, u64),
    (top_px, height_px): (usize, usize),
    saying: Saying,
    evidence: &Evidence,
    clock: &Clock,
) -> Item {
    let (left_percent, width_percent) = plot::place(from_ms, to_ms, evidence.span_ms);
    let room_px = width_percent / 100.0 * PLANNED_WIDTH_PX;
    Item {
        from_ms,
        to_ms,
        left_percent,
        width_percent,
        top_px,
        height_px,
        label_fits: room_px > saying.label.chars().count() as f64 * LETTER_WIDTH_PX + 8.0,
        kind: saying.kind,
        label: saying.label,
        heading: saying.heading,
        when: when(from_ms, to_ms, clock),
        text: saying.text,
        is_event: saying.is_event,
    }
}

fn duty_lane(tank: &TankEvidence, evidence: &Evidence, clock: &Clock) -> Lane {
    let number = tank.number;
    let items = tank
        .duties
        .iter()
        .map(|interval| {
            let mut texts = vec![interval.text.to_owned()];
            if interval.duty == "regenerating" {
                texts.extend(
                    evidence
                        .regenerations
                        .iter()
                        .filter(|regeneration| regeneration.tank == number)
                        .filter(|regeneration| {
                            regeneration.start_ms < interval.to_ms && end_ms(regeneration, evidence) > interval.from_ms
                        })
                        .map(|regeneration| regeneration_text(regeneration, clock)),
                );
            } else {
                texts.push(sentence(words::duty_meaning(interval.duty)) + ".");
            }
            texts.retain(|text| text.len() > 1);
            let saying = Saying {
                kind: format!("duty-{}", words::duty_kind(interval.duty)),
                label: words::words(interval.duty),
                heading: format!("Tank {number}: {}", words::words(interval.duty)),
                text: texts.join(" "),
                is_event: interval.duty == "regenerating",
            };
            let span = (interval.from_ms, interval.to_ms);
            item(span, (0, DUTY_HEIGHT_PX), saying, evidence, clock)
        })
        .collect();
    Lane {
        group: format!("Tank {number}"),
        label: "Duty".into(),
        description: format!("Duties of tank {number}"),
        height_px: DUTY_HEIGHT_PX,
        items,
        curve: None,
    }
}

fn step_lane(tank: &TankEvidence, evidence: &Evidence, clock: &Clock) -> Lane {
    let number = tank.number;
    let items = evidence
        .regenerations
        .iter()
        .filter(|regeneration| regeneration.tank == number)
        .flat_map(|regeneration| {
            regeneration.steps.iter().enumerate().map(move |(index, step)| {
                let saying = Saying {
                    kind: format!("step-{}", words::step_kind(step.step)),
                    label: words::words(step.step),
                    heading: format!(
                        "Tank {number}: {}, step {} of {}",
                        words::words(step.step),
                        index + 1,
                        regeneration.steps.len()
                    ),
                    text: format!("Regenerates because: {}.", words::cause(regeneration.cause)),
                    is_event: false,
                };
                let span = (step.start_ms, step.end_ms);
                item(span, (0, STEP_HEIGHT_PX), saying, evidence, clock)
            })
        })
        .collect();
    Lane {
        group: String::new(),
        label: "Steps".into(),
        description: format!("Regeneration steps of tank {number}"),
        height_px: STEP_HEIGHT_PX,
        items,
        curve: None,
    }
}

fn regeneration_text(regeneration: &RegenerationEvidence, clock: &Clock) -> String {
    let mut texts = vec![format!("Because: {}.", words::cause(regeneration.cause))];
    match other_causes(regeneration) {
        others if others.is_empty() => {}
        others => texts.push(format!("Also asked for by: {others}.")),
    }
    match regeneration.start_ms.saturating_sub(regeneration.asked_ms) {
        0 => texts.push("Started as soon as it was asked for.".into()),
        wait_ms => texts.push(format!(
            "Asked for {}, started {} later.",
            clock.moment(regeneration.asked_ms),
            people::duration(wait_ms)
        )),
    }
    texts.extend(regeneration.holds_before.iter().map(|hold| format!("Held: {}", hold_sentence(hold, clock))));
    texts.push(format!("Steps: {}.", step_list(regeneration).join(", ")));
    texts.push(format!("Outcome: {}.", regeneration.outcome.slug()));
    texts.join(" ")
}

fn hold_lane(tank: &TankEvidence, evidence: &Evidence, clock: &Clock) -> Lane {
    let number = tank.number;
    let spans: Vec<_> = evidence.holds_of(tank).map(|hold| (hold.from_ms, hold.to_ms)).collect();
    let (rows, row_count) = plot::stack(&spans);
    let items = evidence
        .holds_of(tank)
        .zip(rows)
        .map(|(hold, row)| {
            let saying = Saying {
                kind: "hold".into(),
                label: words::words(hold.hold),
                heading: format!("Tank {number} waits: {}", words::words(hold.hold)),
                text: hold_sentence(hold, clock),
                is_event: true,
            };
            let strip = (row * ROW_HEIGHT_PX, ROW_HEIGHT_PX - 2);
            item((hold.from_ms, hold.to_ms), strip, saying, evidence, clock)
        })
        .collect();
    Lane {
        group: String::new(),
        label: "Holds".into(),
        description: format!("What kept tank {number} waiting"),
        height_px: row_count * ROW_HEIGHT_PX,
        items,
        curve: None,
    }
}

fn relay_lane(relay: &RelayEvidence, evidence: &Evidence, clock: &Clock) -> Lane {
    let number = relay.number;
    let program = words::words(relay.program);
    let text = format!(
        "For: {program}. On {} in all, for {}.",
        words::counted(usize::try_from(relay.times).unwrap_or(usize::MAX), "time", "times"),
        people::duration(relay.on_ms)
    );
    let spans = plot::joined(&relay.on, evidence.span_ms);
    let items = spans
        .into_iter()
        .map(|span| {
            let saying = Saying {
                kind: "relay".into(),
                label: "on".into(),
                heading: format!("Relay {number} on"),
                text: text.clone(),
                is_event: false,
            };
            item(span, (0, ROW_HEIGHT_PX - 2), saying, evidence, clock)
        })
        .collect();
    Lane {
        group: String::new(),
        label: format!("Relay {number}"),
        description: format!("When relay {number} was on, for {program}"),
        height_px: ROW_HEIGHT_PX,
        items,
        curve: None,
    }
}

fn alarm_lane(evidence: &Evidence, clock: &Clock) -> Lane {
    let mut sayings: Vec<((u64, u64), Saying)> = evidence
        .alarms
        .iter()
        .map(|alarm| {
            let name = words::words(alarm.slug);
            let saying = Saying {
                kind: "alarm".into(),
                heading: format!("Alarm: {name}"),
                label: name,
                text: alarm.text.to_owned(),
                is_event: true,
            };
            ((alarm.from_ms, alarm.to_ms.unwrap_or(evidence.span_ms)), saying)
        })
        .collect();
    sayings.extend(evidence.violations.iter().map(|violation| {
        let saying = Saying {
            kind: "violation".into(),
            label: violation.rule.clone(),
            heading: format!("Rule {} broken", violation.rule),
            text: violation.text.clone(),
            is_event: true,
        };
        ((violation.at_ms, violation.at_ms), saying)
    }));
    let spans: Vec<_> = sayings.iter().map(|(span, _)| *span).collect();
    let (rows, row_count) = plot::stack(&spans);
    Lane {
        group: String::new(),
        label: if evidence.violations.is_empty() { "Alarms" } else { "Alarms, rules" }.into(),
        description: "Alarms and broken rules".into(),
        height_px: row_count * ROW_HEIGHT_PX,
        items: sayings
            .into_iter()
            .zip(rows)
            .map(|((span, saying), row)| {
                let strip = (row * ROW_HEIGHT_PX, ROW_HEIGHT_PX - 2);
                item(span, strip, saying, evidence, clock)
            })
            .collect(),
        curve: None,
    }
}

fn remaining_lane(tank: &TankEvidence, evidence: &Evidence) -> Option<Lane> {
    let curve = curve_view(&tank.remaining, evidence, format!("tank {} has", tank.number), "volume", people::litres)?;
    Some(Lane {
        group: String::new(),
        label: "Water left".into(),
        description: format!("Water that tank {} can still soften, at most {}", tank.number, curve.top_label),
        height_px: CURVE_HEIGHT_PX,
        items: Vec::new(),
        curve: Some(curve),
    })
}

fn flow_lane(evidence: &Evidence) -> Option<Lane> {
    let curve = curve_view(&evidence.flow, evidence, "flow".into(), "flow", people::flow)?;
    Some(Lane {
        group: "Whole plant".into(),
        label: "Flow".into(),
        description: format!("Flow of water, at most {}", curve.top_label),
        height_px: CURVE_HEIGHT_PX,
        items: Vec::new(),
        curve: Some(curve),
    })
}

fn effluent_lane(number: u8, evidence: &Evidence) -> Option<Lane> {
    let tank = evidence.plant.as_ref()?.tanks.iter().find(|tank| tank.number == number)?;
    let name = format!("from tank {number}");
    let curve = curve_view(&tank.effluent, evidence, name, "hardness", people::hardness)?;
    Some(Lane {
        group: String::new(),
        label: "Hardness out".into(),
        description: format!("Hardness of the water from tank {number}, at most {}", curve.top_label),
        height_px: CURVE_HEIGHT_PX,
        items: Vec::new(),
        curve: Some(curve),
    })
}

fn outlet_lanes(evidence: &Evidence) -> impl Iterator<Item = Lane> {
    let plant = evidence.plant.as_deref();
    let lane = |label: &str, what: &str, curve: Option<CurveView>| {
        curve.map(|curve| Lane {
            group: String::new(),
            label: label.into(),
            description: format!("{what}, at most {}", curve.top_label),
            height_px: CURVE_HEIGHT_PX,
            items: Vec::new(),
            curve: Some(curve),
        })
    };
    let view = |curve, name: &str, quantity, in_words| curve_view(curve, evidence, name.into(), quantity, in_words);
    let hardness = plant.and_then(|p| view(&p.outlet, "hardness at the outlet", "hardness", people::hardness));
    let pressure = plant.and_then(|p| view(&p.pressure, "pressure", "pressure", people::pressure));
    lane("Hardness", "Hardness of the water delivered", hardness).into_iter().chain(lane(
        "Pressure",
        "Pressure at the outlet while water is drawn",
        pressure,
    ))
}

fn curve_view(
    curve: &Curve,
    evidence: &Evidence,
    name: String,
    quantity: &'static str,
    in_words: fn(f64) -> String,
) -> Option<CurveView> {
    let drawing = plot::draw(curve, evidence.span_ms)?;
    let hard_above = evidence.plant.as_ref().filter(|_| quantity == "hardness").map(|plant| plant.hard_above_mg_l);
    Some(CurveView {
        path: drawing.path,
        span_s: evidence.span_ms as f64 / 1_000.0,
        height: plot::CURVE_HEIGHT,
        top_label: in_words(drawing.top),
        bottom_label: (drawing.bottom < 0.0).then(|| in_words(drawing.bottom)),
        zero_percent: drawing.zero_percent,
        limit: hard_above.filter(|limit| *limit <= drawing.top).map(|limit| {
            let percent = (drawing.top - limit) / (drawing.top - drawing.bottom) * 100.0;
            (percent, format!("hard above {}", in_words(limit)))
        }),
        name,
        quantity,
        bucket_width_ms: curve.bucket_width_ms(),
        values: plot::values(curve, if quantity == "hardness" { 2 } else { 1 }),
    })
}
