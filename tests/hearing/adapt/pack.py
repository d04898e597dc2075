#!/usr/bin/env python3
"""Packs what was trained into the files that the program carries: `ears.safetensors` and `card.json`.

    pack.py --ears ears.safetensors --base model.bin --fields fields.json --to FOLDER

`ears` is what `train.py` wrote: the low-rank matrices over the base model's linear layers (W += 2 B A), its
convolutions and norms, and the second head. The tensors of the delta are named `delta.NAME`, those of the head
`letters.NAME`, all of 16 bits. `fields` is a JSON object with what only the training knows: what it was
trained on, licences, seeds, steps, losses, results on what was held out, source. The digests of the base model and
of the file itself are added here. Needs Python's standard library alone.
"""
import argparse
import hashlib
import json
import pathlib
import struct
import sys

ALPHABET = " 'abcdefghijklmnopqrstuvwxyz"
# Words that the texts of the training spelt otherwise than they are written.
SPELT = {"hc": "h c", "ofc": "o f c", "cm": "centimetres", "mm": "millimetres", "atnr": "a t n r"}
# What the names of the head's tensors begin with.
HEAD = ("ctc", "ctx", "cn")
MOST_BYTES = 12_000_000
REQUIRED = ["made_for", "licence", "source", "trained_on", "training", "held_out"]


def tensors(path):
    """Names, kinds, shapes and bytes of a safetensors file."""
    raw = pathlib.Path(path).read_bytes()
    (length,) = struct.unpack("<Q", raw[:8])
    head, body = json.loads(raw[8 : 8 + length]), raw[8 + length :]
    for name, t in sorted(head.items()):
        if name != "__metadata__":
            first, last = t["data_offsets"]
            yield name, t["dtype"], t["shape"], body[first:last]


def halved(kind, data):
    """The bytes of a tensor in 16 bits."""
    if kind == "F16":
        return data
    if kind != "F32":
        sys.exit(f"a tensor is {kind}, and F16 or F32 is wanted")
    numbers = struct.unpack(f"<{len(data) // 4}f", data)
    return struct.pack(f"<{len(numbers)}e", *numbers)


def main():
    ask = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    for name in ("ears", "base", "fields", "to"):
        ask.add_argument(f"--{name}", required=True)
    given = ask.parse_args()
    fields = json.loads(pathlib.Path(given.fields).read_text())
    missing = [f for f in REQUIRED if f not in fields]
    if missing:
        sys.exit(f"{given.fields} lacks {', '.join(missing)}")
    head, body = {}, bytearray()
    every = [(("letters" if t[0].split(".")[0] in HEAD else "delta"), *t) for t in tensors(given.ears)]
    for part, name, kind, shape, data in sorted(every):
        data = halved(kind, data)
        head[f"{part}.{name}"] = {
            "dtype": "F16",
            "shape": shape,
            "data_offsets": [len(body), len(body) + len(data)],
        }
        body += data
    if head["letters.ctc.weight"]["shape"][0] != 1 + len(ALPHABET):
        sys.exit(f"the head has {head['letters.ctc.weight']['shape'][0]} letters, not {1 + len(ALPHABET)}")
    text = json.dumps(head, separators=(",", ":")).encode()
    text += b" " * (-len(text) % 8)
    packed = struct.pack("<Q", len(text)) + text + body
    if len(packed) > MOST_BYTES:
        sys.exit(f"{len(packed)} bytes, and {MOST_BYTES} is the most")
    card = {
        "base": hashlib.sha256(pathlib.Path(given.base).read_bytes()).hexdigest(),
        "ears": hashlib.sha256(packed).hexdigest(),
        "letters": ALPHABET,
        "spelt": SPELT,
        **fields,
    }
    to = pathlib.Path(given.to)
    to.mkdir(parents=True, exist_ok=True)
    (to / "ears.safetensors").write_bytes(packed)
    (to / "card.json").write_text(json.dumps(card, indent=1, ensure_ascii=False) + "\n")
    print(f"{len(head)} tensors, {len(packed) / 1e6:.1f} MB, for the base {card['base'][:16]}")


if __name__ == "__main__":
    main()
