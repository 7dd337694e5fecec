//! Changes behind switches do what the same changes do in the text.

use std::path::Path;
use std::process::Command;

use bedkeeper_tests::switched::{self, Change, Kind};

/// Everything that can be switched, and what cannot.
const SOURCE: &str = "
const LIMIT: u32 = 2 + 3;

#[derive(Clone, Copy)]
struct Pair {
    first: u32,
    second: u32,
}

const fn twice(x: u32) -> u32 {
    x * 2
}

fn told(x: u32, on: bool, also: bool) -> u32 {
    if x > LIMIT && on || !also {
        return twice(x);
    }
    match x {
        1 => 10,
        // A comment with ü, which is one letter and two bytes.
        n if n > 3 && (on || n < 4) => 30,
        _ => 0,
    }
}

fn pair(base: Pair, x: Option<u32>) -> u32 {
    let mut made = Pair { first: 7, ..base };
    if let Some(y) = x && y >= 1 {
        made.second *= y + 1;
    }
    made.first * 100 + made.second
}

fn main() {
    for x in 0..8 {
        for (on, also) in [(false, false), (false, true), (true, false), (true, true)] {
            print!(\"{} \", told(x, on, also));
        }
        print!(\"{} {} \", pair(Pair { first: 1, second: 2 }, None), pair(Pair { first: 1, second: x }, Some(x)));
    }
}
";

/// Kind, the text around, and of it what is changed and into what.
const CHANGES: [(Kind, &str, &str, &str); 17] = [
    (Kind::Binary, "2 + 3", "+", "*"),
    (Kind::Binary, "x * 2", "*", "+"),
    (Kind::Binary, "x > LIMIT", ">", "<="),
    (Kind::Binary, "LIMIT && on", "&&", "||"),
    (Kind::Binary, "on || !also", "||", "&&"),
    (Kind::Unary, "!also", "!", ""),
    (Kind::Arm, "1 => 10,", "1 => 10,", ""),
    (Kind::Arm, "n if n > 3 && (on || n < 4) => 30,", "n if n > 3 && (on || n < 4) => 30,", ""),
    (Kind::Guard, "n > 3 && (on || n < 4)", "n > 3 && (on || n < 4)", "true"),
    (Kind::Binary, "n > 3 && (", "&&", "||"),
    (Kind::Binary, "n < 4", "<", "=="),
    (Kind::Field, "first: 7,", "first: 7,", ""),
    (Kind::Binary, "x && y", "&&", "||"),
    (Kind::Binary, "y >= 1", ">=", "<"),
    (Kind::Binary, "made.second *= y", "*=", "+="),
    (Kind::Binary, "100 + made", "+", "*"),
    (Kind::Body, "let mut made", "let mut made", "3"),
];

/// Where in the text a change begins.
fn place(around: &str, changed: &str) -> usize {
    assert_eq!(SOURCE.matches(around).count(), 1, "{around}");
    let start = SOURCE.find(around).unwrap();
    start + SOURCE[start..].find(changed).unwrap()
}

fn line_and_column(at: usize) -> (usize, usize) {
    let before = &SOURCE[..at];
    (before.matches('\n').count() + 1, before.rsplit('\n').next().unwrap().chars().count() + 1)
}

fn changes() -> Vec<Change> {
    let change = |(number, (kind, around, was, text)): (usize, &(Kind, &str, &str, &str))| {
        let at = place(around, was);
        Change {
            id: u32::try_from(number + 1).unwrap(),
            kind: *kind,
            from: line_and_column(at),
            to: line_and_column(at + was.len()),
            text: (*text).to_owned(),
        }
    };
    CHANGES.iter().enumerate().map(change).collect()
}

fn program(name: &str, source: &str) -> std::path::PathBuf {
    let place = Path::new(env!("CARGO_TARGET_TMPDIR")).join("switched");
    std::fs::create_dir_all(&place).unwrap();
    let (source_file, program) = (place.join(format!("{name}.rs")), place.join(name));
    std::fs::write(&source_file, source).unwrap();
    std::fs::write(place.join("changed.rs"), switched::CHANGED).unwrap();
    let compiler = std::env::var("RUSTC").unwrap_or_else(|_| "rustc".to_owned());
    let done = Command::new(compiler)
        .args(["--edition=2024", "-Cdebuginfo=0", "-Awarnings"])
        .args([&source_file, Path::new("-o"), &program])
        .env("RUSTC_BOOTSTRAP", "1")
        .output()
        .unwrap();
    assert!(done.status.success(), "{name}: {}", String::from_utf8_lossy(&done.stderr));
    program
}

fn says(program: &Path, changed: usize) -> String {
    let done = Command::new(program).env("CHANGED", changed.to_string()).output().unwrap();
    assert!(done.status.success());
    String::from_utf8(done.stdout).unwrap()
}

#[test]
fn a_switched_change_does_what_the_changed_text_does() {
    let changes = changes();
    let switched = switched::switch(SOURCE, &changes).unwrap();
    assert_eq!(switched.left_out, [1, 13], "a constant, and what stands beside a `let`");
    assert_eq!(switched.constant, [2]);
    let head = format!("{}{}", switched::CRATE_HEAD, switched::CRATE_MODULE);
    let all = program("all", &format!("{head}{}", switched.text));

    let plain = says(&program("plain", SOURCE), 0);
    assert_eq!(says(&all, 0), plain, "nothing is changed");
    for (number, (kind, around, was, text)) in CHANGES.iter().enumerate() {
        let id = number + 1;
        if switched.left_out.contains(&u32::try_from(id).unwrap()) {
            continue;
        }
        let at = place(around, was);
        let rest = match kind {
            Kind::Body => at + SOURCE[at..].find("\n}").unwrap(),
            _ => at + was.len(),
        };
        let changed =
            says(&program(&format!("changed_{id}"), &format!("{}{text}{}", &SOURCE[..at], &SOURCE[rest..])), 0);
        assert_ne!(changed, plain, "{around}: {was} → {text} would show nothing");
        assert_eq!(says(&all, id), changed, "{around}: {was} → {text}");
    }
}

#[test]
fn what_the_compiler_refuses_is_told_by_its_place() {
    let switched = switched::switch(SOURCE, &changes()).unwrap().text;
    let whose = |piece: &str| switched::whose(&switched, switched.find(piece).unwrap());
    assert_eq!(whose("return 3;"), [17]);
    assert_eq!(whose("x <= "), [3]);
    // Around the whole expression, it is of all changes in it.
    assert_eq!(whose("match crate::changed::which() { which__ if !matches!(which__, 3"), [3, 4, 5]);
    assert!(whose("fn main").is_empty());
}

#[test]
fn what_is_no_rust_is_told() {
    assert!(switched::switch("fn", &[]).is_err());
}
