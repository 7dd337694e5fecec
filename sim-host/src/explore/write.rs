//! A way through the search as a scenario file.

use std::fmt::Write as _;

use bedkeeper::journal::Who;

use super::{Act, Counterexample, Node, Seen, times};
use crate::plant::{Fault, WhichValve};
use crate::scenario::{Deed, event_section};
use crate::site::Site;

/// The scenario that takes the same way.
pub(super) fn scenario<const N: usize>(site: &Site, site_path: &str, example: &Counterexample) -> String {
    let mut seen = Seen::default();
    let mut events = String::new();
    let mut rows = Vec::new();
    let Some(mut node) = Node::<N>::first(&site.settings, times(site), &mut seen) else { return String::new() };
    for act in &example.acts {
        let at = node.now_ms;
        match act {
            Act::Wait => {}
            Act::Water => {
                let (meter, count) = node.gulp();
                rows.push(format!("    [\"+{at} ms\", {count}{meter}],\n"));
            }
            Act::Operator(action) => happens(&mut events, at, Deed::Operator(Who::Panel, *action)),
            Act::Contact(contact) => {
                let closed = !node.is_closed(*contact);
                happens(&mut events, at, Deed::Contact { contact: *contact, closed, lasts_ms: None });
            }
            Act::Stall(tank) => {
                happens(
                    &mut events,
                    at,
                    Deed::Fault { valve: WhichValve::Tank(*tank), fault: Fault::MotorStalled, lasts_ms: None },
                );
            }
            Act::Mend(tank) => {
                happens(&mut events, at, Deed::Mend { valve: WhichValve::Tank(*tank), fault: Fault::MotorStalled })
            }
            Act::Turn(tank) => {
                let fault = Fault::MovedByHand(None);
                happens(&mut events, at, Deed::Fault { valve: WhichValve::Tank(*tank), fault, lasts_ms: None });
            }
        }
        node.act(*act, &mut seen);
    }
    let rule = example.broken.rule;
    let mut text = String::new();
    // Writing to a string cannot fail.
    let _ = writeln!(text, "scenario = \"{rule} is broken\"");
    let _ = writeln!(text, "about = \"Found by exploring: {}.\"", example.broken.text);
    let _ = writeln!(text, "lasts = \"{} ms\"", node.now_ms + 1_000);
    let _ = writeln!(text, "site = {site_path:?}");
    if !rows.is_empty() {
        let _ = write!(text, "recording = [\n{}]\n", rows.concat());
    }
    let _ = write!(text, "{events}\n[[expect]]\nnever = true\nviolation = \"{rule}\"\n");
    text
}

fn happens(events: &mut String, at_ms: u64, deed: Deed) {
    events.push('\n');
    events.push_str(&event_section(at_ms, &deed));
}
