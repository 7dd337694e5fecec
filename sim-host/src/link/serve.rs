//! A simulated board on a pseudo-terminal.

use std::io::{ErrorKind, Read, Write};
use std::path::Path;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use serialport::{SerialPort, TTYPort};

use super::board::SimulatedBoard;

/// How long one waits for bytes before the board goes round again.
const WAIT: Duration = Duration::from_millis(2);

/// Serves a board until it is stopped, or for so long; its time runs `speed` times as fast.
pub fn serve(
    mut board: SimulatedBoard,
    speed: u32,
    length_ms: Option<u64>,
    name_to: Option<&Path>,
) -> Result<ExitCode, String> {
    let (mut ours, theirs) =
        TTYPort::pair().map_err(|error| format!("there is no pseudo-terminal to be had: {error}"))?;
    let name = theirs.name().ok_or("the pseudo-terminal has no name")?;
    ours.set_timeout(WAIT).map_err(|error| error.to_string())?;
    if let Some(path) = name_to {
        std::fs::write(path, &name).map_err(|error| format!("{}: cannot be written: {error}", path.display()))?;
    }
    let (unit, baud) = (board.manners().address, board.manners().speed.baud());
    // A board runs whether or not somebody reads its name.
    let _ = writeln!(
        std::io::stdout(),
        "{name}\nbedkeeper link {name} status talks to it; for Modbus it is device {unit}, {baud} baud, 8N1"
    );
    let (began, begins_ms) = (Instant::now(), board.now_ms());
    let elapsed_ms = || u64::try_from(began.elapsed().as_millis()).unwrap_or(u64::MAX);
    let mut bytes = [0; 4_096];
    while length_ms.is_none_or(|length_ms| elapsed_ms() < length_ms) {
        board.run_to(begins_ms.saturating_add(elapsed_ms().saturating_mul(u64::from(speed))))?;
        match ours.read(&mut bytes) {
            Ok(count) => {
                // The silence before it, and the time that it takes, are those of the board.
                board.run_to(begins_ms.saturating_add(elapsed_ms().saturating_mul(u64::from(speed))))?;
                board.hear(bytes.get(..count).unwrap_or_default())?;
            }
            Err(error) if matches!(error.kind(), ErrorKind::TimedOut | ErrorKind::Interrupted) => {}
            Err(error) => return Err(format!("the pseudo-terminal fails: {error}")),
        }
        let said = board.say();
        if !said.is_empty() {
            ours.write_all(&said).map_err(|error| format!("the pseudo-terminal fails: {error}"))?;
        }
    }
    drop(theirs);
    Ok(ExitCode::SUCCESS)
}
