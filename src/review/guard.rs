//! Who may ask: a browser on this machine that was given the address, and no page but ours.
//!
//! The address holds a token that works once; it is exchanged for a cookie that scripts cannot read
//! and other sites' requests do not carry (RFC 6265bis, `HttpOnly` and `SameSite=Strict`). A foreign
//! name that was pointed at this machine is told by `Host`, another site's form or script by
//! `Origin` and `Sec-Fetch-Site` (W3C Fetch Metadata).

use std::sync::Mutex;

use hyper::header::{self, HeaderMap, HeaderValue};
use hyper::{Method, StatusCode, Uri};
use sha2::{Digest, Sha256};

/// Bytes of a secret, 256 bits.
const SECRET: usize = 32;

/// What is checked of every request.
pub struct Guard {
    /// `127.0.0.1:PORT`.
    host: String,
    /// Name of the cookie. Cookies do not tell ports apart, so the name does.
    cookie: String,
    session: String,
    token: Mutex<Option<String>>,
}

/// A secret from the operating system, in hex.
fn secret() -> Result<String, getrandom::Error> {
    let mut bytes = [0_u8; SECRET];
    getrandom::fill(&mut bytes)?;
    Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
}

/// Compares digests, so that the time taken tells nothing of the secret.
fn same(a: &str, b: &str) -> bool {
    Sha256::digest(a) == Sha256::digest(b)
}

impl Guard {
    /// A guard for a server on that port of the loopback address.
    pub fn new(port: u16) -> Result<Guard, getrandom::Error> {
        Ok(Guard {
            host: format!("127.0.0.1:{port}"),
            cookie: format!("cotside-{port}"),
            session: secret()?,
            token: Mutex::new(Some(secret()?)),
        })
    }

    /// The address to open, with the token in it.
    pub fn address(&self) -> String {
        let token = self.token.lock().map(|t| t.clone()).ok().flatten().unwrap_or_default();
        format!("http://{}/?token={token}", self.host)
    }

    /// Whether the request comes from this machine's browser, and from no page but ours.
    pub fn admits(
        &self,
        method: &Method,
        uri: &Uri,
        headers: &HeaderMap,
    ) -> Result<(), StatusCode> {
        let one = |name: header::HeaderName| {
            let mut all = headers.get_all(name).iter();
            match (all.next(), all.next()) {
                (first, None) => Ok(first.map(HeaderValue::as_bytes)),
                // Two of them: whoever sent this is not a browser.
                _ => Err(StatusCode::BAD_REQUEST),
            }
        };
        let host = one(header::HOST)?;
        let here = host == Some(self.host.as_bytes()) && uri.authority().is_none();
        if !here {
            return Err(StatusCode::MISDIRECTED_REQUEST);
        }
        let own = format!("http://{}", self.host);
        match one(header::ORIGIN)? {
            Some(origin) if origin == own.as_bytes() => {}
            Some(_) => return Err(StatusCode::FORBIDDEN),
            // A browser says where what it changes comes from.
            None if *method != Method::GET => return Err(StatusCode::FORBIDDEN),
            None => {}
        }
        match one(header::HeaderName::from_static("sec-fetch-site"))? {
            None | Some(b"same-origin" | b"none") => Ok(()),
            Some(_) => Err(StatusCode::FORBIDDEN),
        }
    }

    /// Whether the cookie is there.
    pub fn knows(&self, headers: &HeaderMap) -> bool {
        headers
            .get_all(header::COOKIE)
            .iter()
            .filter_map(|v| v.to_str().ok())
            .flat_map(|v| v.split(';'))
            .filter_map(|pair| pair.trim().split_once('='))
            .any(|(name, value)| name == self.cookie && same(value, &self.session))
    }

    /// Exchanges the token for the cookie; a token works once.
    pub fn exchange(&self, token: &str) -> Option<String> {
        let mut kept = self.token.lock().ok()?;
        kept.take_if(|t| same(t, token))?;
        Some(format!("{}={}; HttpOnly; SameSite=Strict; Path=/", self.cookie, self.session))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(list: &[(&'static str, &str)]) -> HeaderMap {
        list.iter().map(|(n, v)| (n.parse().unwrap(), v.parse().unwrap())).collect()
    }

    #[test]
    fn a_token_works_once_and_gives_a_cookie_scripts_cannot_read() {
        let g = Guard::new(4000).unwrap();
        let token = g.address().split_once("token=").unwrap().1.to_owned();
        assert_eq!(token.len(), 2 * SECRET);
        assert_eq!(g.exchange("wrong"), None);
        let cookie = g.exchange(&token).unwrap();
        assert!(cookie.ends_with("; HttpOnly; SameSite=Strict; Path=/"), "{cookie}");
        assert_eq!(g.exchange(&token), None);
        let pair = cookie.split(';').next().unwrap();
        assert!(g.knows(&headers(&[("cookie", &format!("other=1; {pair}"))])));
        assert!(!g.knows(&headers(&[("cookie", "cotside-4000=")])));
        assert!(!g.knows(&headers(&[("cookie", &format!("{pair}0"))])));
    }

    #[test]
    fn two_servers_never_share_a_secret() {
        let (a, b) = (Guard::new(1).unwrap(), Guard::new(1).unwrap());
        assert_ne!(a.address(), b.address());
        assert_ne!(a.session, b.session);
    }

    #[test]
    fn foreign_hosts_origins_and_sites_are_refused() {
        let g = Guard::new(4000).unwrap();
        let uri: Uri = "/".parse().unwrap();
        let check = |method: Method, list: &[(&'static str, &str)]| {
            g.admits(&method, &uri, &headers(list)).is_ok()
        };
        let host = ("host", "127.0.0.1:4000");
        assert!(check(Method::GET, &[host]));
        assert!(check(Method::POST, &[host, ("origin", "http://127.0.0.1:4000")]));
        assert!(!check(Method::GET, &[]));
        assert!(!check(Method::GET, &[("host", "localhost:4000")]));
        assert!(!check(Method::GET, &[("host", "127.0.0.1:4001")]));
        assert!(!check(Method::POST, &[host]));
        for origin in ["null", "http://127.0.0.1:4001", "https://127.0.0.1:4000", "http://a.test"] {
            assert!(!check(Method::POST, &[host, ("origin", origin)]), "{origin}");
            assert!(!check(Method::GET, &[host, ("origin", origin)]), "{origin}");
        }
        assert!(!check(Method::GET, &[host, ("sec-fetch-site", "cross-site")]));
        assert!(!check(Method::GET, &[host, ("sec-fetch-site", "same-site")]));
        let absolute: Uri = "http://a.test/".parse().unwrap();
        assert!(g.admits(&Method::GET, &absolute, &headers(&[host])).is_err());
    }
}
