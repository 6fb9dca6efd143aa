//! Instants that the analyst set in `session.toml` or marked on the pictures: they stand in for the found ones, and both are
//! recorded.

use midline_session::description::SetEvent;
use midline_session::strokes::{EventKind, SetEventRecord};

use crate::analyse::EVENTS;
use crate::bounce::{Bounce, BounceFound};
use crate::contact_time::{Contact, fuse};
use crate::input::MarkedEvent;
use crate::phases::SetPhase;
use crate::view::StrokeView;

/// Source of an event that was set.
pub(crate) const SET: &str = "set by the analyst";

/// What was set for one stroke.
pub(crate) struct SetEvents<'a> {
    events: Vec<&'a SetEvent>,
    frame_seconds: f64,
}

/// A marked event belongs to a contact no farther away than this, seconds; a marked contact to one nearer.
const CONTACT_REACH_SECONDS: f64 = 0.2;
const BEFORE_SECONDS: f64 = 2.0;
const AFTER_SECONDS: f64 = 0.8;

/// What was set by number, then what was marked, given the number of the stroke that its time belongs to. The same event marked
/// in several pictures is one: the weighted mean. Marks that belong to no stroke are named in the remarks.
pub(crate) fn with_marked(
    set: &[SetEvent],
    marked: &[MarkedEvent],
    contacts: &[Contact],
    remarks: &mut Vec<String>,
) -> Vec<SetEvent> {
    let mut all = set.to_vec();
    let mut groups: Vec<(usize, EventKind, Vec<&MarkedEvent>)> = Vec::new();
    for mark in marked {
        let Some(stroke) = stroke_of(mark, contacts) else {
            remarks.push(format!(
                "The {} marked on {} (at {:.3} s) is not used: no contact was found near it.",
                mark.kind.label(),
                mark.place,
                mark.session_seconds
            ));
            continue;
        };
        match groups.iter_mut().find(|(number, kind, _)| (*number, *kind) == (stroke, mark.kind)) {
            Some((.., same)) => same.push(mark),
            None => groups.push((stroke, mark.kind, vec![mark])),
        }
    }
    for (stroke, kind, marks) in groups {
        let places: Vec<&str> = marks.iter().map(|m| m.place.as_str()).collect();
        if set.iter().any(|e| e.stroke == stroke && e.kind == kind) {
            remarks.push(format!(
                "Stroke {stroke}: the {} marked on {} is not used, because session.toml sets it.",
                kind.label(),
                places.join(" and ")
            ));
            continue;
        }
        let estimates: Vec<(f64, f64, ())> = marks.iter().map(|m| (m.session_seconds, m.sd_seconds, ())).collect();
        let Some((session_seconds, sd_seconds)) = fuse(&estimates) else { continue };
        let reason = format!("marked on {}", places.join(" and "));
        all.push(SetEvent { stroke, kind, session_seconds, sd_seconds: Some(sd_seconds), reason });
    }
    all
}

/// The number of the stroke that a marked event belongs to: of what comes before contact the next contact's, of the end of the
/// follow-through the last one's, of a contact the nearest one's.
fn stroke_of(mark: &MarkedEvent, contacts: &[Contact]) -> Option<usize> {
    let off = |contact: &Contact| contact.seconds - mark.session_seconds;
    let ahead = |range: [f64; 2]| {
        let fits = |(_, c): &(usize, &Contact)| (range[0]..=range[1]).contains(&off(c));
        let numbered = contacts.iter().enumerate().filter(fits);
        numbered.min_by(|a, b| off(a.1).abs().total_cmp(&off(b.1).abs())).map(|(i, _)| i + 1)
    };
    match mark.kind {
        EventKind::Contact => ahead([-CONTACT_REACH_SECONDS, CONTACT_REACH_SECONDS]),
        EventKind::FollowThroughEnd => ahead([-AFTER_SECONDS, 0.0]),
        _ => ahead([0.0, BEFORE_SECONDS]),
    }
}

/// The contact that a person marked within reach of a swing's fastest moment.
pub(crate) fn marked_contact(marked: &[MarkedEvent], swing_seconds: f64) -> Option<Contact> {
    let near = marked
        .iter()
        .filter(|m| m.kind == EventKind::Contact && (m.session_seconds - swing_seconds).abs() < CONTACT_REACH_SECONDS);
    let estimates: Vec<(f64, f64, ())> = near.map(|m| (m.session_seconds, m.sd_seconds, ())).collect();
    let (seconds, sd_seconds) = fuse(&estimates)?;
    Some(Contact { seconds, sd_seconds, source: SET.to_owned(), ball: None, remarks: Vec::new() })
}

fn sd_seconds(event: &SetEvent, frame_seconds: f64) -> f64 {
    event.sd_seconds.unwrap_or(frame_seconds / 2.0)
}

fn record(event: &SetEvent, found_seconds: Option<f64>) -> SetEventRecord {
    SetEventRecord {
        stroke: event.stroke,
        kind: event.kind,
        session_seconds: event.session_seconds,
        found_seconds,
        reason: event.reason.clone(),
    }
}

/// The contacts with those that were set in place of the found ones. An event far from its stroke is not used: it belongs to
/// another one, or its time is on another clock.
pub(crate) fn set_contacts(
    set_events: &[SetEvent],
    frame_seconds: f64,
    contacts: Vec<Contact>,
    records: &mut Vec<SetEventRecord>,
    remarks: &mut Vec<String>,
) -> Vec<Contact> {
    for event in set_events {
        let Some(contact) = event.stroke.checked_sub(1).and_then(|i| contacts.get(i)) else {
            remarks.push(format!(
                "The {} set for stroke {} is not used: there are {} strokes.",
                event.kind.label(),
                event.stroke,
                contacts.len()
            ));
            continue;
        };
        if !is_near(event, contact.seconds) {
            remarks.push(format!(
                "The {} set for stroke {} at {:.3} s is not used: its contact was found at {:.3} s.",
                event.kind.label(),
                event.stroke,
                event.session_seconds,
                contact.seconds
            ));
        }
    }
    (1..)
        .zip(contacts)
        .map(|(number, contact)| {
            let set = |e: &&SetEvent| e.stroke == number && e.kind == EventKind::Contact && is_near(e, contact.seconds);
            match set_events.iter().find(set) {
                Some(event) => {
                    // A contact that rests on the mark alone was not found.
                    let found = (contact.source != SET).then_some(contact.seconds);
                    records.push(record(event, found));
                    contact.set_to(event.session_seconds, sd_seconds(event, frame_seconds), SET.to_owned())
                }
                None => contact,
            }
        })
        .collect()
}

/// A contact is set within what the search reaches, everything else within the stroke on its side of contact.
fn is_near(event: &SetEvent, contact_seconds: f64) -> bool {
    let off = event.session_seconds - contact_seconds;
    match event.kind {
        EventKind::Contact => off.abs() < CONTACT_REACH_SECONDS,
        EventKind::FollowThroughEnd => (0.0..AFTER_SECONDS).contains(&off),
        _ => (-BEFORE_SECONDS..=0.0).contains(&off),
    }
}

impl<'a> SetEvents<'a> {
    pub(crate) fn of(set_events: &'a [SetEvent], number: usize, frame_seconds: f64) -> Self {
        Self { events: set_events.iter().filter(|e| e.stroke == number).collect(), frame_seconds }
    }

    fn get(&self, kind: EventKind) -> Option<&'a SetEvent> {
        self.events.iter().find(|e| e.kind == kind).copied()
    }

    pub(crate) fn bounce(&self, found: Bounce, contact_seconds: f64, records: &mut Vec<SetEventRecord>) -> Bounce {
        let set = self.get(EventKind::Bounce).filter(|e| is_near(e, contact_seconds));
        let Some(event) = set else { return found };
        records.push(record(event, found.ok().map(|b| b.seconds)));
        Ok(BounceFound {
            seconds: event.session_seconds,
            sd_seconds: sd_seconds(event, self.frame_seconds),
            source: SET.to_owned(),
        })
    }

    pub(crate) fn phases(&self, contact_seconds: f64) -> Vec<SetPhase> {
        EVENTS
            .into_iter()
            .filter_map(|(phase, kind)| {
                let event = self.get(kind).filter(|e| is_near(e, contact_seconds))?;
                Some((phase, event.session_seconds - contact_seconds, sd_seconds(event, self.frame_seconds)))
            })
            .collect()
    }

    pub(crate) fn record_phases(&self, view: &StrokeView, contact_seconds: f64, records: &mut Vec<SetEventRecord>) {
        for (phase, kind) in EVENTS {
            if let Some(event) = self.get(kind).filter(|e| is_near(e, contact_seconds)) {
                let found = view.phases.as_ref().and_then(|phases| phases.found(phase).ok());
                records.push(record(event, found.map(|seconds| contact_seconds + seconds)));
            }
        }
    }
}
