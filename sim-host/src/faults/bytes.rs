//! Power fails at every byte of what a regeneration stores: what is read afterwards is what was stored before, or the new.
//!
//! A save is made before any motor starts. Where it is torn the plant stands as it did before the call that asked for it,
//! and the controller begins from the save before: that is a cut just before the call, which the cases of power try.

use std::time::Instant;

use bedkeeper::retain::MAX_BYTES;
use bedkeeper_runtime::mock_flash::MockFlash;
use bedkeeper_runtime::store::{Log, Region};

type Flash = MockFlash<4, 4096>;
const PAGES: u32 = 2;
const BUFFER: usize = MAX_BYTES + 16;
type Store = Log<Flash, BUFFER>;

/// What came of it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Torn {
    /// At how many bytes, and steps of erasures, power failed.
    pub cuts: u64,
    /// At how many there are.
    pub planned: u64,
    /// What was read wrongly afterwards, each in words.
    pub wrong: Vec<String>,
}

fn mounted(mut flash: Flash) -> Result<Store, String> {
    flash.power_up();
    Log::mount(flash, Region { start: 0, pages: PAGES }).map_err(|error| format!("the store does not mount: {error:?}"))
}

/// What the store reads, and the store.
fn read(flash: Flash) -> Result<(Option<Vec<u8>>, Store), String> {
    let mut store = mounted(flash)?;
    let latest = store.latest().map_err(|error| format!("the store does not read: {error:?}"))?.map(<[u8]>::to_vec);
    Ok((latest, store))
}

/// Stores each of these in turn and lets power fail at every step of it, but begins nothing after `until`.
#[must_use]
pub fn tear(saves: &[Vec<u8>], until: Option<Instant>) -> Torn {
    let mut torn = Torn::default();
    let mut flash = Flash::new(2);
    let mut before: Option<&Vec<u8>> = None;
    for (number, save) in (1..).zip(saves) {
        let whole = mounted(flash.clone()).and_then(|mut store| {
            store.append(save).map_err(|error| format!("save {number} is refused: {error:?}"))?;
            Ok(store.release())
        });
        let after = match whole {
            Ok(after) => after,
            Err(why) => {
                torn.wrong.push(why);
                return torn;
            }
        };
        for step in 0..after.steps().saturating_sub(flash.steps()) {
            torn.planned += 1;
            if until.is_some_and(|until| Instant::now() >= until) {
                continue;
            }
            torn.cuts += 1;
            if let Err(why) = cut(&flash, step, before, save) {
                torn.wrong.push(format!("save {number}, cut at its step {step}: {why}"));
            }
        }
        flash = after;
        before = Some(save);
    }
    torn
}

fn cut(flash: &Flash, step: u64, before: Option<&Vec<u8>>, save: &[u8]) -> Result<(), String> {
    let mut store = mounted(flash.clone())?;
    // Mounting reads only; the steps of the append are counted from here.
    let mut failing = store.release();
    failing.fail_in(step);
    store = Log::mount(failing, Region { start: 0, pages: PAGES }).map_err(|error| format!("{error:?}"))?;
    if store.append(save).is_ok() {
        return Err("power did not fail".to_owned());
    }
    let (latest, mut store) = read(store.release())?;
    if latest.as_ref() != before && latest.as_deref() != Some(save) {
        return Err("neither the save before nor the new one is read".to_owned());
    }
    store.append(save).map_err(|error| format!("it cannot be written again: {error:?}"))?;
    let (latest, _) = read(store.release())?;
    if latest.as_deref() == Some(save) { Ok(()) } else { Err("what is written again is not read".to_owned()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// P2, S10: what is cut at any byte leaves the save before or the new one, over page turns as well.
    #[test]
    fn p2_a_torn_save_leaves_the_one_before() {
        let saves: Vec<Vec<u8>> = (0u8..12).map(|i| vec![i; 700]).collect();
        let torn = tear(&saves, None);
        assert_eq!(torn.wrong, Vec::<String>::new());
        assert!(torn.cuts > 12 * 700 && torn.cuts == torn.planned, "{}", torn.cuts);
        // When the time is up the rest is counted, and not tried.
        assert_eq!(tear(&saves, Some(Instant::now())), Torn { cuts: 0, ..torn });
    }

    /// P2: a save that the store does not take is told.
    #[test]
    fn what_does_not_fit_is_told() {
        let torn = tear(&[vec![0; MAX_BYTES + 100]], None);
        assert!(torn.wrong.iter().any(|why| why.contains("save 1 is refused")), "{:?}", torn.wrong);
    }
}
