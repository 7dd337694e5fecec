//! A browser of one's own for a test, and what it complains about.
//!
//! Needs Chromium, or the browser that the variable `CHROME` names.
#![allow(dead_code, reason = "each test uses a part of it")]

use std::ffi::OsStr;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use headless_chrome::browser::tab::Tab;
use headless_chrome::protocol::cdp::Emulation;
use headless_chrome::protocol::cdp::types::Event;
use headless_chrome::{Browser, LaunchOptions};
use tempfile::TempDir;

/// It talks to nobody by itself, and pictures show no scroll bars.
const FLAGS: [&str; 6] = [
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
];

/// An empty tab in a browser of its own, which ends with it.
pub struct Shown {
    pub tab: Arc<Tab>,
    pub folder: TempDir,
    complaints: Arc<Mutex<Vec<String>>>,
    _browser: Browser,
}

impl Shown {
    /// A window of this size in pixels; below 600 it is a phone's.
    pub fn empty((width, height): (u32, u32)) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the browser");
        let browser = Browser::new(LaunchOptions {
            sandbox: false,
            user_data_dir: Some(folder.path().join("profile")),
            idle_browser_timeout: Duration::from_secs(180),
            args: FLAGS.iter().map(OsStr::new).collect(),
            ..LaunchOptions::default()
        })
        .expect("a browser starts: Chromium is installed, or CHROME names another");
        let tab = browser.new_tab().expect("a tab");
        tab.set_default_timeout(Duration::from_secs(60));
        tab.call_method(Emulation::SetDeviceMetricsOverride {
            width,
            height,
            device_scale_factor: 1.0,
            mobile: width < 600,
            scale: None,
            screen_width: None,
            screen_height: None,
            position_x: None,
            position_y: None,
            dont_set_visible_size: None,
            screen_orientation: None,
            viewport: None,
            display_feature: None,
            device_posture: None,
        })
        .expect("takes the size");
        let complaints = Arc::new(Mutex::new(Vec::new()));
        let heard = Arc::clone(&complaints);
        tab.enable_runtime().expect("hears exceptions").enable_log().expect("hears the log");
        tab.add_event_listener(Arc::new(move |event: &Event| {
            let complaint = match event {
                Event::LogEntryAdded(entry) => format!("log: {:?}", entry.params.entry),
                Event::RuntimeExceptionThrown(thrown) => format!("exception: {:?}", thrown.params.exception_details),
                Event::RuntimeConsoleAPICalled(call) => format!("console: {:?}", call.params),
                _ => return,
            };
            heard.lock().expect("one listener").push(complaint);
        }))
        .expect("listens");
        Self { tab, folder, complaints, _browser: browser }
    }

    pub fn go_to(&self, file: &Path) {
        self.tab.navigate_to(&format!("file://{}", file.display())).expect("goes there");
        self.tab.wait_until_navigated().expect("arrives");
    }

    /// What its console, its log and uncaught exceptions said so far.
    pub fn complaints(&self) -> Vec<String> {
        self.complaints.lock().expect("one listener").clone()
    }
}
