//! Where and how the ball is met.

use nalgebra::Vector3;

use super::{MeasureKind, Need};
use crate::spots::Spot;
use crate::view::{Because, StrokeView};

const POINT: &str = "the contact point (centre of the ball where its two flights meet; where these were not seen, the middle between racket throat and tip)";

#[derive(Clone, Copy)]
enum Reference {
    MidShoulder,
    DominantShoulder,
    FrontFoot,
}

pub(super) fn measures() -> Vec<MeasureKind> {
    let mut list = Vec::new();
    let references = [
        ("mid-shoulder", "the middle between the shoulders", Reference::MidShoulder),
        ("dominant-shoulder", "the dominant shoulder", Reference::DominantShoulder),
        ("front-foot", "the front foot (the ankle nearer the net at contact)", Reference::FrontFoot),
    ];
    let body_axes = [
        ("side", "to the hitting side", "positive toward the hitting side, along the normal of the midline plane"),
        ("front", "in front", "positive in front, along the normal of the frontal plane"),
        ("up", "up", "positive up, along the trunk's axis"),
    ];
    let court_axes = [
        (
            "court-side",
            "to the dominant side, along the baseline",
            "positive toward the dominant side, along the baseline",
        ),
        ("court-forward", "toward the net", "positive toward the net"),
        ("court-up", "up, vertically", "positive up, vertically"),
    ];
    for (reference_id, reference_words, reference) in references {
        let mut common = vec![Need::Trunk];
        if matches!(reference, Reference::FrontFoot) {
            common.extend([Need::Court, Need::Point(Spot::DominantAnkle), Need::Point(Spot::OtherAnkle)]);
        }
        for (axis, (id, short, sign)) in body_axes.into_iter().enumerate() {
            list.push(MeasureKind::new(
                format!("contact-{reference_id}-{id}"),
                format!("contact from {}: {short}", reference_words.split(" (").next().unwrap_or(reference_words)),
                "m",
                format!("distance of {POINT} from {reference_words} at contact in body axes; {sign}"),
                &common,
                move |view| {
                    let offset = contact_point(view)? - place(view, reference)?;
                    Ok(view.frame_at_contact()?.components(&offset)[axis])
                },
            ));
        }
        common.push(Need::Court);
        for (axis, (id, short, sign)) in court_axes.into_iter().enumerate() {
            list.push(MeasureKind::new(
                format!("contact-{reference_id}-{id}"),
                format!("contact from {}: {short}", reference_words.split(" (").next().unwrap_or(reference_words)),
                "m",
                format!("distance of {POINT} from {reference_words} at contact in court axes; {sign}"),
                &common,
                move |view| {
                    let offset = contact_point(view)? - place(view, reference)?;
                    Ok(if axis == 0 { view.setting.side * offset.x } else { offset[axis] })
                },
            ));
        }
    }
    list.push(MeasureKind::new(
        "contact-height",
        "height of contact",
        "m",
        format!("height of {POINT} above the court"),
        &[Need::Court],
        |view| Ok(contact_point(view)?.z),
    ));
    let shoulders = [Need::Point(Spot::DominantShoulder), Need::Point(Spot::OtherShoulder)];
    let hips = [Need::Point(Spot::DominantHip), Need::Point(Spot::OtherHip)];
    list.push(MeasureKind::new(
        "dominant-shoulder-ahead",
        "dominant shoulder ahead of the other at contact",
        "m",
        "how much nearer the net the dominant shoulder is than the other at contact, along the court; positive when the dominant shoulder is in front",
        &[shoulders[0], shoulders[1], Need::Court],
        |view| Ok(line(view, Spot::DominantShoulder, Spot::OtherShoulder)?.y),
    ));
    for (id, words, spots, needs) in [
        ("shoulder", "shoulder line", [Spot::DominantShoulder, Spot::OtherShoulder], shoulders),
        ("hip", "hip line", [Spot::DominantHip, Spot::OtherHip], hips),
    ] {
        list.push(MeasureKind::new(
            format!("{id}-alignment-contact"),
            format!("alignment of the {words} at contact"),
            "rad",
            format!(
                "angle of the {words} to the baseline at contact, seen from above; 0 parallel to the baseline, positive with the dominant side turned back"
            ),
            &[needs[0], needs[1], Need::Court],
            move |view| Ok(alignment(view.setting.side, &line(view, spots[0], spots[1])?)),
        ));
    }
    list.push(MeasureKind::new(
        "separation-contact",
        "separation of shoulder line and hip line at contact",
        "rad",
        "angle from the hip line to the shoulder line about the trunk's axis at contact; positive with the shoulders turned farther back than the hips",
        &[Need::Trunk],
        |view| {
            let up = view.frame_at_contact()?.up;
            let hips = line(view, Spot::DominantHip, Spot::OtherHip)?;
            let shoulders = line(view, Spot::DominantShoulder, Spot::OtherShoulder)?;
            let flat = |v: Vector3<f64>| v - up * v.dot(&up);
            let (hips, shoulders) = (flat(hips), flat(shoulders));
            Ok(-view.setting.side * up.dot(&hips.cross(&shoulders)).atan2(hips.dot(&shoulders)))
        },
    ));
    list
}

/// Angle of a line from the other to the dominant side against the baseline, seen from above, rad; positive turned back.
pub(crate) fn alignment(side: f64, line: &Vector3<f64>) -> f64 {
    (-line.y).atan2(side * line.x)
}

fn line(view: &StrokeView, dominant: Spot, other: Spot) -> Result<Vector3<f64>, Because> {
    Ok(view.at_contact(dominant)? - view.at_contact(other)?)
}

fn contact_point(view: &StrokeView) -> Result<Vector3<f64>, Because> {
    if let Some(ball) = view.ball_at_contact {
        return Ok(ball);
    }
    match (view.at_contact(Spot::RacketThroat), view.at_contact(Spot::RacketTip)) {
        (Ok(throat), Ok(tip)) => Ok((throat + tip) / 2.0),
        _ => Err("neither the ball's flight nor the racket was seen at contact".into()),
    }
}

fn place(view: &StrokeView, reference: Reference) -> Result<Vector3<f64>, Because> {
    match reference {
        Reference::MidShoulder => Ok(view.frame_at_contact()?.mid_shoulder),
        Reference::DominantShoulder => view.at_contact(Spot::DominantShoulder),
        Reference::FrontFoot => {
            let feet = [view.at_contact(Spot::DominantAnkle)?, view.at_contact(Spot::OtherAnkle)?];
            Ok(if feet[0].y > feet[1].y { feet[0] } else { feet[1] })
        }
    }
}
