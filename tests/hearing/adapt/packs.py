"""Packs of spoken clips: 4 bytes of header length (little-endian), a JSON header, Ogg Opus clips end to end."""
import io
import json
import os
import struct
import sys

import numpy as np
import soundfile

RATE = 16000
COLUMNS = ["set", "voice", "text", "start", "length"]


def read(path):
    """Yields (set, voice, text, sound) of a pack; sound at 16 kHz, one channel, floats."""
    with open(path, "rb") as f:
        (n,) = struct.unpack("<I", f.read(4))
        header = json.loads(f.read(n))
        body = f.read()
    for kind, voice, text, start, length in header["clips"]:
        x, rate = soundfile.read(io.BytesIO(body[start : start + length]), dtype="float32")
        if rate != RATE:
            from scipy.signal import resample_poly

            x = resample_poly(x, RATE, rate).astype(np.float32)
        yield kind, voice, text, x


def write(path, rows):
    """Writes (set, voice, text, sound) rows as a pack."""
    body, clips = bytearray(), []
    for kind, voice, text, x in rows:
        b = io.BytesIO()
        soundfile.write(b, x, RATE, format="OGG", subtype="OPUS")
        clips.append([kind, voice, text, len(body), len(b.getvalue())])
        body += b.getvalue()
    header = json.dumps({"columns": COLUMNS, "clips": clips}, ensure_ascii=False).encode()
    with open(path, "wb") as f:
        f.write(struct.pack("<I", len(header)) + header + bytes(body))


def unpack(paths, folder):
    """Writes clips as WAV files, and `said.tsv`: file, set, voice, text."""
    os.makedirs(folder, exist_ok=True)
    with open(os.path.join(folder, "said.tsv"), "w", encoding="utf-8") as table:
        n = 0
        for path in paths:
            for kind, voice, text, x in read(path):
                name = f"{n:05d}.wav"
                soundfile.write(os.path.join(folder, name), x, RATE, subtype="PCM_16")
                table.write("\t".join([name, kind, voice, text]) + "\n")
                n += 1
    print(n, "clips in", folder)


if __name__ == "__main__":
    if len(sys.argv) < 3:
        raise SystemExit("usage: packs.py PACK... FOLDER")
    unpack(sys.argv[1:-1], sys.argv[-1])
