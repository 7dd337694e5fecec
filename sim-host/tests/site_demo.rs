//! The bundled sites are without fault, and what their comments claim is so.

mod site_support;

use bedkeeper::settings::{Arrangement, Medium, RawSettings, Settings};
use bedkeeper::units::{Exchange, Flow, Hardness, Millis, SaltMass, Volume};
use bedkeeper_sim::quantity::parse_pulse_volume;
use bedkeeper_sim::recording::Recording;
use bedkeeper_sim::site::{self, PlantConfig, ResinFacts, Site};
use site_support::{faults, good, with};

const APARTMENTS: &str = include_str!("../demo/apartments.toml");
const HOUSE: &str = include_str!("../demo/house.toml");

fn bundled(name: &str) -> Site {
    let path = format!("{}/demo/{name}", env!("CARGO_MANIFEST_DIR"));
    site::load(path).unwrap_or_else(|errors| panic!("{errors}"))
}

#[test]
fn the_apartments_are_as_their_file_says() {
    let site = bundled("apartments.toml");
    assert_eq!((site.raw.arrangement, site.raw.tanks), (Arrangement::Alternating, 2));
    // 20 gr/gal = 342.361 mg/L; 85 L × 20 kgr/ft3 = 3.890 kg; 85 L × 1.9 eq/L × 50.0435 g/eq = 8.082 kg (derived).
    let medium = Medium::Softener {
        hardness: Hardness(342_361),
        capacity: Exchange(3_890_198_230),
        total: Exchange(8_082_025_250),
    };
    assert_eq!(site.raw.medium, medium);
    // 85 L × 6 lb/ft3 = 8.169 kg; ÷ 2.99 lb/gal = 22.80 L; at 2 L/min 684.06 s, up to the second (Q4; derived).
    assert_eq!(site.raw.salt, SaltMass(8_169_435));
    assert_eq!(site.raw.program.last().map(|step| step.length), Some(Millis::from_secs(685)));
    let resin = ResinFacts {
        volume: Volume::from_litres(85),
        dose: SaltMass(8_169_435),
        refill_water: Volume(22_801_753_373),
        salt_per_water_mg_per_l: 358_281,
        refill_flow: Some(Flow(2_000)),
    };
    assert_eq!(site.resin, Some(resin));
    assert_eq!(site.plant, PlantConfig { leg_ms: 12_000, coast_ms: 200 });
}

#[test]
fn the_house_is_as_its_file_says() {
    let site = bundled("house.toml");
    assert_eq!((site.raw.arrangement, site.raw.tanks), (Arrangement::Single, 1));
    // 24 °dH × 17.848 mg/L (derived).
    let Medium::Softener { hardness, capacity, .. } = site.raw.medium else { panic!("a softener") };
    assert_eq!(hardness, Hardness(428_352));
    assert_eq!(capacity.volume_at(hardness).nl() / 1_000_000_000, 2_671);
    assert_eq!(site.raw.hour_minute, 120);
    assert_eq!(site.plant, PlantConfig::default());
}

#[test]
fn demonstrations_say_that_they_are_invented() {
    for name in ["apartments.toml", "house.toml"] {
        let site = bundled(name);
        assert!(site.name.contains("invented"), "{}", site.name);
        assert!(site.note.contains("invented"), "{}", site.note);
    }
    assert!(APARTMENTS.contains("INVENTED") && HOUSE.contains("INVENTED"));
}

#[test]
fn meters_fit_their_recordings() {
    for (name, recording) in
        [("apartments.toml", "apartments20_14d_10L.csv.gz"), ("house.toml", "family_28d_1L.csv.gz")]
    {
        let recording = Recording::open(format!("{}/demo/{recording}", env!("CARGO_MANIFEST_DIR"))).expect("bundled");
        let pulse = recording.header().pulse_volume_nl.expect("stated");
        let meter = bundled(name).raw.meter;
        assert_eq!((meter.pulse_nl, u64::from(meter.pulse_divisor)), (pulse.numerator_nl(), pulse.denominator()));
    }
}

#[test]
fn settings_survive_being_written_and_read_again() {
    for name in ["apartments.toml", "house.toml"] {
        let site = bundled(name);
        let text = serde_json::to_string(&site.settings).expect("settings can be written");
        assert_eq!(serde_json::from_str::<Settings>(&text).expect("and read"), site.settings);
        let text = serde_json::to_string(&site.raw).expect("settings can be written");
        assert_eq!(serde_json::from_str::<RawSettings>(&text).expect("and read"), site.raw);
    }
}

/// The commented keys of the apartments, with their values taken as given.
fn commented() -> Vec<(usize, String)> {
    let uncommented = |line: &str| {
        let rest = line.strip_prefix("# ")?;
        let (key, value) = rest.split_once(" = ")?;
        let is_key = !key.is_empty() && key.chars().all(|c| c.is_ascii_lowercase() || c == '_');
        let is_value = value.starts_with(|c: char| c == '"' || c.is_ascii_digit())
            || value.starts_with("true")
            || value.starts_with("false");
        (is_key && is_value).then(|| rest.to_owned())
    };
    let lines = APARTMENTS.lines().enumerate();
    lines.filter_map(|(number, line)| Some((number, uncommented(line)?))).collect()
}

#[test]
fn every_commented_key_states_its_default() {
    let site = good(APARTMENTS);
    let commented = commented();
    assert!(commented.len() >= 35, "{} keys are commented", commented.len());
    for (number, line) in commented {
        let mut lines: Vec<&str> = APARTMENTS.lines().collect();
        lines[number] = &line;
        let changed = good(&lines.join("\n"));
        assert_eq!(changed, site, "{line}");
    }
}

#[test]
fn every_key_of_a_softener_is_shown_in_the_apartments() {
    let of_other_kinds = [
        "number",
        "step",
        "settle",
        "brine_wait",
        "margin",
        "marks",
        "slip_marks",
        "coast_marks",
        "contact",
        "deviations",
        "floor",
        "ceiling",
        "until_known",
        "absence_below",
    ];
    let sections = [
        "site", "tanks", "sharing", "water", "resin", "brine", "meter", "reserve", "start", "calendar", "remote",
        "limits", "derating", "watch", "locks", "power", "program", "valve", "plant",
    ];
    let mut keys = 0;
    for section in sections {
        let source = with(APARTMENTS, &format!("{section}.zzzzzz"), "1");
        let errors = faults(&source);
        assert_eq!(errors.findings().len(), 1, "{errors}");
        let help = &errors.findings()[0].help;
        let (_, valid) = help.split_once("the keys here are ").expect("valid keys are listed");
        for key in valid.split(", ").filter(|key| !of_other_kinds.contains(key)) {
            keys += 1;
            let shown = APARTMENTS.lines().any(|l| l.trim_start_matches("# ").split(" =").next() == Some(key));
            assert!(shown, "[{section}] {key} is not shown");
        }
    }
    assert!(keys >= 55, "{keys} keys");
}

#[test]
fn pulse_volumes_of_all_forms_are_exact() {
    for text in ["10 L", "100 pulses/L", "15.1 pulses/gal", "1523 pulses in 100 L"] {
        let source = with(
            &with(site_support::SOFTENER, "meter.pulse", &format!("\"{text}\"")),
            "meter.rated_max",
            "\"10 L/min\"",
        );
        let meter = good(&source).raw.meter;
        let pulse = parse_pulse_volume(text).expect("a pulse volume");
        assert_eq!((meter.pulse_nl, u64::from(meter.pulse_divisor)), (pulse.numerator_nl(), pulse.denominator()));
    }
}
