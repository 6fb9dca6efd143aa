//! Pages opened in headless Chromium: what they load, what they complain about, how they look, how they print.
//!
//! The browser is driven over its debugging pipe (Chrome DevTools Protocol, JSON messages that end with a zero byte), so no
//! port is opened and no driver has to be installed. Pages may be files or be served on loopback.
//!
//! ```no_run
//! let mut browser = midline_tests::browser::Browser::start();
//! let mut page = browser.open("http://127.0.0.1:4000/", midline_tests::browser::DESKTOP);
//! assert_eq!(page.complaints(), Vec::<String>::new());
//! assert_eq!(page.requests_outside(&["http://127.0.0.1:4000/"]), Vec::<String>::new());
//! assert_eq!(page.accessibility_faults(), Vec::<String>::new());
//! ```

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

use base64::Engine;
use serde_json::{Value, json};

/// Size of a page's window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    /// Width in CSS pixels.
    pub width: u32,
    /// Height in CSS pixels.
    pub height: u32,
    /// Whether it behaves as a phone's screen does: touch, and the page's own viewport.
    pub phone: bool,
}

/// A window on a desk.
pub const DESKTOP: Window = Window { width: 1200, height: 900, phone: false };
/// A narrow phone.
pub const PHONE: Window = Window { width: 390, height: 844, phone: true };

/// A key that is held while another is pressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Held {
    /// Control.
    Control = 2,
    /// Shift.
    Shift = 8,
}

/// How long one answer of the browser may take; the machines of CI are slow and shared.
const PATIENCE: Duration = Duration::from_secs(120);

/// A headless Chromium with a profile of its own.
#[derive(Debug)]
pub struct Browser {
    process: Child,
    to: ChildStdin,
    from: Receiver<Value>,
    last_id: u64,
    /// Events that no one has read yet.
    events: Vec<Value>,
    _profile: tempfile::TempDir,
}

impl Browser {
    /// Starts the browser; `extra` flags go to its command line.
    ///
    /// # Panics
    /// When Chromium is not installed or does not start: a check in a browser must not be skipped silently.
    #[must_use]
    #[expect(clippy::expect_used, reason = "a test without its browser has failed")]
    pub fn start_with(extra: &[&str]) -> Self {
        let profile = tempfile::tempdir().expect("a temporary folder can be made");
        // The pipe is file descriptors 3 and 4; the shell makes them from standard input and output.
        let mut process = Command::new("sh")
            .args(["-c", r#"exec "$@" 3<&0 4>&1 </dev/null >/dev/null 2>/dev/null"#, "browser", "chromium"])
            .args(["--headless=new", "--remote-debugging-pipe", "--no-sandbox", "--no-first-run"])
            .args(["--disable-background-networking", "--disable-component-update", "--disable-sync"])
            .args(["--disable-extensions", "--disable-dev-shm-usage", "--hide-scrollbars=false", "--mute-audio"])
            .args(extra)
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .arg("about:blank")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("a shell starts");
        let to = process.stdin.take().expect("standard input is a pipe");
        let mut out = BufReader::new(process.stdout.take().expect("standard output is a pipe"));
        let (sender, from) = channel();
        std::thread::spawn(move || {
            let mut message = Vec::new();
            while out.read_until(0, &mut message).is_ok_and(|n| n > 0) {
                message.pop();
                if serde_json::from_slice(&message).is_ok_and(|value| sender.send(value).is_err()) {
                    break;
                }
                message.clear();
            }
        });
        let mut browser = Self { process, to, from, last_id: 0, events: Vec::new(), _profile: profile };
        browser.call(None, "Browser.getVersion", &json!({}));
        browser
    }

    /// Starts the browser without a graphics card.
    #[must_use]
    pub fn start() -> Self {
        Self::start_with(&["--disable-gpu"])
    }

    /// Opens an address (`file://…`, `http://127.0.0.1…`) and waits until it and its pictures are loaded.
    pub fn open(&mut self, address: &str, window: Window) -> Page<'_> {
        let target = self.call(None, "Target.createTarget", &json!({ "url": "about:blank" }));
        let attached =
            self.call(None, "Target.attachToTarget", &json!({ "targetId": target["targetId"], "flatten": true }));
        let session = attached["sessionId"].as_str().unwrap_or_default().to_owned();
        let mut page = Page { browser: self, session, events: Vec::new() };
        for domain in ["Page", "Runtime", "Log", "Network"] {
            page.call(&format!("{domain}.enable"), &json!({}));
        }
        page.resize(window);
        page.call("Page.navigate", &json!({ "url": address }));
        page.wait_for("Page.loadEventFired");
        page
    }

    /// Opens a file; see [`Browser::open`].
    ///
    /// # Panics
    /// When there is no such file.
    #[expect(clippy::expect_used, reason = "a test without its page has failed")]
    pub fn open_file(&mut self, path: &Path, window: Window) -> Page<'_> {
        let path = path.canonicalize().expect("the page exists");
        self.open(&format!("file://{}", path.display()), window)
    }

    #[expect(clippy::panic, reason = "a test whose browser does not answer has failed")]
    fn receive(&mut self, until: Instant, waiting_for: &str) -> Value {
        match self.from.recv_timeout(until.saturating_duration_since(Instant::now())) {
            Ok(value) => value,
            Err(RecvTimeoutError::Timeout) => panic!("Chromium did not answer in time: {waiting_for}"),
            Err(RecvTimeoutError::Disconnected) => {
                panic!("Chromium is not installed (Debian: chromium; ./x test installs it) or ended: {waiting_for}")
            }
        }
    }

    #[expect(clippy::panic, clippy::expect_used, reason = "a test whose browser fails has failed")]
    fn call(&mut self, session: Option<&str>, method: &str, parameters: &Value) -> Value {
        self.last_id += 1;
        let mut message = json!({ "id": self.last_id, "method": method, "params": parameters });
        if let Some(session) = session {
            message["sessionId"] = json!(session);
        }
        let mut bytes = message.to_string().into_bytes();
        bytes.push(0);
        self.to
            .write_all(&bytes)
            .expect("Chromium is not installed (Debian: chromium; ./x test installs it) or did not start");
        let until = Instant::now() + PATIENCE;
        loop {
            let mut answer = self.receive(until, method);
            if answer["id"] == json!(self.last_id) {
                assert!(answer.get("error").is_none(), "{method}: {}", answer["error"]);
                return answer["result"].take();
            }
            if answer.get("method").is_some() {
                self.events.push(answer);
            }
        }
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// A page that is open in a browser.
#[derive(Debug)]
pub struct Page<'a> {
    browser: &'a mut Browser,
    session: String,
    /// All that happened in this page, in order.
    events: Vec<Value>,
}

/// An answer to a request of a page.
struct Transfer {
    address: String,
    /// Bytes, as the answer's head says.
    length: Option<u64>,
    /// Bytes.
    received: u64,
}

impl Page<'_> {
    fn call(&mut self, method: &str, parameters: &Value) -> Value {
        let session = self.session.clone();
        self.browser.call(Some(&session), method, parameters)
    }

    fn collect(&mut self) {
        let session = json!(self.session);
        let (own, other) =
            std::mem::take(&mut self.browser.events).into_iter().partition(|e| e["sessionId"] == session);
        self.browser.events = other;
        self.events.extend::<Vec<Value>>(own);
    }

    /// Waits for an event of the protocol, which may have happened already.
    fn wait_for(&mut self, method: &str) {
        let until = Instant::now() + PATIENCE;
        loop {
            self.collect();
            if self.events.iter().any(|e| e["method"] == method) {
                return;
            }
            let event = self.browser.receive(until, method);
            self.browser.events.push(event);
        }
    }

    /// Gives the page another window.
    pub fn resize(&mut self, window: Window) {
        let Window { width, height, phone } = window;
        self.call(
            "Emulation.setDeviceMetricsOverride",
            &json!({ "width": width, "height": height, "deviceScaleFactor": if phone { 2 } else { 1 }, "mobile": phone }),
        );
    }

    /// The value of an expression in the page; a promise is awaited.
    ///
    /// # Panics
    /// When the expression throws.
    pub fn evaluate(&mut self, expression: &str) -> Value {
        let parameters = json!({ "expression": expression, "awaitPromise": true, "returnByValue": true });
        let mut answer = self.call("Runtime.evaluate", &parameters);
        assert!(answer.get("exceptionDetails").is_none(), "{expression}: {}", answer["exceptionDetails"]);
        answer["result"]["value"].take()
    }

    /// Asks the page until the expression is true.
    ///
    /// # Panics
    /// When it is not true within the time.
    #[expect(clippy::panic, reason = "a test that waits in vain has failed")]
    pub fn wait_until(&mut self, expression: &str, time: Duration) {
        let until = Instant::now() + time;
        while self.evaluate(expression) != json!(true) {
            if Instant::now() > until {
                panic!("not true within {time:?}: {expression}; the page says {:?}", self.complaints());
            }
            std::thread::sleep(Duration::from_millis(200));
        }
    }

    /// Errors and warnings in the console, exceptions, and what the browser itself reports.
    pub fn complaints(&mut self) -> Vec<String> {
        self.collect();
        let complaint = |event: &Value| {
            let (method, details) = (event["method"].as_str()?, &event["params"]);
            match method {
                "Runtime.consoleAPICalled" => ["error", "warning", "assert"]
                    .contains(&details["type"].as_str()?)
                    .then(|| format!("console: {}", details["args"])),
                "Runtime.exceptionThrown" => Some(format!("exception: {}", details["exceptionDetails"])),
                "Log.entryAdded" => ["error", "warning"]
                    .contains(&details["entry"]["level"].as_str()?)
                    .then(|| format!("browser: {} {}", details["entry"]["text"], details["entry"]["url"])),
                "Network.loadingFailed" => {
                    let Transfer { address, length, received } = self.transfer(&details["requestId"]);
                    // The 3D view hangs up once it has read the recording's end, now and then before the browser counts it as loaded.
                    let is_whole = details["canceled"] == json!(true) && length == Some(received);
                    (!is_whole).then(|| {
                        format!("loading failed: {address}, {received} of {length:?} bytes, {}", details["errorText"])
                    })
                }
                _ => None,
            }
        };
        self.events.iter().filter_map(complaint).collect()
    }

    /// What became of a request until now.
    fn transfer(&self, request: &Value) -> Transfer {
        let events = |method: &'static str| {
            let of_it = move |e: &&Value| e["method"] == method && e["params"]["requestId"] == *request;
            self.events.iter().filter(of_it).map(|e| &e["params"])
        };
        let headers = events("Network.responseReceived").filter_map(|p| p["response"]["headers"].as_object()).next();
        let length = headers.and_then(|h| h.iter().find(|(name, _)| name.eq_ignore_ascii_case("content-length")));
        Transfer {
            address: events("Network.requestWillBeSent").map(|p| p["request"]["url"].to_string()).collect(),
            length: length.and_then(|(_, bytes)| bytes.as_str()?.parse().ok()),
            received: events("Network.dataReceived").filter_map(|p| p["dataLength"].as_u64()).sum(),
        }
    }

    /// Addresses of everything that the page asked for, itself first, in order; `data:` and `blob:` stay inside the page.
    pub fn requests(&mut self) -> Vec<String> {
        self.collect();
        let sent = self.events.iter().filter(|e| e["method"] == "Network.requestWillBeSent");
        let addresses = sent.filter_map(|e| Some(e["params"]["request"]["url"].as_str()?.to_owned()));
        addresses.filter(|address| !address.starts_with("data:") && !address.starts_with("blob:")).collect()
    }

    /// Requests to anything but the places that start in one of the given ways.
    pub fn requests_outside(&mut self, inside: &[&str]) -> Vec<String> {
        self.requests().into_iter().filter(|address| !inside.iter().any(|start| address.starts_with(start))).collect()
    }

    /// How far the page can be scrolled to the side in this window, CSS pixels; 0 is what a phone wants.
    pub fn scrolls_sideways_by(&mut self) -> f64 {
        let script = "(window.scrollTo(100000, 0), [window.scrollX, \
            document.documentElement.scrollWidth - document.documentElement.clientWidth].reduce((a, b) => Math.max(a, b)))";
        let by = self.evaluate(script).as_f64().unwrap_or(f64::NAN);
        self.evaluate("window.scrollTo(0, 0)");
        by
    }

    /// What axe-core finds against WCAG 2.2 A and AA and its own best practices, one sentence each.
    ///
    /// # Panics
    /// When axe-core cannot be fetched or does not run.
    #[expect(clippy::expect_used, reason = "a test without its checker has failed")]
    pub fn accessibility_faults(&mut self) -> Vec<String> {
        let axe = std::fs::read_to_string(crate::dataset("axe-core").join("axe.min.js")).expect("axe-core is there");
        self.evaluate(&format!("{axe}\n;true"));
        let found = self.evaluate(
            "axe.run().then(r => r.violations.flatMap(v => v.nodes.map(n => `${v.id}: ${v.help}: ${n.html.slice(0, 160)}`)))",
        );
        serde_json::from_value(found).expect("a list of sentences")
    }

    /// Presses and lets go of a key by its name (`a`, `Enter`, `ArrowLeft`, `?`), with Shift, Control held or not.
    pub fn press(&mut self, key: &str, held: &[Held]) {
        let modifiers: u32 = held.iter().map(|h| *h as u32).sum();
        let mut down = json!({ "type": "keyDown", "key": key, "modifiers": modifiers });
        // A key that writes something says what; with Control held it writes nothing.
        if key.chars().count() == 1 && !held.contains(&Held::Control) {
            down["text"] = json!(key);
        }
        self.call("Input.dispatchKeyEvent", &down);
        self.call("Input.dispatchKeyEvent", &json!({ "type": "keyUp", "key": key, "modifiers": modifiers }));
    }

    /// Clicks at a place of the window, CSS pixels.
    pub fn click(&mut self, [x, y]: [f64; 2]) {
        for kind in ["mousePressed", "mouseReleased"] {
            let event = json!({ "type": kind, "x": x, "y": y, "button": "left", "clickCount": 1 });
            self.call("Input.dispatchMouseEvent", &event);
        }
    }

    /// The page as text, as a reader sees it.
    pub fn text(&mut self) -> String {
        self.evaluate("document.body.innerText").as_str().unwrap_or_default().to_owned()
    }

    /// A picture of the window, or of the whole page, as PNG.
    #[must_use]
    pub fn screenshot(&mut self, whole: bool) -> Vec<u8> {
        decoded(&self.call("Page.captureScreenshot", &json!({ "captureBeyondViewport": whole })))
    }

    /// The page printed by its own style sheet, as PDF.
    #[must_use]
    pub fn pdf(&mut self) -> Vec<u8> {
        decoded(&self.call("Page.printToPDF", &json!({ "preferCSSPageSize": true, "printBackground": true })))
    }
}

impl Drop for Page<'_> {
    fn drop(&mut self) {
        // The browser ends after its pages; a page that cannot be closed does no harm.
        let message = json!({ "id": 0, "method": "Page.close", "sessionId": self.session }).to_string();
        let _ = self.browser.to.write_all(format!("{message}\0").as_bytes());
    }
}

#[expect(clippy::expect_used, reason = "a test whose browser fails has failed")]
fn decoded(answer: &Value) -> Vec<u8> {
    let text = answer["data"].as_str().unwrap_or_default();
    base64::engine::general_purpose::STANDARD.decode(text).expect("the browser writes base64")
}

/// Pages of a PDF that Chromium wrote (its page objects are not compressed).
#[must_use]
pub fn pdf_pages(pdf: &[u8]) -> usize {
    let text = String::from_utf8_lossy(pdf);
    text.match_indices("/Type /Page").filter(|(at, found)| !text[at + found.len()..].starts_with('s')).count()
}
