//! Runs the built program in a folder of its own.

#![allow(dead_code)] // each test target uses a part of it

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use tempfile::TempDir;

/// A folder for one test.
pub struct Bench {
    dir: TempDir,
}

/// What a run came to.
#[derive(Debug)]
pub struct Ran {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl Bench {
    pub fn new() -> Self {
        Bench { dir: tempfile::tempdir().unwrap() }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub fn file(&self, name: &str, text: impl AsRef<[u8]>) -> &Self {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
        self
    }

    pub fn text(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap()
    }

    /// The program with its arguments, run in the folder, in an environment without colour wishes.
    pub fn command(&self, args: &[&str]) -> Command {
        let mut c = Command::new(env!("CARGO_BIN_EXE_cotside"));
        c.args(args).current_dir(self.dir.path());
        // By rules alone, whatever is installed; tests/two_readers.rs has the second reader.
        c.env("COTSIDE_READER", "off");
        for name in ["NO_COLOR", "CLICOLOR", "CLICOLOR_FORCE", "COLUMNS"] {
            c.env_remove(name);
        }
        c
    }

    pub fn run(&self, args: &[&str]) -> Ran {
        self.typed(args, "")
    }

    /// A run with something on standard input.
    pub fn typed(&self, args: &[&str], input: &str) -> Ran {
        finish(self.command(args), input)
    }
}

/// Runs a command to its end.
pub fn finish(mut command: Command, input: &str) -> Ran {
    let mut child = command
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A program that stops before it has read all of its input is no failure of the test.
    let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
    let done = child.wait_with_output().unwrap();
    Ran {
        code: done.status.code(),
        out: String::from_utf8(done.stdout).unwrap(),
        err: String::from_utf8(done.stderr).unwrap(),
    }
}

impl Ran {
    /// Ends the test when the exit code is another.
    #[track_caller]
    pub fn code(self, code: i32) -> Self {
        assert_eq!(self.code, Some(code), "out: {}\nerr: {}", self.out, self.err);
        self
    }

    #[track_caller]
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.out).unwrap()
    }
}

/// The tests' own lexicon, for another job than the shipped one.
pub fn bicycle() -> String {
    root().join("tests/lexicons/bicycle").display().to_string()
}

pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}
