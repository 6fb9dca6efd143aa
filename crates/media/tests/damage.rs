//! Damaged files: never a panic, never memory out of proportion. A test program of its own, because it measures its process.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used)] // tests may

use std::path::{Path, PathBuf};
use std::process::Command;

use midline_media::{inspect, particulars, sound};

/// Damaged files of each kind.
const CASES: usize = 600;

/// Address space that describing a damaged file of some 10 kB may take beyond what the whole ones took.
const MOST_BYTES: u64 = 16 << 20;

/// The same for its sound: 600 s of silence in holes (116 MB at 48 kHz) in vectors that double when they grow, twice.
const MOST_SOUND_BYTES: u64 = 500 << 20;

/// Address space of this process at most, in bytes (`VmPeak` of proc(5)): counts memory that is reserved but never used.
fn most_reserved_bytes() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmPeak:")).unwrap();
    line.trim().trim_end_matches(" kB").parse::<u64>().unwrap() * 1024
}

/// Knuth's linear congruential generator (MMIX).
struct Dice(u64);

impl Dice {
    fn below(&mut self, most: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % most
    }
}

fn made(folder: &Path, name: &str, options: &str) -> PathBuf {
    let path = folder.join(name);
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-f", "lavfi", "-i", "testsrc=s=32x32:r=30:d=1"])
        .args([
            "-f",
            "lavfi",
            "-i",
            "sine=440:r=48000:d=1",
            "-pix_fmt",
            "yuv420p",
            "-c:v",
            "libx264",
            "-bf",
            "2",
            "-g",
            "8",
        ])
        .args(["-c:a", "aac", "-b:a", "32k"])
        .args(options.split_whitespace())
        .arg(&path)
        .status()
        .unwrap();
    assert!(made.success());
    path
}

/// Places of all bytes of a file that are neither pictures nor sound.
fn headers(bytes: &[u8]) -> Vec<usize> {
    let (mut places, mut at) = (Vec::new(), 0);
    while at + 8 <= bytes.len() {
        let size = u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        let end = if &bytes[at + 4..at + 8] == b"mdat" { at + 8 } else { at + size };
        places.extend(at..end);
        at += size;
    }
    places
}

fn read(path: &Path) -> [bool; 3] {
    [inspect(path).is_ok(), particulars(path).is_ok(), sound(path).is_ok()]
}

#[test]
fn damaged_headers_never_panic_and_never_take_memory_out_of_proportion() {
    let folder = tempfile::tempdir().unwrap();
    let told = "-movflags use_metadata_tags -metadata com.android.capture.fps=30";
    let files = [
        made(folder.path(), "plain.mp4", ""),
        made(folder.path(), "front.mp4", "-movflags faststart"),
        made(folder.path(), "fragments.mp4", "-movflags frag_keyframe+empty_moov+default_base_moof"),
        made(folder.path(), "metadata.mov", told),
        made(folder.path(), "metadata.mp4", told),
    ];
    for file in &files {
        assert_eq!(read(file), [true; 3], "{}", file.display());
    }
    let before = most_reserved_bytes();
    let mut dice = Dice(1);
    let damaged = folder.path().join("damaged.mp4");
    for file in &files {
        let whole = std::fs::read(file).unwrap();
        let headers = headers(&whole);
        let mut good = [0; 3];
        for case in 0..CASES {
            let mut bytes = whole.clone();
            match case % 4 {
                // Cut off anywhere in a header.
                0 => bytes.truncate(headers[dice.below(headers.len())]),
                // A large number, as in a count or a length.
                1 => {
                    let at = headers[dice.below(headers.len())].min(bytes.len() - 4);
                    bytes[at..at + 4].copy_from_slice(&[[0xFF; 4], [0x7F, 0xFF, 0xFF, 0xFF], [0; 4]][dice.below(3)]);
                }
                // Some bytes changed.
                changes => {
                    for _ in 0..changes {
                        bytes[headers[dice.below(headers.len())]] = dice.below(256) as u8;
                    }
                }
            }
            std::fs::write(&damaged, &bytes).unwrap();
            let before = most_reserved_bytes();
            let described = [inspect(&damaged).is_ok(), particulars(&damaged).is_ok()];
            let grown = most_reserved_bytes() - before;
            assert!(grown < MOST_BYTES, "{} case {case}: {grown} bytes", file.display());
            let kept = [described[0], described[1], sound(&damaged).is_ok()];
            good.iter_mut().zip(kept).for_each(|(good, kept)| *good += usize::from(kept));
        }
        println!("{}: of {CASES} damaged, still described {}, sound decoded {}", file.display(), good[0], good[2]);
    }
    let grown = most_reserved_bytes() - before;
    println!("address space grew by {} kB", grown >> 10);
    assert!(grown < MOST_SOUND_BYTES, "{grown} bytes");
}
