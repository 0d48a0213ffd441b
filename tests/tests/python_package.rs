//! The Python package under crates/python, and the firmware in C that is tested with it: both with pytest, as
//! somebody who has them would. Without pytest the tests say that they are skipped.

use payrig_tests::cli::{binary, file};
use std::process::Command;

/// Runs pytest on a folder of the repository. `None` where there is no pytest.
fn pytest(folder: &str, with: &[&str]) -> Option<()> {
    let python = std::env::var("PAYRIG_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let path = file("crates/python/src");
    let ask = "import importlib.metadata as m, pytest; print(any(d.name == 'payrig' for d in m.distributions()))";
    let asked = Command::new(&python).args(["-c", ask]).output();
    let asked = asked.ok().filter(|asked| asked.status.success())?;
    let mut run = Command::new(&python);
    run.args([
        "-m",
        "pytest",
        "-q",
        "-p",
        "no:cacheprovider",
        "--strict-markers",
    ])
    .args(with)
    .arg(file(folder))
    .env("PYTHONPATH", path)
    .env("PYTHONDONTWRITEBYTECODE", "1")
    .env("PAYRIG", binary());
    // Installed, pytest finds the plugin by itself.
    if String::from_utf8_lossy(&asked.stdout).trim() != "True" {
        run.env("PYTEST_PLUGINS", "payrig.pytest_plugin");
    }
    let ran = run.output().unwrap();
    let out = String::from_utf8_lossy(&ran.stdout);
    let err = String::from_utf8_lossy(&ran.stderr);
    assert!(ran.status.success(), "{out}\n{err}");
    Some(())
}

#[test]
fn the_client_and_its_fixtures() {
    if pytest("crates/python/tests", &[]).is_none() {
        eprintln!("SKIPPED python_package::the_client_and_its_fixtures: no python3 with pytest");
    }
}

/// The example of docs/src/ci.md.
#[test]
fn the_firmware_of_the_guide() {
    if pytest("tests/firmware", &[]).is_none() {
        eprintln!("SKIPPED python_package::the_firmware_of_the_guide: no python3 with pytest");
    }
}
