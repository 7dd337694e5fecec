//! How much flash what outlives a power cut needs (P2).

use bedkeeper::retain::MAX_BYTES;
use bedkeeper::settings::Medium;
use bedkeeper::units::{Instant, Volume};
use bedkeeper::{Controller, Settings};
use bedkeeper_runtime::store::pages_for;
use serde_json::{Value, json};

use crate::quantity::show::{self, UnitSystem};
use crate::site::Site;

/// Years that the store must last (P2).
pub const YEARS: u32 = 20;
/// Erasures that a page of flash bears (P2).
pub const CYCLES: u32 = 10_000;
/// Bytes of a page, as most serial NOR flash has it (common practice).
pub const PAGE_BYTES: u32 = 4_096;
/// Bytes that such flash writes at a time (common practice); a record takes whole ones.
pub const WRITE_BYTES: u32 = 256;
/// Days differ: so many times the stated use is reckoned with.
const MARGIN: u64 = 2;
/// Saves of a day that neither water nor regenerations ask for: alarms, contacts, people.
const OTHER_WRITES_A_DAY: u64 = 24;
/// Saves of a regeneration besides those of its steps: asking, changing over, its start and its end.
const WRITES_AROUND_A_REGENERATION: u64 = 12;

/// The pages of flash that a site's store needs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StorePages {
    /// Pages, for 20 years at 10 000 erasures each (P2).
    pub pages: u32,
    /// Saves a day that were reckoned with.
    pub writes_a_day: u32,
    /// Bytes of a record that were reckoned with.
    pub record_bytes: u32,
    /// Water of a day that was reckoned with.
    pub a_day: Volume,
    /// The site says how much it uses; else the meter's rated flow is taken, day and night.
    pub use_known: bool,
    units: UnitSystem,
}

impl StorePages {
    /// Of a site, by the use that it states.
    ///
    /// # Errors
    /// A record fits no page.
    pub fn of_site(site: &Site) -> Result<Self, String> {
        Self::of(&site.settings, site.water_use.a_day, site.units)
    }

    /// Of settings, with the use of a day if it is known.
    ///
    /// # Errors
    /// A record fits no page.
    pub fn of(settings: &Settings, a_day: Option<Volume>, units: UnitSystem) -> Result<Self, String> {
        let raw = settings.raw();
        let rated = u64::from(raw.meter.rated_max.0).saturating_mul(1_440_000_000);
        let a_day_nl = a_day.map_or(rated, |volume| volume.nl().saturating_mul(MARGIN));
        let tank = match raw.medium {
            Medium::Softener { hardness, capacity, .. } => capacity.volume_at(hardness),
            Medium::Filter { capacity } => capacity,
        };
        let by_water = a_day_nl.div_ceil(settings.retain_volume().nl().max(1));
        // Backup days and schedules ask at most once a day for each tank.
        let regenerations = a_day_nl.div_ceil(tank.nl().max(1)).saturating_add(u64::from(raw.tanks));
        let steps = raw.program.iter().filter(|step| step.length.0 > 0).count() as u64;
        // The time that a step has served is saved every minute.
        let running_ms: u64 = raw.program.iter().map(|step| u64::from(step.length.0)).sum();
        let of_each = steps.saturating_mul(4) + running_ms.div_ceil(60_000) + WRITES_AROUND_A_REGENERATION;
        let writes = by_water.saturating_add(regenerations.saturating_mul(of_each)).saturating_add(OTHER_WRITES_A_DAY);
        let writes_a_day = u32::try_from(writes).unwrap_or(u32::MAX);
        let record_bytes = record_bytes(settings)?;
        let pages = pages_for(YEARS, writes_a_day, CYCLES, record_bytes, PAGE_BYTES, WRITE_BYTES)
            .map_err(|_| format!("a record of {record_bytes} bytes fits no page of {PAGE_BYTES} bytes"))?;
        Ok(Self { pages, writes_a_day, record_bytes, a_day: Volume(a_day_nl), use_known: a_day.is_some(), units })
    }

    /// What it says to a person.
    #[must_use]
    pub fn sentence(&self) -> String {
        let Self { pages, writes_a_day, record_bytes, .. } = self;
        let a_day = show::volume(self.a_day.nl(), self.units);
        let from = if self.use_known {
            "twice the use that the site states"
        } else {
            "the meter's rated flow day and night, since no use is stated"
        };
        format!(
            "{pages} flash pages of {PAGE_BYTES} bytes hold what outlives a power cut for {YEARS} years at {CYCLES} \
             erasures a page: {writes_a_day} saves a day of up to {record_bytes} bytes, reckoned with {a_day} a day \
             ({from})."
        )
    }

    /// The same for programs.
    #[must_use]
    pub fn json(&self) -> Value {
        json!({"pages": self.pages, "page_bytes": PAGE_BYTES, "write_bytes": WRITE_BYTES, "years": YEARS,
            "cycles": CYCLES, "writes_per_day": self.writes_a_day, "record_bytes": self.record_bytes,
            "use_known": self.use_known})
    }
}

/// The longest record of a site. A state that has run for years takes longer numbers than one that has just begun:
/// three times as long was never reached in a test, and none is longer than the logic's own limit.
fn record_bytes(settings: &Settings) -> Result<u32, String> {
    let fresh = Controller::<8>::new(Instant::from_ticks(0), settings.clone()).map_err(|error| format!("{error:?}"))?;
    let bytes = fresh.retained().encode::<MAX_BYTES>().map_err(|error| error.to_string())?;
    Ok(u32::try_from(bytes.len().saturating_mul(3).min(MAX_BYTES)).unwrap_or(u32::MAX))
}
