//! A way through the search as a scenario file, and ways made shorter.

use std::fmt::Write as _;

use bedkeeper::journal::Who;
use bedkeeper::settings::Arrangement;

use super::acts::{Act, Family};
use super::node::{BOUNCE_MS, Broken, Node, Seen, WORN};
use super::{Counterexample, live};
use crate::plant::{Fault, WhichValve};
use crate::recording::{COMMON_METER, Pulses};
use crate::scenario::{ClockChange, Deed, event_section};
use crate::site::Site;

/// So long is waited for a plant to come home in a scenario of S9, ms.
const HOMING_MS: u64 = 7 * 86_400_000;

/// Goes a way from power-up; stops where a rule is broken. `None` where the adversary may not do what comes next.
fn go(site: &Site, example: &Counterexample, acts: &[Act]) -> Option<(Node, Option<Broken>)> {
    let (mut node, _) = Node::first(site, example.powers, example.start).ok()?;
    let mut key = node.key();
    for act in acts {
        if !node.acts(example.powers).contains(act) {
            return None;
        }
        (node, key) = node.after(*act, key, &mut Seen::default());
        if let Some(broken) = node.broken() {
            return Some((node, Some(broken)));
        }
    }
    let homing = if example.broken.rule == "S9" { live::come_home(&node, |_| false).broken } else { None };
    Some((node, homing))
}

/// The same with every act left out that the broken rule does not need.
pub(super) fn shortened(site: &Site, mut example: Counterexample) -> Counterexample {
    loop {
        let shorter = (0..example.acts.len()).rev().find_map(|place| {
            let mut acts = example.acts.clone();
            acts.remove(place);
            let (_, broken) = go(site, &example, &acts)?;
            broken.filter(|broken| broken.rule == example.broken.rule).map(|broken| (acts, broken))
        });
        let Some((acts, broken)) = shorter else { return example };
        example = Counterexample { acts, broken, ..example };
    }
}

/// What an act is in a scenario: an event, or rows of its recording.
enum Written {
    Event(Deed),
    Rows(Vec<Pulses>),
    Nothing,
}

fn written(node: &Node, act: Act) -> Written {
    Written::Event(match act {
        Act::Wait | Act::Half => return Written::Nothing,
        Act::Water | Act::Sip | Act::Pour { .. } | Act::Leak(_) => return Written::Rows(node.pulses(act)),
        // From one closing to the next means nothing of one.
        Act::Bounce => Deed::MeterContact { meter: 0, times: 1, closed_ms: BOUNCE_MS, every_ms: 1_000 },
        Act::Operator(action) => Deed::Operator(Who::Panel, action),
        Act::Contact(contact) => {
            let closed = node.closed_contact() != Some(contact);
            Deed::Contact { contact, closed, lasts_ms: None }
        }
        Act::Stall(tank) => Deed::Fault { valve: WhichValve::Tank(tank), fault: Fault::MotorStalled, lasts_ms: None },
        Act::Mend(tank) => Deed::Mend { valve: WhichValve::Tank(tank), fault: Fault::MotorStalled },
        Act::Turn(tank) => {
            Deed::Fault { valve: WhichValve::Tank(tank), fault: Fault::MovedByHand(None), lasts_ms: None }
        }
        Act::Cut { minutes, clock_kept, memory_kept } => {
            Deed::Power { off_ms: node.off_ms(minutes, clock_kept), clock_kept, memory_kept }
        }
        Act::BadSettings => Deed::BadSettings,
        Act::WornStore => Deed::Store(WORN),
        Act::Clock(ClockChange::Set(to)) => Deed::ClockSet(to),
        Act::Clock(ClockChange::Moved(by)) => Deed::ClockMoved(by),
        Act::Clock(ClockChange::Lost) => Deed::ClockLost,
    })
}

/// The scenario that takes the same way, to be run by `verify`.
#[must_use]
pub fn scenario_of(site: &Site, site_path: &str, example: &Counterexample) -> String {
    let mut events = String::new();
    let mut rows = String::new();
    let Ok((mut node, _)) = Node::first(site, example.powers, example.start) else { return String::new() };
    let mut key = node.key();
    let mut way = String::new();
    if example.powers.has(Family::Contacts) {
        for contact in &node.limits().contacts {
            events.push('\n');
            events.push_str(&event_section(0, &Deed::Contact { contact: *contact, closed: false, lasts_ms: None }));
        }
    }
    for act in &example.acts {
        let at_ms = node.world().now_ms;
        let _ = writeln!(way, "# +{at_ms} ms: {act:?}");
        match written(&node, *act) {
            Written::Nothing => {}
            Written::Rows(all) => {
                for Pulses { at_ms, meter, count } in all {
                    let meter = if meter == COMMON_METER { String::new() } else { format!(", {meter}") };
                    let _ = writeln!(rows, "    [\"+{at_ms} ms\", {count}{meter}],");
                }
            }
            Written::Event(deed) => {
                events.push('\n');
                events.push_str(&event_section(at_ms, &deed));
            }
        }
        (node, key) = node.after(*act, key, &mut Seen::default());
    }
    let now_ms = node.world().now_ms;
    let rule = &example.broken.rule;
    let (lasts_ms, expectations) = if rule == "S9" {
        for act in node.quieting() {
            if let Written::Event(deed) = written(&node, act) {
                events.push('\n');
                events.push_str(&event_section(now_ms, &deed));
            }
        }
        (now_ms + HOMING_MS, home(site, now_ms + HOMING_MS))
    } else {
        (now_ms + 1_000, format!("\n[[expect]]\nnever = true\nviolation = \"{rule}\"\n"))
    };
    let mut text = format!("# What the adversary did:\n{way}\n");
    // Writing to a string cannot fail.
    let _ = writeln!(text, "scenario = \"{rule} is broken\"");
    let _ = writeln!(text, "about = \"Found by exploring: {}.\"", example.broken.text);
    if let Some(start) = example.start {
        let _ = writeln!(text, "starts = \"{}\"", start.strftime("%Y-%m-%d %H:%M"));
    }
    let _ = writeln!(text, "lasts = \"{lasts_ms} ms\"");
    let _ = writeln!(text, "site = {site_path:?}");
    if !rows.is_empty() {
        let _ = write!(text, "recording = [\n{rows}]\n");
    }
    text + &events + &expectations
}

/// What is expected of a plant that has come home.
fn home(site: &Site, end_ms: u64) -> String {
    let at = format!("\n[[expect]]\nat = \"+{end_ms} ms\"\n");
    let tanks = site.settings.tanks;
    match site.settings.arrangement {
        Arrangement::Parallel => (1..=tanks).map(|tank| format!("{at}duty = \"serving\"\ntank = {tank}\n")).collect(),
        Arrangement::Alternating => format!("{at}duty = \"serving\"\n{at}duty = \"ready\"\n"),
        Arrangement::Single | Arrangement::Staged => format!("{at}duty = \"serving\"\n"),
    }
}
