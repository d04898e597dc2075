//! Who may ask the review page what: every request that no browser of ours sends is refused or
//! inert, and changes nothing.

mod browser;
#[path = "browser/exams.rs"]
mod exams;
#[path = "cli/support.rs"]
mod support;

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use browser::Review;
use support::Bench;

/// An answer.
struct Answer {
    status: u16,
    head: String,
    body: Vec<u8>,
}

impl Answer {
    fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|l| {
            let (n, v) = l.split_once(':')?;
            n.eq_ignore_ascii_case(name).then(|| v.trim())
        })
    }
}

/// Sends bytes as they are, so that nothing a library would mend is mended.
fn raw(r: &Review, request: &[u8]) -> Answer {
    let mut s = TcpStream::connect(r.host()).unwrap();
    s.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
    // The server may answer and close before it has read all.
    let _ = s.write_all(request);
    let mut all = Vec::new();
    let _ = s.read_to_end(&mut all);
    let end = all.windows(4).position(|w| w == b"\r\n\r\n").map_or(all.len(), |k| k + 4);
    let head = String::from_utf8_lossy(&all[..end]).into_owned();
    let status = head.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0);
    let body = all[end..].to_vec();
    Answer { status, head, body }
}

fn get(r: &Review, path: &str, cookie: &str) -> Answer {
    let host = r.host();
    raw(
        r,
        format!(
            "GET {path} HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}\r\nConnection: close\r\n\r\n"
        )
        .as_bytes(),
    )
}

/// Exchanges the token, and gives the cookie.
fn enter(r: &Review) -> String {
    let a = get(r, &format!("/?token={}", r.token()), "");
    assert_eq!(a.status, 303, "{}", a.head);
    a.header("set-cookie").unwrap().split(';').next().unwrap().to_owned()
}

fn post(r: &Review, cookie: &str, extra: &str, body: &str) -> Answer {
    let host = r.host();
    let request = format!(
        "POST /decide HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nCookie: {cookie}\r\n\
         Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n{extra}\
         Connection: close\r\n\r\n{body}",
        body.len()
    );
    raw(r, request.as_bytes())
}

fn start() -> (Bench, Review) {
    let bench = exams::demo();
    exams::with_sound(&bench.path("e"), 360, 0);
    let r = Review::start(bench.command(&["review", "e"]));
    (bench, r)
}

fn digest(bench: &Bench) -> String {
    cotside::journal::read(bench.path("e")).unwrap().digest().to_string()
}

fn lines(bench: &Bench) -> usize {
    bench.text("e/journal.jsonl").lines().count()
}

#[test]
fn nobody_without_the_address_sees_or_changes_anything() {
    let (bench, r) = start();
    let was = lines(&bench);
    for path in [
        "/",
        "/body",
        "/page.css",
        "/page.js",
        "/icon.svg",
        "/events",
        "/phrase/2.wav",
        "/?token=",
        "/?token=0",
    ] {
        let a = get(&r, path, "");
        assert_eq!(a.status, 401, "{path}");
        assert!(!a.text().contains("KT") && !a.text().contains("Moro"), "{path}: {}", a.text());
    }
    let reason = format!(
        "about=gap%3Anot-done%3Aleg-recoil%3Awhole&act=reason&reason=x&digest={}",
        digest(&bench)
    );
    for cookie in ["", "cotside=1", "cotside-80=0"] {
        assert_eq!(post(&r, cookie, "", &reason).status, 401);
    }
    assert_eq!(lines(&bench), was);
    // The token works once, and the cookie it gives is kept from scripts and other sites.
    let a = get(&r, &format!("/?token={}", r.token()), "");
    assert_eq!((a.status, a.header("location")), (303, Some("/")));
    let cookie = a.header("set-cookie").unwrap();
    for part in ["; HttpOnly", "; SameSite=Strict", "; Path=/"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    assert_eq!(get(&r, &format!("/?token={}", r.token()), "").status, 401, "a second time");
    assert_eq!(get(&r, "/", cookie.split(';').next().unwrap()).status, 200);
}

#[test]
fn foreign_hosts_and_origins_are_refused_even_with_the_cookie() {
    let (bench, r) = start();
    let cookie = enter(&r);
    let was = lines(&bench);
    let (host, port) = (r.host().to_owned(), r.host().split_once(':').unwrap().1.to_owned());
    let ask = |head: &str| {
        raw(&r, format!("{head}\r\nCookie: {cookie}\r\nConnection: close\r\n\r\n").as_bytes())
            .status
    };
    assert_eq!(ask(&format!("GET / HTTP/1.1\r\nHost: {host}")), 200);
    // A name that was pointed at this machine (DNS rebinding).
    for foreign in [
        "evil.test",
        &format!("evil.test:{port}"),
        &format!("localhost:{port}"),
        "127.0.0.1",
        "127.0.0.1:1",
    ] {
        assert_eq!(ask(&format!("GET / HTTP/1.1\r\nHost: {foreign}")), 421, "{foreign}");
    }
    assert_eq!(ask("GET / HTTP/1.1"), 421, "no host at all");
    assert_eq!(ask(&format!("GET / HTTP/1.1\r\nHost: {host}\r\nHost: evil.test")), 400);
    assert_eq!(ask(&format!("GET http://evil.test/ HTTP/1.1\r\nHost: {host}")), 421);
    for origin in
        ["http://evil.test", "null", "https://127.0.0.1", &format!("http://localhost:{port}")]
    {
        assert_eq!(
            ask(&format!("GET /body HTTP/1.1\r\nHost: {host}\r\nOrigin: {origin}")),
            403,
            "{origin}"
        );
    }
    assert_eq!(ask(&format!("GET / HTTP/1.1\r\nHost: {host}\r\nSec-Fetch-Site: cross-site")), 403);
    // A form of another site, and one that says nothing of where it comes from.
    let body = format!(
        "about=gap%3Anot-done%3Aleg-recoil%3Awhole&act=reason&reason=x&digest={}",
        digest(&bench)
    );
    for origin in ["Origin: http://evil.test\r\n", "Origin: null\r\n", ""] {
        let head = format!(
            "POST /decide HTTP/1.1\r\nHost: {host}\r\n{origin}Content-Type: application/x-www-form-urlencoded\r\n\
             Content-Length: {}\r\nCookie: {cookie}\r\nConnection: close\r\n\r\n{body}",
            body.len()
        );
        assert_eq!(raw(&r, head.as_bytes()).status, 403, "{origin}");
    }
    assert_eq!(lines(&bench), was);
}

#[test]
fn paths_lead_to_no_file_and_methods_to_no_change() {
    let (bench, r) = start();
    let cookie = enter(&r);
    let was = lines(&bench);
    for path in [
        "/../e/journal.jsonl",
        "/journal.jsonl",
        "/audio/1.wav",
        "/phrase/../../audio/1.wav",
        "/phrase/..%2f..%2fjournal.jsonl",
        "/phrase/%2e%2e/1.wav",
        "/phrase/1.wav%00",
        "/phrase/2.wav/..",
        "/phrase/-2.wav",
        "/phrase/184467440737095516199.wav",
        "//evil.test/",
        "/page.js/",
        "/.",
        "/decide",
    ] {
        let a = get(&r, path, &cookie);
        assert_eq!(a.status, 404, "{path}");
        assert!(!a.text().contains("seq"), "{path}");
    }
    for method in ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "PROPFIND"] {
        let host = r.host();
        let a = raw(&r, format!("{method} / HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nCookie: {cookie}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n").as_bytes());
        assert_eq!(a.status, 405, "{method}");
    }
    for bad in
        ["garbage\r\n\r\n", "GET\r\n\r\n", "GET / HTTP/9.9\r\n\r\n", "\u{16}\u{3}\u{1}\r\n\r\n"]
    {
        let a = raw(&r, bad.as_bytes());
        assert!(a.status == 400 || a.status == 0, "{bad:?}: {}", a.head);
    }
    assert_eq!(lines(&bench), was);
    assert_eq!(get(&r, "/", &cookie).status, 200, "it still answers");
}

#[test]
fn too_much_is_refused_before_it_is_taken_in() {
    let (bench, mut r) = start();
    let cookie = enter(&r);
    let was = lines(&bench);
    let long = format!("about={}", "x".repeat(200_000));
    assert_eq!(post(&r, &cookie, "", &long).status, 413);
    // A length that nobody has memory for is only a number.
    let host = r.host().to_owned();
    for length in ["99999999999999", "18446744073709551615", "-1", "1e9"] {
        let a = raw(&r, format!("POST /decide HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nCookie: {cookie}\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: {length}\r\nConnection: close\r\n\r\n{}", "y".repeat(40_000)).as_bytes());
        assert!([400, 413, 431].contains(&a.status), "{length}: {}", a.head);
    }
    let chunked = format!(
        "POST /decide HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nCookie: {cookie}\r\nContent-Type: application/x-www-form-urlencoded\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n{}",
        format!("4000\r\n{}\r\n", "z".repeat(0x4000)).repeat(4)
    );
    assert_eq!(raw(&r, chunked.as_bytes()).status, 413);
    let head = format!("GET / HTTP/1.1\r\nHost: {host}\r\nX-Long: {}\r\n\r\n", "a".repeat(200_000));
    assert!([0, 431].contains(&raw(&r, head.as_bytes()).status));
    let many = format!("GET / HTTP/1.1\r\nHost: {host}\r\n{}\r\n", "X-A: b\r\n".repeat(2000));
    assert!([0, 431].contains(&raw(&r, many.as_bytes()).status));
    // Another kind of body is not looked at.
    let json = format!(
        "POST /decide HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nCookie: {cookie}\r\nContent-Type: application/json\r\nContent-Length: 2\r\nConnection: close\r\n\r\n{{}}"
    );
    assert_eq!(raw(&r, json.as_bytes()).status, 415);
    assert_eq!(lines(&bench), was);
    assert!(r.runs());
    assert_eq!(get(&r, "/", &cookie).status, 200);
}

#[test]
fn nothing_that_was_sent_comes_back_as_a_header_or_as_markup() {
    let (_bench, r) = start();
    let cookie = enter(&r);
    let split = "%0d%0aSet-Cookie:%20a=b%0d%0a%0d%0a<script>1</script>";
    for path in [
        format!("/?token={split}"),
        format!("/?add={split}"),
        format!("/?correct={split}"),
        format!("/body?add={split}"),
        format!("/{split}"),
    ] {
        let a = get(&r, &path, &cookie);
        assert_eq!(a.header("set-cookie"), None, "{path}: {}", a.head);
        assert!(!a.text().contains("<script>1"), "{path}");
    }
    for path in ["/", "/body", "/page.css", "/page.js", "/nowhere", "/phrase/2.wav"] {
        let a = get(&r, path, &cookie);
        let policy = a.header("content-security-policy").unwrap_or_default().to_owned();
        assert!(policy.starts_with("default-src 'none'; script-src 'self'"), "{path}: {policy}");
        assert!(!policy.contains("unsafe"), "{policy}");
        for (name, value) in [
            ("x-content-type-options", "nosniff"),
            ("cache-control", "no-store"),
            ("x-frame-options", "DENY"),
            ("referrer-policy", "same-origin"),
        ] {
            assert_eq!(a.header(name), Some(value), "{path}");
        }
    }
    // Nothing on the page is asked for elsewhere, and nothing in it runs of itself.
    let page = get(&r, "/", &cookie).text();
    assert!(!page.contains("http://") && !page.contains("https://"), "an address outside");
    for inline in [" onclick=", " onload=", " onerror=", "style=\"", "javascript:"] {
        assert!(!page.contains(inline), "{inline}");
    }
}

#[test]
fn plain_forms_do_all_that_the_script_does() {
    let (bench, r) = start();
    let cookie = enter(&r);
    let was = lines(&bench);
    let told = |a: &Answer| {
        assert_eq!((a.status, a.header("location")), (303, Some("/")), "{}", a.head);
        let page = get(&r, "/", &cookie).text();
        let from = page.split_once("role=\"status\"").unwrap().1;
        from.split_once('>').unwrap().1.split_once("</div>").unwrap().0.to_owned()
    };
    let send = |body: &str| post(&r, &cookie, "", &format!("{body}&digest={}", digest(&bench)));
    let a = send("about=gap%3Anot-done%3Aleg-recoil%3Awhole&act=reason&reason=infant+asleep");
    let entry = was + 1;
    let want = format!("Written: reason for leg-recoil: infant asleep (by KT, entry {entry}).");
    assert_eq!(told(&a), want);
    // It is told once.
    assert!(get(&r, "/", &cookie).text().contains("aria-live=\"polite\"></div>"));
    let a = send(&format!("about=entry%3A{entry}&act=undo"));
    assert!(told(&a).contains("taken back"));
    let a = send(&format!("about=entry%3A{entry}&act=undo"));
    assert!(told(&a).contains("taken back already"));
    let a = send("about=gap%3Anot-done%3Aleg-recoil%3Awhole&act=reason&reason=++");
    assert_eq!(told(&a), "Say why it was not done");
    let a =
        send("about=gap%3Anot-done%3Aleg-recoil%3Awhole&act=reason&reason=normal+on+both+sides");
    assert!(told(&a).contains("reads as a finding"));
    let a = send("about=gap%3Anot-done%3Aleg-recoil%3Awhole&choice=1&at=nonsense&side=left");
    assert!(told(&a).contains("is no moment"));
    let a = send("about=finding%3A9999.1&choice=1");
    assert!(told(&a).contains("not open any more"));
    // A page that was made before the last change decides nothing.
    let stale = "0".repeat(64);
    let a = post(&r, &cookie, "", &format!("about=entry%3A{entry}&act=undo&digest={stale}"));
    assert!(told(&a).contains("changed elsewhere"));
    let a = post(
        &r,
        &cookie,
        "Accept: application/json\r\n",
        &format!("about=entry%3A{entry}&act=undo&digest={stale}"),
    );
    assert_eq!(a.status, 409);
    assert_eq!(lines(&bench), was + 2, "one reason, one taking back");
    // Correcting and adding are links and forms, too.
    assert!(get(&r, "/?add=plantar-grasp", &cookie).text().contains("value=\"add:plantar-grasp\""));
    assert!(get(&r, "/?add=plantar+grasp", &cookie).text().contains("value=\"add:plantar-grasp\""));
    assert!(
        get(&r, "/?add=plantar-grass", &cookie).text().contains("did you mean `plantar-grasp`")
    );
}

#[test]
fn a_slice_is_the_phrases_own_samples_and_no_link_leads_out() {
    let (bench, r) = start();
    let cookie = enter(&r);
    // The second phrase of the demo: 0:09 to 0:12, with 200 ms before and 300 ms behind.
    let a = get(&r, "/phrase/3.wav", &cookie);
    assert_eq!((a.status, a.header("content-type")), (200, Some("audio/wav")));
    let mut wav = hound::WavReader::new(&a.body[..]).unwrap();
    assert_eq!(wav.spec().sample_rate, exams::RATE);
    let got: Vec<i16> = wav.samples().map(Result::unwrap).collect();
    let (from, to) = (8_800 * exams::RATE / 1000, 12_300 * exams::RATE / 1000);
    let want: Vec<i16> = (from..to).map(exams::sample).collect();
    assert_eq!(got, want);
    assert_eq!(get(&r, "/phrase/1.wav", &cookie).status, 404, "the header has no sound");
    // A recording that is a link out of the folder is not played.
    #[cfg(unix)]
    {
        std::fs::rename(bench.path("e/audio/1.wav"), bench.path("outside.wav")).unwrap();
        std::os::unix::fs::symlink(bench.path("outside.wav"), bench.path("e/audio/1.wav")).unwrap();
        assert_eq!(get(&r, "/phrase/3.wav", &cookie).status, 404);
        assert!(!get(&r, "/", &cookie).text().contains("href=\"/phrase/"));
    }
    // A recording that is none does no harm.
    std::fs::remove_file(bench.path("e/audio/1.wav")).unwrap();
    std::fs::write(bench.path("e/audio/1.wav"), b"RIFF not a sound").unwrap();
    assert_eq!(get(&r, "/phrase/3.wav", &cookie).status, 404);
    assert_eq!(get(&r, "/", &cookie).status, 200);
}

#[test]
fn sound_that_began_later_is_cut_by_its_own_clock() {
    let bench = exams::demo();
    exams::with_sound(&bench.path("e"), 60, 60_000);
    let r = Review::start(bench.command(&["review", "e"]));
    let cookie = enter(&r);
    // 1:06 on the exam clock is the sixth second of the recording.
    let seq = bench
        .text("e/journal.jsonl")
        .lines()
        .map(|l| serde_json::from_str::<serde_json::Value>(l).unwrap())
        .find(|l| l["start_ms"] == 66_000)
        .unwrap()["seq"]
        .to_string();
    let a = get(&r, &format!("/phrase/{seq}.wav"), &cookie);
    let mut wav = hound::WavReader::new(&a.body[..]).unwrap();
    let first: i16 = wav.samples().next().unwrap().unwrap();
    assert_eq!(first, exams::sample(5_800 * exams::RATE / 1000));
    assert_eq!(get(&r, "/phrase/3.wav", &cookie).status, 404, "said before the sound began");
}

#[test]
fn a_journal_somebody_else_is_writing_is_told_and_left_alone() {
    let (bench, r) = start();
    let cookie = enter(&r);
    let was = lines(&bench);
    let seen = digest(&bench);
    let clock = std::sync::Arc::new(cotside::journal::SystemClock::start());
    let held = cotside::journal::Journal::open_to_append(bench.path("e"), clock).unwrap();
    let body =
        format!("about=gap%3Anot-done%3Aleg-recoil%3Awhole&act=reason&reason=asleep&digest={seen}");
    let a = post(&r, &cookie, "Accept: application/json\r\n", &body);
    assert_eq!(a.status, 422);
    assert!(a.text().contains("Nothing was written"), "{}", a.text());
    assert_eq!(lines(&bench), was);
    drop(held);
    let a = post(&r, &cookie, "Accept: application/json\r\n", &body);
    assert_eq!(a.status, 200, "{}", a.text());
    assert_eq!(lines(&bench), was + 1);
}

#[cfg(unix)]
#[test]
fn ctrl_c_ends_the_page() {
    let (_bench, r) = start();
    let ran = std::process::Command::new("kill").args(["-INT", &r.pid().to_string()]).status();
    assert!(ran.unwrap().success());
    assert_eq!(r.ended(), Some(0));
}
