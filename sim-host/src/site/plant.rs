//! The simulated plant, as far as a site file describes it.

/// How the simulated plant behaves, apart from what the settings say it should.
///
/// The valves of a site are alike. Those with timed drives move exactly as their run times say, and these figures mean
/// nothing for them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PlantConfig {
    /// Time in which a valve's cam turns from one position to the next, ms; 10 000 by default.
    pub leg_ms: u64,
    /// Time for which the cam turns on after the motor stops, ms; 200 by default.
    pub coast_ms: u64,
}

impl Default for PlantConfig {
    fn default() -> Self {
        Self { leg_ms: 10_000, coast_ms: 200 }
    }
}
