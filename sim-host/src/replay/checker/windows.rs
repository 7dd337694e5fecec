//! No regeneration in a blackout window (S4): windows are read minute by minute.

use bedkeeper::calendar::Window;

use super::{Checker, World};

/// A regeneration under way.
#[derive(Clone)]
pub(super) struct Run {
    pub(super) began_ms: u64,
    /// The windows as they were when it began: later ones do not cut it (C5).
    pub(super) windows: Vec<Window>,
    /// Its cause overrides windows.
    pub(super) overrides: bool,
    /// Its valve was late, or one that was lost kept it waiting for the drain, which no plan could know.
    pub(super) late: bool,
}

impl Checker {
    /// S4: no start in a window, nor one that runs into one.
    pub(super) fn check_start(&mut self, tank: usize, overrides: bool, world: &World) {
        // A controller that lost its clock has no windows to keep (T1).
        let Some(civil) = world.shown_clock() else { return };
        if overrides {
            return;
        }
        let minute = civil.0 / 60_000;
        let in_window = self.raw.windows.iter().any(|w| covers(w, minute));
        self.expect(!in_window, "S4", tank, world.now_ms, || {
            format!("tank {} began to regenerate in a blackout window", tank + 1)
        });
        if !self.raw.finish_before_window {
            return;
        }
        let planned: u64 = self.raw.program.iter().map(|s| u64::from(s.length.0)).sum();
        let end = (civil.0 + planned).div_ceil(60_000);
        let runs_in = (minute..end).any(|m| self.raw.windows.iter().any(|w| covers(w, m)));
        self.expect(!runs_in, "S4", tank, world.now_ms, || {
            format!("tank {} began a regeneration whose steps run into a blackout window", tank + 1)
        });
    }

    /// S4: a regeneration that kept to its plan did not run into a window.
    pub(super) fn check_run(&mut self, tank: usize, world: &World) {
        let Some(run) = self.tanks[tank].run.take() else { return };
        let replanned = self.replanned_ms.is_some_and(|at_ms| at_ms >= run.began_ms);
        // Where several regenerate, one may wait for the drain or the brine of another between its steps.
        let alone = self.raw.max_regenerating == 1;
        // Without a clock no window was seen to come (T1).
        let unset = world.shown_clock().is_none();
        if run.windows.is_empty() || !alone || run.overrides || run.late || replanned || unset {
            return;
        }
        let Some((from, to)) = world.civil_at(run.began_ms).zip(world.civil_at(world.now_ms)) else { return };
        let entered = (from.0 / 60_000..to.0.div_ceil(60_000)).any(|m| run.windows.iter().any(|w| covers(w, m)));
        self.expect(!entered, "S4", tank, world.now_ms, || {
            format!("tank {} regenerated on into a blackout window", tank + 1)
        });
    }
}

/// Whether a window covers a minute since 2000-01-01, a Saturday.
fn covers(window: &Window, minute: u64) -> bool {
    let (day, of_day) = (minute / 1_440, (minute % 1_440) as u16);
    let begins_on = |day: u64| window.days.has_number(((day + 5) % 7) as u8);
    let (from, to) = (window.from_minute, window.to_minute);
    if to > from {
        begins_on(day) && (from..to).contains(&of_day)
    } else {
        (begins_on(day) && of_day >= from) || (day > 0 && begins_on(day - 1) && of_day < to)
    }
}
