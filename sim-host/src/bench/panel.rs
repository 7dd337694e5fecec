//! The panel of a board, on the bench: what its display shows, and its buttons.

use bedkeeper::contact::{Contact, ContactSet};
use bedkeeper::draft::{Draft, ResetTo};
use bedkeeper::journal::Who;
use bedkeeper::units::Instant;
use bedkeeper::{Input, RawSettings, Settings};
use bedkeeper_runtime::baseline::Baseline;
use bedkeeper_runtime::draw::Pixel;
use bedkeeper_runtime::draw::draw_target::DrawTarget;
use bedkeeper_runtime::draw::geometry::{OriginDimensions, Size};
use bedkeeper_runtime::draw::pixelcolor::BinaryColor;
use bedkeeper_runtime::manners::Manners;
use bedkeeper_runtime::panel::kept::fetch;
use bedkeeper_runtime::panel::page::{BODY_ROWS, Look};
use bedkeeper_runtime::panel::{Answer, Page, Panel, Press, Screen, Sight, Units, Wish};
use bedkeeper_runtime::self_test::Findings;
use serde::Serialize;

use super::kept::Kept;
use super::session::{Session, SessionError};
use crate::quantity::UnitSystem;
use crate::scenario::Deed;

/// Dots across and down.
pub(super) const WIDTH: usize = 128;
pub(super) const HEIGHT: usize = 64;
/// So many records can be read on the panel, as on a board.
const RECORDS: usize = 64;

/// A board's panel over a session.
pub struct BoardPanel {
    panel: Panel,
    findings: Findings,
    /// The site's own baseline: kept as long as the bench is, power cuts or not (O3).
    baseline: Option<RawSettings>,
    /// What its line would speak like, if it had one.
    manners: Manners,
}

impl BoardPanel {
    /// A panel that shows the session's units.
    #[must_use]
    pub fn new(session: &Session) -> Self {
        let units = match session.plan().scenario.site.units {
            UnitSystem::Metric => Units::Metric,
            UnitSystem::Us => Units::Us,
        };
        Self { panel: Panel::new(units), findings: Findings::new(), baseline: None, manners: Manners::default() }
    }

    /// What is seen; nothing while power is off.
    #[must_use]
    pub fn view(&self, session: &Session) -> PanelView {
        PanelView::of(&self.with_sight(session, |panel, sight| panel.page(sight)).unwrap_or_default())
    }

    /// Looks at the plant as it is now.
    fn with_sight<T>(&self, session: &Session, look: impl FnOnce(&Panel, &Sight<'_, 8>) -> T) -> Option<T> {
        let world = session.world().filter(|world| !world.supply.is_dark())?;
        let site = &session.plan().scenario.site;
        let records = session.last_records(RECORDS);
        let mut closed = ContactSet::EMPTY;
        let mut wired = ContactSet::EMPTY;
        for contact in Contact::ALL.iter().copied() {
            wired.insert(contact);
            if session.is_closed(contact) {
                closed.insert(contact);
            }
        }
        let mut switches = [None; bedkeeper::settings::MAX_TANKS];
        for (place, valve) in switches.iter_mut().zip(world.valves()) {
            *place = Some(valve.switches());
        }
        let kept = match self.panel.screen() {
            Screen::Tests { .. } => Kept::of(&session.last_records(usize::MAX)),
            _ => Kept::default(),
        };
        let sight = Sight {
            controller: &world.controller,
            now: Instant::from_ticks(world.now_ms),
            recent: &records.as_slice(),
            tests: kept.hardness.entries(),
            erasures: 0,
            manners: self.manners,
            name: &site.name,
            note: &site.note,
            contacts: (wired, closed),
            switches,
            findings: &self.findings,
        };
        Some(look(&self.panel, &sight))
    }

    /// A button is pressed: what the panel wants happens to the plant.
    ///
    /// # Errors
    /// The plant stopped.
    pub fn press(&mut self, press: Press, session: &mut Session) -> Result<(), SessionError> {
        // Time on the bench runs as it is told: a panel there is never left alone for too long.
        let pressed = self.with_sight(session, |panel, sight| {
            let mut panel = panel.clone();
            panel.look(sight, 0);
            let wish = panel.press(press, sight, 0);
            (panel, wish)
        });
        let Some((panel, wish)) = pressed else { return Ok(()) };
        self.panel = panel;
        if let Some(wanted) = self.panel.wants() {
            let mut kept = Kept::of(&session.last_records(usize::MAX));
            self.panel.give(fetch(&mut kept, wanted));
        }
        if self.panel.to_keep().is_some() {
            // A scenario keeps nothing of a panel over a power cut.
            self.panel.note_kept(false);
        }
        let Some(wish) = wish else { return Ok(()) };
        let answer = self.fulfil(wish, session)?;
        self.panel.answer(answer);
        Ok(())
    }

    fn fulfil(&mut self, wish: Wish, session: &mut Session) -> Result<Answer, SessionError> {
        let deed = match wish {
            Wish::Input(Input::Operator { who, action }) => Deed::Operator(who, action),
            Wish::Input(Input::Unlock { who, key }) => Deed::Unlock(who, key),
            Wish::Input(Input::Relock { who }) => Deed::Relock(who),
            Wish::Input(_) | Wish::Check => return Ok(Answer::Done),
            Wish::Clock(civil) => {
                let since = i64::try_from(civil.0).unwrap_or(i64::MAX);
                let epoch = jiff::civil::date(2_000, 1, 1).at(0, 0, 0, 0);
                let told = epoch.checked_add(jiff::SignedDuration::from_millis(since));
                Deed::ClockSet(told.unwrap_or(epoch))
            }
            Wish::Take => return self.panel.draft().map_or(Ok(Answer::Done), |draft| take(draft, session)),
            Wish::Speak(manners) => {
                self.manners = manners;
                return Ok(Answer::Done);
            }
            Wish::StoreBaseline => {
                self.baseline = session.world().map(|world| world.controller.settings().raw().clone());
                return Ok(Answer::Done);
            }
            Wish::Recall(to) => {
                let to = match (to, &self.baseline) {
                    (Baseline::BuiltIn, _) => ResetTo::BuiltIn,
                    (Baseline::Site, Some(site)) => ResetTo::Site(site),
                    (Baseline::Site, None) => return Ok(Answer::NoBaseline),
                };
                if let Some(world) = session.world() {
                    self.panel.fill(world.controller.settings(), to);
                }
                return Ok(Answer::Done);
            }
        };
        // A deed tells no reason, so that it is tried on a copy first: the same logic, in the same state.
        let told = match (&wish, session.world()) {
            (Wish::Input(input), Some(world)) => {
                world.controller.clone().handle(Instant::from_ticks(world.now_ms), *input)
            }
            _ => Ok(()),
        };
        session.happen(deed)?;
        Ok(told.map_or_else(Answer::Refused, |()| Answer::Done))
    }
}

/// Offers a draft to the plant.
fn take(draft: &Draft, session: &mut Session) -> Result<Answer, SessionError> {
    let Some(world) = session.world() else { return Ok(Answer::Done) };
    let now = Instant::from_ticks(world.now_ms);
    if let Err(why) = draft.take(&mut world.controller.clone(), now, Who::Panel) {
        return Ok(Answer::NotTaken(why));
    }
    let Ok(settings) = Settings::try_from(draft.raw.clone()) else { return Ok(Answer::Done) };
    session.happen(Deed::Settings { settings: Box::new(settings), refused: false })?;
    // A scenario keeps no settings over a power cut.
    Ok(Answer::NotKept)
}

/// A display as dots.
struct Dots([bool; WIDTH * HEIGHT]);

impl OriginDimensions for Dots {
    fn size(&self) -> Size {
        Size::new(128, 64)
    }
}

impl DrawTarget for Dots {
    type Color = BinaryColor;
    type Error = core::convert::Infallible;

    fn draw_iter<I: IntoIterator<Item = Pixel<BinaryColor>>>(&mut self, pixels: I) -> Result<(), Self::Error> {
        for Pixel(at, color) in pixels {
            let place = usize::try_from(at.y).ok().zip(usize::try_from(at.x).ok()).filter(|(_, x)| *x < WIDTH);
            if let Some(dot) = place.and_then(|(y, x)| self.0.get_mut(y * WIDTH + x)) {
                *dot = color.is_on();
            }
        }
        Ok(())
    }
}

/// What the display shows, for whoever draws it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct PanelView {
    /// The title and the rows below it, as text.
    pub rows: Vec<PanelRow>,
    /// The first row of the text that is in view, from 1, and how many rows it has; absent where all of it is in view.
    pub part: Option<(u16, u16)>,
    /// The dots, row by row, each four dots a hexadecimal digit, the leftmost the highest bit.
    pub dots: Vec<String>,
}

/// A row as text.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct PanelRow {
    /// What it says, without what only fills the row.
    pub text: String,
    /// `plain`, `title`, `marked` where the cursor is, or `gauge`.
    pub look: &'static str,
    /// How full a bar before the text is, per cent.
    pub percent: Option<u8>,
}

impl PanelView {
    /// A page as text and as dots.
    #[must_use]
    pub fn of(page: &Page) -> Self {
        let rows = page.rows.iter().map(|row| {
            let (look, percent) = match row.look {
                Look::Plain => ("plain", None),
                Look::Title => ("title", None),
                Look::Marked => ("marked", None),
                Look::Gauge(percent) => ("gauge", Some(percent.min(100))),
            };
            PanelRow { text: row.text.trim_end().to_owned(), look, percent }
        });
        let longer = usize::from(page.view.of) > BODY_ROWS;
        let mut dots = Dots([false; WIDTH * HEIGHT]);
        let Ok(()) = page.draw(&mut dots);
        let digit = |four: &[bool]| four.iter().fold(0, |bits, lit| bits << 1 | u32::from(*lit));
        let line = |line: &[bool]| line.chunks(4).filter_map(|four| char::from_digit(digit(four), 16)).collect();
        Self {
            rows: rows.collect(),
            part: longer.then(|| (page.view.above + 1, page.view.of)),
            dots: dots.0.chunks(WIDTH).map(line).collect(),
        }
    }

    /// Whether a dot is lit.
    #[must_use]
    pub fn is_lit(&self, x: usize, y: usize) -> bool {
        let digit = self
            .dots
            .get(y)
            .and_then(|line| line.as_bytes().get(x / 4))
            .and_then(|digit| char::from(*digit).to_digit(16));
        digit.is_some_and(|digit| digit & (8 >> (x % 4)) != 0)
    }
}
