//! The report in a real browser: it loads clean, shows what happened, zooms, fits and prints.
//!
//! Needs Chromium. With `REPORT_PICTURES` set to a
//! folder, pictures of what the browser showed are left there.

mod browser;
mod sample;

use bedkeeper_sim::evidence::Evidence;
use bedkeeper_sim::report::render;
use browser::Shown;
use headless_chrome::browser::tab::Tab;
use headless_chrome::protocol::cdp::{Emulation, Input, Page, Runtime};
use serde_json::Value;
use std::time::{Duration, Instant};

const WIDE: (u32, u32) = (1440, 900);
const NARROW: (u32, u32) = (375, 812);

/// The report in a browser of its own.
struct Opened(Shown);

impl Opened {
    fn new(evidence: &Evidence, size: (u32, u32)) -> Self {
        let opened = Self::with(evidence, size, |_| {});
        opened.settle();
        opened
    }

    /// Opens the report after `prepare` had the empty tab.
    fn with(evidence: &Evidence, size: (u32, u32), prepare: impl FnOnce(&Tab)) -> Self {
        let shown = Shown::empty(size);
        let file = shown.folder.path().join("report.html");
        std::fs::write(&file, render(evidence).expect("renders")).expect("writes");
        prepare(&shown.tab);
        shown.go_to(&file);
        Self(shown)
    }

    fn eval(&self, expression: &str) -> Value {
        let result = self
            .0
            .tab
            .call_method(Runtime::Evaluate {
                expression: expression.to_owned(),
                await_promise: Some(true),
                return_by_value: Some(true),
                object_group: None,
                include_command_line_api: None,
                silent: None,
                context_id: None,
                generate_preview: None,
                user_gesture: None,
                throw_on_side_effect: None,
                timeout: None,
                disable_breaks: None,
                repl_mode: None,
                allow_unsafe_eval_blocked_by_csp: None,
                unique_context_id: None,
                serialization_options: None,
            })
            .expect("evaluates");
        assert!(result.exception_details.is_none(), "{expression}: {:?}", result.exception_details);
        result.result.value.unwrap_or(Value::Null)
    }

    fn number(&self, expression: &str) -> f64 {
        self.eval(expression).as_f64().unwrap_or_else(|| panic!("{expression} is a number"))
    }

    /// Two frames: whatever was asked for has been drawn.
    fn settle(&self) {
        let _ = self.eval("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))");
    }

    /// Waits for the browser to have handled input that it queues.
    fn wait_for(&self, condition: &str) {
        let patience = Instant::now() + Duration::from_secs(10);
        while self.eval(condition) != Value::Bool(true) {
            assert!(Instant::now() < patience, "never came true: {condition}");
            std::thread::sleep(Duration::from_millis(20));
        }
        self.settle();
    }

    /// The stretch of time shown, ms.
    fn view(&self) -> (f64, f64) {
        (
            self.number("Number(document.getElementById('view-status').dataset.from)"),
            self.number("Number(document.getElementById('view-status').dataset.to)"),
        )
    }

    /// Waits until another stretch of time is shown.
    fn wait_for_other_view(&self, before: (f64, f64)) -> (f64, f64) {
        self.wait_for(&format!(
            "(() => {{ const d = document.getElementById('view-status').dataset; return Number(d.from) !== {} || Number(d.to) !== {}; }})()",
            before.0, before.1
        ));
        self.view()
    }

    fn focus_time_line(&self) {
        let _ = self.eval("document.getElementById('plots').focus({preventScroll: true})");
    }

    /// Scrolls the time line into view. Returns a point in the middle of its duty lane.
    fn middle_of_first_lane(&self) -> (f64, f64) {
        let _ = self.eval("document.querySelector('.lane').scrollIntoView({block: 'center', behavior: 'instant'})");
        self.settle();
        let at = |side: &str, size: &str| {
            self.number(&format!(
                "(r => r.{side} + r.{size} / 2)(document.querySelector('.lane').getBoundingClientRect())"
            ))
        };
        (at("left", "width"), at("top", "height"))
    }

    /// One event of the mouse; `held` tells whether its left button is down.
    fn mouse(&self, kind: Input::DispatchMouseEventTypeOption, (x, y): (f64, f64), held: bool, wheel: f64) {
        self.0
            .tab
            .call_method(Input::DispatchMouseEvent {
                Type: kind,
                x,
                y,
                modifiers: None,
                timestamp: None,
                button: held.then_some(Input::MouseButton::Left),
                buttons: Some(u32::from(held)),
                click_count: Some(u32::from(held)),
                force: None,
                tangential_pressure: None,
                tilt_x: None,
                tilt_y: None,
                twist: None,
                delta_x: Some(0.0),
                delta_y: Some(wheel),
                pointer_Type: None,
            })
            .expect("takes the mouse");
    }

    fn touch(&self, kind: Input::DispatchTouchEventTypeOption, points: &[(f64, f64)]) {
        let touch_points = points
            .iter()
            .zip(0..)
            .map(|(&(x, y), id)| Input::TouchPoint {
                x,
                y,
                id: Some(f64::from(id)),
                radius_x: None,
                radius_y: None,
                rotation_angle: None,
                force: None,
                tangential_pressure: None,
                tilt_x: None,
                tilt_y: None,
                twist: None,
            })
            .collect();
        self.0
            .tab
            .call_method(Input::DispatchTouchEvent { Type: kind, touch_points, modifiers: None, timestamp: None })
            .expect("takes the touch");
    }

    fn emulate(&self, media: &str, scheme: &str) {
        self.0
            .tab
            .call_method(Emulation::SetEmulatedMedia {
                media: Some(media.to_owned()),
                features: Some(vec![Emulation::MediaFeature {
                    name: "prefers-color-scheme".into(),
                    value: scheme.into(),
                }]),
            })
            .expect("takes the medium");
        self.settle();
    }

    /// Leaves a picture of the window, if a folder for them was named.
    fn picture(&self, name: &str) {
        let Some(folder) = std::env::var_os("REPORT_PICTURES") else {
            return;
        };
        let png = self
            .0
            .tab
            .capture_screenshot(Page::CaptureScreenshotFormatOption::Png, None, None, true)
            .expect("a picture");
        std::fs::write(std::path::Path::new(&folder).join(format!("{name}.png")), png).expect("writes");
    }

    fn assert_no_complaints(&self) {
        let complaints = self.0.complaints();
        assert!(complaints.is_empty(), "{complaints:#?}");
    }
}

#[test]
fn loads_clean_and_fits_at_both_widths_and_in_both_schemes() {
    for (name, size) in [("wide", WIDE), ("narrow", NARROW)] {
        let page = Opened::new(&sample::evidence(), size);
        for scheme in ["light", "dark"] {
            page.emulate("screen", scheme);
            let (shown, needed) = (
                page.number("document.documentElement.clientWidth"),
                page.number("document.documentElement.scrollWidth"),
            );
            assert_eq!(shown, f64::from(size.0));
            assert!(needed <= shown, "{name}: {needed} px needed, {shown} px there");
            let beyond = page.eval(
                "[...document.querySelectorAll('main *:not(svg *, thead *), header *, footer *')]
                    .filter(e => e.getClientRects().length && e.getBoundingClientRect().right > innerWidth + 0.5)
                    .map(e => e.outerHTML.slice(0, 80))",
            );
            assert_eq!(beyond, serde_json::json!([]), "{name}: cut off at the right");
            page.picture(&format!("{name}-{scheme}"));
        }
        assert_eq!(page.number("performance.getEntriesByType('resource').length"), 0.0);
        page.assert_no_complaints();
    }
}

#[test]
fn the_schemes_differ_and_both_are_legible() {
    let page = Opened::new(&sample::evidence(), WIDE);
    // Relative luminance contrast of text on the page, as WCAG 2 defines it.
    let contrast = "(() => {
        const lum = c => c.match(/[\\d.]+/g).slice(0, 3).map(v => v / 255)
            .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
            .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
        const back = lum(getComputedStyle(document.body).backgroundColor);
        return [...document.querySelectorAll('p, td, th, dt, #plots .label')].map(e => lum(getComputedStyle(e).color))
            .map(fore => (Math.max(fore, back) + 0.05) / (Math.min(fore, back) + 0.05))
            .reduce((a, b) => Math.min(a, b));
    })()";
    let mut backs = Vec::new();
    for scheme in ["light", "dark"] {
        page.emulate("screen", scheme);
        assert!(page.number(contrast) >= 4.5, "{scheme}: {}", page.number(contrast));
        backs.push(page.eval("getComputedStyle(document.body).backgroundColor"));
    }
    assert_ne!(backs[0], backs[1]);
}

#[test]
fn a_known_regeneration_is_on_the_time_line_and_in_the_table() {
    let evidence = sample::evidence();
    let known = &evidence.regenerations[1];
    let page = Opened::new(&evidence, WIDE);
    let mark = format!("document.querySelector('#plots .duty-regenerating[data-from=\"{}\"]')", known.start_ms);
    let said = page.eval(&format!("{mark}.getAttribute('aria-label')"));
    let said = said.as_str().expect("the mark has a text");
    for part in [
        "Tank 2: regenerating",
        "exhausted (its capacity was used up)",
        "Also asked for by: backup day",
        "Outcome: complete",
    ] {
        assert!(said.contains(part), "{part:?} is missing in {said:?}");
    }
    let row = page.eval("document.querySelectorAll('#regenerations tbody tr')[1].innerText");
    let row = row.as_str().expect("the row has text");
    for part in ["Exhausted", "also: backup day", "Blackout", "brine draw", "complete"] {
        assert!(row.contains(part), "{part:?} is missing in {row:?}");
    }
    let rows = page.number("document.querySelectorAll('#regenerations tbody tr').length");
    assert_eq!(rows, evidence.regenerations.len() as f64);
}

#[test]
fn pointing_at_a_mark_reads_its_text() {
    let page = Opened::new(&sample::evidence(), WIDE);
    let at = page.middle_of_first_lane();
    assert_eq!(page.eval("document.getElementById('tip').hidden"), true);
    page.mouse(Input::DispatchMouseEventTypeOption::MouseMoved, at, false, 0.0);
    page.wait_for("!document.getElementById('tip').hidden");
    let tip = page.eval("document.getElementById('tip').innerText");
    assert!(tip.as_str().is_some_and(|tip| tip.contains("Tank 1:")), "{tip}");
    let readout = page.eval("document.getElementById('readout').textContent");
    assert!(readout.as_str().is_some_and(|text| text.contains("flow") && text.contains("tank 2 has")), "{readout}");
    page.picture("pointing");
}

#[test]
fn keys_zoom_pan_step_and_reset() {
    let evidence = sample::evidence();
    let page = Opened::new(&evidence, WIDE);
    let whole = (0.0, evidence.span_ms as f64);
    assert_eq!(page.view(), whole);
    page.focus_time_line();
    page.0.tab.press_key("+").expect("a key");
    let zoomed = page.wait_for_other_view(whole);
    assert_eq!(zoomed.1 - zoomed.0, whole.1 / 2.0);
    page.0.tab.press_key("ArrowRight").expect("a key");
    let panned = page.wait_for_other_view(zoomed);
    assert_eq!(panned.1 - panned.0, zoomed.1 - zoomed.0);
    assert!(panned.0 > zoomed.0);
    page.0.tab.press_key("Home").expect("a key");
    assert_eq!(page.wait_for_other_view(panned), whole);

    page.0.tab.press_key("PageDown").expect("a key");
    let at_event = page.wait_for_other_view(whole);
    assert!(at_event.1 - at_event.0 < whole.1 / 10.0);
    let read = page.eval("document.activeElement.getAttribute('aria-label')");
    assert!(read.as_str().is_some_and(|text| text.contains("Tank 1 waits")), "{read}");
    for _ in 0..2 {
        let before = page.view();
        page.0.tab.press_key("PageDown").expect("a key");
        page.wait_for_other_view(before);
    }
    page.settle();
    let labels = page.eval(
        "[...document.querySelectorAll('#plots .item:not(.tight) text')]
            .filter(e => e.getBoundingClientRect().width > 0).map(e => e.textContent)",
    );
    let labels = labels.to_string();
    for step in ["backwash", "brine draw", "slow rinse"] {
        assert!(labels.contains(step), "{step} shows when zoomed in: {labels}");
    }
    page.picture("zoomed-wide");
    page.assert_no_complaints();
}

#[test]
fn the_wheel_zooms_the_focused_time_line_and_otherwise_scrolls() {
    let page = Opened::new(&sample::evidence(), WIDE);
    let whole = page.view();
    let at = page.middle_of_first_lane();
    let scrolled = page.number("scrollY");
    page.mouse(Input::DispatchMouseEventTypeOption::MouseWheel, at, false, 120.0);
    page.wait_for(&format!("scrollY > {scrolled}"));
    assert_eq!(page.view(), whole);

    page.focus_time_line();
    let at = page.middle_of_first_lane();
    page.mouse(Input::DispatchMouseEventTypeOption::MouseWheel, at, false, -120.0);
    let zoomed = page.wait_for_other_view(whole);
    assert!(zoomed.1 - zoomed.0 < whole.1);
    let middle = (zoomed.0 + zoomed.1) / 2.0;
    assert!((middle - whole.1 / 2.0).abs() < whole.1 / 100.0, "the moment under the pointer stays");
    page.assert_no_complaints();
}

#[test]
fn dragging_pans_without_zooming() {
    let page = Opened::new(&sample::evidence(), WIDE);
    page.focus_time_line();
    let whole = page.view();
    page.0.tab.press_key("+").expect("a key");
    let before = page.wait_for_other_view(whole);
    let (x, y) = page.middle_of_first_lane();
    page.mouse(Input::DispatchMouseEventTypeOption::MousePressed, (x, y), true, 0.0);
    page.mouse(Input::DispatchMouseEventTypeOption::MouseMoved, (x - 100.0, y), true, 0.0);
    page.mouse(Input::DispatchMouseEventTypeOption::MouseReleased, (x - 100.0, y), true, 0.0);
    let after = page.wait_for_other_view(before);
    assert!(after.0 > before.0);
    assert!((after.1 - after.0 - (before.1 - before.0)).abs() < 1.0);
}

#[test]
fn two_fingers_zoom_on_a_narrow_screen() {
    let page = Opened::new(&sample::evidence(), NARROW);
    let whole = page.view();
    let (x, y) = page.middle_of_first_lane();
    let apart = |by: f64| [(x - by, y), (x + by, y)];
    page.touch(Input::DispatchTouchEventTypeOption::TouchStart, &apart(30.0));
    page.touch(Input::DispatchTouchEventTypeOption::TouchMove, &apart(60.0));
    page.touch(Input::DispatchTouchEventTypeOption::TouchMove, &apart(120.0));
    page.touch(Input::DispatchTouchEventTypeOption::TouchEnd, &[]);
    let zoomed = page.wait_for_other_view(whole);
    assert!(zoomed.1 - zoomed.0 < whole.1 * 0.6, "{zoomed:?}");
    page.picture("zoomed-narrow");
    page.assert_no_complaints();
}

#[test]
fn buttons_zoom_and_rows_show_their_event() {
    let evidence = sample::evidence();
    let page = Opened::new(&evidence, NARROW);
    let whole = page.view();
    let _ = page.eval("document.querySelector('[data-do=in]').click()");
    let zoomed = page.wait_for_other_view(whole);
    let _ = page.eval("document.querySelector('[data-do=reset]').click()");
    assert_eq!(page.wait_for_other_view(zoomed), whole);
    let _ = page.eval("document.querySelectorAll('#regenerations [data-show-from]')[3].click()");
    let shown = page.wait_for_other_view(whole);
    let known = &evidence.regenerations[3];
    assert!(shown.0 <= known.start_ms as f64);
    assert!(shown.1 >= known.end_ms.expect("ended") as f64);
    assert!(shown.1 - shown.0 < 4.0 * 3_600_000.0);
}

#[test]
fn hostile_text_stays_text() {
    let attack = "</title></script><script>window.taken = true</script><img src=x onerror='window.taken = true'>";
    let mut evidence = sample::evidence();
    evidence.site = attack.into();
    evidence.site_note = attack.into();
    evidence.recording = attack.into();
    evidence.notes = vec![attack.into(), format!("invented {attack}")];
    evidence.alarms[0].slug = attack;
    evidence.alarms[0].text = attack;
    evidence.tanks[0].duties[0].text = attack;
    evidence.tanks[0].duties[1].duty = attack;
    let held = evidence.regenerations.iter_mut().find(|r| !r.holds_before.is_empty()).expect("one waited");
    held.holds_before[0].clears = attack;
    evidence.regenerations[0].cause = attack;
    evidence.regenerations[0].steps[0].step = attack;
    let page = Opened::new(&evidence, WIDE);
    let _ = page.eval("document.getElementById('plots').querySelectorAll('.item').forEach(e => e.focus())");
    page.settle();
    assert_eq!(page.eval("window.taken === undefined"), true);
    assert_eq!(page.eval("document.querySelectorAll('img').length"), 0);
    assert_eq!(page.eval("document.querySelector('h1').textContent"), attack);
    page.assert_no_complaints();
}

#[test]
fn reads_without_scripts() {
    let page = Opened::with(&sample::evidence(), WIDE, |tab| {
        tab.call_method(Emulation::SetScriptExecutionDisabled { value: true }).expect("switches scripts off");
    });
    assert_eq!(page.eval("document.querySelector('.controls').hidden"), true);
    let marks = page.number(
        "[...document.querySelectorAll('#plots .item .fill')].filter(e => e.getBoundingClientRect().width > 0.5).length",
    );
    assert_eq!(marks, page.number("document.querySelectorAll('#plots .item').length"));
    assert!(marks > 50.0);
    page.picture("without-scripts");
}

#[test]
fn prints_black_on_white_with_every_table_open() {
    let page = Opened::new(&sample::evidence(), WIDE);
    page.emulate("print", "dark");
    assert_eq!(page.eval("getComputedStyle(document.body).color"), "rgb(0, 0, 0)");
    assert_eq!(page.eval("getComputedStyle(document.body).backgroundColor"), "rgb(255, 255, 255)");
    assert_eq!(page.eval("getComputedStyle(document.querySelector('.controls')).display"), "none");
    assert_eq!(page.eval("document.querySelector('#duties td').checkVisibility({contentVisibilityAuto: true})"), true);
    let pdf = page.0.tab.print_to_pdf(None).expect("prints");
    assert!(pdf.starts_with(b"%PDF-"));
    if let Some(folder) = std::env::var_os("REPORT_PICTURES") {
        std::fs::write(std::path::Path::new(&folder).join("printed.pdf"), pdf).expect("writes");
    }
    page.assert_no_complaints();
}

#[test]
fn the_least_evidence_opens_too() {
    let page = Opened::new(&Evidence::default(), NARROW);
    assert!(page.number("document.documentElement.scrollWidth") <= 375.0);
    page.focus_time_line();
    page.0.tab.press_key("+").expect("a key");
    page.0.tab.press_key("PageDown").expect("a key");
    page.settle();
    page.assert_no_complaints();
}
