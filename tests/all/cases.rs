//! Cases as files: an input, and beside it what is expected of it.

use std::{
    env, fs,
    path::{Path, PathBuf},
};

/// The files of a folder under `tests/data` with this extension, by name; at least one.
pub(crate) fn files(folder: &str, extension: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data")
        .join(folder);
    let entries =
        fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let mut files: Vec<_> = entries.map(|entry| entry.unwrap().path()).collect();
    files.retain(|file| file.extension().is_some_and(|found| found == extension));
    files.sort();
    assert!(!files.is_empty(), "no case in {}", folder.display());
    files
}

/// The name of a case, for messages and lists.
pub(crate) fn name(file: &Path) -> &str {
    file.file_stem().unwrap().to_str().unwrap()
}

/// Compares with the file `*.expected` beside the case. With `UPDATE_EXPECTED=1` writes it.
pub(crate) fn expect(case: &Path, found: &str, failures: &mut Vec<String>) {
    let file = case.with_extension("expected");
    if env::var_os("UPDATE_EXPECTED").is_some_and(|value| value == "1") {
        fs::write(&file, found).unwrap();
        return;
    }
    let expected = fs::read_to_string(&file).unwrap_or_default();
    if expected != found {
        failures.push(format!(
            "{}\n--- expected\n{expected}--- found\n{found}",
            case.display()
        ));
    }
}

/// Cases of a property that needs another number than the default of 256: `number`, scaled
/// as `PROPTEST_CASES` scales the default; at least one.
pub(crate) fn scaled(number: u32) -> u32 {
    let setting = env::var("PROPTEST_CASES").ok();
    let cases = setting.map_or(256, |value| {
        value
            .parse::<u64>()
            .expect("PROPTEST_CASES is a whole number")
    });
    let scaled = u64::from(number).saturating_mul(cases) / 256;
    u32::try_from(scaled).unwrap_or(u32::MAX).max(1)
}
