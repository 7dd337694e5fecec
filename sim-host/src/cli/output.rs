//! Files that a verb writes. They are opened before the work begins, so that a name that will not do shows at once,
//! and none of them may be a file that is read, or another that is written.

use std::fs::{File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Component, Path, PathBuf};

use crate::scenario::from_folder;

/// A file to write, or standard output (`-`).
pub struct Output {
    path: PathBuf,
    /// `None`: standard output.
    file: Option<File>,
}

impl Output {
    /// Opens a file and leaves what it holds until [`Output::begin`].
    ///
    /// # Errors
    /// It cannot be written; the text names it.
    pub fn open(path: &Path) -> Result<Self, String> {
        let file = if is_stdout(path) {
            None
        } else {
            // What an older run wrote stays if this one finds its input at fault.
            let opened = OpenOptions::new().write(true).create(true).truncate(false).open(path);
            Some(opened.map_err(|error| unwritable(path, &error).to_string())?)
        };
        Ok(Self { path: path.to_owned(), file })
    }

    /// Empties the file and hands out its writer, whose errors name it.
    ///
    /// # Errors
    /// It cannot be emptied.
    pub fn begin(self) -> io::Result<BufWriter<Named>> {
        let Self { path, file } = self;
        let inner: Box<dyn Write> = match file {
            None => Box::new(io::stdout()),
            Some(file) => {
                // A device or a pipe has no length.
                if file.metadata().is_ok_and(|facts| facts.is_file()) {
                    file.set_len(0).map_err(|error| unwritable(&path, &error))?;
                }
                Box::new(file)
            }
        };
        Ok(BufWriter::new(Named { path, inner }))
    }
}

/// A writer whose errors say which file they are about.
pub struct Named {
    path: PathBuf,
    inner: Box<dyn Write>,
}

impl Write for Named {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self.inner.write(bytes) {
            // The writer above this one tries again by itself.
            Err(error) if error.kind() == io::ErrorKind::Interrupted => Err(error),
            written => written.map_err(|error| unwritable(&self.path, &error)),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush().map_err(|error| unwritable(&self.path, &error))
    }
}

fn unwritable(path: &Path, error: &io::Error) -> io::Error {
    let name = if is_stdout(path) { "standard output".to_owned() } else { path.display().to_string() };
    io::Error::new(error.kind(), format!("{name}: cannot be written: {error}"))
}

/// Why a file that is there is not written, and what would be right.
pub(crate) fn is_there(path: &Path, help: &str) -> String {
    format!("{} is there already; {help}", path.display())
}

/// The help of verbs that can be told to replace a file.
pub(crate) const FORCE_REPLACES: &str = "--force replaces it";

/// Why a folder for scenarios cannot be had, and what would be right.
pub(crate) fn unmade(folder: &Path, error: &io::Error) -> String {
    let folder = folder.display();
    format!("{folder}: cannot be made for the scenarios of what is found: {error}\n  help: give a folder with --out")
}

/// The path of a site as a scenario says it that is written to a folder: from there, so that both may move together. From the
/// root where they have nothing else in common.
pub(crate) fn site_from(name: &str, folder: &Path) -> String {
    let absolute = |path: &Path| std::path::absolute(path).map(|path| from_folder(Path::new(""), &path));
    let (Ok(site), Ok(folder)) = (absolute(Path::new(name)), absolute(folder)) else { return name.to_owned() };
    if name.starts_with("demo:") {
        return name.to_owned();
    }
    let (of_site, of_folder): (Vec<_>, Vec<_>) = (site.components().collect(), folder.components().collect());
    let common = of_site.iter().zip(&of_folder).take_while(|(one, other)| one == other).count();
    if !of_site.iter().take(common).any(|part| matches!(part, Component::Normal(_))) {
        return site.display().to_string();
    }
    let up = std::iter::repeat_n("..".into(), of_folder.len() - common);
    let down = of_site.iter().skip(common).map(|part| part.as_os_str().to_string_lossy());
    up.chain(down).collect::<Vec<_>>().join("/")
}

/// Whether a name stands for standard output.
pub fn is_stdout(path: &Path) -> bool {
    path.as_os_str() == "-"
}

/// Refuses outputs that would overwrite an input or each other, or that share standard output. Each comes with what
/// people call it, such as "the recording" or "--csv".
///
/// # Errors
/// Two names mean one file; the text says which, and what would be right.
pub fn keep_apart(inputs: &[(&str, &Path)], outputs: &[(&str, &Path)]) -> Result<(), String> {
    for (i, (option, path)) in outputs.iter().enumerate() {
        let Some(place) = place(path) else { continue };
        if let Some((input, _)) = inputs.iter().find(|(_, input)| place_of_input(input).as_ref() == Some(&place)) {
            return Err(format!(
                "{option} {}: would overwrite {input} that is read\n  help: write to another file",
                path.display()
            ));
        }
        if let Some((other, _)) = outputs[..i].iter().find(|(_, other)| self::place(other).as_ref() == Some(&place)) {
            return Err(format!(
                "{other} and {option} both write {}\n  help: give each a file of its own",
                if is_stdout(path) { "standard output".to_owned() } else { path.display().to_string() }
            ));
        }
    }
    Ok(())
}

/// What tells whether two names mean one file; `None` for devices and pipes, which may be shared.
fn place(path: &Path) -> Option<PathBuf> {
    if is_stdout(path) {
        return Some(path.to_owned());
    }
    match std::fs::canonicalize(path) {
        Ok(real) => std::fs::metadata(&real).is_ok_and(|facts| facts.is_file()).then_some(real),
        Err(_) => {
            let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
            Some(std::fs::canonicalize(folder).ok()?.join(path.file_name()?))
        }
    }
}

/// As [`place`], where `-` is standard input, which nothing overwrites.
fn place_of_input(path: &Path) -> Option<PathBuf> {
    if is_stdout(path) { None } else { place(path) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A site is named from the folder of its scenario, wherever the two lie; from the root where that is all they share.
    #[test]
    fn a_site_is_named_from_the_folder_of_its_scenario() {
        let named = |site: &str, folder: &str| site_from(site, Path::new(folder));
        assert_eq!(named("demo:house", "/a/found"), "demo:house");
        assert_eq!(named("site.toml", "."), "site.toml");
        assert_eq!(named("plants/site.toml", "found/today"), "../../plants/site.toml");
        assert_eq!(named("./plants/../site.toml", "plants/.."), "site.toml");
        if cfg!(unix) {
            assert_eq!(named("/a/site.toml", "/a/found"), "../site.toml");
            assert_eq!(named("/a/plants/site.toml", "/a"), "plants/site.toml");
            assert_eq!(named("/a/site.toml", "/b/found"), "/a/site.toml");
        }
    }
}
