//! Every setting of an image by its path, as a person reads it.

use std::collections::BTreeMap;

use bedkeeper::image::Image;
use bedkeeper::program::StepSet;
use bedkeeper::watch::AlarmSet;
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::printable;
use crate::quantity::show::{self, UnitSystem};

/// Every setting by its path, as a person reads it. The code of a lock does not show.
#[must_use]
pub fn leaves(image: &Image, units: UnitSystem) -> BTreeMap<String, String> {
    let mut all = BTreeMap::new();
    all.insert("name".to_owned(), printable(&image.name));
    all.insert("note".to_owned(), printable(&image.note));
    if let Ok(value) = serde_json::to_value(&image.raw) {
        below("", &value, units, &mut all);
    }
    all
}

fn below(path: &str, value: &Value, units: UnitSystem, all: &mut BTreeMap<String, String>) {
    let name_of = |name: &str| if path.is_empty() { name.to_owned() } else { format!("{path}.{name}") };
    match value {
        Value::Object(fields) => {
            // One of several kinds, with what belongs to it alone.
            if let (1, Some(kind), false) = (fields.len(), fields.keys().next(), path.is_empty()) {
                all.insert(path.to_owned(), kind.clone());
            }
            fields.iter().for_each(|(name, value)| below(&name_of(name), value, units, all));
        }
        Value::Array(items) if items.is_empty() => {
            all.insert(path.to_owned(), "(none)".to_owned());
        }
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(i, item)| below(&format!("{path}[{}]", i + 1), item, units, all));
        }
        leaf => {
            all.insert(path.to_owned(), people(path, leaf, units));
        }
    }
}

/// A value with its unit, where its name tells which.
fn people(path: &str, value: &Value, units: UnitSystem) -> String {
    let plain = || value.as_str().map_or_else(|| value.to_string(), str::to_owned);
    let Some(number) = value.as_u64() else {
        return match value {
            Value::Null => "(none)".to_owned(),
            Value::Bool(true) => "yes".to_owned(),
            Value::Bool(false) => "no".to_owned(),
            _ => plain(),
        };
    };
    // An item of a list goes by the name of the list.
    let name = path.rsplit('.').next().unwrap_or(path);
    let name = name.split('[').next().unwrap_or(name);
    match name {
        "code" => "(a code)".to_owned(),
        "hour_minute" | "from_minute" | "to_minute" => show::clock(u32::try_from(number * 60_000).unwrap_or(0)),
        "hour_grace" | "remote_minimum" | "hold_off_limit" | "contact_debounce" | "flow_wait_limit" | "stale_after"
        | "purge" | "brine_ready_after" | "overdue_after" | "relock_after" | "length" | "longest" | "longest_on"
        | "travel_limit" | "rest" | "coast" | "settle" | "margin" | "min_closed" | "min_open" | "min_on"
        | "min_off" | "delay" | "on" | "join_dwell" | "resume_within" | "silent_after" | "unbroken_after"
        | "unbroken_pause" => show::duration(number),
        "rated_max" | "drain" | "start_flow_limit" | "refill_flow" | "tank_flow" | "join_above" | "join_hysteresis"
        | "small_flow" => show::flow(number, units).to_string(),
        "pulse_nl" | "discharge_limit" | "fixed" | "volume" | "service_volume" => {
            show::volume(number, units).to_string()
        }
        "capacity" if path.starts_with("medium.filter") => show::volume(number, units).to_string(),
        "capacity" | "total" => show::exchange(number, units).to_string(),
        "hardness" | "test_limit" | "iron_counts_as" | "manganese_counts_as" => {
            show::hardness(number, units).to_string()
        }
        "salt" => show::mass(number, units).to_string(),
        "salt_per_water_mg_per_l" => show::salt_per_water(number, units).to_string(),
        "steps" => set::<StepSet>(value, |all| all.iter().map(|step| step.slug()).collect()).unwrap_or_else(plain),
        "warning" | "critical" | "latching" => {
            set::<AlarmSet>(value, |all| all.iter().map(|alarm| alarm.slug()).collect()).unwrap_or_else(plain)
        }
        "tanks" if path != "tanks" => bits(number, |bit| (bit + 1).to_string()),
        "isolate" => bits(number, |bit| (bit + 1).to_string()),
        "days" => bits(number, |bit| {
            ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"].get(bit).map_or_else(String::new, |day| (*day).to_owned())
        }),
        "onset_s" | "return_s" => show::duration(number * 1_000),
        _ if name.ends_with("per_mille") || name == "share" => {
            format!("{} %", number as f64 / 10.0)
        }
        _ if name.ends_with("percent") => format!("{number} %"),
        _ => plain(),
    }
}

/// The names in a set that is kept as bits.
fn set<S: DeserializeOwned>(value: &Value, names: impl Fn(S) -> Vec<&'static str>) -> Option<String> {
    let names = names(serde_json::from_value(value.clone()).ok()?);
    Some(if names.is_empty() { "(none)".to_owned() } else { names.join(", ") })
}

fn bits(number: u64, name: impl Fn(usize) -> String) -> String {
    let named: Vec<_> = (0..8_usize).filter(|bit| number & (1 << bit) != 0).map(name).collect();
    if named.is_empty() { "(none)".to_owned() } else { named.join(", ") }
}
