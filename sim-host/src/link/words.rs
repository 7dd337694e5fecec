//! What a board says, as people read it.

use bedkeeper::calendar::Civil;
use bedkeeper::units::Instant;
use bedkeeper_runtime::link::message::{Moment, Refusal, WantsKey};
use bedkeeper_runtime::plant::NotWired;

pub(super) use crate::quantity::civil::shown as civil;
use crate::quantity::show;

/// Why a board says no, and what would help.
#[must_use]
pub fn refusal(refusal: &Refusal) -> String {
    match refusal {
        Refusal::Version => "the board speaks another version of the link".to_owned(),
        Refusal::Unknown => "the board does not know this request: its software and this program differ".to_owned(),
        Refusal::TooLong => "the answer finds no room in a frame".to_owned(),
        Refusal::NoSuchTank => "the site has no such tank".to_owned(),
        Refusal::NoSession => {
            "another program has begun to change something on this board, or it was restarted\n  help: try again"
                .to_owned()
        }
        Refusal::OutOfTurn { .. } => "the board has not seen what came before\n  help: try again".to_owned(),
        Refusal::Locked => {
            "the lock of the serial line is closed\n  help: --key CODE opens it, or --key press where a deliberate step is enough"
                .to_owned()
        }
        Refusal::Logic(refused) => match refused {
            bedkeeper::Refused::Barred => {
                "too many wrong codes: the lock opens to nobody for a while\n  help: wait; each further wrong code doubles the wait"
                    .to_owned()
            }
            refused => refused.to_string(),
        },
        Refusal::NotStaged => "the board has no room for such an image".to_owned(),
        Refusal::PieceOutOfPlace { .. } | Refusal::NotWhole => {
            "the settings did not come over whole, and none were taken\n  help: try again".to_owned()
        }
        Refusal::Image(error) => error.to_string(),
        Refusal::Faulty { faults, more } => {
            let mut text = "the settings do not pass their check, and none were taken:".to_owned();
            for fault in faults {
                let index = fault.index.map(|i| format!("[{i}]")).unwrap_or_default();
                text += &format!("\n  {}{index}: {}", fault.field, fault.problem);
            }
            if *more > 0 {
                text += &format!("\n  and {more} more");
            }
            text
        }
        Refusal::NotWired(what) => format!("the board has not what these settings need: {}", not_wired(*what)),
        Refusal::NothingChanged => "these are the settings that run".to_owned(),
        Refusal::ChangedMeanwhile => {
            "other settings run than those just read: somebody changed them meanwhile\n  help: look at the difference again"
                .to_owned()
        }
        Refusal::Regenerating => {
            "a regeneration runs, and these settings would change it\n  help: offer them again when it is over".to_owned()
        }
        Refusal::NeedsRestart => {
            "these settings describe another plant, which the board takes up by a restart\n  help: --restart allows it; \
             what the beds have taken up may count as unknown then, and each regenerates first"
                .to_owned()
        }
        Refusal::ValveMoves => {
            "a valve moves, and storing settings would stop the board meanwhile\n  help: try again in a minute".to_owned()
        }
        Refusal::NotStored => "the board could not store them, and nothing was changed".to_owned(),
        Refusal::NoSuchManners => {
            "no board has such an address or speed\n  help: an address from 1 to 247; 9600, 19200, 38400, 57600 or 115200 bits a second"
                .to_owned()
        }
        Refusal::NoBaseline => {
            "no baseline of this site was stored\n  help: `settings baseline store` stores the settings that run; --built-in \
             returns to the baseline that every board has"
                .to_owned()
        }
    }
}

fn not_wired(what: NotWired) -> &'static str {
    match what {
        NotWired::Tanks => "fewer tanks, or drives of another kind",
        NotWired::Pilots => "it has fewer pilots, or none",
        NotWired::Switches => "it has fewer position switches for each tank",
        NotWired::SharedValve => "it has no shared changeover valve",
        NotWired::Meters => "it has fewer meters",
    }
}

/// What the lock wants.
#[must_use]
pub fn wants_key(wants: WantsKey) -> &'static str {
    match wants {
        WantsKey::Nothing => "none",
        WantsKey::Press => "a deliberate step (--key press)",
        WantsKey::Code => "a code (--key CODE)",
    }
}

/// An instant of the logic's clock in civil time, or as time from now where that is unknown.
#[must_use]
pub fn when(now: &Moment, at: Instant) -> String {
    let (at_ms, now_ms) = (at.as_ticks(), now.at.as_ticks());
    match now.civil.and_then(|civil| (civil.0 + at_ms).checked_sub(now_ms)) {
        Some(ms) => civil(Civil(ms)),
        None if at_ms >= now_ms => format!("in {}", show::duration_brief(at_ms - now_ms)),
        None => format!("{} ago", show::duration_brief(now_ms - at_ms)),
    }
}
