//! `midline demo`: the made-up academy, and the main job on it.

use std::path::Path;

use crate::progress;
use crate::show;
use crate::stages::Stages;

/// Writes the academy unless a complete one is there already, and runs its sessions when asked.
pub(crate) fn write(folder: &Path, run: bool) -> anyhow::Result<()> {
    let spinner = progress::spinner("writing the demo footage");
    let academy = midline_synth::write_academy(folder, &|what, share| {
        spinner.set_message(format!("demo footage, {:.0} %: {what}", share * 100.0));
    })?;
    spinner.finish_and_clear();
    for session in &academy.sessions {
        println!("{}", session.display());
    }
    if run {
        for session in &academy.sessions {
            let stages = Stages::open(session)?;
            stages.everything()?;
            show::summary(&stages)?;
        }
    }
    Ok(())
}
