#!/usr/bin/env python3
"""Makes the broken journals beside this file: one folder a case, `journal.jsonl` in each.

The chain is computed here with Python's hashlib and json, apart from the code under test, so a
journal that is broken in one place is sound in all others by an independent reckoning.
`expected.txt` in each folder is the whole error text. This script never writes it; whoever changes a
message changes it there and reads it as its reader will.
All data are invented.
"""
import hashlib
import json
import pathlib

HERE = pathlib.Path(__file__).parent
ZERO = "0" * 64
HEADER = {
    "kind": "header", "schema": 1, "code": "DEMO-1", "sex": "f",
    "born": "2031-04-03T02:10:00+02:00", "ga": "39+2", "by": "AB", "protocol": None,
    "lexicon": {"name": "demo", "sha256": "ab" * 32}, "tool": "0.1.0",
    "started": "2031-04-05T09:26:53+02:00",
}


def phrase(text, start, **more):
    return {"kind": "phrase", "text": text, "start_ms": start, "end_ms": start + 900,
            "source": "keys", **more}


SOUND = [
    (0, HEADER),
    (2000, phrase("first words", 1000)),
    (2100, {"kind": "echo", "phrase": 2, "text": "first words?"}),
    (9000, phrase("second words", 8000)),
    (9500, {"kind": "pause"}),
    (12000, {"kind": "end"}),
]


def dump(value):
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False)


def chain(entries, first=ZERO, seqs=None):
    """Lines (bytes, without newline) chained over `entries`."""
    lines, prev = [], first
    for i, (ms, body) in enumerate(entries):
        seq = seqs[i] if seqs else i + 1
        line = dump({"seq": seq, "exam_ms": ms, "wall": "2031-04-05T09:26:53.000+02:00",
                     **body, "prev": prev}).encode()
        lines.append(line)
        prev = hashlib.sha256(line).hexdigest()
    return lines


def put(name, data):
    folder = HERE / name
    folder.mkdir(exist_ok=True)
    (folder / "journal.jsonl").write_bytes(data)


def joined(lines, end=b"\n"):
    return b"".join(line + end for line in lines)


def changed(index, old, new):
    """The sound journal with bytes of one line replaced after the chain was made."""
    lines = chain(SOUND)
    assert lines[index].count(old) == 1, (index, old)
    lines[index] = lines[index].replace(old, new)
    return joined(lines)


def with_entry(index, ms, body):
    """The sound journal with one entry replaced before the chain is made."""
    entries = list(SOUND)
    entries[index] = (ms, body)
    return joined(chain(entries))


def settlement(decision, **more):
    return {"kind": "settlement", "who": "AB", **more, "decision": decision}


good = chain(SOUND)
put("empty-file", b"")
put("header-cut-short", good[0][:60])
put("line-cut-in-the-middle", joined([good[0], good[1][:70], *good[2:]]))
put("text-not-utf8", changed(3, b"second", b"sec\xffnd"))
put("blank-line", joined([*good[:2], b"", *good[2:]]))
put("lost-newline", joined(good[:3]) + good[3] + joined(good[4:]))
put("lost-newline-before-last", joined(good[:4]) + good[4] + b" " + good[5] + b"\n")
put("not-an-object", joined([*good[:2], b'["seq",3]', *good[3:]]))
put("word-changed", changed(1, b"first", b"third"))
put("prev-changed", changed(2, good[2][-6:-2], b"0000"))
put("word-changed-before-last", changed(4, b'"pause"', b'"resume"'))
put("line-removed", joined([*good[:2], *good[3:]]))
put("line-doubled", joined([*good[:3], *good[2:]]))
put("first-prev-not-zero", joined(chain(SOUND, first="f" * 64)))
put("prev-too-short", changed(3, good[3][-12:-2], b""))
put("prev-in-capitals", changed(3, good[3][-66:-2], good[3][-66:-2].upper()))
put("unknown-kind", with_entry(3, 9000, {**phrase("second words", 8000), "kind": "phrasse"}))
put("kind-missing", with_entry(3, 9000, {"text": "second words"}))
put("field-twice", changed(3, b'"kind":', b'"exam_ms":9000,"kind":'))
put("seq-as-text", changed(2, b'"seq":3', b'"seq":"3"'))
put("exam-time-falls", with_entry(3, 2099, phrase("second words", 1500)))
put("wall-without-offset", changed(3, b"53.000+02:00", b"53.000"))
put("no-header", joined(chain(SOUND[1:])))
put("second-header", with_entry(4, 9500, HEADER))
put("later-schema", joined(chain([(0, {**HEADER, "schema": 2, "ga": {"weeks": 39}}), *SOUND[1:]])))
put("ga-seven-days", joined(chain([(0, {**HEADER, "ga": "39+7"}), *SOUND[1:]])))
put("ga-without-days", joined(chain([(0, {**HEADER, "ga": "39"}), *SOUND[1:]])))
put("ga-too-few-weeks", joined(chain([(0, {**HEADER, "ga": "19+6"}), *SOUND[1:]])))
put("code-with-a-name", joined(chain([(0, {**HEADER, "code": "A. Demo"}), *SOUND[1:]])))
put("born-without-time", joined(chain([(0, {**HEADER, "born": "2031-04-03"}), *SOUND[1:]])))
put("sex-unknown-letter", joined(chain([(0, {**HEADER, "sex": "w"}), *SOUND[1:]])))
put("phrase-without-source", with_entry(
    3, 9000, {k: v for k, v in phrase("second words", 8000).items() if k != "source"}))
put("phrase-ends-before-start", with_entry(3, 9000, phrase("second words", 8000, end_ms=7999)))
put("echo-of-no-phrase", with_entry(2, 2100, {"kind": "echo", "phrase": 1, "text": "?"}))
put("undo-of-no-settlement", with_entry(4, 9500, settlement({"act": "undo", "seq": 4})))
put("settlement-unknown-act", with_entry(
    4, 9500, settlement({"act": "guess", "item": "x"}, target={"phrase": 2, "index": 0})))
put("choose-without-target", with_entry(
    4, 9500, settlement({"act": "choose", "item": "x", "status": "judged"})))
put("header-change-of-nothing", with_entry(4, 9500, {"kind": "header-change", "who": "AB"}))
put("sound-file-elsewhere", with_entry(4, 9500, {
    "kind": "audio-mark", "mark": "start", "file": "../other/1.wav", "from_ms": 0, "to_ms": 0}))
put("carriage-returns", joined(good, b"\r\n"))
put("byte-order-mark", b"\xef\xbb\xbf" + joined(good))
