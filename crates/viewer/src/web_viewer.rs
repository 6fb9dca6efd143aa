//! The files of the page that shows a recording in the browser: ours, around the viewer that rerun brings.
//!
//! rerun's own page asks outside servers for fonts; ours asks for nothing but what is served here.

use re_web_viewer_server::WebViewerData;

use crate::ViewError;

const PAGE: &str = include_str!("web_viewer/page.html");
const STYLE: &str = include_str!("web_viewer/page.css");
const SCRIPT: &str = include_str!("web_viewer/page.js");

/// What the page may do: run what is served here, compile WebAssembly, ask this server. The viewer shows text with styles of its
/// own and pictures that it makes itself.
pub(crate) const POLICY: &str = "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self' 'unsafe-inline'; \
    connect-src 'self'; img-src 'self' data: blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// The page's files.
#[derive(Debug)]
pub(crate) struct WebViewer(WebViewerData);

impl WebViewer {
    /// The viewer that was built into this program.
    pub(crate) fn built_in(port: u16) -> Result<Self, ViewError> {
        let data = WebViewerData::load(None);
        data.map(Self)
            .map_err(|e| ViewError::Serving { port, reason: format!("the viewer is not in this program ({e})") })
    }

    /// Kind and content of a file by its name; the page itself has none.
    pub(crate) fn file(&self, name: &str) -> Option<(&'static str, &[u8])> {
        const SCRIPT_KIND: &str = "text/javascript; charset=utf-8";
        Some(match name {
            "" => ("text/html; charset=utf-8", PAGE.as_bytes()),
            "page.css" => ("text/css; charset=utf-8", STYLE.as_bytes()),
            "page.js" => (SCRIPT_KIND, SCRIPT.as_bytes()),
            "re_viewer.js" => (SCRIPT_KIND, self.0.viewer_js()),
            "re_viewer_bg.wasm" => ("application/wasm", self.0.viewer_wasm()),
            _ => return None,
        })
    }
}
