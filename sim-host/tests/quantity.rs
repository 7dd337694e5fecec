//! People's units against published and exact values, and against arbitrary text.

use bedkeeper_sim::quantity::show::{self, UnitSystem};
use bedkeeper_sim::quantity::*;
use proptest::prelude::*;

/// Exact definitions (US gallon 231 in³, foot 0.3048 m, pound 0.453 592 37 kg, grain 1/7000 lb).
#[test]
fn exact_definitions_hold_to_the_last_unit() {
    assert_eq!(parse_volume_nl("1 gal"), Ok(3_785_411_784));
    assert_eq!(parse_volume_nl("1 ft3"), Ok(28_316_846_592));
    assert_eq!(parse_volume_nl("10 ft³"), Ok(283_168_465_920));
    assert_eq!(parse_volume_nl("283 L"), Ok(283_000_000_000));
    assert_eq!(parse_volume_nl("0.28 m3"), Ok(280_000_000_000));
    assert_eq!(parse_volume_nl("0.000000001 L"), Ok(1));
    assert_eq!(parse_exchange_ug("1 kgr"), Ok(64_798_910));
    assert_eq!(parse_exchange_ug("100 gr"), Ok(6_479_891));
    assert_eq!(parse_exchange_ug("24 kgr"), parse_exchange_ug("24000 gr"));
    assert_eq!(parse_exchange_ug("24 kgr"), parse_exchange_ug("24 000 grains"));
    assert_eq!(parse_exchange_ug("1.6 kg CaCO3"), Ok(1_600_000_000));
    assert_eq!(parse_mass_mg("12 kg"), Ok(12_000_000));
    assert_eq!(parse_mass_mg("100 lb"), Ok(45_359_237));
}

/// Values derived from exact definitions; published rounded as 17.11806 mg/L per gr/gal.
#[test]
fn hardness_units_agree_with_their_definitions() {
    assert_eq!(parse_hardness_ug_per_l("1 gpg"), Ok(17_118));
    assert_eq!(parse_hardness_ug_per_l("100000 gpg"), Ok(1_711_806_105));
    assert_eq!(parse_hardness_ug_per_l("20 gpg"), Ok(342_361));
    assert_eq!(parse_hardness_ug_per_l("342 mg/L"), Ok(342_000));
    assert_eq!(parse_hardness_ug_per_l("342 mg/L as CaCO3"), Ok(342_000));
    assert_eq!(parse_hardness_ug_per_l("1 °dH"), Ok(17_848));
    assert_eq!(parse_hardness_ug_per_l("19.2 °dH"), Ok(342_682));
    assert_eq!(parse_hardness_ug_per_l("34 °fH"), Ok(340_000));
    assert_eq!(parse_hardness_ug_per_l("3.4 mmol/L"), Ok(340_296));
}

/// 1 eq = 50.0435 g CaCO3 and 1 eq/L of resin = 21.87 kgr/ft³: derived from exact definitions.
#[test]
fn resin_capacity_in_equivalents_and_kilograins_agree() {
    assert_eq!(parse_exchange_ug("1 eq"), Ok(50_043_500));
    let per_equivalent = parse_capacity_per_volume_ug_per_l("1 eq/L").unwrap();
    let in_kilograins = parse_capacity_per_volume_ug_per_l("21.87 kgr/ft3").unwrap();
    assert!(per_equivalent.abs_diff(in_kilograins) < 12_000, "half of 0.01 kgr/ft3 is 11 441 µg/L");
}

/// Saturated brine, one gallon of refill water takes up about 2.99 lb of salt: derived from the salt tables.
#[test]
fn salt_units() {
    assert_eq!(parse_mass_mg("1.5 lb"), Ok(680_389), "680 388.555 mg, rounded");
    assert_eq!(parse_mass_per_volume_mg_per_l("2.99 lb/gal"), Ok(358_281));
    assert_eq!(parse_mass_per_volume_mg_per_l("120 g/L"), Ok(120_000));
}

#[test]
fn flows_are_rounded_only_to_the_base_unit() {
    assert_eq!(parse_flow_ml_per_min("4 gpm"), Ok(15_142), "15 141.647 136 mL/min");
    assert_eq!(parse_flow_ml_per_min("4 gallons per minute"), Ok(15_142));
    assert_eq!(parse_flow_ml_per_min("15 L/min"), Ok(15_000));
    assert_eq!(parse_flow_ml_per_min("0.9 m3/h"), Ok(15_000));
    assert_eq!(parse_flow_ml_per_min("0.25 L/s"), Ok(15_000));
    // Halves go up.
    assert_eq!(parse_flow_ml_per_min("0.0005 L/min"), Ok(1));
    assert!(matches!(parse_flow_ml_per_min("0.0004999 L/min").unwrap_err().kind(), QuantityErrorKind::TooSmall { .. }));
}

#[test]
fn durations_and_their_parts() {
    assert_eq!(parse_duration_ms("90 min"), Ok(5_400_000));
    assert_eq!(parse_duration_ms("2 h"), Ok(7_200_000));
    assert_eq!(parse_duration_ms("4 days"), Ok(345_600_000));
    assert_eq!(parse_duration_ms("1m30s"), Ok(90_000));
    assert_eq!(parse_duration_ms("1 h 30 min"), Ok(5_400_000));
    assert_eq!(parse_duration_ms("0.001 s"), Ok(1));
    assert_eq!(parse_duration_ms("0 s"), Ok(0));
    let kind = |text| parse_duration_ms(text).unwrap_err().kind().clone();
    assert_eq!(kind("30 min 1 h"), QuantityErrorKind::PartsOutOfOrder);
    assert_eq!(kind("1 h 1 h"), QuantityErrorKind::PartsOutOfOrder);
    assert_eq!(kind("1.5 h 30 min"), QuantityErrorKind::DecimalInLeadingPart);
    assert!(matches!(kind("1:30"), QuantityErrorKind::Form { .. }));
    assert!(matches!(kind("5 m3"), QuantityErrorKind::OtherDimension { .. }));
    assert_eq!(kind("1 h 30"), QuantityErrorKind::MissingUnit);
}

#[test]
fn pulse_volumes_are_exact_fractions() {
    let fraction = |text: &str| parse_pulse_volume(text).map(|volume| (volume.numerator_nl(), volume.denominator()));
    assert_eq!(fraction("10 L"), Ok((10_000_000_000, 1)));
    assert_eq!(fraction("10 L/pulse"), Ok((10_000_000_000, 1)));
    assert_eq!(fraction("1 gal per pulse"), Ok((3_785_411_784, 1)));
    assert_eq!(fraction("100 pulses/L"), Ok((10_000_000, 1)));
    assert_eq!(fraction("15.1 pulses/gal"), Ok((37_854_117_840, 151)));
    assert_eq!(fraction("3 pulses per 10 L"), Ok((10_000_000_000, 3)));
    assert_eq!(fraction("1523 pulses in 100 L"), Ok((100_000_000_000, 1523)));
    for wrong in ["0 L", "0 pulses/L", "5", "5 pulses", "5 pulses/kg", "5 pulses/0 L", "1 L/puls"] {
        assert!(fraction(wrong).is_err(), "{wrong}");
    }
}

#[test]
fn shares_clocks_and_weekdays() {
    assert_eq!(parse_share_ppm("12 %"), Ok(120_000));
    assert_eq!(parse_share_ppm("100%"), Ok(1_000_000));
    assert!(parse_share_ppm("100.0001 %").is_err());
    assert_eq!(parse_clock_ms("02:00"), Ok(7_200_000));
    assert_eq!(parse_clock_ms("22:30"), Ok(81_000_000));
    assert_eq!(parse_clock_ms("7:05"), Ok(25_500_000));
    assert_eq!(parse_clock_ms("23:59:59"), Ok(86_399_000));
    for (wrong, answer) in [
        ("2 pm", "write 14:00"),
        ("12:15 am", "write 00:15"),
        ("24:00", "midnight is 00:00"),
        ("25:00", "00:00 to 23:59"),
        ("2", "two digits"),
        ("13 pm", "24-hour"),
    ] {
        let help = parse_clock_ms(wrong).unwrap_err().help();
        assert!(help.contains(answer), "{wrong}: {help}");
    }
    assert_eq!(parse_weekdays("mon").unwrap().bits(), 0b000_0001);
    assert_eq!(parse_weekdays("Mon, wed,FRIDAY").unwrap().bits(), 0b001_0101);
    assert_eq!(parse_weekdays("sat-mon").unwrap().bits(), 0b110_0001);
    assert_eq!(parse_weekdays("daily").unwrap().bits(), 0b111_1111);
    assert!(parse_weekdays("sun").unwrap().contains(6));
    assert!(!parse_weekdays("sun").unwrap().contains(7));
    let help = parse_weekdays("mon, tuesdy").unwrap_err().help();
    assert!(help.contains("did you mean `tuesday`?"), "{help}");
}

#[test]
fn errors_say_what_was_read_and_what_would_be_right() {
    let text = |result: Result<u64, QuantityError>| result.unwrap_err().to_string();
    let messages = [
        text(parse_hardness_ug_per_l("20 gpq")),
        text(parse_hardness_ug_per_l("20")),
        text(parse_hardness_ug_per_l("20 L")),
        text(parse_hardness_ug_per_l("-3 gpg")),
        text(parse_volume_nl("1,5 L")),
        text(parse_volume_nl("ten gal")),
        text(parse_volume_nl("1e3 L")),
        text(parse_volume_nl(" ")),
        text(parse_volume_nl("100000000000000 m3")),
        text(parse_duration_ms("4 dyas")),
        text(parse_duration_ms("30 min 1 h")),
        parse_share_ppm("120 %").unwrap_err().to_string(),
        parse_pulse_volume("12 pulses").unwrap_err().to_string(),
    ]
    .join("\n");
    insta::with_settings!({omit_expression => true}, {
        insta::assert_snapshot!(messages);
    });
}

#[test]
fn quantities_are_shown_in_peoples_units() {
    use UnitSystem::{Metric, Us};
    assert_eq!(show::volume(72_833_000_000_000, Metric).to_string(), "72 833 L");
    assert_eq!(show::volume(72_833_000_000_000, Us).to_string(), "19 240 gal");
    assert_eq!(show::volume(500_000, Metric).to_string(), "0.5 mL");
    assert_eq!(show::volume(0, Metric).to_string(), "0 L");
    assert_eq!(format!("{:.2}", show::volume(1_000_000_000, Metric)), "1.00 L");
    assert_eq!(format!("{:>8}", show::volume(1_000_000_000, Metric)), "     1 L");
    assert_eq!(show::resin_volume(283_168_465_920, Us).to_string(), "10 ft3");
    assert_eq!(show::hardness(342_361, Metric).to_string(), "342.4 mg/L");
    assert_eq!(show::hardness(342_361, Us).to_string(), "20 gpg");
    assert_eq!(show::flow(15_142, Us).to_string(), "4 gpm");
    assert_eq!(show::flow(15_142, Metric).to_string(), "15.14 L/min");
    assert_eq!(show::mass(680_389, Us).to_string(), "1.5 lb");
    assert_eq!(show::mass(680_389, Metric).to_string(), "680.4 g");
    assert_eq!(show::exchange(1_555_173_840, Us).to_string(), "24 kgr");
    assert_eq!(show::exchange(1_555_173_840, Metric).to_string(), "1.555 kg CaCO3");
    assert_eq!(show::capacity_per_volume(45_766_962, Us).to_string(), "20 kgr/ft3");
    assert_eq!(show::mass_per_volume(96_111, Us).to_string(), "6 lb/ft3");
    assert_eq!(show::share(120_000).to_string(), "12 %");
    assert_eq!(show::litres_exact(72_833_000_000_001), "72833.000000001");
    assert_eq!(show::duration(273_600_000), "3 d 4 h");
    assert_eq!(show::duration(750_000), "12 min 30 s");
    assert_eq!(show::duration(1_250), "1.25 s");
    assert_eq!(show::duration(0), "0 s");
    assert_eq!(show::duration_brief(273_600_000 + 1_234_567), "3 d 4 h");
    assert_eq!(show::duration_brief(86_399_999), "1 d");
    assert_eq!(show::clock(7_200_000), "02:00");
}

/// What is shown reads back to within half of its fourth significant digit, or of its fourth decimal when that is coarser.
fn reads_back(
    shown: show::Shown,
    parse: fn(&str) -> Result<u64, QuantityError>,
    base: u64,
) -> Result<(), TestCaseError> {
    let text = shown.to_string();
    let parsed = parse(&text).map_err(|error| TestCaseError::fail(error.to_string()))?;
    let unit = text.trim_start_matches(|c: char| c.is_ascii_digit() || c == '.' || c == ' ');
    let half_fourth_decimal = parse(&format!("0.00005 {unit}")).unwrap_or(0);
    let allowed = (base / 2_000).max(half_fourth_decimal) + 1;
    prop_assert!(parsed.abs_diff(base) <= allowed, "{text}: {parsed} for {base}");
    Ok(())
}

fn system() -> impl Strategy<Value = UnitSystem> {
    prop_oneof![Just(UnitSystem::Metric), Just(UnitSystem::Us)]
}

proptest! {
    #[test]
    fn no_text_makes_a_parser_panic(text in "\\PC{0,40}|[0-9., _]{0,30}[a-zA-Z°/% ]{0,12}|[0-9]{1,3}[ :hmsdapL/.-]{0,8}[0-9]{0,30}") {
        let _ = parse_duration_ms(&text).map_err(|error| error.to_string());
        let _ = parse_volume_nl(&text).map_err(|error| error.to_string());
        let _ = parse_hardness_ug_per_l(&text).map_err(|error| error.to_string());
        let _ = parse_exchange_ug(&text).map_err(|error| error.to_string());
        let _ = parse_capacity_per_volume_ug_per_l(&text).map_err(|error| error.to_string());
        let _ = parse_flow_ml_per_min(&text).map_err(|error| error.to_string());
        let _ = parse_mass_mg(&text).map_err(|error| error.to_string());
        let _ = parse_mass_per_volume_mg_per_l(&text).map_err(|error| error.to_string());
        let _ = parse_share_ppm(&text).map_err(|error| error.to_string());
        let _ = parse_pulse_volume(&text).map_err(|error| error.to_string());
        let _ = parse_clock_ms(&text).map_err(|error| error.to_string());
        let _ = parse_weekdays(&text).map_err(|error| error.to_string());
    }

    #[test]
    fn any_number_with_any_unit_is_a_value_or_an_error(
        number in "[0-9]{1,30}(\\.[0-9]{1,20})?",
        dimension in 0..units::DIMENSIONS.len(),
        unit in any::<prop::sample::Index>(),
    ) {
        let table = units::DIMENSIONS[dimension].units;
        let text = format!("{number} {}", unit.get(table).name());
        let _ = parse_volume_nl(&text);
        let _ = parse_hardness_ug_per_l(&text);
        let _ = parse_exchange_ug(&text);
        let _ = parse_flow_ml_per_min(&text);
        let _ = parse_mass_per_volume_mg_per_l(&text);
        let _ = parse_capacity_per_volume_ug_per_l(&text);
        let _ = parse_pulse_volume(&text);
        let _ = parse_pulse_volume(&format!("{number} pulses/{text}"));
    }

    #[test]
    fn durations_read_back_exactly(duration_ms in prop_oneof![any::<u64>(), 0..100_000_000_u64]) {
        prop_assert_eq!(parse_duration_ms(&show::duration(duration_ms)), Ok(duration_ms));
    }

    #[test]
    fn brief_durations_read_back(duration_ms in 0..u64::MAX / 2) {
        let brief = parse_duration_ms(&show::duration_brief(duration_ms)).unwrap();
        prop_assert!(brief.abs_diff(duration_ms) <= 1_800_000);
    }

    #[test]
    fn volumes_read_back(volume_nl in prop_oneof![any::<u64>(), 1_000_000..1_000_000_000_000_u64], system in system()) {
        reads_back(show::volume(volume_nl, system), parse_volume_nl, volume_nl)?;
    }

    #[test]
    fn volumes_to_nine_decimals_of_a_litre_read_back_exactly(volume_nl in any::<u64>()) {
        let text = format!("{} L", show::litres_exact(u128::from(volume_nl)));
        prop_assert_eq!(parse_volume_nl(&text), Ok(volume_nl));
    }

    #[test]
    fn other_quantities_read_back(base in prop_oneof![any::<u64>(), 100_000..100_000_000_u64], system in system()) {
        reads_back(show::hardness(base, system), parse_hardness_ug_per_l, base)?;
        reads_back(show::exchange(base, system), parse_exchange_ug, base)?;
        reads_back(show::flow(base, system), parse_flow_ml_per_min, base)?;
        reads_back(show::capacity_per_volume(base, system), parse_capacity_per_volume_ug_per_l, base)?;
        reads_back(show::mass_per_volume(base, system), parse_mass_per_volume_mg_per_l, base)?;
        reads_back(show::resin_volume(base, system), parse_volume_nl, base)?;
        reads_back(show::mass(base, system), parse_mass_mg, base)?;
    }

    #[test]
    fn clocks_and_weekdays_read_back(seconds in 0..86_400_u32, bits in 1..128_u8) {
        prop_assert_eq!(parse_clock_ms(&show::clock(seconds * 1_000)), Ok(seconds * 1_000));
        let names: Vec<&str> = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"].into_iter().enumerate()
            .filter(|&(day, _)| bits & (1 << day) != 0).map(|(_, name)| name).collect();
        let set = parse_weekdays(&names.join(",")).unwrap();
        prop_assert_eq!(set.bits(), bits);
        prop_assert_eq!(parse_weekdays(&set.to_string()), Ok(set));
    }
}
