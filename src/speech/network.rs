//! The network: Whisper's encoder and decoder (Radford et al. 2022), in `candle`'s tensors.
//!
//! Written out here and not taken from `candle-transformers`, because that one computes the whole
//! sentence anew for every word and copies the sound for every hypothesis; here each word costs
//! one step however many hypotheses are followed, and all share one encoded sound.

use candle_core::{Device, Error, IndexOp, Result, Tensor};
use candle_nn::{Conv1d, Conv1dConfig, LayerNorm, Module, ops};

use super::mel::{BANDS, MOST_FRAMES};
use super::model::Weights;

/// Widest and narrowest model this program has been run with decide nothing; one head is always
/// 64 wide in the published models.
const HEAD: usize = 64;

/// The network with its weights.
pub struct Network {
    conv1: Conv1d,
    conv2: Conv1d,
    positions: Tensor,
    encoder: Vec<Block>,
    encoder_end: LayerNorm,
    /// Inputs by tokens.
    words: Tensor,
    word_positions: Tensor,
    decoder: Vec<Block>,
    decoder_end: LayerNorm,
    /// The second head, where the weights were adapted.
    letters: Option<Letters>,
}

/// The second head on the encoder: two more layers, then a chance for each letter.
struct Letters {
    layers: Vec<Block>,
    end: LayerNorm,
    out: Linear,
}

/// A matrix and what is added behind it. The matrix is kept inputs by outputs: multiplied the
/// other way round it would be copied together anew at every step, which takes half of the time.
struct Linear {
    matrix: Tensor,
    bias: Option<Tensor>,
}

impl Linear {
    fn forward(&self, x: &Tensor) -> Result<Tensor> {
        let y = x.matmul(&self.matrix)?;
        match &self.bias {
            Some(b) => y.broadcast_add(b),
            None => Ok(y),
        }
    }
}

struct Attention {
    q: Linear,
    k: Linear,
    v: Linear,
    out: Linear,
    before: LayerNorm,
}

struct Block {
    own: Attention,
    cross: Option<Attention>,
    wide: Linear,
    narrow: Linear,
    before: LayerNorm,
}

/// An encoded sound, ready to be asked by the decoder.
pub struct Encoded {
    /// Keys and values of each decoder layer: (heads, 64, moments) and (heads, moments, 64).
    layers: Vec<(Tensor, Tensor)>,
    /// Logarithms of the chances of no letter and of each letter, every 20 ms; none without the second head.
    pub letters: Option<Vec<Vec<f32>>>,
}

/// What the decoder remembers of the words of each hypothesis.
#[derive(Clone, Default)]
pub struct Memory {
    /// Keys and values of each layer: (hypotheses, heads, words, 64).
    layers: Vec<(Tensor, Tensor)>,
    words: usize,
}

impl Memory {
    /// How many words have been taken in.
    pub fn len(&self) -> usize {
        self.words
    }

    /// Whether none has.
    pub fn is_empty(&self) -> bool {
        self.words == 0
    }

    /// Keeps hypotheses by number, in that order; one may be kept several times.
    ///
    /// # Errors
    /// When a number is out of range.
    pub fn keep(&mut self, which: &[u32]) -> Result<()> {
        let index = Tensor::new(which, &Device::Cpu)?;
        for (k, v) in &mut self.layers {
            *k = k.index_select(&index, 0)?;
            *v = v.index_select(&index, 0)?;
        }
        Ok(())
    }
}

/// A weight, out of the list: what was put in its place is not kept twice.
fn take(w: &mut Weights, name: &str) -> Result<Tensor> {
    w.remove(name).ok_or_else(|| Error::Msg(format!("the weight `{name}` is missing")))
}

fn linear(w: &mut Weights, name: &str) -> Result<Linear> {
    let bias = w.remove(&format!("{name}.bias"));
    let matrix = take(w, &format!("{name}.weight"))?.t()?.contiguous()?;
    Ok(Linear { matrix, bias })
}

fn norm(w: &mut Weights, name: &str) -> Result<LayerNorm> {
    let (g, b) = (take(w, &format!("{name}.weight"))?, take(w, &format!("{name}.bias"))?);
    Ok(LayerNorm::new(g, b, 1e-5))
}

impl Attention {
    fn load(w: &mut Weights, name: &str) -> Result<Self> {
        Ok(Attention {
            q: linear(w, &format!("{name}.q_proj"))?,
            k: linear(w, &format!("{name}.k_proj"))?,
            v: linear(w, &format!("{name}.v_proj"))?,
            out: linear(w, &format!("{name}.out_proj"))?,
            before: norm(w, &format!("{name}_layer_norm"))?,
        })
    }
}

impl Block {
    fn load(w: &mut Weights, name: &str, cross: bool) -> Result<Self> {
        Ok(Block {
            own: Attention::load(w, &format!("{name}.self_attn"))?,
            cross: match cross {
                true => Some(Attention::load(w, &format!("{name}.encoder_attn"))?),
                false => None,
            },
            wide: linear(w, &format!("{name}.fc1"))?,
            narrow: linear(w, &format!("{name}.fc2"))?,
            before: norm(w, &format!("{name}.final_layer_norm"))?,
        })
    }

    /// All moments of a sound at once, each seeing all others.
    fn whole(&self, x: &Tensor) -> Result<Tensor> {
        let h = self.own.before.forward(x)?;
        let q = (heads(&self.own.q.forward(&h)?)? * scale())?;
        let k = heads(&self.own.k.forward(&h)?)?;
        let v = heads(&self.own.v.forward(&h)?)?;
        let a = ops::softmax_last_dim(&q.matmul(&k.t()?)?)?.matmul(&v)?;
        self.feed(&(x + self.own.out.forward(&joined(&a)?)?)?)
    }

    fn feed(&self, x: &Tensor) -> Result<Tensor> {
        let wide = self.wide.forward(&self.before.forward(x)?)?.gelu_erf()?;
        x + self.narrow.forward(&wide)?
    }
}

impl Letters {
    fn load(w: &mut Weights) -> Result<Self> {
        Ok(Letters {
            layers: layers(w, "letters", false)?,
            end: norm(w, "model.letters.layer_norm")?,
            out: linear(w, "model.letters.out")?,
        })
    }

    fn of(&self, encoded: &Tensor) -> Result<Vec<Vec<f32>>> {
        let mut x = encoded.clone();
        for b in &self.layers {
            x = b.whole(&x)?;
        }
        let mut rows = self.out.forward(&self.end.forward(&x)?)?.to_vec2::<f32>()?;
        rows.iter_mut().for_each(|r| log_softmax(r));
        Ok(rows)
    }
}

fn conv(w: &mut Weights, name: &str, stride: usize) -> Result<Conv1d> {
    let config = Conv1dConfig { padding: 1, stride, ..Conv1dConfig::default() };
    let weight = take(w, &format!("model.encoder.{name}.weight"))?;
    Ok(Conv1d::new(weight, w.remove(&format!("model.encoder.{name}.bias")), config))
}

fn layers(w: &mut Weights, side: &str, cross: bool) -> Result<Vec<Block>> {
    let mut out = Vec::new();
    while w.contains_key(&format!("model.{side}.layers.{}.fc1.weight", out.len())) {
        out.push(Block::load(w, &format!("model.{side}.layers.{}", out.len()), cross)?);
    }
    match out.is_empty() {
        true => Err(Error::Msg(format!("there is no layer in the {side}"))),
        false => Ok(out),
    }
}

/// (rows, heads * 64) to (heads, rows, 64).
fn heads(x: &Tensor) -> Result<Tensor> {
    let (rows, wide) = x.dims2()?;
    x.reshape((rows, wide / HEAD, HEAD))?.transpose(0, 1)?.contiguous()
}

/// (heads, rows, 64) to (rows, heads * 64).
fn joined(x: &Tensor) -> Result<Tensor> {
    let (heads, rows, _) = x.dims3()?;
    x.transpose(0, 1)?.contiguous()?.reshape((rows, heads * HEAD))
}

fn scale() -> f64 {
    (HEAD as f64).powf(-0.5)
}

impl Network {
    /// Puts the weights in place.
    ///
    /// # Errors
    /// When one is missing or of the wrong shape.
    pub fn load(mut weights: Weights) -> Result<Network> {
        let w = &mut weights;
        let net = Network {
            conv1: conv(w, "conv1", 1)?,
            conv2: conv(w, "conv2", 2)?,
            positions: take(w, "model.encoder.embed_positions.weight")?,
            encoder: layers(w, "encoder", false)?,
            encoder_end: norm(w, "model.encoder.layer_norm")?,
            words: take(w, "model.decoder.embed_tokens.weight")?.t()?.contiguous()?,
            word_positions: take(w, "model.decoder.embed_positions.weight")?,
            decoder: layers(w, "decoder", true)?,
            decoder_end: norm(w, "model.decoder.layer_norm")?,
            letters: match w.contains_key("model.letters.out.weight") {
                true => Some(Letters::load(w)?),
                false => None,
            },
        };
        let (_, bands, _) = net.conv1.weight().dims3()?;
        let wide = net.words.dim(0)?;
        if bands != BANDS || !wide.is_multiple_of(HEAD) {
            return Err(Error::Msg(format!(
                "{bands} bands, {wide} wide: not a model of this kind"
            )));
        }
        Ok(net)
    }

    /// Whether it hears letters.
    pub fn has_letters(&self) -> bool {
        self.letters.is_some()
    }

    /// Number of tokens the network can say.
    pub fn tokens(&self) -> usize {
        self.words.dim(1).unwrap_or(0)
    }

    /// Most words a hypothesis may have.
    pub fn most_words(&self) -> usize {
        self.word_positions.dim(0).unwrap_or(0)
    }

    /// Encodes bands (80 × `frames`, band by band). The window is as long as the sound, not always
    /// 30 seconds; the positions are cut with it.
    ///
    /// # Errors
    /// When there are no frames, or more than 3000.
    pub fn encode(&self, bands: Vec<f32>, frames: usize) -> Result<Encoded> {
        if !(2..=MOST_FRAMES).contains(&frames) {
            return Err(Error::Msg(format!("{frames} frames of sound: at least 2, at most 3000")));
        }
        let x = Tensor::from_vec(bands, (1, BANDS, frames), &Device::Cpu)?;
        let x = self.conv1.forward(&x)?.gelu_erf()?;
        let x = self.conv2.forward(&x)?.gelu_erf()?;
        let x = x.i(0)?.t()?.contiguous()?;
        let mut x = (&x + self.positions.narrow(0, 0, x.dim(0)?)?)?;
        for b in &self.encoder {
            x = b.whole(&x)?;
        }
        let x = self.encoder_end.forward(&x)?;
        let layers = self
            .decoder
            .iter()
            .filter_map(|b| b.cross.as_ref())
            .map(|c| {
                let k = heads(&c.k.forward(&x)?)?.transpose(1, 2)?.contiguous()?;
                Ok((k, heads(&c.v.forward(&x)?)?))
            })
            .collect::<Result<_>>()?;
        let letters = self.letters.as_ref().map(|l| l.of(&x)).transpose()?;
        Ok(Encoded { layers, letters })
    }

    /// Takes in one more token of each hypothesis and gives, for each, the logarithms of the
    /// chances of every next token.
    ///
    /// # Errors
    /// When the hypotheses do not fit the memory, or are too long.
    pub fn step(
        &self,
        sound: &Encoded,
        memory: &mut Memory,
        tokens: &[u32],
    ) -> Result<Vec<Vec<f32>>> {
        let x = self.take_in(sound, memory, tokens)?;
        let mut rows = x.matmul(&self.words)?.to_vec2::<f32>()?;
        for row in &mut rows {
            log_softmax(row);
        }
        Ok(rows)
    }

    /// The logarithms of the chances of whole texts behind a prompt, their ends included: all tokens are taken
    /// in at once, which is far less work than one after the other.
    ///
    /// # Errors
    /// When a text is too long.
    pub fn chances(
        &self,
        sound: &Encoded,
        prompt: &[u32],
        texts: &[Vec<u32>],
        end: u32,
    ) -> Result<Vec<f32>> {
        let first = prompt.len().saturating_sub(1);
        let ends: Vec<Tensor> = texts
            .iter()
            .map(|text| {
                let x = self.read(sound, &[prompt, text].concat())?;
                x.narrow(0, first, text.len() + 1)
            })
            .collect::<Result<_>>()?;
        let rows = Tensor::cat(&ends, 0)?.matmul(&self.words)?.to_vec2::<f32>()?;
        let mut rows = rows.iter();
        let one = |text: &Vec<u32>| {
            let next = text.iter().copied().chain([end]);
            next.zip(&mut rows).map(|(t, row)| row[t as usize] - log_sum(row)).sum()
        };
        Ok(texts.iter().map(one).collect())
    }

    /// What the decoder makes of each of these tokens, each seeing those before it.
    fn read(&self, sound: &Encoded, tokens: &[u32]) -> Result<Tensor> {
        let n = tokens.len();
        let index = Tensor::new(tokens, &Device::Cpu)?;
        let said = self.words.index_select(&index, 1)?.t()?.contiguous()?;
        let mut x = (said + self.word_positions.narrow(0, 0, n)?)?;
        let later: Vec<f32> =
            (0..n * n).map(|i| if i % n > i / n { f32::NEG_INFINITY } else { 0.0 }).collect();
        let later = Tensor::from_vec(later, (1, n, n), &Device::Cpu)?;
        for (b, (keys, values)) in self.decoder.iter().zip(&sound.layers) {
            let h = b.own.before.forward(&x)?;
            let q = (heads(&b.own.q.forward(&h)?)? * scale())?;
            let (k, v) = (heads(&b.own.k.forward(&h)?)?, heads(&b.own.v.forward(&h)?)?);
            let seen = q.matmul(&k.t()?)?.broadcast_add(&later)?;
            let a = ops::softmax_last_dim(&seen)?.matmul(&v)?;
            x = (x + b.own.out.forward(&joined(&a)?)?)?;
            if let Some(c) = &b.cross {
                let q = (heads(&c.q.forward(&c.before.forward(&x)?)?)? * scale())?;
                let a = ops::softmax_last_dim(&q.matmul(keys)?)?.matmul(values)?;
                x = (x + c.out.forward(&joined(&a)?)?)?;
            }
            x = b.feed(&x)?;
        }
        self.decoder_end.forward(&x)
    }

    /// Takes in one more token of each hypothesis. The chances of what follows are most of the work
    /// of a step; behind all tokens of a prompt but the last nobody asks for them.
    ///
    /// # Errors
    /// As [`Network::step`].
    pub fn take_in(&self, sound: &Encoded, memory: &mut Memory, tokens: &[u32]) -> Result<Tensor> {
        let rows = tokens.len();
        let index = Tensor::new(tokens, &Device::Cpu)?;
        let place = self.word_positions.narrow(0, memory.words, 1)?;
        let said = self.words.index_select(&index, 1)?.t()?.contiguous()?;
        let mut x = said.broadcast_add(&place)?;
        for (n, b) in self.decoder.iter().enumerate() {
            let h = b.own.before.forward(&x)?;
            let split = |t: Tensor| -> Result<Tensor> {
                let wide = t.dim(1)?;
                t.reshape((rows, wide / HEAD, 1, HEAD))
            };
            let q = (split(b.own.q.forward(&h)?)? * scale())?;
            let (k, v) = (split(b.own.k.forward(&h)?)?, split(b.own.v.forward(&h)?)?);
            let (k, v) = match memory.layers.get(n) {
                Some((ks, vs)) => (Tensor::cat(&[ks, &k], 2)?, Tensor::cat(&[vs, &v], 2)?),
                None => (k, v),
            };
            let a = ops::softmax_last_dim(&q.matmul(&k.t()?)?)?.matmul(&v)?;
            let a = a.reshape((rows, a.elem_count() / rows))?;
            match memory.layers.get_mut(n) {
                Some(slot) => *slot = (k, v),
                None => memory.layers.push((k, v)),
            }
            x = (x + b.own.out.forward(&a)?)?;
            if let (Some(c), Some((k, v))) = (&b.cross, sound.layers.get(n)) {
                let q = (heads(&c.q.forward(&c.before.forward(&x)?)?)? * scale())?;
                let a = ops::softmax_last_dim(&q.matmul(k)?)?.matmul(v)?;
                x = (x + c.out.forward(&joined(&a)?)?)?;
            }
            x = b.feed(&x)?;
        }
        memory.words += 1;
        self.decoder_end.forward(&x)
    }
}

fn log_softmax(row: &mut [f32]) {
    let all = log_sum(row);
    row.iter_mut().for_each(|v| *v -= all);
}

/// Numbers added side by side, so that the compiler can take several at once.
const LANES: usize = 16;

/// The logarithm of the sum of the exponentials. There are a million of them in a step of twenty
/// hypotheses; with the library's own function they take longer than the network's layers.
fn log_sum(row: &[f32]) -> f32 {
    let (parts, rest) = row.as_chunks::<LANES>();
    let mut most = [f32::MIN; LANES];
    for part in parts {
        for (m, v) in most.iter_mut().zip(part) {
            *m = if *v > *m { *v } else { *m };
        }
    }
    let most = most.iter().chain(rest).copied().fold(f32::MIN, f32::max);
    let mut sums = [0.0f32; LANES];
    for part in parts {
        for (s, v) in sums.iter_mut().zip(part) {
            *s += exp_below(*v - most);
        }
    }
    let sum: f32 = sums.iter().sum::<f32>() + rest.iter().map(|v| exp_below(v - most)).sum::<f32>();
    most + sum.ln()
}

/// e to the power of `x`, which is 0 or less, to 3 parts in a million: two to the nearest whole
/// power, times a polynomial for the rest.
#[inline(always)]
fn exp_below(x: f32) -> f32 {
    // Added to a small number, this leaves its nearest whole one in the last bits.
    const WHOLE: f32 = 12_582_912.0;
    let x = if x < -87.0 { -87.0 } else { x };
    let t = x * std::f32::consts::LOG2_E;
    let shifted = t + WHOLE;
    let f = t - (shifted - WHOLE);
    let p = 0.055_504_11 + f * (0.009_618_13 + f * 0.001_333_36);
    let p = 1.0 + f * (std::f32::consts::LN_2 + f * (0.240_226_5 + f * p));
    let power = shifted.to_bits().wrapping_sub(WHOLE.to_bits()) << 23;
    f32::from_bits(p.to_bits().wrapping_add(power))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_logarithm_of_a_sum_is_that_of_the_librarys_own_exponentials() {
        for n in [1, 15, 16, 1000, 51_864] {
            let row: Vec<f32> = (0..n).map(|i| ((i * 7919) % 4001) as f32 / 40.0 - 70.0).collect();
            let due = row.iter().map(|v| f64::from(*v).exp()).sum::<f64>().ln();
            assert!((f64::from(log_sum(&row)) - due).abs() < 2e-5, "{n}");
        }
        for x in [0.0f32, -0.3, -1.0, -10.0, -80.0] {
            assert!((exp_below(x) / x.exp() - 1.0).abs() < 5e-6, "{x}");
        }
    }
}
