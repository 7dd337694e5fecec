//! What happened, as JSON of this command has it: tanks, meters and relays count from 1, sets are lists of names.
//!
//! Frames of the link and the lines that a board writes of its own accord have the logic's own numbers instead.

use bedkeeper::contact::ContactSet;
use bedkeeper::demand::{CauseSet, HoldSet};
use bedkeeper::journal::{Event, Record};
use serde::de::DeserializeOwned;
use serde_json::{Value, json};

use super::words::civil;
use crate::wording;

/// An event.
pub fn event(event: &Event) -> Value {
    let mut value = serde_json::to_value(event).unwrap_or_default();
    if let Value::Object(kinds) = &mut value {
        for (kind, content) in kinds {
            match content {
                Value::Object(fields) => {
                    for (name, field) in fields.iter_mut() {
                        let is_tank = kind == "changeover-began" && matches!(name.as_str(), "from" | "to");
                        people(if is_tank { "tank" } else { name }, field);
                    }
                }
                // The one value of a kind that has no more.
                field => people(kind, field),
            }
        }
    }
    value
}

/// A value as people count and name it, by the name of its field.
fn people(name: &str, value: &mut Value) {
    match (name, &mut *value) {
        ("tank" | "meter" | "relay", Value::Number(number)) => {
            *value = number.as_u64().map_or(Value::Null, |n| json!(n.saturating_add(1)));
        }
        ("asked_at", _) => *value = value["ticks"].take(),
        ("holds", _) => names::<HoldSet>(value, |all| all.iter().map(|hold| hold.slug()).collect()),
        ("causes", _) => names::<CauseSet>(value, |all| all.iter().map(|cause| cause.slug()).collect()),
        ("moved", _) => names::<ContactSet>(value, |all| all.iter().map(|contact| contact.slug()).collect()),
        ("day", Value::Number(number)) => {
            let day = number.as_u64().and_then(|day| u16::try_from(day).ok()).unwrap_or(u16::MAX);
            *value = json!(wording::date_text(day));
        }
        // An action is named by its kind, and has its tank as its one value, or among others.
        ("action", Value::Object(kinds)) => {
            for content in kinds.values_mut() {
                match content {
                    Value::Object(fields) => fields.iter_mut().for_each(|(name, field)| people(name, field)),
                    field => people("tank", field),
                }
            }
        }
        _ => {}
    }
}

/// A set that is kept as bits, as a list.
fn names<S: DeserializeOwned>(value: &mut Value, slugs: impl Fn(S) -> Vec<&'static str>) {
    if let Ok(set) = serde_json::from_value(value.clone()) {
        *value = json!(slugs(set));
    }
}

/// A record of the journal.
pub fn record(record: &Record) -> Value {
    json!({"at_ms": record.at.as_ticks(), "civil": record.civil.map(civil), "event": event(&record.event),
        "text": wording::sentence(&record.event)})
}

#[cfg(test)]
mod tests {
    use super::*;
    use bedkeeper::Action;
    use bedkeeper::contact::Contact;
    use bedkeeper::demand::{Cause, Hold};
    use bedkeeper::journal::{BoardWish, Who};
    use bedkeeper::program::Position;
    use bedkeeper::reserve::{DayUse, Lesson};
    use bedkeeper::units::{Hardness, TankId};

    /// S8: whatever is told by number in the logic is told as people count and name it.
    #[test]
    fn s8_events_are_told_as_people_count() {
        let tank = TankId(1);
        let mut holds = HoldSet::EMPTY;
        holds.insert(Hold::Blackout);
        holds.insert(Hold::DrainBusy);
        let mut causes = CauseSet::EMPTY;
        causes.insert(Cause::Reserve);
        let mut moved = ContactSet::EMPTY;
        moved.insert(Contact::BrineFull);
        let asked = |action| Event::Operator { who: Who::Serial, action, granted: true };
        let action = |event: &Event| super::event(event)["operator"]["action"].clone();
        assert_eq!(
            event(&Event::Held { tank, holds }),
            json!({"held": {"tank": 2, "holds": ["drain-busy", "blackout"]}})
        );
        let started = Event::Started {
            tank,
            leading: Cause::Reserve,
            causes,
            asked_at: bedkeeper::units::Instant::from_ticks(5),
        };
        assert_eq!(
            event(&started)["started"],
            json!({"tank": 2, "leading": "reserve", "causes": ["reserve"], "asked_at": 5})
        );
        let changeover = Event::ChangeoverBegan { from: Some(TankId(0)), to: tank };
        assert_eq!(event(&changeover), json!({"changeover-began": {"from": 1, "to": 2}}));
        assert_eq!(event(&Event::ChangeoverBegan { from: None, to: tank })["changeover-began"]["from"], Value::Null);
        assert_eq!(event(&Event::ContactsTested { moved }), json!({"contacts-tested": {"moved": ["brine-full"]}}));
        assert_eq!(event(&Event::RelayTestEnded { relay: 0 })["relay-test-ended"]["relay"], 1);
        assert_eq!(event(&Event::CountGivenUp { meter: 1 })["count-given-up"]["meter"], 2);
        assert_eq!(action(&asked(Action::Hold(tank))), json!({"hold": 2}));
        assert_eq!(action(&asked(Action::Return)), "return");
        let tried = Action::TestDrive { tank, position: Position::Backwash };
        assert_eq!(action(&asked(tried)), json!({"test-drive": {"tank": 2, "position": "backwash"}}));
        let tested = Action::TestHardness { tank, treated: Hardness(3), feed: None };
        assert_eq!(action(&asked(tested))["test-hardness"]["tank"], 2);
        assert_eq!(
            action(&asked(Action::TestRelay { relay: 3, seconds: 9 })),
            json!({"test-relay": {"relay": 4, "seconds": 9}})
        );
        let day = Event::DayEnded(DayUse { day: 9_921, litres: 4, lesson: Lesson::Learned });
        assert_eq!(event(&day)["day-ended"]["day"], "2027-03-01");
        let wish = BoardWish::Line { address: 7, baud: 9_600 };
        let line = Event::AskedOfBoard { who: Who::Panel, wish, granted: false };
        assert_eq!(
            event(&line)["asked-of-board"],
            json!({"who": "panel", "wish": {"line": {"address": 7, "baud": 9_600}}, "granted": false})
        );
        assert_eq!(event(&Event::HourFired), "hour-fired");
    }
}
