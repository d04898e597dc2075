"""Makes the texts that the ears learn from and are tried on.

texts.py --lexicon LEXICON/newborn --narrations FOLDER... --utterances FOLDER --talk FOLDER --out texts.json

What is trained on and what is tried on are parted by the text itself: a text whose digest falls into one of
eight is never spoken for training (`held`). The bench parts texts in the same way.
"""
import argparse
import hashlib
import json
import pathlib
import random
import re
import tomllib

from spelling import spell, spoken


def held(text):
    """Whether a text is kept out of training."""
    return hashlib.sha256(spoken(text).encode()).digest()[0] % 8 == 0


def expand(pattern, pick):
    """One reading of a lexicon phrase: `(a|b)` one of them, `[a]` or nothing."""
    while True:
        m = re.search(r"\(([^()\[\]]*)\)|\[([^()\[\]]*)\]", pattern)
        if not m:
            return " ".join(pattern.replace("=", " ").split())
        inner = m[1] if m[1] is not None else m[2]
        options = inner.split("|") + ([""] if m[1] is None else [])
        pattern = pattern[: m.start()] + " " + pick.choice(options) + " " + pattern[m.end() :]


class Phrases:
    """Phrases by rule from a lexicon."""

    def __init__(self, folder, pick):
        self.pick, self.items, self.controls, self.states, self.reasons = pick, [], [], [], []
        for path in sorted(pathlib.Path(folder).glob("items-*.toml")):
            self.items += tomllib.loads(path.read_text(encoding="utf-8"))["item"]
        load = lambda name: tomllib.loads((pathlib.Path(folder) / name).read_text(encoding="utf-8"))
        for control in load("controls.toml")["control"]:
            self.controls += [expand(w, pick) for w in control["words"]]
        for state in load("states.toml")["state"]:
            self.states += [expand(w, pick) for w in state["words"]]
        for reason in load("reasons.toml")["reason"]:
            self.reasons += [expand(w, pick) for w in reason["words"]]

    def number(self, item):
        unit, (low, high) = item["number"].get("unit", ""), item["number"]["plausible"]
        p = self.pick
        if unit == "deg":
            n = p.choice(range(0, int(high) + 1, 5)) if p.random() < 0.85 else p.randint(int(low), int(high))
            said = spell(n)
            if 100 < n < 200 and p.random() < 0.7:
                said = p.choice(["a hundred and ", "hundred and ", "one ", "one hundred and "]) + spell(n - 100)
            elif n == 100:
                said = p.choice(["a hundred", "one hundred", "hundred"])
            return said + p.choice(["", "", " degrees"])
        if unit == "cm":
            tenths = p.randint(280, 420)
            return spell(tenths // 10) + ("" if tenths % 10 == 0 else " point " + spell(tenths % 10)) + p.choice(["", " centimetres"])
        n = p.randint(int(low), min(int(high), 180))
        return spell(n) + {"beats": p.choice(["", " beats"])}.get(unit, "")

    def value(self, item):
        p, options = self.pick, []
        if item.get("number"):
            options.append(self.number(item))
        for v in item.get("value", []):
            options.append(expand(p.choice(v["words"]), p))
        options.append(p.choice(["normal", "not done, " + p.choice(self.reasons), "couldn't elicit", "not tested", "skipping that"]))
        if item.get("number") and p.random() < 0.6:
            return options[0]
        return p.choice(options)

    def one(self):
        p, item = self.pick, self.pick.choice(self.items)
        name = expand(p.choice(item["names"] + item.get("plural_names", [])), p)
        value = self.value(item)
        if not item.get("sided"):
            return p.choice([f"{name} {value}", f"{name}, {value}", f"{value} {name}", f"{name} is {value}"])
        side = p.choice(["left", "right", "on the left", "on the right", "left side", "right side", "both sides", "bilaterally", "both"])
        other = {"left": "right", "right": "left"}
        form = p.randint(0, 6)
        if form == 0:
            a = p.choice(["left", "right"])
            return f"{name} {a} {value}, {other[a]} {self.value(item)}"
        if form == 1:
            a = p.choice(["left", "right"])
            return f"{a} {name} {value}"
        if form == 2:
            return f"{name} {value} {side}"
        if form == 3:
            a = p.choice(["left", "right"])
            return p.choice([f"no, {a} side", f"sorry, the {a}", f"that's {a}, not {other[a]}", f"{a}, {value}", f"{value} on the {a}", f"same on the {a}", f"the {a} is {value}"])
        return f"{name}, {side}, {value}" if form < 6 else f"{name} {side} {value}"


def narrated(folders, pick, most):
    """Stretches of narration: whole lines, and words cut out of the stream as pauses cut them."""
    stamp, lines = re.compile(r"^\[[\d:.]+\] (.*)$"), []
    for folder in folders:
        for path in sorted(pathlib.Path(folder).iterdir()):
            if path.suffix not in (".mark", ".txt"):
                continue
            said = [m[1] for m in map(stamp.match, path.read_text(encoding="utf-8").splitlines()) if m]
            if "captions" in path.name:
                stream, at = " ".join(said).split(), 0
                while at < len(stream):
                    n = pick.randint(4, 18)
                    lines.append(" ".join(stream[at : at + n]))
                    at += n
            else:
                lines += said
    pick.shuffle(lines)
    return lines[:most]


def numbers(pick, n):
    """Bare numbers, as they stand behind an item at hand."""
    out = []
    for _ in range(n):
        k = pick.randint(0, 5)
        x, y = pick.randint(13, 19), pick.choice(range(20, 100, 10))
        if k == 0:
            out.append(pick.choice([spell(x), spell(y), f"{spell(x)} degrees", f"{spell(y)} degrees"]))
        elif k == 1:
            tenths = pick.randint(290, 410)
            out.append(spell(tenths // 10) + " point " + spell(tenths % 10) + pick.choice(["", " centimetres", " again"]))
        elif k == 2:
            out.append(pick.choice(["left ", "right "]) + spell(pick.choice(range(40, 100, 5))) + ", " + pick.choice(["right ", "left "]) + spell(pick.choice(range(40, 100, 5))))
        elif k == 3:
            out.append(pick.choice(["a hundred and ", "one hundred and ", "one "]) + spell(pick.choice(range(10, 80, 5))))
        elif k == 4:
            out.append(f"{spell(pick.randint(2, 14))} beats" + pick.choice(["", " on the left", " on the right", " each side"]))
        else:
            out.append(f"heart rate {spell(pick.randint(95, 185))}")
    return out


def main():
    a = argparse.ArgumentParser()
    a.add_argument("--lexicon", required=True)
    a.add_argument("--narrations", nargs="+", required=True)
    a.add_argument("--utterances", required=True)
    a.add_argument("--talk", required=True)
    a.add_argument("--out", required=True)
    a.add_argument("--phrases", type=int, default=1500)
    a.add_argument("--lines", type=int, default=1600)
    a.add_argument("--seed", type=int, default=1)
    a = a.parse_args()
    pick = random.Random(a.seed)
    rows = []
    phrases = Phrases(a.lexicon, pick)
    rows += [("phrase", phrases.one()) for _ in range(a.phrases)]
    rows += [("command", c) for c in dict.fromkeys(phrases.controls)]
    rows += [("state", s) for s in pick.sample(phrases.states, min(120, len(phrases.states)))]
    rows += [("number", n) for n in numbers(pick, 260)]
    rows += [("narrated", t) for t in narrated(a.narrations, pick, a.lines)]
    for path in sorted(pathlib.Path(a.utterances).glob("*.txt")):
        said = [l.split("=>")[0].strip() for l in path.read_text(encoding="utf-8").splitlines() if "=>" in l and not l.startswith("#")]
        rows += [("utterance", t) for t in pick.sample(said, min(50, len(said)))]
    for path in sorted(pathlib.Path(a.talk).glob("*.txt")):
        rows += [(path.stem, t.strip()) for t in path.read_text(encoding="utf-8").splitlines() if t.strip()]
    out, seen = {"train": [], "held": []}, set()
    for kind, text in rows:
        if spoken(text) and len(text) < 170 and spoken(text) not in seen:
            seen.add(spoken(text))
            out["held" if held(text) else "train"].append({"kind": kind, "text": text})
    pathlib.Path(a.out).write_text(json.dumps(out, ensure_ascii=False, indent=0), encoding="utf-8")
    for part, rows in out.items():
        kinds = {}
        for r in rows:
            kinds[r["kind"]] = kinds.get(r["kind"], 0) + 1
        print(part, len(rows), kinds)


if __name__ == "__main__":
    main()
