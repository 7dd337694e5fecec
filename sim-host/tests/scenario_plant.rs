//! Scenarios of the full plant: what is read, what is refused, what a miss says.
#![allow(missing_docs)]

use std::path::Path;

use bedkeeper_sim::scenario::{self, Verdict};

const SITE: &str = r#"
[site.site]
name = "Trial (invented)"
[site.tanks]
arrangement = "alternating"
[site.water]
hardness = "400 mg/L"
[site.resin]
volume = "85 L"
capacity = "4 kg"
[site.brine]
dose = "8 kg"
refill_flow = "2 L/min"
[site.meter]
pulse = "10 L"
[site.start]
when = "immediate"
[site.program]
preset = "co-current"
backwash = { length = "10 min", drain = "25 L/min" }
brine_draw = { length = "30 min", drain = "3 L/min" }
slow_rinse = { length = "30 min", drain = "4 L/min" }
fast_rinse = { length = "10 min", drain = "25 L/min" }
[site.valve]
drive = "cam-switch"
positions = ["service", "backwash", "brine-draw", "fast-rinse", "brine-refill", "standby"]
[site.plant]
plates = 4
"#;

/// A scenario of two days with these top keys and sections.
fn source(top: &str, sections: &str) -> String {
    format!("scenario = \"A trial\"\nlasts = \"2 days\"\nstarts = \"2027-03-01T00:00\"\n{top}\n{SITE}\n{sections}")
}

fn faults(top: &str, sections: &str) -> String {
    let text = source(top, sections);
    scenario::parse(Path::new("trial.toml"), &text).expect_err("at fault").render(false)
}

fn verdict(top: &str, sections: &str) -> Verdict {
    let text = source(top, sections);
    let scenario = scenario::parse(Path::new("trial.toml"), &text).unwrap_or_else(|e| panic!("{}", e.render(false)));
    scenario::run(&scenario).expect("it runs")
}

const FULL: &str = "plant = \"full\"";

#[test]
fn what_cannot_be_read_is_said_with_what_would_be_right() {
    for (top, sections, words) in [
        ("", "[[expect]]\nfigure = \"drained\"\nmost = \"1 L\"", "add plant = \"full\" at the top"),
        (
            "",
            "[[event]]\nat = \"day 1 01:00\"\nsalt_bridge = true\n[[expect]]\nnever = true\nalarm = \"overrun\"",
            "only a full plant has this",
        ),
        (FULL, "[[expect]]\nfigure = \"tank-hardness\"\nmost = \"1 mg/L\"", "whose? add `tank = 1`"),
        (FULL, "[[expect]]\nfigure = \"brine-level\"\ntank = 1\nmost = \"1 m\"", "the plant's, not one tank's"),
        (FULL, "[[expect]]\nfigure = \"outlet-hardnes\"\nmost = \"1 mg/L\"", "did you mean \"outlet-hardness\"?"),
        (FULL, "[[expect]]\nfigure = \"outlet-hardness\"\nmost = \"1 kPa\"", "kPa"),
        (FULL, "[[expect]]\nfigure = \"outlet-hardness\"", "give `least` or `most`"),
        (
            FULL,
            "[[expect]]\nfigure = \"drained\"\nmost = \"1 L\"\nat = \"day 1 02:00\"\nalways = true",
            "must say when, once",
        ),
        (
            FULL,
            "[[event]]\nat = \"day 1 01:00\"\ntemperature = \"90 °C\"\n[[expect]]\nnever = true\nalarm = \"overrun\"",
            "0 to 60 °C",
        ),
        (
            FULL,
            "[[event]]\nat = \"day 1 01:00\"\nfloat = \"sunk\"\n[[expect]]\nnever = true\nalarm = \"overrun\"",
            "stuck-open",
        ),
        (
            FULL,
            "[[event]]\nat = \"day 1 01:00\"\nsupply = \"1 bar\"\nadd_salt = \"1 kg\"\n[[expect]]\nnever = true\nalarm = \"overrun\"",
            "must say one thing",
        ),
        ("plant = \"half\"", "[[expect]]\nnever = true\nalarm = \"overrun\"", "simple"),
    ] {
        let shown = faults(top, sections);
        assert!(shown.contains(words), "{sections}\n{shown}");
    }
}

/// A fault of a site within the scenario is told even where it has no place in the text.
#[test]
fn a_key_that_an_inline_site_lacks_is_named() {
    let text = source("", "[[expect]]\nnever = true\nalarm = \"overrun\"").replace("pulse = \"10 L\"\n", "");
    let shown = scenario::parse(Path::new("trial.toml"), &text).expect_err("at fault").render(false);
    assert!(shown.contains("pulse"), "{shown}");
}

/// S5: flows and rows alike reach the full plant to the litre, and a miss names figure, limit and value.
#[test]
fn all_water_reaches_the_plant_and_a_miss_is_told() {
    let flow = "[[flow]]\nfrom = \"day 1 06:00\"\nlasts = \"10 h\"\nrate = \"5 L/min\"\n";
    let rows =
        "recording = [[\"day 1 06:00\", 100], [\"day 1 07:00\", 150], [\"day 1 07:00\", 20], [\"day 1 09:00\", 30]]";
    let expect = "[[expect]]\nfigure = \"delivered\"\nleast = \"2999.99 L\"\nmost = \"3000.01 L\"\n\
                  [[expect]]\nfigure = \"outlet-hardness\"\nalways = [\"day 1 10:00\", \"day 2 00:00\"]\nmost = \"10 mg/L\"";
    for (top, sections) in
        [(FULL.to_owned(), format!("{flow}{expect}")), (format!("{FULL}\n{rows}"), expect.to_owned())]
    {
        let verdict = verdict(&top, &sections);
        // Two figures, the rules, the balance.
        assert_eq!(verdict.judgements.len(), 4);
        assert!(verdict.is_met(), "{}", scenario::readable(&[verdict], str::to_owned));
    }
    let short = format!("{flow}[[expect]]\nfigure = \"delivered\"\nat = \"day 1 08:00\"\nleast = \"1 m3\"");
    let verdict = verdict(FULL, &short);
    let miss = verdict.missed().next().expect("missed");
    assert_eq!(miss.expected, "at day 1 08:00:00: delivered at least 1000 L");
    assert_eq!(miss.happened, "600 L");
}

/// A change with `lasts` goes back to what the site says.
#[test]
fn what_lasts_a_while_ends() {
    let events = "[[event]]\nat = \"day 1 06:00\"\nsupply = \"250 kPa\"\nlasts = \"1 h\"\n";
    let expect = "[[expect]]\nfigure = \"inlet-pressure\"\nat = \"day 1 06:30\"\nleast = \"250 kPa\"\nmost = \"250 kPa\"\n\
                  [[expect]]\nfigure = \"inlet-pressure\"\nat = \"day 1 07:01\"\nleast = \"400 kPa\"\n\
                  [[expect]]\nnever = true\nalarm = \"low-pressure\"";
    let verdict = verdict(FULL, &format!("{events}{expect}"));
    assert!(verdict.is_met(), "{}", scenario::readable(&[verdict], str::to_owned));
}

/// A key that means nothing beside what happens is refused with its line, not passed over.
#[test]
fn a_key_that_nobody_would_read_is_refused() {
    const EXPECT: &str = "[[expect]]\nnever = true\nalarm = \"overrun\"";
    for (event, words) in [
        ("power = { off = \"1 min\" }\nvalve = \"shared\"", "`valve` has no meaning beside `power`"),
        ("clock = \"lost\"\nlasts = \"1 h\"", "`lasts` has no meaning beside `clock`"),
        ("contact = \"remote\"\ntank = 1", "`tank` has no meaning beside `contact`"),
        ("operator = \"start-now\"\nvalve = \"shared\"", "it goes with fault and mend"),
        ("operator = \"return\"\ntank = 2", "`tank` has no meaning beside `return`"),
        ("operator = \"start-now\"\nalarm = \"overrun\"", "unknown key `alarm`"),
        ("fault = \"motor-stalled\"\ntank = 1\nwho = \"panel\"", "`who` has no meaning beside `fault`"),
        ("mend = \"motor-stalled\"\ntank = 1\nlasts = \"1 h\"", "`lasts` has no meaning beside `mend`"),
        ("fault = \"motor-stalled\"\ntank = 1\nvalve = \"shared\"", "`tank` and `valve` name two valves"),
        ("add_salt = \"1 kg\"\nlasts = \"1 h\"", "`lasts` has no meaning beside `add_salt`"),
        ("store = { erasures = 1 }\nclosed = true", "`closed` has no meaning beside `store`"),
        ("store = { erasures = 1, worn = true }", "unknown key `worn`"),
        ("store = { rated = 10 }", "`erasures` is missing"),
        ("clock = \"lost\"\nnth = 2", "`nth` has no meaning without `on`"),
    ] {
        let sections = format!("[[event]]\nat = \"day 1 01:00\"\n{event}\n{EXPECT}");
        let shown = faults(FULL, &sections);
        assert!(shown.contains(words), "{event}\n{shown}");
        let line = source(FULL, &sections).lines().position(|line| line == "[[event]]").expect("an event") + 1;
        let named = (line..line + 6).any(|line| shown.contains(&format!("trial.toml:{line}:")));
        assert!(named, "{event}\n{shown}");
    }
    for (expect, words) in [
        ("never = true\nalarm = \"overrun\"\ntank = 1", "`tank` has no meaning here"),
        ("never = true\ncause = \"remote\"\nclears = \"day 1 02:00\"", "it goes with hold"),
    ] {
        let shown = faults("", &format!("[[expect]]\n{expect}"));
        assert!(shown.contains(words), "{expect}\n{shown}");
    }
}
