//! Prints every rule with the tests that cite it: `cargo run -p bedkeeper-tests --example rules`.

fn main() -> std::io::Result<()> {
    let coverage = bedkeeper_tests::rules::coverage()?;
    let mut covered = 0;
    for (rule, tests) in &coverage.rules {
        let text: String = rule.text.chars().take(80).collect();
        covered += usize::from(!tests.is_empty());
        println!("{:<4}{:>3} tests  {text}", rule.id, tests.len());
        for test in tests {
            println!("             {}:{} {}", test.file, test.line, test.test);
        }
    }
    for (id, test) in &coverage.unknown {
        println!("{id}: no such rule, cited at {}:{} {}", test.file, test.line, test.test);
    }
    println!("{covered} of {} rules have a test", coverage.rules.len());
    Ok(())
}
