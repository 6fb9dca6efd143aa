//! When things happen.

use super::{MeasureKind, Need};
use crate::phases::Phase;
use crate::spots::Spot;

pub(super) fn measures() -> Vec<MeasureKind> {
    let hand = [Need::Trunk, Need::Point(Spot::DominantWrist)];
    let tip = [Need::Trunk, Need::Point(Spot::DominantWrist), Need::Point(Spot::RacketTip)];
    let mut list = Vec::new();
    for (id, words, start, needs) in [
        ("hand", "by the racket hand", Phase::TakeBackStart, hand.as_slice()),
        ("shoulders", "by the shoulder line", Phase::ShoulderTurnStart, &[Need::Trunk]),
    ] {
        list.push(MeasureKind::new(
            format!("take-back-minus-bounce-{id}"),
            format!("take-back start minus bounce, {words}"),
            "s",
            format!(
                "time from the ball's bounce to the start of the take-back {words}; negative before the bounce. Start: {}",
                start.definition()
            ),
            needs,
            move |view| Ok(view.phase(start)? - view.bounce?),
        ));
    }
    list.push(MeasureKind::new(
        "bounce-to-contact",
        "bounce to contact",
        "s",
        "time from the ball's bounce to contact; positive",
        &[],
        |view| Ok(-view.to_contact(view.bounce?)),
    ));
    for (id, name, from, to, needs) in [
        ("take-back-duration", "take-back", Phase::TakeBackStart, Phase::TakeBackEnd, hand.as_slice()),
        (
            "reversal-duration",
            "end of take-back to forward-swing start",
            Phase::TakeBackEnd,
            Phase::ForwardStart,
            &hand,
        ),
        ("drop-duration", "racket drop, top to bottom", Phase::DropTop, Phase::DropBottom, &tip),
    ] {
        list.push(MeasureKind::new(
            id,
            format!("length of: {name}"),
            "s",
            format!(
                "time between two instants, positive when the second is later. First: {}. Second: {}",
                from.definition(),
                to.definition()
            ),
            needs,
            move |view| Ok(view.phase(to)? - view.phase(from)?),
        ));
    }
    for (id, name, from, needs) in [
        ("take-back-start-to-contact", "take-back start to contact", Phase::TakeBackStart, hand.as_slice()),
        ("drop-bottom-to-contact", "bottom of the racket drop to contact", Phase::DropBottom, &tip),
        ("forward-start-to-contact", "forward-swing start to contact", Phase::ForwardStart, &hand),
        ("trunk-opening-to-contact", "trunk opening to contact", Phase::TrunkOpening, &[Need::Trunk]),
    ] {
        list.push(MeasureKind::new(
            id,
            name,
            "s",
            format!("time from an instant to contact, positive. Instant: {}", from.definition()),
            needs,
            move |view| Ok(-view.to_contact(view.phase(from)?)),
        ));
    }
    list.push(MeasureKind::new(
        "follow-through-duration",
        "length of: follow-through",
        "s",
        format!("time from contact to the end of the follow-through. End: {}", Phase::FollowThroughEnd.definition()),
        &hand,
        |view| Ok(view.to_contact(view.phase(Phase::FollowThroughEnd)?)),
    ));
    for (id, name, drop) in [
        ("trunk-opening-minus-drop-top", "trunk opening minus top of the racket drop", Phase::DropTop),
        ("trunk-opening-minus-drop-bottom", "trunk opening minus bottom of the racket drop", Phase::DropBottom),
    ] {
        list.push(MeasureKind::new(
            id,
            name,
            "s",
            format!(
                "when the trunk begins to open relative to the racket drop; positive after it. Opening: {}. Drop: {}",
                Phase::TrunkOpening.definition(),
                drop.definition()
            ),
            &tip,
            move |view| Ok(view.phase(Phase::TrunkOpening)? - view.phase(drop)?),
        ));
    }
    // Whether the phase itself shows in one picture is the phase's business.
    list.into_iter().map(MeasureKind::in_one_picture).collect()
}
