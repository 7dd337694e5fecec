//! A date and time that is typed in, for the clock.

use crossterm::event::KeyCode;
use jiff::civil::DateTime;

use super::menu::CLOCK_FORM;
use crate::quantity::parse_date_time;

/// What is typed, and what is wrong with it.
#[derive(Clone, Debug)]
pub struct Ask {
    /// As typed so far.
    pub text: String,
    /// Why it was not taken.
    pub wrong: String,
}

/// No date and time is longer than this.
const LONGEST: usize = 32;

/// What came of a key.
pub(super) enum Typed {
    /// Nothing yet.
    More,
    /// It was left.
    Left,
    /// A time was given.
    Given(DateTime),
}

impl Ask {
    /// With a time to begin with.
    #[must_use]
    pub fn new(begin: Option<DateTime>) -> Self {
        let text = begin.map_or_else(String::new, |at| at.strftime(CLOCK_FORM).to_string());
        Self { text, wrong: String::new() }
    }

    /// A key was pressed.
    pub(super) fn key(&mut self, code: KeyCode) -> Typed {
        match code {
            KeyCode::Esc => return Typed::Left,
            KeyCode::Backspace => drop(self.text.pop()),
            KeyCode::Delete => self.text.clear(),
            KeyCode::Char(c) if self.text.chars().count() < LONGEST => self.text.push(c),
            KeyCode::Enter => match parse_date_time(&self.text) {
                Ok(at) => return Typed::Given(at),
                Err(why) => {
                    self.wrong = why;
                    return Typed::More;
                }
            },
            _ => {}
        }
        self.wrong.clear();
        Typed::More
    }
}
