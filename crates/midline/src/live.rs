//! `midline run --live`: the run, with its results shown on this machine as soon as they are there.

use midline_session::calibration::Vertical;
use midline_session::strokes::Strokes;
use midline_session::tracks::Tracks;
use midline_viewer::{Live, Part, Server, ViewInput};

use crate::arguments::Offer;
use crate::stages::Stages;
use crate::{offer, show};

/// Runs everything, then serves until the program is stopped.
pub(crate) fn run(stages: &Stages, offer: &Offer) -> anyhow::Result<()> {
    let session = &stages.session;
    let folder = session.computed("");
    let (none, no_strokes, court) = (Tracks::default(), Strokes::default(), session.court());
    let nothing = ViewInput {
        session,
        cameras: &[],
        footage: &[],
        tracks: &none,
        strokes: &no_strokes,
        court: court.as_ref(),
        keypoints: &[],
        vertical: Vertical::ZUp,
        before: None,
    };
    let mut live = Live::start(&folder, &nothing)?;
    let server = Server::follow(&live, offer.port)?;
    offer::view(&server, offer);
    let keypoints = stages.cameras().iter().map(|c| stages.keypoints(c)).collect::<anyhow::Result<Vec<_>>>()?;
    let (cameras, footage, vertical) = (stages.calibrated()?, stages.named_footage()?, stages.rig_in_use()?.vertical);
    let placed = ViewInput { cameras: &cameras, footage: &footage, keypoints: &keypoints, vertical, ..nothing };
    live.add(Part::Cameras, &placed)?;
    let tracks = stages.tracks()?;
    let moving = ViewInput { tracks: &tracks, ..placed };
    live.add(Part::Movement, &moving)?;
    let strokes = stages.strokes()?;
    live.add(Part::Strokes, &ViewInput { strokes: &strokes, ..moving })?;
    live.finish()?;
    stages.everything()?;
    show::summary(stages)?;
    println!("Still shown until stopped with Ctrl-C: {}", server.address());
    server.wait();
    Ok(())
}
