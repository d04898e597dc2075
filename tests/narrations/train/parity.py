"""What the trained network says of a narration, computed by PyTorch: `tests/two_readers.rs` holds the program's own
network against it. usage: parity.py --base FOLDER --delta FILE --lexicon FOLDER NARRATION.txt > parity.json"""
import argparse
import json

import torch
from safetensors.torch import load_file

import narrations as N
import train as T
from tagger import Pieces, Tagger

ap = argparse.ArgumentParser()
for name in ("--base", "--delta", "--lexicon"):
    ap.add_argument(name, required=True)
ap.add_argument("narration")
a = ap.parse_args()
labels = N.Labels(a.lexicon)
delta = load_file(a.delta)
net = Tagger(a.base, labels, rank=delta["layers.0.q.a"].shape[0])
missing = set(net.trained()) - set(delta)
assert not missing, f"the delta lacks {sorted(missing)[:3]}"
net.load_state_dict({k: v.float() for k, v in delta.items()}, strict=False)
n = N.read_pair(a.narration, labels)
said = T.probabilities(net, n["words"], Pieces(a.base), "cpu")
found = T.decode(said, labels, T.Loss(labels, "cpu"))
print(json.dumps({n["name"]: T.marks(n, found, 1 - said["scope"].softmax(-1)[:, 0], labels)}))
