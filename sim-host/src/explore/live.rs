//! S9: once faults stop, the plant is back to normal duty within a bounded time, or rests where a standing alarm says that
//! only a person can end it.
//!
//! From a state every valve is mended and every contact opens; then nothing happens but what happens by itself. That is
//! one way and no choice, so a state that was seen to come home proves every state that leads to it.

use std::collections::HashSet;

use bedkeeper::demand::Hold;
use bedkeeper::drive::Motion;
use bedkeeper::duty::{DutyKind, Tank};
use bedkeeper::settings::Arrangement;
use bedkeeper::units::TankId;
use bedkeeper::watch::Alarm;

use super::acts::Act;
use super::node::{Broken, Node, Seen};

/// Longer than any plant takes: things that happen by themselves in a row.
const MOST_STEPS: usize = 5_000;

/// Whether a plant came home from a state.
pub struct Homing {
    /// Keys of the states on the way, for others that come to them.
    pub way: Vec<u64>,
    /// What was found instead.
    pub broken: Option<Broken>,
    /// What was done until another rule than S9 broke on the way.
    pub acts: Vec<Act>,
}

/// Lets faults stop and waits. `known` are keys from which a plant is known to come home.
pub fn come_home(node: &Node, is_known: impl Fn(u64) -> bool) -> Homing {
    let mut seen = Seen::default();
    let quieting = node.quieting();
    let mut node = node.quiet(&mut seen);
    let mut key = node.key();
    let (mut way, mut passed) = (Vec::new(), HashSet::new());
    for waits in 0..MOST_STEPS {
        if let Some(broken) = node.broken() {
            let acts = quieting.into_iter().chain(std::iter::repeat_n(Act::Wait, waits)).collect();
            return Homing { way, broken: Some(broken), acts };
        }
        if is_known(key) || is_home(&node) {
            way.push(key);
            return Homing { way, broken: None, acts: Vec::new() };
        }
        if !passed.insert(key) {
            // Nothing new comes any more.
            break;
        }
        way.push(key);
        (node, key) = node.after(Act::Wait, key, &mut seen);
    }
    // Or only days that a calendar tells apart.
    let broken = if rests_by_rule(&node) { None } else { Some(stuck(&node)) };
    Homing { way, broken, acts: Vec::new() }
}

fn stuck(node: &Node) -> Broken {
    let world = node.world();
    let duties: Vec<_> = world.controller.tanks().iter().map(|t| t.duty().kind().slug()).collect();
    Broken { rule: "S9".to_owned(), text: format!("faults have stopped, and the tanks stay {}", duties.join(", ")) }
}

/// Normal duty: every tank serves or is ready, as many serve as must, nothing turns and nothing is asked.
fn is_home(node: &Node) -> bool {
    let world = node.world();
    let tanks = world.controller.tanks();
    let at_rest = |tank: &Tank| {
        matches!(tank.duty().kind(), DutyKind::Serving | DutyKind::Ready)
            && tank.demand().causes().is_empty()
            && tank.drive().motion() == Motion::Off
            && tank.drive().target().is_none()
    };
    let serving = tanks.iter().filter(|t| t.duty().kind() == DutyKind::Serving).count();
    let must = match world.controller.settings().arrangement {
        Arrangement::Parallel => tanks.len(),
        _ => 1,
    };
    !world.supply.is_dark() && tanks.iter().all(at_rest) && serving >= must
}

/// Whether every tank that is not in normal duty is so by a person's wish, or for something that an alarm tells of and only
/// a person or a named input ends.
fn rests_by_rule(node: &Node) -> bool {
    let world = node.world();
    let alarms = world.controller.outputs().alarms;
    // That no tank serves, or that memory was lost, is told as well; neither says that a person must end it.
    let told = [Alarm::ValveLost, Alarm::TankOut, Alarm::Unproven, Alarm::BrineUncertain, Alarm::BrineLow];
    let told = told.iter().any(|alarm| alarms.contains(*alarm));
    // What a person holds back may hold back others.
    let holds_of = |tank| world.controller.why(tank).map(|why| why.holds).unwrap_or_default();
    let by_a_person = |hold: Hold| matches!(hold, Hold::LockedOut | Hold::OperatorHold);
    let told = told || (0..8u8).any(|tank| holds_of(TankId(tank)).iter().any(|s| by_a_person(s.hold)));
    let ends_by_a_person = |hold: Hold| match hold {
        Hold::LockedOut | Hold::OperatorHold => true,
        Hold::DriveFailed | Hold::DrainBusy | Hold::BrineBusy | Hold::BrineNotReady | Hold::NoTankToRelieve => told,
        Hold::ClockUnset => alarms.contains(Alarm::ClockUnset),
        _ => false,
    };
    // One that may serve does, where no other does.
    let serves = world.controller.tanks().iter().any(|tank| tank.duty().kind() == DutyKind::Serving);
    (0u8..).map(TankId).zip(world.controller.tanks()).all(|(id, tank)| {
        let waits = !tank.demand().causes().is_empty();
        let holds = holds_of(id);
        let held = holds.iter().any(|s| ends_by_a_person(s.hold));
        // Whatever else keeps it, its own valve comes to an end.
        if holds.iter().any(|s| s.hold == Hold::FindingPosition) && tank.duty().kind() != DutyKind::Out {
            return false;
        }
        match tank.duty().kind() {
            DutyKind::Ready if !serves => held,
            DutyKind::Serving | DutyKind::Ready => !waits || held,
            DutyKind::Spent => held || tank.is_unproven(),
            DutyKind::Out => alarms.contains(Alarm::TankOut) || alarms.contains(Alarm::ValveLost),
            // Shut off, it waits for drain or brine that a lost valve keeps.
            DutyKind::Regenerating | DutyKind::Refilling => {
                let kept = |hold: Hold| matches!(hold, Hold::DrainBusy | Hold::BrineBusy);
                alarms.contains(Alarm::ValveLost)
                    && tank.drive().motion() == Motion::Off
                    && holds.iter().any(|s| kept(s.hold))
            }
            DutyKind::Purging => false,
        }
    })
}
