//! Where settings and state are kept on this system.

use std::fs;
use std::path::{Path, PathBuf};

use etcetera::AppStrategy;

use super::error::StoreError;

/// The folder for settings (XDG: `~/.config/segue`). It may not exist.
///
/// # Errors
/// If there is no home folder.
pub fn config_dir() -> Result<PathBuf, StoreError> {
    Ok(strategy()?.config_dir())
}

/// The folder for what is remembered from run to run: journal, logs, recordings (XDG:
/// `~/.local/state/segue`). It is made if it does not exist.
///
/// # Errors
/// If there is no home folder, or the folder cannot be made.
pub fn state_dir() -> Result<PathBuf, StoreError> {
    let strategy = strategy()?;
    let folder = strategy.state_dir().unwrap_or_else(|| strategy.data_dir());
    fs::create_dir_all(&folder)
        .map_err(|error| StoreError::system(&folder, "make the folder", error))?;
    Ok(folder)
}

/// A path as people type it: `~` for the home folder.
#[must_use]
pub fn short_path(path: &Path) -> String {
    let home = etcetera::home_dir().ok();
    let below = home.and_then(|home| Some(path.strip_prefix(home).ok()?.display().to_string()));
    below.map_or_else(
        || path.display().to_string(),
        |below| format!("~{}{below}", std::path::MAIN_SEPARATOR),
    )
}

fn strategy() -> Result<impl AppStrategy, StoreError> {
    etcetera::choose_app_strategy(etcetera::AppStrategyArgs {
        top_level_domain: String::new(),
        author: String::new(),
        app_name: "segue".to_owned(),
    })
    .map_err(|_| StoreError::words(Path::new("~"), "this user has no home folder: set HOME"))
}
