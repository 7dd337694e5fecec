//! What a scenario expects, and whether a run met it.

use super::figure::{Gauges, Limits};
use super::subject::Subject;
use super::time::Days;
use super::timeline::Timeline;
use crate::evidence::Violation;

/// Records shown before and after a miss.
const TRACE_BEFORE: usize = 4;
const TRACE_AFTER: usize = 3;
/// A balance that is open by more than this share is wrong.
const BALANCED_WITHIN: f64 = 1e-9;
/// Moments listed where something came too often or elsewhere.
const LISTED: usize = 4;

/// A stretch of the run in ms, both ends within.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// Its first ms.
    pub from_ms: u64,
    /// Its last ms.
    pub to_ms: u64,
}

/// What is expected of a subject.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Claim {
    /// It stands at this moment, or happens at it within a tolerance in ms.
    At(Subject, u64, u64),
    /// It stands or happens at least once within.
    Within(Subject, Span),
    /// It neither stands nor happens within.
    Never(Subject, Span),
    /// It stands all the time.
    Always(Subject, Span),
    /// It comes to stand, or happens, so often within: at least, at most.
    Count(Subject, Span, u64, u64),
    /// A sum at the end of the run lies between these two, in its base unit.
    Total(Total, u128, u128),
    /// A figure of the full plant lies within limits.
    Figure(Limits),
    /// Nothing is made or lost in the full plant. Every scenario of one has this one.
    Balance,
    /// No rule is seen broken but those that other expectations are about. Every scenario has this one.
    NoViolation(Vec<String>),
}

/// An expectation with its place in the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Expectation {
    /// What is expected.
    pub claim: Claim,
    /// Line of the file, from 1; 0 for one that no line asks for.
    pub line: usize,
}

/// Sums of a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Total {
    /// Everything the meters counted, nL.
    Metered,
    /// Charged to tanks, nL.
    Charged,
    /// Through a blending bypass, nL.
    Blended,
    /// Past the tanks because none served, nL.
    Untreated,
    /// Charged to tanks with nothing left, nL.
    PastZero,
    /// Charged for water that no meter told of, since power was off, nL.
    Estimated,
    /// `Untreated` and `PastZero`, nL.
    HardWater,
    /// Estimated water to drain, nL.
    ToDrain,
    /// Estimated salt, mg.
    Salt,
    /// Complete regenerations.
    Regenerations,
    /// Closures of a recording's contact that the logic did not count.
    Bounced,
}

impl Total {
    /// Every sum with the name that files use.
    pub const ALL: [(&'static str, Self); 11] = [
        ("metered", Self::Metered),
        ("charged", Self::Charged),
        ("blended", Self::Blended),
        ("untreated", Self::Untreated),
        ("past-zero", Self::PastZero),
        ("estimated", Self::Estimated),
        ("hard-water", Self::HardWater),
        ("to-drain", Self::ToDrain),
        ("salt", Self::Salt),
        ("regenerations", Self::Regenerations),
        ("bounced", Self::Bounced),
    ];

    /// Its value by a run, in its base unit.
    #[must_use]
    pub fn value(self, shown: &Shown<'_>) -> u128 {
        let accounts = shown.accounts;
        match self {
            Self::Metered => accounts.metered.0,
            Self::Charged => accounts.charged.0,
            Self::Blended => accounts.blended.0,
            Self::Untreated => accounts.untreated.0,
            Self::PastZero => accounts.past_zero.0,
            Self::Estimated => accounts.estimated.0,
            Self::HardWater => accounts.untreated.0 + accounts.past_zero.0,
            Self::ToDrain => shown.timeline.to_drain_nl,
            Self::Salt => u128::from(shown.timeline.salt_mg),
            Self::Regenerations => u128::from(shown.timeline.complete),
            Self::Bounced => u128::from(shown.contact.closures.saturating_sub(shown.contact.counted)),
        }
    }

    fn slug(self) -> &'static str {
        Self::ALL.iter().find(|(_, total)| *total == self).map_or("", |(slug, _)| slug)
    }

    fn show(self, value: u128) -> String {
        let base = u64::try_from(value).unwrap_or(u64::MAX);
        match self {
            Self::Regenerations | Self::Bounced => value.to_string(),
            Self::Salt => crate::quantity::show::mass(base, crate::quantity::UnitSystem::Metric).to_string(),
            _ => crate::quantity::show::volume(base, crate::quantity::UnitSystem::Metric).to_string(),
        }
    }
}

/// Sums of water as the logic accounts for it; those that the timeline itself keeps are not among them.
pub type Accounts = bedkeeper::Accounts;

/// What a run showed, to be judged.
pub struct Shown<'a> {
    /// States and records.
    pub timeline: &'a Timeline,
    /// Where the water went.
    pub accounts: &'a Accounts,
    /// What a recording's contact did.
    pub contact: crate::replay::ContactTally,
    /// Figures of the full plant.
    pub gauges: &'a Gauges,
    /// What the checker saw.
    pub violations: &'a [Violation],
    /// The scenario's calendar.
    pub days: Days,
    /// The end of the run, ms.
    pub end_ms: u64,
}

/// How an expectation fared.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Judgement {
    /// Whether it was met.
    pub met: bool,
    /// What was expected, in words.
    pub expected: String,
    /// Line of the file, from 1; 0 for one that no line asks for.
    pub line: usize,
    /// What happened, in words.
    pub happened: String,
    /// The journal around a miss.
    pub trace: Vec<String>,
}

impl Expectation {
    /// Whether a run met it.
    #[must_use]
    pub fn judge(&self, shown: &Shown<'_>) -> Judgement {
        let (met, happened, around_ms) = self.claim.judge(shown);
        let trace = if met { Vec::new() } else { trace(shown, around_ms) };
        Judgement { met, expected: self.words(shown.days), line: self.line, happened, trace }
    }

    /// What is expected, in words.
    #[must_use]
    pub fn words(&self, days: Days) -> String {
        let span = |span: &Span| format!("from {} to {}", days.show(span.from_ms), days.show(span.to_ms));
        match &self.claim {
            Claim::At(subject, at, _) => format!("at {}: {}", days.show(*at), subject.words(days)),
            Claim::Within(subject, within) => format!("{}, at least once: {}", span(within), subject.words(days)),
            Claim::Never(subject, within) => format!("{}, never: {}", span(within), subject.words(days)),
            Claim::Always(subject, within) => format!("{}, always: {}", span(within), subject.words(days)),
            Claim::Count(subject, within, least, most) if least == most => {
                format!("{}, {least} times: {}", span(within), subject.words(days))
            }
            Claim::Count(subject, within, least, u64::MAX) => {
                format!("{}, at least {least} times: {}", span(within), subject.words(days))
            }
            Claim::Count(subject, within, least, most) => {
                format!("{}, {least} to {most} times: {}", span(within), subject.words(days))
            }
            Claim::Total(total, least, u128::MAX) => format!("{} at least {}", total.slug(), total.show(*least)),
            Claim::Total(total, 0, most) => format!("{} at most {}", total.slug(), total.show(*most)),
            Claim::Total(total, least, most) if least == most => format!("{} {}", total.slug(), total.show(*least)),
            Claim::Total(total, least, most) => {
                format!("{} between {} and {}", total.slug(), total.show(*least), total.show(*most))
            }
            Claim::Figure(limits) => limits.words(days),
            Claim::Balance => "the plant's balance closes".to_owned(),
            Claim::NoViolation(but) if but.is_empty() => "no rule is broken".to_owned(),
            Claim::NoViolation(but) => format!("no rule is broken but {}", but.join(", ")),
        }
    }
}

impl Claim {
    /// Whether it holds, what happened instead, and around which ms that was.
    fn judge(&self, shown: &Shown<'_>) -> (bool, String, u64) {
        match self {
            Self::At(subject, at, tolerance) if subject.is_state() => judge_state_at(subject, *at, *tolerance, shown),
            Self::At(subject, at, tolerance) => {
                let moments = moments(subject, shown);
                let met = moments.iter().any(|moment| moment.abs_diff(*at) <= *tolerance);
                let nearest = moments.iter().min_by_key(|moment| moment.abs_diff(*at));
                let happened = match nearest {
                    Some(moment) => format!("it came {}", shown.days.show(*moment)),
                    None => "it never came".to_owned(),
                };
                (met, happened, *at)
            }
            Self::Within(subject, span) => {
                let met = !spans(subject, shown).iter().all(|s| apart(s, span));
                (met, elsewhere(subject, shown), span.to_ms)
            }
            Self::Never(subject, span) => {
                let found = spans(subject, shown).into_iter().find(|s| !apart(s, span));
                let happened = match found {
                    Some(found) => format!("it was so {}", shown.days.show(found.from_ms.max(span.from_ms))),
                    None => "it was never so".to_owned(),
                };
                (found.is_none(), happened, found.map_or(span.from_ms, |f| f.from_ms.max(span.from_ms)))
            }
            Self::Always(subject, span) => judge_always(subject, *span, shown),
            Self::Count(subject, span, least, most) => {
                let spans = spans(subject, shown);
                let found: Vec<_> = spans.iter().filter(|s| (span.from_ms..=span.to_ms).contains(&s.from_ms)).collect();
                let met = (*least..=*most).contains(&(found.len() as u64));
                let listed: Vec<_> = found.iter().take(LISTED).map(|s| shown.days.show(s.from_ms)).collect();
                let more = if found.len() > LISTED { ", …" } else { "" };
                let when = if listed.is_empty() { String::new() } else { format!(": {}{more}", listed.join(", ")) };
                (met, format!("{} times{when}", found.len()), found.last().map_or(span.to_ms, |s| s.from_ms))
            }
            Self::Total(total, least, most) => {
                let value = total.value(shown);
                ((*least..=*most).contains(&value), format!("{} {}", total.slug(), total.show(value)), shown.end_ms)
            }
            Self::Figure(limits) => shown.gauges.judge(limits, shown.days),
            Self::Balance => match shown.gauges.balance() {
                Some((name, open)) => {
                    (open <= BALANCED_WITHIN, format!("{name} is open by {open:.1e} of itself"), shown.end_ms)
                }
                None => (false, "it was not weighed".to_owned(), shown.end_ms),
            },
            Self::NoViolation(but) => {
                let broken = shown.violations.iter().find(|v| !but.contains(&v.rule));
                match broken {
                    None => (true, "none was seen broken".to_owned(), shown.end_ms),
                    Some(v) => {
                        (false, format!("{} was broken {}: {}", v.rule, shown.days.show(v.at_ms), v.text), v.at_ms)
                    }
                }
            }
        }
    }
}

fn judge_state_at(subject: &Subject, at: u64, tolerance: u64, shown: &Shown<'_>) -> (bool, String, u64) {
    let near = Span { from_ms: at.saturating_sub(tolerance), to_ms: at.saturating_add(tolerance) };
    let met = spans(subject, shown).iter().any(|span| !apart(span, &near));
    let happened = match shown.timeline.state_at(at) {
        Some(state) => subject.shown_in(state, shown.days),
        None => "the run had not begun".to_owned(),
    };
    (met, happened, at)
}

fn judge_always(subject: &Subject, span: Span, shown: &Shown<'_>) -> (bool, String, u64) {
    let mut from_ms = span.from_ms;
    for stood in spans(subject, shown) {
        if stood.from_ms > from_ms {
            break;
        }
        from_ms = from_ms.max(stood.to_ms.saturating_add(1));
    }
    if from_ms > span.to_ms {
        return (true, "it stood all the time".to_owned(), span.to_ms);
    }
    let instead = shown.timeline.state_at(from_ms).map(|state| subject.shown_in(state, shown.days));
    let happened = format!("not {}: {}", shown.days.show(from_ms), instead.unwrap_or_default());
    (false, happened, from_ms)
}

fn apart(a: &Span, b: &Span) -> bool {
    a.to_ms < b.from_ms || a.from_ms > b.to_ms
}

/// When a subject stood, in order; what happens at a moment stands for that ms.
fn spans(subject: &Subject, shown: &Shown<'_>) -> Vec<Span> {
    if !subject.is_state() {
        return moments(subject, shown).into_iter().map(|ms| Span { from_ms: ms, to_ms: ms }).collect();
    }
    let mut spans: Vec<Span> = Vec::new();
    let states = &shown.timeline.states;
    for (i, (from_ms, state)) in states.iter().enumerate() {
        if !subject.stands_in(state) {
            continue;
        }
        let to_ms = states.get(i + 1).map_or(shown.end_ms, |(next, _)| next - 1);
        match spans.last_mut() {
            Some(last) if last.to_ms + 1 == *from_ms => last.to_ms = to_ms,
            _ => spans.push(Span { from_ms: *from_ms, to_ms }),
        }
    }
    spans
}

/// When a subject happened, in order.
fn moments(subject: &Subject, shown: &Shown<'_>) -> Vec<u64> {
    if let Subject::Violation(rule) = subject {
        return shown.violations.iter().filter(|v| v.rule == *rule).map(|v| v.at_ms).collect();
    }
    shown.timeline.records.iter().filter(|record| subject.is_told_by(record)).map(Timeline::at_ms).collect()
}

/// When it was so, where that was not within.
fn elsewhere(subject: &Subject, shown: &Shown<'_>) -> String {
    let spans = spans(subject, shown);
    let listed: Vec<_> = spans.iter().take(LISTED).map(|span| shown.days.show(span.from_ms)).collect();
    match (listed.is_empty(), spans.len() > LISTED) {
        (true, _) => "it never was so".to_owned(),
        (false, false) => format!("it was so {}", listed.join(", ")),
        (false, true) => format!("it was so {} and {} times more", listed.join(", "), spans.len() - LISTED),
    }
}

/// The journal around a moment.
pub(super) fn trace(shown: &Shown<'_>, around_ms: u64) -> Vec<String> {
    let records = &shown.timeline.records;
    let middle = records.partition_point(|record| Timeline::at_ms(record) <= around_ms);
    let from = middle.saturating_sub(TRACE_BEFORE);
    let to = (middle + TRACE_AFTER).min(records.len());
    shown.timeline.told(from..to, shown.days)
}
