//! The network: BERT's encoder (Devlin et al. 2018) with a low-rank delta (Hu et al. 2021) merged into it,
//! and five heads over the first piece of each word. The same as `tests/narrations/train/tagger.py`.

use std::collections::HashMap;

use candle_core::{DType, Device, Error, Result, Tensor};
use candle_nn::{LayerNorm, Module, ops};

use super::Labels;

/// Weights by name.
pub type Weights = HashMap<String, Tensor>;

/// The published encoder's small number in its norms.
const EPS: f64 = 1e-12;
/// One head of the published encoder is this wide.
const HEAD: usize = 32;

/// The network with its weights.
pub struct Network {
    words: Tensor,
    places: Tensor,
    begin: LayerNorm,
    layers: Vec<Layer>,
    mix: Linear,
    item: Linear,
    value: Linear,
    side: Linear,
    scope: Linear,
}

/// What the network says of each word of a window: the heads' outputs before any squashing.
pub struct Said {
    /// By word, then item.
    pub item: Vec<Vec<f32>>,
    /// By word, then value.
    pub value: Vec<Vec<f32>>,
    /// By word, then side.
    pub side: Vec<Vec<f32>>,
    /// By word, then scope.
    pub scope: Vec<Vec<f32>>,
}

/// A matrix, inputs by outputs, and what is added behind it.
struct Linear {
    matrix: Tensor,
    bias: Tensor,
}

impl Linear {
    fn forward(&self, x: &Tensor) -> Result<Tensor> {
        x.matmul(&self.matrix)?.broadcast_add(&self.bias)
    }
}

struct Layer {
    q: Linear,
    k: Linear,
    v: Linear,
    out: Linear,
    norm1: LayerNorm,
    wide: Linear,
    narrow: Linear,
    norm2: LayerNorm,
}

/// The encoder's weights with the delta's laid over them.
struct Both<'a> {
    base: &'a Weights,
    delta: &'a Weights,
}

impl Both<'_> {
    fn base(&self, name: &str) -> Result<Tensor> {
        self.kept(name)?.to_dtype(DType::F32)
    }

    /// As it is kept: of the words' vectors few are looked up at a time.
    fn kept(&self, name: &str) -> Result<Tensor> {
        let found = self.base.get(name).or_else(|| self.base.get(&format!("bert.{name}")));
        found.cloned().ok_or_else(|| Error::Msg(format!("the encoder has no weight `{name}`")))
    }

    fn delta(&self, name: &str) -> Result<Tensor> {
        let found = self.delta.get(name);
        found
            .ok_or_else(|| Error::Msg(format!("the delta has no weight `{name}`")))?
            .to_dtype(DType::F32)
    }

    /// A layer of the encoder: its matrix and the product of the delta's two thin ones.
    fn linear(&self, theirs: &str, ours: &str) -> Result<Linear> {
        let base = self.base(&format!("{theirs}.weight"))?;
        let thin = self.delta(&format!("{ours}.b"))?.matmul(&self.delta(&format!("{ours}.a"))?)?;
        let matrix = (base + thin)?.t()?.contiguous()?;
        Ok(Linear { matrix, bias: self.delta(&format!("{ours}.base.bias"))? })
    }

    fn head(&self, name: &str) -> Result<Linear> {
        let matrix = self.delta(&format!("{name}.weight"))?.t()?.contiguous()?;
        Ok(Linear { matrix, bias: self.delta(&format!("{name}.bias"))? })
    }

    /// Norms are trained whole.
    fn norm(&self, name: &str) -> Result<LayerNorm> {
        let (w, b) = (self.delta(&format!("{name}.weight"))?, self.delta(&format!("{name}.bias"))?);
        Ok(LayerNorm::new(w, b, EPS))
    }
}

impl Network {
    /// Lays the delta over the encoder.
    ///
    /// # Errors
    /// When a weight is missing or of the wrong shape.
    pub fn load(base: Weights, delta: &Weights, labels: &Labels) -> Result<Network> {
        let w = Both { base: &base, delta };
        let mut layers = Vec::new();
        while w.delta.contains_key(&format!("layers.{}.q.a", layers.len())) {
            let (theirs, ours) =
                (format!("encoder.layer.{}", layers.len()), format!("layers.{}", layers.len()));
            let linear =
                |t: &str, o: &str| w.linear(&format!("{theirs}.{t}"), &format!("{ours}.{o}"));
            layers.push(Layer {
                q: linear("attention.self.query", "q")?,
                k: linear("attention.self.key", "k")?,
                v: linear("attention.self.value", "v")?,
                out: linear("attention.output.dense", "out")?,
                norm1: w.norm(&format!("{ours}.norm1"))?,
                wide: linear("intermediate.dense", "wide")?,
                narrow: linear("output.dense", "narrow")?,
                norm2: w.norm(&format!("{ours}.norm2"))?,
            });
        }
        let kind = w.base("embeddings.token_type_embeddings.weight")?.get(0)?;
        let places = w.base("embeddings.position_embeddings.weight")?.broadcast_add(&kind)?;
        let net = Network {
            words: w.kept("embeddings.word_embeddings.weight")?,
            places,
            begin: w.norm("norm0")?,
            layers,
            mix: w.head("mix")?,
            item: w.head("item")?,
            value: w.head("value")?,
            side: w.head("side")?,
            scope: w.head("scope")?,
        };
        for (head, many, what) in [
            (&net.item, labels.items.len(), "items"),
            (&net.value, labels.values.len(), "values"),
            (&net.side, labels.sides.len(), "sides"),
            (&net.scope, labels.scopes.len(), "scopes"),
        ] {
            let has = head.matrix.dim(1)?;
            if has != many {
                return Err(Error::Msg(format!("{has} {what} in the weights, {many} on the card")));
            }
        }
        if net.layers.is_empty() || labels.sided.len() != labels.items.len() {
            return Err(Error::Msg("the delta and its card do not belong together".into()));
        }
        Ok(net)
    }

    /// Most pieces a window may have.
    pub fn most(&self) -> usize {
        self.places.dim(0).unwrap_or(0)
    }

    /// Reads a window of pieces; `at` are the places of the words' first pieces.
    ///
    /// # Errors
    /// When the window is too long or a piece is not in the vocabulary.
    pub fn read(&self, pieces: &[u32], at: &[u32]) -> Result<Said> {
        let n = pieces.len();
        let x = self
            .words
            .index_select(&Tensor::new(pieces, &Device::Cpu)?, 0)?
            .to_dtype(DType::F32)?;
        let mut x = self.begin.forward(&(x + self.places.narrow(0, 0, n)?)?)?;
        for layer in &self.layers {
            x = layer.forward(&x)?;
        }
        let x = x.index_select(&Tensor::new(at, &Device::Cpu)?, 0)?;
        let h = self.mix.forward(&x)?.gelu_erf()?;
        let said = |head: &Linear| head.forward(&h)?.to_vec2::<f32>();
        Ok(Said {
            item: said(&self.item)?,
            value: said(&self.value)?,
            side: said(&self.side)?,
            scope: said(&self.scope)?,
        })
    }
}

impl Layer {
    fn forward(&self, x: &Tensor) -> Result<Tensor> {
        let (rows, wide) = x.dims2()?;
        let split = |y: Tensor| -> Result<Tensor> {
            y.reshape((rows, wide / HEAD, HEAD))?.transpose(0, 1)?.contiguous()
        };
        let q = (split(self.q.forward(x)?)? * (HEAD as f64).powf(-0.5))?;
        let (k, v) = (split(self.k.forward(x)?)?, split(self.v.forward(x)?)?);
        let a = ops::softmax_last_dim(&q.matmul(&k.t()?)?)?.matmul(&v)?;
        let a = a.transpose(0, 1)?.contiguous()?.reshape((rows, wide))?;
        let x = self.norm1.forward(&(x + self.out.forward(&a)?)?)?;
        let y = self.narrow.forward(&self.wide.forward(&x)?.gelu_erf()?)?;
        self.norm2.forward(&(x + y)?)
    }
}
