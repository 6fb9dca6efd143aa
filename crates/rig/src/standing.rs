//! From shifts of the background in some frames to the times in which a camera stood otherwise than at the start.

use midline_session::steadiness::{Moved, Steadiness};

/// A corner of the picture that shifts by more than this share of its longer side shows a camera that was moved: 0.9 px of 1280,
/// about 7 mm at 10 m for the usual lens of a phone.
const MOVED_SHARE: f64 = 0.0007;

/// More moves than this are wind, or a hand.
const MOST_MOVES: usize = 4;

/// Frames to compare, spread evenly over a clip: two per second, at least 8 and at most 60.
#[must_use]
pub fn frames_to_compare(frame_pts_seconds: &[f64]) -> Vec<usize> {
    let count = frame_pts_seconds.len();
    let (Some(first), Some(last)) = (frame_pts_seconds.first(), frame_pts_seconds.last()) else { return Vec::new() };
    let wanted = ((2.0 * (last - first)).ceil().clamp(8.0, 60.0) as usize).min(count);
    let mut frames: Vec<usize> = (0..wanted).map(|i| i * (count - 1) / (wanted - 1).max(1)).collect();
    frames.dedup();
    frames
}

/// How still a camera stood. `compared` holds frames in rising order with the largest shift of the picture's corners against
/// the first frame, px, `None` where the background could not be compared; `shift_px` measures another frame, so that the moment
/// of a knock is found to the frame by halving.
///
/// A short knock between two compared frames after which the camera is back in its place goes unnoticed.
///
/// # Errors
/// Those of `shift_px`.
pub fn standing<E>(
    camera: &str,
    frame_pts_seconds: &[f64],
    size_px: [u32; 2],
    compared: &[(usize, Option<f64>)],
    mut shift_px: impl FnMut(usize) -> Result<Option<f64>, E>,
) -> Result<Steadiness, E> {
    let limit_px = MOVED_SHARE * f64::from(size_px[0].max(size_px[1]));
    let usable: Vec<(usize, f64)> = compared.iter().filter_map(|(frame, shift)| Some((*frame, (*shift)?))).collect();
    let seconds = |frame: usize| frame_pts_seconds.get(frame).copied();
    let (mut moves, mut wobble_px): (Vec<Moved>, Option<f64>) = (Vec::new(), None);
    let mut before: Option<(usize, f64)> = None;
    for &(frame, shift) in &usable {
        let off = shift > limit_px;
        let was_off = before.is_some_and(|(_, shift)| shift > limit_px);
        if !off {
            wobble_px = Some(wobble_px.map_or(shift, |most| most.max(shift)));
        }
        if off != was_off {
            // The last frame that is as before, and the first that is not.
            let (mut low, mut high) = (before.map_or(frame, |(frame, _)| frame), frame);
            while high - low > 1 {
                let middle = low + (high - low) / 2;
                match shift_px(middle)? {
                    Some(shift) if (shift > limit_px) == was_off => low = middle,
                    _ => high = middle,
                }
            }
            match (off, moves.last_mut()) {
                (true, _) => moves.extend(seconds(high).map(|from_seconds| Moved {
                    from_seconds,
                    until_seconds: None,
                    shift_px: shift,
                })),
                (false, Some(last)) => last.until_seconds = seconds(high),
                (false, None) => {}
            }
        }
        if let (true, Some(last)) = (off, moves.last_mut()) {
            last.shift_px = last.shift_px.max(shift);
        }
        before = Some((frame, shift));
    }
    let mut remarks: Vec<String> = moves.iter().map(|moved| told(camera, moved)).collect();
    if moves.len() > MOST_MOVES {
        remarks = vec![format!(
            "Camera {camera} did not stand still: its picture moved {} times by up to {:.1} px, as in wind or in a hand; what it \
             filmed meanwhile is left out. Weigh the tripod down.",
            moves.len(),
            moves.iter().map(|moved| moved.shift_px).fold(0.0, f64::max)
        )];
    }
    if usable.len() < 3 && compared.len() >= 3 {
        remarks
            .push(format!("Camera {camera}: its background shows too little to tell whether the tripod stood still."));
    }
    Ok(Steadiness { camera: camera.to_owned(), compared_frames: usable.len(), wobble_px, moves, remarks })
}

fn told(camera: &str, moved: &Moved) -> String {
    let Moved { from_seconds, until_seconds, shift_px } = moved;
    match until_seconds {
        None => format!(
            "Camera {camera} was knocked at {from_seconds:.2} s of its footage: its picture shifted by {shift_px:.1} px and stayed so. \
             What it filmed after that is left out; mark the court anew and make it a session of its own."
        ),
        Some(until) => format!(
            "Camera {camera} was touched: from {from_seconds:.2} to {until:.2} s of its footage its picture was shifted by up to \
             {shift_px:.1} px. What it filmed then is left out."
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;

    const SIZE: [u32; 2] = [1280, 720];

    /// 10 s at 120 Hz with the shift that a function of the frame gives.
    fn run(shift: impl Fn(usize) -> Option<f64>) -> (Steadiness, usize) {
        let pts: Vec<f64> = (0..1200).map(|frame| f64::from(frame) / 120.0).collect();
        let compared: Vec<(usize, Option<f64>)> =
            frames_to_compare(&pts).into_iter().map(|frame| (frame, shift(frame))).collect();
        let asked = Cell::new(0);
        let found = standing("fence", &pts, SIZE, &compared, |frame| {
            asked.set(asked.get() + 1);
            Ok::<_, ()>(shift(frame))
        });
        (found.unwrap(), asked.get())
    }

    #[test]
    fn a_knock_is_found_to_the_frame() {
        let (found, asked) = run(|frame| Some(if frame < 733 { 0.1 } else { 14.0 }));
        assert_eq!(found.moves, [Moved { from_seconds: 733.0 / 120.0, until_seconds: None, shift_px: 14.0 }]);
        assert!(asked <= 7, "{asked}");
        assert_eq!(found.wobble_px, Some(0.1));
        assert!(found.remarks[0].contains("knocked at 6.11 s"), "{:?}", found.remarks);
        assert!(!found.stands_at(6.2) && found.stands_at(6.0));
    }

    #[test]
    fn a_camera_that_came_back_and_one_that_stood_still() {
        let (found, _) = run(|frame| Some(if (301..=500).contains(&frame) { 3.0 + frame as f64 * 1e-3 } else { 0.2 }));
        assert_eq!(found.moves.len(), 1);
        assert_eq!(found.moves[0].until_seconds, Some(501.0 / 120.0));
        // Of the frames compared, 441 shows the most.
        assert!((found.moves[0].shift_px - 3.441).abs() < 1e-9, "{:?}", found.moves);
        let (still, asked) = run(|frame| Some(0.3 + 0.3 * (frame as f64).sin()));
        assert!(still.moves.is_empty() && still.remarks.is_empty() && asked == 0);
        let (unknown, _) = run(|frame| (frame < 100).then_some(0.1));
        assert!(unknown.moves.is_empty());
        let (blind, _) = run(|_| None);
        assert_eq!(blind.wobble_px, None);
        assert!(blind.remarks[0].contains("too little"), "{:?}", blind.remarks);
        let (windy, _) = run(|frame| Some(if (frame / 100) % 2 == 0 { 0.1 } else { 2.0 }));
        assert!(windy.remarks.len() == 1 && windy.remarks[0].contains("wind"), "{:?}", windy.remarks);
    }

    #[test]
    fn short_clips_are_compared_too() {
        assert!(frames_to_compare(&[]).is_empty());
        assert_eq!(frames_to_compare(&[0.0]), [0]);
        assert_eq!(frames_to_compare(&[0.0, 0.1, 0.2]), [0, 1, 2]);
        let long: Vec<f64> = (0..100_000).map(|frame| f64::from(frame) / 120.0).collect();
        let frames = frames_to_compare(&long);
        assert_eq!((frames.len(), frames[0], frames[59]), (60, 0, 99_999));
    }
}
