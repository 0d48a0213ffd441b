#!/bin/sh
# usage: fuzz/run.sh TARGET [SECONDS]      TARGET: words recording vcd csv
# Seeds the corpus from captures/ and lets the fuzzer run. Needs a nightly compiler and cargo-fuzz
# (cargo install cargo-fuzz). A crash is left in fuzz/artifacts/TARGET.
set -eu
cd "$(dirname "$0")"
target=${1:?which target: words recording vcd csv}
seconds=${2:-60}
corpus=corpus/$target
mkdir -p "$corpus"
case $target in
    vcd | csv) for f in ../captures/*."$target"; do head -c 3000 "$f" >"$corpus/$(basename "$f")"; done ;;
    recording) cp seeds/recording/* "$corpus" ;;
    words) cp seeds/words/* "$corpus" ;;
esac
exec cargo +nightly fuzz run --fuzz-dir . "$target" "$corpus" -- \
    -max_total_time="$seconds" -max_len=4000 -timeout=10
