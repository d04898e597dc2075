//! Any bytes as a connection to the page of `review`.

use std::path::Path;
use std::pin::Pin;
use std::sync::{Arc, Mutex, OnceLock};
use std::task::{Context, Poll};
use std::time::Duration;

use cotside::exam;
use cotside::grade::{Overview, grade, scales};
use cotside::journal::{
    self, Digest, Entry, FILE_NAME, Header, Journal, LexiconRef, Settlement, Storage as _,
};
use cotside::lexicon::Lexicon;
use cotside::problem::Problem;
use cotside::review::server::Page;
use cotside::review::{Desk, NotWritten, State};

use super::mem_disk::MemDisk;
use super::{bicycle, clock, spoken};

const DIR: &str = "e";
const PORT: u16 = 4000;
/// A page that is open holds its line of events for ever; it is hung up on after that.
const PATIENCE: Duration = Duration::from_millis(20);
/// What was said, with findings that are sure, open and without their side.
const SAID: [&str; 5] = [
    "headset smooth",
    "left pedal loose",
    "left brake pad 3 millimetres",
    "brake pad glazed",
    "right pedal tight, or loose",
];

/// An exam on a disk in memory.
struct InMemory {
    disk: MemDisk,
    lex: Arc<Lexicon>,
}

impl Desk for InMemory {
    fn state(&self) -> Result<State, Problem> {
        let read = journal::read_in(&self.disk, Path::new(DIR)).map_err(|e| e.problem().clone())?;
        let header = read.header().expect("it was begun");
        let exam = exam::build(header, &read.lines, &self.lex);
        let graded = grade(&exam, &self.lex);
        let list = scales::of_lexicon(&self.lex).expect("its scales are good");
        let overview = Overview::new(list, &exam, &graded, &self.lex);
        let (digest, lex) = (read.digest().to_string(), Arc::clone(&self.lex));
        Ok(State { exam, graded, overview, lex, lines: read.lines, digest, signed: None })
    }

    fn write(&self, seen: &str, list: &[Settlement]) -> Result<Vec<u64>, NotWritten> {
        let told = |e: journal::JournalError| NotWritten::Problem(e.problem().clone());
        let mut taken =
            Journal::open_to_append_in(&self.disk, Path::new(DIR), clock()).map_err(told)?;
        if taken.read.digest().to_string() != seen {
            return Err(NotWritten::Changed);
        }
        let one = |s: &Settlement| taken.journal.append_now(&Entry::Settlement(s.clone()));
        list.iter().map(one).collect::<Result<_, _>>().map_err(told)
    }

    fn folder(&self) -> &Path {
        Path::new(DIR)
    }

    fn who(&self) -> &str {
        "KT"
    }
}

/// The journal of what was said.
fn begun() -> &'static [u8] {
    static BYTES: OnceLock<Vec<u8>> = OnceLock::new();
    BYTES.get_or_init(|| {
        let lex = bicycle();
        let of = LexiconRef { name: lex.name.clone(), sha256: Digest::ZERO };
        let header = Header { by: Some("KT".into()), ..Header::new(clock().wall(), of) };
        let disk = MemDisk::default();
        let mut j = Journal::create_in(&disk, Path::new(DIR), header, clock()).expect("begun");
        for (k, text) in SAID.iter().enumerate() {
            let at = k as u64 * 20_000;
            j.append(at + 900, &Entry::Phrase(spoken(text, at))).expect("said");
        }
        disk.read(&Path::new(DIR).join(FILE_NAME)).expect("it is there")
    })
}

/// A connection whose other end has said all it says and waits a while for the answers, which are
/// kept; then it hangs up.
struct Script {
    said: Vec<u8>,
    at: usize,
    waits: usize,
    heard: Arc<Mutex<Vec<u8>>>,
}

impl hyper::rt::Read for Script {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        mut to: hyper::rt::ReadBufCursor<'_>,
    ) -> Poll<std::io::Result<()>> {
        if self.at == self.said.len() && self.waits > 0 {
            self.waits -= 1;
            cx.waker().wake_by_ref();
            return Poll::Pending;
        }
        let n = to.remaining().min(self.said.len() - self.at);
        to.put_slice(&self.said[self.at..self.at + n]);
        self.at += n;
        Poll::Ready(Ok(()))
    }
}

impl hyper::rt::Write for Script {
    fn poll_write(
        self: Pin<&mut Self>,
        _: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<std::io::Result<usize>> {
        self.heard.lock().expect("one thread").extend_from_slice(bytes);
        Poll::Ready(Ok(bytes.len()))
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<std::io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<std::io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

fn talk(page: &Page, said: Vec<u8>) -> Vec<u8> {
    let heard = Arc::new(Mutex::new(Vec::new()));
    let script = Script { said, at: 0, waits: 64, heard: Arc::clone(&heard) };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build();
    runtime.expect("a runtime").block_on(async {
        let _ = tokio::time::timeout(PATIENCE, page.attend(script)).await;
    });
    let heard = heard.lock().expect("one thread");
    heard.clone()
}

/// The status codes of the answers, up to the first whose length is not told.
fn statuses(mut answers: &[u8]) -> Vec<u16> {
    let mut out = Vec::new();
    while let Some(end) = answers.windows(4).position(|w| w == b"\r\n\r\n") {
        let head = String::from_utf8_lossy(&answers[..end]).to_lowercase();
        let status = head.split(' ').nth(1).and_then(|s| s.parse().ok());
        out.push(status.unwrap_or_else(|| panic!("no answer of HTTP: {head}")));
        let length: Option<usize> =
            head.lines().find_map(|l| l.strip_prefix("content-length: ")?.parse().ok());
        let Some(length) = length else { break };
        answers = answers.get(end + 4 + length..).unwrap_or_default();
    }
    out
}

fn filled(bytes: &[u8], holes: &[(&str, &str)]) -> Vec<u8> {
    let mut out = Vec::with_capacity(bytes.len() + 256);
    let mut rest = bytes;
    'all: while !rest.is_empty() {
        for (hole, with) in holes {
            if let Some(behind) = rest.strip_prefix(hole.as_bytes()) {
                out.extend_from_slice(with.as_bytes());
                rest = behind;
                continue 'all;
            }
        }
        out.push(rest[0]);
        rest = &rest[1..];
    }
    out
}

/// Any bytes may come in by a connection. Without the cookie nothing is shown and nothing changes;
/// with it, nothing but decisions by whoever decides is ever written, each a line of a good journal,
/// and no request ends in a failure of the server's own.
///
/// `{cookie}`, `{host}` and `{digest}` stand for what no input can guess.
pub fn request(bytes: &[u8]) {
    let disk = MemDisk::default();
    let path = Path::new(DIR).join(FILE_NAME);
    disk.put(&path, begun());
    let before = journal::read_in(&disk, Path::new(DIR)).expect("it was begun");
    let desk = InMemory { disk: disk.clone(), lex: Arc::clone(bicycle()) };
    let page = Page::new(Box::new(desk), "e", PORT).expect("random numbers");
    let host = format!("127.0.0.1:{PORT}");
    let address = page.address();
    let token = address.split_once("/?").expect("an address").1;
    let enter = format!("GET /?{token} HTTP/1.1\r\nHost: {host}\r\n\r\n");
    let entered = String::from_utf8(talk(&page, enter.into_bytes())).expect("a head in ASCII");
    let cookie = entered.split_once("set-cookie: ").expect("a cookie").1;
    let cookie = cookie.split(';').next().expect("its pair");

    let digest = before.digest().to_string();
    let holes = [("{cookie}", cookie), ("{host}", &host), ("{digest}", &digest)];
    let said = filled(bytes, &holes);
    let known = said.windows(cookie.len()).any(|w| w == cookie.as_bytes());
    let posts = said.windows(4).any(|w| w == b"POST");
    for status in statuses(&talk(&page, said)) {
        assert!(status < 500, "the server failed: {status}");
        assert!(known || (400..500).contains(&status), "{status} without the cookie");
    }
    let after = journal::read_in(&disk, Path::new(DIR)).expect("the journal is good");
    assert_eq!(after.torn, None);
    assert_eq!(after.lines[..before.lines.len()], before.lines[..], "what was there is there");
    let new = &after.lines[before.lines.len()..];
    assert!(new.is_empty() || (known && posts), "written without being asked");
    for line in new {
        let Entry::Settlement(s) = &line.entry else { panic!("no decision: {line:?}") };
        assert_eq!(s.who, "KT");
    }
    super::rebuild(&after, bicycle());
}
