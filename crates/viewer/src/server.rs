//! One recording, finished or growing, over HTTP on loopback only: for a page in the browser, and for the native viewer.
//!
//! A server on loopback can be reached by every program of this machine, and through the browser by every page that is open in
//! it. Only who knows the address's random key is answered, under this server's own name (a foreign name that was bent to
//! 127.0.0.1, "DNS rebinding", is refused), and no page of elsewhere. Common practice for local servers.

use std::fs::File;
use std::io::{Read, Write};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use midline_session::strokes::{EventKind, Strokes};
use tiny_http::{Header, Method, Request, Response, StatusCode};

use crate::ViewError;
use crate::live::{Growing, Live};
use crate::recording::{SESSION_TIME, TIME_TO_CONTACT};
use crate::web_viewer::{POLICY, WebViewer};

/// How long a reader of a growing recording waits before it looks again.
const LOOK_AGAIN: Duration = Duration::from_millis(100);

/// Bytes of the key in the address.
const KEY_BYTES: usize = 16;

/// What is served.
enum Content {
    Finished { path: PathBuf, moments: String },
    Growing(Arc<Growing>),
}

struct Inner {
    http: tiny_http::Server,
    port: u16,
    key: String,
    content: Content,
    page: WebViewer,
    stopped: AtomicBool,
}

/// A server of one recording; it ends when dropped.
#[derive(Debug)]
pub struct Server {
    inner: Arc<Inner>,
    thread: Option<JoinHandle<()>>,
}

impl std::fmt::Debug for Inner {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Inner").field("port", &self.port).finish_non_exhaustive()
    }
}

impl Server {
    /// Serves a recording on a port of 127.0.0.1; 0 takes any that is free. The page offers to go to the strokes' contacts.
    ///
    /// # Errors
    /// When the recording is not there or the port is taken.
    pub fn start(recording: &Path, strokes: &Strokes, port: u16) -> Result<Self, ViewError> {
        let io = |source| ViewError::Io { path: recording.to_owned(), action: "opening the recording", source };
        File::open(recording).map_err(io)?;
        Self::serve(Content::Finished { path: recording.to_owned(), moments: moments(strokes) }, port)
    }

    /// Serves a recording while it is written; a page that is opened late gets it from the beginning.
    ///
    /// # Errors
    /// When the port is taken.
    pub fn follow(live: &Live, port: u16) -> Result<Self, ViewError> {
        Self::serve(Content::Growing(live.growing()), port)
    }

    fn serve(content: Content, port: u16) -> Result<Self, ViewError> {
        let failed = |reason: String| ViewError::Serving { port, reason };
        let page = WebViewer::built_in(port)?;
        let mut key = [0_u8; KEY_BYTES];
        getrandom::fill(&mut key).map_err(|e| failed(e.to_string()))?;
        let key = key.iter().map(|byte| format!("{byte:02x}")).collect();
        let http = tiny_http::Server::http(SocketAddr::from((Ipv4Addr::LOCALHOST, port)))
            .map_err(|e| failed(e.to_string()))?;
        let port = http.server_addr().to_ip().map_or(port, |address| address.port());
        let inner = Arc::new(Inner { http, port, key, content, page, stopped: AtomicBool::new(false) });
        let serving = Arc::clone(&inner);
        let thread = std::thread::spawn(move || {
            while !serving.stopped.load(Ordering::Acquire) {
                let Ok(request) = serving.http.recv() else { continue };
                // A page that follows a growing recording holds its request for as long as that takes.
                let inner = Arc::clone(&serving);
                std::thread::spawn(move || {
                    // Whoever asked has gone: nothing to do.
                    let _ = inner.answer(request);
                });
            }
        });
        Ok(Self { inner, thread: Some(thread) })
    }

    /// Address of the page that shows the recording in a browser of this machine.
    #[must_use]
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/{}/", self.inner.port, self.inner.key)
    }

    /// Address of the recording, for the native viewer.
    #[must_use]
    pub fn recording_address(&self) -> String {
        format!("{}recording.rrd", self.address())
    }

    /// Serves until the program is stopped.
    pub fn wait(mut self) {
        if let Some(thread) = self.thread.take() {
            // A panic of the serving thread has been printed already.
            let _ = thread.join();
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.inner.stopped.store(true, Ordering::Release);
        self.inner.http.unblock();
    }
}

/// Contacts for the page, as JSON: of all strokes together on their own time line, then of each on the session's.
pub(crate) fn moments(strokes: &Strokes) -> String {
    let moment = |label: &str, timeline: &str, seconds: f64| {
        format!("{{\"label\":\"{label}\",\"timeline\":\"{timeline}\",\"seconds\":{seconds}}}")
    };
    let contacts =
        strokes.strokes.iter().filter_map(|s| Some((s.number, s.event(EventKind::Contact)?.session_seconds)));
    let mut moments: Vec<String> = contacts
        .filter(|(_, seconds)| seconds.is_finite())
        .map(|(number, seconds)| moment(&format!("contact of stroke {number}"), SESSION_TIME, seconds))
        .collect();
    if !moments.is_empty() {
        moments.push(moment("contact, strokes over each other", TIME_TO_CONTACT, 0.0));
    }
    format!("[{}]", moments.join(","))
}

fn header(name: &str, value: &str) -> Option<Header> {
    Header::from_bytes(name, value).ok()
}

/// The one value of a header; `None` when there is none or more than one.
fn single_header<'a>(request: &'a Request, name: &'static str) -> Option<&'a str> {
    let mut values = request.headers().iter().filter(|h| h.field.equiv(name)).map(|h| h.value.as_str());
    values.next().filter(|_| values.next().is_none())
}

impl Inner {
    /// Why a request must not pass, if it must not.
    fn refusal(&self, request: &Request) -> Option<(u16, &'static str)> {
        let own = [format!("127.0.0.1:{}", self.port), format!("localhost:{}", self.port)];
        if !single_header(request, "Host").is_some_and(|host| own.iter().any(|own| own == host)) {
            return Some((403, "this page is served to 127.0.0.1 only"));
        }
        let site = request.headers().iter().find(|h| h.field.equiv("Sec-Fetch-Site")).map(|h| h.value.as_str());
        if site.is_some_and(|site| site != "same-origin" && site != "none") {
            return Some((403, "another page must not ask"));
        }
        if request.url().split('/').nth(1) != Some(self.key.as_str()) {
            return Some((403, "open the address that midline printed; its key changes with every start"));
        }
        (*request.method() != Method::Get).then_some((405, "only GET"))
    }

    fn answer(&self, request: Request) -> std::io::Result<()> {
        if let Some((status, reason)) = self.refusal(&request) {
            return request.respond(Response::from_string(reason).with_status_code(status));
        }
        let path = request.url().split('?').next().unwrap_or_default().to_owned();
        // Behind the slash, the key and its slash; without that slash the page's own files would not be found.
        let Some(name) = path.get(self.key.len() + 1..).and_then(|rest| rest.strip_prefix('/')) else {
            return request.respond(Response::empty(404));
        };
        match name {
            "recording.rrd" => self.recording(request),
            "moments.json" => {
                let (moments, complete) = match &self.content {
                    Content::Finished { moments, .. } => (moments.clone(), true),
                    Content::Growing(growing) => (growing.moments(), growing.is_finished()),
                };
                let text = format!("{{\"moments\":{moments},\"complete\":{complete}}}");
                Self::respond(request, "application/json", text.as_bytes())
            }
            _ => match self.page.file(name) {
                Some((kind, bytes)) => Self::respond(request, kind, bytes),
                None => request.respond(Response::empty(404)),
            },
        }
    }

    fn respond(request: Request, kind: &str, bytes: &[u8]) -> std::io::Result<()> {
        let headers = [
            header("Content-Type", kind),
            header("Content-Security-Policy", POLICY),
            header("X-Content-Type-Options", "nosniff"),
            header("Referrer-Policy", "no-referrer"),
            no_store(),
        ];
        let headers = headers.into_iter().flatten().collect();
        let response = Response::new(StatusCode(200), headers, bytes, Some(bytes.len()), None);
        // Sent with its length: a browser that knows it reports how far it has come.
        request.respond(response.with_chunked_threshold(usize::MAX))
    }

    fn recording(&self, request: Request) -> std::io::Result<()> {
        match &self.content {
            Content::Finished { path, .. } => {
                let headers = [header("Content-Type", "application/octet-stream"), no_store()].into_iter().flatten();
                // With its length, as above: the viewer hangs up once it has read the recording's end, and of an answer in chunks the last
                // would be missing still.
                let response = Response::from_file(File::open(path)?).with_chunked_threshold(usize::MAX);
                request.respond(headers.fold(response, Response::with_header))
            }
            Content::Growing(growing) => {
                let file = File::open(growing.path())?;
                // Written by hand: the library's chunks wait until they are full, and what is new must be seen at once.
                let mut to = request.into_writer();
                write!(
                    to,
                    "HTTP/1.1 200 OK\r\nContent-Type: application/octet-stream\r\nCache-Control: no-store\r\n\
                     Transfer-Encoding: chunked\r\nConnection: close\r\n\r\n"
                )?;
                self.follow(file, growing, &mut to)
            }
        }
    }

    fn follow(&self, mut file: File, growing: &Growing, to: &mut impl Write) -> std::io::Result<()> {
        let mut bytes = vec![0; 1 << 16];
        loop {
            // Asked before reading: what was written until then is read below.
            let finished = growing.is_finished();
            let n = file.read(&mut bytes)?;
            if let Some(new) = bytes.get(..n).filter(|new| !new.is_empty()) {
                write!(to, "{n:x}\r\n")?;
                to.write_all(new)?;
                to.write_all(b"\r\n")?;
                to.flush()?;
            } else if finished || self.stopped.load(Ordering::Acquire) {
                to.write_all(b"0\r\n\r\n")?;
                return to.flush();
            } else {
                std::thread::sleep(LOOK_AGAIN);
            }
        }
    }
}

fn no_store() -> Option<Header> {
    header("Cache-Control", "no-store")
}

#[cfg(test)]
mod tests {
    use std::net::TcpStream;

    use super::*;
    use crate::Part;
    use crate::fixture::Fixture;

    fn ask(port: u16, path: &str, host: &str) -> Vec<u8> {
        asked(port, &format!("GET {path} HTTP/1.1"), &[&format!("Host: {host}")])
    }

    /// Asks and reads until the server ends the connection.
    fn asked(port: u16, request: &str, headers: &[&str]) -> Vec<u8> {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
        let headers = headers.iter().fold(String::new(), |text, header| text + header + "\r\n");
        write!(stream, "{request}\r\n{headers}Connection: close\r\n\r\n").unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        answer
    }

    /// A browser counted a recording that the viewer had read to its end as not loaded, now and then: the end of an answer in chunks was missing.
    #[test]
    fn a_large_finished_recording_was_sent_without_its_length() {
        let fixture = Fixture::new(1);
        let path = fixture.path("recording.rrd");
        std::fs::write(&path, vec![7; 1 << 20]).unwrap();
        let server = Server::start(&path, &fixture.strokes, 0).unwrap();
        let port = server.inner.port;
        let answer = ask(port, &format!("/{}/recording.rrd", server.inner.key), &format!("127.0.0.1:{port}"));
        let head = String::from_utf8_lossy(&answer[..300]).into_owned();
        assert!(head.contains("Content-Length: 1048576") && !head.contains("chunked"), "{head}");
    }

    #[test]
    fn only_this_machine_gets_the_recording_and_nothing_else_is_there() {
        let fixture = Fixture::new(1);
        let path = fixture.path("recording.rrd");
        std::fs::write(&path, "the recording").unwrap();
        let server = Server::start(&path, &fixture.strokes, 0).unwrap();
        let (port, key) = (server.inner.port, server.inner.key.clone());
        assert_eq!(server.recording_address(), format!("http://127.0.0.1:{port}/{key}/recording.rrd"));
        let own = format!("127.0.0.1:{port}");
        let status = |request: &str, headers: &[&str]| {
            let answer = String::from_utf8_lossy(&asked(port, request, headers)).into_owned();
            answer.split(' ').nth(1).unwrap_or_default().parse::<u16>().unwrap()
        };
        let host = format!("Host: {own}");
        let get = |path: &str| format!("GET /{key}/{path} HTTP/1.1");
        assert!(ask(port, &format!("/{key}/recording.rrd"), &own).ends_with(b"the recording"));
        for (file, kind) in
            [("", "text/html"), ("page.js", "text/javascript"), ("re_viewer_bg.wasm", "application/wasm")]
        {
            let answer = ask(port, &format!("/{key}/{file}"), &own);
            let head = String::from_utf8_lossy(&answer[..answer.len().min(700)]).into_owned();
            assert!(
                head.starts_with("HTTP/1.1 200") && head.contains(kind) && head.contains("default-src 'none'"),
                "{head}"
            );
            assert!(head.contains("Content-Length"), "{head}");
        }
        let moments = ask(port, &format!("/{key}/moments.json"), &own);
        let from = moments.windows(4).position(|w| w == b"\r\n\r\n").unwrap() + 4;
        let moments: serde_json::Value = serde_json::from_slice(&moments[from..]).unwrap();
        assert_eq!(moments["complete"], true);
        assert_eq!(moments["moments"][0]["seconds"], crate::fixture::CONTACTS[0]);
        assert_eq!(moments["moments"].as_array().unwrap().len(), 3);

        for path in ["../session.toml", "..%2fsession.toml", "/etc/passwd", "page.rs", "index.html"] {
            assert_eq!(status(&get(path), &[&host]), 404, "{path}");
        }
        assert_eq!(status("GET / HTTP/1.1", &[&host]), 403, "no key");
        assert_eq!(status("GET /0123/recording.rrd HTTP/1.1", &[&host]), 403, "another key");
        assert_eq!(status(&format!("GET /{key} HTTP/1.1"), &[&host]), 404, "no slash");
        assert_eq!(status(&get("recording.rrd"), &[]), 403, "no host");
        assert_eq!(status(&get("recording.rrd"), &["Host: elsewhere.example"]), 403);
        assert_eq!(status(&get("recording.rrd"), &[&host, "Host: elsewhere.example"]), 403, "two hosts");
        assert_eq!(status(&get("recording.rrd"), &[&host, "Sec-Fetch-Site: cross-site"]), 403);
        for method in ["POST", "PUT", "DELETE", "OPTIONS", "HEAD"] {
            assert_eq!(status(&format!("{method} /{key}/recording.rrd HTTP/1.1"), &[&host]), 405, "{method}");
        }
        assert!(Server::start(&fixture.path("none.rrd"), &fixture.strokes, 0).is_err());
    }

    #[test]
    fn a_growing_recording_is_followed_to_its_end() {
        let fixture = Fixture::new(1);
        let mut live = Live::start(&fixture.path(""), &fixture.input()).unwrap();
        let server = Server::follow(&live, 0).unwrap();
        let port = server.inner.port;
        let path = format!("/{}/recording.rrd", server.inner.key);
        let reader = std::thread::spawn(move || ask(port, &path, &format!("localhost:{port}")));
        for part in [Part::Cameras, Part::Movement, Part::Strokes] {
            live.add(part, &fixture.input()).unwrap();
        }
        let growing = live.growing();
        assert!(growing.moments().contains("contact of stroke 2") && !growing.is_finished());
        live.finish().unwrap();
        let answer = reader.join().unwrap();
        let body = answer.windows(4).position(|w| w == b"\r\n\r\n").unwrap() + 4;
        let (mut rest, mut whole) = (&answer[body..], Vec::<u8>::new());
        loop {
            let line = rest.windows(2).position(|w| w == b"\r\n").unwrap();
            let length = usize::from_str_radix(std::str::from_utf8(&rest[..line]).unwrap(), 16).unwrap();
            if length == 0 {
                break;
            }
            whole.extend(&rest[line + 2..line + 2 + length]);
            rest = &rest[line + 2 + length + 2..];
        }
        assert_eq!(whole, std::fs::read(growing.path()).unwrap());
        assert!(whole.len() > 10_000);
    }
}
