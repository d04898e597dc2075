//! The two ears: a delta that adapts the base model to the trade, to short windows and to crying, and a
//! second head on its encoder that hears letters. Carried inside the program, or in a folder of the user's.
//!
//! The card names the digest of the base model they were made for; they are laid over no other. The delta is
//! of low rank (Hu et al. 2021: W += 2 B A) for linear layers, and whole for convolutions and norms.
//! `tests/hearing/adapt/` makes the files.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use candle_core::{DType, Device, Tensor};
use sha2::{Digest, Sha256};

use super::{Weights, sha256_of};
use crate::lexicon::files::carried;
use crate::problem::Problem;

/// Names a folder with other ears and their card; `off` hears without any.
pub const HEARING: &str = "COTSIDE_HEARING";
/// Where they are carried, under `lexicon/`.
const CARRIED: &str = "hearing";
const EARS: &str = "ears.safetensors";
const CARD: &str = "card.json";
/// What the low-rank product is multiplied by, as in training.
const TIMES: f64 = 2.0;

/// Adapted ears: their weights and what their card says.
pub struct Adapted {
    weights: Weights,
    /// SHA-256 of the base model they were made for.
    pub base: String,
    /// What they are called.
    pub name: String,
    /// Where they come from.
    pub at: PathBuf,
    /// SHA-256 of the file, hexadecimal.
    pub digest: String,
    /// Words that are spelt otherwise than they are written.
    pub spelt: BTreeMap<String, String>,
}

#[derive(serde::Deserialize)]
struct Card {
    base: String,
    ears: String,
    letters: String,
    spelt: BTreeMap<String, String>,
    name: String,
}

/// Letters the second head tells apart, in its order; the first of its outputs is none of them.
pub const LETTERS: &str = " 'abcdefghijklmnopqrstuvwxyz";

/// The ears that are to be used: those in the folder that `COTSIDE_HEARING` names, else the carried ones;
/// none when it is `off`.
///
/// # Errors
/// When they cannot be read, or are not what their card says.
pub fn found() -> Result<Option<Adapted>, Problem> {
    match std::env::var_os(HEARING).filter(|v| !v.is_empty()) {
        Some(v) if v == "off" => Ok(None),
        Some(dir) => Adapted::read(Path::new(&dir)).map(Some),
        None => Adapted::of(
            carried(&format!("{CARRIED}/{EARS}")),
            carried(&format!("{CARRIED}/{CARD}")),
            PathBuf::from("lexicon").join(CARRIED),
        )
        .map(Some),
    }
}

impl Adapted {
    /// The ears in a folder, as `tests/hearing/adapt/pack.py` writes them.
    ///
    /// # Errors
    /// When they cannot be read, or are not what their card says.
    pub fn read(dir: &Path) -> Result<Adapted, Problem> {
        let file = |name: &str| {
            let path = dir.join(name);
            fs::read(&path).map_err(|e| {
                Problem::in_file(path.display().to_string(), format!("cannot be read: {e}"))
                    .help(format!("{HEARING} names a folder with {EARS} and {CARD}, or is `off`"))
            })
        };
        Adapted::of(&file(EARS)?, &file(CARD)?, dir.to_owned())
    }

    fn of(ears: &[u8], card: &[u8], at: PathBuf) -> Result<Adapted, Problem> {
        let broken = |name: &str, what: String| {
            Problem::in_file(at.join(name).display().to_string(), what)
                .help("make both files anew with tests/hearing/adapt/pack.py")
        };
        let card: Card =
            serde_json::from_slice(card).map_err(|e| broken(CARD, format!("is no card: {e}")))?;
        let digest: String = Sha256::digest(ears).iter().map(|b| format!("{b:02x}")).collect();
        if digest != card.ears {
            return Err(broken(
                EARS,
                format!("has the digest {digest}, and its card says {}", card.ears),
            ));
        }
        if card.letters != LETTERS {
            let told =
                format!("its letters are `{}`, and this program spells `{LETTERS}`", card.letters);
            return Err(broken(CARD, told));
        }
        let weights = candle_core::safetensors::load_buffer(ears, &Device::Cpu)
            .map_err(|e| broken(EARS, format!("cannot be read: {e}")))?;
        let Card { base, name, spelt, .. } = card;
        Ok(Adapted { weights, base, name, at, digest, spelt })
    }

    /// In a line.
    pub fn by(&self) -> String {
        format!("{} ({}), sha256 {}…", self.name, self.at.display(), &self.digest[..16])
    }

    /// That they were made for the model in `dir`.
    ///
    /// # Errors
    /// When they were not, or its file cannot be read.
    pub fn fits(&self, dir: &Path) -> Result<(), Problem> {
        let (safe, bin) = (dir.join("model.safetensors"), dir.join("model.bin"));
        let file = if safe.is_file() { safe } else { bin };
        let (_, digest) = sha256_of(&file)?;
        if digest == self.base {
            return Ok(());
        }
        let what = format!(
            "has the digest {digest}, and the ears in {} were made for {}",
            self.at.display(),
            self.base
        );
        Err(Problem::in_file(file.display().to_string(), what).help(format!(
            "install the pinned model with `cotside model install`, name ears made for this one in {HEARING}, \
             or set {HEARING}=off to hear without"
        )))
    }

    /// Lays them over the base model's weights. The letter head is put among them, its layers named as the
    /// published ones are.
    ///
    /// # Errors
    /// When a weight has no place there, or does not fit it.
    pub fn lay_over(self, base: &mut Weights) -> candle_core::Result<()> {
        let f32_of = |t: &Tensor| t.to_dtype(DType::F32);
        for (name, t) in &self.weights {
            if name.ends_with(".A") {
                continue;
            }
            let path: Vec<&str> = name.split('.').collect();
            let t = f32_of(t)?;
            let (at, t) = match path.as_slice() {
                ["delta", layer @ .., "B"] => {
                    let a = name.strip_suffix('B').and_then(|n| self.weights.get(&format!("{n}A")));
                    let a = a.ok_or_else(|| no_place(name))?;
                    let at = linear(layer).ok_or_else(|| no_place(name))?;
                    let old = base.get(&at).ok_or_else(|| no_place(name))?;
                    let new = (old + (t.matmul(&f32_of(a)?)? * TIMES)?)?;
                    (at, new)
                }
                ["delta", rest @ ..] => (whole(rest).ok_or_else(|| no_place(name))?, t),
                ["letters", "ctx", "layers", n, "self_attn", part]
                    if let Some(kind) = part.strip_prefix("in_proj_") =>
                {
                    let wide = t.dim(0)? / 3;
                    for (i, q) in ["q", "k", "v"].iter().enumerate() {
                        let at = format!("model.letters.layers.{n}.self_attn.{q}_proj.{kind}");
                        base.insert(at, t.narrow(0, i * wide, wide)?.contiguous()?);
                    }
                    continue;
                }
                ["letters", rest @ ..] => {
                    base.insert(letters(rest).ok_or_else(|| no_place(name))?, t);
                    continue;
                }
                _ => return Err(no_place(name)),
            };
            match base.get_mut(&at) {
                Some(old) if old.shape() == t.shape() => *old = t,
                _ => return Err(no_place(name)),
            }
        }
        Ok(())
    }
}

fn no_place(name: &str) -> candle_core::Error {
    candle_core::Error::Msg(format!("the adapted weight `{name}` has no place in the base model"))
}

fn side(short: &str) -> Option<&'static str> {
    Some(match short {
        "enc" => "encoder",
        "dec" => "decoder",
        _ => return None,
    })
}

/// The published name of a linear layer's matrix.
fn linear(path: &[&str]) -> Option<String> {
    let [part, layer, rest @ ..] = path else { return None };
    Some(format!("model.{}.layers.{layer}.{}.weight", side(part)?, rest.join(".")))
}

/// The published name of a weight that is replaced as a whole.
fn whole(path: &[&str]) -> Option<String> {
    Some(match path {
        [conv @ ("c1w" | "c1b" | "c2w" | "c2b")] => {
            let kind = if conv.ends_with('w') { "weight" } else { "bias" };
            format!("model.encoder.conv{}.{kind}", &conv[1..2])
        }
        ["ne", kind] => format!("model.encoder.layer_norm.{kind}"),
        ["nd", kind] => format!("model.decoder.layer_norm.{kind}"),
        [part, layer, norm, kind] => {
            let norm = match *norm {
                "n1" => "self_attn_layer_norm",
                "n2" => "encoder_attn_layer_norm",
                "n3" => "final_layer_norm",
                _ => return None,
            };
            format!("model.{}.layers.{layer}.{norm}.{kind}", side(part)?)
        }
        _ => return None,
    })
}

/// Where a weight of the letter head is put.
fn letters(path: &[&str]) -> Option<String> {
    Some(match path {
        ["cn", kind] => format!("model.letters.layer_norm.{kind}"),
        ["ctc", kind] => format!("model.letters.out.{kind}"),
        ["ctx", "layers", n, "self_attn", "out_proj", kind] => {
            format!("model.letters.layers.{n}.self_attn.out_proj.{kind}")
        }
        ["ctx", "layers", n, part, kind] => {
            let part = match *part {
                "norm1" => "self_attn_layer_norm",
                "norm2" => "final_layer_norm",
                "linear1" => "fc1",
                "linear2" => "fc2",
                _ => return None,
            };
            format!("model.letters.layers.{n}.{part}.{kind}")
        }
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_carried_ears_are_what_their_card_says_and_fit_no_other_model() {
        let ears = found().unwrap().unwrap();
        assert_eq!(ears.digest.len(), 64);
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join("model.bin"), b"another").unwrap();
        let told = ears.fits(dir.path()).unwrap_err().to_string();
        assert!(told.contains(&ears.base), "{told}");
    }

    #[test]
    fn a_file_that_was_changed_is_refused() {
        let card = carried("hearing/card.json");
        let told = Adapted::of(b"changed", card, PathBuf::from("here")).err().unwrap().to_string();
        assert!(told.contains("its card says"), "{told}");
    }

    #[test]
    fn low_rank_matrices_are_multiplied_and_added_twice() {
        let dev = &Device::Cpu;
        let mut base = Weights::new();
        let at = "model.encoder.layers.0.fc1.weight";
        base.insert(at.into(), Tensor::ones((2, 3), DType::F32, dev).unwrap());
        let mut weights = Weights::new();
        weights.insert("delta.enc.0.fc1.B".into(), Tensor::new(&[[1f32], [2.0]], dev).unwrap());
        weights.insert("delta.enc.0.fc1.A".into(), Tensor::new(&[[1f32, 0.0, 3.0]], dev).unwrap());
        let (base_digest, digest) = (String::new(), String::new());
        let ears = Adapted {
            weights,
            base: base_digest,
            name: String::new(),
            at: PathBuf::new(),
            digest,
            spelt: BTreeMap::new(),
        };
        ears.lay_over(&mut base).unwrap();
        let now = base[at].to_vec2::<f32>().unwrap();
        assert_eq!(now, [[3.0, 1.0, 7.0], [5.0, 1.0, 13.0]]);
    }
}
