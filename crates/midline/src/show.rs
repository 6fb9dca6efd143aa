//! What the program prints: results as short tables, or as JSON.

use midline_session::calibration::ClockSource;
use midline_session::strokes::{EventKind, Measure, Outcome, Verdict};
use serde::Serialize;

use crate::stages::Stages;

fn print_json(value: &impl Serialize) -> anyhow::Result<()> {
    println!("{}", serde_json::to_string_pretty(value)?);
    Ok(())
}

fn sentences(remarks: &[String]) {
    for remark in remarks {
        println!("  {remark}");
    }
}

pub(crate) fn media(stages: &Stages, json: bool) -> anyhow::Result<()> {
    let footage = stages.named_footage()?;
    if json {
        return print_json(&footage.into_iter().collect::<std::collections::BTreeMap<_, _>>());
    }
    for (name, footage) in footage {
        let spacing = footage.median_spacing_seconds().unwrap_or(f64::NAN);
        println!(
            "{name}: {} × {} px, {} quarter turns, {} frames over {:.3} s, median spacing {:.3} ms ({:.2} per second), {} gaps, {}",
            footage.size_px[0],
            footage.size_px[1],
            footage.quarter_turns_clockwise,
            footage.frame_pts_seconds.len(),
            footage.duration_seconds().unwrap_or(0.0),
            spacing * 1e3,
            1.0 / spacing,
            footage.gaps.len(),
            footage.sound.map_or("no sound".to_owned(), |s| format!("sound at {} Hz", s.sample_rate_hz)),
        );
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
            "{}: {} views, reprojection error {:.3} px rms{}, corners in {:.0} % of the picture",
            lens.camera,
            lens.views.len(),
            lens.rms_px,
            lens.held_out_rms_px.map_or(String::new(), |e| format!(" ({e:.3} px on views left out)")),
            lens.coverage * 100.0,
        );
        let values = lens.intrinsics.parameters();
        for ((name, value), sd) in lens.parameter_names.iter().zip(values.iter()).zip(&lens.standard_deviations) {
            println!("  {name:4} {value:12.5} {}", sd.map_or("fixed".to_owned(), |sd| format!("± {sd:.5} (1 sd)")));
        }
        sentences(&lens.advice);
    }
    Ok(())
}

pub(crate) fn rig(stages: &Stages, json: bool) -> anyhow::Result<()> {
    let rig = stages.rig()?;
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

pub(crate) fn points(stages: &Stages, json: bool) -> anyhow::Result<()> {
    let all = stages.cameras().iter().map(|c| stages.keypoints(c)).collect::<anyhow::Result<Vec<_>>>()?;
    if json {
        return print_json(&all);
    }
    for keypoints in all {
        println!("{}: {} frames with points", keypoints.camera, keypoints.frames.len());
        for (column, name) in keypoints.names.iter().enumerate() {
            let found = keypoints.frames.iter().filter(|f| f.points.get(column).is_some_and(Option::is_some)).count();
            println!("  {name:16} {found:6}");
        }
        sentences(&keypoints.remarks);
    }
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
        let decided = if camera.source == ClockSource::Motion { "motion" } else { "sound alone" };
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
    println!("  {:16} {:>8} {:>12} {:>16}", "point", "measured", "median sd", "reprojection");
    for (column, name) in tracks.names.iter().enumerate() {
        let found: Vec<_> = (0..tracks.session_seconds.len()).filter_map(|i| tracks.at(i, column)).collect();
        let median = |mut values: Vec<f64>| {
            values.sort_by(f64::total_cmp);
            values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
        };
        let sd = median(found.iter().map(|p| (0..3).map(|i| p.covariance_m2[i][i]).sum::<f64>().sqrt()).collect());
        let error = median(found.iter().map(|p| p.reprojection_px).collect());
        println!("  {name:16} {:8} {:9.1} mm {error:13.2} px", found.len(), sd * 1e3);
    }
    sentences(&stages.lift_remarks()?);
    Ok(())
}

/// A measure's value and interval in the unit in which people read it.
fn shown(measure: &Measure) -> String {
    let (factor, unit) = match measure.unit.as_str() {
        "m" => (100.0, "cm"),
        "rad" => (180.0 / std::f64::consts::PI, "°"),
        "s" => (1e3, "ms"),
        "rad/s" => (180.0 / std::f64::consts::PI, "°/s"),
        "1" => (1.0, ""),
        other => (1.0, other),
    };
    match &measure.outcome {
        Outcome::Measured { value, interval_95: [low, high] } => {
            let half = (high - low) * factor / 2.0;
            let digits = if half > 5.0 {
                0
            } else if half > 0.5 {
                1
            } else {
                2
            };
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

pub(crate) fn strokes(stages: &Stages, json: bool) -> anyhow::Result<()> {
    let strokes = stages.strokes()?;
    if json {
        return print_json(&strokes);
    }
    for stroke in &strokes.strokes {
        println!("stroke {}: {}", stroke.number, stroke.style);
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
    println!("over the strokes:");
    for measure in &strokes.over_strokes {
        println!("  {:52} {}", measure.name, shown(measure));
    }
    sentences(&strokes.remarks);
    Ok(())
}

pub(crate) fn report(stages: &Stages) -> anyhow::Result<()> {
    println!("{}", stages.report()?.display());
    Ok(())
}

pub(crate) fn view(stages: &Stages) -> anyhow::Result<()> {
    println!("{}", stages.recording()?.display());
    println!("Open it with the rerun viewer {}: {}", midline_viewer::VIEWER_VERSION, midline_viewer::HOW_TO_OPEN);
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
    println!("  report       {}", stages.report()?.display());
    println!("  3D recording {}", stages.recording()?.display());
    Ok(())
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
