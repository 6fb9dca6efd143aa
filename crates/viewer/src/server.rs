//! One recording, finished or growing, over HTTP on loopback only: the native viewer opens its address.

use std::fs::File;
use std::io::{Read, Write};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use tiny_http::{Header, Request, Response, StatusCode};

use crate::live::{Growing, Live};
use crate::{ViewError, web_viewer};

const POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// How long a reader of a growing recording waits before it looks again.
const LOOK_AGAIN: Duration = Duration::from_millis(100);

/// What is served.
enum Content {
    Finished(PathBuf),
    Growing(Arc<Growing>),
}

struct Inner {
    http: tiny_http::Server,
    port: u16,
    content: Content,
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
    /// Serves a recording on a port of 127.0.0.1; 0 takes any that is free.
    ///
    /// # Errors
    /// When the recording is not there or the port is taken.
    pub fn start(recording: &Path, port: u16) -> Result<Self, ViewError> {
        let io = |source| ViewError::Io { path: recording.to_owned(), action: "opening the recording", source };
        File::open(recording).map_err(io)?;
        Self::serve(Content::Finished(recording.to_owned()), port)
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
        let http = tiny_http::Server::http(SocketAddr::from((Ipv4Addr::LOCALHOST, port)))
            .map_err(|e| failed(e.to_string()))?;
        let port = http.server_addr().to_ip().map_or(port, |address| address.port());
        let inner = Arc::new(Inner { http, port, content, stopped: AtomicBool::new(false) });
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

    /// Address of a page that says how to open the recording.
    #[must_use]
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/", self.inner.port)
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

fn header(name: &str, value: &str) -> Option<Header> {
    Header::from_bytes(name, value).ok()
}

impl Inner {
    /// Whether a request names this server itself: a page of elsewhere whose name was bent to loopback does not.
    fn is_own(&self, request: &Request) -> bool {
        let host = request.headers().iter().find(|h| h.field.equiv("Host")).map(|h| h.value.as_str().to_owned());
        host.is_some_and(|host| {
            [format!("127.0.0.1:{}", self.port), format!("localhost:{}", self.port)].contains(&host)
        })
    }

    fn answer(&self, request: Request) -> std::io::Result<()> {
        if !self.is_own(&request) {
            return request.respond(Response::empty(403));
        }
        let path = request.url().split('?').next().unwrap_or_default().to_owned();
        if path == "/recording.rrd" {
            return self.recording(request);
        }
        let Some((kind, bytes)) = web_viewer::file(&path) else { return request.respond(Response::empty(404)) };
        let headers = [header("Content-Type", kind), header("Content-Security-Policy", POLICY), no_store()];
        let headers = headers.into_iter().flatten().collect();
        request.respond(Response::new(StatusCode(200), headers, bytes, Some(bytes.len()), None))
    }

    fn recording(&self, request: Request) -> std::io::Result<()> {
        match &self.content {
            Content::Finished(path) => {
                let headers = [header("Content-Type", "application/octet-stream"), no_store()].into_iter().flatten();
                request.respond(headers.fold(Response::from_file(File::open(path)?), Response::with_header))
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

    /// Asks and reads until the server ends the connection.
    fn ask(port: u16, path: &str, host: &str) -> Vec<u8> {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
        write!(stream, "GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n").unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        answer
    }

    #[test]
    fn only_this_machine_gets_the_recording_and_nothing_else_is_there() {
        let fixture = Fixture::new(1);
        let path = fixture.path("recording.rrd");
        std::fs::write(&path, "the recording").unwrap();
        let server = Server::start(&path, 0).unwrap();
        let port = server.inner.port;
        assert_eq!(server.recording_address(), format!("http://127.0.0.1:{port}/recording.rrd"));
        let own = format!("127.0.0.1:{port}");
        assert!(ask(port, "/recording.rrd", &own).ends_with(b"the recording"));
        assert!(ask(port, "/", &own).starts_with(b"HTTP/1.1 200"));
        assert!(ask(port, "/../session.toml", &own).starts_with(b"HTTP/1.1 404"));
        assert!(ask(port, "/recording.rrd", "elsewhere.example").starts_with(b"HTTP/1.1 403"));
        assert!(Server::start(&fixture.path("none.rrd"), 0).is_err());
    }

    #[test]
    fn a_growing_recording_is_followed_to_its_end() {
        let fixture = Fixture::new(1);
        let mut live = Live::start(&fixture.path(""), &fixture.input()).unwrap();
        let server = Server::follow(&live, 0).unwrap();
        let port = server.inner.port;
        let reader = std::thread::spawn(move || ask(port, "/recording.rrd", &format!("localhost:{port}")));
        for part in [Part::Cameras, Part::Movement, Part::Strokes] {
            live.add(part, &fixture.input()).unwrap();
        }
        let growing = live.growing();
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
