//! Amounts of what is dissolved and of water, and the balance of everything that came, went and is held.

use crate::bed::{Inventory, NACL_G_PER_MOL, Water};

/// Amounts in mol (alkalinity: eq), and kilograms of water.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Amounts {
    /// Sodium, mol.
    pub na: f64,
    /// Calcium, mol.
    pub ca: f64,
    /// Magnesium, mol.
    pub mg: f64,
    /// Chloride and other strong anions, mol.
    pub cl: f64,
    /// Alkalinity, eq.
    pub alkalinity: f64,
    /// Inorganic carbon, mol.
    pub carbon: f64,
    /// Water, kg.
    pub water_kg: f64,
}

impl Amounts {
    /// So many kilograms of a water, with what is dissolved in it.
    #[must_use]
    pub fn of(water: &Water, water_kg: f64) -> Self {
        Self {
            na: water.na * water_kg,
            ca: water.ca * water_kg,
            mg: water.mg * water_kg,
            cl: water.cl * water_kg,
            alkalinity: water.alkalinity * water_kg,
            carbon: water.carbon * water_kg,
            water_kg,
        }
    }

    /// Kilograms of sodium chloride, without water.
    #[must_use]
    pub fn of_salt(kg: f64) -> Self {
        let mol = kg * 1e3 / NACL_G_PER_MOL;
        Self { na: mol, cl: mol, ..Self::default() }
    }

    /// Adds, or with a weight of −1 takes away.
    pub fn add(&mut self, other: &Self, weight: f64) {
        self.na += weight * other.na;
        self.ca += weight * other.ca;
        self.mg += weight * other.mg;
        self.cl += weight * other.cl;
        self.alkalinity += weight * other.alkalinity;
        self.carbon += weight * other.carbon;
        self.water_kg += weight * other.water_kg;
    }

    /// A share of it.
    #[must_use]
    pub fn times(&self, factor: f64) -> Self {
        let mut out = Self::default();
        out.add(self, factor);
        out
    }

    /// The water that it makes. Sodium closes the charge, so that rounding does not open it.
    #[must_use]
    pub fn water(&self, temperature_c: f64) -> Water {
        let per_kg = 1.0 / self.water_kg;
        let (ca, mg) = (self.ca * per_kg, self.mg * per_kg);
        let (cl, alkalinity) = (self.cl * per_kg, self.alkalinity * per_kg);
        Water {
            na: (cl + alkalinity - 2.0 * (ca + mg)).max(0.0),
            ca,
            mg,
            cl,
            alkalinity,
            carbon: self.carbon * per_kg,
            temperature_c,
        }
    }
}

impl From<Inventory> for Amounts {
    fn from(held: Inventory) -> Self {
        let Inventory { na, ca, mg, cl, alkalinity, carbon, water_kg } = held;
        Self { na, ca, mg, cl, alkalinity, carbon, water_kg }
    }
}

/// Everything that crossed the plant's border since its start.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Crossed {
    /// From the supply.
    pub supplied: Amounts,
    /// Salt put into the brine tank, kg.
    pub salt_added_kg: f64,
    /// To the building.
    pub delivered: Amounts,
    /// To the drain.
    pub drained: Amounts,
    /// Over the brine tank's overflow.
    pub overflowed: Amounts,
    /// Carried off with lost resin.
    pub with_resin: Amounts,
}

/// One line of the balance: in − out − what is held more than at the start.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BalanceLine {
    /// What is balanced.
    pub name: &'static str,
    /// Unit of the figures.
    pub unit: &'static str,
    /// What came in.
    pub came: f64,
    /// What went out.
    pub went: f64,
    /// What is held now.
    pub held: f64,
    /// What was held at the start.
    pub held_at_start: f64,
}

impl BalanceLine {
    /// What is missing (above nought) or too much, in the line's unit.
    #[must_use]
    pub fn open(&self) -> f64 {
        (self.came - self.went) - (self.held - self.held_at_start)
    }

    /// The open part against what came, or what is held where that is more.
    #[must_use]
    pub fn relative_error(&self) -> f64 {
        let scale = self.came.abs().max(self.held.abs()).max(self.held_at_start.abs());
        if scale > 0.0 { self.open().abs() / scale } else { 0.0 }
    }
}

/// The balance of a plant: sodium, calcium, magnesium, chloride, charge, water, and salt in the brine tank.
#[must_use]
pub fn balance(crossed: &Crossed, at_start: &Amounts, held: &Amounts, salt: [f64; 4]) -> [BalanceLine; 8] {
    let mut came = crossed.supplied;
    came.add(&Amounts::of_salt(crossed.salt_added_kg), 1.0);
    let mut went = crossed.delivered;
    for out in [&crossed.drained, &crossed.overflowed, &crossed.with_resin] {
        went.add(out, 1.0);
    }
    let line = |name, unit, figure: fn(&Amounts) -> f64| BalanceLine {
        name,
        unit,
        came: figure(&came),
        went: figure(&went),
        held: figure(held),
        held_at_start: figure(at_start),
    };
    // Dissolved cations against dissolved anions. The resin's own charge stays but for what lost resin carries off.
    let cations = |a: &Amounts| a.na + 2.0 * (a.ca + a.mg);
    let anions = |a: &Amounts| a.cl + a.alkalinity;
    let mut dissolved = went;
    dissolved.add(&crossed.with_resin, -1.0);
    let charge = BalanceLine {
        name: "charge",
        unit: "eq",
        came: cations(&came),
        went: cations(&dissolved) + anions(&crossed.with_resin),
        held: anions(held),
        held_at_start: anions(at_start),
    };
    let [salt_came, salt_went, salt_held, salt_at_start] = salt;
    [
        line("sodium", "mol", |a| a.na),
        line("calcium", "mol", |a| a.ca),
        line("magnesium", "mol", |a| a.mg),
        line("chloride", "mol", |a| a.cl),
        line("alkalinity", "eq", |a| a.alkalinity),
        charge,
        line("water", "kg", |a| a.water_kg),
        BalanceLine {
            name: "salt in the brine tank",
            unit: "kg",
            came: salt_came,
            went: salt_went,
            held: salt_held,
            held_at_start: salt_at_start,
        },
    ]
}
