//! A browser driven over WebDriver (W3C, <https://www.w3.org/TR/webdriver2/>): Chromium and its
//! driver, started by the test that asks for one, and the review page it looks at.

#![allow(dead_code)] // each test target uses a part of it

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

/// One browser at a time: machines that test have few cores.
static ONE: Mutex<()> = Mutex::new(());
/// How long anything on the page may take. Generous: it says that something hangs, not that it is
/// slow.
const PATIENCE: Duration = Duration::from_secs(60);

/// A browser with one page.
pub struct Browser {
    driver: Child,
    session: String,
    agent: ureq::Agent,
    _one: MutexGuard<'static, ()>,
}

fn program(names: &[&str]) -> Option<PathBuf> {
    let path = std::env::var_os("PATH")?;
    std::env::split_paths(&path)
        .flat_map(|d| names.iter().map(move |n| d.join(n)))
        .find(|p| p.is_file())
}

/// Whether the tests against the outside must run.
pub fn required() -> bool {
    std::env::var("COTSIDE_ORACLES").is_ok_and(|v| v == "required")
}

/// Says that a test is skipped, or ends it where that is not allowed.
pub fn skip(what: &str) {
    assert!(!required(), "{what}, and COTSIDE_ORACLES=required");
    println!("SKIPPED: {what}");
}

impl Browser {
    /// Starts one; `None`, with a message, where there is none on this machine.
    pub fn start() -> Option<Browser> {
        let (chrome, driver) =
            (program(&["chromium", "google-chrome"]), program(&["chromedriver"]));
        let (Some(chrome), Some(driver)) = (chrome, driver) else {
            skip("no chromium and chromedriver here (Debian: chromium, chromium-driver)");
            return None;
        };
        let one = ONE.lock().unwrap_or_else(PoisonError::into_inner);
        let mut driver = Command::new(driver)
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(driver.stdout.take().unwrap()).lines();
        let port: u16 = lines
            .by_ref()
            .map_while(Result::ok)
            .find_map(|l| {
                let port = l.split("successfully on port ").nth(1)?;
                port.trim_end_matches('.').trim().parse().ok()
            })
            .expect("the driver names its port");
        // What it prints later is read, lest it wait for a reader.
        std::thread::spawn(move || lines.for_each(drop));
        let agent: ureq::Agent =
            ureq::Agent::config_builder().http_status_as_error(false).build().into();
        let base = format!("http://127.0.0.1:{port}/session");
        let wanted = json!({ "capabilities": { "alwaysMatch": {
            "browserName": "chrome",
            "goog:chromeOptions": {
                "binary": chrome,
                "args": [
                    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
                    "--window-size=1280,1000", "--autoplay-policy=no-user-gesture-required",
                    "--mute-audio",
                ],
            },
        } } });
        let answer = post(&agent, &base, &wanted);
        let id = answer["sessionId"].as_str().unwrap_or_else(|| panic!("no session: {answer}"));
        let session = format!("{base}/{id}");
        Some(Browser { driver, session, agent, _one: one })
    }

    fn ask(&self, path: &str, body: &Value) -> Value {
        post(&self.agent, &format!("{}/{path}", self.session), body)
    }

    /// Opens an address.
    pub fn go(&self, url: &str) {
        self.ask("url", &json!({ "url": url }));
    }

    /// Runs a script and gives what it returns.
    #[track_caller]
    pub fn script(&self, text: &str) -> Value {
        let got = self.ask("execute/sync", &json!({ "script": text, "args": [] }));
        assert!(got.get("error").is_none(), "{text}: {got}");
        got
    }

    /// As [`Browser::script`], for a promise.
    #[track_caller]
    pub fn promise(&self, text: &str) -> Value {
        let script = format!(
            "const done = arguments[0]; ({text}).then(done, (e) => done({{ error: String(e) }}));"
        );
        let got = self.ask("execute/async", &json!({ "script": script, "args": [] }));
        assert!(got.get("error").is_none(), "{text}: {got}");
        got
    }

    /// What a script gives, as text.
    #[track_caller]
    pub fn text(&self, expression: &str) -> String {
        let v = self.script(&format!("return String({expression});"));
        v.as_str().unwrap_or_default().to_owned()
    }

    /// Waits until an expression is true.
    #[track_caller]
    pub fn until(&self, expression: &str) {
        let begun = Instant::now();
        while self.script(&format!("return !!({expression});")) != json!(true) {
            let told = || self.script("return document.body.innerText.slice(0, 600);");
            assert!(begun.elapsed() < PATIENCE, "never: {expression}\n{}", told());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Presses keys, one after the other, as a person does.
    pub fn keys(&self, keys: &str) {
        let acts: Vec<Value> = keys
            .chars()
            .flat_map(|c| {
                let c = c.to_string();
                [json!({ "type": "keyDown", "value": c }), json!({ "type": "keyUp", "value": c })]
            })
            .collect();
        self.ask("actions", &json!({ "actions": [{ "type": "key", "id": "k", "actions": acts }] }));
    }

    /// Presses a key that changes the page, and waits until the page has answered.
    #[track_caller]
    pub fn keys_answered(&self, keys: &str) {
        self.script("document.getElementById('said').textContent = '';");
        self.keys(keys);
        self.until("document.getElementById('said').textContent !== ''");
    }

    /// A command of the browser's own protocol.
    pub fn devtools(&self, cmd: &str, params: Value) -> Value {
        self.ask("goog/cdp/execute", &json!({ "cmd": cmd, "params": params }))
    }

    /// Width of the page, and what the system asks for: dark, forced colours.
    pub fn seen_as(&self, width: u32, dark: bool, forced: bool) {
        self.devtools(
            "Emulation.setDeviceMetricsOverride",
            json!({ "width": width, "height": 900, "deviceScaleFactor": 1, "mobile": false }),
        );
        let scheme = if dark { "dark" } else { "light" };
        let colors = if forced { "active" } else { "none" };
        self.devtools(
            "Emulation.setEmulatedMedia",
            json!({ "features": [
                { "name": "prefers-color-scheme", "value": scheme },
                { "name": "forced-colors", "value": colors },
                { "name": "prefers-reduced-motion", "value": "reduce" },
            ] }),
        );
    }

    /// A picture of the page, written under `target/tmp` for people to look at.
    pub fn picture(&self, name: &str) {
        let Some(dir) = std::env::var_os("COTSIDE_PICTURES") else { return };
        let shot =
            self.devtools("Page.captureScreenshot", json!({ "captureBeyondViewport": true }));
        let data = shot["data"].as_str().unwrap_or_default();
        use base64::Engine as _;
        let bytes = base64::engine::general_purpose::STANDARD.decode(data).unwrap();
        std::fs::write(Path::new(&dir).join(format!("{name}.png")), bytes).unwrap();
    }

    /// The page on paper, as PDF.
    pub fn printed(&self) -> Vec<u8> {
        let got = self.ask("print", &json!({ "background": false, "shrinkToFit": true }));
        use base64::Engine as _;
        base64::engine::general_purpose::STANDARD.decode(got.as_str().unwrap()).unwrap()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.agent.delete(&self.session).call();
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

#[track_caller]
fn post(agent: &ureq::Agent, url: &str, body: &Value) -> Value {
    let mut answer = agent.post(url).send_json(body).unwrap_or_else(|e| panic!("{url}: {e}"));
    let v: Value = answer.body_mut().read_json().unwrap();
    v["value"].clone()
}

/// `cotside review`, running.
pub struct Review {
    child: Child,
    _out: BufReader<ChildStdout>,
    /// The address with its token.
    pub address: String,
}

impl Review {
    /// Starts it with these arguments behind `review`.
    pub fn start(mut command: Command) -> Review {
        let mut child = command
            .args(["--no-open"])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        let mut line = String::new();
        out.read_line(&mut line).unwrap();
        let address = line.trim().to_owned();
        assert!(address.starts_with("http://127.0.0.1:"), "{address}");
        Review { child, _out: out, address }
    }

    /// `127.0.0.1:PORT`.
    pub fn host(&self) -> &str {
        self.address.trim_start_matches("http://").split('/').next().unwrap()
    }

    /// The token.
    pub fn token(&self) -> &str {
        self.address.split_once("token=").unwrap().1
    }

    /// Waits until it has ended by itself, and gives its exit code.
    pub fn ended(mut self) -> Option<i32> {
        let begun = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.code();
            }
            assert!(begun.elapsed() < PATIENCE, "it goes on although its page is gone");
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    /// Its process.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Whether it is still there.
    pub fn runs(&mut self) -> bool {
        self.child.try_wait().unwrap().is_none()
    }
}

impl Drop for Review {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
