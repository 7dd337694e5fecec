//! The logic's slugs in plain words. A slug that is not listed here reads as its own words.

/// A slug as words: `slow-rinse` becomes `slow rinse`.
pub fn words(slug: &str) -> String {
    slug.replace('-', " ")
}

/// What a duty means.
pub fn duty_meaning(duty: &str) -> &'static str {
    match duty {
        "serving" => "water flows through this tank's resin bed to the building",
        "ready" => "regenerated and off line, waiting for its turn to serve",
        "spent" => "its capacity is used; it waits to regenerate",
        "regenerating" => "its resin is being cleaned and recharged with brine",
        "purging" => "stood too long: stale water runs to the drain before it serves",
        "refilling" => "its regeneration is over but for the brine tank, which takes up water",
        "out" => "taken out of work by an operator or a failed drive",
        _ => "",
    }
}

/// What a cause means, to follow the words "because".
pub fn cause_meaning(cause: &str) -> &'static str {
    match cause {
        "exhausted" => "its capacity was used up",
        "sensor" => "the hardness monitor asked for it",
        "manual" => "an operator asked for it",
        "remote" => "a remote contact asked for it",
        "reserve" => "only the reserve was left",
        "backup-day" => "too many days had passed since the last one",
        "scheduled" => "its calendar said so",
        _ => "",
    }
}

/// A cause in words with its meaning.
pub fn cause(slug: &str) -> String {
    match cause_meaning(slug) {
        "" => words(slug),
        meaning => format!("{} ({meaning})", words(slug)),
    }
}

/// What a hold means.
pub fn hold_meaning(hold: &str) -> &'static str {
    match hold {
        "other-regenerating" => "another tank is regenerating",
        "drain-busy" => "the drain is in use",
        "brine-busy" => "the brine tank is in use",
        "brine-not-ready" => "the brine is not ready yet",
        "blackout" => "no start is allowed at this time of day",
        "would-enter-blackout" => "it would not finish before starts and runs are forbidden",
        "hold-off" => "a remote contact forbids it",
        "low-pressure" => "the water pressure is too low",
        "flow-too-high" => "the building is drawing too much water",
        "no-tank-to-relieve" => "no other tank can take over",
        "drive-failed" => "its valve drive has failed",
        "clock-unset" => "the clock is not set",
        "locked-out" => "an operator took the tank out",
        "discharge-limit" => "the day's limit of water to the drain is used",
        "until-hour" => "it waits for its hour",
        "operator-hold" => "an operator holds it",
        "finding-position" => "its valve is still finding its position",
        "changing-over" => "service is changing over to another tank",
        _ => "",
    }
}

/// The kind of a step, which chooses its pattern.
pub fn step_kind(step: &str) -> &'static str {
    match step {
        "backwash" => "backwash",
        "brine-draw" => "brine",
        "slow-rinse" => "slow-rinse",
        "fast-rinse" | "service-rinse" => "fast-rinse",
        "brine-refill" => "refill",
        _ => "wait",
    }
}

/// What a step does.
pub fn step_meaning(step: &str) -> &'static str {
    match step {
        "backwash" => "water runs upwards, lifts the resin and washes dirt to the drain",
        "brine-draw" => "brine passes through the resin and recharges it",
        "slow-rinse" => "a little water pushes the brine on through the resin",
        "fast-rinse" => "more water washes the last brine to the drain",
        "brine-refill" => "water enters the brine tank to take up salt for the next time",
        "settle" => "the resin comes to rest",
        "brine-wait" => "the brine is given time to take up salt",
        "service-rinse" => "a last rinse in the direction of service",
        _ => "a step of a regeneration",
    }
}

/// The kind of a duty, which chooses its pattern.
pub fn duty_kind(duty: &str) -> &'static str {
    match duty {
        "serving" => "serving",
        "ready" => "ready",
        "spent" => "spent",
        "regenerating" => "regenerating",
        "purging" => "purging",
        "refilling" => "refilling",
        "out" => "out",
        _ => "other",
    }
}

/// A number of things, in words that agree.
pub fn counted(count: usize, one: &str, many: &str) -> String {
    format!("{count}\u{a0}{}", if count == 1 { one } else { many })
}

/// The first letter made a capital, for the start of a sentence.
pub fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unknown_slugs_read_as_their_words() {
        assert_eq!(cause("some-new-cause"), "some new cause");
        assert_eq!(duty_kind("<b>"), "other");
        assert_eq!(step_kind("<b>"), "wait");
    }

    #[test]
    fn known_causes_explain_themselves() {
        assert_eq!(cause("exhausted"), "exhausted (its capacity was used up)");
    }

    #[test]
    fn counts_agree() {
        assert_eq!(counted(1, "tank", "tanks"), "1\u{a0}tank");
        assert_eq!(counted(0, "tank", "tanks"), "0\u{a0}tanks");
    }

    #[test]
    fn sentences_begin_with_a_capital() {
        assert_eq!(sentence("élan"), "Élan");
        assert_eq!(sentence(""), "");
    }
}
