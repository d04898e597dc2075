"""Narrated examinations as streams of words with marks, and the labels a tagger learns from them.

A narration is read from one of two forms (see README.md):
  NAME.mark                     spoken lines with their marks behind each line
  NAME.txt and NAME.gold.json   spoken lines, and the findings by line

Standard library only.
"""
import json
import pathlib
import re
import tomllib

SCOPES = ["none", "past", "told", "general", "other", "intended", "question", "talk", "strike", "thinking"]
SIDES = ["left", "right", "both", "midline", "unstated"]
# What every item can be beside its own values.
SHARED = ["#", "skipped", "not_obtained", "stated-normal", "stated-abnormal"]
# States are read by rules, from their own words.
LEFT_OUT = {"behavioural-state"}
LINE = re.compile(r"^\[(\d+):([0-5]\d(?:\.\d+)?)\] (.*)$")
# Words of the reasons that older gold gives for a line without findings, and the scope they stand for.
REASONS = [
    ("past", ("yesterday", "earlier", "history", "past", "last ", "previous", "before", "admission", "birth", "notes")),
    ("told", ("report", "told", "said by", "by others", "nurse", "mother say", "parents say")),
    ("other", ("other infant", "another", "other bab", "twin", "preterm", "bed ", "somebody else", "other ")),
    ("question", ("question", "asked", "asks")),
    ("intended", ("defer", "announce", "later", "will ", "intend", "plan", "about to", "under way")),
    ("strike", ("struck", "taken back", "strike", "withdrawn", "replaced", "superseded", "corrected")),
    ("thinking", ("hypothe", "interpret", "opinion", "would", "explan", "if ")),
    ("talk", ("chatter", "talk", "comfort", "joke", "aside", "parent", "baby", "staff")),
    ("general", ("general", "teach", "normal range", "expect", "should", "rule", "definition", "norm")),
]


class Labels:
    """Items and values of a lexicon, in a fixed order."""

    def __init__(self, lexicon):
        self.items, self.codes, self.sided = [], {}, {}
        for path in sorted(pathlib.Path(lexicon).glob("items-*.toml")):
            for item in tomllib.loads(path.read_text(encoding="utf-8")).get("item", []):
                if item["id"] in LEFT_OUT:
                    continue
                self.items.append(item["id"])
                self.codes[item["id"]] = [v["code"] for v in item.get("value", [])] + SHARED
                self.sided[item["id"]] = bool(item.get("sided"))
        self.item_index = {x: i for i, x in enumerate(self.items)}
        self.values = [(i, c) for i in self.items for c in self.codes[i]]
        self.value_index = {v: k for k, v in enumerate(self.values)}

    def table(self):
        return {"items": self.items, "values": [list(v) for v in self.values], "sides": SIDES, "scopes": SCOPES,
                "sided": [self.sided[i] for i in self.items]}


def value_of(finding):
    if finding["status"] != "observed":
        return finding["status"]
    return finding["value"] if finding["value"] is not None else "#"


def words_of(text):
    return text.split()


def bare(word):
    return re.sub(r"[^\w']+", "", word).lower()


def place(words, quote):
    """First place of a quote's words in a line's words: (first, last), or None."""
    want = [bare(w) for w in words_of(quote)]
    want = [w for w in want if w]
    have = [bare(w) for w in words]
    for k in range(len(have) - len(want) + 1) if want else []:
        if have[k : k + len(want)] == want:
            return k, k + len(want) - 1
    # A quote may begin or end inside a word.
    hits = [k for k, w in enumerate(have) if w and any(w in q or q in w for q in want)]
    return (hits[0], hits[-1]) if hits else None


def scope_of(why):
    low = why.lower()
    for scope, signs in REASONS:
        if any(s in low for s in signs):
            return scope
    return "general"


def build(name, lines, gold, marks, labels):
    """Words of the whole narration, with findings, scopes and announcements by place."""
    words, first = [], []
    for text in lines:
        first.append(len(words))
        words += words_of(text)
    first.append(len(words))
    out = {"name": name, "words": words, "first": first[:-1], "findings": [], "scopes": [], "announced": [],
           "loose": [], "marked": marks is not None}
    for n, f in enumerate(gold["findings"]):
        if f["item"] in LEFT_OUT:
            continue
        a, b = first[f["line"] - 1], first[f["line"]]
        span = None
        if marks and marks["findings"][n]:
            span = place(words[a:b], marks["findings"][n][-1])
        lo, hi = (a, b - 1) if span is None else (a + span[0], min(a + span[1] + 1, b - 1))
        key = (f["item"], value_of(f))
        if key not in labels.value_index:
            raise ValueError(f"{name} line {f['line']}: {key} is not in the lexicon")
        out["findings"].append({"item": labels.item_index[f["item"]], "value": labels.value_index[key],
                                "side": SIDES.index(f["side"]) if f["side"] else -1, "span": [lo, hi]})
    if marks:
        for line, rows in marks["scopes"].items():
            a, b = first[int(line) - 1], first[int(line)]
            for scope, quotes in rows:
                for quote in quotes or [" ".join(words[a:b])]:
                    p = place(words[a:b], quote)
                    if p:
                        out["scopes"].append([a + p[0], a + p[1], SCOPES.index(scope)])
        for line, item, quotes in marks["announce"]:
            if item in labels.item_index:
                a, b = first[int(line) - 1], first[int(line)]
                p = place(words[a:b], quotes[0]) if quotes else (0, b - a - 1)
                if p:
                    out["announced"].append([a + p[0], a + p[1], labels.item_index[item]])
    else:
        for t in gold["not_findings"]:
            a, b = first[t["line"] - 1], first[t["line"]]
            out["scopes"].append([a, b - 1, SCOPES.index(scope_of(t["why"]))])
    # What was said before a correction of the same item looks like a finding and is none: nothing is
    # learnt there of that item.
    for c in gold["corrections"]:
        item = c["what"].split(" ")[0].rstrip(":")
        if item in labels.item_index:
            b = first[c["line"]]
            out["loose"].append([first[max(0, c["line"] - 40)], b - 1, labels.item_index[item]])
    return out


def read_pair(path, labels):
    path = pathlib.Path(path)
    lines = [m.group(3) for m in map(LINE.match, path.read_text(encoding="utf-8").splitlines()) if m]
    gold = json.loads(path.with_name(path.stem + ".gold.json").read_text(encoding="utf-8"))
    return build(path.stem, lines, gold, None, labels)


def parse_mark(text, name=""):
    """Lines, gold and marks of a `.mark` file; faults are told by name and line."""
    head, lines, findings, quotes, scopes, states, corrections, gaps, announce = {}, [], [], [], {}, [], [], [], []
    for n, raw in enumerate(text.split("\n"), 1):
        row = raw.strip()
        if not row or row.startswith("#"):
            continue
        m = re.match(r"^(style|infant|kind):\s*(.*)$", row)
        if m and not lines:
            head[m[1]] = m[2]
            continue
        if row.startswith("["):
            lines.append(re.sub(r"\s+", " ", row))
            continue
        if not lines:
            raise ValueError(f"{name}:{n}: a mark before the first spoken line")
        at = len(lines)
        because = re.search(r'because\s+"([^"]*)"', row)
        rest = row.replace(because[0], "") if because else row
        said = re.findall(r'"([^"]*)"', rest)
        body = re.sub(r'"[^"]*"', "", rest[1:]).split()
        if row[0] == "=":
            item, side, value = body[:3]
            f = {"item": item, "side": None if side == "-" else side, "status": "observed", "value": None,
                 "number": None, "unit": None, "low": None, "high": None, "line": at, "note": None}
            for v in body[2:]:
                number = re.fullmatch(r"(\d+(?:\.\d+)?)(?:-(\d+(?:\.\d+)?))?", v)
                if v in ("skipped", "not-obtained"):
                    f["status"] = v.replace("-", "_")
                elif number:
                    as_number = lambda x: float(x) if "." in x else int(x)
                    if number[2]:
                        f["low"], f["high"] = as_number(number[1]), as_number(number[2])
                    else:
                        f["number"] = as_number(number[1])
                elif v not in ("deg", "cm", "mm", "beats", "stimuli", "/min"):
                    f["value"] = v
            findings.append(f)
            quotes.append(said)
            if because:
                gaps.append({"item": item, "reason": because[1], "line": at})
        elif row[0] == "!":
            scopes.setdefault(at, []).append((body[0], said))
        elif row[0] == "@":
            states.append({"line": at, "state": body[0]})
        elif row[0] == ">":
            announce.append((at, body[0], said))
        elif row[0] == "~":
            corrections.append({"line": at, "what": re.sub(r"\s+", " ", row[1:].strip().replace('"', ""))})
        else:
            raise ValueError(f"{name}:{n}: not a mark: {row}")
    infant = dict(p.split("=", 1) for p in head.get("infant", "").split() if "=" in p)
    for k in ("age_days", "age_hours"):
        if k in infant:
            infant[k] = int(infant[k])
    with_finding = {f["line"] for f in findings}
    gold = {"name": name, "style": head.get("style", ""), "infant": infant, "findings": findings,
            "not_findings": [{"line": k, "why": ", ".join(s for s, _ in v)} for k, v in sorted(scopes.items())
                             if k not in with_finding],
            "gaps_with_reason": gaps, "states": states, "corrections": corrections}
    return lines, gold, {"findings": quotes, "scopes": scopes, "announce": announce, "kind": head.get("kind", "")}


def read_mark(path, labels):
    path = pathlib.Path(path)
    lines, gold, marks = parse_mark(path.read_text(encoding="utf-8"), path.stem)
    bare_lines = [LINE.match(x).group(3) for x in lines]
    return build(path.stem, bare_lines, gold, marks, labels)


def read_folder(folder, labels):
    folder = pathlib.Path(folder)
    out = [read_mark(p, labels) for p in sorted(folder.glob("*.mark"))]
    have = {n["name"] for n in out}
    for p in sorted(folder.glob("*.txt")):
        if p.stem not in have and p.with_name(p.stem + ".gold.json").exists():
            out.append(read_pair(p, labels))
    return out


def read_utterances(folder, labels):
    """Single utterances with what they mean: `words / words => item side value; ...`."""
    out = []
    for p in sorted(pathlib.Path(folder).glob("*.txt")):
        for row in p.read_text(encoding="utf-8").splitlines():
            if "=>" not in row or row.startswith("#"):
                continue
            said, meant = row.split("=>", 1)
            words = words_of(" ".join(said.split(" / ")))
            findings = []
            known = True
            for part in meant.strip().split(";"):
                t = part.strip().rstrip("?").split()
                if not t or t[0] == "-" or t[0] in LEFT_OUT:
                    continue
                side = next((x for x in t[1:] if x in SIDES), None)
                value = [x for x in t[1:] if x not in SIDES]
                if t[0] not in labels.item_index or not value:
                    known = False
                    continue
                v = {"skip": "skipped", "no-get": "not_obtained"}.get(value[0], value[0])
                if v[0].isdigit():
                    v = "#"
                key = (t[0], v)
                if key not in labels.value_index:
                    known = False
                    continue
                if side is None and labels.sided[t[0]]:
                    side = "unstated"
                findings.append({"item": labels.item_index[t[0]], "value": labels.value_index[key],
                                 "side": SIDES.index(side) if side and labels.sided[t[0]] else -1,
                                 "span": [0, len(words) - 1]})
            if known and words:
                out.append({"name": p.stem, "words": words, "findings": findings})
    return out
