//! Reads the weights of a recogniser: a CTranslate2 `model.bin`, or the common
//! `model.safetensors`. Both end as tensors under the names of the published model.
//!
//! CTranslate2's container has no reader among the crates, and is a plain list: version, name of
//! the model, revision, then for every weight its name, shape, type and bytes, little-endian
//! (`ctranslate2/specs/model_spec.py`, `_serialize`, version 6).

use std::collections::HashMap;
use std::fs::File;
use std::io::{BufReader, Read};
use std::path::Path;

use candle_core::{DType, Device, Tensor};

use crate::problem::Problem;

/// Weights by the names of the published model (`model.encoder.conv1.weight`, …), 32-bit floats.
pub type Weights = HashMap<String, Tensor>;

/// More bytes than this in one weight is no recogniser of the size this program runs.
const LARGEST: u64 = 1 << 30;

/// Reads a CTranslate2 `model.bin`.
///
/// # Errors
/// When the file cannot be read or is no such container.
pub fn ctranslate2(path: &Path) -> Result<Weights, Problem> {
    let shown = path.display().to_string();
    let broken = |what: String| {
        Problem::in_file(&shown, format!("is no CTranslate2 model: {what}"))
            .help("install the model again with `cotside model install`")
    };
    let file = File::open(path).map_err(|e| broken(e.to_string()))?;
    let mut r = BufReader::with_capacity(1 << 20, file);
    read_container(&mut r).map_err(broken)
}

fn read_container(r: &mut impl Read) -> Result<Weights, String> {
    let version = u32_of(r)?;
    if version != 6 {
        return Err(format!("container version {version}, and this program reads 6"));
    }
    let spec = text_of(r)?;
    if spec != "WhisperSpec" {
        return Err(format!("it holds a `{spec}`, and this program runs a `WhisperSpec`"));
    }
    u32_of(r)?;
    let count = u32_of(r)?;
    let mut out = Weights::new();
    for _ in 0..count {
        let name = text_of(r)?;
        let rank = u8_of(r)?;
        let shape: Vec<usize> =
            (0..rank).map(|_| u32_of(r).map(|n| n as usize)).collect::<Result<_, _>>()?;
        let kind = u8_of(r)?;
        let bytes = u64::from(u32_of(r)?);
        if bytes > LARGEST {
            return Err(format!("the weight `{name}` would be {bytes} bytes long"));
        }
        // Read, not made room for: the file may say more than it holds.
        let mut raw = Vec::new();
        r.take(bytes).read_to_end(&mut raw).map_err(|e| format!("inside `{name}`: {e}"))?;
        if raw.len() as u64 != bytes {
            return Err(format!("it ends inside `{name}`"));
        }
        let kind = match kind {
            0 => DType::F32,
            4 => DType::F16,
            // Counts and switches beside the weights.
            _ => continue,
        };
        let wanted = shape.iter().try_fold(kind.size_in_bytes(), |n, side| n.checked_mul(*side));
        if rank == 0 || wanted != Some(raw.len()) {
            continue;
        }
        let tensor = Tensor::from_raw_buffer(&raw, kind, &shape, &Device::Cpu)
            .and_then(|t| t.to_dtype(DType::F32))
            .map_err(|e| format!("`{name}`: {e}"))?;
        for (name, tensor) in published(&name, tensor)? {
            out.insert(name, tensor);
        }
    }
    Ok(out)
}

/// A weight under the names of the published model: queries, keys and values are held as one.
fn published(name: &str, t: Tensor) -> Result<Vec<(String, Tensor)>, String> {
    let parts: Vec<&str> = name.split('/').collect();
    let of = |s: &str| match s {
        "gamma" => "weight".to_owned(),
        "beta" => "bias".to_owned(),
        other => other.to_owned(),
    };
    let pre = format!("model.{}", parts[0]);
    let one = |n: String| Ok(vec![(n, t.clone())]);
    match parts.as_slice() {
        [_, conv @ ("conv1" | "conv2"), w] => one(format!("{pre}.{conv}.{w}")),
        [_, "embeddings", ..] => one(format!("{pre}.embed_tokens.weight")),
        [_, "position_encodings", ..] => one(format!("{pre}.embed_positions.weight")),
        [_, "layer_norm", w] => one(format!("{pre}.layer_norm.{}", of(w))),
        [_, layer, "ffn", part, w] if layer.starts_with("layer_") => {
            let part = match *part {
                "layer_norm" => "final_layer_norm",
                "linear_0" => "fc1",
                _ => "fc2",
            };
            one(format!("{pre}.layers.{}.{part}.{}", &layer[6..], of(w)))
        }
        [_, layer, attention, part, w] if layer.starts_with("layer_") => {
            let to = if *attention == "attention" { "encoder_attn" } else { "self_attn" };
            let base = format!("{pre}.layers.{}.{to}", &layer[6..]);
            if *part == "layer_norm" {
                return one(format!("{base}_layer_norm.{}", of(w)));
            }
            let names: &[&str] = match (*attention, *part) {
                ("self_attention", "linear_0") => &["q_proj", "k_proj", "v_proj"],
                ("attention", "linear_0") => &["q_proj"],
                ("attention", "linear_1") => &["k_proj", "v_proj"],
                _ => &["out_proj"],
            };
            let rows = t.dim(0).map_err(|e| e.to_string())?;
            if rows == 0 || rows % names.len() != 0 {
                return Err(format!("`{name}` has {rows} rows, no multiple of {}", names.len()));
            }
            let each = rows / names.len();
            names
                .iter()
                .enumerate()
                .map(|(i, n)| {
                    let part = t
                        .narrow(0, i * each, each)
                        .and_then(|p| p.contiguous())
                        .map_err(|e| format!("`{name}`: {e}"))?;
                    Ok((format!("{base}.{n}.{}", of(w)), part))
                })
                .collect()
        }
        _ => Ok(Vec::new()),
    }
}

/// Reads a `model.safetensors` in the layout of the published model.
///
/// # Errors
/// When the file cannot be read or is no such file.
pub fn safetensors(path: &Path) -> Result<Weights, Problem> {
    let broken = |e: candle_core::Error| {
        Problem::in_file(path.display().to_string(), format!("is no safetensors model: {e}"))
            .help("take the file `model.safetensors` of the published Whisper tiny.en")
    };
    let raw = candle_core::safetensors::load(path, &Device::Cpu).map_err(broken)?;
    raw.into_iter().map(|(n, t)| Ok((n, t.to_dtype(DType::F32).map_err(broken)?))).collect()
}

fn bytes_of<const N: usize>(r: &mut impl Read) -> Result<[u8; N], String> {
    let mut b = [0; N];
    r.read_exact(&mut b).map_err(|e| format!("it ends too early ({e})"))?;
    Ok(b)
}

fn u8_of(r: &mut impl Read) -> Result<u8, String> {
    bytes_of::<1>(r).map(|b| b[0])
}

fn u32_of(r: &mut impl Read) -> Result<u32, String> {
    bytes_of(r).map(u32::from_le_bytes)
}

/// Two bytes of length, the text, and a zero that is counted in.
fn text_of(r: &mut impl Read) -> Result<String, String> {
    let n = usize::from(bytes_of(r).map(u16::from_le_bytes)?);
    let mut raw = vec![0; n];
    r.read_exact(&mut raw).map_err(|e| format!("it ends too early ({e})"))?;
    while raw.last() == Some(&0) {
        raw.pop();
    }
    String::from_utf8(raw).map_err(|_| "a name in it is no text".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_that_are_no_model_are_refused_with_what_was_found() {
        for (bytes, says) in [
            (&b""[..], "too early"),
            (&[9, 0, 0, 0][..], "version 9"),
            (&[6, 0, 0, 0, 4, 0, b'a', b'b', b'c', 0][..], "`abc`"),
        ] {
            let told = read_container(&mut &bytes[..]).unwrap_err();
            assert!(told.contains(says), "{told}");
        }
    }
}
