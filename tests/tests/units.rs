//! Units of display are a matter of display.
#![allow(missing_docs)]

use std::path::Path;

use bedkeeper::units::Volume;
use bedkeeper_sim::quantity::{UnitSystem, show};
use bedkeeper_sim::site;

/// O5: the same site shown in US and in metric units runs on the same settings; only what is shown differs.
#[test]
fn o5_units_of_display_change_no_setting() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("sites/pair.toml");
    let source = std::fs::read_to_string(path).expect("a site");
    let in_units = |units: &str| {
        let source = source.replacen("[site]\n", &format!("[site]\nunits = \"{units}\"\n"), 1);
        site::parse("pair.toml", &source).unwrap_or_else(|faults| panic!("{}", faults.render(false)))
    };
    let (metric, us) = (in_units("metric"), in_units("us"));
    assert_eq!((metric.units, us.units), (UnitSystem::Metric, UnitSystem::Us));
    assert_eq!(metric.settings, us.settings);
    let ten_litres = Volume::from_litres(10).nl();
    let shown = [metric.units, us.units].map(|units| show::volume(ten_litres, units).to_string());
    // A US gallon is 231 cubic inches: 3.785 411 784 L (derived).
    assert_eq!(shown, ["10 L", "2.642 gal"]);
}
