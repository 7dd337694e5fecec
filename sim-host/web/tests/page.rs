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
        let place =
            items.iter().position(|item| item == words).unwrap_or_else(|| panic!("no \"{words}\" in {items:?}"));
        for _ in 0..place {
            self.press("ArrowDown");
        }
        assert_eq!(self.text("document.activeElement.textContent"), words);
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
    page.press("PageDown");
    page.press("PageUp");
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
    page.press("PageDown");
    let alarms = page.text("document.getElementById('alarms').textContent");
    assert!(alarms.contains("valve"), "{alarms}");
    page.picture("narrow.png");
    page.choose("f", "mend motor-stalled");
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
