"""From words to what the synthesisers are told: Kokoro's tokens, espeak-ng's own notation, flite's lexicon.

Trade words are said as `lexicon/sounds/trade.toml` says them; everything else as espeak-ng does. Needs espeak-ng.
"""
import random
import re
import subprocess
import tomllib

# ARPAbet to espeak-ng's notation; GB where the two differ.
ESPEAK = {
    "AA": "A:", "AE": "a", "AH": "V", "AO": "O:", "AW": "aU", "AY": "aI", "B": "b", "CH": "tS", "D": "d", "DH": "D",
    "EH": "E", "ER": "3:", "EY": "eI", "F": "f", "G": "g", "HH": "h", "IH": "I", "IY": "i:", "JH": "dZ", "K": "k",
    "L": "l", "M": "m", "N": "n", "NG": "N", "OW": "oU", "OY": "OI", "P": "p", "R": "r", "S": "s", "SH": "S",
    "T": "t", "TH": "T", "UH": "U", "UW": "u:", "V": "v", "W": "w", "Y": "j", "Z": "z", "ZH": "Z",
}
MARKS = ";:,.!?—…\"()"
PART = re.compile(rf"((?:\[\[.*?\]\]|[^{re.escape(MARKS)}])+)|([{re.escape(MARKS)}]+)")


def mnemonics(phones, british):
    """ARPAbet phones in espeak-ng's notation."""
    out = []
    for p in phones.split():
        name, stress = (p[:-1], p[-1]) if p[-1].isdigit() else (p, "")
        said = ESPEAK[name]
        if stress == "0":
            said = {"AH": "@", "ER": "@" if british else "3", "IY": "i"}.get(name, said)
        if british and name == "AA" and stress in "12":
            said = "0"
        out.append({"1": "'", "2": ","}.get(stress, "") + said)
    return "".join(out)


class Sayings:
    """Pronunciations of the trade."""

    def __init__(self, path, seed=1):
        self.words = tomllib.load(open(path, "rb"))["words"]
        self.pick = random.Random(seed)

    def marked(self, text, british, always=0.9):
        """The text with trade words in espeak-ng's notation; now and then as espeak-ng would have them."""

        def one(m):
            ways = self.words.get(m[0].lower().removesuffix("'s"))
            if not ways or self.pick.random() > always:
                return m[0]
            way = ways[0] if self.pick.random() < 0.6 else self.pick.choice(ways)
            return "[[" + mnemonics(way, british) + "]]"

        return re.sub(r"[A-Za-z]+(?:'s)?", one, text)


def ipa(text, british):
    """IPA as espeak-ng gives it for a text, its punctuation kept."""
    out = []
    for part, mark in PART.findall(text):
        if mark:
            out.append(mark[0] + " ")
            continue
        if not part.strip():
            continue
        said = subprocess.run(
            ["espeak-ng", "-q", "--ipa", "-v", "en-gb" if british else "en-us", "--", part],
            capture_output=True, text=True, check=True,
        ).stdout
        out.append(" ".join(said.split()))
    t = "".join(out).strip()
    t = t.replace("ʲ", "j").replace("r", "ɹ").replace("x", "k").replace("ɬ", "l").replace("\u200d", "")
    return re.sub(r"\([a-z-]+\)", "", t)


def tokens(said, vocabulary):
    """Kokoro's numbers for a text in IPA; what it has no number for is left out."""
    return [vocabulary[c] for c in said if c in vocabulary]
