//! A panel on a board: reads the buttons, draws what has changed, and has done what a person wants.
//!
//! One pass does one thing that takes time at the most: it lays the page out, or it sends one row of it. What a person
//! waits for comes within a tenth of a second, and the control loop never waits for a display.

use bedkeeper::draft::ResetTo;
use bedkeeper::journal::Who;
use embedded_graphics::Pixel;
use embedded_graphics::draw_target::DrawTarget;
use embedded_graphics::geometry::{OriginDimensions, Size};
use embedded_graphics::pixelcolor::BinaryColor;

use crate::archive::{Archive, Latest};
use crate::baseline::{Baseline, Done, Refused};
use crate::link::Place;
use crate::link::staging::Label;
use crate::machine::{Board, Machine, PinFault, Records};
use crate::panel::kept;
use crate::panel::page::{ROW_HEIGHT, WIDTH};
use crate::panel::{Answer, Buttons, Page, Panel, Press, Sight, Units, Wish};
use crate::self_test::{Check, Findings, plausible_contacts, plausible_switches};

/// What is seen is looked at anew so often.
const LOOK_MS: u64 = 500;
/// A display or a set of buttons that does not answer is tried again after so long.
const RETRY_MS: u64 = 5_000;
/// Buttons are read so often.
const READ_MS: u64 = 10;
/// Units are kept no more often than this: whoever plays with them wears no flash.
const KEEP_AGAIN_MS: u64 = 60_000;
/// Every row.
const ALL_ROWS: u8 = 0xff;

/// The dots of one row: a byte for each column, its lowest bit at the top, as the usual display controllers want it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Strip(pub [u8; 128]);

impl OriginDimensions for Strip {
    fn size(&self) -> Size {
        Size::new(WIDTH, ROW_HEIGHT)
    }
}

impl DrawTarget for Strip {
    type Color = BinaryColor;
    type Error = core::convert::Infallible;

    fn draw_iter<I: IntoIterator<Item = Pixel<BinaryColor>>>(&mut self, pixels: I) -> Result<(), Self::Error> {
        for Pixel(at, color) in pixels {
            let bit = u32::try_from(at.y).ok().filter(|y| *y < ROW_HEIGHT).and_then(|y| 1u8.checked_shl(y));
            let column = usize::try_from(at.x).ok().and_then(|x| self.0.get_mut(x));
            if let (Some(bit), Some(column)) = (bit, column) {
                *column = if color.is_on() { *column | bit } else { *column & !bit };
            }
        }
        Ok(())
    }
}

/// A display and its buttons.
pub trait Face {
    /// Makes the display ready; says whether it answers.
    fn begin(&mut self) -> bool;

    /// Shows a row, from 0; says whether the display took it.
    fn show(&mut self, row: u8, dots: &Strip) -> bool;

    /// Which buttons are pressed, in the order of [`BUTTONS`](crate::panel::BUTTONS); `None` if they do not answer.
    fn buttons(&mut self) -> Option<[bool; 4]>;
}

/// What the board is asked to do, besides what the front has done itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Errand {
    /// The self-test, as far as the board alone can make it.
    SelfTest,
}

/// The panel of a board.
#[derive(Debug)]
pub struct Front<F> {
    face: F,
    panel: Panel,
    buttons: Buttons,
    findings: Findings,
    /// What is to be seen, and the rows of it that the display does not show yet, bit i = row i.
    page: Page,
    owed: u8,
    /// The display answers.
    lit: bool,
    look_at_ms: u64,
    begin_at_ms: u64,
    read_at_ms: u64,
    /// Buttons have answered since power came, and a display has: what has never been there does not fail.
    has_buttons: bool,
    has_display: bool,
    /// The buttons are to be judged at the next reading.
    judges_buttons: bool,
    /// What was signed before power came has been looked up.
    recalled: bool,
    /// The units that the board keeps, as they were last seen (O5).
    units_kept: Option<Units>,
    keep_units_at_ms: u64,
}

impl<F: Face> Front<F> {
    /// Nothing is shown yet.
    pub fn new(face: F) -> Self {
        Self {
            face,
            panel: Panel::new(Units::Metric),
            buttons: Buttons::new(),
            findings: Findings::new(),
            page: Page::default(),
            owed: ALL_ROWS,
            lit: false,
            look_at_ms: 0,
            begin_at_ms: 0,
            read_at_ms: 0,
            has_buttons: false,
            has_display: false,
            judges_buttons: true,
            recalled: false,
            units_kept: None,
            keep_units_at_ms: 0,
        }
    }

    /// What the board has found out about itself, to be added to.
    pub fn findings_mut(&mut self) -> &mut Findings {
        &mut self.findings
    }

    /// What the board has found out about itself.
    #[must_use]
    pub fn findings(&self) -> &Findings {
        &self.findings
    }

    /// The panel, to look at.
    #[must_use]
    pub fn panel(&self) -> &Panel {
        &self.panel
    }

    /// One pass, after the control loop's own.
    ///
    /// # Errors
    /// A pin fails.
    pub fn pass<B, const N: usize, const S: usize>(
        &mut self,
        machine: &mut Machine<B, N, S>,
        place: &mut impl Place,
        label: &Label,
        uptime_ms: u64,
    ) -> Result<Option<Errand>, PinFault<B>>
    where
        B: Board,
        B::Records: Latest + Archive,
    {
        self.keep_signed(machine);
        self.keep_units(machine, uptime_ms)?;
        if let Some(press) = self.read(uptime_ms) {
            self.look_at_ms = uptime_ms;
            // The first press only wakes a dark display.
            if !self.is_dark(machine, uptime_ms) {
                return self.press(press, machine, place, label, uptime_ms);
            }
            self.panel.wake(uptime_ms);
            return Ok(None);
        }
        if uptime_ms >= self.look_at_ms {
            self.look(machine, label, uptime_ms);
        } else if !self.lit {
            self.light(uptime_ms);
        } else if self.owed != 0 {
            self.send(uptime_ms);
        }
        Ok(None)
    }

    /// Looks up the walk that was signed before power came, and keeps one that was signed since; writing stops the core (O6).
    fn keep_signed<B, const N: usize, const S: usize>(&mut self, machine: &mut Machine<B, N, S>)
    where
        B: Board,
        B::Records: Archive,
    {
        if !core::mem::replace(&mut self.recalled, true)
            && let Some(signed) = machine.parts_mut().records.signed()
        {
            self.panel.recall(signed);
        }
        if let Some(signed) = self.panel.to_keep().filter(|_| !machine.is_moving()) {
            let kept = machine.parts_mut().records.keep_signed(signed);
            self.panel.note_kept(kept);
        }
    }

    /// Units that were chosen here are kept once no valve moves; those that came over the line or from flash are shown (O5).
    fn keep_units<B: Board, const N: usize, const S: usize>(
        &mut self,
        machine: &mut Machine<B, N, S>,
        uptime_ms: u64,
    ) -> Result<(), PinFault<B>> {
        let kept = machine.manners().units;
        if self.units_kept.replace(kept) != Some(kept) {
            self.panel.units = kept;
        } else if self.panel.units != kept && !machine.is_moving() && uptime_ms >= self.keep_units_at_ms {
            self.keep_units_at_ms = uptime_ms.saturating_add(KEEP_AGAIN_MS);
            if machine.keep_units(self.panel.units, uptime_ms)? {
                self.units_kept = Some(self.panel.units);
            }
        }
        Ok(())
    }

    /// Lights that show nothing new wear out; an alarm keeps them on.
    fn is_dark<B: Board, const N: usize, const S: usize>(&self, machine: &Machine<B, N, S>, uptime_ms: u64) -> bool {
        self.panel.is_idle(uptime_ms) && machine.controller().outputs().alarms.is_empty()
    }

    fn read(&mut self, uptime_ms: u64) -> Option<Press> {
        if uptime_ms < self.read_at_ms {
            return None;
        }
        let levels = self.face.buttons();
        self.read_at_ms = uptime_ms.saturating_add(if levels.is_some() { READ_MS } else { RETRY_MS });
        self.has_buttons |= levels.is_some();
        if core::mem::replace(&mut self.judges_buttons, levels.is_none()) && self.has_buttons {
            self.findings.note_passed(Check::Buttons, levels == Some([false; 4]));
        }
        self.buttons.poll(uptime_ms, levels.unwrap_or_default())
    }

    /// Lays the page out anew, and notes what of it has changed.
    fn look<B, const N: usize, const S: usize>(&mut self, machine: &mut Machine<B, N, S>, label: &Label, uptime_ms: u64)
    where
        B: Board,
        B::Records: Latest + Archive,
    {
        self.look_at_ms = uptime_ms.saturating_add(LOOK_MS);
        if let Some(wanted) = self.panel.wants() {
            self.panel.give(kept::fetch(&mut machine.parts_mut().records, wanted));
        }
        if let Some(same) = machine.keeps_pace() {
            self.findings.note_passed(Check::Pace, same);
        }
        let sight = sight(machine, label, &self.findings, uptime_ms);
        self.panel.look(&sight, uptime_ms);
        let page = if self.is_dark(machine, uptime_ms) { Page::default() } else { self.panel.page(&sight) };
        self.owed |= page.changed_rows(&self.page);
        self.page = page;
    }

    fn light(&mut self, uptime_ms: u64) {
        if uptime_ms < self.begin_at_ms {
            return;
        }
        self.lit = self.face.begin();
        self.has_display |= self.lit;
        if self.has_display {
            self.findings.note_passed(Check::Display, self.lit);
        }
        self.owed = ALL_ROWS;
        self.begin_at_ms = uptime_ms.saturating_add(RETRY_MS);
    }

    /// Sends the uppermost row that is owed.
    fn send(&mut self, uptime_ms: u64) {
        let row = self.owed.trailing_zeros();
        let mut dots = Strip([0; 128]);
        let Ok(()) = self.page.draw_row(usize::try_from(row).unwrap_or(0), &mut dots);
        if self.face.show(u8::try_from(row).unwrap_or(0), &dots) {
            self.owed &= !1u8.checked_shl(row).unwrap_or(0);
        } else {
            self.lit = false;
            self.findings.note_passed(Check::Display, false);
            self.begin_at_ms = uptime_ms.saturating_add(RETRY_MS);
        }
    }

    fn press<B, const N: usize, const S: usize>(
        &mut self,
        press: Press,
        machine: &mut Machine<B, N, S>,
        place: &mut impl Place,
        label: &Label,
        uptime_ms: u64,
    ) -> Result<Option<Errand>, PinFault<B>>
    where
        B: Board,
        B::Records: Latest + Archive,
    {
        let sight = sight(machine, label, &self.findings, uptime_ms);
        let answer = match self.panel.press(press, &sight, uptime_ms) {
            None => return Ok(None),
            Some(Wish::Input(input)) => machine.ask(uptime_ms, input)?.map_or_else(Answer::Refused, |()| Answer::Done),
            Some(Wish::Clock(civil)) => match machine.set_clock(uptime_ms, civil, Who::Panel)? {
                Ok(true) => Answer::Done,
                Ok(false) => Answer::NotKept,
                Err(refused) => Answer::Refused(refused),
            },
            // Nothing here restarts: what describes another plant waits for the next power-up.
            Some(Wish::Take) => match self.panel.draft() {
                Some(draft) => told(machine.change(draft, place, label, Who::Panel, true, uptime_ms)?),
                None => Answer::Done,
            },
            Some(Wish::StoreBaseline) => {
                told(machine.store_baseline(label, Who::Panel, uptime_ms)?.map(|()| Done::Kept))
            }
            Some(Wish::Speak(manners)) => {
                let wanted = manners.beside(machine.manners());
                told(machine.speak(wanted, Who::Panel, uptime_ms)?.map(|()| Done::Kept))
            }
            Some(Wish::Recall(to)) => self.recall(to, machine),
            Some(Wish::Check) => {
                self.look_at_inputs(machine);
                self.panel.answer(Answer::Done);
                return Ok(Some(Errand::SelfTest));
            }
        };
        self.panel.answer(answer);
        Ok(None)
    }

    /// Judges the inputs as they were last read.
    pub fn look_at_inputs<B: Board, const N: usize, const S: usize>(&mut self, machine: &Machine<B, N, S>) {
        let (wired, closed) = machine.contacts();
        let switches = plausible_switches(machine.controller().settings(), &machine.switches());
        self.findings.note(Check::Switches, switches);
        self.findings.note(Check::Contacts, plausible_contacts(wired, closed));
        self.judges_buttons = true;
    }

    /// The draft becomes what leads back to a baseline; it is seen before it is taken (O3).
    fn recall<B: Board, const N: usize, const S: usize>(
        &mut self,
        to: Baseline,
        machine: &mut Machine<B, N, S>,
    ) -> Answer {
        let site = match to {
            Baseline::BuiltIn => None,
            Baseline::Site => match machine.parts_mut().records.baseline() {
                Some(image) => Some(image.raw),
                None => return Answer::NoBaseline,
            },
        };
        self.panel.fill(machine.controller().settings(), site.as_ref().map_or(ResetTo::BuiltIn, ResetTo::Site));
        Answer::Done
    }
}

/// What came of a change of settings or a baseline, as the panel tells it.
fn told(result: Result<Done, Refused>) -> Answer {
    match result {
        Ok(Done::Kept) => Answer::Done,
        Ok(Done::NotKept) => Answer::NotKept,
        Ok(Done::AtRestart) => Answer::AtRestart,
        Err(Refused::Locked) => Answer::Refused(bedkeeper::Refused::Locked),
        Err(Refused::ValveMoves) => Answer::Moving,
        Err(Refused::NoBaseline) => Answer::NoBaseline,
        // The panel offers none that there are not.
        Err(Refused::NotStored | Refused::NoSuchManners) => Answer::NotStored,
        Err(Refused::NotWired(_)) => Answer::NotWired,
        Err(Refused::NotTaken(why)) => Answer::NotTaken(why),
    }
}

/// What the panel may look at.
fn sight<'s, B, const N: usize, const S: usize>(
    machine: &'s Machine<B, N, S>,
    label: &'s Label,
    findings: &'s Findings,
    uptime_ms: u64,
) -> Sight<'s, N>
where
    B: Board,
    B::Records: Latest + Archive,
{
    Sight {
        controller: machine.controller(),
        now: machine.instant(uptime_ms),
        recent: machine.records(),
        tests: machine.records().hardness_tests(),
        erasures: machine.erasures(),
        manners: machine.manners(),
        name: &label.name,
        note: &label.note,
        contacts: machine.contacts(),
        switches: machine.switches(),
        findings,
    }
}
