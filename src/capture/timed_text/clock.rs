//! Clock times as the formats write them, to milliseconds.

/// The latest time taken, in milliseconds: 9999 hours, 59 minutes, 59.999 seconds.
///
/// No format sets a limit. This one is far past any exam, yet below today's count of milliseconds
/// since 1970, so that a wall-clock time given as an exam-clock time is found out.
pub const MAX_MS: u64 = ((9999 * 60 + 59) * 60 + 59) * 1000 + 999;

/// How a format writes a time.
#[derive(Debug, Clone, Copy)]
pub(super) struct Style {
    /// Whether the hours must be there.
    pub hours_needed: bool,
    /// Whether minutes that come first have two digits and stay below 60.
    pub short_minutes: bool,
    /// What may stand between the seconds and their fraction.
    pub marks: &'static [char],
    /// Whether the fraction must be there, with three digits.
    pub millis_needed: bool,
}

/// A fault at a byte of the text scanned.
#[derive(Debug)]
pub(super) struct Fault {
    /// Where, in bytes from the start of the text.
    pub at: usize,
    /// What is wrong.
    pub message: String,
}

impl Fault {
    pub(super) fn new(at: usize, message: impl Into<String>) -> Self {
        Fault { at, message: message.into() }
    }
}

/// Scans a time that starts at byte `from` of `text`; gives milliseconds and the byte after it.
///
/// This is "collect a WebVTT timestamp" (WebVTT section 6.3) with the differences of the other
/// formats as parameters: one, two or more digits in the first place, two in the others.
pub(super) fn scan(text: &str, from: usize, style: Style) -> Result<(u64, usize), Fault> {
    let digits = |at: usize| {
        let rest = &text[at..];
        &rest[..rest.bytes().take_while(u8::is_ascii_digit).count()]
    };
    let colon = |at: usize| text[at..].starts_with(':');
    let pair = |at: usize, unit: &str| {
        let found = digits(at);
        match found.parse::<u64>() {
            Ok(n) if found.len() == 2 && n < 60 => Ok(n),
            Ok(_) if found.len() == 2 => {
                Err(Fault::new(at, format!("{unit} must be below 60, found {found}")))
            }
            _ => Err(Fault::new(at, format!("{unit} need two digits, found {}", quote(text, at)))),
        }
    };

    let first = digits(from);
    if first.is_empty() {
        return Err(Fault::new(
            from,
            format!("a time must stand here, found {}", quote(text, from)),
        ));
    }
    let mut at = from + first.len();
    if !colon(at) {
        return Err(Fault::new(
            at,
            format!("a time needs a colon after {}, found {}", clip(first), quote(text, at)),
        ));
    }
    at += 1;
    // Whether the second place holds minutes or seconds shows only by the colon after it.
    let has_hours = colon(at + digits(at).len());
    let (hours, minutes) = if has_hours {
        let minutes = pair(at, "minutes")?;
        at += 3;
        (first, minutes)
    } else if style.hours_needed {
        return Err(Fault::new(from, "the hours are missing"));
    } else if style.short_minutes {
        ("0", pair(from, "minutes")?)
    } else {
        let Ok(minutes) = first.parse() else {
            return Err(too_late(from));
        };
        ("0", minutes)
    };
    let seconds = pair(at, "seconds")?;
    at += 2;

    let mut millis = 0;
    if text[at..].starts_with(style.marks) {
        let fraction = digits(at + 1);
        match fraction.len() {
            3 => {}
            1 | 2 if !style.millis_needed => {}
            n => {
                let need = if style.millis_needed { "three digits" } else { "one to three digits" };
                return Err(Fault::new(
                    at + 1,
                    format!("the fraction of a second needs {need}, found {n}"),
                ));
            }
        }
        millis = format!("{fraction:0<3}").parse().unwrap_or(0);
        at += 1 + fraction.len();
    } else if style.millis_needed {
        let mark = style.marks[0];
        return Err(Fault::new(
            at,
            format!("`{mark}` and milliseconds must follow the seconds, found {}", quote(text, at)),
        ));
    }

    let ms = hours
        .parse::<u64>()
        .ok()
        .and_then(|hours| hours.checked_mul(60))
        .and_then(|m: u64| m.checked_add(minutes))
        .and_then(|m| m.checked_mul(60))
        .and_then(|s| s.checked_add(seconds))
        .and_then(|s| s.checked_mul(1000))
        .and_then(|ms| ms.checked_add(millis))
        .filter(|ms| *ms <= MAX_MS)
        .ok_or_else(|| too_late(from))?;
    Ok((ms, at))
}

/// Whether a text begins with something like a time, right or not: digits, a colon, a digit.
pub(super) fn starts_like_time(text: &str) -> bool {
    let digit = |c: char| c.is_ascii_digit();
    let text = text.trim_start();
    let rest = text.trim_start_matches(digit);
    rest.len() < text.len() && rest.strip_prefix(':').is_some_and(|rest| rest.starts_with(digit))
}

fn too_late(at: usize) -> Fault {
    Fault::new(at, format!("the time is later than {}", show(MAX_MS)))
}

/// A time as the messages give it: `1:02.500`, or `1:01:02.500` from an hour on.
pub(super) fn show(ms: u64) -> String {
    let (s, ms) = (ms / 1000, ms % 1000);
    let (m, s) = (s / 60, s % 60);
    match m / 60 {
        0 => format!("{m}:{s:02}.{ms:03}"),
        h => format!("{h}:{:02}:{s:02}.{ms:03}", m % 60),
    }
}

/// What stands at byte `at`, for a message: the next word, shortened, or the end of the line.
pub(super) fn quote(text: &str, at: usize) -> String {
    let rest = text.get(at..).unwrap_or("");
    match rest.split(char::is_whitespace).next() {
        _ if rest.is_empty() => "the end of the line".to_owned(),
        Some("") | None => "a space".to_owned(),
        Some(word) => format!("`{}`", clip(word)),
    }
}

/// At most 24 characters of `text`; see [`clip_to`].
pub(super) fn clip(text: &str) -> String {
    clip_to(24, text)
}

/// At most `len` characters of `text`, so that no input can swell a message; control characters
/// are replaced, so that none can drive a terminal.
pub(super) fn clip_to(len: usize, text: &str) -> String {
    let shown = |c: char| if c.is_control() { char::REPLACEMENT_CHARACTER } else { c };
    let mut clipped: String = text.chars().take(len).map(shown).collect();
    if text.chars().nth(len).is_some() {
        clipped.push('…');
    }
    clipped
}
