//! The handbook is true: what its terminals show is what the program prints, its generated parts are what the code says, and its
//! links lead somewhere. UPDATE_HANDBOOK=1 writes the generated parts anew, TRYCMD=overwrite the terminals.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use bedkeeper::demand::Hold;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::units::TankId;
use bedkeeper::watch::{Alarm, AlarmRules};
use bedkeeper_sim::{scenario, wording};
use layout::backends::svg::SVGWriter;
use layout::gv::{DotParser, GraphBuilder};
use pulldown_cmark::{Event as Piece, Parser, Tag};

fn docs() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs")
}

/// Compares a generated file with what is kept, or writes it.
fn compare(path: &Path, made: &str) {
    if std::env::var_os("UPDATE_HANDBOOK").is_some() {
        std::fs::write(path, made).unwrap();
    }
    let kept = std::fs::read_to_string(path).unwrap_or_default();
    assert!(kept == made, "{} is not what the code says; UPDATE_HANDBOOK=1 cargo test --test handbook", path.display());
}

#[test]
fn terminals_show_what_the_program_prints() {
    // A chapter's commands are those of somebody who stands in the project's folder.
    std::env::set_current_dir(docs().join("..")).unwrap();
    trycmd::TestCases::new().case(docs().join("book/*.md").display().to_string()).run();
}

/// The words of a page between its marks are made here.
fn fill(page: &str, made: &str) {
    let path = docs().join("book").join(page);
    let text = std::fs::read_to_string(&path).unwrap();
    let (before, rest) = text.split_once("<!-- made by a test: -->\n").expect("the mark where it begins");
    let (_, after) = rest.split_once("<!-- to here -->").expect("the mark where it ends");
    compare(&path, &format!("{before}<!-- made by a test: -->\n{made}<!-- to here -->{after}"));
}

#[test]
fn every_alarm_stands_in_its_chapter_in_the_logics_own_words() {
    let mut table = String::from(
        "| alarm | severity | what happened | what the logic did | what to look at |\n|---|---|---|---|---|\n",
    );
    for alarm in Alarm::ALL {
        let severity = AlarmRules::default().severity(*alarm);
        table.push_str(&format!(
            "| `{alarm}` | {severity} | {} | {} | {} |\n",
            alarm.happened(),
            alarm.done(),
            alarm.look()
        ));
    }
    fill("alarms.md", &table);
}

#[test]
fn every_fault_stands_in_its_chapter() {
    let table = bedkeeper_sim::faults::Table::built_in().unwrap();
    fill("faults.md", &bedkeeper_sim::faults::table_page(&table));
}

#[test]
fn every_hold_stands_in_its_chapter() {
    let text = std::fs::read_to_string(docs().join("book/waiting.md")).unwrap();
    let missing: Vec<_> = Hold::ALL.iter().filter(|hold| !text.contains(&format!("`{hold}`"))).collect();
    assert!(missing.is_empty(), "waiting.md says nothing of {missing:?}");
}

/// Every change of duty that the rehearsals see, with the reasons that the logic gave.
fn changes_of_duty() -> BTreeMap<(DutyKind, DutyKind), BTreeSet<String>> {
    let mut changes: BTreeMap<_, BTreeSet<String>> = BTreeMap::new();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/scenarios");
    for file in scenario::files(&folder).unwrap() {
        let (_, timeline) = scenario::run_whole(&scenario::load(&file).unwrap()).unwrap();
        let first = &timeline.states.first().unwrap().1;
        let mut duties: Vec<DutyKind> = first.tanks.iter().map(|tank| tank.duty).collect();
        let begun_ms = timeline.states.first().unwrap().0;
        for record in &timeline.records {
            let Event::Duty { tank, duty, .. } = record.event else { continue };
            let TankId(index) = tank;
            let before = std::mem::replace(&mut duties[usize::from(index)], duty);
            let later = scenario::Timeline::at_ms(record) > begun_ms;
            if later && before != duty {
                let sentence = wording::sentence(&record.event);
                let reason = sentence.split_once(": ").map_or("", |(_, reason)| reason).to_owned();
                changes.entry((before, duty)).or_default().insert(reason);
            }
        }
    }
    changes
}

#[test]
fn the_picture_of_duties_is_what_the_logic_does() {
    let changes = changes_of_duty();
    let mut dot = String::from("digraph duties {\n  rankdir=LR;\n");
    for duty in DutyKind::ALL {
        dot.push_str(&format!("  {duty} [label=\"{duty}\", shape=box];\n"));
    }
    let mut table = String::from("| from | to | because |\n|---|---|---|\n");
    for ((from, to), reasons) in &changes {
        let reasons: Vec<_> = reasons.iter().map(String::as_str).collect();
        dot.push_str(&format!("  {from} -> {to};\n"));
        table.push_str(&format!("| `{from}` | `{to}` | {} |\n", reasons.join("; ")));
    }
    dot.push_str("}\n");
    fill("duties.md", &table);
    let graph = DotParser::new(&dot).process().expect("a graph that was just written");
    let mut builder = GraphBuilder::new();
    builder.visit_graph(&graph);
    let mut svg = SVGWriter::new();
    builder.get().do_it(false, false, false, &mut svg);
    compare(&docs().join("book/pictures/duties.svg"), &svg.finalize());
}

/// Relative links of every page lead to a file of the book, since no other is carried along, and every page is in the table of
/// contents.
#[test]
fn links_lead_somewhere_and_every_chapter_is_listed() {
    let book = docs().join("book");
    let contents = std::fs::read_to_string(book.join("SUMMARY.md")).unwrap();
    let mut broken = Vec::new();
    for entry in std::fs::read_dir(&book).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|extension| extension != "md") {
            continue;
        }
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        assert!(name == "SUMMARY.md" || contents.contains(&format!("({name})")), "{name} is not in SUMMARY.md");
        let text = std::fs::read_to_string(&path).unwrap();
        for piece in Parser::new(&text) {
            let (Piece::Start(Tag::Link { dest_url, .. }) | Piece::Start(Tag::Image { dest_url, .. })) = piece else {
                continue;
            };
            let file = dest_url.split('#').next().unwrap_or_default();
            if !file.is_empty() && !file.contains("://") && (file.contains("..") || !book.join(file).is_file()) {
                broken.push(format!("{name}: {dest_url}"));
            }
        }
    }
    assert!(broken.is_empty(), "{broken:?}");
}
