//! The program as its users run it: what it answers, what it says, its exit status.

#![allow(dead_code, reason = "no test needs all of it")]

use assert_cmd::Command;
use std::path::{Path, PathBuf};

/// What came of a run.
pub(crate) struct Ran {
    pub(crate) status: i32,
    pub(crate) stdout: String,
    pub(crate) stderr: String,
}

/// The program, in the folder of the package.
pub(crate) fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_bossmark"));
    command.current_dir(env!("CARGO_MANIFEST_DIR"));
    command
}

/// Runs it.
pub(crate) fn ran(command: &mut Command) -> Ran {
    let output = command.output().expect("the program runs");
    Ran {
        status: output.status.code().expect("no signal"),
        stdout: String::from_utf8(output.stdout).expect("UTF-8"),
        stderr: String::from_utf8(output.stderr).expect("UTF-8"),
    }
}

/// Runs it with these arguments and nothing on stdin.
pub(crate) fn run(arguments: &[&str]) -> Ran {
    ran(program().args(arguments))
}

/// The same as status, stdout and stderr.
pub(crate) fn bossmark(arguments: &[&str]) -> (i32, String, String) {
    let Ran {
        status,
        stdout,
        stderr,
    } = run(arguments);
    (status, stdout, stderr)
}

/// A sample photo, or what lies beside it.
pub(crate) fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-photos")
        .join(name)
}

/// A path as an argument.
pub(crate) fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}
