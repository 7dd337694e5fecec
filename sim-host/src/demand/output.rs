//! Where a recording goes. A file gets its name when it is complete: one that is replaced stays until then.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::write::{Facts, Form, Writer};
use crate::cli::output::{FORCE_REPLACES, is_there};
use crate::recording::Entry;

/// A recording on its way to a file or to standard output.
pub(super) struct Target {
    path: PathBuf,
    /// The file under its passing name; none for standard output, devices and pipes.
    passing: Option<Passing>,
    writer: Option<Writer>,
}

/// Removes the file under its passing name unless it was finished.
struct Passing(PathBuf);

impl Drop for Passing {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.0);
    }
}

impl Target {
    /// Opens a file of its own name, or standard output for `-`.
    ///
    /// # Errors
    /// The file is there and is not to be replaced, or cannot be written; in words.
    pub fn open(path: &Path, force: bool, facts: &Facts) -> Result<Self, String> {
        let (form, packing) = Form::of(path);
        let fault = |error: io::Error| words(path, &error);
        let (out, passing): (Box<dyn Write>, _) = if path.as_os_str() == "-" {
            (Box::new(io::stdout()), None)
        } else {
            match std::fs::metadata(path) {
                Ok(there) if there.is_dir() => return Err(format!("{} is a folder; name a file", path.display())),
                Ok(there) if there.is_file() && !force => {
                    return Err(is_there(path, FORCE_REPLACES));
                }
                Ok(there) if !there.is_file() => (Box::new(File::create(path).map_err(fault)?), None),
                _ => {
                    let mut name = path.file_name().unwrap_or_default().to_owned();
                    name.push(".part");
                    let passing = path.with_file_name(name);
                    let file = File::create(&passing).map_err(fault)?;
                    (Box::new(file), Some(Passing(passing)))
                }
            }
        };
        let writer = Writer::new(out, form, packing, facts).map_err(fault)?;
        Ok(Self { path: path.to_owned(), passing, writer: Some(writer) })
    }

    /// Whether it goes to standard output.
    pub fn is_stdout(&self) -> bool {
        self.path.as_os_str() == "-"
    }

    /// Writes a row. Whoever read standard output and has seen enough ends the rows, not the work.
    pub fn write(&mut self, entry: &Entry) -> Result<(), String> {
        let Some(writer) = &mut self.writer else { return Ok(()) };
        match writer.write(entry) {
            Err(error) if self.is_stdout() && error.kind() == io::ErrorKind::BrokenPipe => {
                self.writer = None;
                Ok(())
            }
            written => written.map_err(|error| words(&self.path, &error)),
        }
    }

    /// Ends the recording and gives the file its name.
    pub fn finish(mut self) -> Result<(), String> {
        let Some(writer) = self.writer.take() else { return Ok(()) };
        match writer.finish() {
            Err(error) if self.is_stdout() && error.kind() == io::ErrorKind::BrokenPipe => return Ok(()),
            finished => finished.map_err(|error| words(&self.path, &error))?,
        }
        if let Some(passing) = &self.passing {
            std::fs::rename(&passing.0, &self.path).map_err(|error| words(&self.path, &error))?;
        }
        Ok(())
    }
}

fn words(path: &Path, error: &io::Error) -> String {
    let name = if path.as_os_str() == "-" { "standard output".to_owned() } else { path.display().to_string() };
    format!("{name}: cannot be written: {error}")
}
