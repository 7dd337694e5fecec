//! What a press does: one function for every screen, and what an answer leaves behind.

use bedkeeper::Input;
use bedkeeper::calendar::Civil;
use bedkeeper::commission::{Name, Walk};
use bedkeeper::draft::Draft;
use bedkeeper::journal::Who;
use bedkeeper::lock::{Key, LockRule};
use bedkeeper::measured::Measured;
use bedkeeper::operator::Action;
use bedkeeper::units::{Hardness, Volume};

use crate::manners::Manners;

use super::fields::{FieldId, Kind, bit};
use super::screen::{Amount, Choice, DIGITS, Entry, Moments, Screen, Told};
use super::views::{Finder, Sight, lay};
use super::views_trials::{ALPHABET, treated};
use super::{Answer, Button, Keeping, Panel, Press, Units, Wish};

/// What the clock is moved by (T4).
const HOUR_MS: u64 = 3_600_000;

impl Screen {
    /// Where the cursor stands, or the first row in view; none where characters are set.
    pub(super) fn cursor(&self) -> Option<usize> {
        match self {
            // The figure is their one item.
            Self::Edit { .. } | Self::EditLine { .. } | Self::Amount { .. } => Some(0),
            screen => screen.clone().cursor_mut().map(|at| usize::from(*at)),
        }
    }

    fn cursor_mut(&mut self) -> Option<&mut u8> {
        match self {
            Self::Home { at }
            | Self::Menu { at }
            | Self::Tank { at, .. }
            | Self::TankDeeds { at, .. }
            | Self::PlantDeeds { at }
            | Self::Sure { at, .. }
            | Self::Baselines { at }
            | Self::SureOfBaseline { at }
            | Self::Tests { at }
            | Self::Alarms { at }
            | Self::Alarm { at, .. }
            | Self::AlarmDeeds { at, .. }
            | Self::Water { at }
            | Self::Journal { at }
            | Self::Line { at }
            | Self::Regenerations { at }
            | Self::Regeneration { at, .. }
            | Self::Days { at }
            | Self::Counters { at }
            | Self::Groups { at }
            | Self::Fields { at, .. }
            | Self::EditSet { at, .. }
            | Self::Review { at }
            | Self::ReviewDeeds { at }
            | Self::Note { at }
            | Self::Trials { at }
            | Self::Inputs { at }
            | Self::Walk { at }
            | Self::Task { at, .. }
            | Self::Signed { at }
            | Self::Checks { at }
            | Self::Told { at, .. } => Some(at),
            _ => None,
        }
    }
}

impl Panel {
    /// Takes a press; what it wants done, if anything.
    pub fn press<const N: usize>(&mut self, press: Press, sight: &Sight<'_, N>, now_ms: u64) -> Option<Wish> {
        self.pressed_ms = now_ms;
        let wish = self.step(press, sight);
        self.wished = wish.or(self.wished);
        wish
    }

    fn step<const N: usize>(&mut self, press: Press, sight: &Sight<'_, N>) -> Option<Wish> {
        let held = match press {
            Press::Held(_, times) => times,
            _ => 0,
        };
        match press {
            Press::Long(Button::Enter) => return self.meant(sight),
            Press::Long(_) => {
                self.go_home();
                return None;
            }
            Press::Short(_) | Press::Held(..) => {}
        }
        match press.button() {
            Button::Up => self.turn(true, held, sight),
            Button::Down => self.turn(false, held, sight),
            Button::Back => self.back(),
            Button::Enter => return self.enter(sight),
        }
        None
    }

    /// Enter was held: at a lock it is the key, at a code its end, elsewhere the way back of a knob.
    fn meant<const N: usize>(&mut self, sight: &Sight<'_, N>) -> Option<Wish> {
        let entry = match self.screen() {
            Screen::Lock(entry) => entry,
            Screen::SetCode { field, entry } => {
                let (field, entry) = (*field, *entry);
                self.note_code(field, &entry);
                return None;
            }
            _ => {
                self.back();
                return None;
            }
        };
        let key = match sight.controller.settings().locks.panel {
            LockRule::Code(_) => code(entry),
            LockRule::Open | LockRule::Press => Key::Press,
        };
        Some(Wish::Input(Input::Unlock { who: Who::Panel, key }))
    }

    fn turn<const N: usize>(&mut self, up: bool, held: u16, sight: &Sight<'_, N>) {
        let units = self.units;
        let (rows, items) = {
            let body = self.body(self.screen(), sight);
            (body.count(), body.items())
        };
        let pages = self.pages();
        let Some(screen) = self.trail.last_mut() else { return };
        match screen {
            Screen::Edit { field, value } => *value = field.kind().next(units, *value, up, held),
            Screen::EditLine { field, value } => {
                // What no board can have is passed over.
                let next = field.kind().next(units, *value, up, held);
                *value = field.get(&field.with(Manners::default(), next));
            }
            Screen::Amount { of, value } => *value = kind_of(*of).next(units, *value, up, held),
            Screen::Lock(entry) | Screen::SetCode { entry, .. } => entry.turn(up, 10),
            Screen::Sign(entry) => {
                let letters = u8::try_from(ALPHABET.chars().count()).unwrap_or(1);
                // Up goes on in the alphabet.
                entry.turn(up, letters);
            }
            Screen::SetClock(moments) => moments.turn(up),
            screen => {
                let last = match screen {
                    Screen::Journal { .. } => sight.recent.len().saturating_sub(1),
                    Screen::Regenerations { .. } | Screen::Days { .. } => pages.saturating_sub(1),
                    _ if items > 0 => items.saturating_sub(1),
                    _ => rows.saturating_sub(super::BODY_ROWS),
                };
                let last = u8::try_from(last).unwrap_or(u8::MAX);
                if let Some(at) = screen.cursor_mut() {
                    *at = if up { (*at).min(last).saturating_sub(1) } else { at.saturating_add(1).min(last) };
                }
            }
        }
    }

    fn back(&mut self) {
        let leaves = match self.trail.last_mut() {
            Some(Screen::Lock(entry) | Screen::SetCode { entry, .. }) => entry.back(),
            Some(Screen::Sign(entry)) => entry.back(),
            Some(Screen::SetClock(moments)) => moments.back(),
            _ => true,
        };
        if leaves {
            self.leave();
        }
    }

    fn enter<const N: usize>(&mut self, sight: &Sight<'_, N>) -> Option<Wish> {
        match self.screen().clone() {
            Screen::Tank { tank, .. } => self.open(Screen::TankDeeds { tank, at: 0 }),
            Screen::Alarm { alarm, .. } => self.open(Screen::AlarmDeeds { alarm, at: 0 }),
            Screen::Review { .. } => self.open(Screen::ReviewDeeds { at: 0 }),
            Screen::Told { .. } => self.leave(),
            Screen::Checks { .. } => return Some(Wish::Check),
            Screen::Regenerations { at } if self.pages() > 0 => self.open(Screen::Regeneration { back: at, at: 0 }),
            Screen::Edit { field, value } => {
                self.note(field, value);
            }
            Screen::EditLine { field, value } => return Some(Wish::Speak(field.with(sight.manners, value))),
            Screen::Amount { of, value } => return self.measured(of, value),
            Screen::Lock(_) => return self.next_digit(sight),
            Screen::SetCode { field, entry } => {
                if let Some(Screen::SetCode { entry: dialled, .. }) = self.trail.last_mut()
                    && dialled.go_on()
                {
                    self.note_code(field, &entry);
                }
            }
            Screen::Sign(_) => self.next_letter(sight),
            Screen::SetClock(_) => {
                if let Some(Screen::SetClock(moments)) = self.trail.last_mut()
                    && moments.go_on()
                {
                    return Some(Wish::Clock(moments.civil()));
                }
            }
            screen => {
                let mut finder = Finder::of(screen.cursor().unwrap_or(0));
                lay(&screen, self, sight, &mut finder);
                return self.choose(finder.found, sight);
            }
        }
        None
    }

    fn choose<const N: usize>(&mut self, choice: Choice, sight: &Sight<'_, N>) -> Option<Wish> {
        let locked = !sight.controller.is_unlocked(sight.now, Who::Panel);
        match choice {
            Choice::Nothing => {}
            Choice::Open(screen) => self.open(screen),
            Choice::Mean(action) => self.open(Screen::Sure { action, at: 0 }),
            Choice::Leave => self.leave(),
            Choice::SwapUnits => {
                self.units = if self.units == Units::Metric { Units::Us } else { Units::Metric };
            }
            Choice::Lock if locked => self.open(Screen::Lock(Entry::new())),
            Choice::Lock => return Some(Wish::Input(Input::Relock { who: Who::Panel })),
            Choice::Toggle(member) => {
                if let Some(Screen::EditSet { value, .. }) = self.trail.last_mut() {
                    *value ^= bit(member);
                }
            }
            Choice::Note => {
                if let Screen::EditSet { field, value, .. } = *self.screen() {
                    self.note(field, value);
                }
            }
            Choice::Drop => {
                self.draft = None;
                self.leave();
                self.leave();
            }
            Choice::Skip(task) => {
                if let Some(walk) = &mut self.walk {
                    walk.skip(task);
                }
                self.leave();
            }
            // Everything from here on changes something.
            _ if locked => self.open(Screen::Lock(Entry::new())),
            // It takes the place of the record that was kept before.
            Choice::Sign => self.open(Screen::Sign(Entry::new())),
            Choice::Ask(action) => return Some(Wish::Input(Input::Operator { who: Who::Panel, action })),
            Choice::Take => return Some(Wish::Take),
            Choice::ChangeLine(field) => {
                self.open(Screen::EditLine { field, value: field.get(&sight.manners) });
            }
            Choice::StoreBaseline => return Some(Wish::StoreBaseline),
            Choice::Recall(to) => return Some(Wish::Recall(to)),
            Choice::SetClock => {
                let civil = sight.controller.clock().civil(sight.now);
                self.open(Screen::SetClock(Moments::begin(civil)));
            }
            Choice::MoveClock { on } => {
                let Civil(ms) = sight.controller.clock().civil(sight.now)?;
                return Some(Wish::Clock(Civil(if on {
                    ms.saturating_add(HOUR_MS)
                } else {
                    ms.saturating_sub(HOUR_MS)
                })));
            }
            Choice::BeginWalk => {
                self.walk = Some(Walk::begin(sight.controller.settings()));
                self.signed = None;
            }
            Choice::Change(field) => {
                let draft = self.draft.get_or_insert_with(|| Draft::begin(sight.controller.settings()));
                if let Some(value) = field.get(&draft.raw) {
                    self.open(match field.kind() {
                        Kind::Set(_) => Screen::EditSet { field, value, at: 0 },
                        // The code that it had is not shown.
                        Kind::Code => Screen::SetCode { field, entry: Entry::new() },
                        _ => Screen::Edit { field, value },
                    });
                }
            }
            Choice::Add(group) => {
                let draft = self.draft.get_or_insert_with(|| Draft::begin(sight.controller.settings()));
                let of = group.count(&draft.raw);
                let added = group.add_to(&mut draft.raw);
                self.open(if added {
                    Screen::Fields { group, of, at: 0 }
                } else {
                    Screen::Told { told: Told::NoRoom, at: 0 }
                });
            }
            Choice::Remove(group, of) => {
                let draft = self.draft.get_or_insert_with(|| Draft::begin(sight.controller.settings()));
                if group.remove_from(&mut draft.raw, of) {
                    self.leave();
                } else {
                    self.open(Screen::Told { told: Told::NoRoom, at: 0 });
                }
            }
            Choice::CorrectMeter => {
                let draft = self.draft.get_or_insert_with(|| Draft::begin(sight.controller.settings()));
                let corrected = self.checked.is_some_and(|check| {
                    draft.correct(Measured::Pulses { pulses: check.pulses, caught: check.caught }).is_ok()
                });
                self.open(if corrected {
                    Screen::Review { at: 0 }
                } else {
                    Screen::Told { told: Told::NotMeasured, at: 0 }
                });
            }
        }
        None
    }

    /// A figure is noted in the draft, and its screen left; a lock that is to want a code is asked for one.
    fn note(&mut self, field: FieldId, value: u64) {
        self.leave();
        let Some(draft) = &mut self.draft else { return };
        let had = field.get(&draft.raw);
        if !field.set(&mut draft.raw, value) {
            self.open(Screen::Told { told: Told::NoRoom, at: 0 });
        } else if had != Some(value)
            && field.kind() != Kind::Code
            && let Some(code) = field.code(&draft.raw)
        {
            self.open(Screen::SetCode { field: code, entry: Entry::new() });
        }
    }

    fn note_code(&mut self, field: FieldId, entry: &Entry<DIGITS>) {
        match code(entry) {
            Key::Code(code) => self.note(field, u64::from(code)),
            // Ten digits may be more than a code can be.
            Key::Press => self.open(Screen::Told { told: Told::NoRoom, at: 0 }),
        }
    }

    fn measured(&mut self, of: Amount, value: u64) -> Option<Wish> {
        let low = Hardness(u32::try_from(value).unwrap_or(u32::MAX));
        let action = match of {
            Amount::Caught => Action::Caught { volume: Volume(value) },
            Amount::Feed { tank } => {
                self.replace(treated(tank, low));
                return None;
            }
            Amount::Treated { tank, feed } => Action::TestHardness { tank, treated: low, feed: Some(feed) },
        };
        Some(Wish::Input(Input::Operator { who: Who::Panel, action }))
    }

    fn next_digit<const N: usize>(&mut self, sight: &Sight<'_, N>) -> Option<Wish> {
        let rule = sight.controller.settings().locks.panel;
        let open = sight.controller.is_unlocked(sight.now, Who::Panel);
        let Some(Screen::Lock(entry)) = self.trail.last_mut() else { return None };
        match rule {
            LockRule::Code(_) if !open => {
                let key = code(entry);
                entry.go_on().then_some(Wish::Input(Input::Unlock { who: Who::Panel, key }))
            }
            LockRule::Press if !open => None,
            _ => {
                self.leave();
                None
            }
        }
    }

    fn next_letter<const N: usize>(&mut self, sight: &Sight<'_, N>) {
        let Some(Screen::Sign(entry)) = self.trail.last_mut() else { return };
        if !entry.go_on() {
            return;
        }
        let mut name = Name::new();
        for place in entry.places {
            // As many letters as there are places fit.
            let _ = name.push(ALPHABET.chars().nth(usize::from(place)).unwrap_or(' '));
        }
        let trimmed = Name::try_from(name.trim()).unwrap_or_default();
        let at = sight.controller.clock().civil(sight.now);
        if trimmed.is_empty() {
            return;
        }
        if let Some(Ok(signed)) = self.walk.as_ref().map(|walk| walk.sign(trimmed, at)) {
            self.signed = Some((signed, Keeping::Owed));
            self.replace(Screen::Signed { at: 0 });
        }
    }

    /// What came of the last wish.
    pub fn answer(&mut self, answer: Answer) {
        let Some(wish) = self.wished.take() else { return };
        let told = match (wish, answer) {
            (Wish::Check, _) | (Wish::Input(Input::Relock { .. }), Answer::Done) => return,
            (Wish::Input(Input::Unlock { .. }), Answer::Done) => Told::Opened,
            (Wish::Clock(_), Answer::Done) => Told::ClockSet,
            (Wish::Clock(_), Answer::NotKept) => Told::ClockNotKept,
            (Wish::Take, Answer::Done | Answer::NotKept) if self.draft.is_none() => return,
            (Wish::Recall(_), Answer::Done) => {
                self.replace(Screen::Review { at: 0 });
                return;
            }
            (Wish::Speak(_), Answer::Done) => Told::LineSet,
            (Wish::StoreBaseline, Answer::Done) => Told::BaselineStored,
            (Wish::StoreBaseline | Wish::Recall(_) | Wish::Speak(_), Answer::NotKept) | (_, Answer::NotStored) => {
                Told::NotStored
            }
            (Wish::Take, Answer::Done) => Told::Taken,
            (Wish::Take, Answer::NotKept) => Told::TakenNotKept,
            (_, Answer::NoBaseline) => Told::NoBaseline,
            (_, Answer::NotWired) => Told::NotWired,
            (_, Answer::AtRestart) => Told::AtRestart,
            (_, Answer::NotTaken(why)) => {
                self.verdict = Some(why);
                Told::NotTaken
            }
            (_, Answer::Moving) => Told::ValveMoves,
            (_, Answer::Refused(why)) => Told::Refused(why),
            (Wish::Input(_), Answer::Done | Answer::NotKept) => Told::Granted,
        };
        if matches!(told, Told::Taken | Told::TakenNotKept | Told::AtRestart) {
            self.draft = None;
            self.verdict = None;
            // Back to the groups: there is nothing to review any more.
            self.leave();
        }
        let stays = matches!(self.screen(), Screen::AlarmDeeds { .. } | Screen::Trials { .. } | Screen::Lock(_));
        match (self.screen(), told) {
            (Screen::Lock(entry), Told::Refused(_)) if entry.at > 0 => self.replace_below(told),
            (Screen::Baselines { .. }, _) => self.open(Screen::Told { told, at: 0 }),
            (Screen::ReviewDeeds { .. }, Told::NotTaken | Told::ValveMoves | Told::NotWired | Told::NotStored) => {
                self.open(Screen::Told { told, at: 0 })
            }
            _ if stays && matches!(told, Told::Refused(_)) => self.open(Screen::Told { told, at: 0 }),
            _ => self.replace(Screen::Told { told, at: 0 }),
        }
    }

    /// A wrong code is begun anew.
    fn replace_below(&mut self, told: Told) {
        self.replace(Screen::Lock(Entry::new()));
        self.open(Screen::Told { told, at: 0 });
    }
}

/// The code that the digits up to the one that is being set make; more than any code can be is none.
fn code<const L: usize>(entry: &Entry<L>) -> Key {
    let set = entry.places.iter().take(usize::from(entry.at).saturating_add(1));
    let number = set.fold(0u64, |sum, digit| sum.saturating_mul(10).saturating_add(u64::from(*digit)));
    u32::try_from(number).map_or(Key::Press, Key::Code)
}

fn kind_of(of: Amount) -> Kind {
    match of {
        Amount::Caught => Kind::Pulse,
        Amount::Feed { .. } => Kind::Hardness,
        Amount::Treated { .. } => Kind::Trace,
    }
}
