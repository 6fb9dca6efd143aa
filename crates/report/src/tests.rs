use crate::fixture::Fixture;
use crate::numbers::Shown;
use crate::{Before, MissingStage, ReportError, ReportInput, render};
use midline_analysis::comparison::{Comparison, ComparisonError, SetSettings, StrokeSet, compare};
use midline_session::strokes::{Outcome, Strokes};

/// The fixture against an earlier visit with a racket that went farther across.
fn page_with_before(change: impl FnOnce(&mut Fixture)) -> String {
    let mut earlier = Fixture::new();
    change(&mut earlier);
    let now = Fixture::new();
    let comparison = compared(&earlier.strokes, &now.strokes);
    let before = Before {
        session: &earlier.session,
        strokes: &earlier.strokes,
        pictures: &earlier.pictures,
        comparison: &comparison,
    };
    render(&ReportInput { before: Some(before), ..now.input() }).unwrap()
}

fn compared(before: &Strokes, now: &Strokes) -> Result<Comparison, ComparisonError> {
    let settings = |name: &str| SetSettings {
        name: name.into(),
        frame_rate_hz: 240.0,
        cameras: 2,
        clock_sd_seconds: 0.0004,
        court_is_known: true,
    };
    let [first, second] = [settings("earlier"), settings("now")];
    compare(StrokeSet { settings: &first, strokes: before }, StrokeSet { settings: &second, strokes: now })
}

fn page(change: impl FnOnce(&mut Fixture)) -> String {
    let mut fixture = Fixture::new();
    change(&mut fixture);
    render(&fixture.input()).unwrap()
}

/// What a browser shows: entities resolved, no data URIs.
fn readable(html: &str) -> String {
    let mut text = html.to_owned();
    for (entity, sign) in
        [("&lt;", "<"), ("&gt;", ">"), ("&quot;", "\""), ("&#x27;", "'"), ("&#x2f;", "/"), ("&amp;", "&")]
    {
        text = text.replace(entity, sign);
    }
    text
}

#[test]
fn every_part_is_there() {
    let html = page(|_| ());
    for part in [
        "<html lang=\"en\">",
        "id=\"player\"",
        "What the coach wants to know",
        "One cue, written by the coach",
        "Drill",
        "Retest on",
        "id=\"analyst\"",
        "plot-speed-title",
        "plot-above-title",
        "plot-behind-title",
        "plot-alignment-title",
        "plot-further-0-title",
        "Statements that were tested",
        "Measures over the strokes",
        "Measures stroke by stroke",
        "What could not be measured, and why",
        "Lenses: reprojection error",
        "Rig: where the cameras stand",
        "estimates compared",
        "Frame gaps",
        "Points: coverage",
        "Versions and settings",
        "do not replace it",
        "licensed practitioner",
        "run-off area",
        "consent to be filmed",
    ] {
        assert!(html.contains(part), "{part} is missing");
    }
    let text = readable(&html);
    for remark in ["lower left corner", "agree to 3 mm", "latency allowed for sound", "swapped in 3 frames", "14.2 s"] {
        assert!(text.contains(remark), "{remark} is missing");
    }
    for element in ["svg", "table", "tr", "th", "td", "details", "figure", "section", "li"] {
        let opened = html.matches(&format!("<{element}>")).count() + html.matches(&format!("<{element} ")).count();
        assert_eq!(opened, html.matches(&format!("</{element}>")).count(), "{element}");
    }
    let headings = html.matches("scope=\"row\"").count() + html.matches("scope=\"col\"").count();
    assert_eq!(headings, html.matches("<th ").count());
    // Every drawing that is not mere decoration has a role, a title and a description.
    let drawings = html.matches("role=\"img\"").count();
    assert_eq!(drawings, 8 + 5);
    assert_eq!(html.matches("<title id=").count(), drawings);
    assert_eq!(html.matches("<desc id=").count(), drawings);
}

#[test]
fn the_page_fetches_nothing_and_runs_nothing() {
    let html = page(|_| ()).to_lowercase();
    for forbidden in ["http://", "https://", "<script", "<link", "url(", "@import", " src=", "onload", "javascript:"] {
        assert!(!html.contains(forbidden), "{forbidden}");
    }
    assert!(html.contains("default-src 'none'"));
}

#[test]
fn what_people_write_is_escaped() {
    const EVIL: &str = "<script>alert(1)</script>\" onmouseover='x' &";
    let html = page(|f| {
        f.session.description.player.code = EVIL.into();
        f.session.description.session.question = EVIL.into();
        f.session.description.session.date = EVIL.into();
        f.rig.remarks.push(EVIL.into());
        f.pictures[0].camera = EVIL.into();
        for stroke in &mut f.strokes.strokes {
            stroke.style = EVIL.into();
            stroke.measures[0].definition = EVIL.into();
            stroke.statements[0].text = EVIL.into();
            stroke.curves[0].name = EVIL.into();
            stroke.curves[3].name = EVIL.into();
            stroke.events[0].source = EVIL.into();
        }
        f.strokes.over_strokes[1].name = EVIL.into();
        f.strokes.over_strokes[2].unit = EVIL.into();
        f.provenance[0].settings = serde_json::json!({ "note": EVIL });
    });
    assert!(!html.contains("<script"));
    assert!(!html.contains("\" onmouseover"));
    assert!(html.matches("&lt;script&gt;").count() > 12);
}

#[test]
fn numbers_in_the_page_are_the_inputs() {
    let fixture = Fixture::new();
    let html = render(&fixture.input()).unwrap();
    let all = fixture.strokes.over_strokes.iter().chain(fixture.strokes.strokes.iter().flat_map(|s| &s.measures));
    let mut checked = 0;
    for measure in all {
        let Outcome::Measured { value, interval_95: [low, high] } = measure.outcome else { continue };
        let from = html.find(&format!("<data value=\"{value}\">")).unwrap_or_else(|| panic!("{} {value}", measure.id));
        // Independent of the crate's own formatting: read the page's numbers back, value, low and high in this order.
        let factor = match measure.unit.as_str() {
            "m" => 100.0,
            "s" => 1000.0,
            "rad" | "rad/s" => 57.295_779_513,
            _ => 1.0,
        };
        let text = readable(&strip_tags(&html[from..].chars().take(600).collect::<String>()))
            .replace('\u{2212}', "-")
            .replace("95 %", "");
        let is_number = |c: char| c.is_ascii_digit() || c == '-' || c == '.';
        let numbers = text.split(|c| !is_number(c)).filter_map(|word| word.parse::<f64>().ok());
        let half = (high - low) * factor / 2.0;
        for (seen, expected) in numbers.take(3).zip([value, low, high].map(|v| v * factor)) {
            let tolerance = (half / 6.0).max(0.5_f64.min(half)) + 1e-9;
            assert!((seen - expected).abs() <= tolerance, "{}: {seen} for {expected} in {text}", measure.id);
        }
        checked += 1;
    }
    assert_eq!(checked, 12 + 6 * 12 - 1); // 13 measures, one never measurable, one hidden in one stroke
}

fn strip_tags(html: &str) -> String {
    let mut inside = false;
    html.chars()
        .filter(|c| {
            match c {
                '<' => inside = true,
                '>' => {
                    inside = false;
                    return false;
                }
                _ => {}
            }
            !inside
        })
        .collect()
}

#[test]
fn what_is_not_measurable_is_shown_with_its_reason() {
    let text = readable(&page(|_| ()));
    assert!(text.contains("(strokes 1, 2, 3, 4, 5 and 6): not measurable because the gap between the peaks is 11 ms"));
    assert!(text.contains("(stroke 4): not measurable because the bounce is outside both pictures"));
    assert!(text.contains("Event: bounce</b> (stroke 4)"));
    assert!(text.contains("Point: left ear</b>"));
    // Every reference leads to a reason and every reason has a place.
    let html = page(|_| ());
    for reference in html.split("href=\"#reason-").skip(1) {
        let number = &reference[..reference.find('"').unwrap()];
        assert!(html.contains(&format!("id=\"reason-{number}\"")), "{number}");
    }
    assert!(!text.contains("</b> (): "));
}

#[test]
fn an_empty_session_still_makes_a_page() {
    let html = page(|f| {
        f.strokes = Strokes::default();
        f.pictures.clear();
        f.lenses.clear();
        f.rig.cameras.clear();
        f.rig.covariance.clear();
        f.clock.cameras.clear();
        f.footage.clear();
        f.keypoints.clear();
        f.tracks = Default::default();
        f.provenance.clear();
        f.session.description.session.question.clear();
    });
    for part in [
        "No stroke was found",
        "There are no key pictures.",
        "does not carry a fact",
        "No statement was tested",
        "There are no measures",
        "no lens for this camera",
        "there are no tracks",
        "has written no question",
    ] {
        assert!(html.contains(part), "{part}");
    }
}

#[test]
fn missing_pictures_are_said_and_others_still_shown() {
    let html = page(|f| f.pictures.retain(|p| !(p.camera == "gate" && p.seconds_to_contact < -0.9)));
    assert!(html.contains("No picture of the take-back start from gate."));
    assert_eq!(html.matches("data:image").count(), 7);
}

#[test]
fn a_picture_that_does_not_fit_its_size_is_an_error() {
    let mut fixture = Fixture::new();
    fixture.pictures[3].rgb.truncate(100);
    assert!(matches!(render(&fixture.input()), Err(ReportError::PictureSize { .. })));
}

#[test]
fn the_same_input_gives_the_same_page() {
    assert_eq!(page(|_| ()), page(|_| ()));
}

#[test]
fn before_and_now_share_scales_and_phase_numbers() {
    let html = page_with_before(|earlier| {
        earlier.session.description.session.date = "2026-04-01".into();
        for stroke in &mut earlier.strokes.strokes {
            // Faster, earlier, and without one of the events.
            stroke.events.retain(|e| e.kind != midline_session::strokes::EventKind::DropTop);
            for value in stroke.curves[0].values.iter_mut().flatten() {
                *value *= 1.5;
            }
        }
        let id = earlier.strokes.over_strokes[0].id.clone();
        let everywhere = earlier.strokes.strokes.iter_mut().flat_map(|s| &mut s.measures);
        for measure in everywhere.chain(&mut earlier.strokes.over_strokes).filter(|m| m.id == id) {
            measure.outcome = Outcome::Measured { value: -0.9, interval_95: [-0.92, -0.88] };
        }
        earlier.pictures.retain(|p| p.camera == "fence");
    });
    let text = readable(&html);
    assert!(text.contains("compared with P07, 2026-04-01, 6 strokes"));
    assert!(text.contains("Racket-tip speed, before") && text.contains("Racket-tip speed, now"));
    // The same tick labels along the axes of both plots.
    let drawing = |id: &str| {
        let from = html.find(&format!("id=\"{id}-text\"")).unwrap();
        html[from..from + html[from..].find("</svg>").unwrap()].to_owned()
    };
    let ticks = |drawing: &str| -> Vec<String> {
        let texts =
            drawing.split("<text").skip(1).filter_map(|t| Some(t[t.find('>')? + 1..t.find('<')?].trim().to_owned()));
        texts.filter(|t| t.replace('\u{2212}', "-").parse::<f64>().is_ok_and(|v| v.abs() >= 10.0)).collect()
    };
    let (before, now) = (ticks(&drawing("before-plot-speed")), ticks(&drawing("plot-speed")));
    assert!(!now.is_empty());
    assert_eq!(before, now);
    assert!(text.contains("changed</span>") && text.contains("no detectable change</span>"));
    assert!(html.contains("phases-plot-0-title"));
    assert!(text.contains("least detectable") && text.contains("one is expected to stand out"));
    assert_eq!(html.matches("no picture</p>").count(), 4);
    let ids: Vec<&str> = html.split(" id=\"").skip(1).map(|rest| &rest[..rest.find('"').unwrap()]).collect();
    let mut single = ids.clone();
    single.sort_unstable();
    single.dedup();
    assert_eq!(single.len(), ids.len(), "every identifier once");
}

#[test]
fn sets_that_the_analysis_does_not_compare_are_shown_with_the_reason() {
    let html = page_with_before(|earlier| earlier.strokes.strokes.clear());
    assert!(readable(&html).contains("not compared: \"earlier\" holds no measured stroke"));
}

#[test]
fn suspicions_kinds_and_set_events_are_there() {
    let text = readable(&page(|_| ()));
    for part in [
        "the racket slows in the drop",
        "supported",
        "dips by more than a tenth",
        "stroke 1: yes (probability 0.97)",
        "Strokes 1, 2, 3, 4, 5 and 6: forehand",
        "end of take-back set to 10.9650 s",
        "the shirt hid the hand",
        "4 sights of the racket tip",
    ] {
        assert!(text.contains(part), "{part} is missing");
    }
}

#[test]
fn strokes_without_pictures_are_named() {
    assert!(page(|_| ()).contains("Strokes 1, 3, 4, 5 and 6: no pictures in this page"));
    assert!(!page(|f| f.pictures.clear()).contains("no pictures in this page"));
}

#[test]
fn two_players_are_not_taken_for_progress() {
    let html = page_with_before(|earlier| earlier.session.description.player.code = "P31".into());
    assert!(html.contains("These are two players, P31 and P07: differences are not progress."));
}

#[test]
fn what_the_coach_wrote_stands_where_the_marked_places_were() {
    let html = page(|f| {
        let words = &mut f.session.description.report;
        words.cue = "Start when the ball <b>bounces</b>".into();
        words.retest_on = "2026-05-25".into();
        words.retest_measure = "racket-speed-contact".into();
    });
    assert!(html.contains("Start when the ball &lt;b&gt;bounces&lt;&#x2f;b&gt;"));
    assert!(html.contains("The same measure again: racket-tip speed at contact, now"));
    assert_eq!(html.matches("contenteditable=").count(), 1, "only the drill is still open");
    assert_eq!(page(|_| ()).matches("contenteditable=").count(), 3);
    let unknown = page(|f| f.session.description.report.retest_measure = "no-such-measure".into());
    assert!(unknown.contains("no-such-measure (this session does not have it)"));
}

#[test]
fn stages_that_are_missing_are_named_with_the_way_to_make_them() {
    let fixture = Fixture::new();
    let missing = [MissingStage {
        stage: "clock".into(),
        because: "not measurable: no clap was heard in \"gate\"".into(),
        command: "midline clock my-session".into(),
    }];
    let html = render(&ReportInput { missing: &missing, ..fixture.input() }).unwrap();
    assert!(readable(&html).contains("no clap was heard in \"gate\". Then run: <code>midline clock my-session</code>"));
}

#[test]
fn one_stroke_needs_no_mean_and_many_strokes_are_split_into_tables() {
    let one = page(|f| {
        f.strokes.strokes.truncate(1);
        f.strokes.over_strokes.clear();
    });
    let first = Fixture::new().strokes.strokes[0].measures[0].clone();
    let Outcome::Measured { value, interval_95 } = first.outcome else { panic!() };
    let shown = Shown::of(value, interval_95, "m").unwrap();
    assert!(one.contains(&shown.value) && one.contains("from 1 stroke."));
    let many = page(|f| {
        let stroke = f.strokes.strokes[0].clone();
        f.strokes.strokes =
            (1..=30).map(|number| midline_session::strokes::Stroke { number, ..stroke.clone() }).collect();
    });
    assert!(many.contains("strokes 1 to 6") && many.contains("strokes 25 to 30"));
}

#[test]
#[ignore = "writes a page into the temporary folder for a look in a browser"]
fn writes_the_fixture_for_a_look() {
    std::fs::write(std::env::temp_dir().join("midline-report.html"), page(|_| ())).unwrap();
}
