//! What is looked up in flash for a screen: one regeneration or one week of days at a time (P7).
//!
//! A screen is laid out from what is at hand. What it shows of a history is fetched once, when it comes to be seen: to read
//! a history takes longer than to lay a page out.

use bedkeeper::chronicle::RegenerationRecord;
use bedkeeper::reserve::DayUse;
use heapless::Vec;

use super::Panel;
use super::screen::Screen;
use crate::archive::Archive;

/// Days on one page.
pub const WEEK: usize = 7;

/// What a screen shows of a history, counted from the newest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wanted {
    /// A regeneration.
    Regeneration(u8),
    /// Seven days.
    Week(u8),
}

/// What was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fetched {
    pub(super) wanted: Wanted,
    /// How many such pages there are.
    pub(super) of: u8,
    pub(super) regeneration: Option<RegenerationRecord>,
    /// The newest first.
    pub(super) days: Vec<DayUse, WEEK>,
}

/// Looks it up.
pub fn fetch(archive: &mut impl Archive, wanted: Wanted) -> Fetched {
    let mut count = 0usize;
    match wanted {
        Wanted::Regeneration(_) => archive.regenerations(0, &mut |_, _| counted(&mut count)),
        Wanted::Week(_) => archive.days(0, &mut |_, _| counted(&mut count)),
    }
    let mut found = Fetched { wanted, of: 0, regeneration: None, days: Vec::new() };
    let mut place = 0usize;
    match wanted {
        Wanted::Regeneration(back) => {
            found.of = u8::try_from(count).unwrap_or(u8::MAX);
            let at = count.checked_sub(usize::from(back).saturating_add(1));
            archive.regenerations(0, &mut |_, record| {
                if Some(place) == at {
                    found.regeneration = Some(record.clone());
                }
                place = place.saturating_add(1);
                at.is_some_and(|at| place <= at)
            });
        }
        Wanted::Week(back) => {
            found.of = u8::try_from(count.div_ceil(WEEK)).unwrap_or(u8::MAX);
            let to = count.saturating_sub(usize::from(back).saturating_mul(WEEK));
            let from = to.saturating_sub(WEEK);
            archive.days(0, &mut |_, day| {
                if (from..to).contains(&place) {
                    // No more than seven are in view.
                    let _ = found.days.push(*day);
                }
                place = place.saturating_add(1);
                place < to
            });
            found.days.reverse();
        }
    }
    found
}

fn counted(count: &mut usize) -> bool {
    *count = count.saturating_add(1);
    true
}

impl Panel {
    /// What whoever drives the panel is to [`fetch`], and give to [`Panel::give`], before the screen is laid out.
    #[must_use]
    pub fn wants(&self) -> Option<Wanted> {
        let wanted = match self.screen() {
            Screen::Regenerations { at } | Screen::Regeneration { back: at, .. } => Wanted::Regeneration(*at),
            Screen::Days { at } => Wanted::Week(*at),
            _ => return None,
        };
        let at_hand = self.fetched.as_ref().is_some_and(|fetched| fetched.wanted == wanted);
        (!at_hand).then_some(wanted)
    }

    /// What was looked up.
    pub fn give(&mut self, fetched: Fetched) {
        self.fetched = Some(fetched);
    }

    /// Pages of the history that is seen.
    pub(super) fn pages(&self) -> usize {
        self.fetched.as_ref().map_or(0, |fetched| usize::from(fetched.of))
    }
}
