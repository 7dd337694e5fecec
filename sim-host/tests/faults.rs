//! The fault table: what it promises is kept, what it should not promise is found, and what is found runs as a scenario.
#![allow(missing_docs)]

use std::collections::BTreeSet;
use std::path::Path;
use std::process::{Command, Output};

use bedkeeper_sim::faults::{Campaign, Plan, Table, Tried};
use bedkeeper_sim::{demo, scenario, site};

/// A row with another promise for a motor that stalls.
fn row(promise: &str) -> String {
    format!(
        "[[fault]]\nname = \"stalls\"\ncomponent = \"drive\"\nway = \"It stalls.\"\n\
         event = ['fault = \"motor-stalled\"; tank = {{tank}}']\nrules = [\"V3\"]\npromise = \"It is given up.\"\nlook = \"Look.\"\n{promise}"
    )
}

fn campaign(table: &str) -> Campaign {
    let demo = demo::named("demo:apartments").expect("a bundled site").expect("it is there");
    let site = site::parse("demo:apartments", demo.site).expect("a sound site");
    let table: Table = table.parse().expect("a table");
    Campaign::prepare(&site, "demo:apartments", table).expect("it regenerates")
}

fn plan() -> Plan {
    Plan { singles: true, pairs: 0, cuts_every: 0, only: None, until: None }
}

fn tried(table: &str) -> Tried {
    campaign(table).run(&plan(), || ())
}

/// V3, S9: a promise that is true is kept in every case, and the alarm was seen, so that nothing passes for want of trying.
#[test]
fn a_true_promise_is_kept() {
    let tried = tried(&row("notices = \"moved\"\nalarms = [\"valve-lost\"]\nwithin = \"tries\"\n"));
    assert_eq!(tried.deviations, []);
    let [row] = &tried.rows[..] else { panic!("one row: {:?}", tried.rows) };
    assert_eq!((row.verdict.as_str(), row.cases, row.cases), ("kept", tried.cases, tried.planned));
    assert!(row.noticed > row.cases / 2 && row.cases > 30, "{row:?}");
}

/// The bundled pair with valves that pilots move.
fn with_pilots(contact: bool, table: &str) -> Campaign {
    let demo = demo::named("demo:apartments").expect("a bundled site").expect("it is there");
    let (before, rest) = demo.site.split_once("\n[valve]\n").expect("a valve");
    let (_, after) = rest.split_once("\n[").expect("more behind it");
    let after = after.replace("leg = \"12 s\"", "leg = \"9 s\"");
    let valve = format!(
        "\n[valve]\ndrive = \"pilot-array\"\ncontact = {contact}\npositions = [\n{}]\n[",
        [
            ("service", "[]"),
            ("backwash", "[1]"),
            ("brine-draw", "[2]"),
            ("fast-rinse", "[1, 2]"),
            ("brine-refill", "[3]")
        ]
        .iter()
        .chain(&[("standby", "[1, 3]")])
        .map(|(position, pilots)| format!("{{ position = \"{position}\", pilots = {pilots} }},\n"))
        .collect::<String>()
    );
    let site = site::parse("pilots.toml", &format!("{before}{valve}{after}"));
    let site = site.unwrap_or_else(|errors| panic!("{}", errors.render(false)));
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("pilots.toml");
    std::fs::write(&file, format!("{before}{valve}{after}")).expect("written");
    let table: Table = table.parse().expect("a table");
    Campaign::prepare(&site, &file.display().to_string(), table).expect("it regenerates")
}

/// V1, V3: where a contact tells, a pilot that does not act loses its valve with an alarm, in every position that wants it;
/// where none tells, the table has another row, which promises none.
#[test]
fn pilots_are_told_of_by_a_contact_alone() {
    let whole = include_str!("../src/faults/table.toml");
    let rows: Vec<_> = whole.split("[[fault]]").skip(1).filter(|row| row.contains("{pilot}")).collect();
    assert_eq!(rows.len(), 4);
    let table: String = rows.iter().map(|row| format!("[[fault]]{row}")).collect();
    for contact in [true, false] {
        let only = Plan { until: Some(std::time::Instant::now()), ..plan() };
        for row in with_pilots(contact, &table).run(&only, || ()).rows {
            assert_eq!(row.verdict.contains("not at this site"), row.name.ends_with("-told") != contact, "{row:?}");
        }
    }
    let told = rows.iter().find(|row| row.contains("\"pilot-off-told\"")).expect("the row");
    let tried = with_pilots(true, &format!("[[fault]]{told}")).run(&plan(), || ());
    assert_eq!(tried.deviations, []);
    assert!(tried.rows[0].noticed > 20, "{:?}", tried.rows);
}

/// V3, W1: an alarm that does not come is a deviation; its scenario misses exactly that, as `verify` sees it.
#[test]
fn a_false_promise_is_found_and_replayed() {
    let table = row("notices = \"moved\"\nalarms = [\"salt-low\"]\nwithin = \"tries\"\n");
    let first = tried(&table);
    assert_eq!(first, tried(&table), "the same each time");
    assert_eq!(first.rows[0].verdict, "deviation");
    let deviation = first.deviations.first().expect("it is found");
    assert_eq!((deviation.rule.as_str(), deviation.rows.as_slice()), ("alarm", ["stalls".to_owned()].as_slice()));
    let read = scenario::parse(Path::new("found.toml"), &deviation.source);
    let found = read.unwrap_or_else(|errors| panic!("{}\n{}", errors.render(false), deviation.source));
    let verdict = scenario::run(&found).expect("it runs");
    let text = scenario::readable(std::slice::from_ref(&verdict), str::to_owned);
    assert!(!verdict.is_met() && text.contains("alarm salt-low is raised") && text.contains("1 missed"), "{text}");
}

/// S12, S6: what no logic can keep is found where a table does not say so, and `verify` sees the same rule broken.
#[test]
fn a_rule_that_is_not_spared_is_found() {
    let table = row("silent = \"Nothing tells.\"\n").replace("motor-stalled", "switches-swapped:1-3");
    let tried = tried(&table);
    let deviation = tried.deviations.iter().find(|deviation| deviation.rule == "S12").expect("brine in service");
    let found = scenario::parse(Path::new("found.toml"), &deviation.source).expect("a scenario");
    let verdict = scenario::run(&found).expect("it runs");
    let text = scenario::readable(std::slice::from_ref(&verdict), str::to_owned);
    assert!(!verdict.is_met() && text.contains("S12"), "{text}");
}

/// V2, W3: what is promised less of valves that count their positions is told of at a site that has such, and promised elsewhere.
#[test]
fn less_is_promised_where_a_drive_counts() {
    let less = "notices = \"moved\"\nalarms = [\"salt-low\"]\nwithin = \"tries\"\n[[fault.where]]\ndrive = \"counts\"\nsilent = \"It counts.\"\n";
    let text = row(less);
    assert!(tried(&text).deviations.iter().all(|deviation| deviation.rule == "alarm"));
    assert!(!tried(&text).deviations.is_empty());
    let demo = demo::named("demo:house").expect("a bundled site").expect("it is there");
    let site = site::parse("demo:house", demo.site).expect("a sound site");
    let house = Campaign::prepare(&site, "demo:house", text.parse().expect("a table")).expect("it regenerates");
    let tried = house.run(&plan(), || ());
    assert_eq!(tried.deviations, []);
    assert!(tried.cases > 10, "{}", tried.cases);
}

/// W1, W3: every row of the table is read at the site where it is tried, or says why that site cannot have it; every component
/// of a plant is in it.
#[test]
fn the_table_is_whole() {
    let table = Table::built_in().expect("it is read");
    let components: BTreeSet<_> = table.rows.iter().map(|row| row.component.as_str()).collect();
    let wanted = [
        "drive",
        "position switch",
        "meter",
        "contacts",
        "relays",
        "brine and salt",
        "water supply",
        "clock",
        "power",
        "store",
        "operator and hand",
    ];
    assert_eq!(components, BTreeSet::from(wanted));
    let whole = campaign(include_str!("../src/faults/table.toml"));
    let only = Plan { until: Some(std::time::Instant::now()), ..plan() };
    let rows = whole.run(&only, || ()).rows;
    let absent =
        rows.iter().filter_map(|row| Some((row.name.as_str(), row.verdict.strip_prefix("not at this site: ")?)));
    let expected = [
        ("motor-wires-swapped-counted", "the drive does not count"),
        ("pilot-off-told", "no pilots with a contact"),
        ("pilot-off", "no pilots without a contact"),
        ("pilot-on-told", "no pilots with a contact"),
        ("pilot-on", "no pilots without a contact"),
        ("shared-motor-stalls", "the plant has no shared changeover valve"),
        ("mark-missed", "index-missed:1: this valve counts no marks"),
        ("mark-extra", "index-extra:1: this valve counts no marks"),
        ("closed-tank-passes", "one meter for all"),
        ("hold-off-closed", "no hold-off contact"),
        ("float-lets-none-in-told", "no level contact in the brine tank"),
        ("tap-runs", "no watch for leaks"),
    ];
    assert_eq!(absent.collect::<Vec<_>>(), expected);
    assert_eq!(rows.len(), table.rows.len());
}

/// What a table may not say is told with the row and what is wrong.
#[test]
fn a_table_at_fault_is_refused() {
    for (text, expected) in [
        (row(""), "fault `stalls`: either"),
        (row("silent = \"x\"\nspared = [\"S1\"]\n"), "`spared` and `because`"),
        (row("silent = \"x\"\n").repeat(2), "stands twice"),
        (row("silent = \"x\"\n[[fault.where]]\ndrive = \"counts\"\n"), "`where` needs"),
        (row("silent = \"x\"\n[[fault.where]]\ndrive = \"counts\"\nspared = [\"S1\"]\n"), "`spared` and `because`"),
        (row("silent = \"x\"\n[[fault.where]]\ndrive = \"hydraulic\"\nsilent = \"y\"\n"), "hydraulic"),
        (row("notices = \"moved\"\nalarms = [\"valve-gone\"]\nwithin = \"tries\"\n"), "there is no alarm `valve-gone`"),
        (row("notices = \"moved\"\nalarms = [\"valve-lost\"]\nwithin = \"soon\"\n"), "soon"),
        (row("silent = \"x\"\ncolour = \"red\"\n"), "colour"),
    ] {
        let error = text.parse::<Table>().expect_err(expected).to_string();
        assert!(error.contains(expected), "{error}");
    }
}

fn command(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_bedkeeper")).arg("faults").args(args).output().expect("runs")
}

/// The command tells in JSON, with exit code 0 where all is kept.
#[test]
fn the_command_tells_in_json() {
    let out = command(&["demo:apartments", "--only", "settings-wrong", "--pairs", "0", "--json"]);
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let told: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    assert_eq!(told["site"], "demo:apartments");
    assert!(told["cases"].as_u64().is_some_and(|cases| cases > 10), "{told}");
    assert_eq!(told["kept"], told["cases"]);
    assert_eq!(told["deviations"].as_array().map(Vec::len), Some(0));
}

/// A site in a file is tried as well where what is found goes to another folder.
#[test]
fn a_site_is_found_from_another_folder() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().display().to_string();
    let ran = command(&["../tests/sites/shared.toml", "--only", "settings-wrong", "--pairs", "0", "--out", &out]);
    let text = String::from_utf8_lossy(&ran.stdout).into_owned();
    assert!(ran.status.success() && text.contains("cases, alarm in") && !text.contains("cannot be read"), "{text}");
}

/// A table of one's own is tried, what is not kept is written, and the exit code says so.
#[test]
fn the_command_writes_what_is_not_kept() {
    let folder = tempfile::tempdir().expect("a folder");
    let table = folder.path().join("table.toml");
    let text = row("notices = \"moved\"\nalarms = [\"salt-low\"]\nwithin = \"tries\"\n");
    std::fs::write(&table, text).expect("written");
    let (table, out) = (table.display().to_string(), folder.path().display().to_string());
    let ran = command(&["demo:apartments", "--only", "stalls", "--pairs", "0", "--table", &table, "--out", &out]);
    assert_eq!(ran.status.code(), Some(1), "{}", String::from_utf8_lossy(&ran.stderr));
    let text = String::from_utf8_lossy(&ran.stdout).into_owned();
    let file = folder.path().join("faults-stalls-alarm-1.toml");
    assert!(text.contains("deviation in") && text.contains(&file.display().to_string()), "{text}");
    assert!(file.is_file());
}

/// Bad input is told with what would be right, with exit code 2.
#[test]
fn bad_input_is_told() {
    for (args, expected) in [
        (&["demo:castle"][..], "demo:castle"),
        (&["demo:apartments", "--only", "gearbox"], "the rows are motor-stalls"),
        (&["demo:apartments", "--table", "nowhere.toml"], "nowhere.toml: cannot be read"),
        (&["demo:apartments", "--budget", "soon"], "soon"),
        (&["demo:apartments", "--budget", "0s"], "nothing is tried in no time"),
    ] {
        let out = command(args);
        let told = String::from_utf8_lossy(&out.stderr).into_owned();
        assert_eq!(out.status.code(), Some(2), "{told}");
        assert!(told.contains(expected), "{told}");
    }
}

/// Of a pair as many moments are tried as are wanted, and no more than there are; none is made before it is run.
#[test]
fn a_pair_has_no_more_moments_than_there_are() {
    let campaign = campaign(&row("notices = \"moved\"\nalarms = [\"valve-lost\"]\nwithin = \"tries\"\n"));
    let planned = |pairs: usize| campaign.planned(&Plan { pairs, ..plan() });
    let alone = planned(0);
    assert!(alone > 30, "{alone}");
    assert_eq!(planned(7), alone + 7);
    assert_eq!(planned(usize::MAX), alone + alone * alone);
    let late = Plan { pairs: usize::MAX, until: Some(std::time::Instant::now()), ..plan() };
    assert_eq!(campaign.run(&late, || ()).cases, 0);
}

/// A budget that ends before everything was tried lets nothing be claimed of the rest.
#[test]
fn what_was_not_tried_is_not_claimed() {
    let out = command(&["demo:apartments", "--budget", "1 ms", "--pairs", "1000000000"]);
    let told = String::from_utf8_lossy(&out.stdout).into_owned();
    assert_eq!(out.status.code(), Some(0), "{told}");
    let last = told.lines().last().expect("a line");
    assert!(last.starts_with("nothing was tried within the budget, of "), "{last}");
}
