//! What an alarm means in words (W3). A board that shows no words does not carry them.

use super::Alarm;

impl Alarm {
    /// What happened.
    #[must_use]
    pub const fn happened(self) -> &'static str {
        match self {
            Self::SettingsRejected => "Settings with faults were offered.",
            Self::ClockUnset => "The civil time is unknown.",
            Self::ValveLost => "A valve did not reach its position.",
            Self::ValveMoved => "A valve left its position by itself, or counted wrong.",
            Self::TankOut => "A tank takes no part.",
            Self::NoTankServing => "No tank treats the water; what flows is hard.",
            Self::Overrun => "A tank serves past its capacity; the water gets harder.",
            Self::Overdue => "A regeneration has waited too long.",
            Self::MeterNoisy => "Too many meter pulses bounce.",
            Self::ExcessFlow => "More flows than the meter is rated for.",
            Self::FlowWhileClosed => "A closed tank's meter turns.",
            Self::LowPressure => "Supply pressure is low.",
            Self::ContactStuck => "The hold-off contact has been closed for very long.",
            Self::DischargeLimit => "The day's drain water is used up.",
            Self::UnbrokenFlow => "Water has flowed for hours without a pause.",
            Self::MeterSilent => "No pulse has come for days from a meter whose tank serves.",
            Self::Unproven => "Brine was, or may have been, in a bed whose regeneration is not complete.",
            Self::BrineLow => "There is too little brine for the next dose.",
            Self::BrineNotDrawn => "A brine draw took no brine.",
            Self::BrineUncertain => "How much brine there is cannot be told.",
            Self::SaltLow => "Salt is left for a few doses only.",
            Self::StepTooLong => "A step did not end by itself within its longest time.",
            Self::StoreWorn => "The store of what outlives a power cut is worn, or does not take what is written.",
            Self::RetainedLost => "What should have outlived a power cut is lost.",
            Self::RelayLimit => "A relay was on for as long as it may be.",
            Self::ServiceDue => "Maintenance is due.",
        }
    }

    /// What the logic does about it.
    #[must_use]
    pub const fn done(self) -> &'static str {
        match self {
            Self::SettingsRejected => "The last good ones run on.",
            Self::ClockUnset => "Volume rules go on, the calendar rests.",
            Self::ValveLost => "Its motor stays off and its tank is out; an isolate relay may close its supply.",
            Self::ValveMoved => "It is sought again. After a wrong count its bed is rinsed and regenerated anew.",
            Self::TankOut => "The rest carry on without it.",
            Self::NoTankServing => "The first tank that is fit will serve.",
            Self::Overrun => "It serves on until it may regenerate.",
            Self::Overdue => "It starts as soon as nothing holds it.",
            Self::MeterNoisy => "Closures that are too short are not counted.",
            Self::ExcessFlow => "It is counted as water.",
            Self::FlowWhileClosed => "Its bed is charged.",
            Self::LowPressure | Self::ContactStuck => "No regeneration starts.",
            Self::DischargeLimit => "No regeneration starts until midnight.",
            Self::UnbrokenFlow => "It is counted as use; nothing is shut.",
            Self::MeterSilent => "Only backup days and the calendar ask for regenerations.",
            Self::Unproven => "It is to regenerate again; its account is as it was.",
            Self::BrineLow => "More is made before a dose is drawn.",
            Self::BrineNotDrawn => "The bed does not count as restored.",
            Self::BrineUncertain => "The refill is stopped.",
            Self::SaltLow => "Regenerations go on while there is salt.",
            Self::StepTooLong => {
                "The step was ended then, but for a rinse after brine: that goes on until its water has passed."
            }
            Self::StoreWorn => "It is written on; while it takes nothing, no motor starts.",
            Self::RetainedLost => "The plant began as if its tanks were spent.",
            Self::RelayLimit => "It is off until what asks for it has ceased.",
            Self::ServiceDue => "Nothing; the plant works on.",
        }
    }

    /// What a person should look at.
    #[must_use]
    pub const fn look(self) -> &'static str {
        match self {
            Self::SettingsRejected => "Mend the listed fields.",
            Self::ClockUnset => "Set the clock.",
            Self::ValveLost => "Look at the drive, its switches, and whether water runs to drain.",
            Self::ValveMoved => "Look at its switches and linkage.",
            Self::TankOut => "Put it back when it is sound.",
            Self::NoTankServing => "Bring a tank back into service.",
            Self::Overrun => "See what holds its regeneration.",
            Self::Overdue => "See what holds it.",
            Self::MeterNoisy => "Look at the meter's contact and cable.",
            Self::ExcessFlow => "Look for an open pipe.",
            Self::FlowWhileClosed => "Look for a valve that passes.",
            Self::LowPressure => "Look at the supply.",
            Self::ContactStuck => "Look at what drives it.",
            Self::DischargeLimit => "See whether the allowance fits the plant.",
            Self::UnbrokenFlow => "Look for a leak, a running tap or cistern.",
            Self::MeterSilent => "Look at the meter and its cable, unless nobody draws water.",
            Self::Unproven => "See why it ended early; regenerate it, or test its water and vouch for it.",
            Self::BrineLow => "Look at the brine tank's water, its float and its refill.",
            Self::BrineNotDrawn => "Look at the brine line, its air check and the supply pressure.",
            Self::BrineUncertain => "Look at the level in the brine tank.",
            Self::SaltLow => "Fill up salt.",
            Self::StepTooLong => "Look at the meter or contact that should have ended it.",
            Self::StoreWorn => "Have the controller or its memory replaced; its settings can be taken along.",
            Self::RetainedLost => "Check clock, settings and tanks.",
            Self::RelayLimit => "Look at what the relay switches and at what asks for it.",
            Self::ServiceDue => "Have the plant maintained, then tell that it was.",
        }
    }
}
