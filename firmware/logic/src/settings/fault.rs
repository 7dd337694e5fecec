//! What can be wrong with settings, field by field.

use heapless::Vec;

use crate::units::slugs;

/// The most faults listed one by one; more are counted.
const MAX_FAULTS: usize = 24;

slugs! {
    /// What is wrong with a field.
    Problem as ProblemSet(u128) {
        /// Zero where something is needed.
        Zero = "must not be zero",
        /// Larger than anything sensible.
        TooLarge = "is too large",
        /// A single site has one tank.
        SingleNeedsOneTank = "a single site has exactly 1 tank",
        /// An alternating site has two tanks.
        AlternatingNeedsTwoTanks = "an alternating site has exactly 2 tanks",
        /// The last tank of these arrangements regenerates alone.
        OneAtATime = "must be 1 in this arrangement",
        /// Tanks that serve together are several.
        SharingNeedsSeveralTanks = "this arrangement has 2 to 8 tanks",
        /// Some tank must serve while others regenerate.
        OneMustServe = "must be at least 1 and less than the number of tanks",
        /// The drain takes one tank or more.
        DrainingTogetherOutOfRange = "must be between 1 and 8 tanks",
        /// Tanks join by the flow at staged sites only.
        OnlyStagedTanksJoin = "is for staged sites only",
        /// One valve cannot lead more than two tanks, nor both at once.
        OnlyAlternatingTanksShareValve = "is for alternating sites only",
        /// Each further tank has its own threshold.
        OneThresholdForEachFurtherTank = "must have one flow for each tank after the first",
        /// A later tank joins at a higher flow.
        ThresholdsNotAscending = "must ascend",
        /// The flow could never fall so low.
        HysteresisNotBelowThreshold = "must be less than the first threshold",
        /// Dwell of a threshold.
        DwellOutOfRange = "must be between 1 s and 1 h",
        /// Some water must pass the tanks.
        BypassOutOfRange = "must be less than all of the water",
        /// Meters of tanks do not see the bypass.
        BypassNeedsCommonMeter = "needs the meter on the common outlet, which alone counts the bypass",
        /// What the dose restores exceeds what the resin holds.
        TotalBelowCapacity = "must not be below the capacity that a regeneration restores",
        /// Every pulse would ask for a regeneration.
        CapacityBelowPulse = "must last for at least one pulse of the meter",
        /// Reserve at or above capacity: the tank would ask as soon as it is regenerated.
        ReserveNotBelowCapacity = "must be less than the capacity of a tank",
        /// Mean deviations added to a forecast.
        DeviationsOutOfRange = "must be at most 10 mean deviations",
        /// A day of absence is one of little use.
        AbsenceOutOfRange = "must be at most half of the usual use",
        /// Bounds of a reserve that follows use.
        ReserveBoundsOutOfRange = "must be less than the capacity of a tank, more than nothing, and not below the floor",
        /// A minute of the day runs from 0 to 1439.
        NotAMinuteOfDay = "must be a time of day from 00:00 to 23:59",
        /// No weekday chosen.
        NoDays = "must name at least one weekday",
        /// The grace of the hour is shorter than a day and longer than nothing.
        GraceOutOfRange = "must be between 1 min and 12 h",
        /// No moment between windows is long enough for a whole regeneration.
        NoGapLongEnough = "leave no gap in the week long enough for the longest regeneration",
        /// No hour falls outside the windows long enough before the next one.
        HourNeverPermitted = "the regeneration hour never falls in a gap long enough for a regeneration",
        /// A program without a step that runs.
        NoSteps = "must have at least one step that takes time",
        /// Brine would be left in the bed.
        DrawWithoutRinses = "a brine draw must be followed by a slow rinse and then a fast rinse",
        /// More than one brine draw.
        TwoDraws = "must have at most one brine draw",
        /// A softener regenerated without brine restores nothing.
        SoftenerNeedsDraw = "a softener's program must draw brine",
        /// A filter has no use for brine.
        FilterWithoutBrine = "a filter's program must not draw brine",
        /// A filter is restored by backwash and rinse.
        FilterNeedsBackwashAndRinse = "a filter's program must have a backwash and then a fast rinse",
        /// A filter is restored by its backwash.
        FilterBackwashesEachTime = "must be 1 for a filter, which only its backwash restores",
        /// Brine in the bed may not stand in service.
        WaitInServiceAfterDraw = "must not wait in the service position after the brine draw",
        /// The valve has no such position.
        NoPositionForStep = "the valve has no position for this step",
        /// Every valve serves.
        NoServicePosition = "must include the service position",
        /// A tank that does not serve must be able to shut off.
        NoStandbyPosition = "must include the standby position in this arrangement",
        /// A purge needs a position to drain.
        NoPurgePosition = "must include the fast-rinse position, which the purge of a stood tank uses",
        /// A position twice, or fewer than two.
        PositionsNotDistinct = "must be two or more different positions",
        /// Timed positions in order from the first stop.
        OffsetsNotAscending = "must start at 0 and ascend",
        /// The motor may not run for ever.
        TravelLimitOutOfRange = "must be between 1 s and 30 min",
        /// Rest protects motor and gears.
        RestOutOfRange = "must be between 100 ms and 10 min",
        /// Coasting longer than the rest.
        CoastOutOfRange = "must be at most 1 min",
        /// Past the middle of a leg the next position is nearer.
        CoastPastLeg = "must be at most half of what the travel limit leaves for one position",
        /// Coasting and a count that slips must not reach the next position.
        MarksTooClose = "must lie further apart than twice coast_marks and slip_marks together, also over home",
        /// A timed drive goes back by way of its first stop.
        RinsesBehindDraw = "a timed drive must come to the rinses after a draw going forward, not by way of its first stop",
        /// Two positions that the pilots cannot tell apart.
        PatternsNotDistinct = "must be different patterns",
        /// Pilots need some time, not for ever.
        SettleOutOfRange = "must be between 100 ms and 10 min",
        /// Few tries help, many only wear the motor.
        TooManyRetries = "must be at most 10",
        /// Debounce.
        DebounceOutOfRange = "must be between 10 ms and 1 min",
        /// Percent of the dose.
        DoseOutOfRange = "must be between 100 and 400 percent",
        /// A share in per mille.
        NoisyOutOfRange = "must be between 0.1 % and 100 %",
        /// The widths of a pulse at the rated flow do not fit between its pulses.
        PulseWidthTooLong = "closure and gap together are longer than the pulses are apart at the rated flow",
        /// One regeneration alone would use more than the day allows.
        BelowOneRegeneration = "is less than the drain water of one regeneration, so that none could ever start",
        /// A lock that never closes again is none.
        RelockOutOfRange = "must be between 10 s and 24 h",
        /// A step by volume or contact that could never last as long as usual (S11).
        LongestBelowLength = "must not have a longest time below its usual length",
        /// No meter sees this step's water alone.
        NoMeterForStep = "cannot end by volume, since no meter counts its water and nothing else",
        /// A volume of nothing.
        NoVolumeForStep = "must not end at a volume of zero",
        /// Floats and level switches belong to the brine tank.
        NoContactForStep = "has no contact that could end it; only a refill, a draw and a wait for brine have",
        /// Other tanks' water passes the common meter at the same time.
        MeterSeesOthers = "is for single tanks behind a common meter",
        /// After longer a step is not as it was.
        ResumeTooLong = "must be at most 12 h",
        /// Brine and water are spent on each.
        TooManyRestarts = "must be at most 10 restarts",
        /// More often wears the flash, more rarely loses count.
        RetainOutOfRange = "must be between 0.1 % and 10 % of capacity",
        /// A refill cap that forbids a dose or allows a flood.
        RefillCapOutOfRange = "must be between 100 and 1 000 percent",
        /// The refill does not make the dose (Q4).
        RefillNotTheDose = "does not put in the water that makes the dose, within 5 percent",
        /// `salt-low` would stand over a full store.
        LowNotBelowStore = "must be less than the doses of a full store",
        /// A dose that nothing measures cannot follow use (Q4).
        ProportionalNeedsMeasure = "needs a refill that comes first, or a draw that ends by metered volume",
        /// The least dose.
        FloorOutOfRange = "must be between 10 and 100 percent",
        /// A step longer than a day is a mistake.
        StepTooLong = "must be at most 12 h",
        /// Resin that loses more is no resin.
        AgingOutOfRange = "must be at most 20 % a year",
        /// One test says so much and no more.
        TestStepOutOfRange = "must be at most 50 % for one test",
        /// Little left, it no longer softens.
        LeastKeptOutOfRange = "must be between 20 % and 100 %",
        /// Tests that pass cannot give back less than what is left in any case.
        RestoreBelowLeast = "must be between the least capacity that is reckoned with and 100 %",
        /// More metal is treated before a softener.
        MetalOutOfRange = "must be at most 50 mg/L",
        /// A figure of the wrong unit.
        CountsAsOutOfRange = "must be at most 500 mg/L of hardness for each mg/L",
        /// Two delays for one alarm.
        AlarmTwice = "must name each alarm once",
        /// One pulse of the small flow would take as long as what is to be an alarm.
        PulseTooCoarse = "is so small that pulses come further apart than the flow that it tells of may last",
        /// A relay that must go off before it may.
        LongestOnBelowMinimum = "must not be shorter than the least time on",
        /// What protects the plant must not be switched off by a clock.
        ProtectionLimited = "must have no limit: going off would end a protection",
        /// Longer than anything a relay is for.
        RelayTimeOutOfRange = "must be at most 24 h",
        /// The site has no such tank, or none is chosen.
        NoSuchTank = "must name tanks of this site",
        /// The program has none of the steps chosen.
        NoSuchStep = "must name a step that the program runs",
        /// Nothing would be left of the regeneration.
        AfterRegeneration = "must end within the longest regeneration",
        /// Two requests would run into each other.
        NoPauseBetween = "needs a least time off, or two requests would run into each other",
        /// A request shorter than the relay may be on.
        OnBelowMinimum = "must not be on for less than the least time on",
        /// A request longer than the relay may be on.
        OnAboveLongest = "must not be on for longer than the longest time on",
        /// Requests come faster than they are served.
        CannotKeepUp = "takes longer than its volume does at the rated flow",
    }
}

/// One fault: where, and what.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Fault {
    /// Path of the field in [`super::RawSettings`], such as `meter.pulse_nl`.
    pub field: &'static str,
    /// Which entry of a list, from 0.
    pub index: Option<u8>,
    /// What is wrong.
    pub problem: Problem,
}

impl core::fmt::Display for Fault {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self.index {
            Some(i) => write!(f, "{}[{}]: {}", self.field, i, self.problem),
            None => write!(f, "{}: {}", self.field, self.problem),
        }
    }
}

/// Every fault of a set of settings.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct Faults {
    listed: Vec<Fault, MAX_FAULTS>,
    more: u16,
}

impl Faults {
    #[inline(never)]
    pub(super) fn add(&mut self, field: &'static str, index: Option<usize>, problem: Problem) {
        let index = index.and_then(|i| u8::try_from(i).ok());
        if self.listed.push(Fault { field, index, problem }).is_err() {
            self.more = self.more.saturating_add(1);
        }
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.listed.is_empty()
    }

    /// The faults, in the order of the fields.
    #[must_use]
    pub fn listed(&self) -> &[Fault] {
        &self.listed
    }

    /// How many more there are than could be listed.
    #[must_use]
    pub fn more(&self) -> u16 {
        self.more
    }

    /// How many faults there are.
    #[must_use]
    pub fn count(&self) -> u16 {
        u16::try_from(self.listed.len()).unwrap_or(u16::MAX).saturating_add(self.more)
    }
}

impl core::fmt::Display for Faults {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        for fault in &self.listed {
            writeln!(f, "{fault}")?;
        }
        if self.more > 0 {
            writeln!(f, "and {} more", self.more)?;
        }
        Ok(())
    }
}

impl core::error::Error for Faults {}
