//! Meters: pulses become volume exactly, flow comes from their spacing, bounce is judged (M1–M4).

use serde::{Deserialize, Serialize};

use crate::settings::RawMeter;
use crate::units::{Flow, Instant, Millis, Volume, elapsed, elapsed_ms, later_ms};

/// The most pulses one call may bring: a larger batch is refused, so that nothing can overflow.
pub const MAX_BATCH: u32 = 1_000_000;
/// Pulses (or batches) whose spacing gives the flow.
const RECENT: usize = 4;
/// So many rejected closures in a row, each spaced like the one before, are water after all (M4).
const REGULAR_RUN: u8 = 8;
/// The closures of such a run: two more than the comparisons of their spacings.
const RUN_CLOSURES: u8 = REGULAR_RUN + 2;
const HOUR_MS: u64 = 3_600_000;

/// What a meter needs to know, already checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct MeterSettings {
    /// Whole nL per pulse.
    pub(crate) whole_nl: u64,
    /// And this many parts …
    pub(crate) part: u32,
    /// … of this many.
    pub(crate) parts: u32,
    pub(crate) min_closed: Millis,
    pub(crate) min_open: Millis,
    pub(crate) noisy_per_mille: u16,
    /// Flow in mL/min of one pulse a millisecond, and of three.
    pub(crate) one_a_ms: u64,
    pub(crate) three_a_ms: u64,
    /// Pulses of the rated maximum flow are this far apart, in µs so that fast meters are not
    /// rounded into an excess.
    pub(crate) rated_spacing_us: u64,
    /// Single pulses that fill the memory in less than this are above the rated flow: three
    /// spacings, rounded up.
    pub(crate) rated_run: Millis,
    /// Silence that ends an excess: four spacings, and a second at least.
    pub(crate) excess_silence_ms: u64,
}

impl MeterSettings {
    /// What follows from settings that have been checked.
    pub(crate) fn new(raw: &RawMeter) -> Self {
        let divisor = u64::from(raw.pulse_divisor);
        let whole_nl = raw.pulse_nl.checked_div(divisor).unwrap_or(0);
        let part = raw.pulse_nl.checked_rem(divisor).unwrap_or(0);
        // 1 nL/ms = 0.06 mL/min: a pulse takes volume × 60 / rate µs. Pulses are at most 10^12 nL.
        let spacing_us = whole_nl.saturating_mul(60).checked_div(u64::from(raw.rated_max.0)).unwrap_or(0);
        let run_ms = spacing_us.saturating_mul(3).div_ceil(1_000);
        Self {
            whole_nl,
            part: u32::try_from(part).unwrap_or(0),
            parts: raw.pulse_divisor,
            min_closed: raw.min_closed,
            min_open: raw.min_open,
            noisy_per_mille: raw.noisy_per_mille,
            one_a_ms: Flow::a_ms(Volume(whole_nl)),
            three_a_ms: Flow::a_ms(Volume(whole_nl.saturating_mul(3))),
            rated_spacing_us: spacing_us,
            rated_run: Millis(u32::try_from(run_ms).unwrap_or(u32::MAX)),
            excess_silence_ms: (spacing_us / 250).max(1_000),
        }
    }

    /// Volume of one pulse, rounded down, so that no flow is told too high (M3).
    #[must_use]
    pub fn pulse(&self) -> Volume {
        Volume(self.whole_nl)
    }
}

impl MeterSettings {
    /// No pulse is more.
    pub(crate) fn most_of_pulse(&self) -> Volume {
        Volume(self.whole_nl.saturating_add(1))
    }
}

/// One meter: its remainder, its last pulses, its contact.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Meter {
    remainder: u32,
    recent: Recent,
    contact: MeterContact,
    hour: BounceHour,
}

/// The last pulses; those of one instant share a place. Small, since every pulse moves it on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
struct Recent {
    /// The instant of the youngest; of power-up while there is none.
    last: Instant,
    /// Pulses at each instant, oldest first; 0 = none yet.
    counts: [u32; RECENT],
    /// Time from each of these instants to the next.
    gaps: [Millis; RECENT - 1],
}

impl Default for Recent {
    fn default() -> Self {
        Self { last: Instant::from_ticks(0), counts: [0; RECENT], gaps: [Millis::ZERO; RECENT - 1] }
    }
}

impl Recent {
    fn note(&mut self, now: Instant, count: u32) {
        let [a, b, c, d] = self.counts;
        if d > 0 && self.last == now {
            self.counts = [a, b, c, d.saturating_add(count)];
            return;
        }
        let [_, to_c, to_d] = self.gaps;
        let to_now = if d > 0 { elapsed(self.last, now) } else { Millis::ZERO };
        *self = Self { last: now, counts: [b, c, d, count], gaps: [to_c, to_d, to_now] };
    }

    /// Pulses after the oldest instant, and the time they took.
    fn run(&self) -> (u64, u64) {
        let [before @ .., _] = &self.counts;
        let [_, after @ ..] = &self.counts;
        let steps = before.iter().zip(after).zip(&self.gaps).filter(|((before, _), _)| **before > 0);
        steps.fold((0, 0), |(pulses, ms): (u64, u64), ((_, count), gap)| {
            (pulses.saturating_add(u64::from(*count)), ms.saturating_add(u64::from(gap.0)))
        })
    }
}

/// The meter's contact as the pin shows it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
struct MeterContact {
    closed_since: Option<Instant>,
    opened_at: Option<Instant>,
    /// Rejected closures in a row at a regular spacing: the last one, the spacing, how many.
    rejected_at: Option<Instant>,
    spacing: Millis,
    run: u8,
    /// The spacing turned out to be water: short closures count until it breaks off.
    fast_water: bool,
}

/// Accepted and bounced closures of the hour under way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
struct BounceHour {
    began: Option<Instant>,
    counted: u32,
    bounced: u32,
    noisy: bool,
}

impl Meter {
    /// A meter at power-up, from which nothing has been heard.
    #[must_use]
    pub fn new(now: Instant) -> Self {
        Self { recent: Recent { last: now, ..Recent::default() }, ..Self::default() }
    }

    /// Pulses that the driver has already judged; returns their exact volume (M1).
    ///
    /// The single pulse needs no division (M6). `count` is at most [`MAX_BATCH`].
    pub fn pulses(&mut self, now: Instant, count: u32, settings: &MeterSettings) -> Volume {
        self.recent.note(now, count);
        if count == 1 {
            return self.one(settings);
        }
        let n = u64::from(count);
        let parts = n.saturating_mul(u64::from(settings.part)).saturating_add(u64::from(self.remainder));
        let divisor = u64::from(settings.parts);
        let carried = parts.checked_div(divisor).unwrap_or(0);
        let rest = parts.checked_rem(divisor).unwrap_or(0);
        self.remainder = u32::try_from(rest).unwrap_or(0);
        Volume(n.saturating_mul(settings.whole_nl).saturating_add(carried))
    }

    /// The last pulses came one by one.
    pub(crate) fn is_even(&self) -> bool {
        self.recent.counts == [1; RECENT]
    }

    /// The last pulse came before that.
    pub(crate) fn is_before(&self, now: Instant) -> bool {
        self.recent.last < now
    }

    /// One more of pulses that come one by one, less than `longest_gap` after the last and within the rated flow:
    /// its exact volume, as [`Meter::pulses`] tells it. If it comes otherwise, nothing changes.
    #[inline(always)]
    pub(crate) fn even_pulse(&mut self, now: Instant, longest_gap: Millis, settings: &MeterSettings) -> Option<Volume> {
        let gap_ms = now.as_ticks().wrapping_sub(self.recent.last.as_ticks());
        let to_now = u32::try_from(gap_ms).ok().map(Millis).filter(|gap| *gap < longest_gap)?;
        let [_, to_c, to_d] = self.recent.gaps;
        if to_c.plus(to_d).plus(to_now) < settings.rated_run {
            return None;
        }
        self.recent.last = now;
        self.recent.gaps = [to_c, to_d, to_now];
        Some(self.one(settings))
    }

    /// The volume of one pulse, without a division (M6).
    #[inline]
    fn one(&mut self, settings: &MeterSettings) -> Volume {
        let sum = self.remainder.saturating_add(settings.part);
        match sum.checked_sub(settings.parts) {
            Some(rest) => {
                self.remainder = rest;
                Volume(settings.whole_nl.saturating_add(1))
            }
            None => {
                self.remainder = sum;
                Volume(settings.whole_nl)
            }
        }
    }

    /// The contact closed or opened; returns how many pulses that makes (M4).
    ///
    /// A pulse counts when its contact opens after a closure and a gap that were both long
    /// enough. Short closures are tallied as bounce, unless they keep coming at a regular
    /// spacing: that is water above the rated flow, and the ones held back count as well.
    pub fn contact(&mut self, now: Instant, closed: bool, settings: &MeterSettings) -> u32 {
        let contact = &mut self.contact;
        match (closed, contact.closed_since) {
            (true, None) => {
                contact.closed_since = Some(now);
                0
            }
            (false, Some(since)) => {
                contact.closed_since = None;
                self.hour.began.get_or_insert(now);
                let gap_ok = contact.opened_at.is_none_or(|o| elapsed(o, since) >= settings.min_open);
                let width_ok = elapsed(since, now) >= settings.min_closed;
                // A closure too short to be one does not end the gap before it: a contact that bounces as it
                // closes is one pulse.
                if width_ok {
                    contact.opened_at = Some(now);
                }
                if gap_ok && width_ok {
                    contact.run = 0;
                    contact.fast_water = false;
                    contact.rejected_at = None;
                    self.hour.counted = self.hour.counted.saturating_add(1);
                    1
                } else {
                    self.rejected(now)
                }
            }
            // The level it already had.
            _ => 0,
        }
    }

    /// A closure too short, or too close to the last: bounce, or fast water.
    fn rejected(&mut self, now: Instant) -> u32 {
        let contact = &mut self.contact;
        let spacing = contact.rejected_at.map_or(Millis::ZERO, |at| elapsed(at, now));
        let quarter = spacing.0 / 4;
        let regular = spacing.0 > 0 && spacing.0.abs_diff(contact.spacing.0) <= quarter.max(1);
        contact.rejected_at = Some(now);
        contact.spacing = spacing;
        contact.run = if regular { contact.run.saturating_add(1) } else { 0 };
        if contact.fast_water && regular {
            self.hour.counted = self.hour.counted.saturating_add(1);
            return 1;
        }
        contact.fast_water = false;
        if contact.run < REGULAR_RUN {
            self.hour.bounced = self.hour.bounced.saturating_add(1);
            return 0;
        }
        contact.fast_water = true;
        let held_back = u32::from(RUN_CLOSURES);
        self.hour.bounced = self.hour.bounced.saturating_sub(held_back.saturating_sub(1));
        self.hour.counted = self.hour.counted.saturating_add(held_back);
        held_back
    }

    /// Closes the bounce tally of an hour that is over.
    pub fn poll(&mut self, now: Instant, settings: &MeterSettings) {
        let hour = &mut self.hour;
        match hour.began {
            Some(began) if elapsed_ms(began, now) >= HOUR_MS => {
                let all = u64::from(hour.bounced).saturating_add(u64::from(hour.counted));
                let noisy = u64::from(hour.bounced).saturating_mul(1_000)
                    > all.saturating_mul(u64::from(settings.noisy_per_mille));
                *hour = BounceHour { began: None, counted: 0, bounced: 0, noisy };
            }
            _ => {}
        }
    }

    /// When the bounce tally must be looked at.
    #[must_use]
    pub fn deadline(&self) -> Option<Instant> {
        self.hour.began.map(|began| later_ms(began, HOUR_MS))
    }

    /// The last whole hour bounced more than allowed: `meter-noisy`.
    #[must_use]
    pub fn is_noisy(&self) -> bool {
        self.hour.noisy
    }

    /// Closures tallied as bounce in the hour under way.
    #[must_use]
    pub fn bounced(&self) -> u32 {
        self.hour.bounced
    }

    /// Flow at `now`: from the spacing of the last pulses, and never above one pulse divided by
    /// the time since the last (M3).
    #[must_use]
    pub fn flow(&self, now: Instant, settings: &MeterSettings) -> Flow {
        self.flow_by_spacing(settings).min(self.flow_by_silence(now, settings))
    }

    /// The most that may flow at `now`: as [`Meter::flow`] tells it once pulses have a spacing. Until then nobody knows, and it
    /// is one pulse divided by the time since the last, or since power-up (M3).
    #[must_use]
    pub fn flow_at_most(&self, now: Instant, settings: &MeterSettings) -> Flow {
        self.spacing_at_most(settings).min(self.flow_by_silence(now, settings))
    }

    /// Flow by the spacing of the last pulses; any flow while they have none.
    pub(crate) fn spacing_at_most(&self, settings: &MeterSettings) -> Flow {
        if self.recent.run().0 == 0 { Flow(u32::MAX) } else { self.flow_by_spacing(settings) }
    }

    /// Flow by the spacing of the last pulses; none if they came in one instant, which says nothing.
    pub(crate) fn flow_by_spacing(&self, settings: &MeterSettings) -> Flow {
        let (pulses, took_ms) = self.recent.run();
        if pulses == 0 {
            return Flow(0);
        }
        // The usual case needs no multiplication, and a short division (M6).
        if pulses == 3 {
            return Flow::in_ms(settings.three_a_ms, took_ms);
        }
        Flow::of(Volume(settings.pulse().0.saturating_mul(pulses)), took_ms)
    }

    /// The most that can flow after the silence since the last pulse, or since power-up.
    pub(crate) fn flow_by_silence(&self, now: Instant, settings: &MeterSettings) -> Flow {
        Flow::in_ms(settings.one_a_ms, elapsed_ms(self.recent.last, now))
    }

    /// The first instant at which [`Meter::flow_at_most`] has surely fallen to `limit` if no further pulse
    /// comes, and not a millisecond later than silence alone makes it so.
    #[must_use]
    pub fn falls_to(&self, limit: Flow, settings: &MeterSettings) -> Instant {
        // The flow is rounded down: it is at most `limit` as soon as it is less than the next.
        let next = u64::from(limit.0).saturating_add(1).saturating_mul(50);
        let ms = settings.pulse().0.saturating_mul(3).checked_div(next).unwrap_or(0);
        later_ms(self.recent.last, ms.saturating_add(1))
    }

    /// The settings changed what a pulse is: the part of a nanolitre carried stays what it was.
    pub fn rescale(&mut self, old: &MeterSettings, new: &MeterSettings) {
        let scaled = u64::from(self.remainder).saturating_mul(u64::from(new.parts)).checked_div(u64::from(old.parts));
        self.remainder = scaled.and_then(|rest| u32::try_from(rest).ok()).unwrap_or(0);
    }

    /// The last pulses came closer together than the rated maximum allows, and have not ceased.
    #[must_use]
    pub fn is_excessive(&self, now: Instant, settings: &MeterSettings) -> bool {
        let Recent { last, counts: [a, b, c, d], gaps: [to_b, to_c, to_d] } = self.recent;
        let took = to_b.plus(to_c).plus(to_d);
        let too_fast = match (b, c, d) {
            _ if a == 0 => false,
            // The usual case needs no multiplication (M6).
            (1, 1, 1) => took < settings.rated_run,
            _ => {
                let pulses = u64::from(b).saturating_add(u64::from(c)).saturating_add(u64::from(d));
                u64::from(took.0).saturating_mul(1_000) < pulses.saturating_mul(settings.rated_spacing_us)
            }
        };
        too_fast && now < later_ms(last, settings.excess_silence_ms)
    }

    /// When an excess ends if no further pulse comes.
    #[must_use]
    pub fn excess_deadline(&self, settings: &MeterSettings) -> Option<Instant> {
        let (last, _) = self.last()?;
        Some(later_ms(last, settings.excess_silence_ms))
    }

    /// The last pulse: when, and how many at that instant.
    #[must_use]
    pub fn last(&self) -> Option<(Instant, u32)> {
        let [.., count] = self.recent.counts;
        (count > 0).then_some((self.recent.last, count))
    }
}
