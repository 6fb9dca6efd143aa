//! `midline demo`: the made-up academy, and the main job on it.

use std::path::Path;

use indicatif::ProgressBar;

use crate::progress;
use crate::show;
use crate::stages::Stages;

/// Writes the academy unless a complete one is there already, and runs its sessions when asked.
pub(crate) fn write(folder: &Path, run: bool) -> anyhow::Result<()> {
    let academy = match midline_synth::existing_academy(folder) {
        Some(academy) => {
            println!("{}: the demo is there already; remove the folder to have it written anew", folder.display());
            academy
        }
        None => {
            let spinner = progress::spinner("writing the demo footage");
            let academy = midline_synth::write_academy(folder, &|what, share| said(&spinner, what, share))?;
            spinner.finish_and_clear();
            academy
        }
    };
    println!("{} (made up): {} sessions in {}", academy.name, academy.sessions.len(), folder.display());
    if run {
        for session in &academy.sessions {
            let stages = Stages::open(&folder.join(session))?;
            stages.everything()?;
            show::summary(&stages)?;
        }
    }
    Ok(())
}

/// Writes a session with coloured discs on the joints and the network that finds them.
pub(crate) fn write_discs(folder: &Path) -> anyhow::Result<()> {
    let spinner = progress::spinner("writing the demo footage");
    let academy = midline_synth::write_discs(folder, &|what, share| said(&spinner, what, share))?;
    spinner.finish_and_clear();
    for session in &academy.sessions {
        let (session, network) = (folder.join(session), folder.join("discs.onnx"));
        println!("{} (made up): {}", academy.name, session.display());
        println!("Find the points, then run the session:");
        println!("  midline points {} --model {}", session.display(), network.display());
        println!("  midline run {}", session.display());
    }
    Ok(())
}

fn said(spinner: &ProgressBar, what: &str, share: f64) {
    spinner.set_message(format!("demo footage, {:.0} %: {what}", share * 100.0));
}
