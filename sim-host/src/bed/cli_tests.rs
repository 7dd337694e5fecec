//! The resin bed on the command line: what it prints, and what it says where a figure needs a word.

use clap::Parser;

use super::*;

#[derive(Parser)]
struct Line {
    #[command(flatten)]
    bed: BedArgs,
}

fn args(line: &str) -> BedArgs {
    let words = std::iter::once("bed").chain(line.split_whitespace());
    Line::try_parse_from(words).expect(line).bed
}

fn results(args: &BedArgs) -> Vec<CaseResult> {
    let doses = args.sweep.clone().map_or(vec![args.dose], |d| d.0);
    doses.iter().map(|&dose| args.run_case(dose, true, |_| ()).expect("a sound case")).collect()
}

const KEYS: [&str; 14] = [
    "dose_actual_g_per_l",
    "dose_asked_g_per_l",
    "not_settled_because",
    "direction",
    "plates",
    "dose_g_per_l",
    "cycles",
    "converged",
    "capacity_g_caco3_per_l",
    "bed_volumes",
    "leakage_mean_mg_l",
    "leakage_min_mg_l",
    "salt_efficiency",
    "balance_error",
];

#[test]
fn json_holds_the_agreed_figures_and_no_others() {
    let one = args("--plates 5 --equilibrium --direction counter --dose 6.16lb/ft3 --json");
    let value: serde_json::Value = serde_json::from_str(&json(&one, &results(&one))).expect("json");
    let object = value.as_object().expect("one object");
    let mut keys: Vec<_> = object.keys().map(String::as_str).collect();
    let mut agreed = KEYS.to_vec();
    keys.sort_unstable();
    agreed.sort_unstable();
    assert_eq!(keys, agreed);
    assert_eq!(value["direction"], "counter");
    assert_eq!(value["plates"], 5);
    assert_eq!(value["converged"], true);
    let efficiency = value["salt_efficiency"].as_f64().expect("a figure");
    let capacity = value["capacity_g_caco3_per_l"].as_f64().expect("a figure");
    let dose = value["dose_g_per_l"].as_f64().expect("a figure");
    assert!((efficiency - capacity / CACO3_G_PER_EQ / (dose / 58.443)).abs() < 1e-12);

    let sweep = args("--plates 4 --equilibrium --sweep 60..120:30 --json");
    let value: serde_json::Value = serde_json::from_str(&json(&sweep, &results(&sweep))).expect("json");
    assert_eq!(value.as_array().map(Vec::len), Some(3));

    let virgin = args("--plates 4 --equilibrium --virgin --json");
    let value: serde_json::Value = serde_json::from_str(&json(&virgin, &results(&virgin))).expect("json");
    assert_eq!(value["salt_efficiency"], serde_json::Value::Null);
    assert_eq!(value["dose_g_per_l"], 0.0);
}

/// Where the answer needs a word, it has one; where it needs none, it has none.
#[test]
fn what_does_not_settle_says_why() {
    let said = |line: &str| {
        let asked = args(line);
        hints(&asked, &results(&asked)).join("\n")
    };
    let coarse = said("--plates 1 --equilibrium --dose 164.44");
    assert!(coarse.contains("Not settled at 164.4 g/L: one plate's pore water is 0.26 %"), "{coarse}");
    let turns = said("--plates 20 --equilibrium --rinse 0BV --direction counter");
    assert!(turns.contains("a longer slow rinse, a fast rinse"), "{turns}");
    let few = said("--plates 20 --equilibrium --cycles 2");
    assert!(few.contains("fewer than four cycles"), "{few}");
    let early = said("--plates 10 --dose 164.44");
    assert!(early.contains("in 10 plates leaks too early") && !early.contains("Not settled"), "{early}");
    let dose = said("--plates 20 --equilibrium --dose 40g/L");
    assert!(dose.contains("The dose asked for was 40.0 g/L") && dose.contains("2.06 g/L each"), "{dose}");
    let settled = args("--plates 20 --equilibrium --dose 39.055");
    assert_eq!(hints(&settled, &results(&settled)), Vec::<String>::new());
}

#[test]
fn csv_is_a_curve_past_the_end_point() {
    let a = args("--plates 10 --equilibrium --csv");
    assert_eq!(a.csv.as_deref(), Some(Path::new("-")));
    let result = results(&a);
    let text = csv(&result[0].curve);
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("bv,ca_mg_l,mg_mg_l,hardness_mg_l"));
    let rows: Vec<Vec<f64>> = lines.map(|l| l.split(',').map(|f| f.parse().expect("a number")).collect()).collect();
    assert!(rows.len() > 1000 && rows.len() <= CURVE_ROWS + 2);
    assert!(rows.windows(2).all(|w| w[0][0] < w[1][0]));
    assert!(rows.iter().all(|r| r.len() == 4));
    let last = rows.last().expect("rows");
    assert!(last[3] > 100.0);
    // Ca and Mg add up to the hardness (2.497, 4.118: Standard Methods 2340B).
    assert!((2.497 * last[1] + 4.118 * last[2] - last[3]).abs() < 0.1);
}

#[test]
fn the_page_stands_alone() {
    let a = args("--plates 5 --equilibrium --sweep 80..160:40 --html page.html");
    let page = page::render(&a, &results(&a)).expect("a page");
    assert!(page.starts_with("<!DOCTYPE html>"));
    assert_eq!(page.matches("<figure>").count(), 6);
    // A drawing element left open would swallow the rest of the drawing.
    for element in ["line", "polyline"] {
        let opening = format!("<{element} ");
        let mut drawn = page.split(&opening).skip(1);
        assert!(drawn.all(|rest| rest.split('>').next().is_some_and(|tag| tag.ends_with('/'))));
    }
    assert_eq!(page.matches("<polyline ").count(), 12);
    for outside in ["http", "src=", "href=", "@import", "NaN", "inf"] {
        assert!(!page.contains(outside), "{outside}");
    }
}

#[test]
fn the_readable_answer_says_when_the_dose_was_rounded() {
    let a = args("--plates 2 --equilibrium --dose 100");
    let text = readable(&a, &results(&a));
    assert!(text.contains("The dose asked for was 100.0 g/L"), "{text}");
    let b = args("--plates 20 --equilibrium --dose 160.33");
    assert!(!readable(&b, &results(&b)).contains("asked for"));
}

#[test]
fn one_answer_at_a_time_goes_to_the_output() {
    let both = args("--plates 2 --equilibrium --json --csv");
    assert_eq!(run(&both, false), Err(BedError::OneOutput));
}

#[test]
fn bad_options_are_refused_in_words() {
    for (line, word) in [
        ("--sodium NaN", "not a sodium content"),
        ("--hardness 342furlongs", "furlongs"),
        ("--temperature hot", "not a temperature"),
        ("--dose", "value is required"),
        ("--direction sideways", "possible values"),
        ("--virgin --sweep 80..160:40", "cannot be used with"),
        ("--sweep 160..80:40", "must rise"),
        ("--plates -3", "unexpected argument"),
    ] {
        let words = std::iter::once("bed").chain(line.split_whitespace());
        let error = Line::try_parse_from(words).err().expect(line).to_string();
        assert!(error.contains(word), "{line}: {error}");
    }
    for (line, field) in [
        ("--dose 0", "dose"),
        ("--flow 0", "service flow"),
        ("--void 2", "void fraction"),
        ("--plates 10000", "plates"),
        ("--temperature -3C", "temperature"),
        ("--brine 40%", "brine strength"),
    ] {
        let a = args(line);
        match a.run_case(a.dose, false, |_| ()).err() {
            Some(BedError::OutOfRange { field: named, .. }) => assert_eq!(named, field),
            other => panic!("{line}: {other:?}"),
        }
    }
}
