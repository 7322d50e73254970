//! The lab's program inside the virtual machine: sets up devices, plays case
//! files and prints one line a case. `../run` builds it, boots it and reads it.
//!
//! ```text
//! guest --check FILES   reads the case files and reports what it does not understand
//! guest --run FILES     plays them
//! ```
//!
//! Lines for the reader outside begin with `lab|`.

mod case;
mod device;
mod far;
mod keyboard;
mod measure;
mod midi;
mod play;
mod program;
mod raw_midi;
mod terminal;
mod words;

use std::fs;
use std::path::Path;
use std::process::ExitCode;
use std::time::Instant;

use case::Case;

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let mode = arguments.next().unwrap_or_default();
    let files: Vec<String> = arguments.collect();
    let all_well = match mode.as_str() {
        "--check" => check(&files),
        "--run" => run(&files),
        _ => false,
    };
    if all_well {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

fn check(files: &[String]) -> bool {
    let mut all_well = true;
    for file in files {
        if let Err(error) = read(file) {
            eprintln!("{file}: {error}");
            all_well = false;
        }
    }
    all_well
}

fn run(files: &[String]) -> bool {
    let (mut passed, mut failed) = (0, 0);
    for file in files {
        if run_one(file) {
            passed += 1;
        } else {
            failed += 1;
        }
    }
    println!("lab|{passed} passed, {failed} failed");
    failed == 0
}

fn run_one(file: &str) -> bool {
    let name = file.strip_suffix(".case").unwrap_or(file);
    let start = Instant::now();
    let (title, failure, details, trace, readings) = match read(file) {
        Ok(case) => {
            let outcome = play::play(&case, name);
            (
                case.title,
                outcome.failure,
                outcome.details,
                outcome.trace,
                outcome.readings,
            )
        }
        Err(error) => (String::new(), Some(error), Vec::new(), Vec::new(), Vec::new()),
    };
    for line in trace {
        println!("lab|trace|{name}|{line}");
    }
    for line in readings {
        println!("lab|reading|{name}|{line}");
    }
    let seconds = start.elapsed().as_secs_f64();
    let Some(failure) = failure else {
        println!("lab|ok {name}: {title} ({seconds:.1} s)");
        return true;
    };
    println!("lab|FAILED {name}: {title} ({seconds:.1} s)");
    println!("lab|    {failure}");
    for detail in details {
        println!("lab|    {detail}");
    }
    false
}

fn read(file: &str) -> Result<Case, String> {
    let text = |path: &Path| {
        fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))
    };
    let file = Path::new(file);
    Case::read(&text(file)?, &|name| text(&file.with_file_name(name)))
}
