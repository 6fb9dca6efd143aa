//! `midline mark`: the marking page.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use midline_desk::{Calibrated, Desk, DeskInput, KnownEvent, serve};
use midline_session::read_computed;
use midline_session::strokes::Strokes;

use crate::arguments::Offer;
use crate::offer::open_in_browser;
use crate::stages::Stages;

/// Serves the page until it is interrupted.
pub(crate) fn open(session: &Path, offer: &Offer) -> anyhow::Result<()> {
    let stages = Stages::open(session)?;
    let footage = stages.named_footage()?.into_iter().map(|(_, footage)| footage).collect();
    // Marking must be possible before anything can be solved: the court points may be what is missing.
    let calibrated = solved(&stages);
    if let Err(reason) = &calibrated {
        eprintln!("midline: marking goes on without 3D: {reason}");
    }
    // Contacts and bounces of an earlier run divide the strokes; none is needed.
    let known_events =
        read_computed::<Strokes>(&stages.strokes_file()).map_or_else(|_| Vec::new(), |c| events(&c.result));
    let again: PathBuf = session.to_owned();
    let desk = Desk::new(DeskInput {
        session: stages.session,
        footage,
        calibrated,
        known_events,
        recalibrate: Box::new(move || Stages::open(&again).map_err(|e| crate::explain(&e)).and_then(|s| solved(&s))),
    })?;
    let serving = serve(Arc::new(desk), offer.port)?;
    println!("{}", serving.address());
    eprintln!(
        "midline: the page is open to this computer only, with this address; Ctrl-C ends it. Marks are saved at once."
    );
    open_in_browser(serving.address(), offer);
    serving.until_interrupted()?;
    Ok(())
}

fn solved(stages: &Stages) -> Calibrated {
    stages.calibrated().map_err(|error| crate::explain(&error))
}

fn events(strokes: &Strokes) -> Vec<KnownEvent> {
    let of_stroke = |event: &midline_session::strokes::Event| KnownEvent {
        kind: event.kind,
        session_seconds: event.session_seconds,
    };
    strokes.strokes.iter().flat_map(|stroke| &stroke.events).map(of_stroke).collect()
}
