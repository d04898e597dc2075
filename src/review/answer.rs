//! What is answered, with the headers that bind the browser.

use std::convert::Infallible;

use http_body_util::channel::Channel;
use http_body_util::{Either, Full};
use hyper::body::Bytes;
use hyper::header::{self, HeaderName, HeaderValue};
use hyper::{Response, StatusCode};

/// A body: whole, or sent bit by bit.
pub type Body = Either<Full<Bytes>, Channel<Bytes, Infallible>>;

/// Everything comes from this server, nothing inline runs, and no other page may frame it.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; \
     media-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; \
     frame-ancestors 'none'";

/// HTML.
pub const HTML: &str = "text/html; charset=utf-8";
/// JSON.
pub const JSON: &str = "application/json";
/// Plain text.
pub const TEXT: &str = "text/plain; charset=utf-8";

/// Adds what every answer carries.
pub fn bound(mut r: Response<Body>, kind: &'static str) -> Response<Body> {
    let h = r.headers_mut();
    h.insert(header::CONTENT_TYPE, HeaderValue::from_static(kind));
    for (name, value) in [
        ("content-security-policy", POLICY),
        ("x-content-type-options", "nosniff"),
        // With no referrer at all, browsers send forms from an origin of "null".
        ("referrer-policy", "same-origin"),
        ("cache-control", "no-store"),
        ("cross-origin-opener-policy", "same-origin"),
        ("cross-origin-resource-policy", "same-origin"),
        ("x-frame-options", "DENY"),
        ("permissions-policy", "camera=(), microphone=(), geolocation=()"),
    ] {
        h.insert(HeaderName::from_static(name), HeaderValue::from_static(value));
    }
    r
}

/// An answer of that status.
pub fn with(status: StatusCode, kind: &'static str, body: impl Into<Bytes>) -> Response<Body> {
    let mut r = Response::new(Either::Left(Full::new(body.into())));
    *r.status_mut() = status;
    bound(r, kind)
}

/// A refusal in one plain sentence. Nothing that was sent is repeated in it.
pub fn refused(status: StatusCode) -> Response<Body> {
    let text = match status {
        StatusCode::UNAUTHORIZED => {
            "This page is open to the browser it was opened in alone. Run cotside review again for \
             a new address.\n"
        }
        StatusCode::FORBIDDEN | StatusCode::MISDIRECTED_REQUEST => {
            "This was not asked from the page itself.\n"
        }
        StatusCode::PAYLOAD_TOO_LARGE => "This is more than any form of the page sends.\n",
        StatusCode::METHOD_NOT_ALLOWED => "This cannot be asked so.\n",
        StatusCode::NOT_FOUND => "There is nothing here.\n",
        _ => "This was not understood.\n",
    };
    with(status, TEXT, text)
}

/// To the page, by GET.
pub fn to_page(cookie: Option<&str>) -> Response<Body> {
    let mut r = with(StatusCode::SEE_OTHER, TEXT, "");
    r.headers_mut().insert(header::LOCATION, HeaderValue::from_static("/"));
    if let Some(value) = cookie.and_then(|c| HeaderValue::from_str(c).ok()) {
        r.headers_mut().insert(header::SET_COOKIE, value);
    }
    r
}
