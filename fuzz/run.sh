#!/bin/sh
# usage: fuzz/run.sh TARGET [SECONDS]      TARGET: words recording vcd csv rig lockstep verbs
# Seeds the corpus and lets the fuzzer run on it. Needs cargo-fuzz (cargo install cargo-fuzz) and
# the toolchain the rest of payrig is built with: RUSTC_BOOTSTRAP lets it take the flags that guide
# the fuzzer. There is no unsafe code to watch, so no sanitizer is asked for.
# A crash is left in fuzz/artifacts/TARGET.
set -eu
cd "$(dirname "$0")"
target=${1:?which target: words recording vcd csv rig lockstep verbs}
seconds=${2:-60}
corpus=corpus/$target
mkdir -p "$corpus"
case $target in
    vcd | csv) for f in ../captures/*."$target"; do head -c 3000 "$f" >"$corpus/$(basename "$f")"; done ;;
    rig) cp ../bench-rigs/*.toml "$corpus" ;;
    recording | words | lockstep | verbs) cp seeds/"$target"/* "$corpus" ;;
    *) echo "no target $target: words, recording, vcd, csv, rig, lockstep, verbs" >&2; exit 2 ;;
esac
RUSTC_BOOTSTRAP=1 exec cargo fuzz run --fuzz-dir . --sanitizer none "$target" "$corpus" -- \
    -max_total_time="$seconds" -max_len=4000 -timeout=10
