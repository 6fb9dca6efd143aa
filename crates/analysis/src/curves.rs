//! Curves over time to contact, and paths in body axes.

use midline_session::strokes::{BodyPath, Curve};

use crate::measures::alignment;
use crate::series::Series;
use crate::spots::Spot;
use crate::trials::Evaluations;
use crate::view::StrokeView;

/// Curves and paths are given from 1.5 s before to 0.5 s after contact.
const SHOWN_SECONDS: [f64; 2] = [-1.5, 0.5];

/// A number that is followed over the stroke.
pub(crate) struct CurveKind {
    id: &'static str,
    name: &'static str,
    pub(crate) unit: &'static str,
    definition: &'static str,
    pub(crate) series: fn(&StrokeView) -> Series,
}

/// All curves.
pub(crate) fn all() -> Vec<CurveKind> {
    vec![
        CurveKind {
            id: "racket-tip-speed",
            name: "racket-tip speed",
            unit: "m/s",
            definition: "speed of the racket tip; up to contact from samples before it only, afterwards from samples after it only",
            series: |view| view.tip_speed.clone(),
        },
        CurveKind {
            id: "shoulder-alignment",
            name: "alignment of the shoulder line",
            unit: "rad",
            definition: "angle of the shoulder line to the baseline, seen from above; 0 parallel to the baseline, positive with the dominant side turned back",
            series: |view| alignment_series(view, Spot::DominantShoulder, Spot::OtherShoulder),
        },
        CurveKind {
            id: "hip-alignment",
            name: "alignment of the hip line",
            unit: "rad",
            definition: "angle of the hip line to the baseline, seen from above; 0 parallel to the baseline, positive with the dominant side turned back",
            series: |view| alignment_series(view, Spot::DominantHip, Spot::OtherHip),
        },
        CurveKind {
            id: "racket-tip-lateral",
            name: "racket tip to the midline plane",
            unit: "m",
            definition: "signed distance of the racket tip from the midline plane; positive on the hitting side, negative across",
            series: |view| view.body_coordinate(Spot::RacketTip, 0),
        },
        CurveKind {
            id: "racket-tip-frontal",
            name: "racket tip to the frontal plane",
            unit: "m",
            definition: "signed distance of the racket tip from the frontal plane; positive in front of the body, negative behind it",
            series: |view| view.body_coordinate(Spot::RacketTip, 1),
        },
    ]
}

/// The name for people of a curve's identifier, for tables that keep identifiers only; `None` for one that is not made here.
#[must_use]
pub fn curve_name(id: &str) -> Option<&'static str> {
    all().into_iter().find(|kind| kind.id == id).map(|kind| kind.name)
}

fn alignment_series(view: &StrokeView, dominant: Spot, other: Spot) -> Series {
    let angle = |k: usize| {
        let line = view.state(dominant, k)?.position - view.state(other, k)?.position;
        view.setting.z_is_up.then(|| alignment(view.setting.side, &line))
    };
    (0..view.grid.len).map(angle).collect()
}

/// The curves as reported; those without any value are left out.
pub(crate) fn curves(view: &StrokeView, evaluations: &Evaluations) -> Vec<Curve> {
    let shown = shown(view);
    evaluations
        .curves()
        .filter(|(_, series, _)| shown.clone().any(|k| series.get(k).copied().flatten().is_some()))
        .map(|(kind, series, sds)| Curve {
            id: kind.id.to_owned(),
            name: kind.name.to_owned(),
            unit: kind.unit.to_owned(),
            definition: kind.definition.to_owned(),
            seconds_to_contact: shown.clone().map(|k| view.grid.seconds(k as f64)).collect(),
            values: shown.clone().map(|k| series.get(k).copied().flatten()).collect(),
            sds: shown.clone().map(|k| sds.get(k).copied().flatten()).collect(),
        })
        .collect()
}

/// Paths of racket and racket hand in body axes; points that were not seen are left out.
pub(crate) fn paths(view: &StrokeView) -> Vec<BodyPath> {
    let shown = shown(view);
    [Spot::RacketTip, Spot::RacketThroat, Spot::DominantWrist]
        .into_iter()
        .map(|spot| BodyPath {
            name: spot.track_name(view.setting.handedness).to_owned(),
            seconds_to_contact: shown.clone().map(|k| view.grid.seconds(k as f64)).collect(),
            position_m: shown
                .clone()
                .map(|k| {
                    let place = view.state(spot, k)?.position;
                    Some(view.frames.get(k).copied().flatten()?.coordinates(&place).into())
                })
                .collect(),
        })
        .filter(|path| path.position_m.iter().any(Option::is_some))
        .collect()
}

fn shown(view: &StrokeView) -> std::ops::RangeInclusive<usize> {
    view.grid.index(SHOWN_SECONDS[0])..=view.grid.index(SHOWN_SECONDS[1])
}
