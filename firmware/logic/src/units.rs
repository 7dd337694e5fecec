//! Quantities as types: time in ms, volume in nL, hardness in µg/L, exchange in µg, flow in mL/min.
//!
//! Every operation saturates or is checked, so that arithmetic can neither panic nor wrap.

use serde::{Deserialize, Serialize};

/// A point on the monotonic clock, in milliseconds since a start that the driver chooses.
pub type Instant = fugit::MonotonicInstant<u64, 1, 1_000>;

/// A length of time in milliseconds, as `fugit` carries it.
pub type Duration = fugit::MillisDurationU64;

/// Nanolitres in one litre.
pub const NL_PER_L: u64 = 1_000_000_000;

/// `whole` × `part` ÷ `of`, rounded down; nought if `of` is nought. What would not fit 64 bits loses
/// the smallest places, and what does not fit after all saturates.
#[must_use]
pub(crate) fn share(whole: u64, part: u64, of: u64) -> u64 {
    // The usual case needs no division (M6).
    if part == of && of > 0 {
        return whole;
    }
    let (mut part, mut of) = (part, of);
    while part.checked_mul(whole).is_none() && part > 1 && of > 1 {
        part >>= 1;
        of >>= 1;
    }
    part.saturating_mul(whole).checked_div(of).unwrap_or(0)
}

/// So many thousandths of a whole, rounded down; exact, in two parts so that 64 bits suffice.
#[must_use]
pub(crate) fn per_mille_of(whole: u64, per_mille: u16) -> u64 {
    let part = u64::from(per_mille);
    (whole / 1_000).saturating_mul(part).saturating_add((whole % 1_000).saturating_mul(part) / 1_000)
}

/// A length of time in milliseconds as settings keep it: up to 49 days in four bytes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(transparent)]
pub struct Millis(pub u32);

impl Millis {
    /// No time at all.
    pub const ZERO: Self = Self(0);

    /// So many seconds, at most [`u32::MAX`] ms.
    #[must_use]
    pub const fn from_secs(secs: u32) -> Self {
        Self(secs.saturating_mul(1_000))
    }

    /// So many minutes, at most [`u32::MAX`] ms.
    #[must_use]
    pub const fn from_mins(mins: u32) -> Self {
        Self(mins.saturating_mul(60_000))
    }

    /// So many hours, at most [`u32::MAX`] ms.
    #[must_use]
    pub const fn from_hours(hours: u32) -> Self {
        Self(hours.saturating_mul(3_600_000))
    }

    /// The same length as a `fugit` duration.
    #[must_use]
    pub fn duration(self) -> Duration {
        Duration::from_ticks(u64::from(self.0))
    }

    /// The sum, at most [`u32::MAX`] ms.
    #[must_use]
    pub const fn plus(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

/// `from` plus `length`, at most the end of the clock.
#[must_use]
pub fn later(from: Instant, length: Millis) -> Instant {
    later_ms(from, u64::from(length.0))
}

/// `from` plus `length_ms`, at most the end of the clock.
#[must_use]
pub fn later_ms(from: Instant, length_ms: u64) -> Instant {
    Instant::from_ticks(from.as_ticks().saturating_add(length_ms))
}

/// Milliseconds from `from` to `to`; nought if `to` is not after `from`.
#[must_use]
pub fn elapsed_ms(from: Instant, to: Instant) -> u64 {
    to.as_ticks().saturating_sub(from.as_ticks())
}

/// Like [`elapsed_ms`], cut off at the longest [`Millis`].
#[must_use]
pub fn elapsed(from: Instant, to: Instant) -> Millis {
    Millis(u32::try_from(elapsed_ms(from, to)).unwrap_or(u32::MAX))
}

/// A volume of water in nanolitres: up to 18 billion litres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(transparent)]
pub struct Volume(pub u64);

impl Volume {
    /// No water.
    pub const ZERO: Self = Self(0);
    /// More than any tank will see: the threshold of something that never happens.
    pub const MAX: Self = Self(u64::MAX);

    /// So many litres.
    #[must_use]
    pub const fn from_litres(litres: u64) -> Self {
        Self(litres.saturating_mul(NL_PER_L))
    }

    /// Nanolitres.
    #[must_use]
    pub const fn nl(self) -> u64 {
        self.0
    }

    /// The sum, at most [`Volume::MAX`].
    #[must_use]
    pub const fn plus(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// The difference, nought if `other` is larger.
    #[must_use]
    pub const fn minus(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

/// A sum of volumes over a plant's life, in nanolitres; wide enough never to overflow.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct TotalVolume(pub u128);

impl TotalVolume {
    /// Adds one volume. 2^64 of the largest would fit: nothing wraps.
    pub fn add(&mut self, volume: Volume) {
        self.0 = self.0.wrapping_add(u128::from(volume.0));
    }
}

/// Hardness of water, µg/L as CaCO3 (1 mg/L = 1 000).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(transparent)]
pub struct Hardness(pub u32);

/// Hardness taken up by a bed, µg as CaCO3 (1 grain = 64 798.91 µg).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(transparent)]
pub struct Exchange(pub u64);

impl Exchange {
    /// Nothing taken up.
    pub const ZERO: Self = Self(0);

    /// What `volume` of water of this hardness loads onto a bed, rounded up to the µg.
    ///
    /// volume × hardness, in two parts so that 64 bits suffice (litres, then the rest).
    #[must_use]
    pub fn of(volume: Volume, hardness: Hardness) -> Self {
        let h = u64::from(hardness.0);
        let litres = volume.0 / NL_PER_L;
        let rest = (volume.0 % NL_PER_L).saturating_mul(h).div_ceil(NL_PER_L);
        Self(litres.saturating_mul(h).saturating_add(rest))
    }

    /// The volume of water of this hardness that loads a bed by so much, rounded down to the nL;
    /// [`Volume::MAX`] if the water is not hard.
    #[must_use]
    pub fn volume_at(self, hardness: Hardness) -> Volume {
        let h = u64::from(hardness.0);
        let (Some(litres), Some(rest)) = (self.0.checked_div(h), self.0.checked_rem(h)) else {
            return Volume::MAX;
        };
        let rest_nl = rest.saturating_mul(NL_PER_L).checked_div(h).unwrap_or(0);
        Volume(litres.saturating_mul(NL_PER_L).saturating_add(rest_nl))
    }

    /// The sum, saturating.
    #[must_use]
    pub const fn plus(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// The difference, nought if `other` is larger.
    #[must_use]
    pub const fn minus(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

/// The longest time that fifty times still fits 64 bits: 11 million years.
const LONGEST_MS: u64 = u64::MAX / 50;

/// Flow in millilitres a minute.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(transparent)]
pub struct Flow(pub u32);

impl Flow {
    /// The flow that passes `volume` in `time_ms`; the largest flow if no time passed.
    ///
    /// 1 nL/ms = 0.06 mL/min = 3/50 mL/min.
    #[must_use]
    pub fn of(volume: Volume, time_ms: u64) -> Self {
        // Sums instead of products: a Cortex-M0 multiplies 64 bits in a hundred instructions.
        let times_three = volume.0.saturating_add(volume.0).saturating_add(volume.0);
        let fifty = time_ms.min(LONGEST_MS).wrapping_mul(50);
        let flow = times_three.checked_div(fifty);
        Self(flow.and_then(|f| u32::try_from(f).ok()).unwrap_or(u32::MAX))
    }

    /// Flow in mL/min, rounded down, of a volume in one millisecond: what [`Flow::in_ms`] divides.
    #[must_use]
    pub(crate) fn a_ms(volume: Volume) -> u64 {
        volume.0.saturating_mul(3) / 50
    }

    /// As [`Flow::of`] the volume whose [`Flow::a_ms`] this is. What is rounded down twice is rounded down once.
    #[must_use]
    pub(crate) fn in_ms(a_ms: u64, time_ms: u64) -> Self {
        let flow = match (u32::try_from(a_ms), u32::try_from(time_ms)) {
            (Ok(a_ms), Ok(time_ms)) => a_ms.checked_div(time_ms),
            _ => a_ms.checked_div(time_ms).and_then(|flow| u32::try_from(flow).ok()),
        };
        Self(flow.unwrap_or(u32::MAX))
    }

    /// What passes in `time` at this flow: 1 mL/min = 50/3 nL/ms.
    #[must_use]
    pub fn over(self, time: Millis) -> Volume {
        let product = u64::from(self.0).saturating_mul(u64::from(time.0));
        Volume((product / 3).saturating_mul(50))
    }

    /// Milliseconds that `volume` takes at this flow, rounded up; `u64::MAX` if nothing flows.
    #[must_use]
    pub fn time_for(self, volume: Volume) -> u64 {
        let scaled = volume.0.saturating_mul(3);
        let per_ms = u64::from(self.0).saturating_mul(50);
        if per_ms == 0 { u64::MAX } else { scaled.div_ceil(per_ms) }
    }
}

/// A mass of salt in milligrams.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(transparent)]
pub struct SaltMass(pub u32);

/// A tank of the site, counted from 0 here and from 1 wherever people read it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(transparent)]
pub struct TankId(pub u8);

impl TankId {
    /// The number people use, from 1.
    #[must_use]
    pub const fn number(self) -> u8 {
        self.0.saturating_add(1)
    }

    /// The place of this tank in a list of tanks.
    #[must_use]
    pub fn index(self) -> usize {
        usize::from(self.0)
    }
}

impl core::fmt::Display for TankId {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "tank {}", self.number())
    }
}

/// A set of up to eight tanks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(transparent)]
pub struct TankSet(pub u8);

impl TankSet {
    /// No tank.
    pub const EMPTY: Self = Self(0);

    /// Puts a tank in.
    pub fn insert(&mut self, tank: TankId) {
        self.0 |= Self::bit(tank);
    }

    /// Whether a tank is in.
    #[must_use]
    pub fn contains(self, tank: TankId) -> bool {
        self.0 & Self::bit(tank) != 0
    }

    /// Takes a tank out.
    pub fn remove(&mut self, tank: TankId) {
        self.0 &= !Self::bit(tank);
    }

    /// The tank that is in, if it is the only one.
    #[must_use]
    pub fn single(self) -> Option<TankId> {
        let tank = u8::try_from(self.0.trailing_zeros()).map(TankId).ok()?;
        (self.len() == 1).then_some(tank)
    }

    /// How many tanks are in.
    #[must_use]
    pub fn len(self) -> u32 {
        self.0.count_ones()
    }

    /// Whether no tank is in.
    #[must_use]
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    fn bit(tank: TankId) -> u8 {
        1u8.checked_shl(u32::from(tank.0)).unwrap_or(0)
    }
}

/// Declares a small enum whose values have slugs and fit a bit set.
macro_rules! slugs {
    (
        $(#[$meta:meta])* $name:ident as $set:ident($repr:ty) {
            $( $(#[$vmeta:meta])* $variant:ident = $slug:literal ),+ $(,)?
        }
    ) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
        #[cfg_attr(feature = "defmt", derive(defmt::Format))]
        #[serde(rename_all = "kebab-case")]
        pub enum $name { $( $(#[$vmeta])* $variant ),+ }

        impl $name {
            /// Every value, in order.
            pub const ALL: &'static [Self] = &[ $( Self::$variant ),+ ];

            /// The name people and files use.
            #[must_use]
            pub const fn slug(self) -> &'static str {
                match self { $( Self::$variant => $slug ),+ }
            }

            #[allow(clippy::as_conversions, reason = "the place of a value without fields")]
            const fn bit(self) -> $repr {
                let one: $repr = 1;
                one.wrapping_shl(self as u32)
            }
        }

        impl core::fmt::Display for $name {
            fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
                f.write_str(self.slug())
            }
        }

        #[doc = concat!("A set of [`", stringify!($name), "`] values.")]
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize)]
        #[cfg_attr(feature = "defmt", derive(defmt::Format))]
        #[serde(transparent)]
        pub struct $set($repr);

        /// A bit that stands for no value is refused: nothing unknown passes for something valid.
        impl<'de> serde::Deserialize<'de> for $set {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let bits = <$repr as serde::Deserialize>::deserialize(deserializer)?;
                let known = $name::ALL.iter().fold(0, |all, value| all | value.bit());
                if bits & !known != 0 {
                    return Err(serde::de::Error::custom("a set has members that do not exist"));
                }
                Ok(Self(bits))
            }
        }

        impl $set {
            /// Nothing in it.
            pub const EMPTY: Self = Self(0);

            /// Just this one.
            #[must_use]
            pub const fn only(value: $name) -> Self { Self(value.bit()) }

            /// Puts a value in; says whether it is new.
            pub fn insert(&mut self, value: $name) -> bool {
                let before = self.0;
                self.0 |= value.bit();
                self.0 != before
            }

            /// Takes a value out; says whether it was in.
            pub fn remove(&mut self, value: $name) -> bool {
                let before = self.0;
                self.0 &= !value.bit();
                self.0 != before
            }

            /// Whether a value is in.
            #[must_use]
            pub const fn contains(self, value: $name) -> bool { self.0 & value.bit() != 0 }

            /// This set and one more value.
            #[must_use]
            pub const fn with(self, value: $name) -> Self { Self(self.0 | value.bit()) }

            /// Whether some value is in both.
            #[must_use]
            pub const fn meets(self, other: Self) -> bool { self.0 & other.0 != 0 }

            /// Whether nothing is in.
            #[must_use]
            pub const fn is_empty(self) -> bool { self.0 == 0 }

            /// The first value in order, if any.
            #[must_use]
            pub fn first(self) -> Option<$name> { self.iter().next() }

            /// The values in order.
            pub fn iter(self) -> impl Iterator<Item = $name> {
                $name::ALL.iter().copied().filter(move |v| self.contains(*v))
            }
        }
    };
}
pub(crate) use slugs;

#[cfg(test)]
mod tests {
    use super::*;

    /// 1 US gal = 3 785 411 784 nL exactly; 20 gr/gal = 342.36 mg/L (both derived, exact definitions).
    #[test]
    fn exchange_and_volume_are_each_others_inverse() {
        let hardness = Hardness(342_361);
        let volume = Volume(3_785_411_784);
        let taken = Exchange::of(volume, hardness);
        assert_eq!(taken, Exchange(1_295_978)); // 20 grains are 1 295 978.2 µg: within the rounding of hardness
        let back = taken.volume_at(hardness);
        assert!(back >= volume && back.minus(volume) < Volume(3_000));
        assert_eq!(taken.volume_at(Hardness(0)), Volume::MAX);
    }

    #[test]
    fn flow_matches_hand_arithmetic() {
        assert_eq!(Flow::of(Volume::from_litres(1), 60_000), Flow(1_000));
        assert_eq!(Flow::of(Volume::from_litres(1), 0), Flow(u32::MAX));
        assert_eq!(Flow(1_000).over(Millis::from_mins(3)), Volume::from_litres(3));
        assert_eq!(Flow(1_000).time_for(Volume::from_litres(1)), 60_000);
        assert_eq!(Flow(0).time_for(Volume(1)), u64::MAX);
    }

    /// Dividing in two steps is dividing at once, to the last place.
    #[test]
    fn flow_in_two_steps_is_flow_at_once() {
        for nl in [0, 1, 16, 17, 999_999_999, NL_PER_L, 10 * NL_PER_L + 7, 1_000 * NL_PER_L] {
            for time_ms in [0, 1, 2, 3, 49, 50, 51, 999, 60_000, 86_400_001, u64::from(u32::MAX), 1 << 33] {
                assert_eq!(
                    Flow::in_ms(Flow::a_ms(Volume(nl)), time_ms),
                    Flow::of(Volume(nl), time_ms),
                    "{nl} {time_ms}"
                );
            }
        }
    }

    #[test]
    fn a_share_of_nothing_is_nothing() {
        assert_eq!((share(7, 3, 3), share(7, 2, 3), share(7, 0, 3)), (7, 4, 0));
        assert_eq!((share(7, 0, 0), share(7, 5, 0)), (0, 0));
        assert_eq!((share(u64::MAX, 3, 1), share(u64::MAX, 4, 8)), (u64::MAX, u64::MAX / 2));
    }

    #[test]
    fn extremes_saturate() {
        assert_eq!(later(Instant::from_ticks(u64::MAX), Millis(1)), Instant::from_ticks(u64::MAX));
        assert_eq!(elapsed_ms(Instant::from_ticks(5), Instant::from_ticks(3)), 0);
        let _ = Exchange::of(Volume::MAX, Hardness(u32::MAX));
        let _ = Exchange(u64::MAX).volume_at(Hardness(1));
    }
}
