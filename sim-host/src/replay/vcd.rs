//! The replay as a value change dump (IEEE 1364), for any waveform viewer.

use std::io::Write;

use bedkeeper::drive::Motion;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Record;
use bedkeeper::relay::RELAYS;
use bedkeeper::settings::RawDrive;
use bedkeeper::watch::Alarm;
use vcd::{IdCode, TimescaleUnit, Value, VarType};

use super::{Observer, World};
use crate::recording::Pulses;

/// Bits of the alarms' vector, one per alarm in the order of the logic's list.
const ALARM_BITS: u32 = Alarm::ALL.len() as u32;

/// Writes a dump while a replay runs; time in milliseconds since the recording's start.
pub struct VcdFile<W: Write> {
    out: vcd::Writer<W>,
    signals: Vec<TankSignals>,
    alarms: Option<Signal>,
    relays: Vec<Signal>,
    pulse: Option<Signal>,
    remaining: Vec<RealSignal>,
    time_ms: Option<u64>,
}

struct TankSignals {
    duty: Signal,
    step: Signal,
    position: Signal,
    forward: Signal,
    reverse: Signal,
    /// Of valves that have pilots.
    pilots: Option<Signal>,
    switches: Signal,
    waiting: Signal,
    holds: Signal,
}

struct Signal {
    id: IdCode,
    width: u32,
    value: Option<u64>,
}

struct RealSignal {
    id: IdCode,
    value: Option<u64>,
}

impl<W: Write> VcdFile<W> {
    /// Writes to `out`; the header comes with the first record.
    pub fn new(out: W) -> Self {
        Self {
            out: vcd::Writer::new(out),
            signals: Vec::new(),
            alarms: None,
            relays: Vec::new(),
            pulse: None,
            remaining: Vec::new(),
            time_ms: None,
        }
    }

    fn header(&mut self, world: &World) -> std::io::Result<()> {
        let slugs =
            |all: &[&str]| all.iter().enumerate().map(|(i, s)| format!("{i}={s}")).collect::<Vec<_>>().join(" ");
        let duties: Vec<_> = DutyKind::ALL.iter().map(|d| d.slug()).collect();
        let positions: Vec<_> = bedkeeper::program::Position::ALL.iter().map(|p| p.slug()).collect();
        let steps: Vec<_> = bedkeeper::program::StepKind::ALL.iter().map(|p| p.slug()).collect();
        let holds: Vec<_> = bedkeeper::demand::Hold::ALL.iter().map(|h| h.slug()).collect();
        let alarms: Vec<_> = Alarm::ALL.iter().map(|a| a.slug()).collect();
        self.out.comment(&format!("duty: {}", slugs(&duties)))?;
        self.out.comment(&format!("position, as the plant has it: {} x=between", slugs(&positions)))?;
        self.out.comment(&format!("step: {} x=none", slugs(&steps)))?;
        self.out.comment("pilots and switches, one bit each from the right")?;
        self.out.comment(&format!("holds, one bit each from the right: {}", slugs(&holds)))?;
        self.out.comment(&format!("alarms, one bit each from the right: {}", slugs(&alarms)))?;
        if let Some(start) = world.start {
            self.out.comment(&format!("time 0 is {start} local standard time"))?;
        }
        self.out.version("bedkeeper")?;
        self.out.timescale(1, TimescaleUnit::MS)?;
        self.out.add_module("site")?;
        self.pulse = Some(self.signal(1, "meter_pulse")?);
        self.alarms = Some(self.signal(ALARM_BITS, "alarms")?);
        for number in 1..=RELAYS {
            let signal = self.signal(1, &format!("relay_{number}"))?;
            self.relays.push(signal);
        }
        let has_pilots = matches!(world.controller.settings().drive, RawDrive::PilotArray { .. });
        for i in 0..world.valves().len() {
            self.out.add_module(&format!("tank_{}", i + 1))?;
            let signals = TankSignals {
                duty: self.signal(3, "duty")?,
                step: self.signal(4, "step")?,
                position: self.signal(4, "position")?,
                forward: self.signal(1, "motor_forward")?,
                reverse: self.signal(1, "motor_reverse")?,
                pilots: if has_pilots { Some(self.signal(8, "pilots")?) } else { None },
                switches: self.signal(8, "switches")?,
                waiting: self.signal(1, "waiting")?,
                holds: self.signal(bedkeeper::demand::Hold::ALL.len() as u32, "holds")?,
            };
            self.signals.push(signals);
            let id = self.out.add_var(VarType::Real, 64, "remaining_l", None)?;
            self.remaining.push(RealSignal { id, value: None });
            self.out.upscope()?;
        }
        self.out.upscope()?;
        self.out.enddefinitions()
    }

    fn signal(&mut self, width: u32, name: &str) -> std::io::Result<Signal> {
        let id = self.out.add_wire(width, name)?;
        Ok(Signal { id, width, value: None })
    }

    fn stamp(&mut self, now_ms: u64) -> std::io::Result<()> {
        if self.time_ms != Some(now_ms) {
            self.time_ms = Some(now_ms);
            self.out.timestamp(now_ms)?;
        }
        Ok(())
    }

    fn dump(&mut self, world: &World) -> std::io::Result<()> {
        if self.alarms.is_none() {
            self.header(world)?;
        }
        self.stamp(world.now_ms)?;
        let place = |list: &[&str], slug: &str| list.iter().position(|s| *s == slug).map(|i| i as u64);
        let positions: Vec<_> = bedkeeper::program::Position::ALL.iter().map(|p| p.slug()).collect();
        let steps: Vec<_> = bedkeeper::program::StepKind::ALL.iter().map(|s| s.slug()).collect();
        let duties: Vec<_> = DutyKind::ALL.iter().map(|d| d.slug()).collect();
        let tanks = world.controller.tanks();
        for (i, (tank, valve)) in tanks.iter().zip(world.valves()).enumerate() {
            let settings = world.controller.settings();
            let step = tank.regeneration().and_then(|r| r.step(settings));
            let holds = tank.demand().held_by;
            let waiting = tank.regeneration().is_none() && !tank.demand().causes().is_empty();
            let bits = bedkeeper::demand::Hold::ALL
                .iter()
                .enumerate()
                .fold(0u64, |bits, (bit, hold)| bits | (u64::from(holds.contains(*hold)) << bit));
            let signals = &mut self.signals[i];
            let values = [
                (&mut signals.duty, place(&duties, tank.duty().kind().slug())),
                (&mut signals.step, step.and_then(|s| place(&steps, s.slug()))),
                (&mut signals.position, valve.position().and_then(|p| place(&positions, p.slug()))),
                (&mut signals.forward, Some(u64::from(valve.motion() == Motion::Forward))),
                (&mut signals.reverse, Some(u64::from(valve.motion() == Motion::Reverse))),
                (&mut signals.switches, Some(u64::from(valve.switches().0))),
                (&mut signals.waiting, Some(u64::from(waiting))),
                (&mut signals.holds, Some(if waiting { bits } else { 0 })),
            ];
            for (signal, value) in values {
                change(&mut self.out, signal, value)?;
            }
            if let Some(pilots) = &mut signals.pilots {
                change(&mut self.out, pilots, Some(u64::from(valve.pilots().0)))?;
            }
            self.remaining_at(i, tank.ledger().remaining().nl())?;
        }
        let outputs = world.controller.outputs();
        for (signal, level) in self.relays.iter_mut().zip(outputs.relays) {
            change(&mut self.out, signal, Some(u64::from(level)))?;
        }
        let standing = outputs.alarms;
        let bits = Alarm::ALL
            .iter()
            .enumerate()
            .fold(0u64, |bits, (bit, alarm)| bits | (u64::from(standing.contains(*alarm)) << bit));
        if let Some(alarms) = &mut self.alarms {
            change(&mut self.out, alarms, Some(bits))?;
        }
        Ok(())
    }

    fn remaining_at(&mut self, i: usize, nl: u64) -> std::io::Result<()> {
        let signal = &mut self.remaining[i];
        if signal.value != Some(nl) {
            signal.value = Some(nl);
            self.out.change_real(signal.id, nl as f64 / 1e9)?;
        }
        Ok(())
    }
}

/// Writes a value if it changed; `None` is unknown (x).
fn change<W: Write>(out: &mut vcd::Writer<W>, signal: &mut Signal, value: Option<u64>) -> std::io::Result<()> {
    // Unknown is kept as a value that no signal of these widths has.
    let kept = value.unwrap_or(u64::MAX);
    if signal.value == Some(kept) {
        return Ok(());
    }
    signal.value = Some(kept);
    if signal.width == 1 {
        return out.change_scalar(signal.id, value.map_or(Value::X, |v| (v != 0).into()));
    }
    let bit = |i: u32| value.map_or(Value::X, |v| (v >> i & 1 == 1).into());
    out.change_vector(signal.id, (0..signal.width).rev().map(bit))
}

impl<W: Write> Observer for VcdFile<W> {
    fn record(&mut self, _record: &Record, _world: &World) -> std::io::Result<()> {
        Ok(())
    }

    fn after(&mut self, world: &World) -> std::io::Result<()> {
        self.dump(world)
    }

    fn pulses(&mut self, _pulses: &Pulses, world: &World) -> std::io::Result<()> {
        self.stamp(world.now_ms)?;
        if let Some(pulse) = &mut self.pulse {
            // A pulse toggles the wire: recordings know no width.
            let level = pulse.value.map_or(1, |v| v ^ 1) & 1;
            change(&mut self.out, pulse, Some(level))?;
        }
        for i in 0..self.remaining.len() {
            if let Some(tank) = world.controller.tanks().get(i) {
                self.remaining_at(i, tank.ledger().remaining().nl())?;
            }
        }
        Ok(())
    }

    fn end(&mut self, world: &World) -> std::io::Result<()> {
        self.dump(world)?;
        self.out.flush()
    }
}
