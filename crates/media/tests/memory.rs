//! Pictures stream in bounded memory. A test program of its own, because it measures the memory of its process.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used)] // tests may

use std::process::Command;

use midline_media::{PictureFormat, inspect, pictures};

/// Memory of this process that was resident at most, in bytes (`VmHWM` of proc(5)).
fn most_resident_bytes() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap();
    line.trim().trim_end_matches(" kB").parse::<u64>().unwrap() * 1024
}

#[test]
fn memory_does_not_grow_with_the_number_of_frames() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("long.mp4");
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-f", "lavfi", "-i", "testsrc=s=640x480:r=240:d=5", "-pix_fmt", "yuv420p"])
        .args(["-c:v", "libx264", "-preset", "ultrafast"])
        .arg(&path)
        .status()
        .unwrap();
    assert!(made.success());
    let footage = inspect(&path).unwrap();
    let mut stream = pictures(&path, &footage, PictureFormat::Gray, 1).unwrap();
    for picture in stream.by_ref().take(100) {
        assert_eq!(picture.unwrap().pixels.len(), 640 * 480);
    }
    let early = most_resident_bytes();
    let rest = stream.map(Result::unwrap).count() as u64;
    let grown = most_resident_bytes() - early;
    println!("{} MB after 100 pictures, {} kB more after {rest} others", early >> 20, grown >> 10);
    assert_eq!(rest, 1100);
    assert!(grown < 10 * 640 * 480, "{grown} bytes");
}
