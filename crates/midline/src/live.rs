//! `midline run --live`: the run, with its results offered to a viewer on this machine as soon as they are there.

use midline_session::calibration::Vertical;
use midline_session::strokes::Strokes;
use midline_session::tracks::Tracks;
use midline_viewer::{Live, Part, Server, ViewInput};

use crate::show;
use crate::stages::Stages;

/// Runs everything, then serves until the program is stopped.
pub(crate) fn run(stages: &Stages, port: u16) -> anyhow::Result<()> {
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
    let server = Server::follow(&live, port)?;
    println!("On this machine only, from now on: rerun {}", server.recording_address());
    println!("The viewer is rerun {}: {}", midline_viewer::VIEWER_VERSION, midline_viewer::HOW_TO_OPEN);
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
    println!("Still offered until stopped with Ctrl-C: rerun {}", server.recording_address());
    server.wait();
    Ok(())
}
