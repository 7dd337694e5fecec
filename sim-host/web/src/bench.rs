//! Requests of the page, and what is answered.

use std::path::Path;

use bedkeeper::units::TankId;
use bedkeeper_sim::bench::{
    BoardPanel, Button, Buttons, CLOCK_FORM, Choice, LONG_JUMP_MS, Menu, PanelView, Plan, Press, SHORT_JUMP_MS, SPEEDS,
    Session, THE_END, View,
};
use bedkeeper_sim::demo::DEMOS;
use bedkeeper_sim::quantity::parse_date_time;
use bedkeeper_sim::scenario::{self, Deed, Water};
use bedkeeper_sim::site;
use jiff::civil::date;
use serde::{Deserialize, Serialize};

/// Records of the journal that are shown.
const RECORDS: usize = 200;

/// What the page asks for.
#[derive(Clone, Debug, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Request {
    /// Which plants are bundled.
    Plants,
    /// Begins with a bundled plant.
    Begin {
        /// Its name.
        plant: String,
        /// The bundled recording draws the water; else people do.
        recording: bool,
        /// Water, resin, brine and pressure are modelled.
        full: bool,
    },
    /// Begins with a site or a scenario from a file.
    BeginWith {
        /// The file's name.
        name: String,
        /// What it says.
        text: String,
        /// As in [`Request::Begin`]; a scenario says it itself.
        full: bool,
    },
    /// Time passes.
    Advance {
        /// How much of it, ms.
        ms: u64,
    },
    /// On to the next record of the journal.
    Next,
    /// Back, or on, to a moment; what was done after it is forgotten.
    Jump {
        /// Ms since the start.
        to_ms: u64,
    },
    /// Opens a list of what can be done.
    Menu {
        /// Which.
        of: MenuOf,
        /// The chosen tank, from 0.
        tank: u8,
    },
    /// Does an item of the open list.
    Choose {
        /// Its place, from 0.
        item: usize,
    },
    /// Sets the clock.
    SetClock {
        /// A date and time, such as "2027-03-01 06:30".
        to: String,
    },
    /// Shows the panel of a board with every answer from now on, or no more.
    ShowPanel {
        /// Whether.
        shown: bool,
    },
    /// The buttons of the panel are so now; the board's own debouncing makes presses of it.
    Levels {
        /// By a clock that only goes on.
        at_ms: u64,
        /// Up, down, back, enter.
        pressed: [bool; 4],
    },
    /// Presses a button of the panel.
    Press {
        /// Which.
        button: PanelButton,
        /// How often it has repeated, held down; back and enter are meant then.
        held: u16,
    },
    /// What was done so far, as a scenario.
    Save,
}

/// A button of a board's panel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PanelButton {
    /// To what stands above, or more of a figure.
    Up,
    /// To what stands below, or less of a figure.
    Down,
    /// Out of what is seen.
    Back,
    /// Into what the cursor is on, or yes.
    Enter,
}

impl PanelButton {
    /// The press that it is, held down for so many repeats.
    const fn press(self, held: u16) -> Press {
        let button = match self {
            Self::Up => Button::Up,
            Self::Down => Button::Down,
            Self::Back => Button::Back,
            Self::Enter => Button::Enter,
        };
        match self {
            _ if held == 0 => Press::Short(button),
            Self::Up | Self::Down => Press::Held(button, held),
            Self::Back | Self::Enter => Press::Long(button),
        }
    }
}

/// A list of what can be done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MenuOf {
    /// Water drawn by hand.
    Water,
    /// Contacts.
    Contacts,
    /// What an operator may ask.
    Operator,
    /// Faults of the tank's valve.
    Faults,
    /// Power cuts.
    Power,
    /// The clock.
    Clock,
    /// Water, salt and pressure.
    Plant,
}

/// What is answered. What a request does not touch is left out.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Answer {
    /// The plant as it stands, if there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub view: Option<View>,
    /// The open list.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub menu: Option<MenuView>,
    /// What the bench itself has to say; may be empty.
    pub message: String,
    /// The bundled plants: name, and what the site is called.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub plants: Vec<(&'static str, String)>,
    /// How time can pass; with the plants.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limits: Option<Limits>,
    /// What a board's panel shows.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub panel: Option<PanelView>,
    /// A date and time is asked for, to set the clock to; this one to begin with.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clock: Option<String>,
    /// A scenario, to be saved as a file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scenario: Option<String>,
}

/// How time can pass, the same on every bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Limits {
    /// How much faster than the clock on the wall.
    pub speeds: [u64; SPEEDS.len()],
    /// A short way on or back, ms.
    pub short_jump_ms: u64,
    /// A long one, ms.
    pub long_jump_ms: u64,
}

/// A list of what can be done.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct MenuView {
    /// What it is about.
    pub title: String,
    /// Its items in words.
    pub items: Vec<String>,
}

/// A bench, empty at first.
#[derive(Default)]
pub struct Bench {
    session: Option<Session>,
    menu: Option<Menu>,
    panel: Option<BoardPanel>,
    buttons: Buttons,
    shows_panel: bool,
    asks_clock: bool,
}

impl Bench {
    /// As [`Bench::ask`], in JSON; a request that cannot be read is answered with a message.
    #[must_use]
    pub fn ask_json(&mut self, request: &[u8]) -> String {
        let answer = match serde_json::from_slice(request) {
            Ok(request) => self.ask(request),
            Err(error) => Answer { message: format!("the request cannot be read: {error}"), ..Answer::default() },
        };
        serde_json::to_string(&answer).unwrap_or_else(|error| format!("{{\"message\":\"no answer: {error}\"}}"))
    }

    /// Does what is asked; a plant that cannot begin leaves the old one.
    pub fn ask(&mut self, request: Request) -> Answer {
        let mut answer = Answer::default();
        self.asks_clock = false;
        let done = match request {
            Request::Plants => {
                answer.plants = plants();
                answer.limits =
                    Some(Limits { speeds: SPEEDS, short_jump_ms: SHORT_JUMP_MS, long_jump_ms: LONG_JUMP_MS });
                return answer;
            }
            Request::Begin { plant, recording, full } => self.begin(bundled(&plant, recording, full)),
            Request::BeginWith { name, text, full } => self.begin(from_file(&name, text, full)),
            Request::Advance { ms } => self.advance(ms),
            Request::Next => self.next(),
            Request::Jump { to_ms } => self.with(|session| session.jump(to_ms).map_err(|error| error.to_string())),
            Request::Menu { of, tank } => self.open(of, tank),
            Request::Choose { item } => self.choose(item),
            Request::SetClock { to } => self.set_clock(&to),
            Request::ShowPanel { shown } => {
                self.shows_panel = shown;
                Ok(String::new())
            }
            Request::Levels { at_ms, pressed } => match self.buttons.poll(at_ms, pressed) {
                Some(press) => self.press(press),
                None => Ok(String::new()),
            },
            Request::Press { button, held } => self.press(button.press(held)),
            Request::Save => {
                answer.scenario = self.session.as_ref().map(Session::scenario);
                Ok(String::new())
            }
        };
        answer.message = done.unwrap_or_else(|why| why);
        answer.view = self.session.as_ref().map(|session| View::of(session, RECORDS));
        let shown = self.panel.as_ref().filter(|_| self.shows_panel);
        answer.panel = shown.zip(self.session.as_ref()).map(|(panel, session)| panel.view(session));
        answer.clock = self.asks_clock.then(|| {
            let right = self.session.as_ref().and_then(Session::true_time);
            right.map_or_else(String::new, |at| at.strftime(CLOCK_FORM).to_string())
        });
        answer.menu = self.menu.as_ref().map(|menu| MenuView {
            title: menu.title.clone(),
            items: menu.items.iter().map(|(words, _)| words.clone()).collect(),
        });
        answer
    }

    fn with(&mut self, act: impl FnOnce(&mut Session) -> Result<(), String>) -> Result<String, String> {
        let session = self.session.as_mut().ok_or("no plant was begun with")?;
        act(session)
            .map(|()| String::new())
            .map_err(|error| format!("the plant stopped: {error}; go back to a moment before"))
    }

    fn begin(&mut self, plan: Result<Plan, String>) -> Result<String, String> {
        let session = Session::new(plan?).map_err(|error| error.to_string())?;
        self.panel = Some(BoardPanel::new(&session));
        self.session = Some(session);
        self.menu = None;
        Ok(String::new())
    }

    fn advance(&mut self, ms: u64) -> Result<String, String> {
        self.with(|session| session.advance(session.now_ms().saturating_add(ms)).map_err(|error| error.to_string()))?;
        let over = self.session.as_ref().is_some_and(|session| session.now_ms() >= session.end_ms());
        Ok(if over { THE_END.to_owned() } else { String::new() })
    }

    fn next(&mut self) -> Result<String, String> {
        let mut said = "";
        self.with(|session| session.next_record().map(|told| said = told).map_err(|error| error.to_string()))?;
        Ok(said.to_owned())
    }

    fn set_clock(&mut self, to: &str) -> Result<String, String> {
        let at = parse_date_time(to).map_err(|why| {
            self.asks_clock = true;
            format!("{why}; write it as \"2027-03-01 06:30\"")
        })?;
        self.with(|session| session.happen(Deed::ClockSet(at)).map_err(|error| error.to_string()))?;
        Ok(format!("the clock is set to {}", at.strftime(CLOCK_FORM)))
    }

    fn press(&mut self, press: Press) -> Result<String, String> {
        let (Some(session), Some(panel)) = (&mut self.session, &mut self.panel) else {
            return Err("no plant was begun with".to_owned());
        };
        panel.press(press, session).map(|()| String::new()).map_err(|error| error.to_string())
    }

    fn open(&mut self, of: MenuOf, tank: u8) -> Result<String, String> {
        let session = self.session.as_ref().ok_or("no plant was begun with")?;
        let tank = TankId(tank);
        let menu = match of {
            MenuOf::Water if !session.draws_by_hand() => return Ok("a recording draws the water here".to_owned()),
            MenuOf::Water => Menu::water(),
            MenuOf::Contacts => Menu::contacts(session),
            MenuOf::Operator => Menu::operator(session, tank),
            MenuOf::Faults => Menu::faults(session, tank),
            MenuOf::Power => Menu::power(),
            MenuOf::Clock => Menu::clock(session),
            MenuOf::Plant => Menu::plant(session),
        };
        if menu.items.is_empty() {
            return Ok("water, salt and pressure are modelled in a full plant".to_owned());
        }
        self.menu = Some(menu);
        Ok(String::new())
    }

    fn choose(&mut self, item: usize) -> Result<String, String> {
        let menu = self.menu.take().ok_or("no list is open")?;
        let (words, choice) = menu.items.into_iter().nth(item).ok_or("the list is shorter")?;
        match choice {
            Choice::AskClock => {
                self.asks_clock = true;
                return Ok(String::new());
            }
            Choice::Draw(ml_min) => self.with(|session| {
                session.draw(ml_min);
                Ok(())
            })?,
            Choice::Happen(deed) => self.with(|session| session.happen(deed).map_err(|error| error.to_string()))?,
        };
        Ok(words)
    }
}

fn plants() -> Vec<(&'static str, String)> {
    DEMOS.iter().filter_map(|demo| Some((demo.name, site::parse(demo.name, demo.site).ok()?.name))).collect()
}

fn bundled(name: &str, recording: bool, full: bool) -> Result<Plan, String> {
    let demo = DEMOS.iter().find(|demo| demo.name == name).ok_or_else(|| format!("there is no plant `{name}`"))?;
    let name = format!("demo:{}", demo.name);
    let site = site::parse(&name, demo.site).map_err(|errors| errors.render(false))?;
    let water = if recording { Water::Bundled(demo.name) } else { Water::None };
    let recording = recording.then(|| name.clone());
    Plan::of_site(site, &name, date(2027, 3, 1).at(0, 0, 0, 0), full, water, recording)
        .map_err(|error| error.to_string())
}

fn from_file(name: &str, text: String, full: bool) -> Result<Plan, String> {
    let is_scenario = text.parse::<toml::Table>().is_ok_and(|table| table.contains_key("scenario"));
    if is_scenario {
        let scenario = scenario::parse(Path::new(name), &text).map_err(|errors| errors.render(false))?;
        return Ok(Plan { scenario, text: Some(text), site: String::new(), recording: None });
    }
    let site = site::parse(name, &text).map_err(|errors| errors.render(false))?;
    Plan::of_site(site, name, date(2027, 3, 1).at(0, 0, 0, 0), full, Water::None, None)
        .map_err(|error| format!("{name}: {error}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ask(bench: &mut Bench, request: &str) -> serde_json::Value {
        serde_json::from_str(&bench.ask_json(request.as_bytes())).expect("an answer is JSON")
    }

    fn choose(bench: &mut Bench, of: &str, words: &str) -> serde_json::Value {
        let opened = ask(bench, &format!(r#"{{"do":"menu","of":"{of}","tank":0}}"#));
        let items = opened["menu"]["items"].as_array().expect("a list is open").clone();
        let code = format!("[{words}]");
        let place =
            items.iter().position(|item| item.as_str().is_some_and(|item| item == words || item.ends_with(&code)));
        let place = place.unwrap_or_else(|| panic!("no \"{words}\" in {items:?}"));
        ask(bench, &format!(r#"{{"do":"choose","item":{place}}}"#))
    }

    /// Water is drawn until too little is left for the next day; the regeneration and its reason are seen.
    #[test]
    fn a_plant_runs_until_it_regenerates() {
        let mut bench = Bench::default();
        let plants = ask(&mut bench, r#"{"do":"plants"}"#);
        assert_eq!(plants["plants"][0][0], "apartments");
        let begun = ask(&mut bench, r#"{"do":"begin","plant":"apartments","recording":false,"full":false}"#);
        assert_eq!(begun["view"]["tanks"].as_array().map(Vec::len), Some(2), "{begun}");
        assert_eq!(choose(&mut bench, "water", "20 L/min")["message"], "20 L/min");
        let mut seen = ask(&mut bench, r#"{"do":"next"}"#);
        for _ in 0..20 {
            if seen["view"]["tanks"][0]["duty"] == "regenerating" {
                break;
            }
            seen = ask(&mut bench, r#"{"do":"next"}"#);
        }
        assert_eq!(seen["view"]["tanks"][0]["duty"], "regenerating", "{seen}");
        assert_eq!(seen["view"]["tanks"][0]["why"][0], "it regenerates, asked for: reserve");
        assert_eq!(seen["view"]["tanks"][1]["goes_to"], "building");
        assert!(seen["menu"].is_null());
    }

    /// The panel of a board is the same as the terminal's: its rows, its dots, its buttons.
    #[test]
    fn a_boards_panel_is_shown_and_used() {
        let mut bench = Bench::default();
        let begun = ask(&mut bench, r#"{"do":"begin","plant":"apartments","recording":false,"full":false}"#);
        assert!(begun["panel"].is_null());
        let shown = ask(&mut bench, r#"{"do":"show-panel","shown":true}"#);
        let rows = |answer: &serde_json::Value| -> Vec<String> {
            let rows = answer["panel"]["rows"].as_array().expect("rows");
            rows.iter().map(|row| row["text"].as_str().expect("a text").to_owned()).collect()
        };
        assert_eq!(rows(&shown).len(), 8);
        assert!(rows(&shown)[0].starts_with("plant"), "{:?}", rows(&shown));
        assert_eq!(shown["panel"]["rows"][1]["look"], "marked");
        let dots = shown["panel"]["dots"].as_array().expect("dots");
        assert_eq!((dots.len(), dots[0].as_str().map(str::len)), (64, Some(32)));
        // A minute on, tank 1 is asked to regenerate at the panel: its screen, what may be asked, regenerate now, yes.
        let _ = ask(&mut bench, r#"{"do":"advance","ms":60000}"#);
        for button in ["enter", "enter", "enter", "down", "enter"] {
            let pressed = ask(&mut bench, &format!(r#"{{"do":"press","button":"{button}","held":0}}"#));
            assert_eq!(pressed["message"], "");
        }
        let seen = ask(&mut bench, r#"{"do":"advance","ms":600000}"#);
        assert_eq!(seen["view"]["tanks"][0]["duty"], "regenerating", "{seen}");
        // Back, held, is the way to the first screen.
        let home = ask(&mut bench, r#"{"do":"press","button":"back","held":1}"#);
        assert!(rows(&home)[0].starts_with("plant"), "{:?}", rows(&home));
        // Levels go through the board's debouncing: down, held, repeats.
        let mut levels = |at_ms: u64, down: bool| {
            ask(&mut bench, &format!(r#"{{"do":"levels","at_ms":{at_ms},"pressed":[false,{down},false,false]}}"#))
        };
        let marked = |answer: &serde_json::Value| {
            let rows = answer["panel"]["rows"].as_array().expect("rows");
            rows.iter().position(|row| row["look"] == "marked")
        };
        assert_eq!(marked(&levels(1_000, true)), Some(1));
        assert_eq!(marked(&levels(1_040, true)), Some(2));
        assert_eq!(marked(&levels(1_500, true)), Some(2));
        assert_ne!(marked(&levels(1_640, true)), Some(2));
        levels(1_700, false);
        let away = ask(&mut bench, r#"{"do":"show-panel","shown":false}"#);
        assert!(away["panel"].is_null());
    }

    /// T1: a lost clock is set to a date and time; what is none is said to be none, and asked for again.
    #[test]
    fn a_lost_clock_is_set() {
        let mut bench = Bench::default();
        let _ = ask(&mut bench, r#"{"do":"begin","plant":"house","recording":false,"full":false}"#);
        choose(&mut bench, "clock", "it is lost");
        assert_eq!(ask(&mut bench, r#"{"do":"advance","ms":60000}"#)["view"]["civil"], "clock unset");
        assert_eq!(choose(&mut bench, "clock", "set it to a date and time")["clock"], "2027-03-01 00:01:00");
        let wrong = ask(&mut bench, r#"{"do":"set-clock","to":"2027-02-30 10:00"}"#);
        let told = "February 2027 has 28 days, and no day 30; write it as \"2027-03-01 06:30\"";
        assert_eq!(wrong["message"], told);
        assert_eq!(wrong["clock"], "2027-03-01 00:01:00");
        let set = ask(&mut bench, r#"{"do":"set-clock","to":"2031-12-24 18:30"}"#);
        assert_eq!((&set["view"]["civil"], &set["clock"]), (&"2031-12-24 18:30:00".into(), &serde_json::Value::Null));
    }

    #[test]
    fn what_was_done_is_a_scenario_that_begins_again() {
        let mut bench = Bench::default();
        let _ = ask(&mut bench, r#"{"do":"begin","plant":"house","recording":false,"full":false}"#);
        let dark = choose(&mut bench, "power", "off for 5 min");
        assert_eq!(dark["view"]["dark"], true);
        assert_eq!(dark["view"]["tanks"][0]["why"][0], "power is off: nobody decides anything");
        let _ = ask(&mut bench, r#"{"do":"advance","ms":3600000}"#);
        let scenario = ask(&mut bench, r#"{"do":"save"}"#)["scenario"].as_str().expect("a scenario").to_owned();
        let request = serde_json::json!({"do": "begin-with", "name": "saved.toml", "text": scenario, "full": false});
        let again = ask(&mut bench, &request.to_string());
        assert_eq!(again["message"], "");
        assert_eq!(again["view"]["now_ms"], 0);
        assert_eq!(again["view"]["end_ms"], 3_600_001);
    }

    #[test]
    fn what_cannot_be_done_is_said_and_the_plant_stays() {
        let mut bench = Bench::default();
        assert_eq!(ask(&mut bench, r#"{"do":"next"}"#)["message"], "no plant was begun with");
        let _ = ask(&mut bench, r#"{"do":"begin","plant":"house","recording":true,"full":false}"#);
        let before = ask(&mut bench, r#"{"do":"advance","ms":0}"#)["view"].clone();
        for (request, part) in [
            (r#"{"do":"dance"}"#, "unknown variant"),
            (r#"{"do":"begin","plant":"castle","recording":false,"full":false}"#, "no plant `castle`"),
            (r#"{"do":"begin-with","name":"x.toml","text":"tanks = 900","full":false}"#, "x.toml"),
            (
                r#"{"do":"begin-with","name":"x.toml","text":"scenario = \"x\"\nsite = \"gone.toml\"","full":false}"#,
                "gone",
            ),
            (r#"{"do":"choose","item":3}"#, "no list is open"),
            (r#"{"do":"menu","of":"water","tank":0}"#, "a recording draws the water"),
            (r#"{"do":"menu","of":"plant","tank":0}"#, "full plant"),
        ] {
            let message = ask(&mut bench, request)["message"].as_str().unwrap_or_default().to_owned();
            assert!(message.contains(part), "{request}: {message}");
        }
        assert_eq!(ask(&mut bench, r#"{"do":"advance","ms":0}"#)["view"], before);
    }
}
