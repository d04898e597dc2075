"""The two written forms of what is spoken: as letters spoken one by one, and as the word ear writes it.

Standard library only.
"""
import re

SMALL = "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split()
TENS = "twenty thirty forty fifty sixty seventy eighty ninety".split()
VALUE = {w: i for i, w in enumerate(SMALL)} | {w: 10 * (i + 2) for i, w in enumerate(TENS)}
WORD = {v: w for w, v in VALUE.items()}
LETTERS = " 'abcdefghijklmnopqrstuvwxyz"  # numbered from 1; 0 is the blank
CODE = {c: i + 1 for i, c in enumerate(LETTERS)}
SIGNS = {"&": " and ", "%": " percent ", "°": " degrees ", "+": " plus "}
SHORT = {"hc": "h c", "ofc": "o f c", "cm": "centimetres", "mm": "millimetres", "atnr": "a t n r"}


def spell(n):
    """A whole number in words."""
    if n in WORD:
        return WORD[n]
    if n < 100:
        return WORD[n // 10 * 10] + " " + WORD[n % 10]
    if n < 1000:
        return WORD[n // 100] + " hundred" + ("" if n % 100 == 0 else " " + spell(n % 100))
    return " ".join(spell(int(c)) for c in str(n))


def spoken(text):
    """A text as it is spoken, in small letters, apostrophes and single spaces."""
    t = text.lower()
    for sign, said in SIGNS.items():
        t = t.replace(sign, said)
    for short, said in SHORT.items():
        t = re.sub(rf"\b{short}\b", said, t)
    t = re.sub(r"(\d+)\.(\d+)", lambda m: spell(int(m[1])) + " point " + " ".join(spell(int(c)) for c in m[2]), t)
    t = re.sub(r"\d+", lambda m: " " + spell(int(m[0])) + " " if len(m[0]) < 4 else " " + " ".join(spell(int(c)) for c in m[0]) + " ", t)
    return " ".join(re.sub(r"[^a-z']", " ", t.replace("’", "'")).split())


def _value(words):
    if words == ["hundred"]:
        return None
    groups, i = [], 0
    while i < len(words):
        w = words[i]
        if w not in VALUE:
            return None
        v = VALUE[w]
        if v >= 20 and i + 1 < len(words) and 0 < VALUE.get(words[i + 1], 0) < 10:
            v += VALUE[words[i + 1]]
            i += 1
        elif v < 20 and i + 1 < len(words) and words[i + 1] == "hundred":
            groups.append(("h", v * 100))
            i += 2
            continue
        groups.append(v)
        i += 1
    if len(groups) == 1:
        return groups[0][1] if isinstance(groups[0], tuple) else groups[0]
    if len(groups) == 2:
        a, b = groups
        if isinstance(a, tuple) and not isinstance(b, tuple):
            return a[1] + b
        if not isinstance(a, tuple) and not isinstance(b, tuple) and a in (1, 2) and b >= 10:
            return a * 100 + b
    return None


_NUMBER = "(?:" + "|".join(SMALL + TENS + ["hundred"]) + ")"
_RUN = re.compile(rf"\b{_NUMBER}(?:(?:\s+and\s+|[\s-]+){_NUMBER})*\b", re.I)


def written(text):
    """A text as the word ear writes it: a capital first, numbers from ten on in digits."""

    def digits(m):
        v = _value(re.split(r"[\s-]+(?:and\s+)?", m[0].lower().strip()))
        return str(v) if v is not None and v >= 10 else m[0]

    t = _RUN.sub(digits, text)
    t = re.sub(r"(\d+) point (\w+)\b", lambda m: f"{m[1]}.{VALUE[m[2].lower()]}" if VALUE.get(m[2].lower(), 99) < 10 else m[0], t)
    t = t.strip()
    return t[:1].upper() + t[1:]


def words(text):
    """What word errors are counted over."""
    return spoken(text).split()
