#!/usr/bin/env python3
"""Checks narrations with marks (NAME.mark) against the lexicon: form, ids, values, sides, units, lines, and that
every quote stands in its line. usage: check.py FOLDER...   Exit status 1 if there is any problem. Standard library
only; the rules of marking are in README.md."""
import pathlib
import re
import sys
import tomllib

import narrations as N

HERE = pathlib.Path(__file__).resolve().parent
LEXICON = HERE / "../../../lexicon/newborn"
STATES = {"deep-sleep", "light-sleep", "drowsy", "quiet-awake", "active-awake", "crying"}


def items():
    out = {}
    for path in sorted(LEXICON.glob("items-*.toml")):
        for item in tomllib.loads(path.read_text(encoding="utf-8")).get("item", []):
            out[item["id"]] = item
    return out


def check(path, known):
    bad = []
    lines, gold, marks = N.parse_mark(path.read_text(encoding="utf-8"), path.stem)
    before = -1.0
    for n, row in enumerate(lines, 1):
        m = N.LINE.match(row)
        if not m:
            bad.append(f"line {n}: not `[m:ss.t] words`")
            continue
        at = int(m[1]) * 60 + float(m[2])
        if at <= before:
            bad.append(f"line {n}: time does not go forward")
        before = at
    if marks["kind"] not in ("captions", "clear"):
        bad.append("kind: captions or clear")
    text = lambda n: lines[n - 1].split("] ", 1)[-1].lower()
    seen = {}
    for f, quotes in zip(gold["findings"], marks["findings"]):
        who = f"line {f['line']} {f['item']}"
        item = known.get(f["item"])
        if item is None:
            bad.append(f"{who}: no such item")
            continue
        sided = bool(item.get("sided"))
        if sided != (f["side"] is not None) or (sided and f["side"] not in N.SIDES):
            bad.append(f"{who}: side {f['side']}")
        codes = {v["code"] for v in item.get("value", [])} | {"stated-normal", "stated-abnormal"}
        if f["value"] is not None and f["value"] not in codes:
            bad.append(f"{who}: no value {f['value']}")
        if f["low"] is not None and f["low"] >= f["high"]:
            bad.append(f"{who}: a range runs upwards")
        if f["status"] == "observed" and all(f[k] is None for k in ("value", "number", "low")):
            bad.append(f"{who}: neither value nor number")
        bad += [f"{who}: not in the line: {q!r}" for q in quotes if q.lower() not in text(f["line"])]
        for side in ("left", "right") if f["side"] == "both" else (f["side"],):
            seen.setdefault((f["item"], side), []).append(f["line"])
    bad += [f"{i} {s}: settled on lines {ls}" for (i, s), ls in seen.items()
            if len(ls) > (2 if s == "unstated" else 1) and i != "behavioural-state"]
    for line, rows in marks["scopes"].items():
        for scope, quotes in rows:
            if scope not in N.SCOPES[1:]:
                bad.append(f"line {line}: no scope {scope}")
            bad += [f"line {line}: not in the line: {q!r}" for q in quotes if q.lower() not in text(line)]
    bad += [f"line {s['line']}: no state {s['state']}" for s in gold["states"] if s["state"] not in STATES]
    bad += [f"line {c['line']}: a correction begins with an item" for c in gold["corrections"]
            if c["what"].split(" ")[0].rstrip(":") not in known]
    return bad, len(lines), len(gold["findings"])


def main():
    known, wrong = items(), 0
    for folder in sys.argv[1:]:
        for path in sorted(pathlib.Path(folder).glob("*.mark")):
            try:
                bad, lines, findings = check(path, known)
            except (ValueError, IndexError, KeyError) as e:
                bad, lines, findings = [str(e)], 0, 0
            print(f"{path.stem}: {lines} lines, {findings} findings{'' if not bad else f' <- {len(bad)} problems'}")
            for b in bad:
                print(f"PROBLEM {path}: {b}")
            wrong += len(bad)
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
