//! The files of the page that is served with a recording.

const PAGE: &str = include_str!("web_viewer/native.html");

/// Kind and content of a file by its path on the server.
pub(crate) fn file(path: &str) -> Option<(&'static str, &'static [u8])> {
    (path == "/").then_some(("text/html; charset=utf-8", PAGE.as_bytes()))
}
