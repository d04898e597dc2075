//! The server: one port of the loopback address, for one exam, until the browser is gone.

use std::convert::Infallible;
use std::net::Ipv4Addr;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use http_body_util::channel::Channel;
use http_body_util::{BodyExt, Either, Limited};
use hyper::body::{Bytes, Incoming};
use hyper::header;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use serde_json::json;
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio::time::{sleep, timeout};

use super::act::{Form, decide};
use super::answer::{self, Body, HTML, JSON};
use super::guard::Guard;
use super::view::{Asked, Wish, finding_id, with_page};
use super::{Desk, NotWritten, State, sound};
use crate::journal;
use crate::problem::Problem;
use crate::report::page::{self, Message};
use crate::settle;
use crate::settle::told::{After, told};

/// Largest body of a request, bytes.
const LARGEST: usize = 16 * 1024;
/// Most bytes of a request's head.
const HEAD: usize = 32 * 1024;
/// How long a request may take to arrive.
const SLOWEST: Duration = Duration::from_secs(10);
/// How long the browser may be away before the server ends: loading anew takes less.
const AWAY: Duration = Duration::from_secs(4);
/// How long nothing may be asked where no browser says that it is there (one without script).
const IDLE: Duration = Duration::from_secs(30 * 60);
/// How often the page is told how the journal stands.
const ROUND: Duration = Duration::from_millis(700);
/// How long the last answers may take to leave.
const LAST: Duration = Duration::from_millis(200);

/// Why the server ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// The browser is gone.
    Away,
    /// Nothing was asked for long.
    Idle,
    /// Whoever started it ended it.
    Interrupted,
}

/// What all requests share.
struct App {
    desk: Box<dyn Desk>,
    /// How the user names the exam.
    name: String,
    guard: Guard,
    /// Pages that are open now.
    here: AtomicUsize,
    seen: Mutex<Seen>,
    /// What the next page tells, where the browser runs no script.
    said: Mutex<Message>,
}

struct Seen {
    last: Instant,
    /// Whether a page was ever open.
    page: bool,
}

/// Serves the exam until the browser is gone. `opened` is given the address.
///
/// # Errors
/// Why it could not begin.
pub fn serve(desk: Box<dyn Desk>, name: &str, opened: impl FnOnce(&str)) -> Result<Ended, Problem> {
    let failed = |what: &str, e: &dyn std::fmt::Display| {
        Problem::in_file("review", format!("cannot {what}: {e}"))
            .help("try again; `cotside settle` does the same in the terminal")
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| failed("start the page's server", &e))?;
    runtime.block_on(async {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
            .await
            .map_err(|e| failed("take a port of this machine", &e))?;
        let port = listener.local_addr().map_err(|e| failed("learn the port", &e))?.port();
        let page = Page::new(desk, name, port).map_err(|e| failed("make a secret address", &e))?;
        let app = Arc::clone(&page.0);
        let (end, mut ended) = mpsc::channel(4);
        tokio::spawn(accept(listener, page));
        tokio::spawn(watch(Arc::clone(&app), end.clone()));
        tokio::spawn(async move {
            if tokio::signal::ctrl_c().await.is_ok() {
                let _ = end.send(Ended::Interrupted).await;
            }
        });
        // Lets the tasks begin: from the moment the address is told, Ctrl-C ends the page in order.
        tokio::task::yield_now().await;
        opened(&app.guard.address());
        let why = ended.recv().await.unwrap_or(Ended::Interrupted);
        sleep(LAST).await;
        Ok(why)
    })
}

/// The page of one exam, whatever its requests come in by.
#[derive(Clone)]
pub struct Page(Arc<App>);

impl Page {
    /// The page of the exam on `desk`, which users call `name`, at that port of this machine.
    ///
    /// # Errors
    /// When the system gives no random numbers for the secret address.
    pub fn new(desk: Box<dyn Desk>, name: &str, port: u16) -> Result<Page, getrandom::Error> {
        Ok(Page(Arc::new(App {
            desk,
            name: name.to_owned(),
            guard: Guard::new(port)?,
            here: AtomicUsize::new(0),
            seen: Mutex::new(Seen { last: Instant::now(), page: false }),
            said: Mutex::new(Message::default()),
        })))
    }

    /// The address to open, with its token; it works once.
    pub fn address(&self) -> String {
        self.0.guard.address()
    }

    /// Answers what comes in by one connection, until either side ends it.
    pub async fn attend(&self, connection: impl hyper::rt::Read + hyper::rt::Write + Unpin) {
        let service = service_fn(|r| async { Ok::<_, Infallible>(answer(&self.0, r).await) });
        // A connection that fails is the browser's affair: it asks again.
        let _ = http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(SLOWEST)
            .max_buf_size(HEAD)
            .serve_connection(connection, service)
            .await;
    }
}

async fn accept(listener: TcpListener, page: Page) {
    loop {
        let Ok((stream, from)) = listener.accept().await else {
            sleep(ROUND).await;
            continue;
        };
        if !from.ip().is_loopback() {
            continue;
        }
        let page = page.clone();
        tokio::spawn(async move { page.attend(TokioIo::new(stream)).await });
    }
}

/// Ends the server when nobody looks at the page any more.
async fn watch(app: Arc<App>, end: mpsc::Sender<Ended>) {
    loop {
        sleep(ROUND).await;
        let (last, page) = match app.seen.lock() {
            Ok(seen) => (seen.last, seen.page),
            Err(_) => return,
        };
        if app.here.load(Ordering::Acquire) > 0 {
            continue;
        }
        let why = match (page, last.elapsed()) {
            (true, away) if away > AWAY => Ended::Away,
            (_, idle) if idle > IDLE => Ended::Idle,
            _ => continue,
        };
        let _ = end.send(why).await;
        return;
    }
}

impl App {
    fn touch(&self, page: bool) {
        if let Ok(mut seen) = self.seen.lock() {
            seen.last = Instant::now();
            seen.page |= page;
        }
    }

    fn tell(&self, message: Message) {
        if let Ok(mut said) = self.said.lock() {
            *said = message;
        }
    }

    fn wish(&self, s: &State, message: Message, asked: Option<Asked>) -> Wish<'_> {
        Wish {
            name: &self.name,
            who: Some(self.desk.who()),
            message,
            asked,
            audible: sound::audible(self.desk.folder(), &s.lines),
        }
    }

    /// The page as it stands, with a message.
    fn body(&self, s: &State, asked: Option<Asked>) -> String {
        with_page(s, &self.wish(s, Message::default(), asked), page::body)
    }
}

async fn answer(app: &Arc<App>, r: Request<Incoming>) -> Response<Body> {
    if let Err(status) = app.guard.admits(r.method(), r.uri(), r.headers()) {
        return answer::refused(status);
    }
    let query = Form::read(r.uri().query().unwrap_or_default().as_bytes());
    let path = r.uri().path().to_owned();
    if let (&Method::GET, "/", Some(token)) = (r.method(), path.as_str(), query.get("token")) {
        return match app.guard.exchange(token) {
            Some(cookie) => answer::to_page(Some(&cookie)),
            // The address was opened a second time in the same browser.
            None if app.guard.knows(r.headers()) => answer::to_page(None),
            None => answer::refused(StatusCode::UNAUTHORIZED),
        };
    }
    if !app.guard.knows(r.headers()) {
        return answer::refused(StatusCode::UNAUTHORIZED);
    }
    app.touch(false);
    match (r.method(), path.as_str()) {
        (&Method::GET, "/") => shown(app, &query),
        (&Method::GET, "/body") => fresh(app, &query),
        (&Method::GET, "/page.css") => styled(app),
        (&Method::GET, "/page.js") => {
            answer::with(StatusCode::OK, "text/javascript; charset=utf-8", page::SCRIPT)
        }
        (&Method::GET, "/icon.svg") => answer::with(StatusCode::OK, "image/svg+xml", page::ICON),
        (&Method::GET, "/events") => events(app),
        (&Method::POST, "/decide") => decided(app, r).await,
        (&Method::GET, path) => match phrase_of(path) {
            Some(seq) => heard(app, seq),
            None => answer::refused(StatusCode::NOT_FOUND),
        },
        _ => answer::refused(StatusCode::METHOD_NOT_ALLOWED),
    }
}

/// The number in `/phrase/12.wav`. No path is ever a file's.
fn phrase_of(path: &str) -> Option<u64> {
    let number = path.strip_prefix("/phrase/")?.strip_suffix(".wav")?;
    let plain = !number.is_empty() && number.bytes().all(|b| b.is_ascii_digit());
    number.parse().ok().filter(|_| plain)
}

/// A problem of the exam itself, in words.
fn broken(p: &Problem) -> Response<Body> {
    let text = format!("The exam cannot be read: {}\n", p.message);
    answer::with(StatusCode::INTERNAL_SERVER_ERROR, answer::TEXT, text)
}

/// What was asked for in the address, or why it cannot be shown.
fn asked(query: &Form, s: &State) -> Result<Option<Asked>, String> {
    if let Some(id) = query.get("correct") {
        let id = finding_id(id).filter(|id| s.exam.finding(*id).is_some());
        return match id {
            Some(id) => Ok(Some(Asked::Correct(id))),
            None => Err("There is no such finding any more.".into()),
        };
    }
    match query.get("add") {
        None if query.has("add") => Err("Say what was seen first, such as the item's name.".into()),
        None => Ok(None),
        Some(word) => settle::item(word, &s.lex).map(|i| Some(Asked::Add(i))).map_err(|p| {
            let help = p.help.map_or(String::new(), |h| format!(": {h}"));
            format!("There is no item of this name{help}.")
        }),
    }
}

fn shown(app: &Arc<App>, query: &Form) -> Response<Body> {
    let s = match app.desk.state() {
        Ok(s) => s,
        Err(p) => return broken(&p),
    };
    let mut message = app.said.lock().map(|mut m| std::mem::take(&mut *m)).unwrap_or_default();
    let asked = asked(query, &s).unwrap_or_else(|text| {
        message = Message { text, attention: true };
        None
    });
    let wish = app.wish(&s, message, asked);
    answer::with(StatusCode::OK, HTML, with_page(&s, &wish, page::served))
}

/// The changing part, for the script.
fn fresh(app: &Arc<App>, query: &Form) -> Response<Body> {
    let s = match app.desk.state() {
        Ok(s) => s,
        Err(p) => return told_script(StatusCode::INTERNAL_SERVER_ERROR, &p.message, None, false),
    };
    match asked(query, &s) {
        Err(text) => told_script(StatusCode::UNPROCESSABLE_ENTITY, &text, None, false),
        Ok(asked) => {
            let text = match asked {
                Some(Asked::Correct(_)) => "Choose what it was; the first reading is kept.",
                Some(Asked::Add(_)) => "Say when it was seen, and choose what it was.",
                None => "The exam was changed elsewhere. The page shows how it stands now.",
            };
            told_script(StatusCode::OK, text, Some(app.body(&s, asked)), false)
        }
    }
}

fn told_script(
    status: StatusCode,
    message: &str,
    body: Option<String>,
    anyway: bool,
) -> Response<Body> {
    let text = json!({ "message": message, "body": body, "anyway": anyway }).to_string();
    answer::with(status, JSON, text)
}

fn styled(app: &Arc<App>) -> Response<Body> {
    let running = match app.desk.state() {
        Ok(s) => format!("exam {}, journal {}", s.exam.header.code, s.digest),
        Err(_) => String::new(),
    };
    answer::with(StatusCode::OK, "text/css; charset=utf-8", page::style(&running))
}

fn heard(app: &Arc<App>, seq: u64) -> Response<Body> {
    let sound = app.desk.state().ok().and_then(|s| sound::slice(app.desk.folder(), &s.lines, seq));
    match sound {
        Some(wav) => answer::with(StatusCode::OK, "audio/wav", wav),
        None => answer::refused(StatusCode::NOT_FOUND),
    }
}

async fn decided(app: &Arc<App>, r: Request<Incoming>) -> Response<Body> {
    let script = r.headers().get(header::ACCEPT).is_some_and(|a| a == JSON);
    let kind = r.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok());
    let form =
        kind.is_some_and(|k| k.split(';').next() == Some("application/x-www-form-urlencoded"));
    if !form {
        return answer::refused(StatusCode::UNSUPPORTED_MEDIA_TYPE);
    }
    let bytes = match timeout(SLOWEST, Limited::new(r.into_body(), LARGEST).collect()).await {
        Ok(Ok(whole)) => whole.to_bytes(),
        Ok(Err(e)) if e.is::<http_body_util::LengthLimitError>() => {
            return answer::refused(StatusCode::PAYLOAD_TOO_LARGE);
        }
        _ => return answer::refused(StatusCode::BAD_REQUEST),
    };
    let (status, text, body, anyway) = take(app, &Form::read(&bytes));
    match script {
        true => told_script(status, &text, body, anyway),
        false => {
            app.tell(Message { text, attention: !status.is_success() });
            answer::to_page(None)
        }
    }
}

/// Takes a decision in: what is answered, the page as it then stands, and whether it could be kept
/// all the same.
fn take(app: &Arc<App>, form: &Form) -> (StatusCode, String, Option<String>, bool) {
    let s = match app.desk.state() {
        Ok(s) => s,
        Err(p) => return (StatusCode::INTERNAL_SERVER_ERROR, p.message, None, false),
    };
    let changed = |s: &State| {
        let text = "The exam was changed elsewhere meanwhile. Nothing of this was written; the page \
                    shows how it stands now.";
        (StatusCode::CONFLICT, text.to_owned(), Some(app.body(s, None)), false)
    };
    if form.get("digest") != Some(s.digest.as_str()) {
        return changed(&s);
    }
    let list = match decide(form, &s, app.desk.who()) {
        Ok(list) => list,
        Err(r) => return (StatusCode::UNPROCESSABLE_ENTITY, r.text, None, r.anyway),
    };
    let written = app.desk.write(&s.digest, &list);
    let s = match app.desk.state() {
        Ok(s) => s,
        Err(p) => return (StatusCode::INTERNAL_SERVER_ERROR, p.message, None, false),
    };
    match written {
        Ok(seqs) => {
            let after = After { exam: &s.exam, lines: &s.lines, lex: &s.lex };
            let lines: Vec<String> =
                list.iter().zip(seqs).map(|(d, seq)| told(d, seq, &after)).collect();
            let lines: Vec<&str> = lines.iter().map(|l| l.trim()).collect();
            let text = match lines.as_slice() {
                [one] => format!("Written: {one}."),
                many => format!("Written, {} entries: {}.", many.len(), many.join("; ")),
            };
            (StatusCode::OK, text, Some(app.body(&s, None)), false)
        }
        Err(NotWritten::Changed) => changed(&s),
        Err(NotWritten::Problem(p)) => {
            let help = p.help.map_or(String::new(), |h| format!(" ({h})"));
            let text = format!("Nothing was written: {}{help}", p.message);
            (StatusCode::UNPROCESSABLE_ENTITY, text, None, false)
        }
    }
}

/// Counts an open page for as long as it lives.
struct Presence(Arc<App>);

impl Presence {
    fn of(app: &Arc<App>) -> Self {
        app.here.fetch_add(1, Ordering::AcqRel);
        app.touch(true);
        Presence(Arc::clone(app))
    }
}

impl Drop for Presence {
    fn drop(&mut self) {
        self.0.touch(true);
        self.0.here.fetch_sub(1, Ordering::AcqRel);
    }
}

/// Server-sent events (WHATWG HTML standard, section 9.2): the digest of the journal whenever it
/// changes, and in between how soon to come back. The line that cannot be written says that the page is gone.
fn events(app: &Arc<App>) -> Response<Body> {
    let (mut line, body) = Channel::new(2);
    let here = Presence::of(app);
    tokio::spawn(async move {
        let folder = here.0.desk.folder().to_owned();
        let mut length = None;
        loop {
            let now = std::fs::metadata(folder.join(journal::FILE_NAME)).map(|m| m.len()).ok();
            let mut text = "retry: 500\n\n".to_owned();
            // A journal is only ever appended to, so its length tells that it changed.
            if now != length
                && let Ok(read) = journal::read(&folder)
            {
                length = now;
                text = format!("event: journal\ndata: {}\n\n", read.digest());
            }
            if line.send_data(Bytes::from(text)).await.is_err() {
                return;
            }
            sleep(ROUND).await;
        }
    });
    answer::bound(Response::new(Either::Right(body)), "text/event-stream")
}

#[cfg(test)]
mod tests {
    use super::phrase_of;

    #[test]
    fn only_a_plain_number_names_a_phrase() {
        assert_eq!(phrase_of("/phrase/12.wav"), Some(12));
        for bad in [
            "/phrase/.wav",
            "/phrase/+1.wav",
            "/phrase/-1.wav",
            "/phrase/1.wav/",
            "/phrase/../1.wav",
            "/phrase/%31.wav",
            "/phrase/99999999999999999999.wav",
            "/phrase/1",
        ] {
            assert_eq!(phrase_of(bad), None, "{bad}");
        }
    }
}
