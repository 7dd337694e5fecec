//! The hand-over sheet: it carries the settings, their hash, the wiring, a week, the checks and every alarm.
#![allow(missing_docs, clippy::unwrap_used)]

mod site_support;

use std::process::{Command, Output};

use bedkeeper::demand::Hold;
use bedkeeper::watch::Alarm;
use site_support::with;

fn bedkeeper(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_bedkeeper")).args(args).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// A site file in a folder of its own, and its sheet.
struct Made {
    folder: tempfile::TempDir,
    site: String,
}

impl Made {
    fn new(site: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("site.toml");
        std::fs::write(&file, site).unwrap();
        let site = file.to_str().unwrap().to_owned();
        Self { folder, site }
    }

    fn sheet(&self, more: &[&str]) -> String {
        let page = self.folder.path().join("sheet.html").to_str().unwrap().to_owned();
        let args = [&["sheet", &self.site, "-o", &page], more].concat();
        let out = bedkeeper(&args);
        assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
        std::fs::read_to_string(page).unwrap()
    }

    fn hash(&self) -> String {
        let image = self.folder.path().join("a.bkpr").to_str().unwrap().to_owned();
        let out = bedkeeper(&["pack", &self.site, "--out", &image, "--force"]);
        text(&out.stdout).lines().next().unwrap().split("checksum ").nth(1).unwrap().to_owned()
    }
}

const APARTMENTS: &str = include_str!("../demo/apartments.toml");
const HOUSE: &str = include_str!("../demo/house.toml");

/// O3: the sheet's hash is the image's, and another setting gives another.
#[test]
fn the_hash_is_that_of_the_image() {
    let made = Made::new(APARTMENTS);
    let hash = made.hash();
    assert!(made.sheet(&[]).contains(&format!("class=\"hash\">{hash}<")));
    let other = Made::new(&with(APARTMENTS, "calendar.backup_after", "\"5 days\""));
    assert_ne!(other.hash(), hash);
    assert!(other.sheet(&[]).contains(&other.hash()) && !other.sheet(&[]).contains(&hash));
}

/// W3: every alarm and every hold stands there in the logic's own words, with the severity that the site gives it.
#[test]
fn every_alarm_and_hold_is_explained() {
    let page = Made::new(APARTMENTS).sheet(&[]);
    // The template turns apostrophes and the like into entities.
    let plain = page.replace("&#39;", "'").replace("&#34;", "\"");
    for alarm in Alarm::ALL {
        for words in [alarm.slug(), alarm.happened(), alarm.done(), alarm.look()] {
            assert!(plain.contains(words), "{alarm}: {words}");
        }
    }
    for hold in Hold::ALL {
        assert!(plain.contains(hold.cleared_by()), "{hold}");
    }
    assert!(plain.contains("warning, after 1 min"), "low-pressure has an onset delay in this site");
}

/// What a technician looks for is there; the page needs nothing but itself.
#[test]
fn the_page_is_whole_and_self_contained() {
    let page = Made::new(APARTMENTS).sheet(&["--date", "2027-05-01"]);
    for words in [
        "Nobody to call; no shut-off to find.",
        "2027-05-01",
        "licensed electrician",
        "certified to any standard",
        "air gap",
        "Strong brine",
        "Drinking water",
        "blackout window",
        "daily 17:00 to 22:00",
        "Settings, and the reason for each",
        "On during backwash, brine draw, slow rinse, fast rinse of tank 1, 2.",
        "On for 2 s after every 50 L of water.",
        "35 Ill. Adm. Code 604.805",
        "A normal week",
        "No rule was seen broken.",
        "Meter check",
        "signature",
        "flash pages",
        "medium.softener.hardness",
        "contact remote",
    ] {
        assert!(page.contains(words), "no {words:?}");
    }
    for outside in ["http://", "https://", "<script", "<link", "src=", "url(http"] {
        assert!(!page.contains(outside), "{outside}");
    }
    assert!(page.contains("@page") && page.contains("break-before: page") && page.trim_end().ends_with("</html>"));
}

/// S3: what confirms nothing is said to be weaker, on the sheet as by `size`; where switches tell, nothing is said.
#[test]
fn valves_without_feedback_are_said_to_be_weaker() {
    let from = HOUSE.find("[valve]").unwrap();
    let timed = format!(
        "{}[valve]\ndrive = \"timed\"\npositions = [\n  {{ position = \"service\", run_time = \"0 s\" }},\n  {{ position = \"backwash\", run_time = \"15 s\" }},\n  {{ position = \"brine-draw\", run_time = \"30 s\" }},\n  {{ position = \"fast-rinse\", run_time = \"45 s\" }},\n  {{ position = \"brine-refill\", run_time = \"60 s\" }},\n]\n",
        &HOUSE[..from]
    );
    let made = Made::new(&timed);
    let page = made.sheet(&[]);
    for words in ["Valves without feedback", "weaker than switches", "WEAKER", "watched through its whole travel"] {
        assert!(page.contains(words), "{words}");
    }
    assert!(text(&bedkeeper(&["size", &made.site]).stdout).contains("weaker than switches"));
    let page = Made::new(HOUSE).sheet(&[]);
    assert!(!page.contains("WEAKER") && !page.contains("Valves without feedback"));
}

/// O1: a lock's code is not printed on a paper that lies beside the plant, nor shown by `pack`.
#[test]
fn a_code_is_not_printed() {
    let made = Made::new(&(HOUSE.to_owned() + "\n[locks]\npanel = \"code 471108\"\n"));
    let page = made.sheet(&[]);
    assert!(!page.contains("471108") && page.contains("The code was given to those who need it"));
    let image = made.folder.path().join("c.bkpr").to_str().unwrap().to_owned();
    bedkeeper(&["pack", &made.site, "--out", &image]);
    assert!(!text(&bedkeeper(&["pack", "--show", &image]).stdout).contains("471108"));
}

/// The week comes from the site's own use, or from the recording that is named; a wrong one is refused.
#[test]
fn the_week_is_replayed() {
    let made = Made::new(HOUSE);
    let generated = made.sheet(&[]);
    assert!(generated.contains("a third of a tank&#39;s capacity"));
    let recorded = made.sheet(&["--recording", "demo:house"]);
    assert!(recorded.contains("the recording demo:house"));
    for days in ["Monday", "Wednesday", "Sunday"] {
        assert!(recorded.contains(days));
    }
    let out = bedkeeper(&["sheet", &made.site, "--recording", "demo:apartments", "-o", "-"]);
    assert_eq!(out.status.code(), Some(2));
    assert!(text(&out.stderr).contains("one pulse is 10 L") && out.stdout.is_empty());
    let out = bedkeeper(&["sheet", &made.site, "--recording", "nowhere.csv", "-o", "-"]);
    assert!(out.status.code() == Some(2) && text(&out.stderr).contains("nowhere.csv"));
    // The site is not overwritten by its own sheet.
    let out = bedkeeper(&["sheet", &made.site, "-o", &made.site]);
    assert_eq!(out.status.code(), Some(2), "{}", text(&out.stderr));
    assert_eq!(std::fs::read_to_string(&made.site).unwrap(), HOUSE);
}

/// O5: US units by the site's own wish, and every arrangement gets a sheet.
#[test]
fn every_arrangement_and_both_systems_have_a_sheet() {
    let us = Made::new(&with(APARTMENTS, "site.units", "\"us\"")).sheet(&[]);
    for words in ["20 gpg", "3.002 ft3", "18.01 lb", "26.42 gpm"] {
        assert!(us.contains(words), "no {words}");
    }
    let staged = with(APARTMENTS, "tanks.arrangement", "\"staged\"")
        .replace("[sharing]", "[sharing]\njoin_above = [\"40 L/min\"]");
    for (site, words) in [
        (with(APARTMENTS, "tanks.arrangement", "\"parallel\""), "tanks that serve together"),
        (staged, "tank 2 joins above"),
        (with(APARTMENTS, "meter.place", "\"per-tank\""), "In the outlet of tank 2"),
    ] {
        let page = Made::new(&site).sheet(&[]);
        assert!(page.contains(words) && !page.contains("RULE BROKEN"), "{words}");
    }
}

/// A name or note that a browser would take for markup stays text.
#[test]
fn texts_of_the_site_are_no_markup() {
    let page = Made::new(&with(HOUSE, "site.note", "\"<b>Call</b> & wait\"")).sheet(&[]);
    assert!(!page.contains("<b>Call</b>") && page.contains("Call"));
}
