//! The arrangement of views that the recording opens with: the first stroke in a slow loop, the eye on the player.
//!
//! rerun's builder of layouts has no words for the eye, the ground and the grid of a 3D view. They are entities of the
//! layout like all else in it, so they are written beside what the builder writes.

use midline_session::calibration::Vertical;
use midline_session::strokes::EventKind;
use rerun::blueprint::components::{BackgroundKind, LoopMode, PanelState, PlayState};
use rerun::blueprint::{
    Blueprint, BlueprintActivation, BlueprintPanel, ContainerLike, Horizontal, SelectionPanel, Spatial2DView,
    Spatial3DView, Tabs, TextDocumentView, TextLogView, TimePanel, TimeSeriesView, Vertical as Rows,
};
use rerun::components::Visible;
use rerun::external::re_log_types::LogMsg;
use rerun::external::re_sdk_types::blueprint::archetypes::{Background, EyeControls3D, LineGrid3D};
use rerun::time::TimeInt;
use rerun::{AsComponents, RecordingStreamBuilder};

use crate::cameras::picture_entity;
use crate::places::{named, single};
use crate::planes::span;
use crate::recording::{APPLICATION, Recording, SESSION_TIME, TIME_TO_CONTACT};
use crate::{ViewError, ViewInput, colours, curves};

/// Part of real speed at which the recording opens.
const SPEED: f64 = 0.25;
/// From the player to the eye in the court frame: right of, behind and above a player who faces the net, metres.
const EYE_M: [f32; 3] = [2.4, -3.6, 1.3];

/// What the builder has no words for: entity in the layout, and its data.
type Extras = Vec<(String, Box<dyn AsComponents>)>;

pub(crate) fn send(recording: &Recording, input: &ViewInput<'_>) -> Result<(), ViewError> {
    let mut extras = Extras::new();
    let blueprint = Blueprint::new(root(input, &mut extras))
        .with_auto_views(false)
        .with_blueprint_panel(BlueprintPanel::from_state(PanelState::Collapsed))
        .with_selection_panel(SelectionPanel::from_state(PanelState::Collapsed))
        .with_time_panel(time_panel(input));
    let failed = |e: &dyn std::fmt::Display| recording.failed("layout", e);
    let builder = RecordingStreamBuilder::new(APPLICATION).enabled(true).memory();
    let (scratch, messages) = builder.map_err(|e| failed(&e))?;
    blueprint.send(&scratch, BlueprintActivation::default()).map_err(|e| failed(&e))?;
    let mut messages = messages.take();
    let activation = messages.iter().find_map(|message| match message {
        LogMsg::BlueprintActivationCommand(command) => Some(command.clone()),
        _ => None,
    });
    let activation = activation.ok_or_else(|| failed(&"the layout has no activation"))?;
    let builder = RecordingStreamBuilder::from_store_id(&activation.blueprint_id).enabled(true).memory();
    let (scratch, more) = builder.map_err(|e| failed(&e))?;
    scratch.set_time_sequence("blueprint", 0);
    for (entity, data) in extras {
        scratch.log(entity, data.as_ref()).map_err(|e| failed(&e))?;
    }
    messages
        .retain(|m| m.store_id() == &activation.blueprint_id && !matches!(m, LogMsg::BlueprintActivationCommand(_)));
    messages.extend(more.take().into_iter().filter(|m| matches!(m, LogMsg::ArrowMsg(..))));
    recording.stream().send_blueprint(messages, activation);
    Ok(())
}

/// Space and pictures above, curves and text below.
fn root(input: &ViewInput<'_>, extras: &mut Extras) -> ContainerLike {
    let court: ContainerLike = Spatial3DView::new("Court and player").with_origin("world").into();
    let overlay: ContainerLike = Spatial3DView::new(if input.before.is_some() {
        "Before (grey) and now"
    } else {
        "Strokes over each other (time_to_contact)"
    })
    .with_origin("strokes")
    .into();
    let player = player_place(input);
    look_at(extras, &court, player);
    // The overlay stands in body axes about the origin.
    look_at(extras, &overlay, Some([0.0; 3]));
    let pictures = input.cameras.iter().map(|camera| -> ContainerLike {
        Spatial2DView::new(camera.name.clone()).with_origin(picture_entity(&camera.name)).into()
    });
    let shapes: Vec<f32> = input
        .cameras
        .iter()
        .map(|camera| {
            let [width, height] = camera.camera.intrinsics.size_px.map(|v| v.max(1) as f32);
            width / height
        })
        .collect();
    let wide = shapes.iter().sum::<f32>().clamp(0.5, 2.5);
    let pictures = Horizontal::new(pictures).with_column_shares(shapes);
    // A comparison opens with the strokes over each other.
    let space = Tabs::new(if input.before.is_some() { [overlay, court] } else { [court, overlay] });
    let above = Horizontal::new([space.into(), pictures.into()]).with_column_shares([1.5, wide]);
    let log: ContainerLike = TextLogView::new("Events").with_origin("events").into();
    let about: ContainerLike = TextDocumentView::new("About").with_origin("about").into();
    let below = Horizontal::new([curve_tabs(input), Tabs::new([about, log]).into()]).with_column_shares([2.0, 1.0]);
    Rows::new([above.into(), below.into()]).with_row_shares([2.2, 1.0]).into()
}

/// One plot per identifier of a curve, the racket-tip speed first if there is one.
fn curve_tabs(input: &ViewInput<'_>) -> ContainerLike {
    let mut found: Vec<(&str, &str)> = Vec::new();
    for curve in input.strokes.strokes.iter().flat_map(|s| &s.curves) {
        if found.iter().all(|(id, _)| *id != curve.id) {
            found.push((&curve.id, &curve.name));
        }
    }
    found.sort_by_key(|(id, _)| *id != "racket-tip-speed"); // stable
    let plots = found
        .into_iter()
        .map(|(id, name)| -> ContainerLike { TimeSeriesView::new(name).with_origin(curves::entity(id)).into() });
    Tabs::new(plots).into()
}

/// The session clock, with the first stroke in a slow loop; the time to contact for a comparison.
fn time_panel(input: &ViewInput<'_>) -> TimePanel {
    let panel = TimePanel::new().with_state(PanelState::Collapsed).with_playback_speed(SPEED);
    if input.before.is_some() {
        return panel.with_timeline(TIME_TO_CONTACT).with_loop_mode(LoopMode::All).with_play_state(PlayState::Playing);
    }
    let panel = panel.with_timeline(SESSION_TIME);
    let Some([from, to]) = input.strokes.strokes.iter().find_map(span) else { return panel };
    panel
        .with_time_selection(TimeInt::from_secs(from)..=TimeInt::from_secs(to))
        .with_loop_mode(LoopMode::Selection)
        .with_play_state(PlayState::Playing)
}

/// Middle of the hips at the first contact, metres; `None` when it is not known or up is not.
fn player_place(input: &ViewInput<'_>) -> Option<[f32; 3]> {
    if input.vertical == Vertical::Unknown {
        return None;
    }
    let tracks = input.tracks;
    let contact = input.strokes.strokes.iter().find_map(|s| s.event(EventKind::Contact))?.session_seconds;
    let from = tracks.session_seconds.partition_point(|t| *t < contact);
    let hips = |i| Some((named(tracks, i, "left_hip")? + named(tracks, i, "right_hip")?) / 2.0);
    (from..tracks.session_seconds.len()).find_map(hips).map(single)
}

/// A plain ground without a grid, and the eye on the player.
fn look_at(extras: &mut Extras, view: &ContainerLike, target: Option<[f32; 3]>) {
    let ContainerLike::View(view) = view else { return };
    let mut add =
        |name: &str, data: Box<dyn AsComponents>| extras.push((format!("{}/{name}", view.blueprint_path()), data));
    add("Background", Box::new(Background::new(BackgroundKind::SolidColor).with_color(colours::GROUND)));
    add("LineGrid3D", Box::new(LineGrid3D::new().with_visible(Visible::from(false))));
    if let Some(target) = target {
        let eye = [0, 1, 2].map(|i| target[i] + EYE_M[i]);
        let controls = EyeControls3D::new().with_position(eye).with_look_target(target).with_eye_up([0.0, 0.0, 1.0]);
        add("EyeControls3D", Box::new(controls));
    }
}
