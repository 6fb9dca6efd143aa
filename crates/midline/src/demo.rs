//! `midline demo`: the made-up academy, and the main job on it.

use std::path::Path;

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
            let academy = midline_synth::write_academy(folder, &|what, share| {
                spinner.set_message(format!("demo footage, {:.0} %: {what}", share * 100.0));
            })?;
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
