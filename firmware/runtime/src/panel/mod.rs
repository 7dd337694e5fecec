//! A small panel: a display of 128×64 dots and four buttons, sans-IO.
//!
//! ```text
//!   levels ──▶ buttons ──▶ press ──▶ Panel ──▶ wish ──▶ whoever drives it ──▶ logic, store, clock
//!                                      ▲                        │
//!                                      └──────── answer ◀───────┘
//!   sight (logic, journal, inputs) ──▶ Panel ──▶ page of 8 rows ──▶ a DrawTarget, whole or row by row
//! ```
//! The panel keeps where a person is ([`Screen`], data in its variants), a draft of settings and a walk through a new plant;
//! everything else it looks up in a [`Sight`]. [`Panel::page`] says what is seen, [`Panel::press`] takes a press and may give
//! a [`Wish`], and [`Panel::answer`] is told what came of it. Nothing here reads a pin or waits.
//!
//! Looking is free. What changes anything goes through the lock (O1), is asked once more with its cautions, and is the
//! logic's to grant or refuse: the panel shows its reason.

pub mod buttons;
pub mod expected;
pub mod fields;
pub mod kept;
mod moves;
pub mod page;
mod screen;
pub mod show;
mod views;
mod views_kept;
mod views_settings;
mod views_trials;
pub mod words;

use bedkeeper::calendar::Civil;
use bedkeeper::commission::{MeterCheck, SignedOff, Walk};
use bedkeeper::draft::{Draft, NotTaken, ResetTo};
use bedkeeper::journal::Event;
use bedkeeper::settings::Settings;
use bedkeeper::{Input, Refused};
use heapless::Vec;

pub use buttons::{BUTTONS, Button, Buttons, Knob, Press};
pub use page::{Body, Page};
pub use screen::{Amount, Choice, Entry, LineField, Moments, Screen, Told};
pub use show::Units;
pub use views::Sight;

use crate::baseline::Baseline;
use crate::manners::Manners;
use kept::Fetched;
use page::{BODY_ROWS, View};

/// So many screens lie below the one that is seen at most.
const TRAIL: usize = 10;
/// Nobody has pressed a button for so long: the panel goes back to its first screen, and a draft is dropped.
pub const IDLE_MS: u64 = 10 * 60_000;

/// What the panel wants done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wish {
    /// The logic is told this; the answer is whether it was refused.
    Input(Input),
    /// The clock is set, in the hardware and in the logic.
    Clock(Civil),
    /// [`Panel::draft`] is offered to the logic, and kept for the next power-up if it is taken.
    Take,
    /// The settings that run are stored as the site's own baseline (O3).
    StoreBaseline,
    /// [`Panel::fill`] is to be called with a baseline; its changes are seen before they are taken.
    Recall(Baseline),
    /// The board is to speak so.
    Speak(Manners),
    /// The self-test is made.
    Check,
}

/// What came of a wish.
#[derive(Clone, Debug, PartialEq, Eq)]
#[allow(clippy::large_enum_variant, reason = "every fault is listed, and there is no heap to box them on")]
pub enum Answer {
    /// It was done.
    Done,
    /// The logic refused it.
    Refused(Refused),
    /// It is done until power fails: nothing kept it.
    NotKept,
    /// The changes were not taken.
    NotTaken(NotTaken),
    /// A valve moves, so that nothing can be kept now.
    Moving,
    /// No baseline of the site was stored.
    NoBaseline,
    /// It could not be stored, and nothing has changed.
    NotStored,
    /// The board has not what those settings need.
    NotWired,
    /// The settings are kept, and run from the next power-up on.
    AtRestart,
}

/// Whether the signed record of a walk outlives a power cut (O6).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keeping {
    /// It waits until no valve moves.
    Owed,
    /// It does.
    Kept,
    /// It could not be written.
    Failed,
}

/// The panel.
#[derive(Clone, Debug)]
pub struct Panel {
    /// Where the person is, and how they came there.
    trail: Vec<Screen, TRAIL>,
    /// Which units are shown.
    pub units: Units,
    draft: Option<Draft>,
    verdict: Option<NotTaken>,
    walk: Option<Walk>,
    checked: Option<MeterCheck>,
    signed: Option<(SignedOff, Keeping)>,
    fetched: Option<Fetched>,
    /// The last wish is not answered yet.
    wished: Option<Wish>,
    noted: u32,
    pressed_ms: u64,
}

impl Panel {
    /// At its first screen.
    #[must_use]
    pub fn new(units: Units) -> Self {
        let mut trail = Vec::new();
        // There is room for one.
        let _ = trail.push(Screen::Home { at: 0 });
        Self {
            trail,
            units,
            draft: None,
            verdict: None,
            walk: None,
            checked: None,
            signed: None,
            fetched: None,
            wished: None,
            noted: 0,
            pressed_ms: 0,
        }
    }

    /// The screen that is seen.
    #[must_use]
    pub fn screen(&self) -> &Screen {
        const HOME: &Screen = &Screen::Home { at: 0 };
        self.trail.last().unwrap_or(HOME)
    }

    /// The settings that are being changed, if some are.
    #[must_use]
    pub fn draft(&self) -> Option<&Draft> {
        self.draft.as_ref()
    }

    /// The changes become those that lead back to a baseline, the locks apart: whoever asks is not to lock others in or out
    /// by it (O3).
    pub fn fill(&mut self, running: &Settings, to: ResetTo<'_>) {
        let draft = self.draft.insert(Draft::begin(running));
        let locks = draft.raw.locks;
        draft.reset(to);
        draft.raw.locks = locks;
        self.verdict = None;
    }

    /// Why the last draft was not taken.
    #[must_use]
    pub fn verdict(&self) -> Option<&NotTaken> {
        self.verdict.as_ref()
    }

    /// The walk through a new plant, if one is under way.
    #[must_use]
    pub fn walk(&self) -> Option<&Walk> {
        self.walk.as_ref()
    }

    /// The last meter check of the walk.
    #[must_use]
    pub fn checked(&self) -> Option<MeterCheck> {
        self.checked
    }

    /// The signed record of the walk.
    #[must_use]
    pub fn signed(&self) -> Option<&SignedOff> {
        self.signed.as_ref().map(|(signed, _)| signed)
    }

    /// Whether that outlives a power cut.
    #[must_use]
    pub fn keeping(&self) -> Option<Keeping> {
        self.signed.as_ref().map(|(_, keeping)| *keeping)
    }

    /// A record that is signed and not kept yet: whoever drives the panel keeps it when no valve moves, and says so to
    /// [`Panel::note_kept`].
    #[must_use]
    pub fn to_keep(&self) -> Option<&SignedOff> {
        self.signed.as_ref().filter(|(_, keeping)| *keeping == Keeping::Owed).map(|(signed, _)| signed)
    }

    /// The signed record was written, or could not be.
    pub fn note_kept(&mut self, kept: bool) {
        if let Some((_, keeping)) = &mut self.signed {
            *keeping = if kept { Keeping::Kept } else { Keeping::Failed };
        }
    }

    /// A record was signed before power came last, and kept.
    pub fn recall(&mut self, signed: SignedOff) {
        self.signed = Some((signed, Keeping::Kept));
    }

    /// Opens a screen over the one that is seen.
    pub fn open(&mut self, screen: Screen) {
        if let Err(screen) = self.trail.push(screen)
            && let Some(last) = self.trail.last_mut()
        {
            *last = screen;
        }
    }

    /// What is seen.
    #[must_use]
    pub fn page<const N: usize>(&self, sight: &Sight<'_, N>) -> Page {
        let screen = self.screen();
        let body = self.body(screen, sight);
        let mut page = Page::default();
        let title = views::heading(screen, self, sight);
        let rows = core::iter::once(&title).chain(body.rows());
        for (place, row) in page.rows.iter_mut().zip(rows) {
            *place = row.clone();
        }
        let above = u16::try_from(self.first_row(screen, &body)).unwrap_or(u16::MAX);
        page.view = View { above, of: u16::try_from(body.count()).unwrap_or(u16::MAX) };
        page
    }

    /// The rows of a screen that are in view.
    #[must_use]
    pub fn body<const N: usize>(&self, screen: &Screen, sight: &Sight<'_, N>) -> Body {
        // Once to see where the cursor is and how much there is, once for the rows around it.
        let mut whole = Body::new(usize::MAX, screen.cursor());
        views::lay(screen, self, sight, &mut whole);
        let mut body = Body::new(self.first_row(screen, &whole), screen.cursor());
        views::lay(screen, self, sight, &mut body);
        body
    }

    fn first_row(&self, screen: &Screen, body: &Body) -> usize {
        if body.items() > 0 {
            return body.first_for_cursor();
        }
        let paged = matches!(screen, Screen::Journal { .. } | Screen::Regenerations { .. } | Screen::Days { .. });
        let at = if paged { 0 } else { screen.cursor().unwrap_or(0) };
        at.min(body.count().saturating_sub(BODY_ROWS))
    }

    /// Looks at what has happened since it last did: a walk takes note of it, and a panel that nobody uses goes home.
    pub fn look<const N: usize>(&mut self, sight: &Sight<'_, N>, now_ms: u64) {
        let new = usize::try_from(sight.recent.noted().wrapping_sub(self.noted)).unwrap_or(usize::MAX);
        self.noted = sight.recent.noted();
        if let Some(walk) = self.walk.as_mut().filter(|_| new > 0) {
            let new = new.min(sight.recent.len());
            for back in (0..new).rev() {
                let Some(record) = sight.recent.back(back) else { continue };
                walk.observe(record);
                if let Event::MeterChecked { check, .. } = record.event {
                    self.checked = Some(check);
                }
            }
        }
        if !matches!(self.screen(), Screen::Regenerations { .. } | Screen::Regeneration { .. } | Screen::Days { .. }) {
            // Fetched anew when it is looked at again.
            self.fetched = None;
        }
        if now_ms.saturating_sub(self.pressed_ms) >= IDLE_MS && (self.trail.len() > 1 || self.draft.is_some()) {
            self.go_home();
            self.draft = None;
            self.verdict = None;
        }
    }

    /// Whether nobody has pressed a button for so long that a display may go dark.
    #[must_use]
    pub fn is_idle(&self, now_ms: u64) -> bool {
        now_ms.saturating_sub(self.pressed_ms) >= IDLE_MS
    }

    /// Somebody is there: what is seen is the first screen, lit.
    pub fn wake(&mut self, now_ms: u64) {
        self.pressed_ms = now_ms;
        self.go_home();
    }

    fn go_home(&mut self) {
        self.trail.clear();
        self.open(Screen::Home { at: 0 });
    }

    fn leave(&mut self) {
        if self.trail.len() > 1 {
            let _ = self.trail.pop();
        }
    }

    /// Puts another screen in the place of the one that is seen.
    fn replace(&mut self, screen: Screen) {
        self.leave();
        self.open(screen);
    }
}
