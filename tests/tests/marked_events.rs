//! An event marked on a picture is that event of the stroke it belongs to, with what had been found kept beside it.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::path::Path;
use std::process::{Command, Output};

use midline_session::calibration::ClockCalibration;
use midline_session::footage::Footage;
use midline_session::marks::FILE_NAME;
use midline_session::read_computed;
use midline_session::strokes::{EventKind, Strokes};
use midline_tests::academy::{copied_session, program};

fn strokes(session: &Path) -> Output {
    Command::new(program()).args(["strokes", &session.display().to_string()]).output().unwrap()
}

#[test]
fn an_event_marked_on_a_frame_is_read_by_the_strokes_stage() {
    let (_folder, session) = copied_session("p07-first");
    let computed = |name: &str| session.join("midline").join(name);
    let before: Strokes = read_computed(&computed("strokes.json")).unwrap().result;
    let found = before.strokes[0].event(EventKind::TakeBackStart).unwrap().session_seconds;
    let clock: ClockCalibration = read_computed(&computed("clock.json")).unwrap().result;
    let footage: Footage = read_computed(&computed("media-gate.json")).unwrap().result;
    let gate = clock.camera("gate").unwrap();
    let frame = footage.nearest_frame(gate.pts_seconds(found - 0.06)).unwrap();
    let marked_seconds = gate.session_seconds(footage.frame_pts_seconds[frame]);
    let spacing = footage.median_spacing_seconds().unwrap();
    let rig = std::fs::metadata(computed("rig.json")).unwrap().modified().unwrap();
    let mark = |frame: usize| {
        let act = format!(r#"{{"act":"event","kind":"take-back-start","camera":"gate","frame":{frame}}}"#);
        std::fs::write(session.join(FILE_NAME), format!("{{\"schema\":1}}\n{act}\n")).unwrap();
    };

    mark(frame);
    let output = strokes(&session);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let after: Strokes = read_computed(&computed("strokes.json")).unwrap().result;
    let event = after.strokes[0].event(EventKind::TakeBackStart).unwrap();
    // The middle of a frame is exposed within its read-out, which is shorter than its spacing.
    let late = event.session_seconds - marked_seconds;
    assert!((-1e-6..spacing).contains(&late), "{late}");
    assert_eq!(event.source, "set by the analyst");
    let record = after.answers.set_events.iter().find(|r| r.kind == EventKind::TakeBackStart).unwrap();
    assert_eq!(record.stroke, 1);
    assert!((record.found_seconds.unwrap() - found).abs() < 1e-6);
    assert!(record.reason.contains(&format!("frame {frame} of camera \"gate\"")), "{}", record.reason);
    assert_eq!(
        std::fs::metadata(computed("rig.json")).unwrap().modified().unwrap(),
        rig,
        "it does not depend on events"
    );

    mark(999_999);
    let output = strokes(&session);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("marks.jsonl") && said.contains("999999") && said.contains("gate"), "{said}");
}
