//! Four buttons, or a knob that turns and can be pressed: both come to the same presses.

/// A button.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Button {
    /// To what stands above, or more of a figure.
    Up,
    /// To what stands below, or less of a figure.
    Down,
    /// Out of what is seen, changing nothing.
    Back,
    /// Into what the cursor is on, or yes.
    Enter,
}

/// Every button, in the order of the levels that [`Buttons::poll`] takes.
pub const BUTTONS: [Button; 4] = [Button::Up, Button::Down, Button::Back, Button::Enter];

/// What a finger did.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Press {
    /// A button was pressed.
    Short(Button),
    /// Up or down is held: so many presses have come of it.
    Held(Button, u16),
    /// Back or enter was held for so long that it was meant.
    Long(Button),
}

impl Press {
    /// The button.
    #[must_use]
    pub const fn button(self) -> Button {
        match self {
            Self::Short(button) | Self::Held(button, _) | Self::Long(button) => button,
        }
    }
}

/// A level must stand for so long to count.
const STEADY_MS: u64 = 25;
/// A button held for so long repeats, or was meant.
const HELD_MS: u64 = 600;
/// Held on, it repeats this often.
const REPEAT_MS: u64 = 150;
/// Back and enter are meant when held for so long.
const MEANT_MS: u64 = 1_500;

#[derive(Clone, Copy, Debug, Default)]
struct Key {
    level: bool,
    since_ms: u64,
    down: bool,
    next_ms: u64,
    repeats: u16,
}

/// Debounces four buttons.
#[derive(Clone, Copy, Debug, Default)]
pub struct Buttons {
    keys: [Key; 4],
}

impl Buttons {
    /// None is pressed.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes the levels, pressed or not, in the order of [`BUTTONS`]; gives at most one press.
    ///
    /// Back and enter count when they are let go, or once they have been held long enough to be meant: a long press is
    /// not a short one as well.
    pub fn poll(&mut self, now_ms: u64, pressed: [bool; 4]) -> Option<Press> {
        let mut found = None;
        for ((key, level), button) in self.keys.iter_mut().zip(pressed).zip(BUTTONS) {
            if key.level != level {
                (key.level, key.since_ms) = (level, now_ms);
            }
            let steady = now_ms.saturating_sub(key.since_ms) >= STEADY_MS;
            if found.is_none() {
                found = key.turn(now_ms, steady, button);
            }
        }
        found
    }
}

impl Key {
    fn turn(&mut self, now_ms: u64, steady: bool, button: Button) -> Option<Press> {
        let repeats = matches!(button, Button::Up | Button::Down);
        if steady && self.level != self.down {
            self.down = self.level;
            let meant = self.repeats > 0;
            self.repeats = 0;
            if self.down {
                self.next_ms = self.since_ms.saturating_add(if repeats { HELD_MS } else { MEANT_MS });
                return repeats.then_some(Press::Short(button));
            }
            return (!repeats && !meant).then_some(Press::Short(button));
        }
        if !self.down || now_ms < self.next_ms {
            return None;
        }
        self.next_ms = if repeats { now_ms.saturating_add(REPEAT_MS) } else { u64::MAX };
        self.repeats = self.repeats.saturating_add(1);
        Some(if repeats { Press::Held(button, self.repeats) } else { Press::Long(button) })
    }
}

/// A knob: two contacts that close in turn as it turns, and one that closes when it is pressed.
#[derive(Clone, Copy, Debug, Default)]
pub struct Knob {
    before: u8,
    quarters: i8,
    push: Buttons,
}

impl Knob {
    /// At rest.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes the levels of the two turning contacts and of the press.
    ///
    /// A turn to the right is down, to the left up; a press is enter, and held it is back, or the deliberate press that a
    /// lock may want. Four changes make a step, so a contact that bounces goes to and fro and comes to nothing.
    pub fn poll(&mut self, now_ms: u64, a: bool, b: bool, push: bool) -> Option<Press> {
        let now = u8::from(a) << 1 | u8::from(b);
        let turned = match (self.before, now) {
            (0b00, 0b10) | (0b10, 0b11) | (0b11, 0b01) | (0b01, 0b00) => 1i8,
            (0b10, 0b00) | (0b11, 0b10) | (0b01, 0b11) | (0b00, 0b01) => -1,
            _ => 0,
        };
        self.before = now;
        self.quarters = self.quarters.saturating_add(turned);
        if now == 0 {
            let quarters = core::mem::take(&mut self.quarters);
            if quarters >= 3 {
                return Some(Press::Short(Button::Down));
            }
            if quarters <= -3 {
                return Some(Press::Short(Button::Up));
            }
        }
        self.push.poll(now_ms, [false, false, false, push])
    }
}
