//! What bytes go over: a serial port, or a simulated board in this very program.

use std::io::{self, Read, Write};
use std::time::Duration;

use serialport::SerialPort;

use super::board::SimulatedBoard;

/// A line to a board.
pub enum Line {
    /// A serial port.
    Port(Box<dyn SerialPort>),
    /// A board in this program; its time passes only while somebody waits.
    Simulated(Box<SimulatedBoard>),
}

/// A simulated board answers within so long.
const STEP_MS: u64 = 5;

impl Line {
    /// Opens a serial port.
    ///
    /// # Errors
    /// It cannot be opened, in words.
    pub fn open(path: &str, baud: u32) -> Result<Self, String> {
        let port = serialport::new(path, baud).timeout(Duration::from_millis(20)).open();
        port.map(Self::Port).map_err(|error| {
            let help = match error.kind() {
                serialport::ErrorKind::NoDevice | serialport::ErrorKind::Io(io::ErrorKind::NotFound) => {
                    "\n  help: give a serial port such as /dev/ttyUSB0, or demo:apartments to try it without a board"
                }
                serialport::ErrorKind::Io(io::ErrorKind::PermissionDenied) => {
                    "\n  help: your user may have to join the group that owns the port, often `dialout`"
                }
                _ => "",
            };
            format!("{path}: the serial port cannot be opened: {error}{help}")
        })
    }

    /// Has a serial port run at another speed; a simulated board hears at any.
    ///
    /// # Errors
    /// The port cannot, in words.
    pub fn set_baud(&mut self, baud: u32) -> Result<(), String> {
        match self {
            Self::Port(port) => {
                port.set_baud_rate(baud).map_err(|error| format!("the port cannot run at {baud}: {error}"))
            }
            Self::Simulated(_) => Ok(()),
        }
    }

    /// Sends.
    ///
    /// # Errors
    /// The line fails, in words.
    pub fn send(&mut self, bytes: &[u8]) -> Result<(), String> {
        match self {
            Self::Port(port) => {
                port.write_all(bytes).and_then(|()| port.flush()).map_err(|error| format!("the line fails: {error}"))
            }
            Self::Simulated(board) => board.hear(bytes),
        }
    }

    /// Takes what has come, waiting a moment if nothing has.
    ///
    /// # Errors
    /// The line fails, in words.
    pub fn receive(&mut self) -> Result<Vec<u8>, String> {
        match self {
            Self::Port(port) => {
                let mut bytes = [0; 512];
                match port.read(&mut bytes) {
                    Ok(count) => Ok(bytes.get(..count).unwrap_or_default().to_vec()),
                    Err(error) if matches!(error.kind(), io::ErrorKind::TimedOut | io::ErrorKind::Interrupted) => {
                        Ok(Vec::new())
                    }
                    Err(error) => Err(format!("the line fails: {error}")),
                }
            }
            Self::Simulated(board) => {
                let said = board.say();
                if said.is_empty() {
                    board.run_to(board.now_ms() + STEP_MS)?;
                    return Ok(board.say());
                }
                Ok(said)
            }
        }
    }

    /// Waits: at a serial port really, at a simulated board in its own time.
    ///
    /// # Errors
    /// The simulated board fails, in words.
    pub fn pause(&mut self, length: Duration) -> Result<(), String> {
        match self {
            Self::Port(_) => {
                std::thread::sleep(length);
                Ok(())
            }
            Self::Simulated(board) => {
                let ms = u64::try_from(length.as_millis()).unwrap_or(u64::MAX);
                board.run_to(board.now_ms().saturating_add(ms))
            }
        }
    }

    /// How often one waits a moment for an answer before giving up.
    pub fn patience(&self) -> u32 {
        match self {
            // Storing settings may stop a board's core for some hundred ms.
            Self::Port(_) => 100,
            Self::Simulated(_) => 400,
        }
    }
}
