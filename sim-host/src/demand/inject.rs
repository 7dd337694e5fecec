//! Makes a recording faulty on purpose: a leak beside the use, hours that were not recorded, a contact that bounces.

use std::collections::VecDeque;

use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};

use super::chance::between;
use super::{Demand, PerfectMeter, Profile};
use crate::quantity::{self, PulseVolume};
use crate::recording::{Edge, Entry, Pulses};

const DAY_MS: u64 = 86_400_000;
const HOUR_MS: u64 = 3_600_000;
/// A sound closure, ms.
const CLOSED_MS: u64 = 40;
/// The shortest sound closure and gap: what a site asks for by default, ms.
const SHORTEST_MS: u64 = 10;
/// A closure comes at most so late when pulses crowd, ms.
const LATEST_MS: u64 = 2_000;
/// Room that a bouncing closure needs before the next one, ms.
const ROOM_MS: u64 = 150;
/// Where the leak begins, so that a sound day stands before it.
const LEAK_FROM_MS: u64 = DAY_MS;

/// What goes wrong.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Faults {
    /// Share of pulses whose contact bounces, ppm.
    pub bounce_ppm: Option<u32>,
    /// Share of hours in which nothing is recorded, ppm.
    pub gaps_ppm: Option<u32>,
    /// A leak from the second day on, mL/min.
    pub leak_ml_per_min: Option<u32>,
}

impl Faults {
    /// Reads "bounce=3%,gaps=2%,leak=0.8 L/min"; a word alone takes what stands in its place: 3 %, 2 %, 0.8 L/min.
    ///
    /// # Errors
    /// Anything else, in words.
    pub fn parse(text: &str) -> Result<Self, String> {
        let mut faults = Self::default();
        for item in text.split(',').map(str::trim) {
            let (name, value) = item.split_once('=').map_or((item, None), |(name, value)| (name.trim(), Some(value)));
            let share = |usual: &str| {
                let ppm = quantity::parse_share_ppm(value.unwrap_or(usual)).map_err(|error| error.to_string())?;
                if ppm == 0 { Err("is nothing: leave it out".to_owned()) } else { Ok(Some(ppm)) }
            };
            let place: Result<(), String> = match name {
                "bounce" => share("3 %").map(|ppm| faults.bounce_ppm = ppm),
                "gaps" => share("2 %").map(|ppm| faults.gaps_ppm = ppm),
                "leak" => {
                    let flow = quantity::parse_flow_ml_per_min(value.unwrap_or("0.8 L/min"));
                    flow.map_err(|error| error.to_string()).and_then(|flow| {
                        let flow = u32::try_from(flow).ok().filter(|flow| (1..=1_000_000).contains(flow));
                        faults.leak_ml_per_min = Some(flow.ok_or("is no flow of 1 mL/min to 1 m3/min")?);
                        Ok(())
                    })
                }
                _ => Err("is not known; there are bounce=3%, gaps=2%, leak=0.8 L/min".to_owned()),
            };
            place.map_err(|why| format!("{item}: {why}"))?;
        }
        Ok(faults)
    }
}

/// What was done.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Done {
    /// Pulses whose contact bounced.
    pub bounced_pulses: u64,
    /// Closures too short, which are no pulses.
    pub bounces: u64,
    /// Pulses that were not recorded.
    pub lost_pulses: u64,
    /// Pulses of the leak.
    pub leak_pulses: u64,
}

/// Merges a leak into rows and leaves hours out.
pub struct Upstream<I: Iterator<Item = Result<Pulses, E>>, E> {
    rows: std::iter::Peekable<I>,
    leak: Option<std::iter::Peekable<PerfectMeter>>,
    /// The leak goes on to this ms; else it ends with the rows.
    until_ms: Option<u64>,
    gaps_ppm: u32,
    random: Pcg32,
    hour: Option<u64>,
    lost: bool,
    meter: u8,
    done: Done,
}

impl<I: Iterator<Item = Result<Pulses, E>>, E> Upstream<I, E> {
    /// Rows of a meter with this pulse, to be made faulty by a seed.
    ///
    /// # Errors
    /// A leak beside rows whose pulse is not known.
    pub fn new(
        rows: I,
        faults: Faults,
        pulse: Option<PulseVolume>,
        seed: u64,
        until_ms: Option<u64>,
    ) -> Result<Self, String> {
        let leak = match (faults.leak_ml_per_min, pulse) {
            (None, _) => None,
            (Some(_), None) => {
                return Err(
                    "a leak needs the water of a pulse, and the recording does not tell it; say --meter".to_owned()
                );
            }
            (Some(flow), Some(pulse)) => {
                let leak = Demand {
                    profile: Profile::Leak,
                    ml_a_day: 0,
                    seed,
                    leak: Some((LEAK_FROM_MS, flow)),
                    since_midnight_ms: 0,
                    weekday: 0,
                    until_ms: until_ms.unwrap_or(u64::MAX),
                };
                Some(PerfectMeter::new(leak.draws(), pulse).peekable())
            }
        };
        Ok(Self {
            rows: rows.peekable(),
            leak,
            until_ms,
            gaps_ppm: faults.gaps_ppm.unwrap_or(0),
            // Another stream than that of the draws.
            random: Pcg32::seed_from_u64(seed ^ 0x6661_756c_7473),
            hour: None,
            lost: false,
            meter: crate::recording::COMMON_METER,
            done: Done::default(),
        })
    }

    /// What was done so far.
    pub fn done(&self) -> Done {
        self.done
    }

    fn merged(&mut self) -> Option<Result<Pulses, E>> {
        let row_ms = match self.rows.peek() {
            Some(Ok(row)) => {
                self.meter = row.meter;
                Some(row.at_ms)
            }
            Some(Err(_)) => return self.rows.next(),
            None => None,
        };
        let bound = row_ms.or(self.until_ms)?;
        if let Some(leak) = self.leak.as_mut().and_then(|leak| leak.next_if(|leak| leak.at_ms <= bound)) {
            self.done.leak_pulses += u64::from(leak.count);
            return Some(Ok(Pulses { meter: self.meter, ..leak }));
        }
        self.rows.next()
    }

    /// Whether nothing is recorded in the hour of this moment; asked in order of time.
    fn is_lost(&mut self, at_ms: u64) -> bool {
        let hour = at_ms / HOUR_MS;
        while self.gaps_ppm > 0 && self.hour.is_none_or(|last| last < hour) {
            self.hour = Some(self.hour.map_or(0, |last| last + 1));
            self.lost = u64::from(self.random.next_u32()) * 1_000_000 < u64::from(self.gaps_ppm) << 32;
        }
        self.lost
    }
}

impl<I: Iterator<Item = Result<Pulses, E>>, E> Iterator for Upstream<I, E> {
    type Item = Result<Pulses, E>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            let row = match self.merged()? {
                Ok(row) => row,
                Err(why) => return Some(Err(why)),
            };
            if !self.is_lost(row.at_ms) {
                return Some(Ok(row));
            }
            self.done.lost_pulses += u64::from(row.count);
        }
    }
}

/// Turns pulses into closures of a contact, some of which bounce.
#[derive(Clone, Debug)]
pub struct Bouncer {
    bounce_ppm: u32,
    random: Pcg32,
    waiting: Option<Pulses>,
    ready: VecDeque<Edge>,
    /// The next closure comes no earlier, so that its gap is sound, ms.
    free_ms: u64,
    done: Done,
}

impl Bouncer {
    /// A contact of which this share of closures bounces.
    #[must_use]
    pub fn new(bounce_ppm: u32, seed: u64) -> Self {
        Self {
            bounce_ppm,
            random: Pcg32::seed_from_u64(seed ^ 0x636f_6e74_6163),
            waiting: None,
            ready: VecDeque::new(),
            free_ms: 0,
            done: Done::default(),
        }
    }

    /// What was done so far.
    #[must_use]
    pub fn done(&self) -> Done {
        self.done
    }

    /// Takes the next pulse, or none at the end; the edges of the one before are then ready.
    ///
    /// # Errors
    /// Pulses that come too fast for closures of milliseconds.
    pub fn take(&mut self, next: Option<Pulses>) -> Result<(), String> {
        let Some(Pulses { at_ms, meter, count }) = std::mem::replace(&mut self.waiting, next) else { return Ok(()) };
        // Meters of different tanks do not hinder each other, but one contact after the other is simple and sure.
        let room_ms = next.map_or(u64::MAX, |next| next.at_ms).saturating_sub(at_ms);
        let mut edge = |at_ms, closed| self.ready.push_back(Edge { at_ms, meter, closed });
        let alone = count == 1 && room_ms >= ROOM_MS && at_ms >= self.free_ms;
        let bounces = alone && u64::from(self.random.next_u32()) * 1_000_000 < u64::from(self.bounce_ppm) << 32;
        if !bounces {
            let lasts_ms = if count == 1 { CLOSED_MS.min(room_ms / 2).max(SHORTEST_MS) } else { SHORTEST_MS };
            for _ in 0..count {
                let from_ms = at_ms.max(self.free_ms);
                if from_ms > at_ms + LATEST_MS {
                    return Err(format!(
                        "at {} s pulses come faster than a contact can close; take a meter with larger pulses",
                        at_ms / 1_000
                    ));
                }
                edge(from_ms, true);
                edge(from_ms + lasts_ms, false);
                self.free_ms = from_ms + lasts_ms + SHORTEST_MS;
            }
            return Ok(());
        }
        let mut now_ms = at_ms;
        let (before, after) = (between(&mut self.random, (0, 3)), between(&mut self.random, (0, 3)));
        // One at least, else nothing bounced.
        let before = if before + after == 0 { 1 } else { before };
        for _ in 0..before {
            edge(now_ms, true);
            now_ms += u64::from(between(&mut self.random, (1, 4)));
            edge(now_ms, false);
            now_ms += u64::from(between(&mut self.random, (1, 6)));
        }
        edge(now_ms, true);
        now_ms += CLOSED_MS;
        edge(now_ms, false);
        for _ in 0..after {
            now_ms += u64::from(between(&mut self.random, (1, 6)));
            edge(now_ms, true);
            now_ms += u64::from(between(&mut self.random, (1, 4)));
            edge(now_ms, false);
        }
        self.free_ms = now_ms + SHORTEST_MS;
        self.done.bounced_pulses += 1;
        self.done.bounces += u64::from(before + after);
        Ok(())
    }

    /// The next edge that is ready.
    pub fn next_edge(&mut self) -> Option<Entry> {
        self.ready.pop_front().map(Entry::Edge)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_are_read_or_refused() {
        let all = Faults::parse("bounce, gaps=5 %,leak = 1 L/min").unwrap();
        let wanted = Faults { bounce_ppm: Some(30_000), gaps_ppm: Some(50_000), leak_ml_per_min: Some(1_000) };
        assert_eq!(all, wanted);
        for wrong in ["", "bounce=", "bounce=0 %", "bounce=101 %", "leak=3 L", "leak=0 L/min", "noise=3 %", "gaps=x,"] {
            assert!(Faults::parse(wrong).is_err(), "{wrong}");
        }
    }

    /// M4: every closure of a bouncing contact that is no pulse is short; those that are pulses are as many as before.
    #[test]
    fn bounces_are_short_and_pulses_stay() {
        let mut bouncer = Bouncer::new(500_000, 1);
        let mut closures = Vec::new();
        let mut since = None;
        for i in 0..=2_000_u64 {
            bouncer.take((i < 2_000).then_some(Pulses { at_ms: i * 200, meter: 0, count: 1 })).unwrap();
            while let Some(Entry::Edge(edge)) = bouncer.next_edge() {
                match (edge.closed, since) {
                    (true, None) => since = Some(edge.at_ms),
                    (false, Some(from)) => {
                        closures.push(edge.at_ms - from);
                        since = None;
                    }
                    _ => panic!("levels alternate"),
                }
            }
        }
        assert_eq!(closures.iter().filter(|lasts| **lasts >= 10).count(), 2_000);
        let short = closures.iter().filter(|lasts| **lasts < 10).count() as u64;
        assert_eq!(short, bouncer.done().bounces);
        assert!((900..1_100).contains(&bouncer.done().bounced_pulses));
    }
}
