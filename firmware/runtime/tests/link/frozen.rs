//! Whether what an answer is made of has changed since the version of the link did.

use bedkeeper::chronicle::{Happened, Happening, RegenerationRecord};
use bedkeeper::commission::SignedOff;
use bedkeeper::contact::Contact;
use bedkeeper::demand::{Cause, Hold};
use bedkeeper::drive::DriveEvent;
use bedkeeper::duty::DutyKind;
use bedkeeper::hardness_log::HardnessEntry;
use bedkeeper::image::ImageError;
use bedkeeper::journal::{BoardWish, Event, Reason, Record, Who};
use bedkeeper::lock::LockEvent;
use bedkeeper::operator::AlarmAction;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::reserve::Lesson;
use bedkeeper::sequence::{AfterPower, Outcome};
use bedkeeper::settings::Problem;
use bedkeeper::watch::Alarm;
use bedkeeper::{Accounts, Action, Refused, Why};
use bedkeeper_runtime::link::frame;
use bedkeeper_runtime::link::message::{Answer, Identity, Refusal, Request, Status, TankStatus};
use bedkeeper_runtime::manners::{Manners, Speed};
use bedkeeper_runtime::plant::NotWired;
use serde::de::DeserializeOwned;

use crate::line::{Line, answer, refusal};

/// How many zeros make a value that begins with this byte.
fn size<T: DeserializeOwned>(first: u8) -> Option<usize> {
    let mut bytes = [0; 1_024];
    bytes[0] = first;
    let (_, rest) = postcard::take_from_bytes::<T>(&bytes).ok()?;
    Some(bytes.len() - rest.len())
}

/// The size of a structure of zeros.
fn whole<T: DeserializeOwned>(name: &str) -> String {
    format!("{name} {}\n", size::<T>(0).unwrap())
}

/// The same of each variant of an enum.
fn shape<T: DeserializeOwned>(name: &str) -> String {
    let sizes: Vec<_> = (0..=u8::MAX).map_while(|first| size::<T>(first).map(|size| size.to_string())).collect();
    format!("{name} {}\n", sizes.join(" "))
}

fn shapes() -> String {
    [
        shape::<Answer>("answer"),
        shape::<Refusal>("refusal"),
        whole::<Identity>("identity"),
        whole::<Status>("status"),
        whole::<TankStatus>("tank"),
        whole::<Accounts>("accounts"),
        whole::<Why>("why"),
        whole::<Record>("record"),
        shape::<Event>("event"),
        whole::<Happening>("happening"),
        shape::<Happened>("happened"),
        whole::<RegenerationRecord>("regeneration"),
        whole::<SignedOff>("signed"),
        whole::<HardnessEntry>("hardness"),
        shape::<Action>("action"),
        shape::<AlarmAction>("alarm-action"),
        shape::<BoardWish>("board-wish"),
        shape::<Who>("who"),
        shape::<Reason>("reason"),
        shape::<Outcome>("outcome"),
        shape::<AfterPower>("after-power"),
        shape::<Lesson>("lesson"),
        shape::<LockEvent>("lock"),
        shape::<DriveEvent>("drive"),
        shape::<Refused>("refused"),
        shape::<Problem>("problem"),
        shape::<ImageError>("image"),
        shape::<NotWired>("not-wired"),
        shape::<Alarm>("alarm"),
        shape::<Cause>("cause"),
        shape::<Hold>("hold"),
        shape::<DutyKind>("duty"),
        shape::<StepKind>("step"),
        shape::<Position>("position"),
        shape::<Contact>("contact"),
        whole::<Manners>("manners"),
        shape::<Speed>("speed"),
    ]
    .concat()
}

/// A host that does not know a further record or refusal takes the answer for nonsense, so that every such change has to raise
/// the version. If this fails: raise `frame::VERSION` if the last release had the present one, then `UPDATE_FROZEN=1`.
#[test]
fn what_answers_are_made_of_is_frozen_for_a_version() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/link/frozen.txt");
    let now = format!("version {}\n{}", frame::VERSION, shapes());
    if std::env::var_os("UPDATE_FROZEN").is_some() {
        std::fs::write(path, &now).unwrap();
    }
    assert_eq!(now, std::fs::read_to_string(path).unwrap());
}

/// A host that speaks the first version is told so by a frame that it can read the head of, and nothing is done.
#[test]
fn a_host_of_the_first_version_is_told_so() {
    let mut line = Line::new();
    let before = line.bench.borrow().records.len();
    for request in [&[0][..], &[10], &[11, 0, 1, 2, 0]] {
        let said = line.exchange(&frame::wrap(1, 77, request).unwrap());
        let mut inner = said[1..said.len() - 1].to_vec();
        let length = frame::unpack(&mut inner).unwrap();
        assert_eq!(inner[..3], [2, 77, 0], "version, and the number of the request");
        assert!(length > 3);
        assert_eq!(refusal(answer(&said).unwrap().1), Refusal::Version);
    }
    assert_eq!(line.bench.borrow().records.len(), before);
    let Answer::Identity(_) = line.ask(&Request::Identity) else { panic!() };
}
