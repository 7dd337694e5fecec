//! Small sites to change one key at a time.
#![allow(dead_code, reason = "each test file uses its part")]

use bedkeeper_sim::diagnostic::Finding;
use bedkeeper_sim::site::{self, Site, SiteErrors};

/// The least softener: one tank, every key that must be given and no other.
pub const SOFTENER: &str = r#"[site]
name = "Invented"

[tanks]
arrangement = "single"

[water]
hardness = "20 gpg"

[resin]
volume = "3 ft3"
capacity = "60 kgr"

[brine]
dose = "6 lb/ft3"

[meter]
pulse = "10 L"

[start]
when = "immediate"

[program]
preset = "co-current"
backwash = { length = "10 min", drain = "25 L/min" }
brine_draw = { length = "30 min", drain = "3 L/min" }
slow_rinse = { length = "25 min", drain = "4 L/min" }
fast_rinse = { length = "15 min", drain = "20 L/min" }
brine_refill = "12 min"

[valve]
drive = "cam-switch"
positions = ["service", "backwash", "brine-draw", "fast-rinse", "brine-refill", "standby"]
"#;

/// The least filter.
pub const FILTER: &str = r#"[site]
name = "Invented filter"

[tanks]
arrangement = "single"

[filter]
capacity = "50 m3"

[meter]
pulse = "10 L"

[start]
when = "at-hour"

[program]
preset = "filter"
backwash = { length = "10 min", drain = "25 L/min" }
fast_rinse = { length = "5 min", drain = "20 L/min" }

[valve]
drive = "timed"
positions = [
    { position = "service", run_time = "0 s" },
    { position = "backwash", run_time = "15 s" },
    { position = "fast-rinse", run_time = "30 s" },
]
"#;

/// The program of the softener step by step.
pub const STEPS: &str = r#"[[program.step]]
kind = "backwash"
length = "10 min"
drain = "25 L/min"
[[program.step]]
kind = "brine-draw"
length = "30 min"
drain = "3 L/min"
[[program.step]]
kind = "slow-rinse"
length = "25 min"
drain = "4 L/min"
[[program.step]]
kind = "fast-rinse"
length = "15 min"
drain = "20 L/min"
[[program.step]]
kind = "brine-refill"
length = "12 min"
"#;

/// The text with `section.key = value` put in, in place of a line that gives the key already; an empty value takes
/// the line out.
pub fn with(source: &str, key: &str, value: &str) -> String {
    let (section, key) = key.split_once('.').expect("section.key");
    let header = format!("[{section}]");
    let mut lines: Vec<String> = source.lines().map(str::to_owned).collect();
    let line = format!("{key} = {value}");
    let Some(start) = lines.iter().position(|l| *l == header) else {
        return format!("{source}\n{header}\n{line}\n");
    };
    let end = lines.iter().skip(start + 1).position(|l| l.starts_with('[')).map_or(lines.len(), |n| start + 1 + n);
    let given = (start..end).find(|&n| lines[n].split('=').next().is_some_and(|k| k.trim() == key));
    match (given, value.is_empty()) {
        (Some(n), true) => drop(lines.remove(n)),
        (Some(n), false) => lines[n] = line,
        (None, _) => lines.insert(start + 1, line),
    }
    lines.join("\n") + "\n"
}

/// The text without a section.
pub fn without(source: &str, section: &str) -> String {
    let header = format!("[{section}]");
    let mut inside = false;
    let keep = |line: &&str| {
        if line.starts_with('[') {
            inside = *line == header;
        }
        !inside
    };
    source.lines().filter(keep).map(|line| format!("{line}\n")).collect()
}

/// A site that must be without fault.
pub fn good(source: &str) -> Site {
    site::parse("site.toml", source).unwrap_or_else(|errors| panic!("{errors}\n{source}"))
}

/// The faults of a site that must have some.
pub fn faults(source: &str) -> SiteErrors {
    match site::parse("site.toml", source) {
        Ok(_) => panic!("no fault found in\n{source}"),
        Err(errors) => errors,
    }
}

/// The text that a finding points at.
pub fn pointed<'s>(source: &'s str, finding: &Finding) -> &'s str {
    finding.span.clone().map_or("", |span| &source[span])
}
