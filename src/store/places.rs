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

fn strategy() -> Result<impl AppStrategy, StoreError> {
    etcetera::choose_app_strategy(etcetera::AppStrategyArgs {
        top_level_domain: String::new(),
        author: String::new(),
        app_name: "segue".to_owned(),
    })
    .map_err(|_| StoreError::words(Path::new("~"), "this user has no home folder: set HOME"))
}
