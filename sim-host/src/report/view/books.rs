//! What the logic's own books say: delivered hardness, capacity, brine tanks, a learned reserve.

use crate::evidence::{BrineEvidence, Evidence, TankEvidence};
use crate::report::people::{self, Clock};
use crate::report::words::counted;
use crate::wording;

/// A sentence for each account that was kept.
pub fn sentences(evidence: &Evidence, clock: &Clock) -> Vec<String> {
    let hardness = evidence.delivered.mean_ug_l.map(|mean| {
        let mg_l = |ug_l: u32| people::hardness(f64::from(ug_l) / 1e3);
        format!(
            "Delivered water, by the logic's books: {} as CaCO3 on average; the feed has {}.",
            mg_l(mean),
            mg_l(evidence.delivered.feed_ug_l)
        )
    });
    let capacity = evidence.tanks.iter().filter_map(capacity);
    let brine = evidence.brine.iter().map(|brine| brine_tank(brine, clock));
    let reserve = evidence.daily_use.reserve.as_ref().map(|reserve| {
        let kept = people::volume(reserve.kept_nl.into());
        format!("Learned reserve at the end: {kept} of each tank, {}.", wording::reserve_basis_text(reserve.basis))
    });
    hardness.into_iter().chain(capacity).chain(brine).chain(reserve).collect()
}

/// Nothing of a tank that has all its capacity.
fn capacity(tank: &TankEvidence) -> Option<String> {
    let derating = tank.derating.filter(|derating| derating.kept_per_mille < 1_000)?;
    let kept = people::share(derating.kept_per_mille.into(), 1_000).unwrap_or_default();
    let why = wording::derating_text(derating.by_age_per_mille, derating.by_tests_per_mille);
    Some(format!("Tank {}: {kept} of the set capacity is reckoned with, {why}.", tank.number))
}

fn brine_tank(brine: &BrineEvidence, clock: &Clock) -> String {
    let ready = brine.ready_ms.map_or_else(String::new, |at_ms| format!(", ready at {}", clock.moment(at_ms)));
    let doses = brine.doses_left.map_or_else(String::new, |left| {
        format!("; {} of salt left in the store", counted(left.into(), "dose", "doses"))
    });
    format!(
        "Brine tank {}: {} of water that takes up {} of salt{ready}, after {}{doses}.",
        brine.number,
        people::volume(brine.water_nl.into()),
        people::salt(brine.salt_mg),
        counted(usize::try_from(brine.refills).unwrap_or(usize::MAX), "refill", "refills"),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evidence::{DeliveredHardness, DeratingEvidence, ReserveEvidence};

    /// L2, M5, C8: each account is told with its figures, and none where none was kept.
    #[test]
    fn l2_m5_c8_accounts_are_told() {
        let clock = Clock::new("2027-03-01T00:00:00", 86_400_000);
        assert_eq!(sentences(&Evidence::default(), &clock), [""; 0]);
        let derating = |kept_per_mille, by_age_per_mille| {
            Some(DeratingEvidence { kept_per_mille, by_age_per_mille, by_tests_per_mille: 100 })
        };
        let tank = |number, derating| TankEvidence { number, derating, ..TankEvidence::default() };
        let mut evidence = Evidence {
            delivered: DeliveredHardness { feed_ug_l: 342_361, bypass_per_mille: 125, mean_ug_l: Some(42_795) },
            tanks: vec![tank(1, derating(880, 20)), tank(2, derating(1_000, 0)), tank(3, None)],
            brine: vec![BrineEvidence {
                number: 1,
                water_nl: 22_800_000_000,
                salt_mg: 8_169_435,
                ready_ms: None,
                refills: 1,
                doses_left: Some(11),
            }],
            ..Evidence::default()
        };
        evidence.daily_use.reserve =
            Some(ReserveEvidence { kept_nl: 500_000_000_000, basis: "forecast", ..ReserveEvidence::default() });
        let told: Vec<String> =
            sentences(&evidence, &clock).iter().map(|text| text.replace(['\u{a0}', '\u{202f}'], " ")).collect();
        assert_eq!(told.len(), 4, "{told:?}");
        assert!(told[0].contains("42.8 mg/L") && told[0].contains("342 mg/L"), "{told:?}");
        assert!(told[1].starts_with("Tank 1: 88.0 %") && told[1].contains("2 % less by age, 10 % by"), "{told:?}");
        assert!(
            told[2].contains("1 refill;") && told[2].contains("11 doses") && !told[2].contains("ready"),
            "{told:?}"
        );
        assert!(told[3].contains("500 L") && told[3].contains("by the forecast of use"), "{told:?}");
    }
}
