//! Instants that the analyst set in `session.toml`: they stand in for the found ones, and both are recorded.

use midline_session::description::SetEvent;
use midline_session::strokes::{EventKind, SetEventRecord};

use crate::analyse::EVENTS;
use crate::bounce::{Bounce, BounceFound};
use crate::contact_time::Contact;
use crate::input::StrokeInput;
use crate::phases::SetPhase;
use crate::view::StrokeView;

/// Source of an event that was set.
pub(crate) const SET: &str = "set by the analyst";

/// What was set for one stroke.
pub(crate) struct SetEvents<'a> {
    events: Vec<&'a SetEvent>,
    frame_seconds: f64,
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
    input: &StrokeInput,
    frame_seconds: f64,
    contacts: Vec<Contact>,
    records: &mut Vec<SetEventRecord>,
    remarks: &mut Vec<String>,
) -> Vec<Contact> {
    for event in input.set_events {
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
            match input.set_events.iter().find(set) {
                Some(event) => {
                    records.push(record(event, Some(contact.seconds)));
                    contact.set_to(event.session_seconds, sd_seconds(event, frame_seconds), SET.to_owned())
                }
                None => contact,
            }
        })
        .collect()
}

/// A contact is set within what the search reaches, everything else within the stroke.
fn is_near(event: &SetEvent, contact_seconds: f64) -> bool {
    let off = event.session_seconds - contact_seconds;
    if event.kind == EventKind::Contact { off.abs() < 0.2 } else { (-2.0..0.8).contains(&off) }
}

impl<'a> SetEvents<'a> {
    pub(crate) fn of(input: &StrokeInput<'a>, number: usize, frame_seconds: f64) -> Self {
        Self { events: input.set_events.iter().filter(|e| e.stroke == number).collect(), frame_seconds }
    }

    fn get(&self, kind: EventKind) -> Option<&'a SetEvent> {
        self.events.iter().find(|e| e.kind == kind).copied()
    }

    pub(crate) fn bounce(&self, found: Bounce, records: &mut Vec<SetEventRecord>) -> Bounce {
        let Some(event) = self.get(EventKind::Bounce) else { return found };
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
