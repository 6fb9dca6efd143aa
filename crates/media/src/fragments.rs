//! Movie fragments (ISO/IEC 14496-12, 8.8): an index in pieces, one before each piece of pictures and sound.

use std::path::Path;

use re_mp4::{TfdtBox, TfhdBox, TrexBox, TrunBox};

use crate::MediaError;
use crate::boxes::{BoxFile, Part, bytes_at, malformed, parts};
use crate::container::Track;

/// Flag of a sample at which decoding cannot start (8.8.3.1).
const NON_SYNC: u32 = 0x1_0000;

/// Reads what holds for samples that do not say otherwise, from the content of box `mvex`.
pub(crate) fn read_defaults(path: &Path, extends: &Part<'_>, tracks: &mut [Track]) -> Result<(), MediaError> {
    for part in parts(path, extends.name, extends.content())?.iter().filter(|p| &p.name == b"trex") {
        let defaults: TrexBox = part.read(path)?;
        if let Some(track) = tracks.iter_mut().find(|t| t.header.track_id == defaults.track_id) {
            track.fragment_defaults = Some(defaults);
        }
    }
    Ok(())
}

/// Appends the samples of all fragments of a file to its tracks.
pub(crate) fn read(path: &Path, file: &mut BoxFile<'_>, tracks: &mut [Track]) -> Result<(), MediaError> {
    for fragment in file.boxes.clone().into_iter().filter(|b| &b.name == b"moof") {
        let content = file.content(fragment)?;
        for part in parts(path, *b"moof", &content)?.iter().filter(|p| &p.name == b"traf") {
            read_track(path, file.length, &parts(path, *b"traf", part.content())?, tracks)?;
        }
    }
    Ok(())
}

fn read_track(path: &Path, file_length: u64, traf: &[Part<'_>], tracks: &mut [Track]) -> Result<(), MediaError> {
    let find = |name: &[u8; 4]| traf.iter().find(|p| &p.name == name);
    let Some(header) = find(b"tfhd") else { return Err(malformed(path, *b"traf", "no header")) };
    let header: TfhdBox = header.read(path)?;
    let Some(track) = tracks.iter_mut().find(|t| t.header.track_id == header.track_id) else { return Ok(()) };
    let defaults = track.fragment_defaults.as_ref();
    let duration = header.default_sample_duration.or(defaults.map(|d| d.default_sample_duration)).unwrap_or(0);
    let flags = header.default_sample_flags.or(defaults.map(|d| d.default_sample_flags)).unwrap_or(0);
    if let Some(part) = find(b"tfdt") {
        let start = part.read::<TfdtBox>(path)?.base_media_decode_time;
        track.samples.jump_to(i64::try_from(start).map_err(|_| malformed(path, *b"tfdt", "a time out of bounds"))?);
    }
    for part in traf.iter().filter(|p| &p.name == b"trun") {
        // Without tables of its own a run may claim any number of samples; each has at least one byte in the file.
        let count = bytes_at(part.content(), 4).map_or(0, u32::from_be_bytes);
        if track.samples.count() + u64::from(count) > file_length {
            return Err(malformed(path, *b"trun", format!("{count} more samples are listed, which cannot be")));
        }
        let run: TrunBox = part.read(path)?;
        for index in 0..count as usize {
            let duration = run.sample_durations.get(index).copied().unwrap_or(duration);
            if !track.is_video() {
                track.samples.push(1, duration);
                continue;
            }
            let first = run.first_sample_flags.filter(|_| index == 0);
            let flags = run.sample_flags.get(index).copied().or(first).unwrap_or(flags);
            if flags & NON_SYNC == 0 {
                track.samples.sync.get_or_insert_default().push(track.samples.composition.len());
            }
            // Version 0 should hold unsigned offsets; writers put signed ones there, and decoders read them so.
            let offset = run.sample_cts.get(index).map_or(0, |offset| offset.cast_signed());
            if offset < 0 {
                // In fragments ffmpeg (5.1) shifts all pictures until no offset is negative, and the sound not.
                return Err(MediaError::Unsupported {
                    path: path.to_owned(),
                    what: "the file is written in fragments whose pictures have negative composition offsets, which \
                           ffmpeg shows late against the sound"
                        .into(),
                    advice: "record without fragments (the camera app's setting against loss of a recording)",
                });
            }
            track.samples.push_picture(duration, offset);
        }
    }
    Ok(())
}
