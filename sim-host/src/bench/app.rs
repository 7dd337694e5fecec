//! What keys and the mouse do.

use std::path::PathBuf;
use std::time::Duration;

use bedkeeper::units::TankId;
use crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers, MouseButton, MouseEvent, MouseEventKind};
use ratatui::layout::Rect;

use super::board::BoardPanel;
use super::menu::{Choice, Menu};
use super::session::{Session, SessionError};

/// How much faster than the clock on the wall.
pub const SPEEDS: [u64; 7] = [1, 10, 60, 300, 1_000, 3_600, 10_000];

const MINUTE_MS: u64 = 60_000;
const DAY_MS: u64 = 86_400_000;
/// A step to the next record ends here at the latest.
const LONGEST_STEP_MS: u64 = 7 * DAY_MS;

/// Where things were drawn last, for the mouse.
#[derive(Clone, Debug, Default)]
pub struct Places {
    /// A row for each tank.
    pub tanks: Vec<Rect>,
    /// The items of the menu, from which one of them on.
    pub menu: Option<(Rect, usize)>,
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
    /// Help is shown.
    pub helps: bool,
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
            helps: false,
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
        if !self.plays || self.menu.is_some() || self.helps {
            return;
        }
        let factor = SPEEDS.get(self.speed).copied().unwrap_or(1);
        let ms = u64::try_from(elapsed.as_millis()).unwrap_or(0).saturating_mul(factor);
        let result = self.session.advance(self.session.now_ms().saturating_add(ms));
        self.note(result);
        if self.session.now_ms() >= self.session.end_ms() {
            self.plays = false;
            self.message = "this is the end of the scenario".to_owned();
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
            self.helps = false;
            return;
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
            KeyCode::Right => self.go_by(10 * MINUTE_MS, true),
            KeyCode::Left => self.go_by(10 * MINUTE_MS, false),
            KeyCode::PageDown => self.go_by(DAY_MS, true),
            KeyCode::PageUp => self.go_by(DAY_MS, false),
            KeyCode::Home => self.go_by(u64::MAX, false),
            KeyCode::Down => self.tank = (self.tank + 1).min(self.tanks().saturating_sub(1)),
            KeyCode::Up => self.tank = self.tank.saturating_sub(1),
            KeyCode::Char(digit @ '1'..='8') => {
                let wanted = usize::try_from(u32::from(digit) - u32::from('1')).unwrap_or(0);
                self.tank = wanted.min(self.tanks().saturating_sub(1));
            }
            KeyCode::Char('s') => self.save(),
            KeyCode::Char('w') if self.session.draws_by_hand() => self.open(Menu::water()),
            KeyCode::Char('w') => self.message = "a recording draws the water here".to_owned(),
            KeyCode::Char('c') => self.open(Menu::contacts(&self.session)),
            KeyCode::Char('o') => self.open(Menu::operator(&self.session, self.tank_id())),
            KeyCode::Char('f') => self.open(Menu::faults(&self.session, self.tank_id())),
            KeyCode::Char('p') => self.open(Menu::power()),
            KeyCode::Char('k') => self.open(Menu::clock()),
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
        let Some(press) = BoardPanel::press_of(code) else { return false };
        let result = self.board.press(press, &mut self.session);
        self.note(result);
        true
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
        self.message = words;
        match choice {
            Choice::Draw(ml_min) => self.session.draw(ml_min),
            Choice::Happen(deed) => {
                let result = self.session.happen(deed);
                self.note(result);
            }
        }
    }

    fn next(&mut self) {
        self.plays = false;
        let before = self.session.now_ms();
        let result = self.session.advance_to_record(before.saturating_add(LONGEST_STEP_MS));
        self.note(result);
        if self.message.is_empty() && self.session.now_ms() >= before.saturating_add(LONGEST_STEP_MS) {
            self.message = "nothing happened for seven days".to_owned();
        }
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
        if let (Some(menu), Some((area, first))) = (&mut self.menu, self.places.menu) {
            match event.kind {
                MouseEventKind::ScrollDown => self.menu_key(KeyCode::Down),
                MouseEventKind::ScrollUp => self.menu_key(KeyCode::Up),
                _ if pressed && at(&area) => {
                    let index = first + usize::from(event.row - area.y);
                    if index < menu.items.len() {
                        menu.cursor = index;
                        self.choose();
                    }
                }
                _ if pressed => self.menu = None,
                _ => {}
            }
        } else if pressed && let Some(tank) = self.places.tanks.iter().position(at) {
            self.tank = tank;
        }
    }
}
