//! Files that are written only where they change, for programs that change copies of the tree and keep pages of what they saw.
//!
//! Every error is a sentence that names the file.

use std::path::Path;

/// All files below a folder, by their paths from there.
///
/// # Errors
/// A folder cannot be read.
pub fn files(folder: &Path) -> Result<Vec<String>, String> {
    let mut all = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(|error| format!("{}: {error}", folder.display()))? {
        let entry = entry.map_err(|error| error.to_string())?;
        let name = entry.file_name().to_string_lossy().into_owned();
        if entry.path().is_dir() {
            all.extend(files(&entry.path())?.into_iter().map(|file| format!("{name}/{file}")));
        } else {
            all.push(name);
        }
    }
    Ok(all)
}

/// Makes one folder like another; what is the same is left alone.
///
/// # Errors
/// Something cannot be read, written or removed.
pub fn copy_folder(from: &Path, to: &Path) -> Result<(), String> {
    for old in std::fs::read_dir(to).into_iter().flatten().flatten().filter(|old| !from.join(old.file_name()).exists())
    {
        let path = old.path();
        let gone = if path.is_dir() { std::fs::remove_dir_all(&path) } else { std::fs::remove_file(&path) };
        gone.map_err(|error| format!("{}: {error}", path.display()))?;
    }
    for entry in std::fs::read_dir(from).map_err(|error| format!("{}: {error}", from.display()))? {
        let entry = entry.map_err(|error| error.to_string())?;
        let (path, place) = (entry.path(), to.join(entry.file_name()));
        if path.is_dir() {
            copy_folder(&path, &place)?;
        } else {
            put(&place, &get(&path)?)?;
        }
    }
    Ok(())
}

/// A file's bytes.
///
/// # Errors
/// It cannot be read.
pub fn get(path: &Path) -> Result<Vec<u8>, String> {
    std::fs::read(path).map_err(|error| format!("{}: {error}", path.display()))
}

/// Writes a file unless it is as wanted, so that nothing is built that has not changed.
///
/// # Errors
/// It cannot be written.
pub fn put(path: &Path, bytes: &[u8]) -> Result<(), String> {
    if std::fs::read(path).is_ok_and(|old| old == bytes) {
        return Ok(());
    }
    let written = path.parent().map_or(Ok(()), std::fs::create_dir_all).and_then(|()| std::fs::write(path, bytes));
    written.map_err(|error| format!("{}: {error}", path.display()))
}

/// Writes anew what stands on a page between its mark `<!-- NAME: -->` and `<!-- to here -->`; `made` is told what stood there.
///
/// # Errors
/// The page cannot be read or written, or lacks a mark.
pub fn put_between(page: &Path, name: &str, made: impl FnOnce(&str) -> String) -> Result<(), String> {
    const TO: &str = "<!-- to here -->";
    let from = format!("<!-- {name}: -->\n");
    let text = std::fs::read_to_string(page).map_err(|error| format!("{}: {error}", page.display()))?;
    let lacks = |mark: &str| format!("{} lacks the mark {}", page.display(), mark.trim_end());
    let (before, rest) = text.split_once(&from).ok_or_else(|| lacks(&from))?;
    let (old, after) = rest.split_once(TO).ok_or_else(|| lacks(TO))?;
    put(page, format!("{before}{from}{}{TO}{after}", made(old)).as_bytes())
}
