//! The bed: plates in series, and the water that moves through them.

use super::error::{BedError, within};
use super::exchange::{Exchanger, ratio_in_equilibrium};
use super::pores::{Pores, Solutes, blend, diffuse};
use super::spec::{BedSpec, Direction, Effluent, Inventory, MOST_PLATES, Plate};
use super::speciation::Constants;
use super::transfer::{HoldBack, Pace, Rates, Transfer, diffusion_m2_s};
use super::water::{Water, check_temperature};

/// Most plate steps one call of [`Bed::advance`] takes on.
const MOST_STEPS_PER_CALL: f64 = 1e9;
/// Free shares are worked out anew when a plate's water has changed by this share
/// of its ions. They move by at most a few percent over the whole range, so the
/// error is of the order of 1e-4.
const RESPECIATE_AT: f64 = 0.02;
/// Largest share of a plate's water that one step of diffusion moves.
const DIFFUSION_STEP: f64 = 0.1;
/// Standing time is saved up to this before it acts, so that short pauses cost
/// nothing and do not blur the parcels, s.
const STAND_LUMP_S: f64 = 600.0;
/// Most diffusion steps for one stand.
const MOST_DIFFUSION_STEPS: f64 = 200.0;
/// Heat a settled bed holds, per volume, relative to water (beads are about half
/// water and half polymer of a third of its heat; common practice).
const BED_HEAT: f64 = 0.8;

/// A softening bed of resin plates in series.
///
/// Water moves as parcels of one plate's pore volume, so that chloride passes as a
/// plug and only the exchange spreads a front. A part of a parcel that has come in
/// is kept apart at the inlet until it fills a plate; as much has by then left from
/// the outlet plate.
#[derive(Debug, Clone, PartialEq)]
pub struct Bed {
    spec: BedSpec,
    plate_kg: f64,
    temperature_c: f64,
    constants: Constants,
    exchanger: Exchanger,
    pores: Pores,
    next_ca: Vec<f64>,
    next_mg: Vec<f64>,
    seen: Vec<[f64; 3]>,
    seen_hardness: Vec<f64>,
    hold_back: HoldBack,
    scratch: Vec<f64>,
    /// Ions on sites that no longer exchange, mol: sodium, calcium, magnesium.
    locked: [f64; 3],
    head: Solutes,
    head_share: f64,
    head_direction: Direction,
    /// Standing time that has not acted yet, s.
    stood_s: f64,
    /// Anions (chloride, alkalinity, carbon) of the last inflow, and for how many
    /// shifts they have been the same: once that fills the bed, they need no moving.
    last_anions: [f64; 3],
    same_shifts: usize,
}

impl Bed {
    /// A bed in sodium form whose pores hold a weak sodium chloride water.
    ///
    /// # Errors
    /// [`BedError::OutOfRange`] names the figure that is out of range.
    pub fn new(spec: BedSpec) -> Result<Self, BedError> {
        within("bed volume", spec.volume_l, 1e-3, 1e6, "0.001 to 1 000 000 L")?;
        within("bed depth", spec.depth_m, 0.01, 10.0, "0.01 to 10 m")?;
        within("plates", spec.plates as f64, 1.0, MOST_PLATES as f64, "1 to 1000 (20 to 80 are usual)")?;
        let resin = spec.resin.check()?;
        spec.transfer.check()?;
        let temperature_c = check_temperature(spec.temperature_c)?;
        let n = spec.plates;
        let capacity = resin.usable_eq_l() / resin.void_fraction;
        let mut bed = Self {
            spec,
            plate_kg: resin.void_fraction * spec.volume_l / n as f64,
            temperature_c,
            constants: Constants::at(temperature_c),
            exchanger: Exchanger::new(n, capacity),
            pores: Pores::new(n),
            next_ca: vec![0.0; n + 2],
            next_mg: vec![0.0; n + 2],
            seen: vec![[0.0; 3]; n],
            seen_hardness: vec![0.0; n],
            hold_back: HoldBack::new(n),
            scratch: vec![0.0; n],
            locked: [0.0; 3],
            head: Solutes::default(),
            head_share: 0.0,
            head_direction: Direction::Down,
            stood_s: 0.0,
            last_anions: [0.0; 3],
            same_shifts: 0,
        };
        let weak = Water::sodium_chloride(1e-3, temperature_c)?;
        bed.fill_pores(&weak);
        for i in 0..n {
            bed.exchanger.ratio[i] = 1.0 / weak.na;
        }
        Ok(bed)
    }

    /// A bed in equilibrium with a water: exhausted, if that is the feed.
    ///
    /// # Errors
    /// As [`Bed::new`], or when the water is not sound.
    pub fn in_equilibrium_with(spec: BedSpec, water: &Water) -> Result<Self, BedError> {
        let water = water.check()?;
        let mut bed = Self::new(spec)?;
        bed.fill_pores(&water);
        let q = bed.exchanger.capacity;
        for i in 0..bed.spec.plates {
            let (a, b) = (bed.exchanger.a[i], bed.exchanger.b[i]);
            let r = ratio_in_equilibrium(q, a, b, water.na, water.ca, water.mg);
            bed.exchanger.ratio[i] = r;
            bed.exchanger.ca[i] = a * r * r * water.ca;
            bed.exchanger.mg[i] = b * r * r * water.mg;
        }
        Ok(bed)
    }

    /// Shape and make.
    pub fn spec(&self) -> &BedSpec {
        &self.spec
    }

    /// Temperature of the bed, °C.
    pub fn temperature_c(&self) -> f64 {
        self.temperature_c
    }

    /// Exchange capacity of the whole bed as it is now, eq.
    pub fn capacity_eq(&self) -> f64 {
        self.exchanger.capacity * self.pore_water_kg()
    }

    /// Pore water of the whole bed, kg.
    pub fn pore_water_kg(&self) -> f64 {
        self.plate_kg * self.spec.plates as f64
    }

    /// The plates, from the top.
    pub fn plates(&self) -> impl Iterator<Item = Plate> + '_ {
        let q = self.exchanger.capacity;
        (0..self.spec.plates).map(move |i| {
            let calcium_fraction = 2.0 * self.exchanger.ca[i] / q;
            let magnesium_fraction = 2.0 * self.exchanger.mg[i] / q;
            Plate {
                water: self.pores.get(i + 1).water(self.temperature_c),
                sodium_fraction: 1.0 - calcium_fraction - magnesium_fraction,
                calcium_fraction,
                magnesium_fraction,
            }
        })
    }

    /// The water standing at the outlet for a direction of flow.
    pub fn outlet(&self, direction: Direction) -> Water {
        self.pores.get(self.outlet_place(direction)).water(self.temperature_c)
    }

    /// Everything the bed holds.
    pub fn inventory(&self) -> Inventory {
        let n = self.spec.plates;
        let mut held = Solutes::default();
        for place in 1..=n {
            held.add(&self.pores.get(place), 1.0);
        }
        let outlet = self.pores.get(self.outlet_place(self.head_direction));
        held.add(&outlet, -self.head_share);
        held.add(&self.head, 1.0);
        let ca: f64 = self.exchanger.ca.iter().sum();
        let mg: f64 = self.exchanger.mg.iter().sum();
        let na_resin = self.exchanger.capacity * n as f64 - 2.0 * (ca + mg);
        let na_water = held.cl + held.alkalinity - 2.0 * (held.ca + held.mg);
        let kg = self.plate_kg;
        Inventory {
            na: (na_water + na_resin) * kg + self.locked[0],
            ca: (held.ca + ca) * kg + self.locked[1],
            mg: (held.mg + mg) * kg + self.locked[2],
            cl: held.cl * kg,
            alkalinity: held.alkalinity * kg,
            carbon: held.carbon * kg,
            water_kg: kg * n as f64,
        }
    }

    /// Passes water through the bed, or lets it stand when no volume flows.
    ///
    /// `volume_l` is litres of the inflowing solution, over `dt_s` seconds.
    /// All amounts are conserved to rounding. In equilibrium mode `dt_s` matters
    /// only for a stand.
    ///
    /// # Errors
    /// A water that is not sound, a volume or time that is negative or not a
    /// number, a flow in no time, or more plate steps than one call should take.
    /// The bed is unchanged then.
    pub fn advance(
        &mut self,
        inflow: &Water,
        volume_l: f64,
        dt_s: f64,
        direction: Direction,
    ) -> Result<Effluent, BedError> {
        let inflow = inflow.check()?;
        within("volume", volume_l, 0.0, f64::MAX, "zero or more litres")?;
        within("time", dt_s, 0.0, f64::MAX, "zero or more seconds")?;
        if volume_l == 0.0 {
            self.stand_unchecked(dt_s);
            return Ok(self.nothing_left(direction));
        }
        if dt_s == 0.0 {
            return Err(BedError::OutOfRange { field: "time", value: dt_s, allowed: "above zero when water flows" });
        }
        let kg = volume_l * inflow.kg_per_litre();
        let plate_steps = (kg / self.plate_kg) * self.spec.plates as f64;
        if plate_steps > MOST_STEPS_PER_CALL {
            let plates = self.spec.plates;
            let most = (plates as f64 * (MOST_STEPS_PER_CALL / plate_steps).sqrt()).floor().max(1.0);
            let (most_plates, limit) = (most as usize, MOST_STEPS_PER_CALL);
            return Err(BedError::TooLong { plates, most_plates, plate_steps, limit });
        }
        self.turn(direction);
        self.take_temperature(&inflow, kg);
        let pace = self.pace(kg / dt_s);
        Ok(self.push(&Solutes::of(&inflow), kg, direction, &pace))
    }

    /// Lets the bed stand: water diffuses between the plates, and resin and water
    /// come to rest with each other. Pauses act once they add up to ten minutes.
    ///
    /// # Errors
    /// [`BedError::OutOfRange`] for a time that is negative or not a number.
    pub fn stand(&mut self, dt_s: f64) -> Result<(), BedError> {
        within("time", dt_s, 0.0, f64::MAX, "zero or more seconds")?;
        self.stand_unchecked(dt_s);
        Ok(())
    }

    /// Stirs the bed at once, as a backwash does: every plate gives `extent` of its resin
    /// and water for the bed's mean. 0 leaves the layers, 1 makes them all alike.
    ///
    /// # Errors
    /// [`BedError::OutOfRange`] for an extent outside 0 to 1.
    pub fn mix(&mut self, extent: f64) -> Result<(), BedError> {
        within("extent of mixing", extent, 0.0, 1.0, "0 to 1")?;
        self.settle();
        let n = self.spec.plates;
        for resin in [&mut self.exchanger.ca, &mut self.exchanger.mg] {
            blend(resin, extent);
        }
        for figure in [
            &mut self.pores.ca,
            &mut self.pores.mg,
            &mut self.pores.cl,
            &mut self.pores.alkalinity,
            &mut self.pores.carbon,
        ] {
            blend(&mut figure[1..=n], extent);
        }
        self.rest_at_once();
        Ok(())
    }

    /// Takes a share of the capacity away (years, iron). The ions on the lost sites
    /// stay on them: they no longer exchange but still count in the inventory.
    ///
    /// # Errors
    /// [`BedError::OutOfRange`] for a share outside 0 to 0.99.
    pub fn lose_capacity(&mut self, share: f64) -> Result<(), BedError> {
        within("share of capacity lost", share, 0.0, 0.99, "0 to 0.99")?;
        let n = self.spec.plates as f64;
        let ca: f64 = self.exchanger.ca.iter().sum();
        let mg: f64 = self.exchanger.mg.iter().sum();
        let na = self.exchanger.capacity * n - 2.0 * (ca + mg);
        for (locked, held) in self.locked.iter_mut().zip([na, ca, mg]) {
            *locked += share * held * self.plate_kg;
        }
        for x in self.exchanger.ca.iter_mut().chain(&mut self.exchanger.mg) {
            *x *= 1.0 - share;
        }
        self.exchanger.capacity *= 1.0 - share;
        self.respeciate_all();
        Ok(())
    }

    /// Takes a share of the resin out of the bed, alike from every plate: what a backwash carries off, with the
    /// water between the beads. Returns what left with it.
    ///
    /// # Errors
    /// [`BedError::OutOfRange`] for a share outside 0 to 0.99.
    pub fn lose_resin(&mut self, share: f64) -> Result<Inventory, BedError> {
        within("share of resin lost", share, 0.0, 0.99, "0 to 0.99")?;
        let before = self.inventory();
        self.plate_kg *= 1.0 - share;
        self.spec.volume_l *= 1.0 - share;
        self.spec.depth_m *= 1.0 - share;
        self.locked.iter_mut().for_each(|ions| *ions *= 1.0 - share);
        let after = self.inventory();
        Ok(Inventory {
            na: before.na - after.na,
            ca: before.ca - after.ca,
            mg: before.mg - after.mg,
            cl: before.cl - after.cl,
            alkalinity: before.alkalinity - after.alkalinity,
            carbon: before.carbon - after.carbon,
            water_kg: before.water_kg - after.water_kg,
        })
    }

    /// One parcel of exactly a plate's pore volume. `pace` holds the bed back, if
    /// it is not in equilibrium.
    pub(crate) fn shift(&mut self, inflow: &Water, direction: Direction, pace: &Option<Pace>) {
        debug_assert_eq!(self.head_share, 0.0);
        self.shift_solutes(&Solutes::of(inflow), direction, pace);
    }

    /// The pace at which plates near equilibrium for a flow in kg/s.
    pub(crate) fn pace(&self, kg_per_s: f64) -> Option<Pace> {
        let Transfer::Kinetic(k) = &self.spec.transfer else {
            return None;
        };
        let area_m2 = self.spec.volume_l * 1e-3 / self.spec.depth_m;
        let velocity_m_s = kg_per_s * 1e-3 / area_m2;
        Some(Pace {
            rates: Rates::at(k, self.spec.resin.void_fraction, velocity_m_s, self.temperature_c),
            seconds: if kg_per_s > 0.0 { self.plate_kg / kg_per_s } else { 0.0 },
        })
    }

    fn outlet_place(&self, direction: Direction) -> usize {
        match direction {
            Direction::Down => self.spec.plates,
            Direction::Up => 1,
        }
    }

    fn nothing_left(&self, direction: Direction) -> Effluent {
        Effluent { water: self.outlet(direction), water_kg: 0.0, volume_l: 0.0 }
    }

    fn fill_pores(&mut self, water: &Water) {
        for place in 0..self.spec.plates + 2 {
            self.pores.set(place, &Solutes::of(water));
        }
        self.same_shifts = 0;
        self.respeciate_all();
    }

    fn push(&mut self, inflow: &Solutes, kg: f64, direction: Direction, pace: &Option<Pace>) -> Effluent {
        let mut left = Solutes::default();
        let mut parcels = kg / self.plate_kg;
        let total = parcels;
        let outlet = self.outlet_place(direction);
        while parcels > 0.0 {
            let room = 1.0 - self.head_share;
            let take = room.min(parcels);
            left.add(&self.pores.get(outlet), take);
            self.head.add(inflow, take);
            parcels -= take;
            if take < room {
                self.head_share += take;
            } else {
                let head = std::mem::take(&mut self.head);
                self.head_share = 0.0;
                self.shift_solutes(&head, direction, pace);
            }
        }
        let water = left.times(1.0 / total).water(self.temperature_c);
        Effluent { water, water_kg: kg, volume_l: kg / water.kg_per_litre() }
    }

    /// Before the flow turns round, the part of a parcel at the inlet joins the
    /// plates it lies across.
    fn turn(&mut self, direction: Direction) {
        if direction != self.head_direction {
            self.settle();
            self.head_direction = direction;
        }
    }

    fn settle(&mut self) {
        if self.head_share == 0.0 {
            return;
        }
        let share = self.head_share;
        let n = self.spec.plates;
        let mut upstream = self.head.times(1.0 / share);
        for k in 0..n {
            let place = match self.head_direction {
                Direction::Down => k + 1,
                Direction::Up => n - k,
            };
            let here = self.pores.get(place);
            let mut mixed = here.times(1.0 - share);
            mixed.add(&upstream, share);
            self.pores.set(place, &mixed);
            upstream = here;
        }
        self.head = Solutes::default();
        self.head_share = 0.0;
        self.rest_at_once();
    }

    fn take_temperature(&mut self, inflow: &Water, kg: f64) {
        let exchanged = 1.0 - (-kg / (BED_HEAT * self.spec.volume_l)).exp();
        let temperature_c = self.temperature_c + exchanged * (inflow.temperature_c - self.temperature_c);
        self.temperature_c = temperature_c;
        if (temperature_c - self.constants.temperature_c()).abs() > 0.1 {
            self.constants = Constants::at(temperature_c);
            self.respeciate_all();
        }
    }

    fn stand_unchecked(&mut self, dt_s: f64) {
        self.stood_s += dt_s;
        if self.stood_s < STAND_LUMP_S {
            return;
        }
        let dt_s = std::mem::take(&mut self.stood_s);
        // Part of the outlet plate has left: only whole plates may come to rest.
        self.settle();
        let n = self.spec.plates;
        let spacing_m = self.spec.depth_m / n as f64;
        // Pores wind: √2 longer paths, the usual figure for packed spheres.
        let diffusion = diffusion_m2_s(self.temperature_c) / std::f64::consts::SQRT_2;
        let share = diffusion * dt_s / (spacing_m * spacing_m);
        let steps = (share / DIFFUSION_STEP).ceil().clamp(1.0, MOST_DIFFUSION_STEPS);
        let pace = self.pace(0.0).map(|p| Pace { seconds: dt_s / steps, ..p });
        for _ in 0..steps as usize {
            if n > 1 {
                for figure in [
                    &mut self.pores.ca,
                    &mut self.pores.mg,
                    &mut self.pores.cl,
                    &mut self.pores.alkalinity,
                    &mut self.pores.carbon,
                ] {
                    diffuse(&mut figure[1..=n], share / steps, &mut self.scratch);
                }
            }
            self.rest(pace.as_ref());
        }
    }

    /// Equilibrium at once, where the bed is one of equilibrium; otherwise only the
    /// water has moved.
    fn rest_at_once(&mut self) {
        let pace = self.pace(0.0);
        self.rest(pace.as_ref());
    }

    /// Brings each plate to rest with the water it holds.
    fn rest(&mut self, pace: Option<&Pace>) {
        let n = self.spec.plates;
        for place in 1..=n {
            self.pores.anions[place] = self.pores.cl[place] + self.pores.alkalinity[place];
        }
        self.same_shifts = 0;
        self.check_anions();
        self.exchange(1, pace);
        self.check_hardness();
    }

    fn shift_solutes(&mut self, inflow: &Solutes, direction: Direction, pace: &Option<Pace>) {
        let n = self.spec.plates;
        let (inlet, from) = match direction {
            Direction::Down => (0, 0),
            Direction::Up => (n + 1, 2),
        };
        self.pores.ca[inlet] = inflow.ca;
        self.pores.mg[inlet] = inflow.mg;
        let anions = [inflow.cl, inflow.alkalinity, inflow.carbon];
        if anions != self.last_anions {
            self.last_anions = anions;
            self.same_shifts = 0;
        }
        if self.same_shifts < n {
            self.same_shifts += 1;
            self.pores.cl[inlet] = inflow.cl;
            self.pores.alkalinity[inlet] = inflow.alkalinity;
            self.pores.carbon[inlet] = inflow.carbon;
            self.pores.anions[inlet] = inflow.cl + inflow.alkalinity;
            for figure in
                [&mut self.pores.cl, &mut self.pores.alkalinity, &mut self.pores.carbon, &mut self.pores.anions]
            {
                figure.copy_within(from..from + n, 1);
            }
            self.check_anions();
        }
        self.exchange(from, pace.as_ref());
        self.check_hardness();
    }

    /// Exchange in every plate with the water found at `from` onwards, which ends
    /// up in the plates.
    fn exchange(&mut self, from: usize, pace: Option<&Pace>) {
        let n = self.spec.plates;
        if pace.is_some() {
            self.hold_back.remember(&self.exchanger);
        }
        self.exchanger.equilibrate(
            &self.pores.ca[from..from + n],
            &self.pores.mg[from..from + n],
            &self.pores.anions[1..=n],
            &mut self.next_ca[1..=n],
            &mut self.next_mg[1..=n],
        );
        if let Some(pace) = pace {
            self.hold_back.apply(pace, &mut self.exchanger, &mut self.next_ca[1..=n], &mut self.next_mg[1..=n]);
        }
        std::mem::swap(&mut self.pores.ca, &mut self.next_ca);
        std::mem::swap(&mut self.pores.mg, &mut self.next_mg);
    }

    fn check_anions(&mut self) {
        for i in 0..self.spec.plates {
            let s = self.pores.get(i + 1);
            let limit = RESPECIATE_AT * self.pores.anions[i + 1];
            let [cl, alkalinity, carbon] = self.seen[i];
            if (s.cl - cl).abs() > limit
                || (s.alkalinity - alkalinity).abs() > limit
                || (s.carbon - carbon).abs() > limit
            {
                self.respeciate(i);
            }
        }
    }

    fn check_hardness(&mut self) {
        let n = self.spec.plates;
        let (ca, mg) = (&self.pores.ca[1..=n], &self.pores.mg[1..=n]);
        let (seen, anions) = (&self.seen_hardness[..n], &self.pores.anions[1..=n]);
        let mut any = 0;
        for i in 0..n {
            let moved = (ca[i] + mg[i] - seen[i]).abs();
            any |= u64::from(moved > RESPECIATE_AT * anions[i]);
        }
        if any != 0 {
            for i in 0..n {
                let hardness = self.pores.ca[i + 1] + self.pores.mg[i + 1];
                let limit = RESPECIATE_AT * self.pores.anions[i + 1];
                if (hardness - self.seen_hardness[i]).abs() > limit {
                    self.respeciate(i);
                }
            }
        }
    }

    fn respeciate_all(&mut self) {
        for i in 0..self.spec.plates {
            self.respeciate(i);
        }
    }

    fn respeciate(&mut self, i: usize) {
        let s = self.pores.get(i + 1);
        let free = self.constants.free_shares(&s.water(self.temperature_c));
        let half = 0.5 * self.exchanger.capacity / (free.na * free.na);
        let resin = &self.spec.resin;
        self.exchanger.a[i] = half * free.ca * 10f64.powf(resin.log_k_ca);
        self.exchanger.b[i] = half * free.mg * 10f64.powf(resin.log_k_mg);
        self.seen[i] = [s.cl, s.alkalinity, s.carbon];
        self.seen_hardness[i] = s.ca + s.mg;
    }
}
