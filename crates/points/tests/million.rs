//! A million annotations: memory follows the footage, not the file. A test program of its own, because it measures its process.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used)] // tests may

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

use midline_points::import;
use midline_session::footage::Footage;

const FRAMES: usize = 600;
const ANNOTATIONS: usize = 1_000_000;

/// What reading may take beyond what the process had: 600 frames of 16 people with three points are 3 MB; the file has 90 MB,
/// its annotations as numbers 200 MB.
const MOST_BYTES: u64 = 32 << 20;

/// Memory that this process held at most, in bytes (`VmHWM` of proc(5)).
fn most_held_bytes() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap();
    line.trim().trim_end_matches(" kB").parse::<u64>().unwrap() * 1024
}

fn footage() -> Footage {
    Footage {
        stored_size_px: [1920, 1080],
        size_px: [1920, 1080],
        quarter_turns_clockwise: 0,
        frame_pts_seconds: (0..FRAMES).map(|i| i as f64 / 120.0).collect(),
        codec: "h264".into(),
        gaps: Vec::new(),
        sound: None,
    }
}

/// A crowd in every frame, and the player, who is larger than all, last.
fn write(path: &Path) {
    let mut file = BufWriter::new(File::create(path).unwrap());
    write!(file, "{{\"annotations\": [").unwrap();
    for id in 0..ANNOTATIONS {
        let frame = id % FRAMES;
        let person = id / FRAMES;
        let (x, size) =
            if id + FRAMES >= ANNOTATIONS { (900 + frame / 10, 500) } else { (person % 1800, 40 + person % 90) };
        let comma = if id == 0 { "" } else { "," };
        write!(
            file,
            "{comma}\n{{\"id\": {id}, \"image_id\": {frame}, \"category_id\": 1, \"keypoints\": [{x},20,2,{x},{},2,{x},{},2]}}",
            20 + size / 2,
            20 + size
        )
        .unwrap();
    }
    write!(file, "], \"images\": [").unwrap();
    for id in 0..FRAMES {
        write!(file, "{}{{\"id\": {id}}}", if id == 0 { "" } else { ", " }).unwrap();
    }
    let names = "\"nose\", \"left_hip\", \"left_ankle\"";
    write!(file, "], \"categories\": [{{\"id\": 1, \"keypoints\": [{names}]}}]}}").unwrap();
}

#[test]
fn a_million_annotations_are_read_in_little_memory() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("points.json");
    write(&path);
    let before = most_held_bytes();
    let keypoints = import(&path, "left", &footage()).unwrap();
    let taken = most_held_bytes() - before;
    println!(
        "{ANNOTATIONS} annotations, {} MB of text: {:.1} MB of memory",
        std::fs::metadata(&path).unwrap().len() >> 20,
        taken as f64 / 1e6
    );
    assert!(taken < MOST_BYTES, "{taken}");
    assert_eq!(keypoints.frames.len(), FRAMES);
    for frame in &keypoints.frames {
        assert_eq!(frame.points[0].unwrap().px[0] as usize, 900 + frame.frame_index / 10);
    }
    assert!(keypoints.remarks.iter().any(|r| r.contains("only the largest people")), "{:?}", keypoints.remarks);
}
