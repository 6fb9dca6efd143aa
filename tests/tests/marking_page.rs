//! The marking page in headless Chromium, by clicks and keys, on the demo; and at its gate.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use midline_session::marks::{FILE_NAME, Marks};
use midline_session::strokes::EventKind;
use midline_tests::academy::{copied_session, program};
use midline_tests::browser::{Browser, Held, Page, Window};

const DESK: Window = Window { width: 1600, height: 900, phone: false };
/// Decoding, flow and fits on a slow, shared machine.
const PATIENCE: Duration = Duration::from_secs(240);

/// A running `midline mark`.
struct Marking {
    process: Child,
    address: String,
}

impl Marking {
    fn start(session: &Path) -> Self {
        let mut process = Command::new(program())
            .args(["mark", &session.display().to_string(), "--no-browser"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut address = String::new();
        BufReader::new(process.stdout.as_mut().unwrap()).read_line(&mut address).unwrap();
        Self { process, address: address.trim().to_owned() }
    }

    /// As a crash or the end of power would: nothing is said goodbye to.
    fn kill(mut self) {
        self.process.kill().unwrap();
        self.process.wait().unwrap();
    }
}

impl Drop for Marking {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn ready(page: &mut Page<'_>) {
    page.wait_until("document.body.dataset.ready === 'yes'", PATIENCE);
}

fn acts(page: &mut Page<'_>, count: usize) {
    page.wait_until(&format!("document.body.dataset.acts === '{count}'"), PATIENCE);
}

fn proposals(page: &mut Page<'_>) {
    page.wait_until("document.body.dataset.proposals === document.body.dataset.acts", PATIENCE);
}

fn marks(session: &Path) -> Marks {
    Marks::read(session).unwrap()
}

/// The pictures of the frames that are said are on the screen.
fn shown(page: &mut Page<'_>) {
    // Not by their labels: those are written with the next drawing only.
    page.wait_until("!document.querySelector('.view[aria-busy=true]')", PATIENCE);
}

/// Middle of a camera's canvas in the window.
fn middle(page: &mut Page<'_>, camera: usize) -> [f64; 2] {
    let script = format!(
        "(r => [r.left + r.width / 2, r.top + r.height / 2])(document.querySelectorAll('.view canvas')[{camera}].getBoundingClientRect())"
    );
    serde_json::from_value(page.evaluate(&script)).unwrap()
}

#[test]
fn points_court_and_events_are_marked_by_keys_and_clicks_and_survive_every_death() {
    let (_folder, session) = copied_session("p07-first");
    let marking = Marking::start(&session);
    let mut browser = Browser::start();
    let mut page = browser.open(&marking.address, DESK);
    ready(&mut page);

    // By keys alone: the butt is chosen at the start; the cross is moved, and Enter marks. Then the throat's turn has come.
    for _ in 0..3 {
        page.press("d", &[]);
    }
    page.press("s", &[Held::Shift]);
    page.press("Enter", &[]);
    acts(&mut page, 1);
    let first = marks(&session).camera("fence");
    let (frame, named) = first.points.iter().next().unwrap();
    let [x, y] = named["racket_butt"].unwrap();
    // From the middle of 1280 × 720: 639.5 + 3, 359.5 + 10.
    assert!((x - 642.5).abs() < 1e-9 && (y - 369.5).abs() < 1e-9, "{x} {y}");
    assert_eq!(page.evaluate("document.querySelector('.point.chosen').innerText"), "2throat");

    // The mark of one picture draws its curve in the other.
    page.press("1", &[]);
    page.wait_until("Number(document.querySelectorAll('.view')[1].dataset.curve) > 20", PATIENCE);

    // By clicks: the middle of the other camera's picture is its middle pixel.
    page.press("3", &[]);
    let at = middle(&mut page, 1);
    page.click(at);
    acts(&mut page, 2);
    let gate = marks(&session).camera("gate");
    let (_, named) = gate.points.iter().next().unwrap();
    let [x, y] = named["racket_tip"].unwrap();
    assert!((x - 359.5).abs() < 2.0 && (y - 639.5).abs() < 2.0, "{x} {y}");

    // A killed browser and program: everything confirmed is there when both come again.
    drop(page);
    drop(browser);
    marking.kill();
    let file = session.join(FILE_NAME);
    let before = marks(&session);
    // What a program killed in the middle of writing leaves behind.
    std::fs::OpenOptions::new().append(true).open(&file).unwrap().write_all(b"{\"act\":\"poi").unwrap();
    let marking = Marking::start(&session);
    let mut browser = Browser::start();
    let mut page = browser.open(&marking.address, DESK);
    ready(&mut page);
    shown(&mut page);
    acts(&mut page, 2);
    assert_eq!(marks(&session), before);

    // Undo, hidden, unmark.
    page.press("u", &[]);
    acts(&mut page, 3);
    assert!(marks(&session).camera("gate").points.is_empty());
    page.press("z", &[Held::Control]);
    acts(&mut page, 4);
    assert!(marks(&session).camera("fence").points.is_empty());
    page.press("4", &[]);
    page.press("h", &[]);
    acts(&mut page, 5);
    assert_eq!(marks(&session).camera("fence").points[frame]["ball"], None);
    page.press("x", &[]);
    acts(&mut page, 6);
    assert!(marks(&session).camera("fence").points.is_empty());

    // An event: E opens the list, the letter chooses; nine frames on, by single steps.
    for _ in 0..9 {
        page.press("ArrowRight", &[]);
    }
    shown(&mut page);
    page.press("e", &[]);
    page.wait_until("document.getElementById('choice').open", PATIENCE);
    let letter = page.evaluate(
        "[...document.querySelectorAll('#choices li')].find(l => l.innerText.endsWith('contact')).querySelector('kbd').innerText",
    );
    page.press(letter.as_str().unwrap(), &[]);
    acts(&mut page, 7);
    // The letter chose from the list and did nothing else: it once went on to the page, where it hid a point.
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(page.evaluate("document.body.dataset.acts"), "7");
    let events = marks(&session).events;
    assert_eq!((events.len(), events[0].kind, events[0].frame), (1, EventKind::Contact, frame + 9));

    // A court point: C, choose the next point, mark it at the cross.
    page.press("c", &[]);
    page.press("2", &[]);
    page.press("Enter", &[]);
    acts(&mut page, 8);
    assert_eq!(marks(&session).camera("fence").court.len(), 1);
    page.press("x", &[]);
    acts(&mut page, 9);
    assert_eq!(marks(&session).camera("fence").court.values().next().unwrap(), &None);
    page.press("c", &[]);

    // N goes to the frame that is asked for.
    proposals(&mut page);
    page.press("n", &[]);
    page.wait_until("document.getElementById('said').innerText.includes('or H if it is hidden')", PATIENCE);

    assert_eq!(page.complaints(), Vec::<String>::new());
    assert_eq!(page.requests_outside(&[&marking.address]), Vec::<String>::new());
    assert_eq!(page.accessibility_faults(), Vec::<String>::new());
    page.press("?", &[]);
    page.wait_until("document.getElementById('help').open", PATIENCE);
    assert_eq!(page.accessibility_faults(), Vec::<String>::new());
}

/// One request, written by hand so that nothing is put right on the way: status and the whole answer.
#[test]
fn a_mark_while_a_picture_was_on_its_way_once_went_to_a_frame_that_was_not_on_the_screen() {
    let (_folder, session) = copied_session("p07-first");
    let marking = Marking::start(&session);
    let mut browser = Browser::start();
    let mut page = browser.open(&marking.address, DESK);
    ready(&mut page);
    shown(&mut page);
    // From now on pictures come when the test lets them.
    page.evaluate(
        "window.gate = new Promise(open => { window.letPictures = open; }); \
         const fetched = window.fetch; \
         window.fetch = async (what, how) => { if (String(what).startsWith('frame/')) await window.gate; return fetched(what, how); }; true",
    );
    let before = page.evaluate("document.body.dataset.acts");
    page.press("ArrowRight", &[Held::Shift]);
    let at = middle(&mut page, 0);
    for _ in 0..2 {
        page.press("Enter", &[]);
        page.press("h", &[]);
        page.press("e", &[]);
        page.click(at);
    }
    page.wait_until("document.getElementById('said').textContent.includes('not here yet')", PATIENCE);
    assert_eq!(page.evaluate("document.getElementById('choice').open"), false);
    page.evaluate("window.letPictures(true); true");
    shown(&mut page);
    assert_eq!(page.evaluate("document.body.dataset.acts"), before);
    assert!(marks(&session).camera("fence").points.is_empty());
    page.press("Enter", &[]);
    acts(&mut page, 1);
    assert_eq!(marks(&session).camera("fence").points.len(), 1);
}

fn ask(address: &str, request_line: &str, headers: &[&str], body: &[u8]) -> (u16, String) {
    let host = address.trim_start_matches("http://").split('/').next().unwrap();
    let mut stream = TcpStream::connect(host).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let mut request = format!("{request_line} HTTP/1.1\r\nConnection: close\r\nContent-Length: {}\r\n", body.len());
    if !headers.iter().any(|h| h.to_lowercase().starts_with("host:")) {
        request += &format!("Host: {host}\r\n");
    }
    headers.iter().for_each(|h| request += &format!("{h}\r\n"));
    request += "\r\n";
    // The server may answer and close before everything is sent.
    let _ = stream.write_all(request.as_bytes());
    let _ = stream.write_all(body);
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    let text = String::from_utf8_lossy(&answer).into_owned();
    (text.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0), text)
}

#[test]
fn the_gate_of_the_page_holds() {
    let (_folder, session) = copied_session("p07-first");
    let marking = Marking::start(&session);
    let address = marking.address.as_str();
    let key = address.trim_end_matches('/').rsplit('/').next().unwrap().to_owned();
    let origin = address[..address.len() - key.len() - 2].to_owned();
    let own = |path: &str| format!("GET /{key}/{path}");
    assert_eq!(key.len(), 64);

    let (status, answer) = ask(address, &own("session"), &[], b"");
    assert_eq!(status, 200);
    let answer = answer.to_lowercase();
    for header in [
        "content-security-policy: default-src 'none'",
        "nosniff",
        "referrer-policy: no-referrer",
        "cache-control: no-store",
    ] {
        assert!(answer.contains(header), "{header}");
    }
    assert!(!answer.contains("access-control-allow"), "no other page may read answers");

    // The key, the host, the origin.
    for (line, headers) in [
        ("GET /session".to_owned(), vec![]),
        (format!("GET /{}/session", "0".repeat(64)), vec![]),
        (own("session"), vec!["Host: midline.example"]),
        (own("session"), vec!["Origin: http://midline.example"]),
        (own("session"), vec!["Origin: null"]),
        (own("session"), vec!["Sec-Fetch-Site: cross-site"]),
    ] {
        let (status, _) = ask(address, &line, &headers, b"");
        assert_eq!(status, 403, "{line} {headers:?}");
    }

    // No path outside: no request names a file, whatever it tries.
    let secret = session.parent().unwrap().join("secret.txt");
    std::fs::write(&secret, "not for the page").unwrap();
    for path in [
        "../secret.txt",
        "..%2fsecret.txt",
        "%2e%2e/%2e%2e/secret.txt",
        "session.toml",
        "marks.jsonl",
        "/etc/passwd",
        "..%5csecret.txt",
        "frame/..%2f..%2fsecret.txt/0",
        "frame/fence/..%2f..%2fsecret.txt",
        "frame/fence/-1",
        "frame/fence/99999999999999999999",
        "frame/fence/1e3",
        "frame/nobody/0",
        "frame/fence/999999",
        "frame/%00/0",
    ] {
        let (status, answer) = ask(address, &own(path), &[], b"");
        assert!([400, 403, 404].contains(&status), "{path}: {status}");
        assert!(!answer.contains("not for the page") && !answer.contains("root:"), "{path}");
    }

    // Acts: type, size, and what they name.
    let act = format!("POST /{key}/act");
    let json = "Content-Type: application/json";
    let good = br#"{"act":"point","camera":"fence","frame":3,"name":"ball","px":[1,2]}"#;
    assert_eq!(ask(address, &act, &[], good).0, 415, "a form of a foreign page");
    assert_eq!(ask(address, &act, &["Content-Type: text/plain"], good).0, 415);
    assert_eq!(ask(address, &act, &[json, "Origin: http://midline.example"], good).0, 403);
    let large = format!(r#"{{"act":"point","camera":"fence","frame":3,"name":"{}","px":[1,2]}}"#, "x".repeat(64 << 10));
    assert_eq!(ask(address, &act, &[json], large.as_bytes()).0, 413);
    let long = own(&format!("curve?from={}", "x".repeat(4000)));
    assert_eq!(ask(address, &long, &[], b"").0, 414);
    for bad in [
        r#"{"act":"point","camera":"../x","frame":3,"name":"ball","px":[1,2]}"#,
        r#"{"act":"point","camera":"fence","frame":99999,"name":"ball","px":[1,2]}"#,
        r#"{"act":"point","camera":"fence","frame":3,"name":"hat","px":[1,2]}"#,
        r#"{"act":"point","camera":"fence","frame":3,"name":"ball","px":[1,99999]}"#,
        r#"{"act":"court","camera":"fence","name":"nowhere","px":[1,2]}"#,
        r#"{"act":"carry","camera":"fence","name":"ball","points":[]}"#,
        r#"{"act":"point","camera":"fence","frame":3,"name":"ball","px":[1,2],"more":1}"#,
        r#"{"act":"format"}"#,
        "",
        "[1,2",
        "null",
    ] {
        let (status, _) = ask(address, &act, &[json], bad.as_bytes());
        assert!((400..500).contains(&status), "{bad}: {status}");
    }
    let passage = own("proposals?acts=0&from_seconds=0&to_seconds=1e9");
    assert_eq!(ask(address, &passage, &[], b"").0, 422, "a passage without end");
    assert_eq!(marks(&session), Marks::default(), "nothing of all this was taken down");
    assert_eq!(ask(address, &act, &[json, &format!("Origin: {origin}")], good).0, 200);
    assert_eq!(marks(&session).camera("fence").points[&3]["ball"], Some([1.0, 2.0]));

    // Only loopback listens: the machine's other addresses do not answer.
    let port: u16 = origin.rsplit(':').next().unwrap().parse().unwrap();
    if let Some(outside) = outside_address() {
        assert!(TcpStream::connect_timeout(&(outside, port).into(), Duration::from_secs(2)).is_err(), "{outside}");
    }
}

/// An address of this machine that is not loopback, if it has one: nothing is sent to find it.
fn outside_address() -> Option<std::net::IpAddr> {
    let socket = std::net::UdpSocket::bind("0.0.0.0:0").ok()?;
    socket.connect("192.0.2.1:9").ok()?; // TEST-NET-1, RFC 5737
    socket.local_addr().ok().map(|a| a.ip()).filter(|ip| !ip.is_loopback())
}

/// What was marked reaches the stages: points, court points, and nothing is run again that does not depend on them.
#[test]
fn marks_are_read_by_the_stages() {
    let (_folder, session) = copied_session("p07-first");
    let run = |stage: &str| {
        let output = Command::new(program()).args([stage, &session.display().to_string(), "--json"]).output().unwrap();
        assert!(output.status.success(), "{stage}: {}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice::<serde_json::Value>(&output.stdout).unwrap()
    };
    let changed = |name: &str| std::fs::metadata(session.join("midline").join(name)).unwrap().modified().unwrap();
    run("rig");
    let (rig_before, gate_before) = (changed("rig.json"), changed("points-gate.json"));
    let journal = PathBuf::from(FILE_NAME);
    let act = r#"{"act":"point","camera":"fence","frame":300,"name":"racket_tip","px":[500.5,300.25]}"#;
    std::fs::write(session.join(&journal), format!("{{\"schema\":1}}\n{act}\n")).unwrap();
    run("points");
    let keypoints: midline_session::keypoints::Keypoints =
        midline_session::read_computed(&session.join("midline/points-fence.json")).unwrap().result;
    let column = keypoints.column("racket_tip").unwrap();
    let frame = keypoints.frames.iter().find(|f| f.frame_index == 300).unwrap();
    assert_eq!(frame.points[column].unwrap().px, [500.5, 300.25]);
    run("rig");
    assert_eq!((changed("rig.json"), changed("points-gate.json")), (rig_before, gate_before), "neither depends on it");
    // A court point that is declared not to count.
    let court = r#"{"act":"court","camera":"fence","name":"near-service-centre","px":null}"#;
    std::fs::write(session.join(&journal), format!("{{\"schema\":1}}\n{act}\n{court}\n")).unwrap();
    let rig = run("rig");
    assert_eq!(rig["cameras"][0]["court_points"], 7);
    // Marks of a camera that the session no longer has are named, with what there is.
    std::fs::write(session.join(&journal), format!("{{\"schema\":1}}\n{}\n", act.replace("fence", "roof"))).unwrap();
    let output = Command::new(program()).args(["points", &session.display().to_string()]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1));
    assert!(said.contains("marks.jsonl") && said.contains("roof") && said.contains("fence, gate"), "{said}");
}
