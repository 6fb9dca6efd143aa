//! Pages that are offered on this machine while the program runs.

use midline_viewer::{HOW_TO_OPEN, Server, VIEWER_VERSION};

use crate::arguments::Offer;

/// Opens an address in this computer's browser unless that is not wanted; a browser that cannot be opened is no failure.
pub(crate) fn open_in_browser(address: &str, offer: &Offer) {
    if !offer.no_browser
        && let Err(error) = ::open::that_detached(address)
    {
        eprintln!("midline: no browser could be opened ({error}); open the address above in one");
    }
}

/// Says where the 3D view is to be seen, and opens it.
pub(crate) fn view(server: &Server, offer: &Offer) {
    println!("{}", server.address());
    eprintln!("midline: the page is open to this computer only, with this address; Ctrl-C ends it.");
    eprintln!(
        "midline: for the native viewer, rerun {VIEWER_VERSION} ({HOW_TO_OPEN}): rerun {}",
        server.recording_address()
    );
    open_in_browser(&server.address(), offer);
}
