//! The shapes of water use. Every figure here is invented for rehearsal, but where a source stands beside it.

/// How water is used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "command", derive(clap::ValueEnum))]
pub enum Profile {
    /// One family: morning and evening, little at night
    Household,
    /// Many families: flatter
    Apartments,
    /// Rooms: showers in the morning, a lighter evening, a kitchen
    Hotel,
    /// Washing machines on working days: groups of fills
    Laundry,
    /// A kitchen with lunch and dinner, closed on Mondays
    Restaurant,
    /// Lessons on working days, almost nothing at weekends
    School,
    /// Make-up of a steam boiler: a level control that opens again and again
    BoilerMakeUp,
    /// The same flow all the time
    Constant,
    /// A small flow that never stops
    Leak,
}

/// One kind of draw.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Use {
    /// How many of the starts are of this kind, as a share of all weights.
    pub weight: u32,
    /// Flow from … to, mL/min.
    pub ml_per_min: (u32, u32),
    /// Length from … to, ms.
    pub lasts_ms: (u32, u32),
    /// So many draws, one after the other …
    pub times: u32,
    /// … that begin so far apart, ms.
    pub every_ms: u32,
}

/// What a profile is sized by, besides litres.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counted {
    /// What is counted, such as "people".
    pub what: &'static str,
    /// Water for each of them a day, mL.
    pub ml_a_day: u64,
    /// How many where nothing is said.
    pub usual: u32,
}

/// The shape of a profile.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shape {
    /// Parts of a working day's use, hour by hour.
    pub working_day: [u32; 24],
    /// Parts of a Saturday's or Sunday's use.
    pub weekend: [u32; 24],
    /// How much a day uses, Monday first, against the others.
    pub days: [u32; 7],
    /// A day uses this many per cent more or less than its mean.
    pub spread_percent: u32,
    /// The kinds of draws; none = a steady flow.
    pub uses: &'static [Use],
    /// What sizes it.
    pub counted: Option<Counted>,
}

const fn single(weight: u32, ml_per_min: (u32, u32), s: (u32, u32)) -> Use {
    Use { weight, ml_per_min, lasts_ms: (s.0 * 1_000, s.1 * 1_000), times: 1, every_ms: 0 }
}

/// Taps, flushing, a shower, a bath, and a washing machine with four fills.
const HOMES: &[Use] = &[
    single(50, (3_000, 7_000), (5, 35)),
    single(26, (6_000, 10_000), (30, 60)),
    single(14, (6_000, 12_000), (180, 420)),
    single(2, (12_000, 16_000), (400, 600)),
    Use { weight: 3, ml_per_min: (8_000, 10_000), lasts_ms: (60_000, 110_000), times: 4, every_ms: 900_000 },
];

/// Rooms with showers and baths, and a kitchen.
const ROOMS: &[Use] = &[
    single(45, (4_000, 8_000), (10, 40)),
    single(20, (6_000, 10_000), (30, 60)),
    single(28, (8_000, 13_000), (240, 600)),
    single(4, (14_000, 18_000), (400, 600)),
    single(10, (8_000, 14_000), (20, 120)),
];

/// Washer-extractors: pre-wash, wash and three rinses.
const MACHINES: &[Use] = &[
    Use { weight: 8, ml_per_min: (35_000, 60_000), lasts_ms: (60_000, 120_000), times: 5, every_ms: 480_000 },
    single(4, (6_000, 12_000), (10, 60)),
];

/// Sinks, a glass washer, and a dishwasher's short fills.
const KITCHEN: &[Use] = &[
    single(60, (6_000, 12_000), (10, 60)),
    single(10, (10_000, 16_000), (60, 240)),
    Use { weight: 20, ml_per_min: (12_000, 16_000), lasts_ms: (12_000, 20_000), times: 6, every_ms: 150_000 },
    single(12, (6_000, 9_000), (30, 60)),
];

/// Flushing and basins; a kitchen and cleaning now and then.
const PUPILS: &[Use] = &[
    single(60, (6_000, 10_000), (30, 60)),
    single(60, (3_000, 6_000), (5, 15)),
    single(4, (10_000, 15_000), (60, 240)),
];

/// A level control: on, off, at one flow.
const FEED: &[Use] = &[single(1, (28_000, 32_000), (60, 120))];

const HOUSEHOLD_HOURS: [u32; 24] =
    [8, 4, 3, 3, 6, 25, 90, 110, 75, 50, 40, 38, 44, 38, 30, 30, 40, 60, 85, 80, 60, 45, 26, 10];
const HOUSEHOLD_WEEKEND: [u32; 24] =
    [12, 6, 3, 3, 4, 8, 20, 55, 90, 105, 85, 65, 60, 50, 42, 40, 45, 60, 75, 68, 48, 34, 20, 12];
const APARTMENT_HOURS: [u32; 24] =
    [18, 10, 7, 7, 12, 30, 65, 80, 70, 55, 45, 42, 45, 42, 38, 40, 46, 58, 70, 68, 55, 45, 32, 20];
const APARTMENT_WEEKEND: [u32; 24] =
    [24, 14, 8, 6, 8, 14, 28, 50, 75, 82, 75, 62, 56, 50, 44, 44, 48, 58, 66, 62, 50, 42, 30, 24];
const HOTEL_HOURS: [u32; 24] =
    [20, 9, 6, 6, 14, 45, 105, 130, 95, 60, 45, 36, 34, 30, 26, 26, 34, 52, 66, 60, 44, 36, 28, 22];
const HOTEL_WEEKEND: [u32; 24] =
    [26, 12, 7, 5, 8, 22, 60, 105, 125, 95, 60, 40, 36, 32, 28, 28, 36, 54, 68, 60, 44, 38, 32, 28];
const LAUNDRY_HOURS: [u32; 24] =
    [0, 0, 0, 0, 0, 2, 70, 110, 110, 105, 100, 90, 75, 95, 90, 75, 50, 24, 4, 0, 0, 0, 0, 0];
const RESTAURANT_HOURS: [u32; 24] =
    [25, 4, 0, 0, 0, 0, 2, 10, 20, 30, 45, 75, 100, 95, 60, 30, 35, 60, 90, 105, 95, 70, 45, 35];
const SCHOOL_HOURS: [u32; 24] =
    [1, 1, 1, 1, 1, 2, 10, 60, 110, 130, 120, 125, 130, 110, 80, 45, 30, 25, 10, 4, 2, 1, 1, 1];
const BOILER_HOURS: [u32; 24] =
    [8, 8, 8, 8, 12, 40, 65, 70, 70, 68, 65, 62, 55, 62, 65, 65, 62, 50, 40, 30, 25, 16, 10, 8];
const FLAT: [u32; 24] = [1; 24];

/// 58.6 US gal a person and day indoors (Residential End Uses of Water, version 2, 2016; from memory).
const ML_A_PERSON: u64 = 221_825;

impl Profile {
    /// Every profile with the name that files and the command use.
    pub const ALL: [(&'static str, Self); 9] = [
        ("household", Self::Household),
        ("apartments", Self::Apartments),
        ("hotel", Self::Hotel),
        ("laundry", Self::Laundry),
        ("restaurant", Self::Restaurant),
        ("school", Self::School),
        ("boiler-make-up", Self::BoilerMakeUp),
        ("constant", Self::Constant),
        ("leak", Self::Leak),
    ];

    /// The name that files and the command use.
    #[must_use]
    pub fn slug(self) -> &'static str {
        Self::ALL.iter().find(|(_, profile)| *profile == self).map_or("", |(name, _)| name)
    }

    /// Its shape.
    #[must_use]
    pub fn shape(self) -> Shape {
        let people = |usual| Some(Counted { what: "people", ml_a_day: ML_A_PERSON, usual });
        let homes = Shape {
            working_day: HOUSEHOLD_HOURS,
            weekend: HOUSEHOLD_WEEKEND,
            days: [98, 96, 96, 97, 99, 107, 107],
            spread_percent: 30,
            uses: HOMES,
            counted: people(4),
        };
        match self {
            Self::Household => homes,
            Self::Apartments => Shape {
                working_day: APARTMENT_HOURS,
                weekend: APARTMENT_WEEKEND,
                spread_percent: 12,
                counted: people(40),
                ..homes
            },
            Self::Hotel => Shape {
                working_day: HOTEL_HOURS,
                weekend: HOTEL_WEEKEND,
                days: [90, 95, 98, 98, 105, 112, 102],
                spread_percent: 15,
                uses: ROOMS,
                counted: Some(Counted { what: "rooms", ml_a_day: 250_000, usual: 40 }),
            },
            Self::Laundry => Shape {
                working_day: LAUNDRY_HOURS,
                weekend: LAUNDRY_HOURS,
                days: [115, 100, 95, 95, 100, 25, 0],
                spread_percent: 15,
                uses: MACHINES,
                counted: None,
            },
            Self::Restaurant => Shape {
                working_day: RESTAURANT_HOURS,
                weekend: RESTAURANT_HOURS,
                days: [8, 80, 85, 95, 125, 140, 110],
                spread_percent: 15,
                uses: KITCHEN,
                counted: Some(Counted { what: "people", ml_a_day: 30_000, usual: 120 }),
            },
            Self::School => Shape {
                working_day: SCHOOL_HOURS,
                weekend: FLAT,
                days: [100, 102, 100, 102, 90, 3, 2],
                spread_percent: 10,
                uses: PUPILS,
                counted: Some(Counted { what: "people", ml_a_day: 20_000, usual: 300 }),
            },
            Self::BoilerMakeUp => Shape {
                working_day: BOILER_HOURS,
                weekend: BOILER_HOURS,
                days: [100, 100, 100, 100, 100, 60, 45],
                spread_percent: 8,
                uses: FEED,
                counted: None,
            },
            Self::Constant | Self::Leak => {
                Shape { working_day: FLAT, weekend: FLAT, days: [100; 7], spread_percent: 0, uses: &[], counted: None }
            }
        }
    }

    /// Mean use of a day where nothing is said, mL.
    #[must_use]
    pub fn usual_ml_a_day(self) -> u64 {
        match self {
            Self::Laundry => 12_000_000,
            Self::BoilerMakeUp => 8_000_000,
            Self::Constant => 1_440_000,
            // Three quarters of a litre a minute.
            Self::Leak => 1_080_000,
            _ => self.shape().counted.map_or(0, |counted| counted.ml_a_day * u64::from(counted.usual)),
        }
    }
}

#[cfg(test)]
mod tests {
    use clap::ValueEnum;

    use super::*;

    /// The command's names are the files' names.
    #[test]
    fn every_profile_is_listed_once_under_one_name() {
        let listed: Vec<_> = Profile::value_variants()
            .iter()
            .map(|profile| (profile.to_possible_value().map(|v| v.get_name().to_owned()).unwrap_or_default(), *profile))
            .collect();
        let all: Vec<_> = Profile::ALL.iter().map(|(name, profile)| ((*name).to_owned(), *profile)).collect();
        assert_eq!(listed, all);
        assert!(Profile::ALL.iter().all(|(name, profile)| profile.slug() == *name));
    }

    #[test]
    fn every_shape_can_be_drawn_from() {
        for (name, profile) in Profile::ALL {
            let shape = profile.shape();
            assert!(shape.working_day.iter().sum::<u32>() > 0 && shape.weekend.iter().sum::<u32>() > 0, "{name}");
            assert!(shape.days.iter().sum::<u32>() > 0 && shape.spread_percent < 100, "{name}");
            let sound = |u: &Use| u.ml_per_min.0 <= u.ml_per_min.1 && u.lasts_ms.0 <= u.lasts_ms.1 && u.times > 0;
            assert!(shape.uses.iter().all(sound), "{name}");
            assert!(profile.usual_ml_a_day() > 0, "{name}");
        }
    }
}
