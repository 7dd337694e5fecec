//! The water, resin, brine and pressure of the simulated plant: the keys of `[plant]` beside the valves'.
//!
//! Every key has a default, most of them worked out from the rest of the site file, so that any softener can be
//! replayed with its physics. Whole numbers in small units, as everywhere in a site.

use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::{Arrangement, Medium, RawDrive, RawSettings, RawStep};

use super::Draft;
use super::reader::{Entry, Reader, Section};
use super::water::Brine;
use crate::bed::CACO3_G_PER_EQ;
use crate::quantity;

/// The simulated plant's water, resin, brine and pressure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ProcessConfig {
    /// Inner diameter of each tank, mm \[that of a bed 0.9 m deep\].
    pub vessel_mm: u32,
    /// Room above the settled bed, ppm of its depth \[75 %\]: at least 50 % by UFGS-15559A §2.23.2.3, and beads of
    /// 0.6 mm need about two thirds at 7 gpm/ft² and 15 °C.
    pub freeboard_ppm: u32,
    /// Plates that a bed is reckoned in \[20\].
    pub plates: u8,
    /// Whether film and particle diffusion hold the exchange back \[yes\].
    pub mass_transfer: bool,
    /// Temperature of the feed, hundredths of a °C \[15 °C\].
    pub temperature_centi_c: u32,
    /// Share of the hardness that is calcium, by equivalents, ppm \[66.6667 %\].
    pub calcium_ppm: u32,
    /// Sodium of the feed, µg/L \[40 mg/L\].
    pub sodium_ug_l: u32,
    /// Alkalinity of the feed, µg/L as CaCO3 \[200 mg/L, or nine tenths of the cations where that is less\].
    pub alkalinity_ug_l: u32,
    /// Iron of the feed, µg/L \[what `[water]` says\]. It fouls the resin.
    pub iron_ug_l: u32,
    /// Share of that iron that stays on the resin for good, ppm \[10 %\].
    pub iron_held_ppm: u32,
    /// Age of the resin at the start, days \[0\].
    pub resin_age_days: u32,
    /// Supply pressure without flow, Pa \[400 kPa\].
    pub supply_pa: u32,
    /// Supply pressure at the meter's rated maximum, Pa \[three quarters of it\].
    pub supply_at_peak_pa: u32,
    /// Loss of one valve and its piping at the meter's rated maximum, Pa \[50 kPa\].
    pub valve_loss_pa: u32,
    /// Pressure at the outlet below which people notice, Pa \[150 kPa\].
    pub low_pressure_pa: u32,
    /// Pressure before the tanks below which the pressure switch closes, the contact `low-pressure`, Pa
    /// \[`low_pressure`\].
    pub pressure_switch_pa: u32,
    /// What the drain carries, mL/min \[one and a half times the program's largest flow to drain\].
    pub drain_ml_min: u32,
    /// Opening past the bed and to the drain midway between two positions, ppm \[1 %\].
    pub passes_between_ppm: u32,
    /// Opening past the bed in every position, a worn seal, ppm \[none\].
    pub leak_past_bed_ppm: u32,
    /// Opening to the drain in every position, a worn seal, ppm \[none\].
    pub leak_to_drain_ppm: u32,
    /// Whether a valve passes untreated water to the building while its tank regenerates \[single tanks only\].
    pub untreated_while_regenerating: bool,
    /// Whether brine enters at the bottom \[with the preset "counter-current"\].
    pub brine_upward: bool,
    /// Whether the eductor runs on softened water of the tanks that serve \[with the preset "counter-current"\].
    pub softened_rinse: bool,
    /// How far a long backwash mixes the bed, ppm \[50 %\].
    pub backwash_mixing_ppm: u32,
    /// Strength of the brine at the bed, at the static supply pressure, ppm by weight \[9.5 %\].
    pub brine_strength_ppm: u32,
    /// Water through the eductor's nozzle at the static supply pressure, mL/min \[so that brine draw and slow rinse
    /// together send as much to the drain as the program says\].
    pub eductor_motive_ml_min: u32,
    /// Flow into the brine tank, mL/min, from `[brine]` and the program.
    pub refill_ml_min: u32,
    /// Salt in the full brine tank, g \[20 doses\].
    pub salt_storage_g: u32,
    /// Inner diameter of the brine tank, mm \[brine of one dose stands 0.35 m deep among the salt\].
    pub brine_tank_mm: u32,
    /// Level at which the float stops a refill, mm above the floor \[550 mm\].
    pub float_mm: u32,
    /// Whether somebody fills up the salt when a quarter is left \[yes\].
    pub salt_topped_up: bool,
    /// Outlet hardness above which water counts as hard, µg/L as CaCO3 \[1 gpg\].
    pub hard_above_ug_l: u32,
}

/// The longest dose and tank that a figure is taken for.
const LARGEST_MM: u32 = 10_000;

/// Every key that is read here.
const KEYS: [&str; 30] = [
    "vessel_diameter",
    "freeboard",
    "plates",
    "mass_transfer",
    "temperature",
    "calcium_share",
    "sodium",
    "alkalinity",
    "iron",
    "iron_held",
    "resin_age",
    "supply",
    "supply_at_peak",
    "valve_loss",
    "low_pressure",
    "pressure_switch",
    "drain_capacity",
    "passes_between",
    "leak_past_bed",
    "leak_to_drain",
    "untreated_while_regenerating",
    "brine_direction",
    "rinse_water",
    "backwash_mixing",
    "brine_strength",
    "eductor_motive",
    "salt_storage",
    "brine_tank_diameter",
    "float",
    "salt_topped_up",
];

/// The softener that the rest of the file describes, as far as the physics needs it.
struct Softener<'a> {
    resin_l: f64,
    hardness_mg_l: f64,
    dose_kg: f64,
    refill_l: f64,
    refill_l_min: f64,
    program: &'a [RawStep],
    has_slow_rinse: bool,
}

impl<'a> Softener<'a> {
    fn of(draft: &'a Draft, brine: Option<Brine>) -> Option<Self> {
        let raw = &draft.raw;
        let Medium::Softener { hardness, .. } = raw.medium else { return None };
        let refill_l = brine?.refill_water()?.nl() as f64 / 1e9;
        let refill_min = length_min(raw, StepKind::BrineRefill);
        let refill_l_min = match brine?.refill_flow {
            Some(flow) => f64::from(flow.0) / 1e3,
            None if refill_min > 0.0 => refill_l / refill_min,
            None => refill_l / 10.0,
        };
        Some(Self {
            resin_l: draft.resin_volume?.nl() as f64 / 1e9,
            hardness_mg_l: f64::from(hardness.0) / 1e3,
            dose_kg: f64::from(brine?.dose?.0) / 1e6,
            refill_l,
            refill_l_min,
            program: &raw.program,
            has_slow_rinse: has_slow_rinse(&raw.drive),
        })
    }

    /// Litres that a kind of step sends to the drain by the program, and its minutes.
    fn drained(&self, kind: StepKind) -> (f64, f64) {
        let steps = self.program.iter().filter(|step| step.kind == kind);
        steps.fold((0.0, 0.0), |(litres, minutes), step| {
            let length = f64::from(step.length.0) / 60_000.0;
            (litres + length * f64::from(step.drain.0) / 1e3, minutes + length)
        })
    }

    /// Brine of one dose, L: the refill water with its salt, at the density of saturated brine, 1.2 kg/L.
    fn brine_l(&self) -> f64 {
        (self.refill_l + self.dose_kg) / 1.2
    }

    fn eductor_motive_l_min(&self) -> f64 {
        let (mut litres, mut minutes) = self.drained(StepKind::BrineDraw);
        if !self.has_slow_rinse {
            let (rinse_l, rinse_min) = self.drained(StepKind::SlowRinse);
            litres += rinse_l;
            minutes += rinse_min;
        }
        let motive = (litres - self.brine_l()) / minutes;
        // Where the program's figures leave nothing, three bed volumes an hour: in the middle of Davis's 2 to 5.
        if motive > 0.0 { motive } else { 3.0 * self.resin_l / 60.0 / 1.5 }
    }
}

/// Whether a valve has a position for the slow rinse alone.
fn has_slow_rinse(drive: &RawDrive) -> bool {
    drive.place(Position::SlowRinse).is_some()
}

fn length_min(raw: &RawSettings, kind: StepKind) -> f64 {
    raw.program.iter().filter(|step| step.kind == kind).map(|step| f64::from(step.length.0) / 60_000.0).sum()
}

/// Reads the physics' keys of `[plant]`; none for a filter, which has no resin.
pub(super) fn read<'d>(
    r: &mut Reader<'d>,
    section: &mut Section<'d>,
    brine: Option<Brine>,
    draft: &Draft,
) -> Option<ProcessConfig> {
    if !matches!(draft.raw.medium, Medium::Softener { .. }) {
        for key in KEYS.into_iter().chain(["hard_above"]) {
            section.refuse(r, key, "a filter has no resin and no brine");
        }
        return None;
    }
    // Where the softener itself could not be read, texts are still checked against one that could be.
    let softener = Softener::of(draft, brine).unwrap_or(Softener {
        resin_l: 100.0,
        hardness_mg_l: 342.0,
        dose_kg: 10.0,
        refill_l: 28.0,
        refill_l_min: 2.0,
        program: &draft.raw.program,
        has_slow_rinse: true,
    });
    let mut config = usual(&softener, &draft.raw, draft.counter_current);
    let c = &mut config;
    vessel_and_water(r, section, &softener, c);
    pressure_and_valves(r, section, c);
    brine_side(r, section, c);
    set(&mut c.hard_above_ug_l, section.optional(r, "hard_above").and_then(|entry| entry.hardness(r)).map(|h| h.0));
    Some(config)
}

/// The defaults.
fn usual(s: &Softener<'_>, raw: &RawSettings, counter_current: bool) -> ProcessConfig {
    let depth_m = 0.9;
    let area_m2 = s.resin_l * 1e-3 / depth_m;
    let largest_drain = s.program.iter().map(|step| step.drain.0).max().unwrap_or(0);
    let brine_area_m2 = s.brine_l() * 1e-3 / (0.4 * 0.35);
    let mut config = ProcessConfig {
        vessel_mm: diameter_mm(area_m2),
        freeboard_ppm: 750_000,
        plates: 20,
        mass_transfer: true,
        temperature_centi_c: 1_500,
        calcium_ppm: 666_667,
        sodium_ug_l: 40_000,
        alkalinity_ug_l: 0,
        iron_ug_l: raw.metals.iron_ug_per_l,
        iron_held_ppm: 100_000,
        resin_age_days: 0,
        supply_pa: 400_000,
        supply_at_peak_pa: 300_000,
        valve_loss_pa: 50_000,
        low_pressure_pa: 150_000,
        pressure_switch_pa: 150_000,
        drain_ml_min: largest_drain.saturating_add(largest_drain / 2).max(1_000),
        passes_between_ppm: 10_000,
        leak_past_bed_ppm: 0,
        leak_to_drain_ppm: 0,
        untreated_while_regenerating: raw.arrangement == Arrangement::Single,
        brine_upward: counter_current,
        softened_rinse: counter_current,
        backwash_mixing_ppm: 500_000,
        brine_strength_ppm: 95_000,
        eductor_motive_ml_min: whole(s.eductor_motive_l_min() * 1e3),
        refill_ml_min: whole(s.refill_l_min * 1e3).max(1),
        salt_storage_g: whole(s.dose_kg * 20.0 * 1e3),
        brine_tank_mm: diameter_mm(brine_area_m2),
        float_mm: 550,
        salt_topped_up: true,
        hard_above_ug_l: 17_118,
    };
    config.alkalinity_ug_l = whole(1e3 * (0.9 * cations_mg_l(s.hardness_mg_l, &config)).min(200.0));
    config
}

/// Cations of the feed, mg/L as CaCO3.
fn cations_mg_l(hardness_mg_l: f64, config: &ProcessConfig) -> f64 {
    let sodium_meq_l = f64::from(config.sodium_ug_l) / 1e3 / crate::bed::NA_G_PER_MOL;
    hardness_mg_l + sodium_meq_l * CACO3_G_PER_EQ
}

fn diameter_mm(area_m2: f64) -> u32 {
    whole((area_m2 / std::f64::consts::FRAC_PI_4).sqrt() * 1e3)
}

/// The nearest whole number; a figure that is none, or beyond 32 bits, takes the nearest end.
fn whole(value: f64) -> u32 {
    value.round() as u32
}

fn vessel_and_water<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, softener: &Softener<'_>, c: &mut ProcessConfig) {
    set(&mut c.vessel_mm, length(r, section, "vessel_diameter", 50));
    set(&mut c.freeboard_ppm, percentage(r, section, "freeboard"));
    set(&mut c.plates, section.optional(r, "plates").and_then(|entry| entry.whole(r, 1..=200)));
    set(&mut c.mass_transfer, section.optional(r, "mass_transfer").and_then(|entry| entry.flag(r)));
    let temperature = section.optional(r, "temperature").and_then(|entry| {
        let celsius = entry.figure(r, crate::bed::parse_temperature)?;
        entry.in_range(r, celsius, 0.0, 60.0, "from \"0 °C\" to \"60 °C\"")
    });
    set(&mut c.temperature_centi_c, temperature.map(|celsius| whole(celsius * 100.0)));
    set(&mut c.calcium_ppm, share(r, section, "calcium_share"));
    let sodium = section.optional(r, "sodium").and_then(|entry| {
        let mg_l = entry.figure(r, crate::bed::parse_sodium)?;
        entry.in_range(r, mg_l, 0.0, 4_000.0, "from \"0 mg/L\" to \"4000 mg/L\"")
    });
    if let Some(mg_l) = sodium {
        c.sodium_ug_l = whole(mg_l * 1e3);
        c.alkalinity_ug_l = whole(1e3 * (0.9 * cations_mg_l(softener.hardness_mg_l, c)).min(200.0));
    }
    if let Some(entry) = section.optional(r, "alkalinity")
        && let Some(alkalinity) = entry.hardness(r)
    {
        c.alkalinity_ug_l = alkalinity.0;
        let cations = cations_mg_l(softener.hardness_mg_l, c);
        if f64::from(alkalinity.0) > 1e3 * cations {
            let message = format!("is more than the cations of the feed, {cations:.0} mg/L as CaCO3");
            r.fail(&entry, message, "charges must balance: raise sodium or hardness, or lower the alkalinity");
        }
    }
    let iron = section.optional(r, "iron").and_then(|entry| {
        let mg_l = entry.figure(r, crate::bed::parse_iron_mg_l)?;
        entry.in_range(r, mg_l, 0.0, 50.0, "from \"0 mg/L\" to \"50 mg/L\"")
    });
    set(&mut c.iron_ug_l, iron.map(|mg_l| whole(mg_l * 1e3)));
    set(&mut c.iron_held_ppm, share(r, section, "iron_held"));
    let age = section.optional(r, "resin_age").and_then(|entry| {
        let days = entry.quantity(r, quantity::parse_duration_ms)? as f64 / 86_400_000.0;
        entry.in_range(r, days, 0.0, 7_305.0, "from \"0 days\" to \"7305 days\", which is 20 years")
    });
    set(&mut c.resin_age_days, age.map(whole));
}

fn pressure_and_valves<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, c: &mut ProcessConfig) {
    if let Some(static_pa) = pressure(r, section, "supply") {
        c.supply_pa = static_pa;
        c.supply_at_peak_pa = static_pa / 4 * 3;
    }
    if let Some(entry) = section.optional(r, "supply_at_peak")
        && let Some(pa) = entry.pressure(r)
    {
        c.supply_at_peak_pa = pa;
        if pa > c.supply_pa {
            r.fail(&entry, "is above the pressure without flow", "pressure falls, or stays, as flow rises");
        }
    }
    set(&mut c.valve_loss_pa, pressure(r, section, "valve_loss"));
    set(&mut c.low_pressure_pa, pressure(r, section, "low_pressure"));
    c.pressure_switch_pa = pressure(r, section, "pressure_switch").unwrap_or(c.low_pressure_pa);
    set(&mut c.drain_ml_min, flow(r, section, "drain_capacity"));
    set(&mut c.passes_between_ppm, share(r, section, "passes_between"));
    set(&mut c.leak_past_bed_ppm, share(r, section, "leak_past_bed"));
    set(&mut c.leak_to_drain_ppm, share(r, section, "leak_to_drain"));
    let untreated = section.optional(r, "untreated_while_regenerating").and_then(|entry| entry.flag(r));
    set(&mut c.untreated_while_regenerating, untreated);
}

fn brine_side<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, c: &mut ProcessConfig) {
    let directions = [("down", false), ("up", true)];
    let upward = section.optional(r, "brine_direction").and_then(|entry| entry.choice(r, &directions));
    set(&mut c.brine_upward, upward);
    let waters = [("feed", false), ("softened", true)];
    set(&mut c.softened_rinse, section.optional(r, "rinse_water").and_then(|entry| entry.choice(r, &waters)));
    set(&mut c.backwash_mixing_ppm, share(r, section, "backwash_mixing"));
    if let Some(entry) = section.optional(r, "brine_strength")
        && let Some(ppm) = entry.quantity(r, quantity::parse_share_ppm)
    {
        c.brine_strength_ppm = ppm;
        let _ = entry.in_range(r, f64::from(ppm) / 1e4, 2.0, 24.0, "from \"2 %\" to \"24 %\" by weight");
    }
    set(&mut c.eductor_motive_ml_min, flow(r, section, "eductor_motive"));
    if let Some(entry) = section.optional(r, "salt_storage")
        && let Some(mg) = entry.quantity(r, quantity::parse_mass_mg)
        && let Some(kg) = entry.in_range(r, mg as f64 / 1e6, 0.0, 100_000.0, "from \"0 kg\" to \"100 t\"")
    {
        c.salt_storage_g = whole(kg * 1e3);
    }
    set(&mut c.brine_tank_mm, length(r, section, "brine_tank_diameter", 100));
    set(&mut c.float_mm, length(r, section, "float", 10));
    set(&mut c.salt_topped_up, section.optional(r, "salt_topped_up").and_then(|entry| entry.flag(r)));
}

/// Puts what was read where it belongs; what was not leaves the default.
fn set<T>(place: &mut T, value: Option<T>) {
    if let Some(value) = value {
        *place = value;
    }
}

fn share<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, key: &'static str) -> Option<u32> {
    section.optional(r, key)?.quantity(r, quantity::parse_share_ppm)
}

fn percentage<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, key: &'static str) -> Option<u32> {
    section.optional(r, key)?.quantity(r, quantity::parse_percentage_ppm)
}

fn pressure<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, key: &'static str) -> Option<u32> {
    section.optional(r, key)?.pressure(r)
}

/// A flow above nought.
fn flow<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, key: &'static str) -> Option<u32> {
    let entry = section.optional(r, key)?;
    let flow = entry.flow(r)?.0;
    if flow == 0 || flow > 100_000_000 {
        r.fail(&entry, "must be above zero and at most 100 000 L/min", "such as \"30 L/min\"");
        return None;
    }
    Some(flow)
}

fn length<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, key: &'static str, least_mm: u32) -> Option<u32> {
    let entry = section.optional(r, key)?;
    let mm = entry.quantity(r, quantity::parse_length_mm)?;
    let fits = u32::try_from(mm).ok().filter(|mm| (least_mm..=LARGEST_MM).contains(mm));
    if fits.is_none() {
        r.fail(&entry, "is no size of such a tank", format!("from \"{least_mm} mm\" to \"10 m\""));
    }
    fits
}

impl Entry<'_> {
    /// A pressure up to 2 MPa.
    fn pressure(&self, r: &mut Reader<'_>) -> Option<u32> {
        let pa = self.quantity(r, quantity::parse_pressure_pa)?;
        let fits = u32::try_from(pa).ok().filter(|pa| *pa <= 2_000_000);
        if fits.is_none() {
            r.fail(self, "is above 2000 kPa, which no such plant stands", "such as \"400 kPa\"");
        }
        fits
    }

    /// A figure with its unit, by a reader of the bed's own.
    pub(crate) fn figure(&self, r: &mut Reader<'_>, parse: fn(&str) -> Result<f64, String>) -> Option<f64> {
        let Some(text) = self.as_text() else {
            self.wrong_type(r, "a text with a number and a unit", "put it in quotes, with its unit");
            return None;
        };
        match parse(text) {
            Ok(value) => Some(value),
            Err(message) => {
                r.fail(self, message, "a number with its unit");
                None
            }
        }
    }

    fn in_range(&self, r: &mut Reader<'_>, value: f64, low: f64, high: f64, allowed: &str) -> Option<f64> {
        let fits = (low..=high).contains(&value);
        if !fits {
            r.fail(self, "is out of range", allowed);
        }
        fits.then_some(value)
    }
}
