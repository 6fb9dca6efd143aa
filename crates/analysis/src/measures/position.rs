//! Racket and hand relative to the body.

use nalgebra::Vector3;

use super::{MeasureKind, Need};
use crate::phases::Phase;
use crate::series::{Series, greatest, negated, steps_below_zero};
use crate::spots::Spot;
use crate::view::{Because, StrokeView};

const PARTS: [(&str, Spot); 3] =
    [("tip", Spot::RacketTip), ("throat", Spot::RacketThroat), ("hand", Spot::DominantWrist)];

const WHEN: &str =
    "between the end of the take-back (for the racket the top of its drop, where that is later) and contact";

pub(super) fn measures() -> Vec<MeasureKind> {
    let mut list = Vec::new();
    for (id, spot) in PARTS {
        let part = spot.words();
        let needs = [Need::Trunk, Need::Point(Spot::DominantWrist), Need::Point(spot)];
        list.push(MeasureKind::new(
            format!("{id}-farthest-across"),
            format!("{part} farthest across"),
            "m",
            format!(
                "least signed distance of the {part} from the midline plane (through mid-shoulder and mid-hip, normal along the shoulder line) {WHEN}; positive on the hitting side, negative across the midline"
            ),
            &needs,
            move |view| Ok(farthest(view, spot)?.1),
        ));
        list.push(MeasureKind::new(
            format!("{id}-farthest-across-frontal"),
            format!("{part} to the frontal plane when farthest across"),
            "m",
            format!(
                "signed distance of the {part} from the frontal plane at the instant of {id}-farthest-across; positive in front of the body, negative behind it"
            ),
            &needs,
            move |view| {
                let (k, _) = farthest(view, spot)?;
                view.body_coordinate(spot, 1).get(k).copied().flatten().ok_or_else(|| unseen(spot))
            },
        ));
        list.push(MeasureKind::new(
            format!("{id}-farthest-across-time"),
            format!("time when the {part} is farthest across"),
            "s",
            format!("time to contact at the instant of {id}-farthest-across; negative before contact"),
            &needs,
            move |view| Ok(view.to_contact(view.grid.seconds(farthest(view, spot)?.0 as f64))),
        ));
        list.push(MeasureKind::new(
            format!("{id}-behind-body-duration"),
            format!("time that the {part} is behind the body"),
            "s",
            format!(
                "how long, between take-back start and contact, the {part} is both across the midline plane and behind the frontal plane (both signed distances negative)"
            ),
            &needs,
            move |view| behind_seconds(view, spot),
        ));
    }
    for (id, spot) in [("hand", Spot::DominantWrist), ("tip", Spot::RacketTip)] {
        let part = spot.words();
        list.push(MeasureKind::new(
            format!("take-back-path-{id}"),
            format!("path of the {part} in the take-back"),
            "m",
            format!(
                "length of the path of the {part} relative to the trunk (middle between shoulders and hips) from take-back start to end of take-back"
            ),
            &[Need::Trunk, Need::Point(Spot::DominantWrist), Need::Point(spot)],
            move |view| take_back_path(view, spot),
        ));
    }
    list.push(MeasureKind::new(
        "other-arm-at-farthest-across",
        "where the other arm points when the racket tip is farthest across",
        "rad",
        "direction from the other shoulder to the other hand, seen along the trunk's axis, at the instant of tip-farthest-across; 0 straight out of the chest, positive toward the hitting side",
        &[Need::Trunk, Need::Point(Spot::DominantWrist), Need::Point(Spot::RacketTip), Need::Point(Spot::OtherWrist)],
        |view| {
            let (k, _) = farthest(view, Spot::RacketTip)?;
            let place = |spot| view.state(spot, k).map(|s| s.position).ok_or_else(|| unseen(spot));
            let frame = view.frames.get(k).copied().flatten().ok_or("the trunk was not seen")?;
            let arm = frame.components(&(place(Spot::OtherWrist)? - place(Spot::OtherShoulder)?));
            Ok(arm.x.atan2(arm.y))
        },
    ));
    list
}

fn unseen(spot: Spot) -> Because {
    format!("the {} or the trunk was not seen without gaps between take-back and contact", spot.words()).into()
}

/// Index and signed distance; a tenth of the instants may be missing, more could hide the farthest place.
fn farthest(view: &StrokeView, spot: Spot) -> Result<(usize, f64), Because> {
    let mut from = view.phase_index(Phase::TakeBackEnd)?;
    // A racket that stays on the hitting side comes from the other side in the take-back: that end of the search is no farthest place.
    if spot != Spot::DominantWrist {
        from = view.phase_index(Phase::DropTop).map_or(from, |top| top.max(from));
    }
    let lateral: Series = view.body_coordinate(spot, 0);
    let range = from..=view.grid.contact;
    let seen = lateral.get(range.clone()).map_or(0, |part| part.iter().flatten().count());
    if seen * 10 < range.clone().count() * 9 {
        return Err(unseen(spot));
    }
    greatest(&negated(&lateral), range).map(|(k, value)| (k, -value)).ok_or_else(|| unseen(spot))
}

fn behind_seconds(view: &StrokeView, spot: Spot) -> Result<f64, Because> {
    let from = view.phase_index(Phase::TakeBackStart)?;
    let (lateral, frontal) = (view.body_coordinate(spot, 0), view.body_coordinate(spot, 1));
    let behind: Series = lateral.iter().zip(&frontal).map(|(a, b)| Some(a.as_ref()?.max(*b.as_ref()?))).collect();
    let steps = steps_below_zero(&behind, from..=view.grid.contact).ok_or_else(|| unseen(spot))?;
    Ok(steps * view.grid.step)
}

fn take_back_path(view: &StrokeView, spot: Spot) -> Result<f64, Because> {
    let (from, to) = (view.phase_index(Phase::TakeBackStart)?, view.phase_index(Phase::TakeBackEnd)?);
    let places: Option<Vec<Vector3<f64>>> = (from..=to)
        .map(|k| Some(view.state(spot, k)?.position - view.frames.get(k).copied().flatten()?.origin))
        .collect();
    let places = places.ok_or_else(|| unseen(spot))?;
    Ok(places.windows(2).map(|pair| (pair[1] - pair[0]).norm()).sum())
}
