//! The bench in a real terminal, by tmux: a fault and back, at two sizes.

use std::process::Command;
use std::time::{Duration, Instant};

/// A terminal of its own, gone at the end.
struct Terminal {
    socket: String,
}

impl Terminal {
    fn open(width: u16, height: u16, save: &str) -> Self {
        let terminal = Self { socket: format!("bedkeeper-{}-{width}", std::process::id()) };
        // The shell tells how it left: what tmux itself tells of a child comes by a signal it may miss.
        let bench = format!("{} bench demo:apartments --save {save}", env!("CARGO_BIN_EXE_bedkeeper"));
        let command = format!("{bench}; echo left with status $?; read -r line");
        let (width, height) = (width.to_string(), height.to_string());
        terminal.tmux(&["new-session", "-d", "-x", &width, "-y", &height, &command]);
        terminal
    }

    fn tmux(&self, args: &[&str]) -> String {
        let output = Command::new("tmux").args(["-L", &self.socket, "-f", "/dev/null"]).args(args).output().unwrap();
        assert!(output.status.success(), "tmux {args:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    }

    fn press(&self, keys: &[&str]) {
        for key in keys {
            self.tmux(&["send-keys", key]);
        }
    }

    /// Waits until the screen shows something.
    fn shows(&self, text: &str) {
        self.wait(text, true);
    }

    /// Waits until the screen shows something no more.
    fn hides(&self, text: &str) {
        self.wait(text, false);
    }

    fn wait(&self, text: &str, shown: bool) {
        let until = Instant::now() + Duration::from_secs(60);
        loop {
            let screen = self.tmux(&["capture-pane", "-p"]);
            if screen.contains(text) == shown {
                return;
            }
            let what = if shown { "no" } else { "still" };
            assert!(Instant::now() < until, "{what} \"{text}\" on the screen:\n{screen}");
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        let _ = Command::new("tmux").args(["-L", &self.socket, "kill-server"]).output();
    }
}

#[test]
fn a_session_at_the_terminal_goes_through_a_fault_and_back() {
    for (width, height) in [(80, 24), (132, 43)] {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("done.toml");
        let terminal = Terminal::open(width, height, file.to_str().unwrap());
        terminal.shows("paused");
        // 20 L/min; once the valves are found the second tank is started by hand.
        terminal.press(&["w", "Down", "Down", "Down", "Down", "Down", "Enter"]);
        terminal.shows("drawn by hand 20 L/min");
        terminal.press(&["Right", "2", "o", "Enter"]);
        terminal.shows("regenerating");
        // Its motor stalls: the first of the faults.
        terminal.press(&["f", "Enter"]);
        terminal.press(&["Right", "Right", "Right"]);
        terminal.shows("valve-lost");
        terminal.press(&["f", "Enter"]);
        terminal.press(&["o", "Down", "Down", "Down", "Down", "Down", "Down", "Down", "Down", "Enter"]);
        for _ in 0..18 {
            terminal.press(&["Right"]);
        }
        terminal.shows("ready");
        // The alarm is over, and tells so until somebody knows.
        terminal.shows("valve-lost ·");
        terminal.press(&["o"]);
        terminal.press(&["Down"; 13]);
        terminal.press(&["Enter"]);
        terminal.shows("acknowledge all alarms");
        terminal.hides("valve-lost ·");
        // It plays, it survives another size, it saves and it leaves.
        terminal.press(&["Space"]);
        terminal.shows("plays");
        terminal.tmux(&["resize-window", "-x", "60", "-y", "20"]);
        terminal.shows("plays");
        terminal.press(&["Space", "s"]);
        terminal.shows("written");
        terminal.press(&["q"]);
        terminal.shows("left with status 0");
        let verified = Command::new(env!("CARGO_BIN_EXE_bedkeeper")).arg("verify").arg(&file).output().unwrap();
        assert!(verified.status.success(), "{}", String::from_utf8_lossy(&verified.stdout));
    }
}
