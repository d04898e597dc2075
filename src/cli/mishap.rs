//! What a person is told when cotside itself makes a mistake (a panic).
//!
//! The exam cannot be repeated, so the first thing to say is what became of it.

use std::panic::{self, PanicHookInfo};

/// From now on a panic of any thread is told as [`words`] has it. The process ends as before, with
/// exit code 101 where it was the main thread.
pub fn tell_from_now_on() {
    panic::set_hook(Box::new(|info| {
        super::output::tell(&words(&said(info), &place(info)));
    }));
}

fn said(info: &PanicHookInfo<'_>) -> String {
    let payload = info.payload();
    let text = payload.downcast_ref::<&str>().map(|s| (*s).to_owned());
    text.or_else(|| payload.downcast_ref::<String>().cloned()).unwrap_or_default()
}

fn place(info: &PanicHookInfo<'_>) -> String {
    info.location().map_or_else(|| "an unknown place".into(), |l| format!("{l}"))
}

fn words(said: &str, place: &str) -> String {
    // One line of it is enough to find the mistake by; the rest may hold words of the exam.
    let first = said.lines().next().unwrap_or_default();
    format!(
        "error: cotside made a mistake of its own: {first} ({place}, version {})\n  \
         = nothing that was confirmed is lost: it is in the exam's journal.jsonl.\n    \
         Run the same command again to go on; `cotside show EXAM` shows what is there.\n    \
         Until it has answered, write down what you find.",
        env!("CARGO_PKG_VERSION")
    )
}

#[cfg(test)]
mod tests {
    use std::process::Command;

    const CHILD: &str = "COTSIDE_TEST_MISHAP";

    /// Runs this very test again in a process of its own, which panics under the hook.
    #[test]
    fn a_panic_says_what_became_of_the_exam_and_how_to_go_on() {
        if std::env::var_os(CHILD).is_some() {
            super::tell_from_now_on();
            panic!("the shelf is empty\nand a second line");
        }
        let out = Command::new(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "--nocapture",
                "cli::mishap::tests::a_panic_says_what_became_of_the_exam_and_how_to_go_on",
            ])
            .env(CHILD, "1")
            .output()
            .unwrap();
        let told = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(101));
        assert!(
            told.contains("mistake of its own: the shelf is empty (src/cli/mishap.rs:"),
            "{told}"
        );
        assert!(told.contains("Run the same command again to go on"), "{told}");
        assert!(!told.contains("a second line"), "{told}");
        assert!(!told.contains("RUST_BACKTRACE"), "{told}");
        assert!(told.lines().all(|l| l.chars().count() <= 120), "{told}");
    }
}
