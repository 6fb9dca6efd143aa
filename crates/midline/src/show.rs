//! What the program prints: results as short tables, or as JSON.

use midline_session::calibration::{ClockSource, LensQuality};
use midline_session::strokes::{EventKind, Measure, Outcome, Verdict, shown_unit};
use serde::Serialize;

use crate::arguments::Offer;
use crate::stages::{Described, Stages};
use crate::{offer, print};

pub(crate) fn print_json(value: &impl Serialize) -> anyhow::Result<()> {
    println!("{}", serde_json::to_string_pretty(value)?);
    Ok(())
}

fn sentences(remarks: &[String]) {
    for remark in remarks {
        println!("  {remark}");
    }
}

pub(crate) fn media(stages: &Stages, json: bool) -> anyhow::Result<()> {
    let described = stages.described_footage()?;
    if json {
        return print_json(&described);
    }
    for (name, Described { footage, particulars }) in described {
        println!(
            "{name}: {} × {} px, {}, {}, turned {}° clockwise",
            footage.size_px[0],
            footage.size_px[1],
            footage.codec,
            particulars.bit_depth.map_or("bit depth not told".to_owned(), |bits| format!("{bits} bit")),
            u32::from(footage.quarter_turns_clockwise) * 90,
        );
        println!(
            "  {} frames from {:.3} s over {:.3} s, really {:.2} per second{}",
            footage.frame_pts_seconds.len(),
            footage.frame_pts_seconds.first().copied().unwrap_or(0.0),
            footage.duration_seconds().unwrap_or(0.0),
            footage.frame_rate_hz().unwrap_or(f64::NAN),
            particulars.capture_rate_hz.map_or(String::new(), |rate| format!(" (the camera says {rate:.2})")),
        );
        if let Some([least, most]) = footage.spacing_range_seconds() {
            println!(
                "  spacing {:.3} to {:.3} ms; {} missing in {}, {} crowded",
                least * 1e3,
                most * 1e3,
                counted(footage.missing_frames(), "frame"),
                counted(footage.gaps.len(), "gap"),
                counted(footage.crowded_frames().len(), "frame"),
            );
        }
        println!(
            "  shutter: {}",
            particulars.shutter_seconds.map_or("not told by the file".to_owned(), |s| format!("1/{:.0} s", s.recip()))
        );
        if particulars.pixel_aspect[0] != particulars.pixel_aspect[1] {
            println!("  pixels are not square: {}:{}", particulars.pixel_aspect[0], particulars.pixel_aspect[1]);
        }
        if particulars.video_tracks > 1 || particulars.sound_tracks > 1 {
            println!("  of {} video and {} sound tracks", particulars.video_tracks, particulars.sound_tracks);
        }
        match footage.sound {
            Some(sound) => println!(
                "  sound: {}, {} Hz, {} channel{}, from {:.3} s over {:.3} s",
                particulars.sound_codec.as_deref().unwrap_or("unknown"),
                sound.sample_rate_hz,
                sound.channels,
                if sound.channels == 1 { "" } else { "s" },
                sound.start_pts_seconds,
                sound.duration_seconds
            ),
            None => println!("  no sound"),
        }
    }
    Ok(())
}

pub(crate) fn lens(stages: &Stages, json: bool) -> anyhow::Result<()> {
    let lenses: Vec<_> = stages.lenses()?.into_iter().map(|l| l.lens).collect();
    if json {
        return print_json(&lenses);
    }
    for lens in lenses {
        println!(
            "{}: {}, reprojection error {}{}",
            lens.camera,
            if lens.views.is_empty() {
                "from a file without views".to_owned()
            } else {
                format!("{} views, corners in {:.0} % of the picture", lens.views.len(), lens.coverage * 100.0)
            },
            if lens.rms_px.is_finite() { format!("{:.3} px rms", lens.rms_px) } else { "not known".to_owned() },
            lens.held_out_rms_px.map_or(String::new(), |e| format!(" ({e:.3} px on views left out)")),
        );
        let values = lens.intrinsics.parameters();
        for ((name, value), sd) in lens.parameter_names.iter().zip(values.iter()).zip(&lens.standard_deviations) {
            println!("  {name:4} {value:12.5} {}", sd.map_or("fixed".to_owned(), |sd| format!("± {sd:.5} (1 sd)")));
        }
        if let Some(quality) = &lens.quality {
            lens_quality(quality);
        }
        sentences(&lens.advice);
    }
    Ok(())
}

/// Where in the picture and for what the lens is known.
fn lens_quality(quality: &LensQuality) {
    println!("  noise of a corner {:.3} px (1 sd of a coordinate)", quality.residual_sd_px);
    if let Some(choice) = &quality.choice {
        println!("  lens model: {}", choice.reason);
        let px = |error: Option<f64>| error.map_or("–".to_owned(), |e| format!("{e:.3}"));
        println!("    {:32} {:>10} {:>8} {:>9} {:>12}", "model", "parameters", "fit px", "left out", "information");
        for candidate in &choice.candidates {
            println!(
                "  {} {:32} {:>10} {:>8} {:>9} {:>12}",
                if candidate.taken { "→" } else { " " },
                candidate.name,
                candidate.parameters,
                px(candidate.rms_px),
                px(candidate.held_out_rms_px),
                candidate.information_loss.map_or("not fitted".to_owned(), |loss| format!("+{loss:.1}")),
            );
        }
    }
    if let Some(bend) = quality.board_bend {
        let mm = |index: usize| format!("{:.2} ± {:.2}", bend.height_m[index] * 1e3, bend.sd_m[index] * 1e3);
        println!("  board bent by {} mm along its rows, {} mm down its columns, {} mm in twist", mm(0), mm(2), mm(1));
    }
    println!(
        "  corners seen in each part of the picture, and the sd in px of where a resting point projects (at infinity / at 10 m):"
    );
    let map = &quality.projection_sd;
    let rows = quality.cells.len().max(1);
    for (index, row) in quality.cells.iter().enumerate() {
        let seen: Vec<String> = row.iter().map(|cell| format!("{:4}", cell.corners)).collect();
        // The rows of the map nearest to the row of cells, three places across.
        let nearest = (index * map.rows_px.len().saturating_sub(1) + rows / 2) / rows;
        let at = |grid: &[Vec<Option<f64>>], column: usize| {
            grid.get(nearest)
                .and_then(|row| row.get(column))
                .copied()
                .flatten()
                .map_or("none".to_owned(), |sd| format!("{sd:.2}"))
        };
        let last = map.columns_px.len().saturating_sub(1);
        let sds = [0, last / 2, last]
            .map(|column| format!("{:>5} /{:>5}", at(&map.at_infinity_px, column), at(&map.at_10_m_px, column)));
        println!("  {}    {}", seen.concat(), sds.join("   "));
    }
    let tilts: Vec<String> = quality
        .tilts
        .iter()
        .filter(|bin| bin.views > 0)
        .map(|bin| format!("{:.0}–{:.0}° {}", bin.from_degrees, bin.to_degrees, bin.views))
        .collect();
    println!("  views by tilt of the board: {}", tilts.join(", "));
    sentences(&quality.remarks);
}

pub(crate) fn rig(stages: &Stages, json: bool) -> anyhow::Result<()> {
    let rig = stages.rig_in_use()?;
    if json {
        return print_json(&rig);
    }
    for (index, camera) in rig.cameras.iter().enumerate() {
        let centre = camera.camera_from_world.inverse_transform_point(&nalgebra::Point3::origin());
        let sd = |axis: usize| {
            let at = 6 * index + axis;
            rig.covariance.get(at).and_then(|row| row.get(at)).map_or(f64::NAN, |v| v.max(0.0).sqrt())
        };
        println!(
            "{}: stands at ({:.3}, {:.3}, {:.3}) m; sd of rotation {:.3} {:.3} {:.3} mrad, of translation {:.1} {:.1} {:.1} mm",
            camera.name,
            centre.x,
            centre.y,
            centre.z,
            sd(0) * 1e3,
            sd(1) * 1e3,
            sd(2) * 1e3,
            sd(3) * 1e3,
            sd(4) * 1e3,
            sd(5) * 1e3,
        );
        let px = |error: Option<f64>| error.map_or("–".to_owned(), |e| format!("{e:.2} px rms"));
        println!(
            "  court: {} points, {}; shared board: {} views, {}",
            camera.court_points,
            px(camera.court_rms_px),
            camera.board_views,
            px(camera.board_rms_px)
        );
    }
    sentences(&rig.remarks);
    Ok(())
}

pub(crate) fn clock(stages: &Stages, json: bool) -> anyhow::Result<()> {
    let clock = stages.clock()?;
    if json {
        return print_json(&clock);
    }
    for camera in &clock.cameras {
        if camera.source == ClockSource::Reference {
            println!("{}: its time stamps are the session clock", camera.camera);
            continue;
        }
        let decided = match camera.source {
            ClockSource::Motion => "motion",
            ClockSource::Flash => "flash alone",
            _ => "sound alone",
        };
        println!(
            "{}: session = {:.5} s + {:.7} · pts; offset ± {:.2} ms (1 sd), rate {:+.1} ± {:.1} ppm; from {decided}",
            camera.camera,
            camera.offset_seconds,
            camera.rate,
            camera.covariance[0][0].max(0.0).sqrt() * 1e3,
            (camera.rate - 1.0) * 1e6,
            camera.covariance[1][1].max(0.0).sqrt() * 1e6,
        );
        for estimate in &camera.estimates {
            println!(
                "  {:?}: {:.5} s ± {:.2} ms (n = {})",
                estimate.method,
                estimate.offset_seconds,
                estimate.sd_seconds * 1e3,
                estimate.n
            );
        }
    }
    sentences(&clock.remarks);
    Ok(())
}

pub(crate) fn lift(stages: &Stages, json: bool) -> anyhow::Result<()> {
    let tracks = stages.tracks()?;
    if json {
        return print_json(&tracks);
    }
    println!("{}: {} instants", stages.tracks_file().display(), tracks.session_seconds.len());
    println!(
        "  {:16} {:>8} {:>8} {:>12} {:>30} {:>14} {:>24}",
        "point",
        "measured",
        "refused",
        "median sd",
        "pixels, poses, lenses, clocks",
        "reprojection",
        "noise at score (power)"
    );
    let quality = stages.lift_quality()?;
    for (column, (name, point)) in tracks.names.iter().zip(&quality.points).enumerate() {
        let found: Vec<_> = (0..tracks.session_seconds.len()).filter_map(|i| tracks.at(i, column)).collect();
        let median = |mut values: Vec<f64>| {
            values.sort_by(f64::total_cmp);
            values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
        };
        let sd = median(found.iter().map(|p| (0..3).map(|i| p.covariance_m2[i][i]).sum::<f64>().sqrt()).collect());
        let error = median(found.iter().map(|p| p.reprojection_px).collect());
        let parts = point.sd_m.map_or_else(
            || "-".to_owned(),
            |sd| [sd.pixels, sd.poses, sd.lenses, sd.clocks].map(|m| format!("{:.1}", m * 1e3)).join(", ") + " mm",
        );
        let curve = point.noise.curve;
        let noise = format!("{:.2} px at {:.2} ({:.1})", curve.sd_px, curve.at_score, curve.exponent);
        println!(
            "  {name:16} {:8} {:8} {:9.1} mm {parts:>30} {error:11.2} px {noise:>24}",
            point.measured,
            point.refused,
            sd * 1e3
        );
    }
    sentences(&quality.remarks);
    Ok(())
}

/// A measure's value and interval in the unit in which people read it.
fn shown(measure: &Measure) -> String {
    let (factor, unit) = shown_unit(&measure.unit);
    match &measure.outcome {
        Outcome::Measured { value, interval_95: [low, high] } => {
            let digits = digits((high - low) * factor / 2.0);
            format!(
                "{:.digits$} {unit} (95 % {:.digits$} to {:.digits$}, n = {})",
                value * factor,
                low * factor,
                high * factor,
                measure.n
            )
        }
        Outcome::NotMeasurable { because } => format!("not measurable because {because}"),
    }
}

/// Decimals that an uncertainty carries.
pub(crate) fn digits(half_width: f64) -> usize {
    if half_width > 5.0 {
        0
    } else if half_width > 0.5 {
        1
    } else {
        2
    }
}

pub(crate) fn strokes(stages: &Stages, json: bool) -> anyhow::Result<()> {
    let strokes = stages.strokes()?;
    if json {
        return print_json(&strokes);
    }
    for stroke in &strokes.strokes {
        println!("stroke {}: {}", stroke.number, stroke.style);
        if let Some(kind) = strokes.answers.kinds.iter().find(|k| k.stroke == stroke.number) {
            println!("  kind: {} ({})", kind.kind.label(), kind.because);
        }
        for event in &stroke.events {
            println!(
                "  {:26} {:9.4} s ± {:.1} ms (1 sd), {}",
                event.kind.label(),
                event.session_seconds,
                event.sd_seconds * 1e3,
                event.source
            );
        }
        for statement in &stroke.statements {
            let verdict = match statement.verdict {
                Verdict::Holds => "holds",
                Verdict::DoesNotHold => "does not hold",
                Verdict::CannotBeTold => "cannot be told",
            };
            let probability = statement.probability.map_or(String::new(), |p| format!(" (probability {p:.2})"));
            println!("  {}: {verdict}{probability}", statement.text);
        }
        for measure in &stroke.measures {
            println!("  {:52} {}", measure.name, shown(measure));
        }
    }
    for set in &strokes.answers.set_events {
        let found = set.found_seconds.map_or("nothing was found".to_owned(), |t| format!("found: {t:.4} s"));
        let reason = if set.reason.is_empty() { String::new() } else { format!("; {}", set.reason) };
        println!(
            "stroke {}: {} set by the analyst to {:.4} s ({found}{reason})",
            set.stroke,
            set.kind.label(),
            set.session_seconds
        );
    }
    for suspicion in &strokes.answers.suspicions {
        println!("suspicion \"{}\": {}", suspicion.text, suspicion.answer.label());
        if !suspicion.tested.is_empty() {
            println!("  tested: {}", suspicion.tested);
        }
        sentences(&suspicion.evidence);
    }
    println!("over the strokes:");
    for measure in &strokes.over_strokes {
        println!("  {:52} {}", measure.name, shown(measure));
    }
    sentences(&strokes.remarks);
    Ok(())
}

pub(crate) fn report(stages: &Stages, before: Option<&Stages>, pdf: bool) -> anyhow::Result<()> {
    let page = stages.report(before)?;
    println!("{}", page.display());
    if pdf {
        println!("{}", print::pdf(&page)?.display());
    }
    Ok(())
}

pub(crate) fn videos(stages: &Stages) -> anyhow::Result<()> {
    for video in stages.overlay_videos()? {
        println!("{}", video.display());
    }
    Ok(())
}

/// Writes the recording; with an offer, serves it until the program is stopped.
pub(crate) fn view(stages: &Stages, before: Option<&Stages>, offer: Option<&Offer>) -> anyhow::Result<()> {
    let recording = stages.recording(before)?;
    println!("{}", recording.display());
    let Some(offer) = offer else {
        println!("Open it in this computer's browser: midline view --serve {}", stages.session.folder.display());
        println!(
            "Or with the native viewer, rerun {} ({}): rerun {}",
            midline_viewer::VIEWER_VERSION,
            midline_viewer::HOW_TO_OPEN,
            recording.display()
        );
        return Ok(());
    };
    let server = midline_viewer::Server::start(&recording, &stages.strokes()?, offer.port)?;
    offer::view(&server, offer);
    server.wait();
    Ok(())
}

/// What a run found, in a few lines.
pub(crate) fn summary(stages: &Stages) -> anyhow::Result<()> {
    let description = &stages.session.description;
    let strokes = stages.strokes()?;
    println!(
        "{} · player {} · {} strokes",
        stages.session.folder.display(),
        description.player.code,
        strokes.strokes.len()
    );
    if !description.session.question.is_empty() {
        println!("  asked: {}", description.session.question);
    }
    for stroke in &strokes.strokes {
        if let Some(contact) = stroke.event(EventKind::Contact) {
            println!("  stroke {}: contact at {:.3} s; {}", stroke.number, contact.session_seconds, stroke.style);
        }
    }
    println!("  report       {}", stages.report(None)?.display());
    println!("  3D recording {}", stages.recording(None)?.display());
    Ok(())
}

/// A number with its noun, which gets an s where there is not just one.
fn counted(n: usize, noun: &str) -> String {
    if n == 1 { format!("1 {noun}") } else { format!("{n} {noun}s") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_are_shown_as_people_read_them() {
        let measure = Measure {
            id: "x".into(),
            name: "x".into(),
            unit: "m".into(),
            definition: String::new(),
            n: 3,
            outcome: Outcome::Measured { value: -0.1234, interval_95: [-0.1334, -0.1134] },
        };
        assert_eq!(shown(&measure), "-12.3 cm (95 % -13.3 to -11.3, n = 3)");
        assert_eq!(serde_json::json!(measure)["outcome"], "measured");
    }
}
