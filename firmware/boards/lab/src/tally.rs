//! What calls cost, by what they did.

use crate::Cost;

/// What a call was about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Call {
    /// A pulse that leaves nothing to decide.
    QuietPulse,
    /// A pulse while something is asked for, or that asks.
    Pulse,
    /// Many pulses at once.
    Batch,
    /// A deadline, or nothing but time.
    Deadline,
    /// Valve switches.
    Switches,
    /// Another contact.
    Contact,
    /// The civil clock.
    Clock,
    /// An operator.
    Operator,
    /// The meter's bare contact.
    MeterContact,
}

impl Call {
    /// Every kind, in order.
    pub const ALL: [Self; 9] = [
        Self::QuietPulse,
        Self::Pulse,
        Self::Batch,
        Self::Deadline,
        Self::Switches,
        Self::Contact,
        Self::Clock,
        Self::Operator,
        Self::MeterContact,
    ];

    /// Its name in the figures.
    #[must_use]
    pub const fn slug(self) -> &'static str {
        match self {
            Self::QuietPulse => "quiet-pulse",
            Self::Pulse => "pulse",
            Self::Batch => "batch",
            Self::Deadline => "deadline",
            Self::Switches => "switches",
            Self::Contact => "contact",
            Self::Clock => "clock",
            Self::Operator => "operator",
            Self::MeterContact => "meter-contact",
        }
    }
}

/// The costs of one kind of call.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Costs {
    /// How many calls.
    pub calls: u32,
    /// All their instructions.
    pub instructions: u64,
    /// The dearest.
    pub worst: Cost,
    /// When the dearest in instructions came, in ms.
    pub worst_at_ms: u64,
}

/// Costs of every kind.
#[derive(Clone, Copy, Debug, Default)]
pub struct Tally([Costs; Call::ALL.len()]);

impl Tally {
    /// Books a call.
    pub fn book(&mut self, call: Call, at_ms: u64, cost: Cost) {
        let entry = &mut self.0[call as usize];
        entry.calls += 1;
        entry.instructions += u64::from(cost.instructions);
        if cost.instructions > entry.worst.instructions {
            entry.worst.instructions = cost.instructions;
            entry.worst_at_ms = at_ms;
        }
        entry.worst.stack = entry.worst.stack.max(cost.stack);
    }

    /// The costs of one kind.
    #[must_use]
    pub fn of(&self, call: Call) -> Costs {
        self.0[call as usize]
    }
}
