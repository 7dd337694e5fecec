//! Writes a report of invented evidence: `cargo run --example sample_report -- report.html`.

#[path = "../tests/sample/mod.rs"]
mod sample;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).unwrap_or_else(|| "bedkeeper-report-sample.html".into());
    std::fs::write(&path, bedkeeper_sim::report::render(&sample::evidence())?)?;
    println!("wrote {path}");
    Ok(())
}
