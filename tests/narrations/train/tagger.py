"""The tagger: a pretrained text encoder with a trained low-rank delta, and heads over each word.

For every word of a stream it says which items' findings are complete there, which value and which side each
has, and in what scope the words stand. PyTorch; `src/reading/tagger` runs the same network in Rust.
"""
import json
import math

import torch
import torch.nn as nn
import torch.nn.functional as F
from tokenizers import Tokenizer
from safetensors.torch import load_file

from narrations import SCOPES, SIDES


class LowRank(nn.Module):
    """A linear layer and a trained product of two thin matrices added to it (Hu et al. 2021)."""

    def __init__(self, base, rank):
        super().__init__()
        self.base = base
        self.a = nn.Parameter(torch.randn(rank, base.in_features) / math.sqrt(base.in_features))
        self.b = nn.Parameter(torch.zeros(base.out_features, rank))

    def forward(self, x):
        return self.base(x) + F.linear(F.linear(x, self.a), self.b)


class Layer(nn.Module):
    """One layer of BERT (Devlin et al. 2018): attention and a wide layer, each normed after its sum."""

    def __init__(self, c, rank, drop):
        super().__init__()
        d, wide = c["hidden_size"], c["intermediate_size"]
        lin = (lambda i, o: LowRank(nn.Linear(i, o), rank)) if rank else nn.Linear
        self.heads, self.drop = c["num_attention_heads"], drop
        self.q, self.k, self.v, self.out = lin(d, d), lin(d, d), lin(d, d), lin(d, d)
        self.norm1 = nn.LayerNorm(d, c["layer_norm_eps"])
        self.wide, self.narrow = lin(d, wide), lin(wide, d)
        self.norm2 = nn.LayerNorm(d, c["layer_norm_eps"])

    def forward(self, x, mask):
        b, n, d = x.shape
        split = lambda y: y.view(b, n, self.heads, d // self.heads).transpose(1, 2)
        y = F.scaled_dot_product_attention(split(self.q(x)), split(self.k(x)), split(self.v(x)), attn_mask=mask,
                                           dropout_p=self.drop if self.training else 0.0)
        y = self.out(y.transpose(1, 2).reshape(b, n, d))
        x = self.norm1(x + F.dropout(y, self.drop, self.training))
        y = self.narrow(F.gelu(self.wide(x)))
        return self.norm2(x + F.dropout(y, self.drop, self.training))


NAMES = [("attention.self.query", "q"), ("attention.self.key", "k"), ("attention.self.value", "v"),
         ("attention.output.dense", "out"), ("attention.output.LayerNorm", "norm1"), ("intermediate.dense", "wide"),
         ("output.dense", "narrow"), ("output.LayerNorm", "norm2")]


class Tagger(nn.Module):
    def __init__(self, base, labels, rank=48, drop=0.1, hidden=384):
        super().__init__()
        c = json.load(open(f"{base}/config.json"))
        w = {k.removeprefix("bert."): v.float() for k, v in load_file(f"{base}/model.safetensors").items()}
        d = c["hidden_size"]
        self.rank, self.drop = rank, drop
        self.words = nn.Embedding.from_pretrained(w["embeddings.word_embeddings.weight"], freeze=bool(rank))
        self.places = nn.Embedding.from_pretrained(w["embeddings.position_embeddings.weight"], freeze=bool(rank))
        kind = w["embeddings.token_type_embeddings.weight"][0]
        self.kind = nn.Parameter(kind, requires_grad=not rank)
        self.norm0 = nn.LayerNorm(d, c["layer_norm_eps"])
        self.norm0.load_state_dict({"weight": w["embeddings.LayerNorm.weight"], "bias": w["embeddings.LayerNorm.bias"]})
        self.layers = nn.ModuleList(Layer(c, rank, drop) for _ in range(c["num_hidden_layers"]))
        for i, layer in enumerate(self.layers):
            for theirs, ours in NAMES:
                part = getattr(layer, ours)
                part = part.base if isinstance(part, LowRank) else part
                part.load_state_dict({k: w[f"encoder.layer.{i}.{theirs}.{k}"] for k in ("weight", "bias")})
                if rank:
                    # Biases and norms are few and are trained whole.
                    part.weight.requires_grad_(isinstance(part, nn.LayerNorm))
        self.mix = nn.Linear(d, hidden)
        self.item = nn.Linear(hidden, len(labels.items))
        self.value = nn.Linear(hidden, len(labels.values))
        self.side = nn.Linear(hidden, len(SIDES))
        self.scope = nn.Linear(hidden, len(SCOPES))
        self.hand = nn.Linear(hidden, len(labels.items) + 1)
        nn.init.constant_(self.item.bias, -4.0)

    def forward(self, ids, at, mask):
        """ids: (windows, pieces); at: (windows, words), the first piece of each word; mask: (windows, pieces)."""
        n = ids.shape[1]
        x = self.words(ids) + self.places.weight[:n] + self.kind
        x = F.dropout(self.norm0(x), self.drop, self.training)
        bias = torch.zeros(mask.shape, dtype=x.dtype, device=x.device).masked_fill(~mask, -1e4)[:, None, None, :]
        for layer in self.layers:
            x = layer(x, bias.to(x.dtype))
        h = x.gather(1, at.unsqueeze(-1).expand(-1, -1, x.shape[-1]))
        h = F.dropout(F.gelu(self.mix(h)), 0.15 if self.training else 0.0, self.training)
        return {k: getattr(self, k)(h).float() for k in ("item", "value", "side", "scope", "hand")}

    def trained(self):
        """What is shipped: everything that was trained."""
        return {k: v for k, v in self.state_dict().items() if dict(self.named_parameters())[k].requires_grad}


class Pieces:
    """Words to pieces of the encoder's vocabulary."""

    CLS, SEP, MASK = 101, 102, 103

    def __init__(self, base):
        self.t = Tokenizer.from_file(f"{base}/tokenizer.json")
        self.t.no_padding()
        self.t.no_truncation()
        self.known = {}

    def of(self, word):
        if word not in self.known:
            self.known[word] = self.t.encode(word, add_special_tokens=False).ids[:12] or [100]
        return self.known[word]

    def window(self, words):
        ids, at = [self.CLS], []
        for w in words:
            at.append(len(ids))
            ids += self.of(w)
        return ids + [self.SEP], at
