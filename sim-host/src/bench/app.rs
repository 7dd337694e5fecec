//! What keys and the mouse do.

use std::path::PathBuf;
use std::time::Duration;

use bedkeeper::units::TankId;
use crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers, MouseButton, MouseEvent, MouseEventKind};
use ratatui::layout::Rect;

use super::ask::{Ask, Typed};
use super::menu::{Choice, Menu};
use super::pane::{Pane, Scroll, Scrolls};
use super::panel::BoardPanel;
use super::session::{LONG_JUMP_MS, SHORT_JUMP_MS, SPEEDS, Session, SessionError, THE_END};
use crate::scenario::Deed;
use bedkeeper_runtime::panel::{Button, Press};

/// Rows that a turn of the wheel scrolls.
const WHEEL_ROWS: usize = 3;
/// Items that a page key passes in a menu.
const MENU_PAGE: usize = 10;
/// Steps of a figure on the panel that a page key makes.
const PANEL_PAGE: u16 = 10;

/// Where things were drawn last, for the mouse.
#[derive(Clone, Debug, Default)]
pub struct Places {
    /// The rows of each tank; none for one that is out of view.
    pub tanks: Vec<Rect>,
    /// The panes.
    pub panes: Vec<(Pane, Rect)>,
    /// The rows of the menu, and which item each of them belongs to.
    pub menu: Option<(Rect, Vec<usize>)>,
    /// The buttons of the board's panel.
    pub buttons: Vec<(Press, Rect)>,
}

/// The bench as one sees it.
pub struct App {
    /// The plant.
    pub session: Session,
    /// The tank at the cursor.
    pub tank: usize,
    /// Time passes by itself.
    pub plays: bool,
    /// Which of [`SPEEDS`].
    pub speed: usize,
    /// What is being chosen.
    pub menu: Option<Menu>,
    /// A date and time is asked for.
    pub ask: Option<Ask>,
    /// Help is shown.
    pub helps: bool,
    /// How far it is scrolled.
    pub help_scroll: Scroll,
    /// The pane that page keys scroll.
    pub pane: Pane,
    /// How far each pane is scrolled.
    pub scrolls: Scrolls,
    /// The panel of a board.
    pub board: BoardPanel,
    /// It is shown.
    pub shows_board: bool,
    /// What the bench itself has to say.
    pub message: String,
    /// It is over.
    pub quits: bool,
    /// Where things were drawn last.
    pub places: Places,
    /// Where a recorded scenario goes.
    save_to: PathBuf,
}

impl App {
    /// A bench with a plant on it, paused; `save_to` is where a recorded scenario goes.
    #[must_use]
    pub fn new(session: Session, save_to: PathBuf) -> Self {
        let board = BoardPanel::new(&session);
        Self {
            session,
            tank: 0,
            plays: false,
            speed: 2,
            menu: None,
            ask: None,
            helps: false,
            help_scroll: Scroll::default(),
            pane: Pane::Journal,
            scrolls: Scrolls::default(),
            board,
            shows_board: false,
            message: String::new(),
            quits: false,
            places: Places::default(),
            save_to,
        }
    }

    /// The tank at the cursor.
    #[must_use]
    pub fn tank_id(&self) -> TankId {
        TankId(u8::try_from(self.tank).unwrap_or(u8::MAX))
    }

    /// Time on the wall has passed.
    pub fn pass(&mut self, elapsed: Duration) {
        if !self.plays || self.menu.is_some() || self.ask.is_some() || self.helps {
            return;
        }
        let factor = SPEEDS.get(self.speed).copied().unwrap_or(1);
        let ms = u64::try_from(elapsed.as_millis()).unwrap_or(0).saturating_mul(factor);
        let result = self.session.advance(self.session.now_ms().saturating_add(ms));
        self.note(result);
        if self.session.now_ms() >= self.session.end_ms() {
            self.plays = false;
            self.message = THE_END.to_owned();
        }
    }

    fn note(&mut self, result: Result<(), SessionError>) {
        if let Err(error) = result {
            self.plays = false;
            self.message = format!("the plant stopped: {error}; go back with the left arrow");
        }
    }

    /// A key was pressed.
    pub fn key(&mut self, key: KeyEvent) {
        if key.kind == KeyEventKind::Release {
            return;
        }
        if key.modifiers.contains(KeyModifiers::CONTROL) {
            self.quits |= key.code == KeyCode::Char('c');
            return;
        }
        self.message.clear();
        if self.helps {
            return self.help_key(key.code);
        }
        if self.ask.is_some() {
            return self.ask_key(key.code);
        }
        if self.menu.is_some() {
            return self.menu_key(key.code);
        }
        if self.shows_board && self.board_key(key.code) {
            return;
        }
        match key.code {
            KeyCode::Char('b') => self.shows_board = true,
            KeyCode::Char('q') => self.quits = true,
            KeyCode::Char('?' | 'h') => self.helps = true,
            KeyCode::Char(' ') => self.plays = !self.plays,
            KeyCode::Char('n') => self.next(),
            KeyCode::Char('+' | '=') => self.speed = (self.speed + 1).min(SPEEDS.len() - 1),
            KeyCode::Char('-') => self.speed = self.speed.saturating_sub(1),
            KeyCode::Right => self.go_by(SHORT_JUMP_MS, true),
            KeyCode::Left => self.go_by(SHORT_JUMP_MS, false),
            KeyCode::Char('>' | '.') => self.go_by(LONG_JUMP_MS, true),
            KeyCode::Char('<' | ',') => self.go_by(LONG_JUMP_MS, false),
            KeyCode::Home => self.go_by(u64::MAX, false),
            KeyCode::Tab => self.pane = self.pane.next(true),
            KeyCode::BackTab => self.pane = self.pane.next(false),
            KeyCode::PageDown => self.scrolls.of_mut(self.pane).by_page(true),
            KeyCode::PageUp => self.scrolls.of_mut(self.pane).by_page(false),
            KeyCode::Down => self.choose_tank(self.tank + 1),
            KeyCode::Up => self.choose_tank(self.tank.saturating_sub(1)),
            KeyCode::Char(digit @ '1'..='8') => {
                let wanted = usize::try_from(u32::from(digit) - u32::from('1')).unwrap_or(0);
                self.choose_tank(wanted);
            }
            KeyCode::Char('s') => self.save(),
            KeyCode::Char('w') if self.session.draws_by_hand() => self.open(Menu::water()),
            KeyCode::Char('w') => self.message = "a recording draws the water here".to_owned(),
            KeyCode::Char('c') => self.open(Menu::contacts(&self.session)),
            KeyCode::Char('o') => self.open(Menu::operator(&self.session, self.tank_id())),
            KeyCode::Char('f') => self.open(Menu::faults(&self.session, self.tank_id())),
            KeyCode::Char('p') => self.open(Menu::power()),
            KeyCode::Char('k') => self.open(Menu::clock(&self.session)),
            KeyCode::Char('m') => {
                let menu = Menu::plant(&self.session);
                if menu.items.is_empty() {
                    self.message = "water, salt and pressure are modelled with --plant full".to_owned();
                } else {
                    self.open(menu);
                }
            }
            _ => {}
        }
    }

    /// A key while the board's panel is shown; whether it was one of the panel's. Others go on to the bench, so that water can
    /// be drawn under its eyes.
    fn board_key(&mut self, code: KeyCode) -> bool {
        if matches!(code, KeyCode::Esc | KeyCode::Char('b' | 'q')) {
            self.shows_board = false;
            return true;
        }
        let Some(press) = press_of(code) else { return false };
        self.press(press);
        true
    }

    fn press(&mut self, press: Press) {
        let result = self.board.press(press, &mut self.session);
        self.note(result);
    }

    fn help_key(&mut self, code: KeyCode) {
        match code {
            KeyCode::Down => self.help_scroll.by(1, true),
            KeyCode::Up => self.help_scroll.by(1, false),
            KeyCode::PageDown => self.help_scroll.by_page(true),
            KeyCode::PageUp => self.help_scroll.by_page(false),
            _ => {
                self.helps = false;
                self.help_scroll.forget();
            }
        }
    }

    fn ask_key(&mut self, code: KeyCode) {
        let Some(ask) = &mut self.ask else { return };
        match ask.key(code) {
            Typed::More => {}
            Typed::Left => self.ask = None,
            Typed::Given(at) => {
                self.ask = None;
                self.message = format!("the clock is set to {}", at.strftime(super::menu::CLOCK_FORM));
                let result = self.session.happen(Deed::ClockSet(at));
                self.note(result);
            }
        }
    }

    fn choose_tank(&mut self, tank: usize) {
        let wanted = tank.min(self.tanks().saturating_sub(1));
        if wanted != self.tank {
            // What is asked of another tank is read from its beginning.
            self.scrolls.of_mut(Pane::Why).forget();
        }
        self.tank = wanted;
        self.scrolls.of_mut(Pane::Plant).forget();
    }

    fn open(&mut self, menu: Menu) {
        self.menu = Some(menu);
    }

    fn tanks(&self) -> usize {
        usize::from(self.session.plan().scenario.site.settings.tanks)
    }

    fn menu_key(&mut self, code: KeyCode) {
        let Some(menu) = &mut self.menu else { return };
        let last = menu.items.len().saturating_sub(1);
        match code {
            KeyCode::Esc | KeyCode::Char('q') => self.menu = None,
            KeyCode::Up => menu.cursor = menu.cursor.saturating_sub(1),
            KeyCode::Down => menu.cursor = (menu.cursor + 1).min(last),
            KeyCode::PageUp => menu.cursor = menu.cursor.saturating_sub(MENU_PAGE),
            KeyCode::PageDown => menu.cursor = (menu.cursor + MENU_PAGE).min(last),
            KeyCode::Home => menu.cursor = 0,
            KeyCode::End => menu.cursor = last,
            KeyCode::Enter => self.choose(),
            _ => {}
        }
    }

    /// Does what the cursor stands on.
    fn choose(&mut self) {
        let Some(menu) = self.menu.take() else { return };
        let Some((words, choice)) = menu.items.into_iter().nth(menu.cursor) else { return };
        match choice {
            Choice::AskClock => self.ask = Some(Ask::new(self.session.true_time())),
            Choice::Draw(ml_min) => {
                self.session.draw(ml_min);
                self.message = words;
            }
            Choice::Happen(deed) => {
                self.message = words;
                let result = self.session.happen(deed);
                self.note(result);
            }
        }
    }

    fn next(&mut self) {
        self.plays = false;
        let result = self.session.next_record().map(|said| self.message = said.to_owned());
        self.note(result);
    }

    fn go_by(&mut self, ms: u64, forward: bool) {
        let now = self.session.now_ms();
        let to = if forward { now.saturating_add(ms) } else { now.saturating_sub(ms) };
        let result = self.session.jump(to);
        self.note(result);
    }

    fn save(&mut self) {
        let text = self.session.scenario();
        let written = std::fs::File::create_new(&self.save_to)
            .and_then(|mut file| std::io::Write::write_all(&mut file, text.as_bytes()));
        let file = self.save_to.display();
        self.message = match written {
            Ok(()) => format!("written: {file}; bedkeeper verify {file} runs it again"),
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
                crate::cli::output::is_there(&self.save_to, "nothing was written, and --save names another file")
            }
            Err(error) => format!("{file}: cannot be written: {error}"),
        };
    }

    /// The mouse did something.
    pub fn mouse(&mut self, event: MouseEvent) {
        let at = |area: &Rect| area.contains((event.column, event.row).into());
        let pressed = event.kind == MouseEventKind::Down(MouseButton::Left);
        let wheel = match event.kind {
            MouseEventKind::ScrollDown => Some(true),
            MouseEventKind::ScrollUp => Some(false),
            _ => None,
        };
        if self.helps {
            match wheel {
                Some(down) => self.help_scroll.by(WHEEL_ROWS, down),
                None => self.helps &= !pressed,
            }
        } else if self.ask.is_some() {
            // What is typed is left by its key alone.
        } else if let (Some(menu), Some((area, items))) = (&mut self.menu, &self.places.menu) {
            match wheel {
                Some(down) => self.menu_key(if down { KeyCode::Down } else { KeyCode::Up }),
                None if pressed && at(area) => {
                    if let Some(item) = items.get(usize::from(event.row - area.y)) {
                        menu.cursor = *item;
                        self.choose();
                    }
                }
                None if pressed => self.menu = None,
                None => {}
            }
        } else if self.shows_board {
            let button = self.places.buttons.iter().find(|(_, area)| at(area)).map(|(press, _)| *press);
            match (wheel, button) {
                (Some(down), _) => self.press(Press::Short(if down { Button::Down } else { Button::Up })),
                (None, Some(press)) if pressed => self.press(press),
                _ => {}
            }
        } else {
            let pane = self.places.panes.iter().find(|(_, area)| at(area)).map(|(pane, _)| *pane);
            match (pane, wheel) {
                (Some(pane), Some(down)) => self.scrolls.of_mut(pane).by(WHEEL_ROWS, down),
                (Some(pane), None) if pressed => {
                    self.pane = pane;
                    if let Some(tank) = self.places.tanks.iter().position(at) {
                        self.choose_tank(tank);
                    }
                }
                _ => {}
            }
        }
    }
}

/// Which press of the panel's buttons a key is, if it is one.
fn press_of(key: KeyCode) -> Option<Press> {
    Some(match key {
        KeyCode::Up => Press::Short(Button::Up),
        KeyCode::Down => Press::Short(Button::Down),
        KeyCode::PageUp => Press::Held(Button::Up, PANEL_PAGE),
        KeyCode::PageDown => Press::Held(Button::Down, PANEL_PAGE),
        KeyCode::Enter => Press::Short(Button::Enter),
        KeyCode::Backspace | KeyCode::Left => Press::Short(Button::Back),
        KeyCode::Home => Press::Long(Button::Back),
        KeyCode::Char('e') => Press::Long(Button::Enter),
        _ => return None,
    })
}
