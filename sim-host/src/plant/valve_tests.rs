//! Valves of the plant: where they go, what they show, and how each fault shows.

use bedkeeper::drive::{Motion, Switches};
use bedkeeper::program::Position;
use bedkeeper::settings::CamFeedback;

use super::*;

const THREE: [Position; 3] = [Position::Service, Position::Backwash, Position::FastRinse];

fn cam_of(feedback: CamFeedback, coast_ms: u64) -> Valve {
    Valve::standing_in(ValveMachine::cam(&THREE, feedback, 1_000, coast_ms), Position::Service)
}

fn cam(coast_ms: u64) -> Valve {
    cam_of(CamFeedback::SwitchPerPosition, coast_ms)
}

/// Runs to a time, change by change; tells every change of the switches with its time.
fn run(valve: &mut Valve, until_ms: u64) -> Vec<(u64, u8)> {
    let mut seen = Vec::new();
    loop {
        let next = valve.next_change_ms().filter(|at| *at < until_ms).unwrap_or(until_ms);
        valve.advance(next);
        if let Some(Switches(closed)) = valve.take_news() {
            seen.push((next, closed));
        }
        if next == until_ms {
            return seen;
        }
    }
}

/// Stepping from change to change sees the same switches as stepping every millisecond.
#[test]
fn jumping_misses_no_edge() {
    let faults = [
        None,
        Some("motor-slow:37"),
        Some("switch-bounces"),
        Some("index-extra:3"),
        Some("jams-in:backwash"),
        Some("wears:250"),
    ];
    for feedback in [CamFeedback::SwitchPerPosition, CamFeedback::HomeAndStop] {
        let runs = faults.into_iter().flat_map(|fault| [(Motion::Forward, fault), (Motion::Reverse, fault)]);
        for (motion, fault) in runs {
            let (mut jumps, mut steps) = (cam_of(feedback, 0), cam_of(feedback, 0));
            for valve in [&mut jumps, &mut steps] {
                if let Some(fault) = fault {
                    // Only some valves have marks.
                    let _ = valve.arm(fault.parse().unwrap());
                }
                let _ = valve.take_news();
                valve.command(motion);
            }
            let mut every = Vec::new();
            for ms in 1..=7_000 {
                steps.advance(ms);
                every.extend(steps.take_news().map(|closed| (ms, closed.0)));
            }
            assert_eq!(run(&mut jumps, 7_000), every, "{feedback:?} {motion:?} {fault:?}");
            assert_eq!(jumps.position(), steps.position());
        }
    }
}

#[test]
fn a_cam_coasts_on_and_then_rests() {
    let mut valve = cam(50);
    let _ = valve.take_news();
    valve.command(Motion::Forward);
    run(&mut valve, 900);
    assert_eq!(valve.position(), Some(Position::Backwash));
    valve.command(Motion::Off);
    let entered = valve.clone();
    run(&mut valve, 5_000);
    assert_eq!(valve.opening().milli, OPEN);
    assert_eq!(valve.next_change_ms(), None);
    // Half the way to the next position it coasts out again.
    let mut far = entered;
    far.command(Motion::Forward);
    far.arm("coasts-far".parse().unwrap()).unwrap();
    far.command(Motion::Off);
    run(&mut far, 5_000);
    assert_eq!(far.position(), None);
}

#[test]
fn stops_hold() {
    let machine = ValveMachine::stops(&[(Position::Service, 0), (Position::Standby, 8_000)]);
    let mut valve = Valve::standing_in(machine, Position::Service);
    valve.command(Motion::Forward);
    valve.advance(3_000);
    assert_eq!(valve.position(), None);
    valve.advance(20_000);
    assert_eq!(valve.position(), Some(Position::Standby));
    valve.command(Motion::Reverse);
    valve.advance(29_000);
    assert_eq!(valve.position(), Some(Position::Service));
}

/// A valve that turns and has been told what it shows.
fn turning(fault: &str) -> Valve {
    let mut valve = cam(0);
    let _ = valve.take_news();
    valve.arm(fault.parse().unwrap()).unwrap();
    valve.command(Motion::Forward);
    valve
}

#[test]
fn a_motor_stalls_is_slow_runs_on_or_turns_the_wrong_way() {
    assert_eq!(run(&mut turning("motor-stalled"), 5_000), []);
    assert_eq!(run(&mut turning("motor-slow:50"), 2_000), [(201, 0), (1_800, 2)]);
    assert_eq!(run(&mut turning("wires-swapped"), 1_000), [(101, 0), (900, 4)]);
    let mut welded = turning("motor-runs-on");
    run(&mut welded, 1_000);
    welded.command(Motion::Off);
    assert_eq!(run(&mut welded, 2_000), [(1_101, 0), (1_900, 4)], "off, and it runs on");
    welded.command(Motion::Reverse);
    assert_eq!(run(&mut welded, 3_000), [], "told both ways it stands");
    welded.command(Motion::Off);
    assert!(welded.disarm(Fault::MotorRunsOn));
    assert_eq!(run(&mut welded, 9_000), []);
}

#[test]
fn a_jammed_cam_stays_where_it_jams() {
    let mut valve = turning("jams-in:backwash");
    assert_eq!(run(&mut valve, 9_000), [(101, 0), (900, 2)]);
    assert_eq!(valve.position(), Some(Position::Backwash));
    assert!(valve.disarm(Fault::JamsIn(Position::Backwash)));
    assert_eq!(run(&mut valve, 9_500), [(9_201, 0)]);
}

#[test]
fn switches_stick_and_chatter() {
    assert_eq!(run(&mut turning("switch-stuck-open:2"), 2_000), [(101, 0), (1_900, 4)]);
    assert_eq!(run(&mut turning("switch-stuck-closed:2"), 500), [(0, 3), (101, 2)][..]);
    let chatter = run(&mut turning("switch-bounces"), 500);
    assert_eq!(chatter, [(101, 0), (106, 1), (111, 0), (116, 1), (121, 0)]);
}

#[test]
fn marks_are_missed_and_added() {
    let stops = |fault: Option<&str>| {
        let mut valve = cam_of(CamFeedback::HomeAndStop, 0);
        let _ = valve.take_news();
        if let Some(fault) = fault {
            valve.arm(fault.parse().unwrap()).unwrap();
        }
        valve.command(Motion::Forward);
        let seen = run(&mut valve, 2_950);
        assert_eq!(valve.faults(), [], "it is used up");
        seen.iter().filter(|(_, closed)| closed & 2 != 0).map(|(at, _)| *at).collect::<Vec<_>>()
    };
    assert_eq!(stops(None), [900, 1_900, 2_900]);
    assert_eq!(stops(Some("index-missed")), [1_900, 2_900]);
    assert_eq!(stops(Some("index-missed:2")), [2_900]);
    assert_eq!(stops(Some("index-extra")), [251, 900, 1_900, 2_900]);
}

#[test]
fn a_hand_moves_a_valve_through_between() {
    let mut valve = cam(0);
    let _ = valve.take_news();
    valve.arm("moved-by-hand:fast-rinse".parse().unwrap()).unwrap();
    assert_eq!(valve.position(), None);
    assert_eq!(run(&mut valve, 1_000), [(0, 0), (400, 4)]);
    assert_eq!(valve.position(), Some(Position::FastRinse));
    valve.arm("moved-by-hand:between".parse().unwrap()).unwrap();
    run(&mut valve, 2_000);
    assert_eq!((valve.position(), valve.opening().milli), (None, 0));
}

#[test]
fn what_a_valve_cannot_have_is_refused() {
    let mut plant = Plant::new(vec![cam(0)]);
    let one = TankId(0);
    let fault = |text: &str| text.parse::<Fault>().unwrap();
    assert_eq!(plant.arm(TankId(1), Fault::MotorStalled), Err(FaultRefused::NoSuchTank { tank: 2, tanks: 1 }));
    for text in ["switch-stuck-open:4", "index-missed", "pilot-stuck-on:1", "jams-in:standby", "moved-by-hand:standby"]
    {
        let refused = plant.arm(one, fault(text)).unwrap_err().to_string();
        assert!(refused.starts_with(text.split(':').next().unwrap()), "{refused}");
    }
    assert_eq!(plant.valves()[0].faults(), []);
    assert_eq!(plant.arm(one, Fault::MotorStalled), Ok(()));
    assert_eq!(plant.arm(one, Fault::MotorStalled), Ok(()));
    assert_eq!(plant.valves()[0].faults(), [Fault::MotorStalled]);
    assert_eq!(plant.disarm(one, Fault::MotorStalled), Ok(true));
    assert_eq!(plant.disarm(one, Fault::MotorStalled), Ok(false));
}

/// Ports close to halfway and open from there, and only one position is open at a time.
#[test]
fn ports_are_shut_halfway() {
    let mut valve = cam(0);
    let _ = valve.take_news();
    valve.command(Motion::Forward);
    let mut seen = Vec::new();
    for ms in [50, 100, 300, 500, 700, 900] {
        run(&mut valve, ms);
        let opening = valve.opening();
        seen.push((opening.position, opening.milli));
    }
    use Position::{Backwash, Service};
    assert_eq!(
        seen,
        [(Service, 1_000), (Service, 1_000), (Service, 500), (Backwash, 0), (Backwash, 500), (Backwash, 1_000)]
    );
    let drawing = Passage::of(Position::BrineDraw, Direction::Down);
    assert!(drawing.draws_brine && drawing.to_drain == Some(Direction::Down) && !drawing.serves);
    assert!(Passage::of(Service, Direction::Up).serves);
}

/// V3: a valve that wears takes longer and coasts further with every start, up to four times, until it is mended.
#[test]
fn wear_grows_with_every_start() {
    let mut valve = cam(40);
    valve.arm("wears:100".parse().unwrap()).unwrap();
    let _ = valve.take_news();
    let mut lengths = Vec::new();
    let mut now = 0;
    for _ in 0..40 {
        let from = now;
        valve.command(Motion::Forward);
        while now < from + 10_000 {
            now += 1;
            valve.advance(now);
            let closes = valve.take_news().is_some_and(|switches| switches.0 != 0);
            if closes {
                break;
            }
        }
        valve.command(Motion::Off);
        lengths.push(now - from);
        let stopped = now;
        while let Some(at) = valve.next_change_ms().filter(|at| *at < stopped + 2_000) {
            now = at;
            valve.advance(now);
        }
        let _ = valve.take_news();
        now = stopped + 2_000;
        valve.advance(now);
    }
    assert!(lengths.windows(2).skip(1).take(20).all(|pair| pair[1] > pair[0]), "{lengths:?}");
    let (first, last) = (lengths[1], lengths[39]);
    assert!(last > 3 * first && last < 4 * first, "{first} {last}");
    assert_eq!(lengths[36], last);
    assert!(valve.disarm("wears:100".parse().unwrap()));
    valve.command(Motion::Forward);
    let news = run(&mut valve, now + 2_000);
    assert!(news.iter().any(|(at, closed)| *closed != 0 && at - now < 1_000), "{news:?}");
}

/// V2: each wiring fault shows as it is wired, and no other valve can have it.
#[test]
fn wires_show_what_they_are_wired_to() {
    let armed = |fault: &str| {
        let mut valve = cam(0);
        valve.arm(fault.parse().unwrap()).unwrap();
        valve
    };
    assert_eq!(cam(0).switches(), Switches(0b001));
    assert_eq!(armed("switches-swapped:1-3").switches(), Switches(0b100));
    assert_eq!(armed("switches-swapped:2-3").switches(), Switches(0b001));
    assert_eq!(armed("switch-inverted:1").switches(), Switches(0));
    assert_eq!(armed("switch-inverted:2").switches(), Switches(0b011));
    for (fault, stands, turns) in [
        ("forward-wire-broken", Motion::Forward, Motion::Reverse),
        ("reverse-wire-broken", Motion::Reverse, Motion::Forward),
    ] {
        let mut valve = armed(fault);
        let _ = valve.take_news();
        valve.command(stands);
        assert_eq!((run(&mut valve, 3_000), valve.position()), (vec![], Some(Position::Service)), "{fault}");
        valve.command(turns);
        assert!(!run(&mut valve, 6_000).is_empty(), "{fault}");
    }
    let pilots = [(Position::Service, 0b01), (Position::Backwash, 0b10), (Position::FastRinse, 0b11)];
    let mut valve = Valve::standing_in(ValveMachine::pilots(&pilots, 500, false), Position::Service);
    valve.arm("pilots-swapped:1-2".parse().unwrap()).unwrap();
    valve.advance(1_000);
    assert_eq!(valve.position(), Some(Position::Backwash));
    for refused in ["forward-wire-broken", "wears", "switches-swapped:1-2", "pilots-swapped:1-3"] {
        assert!(valve.arm(refused.parse().unwrap()).is_err(), "{refused}");
    }
    assert!(cam(0).arm("switches-swapped:1-4".parse().unwrap()).is_err());
    assert!(cam(0).arm("pilots-swapped:1-2".parse().unwrap()).is_err());
}
