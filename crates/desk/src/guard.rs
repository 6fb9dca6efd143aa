//! Who may ask: only this machine, only with the key, only the page itself.
//!
//! A server on loopback can be reached by every program of this machine, and through the browser by every page that is open in
//! it. Against these: the key of 256 random bits that stands in the address (unknown to other programs and pages), the `Host`
//! header (a foreign name that was made to point to 127.0.0.1, "DNS rebinding", is refused), and `Origin` and
//! `Sec-Fetch-Site` (a foreign page that knows the address is refused). Common practice for local servers.

use std::net::SocketAddr;

use axum::http::header::{CONTENT_TYPE, HOST, ORIGIN};
use axum::http::{HeaderMap, Method, StatusCode, Uri};

/// Bytes of the key.
const KEY_BYTES: usize = 32;

/// What stands at the gate.
#[derive(Debug, Clone)]
pub(crate) struct Guard {
    key: String,
    port: u16,
}

impl Guard {
    /// A gate with a new random key.
    ///
    /// # Errors
    /// When the system has no randomness to give.
    pub(crate) fn new(port: u16) -> std::io::Result<Self> {
        let mut bytes = [0u8; KEY_BYTES];
        getrandom::fill(&mut bytes).map_err(std::io::Error::other)?;
        Ok(Self { key: bytes.iter().map(|b| format!("{b:02x}")).collect(), port })
    }

    /// The page's address.
    pub(crate) fn address(&self) -> String {
        format!("http://127.0.0.1:{}/{}/", self.port, self.key)
    }

    /// Why a request must not pass, if it must not.
    pub(crate) fn refusal(
        &self,
        from: Option<SocketAddr>,
        method: &Method,
        uri: &Uri,
        headers: &HeaderMap,
    ) -> Option<(StatusCode, &'static str)> {
        let forbidden = |reason| Some((StatusCode::FORBIDDEN, reason));
        if from.is_none_or(|from| !from.ip().is_loopback()) {
            return forbidden("only this machine may ask");
        }
        let own = [format!("127.0.0.1:{}", self.port), format!("localhost:{}", self.port)];
        let mut hosts = headers.get_all(HOST).iter();
        let host = hosts.next().and_then(|h| h.to_str().ok());
        if hosts.next().is_some() || host.is_none_or(|host| !own.iter().any(|o| o == host)) {
            return forbidden("this page is served to 127.0.0.1 only");
        }
        let foreign_origin = headers
            .get_all(ORIGIN)
            .iter()
            .any(|origin| !own.iter().any(|o| origin.as_bytes() == format!("http://{o}").as_bytes()));
        if foreign_origin {
            return forbidden("another page must not ask");
        }
        let site = headers.get("sec-fetch-site").map(|site| site.as_bytes());
        if site.is_some_and(|site| site != b"same-origin" && site != b"none") {
            return forbidden("another page must not ask");
        }
        let key = uri.path().split('/').nth(1).unwrap_or_default();
        if !same(key.as_bytes(), self.key.as_bytes()) {
            return forbidden("open the address that midline mark printed; its key changes with every start");
        }
        if method == Method::GET || method == Method::HEAD {
            return None;
        }
        if method != Method::POST {
            return Some((StatusCode::METHOD_NOT_ALLOWED, "only GET and POST"));
        }
        // A form of a foreign page cannot send this type without the browser asking first, which is never answered.
        let json = headers.get(CONTENT_TYPE).is_some_and(|kind| kind.as_bytes() == b"application/json");
        if json { None } else { Some((StatusCode::UNSUPPORTED_MEDIA_TYPE, "send application/json")) }
    }
}

/// Compares without telling by its duration where two texts differ.
fn same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |differ, (a, b)| differ | (a ^ b)) == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ask(guard: &Guard, from: &str, method: Method, path: &str, headers: &[(&'static str, &str)]) -> Option<u16> {
        let headers: HeaderMap = headers.iter().map(|(n, v)| (n.parse().unwrap(), v.parse().unwrap())).collect();
        guard
            .refusal(Some(from.parse().unwrap()), &method, &path.parse().unwrap(), &headers)
            .map(|(status, _)| status.as_u16())
    }

    #[test]
    fn only_the_page_itself_passes() {
        let guard = Guard::new(4321).unwrap();
        let here = "127.0.0.1:50000";
        let good = format!("/{}/session", guard.key);
        let host = ("host", "127.0.0.1:4321");
        let get =
            |from: &str, path: &str, headers: &[(&'static str, &str)]| ask(&guard, from, Method::GET, path, headers);
        assert_eq!(get(here, &good, &[host]), None);
        assert_eq!(get(here, &good, &[("host", "localhost:4321")]), None);
        let own = ("origin", "http://127.0.0.1:4321");
        assert_eq!(get(here, &good, &[host, own, ("sec-fetch-site", "same-origin")]), None);
        assert_eq!(get(here, &good, &[host, ("sec-fetch-site", "none")]), None);

        assert_eq!(get("192.168.1.7:50000", &good, &[host]), Some(403), "another machine");
        assert_eq!(get(here, &good, &[]), Some(403), "no host");
        for foreign in ["example.org", "example.org:4321", "127.0.0.1", "127.0.0.1:80", "127.0.0.1:4321.example.org"] {
            assert_eq!(get(here, &good, &[("host", foreign)]), Some(403), "host {foreign}");
        }
        assert_eq!(get(here, &good, &[host, ("host", "example.org")]), Some(403), "two hosts");
        for foreign in ["http://example.org", "null", "https://127.0.0.1:4321", "http://127.0.0.1:4322", ""] {
            assert_eq!(get(here, &good, &[host, ("origin", foreign)]), Some(403), "origin {foreign}");
        }
        for site in ["cross-site", "same-site"] {
            assert_eq!(get(here, &good, &[host, ("sec-fetch-site", site)]), Some(403), "{site}");
        }
        let mut wrong = guard.key.clone();
        wrong.replace_range(0..1, if wrong.starts_with('0') { "1" } else { "0" });
        for key in ["", "0", &guard.key[1..], &wrong, &format!("{}0", guard.key), "../session"] {
            assert_eq!(get(here, &format!("/{key}/session"), &[host]), Some(403), "key {key}");
        }
        let json = ("content-type", "application/json");
        let act = format!("/{}/act", guard.key);
        assert_eq!(ask(&guard, here, Method::POST, &act, &[host, own, json]), None);
        for kind in ["text/plain", "application/x-www-form-urlencoded", "application/json; charset=utf-8"] {
            assert_eq!(ask(&guard, here, Method::POST, &act, &[host, own, ("content-type", kind)]), Some(415));
        }
        assert_eq!(ask(&guard, here, Method::POST, &act, &[host, own]), Some(415));
        for method in [Method::OPTIONS, Method::PUT, Method::DELETE, Method::TRACE] {
            assert_eq!(ask(&guard, here, method, &act, &[host, json]), Some(405));
        }
    }

    #[test]
    fn keys_are_long_and_never_the_same() {
        let keys: std::collections::BTreeSet<String> = (0..64).map(|_| Guard::new(1).unwrap().key).collect();
        assert_eq!(keys.len(), 64);
        assert!(keys.iter().all(|k| k.len() == 64 && k.bytes().all(|b| b.is_ascii_hexdigit())));
    }
}
