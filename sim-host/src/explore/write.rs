//! A way through the search as a scenario file.

use std::fmt::Write as _;

use bedkeeper::Action;

use super::{Act, Counterexample, Node, Seen, times};
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
            Act::Operator(action) => event(&mut events, at, &operator(*action)),
            Act::Contact(contact) => {
                let closed = !node.is_closed(*contact);
                event(&mut events, at, &format!("contact = \"{contact}\"\nclosed = {closed}"));
            }
            Act::Stall(tank) => event(&mut events, at, &fault("motor-stalled", tank.number())),
            Act::Mend(tank) => event(&mut events, at, &format!("mend = \"motor-stalled\"\ntank = {}", tank.number())),
            Act::Turn(tank) => event(&mut events, at, &fault("moved-by-hand:between", tank.number())),
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

fn event(events: &mut String, at_ms: u64, what: &str) {
    let _ = write!(events, "\n[[event]]\nat = \"+{at_ms} ms\"\n{what}\n");
}

fn operator(action: Action) -> String {
    let tank = action.tank().map_or_else(String::new, |tank| format!("\ntank = {}", tank.number()));
    format!("operator = \"{}\"{tank}", action.slug())
}

fn fault(name: &str, tank: u8) -> String {
    format!("fault = \"{name}\"\ntank = {tank}")
}
