#!/usr/bin/env python3
"""Derives the [derived] rules of lexicon/sounds/letter-to-sound.toml from CMUdict.

Usage: tests/sound/derive-letter-rules.py lexicon/sounds/cmudict.txt.gz [LEAST_GAIN] > rules.txt

1. Align every word's letters with its phones (each letter says 0, 1 or 2 phones), by repeated
   best-path alignment with re-estimated letter/phone costs.
2. Build an ordered rule list a letter at a time: pass over context shapes from general to
   specific; a context whose commonest reading corrects at least LEAST_GAIN more letters than the
   rules before it becomes a rule. The most specific rule is printed first: first match wins.

Every STEP-th word (of those written with a-z only and three letters or longer) is left out: the
test in src/reading/sound/letters.rs measures the rules on exactly these.
Only the Python standard library is used.
"""
import gzip
import math
import re
import sys
from collections import Counter, defaultdict

STEP = 57
VOWELS = set("aeiouy")
LEFT_SHAPES = ["", "C", "L", "LC", "LL", "LLL"]
RIGHT_SHAPES = ["", "C", "L", "CC", "CL", "LC", "LL", "CLL", "LLL", "LLLL"]


def read(path):
    words = defaultdict(list)
    for line in gzip.open(path, "rt", encoding="utf-8"):
        line = line.split("#")[0].split()
        if not line:
            continue
        word = re.sub(r"\(\d+\)$", "", line[0])
        words[word].append([re.sub(r"\d", "", p) for p in line[1:]])
    usable = sorted(w for w in words if re.fullmatch(r"[a-z]{3,}", w))
    return words, usable


def align(word, phones, cost):
    """Best split of `phones` over the letters of `word`, or None."""
    n, m = len(word), len(phones)
    if m > 2 * n:
        return None
    best = [[math.inf] * (m + 1) for _ in range(n + 1)]
    back = [[0] * (m + 1) for _ in range(n + 1)]
    best[0][0] = 0.0
    for i in range(n):
        row, letter = best[i], word[i]
        for j in range(m + 1):
            if row[j] == math.inf:
                continue
            for k in (0, 1, 2):
                if j + k > m:
                    break
                c = row[j] + cost(letter, tuple(phones[j : j + k]))
                if c < best[i + 1][j + k]:
                    best[i + 1][j + k] = c
                    back[i + 1][j + k] = k
    if best[n][m] == math.inf:
        return None
    out, j = [], m
    for i in range(n, 0, -1):
        k = back[i][j]
        out.append(tuple(phones[j - k : j]))
        j -= k
    return out[::-1]


SEED = {
    "b": "B", "c": "K S CH", "d": "D T", "f": "F", "g": "G JH", "h": "HH", "j": "JH", "k": "K",
    "l": "L", "m": "M", "n": "N NG", "p": "P F", "q": "K", "r": "R ER", "s": "S Z SH ZH",
    "t": "T SH CH TH DH", "v": "V", "w": "W", "x": "K Z", "y": "Y IY AY IH", "z": "Z",
    "a": "AE EY AA AH AO", "e": "EH IY AH IH ER", "i": "IH AY IY AH ER", "o": "AA OW AO UW AH",
    "u": "AH UW UH ER",
}


def first_cost(letter, phones):
    if not phones:
        return 2.0
    known = SEED[letter].split()
    if len(phones) == 1:
        return 0.5 if phones[0] in known else 4.0
    return 3.0 if any(p in known for p in phones) else 7.0


def context(word, i, left, right):
    padded, at = "^^^^" + word + "$$$$$", i + 4
    def symbol(ch, kind):
        if kind == "L" or ch in "^$":
            return ch
        return "V" if ch in VOWELS else "K"
    l = "".join(symbol(padded[at - 1 - d], k) for d, k in enumerate(left))[::-1]
    r = "".join(symbol(padded[at + 1 + d], k) for d, k in enumerate(right))
    return l, r


def main():
    words, usable = read(sys.argv[1])
    least_gain = int(sys.argv[2]) if len(sys.argv) > 2 else 12
    train = [w for i, w in enumerate(usable) if i % STEP != 0]
    pairs = [(w, words[w][0]) for w in train]
    cost = first_cost
    for _ in range(4):
        counts, totals = Counter(), Counter()
        aligned = []
        for w, p in pairs:
            a = align(w, p, cost)
            if a:
                aligned.append((w, a))
                for letter, said in zip(w, a):
                    counts[letter, said] += 1
                    totals[letter] += 1
        table = {k: -math.log(v / totals[k[0]]) for k, v in counts.items()}
        cost = lambda letter, said, t=table: t.get((letter, said), 12.0)
        print(f"aligned {len(aligned)} of {len(pairs)}", file=sys.stderr)
    shapes = [(l, r) for l in LEFT_SHAPES for r in RIGHT_SHAPES]
    weight = lambda s: sum(2 if k == "L" else 1 for k in s)
    shapes.sort(key=lambda s: (weight(s[0]) + weight(s[1]), len(s[0]) + len(s[1]), s))
    by_letter = defaultdict(list)
    for w, a in aligned:
        for i, said in enumerate(a):
            by_letter[w[i]].append((w, i, said))
    total = 0
    for letter in sorted(by_letter):
        cases = by_letter[letter]
        now = [None] * len(cases)
        rules = []
        for left, right in shapes:
            groups = defaultdict(list)
            for n, (w, i, _) in enumerate(cases):
                groups[context(w, i, left, right)].append(n)
            for (l, r), members in sorted(groups.items()):
                if len(members) < least_gain and (left or right):
                    continue
                said, hits = Counter(cases[n][2] for n in members).most_common(1)[0]
                before = sum(now[n] == cases[n][2] for n in members)
                if hits - before >= least_gain or not (left or right):
                    rules.append(f"{l}[{letter}]{r} = {' '.join(said)}".rstrip())
                    for n in members:
                        now[n] = said
        right_now = sum(n == c[2] for n, c in zip(now, cases))
        print(f"{letter}: {len(rules)} rules, {right_now / len(cases):.3f}", file=sys.stderr)
        total += len(rules)
        for rule in reversed(rules):
            print(rule)
    print(f"{total} rules", file=sys.stderr)


main()
