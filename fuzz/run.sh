#!/usr/bin/env bash
# Runs all fuzz targets side by side for a time: `run.sh SECONDS OUT`. Looks for the programs in the folder BIN, else beside this file
# in `bin` or `bin.tar.xz`, else where build.sh leaves them. What it finds goes on from WORK (kept between runs); OUT gets `summary.txt` and what crashed,
# the new inputs and the logs as archives. Ends with status 1 when anything crashed.
set -uo pipefail
here=$(cd "$(dirname "$0")" && pwd)
seconds=$1
out=$(mkdir -p "$2" && cd "$2" && pwd)
work=${WORK:-/tmp/bossmark-fuzz}
bin=${BIN:-$here/bin}
if [ ! -d "$bin" ] && [ -f "$here/bin.tar.xz" ]; then
  bin=$work/bin
  mkdir -p "$bin"
  tar -C "$work" -xJf "$here/bin.tar.xz" || python3 -c 'import sys, tarfile; tarfile.open(sys.argv[1]).extractall(sys.argv[2])' "$here/bin.tar.xz" "$work"
fi
[ -d "$bin" ] || bin=$here/target/$(uname -m)-unknown-linux-gnu/release
mkdir -p "$work"/{corpus,crashes,logs}
export ASAN_OPTIONS=detect_leaks=0
# kept in memory, where there is such a folder: the page's target writes its records there
[ -d /dev/shm ] && export TMPDIR=/dev/shm

# target, processes, longest input, dictionary
targets='
photo 4 60000 photo
exif 2 4000 exif
records 1 12000 json
history 1 8000 json
session 1 8000 json
edits 1 8000 json
lens 1 8000 json
face 1 8000 json
points 1 4000 table
tape_table 1 4000 table
request 2 8000 request
'

one() {
  local target=$1 k=$2 longest=$3 words=$4 until left log
  until=$(($(date +%s) + seconds))
  log=$work/logs/$target-$k.log
  mkdir -p "$work/corpus/$target"
  # a crash ends a run: the next one goes on
  for _ in $(seq 40); do
    left=$((until - $(date +%s)))
    [ "$left" -gt 2 ] || break
    "$bin/$target" "$work/corpus/$target" "$here/seeds/$target" -dict="$here/dictionaries/$words.dict" -max_len="$longest" \
      -max_total_time="$left" -timeout=25 -rss_limit_mb=2048 -reload=20 -print_final_stats=1 -artifact_prefix="$work/crashes/$target-" \
      >>"$log" 2>&1
  done
}

while read -r target processes longest words; do
  [ -n "$target" ] || continue
  for k in $(seq "$processes"); do one "$target" "$k" "$longest" "$words" & done
done <<<"$targets"
wait

{
  while read -r target processes _; do
    [ -n "$target" ] || continue
    executed=$(cat "$work"/logs/"$target"-[0-9].log | awk '/^stat::number_of_executed_units/ { n += $2 } END { print n + 0 }')
    covered=$(cat "$work"/logs/"$target"-[0-9].log | grep -oE 'cov: [0-9]+' | sort -k2 -n | tail -n 1)
    crashes=$(find "$work/crashes" -name "$target-*" | wc -l)
    echo "$target: $processes processes, $executed inputs, ${covered:-cov: 0}, $crashes crashes"
  done <<<"$targets"
  grep -hE "panicked at|ERROR: |SUMMARY: |out-of-memory|timeout after" "$work"/logs/*.log | sort | uniq -c | sort -rn | head -n 40
} >"$out/summary.txt"
tar -C "$work" -czf "$out/crashes.tar.gz" crashes
tar -C "$work" -czf "$out/logs.tar.gz" logs
tar -C "$work" -czf "$out/corpus.tar.gz" corpus
cat "$out/summary.txt"
[ -z "$(ls "$work/crashes")" ]
