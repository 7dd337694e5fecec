//! What a life's site has besides: other drives, windows, backup days and weekdays, by the seed.

use std::fmt::Write as _;

use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};

use super::sites::{InventedSite, pick};

const POSITIONS: [&str; 6] = ["service", "backwash", "brine-draw", "fast-rinse", "brine-refill", "standby"];

/// Two of three sites get another drive, and half of them windows; the rest is as it was drawn.
#[must_use]
pub fn varied(seed: u64, mut site: InventedSite) -> InventedSite {
    let mut random = Pcg32::seed_from_u64(seed ^ 0x_0D21_7E5A);
    let r = &mut random;
    let drive = pick(r, &["", "", "reversible", "home-and-stop", "cam-index", "pilots", "pilots-told", "timed"]);
    if let Some(start) = site.text.find("[valve]\n").filter(|_| !drive.is_empty()) {
        site.text.truncate(start);
        site.text += &valve(drive);
    }
    let backup = match r.next_u32() % 3 {
        0 => "backup_after = \"off\"".to_owned(),
        1 => format!("backup_after = \"{} days\"", 2 + r.next_u32() % 9),
        _ => format!("backup_after = \"off\"\nschedule = \"{}\"", pick(r, &["mon, thu", "every 3 days", "sat, sun"])),
    };
    let mut calendar = backup;
    if r.next_u32().is_multiple_of(2) {
        // Writing to a string cannot fail.
        let _ = write!(
            calendar,
            "\nwhen_clock_unset = \"{}\"\nexhausted_in_blackout = \"{}\"\nfinish_before_blackout = {}",
            pick(r, &["ignore-windows", "hold-all"]),
            pick(r, &["wait", "override"]),
            r.next_u32().is_multiple_of(2)
        );
        for from in [6, 17] {
            let days = pick(r, &["daily", "mon-fri", "sat, sun", "sat, sun"]);
            let to = from + 1 + r.next_u32() % 4;
            let _ =
                write!(site.text, "\n[[blackout]]\ndays = \"{days}\"\nfrom = \"{from:02}:00\"\nto = \"{to:02}:00\"\n");
        }
    }
    site.text = site.text.replace("backup_after = \"off\"", &calendar);
    site
}

fn valve(drive: &str) -> String {
    let numbered = |each: &dyn Fn(usize) -> String| {
        let all = POSITIONS.iter().enumerate().map(|(i, at)| format!("{{ position = \"{at}\", {} }}", each(i)));
        all.collect::<Vec<_>>().join(", ")
    };
    let named = format!("{POSITIONS:?}");
    let (kind, positions, more) = match drive {
        "reversible" => ("cam-switch", named, "reversible = true\n"),
        "home-and-stop" => ("cam-switch", named, "switches = \"home-and-stop\"\n"),
        "cam-index" => ("cam-index", format!("[{}]", numbered(&|i| format!("mark = {}", 8 * i))), "marks = 48\n"),
        "timed" => ("timed", format!("[{}]", numbered(&|i| format!("run_time = \"{} s\"", 12 * i))), ""),
        _ => {
            let pilots = ["[]", "[1]", "[2]", "[1, 2]", "[3]", "[1, 3]"];
            let contact = if drive == "pilots-told" { "contact = true\n" } else { "" };
            ("pilot-array", format!("[{}]", numbered(&|i| format!("pilots = {}", pilots[i]))), contact)
        }
    };
    format!("[valve]\ndrive = \"{kind}\"\npositions = {positions}\n{more}")
}

#[cfg(test)]
mod tests {
    use super::super::invented_site;
    use super::*;
    use crate::site;

    /// Sites of every kind of drive, with windows and without, pass their check.
    #[test]
    fn varied_sites_are_sound() {
        let mut kinds = std::collections::BTreeMap::<&str, u32>::new();
        for seed in 0..64 {
            let site = varied(seed, invented_site(seed));
            match site::parse("varied", &site.text) {
                Ok(_) => {}
                Err(errors) => panic!("seed {seed}: {}\n{}", errors.render(false), site.text),
            }
            for kind in
                ["cam-switch", "home-and-stop", "cam-index", "pilot-array", "contact = true", "timed", "[[blackout]]"]
            {
                *kinds.entry(kind).or_default() += u32::from(site.text.contains(kind));
            }
            assert_eq!(site.text, varied(seed, invented_site(seed)).text);
        }
        assert!(kinds.values().all(|count| *count > 2), "{kinds:?}");
    }
}
