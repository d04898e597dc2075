"""Trains the delta and the letter head together, and prints and writes what they reach.

train.py --base model.bin --tokenizer tokenizer.json --packs FILE... --made FOLDER --cries cry.pack
         --held FILE... --human an4-test.pack --seconds 600 --out FOLDER

`--made` is a folder that `speak.py kokoro` wrote. The digest of `--base` goes into the card: the delta is for that
file alone. One GPU; without one it runs too, for a try.
"""
import argparse
import hashlib
import json
import math
import os
import pathlib
import random
import re
import time

import numpy as np
import torch
import torch.nn.functional as F
from safetensors.torch import load_file, save_file
from tokenizers import Tokenizer

import packs
from network import HEAD, Ears, bands, bank, base
from sounds import Clips, Room, coloured, levelled, mixed
from spelling import CODE, LETTERS, spoken, words, written
from texts import held

LONGEST = 14 * 16000
PAIRED = 0.2  # rows in which two are said, one behind the other
NOTHING = 0.05  # rows in which nothing is said
MASKED = 0.5  # batches in which bands and moments are masked


def read_clips(a):
    """(text, voice, sound) to train on, and those to be tried: (group, text, sound)."""
    train, tried = [], []
    for path in a.packs:
        train += [(t, v, x) for _, v, t, x in packs.read(path)]
    for path in sorted(pathlib.Path(a.made).glob("a*.json")) if a.made else []:
        sound, at = np.load(path.with_suffix(".npy")), 0
        for part, voice, text, n in json.load(open(path)):
            x = sound[at : at + n].astype(np.float32) / 32768
            at += n
            if part == "train":
                train.append((text, voice, x))
            elif part == "held":
                tried.append((voice, text, x))
    for path in a.held or []:
        tried += [(v, t, x) for _, v, t, x in packs.read(path)]
    if a.human:
        tried += [("human", t, x) for _, _, t, x in packs.read(a.human)]
    train = [c for c in train if spoken(c[0]) and not held(c[0]) and 4000 < len(c[2]) < LONGEST]
    return train, tried


def wrong_words(a, b):
    d = list(range(len(b) + 1))
    for i, x in enumerate(a, 1):
        p, d[0] = d[:], i
        for j, y in enumerate(b, 1):
            d[j] = min(p[j] + 1, d[j - 1] + 1, p[j - 1] + (x != y))
    return d[-1]


def greedy(best):
    out, before = [], 0
    for z in best:
        if z != before and z:
            out.append(LETTERS[z - 1])
        before = z
    return "".join(out)


class Trial:
    """Tries a pair of ears on clips they never heard."""

    def __init__(self, tried, cries, tokenizer, filters, window, device):
        self.d, self.tokenizer, self.filters, self.window, self.cries = device, tokenizer, filters, window, cries
        self.sets = {}
        for group, text, x in tried:
            if spoken(text) and len(x) < LONGEST:
                self.sets.setdefault(group, []).append((text, x))
        special = tokenizer.token_to_id
        self.start = [special("<|startoftranscript|>"), special("<|notimestamps|>")]
        self.end = special("<|endoftext|>")
        texts = list(dict.fromkeys(spoken(t) for g, c in self.sets.items() if g != "human" for t, _ in c))
        self.bound = [t for t in texts if t]

    def sound(self, clips, condition):
        torch.manual_seed(9)
        rows = len(clips)
        c = Clips([x for _, x in clips], self.d)
        times = (max(len(x) for _, x in clips) + 8000 + 7999) // 8000 * 8000
        lead = torch.full((rows,), 4000, device=self.d)
        x, ends = c.take(range(rows), lead, torch.ones(rows, device=self.d), times)
        ends = ends + 4000
        if condition != "clean":
            kind, db = re.match(r"([a-z]+)(\d+)", condition).groups()
            noise = self.cries.anywhere(rows, times) if kind == "cry" else coloured(rows, times, 1, self.d)
            x = mixed(x, ends, noise, torch.full((rows,), float(db), device=self.d))
        return levelled(x, 0.7), ends

    def write(self, net, x, own, most=60):
        tokens = torch.tensor([self.start] * x.shape[0], device=self.d)
        done = torch.zeros(x.shape[0], dtype=torch.bool, device=self.d)
        for _ in range(most):
            s = net.write(tokens, x, own)[:, -1]
            s[:, self.end + 1 :] = -1e9
            n = s.argmax(-1)
            n = torch.where(done, torch.full_like(n, self.end), n)
            tokens = torch.cat([tokens, n[:, None]], 1)
            done |= n == self.end
            if done.all():
                break
        return [self.tokenizer.decode([t for t in row if t < self.end]) for row in tokens[:, 2:].tolist()]

    @torch.no_grad()
    def run(self, net, most=None):
        net.eval()
        out = {}
        for group, clips in sorted(self.sets.items()):
            clips = clips[:most] if most else clips
            for condition in ["clean"] if group == "human" else ["clean", "cry10", "cry5", "pink10"]:
                n = wrong = wrong_letters = right = right_letters = bound = 0
                for k in range(0, len(clips), 64):
                    part = clips[k : k + 64]
                    x, ends = self.sound(part, condition)
                    m, frames = bands(x, ends, self.filters, self.window)
                    with torch.autocast(self.d, torch.bfloat16):
                        enc, own = net.encode(m, frames)
                        scores = net.letters(enc, own)
                    lp = scores.float().log_softmax(-1)
                    texts = self.write(net, enc.float(), own)
                    targets = torch.tensor(sum(([CODE[c] for c in t] for t in self.bound), []), device=self.d)
                    lengths = torch.tensor([len(t) for t in self.bound], device=self.d)
                    for i, (text, _) in enumerate(part):
                        want, t = words(text), int(frames[i] // 2)
                        got, letters = words(texts[i]), greedy(lp[i, :t].argmax(-1).tolist()).split()
                        n += len(want)
                        wrong += wrong_words(want, got)
                        wrong_letters += wrong_words(want, letters)
                        right += want == got
                        right_letters += want == letters
                        if group != "human":
                            s = F.ctc_loss(
                                lp[i, :t][:, None].expand(-1, len(self.bound), -1), targets,
                                torch.full((len(self.bound),), t, device=self.d), lengths, reduction="none", zero_infinity=False,
                            )
                            bound += self.bound[int(torch.nan_to_num(s, nan=1e9, posinf=1e9).argmin())] == spoken(text)
                c = len(clips)
                row = {"clips": c, "words wrong": wrong / n, "letters' words wrong": wrong_letters / n, "exact": right / c, "letters exact": right_letters / c}
                if group != "human":
                    row["letters bound"] = bound / c
                out[f"{group} {condition}"] = {k: round(v, 3) for k, v in row.items()}
                print(group, condition, out[f"{group} {condition}"], flush=True)
        # Crying alone: nothing is to be written.
        said = heard = 0
        torch.manual_seed(5)
        for _ in range(4):
            x = levelled(self.cries.anywhere(50, 64000), 0.7)
            m, frames = bands(x, torch.full((50,), 64000, device=self.d), self.filters, self.window)
            with torch.autocast(self.d, torch.bfloat16):
                enc, own = net.encode(m, frames)
                scores = net.letters(enc, own)
            said += sum(bool(words(t)) for t in self.write(net, enc.float(), own, 12))
            heard += sum(len(greedy(r.argmax(-1).tolist()).strip()) > 1 for r in scores)
        out["crying alone"] = {"stretches": 200, "something written": said, "letters heard": heard}
        print(out["crying alone"], flush=True)
        net.train()
        return out


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("base", "tokenizer", "made", "cries", "human", "out", "since"):
        p.add_argument("--" + name)
    p.add_argument("--packs", nargs="+", default=[])
    p.add_argument("--held", nargs="*")
    p.add_argument("--seconds", type=float, default=600)
    p.add_argument("--rank", type=int, default=32)
    p.add_argument("--rate", type=float, default=5e-4)
    p.add_argument("--batch", type=int, default=96)
    p.add_argument("--letters", type=float, default=0.6, help="weight of the letter head's loss")
    p.add_argument("--try-only", action="store_true", help="tries what --since names, and trains nothing")
    p.add_argument("--quick", type=int, help="clips a group in trials")
    p.add_argument("--seed", type=int, default=1)
    a = p.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(a.seed), random.seed(a.seed), np.random.seed(a.seed)
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    tokenizer = Tokenizer.from_file(a.tokenizer)
    train, tried = read_clips(a)
    cries = [x for *_, x in packs.read(a.cries)]
    kept = max(4, len(cries) // 12)
    held_cries = Clips(cries[-kept:], device)
    cries = Clips(cries[:-kept], device)
    voices = Clips([c[2] for c in train], device)
    print(f"{len(train)} clips, {voices.seconds() / 3600:.2f} h; {len(tried)} to be tried; cries {cries.seconds() / 60:.0f} min", flush=True)
    filters, window = bank().to(device), torch.hann_window(400, device=device)
    net = Ears(base(a.base), a.rank, len(LETTERS) + 1).to(device)
    if a.since:
        left = net.load_state_dict({k: v.float() for k, v in load_file(a.since).items()}, strict=False)
        print("begun from", a.since, "unknown:", left.unexpected_keys)
    for w in (net.c1w, net.c1b, net.c2w, net.c2b):
        w.requires_grad = True
    trial = Trial(tried, held_cries, tokenizer, filters, window, device)
    os.makedirs(a.out, exist_ok=True)
    if a.try_only:
        json.dump(trial.run(net, a.quick), open(os.path.join(a.out, "trial.json"), "w"), indent=1)
        return
    room = Room(voices, cries)
    start, end = trial.start, trial.end
    wide = lambda t: tokenizer.encode(" " + t, add_special_tokens=False).ids if t else []
    letters = [[CODE[c] for c in spoken(t)] for t, *_ in train]
    named = [(n, q) for n, q in net.named_parameters() if q.requires_grad]
    head = [q for n, q in named if n.split(".")[0] in HEAD]
    slow = [q for n, q in named if n.split(".")[0] not in HEAD and not n.endswith((".A", ".B"))]
    fast = [q for n, q in named if n.endswith((".A", ".B"))]
    rates = [a.rate, a.rate * 0.1, a.rate * 1.5]
    optimiser = torch.optim.AdamW([{"params": g, "lr": r} for g, r in zip((fast, slow, head), rates)], weight_decay=0.02, betas=(0.9, 0.98))
    print("numbers trained:", sum(q.numel() for _, q in named), flush=True)

    def batches():
        while True:
            order = list(range(len(train)))
            random.shuffle(order)
            for i in range(0, len(order), a.batch * 12):
                part = sorted(order[i : i + a.batch * 12], key=lambda k: len(train[k][2]))
                ready = [part[k : k + a.batch] for k in range(0, len(part), a.batch)]
                random.shuffle(ready)
                yield from ready

    began, step, sums, losses = time.time(), 0, [0.0, 0.0, 0], []
    for which in batches():
        gone = time.time() - began
        if gone > a.seconds:
            break
        f = min(1, (step + 1) / 150) * (0.5 * (1 + math.cos(math.pi * gone / a.seconds)) * 0.97 + 0.03)
        for g, r in zip(optimiser.param_groups, rates):
            g["lr"] = r * f
        rows = len(which)
        # Two said one behind the other, of about the same length; a full stop or nothing between.
        second = [random.choice(which) if random.random() < PAIRED else None for _ in which]
        silent = [random.random() < NOTHING for _ in which]
        texts, spelt = [], []
        for k, s, nothing in zip(which, second, silent):
            if nothing:
                texts.append(""), spelt.append([])
            elif s is None:
                texts.append(written(train[k][0])), spelt.append(letters[k])
            else:
                first = train[k][0].rstrip(" .,")
                joint = random.choice([". ", ". ", ", ", " "])
                then = train[s][0]
                texts.append(written(first) + joint + (written(then) if joint == ". " else written(then)[:1].lower() + written(then)[1:]))
                spelt.append(letters[k] + [CODE[" "]] + letters[s])
        with torch.no_grad():
            lead = torch.randint(800, 7000, (rows,), device=device)
            tail = torch.randint(800, 7000, (rows,), device=device)
            speed = torch.rand(rows, device=device) * 0.36 + 0.84
            gap = torch.randint(1200, 12000, (rows,), device=device)
            has = torch.tensor([s is not None for s in second], device=device)
            n1 = torch.tensor([voices.length[k] for k in which], device=device)
            n2 = torch.tensor([voices.length[k if s is None else s] for k, s in zip(which, second)], device=device)
            ends = lead + (n1 / speed).long() + torch.where(has, gap + (n2 / speed).long(), torch.zeros_like(gap)) + tail
            times = (int(ends.max()) + 7999) // 8000 * 8000
            x, upto = voices.take(which, lead, speed, times)
            if has.any():
                y, _ = voices.take([k if s is None else s for k, s in zip(which, second)], upto + gap, speed, times)
                x = x + y * has[:, None]
            x = room(x, ends)
            none = torch.tensor(silent, device=device)
            if none.any():
                # Crying, babble or hum alone; what is said has no words for it.
                k = torch.rand(rows, device=device)
                alone = torch.where((k < 0.6)[:, None], cries.anywhere(rows, times), coloured(rows, times, 1.5, device))
                own = torch.arange(times, device=device)[None] < ends[:, None]
                x = torch.where(none[:, None], levelled(alone, torch.rand(rows, 1, device=device) * 0.8 + 0.05) * own, x)
            m, frames = bands(x, ends, filters, window)
            if random.random() < MASKED:
                for _ in range(2):
                    w = random.randint(1, 12)
                    s = random.randint(0, 79 - w)
                    m[:, s : s + w] = m.mean()
                w = random.randint(1, 20)
                s = random.randint(0, max(1, m.shape[2] - w))
                m[:, :, s : s + w] = m.mean()
        ids = [wide(t) for t in texts]
        longest = max(len(i) for i in ids) + 1
        target = torch.full((rows, longest), end)
        for i, t in enumerate(ids):
            target[i, : len(t)] = torch.tensor(t, dtype=torch.long)
        target = target.to(device)
        lengths = torch.tensor([len(t) + 1 for t in ids], device=device)
        told = torch.cat([torch.tensor([start] * rows, device=device), target[:, :-1]], 1)
        with torch.autocast(device, torch.bfloat16):
            enc, own = net.encode(m, frames)
            said = net.write(told, enc, own)[:, 1:]
            scores = net.letters(enc, own)
        mask = torch.arange(longest, device=device)[None] < lengths[:, None]
        by_word = F.cross_entropy(said.float()[mask], target[mask], label_smoothing=0.05)
        by_letter = F.ctc_loss(
            scores.float().log_softmax(-1).transpose(0, 1), torch.tensor(sum(spelt, []), device=device),
            (frames // 2).long(), torch.tensor([len(t) for t in spelt], device=device), zero_infinity=True,
        )
        loss = by_word + a.letters * by_letter
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_([q for _, q in named], 1.0)
        optimiser.step()
        step += 1
        sums = [sums[0] + by_word.item(), sums[1] + by_letter.item(), sums[2] + 1]
        if step % 250 == 0:
            losses.append([step, round(sums[0] / sums[2], 3), round(sums[1] / sums[2], 3)])
            print(f"{step} {gone:.0f} s, words {losses[-1][1]}, letters {losses[-1][2]}", flush=True)
            sums = [0.0, 0.0, 0]
            if len(losses) % 12 == 0:
                keep(net, os.path.join(a.out, "ears.safetensors"))
    print("steps", step, "times through", round(step * a.batch / len(train), 1), flush=True)
    keep(net, os.path.join(a.out, "ears.safetensors"))
    results = trial.run(net, a.quick)
    card = {
        "base": hashlib.sha256(open(a.base, "rb").read()).hexdigest(),
        "rank": a.rank,
        "letters": LETTERS,
        "trained": {
            "clips": len(train), "hours": round(voices.seconds() / 3600, 2), "voices": len({v for _, v, _ in train}),
            "packs": [os.path.basename(x) for x in a.packs], "seed": a.seed, "steps": step, "batch": a.batch,
            "rate": a.rate, "seconds": round(time.time() - began), "losses": losses,
        },
        "held out": results,
    }
    json.dump(card, open(os.path.join(a.out, "card.json"), "w"), indent=1, ensure_ascii=False)


def keep(net, path):
    save_file({k: v.half().cpu().contiguous() for k, v in net.trained().items()}, path)


if __name__ == "__main__":
    main()
