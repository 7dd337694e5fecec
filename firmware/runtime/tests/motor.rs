//! A motor's pins, transaction by transaction.
#![allow(missing_docs, clippy::unwrap_used)]

use bedkeeper::drive::Motion;
use bedkeeper_runtime::motor::{DEAD_MS, Motor, Told};
use embedded_hal::digital::ErrorKind;
use embedded_hal_mock::eh1::MockError;
use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};

const LOW: State = State::Low;
const HIGH: State = State::High;

fn pin(levels: &[State]) -> Mock {
    Mock::new(&levels.iter().map(|level| Transaction::set(*level)).collect::<Vec<_>>())
}

/// S7: both outputs are low before anything is told, and each change goes through both low.
#[test]
fn s7_exact_levels_of_a_journey_and_back() {
    let mut forward = pin(&[LOW, LOW, HIGH, LOW, LOW]);
    let mut reverse = pin(&[LOW, LOW, LOW, LOW, HIGH]);
    let mut motor = Motor::new(forward.clone(), reverse.clone()).unwrap();
    assert_eq!(motor.tell(1_000, Motion::Forward), Ok(Told::Done));
    // Told again, nothing is written again.
    assert_eq!(motor.tell(1_500, Motion::Forward), Ok(Told::Done));
    assert_eq!(motor.tell(2_000, Motion::Off), Ok(Told::Done));
    assert_eq!(motor.tell(2_000 + DEAD_MS, Motion::Reverse), Ok(Told::Done));
    assert_eq!(motor.motion(), Motion::Reverse);
    forward.done();
    reverse.done();
}

/// S7: a wrong command that reverses a running motor puts it off, and the other direction waits for its dead time.
#[test]
fn s7_a_reversal_out_of_hand_rests_first() {
    let mut forward = pin(&[LOW, LOW, HIGH, LOW, LOW, LOW]);
    let mut reverse = pin(&[LOW, LOW, LOW, LOW, LOW, HIGH]);
    let mut motor = Motor::new(forward.clone(), reverse.clone()).unwrap();
    assert_eq!(motor.tell(0, Motion::Forward), Ok(Told::Done));
    assert_eq!(motor.tell(5_000, Motion::Reverse), Ok(Told::NotBefore(5_000 + DEAD_MS)));
    assert_eq!(motor.motion(), Motion::Off);
    assert_eq!(motor.tell(5_000 + DEAD_MS - 1, Motion::Reverse), Ok(Told::NotBefore(5_000 + DEAD_MS)));
    assert_eq!(motor.tell(5_000 + DEAD_MS, Motion::Reverse), Ok(Told::Done));
    forward.done();
    reverse.done();
}

/// S7: the same direction may come on again at once: nothing turns round.
#[test]
fn s7_the_same_direction_needs_no_rest() {
    let mut forward = pin(&[LOW, LOW, HIGH, LOW, LOW, HIGH]);
    let mut reverse = pin(&[LOW, LOW, LOW, LOW]);
    let mut motor = Motor::new(forward.clone(), reverse.clone()).unwrap();
    motor.tell(0, Motion::Forward).unwrap();
    motor.off(10).unwrap();
    assert_eq!(motor.tell(11, Motion::Forward), Ok(Told::Done));
    forward.done();
    reverse.done();
}

/// S7: where one output cannot be put off, the other is put off all the same and neither comes on.
#[test]
fn s7_an_output_that_fails_keeps_the_motor_off() {
    let broken = || Transaction::set(LOW).with_error(MockError::Io(std::io::ErrorKind::Other));
    let mut forward = Mock::new(&[Transaction::set(LOW), broken()]);
    let mut reverse = pin(&[LOW, LOW]);
    let mut motor = Motor::new(forward.clone(), reverse.clone()).unwrap();
    let refused = motor.tell(0, Motion::Reverse).map_err(|error| embedded_hal::digital::Error::kind(&error));
    assert_eq!(refused, Err(ErrorKind::Other));
    assert_eq!(motor.motion(), Motion::Off);
    forward.done();
    reverse.done();
}
