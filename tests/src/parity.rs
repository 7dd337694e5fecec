//! Rehearsals and replays whose calls of the logic are written down, to be made again on another machine.
//!
//! The file holds one run after the other: the length of its name (`u16`, little-endian) and the name, then each call
//! as its length (`u16`) and its bytes (postcard), then a length of 0. A name of no length ends the file.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use bedkeeper::calls::{Call, LONGEST_CALL_BYTES, Player, Said};
use bedkeeper::units::Instant;
use bedkeeper_sim::demo::{DEMOS, bundled_recording};
use bedkeeper_sim::replay::{Replay, ValveTimes, World};
use bedkeeper_sim::scenario::{self, Scenario};
use bedkeeper_sim::site;

/// Why the calls could not be written down.
pub type Failure = Box<dyn std::error::Error + Send + Sync>;

/// Calls on their way to a file, and made once more on the way.
struct Note {
    out: Option<Arc<Mutex<BufWriter<File>>>>,
    player: Player<8>,
    failure: Option<Failure>,
}

impl Note {
    fn take(&mut self, call: &Call) {
        if self.failure.is_none() {
            self.failure = self.write(call).err();
        }
        self.player.make(call.clone());
    }

    fn write(&self, call: &Call) -> Result<(), Failure> {
        let Some(out) = &self.out else { return Ok(()) };
        let mut bytes = [0; LONGEST_CALL_BYTES];
        let bytes = postcard::to_slice(call, &mut bytes)?;
        let mut out = out.lock().unwrap_or_else(PoisonError::into_inner);
        out.write_all(&u16::try_from(bytes.len())?.to_le_bytes())?;
        out.write_all(bytes)?;
        Ok(())
    }
}

/// What was said by a run, and by its calls made again.
#[derive(Clone, Debug)]
pub struct Run {
    /// What ran.
    pub name: String,
    /// What the logic said to the simulator.
    pub said: Said,
    /// What it said when the calls were made again.
    pub again: Said,
}

impl Run {
    /// The line that a board prints for the same run.
    #[must_use]
    pub fn line(&self) -> String {
        let (calls, answers, records) = self.said.figures();
        format!("{} {calls} {answers:016x} {records:016x}", self.name)
    }

    /// Whether the calls made again said the same.
    #[must_use]
    pub fn agrees(&self) -> bool {
        self.said.figures() == self.again.figures()
    }
}

/// Runs that are written down into a file, or only made again.
pub struct Writer(Option<Arc<Mutex<BufWriter<File>>>>);

impl Writer {
    /// Into a file.
    ///
    /// # Errors
    /// It cannot be made.
    pub fn to(path: &Path) -> Result<Self, Failure> {
        Ok(Self(Some(Arc::new(Mutex::new(BufWriter::new(File::create(path)?))))))
    }

    /// Into nothing.
    #[must_use]
    pub fn to_nothing() -> Self {
        Self(None)
    }

    fn run<E: Into<Failure>>(
        &self,
        name: String,
        run: impl FnOnce(Box<dyn FnMut(&Call) + Send + Sync>) -> Result<Said, E>,
    ) -> Result<Run, Failure> {
        self.put(&u16::try_from(name.len())?.to_le_bytes())?;
        self.put(name.as_bytes())?;
        let note = Arc::new(Mutex::new(Note { out: self.0.clone(), player: Player::new(), failure: None }));
        let taker = Arc::clone(&note);
        let said = run(Box::new(move |call| taker.lock().unwrap_or_else(PoisonError::into_inner).take(call)))
            .map_err(Into::into)?;
        self.put(&0_u16.to_le_bytes())?;
        let mut note = note.lock().unwrap_or_else(PoisonError::into_inner);
        match note.failure.take() {
            Some(failure) => Err(failure),
            None => Ok(Run { name, said, again: *note.player.said() }),
        }
    }

    fn put(&self, bytes: &[u8]) -> Result<(), Failure> {
        self.0
            .as_ref()
            .map_or(Ok(()), |out| out.lock().unwrap_or_else(PoisonError::into_inner).write_all(bytes))
            .map_err(Into::into)
    }

    /// Writes down a scenario.
    ///
    /// # Errors
    /// It cannot be run, or not be written down.
    pub fn scenario(&self, scenario: &Scenario) -> Result<Run, Failure> {
        // Names are one word on the board's line.
        self.run(scenario.file.replace(' ', "-"), |sink| scenario::write_down(scenario, sink))
    }

    /// Writes down the replay of a bundled recording at its site.
    ///
    /// # Errors
    /// There is none of this name; it cannot be replayed, or not be written down.
    pub fn recording(&self, name: &str) -> Result<Run, Failure> {
        let demo = DEMOS.iter().find(|demo| demo.name == name).ok_or("there is no such recording")?;
        let site = site::parse(demo.name, demo.site).map_err(|errors| errors.render(false))?;
        let times = ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms };
        self.run(format!("recording:{name}"), |sink| -> Result<Said, Failure> {
            let mut recording = bundled_recording(demo.name)?;
            let mut world = World::new(site.settings, times, recording.header().start)?;
            world.controller.write_down(Instant::from_ticks(0), sink);
            let world = Replay::new(world, Vec::new()).run(&mut recording, |_| ())?;
            Ok(world.controller.said().copied().unwrap_or_default())
        })
    }

    /// Ends the file.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn end(self) -> Result<(), Failure> {
        self.put(&0_u16.to_le_bytes())?;
        self.0.map_or(Ok(()), |out| out.lock().unwrap_or_else(PoisonError::into_inner).flush()).map_err(Into::into)
    }
}
