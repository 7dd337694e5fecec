//! Screens of the bench as a terminal of 80 columns and 24 lines shows them, captured while keys are pressed.

use std::path::PathBuf;

use bedkeeper_sim::bench::{App, Plan, Session, draw};
use bedkeeper_sim::scenario::Water;
use bedkeeper_sim::{demo, site};
use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use ratatui::Terminal;
use ratatui::backend::TestBackend;

/// Somebody at the bench.
pub struct Desk {
    app: App,
}

impl Desk {
    /// The bundled pair on a Monday at midnight.
    pub fn new() -> Self {
        let name = "demo:apartments";
        let site = site::parse(name, demo::demo_site(name).unwrap().unwrap()).unwrap();
        let start = jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0);
        let plan = Plan::of_site(site, name, start, false, Water::None, None).unwrap();
        Self { app: App::new(Session::new(plan).unwrap(), PathBuf::from("never-written.toml")) }
    }

    fn press(&mut self, code: KeyCode) {
        self.app.key(KeyEvent::new(code, KeyModifiers::NONE));
    }

    /// Presses keys that have a letter.
    pub fn keys(mut self, keys: &str) -> Self {
        keys.chars().for_each(|key| self.press(KeyCode::Char(key)));
        self
    }

    /// Presses the right arrow so often: ten minutes each.
    pub fn right(mut self, times: usize) -> Self {
        (0..times).for_each(|_| self.press(KeyCode::Right));
        self
    }

    /// Lets so much time pass.
    pub fn wait_ms(mut self, ms: u64) -> Self {
        self.app.session.advance(self.app.session.now_ms() + ms).unwrap();
        self
    }

    /// Moves to the item of the open menu that has these words.
    pub fn at(mut self, words: &str) -> Self {
        let menu = self.app.menu.as_ref().expect("a menu is open");
        let place = menu.items.iter().position(|(text, _)| text == words);
        (0..place.unwrap_or_else(|| panic!("no \"{words}\" in {:?}", menu.items)))
            .for_each(|_| self.press(KeyCode::Down));
        self
    }

    /// Chooses what the cursor of the menu is at.
    pub fn enter(mut self) -> Self {
        self.press(KeyCode::Enter);
        self
    }

    /// What the terminal shows, as a block of a page.
    pub fn screen(&mut self) -> String {
        let mut terminal = Terminal::new(TestBackend::new(80, 24)).unwrap();
        terminal.draw(|frame| draw(frame, &mut self.app)).unwrap();
        let shown = terminal.backend().to_string();
        let lines = shown.lines().map(|line| line.trim_start_matches('"').trim_end_matches('"').trim_end());
        let text: Vec<_> = lines.collect();
        format!("```text\n{}\n```\n", text.join("\n"))
    }
}
