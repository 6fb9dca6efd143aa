//! Events as a log, and a page of text about the recording.

use std::fmt::Write as _;

use midline_session::strokes::{EventKind, Verdict};
use rerun::components::MediaType;
use rerun::{TextDocument, TextLog, TextLogLevel};

use crate::recording::{Recording, SESSION_TIME};
use crate::{ViewError, ViewInput, colours};

pub(crate) fn record(recording: &Recording, input: &ViewInput<'_>, remarks: &[String]) -> Result<(), ViewError> {
    events(recording, input)?;
    let about = TextDocument::new(about(input, remarks)).with_media_type(MediaType::markdown());
    recording.fixed("about", &about)
}

fn events(recording: &Recording, input: &ViewInput<'_>) -> Result<(), ViewError> {
    let strokes = input.strokes.strokes.iter().enumerate();
    let mut events: Vec<_> = strokes.flat_map(|(i, s)| s.events.iter().map(move |e| (i, s.number, e))).collect();
    events.retain(|(_, _, event)| event.session_seconds.is_finite());
    events.sort_by(|a, b| a.2.session_seconds.total_cmp(&b.2.session_seconds));
    let times: Vec<f64> = events.iter().map(|(_, _, event)| event.session_seconds).collect();
    let text = |(_, stroke, event): &(usize, usize, &midline_session::strokes::Event)| {
        let sd = event.sd_seconds * 1e3;
        format!("stroke {stroke}: {} (± {sd:.1} ms; {})", event.kind.label(), event.source)
    };
    let columns = TextLog::update_fields()
        .with_many_text(events.iter().map(text))
        .with_many_level(events.iter().map(|_| TextLogLevel::INFO))
        .with_many_color(events.iter().map(|(index, _, _)| colours::stroke(*index)))
        .columns_of_unit_batches();
    recording.rows("events", &[(SESSION_TIME, &times)], columns)
}

/// Backslashes before what Markdown would take for markup.
fn plain(text: &str) -> String {
    text.chars().fold(String::new(), |mut out, c| {
        if c.is_ascii_punctuation() && !matches!(c, '.' | ',' | ':' | ';' | '?' | '\'' | '"' | '/' | '%') {
            out.push('\\');
        }
        out.push(if c.is_control() { ' ' } else { c });
        out
    })
}

/// The page; writing to a String cannot fail.
fn about(input: &ViewInput<'_>, remarks: &[String]) -> String {
    let description = &input.session.description;
    let mut text = format!("# {} {}\n\n", plain(&description.player.code), plain(&description.session.date));
    let question = description.session.question.trim();
    if !question.is_empty() {
        let _ = writeln!(text, "> {}\n", plain(question));
    }
    for stroke in &input.strokes.strokes {
        let contact = stroke.event(EventKind::Contact).map(|e| format!("contact at {:.3} s", e.session_seconds));
        let contact = contact.unwrap_or_else(|| "contact not found".to_owned());
        let _ = writeln!(text, "## Stroke {}\n\n{contact}\n", stroke.number);
        for statement in &stroke.statements {
            let verdict = match statement.verdict {
                Verdict::Holds => "holds",
                Verdict::DoesNotHold => "does not hold",
                Verdict::CannotBeTold => "cannot be told",
            };
            let _ = writeln!(text, "- {}: **{verdict}**", plain(statement.text.trim_end_matches('.')));
        }
        text.push('\n');
    }
    text.push_str("## What is shown\n\n");
    for line in [
        "amber: limbs of the racket side; blue: limbs of the other side; grey: trunk; white: racket",
        "pink line: way of the racket tip over the last 0.6 s; pink plane: midline; blue plane: frontal plane",
        "wire ellipsoids: where a point is with a probability of 95 %",
        "timeline session_time: everything; timeline time_to_contact: the strokes over each other, mid-hip at contact in one place",
        "projections of 3D things into a picture leave out lens distortion; points on the picture are as found",
    ] {
        let _ = writeln!(text, "- {line}");
    }
    if !remarks.is_empty() {
        text.push_str("\n## Left out\n\n");
        for remark in remarks {
            let _ = writeln!(text, "- {}", plain(remark));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn markup_in_what_people_write_stays_text() {
        assert_eq!(plain("[x](http://y) *z*\n# w"), "\\[x\\]\\(http://y\\) \\*z\\* \\# w");
    }
}
