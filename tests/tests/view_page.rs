//! The 3D view in a browser, served by the program itself.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};

use image::RgbImage;
use midline_tests::academy::{academy, copied_session, program};
use midline_tests::browser::{Browser, DESKTOP, Page};

/// WebAssembly is compiled and pictures are drawn without a graphics card, on a slow, shared machine.
const PATIENCE: Duration = Duration::from_secs(240);

/// A running `midline` that serves a page.
struct Serving {
    process: Child,
    address: String,
    /// Kept open: the program may still have something to say.
    _out: BufReader<ChildStdout>,
}

impl Serving {
    fn start(arguments: &[&str]) -> Self {
        let mut process = Command::new(program())
            .args(arguments)
            .arg("--no-browser")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut out = BufReader::new(process.stdout.take().unwrap());
        let mut address = String::new();
        while !address.starts_with("http://127.0.0.1:") {
            address.clear();
            assert!(out.read_line(&mut address).unwrap() > 0, "{arguments:?} ended without an address");
        }
        Self { process, address: address.trim().to_owned(), _out: out }
    }

    /// Asks for a file as the browser does; the answer's head and body as they came.
    fn get(&self, name: &str) -> (String, Vec<u8>) {
        let (host, path) = self.address.trim_start_matches("http://").split_once('/').unwrap();
        let mut stream = TcpStream::connect(host).unwrap();
        write!(stream, "GET /{path}{name} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n").unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        let end = answer.windows(4).position(|w| w == b"\r\n\r\n").unwrap();
        (String::from_utf8_lossy(&answer[..end]).into_owned(), answer.split_off(end + 4))
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn picture(page: &mut Page<'_>) -> RgbImage {
    image::load_from_memory(&page.screenshot(false)).unwrap().to_rgb8()
}

/// Pixels near a colour.
fn count(picture: &RgbImage, colour: [u8; 3]) -> usize {
    picture.pixels().filter(|p| p.0.iter().zip(colour).all(|(a, b)| a.abs_diff(b) < 30)).count()
}

/// Limbs of the racket side and of the other side, as the view draws them (`colours.rs` of the viewer), and its ground.
const LIMBS: [[u8; 3]; 2] = [[255, 176, 48], [64, 140, 214]];
const GROUND: [u8; 3] = [24, 28, 34];

/// Waits until player and ground are drawn.
fn drawn(page: &mut Page<'_>) -> RgbImage {
    let until = Instant::now() + PATIENCE;
    loop {
        let picture = picture(page);
        let seen = LIMBS.map(|colour| count(&picture, colour));
        if seen.iter().all(|n| *n > 60) && count(&picture, GROUND) > 50_000 {
            return picture;
        }
        assert!(Instant::now() < until, "the player is not to be seen: {seen:?} pixels of the limbs");
        std::thread::sleep(Duration::from_secs(2));
    }
}

#[test]
fn the_view_opens_in_the_browser_without_asking_anyone_outside() {
    let session = academy().join("p07-first");
    let serving = Serving::start(&["view", &session.display().to_string(), "--serve"]);
    let mut browser =
        Browser::start_with(&["--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]);
    let mut page = browser.open(&format!("{}?renderer=webgl", serving.address), DESKTOP);
    page.wait_until("document.body.dataset.state !== 'loading'", PATIENCE);
    assert_eq!(page.evaluate("document.body.dataset.state"), "shown", "{}", page.text());
    page.wait_until("document.getElementById('moments').length > 2", PATIENCE);
    let opened = drawn(&mut page);
    keep("view.png", &opened);
    // To a contact and back to another: the picture changes and the player stays.
    let go = |moment: usize| {
        format!(
            "(() => {{ const s = document.getElementById('moments'); s.selectedIndex = {moment}; s.onchange(); }})()"
        )
    };
    page.evaluate(&go(1));
    std::thread::sleep(Duration::from_secs(3));
    let first = drawn(&mut page);
    page.evaluate(&go(2));
    std::thread::sleep(Duration::from_secs(3));
    let second = drawn(&mut page);
    let differing = first.pixels().zip(second.pixels()).filter(|(a, b)| a != b).count();
    assert!(differing > 2000, "the second contact looks like the first: {differing} pixels differ");
    keep("view-contact.png", &second);

    assert_eq!(page.requests_outside(&[&serving.address]), Vec::<String>::new());
    // What the browser itself reports: nothing was blocked, so nothing was tried. The viewer's own words in the console are not ours:
    // it notes the missing graphics card, and that it has no store for reports of its use.
    let complaints: Vec<String> = page.complaints().into_iter().filter(|c| !c.starts_with("console: ")).collect();
    let driver = |c: &String| c.contains("GPU stall due to ReadPixels");
    assert_eq!(complaints.into_iter().filter(|c| !driver(c)).collect::<Vec<_>>(), Vec::<String>::new());
    assert_eq!(page.accessibility_faults(), Vec::<String>::new());
}

/// Keeps a picture for a look beside the other results of the end-to-end tests.
fn keep(name: &str, picture: &RgbImage) {
    picture.save(academy().with_file_name(name)).unwrap();
}

#[test]
fn a_run_is_shown_from_its_start_and_a_comparison_is_served() {
    let (_folder, session) = copied_session("p07-second");
    let session = session.display().to_string();
    let serving = Serving::start(&["run", &session, "--live"]);
    let (head, body) = serving.get("recording.rrd");
    assert!(head.starts_with("HTTP/1.1 200") && body.len() > 500_000, "{head} {}", body.len());
    let (_, moments) = serving.get("moments.json");
    let moments = String::from_utf8(moments).unwrap();
    assert!(moments.contains("contact of stroke 2") && moments.contains("\"complete\":true"), "{moments}");
    drop(serving);
    let before = academy().join("p07-first").display().to_string();
    let serving = Serving::start(&["view", &session, "--before", &before, "--serve"]);
    let (head, body) = serving.get("recording.rrd");
    assert!(head.starts_with("HTTP/1.1 200") && body.len() > 500_000, "{head} {}", body.len());
    assert!(Path::new(&session).join("midline/view-after-p07-first.rrd").is_file());
}
