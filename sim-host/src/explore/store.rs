//! A search on disk, to be gone on with.
//!
//! A line of JSON about the search, then each state's key, its parent and the number of the act that led to it, then the
//! numbers of the states on the frontier. The frontier's states themselves are made anew by going every way that leads
//! to them once.

use std::io::{self, BufRead, BufReader, BufWriter, Read, Write};
use std::path::Path;

use serde::{Deserialize, Serialize};

/// How a state was come by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Origin {
    pub parent: u32,
    /// The place of the act in the list of those that the parent allows.
    pub act: u16,
}

/// What is kept of a search.
#[derive(Clone, Debug, Default)]
pub(super) struct Stored {
    pub head: Head,
    pub keys: Vec<u64>,
    pub origins: Vec<Origin>,
    pub frontier: Vec<u32>,
}

/// About a search.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Head {
    /// Of the program, the site and what the adversary may do: another search's states mean nothing.
    pub mark: u64,
    pub depth: usize,
    pub steps: u64,
    pub milliseconds: u64,
    pub states: usize,
    pub frontier: usize,
    pub reached: Vec<(String, String)>,
}

pub(super) fn save(path: &Path, stored: &Stored) -> io::Result<()> {
    let partial = path.with_extension("partial");
    let mut file = BufWriter::new(std::fs::File::create(&partial)?);
    serde_json::to_writer(&mut file, &stored.head)?;
    file.write_all(b"\n")?;
    for (key, origin) in stored.keys.iter().zip(&stored.origins) {
        file.write_all(&key.to_le_bytes())?;
        file.write_all(&origin.parent.to_le_bytes())?;
        file.write_all(&origin.act.to_le_bytes())?;
    }
    for number in &stored.frontier {
        file.write_all(&number.to_le_bytes())?;
    }
    file.into_inner().map_err(io::IntoInnerError::into_error)?.sync_all()?;
    std::fs::rename(partial, path)
}

pub(super) fn load(path: &Path) -> io::Result<Stored> {
    let mut file = BufReader::new(std::fs::File::open(path)?);
    let mut line = String::new();
    file.read_line(&mut line)?;
    let head: Head = serde_json::from_str(&line)?;
    let mut stored = Stored { head, ..Stored::default() };
    for _ in 0..stored.head.states {
        let (mut key, mut parent, mut act) = ([0; 8], [0; 4], [0; 2]);
        file.read_exact(&mut key)?;
        file.read_exact(&mut parent)?;
        file.read_exact(&mut act)?;
        stored.keys.push(u64::from_le_bytes(key));
        stored.origins.push(Origin { parent: u32::from_le_bytes(parent), act: u16::from_le_bytes(act) });
    }
    for _ in 0..stored.head.frontier {
        let mut number = [0; 4];
        file.read_exact(&mut number)?;
        stored.frontier.push(u32::from_le_bytes(number));
    }
    Ok(stored)
}
