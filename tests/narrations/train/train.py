"""Trains the tagger on narrated examinations and writes its delta and heads.

usage: train.py --base FOLDER --lexicon FOLDER --train FOLDER... --utterances FOLDER --out FILE
       [--seen FOLDER...] [--seconds S] [--rank R] [--seed N] [--hold PREFIX,...]

--base      config.json, tokenizer.json and model.safetensors of the pretrained encoder
--hold      narrations whose names begin so are kept out of training and scored
See README.md. One GPU; some minutes.
"""
import argparse
import json
import pathlib
import random
import re
import time
import tomllib

import torch
import torch.nn.functional as F

import narrations as N
from tagger import Pieces, Tagger

BEFORE, BLOCK, AFTER = 96, 64, 32
FILLERS = ["okay", "um", "so", "right", "good", "yeah", "uh", "well", "there we go", "you know", "let's see", "all right",
           "okay.", "so,", "good.", "right,", "um,", "now", "er", "lovely", "there you go", "and", "i mean"]
SHE = {"he": "she", "his": "her", "him": "her", "he's": "she's", "himself": "herself", "boy": "girl", "he'll": "she'll",
       "lad": "lass", "son": "daughter"}
HE = {"she": "he", "hers": "his", "she's": "he's", "herself": "himself", "girl": "boy", "she'll": "he'll", "lass": "lad",
      "daughter": "son"}
# *Right* that is no side: what may stand before it, and behind.
BEFORE_RIGHT = {"all", "that's", "thats", "is", "quite", "alright", "you're", "just", "it's", "got"}
AFTER_RIGHT = {"so", "now", "okay", "then", "well", "back", "up", "down", "round", "around", "away", "through", "over",
               "across", "in", "at", "there", "here", "to", "i", "we", "let's", "off", "into", "out", "but", "that", "you"}
AFTER_LEFT = {"over", "to", "it", "him", "her", "me", "us", "them", "that", "out", "behind", "alone", "for", "with", "off"}
BEFORE_LEFT = {"i", "we", "i've", "been", "what's", "is", "was", "be", "they", "he", "she", "anything", "nothing"}
TENS = {2: "twenty", 3: "thirty", 4: "forty", 5: "fifty", 6: "sixty", 7: "seventy", 8: "eighty", 9: "ninety"}


class Synthetic:
    """Sentences made by rule from the lexicon: an item, its value, a side; and traps of the same words."""

    PRE = ["", "", "", "", "the", "now the", "and the", "so", "next,", "okay,", "and", "then the", "her", "his", "let's do the"]
    SIDES = {"left": ["left", "on the left", "left side", "the left", "left one", "on her left", "his left"],
             "right": ["right", "on the right", "right side", "the right", "on his right", "right one", "her right"],
             "both": ["both sides", "on both sides", "bilaterally", "left and right", "equal on both sides", "both",
                      "the same on either side", "each side"]}
    JOIN = ["", "", "is", "are", "looks", "that's", ",", "it's", "there, it's", "I'd call it", "about", "is now"]
    TRAP = ["yesterday the {n} was {v}", "last night her {n} was {v}", "on admission his {n} {v}", "in a preterm the {n} is {v}",
            "you'd expect the {n} to be {v}", "if the {n} were {v} I'd worry", "the nurses said the {n} was {v}",
            "in sick babies the {n} is {v}", "is the {n} {v}?", "the other twin had {n} {v}", "the notes say {n} {v}",
            "when the {n} is {v} you think of the cord", "at term the {n} should be {v}", "last week {n} {v}",
            "what you want to see is the {n} {v}", "the report says {n} {v}", "a normal {n} would be {v}"]

    def __init__(self, lexicon, labels):
        self.labels, self.rows = labels, []
        plain = lambda ws: [self.say(w) for w in ws if not re.search(r"[{}\[\]*]", w)]
        for path in sorted(pathlib.Path(lexicon).glob("items-*.toml")):
            for it in tomllib.loads(path.read_text(encoding="utf-8")).get("item", []):
                if it["id"] not in labels.item_index:
                    continue
                names = plain(it.get("names", []))
                for v in it.get("value", []):
                    self.rows.append((it["id"], v["code"], names, plain(v.get("words", [])), plain(v.get("alone", []))))
                self.rows.append((it["id"], "skipped", names, ["not done", "skipped", "I'll leave that", "not today", "we won't do that", "can't do that one today"], []))
                self.rows.append((it["id"], "not_obtained", names, ["can't get it", "couldn't elicit", "I can't get anything", "not obtained", "couldn't get that one"], []))
                if it.get("unit") or it.get("number"):
                    self.rows.append((it["id"], "#", names, None, []))
        sounds = {}
        for path in sorted(pathlib.Path(lexicon).glob("items-*.toml")):
            for it in tomllib.loads(path.read_text(encoding="utf-8")).get("item", []):
                for name in it.get("names", []):
                    if it.get("sounds") and "(" not in name:
                        sounds.setdefault(name.replace("=", ""), []).extend(it["sounds"])
        self.sounds = {k: v for k, v in sounds.items() if len(k) > 3}

    @staticmethod
    def say(w):
        w = w.replace("=", "")
        return re.sub(r"\(([^()]*)\)", lambda m: random.choice(m[1].split("|")), w)

    def number(self, item):
        if item == "head-circumference":
            n = random.choice(["thirty four point five", "34.2", "thirty five", "thirty three and a half", "36.1 cm"])
        elif "angle" in item or item in ("square-window", "ankle-dorsiflexion", "heel-to-ear", "arm-recoil"):
            k = random.choice(range(0, 180, 5))
            n = random.choice([str(k), spell(k), spell(k) + " degrees"])
        elif item == "heart-rate":
            n = random.choice([str(random.randint(90, 180)), spell(random.randint(90, 180))])
        else:
            k = random.randint(1, 9)
            n = random.choice([str(k), spell(k)]) + random.choice([" beats", "", ""] if "clonus" in item else [""])
        return n

    def make(self):
        item, code, names, words, alone = random.choice(self.rows)
        sided = self.labels.sided[item]
        side = random.choice(["left", "right", "both", "unstated"]) if sided else None
        value = self.number(item) if code == "#" else random.choice(words + alone) if words else None
        if not value or not names:
            return self.make()
        by_itself = value in alone if alone else False
        name = random.choice(names)
        if random.random() < 0.22:
            return random.choice(self.TRAP).format(n=name, v=value).split(), []
        s = random.choice(self.SIDES[side]) if side in self.SIDES else ""
        parts = [random.choice(self.PRE), "" if by_itself and random.random() < 0.7 else name]
        if s and random.random() < 0.5:
            parts += [s, random.choice(self.JOIN), value]
        else:
            parts += [random.choice(self.JOIN), value, s]
        out = " ".join(p for p in parts if p).replace(" ,", ",").split()
        f = {"item": self.labels.item_index[item], "value": self.labels.value_index[(item, code)],
             "side": N.SIDES.index(side) if sided else -1, "span": [0, len(out) - 1]}
        if sided and side == "unstated":
            # Whether a bare name means both is the lexicon's to say; here only what is said is learnt.
            f["side"] = -1
        return out, [f]


def spell(n):
    """A whole number below 1,000 in words, in one of the ways people say it."""
    small = ("zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen "
             "seventeen eighteen nineteen").split()
    if n < 20:
        return small[n]
    if n < 100:
        return TENS[n // 10] + ("" if n % 10 == 0 else random.choice([" ", "-"]) + small[n % 10])
    rest = n % 100
    head = random.choice(["a hundred", "one hundred"] if n < 200 else [small[n // 100] + " hundred"])
    if rest == 0:
        return head
    if n < 200 and rest >= 10 and random.random() < 0.4:
        return "one " + spell(rest)
    return head + random.choice([" ", " and "]) + spell(rest)


def is_side(words, k):
    w = N.bare(words[k])
    before = N.bare(words[k - 1]) if k else ""
    after = N.bare(words[k + 1]) if k + 1 < len(words) else ""
    if w == "right":
        return not (words[k].endswith(",") and (k == 0 or words[k - 1][-1:] in ".?!")) and before not in BEFORE_RIGHT and after not in AFTER_RIGHT
    return w == "left" and after not in AFTER_LEFT and before not in BEFORE_LEFT


def disturb(words, synth, level=1.0):
    """A copy of the words as another speaker, another recogniser or a stumble would leave them: a list of new words
    for each old one, and whether left and right were exchanged."""
    r = random.random
    out = [[w] for w in words]
    if r() < 0.5 * level:
        strip = r() < 0.7
        out = [[re.sub(r"[^\w']+", " ", w).strip() or w] if strip else [w] for (w,) in out]
        out = [[w.lower()] for (w,) in out]
    if r() < 0.4 * level:
        table = SHE if r() < 0.5 else HE
        for k, (w,) in enumerate(out):
            b = N.bare(w)
            if table is HE and b == "her":
                nxt = N.bare(words[k + 1]) if k + 1 < len(words) else ""
                out[k] = ["him" if nxt in ("", "and", "to", "up", "on", "in", "down", "over", "back", "a", "for") else "his"]
            elif b in table:
                out[k] = [table[b]]
    mirrored = r() < 0.35 * level
    if mirrored:
        for k in range(len(words)):
            if N.bare(words[k]) in ("left", "right") and is_side(words, k):
                other = "left" if N.bare(words[k]) == "right" else "right"
                out[k] = [re.sub("left|right", other, out[k][0], flags=re.I)]
    if r() < 0.4 * level:
        rate = random.choice([0.01, 0.03, 0.06])
        for k in range(len(out)):
            if r() < rate:
                out[k] = random.choice(FILLERS).split() + out[k]
    if r() < 0.2 * level:
        for k in range(len(out)):
            if r() < 0.02:
                out[k] = out[k] + out[k]
    if r() < 0.35 * level:
        for k in range(len(words)):
            for n in (3, 2, 1):
                name = " ".join(N.bare(w) for w in words[k : k + n])
                if k + n <= len(words) and name in synth.sounds and r() < 0.6:
                    out[k] = random.choice(synth.sounds[name]).split()
                    for j in range(1, n):
                        out[k + j] = []
                    break
    if r() < 0.25 * level:
        for k, ws in enumerate(out):
            if len(ws) == 1 and re.fullmatch(r"\d{1,3}[.,]?", ws[0]):
                out[k] = spell(int(re.sub(r"\D", "", ws[0]))).split()
    return out, mirrored


MIRROR = [1, 0, 2, 3, 4]


class Maker(torch.utils.data.IterableDataset):
    """Windows of disturbed narrations, without end."""

    def __init__(self, train, utterances, synth, pieces, labels, a):
        self.train, self.utt, self.synth, self.pieces, self.labels, self.a = train, utterances, synth, pieces, labels, a
        self.weights = [len(n["words"]) * n.get("weight", 1.0) for n in train]

    def stream(self, n):
        """One narration disturbed, with utterances and made sentences put in between its lines."""
        new, mirrored = disturb(n["words"], self.synth)
        words, where = [], []
        extra = []
        starts = set(n["first"])
        put = random.choice([0.0, 0.0, 0.05, 0.12])
        free = self.free(n)
        for k, ws in enumerate(new):
            if put and k in starts and k in free and random.random() < put:
                for _ in range(random.randint(1, 3)):
                    if random.random() < 0.5 and self.utt:
                        u = random.choice(self.utt)
                        w, fs = u["words"], u["findings"]
                        if random.random() < 0.5:
                            w = [re.sub(r"[^\w']+", "", x).lower() or x for x in w]
                    else:
                        w, fs = self.synth.make()
                    extra += [{**f, "span": [len(words) + f["span"][0], len(words) + f["span"][1]]} for f in fs]
                    words += w
            where.append(len(words))
            words += ws
        where.append(len(words))
        move = lambda a, b: [where[a], max(where[a], where[b + 1] - 1)]
        fs = [{**f, "span": move(*f["span"]), "side": MIRROR[f["side"]] if mirrored and f["side"] >= 0 else f["side"]}
              for f in n["findings"]]
        rows = lambda key: [move(a, b) + [x] for a, b, x in n[key]]
        return {"words": words, "findings": fs + extra, "scopes": rows("scopes"), "announced": rows("announced"),
                "loose": rows("loose"), "marked": n["marked"]}

    @staticmethod
    def free(n):
        """Places where nothing waits for its value: something may be put in there."""
        waits = set()
        for a, _, item in n["announced"]:
            end = next((f["span"][1] for f in n["findings"] if f["item"] == item and f["span"][0] >= a), a)
            if end - a < 80:
                waits.update(range(a + 1, end + 1))
        return set(n["first"]) - waits

    def __iter__(self):
        info = torch.utils.data.get_worker_info()
        random.seed(self.a.seed * 1000 + (info.id if info else 0))
        while True:
            rows = []
            while len(rows) < self.a.batch:
                s = self.stream(random.choices(self.train, self.weights)[0])
                for _ in range(6):
                    before, block, after = random.randint(40, BEFORE + 20), random.randint(40, BLOCK + 30), random.choice([0, 4, 12, AFTER, AFTER, AFTER])
                    c = random.randint(0, max(0, len(s["words"]) - block // 2))
                    lo, hi = max(0, c - before), min(len(s["words"]), c + block + after)
                    rows.append(self.window(s, lo, hi, c - lo, min(c + block, hi) - lo, after))
            yield self.collate(rows[: self.a.batch])

    def window(self, s, lo, hi, c, d, after=AFTER):
        words = s["words"][lo:hi]
        masked = [w if random.random() > self.a.mask else "[MASK]" for w in words]
        ids, at = self.pieces.window(masked)
        n = hi - lo
        at, keep = at, [1.0 if c <= k < d else 0.0 for k in range(n)]
        return {"ids": ids, "at": at, "keep": keep, "n": n,
                "findings": [{**f, "span": [max(f["span"][0] - lo, 0), f["span"][1] - lo]} for f in s["findings"]
                             if c + lo <= f["span"][1] < d + lo and f["span"][0] >= lo],
                "cut": [{**f, "span": [max(f["span"][0] - lo, 0), min(f["span"][1] - lo, n - 1)]} for f in s["findings"]
                        if f["span"][1] >= lo and f["span"][0] < hi],
                "loose": [(max(a - lo, 0), min(b - lo, n - 1), i) for a, b, i in s["loose"] if b >= lo and a < hi],
                "scopes": [(max(a - lo, 0), min(b - lo, n - 1), i) for a, b, i in s["scopes"] if b >= lo and a < hi],
                "announced": [(a - lo, b - lo, i) for a, b, i in s["announced"]], "marked": s["marked"], "lo": lo}

    def collate(self, rows):
        # Lengths rounded, so that few shapes are planned for.
        B, P, W = len(rows), -(-max(len(r["ids"]) for r in rows) // 32) * 32, -(-max(r["n"] for r in rows) // 16) * 16
        I = len(self.labels.items)
        ids = torch.zeros(B, P, dtype=torch.long)
        mask = torch.zeros(B, P, dtype=torch.bool)
        at = torch.zeros(B, W, dtype=torch.long)
        neg = torch.zeros(B, W, I, dtype=torch.bool)
        scope = torch.full((B, W), -100, dtype=torch.long)
        hand = torch.full((B, W), -100, dtype=torch.long)
        found = []
        for b, r in enumerate(rows):
            ids[b, : len(r["ids"])] = torch.tensor(r["ids"])
            mask[b, : len(r["ids"])] = True
            at[b, : r["n"]] = torch.tensor(r["at"])
            k = torch.tensor(r["keep"]) > 0
            neg[b, : r["n"]] = k[:, None]
            for a, e, i in r["loose"]:
                neg[b, a : e + 1, i] = False
            for f in r["cut"]:
                neg[b, f["span"][0] : f["span"][1] + 1, f["item"]] = False
            for f in r["findings"]:
                found.append((b, f["span"][0], f["span"][1], f["item"], f["value"], f["side"]))
            if r["marked"]:
                scope[b, : r["n"]] = torch.where(k, 0, -100)
                hand[b, : r["n"]] = torch.where(k, I, -100)
                for a, e, i in r["announced"]:
                    end = next((f["span"][1] for f in r["cut"] if f["item"] == i and f["span"][0] >= a), e)
                    if end - a < 90 and end >= 0:
                        a0, e0 = max(a, 0), min(end, r["n"] - 1)
                        seg = hand[b, a0 : e0 + 1]
                        hand[b, a0 : e0 + 1] = torch.where(seg == -100, seg, torch.full_like(seg, i))
            else:
                for f in r["findings"]:
                    scope[b, f["span"][0] : f["span"][1] + 1] = 0
            for a, e, i in r["scopes"]:
                seg = torch.where(k[a : e + 1], torch.full((e - a + 1,), i), torch.full((e - a + 1,), -100))
                scope[b, a : e + 1] = seg
        found = torch.tensor(found, dtype=torch.long) if found else torch.zeros(0, 6, dtype=torch.long)
        return {"ids": ids, "mask": mask, "at": at, "neg": neg, "scope": scope, "hand": hand, "found": found}


class Loss:
    def __init__(self, labels, device):
        most = max(len(c) for c in labels.codes.values())
        self.table = torch.zeros(len(labels.items), most, dtype=torch.long)
        self.valid = torch.zeros(len(labels.items), most, dtype=torch.bool)
        self.place = torch.zeros(len(labels.values), dtype=torch.long)
        for i, item in enumerate(labels.items):
            for k, code in enumerate(labels.codes[item]):
                v = labels.value_index[(item, code)]
                self.table[i, k], self.valid[i, k], self.place[v] = v, True, k
        self.table, self.valid, self.place = (x.to(device) for x in (self.table, self.valid, self.place))

    def __call__(self, out, t):
        item = out["item"]
        lneg = F.softplus(item)  # -log(1 - p)
        loss_neg = (lneg * t["neg"]).sum() / item.shape[0]
        f = t["found"]
        loss_pos = loss_val = loss_side = item.sum() * 0.0
        if len(f):
            b, lo, hi, it, va, si = f.unbind(1)
            R = int((hi - lo).max()) + 1
            steps = torch.arange(R, device=f.device)
            pos = (lo[:, None] + steps).clamp(max=item.shape[1] - 1)
            inside = steps[None] <= (hi - lo)[:, None]
            il = item[b[:, None], pos, it[:, None]]  # (F, R)
            none = -(F.softplus(il) * inside).sum(1)  # log of the chance that it is complete nowhere
            loss_pos = -torch.log(-torch.expm1(none.clamp(max=-1e-6))).sum()
            vl = out["value"][b[:, None], pos].gather(2, self.table[it][:, None].expand(-1, R, -1))
            vl = vl.masked_fill(~self.valid[it][:, None], -1e4).log_softmax(-1)
            lv = vl.gather(2, self.place[va][:, None, None].expand(-1, R, 1)).squeeze(2)
            sl = out["side"][b[:, None], pos].log_softmax(-1)
            ls = sl.gather(2, si.clamp(min=0)[:, None, None].expand(-1, R, 1)).squeeze(2)
            ls = ls * (si >= 0)[:, None]
            w = (F.logsigmoid(il) + lv + ls).detach().masked_fill(~inside, -1e4).softmax(1)
            loss_val = -(w * lv).sum()
            loss_side = -(w * ls).sum()
            # One place a finding, not several.
            p = torch.sigmoid(il) * inside
            loss_pos = loss_pos + 0.1 * F.relu(p.sum(1) - 1).sum()
        B = item.shape[0]
        ce = lambda k: F.cross_entropy(out[k].transpose(1, 2), t[k], ignore_index=-100, reduction="sum") / B
        parts = {"neg": loss_neg, "pos": loss_pos / B, "value": loss_val / B, "side": loss_side / B,
                 "scope": ce("scope") * 0.02, "hand": ce("hand") * 0.02}
        return sum(parts.values()), parts


def train(net, maker, loss, a, device, log):
    # A delta of low rank takes a far higher rate than the whole network does.
    heads = ("mix", "item", "value", "side", "scope", "hand")
    named = [(n, p) for n, p in net.named_parameters() if p.requires_grad]
    groups = [{"params": [p for n, p in named if n.split(".")[0] in heads], "base": a.rate_heads, "weight_decay": 0.05},
              {"params": [p for n, p in named if n.split(".")[0] not in heads], "base": a.rate, "weight_decay": 0.01}]
    opt = torch.optim.AdamW(groups, lr=1e-3, betas=(0.9, 0.98))
    mean = {n: p.detach().clone() for n, p in named}
    start, step, run = time.time(), 0, {}
    loader = torch.utils.data.DataLoader(maker, batch_size=None, num_workers=a.workers, prefetch_factor=4 if a.workers else None)
    for t in loader:
        done = (time.time() - start) / a.seconds if a.seconds else step / a.steps
        if done >= 1:
            break
        for g in opt.param_groups:
            g["lr"] = g["base"] * min(1.0, (step + 1) / 200) * max(1 - done, 0.01)
        t = {k: v.to(device, non_blocking=True) for k, v in t.items()}
        with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
            out = net(t["ids"], t["at"], t["mask"])
        total, parts = loss(out, t)
        opt.zero_grad(set_to_none=True)
        total.backward()
        torch.nn.utils.clip_grad_norm_([p for _, p in named], 2.0)
        opt.step()
        step += 1
        decay = min(0.998, step / (step + 20))
        for n, p in named:
            mean[n].lerp_(p.detach(), 1 - decay)
        for k, v in parts.items():
            run[k] = run.get(k, 0.0) + float(v.detach()) if step % 10 == 0 else run.get(k, 0.0)
        if step % a.every == 0:
            row = {k: round(v * 10 / a.every, 3) for k, v in run.items()}
            print(step, round(time.time() - start), row, flush=True)
            log.append({"step": step, **row})
            run = {}
    with torch.no_grad():
        for n, p in named:
            p.copy_(mean[n])
    return step


def probabilities(net, words, pieces, device):
    """What the network says of every word of a stream, block by block, as the program reads it."""
    out = {k: [] for k in ("item", "value", "side", "scope")}
    net.eval()
    spans = [(max(0, c - BEFORE), min(len(words), c + BLOCK + AFTER), c) for c in range(0, len(words), BLOCK)]
    rows = [pieces.window(words[lo:hi]) for lo, hi, _ in spans]
    ids = torch.zeros(len(rows), max(len(i) for i, _ in rows), dtype=torch.long)
    at = torch.zeros(len(rows), max(len(a) for _, a in rows), dtype=torch.long)
    mask = torch.zeros(ids.shape, dtype=torch.bool)
    for k, (i, a) in enumerate(rows):
        ids[k, : len(i)], at[k, : len(a)], mask[k, : len(i)] = torch.tensor(i), torch.tensor(a), True
    with torch.no_grad():
        o = net(ids.to(device), at.to(device), mask.to(device))
    for k in out:
        out[k] = torch.cat([o[k][r, c - lo : min(c + BLOCK, hi) - lo].cpu() for r, (lo, hi, c) in enumerate(spans)])
    return out


def decode(o, labels, loss, floor=0.1):
    """Findings with place, value, side and certainty: peaks of each item."""
    p = o["item"].sigmoid()
    q = 1 - p
    near = p.clone()
    prod = q.clone()
    for s in (1, 2, 3):
        prod[s:] *= q[:-s]
        prod[:-s] *= q[s:]
    near = 1 - prod
    side = o["side"].softmax(-1)
    found = []
    for t, i in (near > floor).nonzero().tolist():
        lo, hi = max(0, t - 3), min(len(p), t + 4)
        if p[t, i] < p[lo:hi, i].max():
            continue
        w = p[lo:hi, i] / p[lo:hi, i].sum()
        tab = loss.table[i][loss.valid[i]].cpu()
        v = (o["value"][lo:hi][:, tab].softmax(-1) * w[:, None]).sum(0)
        s = (side[lo:hi] * w[:, None]).sum(0)
        k, m = int(v.argmax()), int(s.argmax())
        found.append({"at": t, "item": i, "value": int(tab[k]), "side": m if labels.sided[labels.items[i]] else -1,
                      "p": float(near[t, i]), "pv": float(v[k]), "ps": float(s[m]) if labels.sided[labels.items[i]] else 1.0})
    return found


def marks(n, found, aside, labels):
    """What is found of each line, as the program keeps it in its journal."""
    rows = []
    ends = n["first"][1:] + [len(n["words"])]
    for k, (a, b) in enumerate(zip(n["first"], ends)):
        here = [{"word": f["at"] - a, "item": labels.items[f["item"]], "value": labels.values[f["value"]][1],
                 **({"side": N.SIDES[f["side"]]} if f["side"] >= 0 else {}),
                 "chances": [round(f["p"], 3), round(f["pv"], 3), round(f["ps"], 3)]} for f in found if a <= f["at"] < b]
        mean = float(aside[a:b].mean()) if b > a else 0.0
        rows.append({"phrase": k + 1, "by": "fold", "marks": here, "aside": round(mean, 3)})
    return rows


def score(net, held, pieces, labels, loss, device):
    """Sets of item, value and side a narration; certainty at several thresholds."""
    def split(i, v, s):
        return {(i, v, x) for x in ((0, 1) if s == 2 else (s,))}
    rows = {}
    for n in held:
        gold = set().union(*[split(f["item"], f["value"], f["side"]) for f in n["findings"]] or [set()])
        kind = "captions" if "captions" in n["name"] else "clear"
        found = decode(n["said"], labels, loss)
        for th in (0.2, 0.35, 0.5, 0.7, 0.9, 0.97):
            made = set()
            keep = {}
            for f in found:
                c = f["p"] * f["pv"] * f["ps"]
                if c < th:
                    continue
                for x in split(f["item"], f["value"], f["side"]):
                    keep[(x[0], x[2])] = x  # the last said of an item and side stands
            made = set(keep.values())
            for key in (kind, n["name"]):
                r = rows.setdefault((key, th), [0, 0, 0])
                r[0] += len(made & gold)
                r[1] += len(made)
                r[2] += len(gold)
    out = {}
    for (k, th), (h, m, g) in rows.items():
        out.setdefault(k, {})[th] = (round(h / max(m, 1), 3), round(h / max(g, 1), 3), round(2 * h / max(m + g, 1), 3), m - h)
    return out


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("--base", required=True)
    ap.add_argument("--lexicon", required=True)
    ap.add_argument("--train", nargs="+", required=True)
    ap.add_argument("--utterances")
    ap.add_argument("--hold", default="")
    ap.add_argument("--drop-names", default="")
    ap.add_argument("--out")
    ap.add_argument("--marks", help="file for what is found in the narrations held out")
    ap.add_argument("--seconds", type=float, default=0)
    ap.add_argument("--steps", type=int, default=1000)
    ap.add_argument("--batch", type=int, default=64)
    ap.add_argument("--rank", type=int, default=48)
    ap.add_argument("--rate", type=float, default=6e-4)
    ap.add_argument("--rate-heads", type=float, default=1e-3)
    ap.add_argument("--mask", type=float, default=0.03)
    ap.add_argument("--drop", type=float, default=0.1)
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--workers", type=int, default=8)
    ap.add_argument("--every", type=int, default=200)
    a = ap.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(a.seed)
    random.seed(a.seed)
    labels = N.Labels(a.lexicon)
    pieces = Pieces(a.base)
    every = [n for d in a.train for n in N.read_folder(d, labels)]
    hold = tuple(x for x in a.hold.split(",") if x)
    held = [n for n in every if hold and n["name"].startswith(hold)]
    drop = tuple(x for x in a.drop_names.split(",") if x)
    used = [n for n in every if not (hold and n["name"].startswith(hold)) and not (drop and n["name"].startswith(drop))]
    utt = N.read_utterances(a.utterances, labels) if a.utterances else []
    print(f"{device}: {len(used)} narrations ({sum(len(n['findings']) for n in used)} findings), {len(held)} held out, {len(utt)} utterances", flush=True)
    synth = Synthetic(a.lexicon, labels)
    net = Tagger(a.base, labels, rank=a.rank, drop=a.drop).to(device)
    print("trained numbers", sum(p.numel() for p in net.parameters() if p.requires_grad), flush=True)
    loss = Loss(labels, device)
    log = []
    began = time.time()
    steps = train(net, Maker(used, utt, synth, pieces, labels, a), loss, a, device, log)
    print("steps", steps, "seconds", round(time.time() - began), flush=True)
    for n in held:
        n["said"] = probabilities(net, n["words"], pieces, device)
    results = score(net, held, pieces, labels, loss, device) if held else {}
    for k in sorted(results, key=lambda k: (k not in ("clear", "captions"), k)):
        print(k, {t: v for t, v in results[k].items() if k in ("clear", "captions") or t == 0.35}, flush=True)
    if a.marks:
        rows = {}
        for n in held:
            o = n["said"]
            rows[n["name"]] = marks(n, decode(o, labels, loss), 1 - o["scope"].softmax(-1)[:, 0], labels)
        pathlib.Path(a.marks).write_text(json.dumps(rows))
    if a.out:
        from safetensors.torch import save_file
        save_file({k: v.detach().half().contiguous().cpu() for k, v in net.trained().items()}, a.out)
        pathlib.Path(a.out + ".json").write_text(json.dumps({"args": {k: v for k, v in vars(a).items() if k not in ("base", "out", "train", "lexicon", "utterances")},
            "narrations": len(used), "held": [n["name"] for n in held], "steps": steps, "log": log, "held_out": {str(k): v for k, v in results.items()}, "labels": labels.table()}))


if __name__ == "__main__":
    main()
