//! The page in a real browser: it begins, takes keys and the mouse, shows a regeneration and why, and complains of
//! nothing. The variable `BENCH_PAGE` names the page; with `BENCH_PICTURES` set to a folder, pictures are left there.

#[path = "../../tests/browser/mod.rs"]
mod browser;

use std::path::Path;
use std::time::{Duration, Instant};

use browser::Shown;
use headless_chrome::protocol::cdp::Page;
use serde_json::Value;

/// The page in a browser of its own.
struct Opened(Shown);

impl Opened {
    fn new(width: u32, height: u32) -> Self {
        let page = std::env::var_os("BENCH_PAGE").expect("BENCH_PAGE names the built page");
        let shown = Shown::empty((width, height));
        shown.go_to(Path::new(&page));
        let opened = Self(shown);
        opened.until("!document.getElementById('bench').hidden");
        opened
    }

    fn value(&self, script: &str) -> Value {
        self.0.tab.evaluate(script, true).expect("runs").value.unwrap_or(Value::Null)
    }

    fn text(&self, script: &str) -> String {
        self.value(script).as_str().unwrap_or_default().to_owned()
    }

    fn until(&self, script: &str) {
        let latest = Instant::now() + Duration::from_secs(60);
        while self.value(script) != Value::Bool(true) {
            assert!(Instant::now() < latest, "never true: {script}; {:?}", self.0.complaints());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn press(&self, key: &str) {
        self.0.tab.press_key(key).expect("takes a key");
    }

    /// Opens a list by its key and takes an item with the arrow keys and Enter.
    fn choose(&self, key: &str, words: &str) {
        self.press(key);
        self.until("document.getElementById('menu').open");
        let items: Vec<String> = serde_json::from_str(
            &self.text("JSON.stringify([...document.querySelectorAll('#items button')].map(b => b.textContent))"),
        )
        .expect("items");
        let code = format!("[{words}]");
        let place = items
            .iter()
            .position(|item| item == words || item.ends_with(&code))
            .unwrap_or_else(|| panic!("no \"{words}\" in {items:?}"));
        for _ in 0..place {
            self.press("ArrowDown");
        }
        assert_eq!(self.text("document.activeElement.textContent"), items[place]);
        self.press("Enter");
        self.until("!document.getElementById('menu').open");
    }

    fn picture(&self, name: &str) {
        let Some(folder) = std::env::var_os("BENCH_PICTURES") else { return };
        let shot = self.0.tab.capture_screenshot(Page::CaptureScreenshotFormatOption::Png, None, None, true);
        std::fs::create_dir_all(&folder).expect("a folder");
        std::fs::write(std::path::Path::new(&folder).join(name), shot.expect("a picture")).expect("writes");
    }

    fn clean(&self) {
        assert_eq!(self.0.complaints(), Vec::<String>::new());
    }
}

/// On to the next record until the chosen tank's row says so.
fn go_on_until(page: &Opened, words: &str) {
    for _ in 0..80 {
        if page.text("document.getElementById('tanks').textContent").contains(words) {
            return;
        }
        page.press("n");
    }
    panic!("\"{words}\" is never seen: {}", page.text("document.getElementById('bench').textContent"));
}

/// Keys alone bring a plant to a regeneration; why, and where the water goes, can be read and heard.
#[test]
fn keys_alone_show_a_regeneration_and_why() {
    let page = Opened::new(1_200, 1_000);
    page.choose("w", "20 L/min");
    go_on_until(&page, "regenerating");
    assert!(page.text("document.getElementById('tanks').textContent").contains("it regenerates, asked for:"));
    let told = page.text("document.querySelector('#picture svg').getAttribute('aria-label')");
    assert!(told.contains("tank 1 regenerating"), "{told}");
    go_on_until(&page, "backwash, ");
    page.press("ArrowRight");
    assert!(page.value("document.querySelectorAll('#picture .flows').length").as_u64() > Some(2));
    page.picture("wide.png");
    // A day on, and back again.
    let before = page.text("document.getElementById('clock').textContent");
    page.press(".");
    page.press(",");
    assert_eq!(page.text("document.getElementById('clock').textContent"), before);
    page.clean();
}

/// Time passes while it plays, at the chosen speed, and stands when it is paused.
#[test]
fn a_day_passes_while_it_plays() {
    let page = Opened::new(1_200, 1_000);
    page.choose("w", "5 L/min");
    page.value("document.activeElement.blur(); document.getElementById('speed').value = 10000");
    page.press(" ");
    page.until("view.now_ms > 86400000");
    page.press(" ");
    let stands = page.value("view.now_ms");
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(page.value("view.now_ms"), stands);
    page.clean();
}

/// W1: a valve that sticks is armed by keys; the alarm is seen, the fault mended, and what was done begins again as a
/// scenario.
#[test]
fn a_fault_is_armed_seen_mended_and_saved() {
    let page = Opened::new(375, 812);
    page.choose("f", "motor-stalled");
    page.choose("o", "start now");
    page.press(".");
    let alarms = page.text("document.getElementById('alarms').textContent");
    assert!(alarms.contains("valve-lost · ") && alarms.contains("not acknowledged"), "{alarms}");
    assert!(
        alarms.contains("A valve did not reach its position.") && alarms.contains("→ Look at the drive"),
        "{alarms}"
    );
    page.picture("narrow.png");
    page.value("document.getElementById('plant-section').scrollIntoView()");
    page.picture("narrow-plant.png");
    assert_eq!(page.value("document.getElementById('picture-more').hidden"), Value::Bool(true));
    page.press("b");
    page.value("document.getElementById('panel-section').scrollIntoView()");
    page.picture("narrow-panel.png");
    page.press("b");
    page.choose("f", "mend it: the motor does not turn [motor-stalled]");
    let scenario = page.text("ask({ do: 'save' }).scenario");
    assert!(scenario.contains("motor-stalled"), "{scenario}");
    let load = "(() => { const files = new DataTransfer(); \
        files.items.add(new File([ask({ do: 'save' }).scenario], 'saved.toml')); \
        document.getElementById('file').files = files.files; \
        document.getElementById('file').onchange(); })()";
    page.value(load);
    page.until("view.now_ms === 0");
    assert_eq!(page.text("document.getElementById('message').textContent"), "");
    // Nothing is wider than a telephone.
    assert_eq!(page.value("document.documentElement.scrollWidth <= 375"), Value::Bool(true));
    page.clean();
}

/// Whatever takes keys has a name that can be read aloud, and every key of the list does something.
#[test]
fn everything_that_takes_keys_has_a_name() {
    let page = Opened::new(1_200, 1_000);
    let unnamed = page.text(
        "[...document.querySelectorAll('button, select, input, [tabindex]')].filter(each => \
            !(each.textContent.trim() || each.labels?.[0]?.textContent.trim() || each.getAttribute('aria-label'))) \
            .map(each => each.outerHTML).join()",
    );
    assert_eq!(unnamed, "");
    page.press("?");
    page.until("document.getElementById('keys').open");
    page.picture("keys.png");
    page.press("Escape");
    page.until("!document.getElementById('keys').open");
    page.value("document.getElementById('modelled').value = 'full'; document.querySelector('#begin button').click()");
    page.until("document.getElementById('delivered').textContent !== ''");
    page.choose("m", "a salt bridge forms");
    page.clean();
}

/// V4: a valve that is knocked out of service is drawn as it is: no water to the building, water to the drain, and beside
/// it what the logic takes of it.
#[test]
fn a_knocked_valve_is_drawn_as_it_is() {
    let page = Opened::new(1_200, 1_000);
    page.choose("w", "20 L/min");
    page.press("ArrowRight");
    // Pipes of the first tank: those that water runs through end at its ports, the building's at 262 and the drain's at 290.
    let flows = |to: &str| {
        let pipe = format!("document.querySelectorAll('#picture g .flows[points$=\",{to}\"]').length");
        page.value(&pipe).as_u64().expect("a number")
    };
    assert_eq!((flows("262"), flows("290")), (1, 0));
    page.choose("f", "moved-by-hand:backwash");
    page.value("want({ do: 'advance', ms: 500 })");
    assert_eq!((flows("262"), flows("290")), (0, 1));
    let told = page.text("document.querySelector('#picture svg').getAttribute('aria-label')");
    let wanted =
        "tank 1 serving, 98 % left, valve backwash, its water goes to: drain, ! the logic takes it to stand in service";
    assert!(told.contains(wanted), "{told}");
    let beside = page.text("document.querySelector('#tanks tbody td.wrong').textContent");
    assert_eq!(beside, "! the logic takes it to stand in service, open to the building");
    page.picture("knocked.png");
    page.clean();
}

/// The panel of a board: drawn in dots, readable as rows, moved by keys and by the mouse, and its presses move the plant.
#[test]
fn a_boards_panel_is_shown_read_and_used() {
    let page = Opened::new(1_200, 1_000);
    page.press("ArrowRight");
    page.press("b");
    page.until("!document.getElementById('panel-section').hidden && document.activeElement.id === 'panel'");
    let lit = "[...document.getElementById('dots').getContext('2d').getImageData(0, 0, 128, 64).data] \
        .filter((value, at) => at % 4 === 0 && value > 0).length";
    assert!(page.value(lit).as_u64() > Some(500), "dots are lit");
    let rows = "document.getElementById('panel-rows').textContent";
    assert!(page.text(rows).starts_with("plant, Mon 1 Mar 00:10chosen: 1 serving"), "{}", page.text(rows));
    page.picture("panel.png");
    // Down by its key, up by the mouse.
    page.press("ArrowDown");
    page.until(&format!("{rows}.includes('chosen: 2 ready')"));
    assert!(page.text("document.getElementById('panel-told').textContent").contains("chosen: 2 ready"));
    let up = page.0.tab.find_element("[data-button=up]").expect("a button");
    up.click().expect("clicks");
    page.until(&format!("{rows}.includes('chosen: 1 serving')"));
    // Tank 1, what may be asked, regenerate now, and yes.
    page.value("document.getElementById('panel').focus()");
    for (key, seen) in [("Enter", "tank 1"), ("Enter", ""), ("Enter", ""), ("ArrowDown", "chosen: yes"), ("Enter", "")]
    {
        let before = page.text(rows);
        page.press(key);
        page.until(&format!("{rows} !== {before:?} && {rows}.includes({seen:?})"));
    }
    page.press("Escape");
    page.value("document.activeElement.blur()");
    page.press("ArrowRight");
    assert!(page.text("document.getElementById('tanks').textContent").contains("regenerating"));
    page.press("b");
    page.until("document.getElementById('panel-section').hidden");
    page.clean();
}

/// T1: a clock that is lost is set to a date and time.
#[test]
fn a_lost_clock_is_set() {
    let page = Opened::new(375, 812);
    page.choose("k", "it is lost");
    assert!(page.text("document.getElementById('clock').textContent").contains("clock unset"));
    page.choose("k", "set it to a date and time");
    page.until("document.getElementById('clock-ask').open");
    assert_eq!(page.text("document.getElementById('clock-to').value"), "2027-03-01T00:00");
    page.value(
        "document.getElementById('clock-to').value = '2031-12-24T18:30:00'; \
         document.querySelector('#clock-form [type=submit]').click()",
    );
    page.until("document.getElementById('clock').textContent.includes('2031-12-24 18:30:00')");
    assert_eq!(page.value("document.getElementById('clock-ask').open"), Value::Bool(false));
    page.clean();
}
