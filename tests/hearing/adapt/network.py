"""Whisper in torch, with a low-rank delta on every linear layer and a second head over letters.

Names of the trained tensors are those of the shipped file: `enc.N`, `dec.N` blocks with `A` and `B` of each linear
layer (added to its weight as 2 * B @ A; Hu et al. 2021), `c1w` to `c2b` the two convolutions, `n1` to `n3`, `ne`, `nd`
the norms, `ctx`, `cn`, `ctc` the head (connectionist temporal classification; Graves 2006).
"""
import math
import struct

import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

SCALE = 2.0
HEAD = ("ctc", "ctx", "cn")  # tensors of the head begin so


def base(path):
    """The base model's weights: a CTranslate2 `model.bin` of 16 or 32 bits, by the names of the published one."""
    with open(path, "rb") as f:
        number = lambda: struct.unpack("<I", f.read(4))[0]

        def text():
            (n,) = struct.unpack("<H", f.read(2))
            return f.read(n)[:-1].decode()

        if number() != 6:
            raise SystemExit(f"{path}: is no CTranslate2 file of version 6")
        text(), number()
        raw = {}
        for _ in range(number()):
            name, rank = text(), f.read(1)[0]
            shape = [number() for _ in range(rank)]
            kind, data = f.read(1)[0], f.read(number())
            if kind in (0, 4) and rank:
                kept = np.frombuffer(data, np.float32 if kind == 0 else np.float16)
                raw[name] = torch.tensor(kept.reshape(shape).astype(np.float32))
    out = {}
    other = lambda s: {"gamma": "weight", "beta": "bias"}.get(s, s)
    for name, t in raw.items():
        p = name.split("/")
        side = "model." + p[0]
        if p[1] in ("conv1", "conv2"):
            out[f"{side}.{p[1]}.{p[2]}"] = t
        elif p[1].startswith("embeddings"):
            out[side + ".embed_tokens.weight"] = t
        elif p[1].startswith("position_enc"):
            out[side + ".embed_positions.weight"] = t
        elif p[1] == "layer_norm":
            out[f"{side}.layer_norm.{other(p[2])}"] = t
        elif p[1].startswith("layer_"):
            layer = f"{side}.layers.{p[1][6:]}"
            if p[2] == "ffn":
                part = {"layer_norm": "final_layer_norm", "linear_0": "fc1"}.get(p[3], "fc2")
                out[f"{layer}.{part}.{other(p[4])}"] = t
                continue
            attention = f"{layer}." + ("encoder_attn" if p[2] == "attention" else "self_attn")
            if p[3] == "layer_norm":
                out[f"{attention}_layer_norm.{other(p[4])}"] = t
                continue
            parts = {
                ("self_attention", "linear_0"): ["q_proj", "k_proj", "v_proj"],
                ("attention", "linear_0"): ["q_proj"],
                ("attention", "linear_1"): ["k_proj", "v_proj"],
            }.get((p[2], p[3]), ["out_proj"])
            for n, piece in zip(parts, t.chunk(len(parts), 0)):
                out[f"{attention}.{n}.{other(p[4])}"] = piece.clone()
    return out


class Linear(nn.Module):
    def __init__(self, weight, bias, rank):
        super().__init__()
        self.w = nn.Parameter(weight, requires_grad=False)
        self.b = None if bias is None else nn.Parameter(bias, requires_grad=False)
        self.rank = rank
        if rank:
            self.A = nn.Parameter(torch.randn(rank, weight.shape[1]) / math.sqrt(weight.shape[1]))
            self.B = nn.Parameter(torch.zeros(weight.shape[0], rank))

    def forward(self, x):
        y = F.linear(x, self.w, self.b)
        return y + F.linear(F.linear(x, self.A), self.B) * SCALE if self.rank else y


def norm(weights, key):
    m = nn.LayerNorm(weights[key + ".weight"].shape[0])
    m.weight.data = weights[key + ".weight"].clone()
    m.bias.data = weights[key + ".bias"].clone()
    return m


class Attention(nn.Module):
    def __init__(self, weights, key, rank):
        super().__init__()
        for n in ("q_proj", "k_proj", "v_proj", "out_proj"):
            setattr(self, n, Linear(weights[f"{key}.{n}.weight"], weights.get(f"{key}.{n}.bias"), rank))

    def forward(self, x, other=None, causal=False, mask=None):
        other = x if other is None else other
        rows, times, wide = x.shape
        heads = wide // 64
        pairs = ((self.q_proj, x), (self.k_proj, other), (self.v_proj, other))
        q, k, v = [f(z).view(rows, -1, heads, 64).transpose(1, 2) for f, z in pairs]
        y = F.scaled_dot_product_attention(q, k, v, attn_mask=mask, is_causal=causal)
        return self.out_proj(y.transpose(1, 2).reshape(rows, times, wide))


class Block(nn.Module):
    def __init__(self, weights, key, rank, cross):
        super().__init__()
        self.cross = cross
        self.self_attn, self.n1 = Attention(weights, key + ".self_attn", rank), norm(weights, key + ".self_attn_layer_norm")
        if cross:
            self.encoder_attn = Attention(weights, key + ".encoder_attn", rank)
            self.n2 = norm(weights, key + ".encoder_attn_layer_norm")
        self.n3 = norm(weights, key + ".final_layer_norm")
        self.fc1 = Linear(weights[key + ".fc1.weight"], weights[key + ".fc1.bias"], rank)
        self.fc2 = Linear(weights[key + ".fc2.weight"], weights[key + ".fc2.bias"], rank)

    def forward(self, x, sound=None, sound_mask=None, mask=None):
        x = x + self.self_attn(self.n1(x), causal=self.cross, mask=None if self.cross else mask)
        if self.cross:
            x = x + self.encoder_attn(self.n2(x), sound, mask=sound_mask)
        return x + self.fc2(F.gelu(self.fc1(self.n3(x))))


class Ears(nn.Module):
    """The encoder, the decoder (the word ear), and the head over letters (the letter ear)."""

    def __init__(self, weights, rank, letters):
        super().__init__()
        e, d = "model.encoder", "model.decoder"
        self.c1w, self.c1b, self.c2w, self.c2b = [
            nn.Parameter(weights[f"{e}.{k}"].clone()) for k in ("conv1.weight", "conv1.bias", "conv2.weight", "conv2.bias")
        ]
        self.register_buffer("pe", weights[e + ".embed_positions.weight"], persistent=False)
        self.register_buffer("pd", weights[d + ".embed_positions.weight"], persistent=False)
        self.emb = nn.Parameter(weights[d + ".embed_tokens.weight"], requires_grad=False)
        layers = lambda side: 1 + max(int(k.split(".")[3]) for k in weights if k.startswith(side + ".layers"))
        self.enc = nn.ModuleList(Block(weights, f"{e}.layers.{i}", rank, False) for i in range(layers(e)))
        self.dec = nn.ModuleList(Block(weights, f"{d}.layers.{i}", rank, True) for i in range(layers(d)))
        self.ne, self.nd = norm(weights, e + ".layer_norm"), norm(weights, d + ".layer_norm")
        wide = self.pe.shape[1]
        layer = nn.TransformerEncoderLayer(wide, 6, 1024, 0.1, F.gelu, batch_first=True, norm_first=True)
        self.ctx = nn.TransformerEncoder(layer, 2, enable_nested_tensor=False)
        self.cn, self.ctc = nn.LayerNorm(wide), nn.Linear(wide, letters)

    def encode(self, bands, frames):
        """Bands (rows, 80, times) of which `frames` a row are its own; gives states and which of them are its own."""
        x = F.gelu(F.conv1d(bands, self.c1w, self.c1b, padding=1))
        x = F.gelu(F.conv1d(x, self.c2w, self.c2b, stride=2, padding=1)).transpose(1, 2)
        x = x + self.pe[: x.shape[1]]
        own = (torch.arange(x.shape[1], device=x.device)[None] < (frames // 2)[:, None])[:, None, None]
        for b in self.enc:
            x = b(x, mask=own)
        return self.ne(x), own

    def letters(self, x, own):
        """Scores of blank and letters, 20 ms a row."""
        return self.ctc(self.cn(self.ctx(x, src_key_padding_mask=~own[:, 0, 0])))

    def write(self, tokens, x, own):
        """Scores of the token behind each of `tokens`."""
        y = self.emb[tokens] + self.pd[: tokens.shape[1]]
        for b in self.dec:
            y = b(y, x, own)
        return F.linear(self.nd(y), self.emb)

    def trained(self):
        return {n: p.detach() for n, p in self.named_parameters() if p.requires_grad}


def bank():
    """The 80 bands of pitch: triangles on Slaney's scale, of area one."""
    hertz = lambda m: m * 200 / 3 if m < 15 else 1000 * 6.4 ** ((m - 15) / 27)
    top = 15 + 27 * math.log(8.0) / math.log(6.4)
    edges = [hertz(top * i / 81) for i in range(82)]
    at = np.arange(201) * 40.0
    out = np.zeros((80, 201), np.float32)
    for b in range(80):
        low, mid, high = edges[b : b + 3]
        out[b] = np.maximum(0, np.minimum((at - low) / (mid - low), (high - at) / (high - mid))) * 2 / (high - low)
    return torch.tensor(out)


def bands(x, samples, filters, window):
    """Logarithmic bands of sounds (rows, times); each row in a window of its own, as the program takes it:
    its sound and half a second, 4 s at least."""
    power = torch.stft(x, 400, 160, window=window, center=True, pad_mode="reflect", return_complex=True)[..., :-1].abs() ** 2
    y = torch.clamp(filters @ power, min=1e-10).log10()
    frames = torch.clamp(torch.div(samples + 159, 160, rounding_mode="floor") + 50, min=400)
    frames = (frames + 1) // 2 * 2
    times = (int(frames.max()) + 49) // 50 * 50
    if y.shape[2] < times:
        y = F.pad(y, (0, times - y.shape[2]), value=-10.0)
    y = y[..., :times]
    own = torch.arange(times, device=x.device)[None] < frames[:, None]
    most = y.masked_fill(~own[:, None], -99).amax((1, 2), keepdim=True)
    return (torch.maximum(y, most - 8) + 4) / 4, frames
