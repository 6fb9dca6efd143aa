//! What is made for people: the report of 50 strokes after its pictures are decoded, against compressing those pictures to JPEG;
//! the 3D recording of a 4 s stroke, against copying its footage. Both peers are the part of the work that nobody can leave out.
//!
//! The aims are stated in seconds on two cores; the ratios tell how it stands on any machine.

use std::error::Error;
use std::path::Path;

use image::ExtendedColorType;
use image::codecs::jpeg::JpegEncoder;
use midline_benches::timing::{Comparison, compare};
use midline_geometry::{ReadOut, ScanDirection};
use midline_media::PictureFormat;
use midline_report::{KeyPicture, ReportInput};
use midline_session::calibration::{CalibratedCamera, ClockCalibration, LensCalibration, RigCalibration};
use midline_session::description::Session;
use midline_session::footage::Footage;
use midline_session::keypoints::Keypoints;
use midline_session::read_computed;
use midline_session::strokes::{EventKind, Measure, Stroke, Strokes};
use midline_session::tracks::Tracks;
use midline_tests::academy::academy;
use midline_viewer::ViewInput;

type Outcome<T> = Result<T, Box<dyn Error>>;

const STROKES: usize = 50;
/// Strokes of which the program puts pictures into a report.
const PICTURED: usize = 9;
const EVENTS: [EventKind; 4] =
    [EventKind::TakeBackStart, EventKind::FarthestAcross, EventKind::DropBottom, EventKind::Contact];
const REPORT_AIM_SECONDS: f64 = 5.0;
const STROKE_SECONDS: f64 = 4.0;
const RECORDING_AIM_SECONDS: f64 = 1.0;

/// A session of the demo academy with everything computed.
struct Made {
    session: Session,
    lenses: Vec<LensCalibration>,
    rig: RigCalibration,
    clock: ClockCalibration,
    footage: Vec<(String, Footage)>,
    keypoints: Vec<Keypoints>,
    tracks: Tracks,
    strokes: Strokes,
}

impl Made {
    fn read(folder: &Path) -> Outcome<Self> {
        let session = Session::open(folder)?;
        let names: Vec<String> = session.description.cameras.iter().map(|c| c.name.clone()).collect();
        let file = |name: &str| session.computed(name);
        let (mut lenses, mut footage, mut keypoints) = (Vec::new(), Vec::new(), Vec::new());
        for name in &names {
            lenses.push(read_computed::<LensCalibration>(&file(&format!("lens-{name}.json")))?.result);
            footage.push((name.clone(), read_computed::<Footage>(&file(&format!("media-{name}.json")))?.result));
            keypoints.push(read_computed::<Keypoints>(&file(&format!("points-{name}.json")))?.result);
        }
        Ok(Self {
            rig: read_computed(&file("rig.json"))?.result,
            clock: read_computed(&file("clock.json"))?.result,
            tracks: Tracks::read_parquet(&file("tracks.parquet"))?.0,
            strokes: read_computed(&file("strokes.json"))?.result,
            session,
            lenses,
            footage,
            keypoints,
        })
    }
}

fn main() -> Outcome<()> {
    let made = Made::read(&academy().join("p07-first"))?;
    report(&made)?;
    recording(made)
}

fn report(made: &Made) -> Outcome<()> {
    let strokes = many(&made.strokes);
    let pictures = pictures(made)?;
    let input = ReportInput {
        session: &made.session,
        strokes: &strokes,
        lenses: &made.lenses,
        rig: &made.rig,
        clock: &made.clock,
        footage: &made.footage,
        keypoints: &made.keypoints,
        tracks: &made.tracks,
        lift_remarks: &[],
        pictures: &pictures,
        provenance: &[],
        program: "benchmark",
        before: None,
        missing: &[],
    };
    let ours = || -> Outcome<usize> { Ok(midline_report::render(&input)?.len()) };
    let peer = || -> Outcome<usize> { pictures.iter().map(compressed).sum() };
    let what = format!("report of {STROKES} strokes with {} pictures ({} MB)", pictures.len(), ours()? / 1_000_000);
    print(&what, "compressing the whole pictures to JPEG", REPORT_AIM_SECONDS, &compare(3, ours, peer)?);
    Ok(())
}

/// The session's strokes again and again, as one long session.
fn many(strokes: &Strokes) -> Strokes {
    let repeated = strokes.strokes.iter().cycle().zip(1..=STROKES);
    let strokes_of = repeated.map(|(stroke, number)| Stroke { number, ..stroke.clone() }).collect();
    let over_strokes = strokes.over_strokes.iter().map(|m| Measure { n: STROKES, ..m.clone() }).collect();
    Strokes { strokes: strokes_of, over_strokes, ..strokes.clone() }
}

/// Frames of the footage as key pictures of the first strokes, decoded beforehand, with a figure of the usual number of lines.
fn pictures(made: &Made) -> Outcome<Vec<KeyPicture>> {
    let mut pictures = Vec::new();
    for (camera, footage) in &made.footage {
        let described = made.session.description.cameras.iter().find(|c| c.name == *camera).ok_or("no such camera")?;
        let step = footage.frame_pts_seconds.len() / (PICTURED * EVENTS.len() + 1);
        let frames: Vec<usize> = (1..=PICTURED * EVENTS.len()).map(|i| i * step).collect();
        let file = made.session.path(&described.footage);
        let decoded = midline_media::pictures_at(&file, footage, PictureFormat::Rgb, &frames)?;
        for (i, picture) in decoded.into_iter().enumerate() {
            let [width, height] = picture.size_px.map(f64::from);
            let at = |k: u32| [width * (0.4 + f64::from(k % 7) * 0.02), height * (0.3 + f64::from(k % 11) * 0.03)];
            pictures.push(KeyPicture {
                camera: camera.clone(),
                stroke: 1 + i / EVENTS.len(),
                event: EVENTS[i % EVENTS.len()],
                seconds_to_contact: 0.0,
                size_px: picture.size_px,
                rgb: picture.pixels,
                skeleton_px: (0..16).map(|k| [at(k), at(k + 3)]).collect(),
                racket_path_px: (0..200).map(at).collect(),
            });
        }
    }
    Ok(pictures)
}

fn compressed(picture: &KeyPicture) -> Outcome<usize> {
    let mut jpeg = Vec::new();
    let [width, height] = picture.size_px;
    JpegEncoder::new_with_quality(&mut jpeg, 80).encode(&picture.rgb, width, height, ExtendedColorType::Rgb8)?;
    Ok(jpeg.len())
}

fn recording(mut made: Made) -> Outcome<()> {
    let cameras: Vec<CalibratedCamera> = made
        .lenses
        .iter()
        .map(|lens| {
            let seconds = made.clock.read_out_seconds(&lens.camera).unwrap_or(0.0);
            let read_out = ReadOut { seconds, direction: ScanDirection::Down };
            CalibratedCamera::join(lens, &made.rig, &made.clock, read_out).ok_or("a camera without a place or a clock")
        })
        .collect::<Result<_, _>>()?;
    // The first stroke with all that was seen about it.
    made.strokes.strokes.truncate(1);
    let contact = made.strokes.strokes.first().and_then(|s| s.event(EventKind::Contact)).ok_or("no contact")?;
    let from = contact.session_seconds - 0.6 * STROKE_SECONDS;
    let inside = |seconds: f64| (from..from + STROKE_SECONDS).contains(&seconds);
    let kept: Vec<usize> =
        (0..made.tracks.session_seconds.len()).filter(|i| inside(made.tracks.session_seconds[*i])).collect();
    made.tracks.points = kept.iter().map(|i| made.tracks.points[*i].clone()).collect();
    made.tracks.session_seconds = kept.iter().map(|i| made.tracks.session_seconds[*i]).collect();
    for (camera, keypoints) in cameras.iter().zip(&mut made.keypoints) {
        keypoints.frames.retain(|f| inside(camera.clock.session_seconds(f.pts_seconds)));
    }
    let court = made.session.court();
    let input = ViewInput {
        session: &made.session,
        cameras: &cameras,
        footage: &made.footage,
        tracks: &made.tracks,
        strokes: &made.strokes,
        court: court.as_ref(),
        keypoints: &made.keypoints,
        vertical: made.rig.vertical,
        before: None,
    };
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("recording.rrd");
    let ours = || -> Outcome<usize> { Ok(midline_viewer::save(&path, &input)?.len()) };
    let files: Vec<_> = made.session.description.cameras.iter().map(|c| made.session.path(&c.footage)).collect();
    let peer = || -> Outcome<usize> {
        for file in &files {
            std::fs::copy(file, folder.path().join("copy.mp4"))?;
            std::fs::File::open(folder.path().join("copy.mp4"))?.sync_all()?;
        }
        Ok(0)
    };
    let left_out = ours()?;
    if left_out > 0 {
        return Err("footage was left out of the recording".into());
    }
    let what = format!(
        "3D recording of {STROKE_SECONDS:.0} s, {} cameras, {} instants ({:.1} MB)",
        cameras.len(),
        made.tracks.session_seconds.len(),
        std::fs::metadata(&path)?.len() as f64 / 1e6
    );
    print(&what, "copying the footage", RECORDING_AIM_SECONDS, &compare(5, ours, peer)?);
    Ok(())
}

fn print(what: &str, peer: &str, aim_seconds: f64, found: &Comparison) {
    let seconds = found.ours.as_secs_f64();
    println!(
        "{what}: {seconds:.2} s; {peer} takes {:.2} s, {:.2} of that (turns {:.2} to {:.2}, median of {}); aim at most {aim_seconds} s: {}",
        found.peer.as_secs_f64(),
        found.ratio(),
        found.spread[0],
        found.spread[1],
        found.turns,
        if seconds <= aim_seconds { "reached" } else { "missed" }
    );
}
