//! How findings in a file look.

use bedkeeper_sim::diagnostic::{Finding, render};
use proptest::prelude::*;

const SITE: &str = "\
# An invented site.
name = \"Häuser am Bach\"

[water]
hardness = \"20 gpq\"

[[tank]]
resin = \"10\"
salt_dsoe = \"6 lb/ft3\"
";

fn finding(needle: &str, field: &str, message: &str, help: &str) -> Finding {
    let start = SITE.find(needle).expect("the needle is in the text");
    Finding {
        span: Some(start..start + needle.len()),
        field: field.to_owned(),
        message: message.to_owned(),
        help: help.to_owned(),
    }
}

fn findings() -> Vec<Finding> {
    vec![
        finding("\"20 gpq\"", "water.hardness", "`20 gpq` has the unknown unit `gpq`", "did you mean `gpg`?"),
        finding("\"10\"", "tank[1].resin", "`10` has no unit", "write a volume like \"10 ft3\""),
        finding("salt_dsoe", "tank[1]", "unknown key `salt_dsoe`", "did you mean `salt_dose`?"),
        finding("\"Häuser am Bach\"", "name", "has a letter beyond ASCII", ""),
        Finding {
            span: None,
            field: "meter".to_owned(),
            message: "is missing".to_owned(),
            help: "add a table [meter] with pulse = \"10 L\"".to_owned(),
        },
    ]
}

#[test]
fn every_finding_has_its_line_caret_and_help() {
    insta::with_settings!({omit_expression => true}, {
        insta::assert_snapshot!(render("site.toml", SITE, &findings(), false));
    });
}

#[test]
fn colours_only_when_asked() {
    let plain = render("site.toml", SITE, &findings(), false);
    let coloured = render("site.toml", SITE, &findings(), true);
    assert!(!plain.contains('\u{1b}'));
    assert!(coloured.contains('\u{1b}'));
    assert!(coloured.contains("did you mean `gpg`?"));
}

#[test]
fn no_findings_say_nothing() {
    assert_eq!(render("site.toml", SITE, &[], true), "");
}

#[test]
fn control_characters_of_a_file_do_not_reach_the_terminal() {
    let finding = Finding { span: Some(0..2), field: String::new(), message: "odd".to_owned(), help: String::new() };
    let report = render("a", "\u{1b}[31mred", &[finding], false);
    assert!(!report.contains('\u{1b}'), "{report:?}");
    assert!(report.contains("?[31mred"), "{report}");
}

proptest! {
    #[test]
    fn no_text_and_no_span_make_it_panic(
        source in "[\\PC\\n\\r\\t\u{0}-\u{1f}]{0,60}",
        start in 0..80_usize,
        end in prop_oneof![0..80_usize, Just(usize::MAX)],
        message in "[\\PC\\n]{0,20}",
    ) {
        let finding = Finding { span: Some(start..end), field: "f".to_owned(), message, help: "h".to_owned() };
        let report = render("a.toml", &source, &[finding.clone(), finding], false);
        prop_assert!(report.ends_with("a.toml: 2 findings\n"));
    }
}
